//! What is kept of a burst for its bearing, by the kind of antenna.

use std::collections::VecDeque;
use std::ops::Range;

use lobewright_antenna::AzimuthTrack;
use lobewright_bearing::coherent::{ChannelCovariance, ChannelNoise, CovarianceCells, CutConfig};
use lobewright_bearing::{PortCells, PowerCells, ReadingConfig};
use lobewright_types::{Burst, ChannelBlock, LevelReading, Sample, SampleIndex, StreamItem};

/// Length of the cells that readings and covariances are put together from.
pub(crate) const CELL_S: f64 = 0.005;
/// Cells of one piece of noise: a fixed number, so that sums do not depend on the blocks.
const NOISE_CELLS: u64 = 64;

/// What is kept of one burst.
pub(crate) enum Evidence {
    /// Nothing: the antenna has no direction.
    None,
    /// Levels over time.
    Readings(Vec<LevelReading>),
    /// Covariance of the channels; `None` where too short.
    Covariance(Option<ChannelCovariance>),
    /// The samples themselves.
    Samples(BurstSamples),
}

/// Samples of the channel during a burst.
#[derive(Debug, Clone, Default)]
pub(crate) struct BurstSamples {
    pub(crate) samples: Vec<Sample>,
    pub(crate) rate_hz: f64,
    /// Time of the first one from the first of the recording.
    pub(crate) start_s: f64,
    pub(crate) noise_power_lin: f64,
    /// Which of them hold input samples at full scale.
    pub(crate) clipped: Vec<Range<usize>>,
}

/// Holds what bursts yet to be reported will be cut from.
pub(crate) enum Keeper {
    None,
    Rotated(PowerCells, AzimuthTrack),
    Sectors(PortCells),
    Ring(SampleKeeper),
    Coherent(Box<CoherentKeeper>),
}

impl Keeper {
    pub(crate) fn push(&mut self, receiver: usize, item: &StreamItem<ChannelBlock>) {
        match self {
            Self::None => {}
            Self::Rotated(cells, _) => cells.push(item),
            Self::Sectors(cells) => cells.push(item),
            Self::Ring(keeper) => keeper.push(item),
            Self::Coherent(keeper) => keeper.push(receiver, item),
        }
    }

    /// Cuts a burst out; the second value says that the azimuth track ended before it.
    pub(crate) fn cut(&self, burst: &Burst, number: usize, config: &ReadingConfig) -> (Evidence, bool) {
        match self {
            Self::None => (Evidence::None, false),
            Self::Rotated(cells, track) => {
                let set = cells.readings(burst, number, track, config);
                (Evidence::Readings(set.readings), set.track_ended_early)
            }
            Self::Sectors(cells) => {
                let set = cells.port_readings(burst, number, config);
                (Evidence::Readings(set.readings), false)
            }
            Self::Ring(keeper) => (Evidence::Samples(keeper.cut(burst, config.edge_guard_s)), false),
            Self::Coherent(keeper) => (
                Evidence::Covariance(keeper.cells.burst(burst, &keeper.config)),
                false,
            ),
        }
    }

    /// Lets go of what lies before a source sample; `bursts` are all that began before it.
    pub(crate) fn forget_before(&mut self, index: SampleIndex, bursts: &[Burst]) {
        match self {
            Self::None => {}
            Self::Rotated(cells, _) => cells.forget_before(index),
            Self::Sectors(cells) => cells.forget_before(index),
            Self::Ring(keeper) => keeper.forget_before(index),
            Self::Coherent(keeper) => keeper.forget_before(index, bursts),
        }
    }

    /// Noise of coherent channels outside of all bursts.
    pub(crate) fn noise(self, bursts: &[Burst]) -> Option<ChannelNoise> {
        match self {
            Self::Coherent(keeper) => keeper.finish(bursts),
            _ => None,
        }
    }
}

/// Holds the channel's samples.
#[derive(Debug, Default)]
pub(crate) struct SampleKeeper {
    blocks: VecDeque<ChannelBlock>,
    /// Most samples of a burst that are kept, from its start.
    longest_s: f64,
}

impl SampleKeeper {
    pub(crate) fn new(longest_s: f64) -> Self {
        Self {
            blocks: VecDeque::new(),
            longest_s,
        }
    }

    fn push(&mut self, item: &StreamItem<ChannelBlock>) {
        if let StreamItem::Block(block) = item
            && !block.samples.is_empty()
        {
            self.blocks.push_back(block.clone());
        }
    }

    fn forget_before(&mut self, index: SampleIndex) {
        let ends_before = |b: &ChannelBlock| {
            b.clock.input_index((b.start.0 + b.samples.len() as u64) as f64) < index.0 as f64
        };
        while self.blocks.front().is_some_and(ends_before) {
            self.blocks.pop_front();
        }
    }

