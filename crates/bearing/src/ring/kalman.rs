//! Filters and smoothers over measured phases.
//!
//! Kalman filter, fixed-interval smoother by the backward recursion of Durbin & Koopman (*Time Series Analysis by State
//! Space Methods*, 2nd edition 2012, section 4.4), and the augmented filter for unknown regression coefficients (de Jong,
//! *The diffuse Kalman filter*, Annals of Statistics 19, 1991): the filter is run over the data and over each regressor
//! with the same gains.

use nalgebra::{DMatrix, DVector};

pub(super) use super::model::Course;
use super::model::{Cov, Step, start};

/// One measurement of the phase.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// Time in units.
    pub(super) at: f64,
    /// Measured phase, radians, unwrapped.
    pub(super) phase: f64,
    /// Its variance.
    pub(super) variance: f64,
    /// Which slot's phase is added to the signal's.
    pub(super) slot: usize,
}

/// Steps by their length, since most are alike.
struct Steps {
    q: f64,
    known: Vec<Step>,
}

impl Steps {
    fn new(q: f64) -> Self {
        Self { q, known: Vec::new() }
    }

    fn get(&mut self, dt: f64) -> &Step {
        if let Some(i) = self.known.iter().position(|s| (s.dt - dt).abs() < 1e-9) {
            return &self.known[i];
        }
        if self.known.len() >= 8 {
            self.known.clear();
        }
        self.known.push(Step::new(dt, self.q));
        &self.known[self.known.len() - 1]
    }
}

/// The course a time later.
pub(super) fn moved(x: &Course, dt: f64) -> Course {
    [x[0] + dt * (x[1] + 0.5 * dt * x[2]), x[1] + dt * x[2], x[2]]
}

fn gain(p: &Cov, variance: f64) -> (Course, f64) {
    let mut k = p.map(|row| row[0]);
    let s = k[0] + variance;
    for k in &mut k {
        *k /= s;
    }
    (k, s)
}

fn update(p: &mut Cov, k: &Course, s: f64) {
    for (row, a) in p.iter_mut().zip(k) {
        for (value, b) in row.iter_mut().zip(k) {
            *value -= a * b * s;
        }
    }
}

fn add(x: &mut Course, k: &Course, innovation: f64) {
    for (x, k) in x.iter_mut().zip(k) {
        *x += k * innovation;
    }
}

/// Something that a filter remembers of each measurement for the way back.
struct Kept {
    dt: f64,
    p: Cov,
    x: Course,
    s: f64,
    innovation: f64,
}

/// Result of a tracking pass.
pub(super) struct Track {
    /// Smoothed course at each point; empty where not asked for.
    pub(super) states: Vec<Course>,
    /// Log density of the innovations.
    pub(super) ln_density: f64,
}

/// Follows the phases, known modulo a turn, of a carrier whose frequency was found already.
///
/// `points[k].phase` is any branch of the phase. `q` is the density of the noise that drives the rate of frequency.
pub(super) fn track(points: &[Point], first: &Course, q: f64, smooth: bool) -> Track {
    let mut kept: Vec<Kept> = Vec::with_capacity(if smooth { points.len() } else { 0 });
    let mut steps = Steps::new(q);
    let mut x = *first;
    let mut p = [[3.3, 0.0, 0.0], [0.0, 0.02, 0.0], [0.0, 0.0, 0.02]];
    let mut ln_density = 0.0;
    for (k, point) in points.iter().enumerate() {
        let mut dt = 0.0;
        if k > 0 {
            dt = point.at - points[k - 1].at;
            let step = steps.get(dt);
            x = step.state(&x);
            p = step.cov(&p);
        }
        let innovation = wrap(point.phase - x[0]);
        let (gain, s) = gain(&p, point.variance);
        if smooth {
            kept.push(Kept {
                dt,
                p,
                x,
                s,
                innovation,
            });
        }
        ln_density += wrapped_normal_ln(innovation, s);
        add(&mut x, &gain, innovation);
        update(&mut p, &gain, s);
    }
    Track {
        states: backward(&kept, q),
        ln_density,
    }
}

fn backward(kept: &[Kept], q: f64) -> Vec<Course> {
    let mut steps = Steps::new(q);
    let mut states = vec![[0.0; 3]; kept.len()];
    let mut r = [0.0; 3];
    for (k, kept) in kept.iter().enumerate().rev() {
        let lead = kept.p.iter().zip(&r).map(|(p, r)| p[0] * r).sum::<f64>() / kept.s;
        r[0] += kept.innovation / kept.s - lead;
        let mut x = kept.x;
        for (x, row) in x.iter_mut().zip(&kept.p) {
            *x += row.iter().zip(&r).map(|(p, r)| p * r).sum::<f64>();
        }
        states[k] = x;
        if k > 0 {
            r = steps.get(kept.dt).back(&r);
        }
    }
    states
}

