//! What the signal's phase does in the time between two dwells, foretold from both.
//!
//! Frequency is measured within the dwells whatever the ports' phases are, so its autocovariance is known before them; and
//! from the autocovariance the turn between the last phase of a dwell and the first of the next, with its error, by
//! linear prediction from the increments of phase on both sides (Kay, *Fundamentals of Statistical Signal Processing:
//! Estimation Theory*, 1993, section 12.4). What is measured beyond that is the difference of the ports' phases, known
//! modulo a turn: where the error is not small beside half a turn, the count of turns is not to be trusted.

use std::f64::consts::{PI, TAU};

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use num_complex::Complex;

use super::kalman::wrap;

/// Increments on each side from which a gap is bridged, at most.
const SIDE: usize = 9;
/// Longest gap that is looked at, in cells.
const LONGEST: usize = 48;
/// Degrees of freedom of the belief that the modulation is as strong as it is on the average.
const BELIEF: f64 = 2.0;
/// Error of a bridge, besides its own, in the weights.
const USUAL_RAD: f64 = 0.1;
/// Nats by which a count of turns must be more likely than the next.
const CLEAR_NATS: f64 = 8.0;

/// Errors beyond this make no count of turns: what is left of them is as likely to be another's.
const WIDEST_RAD: f64 = 1.1;

/// Phase in a cell of the grid, free at each switch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Free {
    pub(super) at: usize,
    pub(super) segment: usize,
    pub(super) slot: usize,
    pub(super) phase: f64,
    pub(super) variance: f64,
    /// Whether all of the cell is in the segment.
    pub(super) whole: bool,
}

/// A switch and what the phase did there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gap {
    /// The first cell behind it.
    pub(super) cell: usize,
    pub(super) from: usize,
    pub(super) to: usize,
    /// Phase behind it less phase before and what the signal turns, on the branch of the free phases.
    pub(super) jump: f64,
    /// Standard error of the jump; infinite where nothing is known.
    pub(super) sigma: f64,
}

impl Gap {
    /// What is left of the jump beside the ports' phases, less than half a turn.
    pub(super) fn left(&self, psi: &[f64]) -> f64 {
        if self.sigma.is_finite() {
            wrap(self.jump - (psi[self.to] - psi[self.from]))
        } else {
            0.0
        }
    }

    fn weight(&self) -> f64 {
        1.0 / (self.sigma * self.sigma + USUAL_RAD * USUAL_RAD)
    }
}

/// Whether what is left of a phase after the nearest whole turn is counted from there without doubt, its error being
/// normal.
pub(super) fn is_clear(left: f64, sigma: f64) -> bool {
    // Half the difference of the squares of this and of the way to the next turn.
    sigma < WIDEST_RAD && TAU * (PI - left.abs()) > CLEAR_NATS * sigma * sigma
}

/// Jumps at the switches, by the slots before and behind them.
pub(super) struct Jumps {
    /// Sum of the jumps' directions, each counted by its weight; as long as `counts` where all are alike.
    pub(super) products: DMatrix<Complex<f64>>,
    /// Number of jumps of full weight that say as much.
    pub(super) counts: DMatrix<f64>,
    /// Share of the jumps that agree.
    pub(super) coherence: f64,
    /// Median standard error of a jump.
    pub(super) error: f64,
}

