//! Levels of the slots beside each other, and the level of the signal over time.
//!
//! The logarithm of the signal's amplitude is a random walk whose step is taken from the data (none for a steady
//! carrier, a large one for fading and speech in the amplitude); what the slots differ by is left over.

use super::cut::Cut;
use super::slots::{Contrast, Solution, solve};

/// Step of the random walk that is tried, variance of the log amplitude in each unit of time.
const WALKS: [f64; 9] = [0.0, 1e-9, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1];
const ROUNDS: usize = 3;
/// Relative error of a slot's power, 1 sigma, beyond which the slots are taken to be alike.
const HOPELESS: f64 = 0.25;

/// Amplitudes of one burst.
#[derive(Debug, Clone)]
pub(super) struct Levels {
    /// Amplitude of the signal in each segment with the slot's response taken out.
    pub(super) segment: Vec<f64>,
    pub(super) walk: f64,
}

/// What the level of a segment is measured from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Measure {
    /// Power of signal and noise.
    Power,
    /// Amplitude in phase with the tracked signal.
    Amplitude,
}

/// Levels of all bursts and the slots' amplitudes that they share.
pub(super) struct LevelFit {
    pub(super) bursts: Vec<Levels>,
    /// Amplitude of each slot; the geometric mean over those seen is near 1.
    pub(super) slot: Vec<f64>,
    pub(super) contrast: Option<Contrast>,
    /// Relative error of the mean power of the first burst, 1 sigma.
    pub(super) doubt: f64,
}

pub(super) struct Measured<'a, 'b> {
    pub(super) cut: &'a Cut<'b>,
    /// One for each segment: power, or amplitude.
    pub(super) values: Vec<f64>,
    pub(super) group: &'a [usize],
    pub(super) groups: usize,
}

/// Fits levels, `slots` of them shared by all bursts.
pub(super) fn fit(bursts: &[Measured<'_, '_>], slots: usize, measure: Measure) -> LevelFit {
    let mut slot = first_slots(bursts, slots, measure);
    let mut levels: Vec<Levels> = bursts
        .iter()
        .map(|b| {
            let level = mean_level(b, &slot, measure);
            Levels {
                segment: vec![level; b.values.len()],
                walk: 0.0,
            }
        })
        .collect();
    let doubt = bursts.first().map_or(0.0, |b| {
        b.cut.noise / (mean_level(b, &slot, measure).powi(2) * b.cut.count().sqrt()).max(1e-300)
    });
    if measure == Measure::Power && doubt * (slots as f64).sqrt() > HOPELESS {
        // The powers say nothing of the slots' differences.
        return LevelFit {
            slot: vec![1.0; slots],
            bursts: levels,
            contrast: None,
            doubt,
        };
    }
    let mut contrast = None;
    for round in 0..ROUNDS {
        let groups = bursts.first().map_or(1, |b| b.groups);
        let mut matrix = vec![vec![0.0; slots * slots]; groups];
        let mut score = vec![vec![0.0; slots]; groups];
        let points: Vec<Vec<LevelPoint>> = bursts
            .iter()
            .zip(&levels)
            .map(|(b, l)| linearised(b, l, &slot, measure))
            .collect();
        for ((b, l), points) in bursts.iter().zip(&mut levels).zip(&points) {
            let (walk, info) = best_walk(points, slots, b);
            l.walk = walk;
            super::slots::add(&mut matrix, &info.matrix);
            super::slots::add(&mut score, &info.score);
        }
        let Some(Solution {
            step,
            matrix,
            scatter,
            ..
        }) = solve(&matrix, &score, slots)
        else {
            break;
        };
        let step: Vec<f64> = step.iter().map(|s| s.clamp(-0.7, 0.7)).collect();
        for ((b, l), points) in bursts.iter().zip(&mut levels).zip(&points) {
            let smooth = smoothed(points, &step, l.walk);
            let top = l.segment.iter().copied().fold(0.0, f64::max);
            for (a, s) in l.segment.iter_mut().zip(smooth) {
                *a = s.exp().clamp(top * 1e-3, top * 1e3);
            }
            debug_assert_eq!(l.segment.len(), b.values.len());
        }
        for (s, d) in slot.iter_mut().zip(&step) {
            *s *= d.exp();
        }
        if round + 1 == ROUNDS {
            contrast = Some(Contrast {
                matrix: matrix / scatter,
                value: slot.iter().map(|s| s.ln()).collect(),
            });
        }
    }
    LevelFit {
        doubt,
        bursts: levels,
        slot,
        contrast,
    }
}

#[derive(Debug, Clone, Copy)]
struct LevelPoint {
    at: f64,
    ln: f64,
    variance: f64,
    slot: usize,
}

fn signal_power(b: &Measured<'_, '_>, value: f64, measure: Measure) -> f64 {
    match measure {
        Measure::Power => value - b.cut.noise,
        Measure::Amplitude => value * value.abs(),
    }
}

fn first_slots(bursts: &[Measured<'_, '_>], slots: usize, measure: Measure) -> Vec<f64> {
    let (mut sum, mut count, mut noise) = (vec![0.0; slots], vec![0.0; slots], 0.0_f64);
    for b in bursts {
        noise = noise.max(b.cut.noise);
        for (segment, &value) in b.cut.segments.iter().zip(&b.values) {
            let n = segment.samples.len() as f64;
            sum[segment.slot] += n * signal_power(b, value, measure);
            count[segment.slot] += n;
        }
    }
    let whole = sum.iter().sum::<f64>() / count.iter().sum::<f64>().max(1.0);
    let mut slot: Vec<f64> = sum
        .iter()
        .zip(&count)
        .map(|(s, &n)| {
            if n == 0.0 {
                return 1.0;
            }
            let doubt = noise / f64::sqrt(n);
            let power = (s / n).max(0.5 * doubt).max(whole * 1e-5);
            (power / whole.max(doubt)).max(1e-12).sqrt()
        })
        .collect();
    let mean = slot.iter().map(|s| s.ln()).sum::<f64>() / slots as f64;
    for s in &mut slot {
        *s /= mean.exp();
    }
    slot
}

