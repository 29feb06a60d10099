//! Coherent sums of blocks with a phase course taken off.

use lobewright_types::Sample;
use num_complex::Complex;

use super::cut::{Block, Cut};
use super::kalman::Course;

/// Longest distance of samples whose products are summed.
const LAGS: usize = 24;

/// Mean of each block after its own course of phase (phase, frequency, rate at its middle, per unit of time) is taken
/// off.
pub(super) fn means(cut: &Cut<'_>, blocks: &[Block], states: &[Course]) -> Vec<Complex<f64>> {
    blocks
        .iter()
        .zip(states)
        .map(|(block, state)| mean(&cut.samples[block.samples.clone()], state, cut.unit))
        .collect()
}

fn mean(samples: &[Sample], state: &Course, unit: f64) -> Complex<f64> {
    let n = samples.len() as f64;
    let (w, a) = (state[1] / unit, state[2] / (unit * unit));
    let first = -(n - 1.0) / 2.0;
    let mut turn = Complex::cis(-(state[0] + first * (w + 0.5 * first * a)));
    let mut sum = Complex::new(0.0, 0.0);
    if a == 0.0 {
        let step = Complex::cis(-w);
        for s in samples {
            sum += Complex::new(f64::from(s.re), f64::from(s.im)) * turn;
            turn *= step;
        }
    } else {
        let mut step = Complex::cis(-(w + (first + 0.5) * a));
        let bend = Complex::cis(-a);
        for s in samples {
            sum += Complex::new(f64::from(s.re), f64::from(s.im)) * turn;
            turn *= step;
            step *= bend;
        }
    }
    sum / n
}

/// Frequency of a steady carrier in radians per sample.
///
/// Coarse from the products of samples a few apart, summed over all dwells; then the top of the periodogram of chunks with free phases for each slot,
/// the chunks twice as long each time.
pub(super) fn carrier(cut: &Cut<'_>, slots: usize) -> f64 {
    let coarse = coarse(cut);
    let blocks = cut.blocks((cut.unit / 2.0).min(LAGS as f64 / 2.0));
    let states: Vec<Course> = blocks
        .iter()
        .map(|b| [coarse * b.middle, coarse * cut.unit, 0.0])
        .collect();
    let sums = means(cut, &blocks, &states);
    let last = blocks.last().map_or(0.0, |b| b.middle);
    let cycle = cut.unit * (slots as f64).clamp(2.0, 8.0);
    let mut chunk = 4.0 * cycle;
    let mut best = 0.0;
    let mut reach = (3.0 / cycle).max(0.7 / (LAGS as f64).min(cut.unit));
    loop {
        let step = 1.0 / (3.0 * chunk);
        #[expect(clippy::cast_possible_truncation, reason = "a few dozen")]
        let half = (reach / step).ceil() as i32;
        let start = best - f64::from(half) * step;
        let scores = scores(
            &blocks,
            &sums,
            slots,
            chunk,
            start,
            step,
            (2 * half + 1).unsigned_abs() as usize,
        );
        let top = (0..scores.len())
            .max_by(|&a, &b| scores[a].total_cmp(&scores[b]))
            .unwrap_or(0);
        best = start + top as f64 * step;
        if top > 0 && top + 1 < scores.len() {
            let (l, m, r) = (scores[top - 1], scores[top], scores[top + 1]);
            let bend = l - 2.0 * m + r;
            if bend < 0.0 {
                best += step * (0.5 * (l - r) / bend).clamp(-0.5, 0.5);
            }
        }
        if chunk > last {
            break;
        }
        chunk *= 2.0;
        reach = 1.5 * step;
    }
    coarse + best * std::f64::consts::TAU
}

/// The top of the spectrum that the lag products within segments give (Blackman & Tukey), noise of the band taken off.
fn coarse(cut: &Cut<'_>) -> f64 {
    let mut lags = [Complex::new(0.0_f64, 0.0); LAGS];
    let mut count = [0.0; LAGS];
    for segment in &cut.segments {
        let samples = &cut.samples[segment.samples.clone()];
        for (lag, (sum, count)) in lags.iter_mut().zip(&mut count).enumerate() {
            let lag = lag + 1;
            if lag >= samples.len() {
                break;
            }
            let own: Sample = samples[lag..]
                .iter()
                .zip(samples)
                .map(|(b, a)| b * a.conj())
                .sum();
            *sum += Complex::new(f64::from(own.re), f64::from(own.im));
            *count += (samples.len() - lag) as f64;
        }
    }
    for (lag, (sum, count)) in lags.iter_mut().zip(count).enumerate() {
        let x = std::f64::consts::PI * cut.independent * (lag + 1) as f64;
        if cut.independent < 1.0 {
            *sum -= Complex::new(count * cut.noise * x.sin() / x, 0.0);
        }
    }
    let power = |omega: f64| {
        let step = Complex::cis(-omega);
        let mut turn = step;
        let mut sum = 0.0;
        for lag in &lags {
            sum += lag.re * turn.re - lag.im * turn.im;
            turn *= step;
        }
        sum
    };
    let bins = 8 * LAGS;
    let at = |i: usize| std::f64::consts::TAU * (i as f64 / bins as f64 - 0.5);
    (0..bins)
        .map(|i| (power(at(i)), at(i)))
        .fold((f64::NEG_INFINITY, 0.0), |best, next| {
            if next.0 > best.0 { next } else { best }
        })
        .1
}

/// Power of the coherent sums over chunks, by frequency in turns per sample.
fn scores(
    blocks: &[Block],
    sums: &[Complex<f64>],
    slots: usize,
    chunk: f64,
    start: f64,
    step: f64,
    count: usize,
) -> Vec<f64> {
    use std::f64::consts::TAU;
    let mut scores = vec![0.0; count];
    let mut acc = vec![Complex::new(0.0, 0.0); slots * count];
    let mut limit = chunk;
    let flush = |acc: &mut Vec<Complex<f64>>, scores: &mut Vec<f64>| {
        for of_slot in acc.chunks_exact_mut(count) {
            for (a, s) in of_slot.iter_mut().zip(scores.iter_mut()) {
                *s += a.norm_sqr();
                *a = Complex::new(0.0, 0.0);
            }
        }
    };
    for (block, sum) in blocks.iter().zip(sums) {
        while block.middle > limit {
            flush(&mut acc, &mut scores);
            limit += chunk.max((block.middle - limit - chunk).max(0.0));
        }
        let mut turn = *sum * Complex::cis(-TAU * start * block.middle) * block.len();
        let turn_step = Complex::cis(-TAU * step * block.middle);
        for a in &mut acc[block.slot * count..(block.slot + 1) * count] {
            *a += turn;
            turn *= turn_step;
        }
    }
    flush(&mut acc, &mut scores);
    scores
}
