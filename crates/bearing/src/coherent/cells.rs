//! Short cells of covariance, and the covariances of bursts and of the noise cut from them.

use std::collections::VecDeque;
use std::sync::Arc;

use lobewright_types::{Burst, ChannelBlock, ChannelClock, Sample, SampleIndex, StreamItem};
use ndarray::Array2;

use super::covariance::{CHANNELS, HermitianSum};
use super::{ChannelCovariance, ChannelNoise};

/// Input samples by which instants of two receivers may differ and still be the same.
const SAME_INSTANT: f64 = 0.01;
/// Samples of a receiver that wait for the others; more are dropped, the oldest first.
const MOST_WAITING: usize = 1 << 20;

/// How covariances are cut from the cells.
#[derive(Debug, Clone, PartialEq)]
pub struct CutConfig {
    /// Equivalent noise bandwidth of the channel: independent samples of the noise a second, whatever the bandwidth
    /// of the signal.
    pub noise_bandwidth_hz: f64,
    /// Time left out behind the start and before the stop of a burst.
    pub edge_guard_s: f64,
    /// Time left out around a burst where noise is measured.
    pub noise_guard_s: f64,
    /// Relative standard deviation of the noise power from the time of its measurement to that of a burst.
    pub noise_level_rel_sigma: f64,
}

impl CutConfig {
    /// 10 ms left out inside of a burst's edges and 50 ms outside, noise steady to 3 %.
    pub fn new(noise_bandwidth_hz: f64) -> Self {
        Self {
            noise_bandwidth_hz,
            edge_guard_s: 0.01,
            noise_guard_s: 0.05,
            noise_level_rel_sigma: 0.03,
        }
    }
}

/// Collects the covariance of coherent receivers in short cells, aligned to the source's sample index.
///
/// The receivers share the source's clock. A sample counts where every receiver has one at the same instant; what some
/// lack, by gaps or by a late start, is left out ([`CovarianceCells::unmatched_samples`]). Cells do not depend on how
/// the streams were cut into blocks, nor on the order in which the receivers are pushed as long as none runs ahead by
/// more than a million samples.
#[derive(Debug, Clone)]
pub struct CovarianceCells {
    cell_s: f64,
    layout: Option<Layout>,
    receivers: Vec<Waiting>,
    /// By number, ascending; only those that hold samples.
    cells: VecDeque<(u64, Cell)>,
    unmatched: u64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Layout {
    input_rate_hz: f64,
    decimation: u32,
    inputs_per_cell: f64,
}

#[derive(Debug, Clone)]
struct Cell {
    sum: HermitianSum,
    samples: u64,
    clipped_inputs: u64,
}

impl Cell {
    fn new(channels: usize) -> Self {
        Self {
            sum: HermitianSum::new(channels),
            samples: 0,
            clipped_inputs: 0,
        }
    }

    fn merge(&mut self, other: &Self) {
        self.sum.merge(&other.sum);
        self.samples += other.samples;
        self.clipped_inputs += other.clipped_inputs;
    }
}

/// Samples of one receiver that wait for the others.
#[derive(Debug, Clone, Default)]
struct Waiting {
    pieces: VecDeque<Piece>,
    samples: usize,
}

#[derive(Debug, Clone)]
struct Piece {
    clock: ChannelClock,
    /// Channel index of the first sample of the block.
    start: u64,
    /// Samples already used.
    used: usize,
    samples: Arc<Vec<Sample>>,
    clipped_inputs: Arc<Vec<u32>>,
}

impl Piece {
    /// Input index of the next sample.
    fn at(&self) -> f64 {
        self.clock.input_index((self.start + self.used as u64) as f64)
    }

    fn left(&self) -> usize {
        self.samples.len() - self.used
    }
}

impl Waiting {
    fn skip(&mut self, count: usize) {
        self.samples -= count;
        if let Some(piece) = self.pieces.front_mut() {
            piece.used += count;
            if piece.left() == 0 {
                self.pieces.pop_front();
            }
        }
    }
}

impl CovarianceCells {
    /// Takes the number of receivers and the length of a cell in seconds; about 5 ms suits.
    ///
    /// # Panics
    /// Where there are not 2 to 64 receivers, or the length is not positive and finite.
    pub fn new(receivers: usize, cell_s: f64) -> Self {
        assert!(CHANNELS.contains(&receivers), "2 to 64 receivers");
        assert!(cell_s > 0.0 && cell_s.is_finite(), "a cell must have a length");
        Self {
            cell_s,
            layout: None,
            receivers: vec![Waiting::default(); receivers],
            cells: VecDeque::new(),
            unmatched: 0,
        }
    }