/// Finds the jumps at all switches.
pub(super) fn gaps(cells: &[Free]) -> Vec<Gap> {
    let Some(turn) = mean_turn(cells) else {
        return Vec::new();
    };
    let covariance = Covariance::new(cells, turn);
    let mut known: Vec<(Shape, Option<Bridge>)> = Vec::new();
    let mut start = 0;
    let mut out: Vec<Gap> = Vec::new();
    // What the mean turn is off, by the best estimate of it: its part in each jump, and two sums.
    let mut parts = Vec::new();
    let (mut off, mut information) = (0.0, 0.0);
    while let Some(behind) = next_segment(cells, start) {
        let stop = next_segment(cells, behind).unwrap_or(cells.len());
        let sides = Sides {
            before: &cells[start.max(behind.saturating_sub(SIDE + 1))..behind],
            behind: &cells[behind..stop.min(behind + SIDE + 1)],
        };
        let shape = sides.shape();
        let i = known.iter().position(|k| k.0 == shape).unwrap_or_else(|| {
            if known.len() >= 64 {
                known.clear();
            }
            known.push((shape, Bridge::new(&sides, &covariance)));
            known.len() - 1
        });
        let (mut jump, mut sigma, mut part) = (0.0, f64::INFINITY, 0.0);
        if let Some(bridge) = &known[i].1 {
            let values = bridge.values(&sides, turn);
            (jump, sigma) = bridge.jump(&sides, &values, turn);
            part = bridge.part;
            off += bridge.mean.dot(&values);
            information += bridge.information;
        }
        parts.push(part);
        out.push(Gap {
            cell: behind,
            from: cells[behind - 1].slot,
            to: cells[behind].slot,
            jump,
            sigma,
        });
        start = behind;
    }
    let off = off / f64::max(information, 1e-300);
    for (gap, part) in out.iter_mut().zip(parts) {
        gap.jump -= part * off;
    }
    out
}

fn next_segment(cells: &[Free], start: usize) -> Option<usize> {
    let own = cells.get(start)?.segment;
    (start..cells.len()).find(|&k| cells[k].segment != own)
}

/// Makes the errors of the bridges what they are seen to be, beside the mean of each kind of jump: a covariance taken from
/// few dwells foretells too much.
pub(super) fn judge(gaps: &mut [Gap], slots: usize) {
    let mean = jumps(gaps, slots).products;
    let (mut sum, mut count) = (0.0, 0.0);
    for gap in gaps.iter().filter(|g| g.sigma < WIDEST_RAD) {
        let off = wrap(gap.jump - mean[(gap.to, gap.from)].arg());
        sum += (off / gap.sigma.max(1e-9)).powi(2);
        count += 1.0;
    }
    // As many degrees of freedom of belief as there are kinds.
    let kinds = mean.iter().filter(|p| p.norm() > 0.0).count() as f64;
    let worse = ((sum + kinds) / f64::max(count, 1.0)).sqrt().clamp(1.0, 3.0);
    for gap in gaps {
        gap.sigma *= worse;
    }
}

/// Sums the jumps of each kind.
pub(super) fn jumps(gaps: &[Gap], slots: usize) -> Jumps {
    let mut products = DMatrix::from_element(slots, slots, Complex::new(0.0, 0.0));
    let mut weights = DMatrix::<f64>::zeros(slots, slots);
    let mut squares = DMatrix::<f64>::zeros(slots, slots);
    for gap in gaps.iter().filter(|g| g.from != g.to && g.sigma.is_finite()) {
        let w = gap.weight();
        products[(gap.to, gap.from)] += Complex::cis(gap.jump) * w;
        weights[(gap.to, gap.from)] += w;
        squares[(gap.to, gap.from)] += w * w;
    }
    let all: f64 = weights.iter().sum();
    let coherence = products.iter().map(|p| p.norm()).sum::<f64>() / all.max(1e-300);
    let counts = DMatrix::from_fn(slots, slots, |i, j| {
        if squares[(i, j)] > 0.0 {
            weights[(i, j)] * weights[(i, j)] / squares[(i, j)]
        } else {
            0.0
        }
    });
    for (p, (n, w)) in products.iter_mut().zip(counts.iter().zip(weights.iter())) {
        *p *= n / f64::max(*w, 1e-300);
    }
    let mut errors: Vec<f64> = gaps.iter().map(|g| g.sigma).collect();
    errors.sort_by(f64::total_cmp);
    Jumps {
        products,
        counts,
        coherence,
        error: errors.get(errors.len() / 2).copied().unwrap_or(f64::INFINITY),
    }
}

/// Mean turn from a cell to the next.
fn mean_turn(cells: &[Free]) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for pair in whole_pairs(cells) {
        sum += pair[1].phase - pair[0].phase;
        count += 1.0;
    }
    (count > 0.0).then(|| sum / count)
}

