//! A turn of the antenna with all that can go wrong in it, and the bound for it.

use std::f64::consts::TAU;

use lobewright_antenna::Pattern;
use lobewright_types::{Azimuth, LevelReading, Pointing, SampleIndex};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::fading::{Course, Fading, PatternError};
use super::statistics::Signal;
use super::{C, normal};

/// Parts into which a reading is cut where something changes within it.
const PARTS: usize = 6;
/// Relative standard deviation of the noise power that the estimator is told.
pub(crate) const NOISE_REL_SIGMA: f64 = 0.01;

/// One reading before anything is drawn.
#[derive(Debug, Clone)]
pub(crate) struct Look {
    /// Boresight at the middle.
    pub(crate) boresight_deg: f64,
    /// Turn during the reading.
    pub(crate) turn_deg: f64,
    /// Middle and length.
    pub(crate) middle_s: f64,
    pub(crate) length_s: f64,
    pub(crate) burst: usize,
    /// S/N with the antenna pointed at the source, the noise power being 1.
    pub(crate) snr_db: f64,
    pub(crate) samples: f64,
    /// Noise power as it is.
    pub(crate) noise_lin: f64,
    /// Noise power as the detector holds it, but for its random error.
    pub(crate) noise_believed_lin: f64,
}

/// Another arrival of the same signal.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    /// Clockwise of the direct one.
    pub(crate) apart_deg: f64,
    /// Its power against the direct one.
    pub(crate) ratio_db: f64,
    pub(crate) phase: Phase,
}

/// How two arrivals add.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Phase {
    /// Their powers do.
    Incoherent,
    /// Their fields do, with a phase drawn once for the turn.
    Drawn,
    /// Their fields do, the second this much ahead at the antenna's place.
    Ahead { rad: f64 },
}

/// What there is to draw.
#[derive(Debug, Clone)]
pub(crate) struct Turn {
    pub(crate) looks: Vec<Look>,
    pub(crate) signal: Signal,
    /// Error of each reading, independent, 1 sigma.
    pub(crate) level_error_db: f64,
    pub(crate) fading: Option<Fading>,
    pub(crate) arrival: Option<Arrival>,
    /// Delay between the clocks of track and samples, 1 sigma, drawn once.
    pub(crate) latency_sigma_s: f64,
    /// Share of readings raised by 3 to 20 dB.
    pub(crate) impulse_share: f64,
    /// Share of readings, the strongest, held at the rail.
    pub(crate) clipped_share: f64,
    /// Smooth error of the pattern.
    pub(crate) pattern_error_db: f64,
}

/// Readings, and which of them are not what the model says.
#[derive(Debug, Clone)]
pub(crate) struct Drawn {
    pub(crate) readings: Vec<LevelReading>,
    pub(crate) spoilt: Vec<bool>,
}

/// What is drawn once for a turn.
struct Circumstances<'a> {
    pattern: &'a Pattern,
    error: Option<PatternError>,
    course: Option<Course>,
    azimuth_deg: f64,
    latency_s: f64,
    /// Of the second arrival against the first; absent where powers add.
    phase_rad: Option<f64>,
}

impl Turn {
    /// `readings` even steps of a standing antenna, 50 ms each.
    pub(crate) fn full(readings: usize, samples: f64, snr_db: f64, level_error_db: f64) -> Self {
        let step = 360.0 / readings as f64;
        Self::at(
            (0..readings).map(|k| step * k as f64),
            samples,
            snr_db,
            level_error_db,
        )
    }

    /// A standing antenna at these boresights one after another, 50 ms each.
    pub(crate) fn at(
        boresights_deg: impl Iterator<Item = f64>,
        samples: f64,
        snr_db: f64,
        level_error_db: f64,
    ) -> Self {
        let looks = boresights_deg
            .enumerate()
            .map(|(k, boresight_deg)| Look {
                boresight_deg,
                turn_deg: 0.0,
                middle_s: 0.05 * (k as f64 + 0.5),
                length_s: 0.05,
                burst: 0,
                snr_db,
                samples,
                noise_lin: 1.0,
                noise_believed_lin: 1.0,
            })
            .collect();
        Self {
            looks,
            signal: Signal::ConstantEnvelope,
            level_error_db,
            fading: None,
            arrival: None,
            latency_sigma_s: 0.0,
            impulse_share: 0.0,
            clipped_share: 0.0,
            pattern_error_db: 0.0,
        }
    }

