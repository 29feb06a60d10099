//! Mean powers and how much the power varies.

use lobewright_types::Sample;

/// Mean power of samples and its spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerStats {
    /// Samples seen.
    pub count: u64,
    /// Mean of `|x|^2`, 1.0 = full scale.
    pub mean_power_lin: f64,
    /// Variance of `|x|^2` over the square of its mean: 0 for a constant envelope, 1 for complex Gaussian noise.
    pub relative_variance: f64,
}

/// Gathers the power of a stream of samples.
///
/// # Example
/// ```
/// use lobewright_dsp::MeanPower;
/// use lobewright_types::Sample;
/// let mut power = MeanPower::default();
/// power.push(&[Sample::new(0.5, 0.0), Sample::new(0.0, -0.5)]);
/// let stats = power.stats().expect("two samples were pushed");
/// assert!((stats.mean_power_lin - 0.25).abs() < 1e-12 && stats.relative_variance < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct MeanPower {
    count: u64,
    sum: f64,
    sum_of_squares: f64,
}

impl MeanPower {
    /// Takes samples; the result does not depend on how they are cut up.
    pub fn push(&mut self, samples: &[Sample]) {
        for s in samples {
            let power = f64::from(s.re) * f64::from(s.re) + f64::from(s.im) * f64::from(s.im);
            self.sum += power;
            self.sum_of_squares += power * power;
        }
        self.count += samples.len() as u64;
    }

    /// What was gathered; `None` before the first sample, or where a sample was not finite. The relative variance of
    /// silence is 0.
    pub fn stats(&self) -> Option<PowerStats> {
        if self.count == 0 || !self.sum_of_squares.is_finite() {
            return None;
        }
        let n = self.count as f64;
        let mean = self.sum / n;
        let relative_variance = if mean * mean > 0.0 {
            (self.sum_of_squares / n / (mean * mean) - 1.0).max(0.0)
        } else {
            0.0
        };
        Some(PowerStats {
            count: self.count,
            mean_power_lin: mean,
            relative_variance,
        })
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        *self = Self::default();
    }
}