fn whole_pairs(cells: &[Free]) -> impl Iterator<Item = &[Free]> {
    cells
        .windows(2)
        .filter(|p| p[0].segment == p[1].segment && p[0].whole && p[1].whole)
}

/// Autocovariance of the signal's turn from cell to cell.
struct Covariance {
    by_lag: Vec<f64>,
}

impl Covariance {
    /// From the increments within segments at any distance, the noise taken off, with a spectrum that is nowhere negative
    /// (Blackman & Tukey, *The Measurement of Power Spectra*, 1958, with the lag window of von Hann).
    fn new(cells: &[Free], turn: f64) -> Self {
        let lags = 2 * (2 * SIDE + LONGEST.min(longest_gap(cells)) + 2);
        let first = cells[0].at;
        let count = cells[cells.len() - 1].at - first + 1;
        let (mut value, mut there) = (vec![0.0_f64; count], vec![0.0_f64; count]);
        let (mut noise, mut pairs) = (0.0, 0.0);
        for pair in whole_pairs(cells) {
            value[pair[1].at - first] = pair[1].phase - pair[0].phase - turn;
            there[pair[1].at - first] = 1.0;
            noise += pair[1].variance;
            pairs += 1.0;
        }
        let noise = noise / f64::max(pairs, 1.0);
        let mut by_lag: Vec<f64> = (0..lags)
            .map(|lag| {
                if lag >= count {
                    return 0.0;
                }
                let window = 0.5 * (1.0 + (PI * lag as f64 / lags as f64).cos());
                window * product(&value, lag) / product(&there, lag).max(1.0)
            })
            .collect();
        by_lag[0] -= 2.0 * noise;
        by_lag[1] += noise;
        let bins = 2 * lags;
        let cosines: Vec<f64> = (0..bins).map(|i| (TAU * i as f64 / bins as f64).cos()).collect();
        // One half of a symmetric spectrum.
        let spectrum: Vec<f64> = (0..=lags)
            .map(|k| {
                let sum: f64 = (1..lags).map(|l| by_lag[l] * cosines[k * l % bins]).sum();
                (by_lag[0] + 2.0 * sum).max(0.0)
            })
            .collect();
        let by_lag = (0..lags)
            .map(|l| {
                let sum: f64 = (1..lags).map(|k| spectrum[k] * cosines[k * l % bins]).sum();
                (spectrum[0] + spectrum[lags] * cosines[lags * l % bins] + 2.0 * sum) / bins as f64
            })
            .collect();
        Self { by_lag }
    }

    fn at(&self, lag: usize) -> f64 {
        self.by_lag.get(lag).copied().unwrap_or(0.0)
    }
}

fn longest_gap(cells: &[Free]) -> usize {
    cells.windows(2).map(|p| p[1].at - p[0].at).max().unwrap_or(1)
}

fn product(values: &[f64], lag: usize) -> f64 {
    let mut lanes = [0.0; 8];
    let n = values.len() - lag;
    let (a, b) = (&values[..n], &values[lag..]);
    for (a, b) in a.chunks(8).zip(b.chunks(8)) {
        for ((l, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *l += a * b;
        }
    }
    lanes.iter().sum()
}

/// The cells next to a switch.
struct Sides<'a> {
    before: &'a [Free],
    behind: &'a [Free],
}

/// What gaps that are bridged alike have in common.
#[derive(PartialEq)]
struct Shape {
    lengths: (usize, usize, usize),
    slots: (usize, usize),
    whole: [bool; 4],
}

