#![expect(clippy::cast_possible_truncation, reason = "samples are single precision")]

use std::f64::consts::TAU;

use proptest::prelude::*;

use super::*;
use crate::spec_receiver::ImpulseScene;

fn receiver(format: SampleFormat) -> ReceiverScene {
    ReceiverScene {
        rate_hz: 100_000.0,
        center_hz: 1e8,
        format,
        noise_figure_db: 5.0,
        external_noise_db: None,
        gain_db: 0.0,
        full_scale_dbm: 0.0,
        frequency_error_ppm: 0.0,
        frequency_drift_ppm_per_s: 0.0,
        dc_dbfs: None,
        dc_phase_deg: 0.0,
        iq_gain_db: 0.0,
        iq_phase_deg: 0.0,
        interferer: Vec::new(),
        impulses: None,
        ignition: None,
        noise_slope_db_per_s: 0.0,
        noise_step: Vec::new(),
        channel_error: Vec::new(),
    }
}

fn decode(format: SampleFormat, bytes: &[u8]) -> Vec<Complex<f32>> {
    let mut out = Vec::new();
    format.decode(bytes, 0, 1, &mut out);
    out
}

fn mean_power(samples: &[Complex<f32>]) -> f64 {
    samples.iter().map(|x| f64::from(x.norm_sqr())).sum::<f64>() / samples.len() as f64
}

proptest! {
    // The slow way of `types` is the oracle; a value half way between two steps may go either way in single precision.
    #[test]
    fn short_ways_of_encoding_equal_the_long_one(re in -1.3_f32..1.3, im in -1.3_f32..1.3) {
        for format in [SampleFormat::CU8, SampleFormat::CI8, SampleFormat::CI16_LE] {
            let mut short = Vec::new();
            encode(format, &[Complex::new(re, im)], &mut short);
            let mut long = Vec::new();
            format.encode_component(f64::from(re), &mut long);
            format.encode_component(f64::from(im), &mut long);
            prop_assert_eq!(short, long, "{}", format);
        }
    }
}

#[test]
fn every_complex_format_keeps_the_amplitude() {
    let samples = [Complex::new(0.25, -0.5), Complex::new(-0.125, 0.75)];
    for format in SampleFormat::all().filter(|f| f.complex) {
        let mut bytes = Vec::new();
        encode(format, &samples, &mut bytes);
        for (got, sent) in decode(format, &bytes).iter().zip(samples) {
            assert!((got - sent).norm() < 0.006, "{format}");
        }
    }
}

#[test]
fn what_is_too_large_clips_at_the_end_codes() {
    let mut bytes = Vec::new();
    encode(SampleFormat::CU8, &[Complex::new(3.0, -3.0)], &mut bytes);
    assert_eq!(bytes, vec![255, 0]);
    bytes.clear();
    encode(SampleFormat::CI16_LE, &[Complex::new(1.5, -1.5)], &mut bytes);
    assert_eq!(bytes, vec![0xff, 0x7f, 0x00, 0x80]);
    bytes.clear();
    encode(SampleFormat::CI8, &[Complex::new(1.0, -1.0)], &mut bytes);
    assert_eq!(bytes, vec![127, 128]);
}

// Widrow 1956: rounding adds step^2 / 12 to each component where the input is spread over steps. Uniform input over half
// the range, 200000 samples: the standard error of the mean square error is 0.2 %.
#[test]
fn rounding_noise_is_a_twelfth_of_the_step_squared() {
    for format in [SampleFormat::CU8, SampleFormat::CI8, SampleFormat::CI16_LE] {
        let mut rng = stream(3, &["uniform"]);
        let samples: Vec<Complex<f32>> = (0..200_000)
            .map(|_| Complex::new(rng.random::<f32>() - 0.5, rng.random::<f32>() - 0.5))
            .collect();
        let mut bytes = Vec::new();
        encode(format, &samples, &mut bytes);
        let errors: Vec<Complex<f32>> = decode(format, &bytes)
            .iter()
            .zip(&samples)
            .map(|(got, sent)| got - sent)
            .collect();
        let ratio = mean_power(&errors) / rounding_power(format);
        assert!((ratio - 1.0).abs() < 0.01, "{format}: {ratio}");
    }
}

// kTB at 290 K in 100 kHz is -123.975 dBm (CODATA k); 5 dB noise figure and 80 dB of gain make -38.975 dBFS.
#[test]
fn noise_has_the_power_of_its_noise_figure() {
    let mut scene = receiver(SampleFormat::CF32_LE);
    scene.gain_db = 80.0;
    let mut front_end = FrontEnd::new(&scene, 1, "a", 0);
    let mut signals = vec![Complex::new(0.0, 0.0); 200_000];
    let mut bytes = Vec::new();
    front_end.digitise(0, &mut signals, &mut bytes);
    let samples = decode(scene.format, &bytes);
    let level_dbfs = 10.0 * mean_power(&samples).log10();
    // Standard error of 200000 complex samples: 0.01 dB.
    assert!((level_dbfs + 38.975).abs() < 0.04, "{level_dbfs}");
    let mean = samples.iter().sum::<Complex<f32>>() / 200_000.0;
    assert!(mean.norm_sqr() < 1e-4 * 0.01);
}

