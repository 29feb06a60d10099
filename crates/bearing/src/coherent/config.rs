//! What the coherent estimator is told beforehand.

use std::sync::Arc;

use lobewright_types::{Azimuth, True};

use super::{ChannelCalibration, ChannelCovariance, Steering};

/// Noise of the channels without the signal.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelNoise {
    /// Covariance outside the bursts, full scale 1.0. Channels may have unequal noise, and noise in common: what comes
    /// from the field outside, or a steady transmitter in the channel.
    pub covariance: ChannelCovariance,
    /// Relative standard deviation of its power against that during the bursts, common to all channels.
    pub level_rel_sigma: f64,
}

/// Settings of [`super::estimate_coherent`].
#[derive(Debug, Clone)]
pub struct CoherentConfig {
    /// Response of the array.
    pub manifold: Arc<dyn Steering>,
    /// Where the mounting's zero mark points.
    pub heading: Azimuth<True>,
    /// Standard deviation of `heading`; widens the density and is common to every bearing of the station.
    pub heading_sigma_deg: f64,
    /// Gain and phase of the channels, where measured; its errors are taken into account. One of another number of
    /// channels is left out, and the bearing flagged as a bad fit.
    pub calibration: Option<ChannelCalibration>,
    /// Phase error of a channel (calibration, manifold) that is most expected, 1 sigma, beyond what `calibration`
    /// states. It is the same in all bursts.
    pub phase_error_deg: f64,
    /// The same for the gain.
    pub gain_error_db: f64,
    /// How well the size of both is known: standard deviation of its natural logarithm. Their ratio is taken as known.
    pub channel_error_ln_sigma: f64,
    /// Chance, before the samples are seen, that there is no such error, 0 to 1.
    pub exact_share: f64,
    /// Chance, before the samples are seen, that a second arrival is there; 0 leaves the test out. It needs four
    /// channels and more.
    pub reflection_prior: f64,
}

impl CoherentConfig {
    /// Takes what has no default.
    ///
    /// The errors expected by default are 3 degrees and 0.3 dB, known to a factor of about 2: what remains of a usual
    /// calibration (common practice, no source).
    pub fn new(manifold: Arc<dyn Steering>, heading: Azimuth<True>, heading_sigma_deg: f64) -> Self {
        Self {
            manifold,
            heading,
            heading_sigma_deg,
            calibration: None,
            phase_error_deg: 3.0,
            gain_error_db: 0.3,
            channel_error_ln_sigma: 0.8,
            exact_share: 0.35,
            reflection_prior: 0.2,
        }
    }
}
