//! Power over time and frequency, in memory that does not grow with the recording.

use lobewright_types::{RawBlock, Sample};

use crate::spectrum::{Segmenter, SpectrumError, bin_frequency_hz};

/// Power over time and frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrogram {
    /// Sample rate.
    pub rate_hz: f64,
    /// Bins in a row.
    pub bins: usize,
    /// Rows.
    pub rows: usize,
    /// Time from one row to the next.
    pub row_s: f64,
    /// Segments that each row averages; 0 for a row without samples, whose powers are 0.
    pub segments: Vec<u64>,
    /// Mean power, `[row, bin]`, row-major, lowest frequency first; 1.0 is a full-scale complex tone in the middle of
    /// a bin.
    pub mean_power_lin: Vec<f32>,
    /// Largest power, laid out and scaled as `mean_power_lin`.
    pub max_power_lin: Vec<f32>,
}

impl Spectrogram {
    /// The time at the middle of a row, from the first sample pushed.
    pub fn time_s(&self, row: usize) -> f64 {
        (row as f64 + 0.5) * self.row_s
    }

    /// The centre frequency of a bin, from half the rate below the tuned centre up.
    pub fn frequency_hz(&self, bin: usize) -> f64 {
        bin_frequency_hz(self.rate_hz, self.bins, bin)
    }
}

/// Gathers a [`Spectrogram`]: whenever it would have more than `max_rows` rows, neighbours are joined.
///
/// Half-overlapping Hann segments; a segment belongs to the row that its first half starts in.
#[derive(Clone)]
pub struct SpectrogramBuilder {
    rate_hz: f64,
    segmenter: Segmenter,
    rows: Rows,
    decoded: Vec<Sample>,
    /// Samples of the stream so far, lost ones included.
    position: u64,
    /// Position at which the present run of segments started.
    run_start: u64,
}

#[derive(Clone)]
struct Rows {
    bins: usize,
    most: usize,
    samples_per_row: u64,
    segments: Vec<u64>,
    sum: Vec<f64>,
    max: Vec<f32>,
}

impl SpectrogramBuilder {
    /// Plans transforms of `fft_len` samples and room for `max_rows` rows.
    ///
    /// # Errors
    /// [`SpectrumError`] for a rate that is not positive, a length outside 4 to 2^24 or fewer than two rows.
    pub fn new(rate_hz: f64, fft_len: usize, max_rows: usize) -> Result<Self, SpectrumError> {
        if max_rows < 2 {
            return Err(SpectrumError::Rows(max_rows));
        }
        let segmenter = Segmenter::new(rate_hz, fft_len)?;
        Ok(Self {
            rate_hz,
            rows: Rows {
                bins: fft_len,
                most: max_rows,
                samples_per_row: segmenter.hop() as u64,
                segments: Vec::new(),
                sum: Vec::new(),
                max: Vec::new(),
            },
            segmenter,
            decoded: Vec::new(),
            position: 0,
            run_start: 0,
        })
    }

    /// Takes samples that follow those before.
    pub fn push(&mut self, samples: &[Sample]) {
        let hop = self.segmenter.hop() as u64;
        let rows = &mut self.rows;
        let run_start = &mut self.run_start;
        self.segmenter.push(samples, &mut |power| {
            rows.add(*run_start, power);
            *run_start += hop;
        });
        self.position += samples.len() as u64;
    }

    /// Decodes and takes one channel of a block.
    ///
    /// # Panics
    /// Where the block has no channel `channel`.
    pub fn push_block(&mut self, block: &RawBlock, channel: usize) {
        assert!(
            channel < block.channels,
            "the block has {} channels",
            block.channels
        );
        let mut decoded = std::mem::take(&mut self.decoded);
        let frame = block.format.bytes_per_sample() * block.channels;
        for piece in block.bytes.chunks(65_536 * frame) {
            decoded.clear();
            block.format.decode(piece, channel, block.channels, &mut decoded);
            self.push(&decoded);
        }
        self.decoded = decoded;
    }

    /// Leaves out `samples` lost samples: no segment spans them.
    pub fn push_gap(&mut self, samples: u64) {
        self.segmenter.forget();
        self.position = self.position.saturating_add(samples);
        self.run_start = self.position;
    }

    /// What was gathered, at most `max_rows` rows; no row before the first whole segment.
    pub fn finish(&self) -> Spectrogram {
        let rows = &self.rows;
        let scale = 1.0 / self.segmenter.sum_squared;
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a picture needs no more than single precision"
        )]
        let mean = rows
            .sum
            .chunks_exact(rows.bins)
            .zip(&rows.segments)
            .flat_map(|(row, &n)| row.iter().map(move |s| (s * scale / n.max(1) as f64) as f32))
            .collect();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a picture needs no more than single precision"
        )]
        let max = rows.max.iter().map(|&m| (f64::from(m) * scale) as f32).collect();
        Spectrogram {
            rate_hz: self.rate_hz,
            bins: rows.bins,
            rows: rows.segments.len(),
            row_s: rows.samples_per_row as f64 / self.rate_hz,
            segments: rows.segments.clone(),
            mean_power_lin: mean,
            max_power_lin: max,
        }
    }
}

impl Rows {
    fn add(&mut self, start: u64, power: &[f64]) {
        while start / self.samples_per_row >= self.most as u64 {
            self.join_pairs();
        }
        let row = crate::input::to_usize(start / self.samples_per_row);
        if row >= self.segments.len() {
            self.segments.resize(row + 1, 0);
            self.sum.resize((row + 1) * self.bins, 0.0);
            self.max.resize((row + 1) * self.bins, 0.0);
        }
        self.segments[row] += 1;
        let range = row * self.bins..(row + 1) * self.bins;
        for ((s, m), &p) in self.sum[range.clone()]
            .iter_mut()
            .zip(&mut self.max[range])
            .zip(power)
        {
            *s += p;
            #[expect(
                clippy::cast_possible_truncation,
                reason = "a picture needs no more than single precision"
            )]
            {
                *m = m.max(p as f32);
            }
        }
    }

    fn join_pairs(&mut self) {
        let rows = self.segments.len().div_ceil(2);
        for row in 0..rows {
            let (a, b) = (2 * row, 2 * row + 1);
            let other = b < self.segments.len();
            self.segments[row] = self.segments[a] + if other { self.segments[b] } else { 0 };
            for bin in 0..self.bins {
                let (i, j) = (a * self.bins + bin, b * self.bins + bin);
                let (sum, max) = if other {
                    (self.sum[j], self.max[j])
                } else {
                    (0.0, 0.0)
                };
                self.sum[row * self.bins + bin] = self.sum[i] + sum;
                self.max[row * self.bins + bin] = self.max[i].max(max);
            }
        }
        self.segments.truncate(rows);
        self.sum.truncate(rows * self.bins);
        self.max.truncate(rows * self.bins);
        self.samples_per_row = self.samples_per_row.saturating_mul(2);
    }
}
