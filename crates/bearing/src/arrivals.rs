//! Two arrivals fitted to the powers by least squares: the search before the comparison.
//!
//! For supposed directions the powers are linear in the powers of both arrivals and in the term of their interference,
//! so only the directions are searched (variable projection: Golub & Pereyra, *SIAM J. Numer. Anal.* 10, 1973,
//! 413-432).

use lobewright_types::wrap_signed_degrees;
use nalgebra::{Matrix4, Vector4};

use crate::gain::Gains;
use crate::levels::product;
use crate::prepare::Data;

const GRID_DEG: f64 = 10.0;
const DIRECTIONS: usize = 36;
/// Arrivals nearer to each other than this look like one.
pub(crate) const LEAST_APART_DEG: f64 = 20.0;
/// Weakest second arrival.
pub(crate) const WEAKEST_DB: f64 = -20.0;
/// Starts that are followed.
const STARTS: usize = 6;
/// Share of one arrival's misfit to which the raster of pairs must bring it down to be followed.
const PROMISING: f64 = 0.75;
/// Level error supposed in the weights, in nats, and the share of the strongest reading below which a reading counts no
/// more exactly than that: first blunt, so that the deep and narrow nulls of two waves do not hide the way, then sharp.
const BLUNT: Supposed = Supposed {
    error_nats: 0.3,
    floor_share: 0.03,
};
const SHARP: Supposed = Supposed {
    error_nats: 0.115,
    floor_share: 0.0,
};
/// Most of the interference that is believed, as cosine of the phase between the arrivals.
const MOST_COHERENT: f64 = 1.0;

/// Two arrivals: the first is the stronger one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pair {
    /// Azimuths from the mounting's zero mark.
    pub(crate) azimuth_deg: [f64; 2],
    /// Power of the second against the first.
    pub(crate) ratio_db: f64,
    /// Phase of the first against the second.
    pub(crate) phase_rad: f64,
}

#[derive(Debug, Clone, Copy)]
struct Supposed {
    error_nats: f64,
    floor_share: f64,
}

/// The readings as a least-squares problem.
pub(crate) struct Powers<'a> {
    data: &'a Data,
    gains: &'a Gains,
    /// Power less noise.
    signal: Vec<f64>,
    weight: Vec<f64>,
    /// Weighted sum of squared powers.
    total: f64,
    scales: Vec<f64>,
}

/// A fit for two supposed directions.
#[derive(Debug, Clone, Copy)]
struct Fit {
    /// Powers of both, and both parts of their interference.
    parts: [f64; 4],
    /// Weighted sum of squared misfits.
    misfit: f64,
}

impl<'a> Powers<'a> {
    /// Bursts are brought to one level by the levels fitted with one arrival.
    pub(crate) fn new(data: &'a Data, gains: &'a Gains, burst_power: &[f64]) -> Self {
        let scales: Vec<f64> = burst_power.iter().map(|p| 1.0 / p.max(data.soft_power)).collect();
        let signal: Vec<f64> = data
            .obs
            .iter()
            .map(|o| (o.power - o.noise) * scales[o.burst])
            .collect();
        let mut powers = Self {
            data,
            gains,
            signal,
            weight: Vec::new(),
            total: 0.0,
            scales,
        };
        powers.suppose(SHARP);
        powers
    }

