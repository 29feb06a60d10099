//! Averaged spectra of a burst and of the noise, and what they tell of the carrier.

use std::sync::Arc;

use lobewright_types::Sample;
use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

/// Noise segments after which older ones count half.
const NOISE_MEMORY: f64 = 2048.0;
/// Bins of the histogram of instantaneous frequency.
const FREQUENCY_BINS: usize = 512;

/// Periodograms with a Hann window (Welch, IEEE Trans. AU-15 (1967)), of the samples and of their squares.
pub(crate) struct Analyzer {
    fft: Arc<dyn Fft<f64>>,
    window: Vec<f64>,
    /// Sum of the squared window.
    window_power: f64,
    buffer: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl Analyzer {
    pub(crate) fn new(length: usize) -> Self {
        let fft = FftPlanner::new().plan_fft_forward(length);
        let turn = std::f64::consts::TAU / length as f64;
        let window: Vec<f64> = (0..length).map(|i| 0.5 - 0.5 * (turn * i as f64).cos()).collect();
        Self {
            scratch: vec![Complex::default(); fft.get_inplace_scratch_len()],
            buffer: vec![Complex::default(); length],
            window_power: window.iter().map(|w| w * w).sum(),
            window,
            fft,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.window.len()
    }

    /// Adds a periodogram of `samples` to `sum`: its mean over the bins is the mean power.
    fn add(&mut self, sum: &mut [f64], samples: impl Iterator<Item = Complex<f64>>) {
        for ((slot, sample), window) in self.buffer.iter_mut().zip(samples).zip(&self.window) {
            *slot = sample * window;
        }
        self.fft.process_with_scratch(&mut self.buffer, &mut self.scratch);
        for (total, bin) in sum.iter_mut().zip(&self.buffer) {
            *total += bin.norm_sqr() / self.window_power;
        }
    }
}

fn wide(sample: Sample) -> Complex<f64> {
    Complex::new(f64::from(sample.re), f64::from(sample.im))
}

/// Sums over a burst; their size does not grow with its length.
#[derive(Debug, Clone)]
pub(crate) struct BurstSpectra {
    /// Power in each bin, FFT order.
    pub power: Vec<f64>,
    /// The same of the squared samples.
    pub squared: Vec<f64>,
    pub segments: f64,
    /// Power by instantaneous frequency, from minus to plus half the rate.
    pub frequency: Vec<f64>,
    pub samples: f64,
    pub sum_power: f64,
    pub sum_power_squared: f64,
}

impl BurstSpectra {
    pub(crate) fn new(length: usize) -> Self {
        Self {
            power: vec![0.0; length],
            squared: vec![0.0; length],
            segments: 0.0,
            frequency: vec![0.0; FREQUENCY_BINS],
            samples: 0.0,
            sum_power: 0.0,
            sum_power_squared: 0.0,
        }
    }

    /// Adds one segment, as long as the analyzer; the next one starts half of that later.
    pub(crate) fn add_segment(&mut self, analyzer: &mut Analyzer, segment: &[Sample]) {
        analyzer.add(&mut self.power, segment.iter().map(|&s| wide(s)));
        let squares = segment.iter().map(|&s| {
            let s = wide(s);
            s * s
        });
        analyzer.add(&mut self.squared, squares);
        self.segments += 1.0;
        for pair in segment[..=segment.len() / 2].windows(2) {
            self.add_turn(wide(pair[0]), wide(pair[1]));
        }
    }

    fn add_turn(&mut self, before: Complex<f64>, after: Complex<f64>) {
        let turn = after * before.conj();
        let power = after.norm_sqr();
        self.samples += 1.0;
        self.sum_power += power;
        self.sum_power_squared += power * power;
        let cycles = turn.im.atan2(turn.re) / std::f64::consts::TAU + 0.5;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "cycles lie in 0 to 1; the cast of anything else saturates"
        )]
        let bin = (cycles * FREQUENCY_BINS as f64) as usize;
        self.frequency[bin.min(FREQUENCY_BINS - 1)] += turn.re.hypot(turn.im);
    }
}

/// Spectrum of the noise in the channel, averaged over the time without bursts.
#[derive(Debug, Clone)]
pub(crate) struct NoiseSpectrum {
    sum: Vec<f64>,
    segments: f64,
}

impl NoiseSpectrum {
    pub(crate) fn new(length: usize) -> Self {
        Self {
            sum: vec![0.0; length],
            segments: 0.0,
        }
    }

    pub(crate) fn add_segment(&mut self, analyzer: &mut Analyzer, segment: &[Sample]) {
        if self.segments >= NOISE_MEMORY {
            self.sum.iter_mut().for_each(|bin| *bin *= 0.5);
            self.segments *= 0.5;
        }
        analyzer.add(&mut self.sum, segment.iter().map(|&s| wide(s)));
        self.segments += 1.0;
    }

    /// The noise in `length` bins (FFT order) with the mean `power`; flat over the noise bandwidth where no noise
    /// was seen yet.
    ///
    /// `length` divides the length of the transform.
    pub(crate) fn scaled(&self, length: usize, power: f64, bandwidth_share: f64) -> Vec<f64> {
        let total: f64 = self.sum.iter().sum();
        let group = self.sum.len() / length;
        let shape: Vec<f64> = if total > 0.0 {
            (0..length)
                .map(|k| group_mean(&self.sum, k * group, group))
                .collect()
        } else {
            let inside = |k: usize| k.min(length - k) as f64 <= bandwidth_share * length as f64 / 2.0;
            (0..length).map(|k| f64::from(u8::from(inside(k)))).collect()
        };
        let mean = shape.iter().sum::<f64>() / length as f64;
        shape.iter().map(|bin| bin * power / mean).collect()
    }
}

/// Mean of `group` bins around `centre`, half of the outermost two where `group` is even.
fn group_mean(bins: &[f64], centre: usize, group: usize) -> f64 {
    let at = |offset: usize| bins[(centre + bins.len() + offset - group / 2) % bins.len()];
    if group == 1 {
        return bins[centre];
    }
    let inner: f64 = (1..group).map(at).sum();
    (inner + 0.5 * (at(0) + at(group))) / group as f64
}