#[test]
fn rounding_noise_counts_with_the_receivers_own() {
    let mut scene = receiver(SampleFormat::CU8);
    // About one step of noise in each component.
    scene.gain_db = 78.0;
    let mut front_end = FrontEnd::new(&scene, 1, "a", 0);
    let mut signals = vec![Complex::new(0.0, 0.0); 400_000];
    let mut bytes = Vec::new();
    front_end.digitise(0, &mut signals, &mut bytes);
    let measured = mean_power(&decode(scene.format, &bytes));
    let expected = noise_power(&scene) + rounding_power(scene.format);
    assert!(rounding_power(scene.format) > 0.05 * expected);
    assert!(
        (measured / expected - 1.0).abs() < 0.01,
        "{}",
        measured / expected
    );
}

/// A tone's samples through a receiver without noise to speak of.
fn tone_through(scene: &ReceiverScene) -> Vec<Complex<f32>> {
    let mut front_end = FrontEnd::new(scene, 1, "a", 0);
    let mut signals: Vec<Complex<f32>> = (0..1_000)
        .map(|n| Complex::from_polar(0.5, (TAU * 0.05 * f64::from(n)) as f32))
        .collect();
    let mut bytes = Vec::new();
    front_end.digitise(0, &mut signals, &mut bytes);
    decode(scene.format, &bytes)
}

fn bin(samples: &[Complex<f32>], frequency: f64) -> Complex<f64> {
    samples
        .iter()
        .enumerate()
        .map(|(n, x)| {
            Complex::new(f64::from(x.re), f64::from(x.im)) * Complex::cis(-TAU * frequency * n as f64)
        })
        .sum::<Complex<f64>>()
        / samples.len() as f64
}

// Image rejection of a quadrature mixer with gain ratio g and phase error p: (1 + 2 g cos p + g^2) / (1 - 2 g cos p +
// g^2), the textbook formula (common practice; follows from the sum and difference of the two channels).
#[test]
fn imbalance_makes_the_textbook_image_and_leaves_the_tone_alone() {
    let mut scene = receiver(SampleFormat::CF32_LE);
    scene.iq_gain_db = 0.5;
    scene.iq_phase_deg = 3.0;
    let samples = tone_through(&scene);
    let (wanted, image) = (bin(&samples, 0.05), bin(&samples, -0.05));
    let g = 10_f64.powf(0.5 / 20.0);
    let p = 3_f64.to_radians();
    let textbook = (1.0 + 2.0 * g * p.cos() + g * g) / (1.0 - 2.0 * g * p.cos() + g * g);
    let rejection = wanted.norm_sqr() / image.norm_sqr();
    assert!((10.0 * (rejection / textbook).log10()).abs() < 0.01);
    assert!((wanted.norm() - 0.5).abs() < 1e-4);
}

#[test]
fn constant_has_its_level_and_phase() {
    let mut scene = receiver(SampleFormat::CF32_LE);
    scene.dc_dbfs = Some(-30.0);
    scene.dc_phase_deg = 60.0;
    let constant = bin(&tone_through(&scene), 0.0);
    assert!((20.0 * constant.norm().log10() + 30.0).abs() < 0.01);
    assert!((constant.arg().to_degrees() - 60.0).abs() < 0.1);
}

// A decaying pulse of peak amplitude A and time constant T has the energy A^2 T / 2; Poisson arrivals of random phase add
// in power (Campbell's theorem). Discrete decay: A^2 / (1 - d^2) samples.
#[test]
fn impulses_come_as_often_and_as_large_as_asked_for() {
    let mut scene = receiver(SampleFormat::CF32_LE);
    scene.gain_db = -50.0;
    scene.impulses = Some(ImpulseScene {
        per_second: 500.0,
        peak_dbfs: -10.0,
        decay_s: 1e-4,
    });
    let mut front_end = FrontEnd::new(&scene, 1, "a", 0);
    let mut signals = vec![Complex::new(0.0, 0.0); 2_000_000];
    let mut bytes = Vec::new();
    front_end.digitise(0, &mut signals, &mut bytes);
    let measured = mean_power(&decode(scene.format, &bytes));
    let decay = (-1.0_f64 / (1e-4 * 1e5)).exp();
    let expected = 500.0 / 1e5 * 0.1 / (1.0 - decay * decay);
    // 10000 impulses: 1 % for their number, a little more for their overlaps.
    assert!(
        (measured / expected - 1.0).abs() < 0.05,
        "{}",
        measured / expected
    );
}
