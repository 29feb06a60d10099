//! One burst on its way through the phase estimate.

use nalgebra::DMatrix;
use num_complex::Complex;

use super::bridge::{Jumps, jumps};
use super::course::{agreement, climb, products, rebased, share_power, straight};
use super::cut::{Block, Cut};
use super::kalman::{Course, Information, Point, information, smooth, track, wrap};
use super::level::Levels;
use super::modulated::{Modulated, free_course};
use super::slots::solve;
use super::sums::means;

/// Noise that drives the rate of a carrier's frequency, log10 of rad^2 per unit^5: nearly none to a lively one.
const CARRIER_LOG_Q: (i32, i32) = (-16, 4);
/// Squared resultant over number that directions without any order exceed in one of twenty (Rayleigh's test: Mardia &
/// Jupp, *Directional Statistics*, 2000, section 6.3.1).
const CHANCE: f64 = 3.0;
/// Mean coherence of the phase jumps at the switch below which a modulated signal was not followed.
const FOLLOWED_JUMPS: f64 = 0.6;
/// Error of the phase foretold from dwell to dwell, 1 sigma, beyond which turns are not counted.
const BRIDGED_RAD: f64 = 1.0;
/// Mean number of dwells in which the phase has to go on for it to be followed.
const LEAST_PIECE: usize = 3;
/// Error of the mean of a kind of jump that a tone in step with the switch may leave.
const JUMPS_RAD: f64 = 0.15;
/// Sum of squares over their errors from which the slots are not where the jumps say.
const DISAGREEING: f64 = 30.0;
/// Share of the signal's power in a straight carrier from which the modulated phase is counted from it.
const LINE_SHARE: f64 = 0.2;
/// Agreement of line and jumps from which they are taken to say the same.
const AGREEING: f64 = 0.8;
/// Share of the neighbours' coherent power that the sums along a straight phase must keep for it to be straight.
const STRAIGHT_SHARE: f64 = 0.8;
/// Share of the signal's power that a steady carrier must show for the signal to be taken as one.
const CARRIER_SHARE: f64 = 0.8;

/// A burst on its way through the phase estimate.
pub(super) struct Work<'a, 'b> {
    pub(super) cut: &'a Cut<'b>,
    pub(super) levels: &'a Levels,
    pub(super) group: &'a [usize],
    blocks: Vec<Block>,
    pub(super) states: Vec<Course>,
    /// Strength of the noise that drives the carrier, log10.
    log_q: i32,
    modulation: Modulated,
    /// Whether the carrier's phase is straight over the whole burst.
    steady: bool,
    /// Mean coherence of the jumps at the switch, for a modulated signal.
    pub(super) coherence: f64,
    pub(super) modulated: bool,
    /// Whether the phase can be foretold from dwell to dwell.
    bridged: bool,
    pub(super) products: DMatrix<Complex<f64>>,
    /// Sums of the directions of jumps, for a modulated signal, and their numbers.
    jumps: DMatrix<Complex<f64>>,
    counts: DMatrix<f64>,
}

