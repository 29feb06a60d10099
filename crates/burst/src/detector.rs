//! The detector: floor, decision, edges and measurements put together.

use std::collections::VecDeque;

use lobewright_types::{Burst, ChannelBlock, Dbfs, SampleIndex, Stage, StreamItem};

use crate::config::{DetectorConfig, DetectorError, Geometry};
use crate::edges::{Edge, rising_edge};
use crate::floor::{FloorTracker, NoiseFloor};
use crate::held::Held;
use crate::measure::{Bounds, Limit, Measurer, OpenBurst};
use crate::stretch::{HopSum, Stretch};
use crate::threshold::threshold_ratio;

/// An edge with less signal than this many times what the threshold asks for is doubted: 5 dB.
const WEAK_EDGE: f64 = 3.162_277_660_168_379_5;
/// Change of the floor's standard deviation or colour that is worth another threshold.
const WORTH_A_CHANGE: f64 = 0.03;
/// Hops of a noise cell must lie this many windows before the newest decision to be known as free of bursts.
const CELL_GUARD_WINDOWS: u64 = 2;

/// Finds bursts in the samples of one channel.
///
/// # Method
/// Energy detector (Urkowitz, Proc. IEEE 55 (1967)): the power averaged over the integration time is compared with a
/// multiple of the noise floor, four times in each integration time. Noise counts as the lowest cluster of powers
/// that noise can make, learnt from the time without bursts. The first `floor_window_s` of samples are held back until
/// the floor is known, so that bursts in them are found too.
///
/// # Limits
/// The floor stands still during a burst. Memory: a few transforms, the bridged gap and edge history; at the start
/// the held samples. A burst comes out about `bridge_gap_s` and one integration time after it ended.
pub struct BurstDetector {
    channel: usize,
    config: DetectorConfig,
    geometry: Geometry,
    held: Option<Held>,
    floor: Option<FloorTracker>,
    ratio: f64,
    /// Relative standard deviation and colour that `ratio` was made for.
    ratio_for: (f64, f64),
    stretch: Option<Stretch>,
    open: Option<OpenBurst>,
    measurer: Measurer,
    cells: Cells,
    /// Samples of the held stretch still to come: their cells are in the floor already.
    known_samples: u64,
    /// Hop behind the last burst in the stretch.
    previous_stop: u64,
}

/// Cells of noise power being filled or waiting until no burst can reach back to them.
#[derive(Debug, Default)]
struct Cells {
    sum: HopSum,
    waiting: VecDeque<(u64, f64)>,
    /// First hop that may enter a cell.
    from: u64,
}

impl Cells {
    fn restart(&mut self, from: u64) {
        self.sum = HopSum::default();
        self.waiting.clear();
        self.from = from;
    }
}

impl BurstDetector {
    /// Builds a detector for the blocks of `channel`.
    ///
    /// # Errors
    /// [`DetectorError::Setting`] for a setting out of range.
    pub fn build(channel: usize, config: DetectorConfig) -> Result<Self, DetectorError> {
        let geometry = Geometry::build(&config)?;
        Ok(Self {
            channel,
            measurer: Measurer::new(channel, &config, &geometry),
            held: Some(Held::new(&geometry)),
            floor: None,
            ratio: 1.0,
            ratio_for: (-1.0, -1.0),
            stretch: None,
            open: None,
            cells: Cells::default(),
            known_samples: 0,
            previous_stop: 0,
            config,
            geometry,
        })
    }

    /// The noise floor as it stands; `None` while it is being learnt.
    pub fn noise_floor(&self) -> Option<NoiseFloor> {
        let estimate = self.floor.as_ref()?.estimate();
        Some(NoiseFloor {
            level: Dbfs::from_power(estimate.power)?,
            rel_sigma: estimate.rel_sigma,
        })
    }

    /// The level that the averaged power must pass; `None` while the floor is being learnt.
    pub fn threshold(&self) -> Option<Dbfs> {
        let estimate = self.floor.as_ref()?.estimate();
        Dbfs::from_power(estimate.power * self.ratio)
    }

    /// The earliest source sample that a burst not yet reported may still begin at: keep the samples from there on.
    pub fn holds_from(&self) -> SampleIndex {
        if let Some(held) = &self.held {
            return held.first();
        }
        let Some(stretch) = &self.stretch else {
            return SampleIndex(0);
        };
        let reach = 3 * self.geometry.window as u64;
        let hop = self.geometry.hop as u64;
        let earliest = match &self.open {
            None => stretch.hop_count().saturating_sub(reach) * hop,
            Some(open) => open.earliest(&self.geometry),
        };
        stretch.source_index(earliest as f64)
    }

