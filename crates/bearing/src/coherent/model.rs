//! Likelihood of a direction with the channels' errors integrated out.

use nalgebra::{Cholesky, DMatrix, SymmetricEigen};
use num_complex::Complex;

use super::burst::Burst;
use super::{ChannelCalibration, ChannelCovariance, ChannelNoise, CoherentConfig, Steering};

type ComplexMatrix = DMatrix<Complex<f64>>;

/// Steps of the size of the channels' errors, in nats, and how many to each side of the size most expected.
const ERROR_STEP_NATS: f64 = 0.5;
const ERROR_STEPS: i32 = 7;
/// Largest error tried, in units of the response: beyond half of it a channel says nothing.
const LARGEST_ERROR: f64 = 0.5;
/// Samples for each channel from which covariances between channels of the noise are believed.
const NOISE_SAMPLES_PER_CHANNEL: f64 = 10.0;
/// Nats of amplitude in a decibel.
pub(crate) const NATS_PER_DB: f64 = std::f64::consts::LN_10 / 20.0;

/// Size of the channels' errors, in units of what is most expected.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ErrorNode {
    pub(crate) size: f64,
    pub(crate) ln_weight: f64,
    /// Half the log determinant that the errors add.
    ln_volume: f64,
}

impl ErrorNode {
    /// Channels without error.
    pub(crate) fn exact() -> Self {
        Self {
            size: 0.0,
            ln_weight: 0.0,
            ln_volume: 0.0,
        }
    }
}

/// Bursts, manifold and channel errors, whitened.
pub(crate) struct Model<'a> {
    manifold: &'a dyn Steering,
    /// Whitening of the calibrated response, `[channel, channel]`.
    whitening: ComplexMatrix,
    pub(crate) bursts: Vec<Burst>,
    /// Direction of all bursts together and its complement, columns of unit length.
    top: Vec<Complex<f64>>,
    rest: Vec<Vec<Complex<f64>>>,
    /// Misfit of the bursts among each other: no direction explains it.
    common_misfit: f64,
    /// Takes a response to the principal axes of the likelihood of its deviation, `[axis, channel]`: the real part of
    /// the product counts, and less its imaginary part for the response turned by 90 degrees.
    axes: Vec<Vec<Complex<f64>>>,
    /// Square of the error of unit size along each axis, noise 1.
    error_axes: Vec<f64>,
    /// Size 1 of the channels' errors, in units of the response.
    expected_error: f64,
    pub(crate) nodes: Vec<ErrorNode>,
}

/// A direction against the bursts.
#[derive(Debug, Clone)]
pub(crate) struct Look {
    /// Deviation from the common direction on the principal axes.
    pub(crate) axes: Vec<f64>,
    /// Power that it misses in each burst.
    missed: Vec<f64>,
    /// Log likelihood that this would cost if the law were straight, channels without error.
    straight_loss: f64,
}

impl<'a> Model<'a> {
    /// Whitens the bursts. They have as many channels as the manifold.
    pub(crate) fn new(
        bursts: &[&ChannelCovariance],
        noise: Option<&ChannelNoise>,
        config: &'a CoherentConfig,
    ) -> Self {
        let manifold = &*config.manifold;
        let channels = manifold.channels();
        let noise = noise.filter(|n| n.covariance.channels() == channels);
        let all_samples: f64 = bursts.iter().map(|b| b.independent_samples()).sum();
        let (whitener, noise_samples, ratio) = noise.map_or_else(
            || (scale_only(bursts, channels), 0.0, 0.0),
            |n| whitener(n, all_samples, channels),
        );
        let bursts: Vec<Burst> = bursts
            .iter()
            .map(|b| {
                let white = &whitener * b.matrix() * whitener.adjoint();
                Burst::new(hermitian(&white), b.independent_samples(), noise_samples, ratio)
            })
            .collect();
        let calibration = config
            .calibration
            .as_ref()
            .filter(|c| c.channels().len() == channels);
        let mut whitening = whitener;
        if let Some(calibration) = calibration {
            for (k, factor) in calibration.factors().into_iter().enumerate() {
                whitening.column_mut(k).iter_mut().for_each(|v| *v *= factor);
            }
        }
        let mut model = Self {
            manifold,
            whitening,
            bursts,
            top: Vec::new(),
            rest: Vec::new(),
            common_misfit: 0.0,
            axes: Vec::new(),
            error_axes: Vec::new(),
            expected_error: expected_error(config),
            nodes: Vec::new(),
        };
        model.lay_axes(config, calibration);
        model
    }

