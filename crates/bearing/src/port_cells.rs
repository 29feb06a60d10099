//! Power of each port of a switched antenna, and level readings cut from it.

use std::collections::VecDeque;

use lobewright_antenna::{Dwell, SwitchSchedule};
use lobewright_types::{Burst, ChannelBlock, LevelReading, Pointing, SampleIndex, StreamItem};

use crate::cells::{ReadingConfig, ReadingSet};

/// How far ahead the next dwell is looked for: longer than any step of a cycle.
const HORIZON_S: f64 = 1e6;

/// Adds up the power of a channel for each port of a switched antenna, in short cells of time.
///
/// Each sample goes to the port that is connected and settled at its instant, or to none: cells need not fit the
/// schedule, and dwells may be much shorter than a cell. There is one sum for each cell and port, however fast the
/// switch. Cells do not depend on how the stream was cut into blocks.
#[derive(Debug, Clone)]
pub struct PortCells {
    cell_s: f64,
    schedule: SwitchSchedule,
    /// Where the next dwell was looked for, and what was found.
    ahead: Option<(f64, Option<Dwell>)>,
    layout: Option<Layout>,
    /// By number, ascending; only those that hold samples.
    cells: VecDeque<(u64, Vec<PortSum>)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Layout {
    input_rate_hz: f64,
    decimation: u32,
    inputs_per_cell: f64,
}

/// Sums over the samples of one port.
#[derive(Debug, Clone, Copy)]
struct PortSum {
    port: u16,
    power: f64,
    power_squared: f64,
    samples: u32,
    clipped_inputs: u64,
    /// Input index of the first sample.
    first: f64,
    /// Sum of the input indices less the first.
    later: f64,
}

impl PortSum {
    fn merge(&mut self, other: &Self) {
        self.later += other.later + f64::from(other.samples) * (other.first - self.first);
        self.power += other.power;
        self.power_squared += other.power_squared;
        self.samples += other.samples;
        self.clipped_inputs += other.clipped_inputs;
    }
}

/// A reading that is being put together.
struct Open {
    sum: PortSum,
    /// Cells from the first on that it spans.
    from: u64,
    to: u64,
    /// Samples of the reading right before it, where there is no pause between them.
    before: Option<u32>,
}

impl PortCells {
    /// Takes the length of a cell in seconds, and which port is connected when; about 5 ms suits readings of 50 ms.
    ///
    /// Settling must cover the memory of the channel filter ([`SwitchSchedule::guarded`]). A schedule without a start
    /// gives no readings.
    ///
    /// # Panics
    /// Where the length is not positive and finite.
    pub fn new(cell_s: f64, schedule: SwitchSchedule) -> Self {
        assert!(cell_s > 0.0 && cell_s.is_finite(), "a cell must have a length");
        Self {
            cell_s,
            schedule,
            ahead: None,
            layout: None,
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
            decimation: block.clock.decimation,
            inputs_per_cell: (self.cell_s * block.clock.input_rate_hz)
                .round()
                .max(f64::from(block.clock.decimation)),
        };
        if self.layout != Some(layout) {
            self.cells.clear();
            self.layout = Some(layout);
        }
        let mut index = block.start.0 as f64;
        for (sample, &clipped) in block.samples.iter().zip(block.clipped_inputs.iter()) {
            let input = block.clock.input_index(index);
            index += 1.0;
            let power = f64::from(sample.re).powi(2) + f64::from(sample.im).powi(2);
            if !power.is_finite() || input < 0.0 {
                continue;
            }
            let Some(port) = self.settled(input / layout.input_rate_hz) else {
                continue;
            };
            if let Some(sum) = self.sum_mut(whole(input / layout.inputs_per_cell), port, input) {
                sum.power += power;
                sum.power_squared += power * power;
                sum.samples += 1;
                sum.clipped_inputs += u64::from(clipped);
                sum.later += input - sum.first;
            }
        }
    }

    /// The port that is connected and settled at an instant; instants ascend but for a new start of the stream.
    fn settled(&mut self, time_s: f64) -> Option<u16> {
        let known = self.ahead.filter(|(from_s, dwell)| {
            time_s >= *from_s
                && match dwell {
                    Some(dwell) => time_s < dwell.stop_s,
                    None => time_s < from_s + HORIZON_S,
                }
        });
        let (_, dwell) = known.unwrap_or_else(|| {
            let next = self.schedule.dwells(time_s, time_s + HORIZON_S).next();
            self.ahead = Some((time_s, next));
            (time_s, next)
        });
        dwell
            .filter(|d| time_s >= d.start_s && time_s < d.stop_s)
            .map(|d| d.port)
    }

