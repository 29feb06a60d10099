//! From readings to a density on the circle.

use lobewright_types::{
    Azimuth, BearingClass, CircleDensity, Dbfs, FittedSignal, LevelReading, NoBearingReason,
    wrap_signed_degrees,
};

use crate::bank::Bank;
use crate::config::EstimatorConfig;
use crate::flags::{Findings, flags};
use crate::gain::Gains;
use crate::lanes::LANES;
use crate::latency;
use crate::likelihood::{Likelihood, NATS_PER_DB, Residual};
use crate::misfit::{self, LevelError};
use crate::output::{BurstLevel, Estimate, FitPoint, PatternFit, SecondArrival};
use crate::prepare::Data;
use crate::reflection;
use crate::search::{Plan, Search};

/// Accuracy to which the log density is followed.
const TOLERANCE_NATS: f64 = 0.08;
/// Log density below the best at which a direction carries nothing.
const HOPELESS_NATS: f64 = 14.0;
/// The same where only a coarse look was taken.
const SURELY_HOPELESS_NATS: f64 = 30.0;
/// This near to a peak a coarse look is not enough.
const NEAR_PEAK_DEG: f64 = 8.0;
/// Log density below that of a good direction at which its course is not followed: the density's own floor lies higher.
const NOTHING_NATS: f64 = 75.0;
/// Modes with less are not shown.
const LEAST_MODE: f64 = 0.05;

/// Estimates the direction of the transmitter.
///
/// # Inputs
/// `readings`: of one or more bursts, in any order; those that are not finite, have no power or no boresight are
/// left out. `config`: pattern, heading and what is expected beforehand.
///
/// # Result
/// The density over the whole circle from true north and what was fitted beside it. It does not depend on the
/// order of the readings or on the unit of power.
///
/// # Errors
/// [`NoBearingReason`]: no reading, no boresight, fewer than three usable readings, all of them clipped, or a
/// pattern without direction.
///
/// # Method
/// See the crate's documentation.
pub fn estimate(readings: &[LevelReading], config: &EstimatorConfig) -> Result<Estimate, NoBearingReason> {
    if !Gains::have_direction(config) {
        return Err(NoBearingReason::PatternHasNoDirection);
    }
    let gains = Gains::new(config);
    let data = Data::new(readings, config.ports.len())?;
    let delay = latency::find(&data, &gains, config);
    let likelihood = Likelihood::new(
        delay.map_or_else(|| data.clone(), |d| data.delayed(d.latency.delay_s)),
        config.unexplained_share,
        config.port_gain_sigma_db.abs() * NATS_PER_DB,
    );
    let mut search = Search::new(&likelihood, &gains, config);
    let plan = search.plan();
    let one = density(&mut search, &plan);
    let (own, reflection) = match reflection::test(&mut search, &plan, &one) {
        Some(two) => (two.density, two.arrival),
        None => (misfit::widened(&mut search, &plan, one), None),
    };
    let modes = own.modes(LEAST_MODE);
    let best_mount = modes[0].azimuth.turned(-config.heading.degrees());
    let widened = own.widened(outer_sigma_deg(&likelihood.data, config, delay.as_ref()));
    let mut estimate = finish(
        readings,
        &mut search,
        &plan,
        best_mount.degrees(),
        widened,
        reflection,
    );
    estimate.latency = delay.map(|d| d.latency);
    Ok(estimate)
}

/// The posterior density of one source, from true north.
fn density(search: &mut Search<'_>, plan: &Plan) -> CircleDensity {
    let heading = search.config.heading.degrees();
    let mut centres: Vec<f64> = Vec::new();
    for &(at, width) in &plan.centres {
        let at = at + heading;
        let near = |c: &f64| wrap_signed_degrees(c - at).abs() < 0.7 * width;
        if !centres.iter().any(near) {
            centres.extend([-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 4.0].map(|k| at + k * width));
        }
    }
    let blunt = bluntest(&plan.bank, search.likelihood);
    let top = search.ln_mixture(plan.centres[0].0, &plan.bank);
    let mut best = top;
    CircleDensity::from_ln_fn(
        |a| {
            let far =
                |c: &(f64, f64)| wrap_signed_degrees(c.0 + heading - a).abs() > NEAR_PEAK_DEG.max(6.0 * c.1);
            let coarse = search.coarse_at(a - heading);
            if coarse < best - SURELY_HOPELESS_NATS && plan.centres.iter().all(far) {
                return coarse.max(top - NOTHING_NATS);
            }
            // Where the bluntest nodes give hardly anything the others give less: no need to ask them all.
            if let Some(blunt) = &blunt {
                let value = search.ln_mixture(a - heading, blunt);
                if value < best - HOPELESS_NATS {
                    return value.max(top - NOTHING_NATS);
                }
            }
            let whole = search.ln_mixture(a - heading, &plan.bank);
            best = best.max(whole);
            whole.max(top - NOTHING_NATS)
        },
        &centres,
        TOLERANCE_NATS,
    )
    .unwrap_or_else(|_| CircleDensity::uniform())
}

/// The nodes with the largest level errors, where there are so many nodes that asking them first saves time.
fn bluntest(bank: &Bank, likelihood: &Likelihood) -> Option<Bank> {
    if bank.groups.len() < 2 {
        return None;
    }
    let mut order: Vec<usize> = (0..bank.nodes.len()).collect();
    order.sort_by(|&a, &b| bank.nodes[b].sigma_nats.total_cmp(&bank.nodes[a].sigma_nats));
    let keep = &order[..LANES.min(order.len())];
    Some(bank.kept(likelihood, |i| keep.contains(&i)))
}

