//! Covariance of the channels of a coherent receiver.

use std::cmp::Ordering;

use nalgebra::DMatrix;
use ndarray::ArrayView2;
use num_complex::Complex;

/// Fewest and most channels.
pub(crate) const CHANNELS: std::ops::RangeInclusive<usize> = 2..=64;
/// Relative difference of mirrored elements up to which a matrix counts as Hermitian.
const HERMITIAN_REL: f64 = 1e-6;

/// Numbers that make no covariance.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CovarianceError {
    /// Not a square of 2 to 64 channels.
    #[error("a covariance of {rows} x {columns} elements: it must be square, of 2 to 64 channels")]
    Shape {
        /// Rows given.
        rows: usize,
        /// Columns given.
        columns: usize,
    },
    /// An element that is not finite.
    #[error("covariance of channels {row} and {column} (from 0) is not a finite number")]
    NotFinite {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
    },
    /// Elements that do not mirror each other, or a power below zero.
    #[error(
        "covariance of channels {row} and {column} (from 0) is not the conjugate of its mirror, or a power below 0"
    )]
    NotHermitian {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
    },
    /// No power in any channel.
    #[error("the channels hold no power")]
    NoPower,
    /// A number of samples that is no number of samples.
    #[error("{0} independent samples: it must be a finite number above 0")]
    Samples(f64),
}

/// Mean of `x x^H` over a stretch of time, `x` the samples of all channels at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelCovariance {
    matrix: DMatrix<Complex<f64>>,
    independent_samples: f64,
    clip_fraction: f64,
}

impl ChannelCovariance {
    /// Takes a covariance.
    ///
    /// # Inputs
    /// `matrix`: `[channel, channel]`, Hermitian, full scale 1.0. `independent_samples`: noise bandwidth of the
    /// channel times the length in seconds, whatever the signal's own bandwidth (see the module). `clip_fraction`:
    /// share of the input samples at full scale.
    ///
    /// # Errors
    /// [`CovarianceError`] for every other matrix or number.
    pub fn new(
        matrix: &DMatrix<Complex<f64>>,
        independent_samples: f64,
        clip_fraction: f64,
    ) -> Result<Self, CovarianceError> {
        let (rows, columns) = matrix.shape();
        if rows != columns || !CHANNELS.contains(&rows) {
            return Err(CovarianceError::Shape { rows, columns });
        }
        if !(independent_samples > 0.0 && independent_samples.is_finite()) {
            return Err(CovarianceError::Samples(independent_samples));
        }
        let not_finite = |(row, column): (usize, usize)| {
            let v = matrix[(row, column)];
            !(v.re.is_finite() && v.im.is_finite() && v.norm_sqr().is_finite())
        };
        let places = || (0..rows).flat_map(|row| (0..rows).map(move |column| (row, column)));
        if let Some((row, column)) = places().find(|&at| not_finite(at)) {
            return Err(CovarianceError::NotFinite { row, column });
        }
        let power = (0..rows).map(|k| matrix[(k, k)].re.abs()).fold(0.0, f64::max);
        let bad = |(row, column): (usize, usize)| {
            let off = matrix[(row, column)] - matrix[(column, row)].conj();
            off.norm() > HERMITIAN_REL * power || matrix[(row, row)].re < 0.0
        };
        if let Some((row, column)) = places().find(|&at| bad(at)) {
            return Err(CovarianceError::NotHermitian { row, column });
        }
        if power <= 0.0 || !(1.0 / power).is_finite() {
            return Err(CovarianceError::NoPower);
        }
        let matrix = (matrix + matrix.adjoint()).map(|v| v * 0.5);
        Ok(Self {
            matrix,
            independent_samples,
            clip_fraction: if clip_fraction.is_finite() {
                clip_fraction.clamp(0.0, 1.0)
            } else {
                1.0
            },
        })
    }

    /// Averages a block of samples, `[channel, sample]`.
    ///
    /// # Errors
    /// As [`ChannelCovariance::new`].
    ///
    /// # Example
    /// ```
    /// use lobewright_bearing::coherent::ChannelCovariance;
    /// use ndarray::array;
    /// use num_complex::Complex;
    /// let one = Complex::new(1.0_f32, 0.0);
    /// let block = array![[one, -one], [one, -one]];
    /// let covariance = ChannelCovariance::from_samples(&block.view(), 2.0)?;
    /// assert!((covariance.matrix()[(0, 1)].re - 1.0).abs() < 1e-12);
    /// # Ok::<(), lobewright_bearing::coherent::CovarianceError>(())
    /// ```
    pub fn from_samples(
        samples: &ArrayView2<'_, Complex<f32>>,
        independent_samples: f64,
    ) -> Result<Self, CovarianceError> {
        let (channels, count) = samples.dim();
        let mut sum = HermitianSum::new(channels);
        sum.add(samples);
        Self::new(&sum.mean(count as f64), independent_samples, 0.0)
    }

    /// `[channel, channel]`, Hermitian, full scale 1.0.
    pub fn matrix(&self) -> &DMatrix<Complex<f64>> {
        &self.matrix
    }

    /// Number of channels.
    pub fn channels(&self) -> usize {
        self.matrix.nrows()
    }

    /// Number of independent samples of the noise that the mean stands for.
    pub fn independent_samples(&self) -> f64 {
        self.independent_samples
    }

    /// Share of the input samples at full scale, of all channels.
    pub fn clip_fraction(&self) -> f64 {
        self.clip_fraction
    }
}

/// Sum of `x x^H`, one sample after the other: the result does not depend on how a stretch was cut.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct HermitianSum {
    channels: usize,
    /// Lower triangle, row by row.
    lower: Vec<Complex<f64>>,
}

impl HermitianSum {
    pub(crate) fn new(channels: usize) -> Self {
        Self {
            channels,
            lower: vec![Complex::default(); channels * (channels + 1) / 2],
        }
    }

    /// Adds samples, `[channel, sample]`.
    pub(crate) fn add(&mut self, samples: &ArrayView2<'_, Complex<f32>>) {
        let mut at = 0;
        for row in 0..self.channels {
            for column in 0..=row {
                let mut sum = self.lower[at];
                for (a, b) in samples.row(row).iter().zip(samples.row(column)) {
                    let (a, b) = (widen(*a), widen(*b));
                    sum += a * b.conj();
                }
                self.lower[at] = sum;
                at += 1;
            }
        }
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        for (a, b) in self.lower.iter_mut().zip(&other.lower) {
            *a += b;
        }
    }

    pub(crate) fn mean(&self, count: f64) -> DMatrix<Complex<f64>> {
        let value = |row: usize, column: usize| self.lower[row * (row + 1) / 2 + column] / count.max(1.0);
        DMatrix::from_fn(self.channels, self.channels, |row, column| {
            match row.cmp(&column) {
                Ordering::Equal => Complex::new(value(row, row).re, 0.0),
                Ordering::Greater => value(row, column),
                Ordering::Less => value(column, row).conj(),
            }
        })
    }
}

fn widen(v: Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(v.re), f64::from(v.im))
}
