//! From what was kept of the bursts to bearings, by the kind of antenna.

use std::sync::Arc;

use lobewright_antenna::Manifold;
use lobewright_bearing::coherent::{
    ChannelCalibration, ChannelCovariance, CoherentConfig, CoherentEstimate, coherent_bearing,
    estimate_coherent,
};
use lobewright_bearing::{
    BurstLevel, Estimate, EstimatorConfig, PatternFit, PortAntenna, RingBurst, RingConfig, Taken, estimate,
    estimate_ring, to_bearing,
};
use lobewright_types::{Bearing, BearingOutcome, LevelReading, NoBearing, NoBearingReason};

use crate::evidence::Evidence;
use crate::listen::Heard;
use crate::site::Site;
use crate::{
    AntennaModel, AntennaSection, JoinBursts, PlaceInput, PlaceResult, PlaceSettings, RunError, Sides,
};

/// The antenna with what this recording adds to it.
enum Model<'a> {
    Levels(EstimatorConfig),
    Ring(Box<RingConfig>),
    Coherent(Arc<Manifold>, Option<&'a ChannelCalibration>),
}

/// A bearing with the estimate behind it, or why there is none.
type Found = Result<(Bearing, Estimate), NoBearingReason>;

/// What all bearings of a place have in common.
struct Desk<'a> {
    site: &'a Site,
    antenna: &'a AntennaSection,
    model: Model<'a>,
    heard: &'a Heard,
}

/// Takes the bearings of a place: one, or one for each burst.
///
/// # Errors
/// [`RunError`] where the antenna's response at this frequency is not known.
pub(crate) fn take_bearings(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    site: &Site,
    mut heard: Heard,
    result: &mut PlaceResult,
) -> Result<(), RunError> {
    let (Some(model), Some(antenna)) = (&settings.antenna, &settings.config.antenna) else {
        return Ok(());
    };
    let evidence = std::mem::take(&mut heard.evidence);
    let groups: Vec<(usize, Vec<Evidence>)> = match settings.config.bearing.join {
        JoinBursts::All => vec![(0, evidence)],
        JoinBursts::Each => evidence
            .into_iter()
            .enumerate()
            .map(|(i, burst)| (i, vec![alone(burst)]))
            .collect(),
    };
    let desk = Desk {
        site,
        antenna,
        model: model_of(model, antenna, site, &heard, &result.name)?,
        heard: &heard,
    };
    for (number, evidence) in groups {
        let id = format!("{}-{}", input.index + 1, number + 1);
        let (outcome, estimate) = match desk.bearing(&id, &evidence, number, result) {
            Ok((bearing, estimate)) => (BearingOutcome::Bearing(Box::new(bearing)), Some(estimate)),
            Err(reason) => {
                let station = result.name.clone();
                (BearingOutcome::NoBearing(NoBearing { id, station, reason }), None)
            }
        };
        let sides = estimate
            .as_ref()
            .filter(|_| antenna.is_homing_pair())
            .map(|e| Sides::of(&e.density, site.heading));
        result.sides.push(sides);
        result.outcomes.push(outcome);
        result.estimates.push(estimate);
        result.readings.extend(readings_of(evidence));
    }
    Ok(())
}

/// The evidence of a burst that stands alone: its readings count from burst 0.
fn alone(evidence: Evidence) -> Evidence {
    match evidence {
        Evidence::Readings(mut readings) => {
            for reading in &mut readings {
                reading.burst = 0;
            }
            Evidence::Readings(readings)
        }
        other => other,
    }
}

fn readings_of(evidence: Vec<Evidence>) -> Vec<LevelReading> {
    evidence
        .into_iter()
        .filter_map(|e| match e {
            Evidence::Readings(readings) => Some(readings),
            _ => None,
        })
        .flatten()
        .collect()
}

fn model_of<'a>(
    model: &'a AntennaModel,
    antenna: &AntennaSection,
    site: &Site,
    heard: &Heard,
    place: &str,
) -> Result<Model<'a>, RunError> {
    let frequency_hz = heard.summary.channel_center_hz;
    let levels = |pattern, ports: &[PortAntenna]| {
        let mut config = EstimatorConfig::new(pattern, site.heading, site.heading_sigma_deg);
        config.ports = ports.to_vec();
        config.latency_sigma_s = antenna.latency_sigma_s;
        config.port_gain_sigma_db = antenna.port_gain_sigma_db.unwrap_or(config.port_gain_sigma_db);
        config.track_ended_early = heard.track_ended_early;
        Model::Levels(config)
    };
    Ok(match model {
        AntennaModel::Rotated(pattern) => levels(Arc::clone(pattern), &[]),
        AntennaModel::Sectors(ports) => {
            let first = ports.first().ok_or_else(|| RunError::Missing {
                place: place.to_owned(),
                what: "the pattern of any port",
                remedy: "give an [[antenna.port]] for each",
            })?;
            levels(Arc::clone(&first.pattern), ports)
        }
        AntennaModel::Ring(array) => {
            let manifold = array.manifold(place, frequency_hz)?;
            let schedule = heard.schedule.clone().ok_or_else(|| RunError::Missing {
                place: place.to_owned(),
                what: "which port was connected when",
                remedy: "give antenna.switch, or switch_schedule",
            })?;
            let mut config = RingConfig::new(manifold, schedule, site.heading, site.heading_sigma_deg);
            config.phase_error_typical_deg =
                antenna.phase_error_deg.unwrap_or(config.phase_error_typical_deg);
            Model::Ring(Box::new(config))
        }
        AntennaModel::Coherent(array, calibration) => {
            Model::Coherent(array.manifold(place, frequency_hz)?, calibration.as_ref())
        }
    })
}

