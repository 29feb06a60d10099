//! A sound like speech: pitch pulses and noise, shaped by formants, in syllables and pauses.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::filter::Section;
use crate::morse::raised;

/// Sample rate of every modulating signal.
pub(crate) const AUDIO_RATE_HZ: f64 = 48_000.0;

/// First three formants of vowels in hertz: averages of men's voices in G. E. Peterson and H. L. Barney, *Control
/// methods used in a study of the vowels*, J. Acoust. Soc. Am. 24, 1952 (values from memory; nothing rests on them but the
/// likeness).
const VOWELS_HZ: [[f64; 3]; 7] = [
    [730.0, 1090.0, 2440.0],
    [270.0, 2290.0, 3010.0],
    [300.0, 870.0, 2240.0],
    [530.0, 1840.0, 2480.0],
    [570.0, 840.0, 2410.0],
    [660.0, 1720.0, 2410.0],
    [490.0, 1350.0, 1690.0],
];
const FORMANT_BANDWIDTH_HZ: [f64; 3] = [90.0, 110.0, 160.0];
const FORMANT_GAIN: [f64; 3] = [1.0, 0.5, 0.25];
const HISS_HZ: [f64; 2] = [2_300.0, 1_500.0];
/// Audio pass-band of a voice channel.
const BAND_HZ: [f64; 2] = [300.0, 3_000.0];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Sound {
    Vowel,
    Hiss,
    Pause,
}

/// An endless voice-like signal at 48 kHz, within -1 to 1 and 300 to 3000 Hz.
#[derive(Debug, Clone)]
pub(crate) struct Voice {
    rng: ChaCha8Rng,
    sound: Sound,
    sample: u32,
    length: u32,
    pitch_hz: f64,
    glide: f64,
    pitch_phase: f64,
    loudness: f64,
    formants: [Section<f64>; 3],
    hiss: Section<f64>,
    follower: f64,
    band: [Section<f64>; 4],
}

impl Voice {
    pub(crate) fn new(rng: ChaCha8Rng) -> Self {
        let formant = |i: usize| {
            Section::resonator(
                VOWELS_HZ[0][i] / AUDIO_RATE_HZ,
                FORMANT_BANDWIDTH_HZ[i] / AUDIO_RATE_HZ,
            )
        };
        let [high_1, high_2] = Section::butterworth_high_pass(BAND_HZ[0] / AUDIO_RATE_HZ);
        let [low_1, low_2] = Section::butterworth_low_pass(BAND_HZ[1] / AUDIO_RATE_HZ);
        let mut voice = Self {
            rng,
            sound: Sound::Vowel,
            sample: 0,
            length: 0,
            pitch_hz: 120.0,
            glide: 0.0,
            pitch_phase: 0.0,
            loudness: 1.0,
            formants: std::array::from_fn(formant),
            hiss: Section::resonator(HISS_HZ[0] / AUDIO_RATE_HZ, HISS_HZ[1] / AUDIO_RATE_HZ),
            follower: 1e-3,
            band: [high_1, high_2, low_1, low_2],
        };
        voice.begin_sound();
        voice
    }

    /// The next sample.
    pub(crate) fn next(&mut self) -> f64 {
        if self.sample >= self.length {
            self.begin_sound();
        }
        let shaped = match self.sound {
            Sound::Vowel => self.vowel(),
            Sound::Hiss => {
                let noise: f64 = self.rng.sample(StandardNormal);
                self.hiss.push(noise)
            }
            Sound::Pause => 0.0,
        };
        let level = shaped * self.envelope();
        self.sample += 1;
        let limited = self.compress(level);
        let banded = self.band.iter_mut().fold(limited, |x, s| s.push(x));
        // The filters overshoot the limiter now and then; a transmitter's deviation limiter has the last word.
        banded.clamp(-1.0, 1.0)
    }

