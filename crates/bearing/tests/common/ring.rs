//! I/Q of a switched ring drawn from the model of a wave on an array, and the bounds for it.

#![allow(dead_code, reason = "each user takes a part")]
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "sample numbers and sample values of small scenes"
)]

use std::f64::consts::TAU;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use lobewright_antenna::{Manifold, SwitchSchedule};
use lobewright_bearing::{RingBurst, RingConfig};
use lobewright_types::{Azimuth, Sample};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

type C64 = Complex<f64>;

/// `square4_NAME` or another set of files of the test data, one a port, computed with NEC-2.
pub(crate) fn computed(prefix: &str) -> Arc<Manifold> {
    let files = (1..=4).map(|port| {
        let name = format!("{prefix}{port}");
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../testdata/antennas/{name}.csv"));
        (File::open(path).expect("a file of the test data"), name)
    });
    Arc::new(Manifold::from_element_csv(files).expect("valid files"))
}

pub(crate) fn ideal(elements: usize, radius_wavelengths: f64) -> Arc<Manifold> {
    Arc::new(Manifold::ring(elements, radius_wavelengths, 45.0).expect("a valid ring"))
}

/// What the transmitter sends; power 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Signal {
    Carrier,
    /// Frequency modulation by one tone.
    Tone {
        deviation_hz: f64,
        tone_hz: f64,
    },
    /// Frequency modulation by Gaussian noise between 300 and 3000 Hz, as speech is; deviation rms.
    Voice {
        deviation_hz: f64,
    },
    /// Complex Gaussian noise of this bandwidth.
    Noise {
        bandwidth_hz: f64,
    },
    /// A carrier with Rayleigh fading of this Doppler spread (Gaussian spectrum, 1 sigma).
    Fading {
        doppler_hz: f64,
        rician_k: f64,
    },
}

/// A recording of one burst.
#[derive(Debug, Clone)]
pub(crate) struct RingScene {
    pub(crate) manifold: Arc<Manifold>,
    pub(crate) schedule: SwitchSchedule,
    pub(crate) signal: Signal,
    pub(crate) rate_hz: f64,
    pub(crate) length_s: f64,
    /// Signal (at response 1) over noise in the whole band of `rate_hz`.
    pub(crate) snr_db: f64,
    pub(crate) carrier_hz: f64,
    /// Error of the ports: phase in radians and level in nats, 1 sigma each.
    pub(crate) port_error: f64,
    /// The true switch: what the receiver is told may differ.
    pub(crate) true_start_s: f64,
    pub(crate) true_ratio: f64,
    /// Jitter of each switching instant, 1 sigma.
    pub(crate) jitter_s: f64,
}

impl RingScene {
    /// One millisecond a port, a tenth of it dropped, 48 kS/s.
    pub(crate) fn new(manifold: &Arc<Manifold>, signal: Signal, snr_db: f64, length_s: f64) -> Self {
        let order: Vec<u16> = (0..u16::try_from(manifold.ports()).expect("few")).collect();
        Self {
            manifold: manifold.clone(),
            schedule: SwitchSchedule::cycle(&order, 1e-3, 1e-4)
                .expect("a valid cycle")
                .with_start(0.000_31),
            signal,
            rate_hz: 48_000.0,
            length_s,
            snr_db,
            carrier_hz: 730.0,
            port_error: 0.0,
            true_start_s: 0.000_31,
            true_ratio: 1.0,
            jitter_s: 0.0,
        }
    }

    pub(crate) fn config(&self) -> RingConfig {
        let mut config = RingConfig::new(
            self.manifold.clone(),
            self.schedule.clone(),
            Azimuth::from_degrees(0.0),
            0.0,
        );
        // The scene's receiver knows how good its manifold is.
        config.phase_error_typical_deg = self.port_error.to_degrees();
        config.phase_error_ln_sigma = 0.5;
        config
    }

    pub(crate) fn noise(&self) -> f64 {
        10_f64.powf(-self.snr_db / 10.0)
    }

