//! Phases of the slots beside each other, the signal's own phase taken out.

use nalgebra::DMatrix;
use num_complex::Complex;

use super::cut::Cut;
use super::level::Levels;
use super::slots::{Contrast, Solution, add, solve, synchronise};
use super::sums::carrier;
use super::work::Work;

/// Rounds of linearisation.
const ROUNDS: usize = 2;

/// What the phases say.
pub(super) struct PhaseFit {
    pub(super) contrast: Option<Contrast>,
    /// Amplitude in phase with the tracked signal, for each burst and segment.
    pub(super) amplitudes: Vec<Vec<f64>>,
    /// Share of the signal's power that is in phase with it.
    pub(super) coherent_share: f64,
    /// Whether every burst was taken as a carrier.
    pub(super) carrier_like: bool,
    /// Frequency of each burst's carrier at its start, radians per sample.
    pub(super) carrier: Vec<f64>,
}

/// Estimates the slots' phases from all bursts.
pub(super) fn fit(bursts: &[(&Cut<'_>, &Levels, &[usize])], slot: &[f64], groups: usize) -> PhaseFit {
    let slots = slot.len();
    let mut works: Vec<Work<'_, '_>> = Vec::with_capacity(bursts.len());
    let mut carriers = Vec::with_capacity(bursts.len());
    let mut products = DMatrix::from_element(slots, slots, Complex::new(0.0, 0.0));
    for &(cut, levels, group) in bursts {
        let omega = carrier(cut, slots);
        carriers.push(omega);
        let work = Work::new(cut, levels, group, slot, omega);
        products += &work.products;
        works.push(work);
    }
    let mut psi = synchronise(&products);
    for work in &mut works {
        work.lock(&psi, slot);
    }
    let mut contrast = None;
    let mut amplitudes = Vec::new();
    let mut share = (0.0, 0.0);
    for round in 0..=ROUNDS {
        let mut matrix = vec![vec![0.0; slots * slots]; groups];
        let mut score = vec![vec![0.0; slots]; groups];
        let mut points = Vec::with_capacity(works.len());
        let mut unfollowed = false;
        amplitudes.clear();
        share = (0.0, 0.0);
        for work in &mut works {
            if !work.followed() {
                unfollowed = true;
                work.jump_information(&psi, &mut matrix, &mut score);
                let all = work.levels.segment.iter().map(|a| a * a).sum::<f64>() * work.cut.unit;
                share = (share.0 + work.coherence.powi(2) * all, share.1 + all);
                amplitudes.push(vec![0.0; work.cut.segments.len()]);
                points.push(Vec::new());
                continue;
            }
            let (own, amplitude) = work.points(&psi, slot);
            share = work.add_share(&amplitude, share);
            amplitudes.push(amplitude);
            if round < ROUNDS {
                let info = work.information(&own, slots, groups);
                add(&mut matrix, &info.matrix);
                add(&mut score, &info.score);
            }
            points.push(own);
        }
        if round == ROUNDS {
            break;
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
        for (p, d) in psi.iter_mut().zip(&step) {
            *p += d.clamp(-1.5, 1.5);
        }
        for (work, points) in works.iter_mut().zip(&points) {
            if work.followed() {
                work.states = work.smoothed(points, &step);
            }
        }
        // The jumps' own scatter is in their information already.
        let scatter = if unfollowed { 1.0 } else { scatter };
        contrast = Some(Contrast {
            matrix: matrix / scatter,
            value: psi.clone(),
        });
    }
    PhaseFit {
        contrast,
        amplitudes,
        coherent_share: share.0 / share.1.max(1e-300),
        carrier_like: works.iter().all(|w| !w.modulated),
        carrier: carriers,
    }
}
