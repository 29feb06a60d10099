//! The channel stage: any number of channels out of one stream.

use std::sync::Arc;

use lobewright_types::{
    ChannelBlock, ChannelClock, Gap, GapCause, RawBlock, Sample, SampleIndex, Scalar, Stage, StreamItem,
};
use pulp::Arch;

use crate::cascade::{Cascade, Line, Shared};
use crate::condition::Conditioner;
use crate::config::{BankConfig, BankError};
use crate::input::{any_full_scale, append_f32, append_i16, extract, i16_scale, to_usize, usable_then_not};
use crate::plan::{ChannelPlan, plan_channel};

/// Samples worked on at a time: their decoded form stays in the first-level cache.
const PIECE: usize = 4096;

/// Cuts channels out of a receiver's stream: mixes each to 0 Hz, filters, decimates.
///
/// # Result
/// Channel sample `n` is centred on input sample `clock.input_index(n)`, exactly: the filters are symmetric and their
/// delay is taken off. A complex tone keeps its amplitude; a real input is doubled, so that a full-scale real tone
/// reads 0 dBFS. The mixer's phase is 0 at input sample 0 of the stream, also behind a gap.
///
/// A segment starts at the first block, behind a gap, at a block that does not follow the one before and behind
/// samples that are not finite (the last two are reported as a gap). Samples outside a segment count as zero, so the
/// first and last [`ChannelBank::edge_samples`] channel samples of a segment are partly silence. The last channel
/// sample is the one that owns the last input sample.
///
/// # Limits
/// A real input has its image at the negative frequency: a channel that reaches below its stop half-width of 0 Hz or
/// above half the rate less that width contains it.
#[derive(Debug, Clone)]
pub struct ChannelBank {
    config: BankConfig,
    plans: Vec<ChannelPlan>,
    arch: Arch,
    shared: Shared,
    conditioner: Option<Conditioner>,
    channels: Vec<Cascade>,
    /// Input index of the first sample of the segment, and how many samples it has so far.
    segment_start: u64,
    segment_len: u64,
    /// Input index that the next block should start at; `None` before the first block and behind a gap.
    expected: Option<u64>,
    scratch: Vec<u8>,
}

impl ChannelBank {
    /// Plans and lays out all filters.
    ///
    /// # Errors
    /// [`BankError`] where a number is out of range or a filter would be too long.
    pub fn build(config: BankConfig) -> Result<Self, BankError> {
        Self::build_with(config, Arch::new())
    }

    pub(crate) fn build_with(config: BankConfig, arch: Arch) -> Result<Self, BankError> {
        config.check()?;
        let plans = config
            .channels
            .iter()
            .enumerate()
            .map(|(i, spec)| plan_channel(spec, config.input_rate_hz, i))
            .collect::<Result<Vec<_>, _>>()?;
        let conditioner = Conditioner::new(config.dc_removal, config.iq_correction, config.input_rate_hz);
        let eight_bit = matches!(config.format.scalar, Scalar::U8 | Scalar::I8) && config.format.complex;
        let int = (eight_bit && conditioner.is_none()).then(|| i16_scale(config.format.scalar));
        let gain = if config.format.complex { 1.0 } else { 2.0 };
        let channels: Vec<Cascade> = plans
            .iter()
            .zip(&config.channels)
            .map(|(plan, spec)| {
                Cascade::new(
                    plan,
                    spec.offset_hz,
                    config.input_rate_hz,
                    spec.stopband_db,
                    gain,
                    int,
                )
            })
            .collect();
        let shared = Shared {
            int: channels.iter().any(Cascade::reads_int).then(Line::new),
            float: channels.iter().any(|c| !c.reads_int()).then(Line::new),
        };
        let mut bank = Self {
            config,
            plans,
            arch,
            shared,
            conditioner,
            channels,
            segment_start: 0,
            segment_len: 0,
            expected: None,
            scratch: Vec::new(),
        };
        bank.restart(0);
        Ok(bank)
    }

    /// Ties the samples of `channel` to the input, in the present segment.
    ///
    /// # Panics
    /// Where there is no such channel.
    pub fn clock(&self, channel: usize) -> ChannelClock {
        ChannelClock {
            input_rate_hz: self.config.input_rate_hz,
            decimation: u32::try_from(self.channels[channel].decimation).expect("planned from a rate"),
            first_input_index: self.segment_start as f64,
        }
    }

    /// The stages of `channel`.
    ///
    /// # Panics
    /// Where there is no such channel.
    pub fn plan(&self, channel: usize) -> &ChannelPlan {
        &self.plans[channel]
    }

