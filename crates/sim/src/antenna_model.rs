//! The antennas of a station: what voltage each port gives for a wave from an azimuth.

use std::f64::consts::TAU;
use std::sync::Arc;

use lobewright_antenna::{Manifold, ManifoldError, Pattern};
use lobewright_types::{Azimuth, Mount};
use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::constants::SPEED_OF_LIGHT_M_PER_S;
use crate::spec_antenna::{AntennaScene, ArrayScene, PatternErrorScene};
use crate::streams::stream;

/// What a station's antennas are said to be.
#[derive(Debug, Clone)]
pub(crate) enum AntennaModel {
    /// One that is turned.
    Turned(Arc<Pattern>),
    /// Several that look different ways.
    Sectors(Vec<(Arc<Pattern>, Azimuth<Mount>)>),
    /// Elements with patterns that were given.
    Elements(Arc<Manifold>),
    /// An ideal ring.
    Ring {
        elements: usize,
        radius_m: f64,
        first_azimuth_mount_deg: f64,
    },
}

impl AntennaModel {
    pub(crate) fn ports(&self) -> usize {
        match self {
            Self::Turned(_) => 1,
            Self::Sectors(sectors) => sectors.len(),
            Self::Elements(manifold) => manifold.ports(),
            Self::Ring { elements, .. } => *elements,
        }
    }

    /// Gain of the best port in its best direction.
    pub(crate) fn peak_gain_dbi(&self) -> f64 {
        match self {
            Self::Turned(pattern) => pattern.peak_gain_dbi(),
            Self::Sectors(sectors) => sectors
                .iter()
                .map(|s| s.0.peak_gain_dbi())
                .fold(f64::NEG_INFINITY, f64::max),
            Self::Elements(manifold) => manifold.peak_gain_dbi(),
            Self::Ring { .. } => 0.0,
        }
    }

    /// The responses of a ring or of elements at a frequency.
    pub(crate) fn manifold(&self, frequency_hz: f64) -> Option<Result<Arc<Manifold>, ManifoldError>> {
        match self {
            Self::Turned(_) | Self::Sectors(_) => None,
            Self::Elements(manifold) => Some(Ok(Arc::clone(manifold))),
            Self::Ring {
                elements,
                radius_m,
                first_azimuth_mount_deg,
            } => {
                let radius_wavelengths = radius_m * frequency_hz / SPEED_OF_LIGHT_M_PER_S;
                Some(Manifold::ring(*elements, radius_wavelengths, *first_azimuth_mount_deg).map(Arc::new))
            }
        }
    }
}

/// A smooth random curve around the circle: waves of equal size and random phase, so that its mean square is exact.
#[derive(Debug, Clone)]
struct Ripple {
    amplitude: f64,
    phases_rad: Vec<f64>,
}

impl Ripple {
    fn new(rms: f64, orders: u32, rng: &mut ChaCha8Rng) -> Self {
        Self {
            amplitude: rms * (2.0 / f64::from(orders.max(1))).sqrt(),
            phases_rad: (0..orders).map(|_| TAU * rng.random::<f64>()).collect(),
        }
    }

    fn at(&self, azimuth_deg: f64) -> f64 {
        let azimuth_rad = azimuth_deg.to_radians();
        let sum: f64 = self
            .phases_rad
            .iter()
            .enumerate()
            .map(|(n, phase)| ((n as f64 + 1.0) * azimuth_rad + phase).cos())
            .sum();
        self.amplitude * sum
    }
}

/// What one port truly does, beside what it is said to do.
#[derive(Debug, Clone)]
struct PortTruth {
    error: Complex<f64>,
    /// Gain in dB and phase in degrees over azimuth.
    ripple: Option<(Ripple, Ripple)>,
}

impl PortTruth {
    fn new(antenna: &AntennaScene, port: usize, seed: u64, station: &str) -> Self {
        let error = antenna.port_error.get(port).copied().unwrap_or_default();
        let ripple = |scene: &PatternErrorScene| {
            let mut rng = stream(seed, &["pattern error", station, &port.to_string()]);
            (
                Ripple::new(scene.rms_db, scene.orders, &mut rng),
                Ripple::new(scene.phase_rms_deg, scene.orders, &mut rng),
            )
        };
        Self {
            error: Complex::from_polar(10_f64.powf(error.gain_db / 20.0), error.phase_deg.to_radians()),
            ripple: antenna.pattern_error.as_ref().map(ripple),
        }
    }

