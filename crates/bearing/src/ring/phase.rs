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
/// The same for modulated signals.
const MODULATED_ROUNDS: usize = 3;

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
    let psi = synchronise(&products);
    for work in &mut works {
        work.lock(&psi, slot);
    }
    let mut refined = refine(&mut works, psi.clone(), slot, groups);
    let mut doubted = false;
    for work in works.iter_mut().filter(|w| !w.agrees(&refined.psi)) {
        work.give_up();
        doubted = true;
    }
    if doubted {
        refined = refine(&mut works, psi, slot, groups);
    }
    PhaseFit {
        contrast: refined.contrast,
        amplitudes: refined.amplitudes,
        coherent_share: refined.share.0 / refined.share.1.max(1e-300),
        carrier_like: works.iter().all(|w| !w.modulated),
        carrier: carriers,
    }
}

/// What [`refine`] leads to.
struct Refined {
    psi: Vec<f64>,
    contrast: Option<Contrast>,
    amplitudes: Vec<Vec<f64>>,
    /// Power in phase with the signal, and all.
    share: (f64, f64),
}

/// Rounds of linearisation around the slots' phases.
fn refine(works: &mut [Work<'_, '_>], mut psi: Vec<f64>, slot: &[f64], groups: usize) -> Refined {
    let slots = psi.len();
    let mut contrast = None;
    let mut amplitudes = Vec::new();
    let mut share = (0.0, 0.0);
    let rounds = if works.iter().any(|w| w.modulated) {
        MODULATED_ROUNDS
    } else {
        ROUNDS
    };
    for round in 0..=rounds {
        let mut matrix = vec![vec![0.0; slots * slots]; groups];
        let mut score = vec![vec![0.0; slots]; groups];
        let mut points = Vec::with_capacity(works.len());
        let mut unfollowed = false;
        amplitudes.clear();
        share = (0.0, 0.0);
        for work in works.iter_mut() {
            if !work.followed() {
                unfollowed = true;
                work.jump_information(&psi, &mut matrix, &mut score);
                let all = work.levels.segment.iter().map(|a| a * a).sum::<f64>() * work.cut.unit;
                share = (share.0 + work.coherence.powi(2) * all, share.1 + all);
                amplitudes.push(vec![0.0; work.cut.segments.len()]);
                points.push(Vec::new());
                continue;
            }
            // Its noise was measured where it matters.
            unfollowed |= work.modulated;
            let (own, amplitude) = work.points(&psi, slot);
            share = work.add_share(&amplitude, share);
            amplitudes.push(amplitude);
            if round < rounds {
                let info = work.information(&own, slots, groups, round + 1 == rounds);
                add(&mut matrix, &info.matrix);
                add(&mut score, &info.score);
            }
            points.push(own);
        }
        if round == rounds {
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
                work.move_on(points, &step);
            }
        }
        // The jumps' own scatter is in their information already.
        let scatter = if unfollowed { 1.0 } else { scatter };
        contrast = Some(Contrast {
            matrix: matrix / scatter,
            value: psi.clone(),
        });
    }
    Refined {
        psi,
        contrast,
        amplitudes,
        share,
    }
}
