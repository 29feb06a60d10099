//! Two arrivals fitted to the powers by least squares: the search before the comparison.
//!
//! For supposed directions the powers are linear in the powers of both arrivals and in the term of their interference,
//! so only the directions are searched (variable projection: Golub & Pereyra, *SIAM J. Numer. Anal.* 10, 1973,
//! 413-432).

use lobewright_types::wrap_signed_degrees;
use nalgebra::{Matrix3, Vector3};

use crate::gain::Gains;
use crate::prepare::Data;

const GRID_DEG: f64 = 10.0;
const DIRECTIONS: usize = 36;
/// Arrivals nearer to each other than this look like one.
pub(crate) const LEAST_APART_DEG: f64 = 20.0;
/// Weakest second arrival.
pub(crate) const WEAKEST_DB: f64 = -20.0;
/// Starts that are followed.
const STARTS: usize = 4;
/// Level error supposed in the weights, in nats: half a decibel.
const SUPPOSED_NATS: f64 = 0.115;
/// Most of the interference that is believed, as cosine of the phase between the arrivals.
pub(crate) const MOST_COHERENT: f64 = 0.98;

/// Two arrivals: the first is the stronger one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pair {
    /// Azimuths from the mounting's zero mark.
    pub(crate) azimuth_deg: [f64; 2],
    /// Power of the second against the first.
    pub(crate) ratio_db: f64,
    /// Cosine of the phase between them; 0 where their powers add.
    pub(crate) coherence: f64,
}

/// The readings as a least-squares problem.
pub(crate) struct Powers<'a> {
    data: &'a Data,
    gains: &'a Gains,
    /// Power less noise.
    signal: Vec<f64>,
    weight: Vec<f64>,
    total: f64,
}

/// A fit for two supposed directions.
#[derive(Debug, Clone, Copy)]
struct Fit {
    /// Powers of both, and of their interference.
    parts: [f64; 3],
    /// Weighted sum of squared misfits.
    misfit: f64,
}

impl<'a> Powers<'a> {
    /// Bursts are brought to one level by the levels fitted with one arrival.
    pub(crate) fn new(data: &'a Data, gains: &'a Gains, burst_power: &[f64]) -> Self {
        let scale = |burst: usize| 1.0 / burst_power[burst].max(data.soft_power);
        let signal: Vec<f64> = data
            .obs
            .iter()
            .map(|o| (o.power - o.noise) * scale(o.burst))
            .collect();
        let weight: Vec<f64> = data
            .obs
            .iter()
            .map(|o| {
                if o.censored {
                    return 0.0;
                }
                let h = (1.0 - o.noise / o.power).max(0.0);
                let noise =
                    data.rel_var(o.inv_samples, h) + data.noise_rel_sigma.powi(2) * (1.0 - h) * (1.0 - h);
                let relative = noise + (SUPPOSED_NATS * h).powi(2);
                1.0 / (relative * (o.power * scale(o.burst)).powi(2))
            })
            .collect();
        let total = signal.iter().zip(&weight).map(|(y, w)| w * y * y).sum();
        Self {
            data,
            gains,
            signal,
            weight,
            total,
        }
    }

    /// Misfit of one arrival with these gains.
    pub(crate) fn misfit_of_one(&self, gain: &[f64]) -> f64 {
        let (mut yg, mut gg) = (0.0, 0.0);
        for ((g, y), w) in gain.iter().zip(&self.signal).zip(&self.weight) {
            yg += w * y * g;
            gg += w * g * g;
        }
        self.total - yg.max(0.0).powi(2) / gg.max(1e-300)
    }

    /// The best pairs, each followed to the bottom, best first, with their misfits.
    pub(crate) fn pairs(&self) -> Vec<(Pair, f64)> {
        let mut starts = self.grid();
        starts.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut distinct: Vec<[f64; 2]> = Vec::new();
        for (_, at) in starts {
            let near =
                |d: &[f64; 2]| (0..2).all(|i| wrap_signed_degrees(d[i] - at[i]).abs() < 1.5 * GRID_DEG);
            if !distinct.iter().any(near) {
                distinct.push(at);
            }
            if distinct.len() == STARTS {
                break;
            }
        }
        let mut found: Vec<(Pair, f64)> = distinct.into_iter().filter_map(|at| self.follow(at)).collect();
        found.sort_by(|a, b| a.1.total_cmp(&b.1));
        found
    }

    fn column(&self, azimuth_deg: f64) -> Vec<f64> {
        self.data
            .obs
            .iter()
            .map(|o| self.gains.of(o, azimuth_deg))
            .collect()
    }

