//! Gain and phase of the channels from signals of known direction.

use nalgebra::{DMatrix, SymmetricEigen};
use num_complex::Complex;
use serde::{Deserialize, Serialize};

use super::covariance::CHANNELS;
use super::model::{NATS_PER_DB, dot};
use super::{ChannelCovariance, ChannelNoise, Steering};

/// Share of the strongest response below which a channel hears too little to be calibrated from a direction.
const DEAF: f64 = 1e-3;
/// Largest gain and phase that a factor may state.
const MOST_GAIN_DB: f64 = 100.0;
const MOST_PHASE_DEG: f64 = 720.0;
/// Rounds in which the directions are turned onto their common mean.
const ROUNDS: usize = 20;

/// Gain and phase of one channel against the mean of all.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelFactor {
    /// Gain of the channel over what the manifold says.
    pub gain_db: f64,
    /// Phase of the channel less what the manifold says, in (-180, 180].
    pub phase_deg: f64,
    /// Standard deviation of `gain_db`.
    pub gain_sigma_db: f64,
    /// Standard deviation of `phase_deg`.
    pub phase_sigma_deg: f64,
}

/// Gain and phase of every channel of a receiver, with their errors.
///
/// What all channels have in common means nothing: the mean of the gains is 0 dB, and the phases are turned so that the
/// sum of the factors is positive. The errors are those of independent channels, before that common part is taken off. In a file it is a list, in the order of the channels:
///
/// ```
/// let text = "
///     [[channels]]
///     gain_db = 0.4
///     phase_deg = -12.5
///     gain_sigma_db = 0.05
///     phase_sigma_deg = 0.4
///
///     [[channels]]
///     gain_db = -0.4
///     phase_deg = 12.5
///     gain_sigma_db = 0.05
///     phase_sigma_deg = 0.4
/// ";
/// let calibration: lobewright_bearing::coherent::ChannelCalibration = toml::from_str(text)?;
/// assert_eq!(calibration.channels().len(), 2);
/// # Ok::<(), toml::de::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, try_from = "InFile")]
pub struct ChannelCalibration {
    channels: Vec<ChannelFactor>,
}

/// The form in files, before it is checked.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct InFile {
    channels: Vec<ChannelFactor>,
}

/// Why there is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// No direction at all.
    #[error("no signal of known direction was given")]
    Empty,
    /// Covariance and manifold of different size.
    #[error("direction {direction} (from 0) has {found} channels but the manifold has {wanted}")]
    Channels {
        /// Which of the directions.
        direction: usize,
        /// Channels of the covariance.
        found: usize,
        /// Channels of the manifold.
        wanted: usize,
    },
    /// An azimuth that is not finite.
    #[error("direction {direction} (from 0) is not a finite number of degrees")]
    Azimuth {
        /// Which of the directions.
        direction: usize,
    },
    /// No signal above the noise.
    #[error("direction {direction} (from 0) holds no signal above the noise")]
    NoSignal {
        /// Which of the directions.
        direction: usize,
    },
    /// A channel that hears nothing from any of the directions.
    #[error("channel {channel} (from 0) hears nothing from the directions given")]
    Deaf {
        /// Which channel.
        channel: usize,
    },
    /// A number in a file that cannot be.
    #[error("`{field}` of channel {channel} (from 0) is {value}: it must be {low} to {high}")]
    Field {
        /// Which channel.
        channel: usize,
        /// Name of the field.
        field: &'static str,
        /// What was found.
        value: f64,
        /// Least value.
        low: f64,
        /// Largest value.
        high: f64,
    },
    /// Too few or too many channels in a file.
    #[error("{0} channels: there must be 2 to 64")]
    Count(usize),
}

/// A signal whose direction is known.
#[derive(Debug, Clone, Copy)]
pub struct KnownDirection<'a> {
    /// Covariance while it was on the air, at the receiver's outputs.
    pub covariance: &'a ChannelCovariance,
    /// Where it came from, clockwise from the mounting's zero mark.
    pub azimuth_mount_deg: f64,
}

/// Factors of the channels seen from one direction.
struct Seen {
    factors: Vec<Complex<f64>>,
    /// Relative variance of each factor, per real component.
    variance: Vec<f64>,
}