    fn sum_mut(&mut self, number: u64, port: u16, input: f64) -> Option<&mut PortSum> {
        match self.cells.back() {
            Some((last, _)) if *last > number => return None,
            Some((last, _)) if *last == number => {}
            _ => self.cells.push_back((number, Vec::new())),
        }
        let (_, sums) = self.cells.back_mut()?;
        let at = sums.iter().position(|s| s.port == port).unwrap_or_else(|| {
            sums.push(PortSum {
                port,
                power: 0.0,
                power_squared: 0.0,
                samples: 0,
                clipped_inputs: 0,
                first: input,
                later: 0.0,
            });
            sums.len() - 1
        });
        sums.get_mut(at)
    }

    /// Drops the cells that end before a source sample.
    pub fn forget_before(&mut self, index: SampleIndex) {
        let Some(layout) = self.layout else { return };
        let keep = whole(index.0 as f64 / layout.inputs_per_cell);
        while self.cells.front().is_some_and(|c| c.0 < keep) {
            self.cells.pop_front();
        }
    }

    /// Cells held now, each with one sum for each port: the measure of its memory.
    pub fn len(&self) -> usize {
        self.cells.len()
    }

    /// Whether it holds no cell.
    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }

    /// Cuts readings from a burst, each of one port.
    ///
    /// # Inputs
    /// `burst_number`: written into each reading; readings of one burst share a level. `config`: its `max_turn_deg` is
    /// not used.
    ///
    /// # Result
    /// In order of their middle. A reading spans at most `length_s`: where the switch stays longer on a port a dwell
    /// gives several, where it is faster the dwells of one port during that time are taken together. Its middle is the
    /// mean time of its samples, its length the settled time alone. Whole cells inside the burst, its edges left out.
    pub fn port_readings(&self, burst: &Burst, burst_number: usize, config: &ReadingConfig) -> ReadingSet {
        let mut set = ReadingSet::default();
        let Some(layout) = self.layout else { return set };
        let per_s = layout.input_rate_hz / layout.inputs_per_cell;
        let guard = config.edge_guard_s.max(0.0) * per_s;
        let start = whole((burst.start.0 as f64 / layout.inputs_per_cell + guard).ceil());
        let stop = whole((burst.stop.0 as f64 / layout.inputs_per_cell - guard).max(0.0));
        let longest = whole((config.length_s * per_s).round()).max(1);
        let mut open: Vec<Option<Open>> = (0..self.schedule.ports()).map(|_| None).collect();
        let mut close = |open: &Open| {
            // A rest shorter than half a reading is left: its neighbour stands for it.
            let kept = open.before.is_none_or(|before| 2 * open.sum.samples >= before);
            set.readings.extend(
                kept.then(|| reading(&open.sum, &layout, burst, burst_number, config))
                    .flatten(),
            );
        };
        for (number, sums) in self.cells.iter().filter(|c| (start..stop).contains(&c.0)) {
            for sum in sums {
                let Some(slot) = open.get_mut(usize::from(sum.port)) else {
                    continue;
                };
                match slot {
                    Some(open) if number - open.from < longest => {
                        open.sum.merge(sum);
                        open.to = *number;
                    }
                    _ => {
                        let before = slot.take().and_then(|open| {
                            close(&open);
                            (open.to + 1 == *number).then_some(open.sum.samples)
                        });
                        *slot = Some(Open {
                            sum: *sum,
                            from: *number,
                            to: *number,
                            before,
                        });
                    }
                }
            }
        }
        for open in open.iter().flatten() {
            close(open);
        }
        let key = |r: &LevelReading| match r.pointing {
            Pointing::Port(port) => port,
            Pointing::Boresight { .. } => 0,
        };
        set.readings
            .sort_by(|a, b| a.middle_s.total_cmp(&b.middle_s).then(key(a).cmp(&key(b))));
        set
    }
}

fn reading(
    sum: &PortSum,
    layout: &Layout,
    burst: &Burst,
    burst_number: usize,
    config: &ReadingConfig,
) -> Option<LevelReading> {
    if sum.power <= 0.0 {
        return None;
    }
    let n = f64::from(sum.samples);
    let decimation = f64::from(layout.decimation);
    let power_lin = sum.power / n;
    let length_s = n * decimation / layout.input_rate_hz;
    let independent = (config.channel_bandwidth_hz * length_s).max(1.0);
    let spread = (sum.power_squared / n / (power_lin * power_lin) - 1.0).max(0.0);
    Some(LevelReading {
        burst: burst_number,
        start: SampleIndex(whole(sum.first)),
        middle_s: (sum.first + sum.later / n) / layout.input_rate_hz,
        length_s,
        pointing: Pointing::Port(sum.port),
        power_lin,
        independent_samples: independent,
        noise_power_lin: burst.noise.power(),
        noise_rel_sigma: config.noise_rel_sigma,
        power_rel_var: (n >= 16.0).then_some(spread / independent),
        gain_db: config.gain_db,
        attenuation_db: config.attenuation_db,
        clip_fraction: sum.clipped_inputs as f64 / (n * decimation),
    })
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