    fn check(&self, block: &ChannelBlock) -> Result<(), DetectorError> {
        if block.channel != self.channel {
            return Err(DetectorError::WrongChannel {
                found: block.channel,
                wanted: self.channel,
            });
        }
        let found_hz = block.clock.rate_hz();
        let wanted_hz = self.config.rate_hz;
        let near = (found_hz / wanted_hz - 1.0).abs() < 1e-6;
        if !near {
            return Err(DetectorError::WrongRate { found_hz, wanted_hz });
        }
        if block.samples.len() != block.clipped_inputs.len() {
            return Err(DetectorError::ClipCounts {
                start: block.start,
                samples: block.samples.len(),
                counts: block.clipped_inputs.len(),
            });
        }
        match block
            .samples
            .iter()
            .position(|s| !s.re.is_finite() || !s.im.is_finite())
        {
            Some(i) => Err(DetectorError::NotFinite {
                index: block.start.plus(i as u64),
            }),
            None => Ok(()),
        }
    }

    /// Learns the first floor and runs over what was held back.
    fn release(&mut self, out: &mut dyn FnMut(Burst)) -> Result<(), DetectorError> {
        let Some(held) = self.held.take() else {
            return Ok(());
        };
        self.known_samples = held.learning_samples();
        self.floor = held.learn_floor(&self.geometry);
        if let Some(floor) = &self.floor {
            self.measurer.learn_noise(&held, floor.estimate());
        }
        self.renew_threshold();
        for item in held.into_items() {
            self.take(item, out)?;
        }
        Ok(())
    }

    fn renew_threshold(&mut self) {
        let Some(floor) = &self.floor else { return };
        let estimate = floor.estimate();
        let (sigma, colour) = self.ratio_for;
        let near = |a: f64, b: f64| (a - b).abs() <= WORTH_A_CHANGE * b.abs();
        if near(estimate.rel_sigma, sigma) && near(estimate.colour, colour) {
            return;
        }
        self.ratio_for = (estimate.rel_sigma, estimate.colour);
        self.ratio = threshold_ratio(
            self.config.false_alarms_per_hour,
            self.geometry.independent / estimate.colour,
            self.geometry.decisions_per_s,
            estimate.rel_sigma,
        );
    }

    fn take(
        &mut self,
        item: StreamItem<ChannelBlock>,
        out: &mut dyn FnMut(Burst),
    ) -> Result<(), DetectorError> {
        match item {
            StreamItem::Gap(_) => {
                self.end_stretch(out);
                Ok(())
            }
            StreamItem::Block(block) => self.take_block(&block, out),
        }
    }

    fn take_block(&mut self, block: &ChannelBlock, out: &mut dyn FnMut(Burst)) -> Result<(), DetectorError> {
        match &self.stretch {
            Some(stretch) if stretch.next_index() != block.start => {
                return Err(DetectorError::Discontinuity {
                    found: block.start,
                    wanted: stretch.next_index(),
                });
            }
            Some(_) => {}
            None => {
                self.stretch = Some(Stretch::new(block, self.geometry.hop));
                self.measurer.restart();
                self.cells.restart(0);
                self.previous_stop = 0;
            }
        }
        let (mut samples, mut clipped) = (&block.samples[..], &block.clipped_inputs[..]);
        while !samples.is_empty() {
            let Some(stretch) = &mut self.stretch else { break };
            let (count, whole) = stretch.fill(samples, clipped);
            (samples, clipped) = (&samples[count..], &clipped[count..]);
            self.known_samples = self.known_samples.saturating_sub(count as u64);
            if whole {
                let known = self.known_samples > 0;
                self.hop_done(known, out);
            }
        }
        Ok(())
    }