impl ChannelCalibration {
    /// Takes the factors of the channels, in their order.
    ///
    /// # Errors
    /// [`CalibrationError::Count`] for fewer than 2 or more than 64; [`CalibrationError::Field`] for a gain beyond 100 dB, a
    /// phase beyond 720 degrees, an error below 0 or beyond the same limits, and for what is not a number.
    pub fn new(channels: Vec<ChannelFactor>) -> Result<Self, CalibrationError> {
        if !CHANNELS.contains(&channels.len()) {
            return Err(CalibrationError::Count(channels.len()));
        }
        for (channel, c) in channels.iter().enumerate() {
            let fields = [
                ("gain_db", c.gain_db, -MOST_GAIN_DB),
                ("phase_deg", c.phase_deg, -MOST_PHASE_DEG),
                ("gain_sigma_db", c.gain_sigma_db, 0.0),
                ("phase_sigma_deg", c.phase_sigma_deg, 0.0),
            ];
            for (field, value, low) in fields {
                let high = if field.ends_with("_db") {
                    MOST_GAIN_DB
                } else {
                    MOST_PHASE_DEG
                };
                if !(low..=high).contains(&value) {
                    return Err(CalibrationError::Field {
                        channel,
                        field,
                        value,
                        low,
                        high,
                    });
                }
            }
        }
        Ok(Self { channels })
    }

    /// One for each channel, in their order.
    pub fn channels(&self) -> &[ChannelFactor] {
        &self.channels
    }

    /// Calibrates the channels from one signal of known direction; see [`ChannelCalibration::from_known_directions`].
    ///
    /// # Errors
    /// [`CalibrationError`].
    pub fn from_known_direction(
        covariance: &ChannelCovariance,
        azimuth_mount_deg: f64,
        manifold: &dyn Steering,
        noise: Option<&ChannelNoise>,
    ) -> Result<Self, CalibrationError> {
        let known = KnownDirection {
            covariance,
            azimuth_mount_deg,
        };
        Self::from_known_directions(&[known], manifold, noise)
    }

    /// Calibrates the channels from signals of known direction.
    ///
    /// # Inputs
    /// `known`: one or more directions, the azimuths without error. `noise`: covariance without the signal; without it
    /// all channels are taken to have the same noise.
    ///
    /// # Result
    /// The factor of each channel over the manifold. Its errors hold the noise and, with two directions and more, the
    /// scatter from direction to direction, by which an error of the manifold shows. From one direction that error
    /// goes into the factors unseen.
    ///
    /// # Errors
    /// [`CalibrationError`].
    ///
    /// # Method
    /// The signal's response is the principal eigenvector of the covariance whitened by the noise (the maximum
    /// likelihood estimate for one source of unknown response: Anderson, *Asymptotic theory for principal component
    /// analysis*, Ann. Math. Statist. 34, 1963, whose variances are used); factors of several directions are turned
    /// onto each other and averaged by their variances.
    pub fn from_known_directions(
        known: &[KnownDirection<'_>],
        manifold: &dyn Steering,
        noise: Option<&ChannelNoise>,
    ) -> Result<Self, CalibrationError> {
        if known.is_empty() {
            return Err(CalibrationError::Empty);
        }
        let seen = known
            .iter()
            .enumerate()
            .map(|(direction, k)| see(direction, k, manifold, noise))
            .collect::<Result<Vec<_>, _>>()?;
        let channels = manifold.channels();
        if let Some(channel) = (0..channels).find(|&c| seen.iter().all(|s| !s.variance[c].is_finite())) {
            return Err(CalibrationError::Deaf { channel });
        }
        Ok(combine(&seen, channels))
    }

    /// Complex factor of each channel over the manifold.
    pub fn factors(&self) -> Vec<Complex<f64>> {
        self.channels
            .iter()
            .map(|c| Complex::from_polar((c.gain_db * NATS_PER_DB).exp(), c.phase_deg.to_radians()))
            .collect()
    }

    pub(crate) fn gain_sigma_nats(&self) -> Vec<f64> {
        self.channels
            .iter()
            .map(|c| c.gain_sigma_db * NATS_PER_DB)
            .collect()
    }

    pub(crate) fn phase_sigma_rad(&self) -> Vec<f64> {
        self.channels
            .iter()
            .map(|c| c.phase_sigma_deg.to_radians())
            .collect()
    }
}

impl TryFrom<InFile> for ChannelCalibration {
    type Error = CalibrationError;

