//! Signals, filters and recordings for the tests.

#![allow(dead_code, reason = "each test file uses its part")]

use std::f64::consts::TAU;
use std::path::PathBuf;
use std::sync::Arc;

use lobewright_burst::{BurstDetector, DetectorConfig};
use lobewright_types::{Burst, ChannelBlock, ChannelClock, Sample, SampleIndex, Stage, StreamItem};
use num_complex::Complex;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A clock without decimation or delay.
pub(crate) fn plain_clock(rate_hz: f64) -> ChannelClock {
    ChannelClock {
        input_rate_hz: rate_hz,
        decimation: 1,
        first_input_index: 0.0,
    }
}

pub(crate) fn block_at(start: u64, samples: &[Sample], rate_hz: f64) -> StreamItem<ChannelBlock> {
    StreamItem::Block(ChannelBlock {
        channel: 0,
        start: SampleIndex(start),
        clock: plain_clock(rate_hz),
        samples: Arc::new(samples.to_vec()),
        clipped_inputs: Arc::new(vec![0; samples.len()]),
    })
}

/// Runs a detector over `samples` in blocks of `cut`.
pub(crate) fn detect_in_blocks(
    config: &DetectorConfig,
    samples: &[Sample],
    cut: usize,
) -> (Vec<Burst>, BurstDetector) {
    let mut detector = BurstDetector::build(0, config.clone()).unwrap();
    let mut bursts = Vec::new();
    for (i, part) in samples.chunks(cut).enumerate() {
        let block = block_at((i * cut) as u64, part, config.rate_hz);
        detector.push(block, &mut |b| bursts.push(b)).unwrap();
    }
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    (bursts, detector)
}

pub(crate) fn detect(config: &DetectorConfig, samples: &[Sample]) -> Vec<Burst> {
    detect_in_blocks(config, samples, 4096).0
}

/// White complex Gaussian noise of mean power `power`.
pub(crate) struct Noise {
    rng: ChaCha8Rng,
    scale: f64,
}

impl Noise {
    pub(crate) fn new(seed: u64, power: f64) -> Self {
        Self {
            rng: ChaCha8Rng::seed_from_u64(seed),
            scale: (power / 2.0).sqrt(),
        }
    }

    pub(crate) fn next(&mut self) -> Complex<f64> {
        let re: f64 = StandardNormal.sample(&mut self.rng);
        let im: f64 = StandardNormal.sample(&mut self.rng);
        Complex::new(re, im) * self.scale
    }

    pub(crate) fn take(&mut self, count: usize) -> Vec<Complex<f64>> {
        (0..count).map(|_| self.next()).collect()
    }
}

pub(crate) fn narrow(samples: &[Complex<f64>]) -> Vec<Sample> {
    #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
    samples
        .iter()
        .map(|s| Sample::new(s.re as f32, s.im as f32))
        .collect()
}

/// Adds a tone of `power` and `offset_hz` from sample `from` to before `to`.
pub(crate) fn add_tone(
    samples: &mut [Complex<f64>],
    from: usize,
    to: usize,
    power: f64,
    offset_hz: f64,
    rate_hz: f64,
) {
    for (i, sample) in samples.iter_mut().enumerate().take(to).skip(from) {
        *sample += Complex::from_polar(power.sqrt(), TAU * offset_hz * i as f64 / rate_hz);
    }
}

/// The modified Bessel function of the first kind and order 0: its power series (Abramowitz & Stegun 9.6.12).
pub(crate) fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

/// A linear-phase band-pass from `low_hz` to `high_hz`: windowed sinc, Kaiser window with beta 8.
pub(crate) fn band_filter(low_hz: f64, high_hz: f64, taps: usize, rate_hz: f64) -> Vec<Complex<f64>> {
    let middle = (taps - 1) as f64 / 2.0;
    let cut = (high_hz - low_hz) / rate_hz;
    let low_pass: Vec<f64> = (0..taps)
        .map(|i| {
            let t = i as f64 - middle;
            let sinc = if t == 0.0 {
                cut
            } else {
                (TAU / 2.0 * cut * t).sin() / (TAU / 2.0 * t)
            };
            sinc * bessel_i0(8.0 * (1.0 - (t / middle).powi(2)).max(0.0).sqrt()) / bessel_i0(8.0)
        })
        .collect();
    let gain: f64 = low_pass.iter().sum();
    let center = TAU * (low_hz + high_hz) / 2.0 / rate_hz;
    low_pass
        .iter()
        .enumerate()
        .map(|(i, h)| Complex::from_polar(h / gain, center * (i as f64 - middle)))
        .collect()
}

/// Filters with no delay left; as long as `samples`, zeros assumed outside.
pub(crate) fn filter(samples: &[Complex<f64>], taps: &[Complex<f64>]) -> Vec<Complex<f64>> {
    let half = taps.len() / 2;
    (0..samples.len())
        .map(|n| {
            let first = (n + half + 1).saturating_sub(taps.len());
            let last = (n + half).min(samples.len() - 1);
            (first..=last).map(|k| samples[k] * taps[n + half - k]).sum()
        })
        .collect()
}

pub(crate) fn noise_bandwidth_hz(taps: &[Complex<f64>], rate_hz: f64) -> f64 {
    taps.iter().map(Complex::norm_sqr).sum::<f64>() * rate_hz
}

pub(crate) fn recording_bytes(name: &str) -> Vec<u8> {
    let folder = [env!("CARGO_MANIFEST_DIR"), "../../testdata/recordings", name];
    let path: PathBuf = folder.iter().collect();
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Reads a recording: samples, full scale 1.0, and how many components of each sample stood at full scale.
pub(crate) fn recording(name: &str) -> (Vec<Complex<f64>>, Vec<u32>) {
    let bytes = recording_bytes(name);
    if name.starts_with("meter") {
        let value = |v: u8| (f64::from(v) - 127.5) / 127.5;
        let rail = |v: u8| v == 0 || v == 255;
        bytes
            .chunks_exact(2)
            .map(|p| {
                (
                    Complex::new(value(p[0]), value(p[1])),
                    u32::from(rail(p[0]) || rail(p[1])),
                )
            })
            .unzip()
    } else {
        let value = |p: &[u8]| i16::from_le_bytes([p[0], p[1]]);
        bytes
            .chunks_exact(4)
            .map(|p| {
                let (re, im) = (value(&p[..2]), value(&p[2..]));
                let rail = |v: i16| v == i16::MIN || v == i16::MAX;
                let sample = Complex::new(f64::from(re), f64::from(im)) / 32768.0;
                (sample, u32::from(rail(re) || rail(im)))
            })
            .unzip()
    }
}