    fn factor(&self, azimuth_deg: f64) -> Complex<f64> {
        self.ripple.as_ref().map_or(self.error, |(gain_db, phase_deg)| {
            let gain = 10_f64.powf(gain_db.at(azimuth_deg) / 20.0);
            self.error * Complex::from_polar(gain, phase_deg.at(azimuth_deg).to_radians())
        })
    }
}

/// How the ports answer to waves of one transmitter.
#[derive(Debug, Clone)]
pub(crate) struct Response {
    kind: Kind,
    use_phase: bool,
    /// One for each port; empty where all do as they are said to.
    truth: Vec<PortTruth>,
}

#[derive(Debug, Clone)]
enum Kind {
    Turned(Arc<Pattern>),
    Sectors(Vec<(Arc<Pattern>, Azimuth<Mount>)>),
    Array(Arc<Manifold>),
}

impl Response {
    /// # Panics
    /// Where a ring is larger than the scene's checks allow.
    pub(crate) fn new(
        model: &AntennaModel,
        antenna: &AntennaScene,
        frequency_hz: f64,
        seed: u64,
        station: &str,
    ) -> Self {
        let kind = match model {
            AntennaModel::Turned(pattern) => Kind::Turned(Arc::clone(pattern)),
            AntennaModel::Sectors(sectors) => Kind::Sectors(sectors.clone()),
            AntennaModel::Elements(_) | AntennaModel::Ring { .. } => Kind::Array(
                model
                    .manifold(frequency_hz)
                    .expect("both have a manifold")
                    .expect("the scene was checked for every transmitter's frequency"),
            ),
        };
        let true_to_word = antenna.port_error.is_empty() && antenna.pattern_error.is_none();
        let truth = if true_to_word {
            Vec::new()
        } else {
            (0..model.ports())
                .map(|port| PortTruth::new(antenna, port, seed, station))
                .collect()
        };
        Self {
            kind,
            use_phase: antenna.use_phase,
            truth,
        }
    }

    /// Writes the voltage of each port, in terms of an isotropic antenna's, times `amplitude`, for a wave from
    /// `azimuth_deg` clockwise of the boresight or of the array's zero mark.
    pub(crate) fn at(&self, azimuth_deg: f64, amplitude: f64, out: &mut [Complex<f64>]) {
        match &self.kind {
            Kind::Turned(pattern) => out[0] = self.one(pattern, azimuth_deg, amplitude),
            Kind::Sectors(sectors) => {
                for ((pattern, boresight), out) in sectors.iter().zip(&mut *out) {
                    *out = self.one(pattern, azimuth_deg - boresight.degrees(), amplitude);
                }
            }
            Kind::Array(manifold) => {
                manifold.response(azimuth_deg, out);
                let peak = amplitude * 10_f64.powf(manifold.peak_gain_dbi() / 20.0);
                for out in &mut *out {
                    *out *= peak;
                }
            }
        }
        for (truth, out) in self.truth.iter().zip(out) {
            *out *= truth.factor(azimuth_deg);
        }
    }

    fn one(&self, pattern: &Pattern, off_deg: f64, amplitude: f64) -> Complex<f64> {
        let antenna = 10_f64.powf(pattern.gain_dbi(off_deg) / 20.0);
        let phase_deg = if self.use_phase {
            pattern.phase_deg(off_deg).unwrap_or(0.0)
        } else {
            0.0
        };
        Complex::from_polar(amplitude * antenna, phase_deg.to_radians())
    }
}

