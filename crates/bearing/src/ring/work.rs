//! One burst on its way through the phase estimate.

use nalgebra::DMatrix;
use num_complex::Complex;

use super::course::{
    BAND_STEP, LOWEST_BAND_HZ, agreement, best_track, climb, join, jumps, products, rebased, share_power,
    straight,
};
use super::cut::{Block, Cut};
use super::kalman::{Course, Information, Joint, Point, information, smooth, track, wrap};
use super::level::Levels;
use super::model::{Band, Model};
use super::slots::solve;
use super::sums::means;

/// Noise that drives the rate of a carrier's frequency, log10 of rad^2 per unit^5: nearly none to a lively one.
const CARRIER_LOG_Q: (i32, i32) = (-16, 4);
/// Sizes and bands of the modulation that are tried: powers of the steps over the least.
const SIZES: (i32, i32) = (0, 9);
const LEAST_SIZE_RAD: f64 = 0.05;
const SIZE_STEP: f64 = 2.0;
const EDGES: (i32, i32) = (0, 10);
const LEAST_EDGE_HZ: f64 = 50.0;
const EDGE_STEP: f64 = 1.5;
/// Time in which modulation turns the phase by less than about a radian.
const STIFF_S: f64 = 4e-5;
/// Squared resultant over number that directions without any order exceed in one of twenty (Rayleigh's test: Mardia &
/// Jupp, *Directional Statistics*, 2000, section 6.3.1).
const CHANCE: f64 = 3.0;
/// Mean coherence of the phase jumps at the switch below which a modulated signal was not followed.
const FOLLOWED_JUMPS: f64 = 0.6;
/// Share of the signal's power in a straight carrier from which the modulated phase is counted from it.
const LINE_SHARE: f64 = 0.2;
/// Agreement of line and jumps from which they are taken to say the same.
const AGREEING: f64 = 0.8;
/// Segments on which the modulation's liveliness is first judged.
const PROBE_SEGMENTS: usize = 64;
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
    /// Size and edge of the modulation, in steps, once they are found.
    band: Option<(i32, i32)>,
    /// Whether a carrier stands out of the modulation, straight over the whole burst.
    line: bool,
    omega: f64,
    /// Whether the carrier's phase is straight over the whole burst.
    steady: bool,
    /// Mean coherence of the jumps at the switch, for a modulated signal.
    pub(super) coherence: f64,
    pub(super) modulated: bool,
    pub(super) products: DMatrix<Complex<f64>>,
    /// Number of jumps in each product, for a modulated signal.
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
            band: None,
            line: false,
            omega,
            coherence: 1.0,
            steady: false,
            counts: DMatrix::zeros(0, 0),
            modulated: false,
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
            let (blocks, states) = work.free_track(slot, omega);
            let (jumps, counts, free) = jumps(cut, &blocks, &states, slot.len());
            work.modulated = free > share;
            if work.modulated {
                work.coherence = free;
                work.counts = counts;
                // A sideband of a tone can be stronger than the carrier: the line must say the same as the jumps.
                work.line = share >= LINE_SHARE
                    && straight.power >= STRAIGHT_SHARE * paired
                    && (free < FOLLOWED_JUMPS || agreement(&jumps, &straight.products) > AGREEING);
                work.products = if work.line { straight.products } else { jumps };
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

    /// Follows phase and frequency of a modulated signal, the phase free after each switch.
    fn free_track(&self, slot: &[f64], omega: f64) -> (Vec<Block>, Vec<Course>) {
        // Samples of one independent value: the modulation turns the phase little in that time.
        let blocks = self.cut.blocks(self.stiff_length());
        let steady: Vec<Course> = blocks.iter().map(|_| [0.0, omega * self.cut.unit, 0.0]).collect();
        let sums = means(self.cut, &blocks, &steady);
        let points = self.phases_of(&blocks, &sums, slot);
        let segment: Vec<usize> = blocks.iter().map(|b| b.segment).collect();
        let probe = segment.partition_point(|s| *s < PROBE_SEGMENTS);
        let start: Course = [0.0, omega * self.cut.unit, 0.0];
        let lowest = LOWEST_BAND_HZ * std::f64::consts::TAU / self.cut.rate_hz * self.cut.unit;
        let states = best_track(&points, &segment, probe, &start, |band| {
            (lowest * BAND_STEP.powi(band)).powi(5)
        });
        (blocks, states)
    }

    /// Follows the phase through the switch, the slots' phases being known roughly, into blocks for the estimate.
    pub(super) fn lock(&mut self, psi: &[f64], slot: &[f64]) {
        if !self.followed() {
            return;
        }
        let blocks = if self.modulated {
            self.cut.blocks(self.stiff_length())
        } else {
            let per_segment = (self.cut.unit * self.cut.independent / 2.0)
                .floor()
                .clamp(1.0, 2.0);
            self.cut.blocks(self.cut.unit / per_segment)
        };
        let old_blocks = std::mem::take(&mut self.blocks);
        let old_states = std::mem::take(&mut self.states);
        let mut states = rebased(self.cut, &old_blocks, &old_states, &blocks);
        if self.modulated {
            join(self.cut, &blocks, &mut states, psi);
            if self.line {
                self.count_from_line(&blocks, &mut states, psi);
            }
        } else {
            states = self.locked_carrier(&blocks, &states, psi, slot);
        }
        self.blocks = blocks;
        self.states = states;
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
        let segment: Vec<usize> = blocks.iter().map(|b| b.segment).collect();
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
            track(
                &points,
                &segment,
                &start,
                Joint::Through,
                10_f64.powi(log_q),
                false,
            )
            .ln_density
        });
        let q = 10_f64.powi(self.log_q);
        let found = track(&points, &segment, &start, Joint::Through, q, true);
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

    /// Puts the phase of each segment on the branch nearest to the carrier's.
    fn count_from_line(&self, blocks: &[Block], states: &mut [Course], psi: &[f64]) {
        let straight: Vec<Course> = blocks
            .iter()
            .map(|b| [self.omega * b.middle, self.omega * self.cut.unit, 0.0])
            .collect();
        let sums = means(self.cut, blocks, &straight);
        let carrier: Complex<f64> = blocks
            .iter()
            .zip(&sums)
            .map(|(b, s)| s * Complex::cis(-psi[b.slot]))
            .sum();
        let mut k = 0;
        while k < blocks.len() {
            let n = blocks[k..]
                .iter()
                .take_while(|b| b.segment == blocks[k].segment)
                .count();
            let off = (k..k + n)
                .map(|i| states[i][0] - straight[i][0] - carrier.arg())
                .sum::<f64>()
                / n as f64;
            for state in &mut states[k..k + n] {
                state[0] += wrap(off) - off;
            }
            k += n;
        }
    }

    /// Information on the slots' phases from the points, with the model that explains them best.
    pub(super) fn information(&mut self, points: &[Point], slots: usize, groups: usize) -> Information {
        let group: Vec<usize> = self.blocks.iter().map(|b| self.group[b.segment]).collect();
        let evidence = |points: &[Point], model: &Model| {
            let info = information(points, slots, model, &group, groups);
            let gain = solve(&info.matrix, &info.score, slots).map_or(0.0, |s| s.gain);
            info.ln_density + 0.5 * gain
        };
        if self.modulated {
            if self.band.is_none() {
                let probe = self.blocks.partition_point(|b| b.segment < PROBE_SEGMENTS);
                let points = &points[..probe];
                let (mut size, mut edge, mut log_q) = (5, 6, if self.line { -12 } else { -4 });
                for _ in 0..2 {
                    edge = climb(edge, EDGES, 1, |edge| {
                        evidence(points, &self.model(log_q, Some((size, edge))))
                    });
                    size = climb(size, SIZES, 1, |size| {
                        evidence(points, &self.model(log_q, Some((size, edge))))
                    });
                    log_q = climb(log_q, CARRIER_LOG_Q, 4, |q| {
                        evidence(points, &self.model(q, Some((size, edge))))
                    });
                }
                self.band = Some((size, edge));
                self.log_q = log_q;
            }
        } else {
            self.log_q = climb(self.log_q, CARRIER_LOG_Q, 2, |q| {
                evidence(points, &self.model(q, None))
            });
        }
        information(points, slots, &self.model(self.log_q, self.band), &group, groups)
    }

    fn model(&self, log_q: i32, band: Option<(i32, i32)>) -> Model {
        let to_unit = std::f64::consts::TAU / self.cut.rate_hz * self.cut.unit;
        Model {
            q: 10_f64.powi(log_q),
            band: band.map(|(size, edge)| Band {
                sigma: LEAST_SIZE_RAD * SIZE_STEP.powi(size),
                edge: LEAST_EDGE_HZ * EDGE_STEP.powi(edge) * to_unit,
            }),
        }
    }

    /// Whether the signal's phase was followed through the switch.
    pub(super) fn followed(&self) -> bool {
        !self.modulated || self.line || self.coherence >= FOLLOWED_JUMPS
    }

    /// What the jumps say whose scatter is too large to follow the phase through them: the mean direction of each kind
    /// of jump with the concentration that its own resultant allows, less what chance gives (Mardia & Jupp,
    /// *Directional Statistics*, 2000, section 4.8 and 5.3).
    pub(super) fn jump_information(&self, psi: &[f64], matrix: &mut [Vec<f64>], score: &mut [Vec<f64>]) {
        let (slots, groups) = (psi.len(), matrix.len() as f64);
        for to in 0..slots {
            for from in 0..slots {
                let (sum, count) = (self.products[(to, from)], self.counts[(to, from)]);
                if count < 2.0 {
                    continue;
                }
                let r2 = ((sum.norm_sqr() / count - CHANCE) / (count - 1.0)).clamp(0.0, 0.99);
                let kappa = 2.0 * r2 * count / (1.0 - r2 * r2) / groups;
                let off = wrap(sum.arg() - (psi[to] - psi[from]));
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
    }

    pub(super) fn smoothed(&self, points: &[Point], step: &[f64]) -> Vec<Course> {
        smooth(points, step, &self.model(self.log_q, self.band))
    }

    fn stiff_length(&self) -> f64 {
        (STIFF_S * self.cut.rate_hz).min(self.cut.unit / 4.0)
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
