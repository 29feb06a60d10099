//! From covariances to a density on the circle.

use lobewright_types::{
    BearingClass, BearingFlag, CircleDensity, Dbfs, NoBearingReason, wrap_signed_degrees,
};
use num_complex::Complex;

use super::arrivals;
use super::model::{Model, dot, ln_sum};
use super::output::{CoherentEstimate, CoherentLevel};
use super::{ChannelCovariance, ChannelNoise, CoherentConfig, Steering};

/// Accuracy to which the log density is followed.
const TOLERANCE_NATS: f64 = 0.06;
/// Spacing at which the circle is looked over: a tenth of the narrowest lobe of an array of three wavelengths.
const SURVEY_STEP_DEG: f64 = 1.0;
/// Tops this far below the best are not looked at closely.
const HOPELESS_NATS: f64 = 40.0;
/// Most tops looked at closely.
const MOST_TOPS: usize = 12;
/// Modes with less are not shown.
const LEAST_MODE: f64 = 0.05;
/// Share of the response that must change with direction for there to be one.
const FLAT_SHARE: f64 = 1e-6;
/// Share of input samples at full scale that leaves nothing to measure.
const ALL_CLIPPED: f64 = 0.5;
/// Share of input samples at full scale from which a bearing is flagged.
const CLIPPED: f64 = 1e-3;
/// Mean square misfit beyond which the manifold hardly describes the bursts.
const BAD_MISFIT: f64 = 3.0;
/// Phase error of a channel beyond which the same holds.
const BAD_PHASE_DEG: f64 = 10.0;
/// Standard deviation of the best mode beyond which a direction is hardly better than a guess.
const WEAK_SIGMA_DEG: f64 = 30.0;

/// Estimates the direction of a transmitter from the covariances of coherent channels.
///
/// # Inputs
/// `bursts`: one covariance for each burst of the same transmitter, in any order; those with another number of channels
/// than the manifold's are left out. `noise`: covariance without the signal; `None` takes equal, independent noise of
/// unknown level in all channels. `config`: manifold, heading and what is expected beforehand.
///
/// # Result
/// The density over the whole circle from true north and what was fitted beside it. A common factor of all samples
/// changes levels only.
///
/// # Errors
/// [`NoBearingReason`]: no usable burst, all of them clipped, or a manifold without direction.
///
/// # Method
/// See [the module](super).
pub fn estimate_coherent(
    bursts: &[ChannelCovariance],
    noise: Option<&ChannelNoise>,
    config: &CoherentConfig,
) -> Result<CoherentEstimate, NoBearingReason> {
    let channels = config.manifold.channels();
    let used: Vec<(usize, &ChannelCovariance)> = bursts
        .iter()
        .enumerate()
        .filter(|(_, b)| b.channels() == channels)
        .collect();
    if used.is_empty() {
        return Err(NoBearingReason::NoBurst);
    }
    if used.iter().all(|(_, b)| b.clip_fraction() >= ALL_CLIPPED) {
        return Err(NoBearingReason::AllClipped);
    }
    if !is_directional(&*config.manifold) {
        return Err(NoBearingReason::PatternHasNoDirection);
    }
    let list: Vec<&ChannelCovariance> = used.iter().map(|u| u.1).collect();
    let model = Model::new(&list, noise, config);
    let tops = tops(&model);
    let one = density(&model, &tops, config.heading.degrees());
    let (own, reflection) = match arrivals::test(&model, &tops[0], &one, config) {
        Some(two) => (two.density, two.arrival),
        None => (one, None),
    };
    let heading_sigma_deg = if config.heading_sigma_deg.is_finite() {
        config.heading_sigma_deg.max(0.0)
    } else {
        360.0
    };
    let density = own.widened(heading_sigma_deg);
    let modes = density.modes(LEAST_MODE);
    let errors = mean_error_size(&model, tops[0].azimuth_mount_deg);
    let fit = model.look(tops[0].azimuth_mount_deg);
    let free_components = (2 * channels - 3).max(1);
    let mut estimate = CoherentEstimate {
        azimuth: modes[0].azimuth,
        sigma_deg: modes[0].sigma_deg,
        heading_sigma_deg,
        arcs50: density.highest_density_arcs(0.5),
        arcs95: density.highest_density_arcs(0.95),
        class: BearingClass::of(&density, modes[0].azimuth),
        levels: levels(&model, &used),
        phase_error_deg: errors * finite(config.phase_error_deg),
        gain_error_db: errors * finite(config.gain_error_db),
        reduced_chi_square: 2.0 * best_misfit(&model, &fit.axes) / free_components as f64,
        free_components,
        channels,
        reflection,
        flags: Vec::new(),
        modes,
        density,
    };
    let calibrated_otherwise = config
        .calibration
        .as_ref()
        .is_some_and(|c| c.channels().len() != channels);
    estimate.flags = flags(&estimate, &list, calibrated_otherwise);
    Ok(estimate)
}

