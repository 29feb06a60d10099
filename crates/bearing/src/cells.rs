//! Short cells of mean power, and level readings cut from them.

use std::collections::VecDeque;

use lobewright_antenna::AzimuthTrack;
use lobewright_types::{Azimuth, Burst, ChannelBlock, LevelReading, Pointing, SampleIndex, StreamItem};

/// How level readings are cut from a burst.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingConfig {
    /// Length of a reading in seconds.
    pub length_s: f64,
    /// Largest turn of the antenna during a reading: it is cut shorter when the antenna turns faster.
    pub max_turn_deg: f64,
    /// Time left out behind the start and before the stop of a burst.
    pub edge_guard_s: f64,
    /// Equivalent noise bandwidth of the channel: independent complex samples a second.
    pub channel_bandwidth_hz: f64,
    /// Relative standard deviation of the noise power that the detector reports.
    pub noise_rel_sigma: f64,
    /// Receiver gain, where known.
    pub gain_db: Option<f64>,
    /// Attenuation in line.
    pub attenuation_db: f64,
}

impl ReadingConfig {
    /// Readings of 50 ms, at most 3 degrees of turn, 10 ms left out at the edges, noise known to 3 %.
    pub fn new(channel_bandwidth_hz: f64) -> Self {
        Self {
            length_s: 0.05,
            max_turn_deg: 3.0,
            edge_guard_s: 0.01,
            channel_bandwidth_hz,
            noise_rel_sigma: 0.03,
            gain_db: None,
            attenuation_db: 0.0,
        }
    }
}

/// Readings of one burst.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadingSet {
    /// In order of time.
    pub readings: Vec<LevelReading>,
    /// A part of the burst lies outside the azimuth track and gave no readings.
    pub track_ended_early: bool,
}

#[derive(Debug, Clone, Copy, Default)]
struct Cell {
    power: f64,
    power_squared: f64,
    samples: u32,
    clipped_inputs: u64,
}

/// Cuts a channel into short cells of power, aligned to the source's sample index, and readings from them.
///
/// Cells do not depend on how the stream was cut into blocks. A stretch without samples leaves its cells empty.
#[derive(Debug, Clone)]
pub struct PowerCells {
    cell_s: f64,
    layout: Option<Layout>,
    first: u64,
    cells: VecDeque<Cell>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Layout {
    input_rate_hz: f64,
    inputs_per_cell: f64,
    decimation: u32,
}

impl PowerCells {
    /// Takes the length of a cell in seconds; about 5 ms suits readings of 50 ms.
    ///
    /// # Panics
    /// Where the length is not positive and finite.
    pub fn new(cell_s: f64) -> Self {
        assert!(cell_s > 0.0 && cell_s.is_finite(), "a cell must have a length");
        Self {
            cell_s,
            layout: None,
            first: 0,
            cells: VecDeque::new(),
        }
    }

    /// Takes the next piece of one channel. A change of rate starts anew.
    pub fn push(&mut self, item: &StreamItem<ChannelBlock>) {
        let StreamItem::Block(block) = item else {
            return;
        };
        let layout = Layout {
            input_rate_hz: block.clock.input_rate_hz,
            inputs_per_cell: (self.cell_s * block.clock.input_rate_hz)
                .round()
                .max(f64::from(block.clock.decimation)),
            decimation: block.clock.decimation,
        };
        if self.layout != Some(layout) {
            self.cells.clear();
            self.layout = Some(layout);
        }
        let mut index = block.start.0 as f64;
        for (sample, &clipped) in block.samples.iter().zip(block.clipped_inputs.iter()) {
            let power = f64::from(sample.re).powi(2) + f64::from(sample.im).powi(2);
            let at = block.clock.input_index(index) / layout.inputs_per_cell;
            index += 1.0;
            if !power.is_finite() || at < 0.0 {
                continue;
            }
            if let Some(cell) = self.cell_mut(at) {
                cell.power += power;
                cell.power_squared += power * power;
                cell.samples += 1;
                cell.clipped_inputs += u64::from(clipped);
            }
        }
    }