    /// Equivalent noise bandwidth of `channel`: white noise in the input comes out with its density times this.
    ///
    /// # Panics
    /// Where there is no such channel.
    pub fn noise_bandwidth_hz(&self, channel: usize) -> f64 {
        let taps = self.plans[channel].composite();
        let energy: f64 = taps.iter().map(|h| h * h).sum();
        let gain: f64 = taps.iter().sum();
        self.config.input_rate_hz * energy / (gain * gain)
    }

    /// Channel samples at either end of a segment that are partly silence: half the whole filter's length.
    ///
    /// # Panics
    /// Where there is no such channel.
    pub fn edge_samples(&self, channel: usize) -> usize {
        let plan = &self.plans[channel];
        let mut spacing = 1;
        let mut half = 0;
        for stage in &plan.stages {
            half += stage.taps.len() / 2 * spacing;
            spacing *= stage.decimation;
        }
        half.div_ceil(plan.decimation)
    }

    fn restart(&mut self, start: u64) {
        self.segment_start = start;
        self.segment_len = 0;
        let zeros = self.channels.iter().map(Cascade::zeros_before).max().unwrap_or(0);
        if let Some(line) = &mut self.shared.int {
            line.restart(zeros);
        }
        if let Some(line) = &mut self.shared.float {
            line.restart(zeros);
        }
        if let Some(conditioner) = &mut self.conditioner {
            conditioner.restart();
        }
        for channel in &mut self.channels {
            channel.restart(start);
        }
    }

    /// Filters samples that follow the segment without a break.
    fn feed(&mut self, bytes: &[u8]) {
        let format = self.config.format;
        for piece in bytes.chunks(PIECE * format.bytes_per_sample()) {
            let any = any_full_scale(format, piece);
            for channel in &mut self.channels {
                channel.clips.push(format, piece, any);
            }
            if let Some(line) = &mut self.shared.int {
                append_i16(format.scalar, piece, &mut line.data);
            }
            match (&mut self.shared.float, &mut self.conditioner) {
                (Some(line), None) => append_f32(format, piece, &mut line.data),
                (Some(line), Some(conditioner)) => {
                    append_f32(format, piece, conditioner.input());
                    conditioner.take(false, &mut line.data);
                }
                (None, _) => {}
            }
            self.run();
        }
        self.segment_len += (bytes.len() / format.bytes_per_sample()) as u64;
    }

    fn run(&mut self) {
        for channel in &mut self.channels {
            channel.run(self.arch, &self.shared);
        }
        let needed = self.channels.iter().map(Cascade::needs_from).min().unwrap_or(0);
        if let Some(line) = &mut self.shared.int {
            line.drop_before(needed);
        }
        if let Some(line) = &mut self.shared.float {
            line.drop_before(needed);
        }
    }

    /// Ends the segment: silence follows until every channel sample that owns an input sample is out.
    fn flush(&mut self, out: &mut dyn FnMut(StreamItem<ChannelBlock>)) {
        if self.segment_len > 0 {
            if let (Some(line), Some(conditioner)) = (&mut self.shared.float, &mut self.conditioner) {
                conditioner.take(true, &mut line.data);
                self.run();
            }
            while self.channels.iter().any(|c| c.filtered() < c.clips.begun()) {
                if let Some(line) = &mut self.shared.int {
                    line.data.resize(line.data.len() + 2 * PIECE, 0);
                }
                if let Some(line) = &mut self.shared.float {
                    line.data.resize(line.data.len() + 2 * PIECE, 0.0);
                }
                self.run();
            }
            self.hand_on(true, out);
        }
        self.segment_len = 0;
    }

    fn hand_on(&mut self, ended: bool, out: &mut dyn FnMut(StreamItem<ChannelBlock>)) {
        for index in 0..self.channels.len() {
            let clock = self.clock(index);
            let channel = &mut self.channels[index];
            let limit = if ended {
                channel.clips.begun()
            } else {
                channel.clips.complete()
            };
            let count = to_usize(channel.filtered().min(limit).saturating_sub(channel.handed_on));
            if count == 0 {
                continue;
            }
            let (pairs, _) = channel.ready[..2 * count].as_chunks::<2>();
            let samples: Vec<Sample> = pairs.iter().map(|&[re, im]| Sample::new(re, im)).collect();
            channel.ready.drain(..2 * count);
            let block = ChannelBlock {
                channel: index,
                start: SampleIndex(channel.handed_on),
                clock,
                samples: Arc::new(samples),
                clipped_inputs: Arc::new(channel.clips.take(count)),
            };
            channel.handed_on += count as u64;
            out(StreamItem::Block(block));
        }
    }