    fn try_from(file: InFile) -> Result<Self, CalibrationError> {
        Self::new(file.channels)
    }
}

fn see(
    direction: usize,
    known: &KnownDirection<'_>,
    manifold: &dyn Steering,
    noise: Option<&ChannelNoise>,
) -> Result<Seen, CalibrationError> {
    let channels = manifold.channels();
    let found = known.covariance.channels();
    if found != channels {
        return Err(CalibrationError::Channels {
            direction,
            found,
            wanted: channels,
        });
    }
    if !known.azimuth_mount_deg.is_finite() {
        return Err(CalibrationError::Azimuth { direction });
    }
    let noise = noise.filter(|n| n.covariance.channels() == channels);
    let scale: Vec<f64> = (0..channels)
        .map(|k| {
            noise.map_or(1.0, |n| {
                n.covariance.matrix()[(k, k)].re.max(f64::MIN_POSITIVE).sqrt()
            })
        })
        .collect();
    let white = DMatrix::from_fn(channels, channels, |i, j| {
        known.covariance.matrix()[(i, j)] / (scale[i] * scale[j])
    });
    let eigen = SymmetricEigen::new(white);
    let order = |a: &usize, b: &usize| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]);
    let top = (0..channels).max_by(order).unwrap_or(0);
    let largest = eigen.eigenvalues[top];
    let rest = (eigen.eigenvalues.sum() - largest) / (channels as f64 - 1.0);
    let snr = (largest - rest) / rest.max(1e-12 * largest);
    if !(snr > 0.0 && snr.is_finite()) {
        return Err(CalibrationError::NoSignal { direction });
    }
    let vector: Vec<Complex<f64>> = eigen.eigenvectors.column(top).iter().copied().collect();
    // Anderson (1963): variance of each component across the eigenvector, for each of its two real parts. Along it there
    // is no error, but that part is common to all channels and means nothing: the errors are stated as independent ones.
    let across = (1.0 + snr) / (2.0 * known.covariance.independent_samples() * snr * snr);
    let mut response = vec![Complex::default(); channels];
    manifold.response(known.azimuth_mount_deg, &mut response);
    let strongest = response.iter().map(|v| v.norm()).fold(0.0, f64::max);
    let mut seen = Seen {
        factors: vec![Complex::default(); channels],
        variance: vec![f64::INFINITY; channels],
    };
    for k in 0..channels {
        let heard = response[k].norm() > DEAF * strongest && vector[k].norm_sqr() > 0.0;
        if heard {
            seen.factors[k] = vector[k] * scale[k] / response[k];
            seen.variance[k] = across / vector[k].norm_sqr();
        }
    }
    let size = mean_ln(&seen.factors);
    for factor in &mut seen.factors {
        *factor *= (-size).exp();
    }
    Ok(seen)
}

/// Mean logarithm of the factors that are not zero.
fn mean_ln(factors: &[Complex<f64>]) -> f64 {
    let logs: Vec<f64> = factors
        .iter()
        .map(|f| f.norm())
        .filter(|f| *f > 0.0)
        .map(f64::ln)
        .collect();
    logs.iter().sum::<f64>() / logs.len().max(1) as f64
}

fn combine(seen: &[Seen], channels: usize) -> ChannelCalibration {
    // Scatter beyond the noise makes the directions weigh alike; without it the more exact ones count for more.
    let weight = |s: &Seen, k: usize| {
        if s.variance[k].is_finite() {
            (s.variance[k] + 1e-8).recip()
        } else {
            0.0
        }
    };
    let mut turns = vec![Complex::new(1.0, 0.0); seen.len()];
    let mut mean = seen[0].factors.clone();
    for _ in 0..ROUNDS {
        for (turn, s) in turns.iter_mut().zip(seen) {
            let common = dot(&s.factors, &mean);
            *turn = if common.norm() > 0.0 {
                common / common.norm()
            } else {
                Complex::new(1.0, 0.0)
            };
        }
        for (k, value) in mean.iter_mut().enumerate() {
            let total: f64 = seen.iter().map(|s| weight(s, k)).sum();
            *value = seen
                .iter()
                .zip(&turns)
                .map(|(s, t)| s.factors[k] * t * weight(s, k))
                .sum::<Complex<f64>>()
                / total;
        }
    }
    let size = mean_ln(&mean);
    let sum: Complex<f64> = mean.iter().sum();
    let back = if sum.norm() > 0.0 {
        sum.conj() / sum.norm()
    } else {
        Complex::new(1.0, 0.0)
    };
    let directions = seen.len() as f64;
    let list = (0..channels)
        .map(|k| {
            let total: f64 = seen.iter().map(|s| weight(s, k)).sum();
            let (mut gain, mut phase) = (0.0, 0.0);
            for (s, t) in seen.iter().zip(&turns) {
                if s.variance[k].is_finite() && mean[k].norm() > 0.0 {
                    let off = s.factors[k] * t / mean[k];
                    gain += weight(s, k) * off.norm().max(f64::MIN_POSITIVE).ln().powi(2);
                    phase += weight(s, k) * off.arg().powi(2);
                }
            }
            let scatter = |sum: f64| {
                let own = if seen.len() > 1 {
                    sum / total / (directions - 1.0)
                } else {
                    0.0
                };
                own.max(total.recip()).sqrt()
            };
            let factor = mean[k] * back;
            ChannelFactor {
                gain_db: ((factor.norm().max(f64::MIN_POSITIVE).ln() - size) / NATS_PER_DB)
                    .clamp(-MOST_GAIN_DB, MOST_GAIN_DB),
                phase_deg: factor.arg().to_degrees(),
                gain_sigma_db: (scatter(gain) / NATS_PER_DB).min(MOST_GAIN_DB),
                phase_sigma_deg: scatter(phase).to_degrees().min(MOST_PHASE_DEG),
            }
        })
        .collect();
    ChannelCalibration { channels: list }
}
