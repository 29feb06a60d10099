//! What a transmitter sends: the complex envelope over the time of one transmission.

use std::f64::consts::TAU;

use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::cycle::OnAir;
use crate::filter::{Interpolator, Section};
use crate::morse::{Keying, MorseText, raised};
use crate::spec::{EmissionScene, IdentificationPlace, IdentificationScene, MorseMode, TransmitterScene};
use crate::streams::stream;
use crate::voice::{AUDIO_RATE_HZ, Voice};

/// Noise is made at this multiple of its bandwidth and interpolated.
const NOISE_OVERSAMPLING: f64 = 8.0;

/// Plays one transmission: its complex envelope as a function of time, at a mean power of 1 (a carrier's when the key is
/// down).
///
/// Two players of the same transmission give the same envelope, so each path plays its own, with its own delay.
pub(crate) struct Player {
    length_s: f64,
    ramp_s: f64,
    source: Source,
    identification: Option<Identification>,
    phase: Option<PhaseTrack>,
}

impl Player {
    /// Begins a transmission.
    pub(crate) fn new(transmitter: &TransmitterScene, seed: u64, sent: OnAir) -> Self {
        let length_s = sent.stop_s - sent.start_s;
        // The exact start, so that every station hears the same content.
        let key = sent.start_s.to_bits().to_string();
        let rng = |what: &str| stream(seed, &["emission", &transmitter.name, &key, what]);
        let identification = transmitter
            .identification
            .as_ref()
            .and_then(|scene| Identification::new(scene, length_s));
        let source = match transmitter.emission {
            EmissionScene::Carrier | EmissionScene::FmVoice { .. } | EmissionScene::FmTone { .. } => {
                Source::Carrier
            }
            EmissionScene::Silence => Source::Silence,
            EmissionScene::Noise { bandwidth_hz } => {
                Source::Noise(Box::new(NoiseTrack::new(bandwidth_hz, rng("noise"))))
            }
            EmissionScene::Ook { bit_rate_hz } => Source::Bits(Box::new(Bits::new(bit_rate_hz, rng("bits")))),
        };
        let modulation = match transmitter.emission {
            EmissionScene::FmVoice { deviation_hz } => {
                Modulation::Voice(deviation_hz, Box::new(Voice::new(rng("voice"))))
            }
            EmissionScene::FmTone {
                deviation_hz,
                tone_hz,
            } => Modulation::Tone(deviation_hz, tone_hz),
            _ => Modulation::None,
        };
        let keyed = identification
            .as_ref()
            .is_some_and(|i| i.scene.mode == MorseMode::F2a);
        let phase = (keyed || !matches!(modulation, Modulation::None))
            .then(|| PhaseTrack::new(modulation, identification.clone()));
        Self {
            length_s,
            ramp_s: transmitter.ramp_s,
            source,
            identification,
            phase,
        }
    }

    /// The envelope at a time from the start of the transmission; times may not run backwards.
    pub(crate) fn envelope(&mut self, time_s: f64) -> Complex<f64> {
        let ramp = if self.ramp_s > 0.0 {
            raised(time_s, self.ramp_s).min(raised(self.length_s - time_s, self.ramp_s))
        } else {
            1.0
        };
        let phase = match &mut self.phase {
            Some(track) => Complex::cis(track.phase_rad(time_s) % TAU),
            None => Complex::new(1.0, 0.0),
        };
        let content = match &mut self.identification {
            Some(identification) if identification.holds(time_s) => identification.carrier(time_s),
            _ => self.source.value(time_s),
        };
        content * phase * ramp
    }
}

enum Source {
    Carrier,
    Silence,
    Noise(Box<NoiseTrack>),
    Bits(Box<Bits>),
}

impl Source {
    fn value(&mut self, time_s: f64) -> Complex<f64> {
        match self {
            Self::Carrier => Complex::new(1.0, 0.0),
            Self::Silence => Complex::new(0.0, 0.0),
            Self::Noise(track) => track.value(time_s),
            Self::Bits(bits) => Complex::new(bits.level(time_s), 0.0),
        }
    }
}

/// The Morse identification in one transmission.
#[derive(Debug, Clone)]
struct Identification {
    scene: IdentificationScene,
    keying: Keying,
    /// First edge of the keying.
    start_s: f64,
    /// Stretch with nothing else sent.
    alone_from_s: f64,
    alone_to_s: f64,
}

impl Identification {
    /// `None` where the text has no code, which the scene's checks rule out.
    fn new(scene: &IdentificationScene, length_s: f64) -> Option<Self> {
        let text = MorseText::new(&scene.text).ok()?;
        let throughout = scene.at == IdentificationPlace::Throughout;
        let keying = Keying::new(text, scene.wpm, scene.edge_s, throughout);
        let needed_s = keying.length_s() + 2.0 * scene.gap_s;
        let (alone_from_s, alone_to_s) = match scene.at {
            IdentificationPlace::Start => (0.0, needed_s),
            IdentificationPlace::End => ((length_s - needed_s).max(0.0), length_s),
            IdentificationPlace::Throughout => (0.0, length_s),
        };
        Some(Self {
            scene: scene.clone(),
            keying,
            start_s: alone_from_s + scene.gap_s,
            alone_from_s,
            alone_to_s,
        })
    }

    fn holds(&self, time_s: f64) -> bool {
        (self.alone_from_s..self.alone_to_s).contains(&time_s)
    }

