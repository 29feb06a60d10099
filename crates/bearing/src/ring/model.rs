//! State-space models of the signal's phase.
//!
//! A carrier: phase, frequency and rate of frequency, the last driven by white noise. A frequency-modulated signal: a
//! carrier, and a stationary process of the Matern family with smoothness 5/2 beside it (Hartikainen & Sarkka, *Kalman
//! filtering and smoothing solutions to temporal Gaussian process regression models*, 2010): speech has no steady part, so
//! its phase stays near the carrier's, and its band ends.
#![expect(clippy::needless_range_loop, reason = "indices of small matrices")]

/// Covariance of a state.
pub(super) type Cov<const N: usize> = [[f64; N]; N];

/// States of a carrier.
pub(super) const CARRIER: usize = 3;
/// States of a carrier and its modulation.
pub(super) const MODULATED: usize = 6;

/// A modulation's size and band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Band {
    /// Phase, radians, 1 sigma.
    pub(super) sigma: f64,
    /// Where its spectrum begins to fall, radians per unit of time.
    pub(super) edge: f64,
}

/// A model with its numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Model {
    /// Density of the noise that drives the carrier's rate of frequency, rad^2 per unit^5.
    pub(super) q: f64,
    pub(super) band: Option<Band>,
}

/// The transition over a time.
pub(super) struct Step<const N: usize> {
    pub(super) dt: f64,
    pub(super) f: Cov<N>,
    noise: Cov<N>,
}

impl<const N: usize> Step<N> {
    pub(super) fn new(dt: f64, model: &Model) -> Self {
        let mut f = [[0.0; N]; N];
        let mut noise = [[0.0; N]; N];
        let taylor = [[1.0, dt, 0.5 * dt * dt], [0.0, 1.0, dt], [0.0, 0.0, 1.0]];
        let (d2, d3) = (dt * dt, dt * dt * dt);
        let driven = [
            [d2 * d3 / 20.0, d2 * d2 / 8.0, d3 / 6.0],
            [d2 * d2 / 8.0, d3 / 3.0, d2 / 2.0],
            [d3 / 6.0, d2 / 2.0, dt],
        ];
        for i in 0..CARRIER {
            for j in 0..CARRIER {
                f[i][j] = taylor[i][j];
                noise[i][j] = model.q * driven[i][j];
            }
        }
        if N == MODULATED
            && let Some(band) = model.band
        {
            let own = matern(dt, band.edge);
            let still = stationary(band);
            for i in 0..3 {
                for j in 0..3 {
                    f[3 + i][3 + j] = own[i][j];
                    let mut gone = 0.0;
                    for k in 0..3 {
                        for l in 0..3 {
                            gone += own[i][k] * still[k][l] * own[j][l];
                        }
                    }
                    noise[3 + i][3 + j] = still[i][j] - gone;
                }
            }
        }
        Self { dt, f, noise }
    }

    pub(super) fn state(&self, x: &[f64; N]) -> [f64; N] {
        let mut out = [0.0; N];
        for i in 0..N {
            for j in 0..N {
                out[i] += self.f[i][j] * x[j];
            }
        }
        out
    }

    /// The transposed transition.
    pub(super) fn back(&self, r: &[f64; N]) -> [f64; N] {
        let mut out = [0.0; N];
        for i in 0..N {
            for j in 0..N {
                out[j] += self.f[i][j] * r[i];
            }
        }
        out
    }

    pub(super) fn cov(&self, p: &Cov<N>) -> Cov<N> {
        let mut half = [[0.0; N]; N];
        for i in 0..N {
            for k in 0..N {
                let t = self.f[i][k];
                if t != 0.0 {
                    for j in 0..N {
                        half[i][j] += t * p[k][j];
                    }
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

/// What is known before the first measurement: of the carrier nearly nothing, of the modulation its size.
pub(super) fn start<const N: usize>(model: &Model, phase: f64) -> Cov<N> {
    let mut p = [[0.0; N]; N];
    for (i, size) in [phase, 400.0, 1e4].into_iter().enumerate() {
        p[i][i] = size;
    }
    if N == MODULATED
        && let Some(band) = model.band
    {
        let still = stationary(band);
        for i in 0..3 {
            for j in 0..3 {
                p[3 + i][3 + j] = still[i][j];
            }
        }
    }
    p
}

/// Covariance of a state with the measured phase: the sum of the carrier's and the modulation's.
pub(super) fn with_phase<const N: usize>(p: &Cov<N>) -> [f64; N] {
    let mut out = [0.0; N];
    for i in 0..N {
        out[i] = if N == MODULATED {
            p[i][0] + p[i][3]
        } else {
            p[i][0]
        };
    }
    out
}

/// Phase, frequency and rate of frequency of all of it together.
pub(super) fn together<const N: usize>(x: &[f64; N]) -> [f64; 3] {
    if N == MODULATED {
        [x[0] + x[3], x[1] + x[4], x[2] + x[5]]
    } else {
        [x[0], x[1], x[2]]
    }
}

pub(super) fn phase<const N: usize>(x: &[f64; N]) -> f64 {
    if N == MODULATED { x[0] + x[3] } else { x[0] }
}

fn matern(dt: f64, l: f64) -> [[f64; 3]; 3] {
    let (x, e) = (l * dt, (-l * dt).exp());
    let mut f = [
        [0.5 * (x * x + 2.0 * x + 2.0), dt * (x + 1.0), 0.5 * dt * dt],
        [-0.5 * l * x * x, -(x * x - x - 1.0), -0.5 * dt * (x - 2.0)],
        [
            0.5 * l * l * x * (x - 2.0),
            l * x * (x - 3.0),
            0.5 * (x * x - 4.0 * x + 2.0),
        ],
    ];
    for row in &mut f {
        for v in row {
            *v *= e;
        }
    }
    f
}

fn stationary(band: Band) -> [[f64; 3]; 3] {
    let (s, l2) = (band.sigma * band.sigma, band.edge * band.edge);
    [
        [s, 0.0, -s * l2 / 3.0],
        [0.0, s * l2 / 3.0, 0.0],
        [-s * l2 / 3.0, 0.0, s * l2 * l2],
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    // Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), equation 4.17: covariance of the Matern
    // process of smoothness 5/2.
    #[test]
    fn the_modulation_has_the_published_covariance() {
        let band = Band {
            sigma: 1.3,
            edge: 2.0,
        };
        for dt in [0.01, 0.3, 1.0, 4.0] {
            let f = matern(dt, band.edge);
            let still = stationary(band);
            let found: f64 = (0..3).map(|k| f[0][k] * still[k][0]).sum();
            let x = band.edge * dt;
            let expected = band.sigma.powi(2) * (1.0 + x + x * x / 3.0) * (-x).exp();
            assert!((found - expected).abs() < 1e-12, "{dt}: {found} {expected}");
        }
    }

    #[test]
    fn two_steps_are_one_long_step() {
        let model = Model {
            q: 0.7,
            band: Some(Band {
                sigma: 0.5,
                edge: 3.0,
            }),
        };
        let (a, b, both): (Step<6>, Step<6>, Step<6>) = (
            Step::new(0.2, &model),
            Step::new(0.5, &model),
            Step::new(0.7, &model),
        );
        let p = start(&model, 1.0);
        let (one, two) = (both.cov(&p), b.cov(&a.cov(&p)));
        for i in 0..6 {
            for j in 0..6 {
                assert!((one[i][j] - two[i][j]).abs() < 1e-9 * (1.0 + one[i][j].abs()));
            }
        }
    }
}