    fn begin_sound(&mut self) {
        let uniform = |rng: &mut ChaCha8Rng, low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let kind = self.rng.random::<f64>();
        let (sound, length_s) = if kind < 0.72 {
            (Sound::Vowel, uniform(&mut self.rng, 0.12, 0.30))
        } else if kind < 0.90 {
            (Sound::Hiss, uniform(&mut self.rng, 0.06, 0.14))
        } else {
            (Sound::Pause, uniform(&mut self.rng, 0.08, 0.30))
        };
        self.sound = sound;
        self.sample = 0;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "at most 0.3 s at 48 kHz"
        )]
        {
            self.length = (length_s * AUDIO_RATE_HZ) as u32;
        }
        self.pitch_hz = uniform(&mut self.rng, 95.0, 145.0);
        self.glide = uniform(&mut self.rng, -0.15, 0.10);
        self.loudness = uniform(&mut self.rng, 0.5, 1.0);
        if sound == Sound::Vowel {
            let vowel = VOWELS_HZ[self.rng.random_range(0..VOWELS_HZ.len())];
            for (i, section) in self.formants.iter_mut().enumerate() {
                section.retune(vowel[i] / AUDIO_RATE_HZ, FORMANT_BANDWIDTH_HZ[i] / AUDIO_RATE_HZ);
            }
        }
    }

    fn vowel(&mut self) -> f64 {
        let along = f64::from(self.sample) / f64::from(self.length);
        self.pitch_phase += self.pitch_hz * (1.0 + self.glide * along) / AUDIO_RATE_HZ;
        let pulse = if self.pitch_phase >= 1.0 {
            self.pitch_phase -= 1.0;
            1.0
        } else {
            0.0
        };
        let breath: f64 = self.rng.sample(StandardNormal);
        let excitation = pulse + 0.004 * breath;
        self.formants
            .iter_mut()
            .zip(FORMANT_GAIN)
            .map(|(section, gain)| gain * section.push(excitation))
            .sum()
    }

    /// Rise and fall of a syllable.
    fn envelope(&self) -> f64 {
        let edge = 0.25 * f64::from(self.length);
        let rise = raised(f64::from(self.sample), edge);
        let fall = raised(f64::from(self.length - self.sample), edge);
        self.loudness * rise.min(fall)
    }

    /// Speech processor: follows the level and limits softly, so that vowels and hiss come out alike.
    fn compress(&mut self, x: f64) -> f64 {
        let magnitude = x.abs();
        // Attack 2 ms, decay 300 ms.
        let share = if magnitude > self.follower {
            1.0 / (0.002 * AUDIO_RATE_HZ)
        } else {
            1.0 / (0.3 * AUDIO_RATE_HZ)
        };
        self.follower += share * (magnitude - self.follower);
        (1.2 * x / self.follower.max(1e-4)).tanh()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::stream;
    use std::f64::consts::TAU;

    fn seconds(count: usize) -> Vec<f64> {
        let mut voice = Voice::new(stream(5, &["voice"]));
        (0..count * 48_000).map(|_| voice.next()).collect()
    }

    #[test]
    fn stays_within_full_deviation_and_uses_it() {
        let samples = seconds(20);
        let peak = samples.iter().fold(0.0_f64, |p, x| p.max(x.abs()));
        let rms = (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt();
        assert!(peak <= 1.0 && peak > 0.9, "{peak}");
        assert!((0.15..0.6).contains(&rms), "{rms}");
    }

    /// Power in bands by Hann-windowed Fourier sums over 50 ms pieces, every 40 Hz.
    fn band_power(samples: &[f64], low_hz: f64, high_hz: f64) -> f64 {
        let piece = 2_400;
        let mut power = 0.0;
        let mut frequency = low_hz;
        while frequency < high_hz {
            for chunk in samples.chunks_exact(piece) {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, x) in chunk.iter().enumerate() {
                    let window = 0.5 - 0.5 * (TAU * n as f64 / piece as f64).cos();
                    let phase = TAU * frequency * n as f64 / AUDIO_RATE_HZ;
                    re += window * x * phase.cos();
                    im += window * x * phase.sin();
                }
                power += re * re + im * im;
            }
            frequency += 40.0;
        }
        power
    }

    #[test]
    fn lies_within_300_to_3000_hz() {
        let samples = seconds(2);
        let inside = band_power(&samples, 300.0, 3_000.0);
        let outside = band_power(&samples, 20.0, 200.0) + band_power(&samples, 4_500.0, 8_000.0);
        assert!(outside < 0.01 * inside, "{}", outside / inside);
    }

    #[test]
    fn has_syllables_and_pauses_as_speech_has() {
        let samples = seconds(20);
        let levels: Vec<f64> = samples
            .chunks(960)
            .map(|c| (c.iter().map(|x| x * x).sum::<f64>() / c.len() as f64).sqrt())
            .collect();
        let quiet = levels.iter().filter(|l| **l < 0.03).count() as f64 / levels.len() as f64;
        assert!((0.03..0.4).contains(&quiet), "{quiet}");
    }
}