    /// Drops the cells that end before a source sample.
    pub fn forget_before(&mut self, index: SampleIndex) {
        let Some(layout) = self.layout else { return };
        let keep = whole(index.0 as f64 / layout.inputs_per_cell);
        while self.first < keep && self.cells.pop_front().is_some() {
            self.first += 1;
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

    /// Cuts readings from a burst, each with the boresight at its middle.
    ///
    /// # Inputs
    /// `burst_number`: written into each reading; readings of one burst share a level. `track`: counted from the
    /// mounting's zero mark ([`AzimuthTrack::to_mount`]).
    ///
    /// # Result
    /// Whole cells inside the burst, its edges left out; a reading that misses more than half of its samples is
    /// dropped. Empty where the burst is shorter than one cell or no longer held.
    pub fn readings(
        &self,
        burst: &Burst,
        burst_number: usize,
        track: &AzimuthTrack,
        config: &ReadingConfig,
    ) -> ReadingSet {
        let mut set = ReadingSet::default();
        let Some(layout) = self.layout else { return set };
        let per_s = layout.input_rate_hz / layout.inputs_per_cell;
        let guard = config.edge_guard_s.max(0.0) * per_s;
        let mut at = whole((burst.start.0 as f64 / layout.inputs_per_cell + guard).ceil());
        let stop = whole((burst.stop.0 as f64 / layout.inputs_per_cell - guard).max(0.0));
        while at < stop {
            let Some(rate) = track.at((at as f64 + 0.5) / per_s).map(|s| s.rate_deg_per_s) else {
                set.track_ended_early = true;
                at += 1;
                continue;
            };
            let longest_s = config.length_s.min(config.max_turn_deg / rate.abs().max(1e-9));
            let want = whole((longest_s * per_s).round()).max(1);
            let count = want.min(stop - at);
            // A rest shorter than half a reading is left: its neighbours stand for it.
            if 2 * count < want {
                break;
            }
            let sum = self.sum(at, count);
            let (from, to) = (at as f64 / per_s, (at + count) as f64 / per_s);
            let middle_s = f64::midpoint(from, to);
            let expected = count as f64 * layout.inputs_per_cell / f64::from(layout.decimation);
            let share = f64::from(sum.samples) / expected;
            let start = SampleIndex(whole(at as f64 * layout.inputs_per_cell));
            at += count;
            let Some(look) = track.at(middle_s) else {
                set.track_ended_early = true;
                continue;
            };
            if share < 0.5 || sum.power <= 0.0 {
                continue;
            }
            let length_s = to - from;
            let n = f64::from(sum.samples);
            let power_lin = sum.power / n;
            let independent = (config.channel_bandwidth_hz * length_s * share.min(1.0)).max(1.0);
            let spread = (sum.power_squared / n / (power_lin * power_lin) - 1.0).max(0.0);
            set.readings.push(LevelReading {
                burst: burst_number,
                start,
                middle_s,
                length_s,
                pointing: Pointing::Boresight {
                    azimuth: Azimuth::from_degrees(look.azimuth_deg),
                    turn_deg: look.rate_deg_per_s * length_s,
                },
                power_lin,
                independent_samples: independent,
                noise_power_lin: burst.noise.power(),
                noise_rel_sigma: config.noise_rel_sigma,
                power_rel_var: (n >= 16.0).then_some(spread / independent),
                gain_db: config.gain_db,
                attenuation_db: config.attenuation_db,
                clip_fraction: sum.clipped_inputs as f64 / (n * f64::from(layout.decimation)),
            });
        }
        set
    }

    fn cell_mut(&mut self, at: f64) -> Option<&mut Cell> {
        let number = whole(at);
        if self.cells.is_empty() {
            self.first = number;
        }
        let offset = usize::try_from(number.checked_sub(self.first)?).ok()?;
        if offset >= self.cells.len() {
            self.cells.resize(offset + 1, Cell::default());
        }
        self.cells.get_mut(offset)
    }

    fn sum(&self, from: u64, count: u64) -> Cell {
        let mut sum = Cell::default();
        for number in from..from + count {
            let held = number
                .checked_sub(self.first)
                .and_then(|o| usize::try_from(o).ok())
                .and_then(|o| self.cells.get(o));
            if let Some(cell) = held {
                sum.power += cell.power;
                sum.power_squared += cell.power_squared;
                sum.samples += cell.samples;
                sum.clipped_inputs += cell.clipped_inputs;
            }
        }
        sum
    }
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