    /// Finds the bursts' common direction and, around it, axes on which both the noise and the channels' errors are
    /// independent.
    fn lay_axes(&mut self, config: &CoherentConfig, calibration: Option<&ChannelCalibration>) {
        let channels = self.whitening.nrows();
        let mut sum = ComplexMatrix::zeros(channels, channels);
        for burst in &self.bursts {
            sum += burst.covariance.map(|v| v * burst.slope);
        }
        let ceiling: f64 = self.bursts.iter().map(|b| b.slope * b.top).sum();
        let eigen = SymmetricEigen::new(sum);
        let mut order: Vec<usize> = (0..channels).collect();
        order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
        let column = |k: usize| eigen.eigenvectors.column(k).iter().copied().collect::<Vec<_>>();
        self.top = column(order[0]);
        self.rest = order[1..].iter().map(|&k| column(k)).collect();
        self.common_misfit = (ceiling - eigen.eigenvalues[order[0]]).max(0.0);
        let stiffness: Vec<f64> = order[1..]
            .iter()
            .map(|&k| (ceiling - eigen.eigenvalues[k]).max(1e-9 * ceiling.max(1e-9)))
            .collect();
        let n = 2 * stiffness.len();
        let root = DMatrix::from_fn(n, n, |i, j| {
            if i == j {
                stiffness[i % stiffness.len()].sqrt()
            } else {
                0.0
            }
        });
        let unit = self.error_spread(
            &vec![expected_nats(config); channels],
            &vec![expected_rad(config); channels],
        );
        let known = calibration.map(|c| self.error_spread(&c.gain_sigma_nats(), &c.phase_sigma_rad()));
        // Noise and the calibration's own error together are the measure; against it the errors of unknown size are
        // turned onto their axes.
        let whole = known.map_or(DMatrix::identity(n, n), |k| {
            DMatrix::identity(n, n) + (&root * k * &root) * 2.0
        });
        let lower = Cholesky::new(whole).map_or(DMatrix::identity(n, n), |c| c.l());
        let inverse = lower.try_inverse().unwrap_or_else(|| DMatrix::identity(n, n));
        let measure = inverse * root;
        let spread = SymmetricEigen::new(&measure * unit * measure.transpose());
        let axes = spread.eigenvectors.transpose() * measure;
        let half = self.rest.len();
        self.axes = (0..n)
            .map(|i| {
                let weights: Vec<Complex<f64>> = (0..half)
                    .map(|j| Complex::new(axes[(i, j)], -axes[(i, half + j)]))
                    .collect();
                (0..channels)
                    .map(|k| {
                        weights
                            .iter()
                            .zip(&self.rest)
                            .map(|(w, axis)| w * axis[k].conj())
                            .sum()
                    })
                    .collect()
            })
            .collect();
        // The likelihood of a deviation is exp(-x^2): a variance of a half is the noise's own.
        self.error_axes = spread.eigenvalues.iter().map(|v| 2.0 * v.max(0.0)).collect();
        self.nodes = self.error_nodes(config);
    }

    /// Covariance of the deviation (real parts, then imaginary) that gain and phase errors of the channels give.
    fn error_spread(&self, gain_nats: &[f64], phase_rad: &[f64]) -> DMatrix<f64> {
        let channels = self.top.len();
        // The response as received, before whitening: errors act on it.
        let Some(inverse) = self.whitening.clone().try_inverse() else {
            return DMatrix::zeros(2 * self.rest.len(), 2 * self.rest.len());
        };
        let received: Vec<Complex<f64>> = (0..channels)
            .map(|i| (0..channels).map(|j| inverse[(i, j)] * self.top[j]).sum())
            .collect();
        let n = self.rest.len();
        let mut columns = DMatrix::zeros(2 * n, 2 * channels);
        for k in 0..channels {
            for (i, axis) in self.rest.iter().enumerate() {
                let along: Complex<f64> = (0..channels)
                    .map(|row| axis[row].conj() * self.whitening[(row, k)])
                    .sum();
                let moved = along * received[k];
                columns[(i, k)] = moved.re * gain_nats[k];
                columns[(n + i, k)] = moved.im * gain_nats[k];
                columns[(i, channels + k)] = -moved.im * phase_rad[k];
                columns[(n + i, channels + k)] = moved.re * phase_rad[k];
            }
        }
        &columns * columns.transpose()
    }

