//! What the estimator is told beforehand.

use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_types::{Azimuth, Mount, True};

/// One antenna of several that a switch connects to the receiver.
#[derive(Debug, Clone)]
pub struct PortAntenna {
    /// Its pattern.
    pub pattern: Arc<Pattern>,
    /// Where that pattern's zero points, from the mounting's zero mark.
    pub boresight: Azimuth<Mount>,
}

/// Settings of [`crate::estimate`].
#[derive(Debug, Clone)]
pub struct EstimatorConfig {
    /// The pattern of a rotated antenna; not used where there are `ports`.
    pub pattern: Arc<Pattern>,
    /// The antennas of a switched array, for readings of [`lobewright_types::Pointing::Port`], from port 0; empty for
    /// a rotated antenna.
    pub ports: Vec<PortAntenna>,
    /// Standard deviation of each port's fixed gain error (cables, switch, the antennas' own differences), in dB. It
    /// does not average out from cycle to cycle.
    pub port_gain_sigma_db: f64,
    /// Where the mounting's zero mark points.
    pub heading: Azimuth<True>,
    /// Standard deviation of `heading`; widens the density and is common to every bearing of the station.
    pub heading_sigma_deg: f64,
    /// Share of readings that the model is expected not to explain (interference, a passing body), 0 to 0.5.
    pub unexplained_share: f64,
    /// Level error of a reading beyond its noise that is most expected, 1 sigma in dB.
    pub level_error_typical_db: f64,
    /// How well that is known: standard deviation of its natural logarithm. The default leaves it to the readings.
    pub level_error_ln_sigma: f64,
    /// Chance that there is no such error at all.
    pub perfect_share: f64,
    /// How far the level is expected to change from one burst to the next, 1 sigma in dB: steady and unsteady
    /// transmitters are both tried.
    pub burst_level_sigma_db: [f64; 2],
    /// Standard deviation of the delay between the azimuth track's clock and the samples'.
    pub latency_sigma_s: f64,
    /// Chance, before the readings are seen, that a second arrival is there; 0 leaves the test out.
    pub reflection_prior: f64,
    /// The azimuth track ended before the burst did: handed on as a flag.
    pub track_ended_early: bool,
}

impl EstimatorConfig {
    /// Takes what has no default.
    pub fn new(pattern: Arc<Pattern>, heading: Azimuth<True>, heading_sigma_deg: f64) -> Self {
        Self {
            pattern,
            ports: Vec::new(),
            port_gain_sigma_db: 0.3,
            heading,
            heading_sigma_deg,
            unexplained_share: 0.02,
            level_error_typical_db: 0.7,
            level_error_ln_sigma: 1.3,
            perfect_share: 0.15,
            burst_level_sigma_db: [0.5, 4.0],
            latency_sigma_s: 0.0,
            reflection_prior: 0.1,
            track_ended_early: false,
        }
    }
}
