//! Throughput of the whole channel stage in input samples a second.

#![allow(missing_docs, reason = "criterion's macros make undocumented functions")]

use std::hint::black_box;
use std::sync::Arc;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use lobewright_dsp::{BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection};
use lobewright_types::{RawBlock, SampleFormat, SampleIndex, Stage, StreamItem};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SAMPLES: usize = 1 << 18;

fn bank(format: SampleFormat, channels: u32, dc: DcRemoval, iq: IqCorrection) -> ChannelBank {
    let spec = |k: u32| ChannelSpec {
        stopband_db: 70.0,
        ..ChannelSpec::new(-1e6 + 31_250.0 * f64::from(k), 6250.0, 12_500.0)
    };
    ChannelBank::build(BankConfig {
        input_rate_hz: 2.4e6,
        format,
        input_channels: 1,
        use_channel: 0,
        dc_removal: dc,
        iq_correction: iq,
        channels: (0..channels).map(spec).collect(),
    })
    .expect("a good configuration")
}

fn channel(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("channel");
    group.throughput(Throughput::Elements(SAMPLES as u64));
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let on = (DcRemoval::On { time_constant_s: 1.0 }, IqCorrection::Estimate);
    let off = (DcRemoval::Off, IqCorrection::Off);
    for (name, channels, (dc, iq)) in [
        ("cu8", 1, off),
        ("cu8", 8, off),
        ("cu8", 64, off),
        ("cu8", 1, on),
        ("ci16_le", 1, off),
        ("cf32_le", 1, off),
        ("ru8", 1, off),
    ] {
        let format: SampleFormat = name.parse().expect("a format");
        let mut bytes = Vec::new();
        for _ in 0..SAMPLES * if format.complex { 2 } else { 1 } {
            format.encode_component(rng.random_range(-0.8..0.8), &mut bytes);
        }
        let bytes = Arc::new(bytes);
        let mut bank = bank(format, channels, dc, iq);
        let mut start = 0;
        let label = format!(
            "{name}, {channels} channels{}",
            if dc == DcRemoval::Off { "" } else { ", DC and I/Q" }
        );
        group.bench_function(BenchmarkId::from_parameter(label), |b| {
            b.iter(|| {
                let block = RawBlock {
                    start: SampleIndex(start),
                    format,
                    channels: 1,
                    bytes: Arc::clone(&bytes),
                };
                start += SAMPLES as u64;
                bank.push(StreamItem::Block(block), &mut |item| {
                    black_box(item);
                })
                .expect("a good block");
            });
        });
    }
    group.finish();
}

criterion_group!(benches, channel);
criterion_main!(benches);