/// The word that the truth and a pipeline use for a station's antennas.
pub(crate) fn name_of(antenna: &AntennaScene) -> String {
    match &antenna.array {
        None => antenna.pattern.clone(),
        Some(array) => format!("{} of {}", array.kind(), ArrayScene::ports(array)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec_antenna::GainErrorScene;

    fn ring() -> AntennaModel {
        AntennaModel::Ring {
            elements: 4,
            radius_m: 0.3,
            first_azimuth_mount_deg: 20.0,
        }
    }

    // Van Trees, *Optimum Array Processing*, 2002, section 4.2.2: phases k r cos of the angle between wave and element.
    #[test]
    fn a_ring_leads_where_it_is_nearer_to_the_source() {
        let response = Response::new(&ring(), &AntennaScene::default(), 145e6, 1, "s");
        let mut out = [Complex::ZERO; 4];
        for azimuth_deg in [0.0_f64, 20.0, 111.0, 359.0] {
            response.at(azimuth_deg, 0.5, &mut out);
            for (k, v) in out.iter().enumerate() {
                let own_deg = 20.0 + 90.0 * k as f64;
                let phase =
                    TAU * 0.3 * 145e6 / SPEED_OF_LIGHT_M_PER_S * (azimuth_deg - own_deg).to_radians().cos();
                assert!((v - Complex::from_polar(0.5, phase)).norm() < 1e-6, "{v}");
            }
        }
    }

    #[test]
    fn port_errors_act_as_they_are_written() {
        let antenna = AntennaScene {
            port_error: vec![
                GainErrorScene::default(),
                GainErrorScene {
                    gain_db: -3.0,
                    phase_deg: 25.0,
                },
                GainErrorScene::default(),
                GainErrorScene::default(),
            ],
            ..AntennaScene::default()
        };
        let (mut good, mut bad) = ([Complex::ZERO; 4], [Complex::ZERO; 4]);
        Response::new(&ring(), &AntennaScene::default(), 145e6, 1, "s").at(70.0, 1.0, &mut good);
        Response::new(&ring(), &antenna, 145e6, 1, "s").at(70.0, 1.0, &mut bad);
        let ratio = bad[1] / good[1];
        assert!((20.0 * ratio.norm().log10() + 3.0).abs() < 1e-9);
        assert!((ratio.arg().to_degrees() - 25.0).abs() < 1e-9);
        assert_eq!(good[0], bad[0]);
    }

    #[test]
    fn a_pattern_error_has_its_rms_and_is_smooth() {
        let antenna = AntennaScene {
            pattern_error: Some(PatternErrorScene {
                rms_db: 1.5,
                phase_rms_deg: 8.0,
                orders: 6,
            }),
            use_phase: true,
            ..AntennaScene::default()
        };
        let pattern = Arc::new(Pattern::builtin("isotropic").unwrap());
        let model = AntennaModel::Turned(pattern);
        let response = Response::new(&model, &antenna, 145e6, 9, "s");
        let at = |azimuth_deg: f64| {
            let mut out = [Complex::ZERO];
            response.at(azimuth_deg, 1.0, &mut out);
            (20.0 * out[0].norm().log10(), out[0].arg().to_degrees())
        };
        let all: Vec<(f64, f64)> = (0..360).map(|d| at(f64::from(d))).collect();
        let rms =
            |f: &dyn Fn(&(f64, f64)) -> f64| (all.iter().map(|v| f(v).powi(2)).sum::<f64>() / 360.0).sqrt();
        // Sinusoids over whole turns: the mean square is that of the coefficients, to rounding.
        assert!((rms(&|v| v.0) - 1.5).abs() < 1e-9, "{}", rms(&|v| v.0));
        assert!((rms(&|v| v.1) - 8.0).abs() < 1e-9, "{}", rms(&|v| v.1));
        // Six waves at most: a degree changes it by 6 pi/180 of the sum of the amplitudes at most.
        let most = 6.0_f64.to_radians() * 6.0 * 1.5 * (2.0_f64 / 6.0).sqrt();
        assert!(all.windows(2).all(|w| (w[1].0 - w[0].0).abs() <= most));
        let other = Response::new(&model, &antenna, 145e6, 9, "t");
        let mut out = [Complex::ZERO];
        other.at(10.0, 1.0, &mut out);
        assert!(
            (20.0 * out[0].norm().log10() - at(10.0).0).abs() > 1e-3,
            "each station has its own"
        );
    }
}