/// Log density of an innovation that is known modulo a turn; uniform where the variance is large.
fn wrapped_normal_ln(innovation: f64, variance: f64) -> f64 {
    let narrow = -0.5 * innovation * innovation / variance - 0.5 * (std::f64::consts::TAU * variance).ln();
    let flat = -std::f64::consts::TAU.ln();
    // One gross innovation in fifty is expected: noise peaks and clicks.
    let (a, b) = (narrow - 0.0202, flat - 3.912);
    let top = a.max(b);
    top + ((a - top).exp() + (b - top).exp()).ln()
}

pub(super) fn wrap(rad: f64) -> f64 {
    use std::f64::consts::{PI, TAU};
    let r = rad - TAU * (rad / TAU).round();
    r.clamp(-PI, PI)
}

/// Information on the slots' phases, all summed over the points, in groups of time.
pub(super) struct Information {
    /// `[group][slot * slots + slot]`.
    pub(super) matrix: Vec<Vec<f64>>,
    /// `[group][slot]`.
    pub(super) score: Vec<Vec<f64>>,
    /// Log density of the data with all slots' phases zero.
    pub(super) ln_density: f64,
}

impl Information {
    pub(super) fn none(slots: usize, groups: usize) -> Self {
        Self {
            matrix: vec![vec![0.0; slots * slots]; groups],
            score: vec![vec![0.0; slots]; groups],
            ln_density: 0.0,
        }
    }

    /// Adds what cannot be told apart by time: a share to each group.
    pub(super) fn spread(&mut self, matrix: &DMatrix<f64>, score: &DVector<f64>) {
        let share = 1.0 / self.matrix.len() as f64;
        for (m, b) in self.matrix.iter_mut().zip(&mut self.score) {
            for (m, v) in m.iter_mut().zip(matrix.transpose().iter()) {
                *m += share * v;
            }
            for (b, v) in b.iter_mut().zip(score.iter()) {
                *b += share * v;
            }
        }
    }
}

/// Runs the filter over the data and over each slot's regressor.
///
/// `group` gives each point's group, below `groups`.
pub(super) fn information(
    points: &[Point],
    slots: usize,
    q: f64,
    group: &[usize],
    groups: usize,
) -> Information {
    let mut info = Information::none(slots, groups);
    let Some(first) = points.first() else {
        return info;
    };
    let mut steps = Steps::new(q);
    let mut data = [0.0; 3];
    data[0] = first.phase;
    let mut columns = vec![[0.0; 3]; slots];
    let mut innovations = vec![0.0; slots];
    let mut p = start(100.0);
    for (k, point) in points.iter().enumerate() {
        if k > 0 {
            let step = steps.get(point.at - points[k - 1].at);
            p = step.cov(&p);
            data = step.state(&data);
            for column in &mut columns {
                *column = step.state(column);
            }
        }
        let (gain, s) = gain(&p, point.variance);
        let innovation = point.phase - data[0];
        add(&mut data, &gain, innovation);
        for (slot, (column, out)) in columns.iter_mut().zip(&mut innovations).enumerate() {
            *out = if slot == point.slot { 1.0 } else { 0.0 } - column[0];
            add(column, &gain, *out);
        }
        update(&mut p, &gain, s);
        let weight = 1.0 / s;
        info.ln_density -= 0.5 * (innovation * innovation * weight + s.ln());
        let (matrix, score) = (&mut info.matrix[group[k]], &mut info.score[group[k]]);
        for (i, a) in innovations.iter().enumerate() {
            let a = a * weight;
            score[i] += a * innovation;
            for (m, b) in matrix[i * slots..(i + 1) * slots].iter_mut().zip(&innovations) {
                *m += a * b;
            }
        }
    }
    info
}

/// Smooths unwrapped phases; `phases[slot]` is taken off each.
pub(super) fn smooth(points: &[Point], phases: &[f64], q: f64) -> Vec<Course> {
    let mut kept: Vec<Kept> = Vec::with_capacity(points.len());
    let mut steps = Steps::new(q);
    let mut p = start(100.0);
    let mut x = [0.0; 3];
    if let Some(first) = points.first() {
        x[0] = first.phase - phases[first.slot];
    }
    for (k, point) in points.iter().enumerate() {
        let mut dt = 0.0;
        if k > 0 {
            dt = point.at - points[k - 1].at;
            let step = steps.get(dt);
            x = step.state(&x);
            p = step.cov(&p);
        }
        let innovation = point.phase - phases[point.slot] - x[0];
        let (gain, s) = gain(&p, point.variance);
        kept.push(Kept {
            dt,
            p,
            x,
            s,
            innovation,
        });
        add(&mut x, &gain, innovation);
        update(&mut p, &gain, s);
    }
    backward(&kept, q)
}