/// Errors outside the readings: heading, and the delay between the clocks of track and samples.
fn outer_sigma_deg(data: &Data, config: &EstimatorConfig, found: Option<&latency::Found>) -> f64 {
    let delay = if let Some(found) = found {
        found.slope_deg_per_s * found.latency.sigma_s
    } else {
        let mut rates: Vec<f64> = data.obs.iter().map(|o| o.rate_deg_per_s).collect();
        rates.sort_by(f64::total_cmp);
        config.latency_sigma_s * rates[rates.len() / 2]
    };
    config.heading_sigma_deg.max(0.0).hypot(delay)
}

fn finish(
    readings: &[LevelReading],
    search: &mut Search<'_>,
    plan: &Plan,
    best_mount_deg: f64,
    density: CircleDensity,
    reflection: Option<SecondArrival>,
) -> Estimate {
    let likelihood = search.likelihood;
    let data = &likelihood.data;
    let config = search.config;
    search.aim(best_mount_deg);
    let sigma_nats = LevelError::here(search, &plan.bank).sigma_nats;
    let residuals = likelihood.residuals(&search.point, sigma_nats);
    let modes = density.modes(LEAST_MODE);
    let azimuth = modes[0].azimuth;
    let sigma_deg = modes[0].sigma_deg;
    let class = BearingClass::of(&density, azimuth);
    let levels: Vec<(usize, f64)> = (0..data.bursts())
        .map(|b| (data.burst_numbers[b], search.point.signal(data, b)))
        .collect();
    let strongest = levels.iter().map(|l| l.1).fold(0.0, f64::max);
    let noise = data.obs.iter().map(|o| o.noise).sum::<f64>() / data.obs.len() as f64;
    let fitted = FittedSignal {
        level_error_sigma_db: sigma_nats / NATS_PER_DB,
        reduced_chi_square: reduced_chi_square(&residuals),
        effective_readings: effective_readings(data, &residuals),
    };
    let findings = Findings {
        data,
        density: &density,
        modes: &modes,
        residuals: &residuals,
        fitted: &fitted,
        reflection: reflection.is_some(),
        track_ended_early: config.track_ended_early,
    };
    Estimate {
        flags: flags(&findings),
        azimuth,
        sigma_deg,
        heading_sigma_deg: config.heading_sigma_deg,
        arcs50: density.highest_density_arcs(0.5),
        arcs95: if reflection.is_some() {
            density.arcs_of_each_mode(0.95, LEAST_MODE)
        } else {
            density.highest_density_arcs(0.95)
        },
        class,
        level: Dbfs::from_power(strongest),
        snr_db: (strongest > 0.0).then(|| 10.0 * (strongest / noise).log10()),
        fitted,
        burst_levels: levels
            .into_iter()
            .map(|(burst, power)| BurstLevel {
                burst,
                level: dbfs(power.max(data.soft_power * 1e-3)),
            })
            .collect(),
        readings: data.obs.len(),
        fit: pattern_fit(readings, search, &residuals),
        reflection,
        latency: None,
        modes,
        density,
    }
}

fn dbfs(power: f64) -> Dbfs {
    Dbfs(10.0 * power.max(1e-300).log10())
}

fn reduced_chi_square(residuals: &[Residual]) -> f64 {
    let (mut top, mut bottom) = (0.0, 0.0);
    for r in residuals {
        top += r.explained * (r.nats / r.sigma_nats).powi(2);
        bottom += r.explained;
    }
    top / bottom.max(1e-9)
}

/// Readings divided by `1 + 2 sum r(lag)`, the autocorrelation of the standardised residuals within bursts summed
/// while it stays above its own noise.
fn effective_readings(data: &Data, residuals: &[Residual]) -> f64 {
    let n = residuals.len();
    let x: Vec<f64> = residuals
        .iter()
        .map(|r| (r.nats / r.sigma_nats).clamp(-4.0, 4.0))
        .collect();
    let power = x.iter().map(|v| v * v).sum::<f64>() / n as f64;
    let mut factor = 1.0;
    for lag in 1..n / 2 {
        let (mut sum, mut pairs) = (0.0, 0.0);
        for i in lag..n {
            if data.obs[i].burst == data.obs[i - lag].burst {
                sum += x[i] * x[i - lag];
                pairs += 1.0;
            }
        }
        if pairs < 4.0 {
            break;
        }
        let r = sum / pairs / power.max(1e-12);
        if r < 1.0 / f64::sqrt(pairs) {
            break;
        }
        factor += 2.0 * r;
    }
    (n as f64 / factor).max(1.0)
}

fn pattern_fit(readings: &[LevelReading], search: &Search<'_>, residuals: &[Residual]) -> PatternFit {
    let data = &search.likelihood.data;
    let points = data
        .obs
        .iter()
        .zip(residuals)
        .enumerate()
        .map(|(k, (o, r))| {
            let reading = &readings[o.source];
            let azimuth_mount = Azimuth::from_degrees(o.azimuth_mount_deg);
            let fitted = search.point.signal(data, o.burst) * search.point.gain[k];
            let back = 10_f64.powf(-o.gain_shift_db / 10.0);
            FitPoint {
                reading: o.source,
                burst: data.burst_numbers[o.burst],
                azimuth_mount,
                azimuth_true: azimuth_mount.to_true(search.config.heading),
                level: Dbfs::from_power(reading.power_lin - reading.noise_power_lin),
                sigma_db: r.sigma_nats / NATS_PER_DB,
                residual_db: r.nats / NATS_PER_DB,
                explained_probability: r.explained,
                fitted_level: dbfs(fitted * back),
                lower_limit: o.censored,
            }
        })
        .collect();
    PatternFit { points }
}