    /// Takes the next piece of one receiver's channel, `receiver` from 0. A change of rate of all starts anew.
    ///
    /// # Panics
    /// Where there is no such receiver.
    pub fn push(&mut self, receiver: usize, item: &StreamItem<ChannelBlock>) {
        let StreamItem::Block(block) = item else { return };
        let waiting = &mut self.receivers[receiver];
        let length = block.samples.len().min(block.clipped_inputs.len());
        if length > 0 {
            waiting.samples += block.samples.len();
            waiting.pieces.push_back(Piece {
                clock: block.clock,
                start: block.start.0,
                used: 0,
                samples: block.samples.clone(),
                clipped_inputs: block.clipped_inputs.clone(),
            });
        }
        while self.receivers.iter().all(|w| !w.pieces.is_empty()) {
            self.step();
        }
        let waiting = &mut self.receivers[receiver];
        while waiting.samples > MOST_WAITING {
            let piece = waiting.pieces.front().map_or(0, Piece::left);
            let count = piece.min(waiting.samples - MOST_WAITING);
            waiting.skip(count);
            self.unmatched += count as u64;
        }
    }

    /// Takes the samples that all receivers have next, or drops those that one of them lacks.
    fn step(&mut self) {
        let heads: Vec<&Piece> = self.receivers.iter().filter_map(|w| w.pieces.front()).collect();
        let latest = heads.iter().map(|p| p.at()).fold(f64::NEG_INFINITY, f64::max);
        let same_clock = |p: &Piece| {
            (p.clock.input_rate_hz - heads[0].clock.input_rate_hz).abs() <= 0.0
                && p.clock.decimation == heads[0].clock.decimation
        };
        let late = |p: &Piece| p.at() < latest - SAME_INSTANT;
        // Clocks that never meet must not stop the loop: one sample of each is let go.
        let clash = !heads.iter().all(|p| same_clock(p)) || !latest.is_finite();
        let drops: Vec<usize> = heads
            .iter()
            .map(|p| {
                if clash {
                    1
                } else if late(p) {
                    let behind = (latest - SAME_INSTANT - p.at()) / f64::from(p.clock.decimation.max(1));
                    as_count(behind.ceil()).clamp(1, p.left())
                } else {
                    0
                }
            })
            .collect();
        if drops.iter().any(|d| *d > 0) {
            for (waiting, count) in self.receivers.iter_mut().zip(drops) {
                if count > 0 {
                    waiting.skip(count);
                    self.unmatched += count as u64;
                }
            }
        } else {
            let clock = heads[0].clock;
            self.take(clock, latest);
        }
    }

    /// Adds the samples that all receivers have from `at` on to their cell.
    fn take(&mut self, clock: ChannelClock, at: f64) {
        let decimation = f64::from(clock.decimation.max(1));
        let layout = Layout {
            input_rate_hz: clock.input_rate_hz,
            decimation: clock.decimation.max(1),
            inputs_per_cell: (self.cell_s * clock.input_rate_hz).round().max(decimation),
        };
        if self.layout != Some(layout) {
            self.cells.clear();
            self.layout = Some(layout);
        }
        let number = (at / layout.inputs_per_cell).floor();
        let to_end = ((number + 1.0) * layout.inputs_per_cell - at) / decimation;
        let heads = || self.receivers.iter().filter_map(|w| w.pieces.front());
        let shortest = heads().map(Piece::left).min().unwrap_or(0);
        let count = as_count(to_end.ceil()).clamp(1, shortest.max(1));
        let channels = self.receivers.len();
        let (mut clipped, mut finite) = (0, Vec::with_capacity(count));
        for i in 0..count {
            let all = heads().all(|p| {
                let v = p.samples[p.used + i];
                v.re.is_finite() && v.im.is_finite()
            });
            if all {
                finite.push(i);
                clipped += heads()
                    .map(|p| p.clipped_inputs.get(p.used + i).map_or(0, |c| u64::from(*c)))
                    .sum::<u64>();
            }
        }
        let mut block = Array2::zeros((channels, finite.len()));
        for (mut row, piece) in block.rows_mut().into_iter().zip(heads()) {
            for (value, i) in row.iter_mut().zip(&finite) {
                *value = piece.samples[piece.used + i];
            }
        }
        self.unmatched += ((count - finite.len()) * channels) as u64;
        let cell = self.cell_mut(as_count(number) as u64);
        cell.sum.add(&block.view());
        cell.samples += finite.len() as u64;
        cell.clipped_inputs += clipped;
        for waiting in &mut self.receivers {
            waiting.skip(count);
        }
    }

