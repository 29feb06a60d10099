//! What the tests of the channel bank share.
#![allow(
    dead_code,
    unreachable_pub,
    clippy::unwrap_used,
    reason = "test code, of which each file uses a part"
)]

use std::f64::consts::PI;
use std::sync::Arc;

use lobewright_dsp::{BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection};
use lobewright_types::{ChannelBlock, Gap, RawBlock, Sample, SampleFormat, SampleIndex, Stage, StreamItem};
use num_complex::Complex;

pub type C64 = Complex<f64>;

pub fn config(rate_hz: f64, format: &str, channels: Vec<ChannelSpec>) -> BankConfig {
    BankConfig {
        input_rate_hz: rate_hz,
        format: format.parse().expect("a format"),
        input_channels: 1,
        use_channel: 0,
        dc_removal: DcRemoval::Off,
        iq_correction: IqCorrection::Off,
        channels,
    }
}

pub fn spec(offset_hz: f64, pass_hz: f64, stop_hz: f64, stopband_db: f64) -> ChannelSpec {
    ChannelSpec {
        stopband_db,
        ..ChannelSpec::new(offset_hz, pass_hz, stop_hz)
    }
}

pub fn encode(format: SampleFormat, samples: &[C64]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for s in samples {
        format.encode_component(s.re, &mut bytes);
        if format.complex {
            format.encode_component(s.im, &mut bytes);
        }
    }
    bytes
}

pub fn decode(format: SampleFormat, bytes: &[u8]) -> Vec<C64> {
    bytes
        .chunks_exact(format.bytes_per_sample())
        .map(|s| {
            let width = format.scalar.bytes();
            let im = if format.complex {
                format.decode_component(&s[width..])
            } else {
                0.0
            };
            C64::new(format.decode_component(&s[..width]), im)
        })
        .collect()
}

pub fn tone(rate_hz: f64, frequency_hz: f64, amplitude: f64, len: usize) -> Vec<C64> {
    (0..len)
        .map(|n| C64::from_polar(amplitude, 2.0 * PI * (frequency_hz / rate_hz * n as f64).fract()))
        .collect()
}

pub fn block(config: &BankConfig, start: u64, bytes: &[u8]) -> StreamItem<RawBlock> {
    StreamItem::Block(RawBlock {
        start: SampleIndex(start),
        format: config.format,
        channels: config.input_channels,
        bytes: Arc::new(bytes.to_vec()),
    })
}

/// All that came out: the blocks of each channel joined, segment by segment, and the gaps.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Output {
    pub segments: Vec<Vec<Segment>>,
    pub gaps: Vec<Gap>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    pub first_input_index: f64,
    pub decimation: u32,
    pub samples: Vec<Sample>,
    pub clipped: Vec<u32>,
}

impl Output {
    pub fn take(&mut self, item: StreamItem<ChannelBlock>) {
        match item {
            StreamItem::Gap(gap) => self.gaps.push(gap),
            StreamItem::Block(block) => {
                while self.segments.len() <= block.channel {
                    self.segments.push(Vec::new());
                }
                let list = &mut self.segments[block.channel];
                if block.start.0 == 0 {
                    list.push(Segment {
                        first_input_index: block.clock.first_input_index,
                        decimation: block.clock.decimation,
                        samples: Vec::new(),
                        clipped: Vec::new(),
                    });
                }
                let segment = list.last_mut().expect("a segment starts at 0");
                assert_eq!(
                    block.start.0,
                    segment.samples.len() as u64,
                    "blocks follow each other"
                );
                assert_eq!(block.samples.len(), block.clipped_inputs.len());
                segment.samples.extend_from_slice(&block.samples);
                segment.clipped.extend_from_slice(&block.clipped_inputs);
            }
        }
    }

    pub fn only(&self, channel: usize) -> &Segment {
        assert_eq!(self.segments[channel].len(), 1, "one segment");
        &self.segments[channel][0]
    }
}

/// Runs a whole recording in blocks of `block_len` samples.
pub fn run(config: &BankConfig, bytes: &[u8], block_len: usize) -> (Output, ChannelBank) {
    let mut bank = ChannelBank::build(config.clone()).expect("a good configuration");
    let mut output = Output::default();
    let frame = config.format.bytes_per_sample() * config.input_channels;
    let mut start = 0;
    for piece in bytes.chunks(block_len * frame) {
        bank.push(block(config, start, piece), &mut |item| output.take(item))
            .expect("a good block");
        start += (piece.len() / frame) as u64;
    }
    bank.finish(&mut |item| output.take(item)).expect("it ends");
    (output, bank)
}

/// The plain slow way: mix in double precision, one long filter, keep one in `decimation`.
pub fn oracle(input: &[C64], taps: &[f64], cycles: f64, decimation: usize, outputs: usize) -> Vec<C64> {
    let half = i64::try_from(taps.len() / 2).unwrap();
    (0..outputs)
        .map(|n| {
            let centre = i64::try_from(n * decimation).unwrap();
            taps.iter()
                .zip(centre - half..)
                .filter_map(|(t, index)| {
                    let x = input.get(usize::try_from(index).ok()?)?;
                    Some(x * C64::cis(-2.0 * PI * (cycles * index as f64).fract()) * t)
                })
                .sum()
        })
        .collect()
}

pub fn power_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Mean power of the samples of a segment that are not touched by its ends.
pub fn inner_power(segment: &Segment, edge: usize) -> f64 {
    let inner = &segment.samples[edge + 1..segment.samples.len() - edge - 1];
    assert!(inner.len() >= 8, "too short: {}", inner.len());
    inner
        .iter()
        .map(|s| f64::from(s.re).powi(2) + f64::from(s.im).powi(2))
        .sum::<f64>()
        / inner.len() as f64
}
