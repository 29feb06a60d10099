//! Welch's averaged power spectrum.

use std::sync::Arc;

use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use lobewright_types::Sample;

use crate::window::hann_periodic;

/// Why a spectrum cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// The sample rate is no rate.
    #[error("rate_hz is {0}, but must be a finite number over 0")]
    Rate(f64),
    /// The transform is too short or too long.
    #[error("fft_len is {0}, but must be from 4 to 16777216")]
    Length(usize),
    /// No row at all.
    #[error("max_rows is {0}, but must be at least 2")]
    Rows(usize),
}

/// Transforms half-overlapping Hann-windowed segments of a stream.
#[derive(Clone)]
pub(crate) struct Segmenter {
    pub(crate) fft_len: usize,
    fft: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    /// Coherent gain squared, and the sum of squares, of the window.
    pub(crate) sum_squared: f64,
    pub(crate) squares: f64,
    pending: Vec<Sample>,
    work: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    power: Vec<f64>,
}

impl Segmenter {
    pub(crate) fn new(rate_hz: f64, fft_len: usize) -> Result<Self, SpectrumError> {
        if !(rate_hz > 0.0 && rate_hz.is_finite()) {
            return Err(SpectrumError::Rate(rate_hz));
        }
        if !(4..=16_777_216).contains(&fft_len) {
            return Err(SpectrumError::Length(fft_len));
        }
        let fft = FftPlanner::new().plan_fft_forward(fft_len);
        let window = hann_periodic(fft_len);
        let sum: f64 = window.iter().sum();
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let single = window.iter().map(|&w| w as f32).collect();
        Ok(Self {
            fft_len,
            scratch: vec![Complex::default(); fft.get_inplace_scratch_len()],
            fft,
            window: single,
            sum_squared: sum * sum,
            squares: window.iter().map(|w| w * w).sum(),
            pending: Vec::with_capacity(2 * fft_len),
            work: vec![Complex::default(); fft_len],
            power: vec![0.0; fft_len],
        })
    }

    pub(crate) fn hop(&self) -> usize {
        self.fft_len / 2
    }

    /// Samples held back that belong to no whole segment, or only to the overlap.
    pub(crate) fn forget(&mut self) {
        self.pending.clear();
    }

    /// Calls `each` with the squared magnitudes of every segment completed, lowest frequency first.
    pub(crate) fn push(&mut self, samples: &[Sample], each: &mut dyn FnMut(&[f64])) {
        let mut rest = samples;
        while !rest.is_empty() {
            let take = (self.fft_len - self.pending.len()).min(rest.len());
            let (now, later) = rest.split_at(take);
            self.pending.extend_from_slice(now);
            rest = later;
            if self.pending.len() == self.fft_len {
                self.transform();
                let hop = self.hop();
                self.pending.drain(..hop);
                each(&self.power);
            }
        }
    }

    fn transform(&mut self) {
        for ((w, s), g) in self.work.iter_mut().zip(&self.pending).zip(&self.window) {
            // A sample that is no number would spoil every bin.
            *w = if s.re.is_finite() && s.im.is_finite() {
                s * *g
            } else {
                Complex::default()
            };
        }
        self.fft.process_with_scratch(&mut self.work, &mut self.scratch);
        let half = self.fft_len.div_ceil(2);
        let shifted = self.work[half..].iter().chain(&self.work[..half]);
        for (p, x) in self.power.iter_mut().zip(shifted) {
            *p = f64::from(x.re) * f64::from(x.re) + f64::from(x.im) * f64::from(x.im);
        }
    }
}

/// The frequency of bin `bin` of `fft_len`, lowest first: from `-rate_hz / 2` (for an even length) up.
pub(crate) fn bin_frequency_hz(rate_hz: f64, fft_len: usize, bin: usize) -> f64 {
    (bin as f64 - (fft_len / 2) as f64) * rate_hz / fft_len as f64
}

/// An averaged power spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct Psd {
    /// Sample rate.
    pub rate_hz: f64,
    /// Segments averaged, half of each shared with the next.
    pub segments: u64,
    /// Mean power in each bin, lowest frequency first, scaled so that a full-scale complex tone in the middle of a
    /// bin reads 1.0 (0 dBFS). Noise reads its density times [`Psd::noise_bandwidth_hz`].
    pub power_lin: Vec<f64>,
    /// Power density in each bin, full scale squared per hertz: its sum times the bin spacing is the mean power.
    pub density_per_hz: Vec<f64>,
    /// Equivalent noise bandwidth of a bin: 1.5 bin spacings for the Hann window.
    pub noise_bandwidth_hz: f64,
}

impl Psd {
    /// The centre frequency of a bin, from half the rate below the tuned centre up.
    pub fn frequency_hz(&self, bin: usize) -> f64 {
        bin_frequency_hz(self.rate_hz, self.power_lin.len(), bin)
    }
}

/// Averages the power spectrum of a stream.
///
/// # Method
/// P. D. Welch, 'The use of fast Fourier transform for the estimation of power spectra', IEEE Trans. Audio
/// Electroacoust. 15(2), 1967: segments of `fft_len` samples, Hann window, half overlapped, powers averaged.
#[derive(Clone)]
pub struct Spectrum {
    rate_hz: f64,
    segmenter: Segmenter,
    sums: Vec<f64>,
    segments: u64,
}

impl Spectrum {
    /// Plans transforms of `fft_len` samples.
    ///
    /// # Errors
    /// [`SpectrumError`] for a rate that is not positive or a length outside 4 to 2^24.
    pub fn new(rate_hz: f64, fft_len: usize) -> Result<Self, SpectrumError> {
        Ok(Self {
            rate_hz,
            segmenter: Segmenter::new(rate_hz, fft_len)?,
            sums: vec![0.0; fft_len],
            segments: 0,
        })
    }

    /// Takes samples that follow those before; any that is not finite counts as zero.
    pub fn push(&mut self, samples: &[Sample]) {
        let (sums, segments) = (&mut self.sums, &mut self.segments);
        self.segmenter.push(samples, &mut |power| {
            *segments += 1;
            for (s, p) in sums.iter_mut().zip(power) {
                *s += p;
            }
        });
    }

    /// Breaks the stream: no segment spans the samples before and after.
    pub fn push_gap(&mut self) {
        self.segmenter.forget();
    }

    /// The average so far; `None` before the first whole segment.
    pub fn psd(&self) -> Option<Psd> {
        if self.segments == 0 {
            return None;
        }
        let n = self.segments as f64;
        let Segmenter {
            sum_squared, squares, ..
        } = self.segmenter;
        Some(Psd {
            rate_hz: self.rate_hz,
            segments: self.segments,
            power_lin: self.sums.iter().map(|s| s / n / sum_squared).collect(),
            density_per_hz: self
                .sums
                .iter()
                .map(|s| s / n / (squares * self.rate_hz))
                .collect(),
            noise_bandwidth_hz: self.rate_hz * squares / sum_squared,
        })
    }

    /// Forgets everything gathered.
    pub fn reset(&mut self) {
        self.segmenter.forget();
        self.sums.fill(0.0);
        self.segments = 0;
    }
}
