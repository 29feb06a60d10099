//! Readings cut from a channel.

use std::sync::Arc;

use lobewright_antenna::{AzimuthTrack, TrackNorth};
use lobewright_bearing::{PowerCells, ReadingConfig};
use lobewright_types::{Burst, ChannelBlock, ChannelClock, Dbfs, Pointing, Sample, SampleIndex, StreamItem};
use proptest::prelude::*;

const CLOCK: ChannelClock = ChannelClock {
    input_rate_hz: 240_000.0,
    decimation: 10,
    first_input_index: -37.5,
};

fn block(start: u64, samples: Vec<Sample>, clipped: Vec<u32>) -> StreamItem<ChannelBlock> {
    StreamItem::Block(ChannelBlock {
        channel: 0,
        start: SampleIndex(start),
        clock: CLOCK,
        samples: Arc::new(samples),
        clipped_inputs: Arc::new(clipped),
    })
}

/// Amplitude that rises with the sample's number, one clipped input in every hundredth sample.
fn signal(n: u64) -> (Vec<Sample>, Vec<u32>) {
    (0..n)
        .map(|i| {
            let amplitude = 0.1 + 0.8 * i as f32 / n as f32;
            (Sample::new(amplitude, 0.0), u32::from(i % 100 == 0))
        })
        .unzip()
}

fn burst(start: u64, stop: u64) -> Burst {
    Burst {
        channel: 0,
        start: SampleIndex(start),
        stop: SampleIndex(stop),
        start_s: start as f64 / 240_000.0,
        stop_s: stop as f64 / 240_000.0,
        start_utc: None,
        edge_sigma_s: 0.001,
        level: Dbfs(-10.0),
        noise: Dbfs(-40.0),
        snr_db: 30.0,
        carrier_offset_hz: 0.0,
        carrier_offset_sigma_hz: None,
        bandwidth_hz: 10_000.0,
        clip_fraction: 0.0,
        flags: Vec::new(),
    }
}

fn turn(rate_deg_per_s: f64, end_s: f64) -> AzimuthTrack {
    AzimuthTrack::constant_rate(0.0, end_s, 10.0, rate_deg_per_s, TrackNorth::Mount)
}

fn filled(n: u64) -> PowerCells {
    let mut cells = PowerCells::new(0.005);
    let (samples, clipped) = signal(n);
    cells.push(&block(0, samples, clipped));
    cells
}

#[test]
fn a_reading_has_its_power_time_and_boresight() {
    let cells = filled(24_000);
    let config = ReadingConfig::new(12_500.0);
    let set = cells.readings(&burst(24_000, 216_000), 3, &turn(6.0, 2.0), &config);
    assert!(!set.track_ended_early);
    // 0.8 s less 10 ms on each side, 50 ms each.
    assert_eq!(set.readings.len(), 16);
    for r in &set.readings {
        assert_eq!(r.burst, 3);
        assert!((r.independent_samples - 12_500.0 * r.length_s).abs() < 0.01 * r.independent_samples);
        assert!((r.noise_power_lin - 1e-4).abs() < 1e-12);
        assert!((r.clip_fraction - 0.001).abs() < 2e-4);
        let Pointing::Boresight { azimuth, turn_deg } = r.pointing else {
            panic!("a rotated antenna")
        };
        assert!((azimuth.degrees() - 10.0 - 6.0 * r.middle_s).abs() < 1e-6);
        assert!((turn_deg - 6.0 * r.length_s).abs() < 1e-9);
        // The amplitude is linear in time: its square at the middle, and a twelfth of the square of its change.
        let number = (r.middle_s * 240_000.0 + 37.5) / 10.0;
        let amplitude = 0.1 + 0.8 * number / 24_000.0;
        let change = 0.8 * r.length_s;
        assert!((r.power_lin / (amplitude * amplitude + change * change / 12.0) - 1.0).abs() < 2e-3);
        assert!(r.power_rel_var.is_some());
    }
}

#[test]
fn fast_turns_are_cut_shorter() {
    let cells = filled(24_000);
    let config = ReadingConfig::new(12_500.0);
    let set = cells.readings(&burst(24_000, 216_000), 0, &turn(-120.0, 2.0), &config);
    assert_eq!(set.readings.len(), 31);
    for r in &set.readings {
        let Pointing::Boresight { turn_deg, .. } = r.pointing else {
            panic!("a rotated antenna")
        };
        assert!(turn_deg < 0.0 && turn_deg.abs() <= 3.0 + 1e-9);
    }
}

#[test]
fn a_track_that_ends_early_is_said() {
    let cells = filled(24_000);
    let config = ReadingConfig::new(12_500.0);
    let set = cells.readings(&burst(24_000, 216_000), 0, &turn(6.0, 0.5), &config);
    assert!(set.track_ended_early);
    assert!(!set.readings.is_empty() && set.readings.iter().all(|r| r.middle_s <= 0.5));
}

#[test]
fn forgetting_bounds_the_memory() {
    let mut cells = PowerCells::new(0.005);
    let mut most = 0;
    for k in 0..200_u64 {
        cells.push(&block(k * 1000, vec![Sample::new(0.1, 0.0); 1000], vec![0; 1000]));
        cells.forget_before(SampleIndex((k * 10_000).saturating_sub(100_000)));
        most = most.max(cells.len());
    }
    // 100,000 input samples behind and 10,000 ahead, 1,200 in a cell.
    assert!(most <= 94, "{most}");
    let set = cells.readings(
        &burst(0, 100_000),
        0,
        &turn(6.0, 20.0),
        &ReadingConfig::new(12_500.0),
    );
    assert!(set.readings.is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn readings_do_not_depend_on_the_blocks(cuts in proptest::collection::vec(1_usize..3000, 1..30)) {
        let config = ReadingConfig::new(12_500.0);
        let at = burst(30_000, 190_000);
        let whole = filled(24_000).readings(&at, 0, &turn(30.0, 2.0), &config);
        let mut cells = PowerCells::new(0.005);
        let (samples, clipped) = signal(24_000);
        let mut from = 0;
        let mut lengths = cuts.into_iter().cycle();
        while from < samples.len() {
            let to = (from + lengths.next().unwrap()).min(samples.len());
            cells.push(&block(from as u64, samples[from..to].to_vec(), clipped[from..to].to_vec()));
            from = to;
        }
        prop_assert_eq!(cells.readings(&at, 0, &turn(30.0, 2.0), &config), whole);
    }
}