/// One top of the likelihood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Top {
    pub(crate) azimuth_mount_deg: f64,
    /// Distance at which the likelihood has fallen by half a nat.
    pub(crate) width_deg: f64,
    pub(crate) ln_likelihood: f64,
}

fn is_directional(manifold: &dyn Steering) -> bool {
    let mut first: Option<Vec<Complex<f64>>> = None;
    (0..72).any(|k| {
        let mut response = vec![Complex::default(); manifold.channels()];
        manifold.response(5.0 * f64::from(k), &mut response);
        let Some(first) = &first else {
            first = Some(response);
            return false;
        };
        let power = |v: &[Complex<f64>]| v.iter().map(Complex::norm_sqr).sum::<f64>();
        let both = power(first) * power(&response);
        both > 0.0 && 1.0 - dot(first, &response).norm_sqr() / both > FLAT_SHARE
    })
}

/// The tops of the likelihood worth a closer look, the best first; at least one.
fn tops(model: &Model<'_>) -> Vec<Top> {
    let count = 360;
    let values: Vec<f64> = (0..count)
        .map(|k| model.ln_likelihood(f64::from(k) * SURVEY_STEP_DEG))
        .collect();
    let n = values.len();
    let best = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut found: Vec<Top> = (0..n)
        .filter(|&k| values[k] >= values[(k + n - 1) % n] && values[k] >= values[(k + 1) % n])
        // Between two steps a sharp top may rise far above both: its neighbours' slopes tell.
        .filter(|&k| {
            let rise = (values[k] - values[(k + n - 1) % n]).max(values[k] - values[(k + 1) % n]);
            values[k] + 2.0 * rise > best - HOPELESS_NATS
        })
        .map(|k| climb(model, k as f64 * SURVEY_STEP_DEG))
        .collect();
    found.sort_by(|a, b| b.ln_likelihood.total_cmp(&a.ln_likelihood));
    let top = found.first().map_or(best, |t| t.ln_likelihood);
    found.retain(|t| t.ln_likelihood > top - HOPELESS_NATS);
    found.truncate(MOST_TOPS);
    if found.is_empty() {
        found.push(climb(model, 0.0));
    }
    found
}

/// Golden section between the neighbours of a step.
fn climb(model: &Model<'_>, from_deg: f64) -> Top {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (mut low, mut high) = (from_deg - SURVEY_STEP_DEG, from_deg + SURVEY_STEP_DEG);
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut va, mut vb) = (model.ln_likelihood(a), model.ln_likelihood(b));
    for _ in 0..24 {
        if va > vb {
            (high, b, vb) = (b, a, va);
            a = high - GOLDEN * (high - low);
            va = model.ln_likelihood(a);
        } else {
            (low, a, va) = (a, b, vb);
            b = low + GOLDEN * (high - low);
            vb = model.ln_likelihood(b);
        }
    }
    let (azimuth_mount_deg, ln_likelihood) = if va > vb { (a, va) } else { (b, vb) };
    let fallen = |d: f64| {
        let left = model.ln_likelihood(azimuth_mount_deg - d);
        let right = model.ln_likelihood(azimuth_mount_deg + d);
        ln_likelihood - f64::midpoint(left, right)
    };
    let mut width_deg = 30.0;
    while width_deg > 2e-4 && fallen(width_deg) > 1.0 {
        width_deg *= 0.5;
    }
    Top {
        azimuth_mount_deg,
        width_deg,
        ln_likelihood,
    }
}

