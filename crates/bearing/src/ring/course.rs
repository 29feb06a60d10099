//! First courses of the signal's phase, and the products of dwells that they leave.

use nalgebra::DMatrix;
use num_complex::Complex;

use super::cut::{Block, Cut};
use super::kalman::{Course, moved};
use super::slots::synchronise;

/// The whole number with the highest value, walking up from `first`, the first stride given and then halved.
pub(super) fn climb(
    first: i32,
    (low, high): (i32, i32),
    stride: i32,
    mut value: impl FnMut(i32) -> f64,
) -> i32 {
    let (mut at, mut best) = (first, value(first));
    let mut stride = stride;
    let mut from = first;
    while stride > 0 {
        let mut moved = true;
        while moved {
            moved = false;
            for next in [at + stride, at - stride] {
                if (low..=high).contains(&next) && next != from {
                    let v = value(next);
                    if v > best {
                        (from, at, best) = (at, next, v);
                        moved = true;
                        break;
                    }
                }
            }
        }
        stride /= 2;
    }
    at
}

/// How well jumps agree with the phases that other products say, 1 for fully.
pub(super) fn agreement(jumps: &DMatrix<Complex<f64>>, products: &DMatrix<Complex<f64>>) -> f64 {
    let psi = synchronise(products);
    let (mut sum, mut all) = (0.0, 0.0);
    for ((to, from), jump) in (0..psi.len())
        .flat_map(|to| (0..psi.len()).map(move |from| (to, from)))
        .map(|at| (at, jumps[at]))
    {
        sum += (jump * Complex::cis(psi[from] - psi[to])).re;
        all += jump.norm();
    }
    sum / f64::max(all, 1e-300)
}

pub(super) fn share_power(paired: f64, share: f64) -> f64 {
    (paired / share.max(1e-9)).max(1e-300)
}

/// Sums over the whole burst along a straight phase.
pub(super) struct Straight {
    /// Mean power in them, noise taken off.
    pub(super) power: f64,
    pub(super) products: DMatrix<Complex<f64>>,
}

pub(super) fn straight(cut: &Cut<'_>, blocks: &[Block], sums: &[Complex<f64>], slots: usize) -> Straight {
    let mut sum = vec![Complex::new(0.0, 0.0); slots];
    let mut count = vec![0.0; slots];
    for (block, s) in blocks.iter().zip(sums) {
        sum[block.slot] += s * block.len();
        count[block.slot] += block.len();
    }
    let total: f64 = count.iter().sum();
    let power = sum
        .iter()
        .zip(&count)
        .filter(|(_, n)| **n > 0.0)
        .map(|(s, n)| s.norm_sqr() / n - cut.noise / cut.independent)
        .sum::<f64>()
        / total;
    Straight {
        power,
        products: DMatrix::from_fn(slots, slots, |i, j| {
            if i == j {
                Complex::new(0.0, 0.0)
            } else {
                sum[i] * sum[j].conj() / total
            }
        }),
    }
}

/// Coherent products of segments of different slots within about a cycle.
pub(super) fn products(
    cut: &Cut<'_>,
    blocks: &[Block],
    sums: &[Complex<f64>],
    slots: usize,
) -> DMatrix<Complex<f64>> {
    let mut out = DMatrix::from_element(slots, slots, Complex::new(0.0, 0.0));
    let window = cut.unit * (slots as f64).min(8.0);
    for (i, (a, sum_a)) in blocks.iter().zip(sums).enumerate() {
        for (b, sum_b) in blocks[i + 1..].iter().zip(&sums[i + 1..]) {
            if b.middle - a.middle > window {
                break;
            }
            if a.slot != b.slot {
                out[(b.slot, a.slot)] += sum_b * sum_a.conj();
            }
        }
    }
    out
}

/// The course at the middles of other blocks, each from the nearest block of the same segment.
pub(super) fn rebased(cut: &Cut<'_>, from: &[Block], states: &[Course], to: &[Block]) -> Vec<Course> {
    let mut k = 0;
    to.iter()
        .map(|block| {
            while k + 1 < from.len()
                && (from[k].segment < block.segment
                    || (from[k + 1].segment == block.segment
                        && (from[k + 1].middle - block.middle).abs()
                            <= (from[k].middle - block.middle).abs()))
            {
                k += 1;
            }
            moved(&states[k], (block.middle - from[k].middle) / cut.unit)
        })
        .collect()
}