impl Desk<'_> {
    fn bearing(&self, id: &str, evidence: &[Evidence], first_burst: usize, result: &PlaceResult) -> Found {
        let position = self.site.position.ok_or(NoBearingReason::NoPointing)?;
        if result.bursts.is_empty() {
            return Err(NoBearingReason::NoBurst);
        }
        let taken = Taken {
            id: id.to_owned(),
            station: result.name.clone(),
            time_utc: result.bursts.get(first_burst).and_then(|b| b.start_utc),
            position,
            position_sigma_m: self.site.position_sigma_m,
            frequency_hz: result.summary.channel_center_hz,
        };
        match &self.model {
            Model::Levels(config) => {
                let readings: Vec<LevelReading> = evidence
                    .iter()
                    .filter_map(|e| match e {
                        Evidence::Readings(readings) => Some(readings.clone()),
                        _ => None,
                    })
                    .flatten()
                    .collect();
                if readings.is_empty() {
                    return Err(NoBearingReason::NoPointing);
                }
                let estimate = estimate(&readings, config)?;
                Ok((to_bearing(&estimate, taken), estimate))
            }
            Model::Ring(config) => {
                let bursts: Vec<RingBurst<'_>> = evidence
                    .iter()
                    .filter_map(|e| match e {
                        Evidence::Samples(s) if !s.samples.is_empty() => Some(RingBurst {
                            samples: &s.samples,
                            rate_hz: s.rate_hz,
                            start_s: s.start_s,
                            noise_power_lin: s.noise_power_lin,
                            independent_hz: result.summary.noise_bandwidth_hz,
                            clipped: s.clipped.clone(),
                        }),
                        _ => None,
                    })
                    .collect();
                let found = estimate_ring(&bursts, config)?;
                Ok((to_bearing(&found.estimate, taken), found.estimate))
            }
            Model::Coherent(manifold, calibration) => {
                let bursts: Vec<ChannelCovariance> = evidence
                    .iter()
                    .filter_map(|e| match e {
                        Evidence::Covariance(covariance) => covariance.clone(),
                        _ => None,
                    })
                    .collect();
                let config = self.coherent_config(manifold, *calibration);
                let found = estimate_coherent(&bursts, self.heard.noise.as_ref(), &config)?;
                Ok((coherent_bearing(&found, taken), as_estimate(found)))
            }
        }
    }

    fn coherent_config(
        &self,
        manifold: &Arc<Manifold>,
        calibration: Option<&ChannelCalibration>,
    ) -> CoherentConfig {
        let manifold: Arc<Manifold> = Arc::clone(manifold);
        let mut config = CoherentConfig::new(manifold, self.site.heading, self.site.heading_sigma_deg);
        config.calibration = calibration.cloned();
        if let Some(deg) = self.antenna.phase_error_deg {
            // 3 degrees of phase go with 0.3 dB of gain, as in the estimator's own values.
            config.gain_error_db *= deg / config.phase_error_deg;
            config.phase_error_deg = deg;
        }
        config
    }
}

/// The estimate in the form that pictures and reports read; there are no boresights, so the fit is empty.
fn as_estimate(found: CoherentEstimate) -> Estimate {
    let record = found.levels.clone();
    let strongest = record.iter().max_by(|a, b| {
        let power = |l: Option<lobewright_types::Dbfs>| l.map_or(f64::NEG_INFINITY, |d| d.0);
        power(a.level).total_cmp(&power(b.level))
    });
    Estimate {
        level: strongest.and_then(|l| l.level),
        snr_db: strongest.and_then(|l| l.snr_db),
        fitted: lobewright_types::FittedSignal {
            level_error_sigma_db: found.gain_error_db,
            reduced_chi_square: found.reduced_chi_square,
            effective_readings: found.free_components as f64,
        },
        burst_levels: record
            .iter()
            .filter_map(|l| {
                l.level.map(|level| BurstLevel {
                    burst: l.burst,
                    level,
                })
            })
            .collect(),
        readings: record.len() * found.channels,
        fit: PatternFit::default(),
        density: found.density,
        modes: found.modes,
        azimuth: found.azimuth,
        sigma_deg: found.sigma_deg,
        heading_sigma_deg: found.heading_sigma_deg,
        arcs50: found.arcs50,
        arcs95: found.arcs95,
        class: found.class,
        flags: found.flags,
        reflection: found.reflection,
        latency: None,
    }
}