    fn error_nodes(&self, config: &CoherentConfig) -> Vec<ErrorNode> {
        let exact = if config.exact_share.is_finite() {
            config.exact_share.clamp(0.0, 1.0)
        } else {
            0.0
        };
        let expected = self.expected_error;
        let mut sizes = Vec::new();
        if expected > 0.0 && expected.is_finite() && exact < 1.0 {
            let spread = config.channel_error_ln_sigma.abs();
            let steps = if spread > 0.05 { ERROR_STEPS } else { 0 };
            for step in -steps..=steps {
                let nats = f64::from(step) * ERROR_STEP_NATS;
                if nats.exp() * expected < LARGEST_ERROR {
                    let bend = if steps == 0 { 0.0 } else { nats / spread };
                    sizes.push((nats.exp(), (-0.5 * bend * bend).exp()));
                }
            }
        }
        let total: f64 = sizes.iter().map(|s| s.1).sum();
        let exact = if sizes.is_empty() { 1.0 } else { exact };
        let mut all = vec![(0.0, exact)];
        all.extend(
            sizes
                .into_iter()
                .map(|(size, w)| (size, w / total * (1.0 - exact))),
        );
        all.into_iter()
            .filter(|n| n.1 > 1e-12)
            .map(|(size, weight)| ErrorNode {
                size,
                ln_weight: weight.ln(),
                ln_volume: 0.5
                    * self
                        .error_axes
                        .iter()
                        .map(|e| (size * size * e).ln_1p())
                        .sum::<f64>(),
            })
            .collect()
    }

    /// Holds the response from a direction of the mounting against the bursts.
    pub(crate) fn look(&self, azimuth_mount_deg: f64) -> Look {
        let unit = self.unit_response(azimuth_mount_deg);
        let mut straight_loss = 0.0;
        let missed = self
            .bursts
            .iter()
            .map(|burst| {
                let missed = burst.top - burst.explained(&unit).clamp(0.0, burst.top);
                straight_loss += burst.slope * missed;
                missed
            })
            .collect();
        let along = dot(&self.top, &unit);
        let turn = if along.norm() > 1e-12 {
            along.conj() / along.norm()
        } else {
            Complex::new(1.0, 0.0)
        };
        Look {
            axes: self.on_axes(&unit, turn).0,
            missed,
            straight_loss,
        }
    }

    /// Whitened response of unit length; the mean of all where the array hears nothing.
    pub(crate) fn unit_response(&self, azimuth_mount_deg: f64) -> Vec<Complex<f64>> {
        let channels = self.whitening.nrows();
        let mut raw = vec![Complex::default(); channels];
        self.manifold.response(azimuth_mount_deg, &mut raw);
        let mut unit = vec![Complex::default(); channels];
        for (column, value) in raw.iter().enumerate() {
            for (row, out) in unit.iter_mut().enumerate() {
                *out += self.whitening[(row, column)] * value;
            }
        }
        let length = unit.iter().map(Complex::norm_sqr).sum::<f64>().sqrt();
        if length > 0.0 && length.is_finite() {
            for value in &mut unit {
                *value /= length;
            }
        } else {
            unit.fill(Complex::new((channels as f64).sqrt().recip(), 0.0));
        }
        unit
    }

    /// Deviation of a response times a factor from the common direction, on the principal axes, and that of the same
    /// turned by 90 degrees.
    pub(crate) fn on_axes(&self, unit: &[Complex<f64>], factor: Complex<f64>) -> (Vec<f64>, Vec<f64>) {
        self.axes
            .iter()
            .map(|axis| {
                let value = axis.iter().zip(unit).map(|(a, u)| a * u).sum::<Complex<f64>>() * factor;
                (value.re, -value.im)
            })
            .unzip()
    }

    /// Square of a deviation, channel errors of a node allowed.
    pub(crate) fn misfit(&self, axes: &[f64], node: &ErrorNode) -> f64 {
        axes.iter()
            .zip(&self.error_axes)
            .map(|(x, e)| x * x / (1.0 + node.size * node.size * e))
            .sum()
    }

    /// Weight of each axis under a node.
    pub(crate) fn axis_weights(&self, node: &ErrorNode) -> Vec<f64> {
        self.error_axes
            .iter()
            .map(|e| (1.0 + node.size * node.size * e).recip())
            .collect()
    }

    /// Log likelihood of a direction under a node, its weight inside, below the best that any response could reach.
    ///
    /// Channel errors explain a part of what the direction misses: the bursts then miss that much less of their power.
    pub(crate) fn ln_node(&self, look: &Look, node: &ErrorNode) -> f64 {
        let with = self.common_misfit + self.misfit(&look.axes, node);
        let share = if look.straight_loss > 0.0 {
            (with / look.straight_loss).min(1.0)
        } else {
            1.0
        };
        let loss: f64 = self
            .bursts
            .iter()
            .zip(&look.missed)
            .map(|(burst, missed)| burst.loss(missed * share))
            .sum();
        node.ln_weight - node.ln_volume - loss
    }

