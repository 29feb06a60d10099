//! Spectra, spectrograms and levels of signals whose power is known.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::f32::consts::TAU;
use std::sync::Arc;

use lobewright_dsp::{MeanPower, SpectrogramBuilder, Spectrum, SpectrumError};
use lobewright_types::{RawBlock, Sample, SampleFormat, SampleIndex};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const RATE_HZ: f64 = 48_000.0;

fn tone(bin: f32, fft_len: usize, len: usize) -> Vec<Sample> {
    (0..len)
        .map(|n| Sample::from_polar(1.0, TAU * (bin * n as f32 / fft_len as f32).fract()))
        .collect()
}

fn noise(sigma: f32, len: usize) -> Vec<Sample> {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let mut draw = || -> f32 { StandardNormal.sample(&mut rng) };
    (0..len)
        .map(|_| Sample::new(sigma * draw(), sigma * draw()))
        .collect()
}

#[test]
fn full_scale_tone_reads_one_in_its_bin() {
    for (fft_len, bin) in [(64, 5.0_f32), (64, -20.0), (63, 3.0), (100, 0.0)] {
        let mut spectrum = Spectrum::new(RATE_HZ, fft_len).unwrap();
        spectrum.push(&tone(bin, fft_len, 1000));
        let psd = spectrum.psd().unwrap();
        let top = (0..fft_len)
            .max_by(|&a, &b| psd.power_lin[a].total_cmp(&psd.power_lin[b]))
            .unwrap();
        let expected_hz = f64::from(bin) * RATE_HZ / fft_len as f64;
        assert!(
            (psd.frequency_hz(top) - expected_hz).abs() < 1e-6,
            "{fft_len} {bin}"
        );
        // Single precision over a few hundred operations.
        assert!((psd.power_lin[top] - 1.0).abs() < 1e-4, "{}", psd.power_lin[top]);
        let total: f64 = psd.density_per_hz.iter().sum::<f64>() * RATE_HZ / fft_len as f64;
        assert!((total - 1.0).abs() < 1e-4, "{total}");
        // Harris 1978, table 1: the Hann window's equivalent noise bandwidth is 1.50 bins.
        assert!((psd.noise_bandwidth_hz * fft_len as f64 / RATE_HZ - 1.5).abs() < 1e-9);
    }
}

#[test]
fn white_noise_reads_its_density() {
    let sigma = 0.1_f32;
    let mut spectrum = Spectrum::new(RATE_HZ, 256).unwrap();
    spectrum.push(&noise(sigma, 400_000));
    let psd = spectrum.psd().unwrap();
    // Some 3,100 half-overlapped segments, worth 2,900 independent ones (Welch 1967): 1.9 % each bin, 5 sigma.
    for density in &psd.density_per_hz {
        let relative = density * RATE_HZ / f64::from(2.0 * sigma * sigma);
        assert!((relative - 1.0).abs() < 0.1, "{relative}");
    }
}

#[test]
fn spectrogram_shows_a_burst_where_it_was_and_keeps_its_size() {
    let mut builder = SpectrogramBuilder::new(RATE_HZ, 64, 50).unwrap();
    // 10 s with a burst from 4 s to 5 s in bin +8.
    for second in 0..10 {
        if second == 4 {
            builder.push(&tone(8.0, 64, 48_000));
        } else {
            builder.push(&noise(0.001, 48_000));
        }
        assert!(builder.finish().rows <= 50);
    }
    let picture = builder.finish();
    assert!(picture.rows > 25, "{}", picture.rows);
    let bin = (0..64)
        .find(|&b| (picture.frequency_hz(b) - 6000.0).abs() < 1e-6)
        .unwrap();
    for row in 0..picture.rows {
        let (from, to) = (
            picture.time_s(row) - picture.row_s / 2.0,
            picture.time_s(row) + picture.row_s / 2.0,
        );
        let at = row * picture.bins + bin;
        let (mean, max) = (picture.mean_power_lin[at], picture.max_power_lin[at]);
        if from > 4.01 && to < 4.99 {
            assert!(
                (mean - 1.0).abs() < 0.01 && (max - 1.0).abs() < 0.01,
                "{row}: {mean} {max}"
            );
        } else if to < 3.99 || from > 5.01 {
            assert!(max < 1e-3, "{row}: {max}");
        }
    }
}

#[test]
fn a_huge_gap_costs_no_memory_and_leaves_empty_rows() {
    let mut builder = SpectrogramBuilder::new(RATE_HZ, 64, 16).unwrap();
    builder.push(&tone(0.0, 64, 1000));
    builder.push_gap(1 << 50);
    builder.push(&tone(0.0, 64, 1000));
    let picture = builder.finish();
    assert!(picture.rows <= 16 && picture.rows >= 8);
    assert!(picture.segments[0] > 0 && picture.segments[picture.rows - 1] > 0);
    assert!(picture.segments[1..picture.rows - 1].iter().all(|&n| n == 0));
    assert!(picture.mean_power_lin.iter().all(|p| p.is_finite()));
}

#[test]
fn blocks_are_decoded_before_they_are_shown() {
    let samples = tone(4.0, 32, 500);
    let mut bytes = Vec::new();
    for s in &samples {
        for v in [0.0, 0.0, s.re, s.im] {
            SampleFormat::CF32_LE.encode_component(f64::from(v), &mut bytes);
        }
    }
    let block = RawBlock {
        start: SampleIndex(0),
        format: SampleFormat::CF32_LE,
        channels: 2,
        bytes: Arc::new(bytes),
    };
    let mut from_block = SpectrogramBuilder::new(RATE_HZ, 32, 10).unwrap();
    from_block.push_block(&block, 1);
    let mut from_samples = SpectrogramBuilder::new(RATE_HZ, 32, 10).unwrap();
    from_samples.push(&samples);
    assert_eq!(from_block.finish(), from_samples.finish());
}

// Complex Gaussian noise has an exponential power: variance = mean squared. A carrier has none.
#[test]
fn relative_variance_tells_noise_from_a_carrier() {
    let mut power = MeanPower::default();
    power.push(&noise(0.5, 100_000));
    let stats = power.stats().unwrap();
    // 1 sigma: 0.3 % for the mean, about sqrt(20 / n) = 1.4 % for the variance; 5 sigma.
    assert!((stats.mean_power_lin - 0.5).abs() < 0.5 * 0.016);
    assert!((stats.relative_variance - 1.0).abs() < 0.07);
    power.reset();
    assert_eq!(power.stats(), None);
    power.push(&tone(3.0, 64, 1000));
    assert!(power.stats().unwrap().relative_variance < 1e-6);
    power.push(&[Sample::new(f32::NAN, 0.0)]);
    assert_eq!(power.stats(), None);
}

#[test]
fn samples_that_are_no_numbers_leave_the_spectrum_finite() {
    let mut spectrum = Spectrum::new(RATE_HZ, 64).unwrap();
    spectrum.push(&[Sample::new(f32::NAN, 0.0); 200]);
    assert!(spectrum.psd().unwrap().power_lin.iter().all(|&p| p == 0.0));
}

#[test]
fn wrong_sizes_are_named() {
    let text = |e: Option<SpectrumError>| e.expect("an error").to_string();
    assert_eq!(
        text(Spectrum::new(0.0, 64).err()),
        "rate_hz is 0, but must be a finite number over 0"
    );
    assert_eq!(
        text(Spectrum::new(1.0, 2).err()),
        "fft_len is 2, but must be from 4 to 16777216"
    );
    assert_eq!(
        text(SpectrogramBuilder::new(1.0, 64, 1).err()),
        "max_rows is 1, but must be at least 2"
    );
}