    pub(crate) fn burst<'a>(&self, samples: &'a [Sample]) -> RingBurst<'a> {
        RingBurst {
            samples,
            rate_hz: self.rate_hz,
            start_s: 0.0,
            noise_power_lin: self.noise(),
            independent_hz: self.rate_hz,
            clipped: Vec::new(),
        }
    }

    /// The switch as it is.
    pub(crate) fn truth(&self) -> SwitchSchedule {
        self.schedule
            .with_start(self.true_start_s)
            .with_clock_ratio(self.true_ratio)
    }

    fn count(&self) -> usize {
        (self.length_s * self.rate_hz) as usize
    }

    /// Samples of one burst from an azimuth of the mounting.
    pub(crate) fn draw(&self, azimuth_deg: f64, rng: &mut ChaCha8Rng) -> Vec<Sample> {
        let mut response = vec![C64::new(0.0, 0.0); self.manifold.ports()];
        self.manifold.response(azimuth_deg, &mut response);
        for r in &mut response {
            *r *= C64::from_polar(
                (self.port_error * normal(rng)).exp(),
                self.port_error * normal(rng),
            );
        }
        let truth = self
            .schedule
            .with_start(self.true_start_s)
            .with_clock_ratio(self.true_ratio);
        let signal = self.signal_samples(rng);
        let size = (self.noise() / 2.0).sqrt();
        // The switch: instants drawn once each.
        let mut jitter = 0.0;
        let mut port_before = None;
        signal
            .into_iter()
            .enumerate()
            .map(|(k, s)| {
                let t = k as f64 / self.rate_hz;
                let port = truth.port_at(t - jitter);
                if port != port_before {
                    port_before = port;
                    jitter = (self.jitter_s * normal(rng)).clamp(-3.0 * self.jitter_s, 3.0 * self.jitter_s);
                }
                let y = port.map_or(C64::new(0.0, 0.0), |p| s * response[usize::from(p)]);
                Sample::new(
                    (y.re + size * normal(rng)) as f32,
                    (y.im + size * normal(rng)) as f32,
                )
            })
            .collect()
    }

    fn signal_samples(&self, rng: &mut ChaCha8Rng) -> Vec<C64> {
        let n = self.count();
        let turn = |k: usize| TAU * self.carrier_hz * k as f64 / self.rate_hz;
        let start = TAU * uniform(rng);
        let time = |k: usize| k as f64 / self.rate_hz;
        match self.signal {
            Signal::Carrier => (0..n).map(|k| C64::cis(turn(k) + start)).collect(),
            Signal::Tone {
                deviation_hz,
                tone_hz,
            } => {
                let phase = TAU * uniform(rng);
                (0..n)
                    .map(|k| {
                        let modulation = deviation_hz / tone_hz * (TAU * tone_hz * time(k) + phase).sin();
                        C64::cis(turn(k) + start + modulation)
                    })
                    .collect()
            }
            Signal::Voice { deviation_hz } => {
                let tones: Vec<(f64, f64, f64)> = (0..voice_tones())
                    .map(|i| {
                        let f = voice_tone_hz(i) + 50.0 * (uniform(rng) - 0.5);
                        let size = deviation_hz / f * (1.0 / voice_tones() as f64).sqrt();
                        (f, size * normal(rng), size * normal(rng))
                    })
                    .collect();
                let mut phase = vec![0.0; n];
                for (f, a, b) in tones {
                    let step = C64::cis(TAU * f / self.rate_hz);
                    let mut turn = C64::new(1.0, 0.0);
                    for p in &mut phase {
                        *p += a * turn.re + b * turn.im;
                        turn *= step;
                    }
                }
                (0..n).map(|k| C64::cis(turn(k) + start + phase[k])).collect()
            }
            Signal::Noise { bandwidth_hz } => {
                let noise = slow_noise(n, self.rate_hz, bandwidth_hz / 2.5, rng);
                (0..n).map(|k| noise[k] * C64::cis(turn(k))).collect()
            }
            Signal::Fading { doppler_hz, rician_k } => {
                let noise = slow_noise(n, self.rate_hz, doppler_hz, rng);
                let (steady, moving) = (
                    (rician_k / (1.0 + rician_k)).sqrt(),
                    (1.0 / (1.0 + rician_k)).sqrt(),
                );
                (0..n)
                    .map(|k| (noise[k] * moving + steady) * C64::cis(turn(k) + start))
                    .collect()
            }
        }
    }
}

fn voice_tones() -> usize {
    54
}

fn voice_tone_hz(i: usize) -> f64 {
    325.0 + 50.0 * i as f64
}

/// Complex Gaussian noise of power 1 with a Gaussian spectrum of standard deviation `sigma_hz`, as a sum of many
/// waves.
fn slow_noise(n: usize, rate_hz: f64, sigma_hz: f64, rng: &mut ChaCha8Rng) -> Vec<C64> {
    const WAVES: usize = 64;
    let mut out = vec![C64::new(0.0, 0.0); n];
    for _ in 0..WAVES {
        let step = C64::cis(TAU * sigma_hz * normal(rng) / rate_hz);
        let mut turn = C64::new(normal(rng), normal(rng)) / (2.0 * WAVES as f64).sqrt();
        for o in &mut out {
            *o += turn;
            turn *= step;
        }
    }
    out
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

pub(crate) fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    rng.random::<f64>()
}

/// Sample numbers used and their ports.
fn used(scene: &RingScene) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    for dwell in scene.truth().dwells(0.0, scene.length_s) {
        let first = (dwell.start_s * scene.rate_hz - 1e-6).ceil() as usize;
        let stop = ((dwell.stop_s * scene.rate_hz - 1e-6).ceil() as usize).min(scene.count());
        out.extend((first..stop).map(|k| (k, usize::from(dwell.port))));
    }
    out
}