impl Sides<'_> {
    fn edges(&self) -> (&Free, &Free) {
        (&self.before[self.before.len() - 1], &self.behind[0])
    }

    fn shape(&self) -> Shape {
        let (a, b) = self.edges();
        Shape {
            lengths: (self.before.len(), self.behind.len(), b.at - a.at),
            slots: (a.slot, b.slot),
            whole: [
                self.before[0].whole,
                a.whole,
                b.whole,
                self.behind[self.behind.len() - 1].whole,
            ],
        }
    }

    fn increments(&self) -> impl Iterator<Item = (&Free, &Free)> {
        let pairs = |side: &'_ [Free]| side.len().saturating_sub(1);
        (0..pairs(self.before))
            .map(|i| (&self.before[i], &self.before[i + 1]))
            .chain((0..pairs(self.behind)).map(|i| (&self.behind[i], &self.behind[i + 1])))
    }
}

/// The best linear prediction over a gap.
struct Bridge {
    factor: Cholesky<f64, Dyn>,
    weights: DVector<f64>,
    variance: f64,
    /// Part of it that is noise.
    noise: f64,
    /// Weights of the values in their mean, best linear unbiased but for the common factor, and that.
    mean: DVector<f64>,
    information: f64,
    /// Part of an error of the mean that goes into the jump.
    part: f64,
}

impl Bridge {
    fn new(sides: &Sides<'_>, covariance: &Covariance) -> Option<Self> {
        let (a, b) = sides.edges();
        let length = b.at - a.at;
        let known: Vec<(&Free, &Free)> = sides.increments().collect();
        if length > LONGEST || known.is_empty() {
            return None;
        }
        let over = |at: usize| -> f64 {
            (a.at + 1..=b.at)
                .map(|q| covariance.at(q.abs_diff(at)))
                .sum::<f64>()
        };
        let noise = DMatrix::from_fn(known.len(), known.len(), |i, j| {
            if i == j {
                known[i].0.variance + known[i].1.variance
            } else if known[i].1.at == known[j].0.at {
                -known[i].1.variance
            } else if known[j].1.at == known[i].0.at {
                -known[j].1.variance
            } else {
                0.0
            }
        });
        let matrix = DMatrix::from_fn(known.len(), known.len(), |i, j| {
            covariance.at(known[i].1.at.abs_diff(known[j].1.at)) + noise[(i, j)]
        });
        let noise_right = DVector::from_fn(known.len(), |i, _| {
            if known[i].1.at == a.at {
                -a.variance
            } else if known[i].0.at == b.at {
                -b.variance
            } else {
                0.0
            }
        });
        let right = DVector::from_fn(known.len(), |i, _| over(known[i].1.at) + noise_right[i]);
        let ends = a.variance + b.variance;
        let whole = (a.at + 1..=b.at).map(over).sum::<f64>() + ends;
        let factor = matrix.cholesky()?;
        let weights = factor.solve(&right);
        let noise = ends - 2.0 * weights.dot(&noise_right) + weights.dot(&(&noise * &weights));
        let mean = factor.solve(&DVector::from_element(known.len(), 1.0));
        Some(Self {
            information: mean.sum(),
            part: length as f64 - weights.sum(),
            mean,
            variance: (whole - weights.dot(&right)).max(noise),
            weights,
            factor,
            noise,
        })
    }

    /// The increments beside the mean turn.
    fn values(&self, sides: &Sides<'_>, turn: f64) -> DVector<f64> {
        DVector::from_iterator(
            self.weights.len(),
            sides.increments().map(|(a, b)| beside(a, b, turn)),
        )
    }

    /// The jump and its standard error, the modulation being as strong as it is on both sides.
    fn jump(&self, sides: &Sides<'_>, values: &DVector<f64>, turn: f64) -> (f64, f64) {
        let (a, b) = sides.edges();
        let mut white = values.clone();
        self.factor.l_dirty().solve_lower_triangular_mut(&mut white);
        let strength = (BELIEF + white.norm_squared()) / (BELIEF + values.len() as f64);
        let jump = beside(a, b, turn) - self.weights.dot(values);
        let variance = (self.variance * strength).max(self.noise);
        (jump, variance.max(0.0).sqrt())
    }
}

/// Phase at `b` less phase at `a` and the mean turn between.
fn beside(a: &Free, b: &Free, turn: f64) -> f64 {
    b.phase - a.phase - turn * (b.at - a.at) as f64
}