    /// The same turn made by an antenna that turns steadily at `rate_deg_per_s`, reading after reading.
    #[must_use]
    pub(crate) fn turning(mut self, rate_deg_per_s: f64) -> Self {
        let step_deg = 360.0 / self.looks.len() as f64;
        let length_s = step_deg / rate_deg_per_s;
        for (k, look) in self.looks.iter_mut().enumerate() {
            look.turn_deg = step_deg;
            look.length_s = length_s;
            look.middle_s = length_s * (k as f64 + 0.5);
        }
        self
    }

    /// Readings for a source at `azimuth_deg`.
    pub(crate) fn draw(&self, pattern: &Pattern, azimuth_deg: f64, rng: &mut ChaCha8Rng) -> Drawn {
        let circumstances = Circumstances {
            pattern,
            azimuth_deg,
            error: (self.pattern_error_db > 0.0).then(|| PatternError::draw(self.pattern_error_db, rng)),
            course: self.fading.map(|f| f.course(rng)),
            latency_s: self.latency_sigma_s * normal(rng),
            phase_rad: self.arrival.and_then(|a| match a.phase {
                Phase::Incoherent => None,
                Phase::Drawn => Some(TAU * rng.random::<f64>()),
                Phase::Ahead { rad } => Some(rad),
            }),
        };
        let noise_error = 1.0 + NOISE_REL_SIGMA * normal(rng);
        let mut drawn = Drawn {
            readings: Vec::with_capacity(self.looks.len()),
            spoilt: vec![false; self.looks.len()],
        };
        let mut expected = Vec::with_capacity(self.looks.len());
        for (k, look) in self.looks.iter().enumerate() {
            let signal = 10_f64.powf((look.snr_db + self.level_error_db * normal(rng)) / 10.0);
            let rhos = circumstances
                .gains(self, look)
                .map(|g| signal * g / look.noise_lin);
            expected.push(rhos.iter().sum::<f64>() / PARTS as f64 + 1.0);
            let rhos = if rhos.iter().all(|r| (r - rhos[0]).abs() <= 1e-12 * rhos[0]) {
                &rhos[..1]
            } else {
                &rhos[..]
            };
            let (power, rel_var) = self.signal.draw(rhos, look.samples, rng);
            let mut reading = reading(look, k);
            reading.power_lin = power * look.noise_lin;
            reading.noise_power_lin = look.noise_believed_lin * noise_error;
            reading.power_rel_var = Some(rel_var);
            if self.impulse_share > 0.0 && rng.random::<f64>() < self.impulse_share {
                reading.power_lin *= 10_f64.powf(0.3 + 1.7 * rng.random::<f64>());
                drawn.spoilt[k] = true;
            }
            drawn.readings.push(reading);
        }
        if self.clipped_share > 0.0 {
            clip(&mut drawn, expected, self.clipped_share);
        }
        drawn
    }

    /// Smallest standard deviation of an unbiased bearing from the readings not spoilt (Kay, *Fundamentals of
    /// Statistical Signal Processing: Estimation Theory*, 1993, chapter 3): the level of each burst unknown, the noise
    /// power known to [`NOISE_REL_SIGMA`], a delay of the clocks on top. The statistics of a reading are described by mean and
    /// variance. Absent where fading, a second arrival, the rail or a wrong pattern leave no closed form.
    pub(crate) fn bound_deg(&self, pattern: &Pattern, azimuth_deg: f64, spoilt: &[bool]) -> Option<f64> {
        let no_closed_form = self.fading.is_some()
            || self.arrival.is_some()
            || self.clipped_share > 0.0
            || self.pattern_error_db > 0.0
            || self
                .looks
                .iter()
                .any(|l| (l.noise_lin - l.noise_believed_lin).abs() > 1e-12);
        if no_closed_form {
            return None;
        }
        // Information on bearing (b), noise (n) and level (s), in nats and degrees, levels eliminated burst by burst.
        let bursts = self.looks.iter().map(|l| l.burst).max()? + 1;
        let (mut bb, mut bn, mut nn) = (0.0, 0.0, NOISE_REL_SIGMA.powi(-2));
        for burst in 0..bursts {
            let (mut ss, mut sb, mut sn) = (0.0, 0.0, 0.0);
            let good = self
                .looks
                .iter()
                .zip(spoilt)
                .filter(|(l, s)| l.burst == burst && !**s);
            for (look, _) in good {
                let gain = |azimuth: f64| turned_gain(pattern, azimuth, look);
                let rho = 10_f64.powf(look.snr_db / 10.0) * gain(azimuth_deg) / look.noise_lin;
                let slope = (gain(azimuth_deg + 0.05) / gain(azimuth_deg - 0.05)).ln() / 0.1;
                let h = rho / (1.0 + rho);
                let variance = self.signal.rel_var(rho, look.samples) + (C * self.level_error_db * h).powi(2);
                let (b, n) = (h * slope, 1.0 - h);
                bb += b * b / variance;
                bn += b * n / variance;
                nn += n * n / variance;
                ss += h * h / variance;
                sb += h * b / variance;
                sn += h * n / variance;
            }
            if ss > 0.0 {
                bb -= sb * sb / ss;
                bn -= sb * sn / ss;
                nn -= sn * sn / ss;
            }
        }
        let rate = self.looks.iter().map(|l| l.turn_deg / l.length_s).sum::<f64>() / self.looks.len() as f64;
        let outside = (self.latency_sigma_s * rate).powi(2);
        Some((1.0 / (bb - bn * bn / nn) + outside).sqrt())
    }
}