    fn hop_done(&mut self, known: bool, out: &mut dyn FnMut(Burst)) {
        let Some(stretch) = &mut self.stretch else { return };
        while let Some((number, hop)) = stretch.drop_oldest(self.geometry.history) {
            if let Some(open) = &mut self.open {
                open.let_go(number, hop, &self.geometry);
            }
        }
        let count = stretch.hop_count();
        if self.open.is_none() && !known && count > self.cells.from {
            self.cells.sum.add(stretch.sum(count - 1, count));
            if self.cells.sum.hops == self.geometry.cell as u64 {
                let mean = self.cells.sum.power / (self.geometry.cell * self.geometry.hop) as f64;
                self.cells.waiting.push_back((count, mean));
                self.cells.sum = HopSum::default();
            }
        }
        let window = self.geometry.window as u64;
        if count >= window && count.is_multiple_of(self.geometry.stride as u64) {
            self.decide(count, out);
        }
    }

    fn decide(&mut self, count: u64, out: &mut dyn FnMut(Burst)) {
        let (Some(floor), Some(stretch)) = (&self.floor, &self.stretch) else {
            return;
        };
        let noise = floor.estimate().power;
        let mean = stretch.newest_mean(self.geometry.window);
        let over = mean > noise * self.ratio;
        match &mut self.open {
            None if over => {
                self.open = Some(OpenBurst::new(count, mean, noise, &self.geometry));
                self.cells.restart(count);
            }
            None => self.admit_cells(count),
            Some(open) => {
                if over {
                    open.last_over = count;
                    open.unconfirmed = false;
                    open.peak = open.peak.max(mean);
                }
                self.follow(count, over, out);
            }
        }
        if let Some(stretch) = &mut self.stretch {
            self.measurer.consume(stretch, self.open.as_mut());
        }
    }

    fn admit_cells(&mut self, count: u64) {
        let guard = CELL_GUARD_WINDOWS * self.geometry.window as u64;
        let mut changed = false;
        while let Some(&(end, mean)) = self.cells.waiting.front() {
            if end + guard > count {
                break;
            }
            self.cells.waiting.pop_front();
            if let Some(floor) = &mut self.floor {
                changed |= floor.admit(mean);
            }
        }
        if changed {
            self.renew_threshold();
        }
    }

    /// Settles the start of the open burst, its end or its cut, as soon as each can be told.
    fn follow(&mut self, count: u64, over: bool, out: &mut dyn FnMut(Burst)) {
        let g = &self.geometry;
        let (Some(open), Some(stretch)) = (&mut self.open, &self.stretch) else {
            return;
        };
        if open.start.is_none() && count >= open.first_over + (g.window + g.plateau) as u64 {
            open.start = Some(find_start(open, stretch, g, self.ratio, self.previous_stop));
        }
        let quiet = (count - open.last_over) as f64;
        if open.gap_hops(quiet, self.ratio, g) > g.bridge_hops + g.stride as f64 {
            self.close(out);
            return;
        }
        let Some(start) = open.start else { return };
        let length = count as f64 - start.position / g.hop as f64;
        if over && length >= g.max_burst_hops as f64 {
            self.cut(count, out);
        }
    }

    /// Ends the open burst at its trailing edge.
    fn close(&mut self, out: &mut dyn FnMut(Burst)) {
        let g = &self.geometry;
        let (Some(mut open), Some(stretch)) = (self.open.take(), &mut self.stretch) else {
            return;
        };
        let start = open
            .start
            .unwrap_or_else(|| find_start(&open, stretch, g, self.ratio, self.previous_stop));
        let stop = find_stop(&open, stretch, g, self.ratio);
        let mut bounds = Bounds { start, stop };
        if bounds.length() < 2.0 * (g.window * g.hop) as f64 {
            bounds = bounds.refined(stretch, open.noise, g);
        }
        let long_enough = bounds.length() >= g.min_length_samples && bounds.length() > 0.0;
        let keep = long_enough && !open.unconfirmed;
        if let Some(burst) = self.measurer.close(stretch, &mut open, bounds, keep) {
            out(burst);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a position within the stretch is not negative"
        )]
        let stop_hop = (bounds.stop.position / g.hop as f64).floor() as u64;
        self.previous_stop = stop_hop;
        let free = (stop_hop + g.window as u64).max(stretch.hop_count());
        self.cells.restart(free);
    }

    /// Reports the open burst up to now and goes on with the rest of it.
    fn cut(&mut self, count: u64, out: &mut dyn FnMut(Burst)) {
        let (Some(mut open), Some(stretch)) = (self.open.take(), &mut self.stretch) else {
            return;
        };
        let at = Limit::cut((count * self.geometry.hop as u64) as f64);
        let Some(start) = open.start else { return };
        let bounds = Bounds { start, stop: at };
        if let Some(burst) = self.measurer.close(stretch, &mut open, bounds, true) {
            out(burst);
        }
        let mut rest = OpenBurst::new(count, open.peak, open.noise, &self.geometry);
        rest.start = Some(at);
        rest.unconfirmed = true;
        self.previous_stop = count;
        self.open = Some(rest);
    }

    /// Forgets the noise floor and learns it anew from the next samples, as after a change of the receiver's gain.
    ///
    /// An open burst ends here and is flagged so. Without this call a floor that rises by more than the threshold in
    /// one step is taken for a burst that does not end.
    pub fn relearn_floor(&mut self, out: &mut dyn FnMut(Burst)) {
        if self.held.is_none() {
            self.end_stretch(out);
            self.held = Some(Held::new(&self.geometry));
            self.floor = None;
        }
    }

    fn end_stretch(&mut self, out: &mut dyn FnMut(Burst)) {
        self.close(out);
        self.stretch = None;
    }
}