    fn suppose(&mut self, supposed: Supposed) {
        let strongest = self.signal.iter().copied().fold(0.0, f64::max);
        let data = self.data;
        self.weight = data
            .obs
            .iter()
            .map(|o| {
                if o.censored {
                    return 0.0;
                }
                let power = o.power * self.scales[o.burst];
                let h = (1.0 - o.noise / o.power).max(0.0);
                let common = data.noise_rel_sigma * (1.0 - h);
                let relative = data.rel_var(o.inv_samples, h) + common * common;
                let error = supposed.error_nats * (h * power).max(supposed.floor_share * strongest);
                1.0 / (relative * power * power + error * error)
            })
            .collect();
        let terms = self.signal.iter().zip(&self.weight);
        self.total = terms.map(|(y, w)| w * y * y).sum();
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
    ///
    /// None where a blunt look on a raster already shows that two arrivals explain hardly more than the one with these
    /// gains does.
    pub(crate) fn pairs(mut self, gain_of_one: &[f64]) -> Vec<(Pair, f64)> {
        self.suppose(BLUNT);
        let one = self.misfit_of_one(gain_of_one);
        let mut starts = self.grid();
        let best = starts.iter().map(|s| s.0).fold(f64::INFINITY, f64::min);
        if best > PROMISING * one {
            return Vec::new();
        }
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
        let near: Vec<[f64; 2]> = distinct
            .into_iter()
            .filter_map(|at| self.follow(at, 0.5 * GRID_DEG, 1.0))
            .map(|f| f.0)
            .collect();
        self.suppose(SHARP);
        let mut found: Vec<(Pair, f64)> = near
            .into_iter()
            .filter_map(|at| self.follow(at, 2.0, 0.05))
            .map(|(at, fit)| (pair_of(at, &fit), fit.misfit))
            .collect();
        found.sort_by(|a, b| a.1.total_cmp(&b.1));
        found
    }

    fn column(&self, azimuth_deg: f64) -> Column {
        let obs = &self.data.obs;
        let voltage: Vec<[f64; 2]> = obs
            .iter()
            .map(|o| self.gains.voltage_of(o, azimuth_deg))
            .collect();
        // What the antenna turns during a reading is left to the comparison that follows.
        let gain = voltage.iter().map(|v| v[0] * v[0] + v[1] * v[1]).collect();
        Column { gain, voltage }
    }

    /// Misfit of each pair on the grid.
    fn grid(&self) -> Vec<(f64, [f64; 2])> {
        let columns: Vec<Column> = (0..DIRECTIONS)
            .map(|i| self.column(i as f64 * GRID_DEG))
            .collect();
        let mut all = Vec::with_capacity(DIRECTIONS * DIRECTIONS / 2);
        for i in 0..DIRECTIONS {
            for j in 0..i {
                let at = [i as f64 * GRID_DEG, j as f64 * GRID_DEG];
                if wrap_signed_degrees(at[0] - at[1]).abs() < LEAST_APART_DEG {
                    continue;
                }
                if let Some(fit) = self.solve(&columns[i], &columns[j]) {
                    all.push((fit.misfit, at));
                }
            }
        }
        all
    }

    /// Least squares for the powers, within what is physically possible.
    fn solve(&self, first: &Column, second: &Column) -> Option<Fit> {
        let mut normal = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        for k in 0..self.signal.len() {
            let [even, odd] = product(first.voltage[k], second.voltage[k]);
            let row = [first.gain[k], second.gain[k], even, odd];
            let (w, y) = (self.weight[k], self.signal[k]);
            for i in 0..4 {
                let scaled = w * row[i];
                right[i] += scaled * y;
                for j in 0..=i {
                    normal[i][j] += scaled * row[j];
                }
            }
        }
        // A pattern without phases has no odd part.
        let floor = 1e-9 * (normal[0][0] + normal[1][1]);
        let matrix = Matrix4::from_fn(|i, j| {
            let value = normal[i.max(j)][i.min(j)];
            if i == j { value + floor } else { value }
        });
        let right = Vector4::from(right);
        let whole = matrix.cholesky().map(|c| c.solve(&right));
        if let Some(s) = whole
            && possible(s[0], s[1], s[2], s[3])
        {
            return Some(Fit {
                parts: [s[0], s[1], s[2], s[3]],
                misfit: self.total - right.dot(&s),
            });
        }
        self.solve_bounded(&matrix, &right, whole)
    }

    /// With the interference kept to what two waves can make of it.
    fn solve_bounded(
        &self,
        normal: &Matrix4<f64>,
        right: &Vector4<f64>,
        whole: Option<Vector4<f64>>,
    ) -> Option<Fit> {
        let mut best: Option<Fit> = None;
        // In the phase that the unbounded fit has, as strong as it may be; and not at all.
        let phase = whole.map_or(0.0, |s| s[3].atan2(s[2]));
        for strength in [MOST_COHERENT, 0.9, 0.5, 0.0] {
            let swing = 2.0 * strength;
            let (mut s0, mut s1) = whole.map_or((1.0, 0.1), |s| (s[0].max(1e-6), s[1].max(1e-6)));
            // The interference goes with the root of both powers: a few rounds settle it.
            for _ in 0..4 {
                let cross = swing * (s0 * s1).sqrt();
                let (c, d) = (cross * phase.cos(), cross * phase.sin());
                let b0 = right[0] - normal[(0, 2)] * c - normal[(0, 3)] * d;
                let b1 = right[1] - normal[(1, 2)] * c - normal[(1, 3)] * d;
                let det = normal[(0, 0)] * normal[(1, 1)] - normal[(0, 1)] * normal[(0, 1)];
                s0 = ((normal[(1, 1)] * b0 - normal[(0, 1)] * b1) / det).max(1e-9);
                s1 = ((normal[(0, 0)] * b1 - normal[(0, 1)] * b0) / det).max(1e-9);
            }
            let cross = swing * (s0 * s1).sqrt();
            let s = Vector4::new(s0, s1, cross * phase.cos(), cross * phase.sin());
            let misfit = self.total - 2.0 * right.dot(&s) + s.dot(&(normal * s));
            if possible(s0, s1, s[2], s[3]) && best.is_none_or(|b| misfit < b.misfit) {
                best = Some(Fit {
                    parts: [s0, s1, s[2], s[3]],
                    misfit,
                });
            }
        }
        best
    }

    fn fit_at(&self, at: [f64; 2]) -> Option<Fit> {
        if wrap_signed_degrees(at[0] - at[1]).abs() < LEAST_APART_DEG {
            return None;
        }
        let [first, second] = at.map(|a| self.column(a));
        self.solve(&first, &second)
    }

    /// Compass search (Hooke & Jeeves, *J. ACM* 8, 1961) with steps that halve.
    fn follow(&self, start: [f64; 2], mut step: f64, last: f64) -> Option<([f64; 2], Fit)> {
        let (mut at, mut fit) = (start, self.fit_at(start)?);
        while step > last {
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
        Some((at, fit))
    }
}

fn pair_of(at: [f64; 2], fit: &Fit) -> Pair {
    let [s0, s1, even, odd] = fit.parts;
    // Seen from the other arrival the phase has the other sign.
    let sign = if s0 >= s1 { 1.0 } else { -1.0 };
    let (azimuth_deg, ratio) = if s0 >= s1 {
        (at, s1 / s0)
    } else {
        ([at[1], at[0]], s0 / s1)
    };
    Pair {
        azimuth_deg,
        ratio_db: 10.0 * ratio.log10(),
        phase_rad: (sign * odd).atan2(even),
    }
}

/// Both powers there, and no more interference than they can make.
fn possible(first: f64, second: f64, even: f64, odd: f64) -> bool {
    let least = 10_f64.powf(WEAKEST_DB / 10.0);
    first > 0.0
        && second > least * first
        && first > least * second
        && even * even + odd * odd <= 4.000_001 * first * second
}

/// Gains and voltages of all readings towards one azimuth.
struct Column {
    gain: Vec<f64>,
    voltage: Vec<[f64; 2]>,
}