    fn cut(&self, burst: &Burst, edge_guard_s: f64) -> BurstSamples {
        let mut kept = BurstSamples {
            noise_power_lin: burst.noise.power(),
            ..BurstSamples::default()
        };
        let mut clipped: Vec<Range<usize>> = Vec::new();
        for block in &self.blocks {
            let clock = block.clock;
            let guard = edge_guard_s * clock.input_rate_hz;
            let start = burst.start.0 as f64 + guard;
            let stop = (burst.stop.0 as f64 - guard).min(start + self.longest_s * clock.input_rate_hz);
            for (i, (sample, inputs)) in block.samples.iter().zip(block.clipped_inputs.iter()).enumerate() {
                let index = (block.start.0 + i as u64) as f64;
                let at = clock.input_index(index);
                if at < start || at >= stop {
                    continue;
                }
                if kept.samples.is_empty() {
                    kept.rate_hz = clock.rate_hz();
                    kept.start_s = clock.seconds(index);
                }
                let here = kept.samples.len();
                if *inputs > 0 {
                    match clipped.last_mut() {
                        Some(last) if last.end == here => last.end += 1,
                        _ => clipped.push(here..here + 1),
                    }
                }
                kept.samples.push(*sample);
            }
        }
        kept.clipped = clipped;
        kept
    }
}

/// Covariances of coherent channels, and the noise between the bursts.
pub(crate) struct CoherentKeeper {
    cells: CovarianceCells,
    config: CutConfig,
    inputs_per_cell: f64,
    guard_inputs: f64,
    /// Pieces of noise that are done with.
    pieces: u64,
    noise: Option<ChannelNoise>,
    /// First sample behind the last one that came.
    end: f64,
}

impl CoherentKeeper {
    pub(crate) fn new(receivers: usize, config: CutConfig, input_rate_hz: f64, decimation: u32) -> Self {
        Self {
            cells: CovarianceCells::new(receivers, CELL_S),
            inputs_per_cell: (CELL_S * input_rate_hz).round().max(f64::from(decimation)),
            guard_inputs: config.noise_guard_s * input_rate_hz,
            config,
            pieces: 0,
            noise: None,
            end: 0.0,
        }
    }

    fn push(&mut self, receiver: usize, item: &StreamItem<ChannelBlock>) {
        if let StreamItem::Block(block) = item {
            let behind = (block.start.0 + block.samples.len() as u64) as f64;
            self.end = self.end.max(block.clock.input_index(behind));
        }
        self.cells.push(receiver, item);
    }

    /// First source sample of a piece of noise.
    fn piece_start(&self, piece: u64) -> SampleIndex {
        SampleIndex(whole((piece * NOISE_CELLS) as f64 * self.inputs_per_cell))
    }

    fn forget_before(&mut self, index: SampleIndex, bursts: &[Burst]) {
        // A burst that begins at `index` leaves out the time before it.
        while self.piece_start(self.pieces + 1).0 as f64 + self.guard_inputs <= index.0 as f64 {
            self.take_piece(bursts);
        }
        self.cells.forget_before(index.min(self.piece_start(self.pieces)));
    }

    fn take_piece(&mut self, bursts: &[Burst]) {
        let (start, stop) = (self.piece_start(self.pieces), self.piece_start(self.pieces + 1));
        self.pieces += 1;
        if let Some(piece) = self.cells.noise(start, stop, bursts, &self.config) {
            self.noise = Some(match self.noise.take() {
                Some(before) => ChannelNoise {
                    covariance: together(before.covariance, &piece.covariance),
                    ..piece
                },
                None => piece,
            });
        }
    }

    fn finish(mut self, bursts: &[Burst]) -> Option<ChannelNoise> {
        while (self.piece_start(self.pieces).0 as f64) < self.end {
            self.take_piece(bursts);
        }
        self.noise
    }
}

/// Mean of two covariances, each for as much as it rests on.
pub(crate) fn together(a: ChannelCovariance, b: &ChannelCovariance) -> ChannelCovariance {
    let samples = a.independent_samples() + b.independent_samples();
    let share = a.independent_samples() / samples;
    let matrix = a.matrix().map(|v| v * share) + b.matrix().map(|v| v * (1.0 - share));
    let clip_fraction = a.clip_fraction() * share + b.clip_fraction() * (1.0 - share);
    ChannelCovariance::new(&matrix, samples, clip_fraction).unwrap_or(a)
}

/// The whole part of a number that is not negative.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates, and indices are far below 2^53"
)]
fn whole(x: f64) -> u64 {
    x as u64
}