    /// Amplitude of the carrier; in frequency modulation it is steady and the phase does the rest.
    fn carrier(&mut self, time_s: f64) -> Complex<f64> {
        let amplitude = match self.scene.mode {
            MorseMode::F2a => 1.0,
            MorseMode::A1a => self.keying.level(time_s - self.start_s),
            MorseMode::A2a => {
                let tone = (TAU * self.scene.tone_hz * (time_s - self.start_s)).sin();
                1.0 + self.scene.depth * self.keying.level(time_s - self.start_s) * tone
            }
        };
        Complex::new(amplitude, 0.0)
    }

    /// Deviation of the keyed tone in hertz.
    fn deviation_hz(&mut self, time_s: f64) -> f64 {
        if self.scene.mode != MorseMode::F2a {
            return 0.0;
        }
        let tone = (TAU * self.scene.tone_hz * (time_s - self.start_s)).sin();
        self.scene.deviation_hz * self.keying.level(time_s - self.start_s) * tone
    }
}

enum Modulation {
    None,
    Voice(f64, Box<Voice>),
    Tone(f64, f64),
}

/// Phase of a frequency-modulated carrier: the deviation summed up at the audio rate, interpolated between.
struct PhaseTrack {
    deviation: Deviation,
    track: Interpolator<f64>,
}

struct Deviation {
    modulation: Modulation,
    identification: Option<Identification>,
    sample: f64,
    last_hz: f64,
    phase_rad: f64,
}

impl Deviation {
    /// The phase at the next audio sample, by the trapezoidal rule.
    fn next(&mut self) -> f64 {
        let time_s = self.sample / AUDIO_RATE_HZ;
        self.sample += 1.0;
        let now_hz = match &mut self.identification {
            Some(identification) if identification.holds(time_s) => identification.deviation_hz(time_s),
            _ => match &mut self.modulation {
                Modulation::None => 0.0,
                Modulation::Voice(deviation_hz, voice) => *deviation_hz * voice.next(),
                Modulation::Tone(deviation_hz, tone_hz) => *deviation_hz * (TAU * *tone_hz * time_s).cos(),
            },
        };
        self.phase_rad += TAU * 0.5 * (now_hz + self.last_hz) / AUDIO_RATE_HZ;
        self.last_hz = now_hz;
        self.phase_rad
    }
}

impl PhaseTrack {
    fn new(modulation: Modulation, identification: Option<Identification>) -> Self {
        let mut deviation = Deviation {
            modulation,
            identification,
            // The interpolator wants one point before time 0.
            sample: -1.0,
            last_hz: 0.0,
            phase_rad: 0.0,
        };
        let track = Interpolator::new(|| deviation.next());
        Self { deviation, track }
    }

    fn phase_rad(&mut self, time_s: f64) -> f64 {
        self.track
            .value(time_s * AUDIO_RATE_HZ + 1.0, || self.deviation.next())
    }
}

/// Complex Gaussian noise of a given bandwidth and a mean power of 1.
struct NoiseTrack {
    rate_hz: f64,
    generator: NoiseGenerator,
    track: Interpolator<Complex<f64>>,
}

struct NoiseGenerator {
    rng: ChaCha8Rng,
    filter: [Section<Complex<f64>>; 2],
    amplitude: f64,
}

impl NoiseGenerator {
    fn next(&mut self) -> Complex<f64> {
        let white = Complex::new(self.rng.sample(StandardNormal), self.rng.sample(StandardNormal));
        self.filter
            .iter_mut()
            .fold(white * self.amplitude, |x, s| s.push(x))
    }
}

impl NoiseTrack {
    fn new(bandwidth_hz: f64, rng: ChaCha8Rng) -> Self {
        // A low-pass at half the bandwidth leaves the whole bandwidth around the carrier.
        let corner = 0.5 / NOISE_OVERSAMPLING;
        let filter = Section::butterworth_low_pass(corner);
        let mut generator = NoiseGenerator {
            rng,
            filter,
            amplitude: (0.5 / noise_gain(corner)).sqrt(),
        };
        // Past the filter's rise, so that the first sample has the full power.
        for _ in 0..200 {
            generator.next();
        }
        let track = Interpolator::new(|| generator.next());
        Self {
            rate_hz: bandwidth_hz * NOISE_OVERSAMPLING,
            generator,
            track,
        }
    }

    fn value(&mut self, time_s: f64) -> Complex<f64> {
        self.track
            .value(time_s * self.rate_hz + 1.0, || self.generator.next())
    }
}

/// Power of white noise of power 1 behind the filter: the sum of its squared impulse response.
fn noise_gain(corner: f64) -> f64 {
    let mut filter = Section::<f64>::butterworth_low_pass(corner);
    (0..400)
        .map(|n| {
            let impulse = if n == 0 { 1.0 } else { 0.0 };
            filter.iter_mut().fold(impulse, |x, s| s.push(x)).powi(2)
        })
        .sum()
}

/// Random bits as a carrier's amplitude, one after a first that is on; edges take a tenth of a bit.
struct Bits {
    rng: ChaCha8Rng,
    bit_rate_hz: f64,
    number: f64,
    before: bool,
    now: bool,
}

impl Bits {
    fn new(bit_rate_hz: f64, rng: ChaCha8Rng) -> Self {
        Self {
            rng,
            bit_rate_hz,
            number: 0.0,
            before: true,
            now: true,
        }
    }

    fn level(&mut self, time_s: f64) -> f64 {
        let position = time_s * self.bit_rate_hz;
        while position >= self.number + 1.0 {
            self.number += 1.0;
            self.before = self.now;
            self.now = self.rng.random();
        }
        match (self.before, self.now) {
            (true, true) => 1.0,
            (false, false) => 0.0,
            (false, true) => raised(position - self.number, 0.1),
            (true, false) => 1.0 - raised(position - self.number, 0.1),
        }
    }
}

#[cfg(test)]
#[path = "emission_tests.rs"]
mod tests;