/// Derivatives of log amplitude and phase of each port by azimuth, per radian, and the amplitudes.
fn slopes(manifold: &Manifold, azimuth_deg: f64) -> Vec<(f64, f64, f64)> {
    let at = |deg: f64| {
        let mut out = vec![C64::new(0.0, 0.0); manifold.ports()];
        manifold.response(deg, &mut out);
        out
    };
    let h = 0.05_f64;
    let (a, b, c) = (at(azimuth_deg - h), at(azimuth_deg), at(azimuth_deg + h));
    (0..manifold.ports())
        .map(|p| {
            let d = (c[p] - a[p]) / (2.0 * h.to_radians()) / b[p];
            (d.re, d.im, b[p].norm())
        })
        .collect()
}

/// Cramer-Rao bound of the azimuth in degrees for an unmodulated carrier: amplitude, phase and frequency unknown, the
/// manifold known (Kay, *Fundamentals of Statistical Signal Processing: Estimation Theory*, 1993, section 15.7: a
/// deterministic signal in white complex Gaussian noise).
pub(crate) fn carrier_bound_deg(scene: &RingScene, azimuth_deg: f64) -> f64 {
    let slopes = slopes(&scene.manifold, azimuth_deg);
    let mut fisher = DMatrix::<f64>::zeros(4, 4);
    for (k, port) in used(scene) {
        let (level, phase, size) = slopes[port];
        // Derivatives of ln(signal) by azimuth, ln amplitude, phase and frequency.
        let t = k as f64 / scene.rate_hz / scene.length_s - 0.5;
        let d = [
            C64::new(level, phase),
            C64::new(1.0, 0.0),
            C64::new(0.0, 1.0),
            C64::new(0.0, t),
        ];
        for i in 0..4 {
            for j in 0..4 {
                fisher[(i, j)] += 2.0 * size * size / scene.noise() * (d[i].conj() * d[j]).re;
            }
        }
    }
    fisher
        .try_inverse()
        .expect("four things to find")
        .view((0, 0), (1, 1))[(0, 0)]
        .sqrt()
        .to_degrees()
}

/// The same for a signal whose phase is a Gaussian process of known covariance, seen in the means of `parts` of each
/// dwell: the hybrid bound (Van Trees & Bell, *Bayesian Bounds*, 2007) with azimuth, amplitude, phase and frequency
/// unknown and the modulation drawn from its own statistics.
pub(crate) fn voice_bound_deg(scene: &RingScene, azimuth_deg: f64, parts: usize) -> f64 {
    let Signal::Voice { deviation_hz } = scene.signal else {
        panic!("for speech only");
    };
    let slopes = slopes(&scene.manifold, azimuth_deg);
    let (mut times, mut level, mut phase, mut variance) = (vec![], vec![], vec![], vec![]);
    for dwell in scene.schedule.dwells(0.0, scene.length_s) {
        let (dl, dp, size) = slopes[usize::from(dwell.port)];
        let length = (dwell.stop_s - dwell.start_s) / parts as f64;
        for i in 0..parts {
            times.push(dwell.start_s + (i as f64 + 0.5) * length);
            level.push(dl);
            phase.push(dp);
            variance.push(scene.noise() / 2.0 / (length * scene.rate_hz) / (size * size));
        }
    }
    let n = times.len();
    // Covariance of the phase: the sum of the tones it is drawn from, and a free phase and frequency.
    let covariance = |dt: f64| {
        (0..voice_tones())
            .map(|i| {
                let f = voice_tone_hz(i);
                // The tone's frequency is spread over 50 Hz, which fills the band evenly.
                let x = std::f64::consts::PI * 50.0 * dt;
                let spread = if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                (deviation_hz / f).powi(2) / voice_tones() as f64 * (TAU * f * dt).cos() * spread
            })
            .sum::<f64>()
    };
    let k = DMatrix::from_fn(n, n, |i, j| {
        let own = if i == j { variance[i] } else { 0.0 };
        own + covariance(times[i] - times[j]) + 1e3 + 1e3 * times[i] * times[j] / scene.length_s.powi(2)
    });
    let u = DVector::from_vec(phase);
    let by_phase = u.dot(&k.cholesky().expect("a covariance").solve(&u));
    let w: Vec<f64> = variance.iter().map(|v| 1.0 / v).collect();
    let sum = |f: &dyn Fn(usize) -> f64| (0..n).map(f).sum::<f64>();
    let by_level = sum(&|i| w[i] * level[i] * level[i]) - sum(&|i| w[i] * level[i]).powi(2) / sum(&|i| w[i]);
    (1.0 / (by_phase + by_level)).sqrt().to_degrees()
}