    fn cell_mut(&mut self, number: u64) -> &mut Cell {
        let at = self.cells.partition_point(|c| c.0 < number);
        if self.cells.get(at).is_none_or(|c| c.0 != number) {
            self.cells.insert(at, (number, Cell::new(self.receivers.len())));
        }
        &mut self.cells[at].1
    }

    /// Drops the cells that end before a source sample.
    pub fn forget_before(&mut self, index: SampleIndex) {
        let Some(layout) = self.layout else { return };
        let keep = as_count(index.0 as f64 / layout.inputs_per_cell) as u64;
        while self.cells.front().is_some_and(|c| c.0 < keep) {
            self.cells.pop_front();
        }
    }

    /// Cells held now: the measure of its memory.
    pub fn len(&self) -> usize {
        self.cells.len()
    }

    /// Whether it holds no cell.
    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }

    /// Channel samples, of all receivers together, that were left out because another receiver had none at that
    /// instant, or for not being finite.
    pub fn unmatched_samples(&self) -> u64 {
        self.unmatched
    }

    /// Cuts the covariance of a burst: whole cells inside it, its edges left out.
    ///
    /// `None` where it is shorter than a cell, no longer held, or without power.
    pub fn burst(&self, burst: &Burst, config: &CutConfig) -> Option<ChannelCovariance> {
        let layout = self.layout?;
        let guard = config.edge_guard_s.max(0.0) * layout.input_rate_hz;
        let (start, stop) = (burst.start.0 as f64 + guard, burst.stop.0 as f64 - guard);
        self.cut(start, stop, &[], config)
    }

    /// Cuts the covariance of the noise: whole cells from `start` to `stop` that lie outside of every burst.
    ///
    /// `None` where none is left.
    pub fn noise(
        &self,
        start: SampleIndex,
        stop: SampleIndex,
        bursts: &[Burst],
        config: &CutConfig,
    ) -> Option<ChannelNoise> {
        let layout = self.layout?;
        let guard = config.noise_guard_s.max(0.0) * layout.input_rate_hz;
        let out: Vec<(f64, f64)> = bursts
            .iter()
            .map(|b| (b.start.0 as f64 - guard, b.stop.0 as f64 + guard))
            .collect();
        Some(ChannelNoise {
            covariance: self.cut(start.0 as f64, stop.0 as f64, &out, config)?,
            level_rel_sigma: config.noise_level_rel_sigma,
        })
    }

    /// Mean over the whole cells between two input indices that touch none of the stretches `out`.
    fn cut(
        &self,
        start: f64,
        stop: f64,
        out: &[(f64, f64)],
        config: &CutConfig,
    ) -> Option<ChannelCovariance> {
        let layout = self.layout?;
        let mut sum = Cell::new(self.receivers.len());
        for (number, cell) in &self.cells {
            let from = *number as f64 * layout.inputs_per_cell;
            let to = from + layout.inputs_per_cell;
            let inside = from >= start && to <= stop;
            if inside && !out.iter().any(|o| from < o.1 && to > o.0) {
                sum.merge(cell);
            }
        }
        if sum.samples == 0 {
            return None;
        }
        let decimation = f64::from(layout.decimation);
        let samples = sum.samples as f64;
        let length_s = samples * decimation / layout.input_rate_hz;
        let independent = (config.noise_bandwidth_hz * length_s).max(1.0);
        let inputs = samples * decimation * self.receivers.len() as f64;
        let clip_fraction = sum.clipped_inputs as f64 / inputs;
        ChannelCovariance::new(&sum.sum.mean(samples), independent, clip_fraction).ok()
    }
}

/// The whole part of a number, 0 for what is below.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates, and indices are far below 2^53"
)]
fn as_count(x: f64) -> usize {
    x as usize
}