impl<'a, 'b> Work<'a, 'b> {
    /// Finds a first course of the phase, free at every switch, and what it says of the slots.
    pub(super) fn new(
        cut: &'a Cut<'b>,
        levels: &'a Levels,
        group: &'a [usize],
        slot: &[f64],
        omega: f64,
    ) -> Self {
        let blocks = cut.blocks(f64::INFINITY);
        let steady: Vec<Course> = blocks
            .iter()
            .map(|b| [omega * b.middle, omega * cut.unit, 0.0])
            .collect();
        let sums = means(cut, &blocks, &steady);
        let products = products(cut, &blocks, &sums, slot.len());
        let mut work = Self {
            cut,
            levels,
            group,
            blocks,
            states: steady,
            log_q: CARRIER_LOG_Q.0,
            modulation: Modulated::new(cut),
            coherence: 1.0,
            steady: false,
            jumps: DMatrix::zeros(0, 0),
            counts: DMatrix::zeros(0, 0),
            modulated: false,
            bridged: false,
            products,
        };
        let (paired, share) = work.neighbour_power(&sums, slot);
        let straight = straight(cut, &work.blocks, &sums, slot.len());
        // How well the power itself is known decides how much of it must be seen in the carrier.
        let doubt = cut.noise / (share_power(paired, share) * cut.count().sqrt());
        if share + 2.0 * doubt >= CARRIER_SHARE {
            if straight.power >= STRAIGHT_SHARE * paired {
                work.steady = true;
                work.products = straight.products;
            }
        } else {
            work.modulated = true;
            let blocks = work.modulation.blocks(cut);
            let steady: Vec<Course> = blocks
                .iter()
                .map(|b| [omega * b.middle, omega * cut.unit, 0.0])
                .collect();
            let sums = means(cut, &blocks, &steady);
            let states = free_course(cut, &blocks, &sums, omega);
            let points = work.phases_of(&blocks, &sums, slot);
            work.modulation.bridge(cut, &blocks, &states, &points, slot.len());
            let Jumps {
                products: jumps,
                counts,
                coherence: free,
                error,
            } = jumps(&work.modulation.gaps, slot.len());
            let lined = share >= LINE_SHARE && straight.power >= STRAIGHT_SHARE * paired;
            work.modulated = free > share || lined;
            if work.modulated {
                work.coherence = free;
                work.bridged = error < BRIDGED_RAD;
                work.counts = counts;
                // A sideband of a tone can be stronger than the carrier: the line must say the same as the jumps.
                let line =
                    lined && (free < FOLLOWED_JUMPS || agreement(&jumps, &straight.products) > AGREEING);
                work.products = if line { straight.products } else { jumps.clone() };
                work.jumps = jumps;
                work.blocks = blocks;
                work.states = states;
            }
        }
        work
    }

    /// Mean coherent power of neighbouring segments, and its share of all power: 1 for a steady carrier, 0 for none.
    fn neighbour_power(&self, sums: &[Complex<f64>], slot: &[f64]) -> (f64, f64) {
        let n = slot.len();
        let mut by_pair = vec![Complex::new(0.0, 0.0); n * n];
        let mut all = 0.0;
        for (k, pair) in self.blocks.windows(2).enumerate() {
            by_pair[pair[1].slot * n + pair[0].slot] += sums[k + 1] * sums[k].conj();
            all += self.amplitude(k, slot) * self.amplitude(k + 1, slot);
        }
        let coherent = by_pair.iter().map(|c| c.norm()).sum::<f64>();
        (
            coherent / (self.blocks.len() as f64 - 1.0),
            coherent / all.max(1e-300),
        )
    }

    fn amplitude(&self, segment: usize, slot: &[f64]) -> f64 {
        self.levels.segment[segment] * slot[self.cut.segments[segment].slot]
    }

    /// Variance of the phase of a block of the segment.
    fn variance(&self, block: &Block, slot: &[f64]) -> f64 {
        let amplitude = self.amplitude(block.segment, slot);
        self.cut.component_variance(block.len()) / (amplitude * amplitude).max(1e-300)
    }

    /// What the filter sees of each block: its phase with its variance, to second order in the noise.
    fn phases_of(&self, blocks: &[Block], sums: &[Complex<f64>], slot: &[f64]) -> Vec<Point> {
        blocks
            .iter()
            .zip(sums)
            .map(|(b, s)| {
                let v = self.variance(b, slot);
                Point {
                    at: b.middle / self.cut.unit,
                    phase: s.arg(),
                    variance: v + v * v,
                    slot: b.slot,
                }
            })
            .collect()
    }