    /// Misfit of each pair on the grid.
    fn grid(&self) -> Vec<(f64, [f64; 2])> {
        let columns: Vec<Vec<f64>> = (0..DIRECTIONS)
            .map(|i| self.column(i as f64 * GRID_DEG))
            .collect();
        let roots: Vec<Vec<f64>> = columns
            .iter()
            .map(|c| c.iter().map(|g| g.sqrt()).collect())
            .collect();
        let mut all = Vec::with_capacity(DIRECTIONS * DIRECTIONS / 2);
        for i in 0..DIRECTIONS {
            for j in 0..i {
                let at = [i as f64 * GRID_DEG, j as f64 * GRID_DEG];
                if wrap_signed_degrees(at[0] - at[1]).abs() < LEAST_APART_DEG {
                    continue;
                }
                let fit = self.solve([&columns[i], &columns[j]], [&roots[i], &roots[j]]);
                if let Some(fit) = fit {
                    all.push((fit.misfit, at));
                }
            }
        }
        all
    }

    /// Least squares for the powers, within what is physically possible.
    fn solve(&self, gain: [&[f64]; 2], root: [&[f64]; 2]) -> Option<Fit> {
        let mut m = [0.0; 5];
        let mut b = [0.0; 3];
        let columns = gain[0].iter().zip(gain[1]).zip(root[0].iter().zip(root[1]));
        for (((g0, g1), (r0, r1)), (y, w)) in columns.zip(self.signal.iter().zip(&self.weight)) {
            let cross = r0 * r1;
            m[0] += w * g0 * g0;
            m[1] += w * g1 * g1;
            m[2] += w * g0 * g1;
            m[3] += w * g0 * cross;
            m[4] += w * g1 * cross;
            b[0] += w * y * g0;
            b[1] += w * y * g1;
            b[2] += w * y * cross;
        }
        // The square of the cross term is the product of both gains.
        let normal = Matrix3::new(m[0], m[2], m[3], m[2], m[1], m[4], m[3], m[4], m[2]);
        let right = Vector3::from(b);
        let whole = normal.cholesky().map(|c| c.solve(&right));
        if let Some(s) = whole
            && possible(s[0], s[1], s[2])
        {
            return Some(Fit {
                parts: [s[0], s[1], s[2]],
                misfit: self.total - right.dot(&s),
            });
        }
        let det = m[0] * m[1] - m[2] * m[2];
        let (s0, s1) = (
            (m[1] * b[0] - m[2] * b[1]) / det,
            (m[0] * b[1] - m[2] * b[0]) / det,
        );
        possible(s0, s1, 0.0).then(|| Fit {
            parts: [s0, s1, 0.0],
            misfit: self.total - b[0] * s0 - b[1] * s1,
        })
    }

    fn fit_at(&self, at: [f64; 2]) -> Option<Fit> {
        if wrap_signed_degrees(at[0] - at[1]).abs() < LEAST_APART_DEG {
            return None;
        }
        let columns = at.map(|a| self.column(a));
        let roots = [0, 1].map(|i: usize| columns[i].iter().map(|g| g.sqrt()).collect::<Vec<f64>>());
        self.solve([&columns[0], &columns[1]], [&roots[0], &roots[1]])
    }

    /// Compass search (Hooke & Jeeves, *J. ACM* 8, 1961) with steps that halve.
    fn follow(&self, start: [f64; 2]) -> Option<(Pair, f64)> {
        let (mut at, mut fit) = (start, self.fit_at(start)?);
        let mut step = 0.5 * GRID_DEG;
        while step > 0.1 {
            let mut moved = false;
            for (axis, side) in [(0, -1.0), (0, 1.0), (1, -1.0), (1, 1.0)] {
                let mut to = at;
                to[axis] += side * step;
                if let Some(there) = self.fit_at(to)
                    && there.misfit < fit.misfit
                {
                    (at, fit, moved) = (to, there, true);
                }
            }
            if !moved {
                step *= 0.5;
            }
        }
        let [s0, s1, cross] = fit.parts;
        let coherence = (cross / (2.0 * (s0 * s1).sqrt())).clamp(-MOST_COHERENT, MOST_COHERENT);
        let (azimuth_deg, ratio) = if s0 >= s1 {
            (at, s1 / s0)
        } else {
            ([at[1], at[0]], s0 / s1)
        };
        let pair = Pair {
            azimuth_deg,
            ratio_db: 10.0 * ratio.log10(),
            coherence,
        };
        Some((pair, fit.misfit))
    }
}

/// Both powers there, and no more interference than they can make.
fn possible(first: f64, second: f64, cross: f64) -> bool {
    let least = 10_f64.powf(WEAKEST_DB / 10.0);
    first > 0.0 && second > least * first && first > least * second && cross * cross <= 4.0 * first * second
}