/// The posterior density of one arrival, from true north.
fn density(model: &Model<'_>, tops: &[Top], heading_deg: f64) -> CircleDensity {
    let centres: Vec<f64> = tops
        .iter()
        .flat_map(|t| {
            [-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0]
                .map(|k| t.azimuth_mount_deg + heading_deg + k * t.width_deg)
        })
        .collect();
    let floor = tops[0].ln_likelihood - 80.0;
    CircleDensity::from_ln_fn(
        |a| model.ln_likelihood(a - heading_deg).max(floor),
        &centres,
        TOLERANCE_NATS,
    )
    .unwrap_or_else(|_| CircleDensity::uniform())
}

/// Posterior mean of the size of the channels' errors at a direction.
fn mean_error_size(model: &Model<'_>, azimuth_mount_deg: f64) -> f64 {
    let look = model.look(azimuth_mount_deg);
    let values: Vec<f64> = model.nodes.iter().map(|n| model.ln_node(&look, n)).collect();
    let total = ln_sum(values.iter().copied());
    model
        .nodes
        .iter()
        .zip(&values)
        .map(|(n, v)| n.size * (v - total).exp())
        .sum()
}

/// Misfit under the errors most believed.
fn best_misfit(model: &Model<'_>, axes: &[f64]) -> f64 {
    let ln = |k: usize| {
        model.nodes[k].ln_weight + model.ln_straight(model.misfit(axes, &model.nodes[k]), &model.nodes[k])
    };
    let best = (0..model.nodes.len()).max_by(|&a, &b| ln(a).total_cmp(&ln(b)));
    best.map_or(0.0, |k| model.misfit(axes, &model.nodes[k]))
}

fn levels(model: &Model<'_>, used: &[(usize, &ChannelCovariance)]) -> Vec<CoherentLevel> {
    let channels = model.channels() as f64;
    used.iter()
        .zip(&model.bursts)
        .map(|((burst, covariance), white)| {
            let power = covariance.matrix().trace().re / channels;
            // Share of the signal in the whitened power: noise is 1 in each channel.
            let share = white.snr / (white.snr + channels);
            CoherentLevel {
                burst: *burst,
                level: Dbfs::from_power(power * share),
                snr_db: (white.snr > 0.0).then(|| 10.0 * (white.snr / channels).log10()),
            }
        })
        .collect()
}

fn flags(
    estimate: &CoherentEstimate,
    bursts: &[&ChannelCovariance],
    calibrated_otherwise: bool,
) -> Vec<BearingFlag> {
    let held: f64 = estimate.modes.iter().map(|m| m.probability).sum();
    let bad = calibrated_otherwise
        || estimate.reduced_chi_square > BAD_MISFIT
        || estimate.phase_error_deg > BAD_PHASE_DEG;
    [
        (
            BearingFlag::Clipped,
            bursts.iter().any(|b| b.clip_fraction() > CLIPPED),
        ),
        (BearingFlag::BadFit, bad),
        (BearingFlag::Reflection, estimate.reflection.is_some()),
        (BearingFlag::Ambiguous, estimate.modes.len() > 1),
        (
            BearingFlag::Weak,
            held < 0.5 || estimate.modes[0].sigma_deg > WEAK_SIGMA_DEG,
        ),
    ]
    .into_iter()
    .filter(|(_, set)| *set)
    .map(|(flag, _)| flag)
    .collect()
}

/// Distance on the circle, without its sign.
pub(crate) fn apart_deg(a: f64, b: f64) -> f64 {
    wrap_signed_degrees(a - b).abs()
}

/// The size of a setting, 0 where it is no number.
fn finite(value: f64) -> f64 {
    if value.is_finite() { value.abs() } else { 0.0 }
}
