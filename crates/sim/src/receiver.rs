//! The receiver: noise, faults, and the converter that makes samples out of amplitudes.

use lobewright_types::{SampleFormat, Scalar};
use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::impulses::{Ignition, Impulses};
use crate::noise_level::NoiseLevel;
use crate::propagation::system_noise_dbm;
use crate::spec_receiver::ReceiverScene;
use crate::streams::stream;

/// Noise power over the whole sample rate by itself, 1.0 = full scale.
pub(crate) fn noise_power(receiver: &ReceiverScene) -> f64 {
    let dbm = system_noise_dbm(
        receiver.rate_hz,
        receiver.noise_figure_db,
        receiver.external_noise_db,
    );
    10_f64.powf((dbm + receiver.dbm_to_dbfs_db()) / 10.0)
}

/// Noise power that rounding adds to a complex sample: `step^2 / 12` to each component.
///
/// B. Widrow, *A study of rough amplitude quantization by means of Nyquist sampling theory*, 1956: holds to better than
/// a hundredth of a decibel where the noise before rounding is half a step or more.
pub(crate) fn rounding_power(format: SampleFormat) -> f64 {
    step(format).map_or(0.0, |step| 2.0 * step * step / 12.0)
}

fn step(format: SampleFormat) -> Option<f64> {
    match format.scalar {
        Scalar::U8 => Some(1.0 / 127.5),
        Scalar::I8 => Some(1.0 / 128.0),
        Scalar::U16 => Some(1.0 / 32_767.5),
        Scalar::I16 => Some(1.0 / 32_768.0),
        Scalar::U32 | Scalar::I32 => Some(1.0 / 2_147_483_648.0),
        Scalar::F32 | Scalar::F64 => None,
    }
}

/// Everything between the antenna terminals and the stored bytes.
pub(crate) struct FrontEnd {
    format: SampleFormat,
    rng: ChaCha8Rng,
    sigma: f32,
    level: Option<NoiseLevel>,
    /// Gain and phase of this channel against the nominal; `None` where they are as they should.
    gain: Option<Complex<f32>>,
    /// Direct term, image term and constant of the faulty mixer; `None` where it is perfect.
    faults: Option<[Complex<f32>; 3]>,
    impulses: Option<Impulses>,
    ignition: Option<Ignition>,
}

impl FrontEnd {
    /// # Inputs
    /// `channel`: counted from 0. Noise is each channel's own; impulses come from outside and reach all alike.
    pub(crate) fn new(receiver: &ReceiverScene, seed: u64, station: &str, channel: usize) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let sigma = (noise_power(receiver) / 2.0).sqrt() as f32;
        Self {
            format: receiver.format,
            rng: if channel == 0 {
                stream(seed, &["noise", station])
            } else {
                stream(seed, &["noise", station, &format!("channel {channel}")])
            },
            sigma,
            level: NoiseLevel::new(receiver),
            gain: receiver.channel_error.get(channel).map(|error| {
                let gain =
                    Complex::from_polar(10_f64.powf(error.gain_db / 20.0), error.phase_deg.to_radians());
                single(gain)
            }),
            faults: faults(receiver),
            impulses: receiver
                .impulses
                .map(|scene| Impulses::new(scene, receiver.rate_hz, stream(seed, &["impulses", station]))),
            ignition: receiver
                .ignition
                .map(|scene| Ignition::new(scene, receiver.rate_hz, stream(seed, &["ignition", station]))),
        }
    }

    /// Adds noise and faults to the signals of a frame that begins at the sample `from`, and encodes it.
    pub(crate) fn digitise(&mut self, from: u64, signals: &mut [Complex<f32>], bytes: &mut Vec<u8>) {
        let mut sigma = self.sigma;
        for (sample, x) in (from..).zip(&mut *signals) {
            if let Some(level) = &mut self.level {
                sigma = self.sigma * level.amplitude(sample);
            }
            let re: f32 = self.rng.sample(StandardNormal);
            let im: f32 = self.rng.sample(StandardNormal);
            x.re += sigma * re;
            x.im += sigma * im;
        }
        if let Some(impulses) = &mut self.impulses {
            for x in &mut *signals {
                *x += impulses.next();
            }
        }
        if let Some(ignition) = &mut self.ignition {
            for (sample, x) in (from..).zip(&mut *signals) {
                *x += ignition.at(sample);
            }
        }
        if let Some(gain) = self.gain {
            for x in &mut *signals {
                *x *= gain;
            }
        }
        if let Some([direct, image, constant]) = self.faults {
            for x in &mut *signals {
                *x = direct * *x + image * x.conj() + constant;
            }
        }
        encode(self.format, signals, bytes);
    }
}

#[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
fn single(c: Complex<f64>) -> Complex<f32> {
    Complex::new(c.re as f32, c.im as f32)
}

/// A mixer whose I is exact and whose Q has another gain and is not at right angles: `I' = I`, `Q' = g (Q cos p + I sin
/// p)`, both scaled to leave the wanted signal's power alone.
fn faults(receiver: &ReceiverScene) -> Option<[Complex<f32>; 3]> {
    let gain = 10_f64.powf(receiver.iq_gain_db / 20.0);
    let turned = Complex::from_polar(gain, receiver.iq_phase_deg.to_radians());
    let direct = (Complex::new(1.0, 0.0) + turned) / 2.0;
    let image = (Complex::new(1.0, 0.0) - turned.conj()) / 2.0;
    let scale = 1.0 / direct.norm();
    let constant = receiver.dc_dbfs.map_or(Complex::new(0.0, 0.0), |dbfs| {
        Complex::from_polar(10_f64.powf(dbfs / 20.0), receiver.dc_phase_deg.to_radians())
    });
    let perfect = image.norm() < 1e-12 && constant.norm() < 1e-12;
    (!perfect).then(|| [single(direct * scale), single(image * scale), single(constant)])
}

/// Encodes complex samples, clipping at the ends of the range; the common formats by a short way.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "casts from float saturate"
)]
fn encode(format: SampleFormat, samples: &[Complex<f32>], bytes: &mut Vec<u8>) {
    // Adding a half and cutting off rounds like `round`, without a library call a component.
    let signed = |v: f32| v + 0.5_f32.copysign(v);
    match (format.scalar, format.big_endian) {
        (Scalar::U8, _) => bytes.extend(samples.iter().flat_map(|x| {
            let code = |v: f32| (v * 127.5 + 128.0) as u8;
            [code(x.re), code(x.im)]
        })),
        (Scalar::I8, _) => bytes.extend(samples.iter().flat_map(|x| {
            let code = |v: f32| (signed(v * 128.0) as i8).cast_unsigned();
            [code(x.re), code(x.im)]
        })),
        (Scalar::I16, false) => bytes.extend(samples.iter().flat_map(|x| {
            let code = |v: f32| (signed(v * 32_768.0) as i16).to_le_bytes();
            let (re, im) = (code(x.re), code(x.im));
            [re[0], re[1], im[0], im[1]]
        })),
        _ => {
            for x in samples {
                format.encode_component(f64::from(x.re), bytes);
                format.encode_component(f64::from(x.im), bytes);
            }
        }
    }
}

#[cfg(test)]
#[path = "receiver_tests.rs"]
mod tests;