    /// The same for a deviation in the straight form.
    pub(crate) fn ln_straight(&self, misfit: f64, node: &ErrorNode) -> f64 {
        node.ln_weight - node.ln_volume - self.common_misfit - misfit
    }

    /// Log likelihood of a direction, summed over the nodes.
    pub(crate) fn ln_likelihood(&self, azimuth_mount_deg: f64) -> f64 {
        let look = self.look(azimuth_mount_deg);
        ln_sum(self.nodes.iter().map(|node| self.ln_node(&look, node)))
    }

    /// Direction of all bursts together, whitened.
    pub(crate) fn top(&self) -> &[Complex<f64>] {
        &self.top
    }

    /// A node of a given error, in units of the response.
    pub(crate) fn node_of_error(&self, error: f64) -> ErrorNode {
        let size = if self.expected_error > 0.0 {
            error / self.expected_error
        } else {
            0.0
        };
        ErrorNode {
            size,
            ..ErrorNode::exact()
        }
    }

    /// Number of channels.
    pub(crate) fn channels(&self) -> usize {
        self.top.len()
    }
}

fn expected_error(config: &CoherentConfig) -> f64 {
    expected_rad(config).hypot(expected_nats(config))
}

/// Phase error most expected, 0 where it is no number.
fn expected_rad(config: &CoherentConfig) -> f64 {
    Some(config.phase_error_deg.abs().min(180.0).to_radians())
        .filter(|v| v.is_finite())
        .unwrap_or(0.0)
}

/// Gain error most expected, 0 where it is no number.
fn expected_nats(config: &CoherentConfig) -> f64 {
    Some(config.gain_error_db.abs().min(20.0) * NATS_PER_DB)
        .filter(|v| v.is_finite())
        .unwrap_or(0.0)
}

/// Logarithm of a sum of exponentials.
pub(crate) fn ln_sum(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = values.clone().fold(f64::NEG_INFINITY, f64::max);
    if most.is_finite() {
        most + values.map(|v| (v - most).exp()).sum::<f64>().ln()
    } else {
        f64::NEG_INFINITY
    }
}

pub(crate) fn dot(a: &[Complex<f64>], b: &[Complex<f64>]) -> Complex<f64> {
    a.iter().zip(b).map(|(a, b)| a.conj() * b).sum()
}

fn hermitian(m: &ComplexMatrix) -> ComplexMatrix {
    (m + m.adjoint()).map(|v| v * 0.5)
}

/// Equal noise of unknown level: only the scale is brought near 1.
fn scale_only(bursts: &[&ChannelCovariance], channels: usize) -> ComplexMatrix {
    let mean = bursts
        .iter()
        .map(|b| b.matrix().trace().re / channels as f64)
        .sum::<f64>()
        / bursts.len().max(1) as f64;
    let scale = if mean > 0.0 { mean.sqrt().recip() } else { 1.0 };
    ComplexMatrix::identity(channels, channels).map(|v| v * scale)
}

/// Inverse root of the noise covariance, samples to which its level is known, and samples of the bursts over its own.
fn whitener(noise: &ChannelNoise, burst_samples: f64, channels: usize) -> (ComplexMatrix, f64, f64) {
    let samples = noise.covariance.independent_samples();
    let matrix = noise.covariance.matrix();
    let mean = matrix.trace().re / channels as f64;
    // A dead channel has no noise: a millionth of the mean keeps it from counting without limit.
    let diagonal = ComplexMatrix::from_fn(channels, channels, |i, j| {
        if i == j {
            Complex::new(matrix[(i, i)].re.max(1e-6 * mean), 0.0)
        } else {
            Complex::default()
        }
    });
    let mut full = matrix.clone();
    for k in 0..channels {
        full[(k, k)] = diagonal[(k, k)];
    }
    let believed = samples >= NOISE_SAMPLES_PER_CHANNEL * channels as f64;
    let lower = believed
        .then(|| Cholesky::new(full))
        .flatten()
        .or_else(|| Cholesky::new(diagonal))
        .map(|c| c.l());
    let inverse = lower
        .and_then(ComplexMatrix::try_inverse)
        .filter(|m| m.iter().all(|v| v.re.is_finite() && v.im.is_finite()))
        .unwrap_or_else(|| ComplexMatrix::identity(channels, channels).map(|v| v / mean.sqrt()));
    let level_sigma = if noise.level_rel_sigma.is_finite() {
        noise.level_rel_sigma
    } else {
        1.0
    };
    let level_var = level_sigma.powi(2) + (samples * channels as f64).recip();
    (inverse, level_var.recip(), burst_samples / samples)
}
