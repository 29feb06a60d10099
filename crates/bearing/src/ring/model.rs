//! State-space model of a carrier's phase: phase, frequency and rate of frequency, the last driven by white noise.
#![expect(clippy::needless_range_loop, reason = "indices of small matrices")]

/// Number of states.
const N: usize = 3;

/// Phase in radians, its first and its second derivative by time in units.
pub(super) type Course = [f64; N];

/// Covariance of a state.
pub(super) type Cov = [[f64; N]; N];

/// The transition over a time.
pub(super) struct Step {
    pub(super) dt: f64,
    f: Cov,
    noise: Cov,
}

impl Step {
    /// `q` is the density of the noise that drives the rate of frequency, rad^2 per unit^5.
    pub(super) fn new(dt: f64, q: f64) -> Self {
        let (d2, d3) = (dt * dt, dt * dt * dt);
        let mut noise = [
            [d2 * d3 / 20.0, d2 * d2 / 8.0, d3 / 6.0],
            [d2 * d2 / 8.0, d3 / 3.0, d2 / 2.0],
            [d3 / 6.0, d2 / 2.0, dt],
        ];
        for value in noise.as_flattened_mut() {
            *value *= q;
        }
        Self {
            dt,
            f: [[1.0, dt, 0.5 * d2], [0.0, 1.0, dt], [0.0, 0.0, 1.0]],
            noise,
        }
    }

    pub(super) fn state(&self, x: &Course) -> Course {
        let mut out = [0.0; N];
        for i in 0..N {
            for j in 0..N {
                out[i] += self.f[i][j] * x[j];
            }
        }
        out
    }

    /// The transposed transition.
    pub(super) fn back(&self, r: &Course) -> Course {
        let mut out = [0.0; N];
        for i in 0..N {
            for j in 0..N {
                out[j] += self.f[i][j] * r[i];
            }
        }
        out
    }

    pub(super) fn cov(&self, p: &Cov) -> Cov {
        let mut half = [[0.0; N]; N];
        for i in 0..N {
            for k in 0..N {
                for j in 0..N {
                    half[i][j] += self.f[i][k] * p[k][j];
                }
            }
        }
        // One half is mirrored: an asymmetry by rounding would grow from step to step.
        let mut out = self.noise;
        for i in 0..N {
            for j in i..N {
                let mut sum = out[i][j];
                for k in 0..N {
                    sum += half[i][k] * self.f[j][k];
                }
                out[i][j] = sum;
                out[j][i] = sum;
            }
        }
        out
    }
}

/// What is known before the first measurement: nearly nothing.
pub(super) fn start(phase: f64) -> Cov {
    [[phase, 0.0, 0.0], [0.0, 400.0, 0.0], [0.0, 0.0, 1e4]]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_steps_are_one_long_step() {
        let (a, b, both) = (Step::new(0.2, 0.7), Step::new(0.5, 0.7), Step::new(0.7, 0.7));
        let p = start(1.0);
        let (one, two) = (both.cov(&p), b.cov(&a.cov(&p)));
        for i in 0..N {
            for j in 0..N {
                assert!((one[i][j] - two[i][j]).abs() < 1e-9 * (1.0 + one[i][j].abs()));
            }
        }
    }
}