/// Where the boresight is in the middle of each part of a reading, against that of the whole.
fn part_offsets(turn_deg: f64) -> [f64; PARTS] {
    std::array::from_fn(|i| turn_deg * ((i as f64 + 0.5) / PARTS as f64 - 0.5))
}

fn turned_gain(pattern: &Pattern, azimuth_deg: f64, look: &Look) -> f64 {
    if look.turn_deg == 0.0 {
        return pattern.gain_rel_lin(azimuth_deg - look.boresight_deg);
    }
    let gain = |offset: f64| pattern.gain_rel_lin(azimuth_deg - look.boresight_deg - offset);
    part_offsets(look.turn_deg).into_iter().map(gain).sum::<f64>() / PARTS as f64
}

impl Circumstances<'_> {
    /// Power of the signal in each part of a reading, against that of the direct path with the antenna pointed at it.
    fn gains(&self, turn: &Turn, look: &Look) -> [f64; PARTS] {
        let late_deg = self.latency_s * look.turn_deg / look.length_s;
        let offsets = part_offsets(look.turn_deg);
        std::array::from_fn(|i| {
            let boresight = look.boresight_deg + late_deg + offsets[i];
            let gain = self.received(turn.arrival, boresight);
            let fade = self.course.as_ref().map_or(1.0, |course| {
                let part = (i as f64 + 0.5) / PARTS as f64 - 0.5;
                course.power_lin(look.middle_s + look.length_s * part)
            });
            gain * fade
        })
    }

    fn received(&self, arrival: Option<Arrival>, boresight_deg: f64) -> f64 {
        let off = self.azimuth_deg - boresight_deg;
        let Some(arrival) = arrival else {
            return self.gain(off);
        };
        let other = off + arrival.apart_deg;
        let second = 10_f64.powf(arrival.ratio_db / 10.0) * self.gain(other);
        let first = self.gain(off);
        let Some(ahead) = self.phase_rad else {
            return first + second;
        };
        let phase = |off: f64| self.pattern.phase_deg(off).unwrap_or(0.0).to_radians();
        let between = ahead + phase(other) - phase(off);
        first + second + 2.0 * (first * second).sqrt() * between.cos()
    }

    fn gain(&self, off_deg: f64) -> f64 {
        let error = self.error.as_ref().map_or(1.0, |e| e.factor_lin(off_deg));
        self.pattern.gain_rel_lin(off_deg) * error
    }
}

fn reading(look: &Look, k: usize) -> LevelReading {
    LevelReading {
        burst: look.burst,
        start: SampleIndex(1000 * k as u64),
        middle_s: look.middle_s,
        length_s: look.length_s,
        pointing: Pointing::Boresight {
            azimuth: Azimuth::from_degrees(look.boresight_deg),
            turn_deg: look.turn_deg,
        },
        power_lin: 0.0,
        independent_samples: look.samples,
        noise_power_lin: 1.0,
        noise_rel_sigma: NOISE_REL_SIGMA,
        power_rel_var: None,
        gain_db: None,
        attenuation_db: 0.0,
        clip_fraction: 0.0,
    }
}

/// Holds at the rail what comes above it; the rail is the expected power that the share of readings exceeds.
fn clip(drawn: &mut Drawn, mut expected: Vec<f64>, share: f64) {
    expected.sort_by(|a, b| b.total_cmp(a));
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a few hundred"
    )]
    let above = (share * expected.len() as f64) as usize;
    let rail = expected[above.min(expected.len() - 1)];
    for (reading, spoilt) in drawn.readings.iter_mut().zip(&mut drawn.spoilt) {
        if reading.power_lin > rail {
            reading.power_lin = rail;
            reading.clip_fraction = 0.3;
            *spoilt = true;
        }
    }
}
