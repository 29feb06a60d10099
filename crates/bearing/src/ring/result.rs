//! What the estimate gives back.

use lobewright_types::{BearingClass, BearingFlag, CircleDensity, Dbfs, FittedSignal, Mode};

use super::clock::SwitchClock;
use crate::output::{BurstLevel, Estimate, PatternFit};

/// Modes with less are not shown.
const LEAST_MODE: f64 = 0.05;
/// Fewer dwells than this are few.
const FEW_DWELLS: usize = 12;
/// Error of the ports against the manifold beyond which it hardly describes them.
const BAD_ERROR_DEG: f64 = 15.0;

/// What was found of one port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PortFit {
    /// The port, counted from 0.
    pub port: usize,
    /// Measured phase less the mean of all ports, in `(-180, 180]` degrees.
    pub phase_deg: f64,
    /// Standard deviation of the measured phase, noise only.
    pub phase_sigma_deg: f64,
    /// The same from the manifold in the direction found.
    pub manifold_phase_deg: f64,
    /// Measured level less the mean of all ports.
    pub level_db: f64,
    /// The same from the manifold in the direction found.
    pub manifold_level_db: f64,
}

/// A direction with all that was found beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct RingEstimate {
    /// Density, modes, arcs and class; its `fit` is empty, since there are no boresights. `readings` counts dwells;
    /// `fitted.level_error_sigma_db` is the error of the ports against the manifold.
    pub estimate: Estimate,
    /// The ports beside the manifold.
    pub ports: Vec<PortFit>,
    /// Error of the ports' phases against the manifold, as found, 1 sigma.
    pub phase_error_deg: f64,
    /// Share of the signal's power whose phase could be followed, 0 to 1: small for a signal like noise, whose phase
    /// says nothing of the direction.
    pub coherent_share: f64,
    /// Frequency of the strongest burst's carrier from the channel's centre, where its phase could be followed.
    pub carrier_hz: Option<f64>,
    /// The switch's clock, where start or rate were to be found.
    pub clock: Option<SwitchClock>,
}

/// What [`finish`] puts together.
pub(super) struct Parts {
    pub(super) density: CircleDensity,
    pub(super) heading_sigma_deg: f64,
    pub(super) phase_error_deg: f64,
    pub(super) reduced_chi_square: f64,
    /// Power with all responses 1, for each burst in order, and its noise.
    pub(super) powers: Vec<(usize, f64, f64)>,
    pub(super) dwells: usize,
    pub(super) clipped: usize,
}

pub(super) fn finish(parts: Parts) -> Estimate {
    let density = parts.density;
    let modes = density.modes(LEAST_MODE);
    let azimuth = modes[0].azimuth;
    let strongest = parts
        .powers
        .iter()
        .copied()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0, 0.0, 1.0));
    let weak = weak(&density, &modes);
    let tests = [
        (BearingFlag::Clipped, parts.clipped > 0),
        (BearingFlag::FewReadings, parts.dwells < FEW_DWELLS),
        (BearingFlag::BadFit, parts.phase_error_deg > BAD_ERROR_DEG),
        (BearingFlag::Ambiguous, modes.len() > 1),
        (BearingFlag::Weak, weak),
    ];
    Estimate {
        azimuth,
        sigma_deg: modes[0].sigma_deg,
        heading_sigma_deg: parts.heading_sigma_deg,
        arcs50: density.highest_density_arcs(0.5),
        arcs95: density.highest_density_arcs(0.95),
        class: BearingClass::of(&density, azimuth),
        level: Dbfs::from_power(strongest.1),
        snr_db: (strongest.1 > 0.0).then(|| 10.0 * (strongest.1 / strongest.2).log10()),
        fitted: FittedSignal {
            level_error_sigma_db: parts.phase_error_deg.to_radians() * 20.0 / std::f64::consts::LN_10,
            reduced_chi_square: parts.reduced_chi_square,
            effective_readings: parts.dwells as f64,
        },
        burst_levels: parts
            .powers
            .iter()
            .map(|&(burst, power, _)| BurstLevel {
                burst,
                level: Dbfs(10.0 * power.max(1e-300).log10()),
            })
            .collect(),
        readings: parts.dwells,
        flags: tests.into_iter().filter(|t| t.1).map(|t| t.0).collect(),
        fit: PatternFit::default(),
        reflection: None,
        latency: None,
        modes,
        density,
    }
}

fn weak(density: &CircleDensity, modes: &[Mode]) -> bool {
    let within: f64 = modes.iter().map(|m| m.probability).sum();
    modes[0].sigma_deg > 30.0 || within < 0.5 || (modes.len() < 2 && density.mean_direction().1 < 0.6)
}