    /// Follows the phase through the switch, the slots' phases being known roughly, into blocks for the estimate.
    pub(super) fn lock(&mut self, psi: &[f64], slot: &[f64]) {
        if !self.followed() {
            return;
        }
        if self.modulated {
            let mut states = std::mem::take(&mut self.states);
            let pieces = self.modulation.join(&mut states, psi, self.blocks[0].slot);
            // Pieces of two or three dwells say no more than the jumps themselves.
            self.bridged = pieces * LEAST_PIECE <= self.cut.segments.len();
            self.states = states;
            return;
        }
        let per_segment = (self.cut.unit * self.cut.independent / 2.0)
            .floor()
            .clamp(1.0, 2.0);
        let blocks = self.cut.blocks(self.cut.unit / per_segment);
        let states = rebased(self.cut, &self.blocks, &self.states, &blocks);
        self.states = self.locked_carrier(&blocks, &states, psi, slot);
        self.blocks = blocks;
    }

    fn locked_carrier(
        &mut self,
        blocks: &[Block],
        states: &[Course],
        psi: &[f64],
        slot: &[f64],
    ) -> Vec<Course> {
        let sums = means(self.cut, blocks, states);
        let turned: Vec<Complex<f64>> = blocks
            .iter()
            .zip(&sums)
            .map(|(b, s)| s * Complex::cis(-psi[b.slot]))
            .collect();
        let points = self.phases_of(blocks, &turned, slot);
        if self.steady {
            let all: Complex<f64> = turned.iter().sum();
            return states
                .iter()
                .map(|s| {
                    let mut s = *s;
                    s[0] += all.arg();
                    s
                })
                .collect();
        }
        let first: Complex<f64> = turned.iter().take(16 * slot.len()).sum();
        let start: Course = [first.arg(), 0.0, 0.0];
        self.log_q = climb(-14, CARRIER_LOG_Q, 4, |log_q| {
            track(&points, &start, 10_f64.powi(log_q), false).ln_density
        });
        let q = 10_f64.powi(self.log_q);
        let found = track(&points, &start, q, true);
        found
            .states
            .iter()
            .zip(states)
            .map(|(own, base)| [own[0] + base[0], own[1] + base[1], own[2] + base[2]])
            .collect()
    }

    /// Phases measured beside the course so far, and each segment's amplitude in phase with it.
    pub(super) fn points(&self, psi: &[f64], slot: &[f64]) -> (Vec<Point>, Vec<f64>) {
        let sums = means(self.cut, &self.blocks, &self.states);
        let mut amplitude = vec![0.0; self.cut.segments.len()];
        let points = self
            .blocks
            .iter()
            .zip(&sums)
            .zip(&self.states)
            .map(|((block, sum), state)| {
                let own = sum * Complex::cis(-psi[block.slot]);
                let share = block.len() / self.cut.segments[block.segment].samples.len() as f64;
                amplitude[block.segment] += share * own.re;
                let expected = self.amplitude(block.segment, slot).max(1e-150);
                let variance = self.variance(block, slot);
                let reach = 1.0 + 3.0 * variance.sqrt();
                // Strong blocks: the angle itself, right at any distance; weak ones: the part across, free of bias.
                let off = if variance < 0.02 {
                    own.arg()
                } else {
                    (own.im / expected).clamp(-reach, reach)
                };
                Point {
                    at: block.middle / self.cut.unit,
                    phase: state[0] + off,
                    variance,
                    slot: block.slot,
                }
            })
            .collect();
        (points, amplitude)
    }

