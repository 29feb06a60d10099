//! From bursts to a density on the circle.

use lobewright_antenna::SwitchSchedule;
use lobewright_types::{CircleDensity, NoBearingReason};
use num_complex::Complex;

use super::clock::{self, FoundClock, is_open};
use super::cut::Cut;
use super::fit::{Fit, ModelError};
use super::level::{self, LevelFit, Measure, Measured};
use super::phase::{self, PhaseFit};
use super::result::{Parts, PortFit, RingEstimate, finish};
use super::slots::pseudo_inverse;
use super::{RingBurst, RingConfig, check};

/// Pieces of time whose scores are compared.
const GROUPS: usize = 24;
/// Accuracy to which the log density is followed.
const TOLERANCE_NATS: f64 = 0.03;
/// Below this share the phase was not followed: levels are then taken from the power.
const FOLLOWED_SHARE: f64 = 0.7;
/// Share of the power in phase with the carrier below which it was lost.
const LOCKED_SHARE: f64 = 0.4;
/// Relative error of the signal's power, 1 sigma, beyond which the phases are estimated again with better levels.
const POWER_DOUBT: f64 = 0.05;
/// Steps of the first look round the circle.
const LOOK_DEG: f64 = 1.5;

/// Estimates the direction of the transmitter from bursts of one emitter.
///
/// # Inputs
/// `bursts`: samples of the channel, those without usable dwells are left out. `config`: manifold, schedule, heading.
///
/// # Result
/// The density over the whole circle from true north and what was found of the ports.
///
/// # Errors
/// [`NoBearingReason`]: no burst, a schedule that names ports the manifold lacks or connects none during the bursts,
/// fewer than four dwells, every dwell clipped, or ports that do not differ with direction.
///
/// # Method
/// See the module's documentation.
pub fn estimate_ring(bursts: &[RingBurst<'_>], config: &RingConfig) -> Result<RingEstimate, NoBearingReason> {
    check(config)?;
    if bursts.iter().all(|b| b.samples.is_empty()) {
        return Err(NoBearingReason::NoBurst);
    }
    let found_clock = if is_open(&config.schedule) {
        match clock::find(bursts, &config.schedule) {
            Some(found) => Some(found),
            None => return nothing_seen(bursts, config),
        }
    } else {
        None
    };
    // Where the order is open, each step of the cycle is a slot of its own; else each port.
    let schedule = found_clock.as_ref().map_or(&config.schedule, |f| &f.schedule);
    let slot_of = |port: u16, middle_s: f64| {
        if found_clock.is_some() {
            schedule.step_at(middle_s).unwrap_or(0)
        } else {
            usize::from(port)
        }
    };
    let cuts: Vec<(usize, Cut<'_>)> = bursts
        .iter()
        .enumerate()
        .filter_map(|(i, b)| {
            Cut::new(b, schedule, guard_s(b, schedule, found_clock.is_some()), slot_of).map(|c| (i, c))
        })
        .collect();
    if cuts.is_empty() {
        return Err(nothing_usable(bursts, config, schedule));
    }
    let (seen, cuts) = numbered(cuts);
    if seen.len() < 2 {
        return Err(NoBearingReason::TooFewReadings);
    }
    let found = Found::new(&cuts, seen.len());
    let orders = orders(&seen, schedule, found_clock.as_ref());
    let error = ModelError {
        typical: config.phase_error_typical_deg.max(0.0).to_radians(),
        ln_sigma: config.phase_error_ln_sigma,
    };
    let fits: Vec<(Fit<'_>, f64)> = orders
        .iter()
        .map(|(port_of, ln_prior)| {
            let (phase, level) = (found.phase.contrast.as_ref(), found.level.contrast.as_ref());
            (
                Fit::new(&config.manifold, phase, level, port_of, error),
                *ln_prior,
            )
        })
        .collect();
    let own = density(&fits, config.heading.degrees());
    let best_mount = own.modes(0.05)[0].azimuth.degrees() - config.heading.degrees();
    let best = most_likely(&fits, best_mount);
    let mut report = report(
        bursts,
        config,
        &cuts,
        &found,
        &fits[best].0,
        &orders[best].0,
        &own,
    );
    report.clock = found_clock.map(|f| f.clock);
    Ok(report)
}

/// Time before a switching instant that is not used: a part of the settling time for an edge that comes early, and what
/// the instant may be off where it was found from the samples.
fn guard_s(burst: &RingBurst<'_>, schedule: &SwitchSchedule, found: bool) -> f64 {
    if found {
        (schedule.settle_s() / 8.0).max(1.5 / burst.rate_hz)
    } else {
        schedule.settle_s() / 8.0
    }
}

/// The port of each slot for each start of the cycle that is possible, and its log prior.
fn orders(seen: &[usize], schedule: &SwitchSchedule, clock: Option<&FoundClock>) -> Vec<(Vec<usize>, f64)> {
    let Some(clock) = clock else {
        return vec![(seen.to_vec(), 0.0)];
    };
    let steps = schedule.steps();
    clock
        .starts
        .iter()
        .map(|start| {
            let port_of = seen
                .iter()
                .map(|slot| {
                    let step = steps[(slot + start.step) % steps.len()];
                    usize::from(step.port.unwrap_or(0))
                })
                .collect();
            (port_of, start.ln_prior)
        })
        .collect()
}

fn most_likely(fits: &[(Fit<'_>, f64)], azimuth_mount_deg: f64) -> usize {
    let values: Vec<f64> = fits
        .iter()
        .map(|(fit, ln_prior)| fit.ln_density(azimuth_mount_deg, &mut fit.scratch()) + ln_prior)
        .collect();
    (0..values.len())
        .max_by(|&a, &b| values[a].total_cmp(&values[b]))
        .unwrap_or(0)
}

/// A switch that cannot be seen acting leaves every direction open.
fn nothing_seen(bursts: &[RingBurst<'_>], config: &RingConfig) -> Result<RingEstimate, NoBearingReason> {
    let samples: usize = bursts.iter().map(|b| b.samples.len()).sum();
    let period_s = config.schedule.period_s().unwrap_or(0.0);
    let longest_s = bursts
        .iter()
        .filter(|b| b.rate_hz > 0.0)
        .map(|b| b.samples.len() as f64 / b.rate_hz)
        .fold(0.0, f64::max);
    if samples < 16 || longest_s < 2.0 * period_s {
        return Err(NoBearingReason::TooFewReadings);
    }
    Ok(RingEstimate {
        estimate: finish(Parts {
            density: CircleDensity::uniform(),
            heading_sigma_deg: config.heading_sigma_deg,
            phase_error_deg: 0.0,
            reduced_chi_square: 1.0,
            powers: Vec::new(),
            dwells: 0,
            clipped: 0,
        }),
        ports: Vec::new(),
        phase_error_deg: 0.0,
        coherent_share: 0.0,
        carrier_hz: None,
        clock: None,
    })
}

/// Gives the ports that were seen numbers from 0.
fn numbered(mut cuts: Vec<(usize, Cut<'_>)>) -> (Vec<usize>, Vec<(usize, Cut<'_>)>) {
    let mut seen: Vec<usize> = cuts
        .iter()
        .flat_map(|c| c.1.segments.iter().map(|s| s.slot))
        .collect();
    seen.sort_unstable();
    seen.dedup();
    for (_, cut) in &mut cuts {
        for segment in &mut cut.segments {
            segment.slot = seen.binary_search(&segment.slot).unwrap_or(0);
        }
    }
    (seen, cuts)
}

fn nothing_usable(
    bursts: &[RingBurst<'_>],
    config: &RingConfig,
    schedule: &SwitchSchedule,
) -> NoBearingReason {
    if schedule.ports() > config.manifold.ports() {
        return NoBearingReason::NoPointing;
    }
    let dwells = bursts
        .iter()
        .filter(|b| b.rate_hz > 0.0)
        .map(|b| {
            let stop_s = b.start_s + b.samples.len() as f64 / b.rate_hz;
            schedule.dwells(b.start_s, stop_s).take(4).count()
        })
        .max()
        .unwrap_or(0);
    let clipped = bursts.iter().any(|b| !b.clipped.is_empty());
    match dwells {
        0 => NoBearingReason::NoPointing,
        4.. if clipped => NoBearingReason::AllClipped,
        _ => NoBearingReason::TooFewReadings,
    }
}

/// Phases and levels of the slots.
pub(super) struct Found {
    pub(super) phase: PhaseFit,
    pub(super) level: LevelFit,
}

impl Found {
    pub(super) fn new(cuts: &[(usize, Cut<'_>)], slots: usize) -> Self {
        let shortest = cuts.iter().map(|c| c.1.segments.len()).sum::<usize>();
        let groups = (shortest / (2 * slots)).clamp(1, GROUPS);
        let group = groups_of(cuts, groups);
        let measured = |values: Vec<Vec<f64>>| -> Vec<Measured<'_, '_>> {
            cuts.iter()
                .zip(values)
                .zip(&group)
                .map(|(((_, cut), values), group)| Measured {
                    cut,
                    values,
                    group,
                    groups,
                })
                .collect()
        };
        let powers = cuts.iter().map(|c| c.1.powers()).collect();
        let by_power = level::fit(&measured(powers), slots, Measure::Power);
        let phases = |levels: &LevelFit| {
            let works: Vec<(&Cut<'_>, &level::Levels, &[usize])> = cuts
                .iter()
                .zip(&levels.bursts)
                .zip(&group)
                .map(|(((_, cut), levels), group)| (cut, levels, group.as_slice()))
                .collect();
            phase::fit(&works, &levels.slot, groups)
        };
        let mut phase = phases(&by_power);
        if phase.coherent_share < FOLLOWED_SHARE && !phase.carrier_like {
            return Self {
                phase,
                level: by_power,
            };
        }
        let mut level = level::fit(&measured(phase.amplitudes.clone()), slots, Measure::Amplitude);
        if by_power.doubt > POWER_DOUBT {
            // Weak: the amplitude in phase is known much better than the power.
            phase = phases(&level);
            level = level::fit(&measured(phase.amplitudes.clone()), slots, Measure::Amplitude);
        }
        if phase.coherent_share < LOCKED_SHARE {
            // The carrier was not found where it was looked for.
            phase.contrast = None;
            level.contrast = None;
        }
        Self { phase, level }
    }
}

/// A group for each segment: pieces of about equal numbers of segments, over all bursts.
fn groups_of(cuts: &[(usize, Cut<'_>)], groups: usize) -> Vec<Vec<usize>> {
    let total: usize = cuts.iter().map(|c| c.1.segments.len()).sum();
    let mut before = 0;
    cuts.iter()
        .map(|(_, cut)| {
            let own = (0..cut.segments.len())
                .map(|i| (before + i) * groups / total)
                .collect();
            before += cut.segments.len();
            own
        })
        .collect()
}

/// Density from true north of a mixture of hypotheses with their log weights, heading error not yet in it.
pub(super) fn density(fits: &[(Fit<'_>, f64)], heading_deg: f64) -> CircleDensity {
    let mut scratch: Vec<_> = fits.iter().map(|f| f.0.scratch()).collect();
    let mut ln = |azimuth_mount_deg: f64| {
        let mut top = f64::NEG_INFINITY;
        let mut sum = 0.0;
        for ((fit, weight), at) in fits.iter().zip(&mut scratch) {
            let value = fit.ln_density(azimuth_mount_deg, at) + weight;
            if value > top {
                sum = sum * (top - value).exp() + 1.0;
                top = value;
            } else {
                sum += (value - top).exp();
            }
        }
        top + sum.ln()
    };
    let centres = centres(&mut ln);
    CircleDensity::from_ln_fn(
        |a| ln(a - heading_deg),
        &centres.iter().map(|c| c + heading_deg).collect::<Vec<_>>(),
        TOLERANCE_NATS,
    )
    .unwrap_or_else(|_| CircleDensity::uniform())
}

/// Azimuths around the tops of a log density, close enough together for narrow ones.
fn centres(ln: &mut impl FnMut(f64) -> f64) -> Vec<f64> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "240")]
    let n = (360.0 / LOOK_DEG) as usize;
    let values: Vec<f64> = (0..n).map(|i| ln(i as f64 * LOOK_DEG)).collect();
    let mut tops: Vec<(f64, f64)> = (0..n)
        .filter(|&i| values[i] >= values[(i + 1) % n] && values[i] > values[(i + n - 1) % n])
        .map(|i| (values[i], i as f64 * LOOK_DEG))
        .collect();
    tops.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut centres = Vec::new();
    for &(_, start) in tops.iter().take(12) {
        let (mut low, mut high) = (start - LOOK_DEG, start + LOOK_DEG);
        for _ in 0..30 {
            let (a, b) = (low + 0.382 * (high - low), low + 0.618 * (high - low));
            if ln(a) < ln(b) { low = a } else { high = b }
        }
        let top = f64::midpoint(low, high);
        let h = 0.02;
        let bend = (ln(top - h) - 2.0 * ln(top) + ln(top + h)) / (h * h);
        let width = if bend < 0.0 {
            (-1.0 / bend).sqrt().min(10.0)
        } else {
            3.0
        };
        centres.extend([-4.0, -2.5, -1.5, -0.8, 0.0, 0.8, 1.5, 2.5, 4.0].map(|k| top + k * width));
    }
    centres
}

fn report(
    bursts: &[RingBurst<'_>],
    config: &RingConfig,
    cuts: &[(usize, Cut<'_>)],
    found: &Found,
    fit: &Fit<'_>,
    port_of: &[usize],
    own: &CircleDensity,
) -> RingEstimate {
    let density = own.widened(config.heading_sigma_deg.max(0.0));
    let best_mount = own.modes(0.05)[0].azimuth.degrees() - config.heading.degrees();
    let error = fit.model_error(best_mount);
    // Level against a response of 1: the levels' own reference is the mean of the ports.
    let mut response = vec![Complex::new(0.0, 0.0); config.manifold.ports()];
    config.manifold.response(best_mount, &mut response);
    let (mut measured, mut predicted) = (0.0, 0.0);
    for (slot, &port) in port_of.iter().enumerate() {
        measured += found.level.slot[slot].powi(2);
        predicted += response[port].norm_sqr();
    }
    let scale = measured / predicted.max(1e-12);
    let powers = cuts
        .iter()
        .zip(&found.level.bursts)
        .map(|((burst, cut), levels)| {
            let mean = levels.segment.iter().map(|a| a * a).sum::<f64>() / levels.segment.len() as f64;
            (*burst, mean * scale, cut.noise)
        })
        .collect();
    let estimate = finish(Parts {
        density,
        heading_sigma_deg: config.heading_sigma_deg,
        phase_error_deg: error.to_degrees(),
        reduced_chi_square: fit.reduced_chi_square(best_mount, error),
        powers,
        dwells: cuts.iter().map(|c| c.1.segments.len()).sum(),
        clipped: cuts.iter().map(|c| c.1.clipped).sum(),
    });
    let followed = found.phase.coherent_share >= FOLLOWED_SHARE;
    RingEstimate {
        estimate,
        ports: port_fits(found, port_of, &response),
        phase_error_deg: error.to_degrees(),
        coherent_share: found.phase.coherent_share.clamp(0.0, 1.0),
        clock: None,
        carrier_hz: followed
            .then(|| found.phase.carrier[0] / std::f64::consts::TAU * bursts[cuts[0].0].rate_hz),
    }
}

fn port_fits(found: &Found, port_of: &[usize], response: &[Complex<f64>]) -> Vec<PortFit> {
    let n = port_of.len();
    let zero = vec![0.0; n];
    let (phase, sigma) = found.phase.contrast.as_ref().map_or((zero.clone(), zero), |c| {
        let sigma = pseudo_inverse(&c.matrix).map_or_else(
            || vec![0.0; n],
            |v| v.diagonal().iter().map(|d| d.max(0.0).sqrt()).collect(),
        );
        (c.value.clone(), sigma)
    });
    let off = |angles: &[f64]| -> Vec<f64> {
        let mean: Complex<f64> = angles.iter().map(|a| Complex::cis(*a)).sum();
        angles
            .iter()
            .map(|a| super::kalman::wrap(a - mean.arg()).to_degrees())
            .collect()
    };
    let manifold: Vec<f64> = port_of.iter().map(|&p| response[p].arg()).collect();
    let (measured, manifold) = (off(&phase), off(&manifold));
    let db = |amplitudes: Vec<f64>| -> Vec<f64> {
        let db: Vec<f64> = amplitudes.iter().map(|a| 20.0 * a.max(1e-9).log10()).collect();
        let mean = db.iter().sum::<f64>() / n as f64;
        db.iter().map(|d| d - mean).collect()
    };
    let level = db(found.level.slot.clone());
    let manifold_level = db(port_of.iter().map(|&p| response[p].norm()).collect());
    (0..n)
        .map(|slot| PortFit {
            port: port_of[slot],
            phase_deg: measured[slot],
            phase_sigma_deg: sigma[slot].to_degrees(),
            manifold_phase_deg: manifold[slot],
            level_db: level[slot],
            manifold_level_db: manifold_level[slot],
        })
        .collect()
}