/// The leading edge from the hops around the first decision.
fn find_start(open: &OpenBurst, stretch: &Stretch, g: &Geometry, ratio: f64, after: u64) -> Limit {
    let window = g.window as u64;
    let from = open.first_over.saturating_sub(window).max(after);
    let to = (open.first_over + window + g.plateau as u64).min(open.last_over + window);
    let profile = stretch.profile(from, to);
    let edge = rising_edge(&profile, g.window, open.noise, g.independent_in_hop());
    // Power from the profile's first hop, though noise came before: no edge to be seen in a weak burst.
    let lost = edge.at_border && from > 0;
    let fallback = (open.first_over - from) as f64 + g.window as f64 / 2.0;
    let position = from as f64 + if lost { fallback } else { edge.position };
    Limit {
        position: position * g.hop as f64,
        sigma: if lost { g.window as f64 / 2.0 } else { edge.sigma } * g.hop as f64,
        at_border: edge.at_border && from == 0,
        weak: is_weak(&edge, open.noise, ratio),
    }
}

/// The trailing edge from the hops around the last decision, back to front.
fn find_stop(open: &OpenBurst, stretch: &Stretch, g: &Geometry, ratio: f64) -> Limit {
    let window = g.window as u64;
    let to = (open.last_over + window).min(stretch.hop_count());
    let earliest = open.earliest_hop(g);
    let from = open
        .last_over
        .saturating_sub(window + g.plateau as u64)
        .max(earliest);
    let mut profile = stretch.profile(from, to);
    profile.reverse();
    let edge = rising_edge(&profile, g.window, open.noise, g.independent_in_hop());
    let at_end = to == stretch.hop_count();
    let lost = edge.at_border && !at_end;
    let fallback = (to - open.last_over) as f64 + g.window as f64 / 2.0;
    let position = to as f64 - if lost { fallback } else { edge.position };
    Limit {
        position: position * g.hop as f64,
        sigma: if lost { g.window as f64 / 2.0 } else { edge.sigma } * g.hop as f64,
        at_border: edge.at_border && at_end,
        weak: is_weak(&edge, open.noise, ratio),
    }
}

/// Whether the level just inside an edge is so near to the threshold that a little less of it would have gone unseen.
fn is_weak(edge: &Edge, noise: f64, ratio: f64) -> bool {
    edge.plateau - noise < WEAK_EDGE * (ratio - 1.0) * noise
}

impl Stage for BurstDetector {
    type In = StreamItem<ChannelBlock>;
    type Out = Burst;
    type Error = DetectorError;

    /// Takes the next block or gap of the channel.
    ///
    /// # Errors
    /// [`DetectorError`] for a block of another channel or rate, with wrong clip counts or a sample that is not finite,
    /// or one that leaves samples out without a gap; nothing of that block is then taken.
    fn push(&mut self, input: Self::In, out: &mut dyn FnMut(Burst)) -> Result<(), DetectorError> {
        if let StreamItem::Block(block) = &input {
            self.check(block)?;
        }
        if let Some(held) = &mut self.held {
            held.push(input)?;
            return if held.is_full() { self.release(out) } else { Ok(()) };
        }
        self.take(input, out)
    }

    fn finish(&mut self, out: &mut dyn FnMut(Burst)) -> Result<(), DetectorError> {
        self.release(out)?;
        self.end_stretch(out);
        Ok(())
    }
}