    fn take_block(
        &mut self,
        block: &RawBlock,
        out: &mut dyn FnMut(StreamItem<ChannelBlock>),
    ) -> Result<(), BankError> {
        let format = self.config.format;
        let channels = self.config.input_channels;
        if block.format != format || block.channels != channels {
            return Err(BankError::BlockFormat {
                at: block.start.0,
                found: block.format,
                found_channels: block.channels,
                format,
                channels,
            });
        }
        let mut at = block.start.0;
        match self.expected {
            Some(expected) if expected != at => {
                let gap = Gap {
                    start: SampleIndex(expected),
                    samples: at.saturating_sub(expected),
                    cause: GapCause::Lost,
                };
                self.break_at(gap, out);
                self.restart(at);
            }
            None => self.restart(at),
            Some(_) => {}
        }
        self.expected = Some(at.saturating_add(block.len() as u64));
        let whole = block.len() * channels * format.bytes_per_sample();
        if channels == 1 {
            self.take_bytes(&block.bytes[..whole], &mut at, out);
        } else {
            let mut scratch = std::mem::take(&mut self.scratch);
            let size = format.bytes_per_sample();
            extract(
                &block.bytes[..whole],
                size,
                self.config.use_channel,
                channels,
                &mut scratch,
            );
            self.take_bytes(&scratch, &mut at, out);
            self.scratch = scratch;
        }
        self.hand_on(false, out);
        Ok(())
    }

    /// Filters the usable stretches of one channel's bytes; what is between them is a gap.
    fn take_bytes(&mut self, mut bytes: &[u8], at: &mut u64, out: &mut dyn FnMut(StreamItem<ChannelBlock>)) {
        let size = self.config.format.bytes_per_sample();
        while !bytes.is_empty() {
            let (good, bad) = usable_then_not(self.config.format, bytes);
            self.feed(&bytes[..good * size]);
            *at += good as u64;
            if bad > 0 {
                let gap = Gap {
                    start: SampleIndex(*at),
                    samples: bad as u64,
                    cause: GapCause::NotFinite,
                };
                self.break_at(gap, out);
                *at += bad as u64;
                self.restart(*at);
            }
            bytes = &bytes[(good + bad) * size..];
        }
    }

    fn break_at(&mut self, gap: Gap, out: &mut dyn FnMut(StreamItem<ChannelBlock>)) {
        self.flush(out);
        out(StreamItem::Gap(gap));
    }
}

impl Stage for ChannelBank {
    type In = StreamItem<RawBlock>;
    type Out = StreamItem<ChannelBlock>;
    type Error = BankError;

    fn push(&mut self, input: Self::In, out: &mut dyn FnMut(Self::Out)) -> Result<(), BankError> {
        match input {
            StreamItem::Block(block) => self.take_block(&block, out),
            StreamItem::Gap(gap) => {
                self.break_at(gap, out);
                self.expected = None;
                self.restart(gap.start.0.saturating_add(gap.samples));
                Ok(())
            }
        }
    }

    fn finish(&mut self, out: &mut dyn FnMut(Self::Out)) -> Result<(), BankError> {
        self.flush(out);
        self.expected = None;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{ChannelSpec, DcRemoval, IqCorrection};

    fn filtered(format: &str, arch: Arch) -> Vec<Sample> {
        let config = BankConfig {
            input_rate_hz: 2.4e6,
            format: format.parse().unwrap(),
            input_channels: 1,
            use_channel: 0,
            dc_removal: DcRemoval::Off,
            iq_correction: IqCorrection::Off,
            channels: vec![ChannelSpec::new(-333_333.3, 6250.0, 12_500.0)],
        };
        let bytes: Vec<u8> = (0..160_000_u32)
            .map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()[0])
            .collect();
        let format = config.format;
        let mut bank = ChannelBank::build_with(config, arch).unwrap();
        let block = RawBlock {
            start: SampleIndex(0),
            format,
            channels: 1,
            bytes: Arc::new(bytes),
        };
        let mut all = Vec::new();
        let mut take = |item| {
            if let StreamItem::Block(block) = item {
                let block: ChannelBlock = block;
                all.extend_from_slice(&block.samples);
            }
        };
        bank.push(StreamItem::Block(block), &mut take).unwrap();
        bank.finish(&mut take).unwrap();
        all
    }

    // The first stage in whole numbers is exact either way; the others differ by a rounding for each tap at most:
    // some 60 taps of half a step of 2^-24 at a level of 0.01 to 1.
    #[test]
    fn every_instruction_set_gives_the_same_samples_within_rounding() {
        for format in ["cu8", "ci8", "ci16_le"] {
            let (plain, fast) = (filtered(format, Arch::Scalar), filtered(format, Arch::new()));
            assert_eq!(plain.len(), fast.len());
            assert!(plain.iter().any(|s| s.norm() > 0.01));
            for (a, b) in plain.iter().zip(&fast) {
                assert!((a - b).norm() < 1e-6, "{format}: {a} against {b}");
            }
        }
    }
}