fn mean_level(b: &Measured<'_, '_>, slot: &[f64], measure: Measure) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (segment, &value) in b.cut.segments.iter().zip(&b.values) {
        let w = slot[segment.slot].powi(2);
        sum += signal_power(b, value, measure);
        weight += w;
    }
    let least = b.cut.noise / f64::sqrt(b.values.len() as f64 * b.cut.unit * b.cut.independent + 1.0);
    (sum / weight.max(1e-300)).max(0.25 * least).max(1e-300).sqrt()
}

fn linearised(b: &Measured<'_, '_>, levels: &Levels, slot: &[f64], measure: Measure) -> Vec<LevelPoint> {
    b.cut
        .segments
        .iter()
        .zip(&b.values)
        .zip(&levels.segment)
        .map(|((segment, &value), &level)| {
            let amplitude = level * slot[segment.slot];
            let independent = (segment.samples.len() as f64 * b.cut.independent).max(1.0);
            let rho = (amplitude * amplitude / b.cut.noise).max(1e-9);
            let (off, variance) = match measure {
                Measure::Power => (
                    0.5 * ((value - b.cut.noise) / (amplitude * amplitude) - 1.0),
                    (2.0 * rho + 1.0) / (4.0 * independent * rho * rho),
                ),
                Measure::Amplitude => (value / amplitude - 1.0, 1.0 / (2.0 * independent * rho)),
            };
            let reach = 4.0 * variance.sqrt() + 1.0;
            LevelPoint {
                at: (segment.samples.start + segment.samples.end) as f64 / 2.0 / b.cut.unit,
                ln: level.ln() + off.clamp(-reach, reach),
                variance,
                slot: segment.slot,
            }
        })
        .collect()
}

struct LevelInformation {
    matrix: Vec<Vec<f64>>,
    score: Vec<Vec<f64>>,
    ln_density: f64,
}

fn best_walk(points: &[LevelPoint], slots: usize, b: &Measured<'_, '_>) -> (f64, LevelInformation) {
    let mut best: Option<(f64, f64, LevelInformation)> = None;
    for walk in WALKS {
        let info = information(points, slots, walk, b.group, b.groups);
        let gain = solve(&info.matrix, &info.score, slots).map_or(0.0, |s| s.gain);
        let evidence = info.ln_density + 0.5 * gain;
        match &best {
            Some(found) if evidence <= found.0 => {
                // One top: the evidence falls from here on.
                if walk > found.1 * 100.0 && found.1 > 0.0 {
                    break;
                }
            }
            _ => best = Some((evidence, walk, info)),
        }
    }
    let (_, walk, info) = best.expect("the first walk is always taken");
    (walk, info)
}

fn information(
    points: &[LevelPoint],
    slots: usize,
    walk: f64,
    group: &[usize],
    groups: usize,
) -> LevelInformation {
    let mut info = LevelInformation {
        matrix: vec![vec![0.0; slots * slots]; groups],
        score: vec![vec![0.0; slots]; groups],
        ln_density: 0.0,
    };
    let Some(first) = points.first() else {
        return info;
    };
    let (mut data, mut p) = (first.ln, 100.0);
    let mut columns = vec![0.0; slots];
    let mut own = vec![0.0; slots];
    for (k, point) in points.iter().enumerate() {
        if k > 0 {
            p += walk * (point.at - points[k - 1].at);
        }
        let s = p + point.variance;
        let gain = p / s;
        let innovation = point.ln - data;
        data += gain * innovation;
        for (slot, (column, own)) in columns.iter_mut().zip(&mut own).enumerate() {
            *own = if slot == point.slot {
                1.0 - *column
            } else {
                -*column
            };
            *column += gain * *own;
        }
        p -= gain * p;
        info.ln_density -= 0.5 * (innovation * innovation / s + s.ln());
        let (matrix, score) = (&mut info.matrix[group[k]], &mut info.score[group[k]]);
        for (i, a) in own.iter().enumerate() {
            score[i] += a * innovation / s;
            for (j, b) in own.iter().enumerate() {
                matrix[i * slots + j] += a * b / s;
            }
        }
    }
    info
}

/// The signal's log amplitude at each point, `step` taken off the slots.
fn smoothed(points: &[LevelPoint], step: &[f64], walk: f64) -> Vec<f64> {
    let mut kept = Vec::with_capacity(points.len());
    let (mut x, mut p) = (points.first().map_or(0.0, |f| f.ln - step[f.slot]), 100.0);
    for (k, point) in points.iter().enumerate() {
        if k > 0 {
            p += walk * (point.at - points[k - 1].at);
        }
        let s = p + point.variance;
        let innovation = point.ln - step[point.slot] - x;
        kept.push((x, p, s, innovation));
        x += p / s * innovation;
        p -= p / s * p;
    }
    let mut out = vec![0.0; points.len()];
    let mut r = 0.0;
    for (k, (x, p, s, innovation)) in kept.into_iter().enumerate().rev() {
        r += innovation / s - p / s * r;
        out[k] = x + p * r;
    }
    out
}