    /// Information on the slots' phases from the points, with the model that explains them best.
    pub(super) fn information(
        &mut self,
        points: &[Point],
        slots: usize,
        groups: usize,
        last: bool,
    ) -> Information {
        if self.modulated {
            let mut info = Information::none(slots, groups);
            let own = self
                .modulation
                .information(self.cut, &self.blocks, points, &self.states, slots, last);
            if let Some((matrix, score)) = own {
                info.spread(&matrix, &score);
            }
            return info;
        }
        let group: Vec<usize> = self.blocks.iter().map(|b| self.group[b.segment]).collect();
        self.log_q = climb(self.log_q, CARRIER_LOG_Q, 2, |log_q| {
            let info = information(points, slots, strength(log_q), &group, groups);
            let gain = solve(&info.matrix, &info.score, slots).map_or(0.0, |s| s.gain);
            info.ln_density + 0.5 * gain
        });
        information(points, slots, strength(self.log_q), &group, groups)
    }

    /// Whether the signal's phase was followed through the switch.
    pub(super) fn followed(&self) -> bool {
        !self.modulated || (self.bridged && self.coherence >= FOLLOWED_JUMPS)
    }

    /// Leaves the phase as what it does at each switch by itself.
    pub(super) fn give_up(&mut self) {
        self.bridged = false;
    }

    /// Whether a modulated signal's slots lie where the jumps at the switches, each modulo a turn, say they are.
    pub(super) fn agrees(&self, psi: &[f64]) -> bool {
        if !self.modulated || !self.followed() {
            return true;
        }
        let off: f64 = self
            .jump_kinds(psi)
            .map(|(_, _, kappa, off)| off * off / (1.0 / kappa + JUMPS_RAD * JUMPS_RAD))
            .sum();
        off < DISAGREEING
    }

    /// Each kind of jump: to, from, the concentration that its own resultant allows, less what chance gives (Mardia &
    /// Jupp, *Directional Statistics*, 2000, section 4.8 and 5.3), and how far its mean direction is from the slots'.
    fn jump_kinds(&self, psi: &[f64]) -> impl Iterator<Item = (usize, usize, f64, f64)> {
        let slots = psi.len();
        (0..slots * slots).filter_map(move |at| {
            let (to, from) = (at / slots, at % slots);
            let (sum, count) = (self.jumps[(to, from)], self.counts[(to, from)]);
            let r2 = ((sum.norm_sqr() / count - CHANCE) / (count - 1.0)).clamp(0.0, 0.99);
            let kappa = 2.0 * r2 * count / (1.0 - r2 * r2);
            (count >= 2.0 && kappa > 0.0).then(|| (to, from, kappa, wrap(sum.arg() - (psi[to] - psi[from]))))
        })
    }

    /// What the jumps say where the phase is not followed through them.
    pub(super) fn jump_information(&self, psi: &[f64], matrix: &mut [Vec<f64>], score: &mut [Vec<f64>]) {
        let (slots, groups) = (psi.len(), matrix.len() as f64);
        for (to, from, kappa, off) in self.jump_kinds(psi) {
            let kappa = kappa / groups;
            for (m, b) in matrix.iter_mut().zip(score.iter_mut()) {
                m[to * slots + to] += kappa;
                m[from * slots + from] += kappa;
                m[to * slots + from] -= kappa;
                m[from * slots + to] -= kappa;
                b[to] += kappa * off;
                b[from] -= kappa * off;
            }
        }
    }

    /// Takes the course that is left when the slots are moved by `step`.
    pub(super) fn move_on(&mut self, points: &[Point], step: &[f64]) {
        if !self.modulated {
            self.states = smooth(points, step, strength(self.log_q));
        } else if let Some(states) = self.modulation.smoothed(self.cut, &self.blocks, step) {
            self.states = states;
        }
    }

    pub(super) fn add_share(&self, amplitude: &[f64], (coherent, all): (f64, f64)) -> (f64, f64) {
        let mut sums = (coherent, all);
        for ((a, level), segment) in amplitude.iter().zip(&self.levels.segment).zip(&self.cut.segments) {
            let n = segment.samples.len() as f64;
            sums.0 += n * a * a.abs().min(10.0 * level);
            sums.1 += n * level * level;
        }
        sums
    }
}

fn strength(log_q: i32) -> f64 {
    10_f64.powi(log_q)
}
