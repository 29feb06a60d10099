//! Readings of the ports of a switched antenna.

use std::sync::Arc;

use lobewright_antenna::SwitchSchedule;
use lobewright_bearing::{PortCells, ReadingConfig};
use lobewright_types::{
    Burst, ChannelBlock, ChannelClock, Dbfs, LevelReading, Pointing, Sample, SampleIndex, StreamItem,
};
use proptest::prelude::*;

const CLOCK: ChannelClock = ChannelClock {
    input_rate_hz: 240_000.0,
    decimation: 10,
    first_input_index: -37.5,
};
const PORTS: usize = 4;

fn block(start: u64, samples: Vec<Sample>) -> StreamItem<ChannelBlock> {
    let clipped = vec![0; samples.len()];
    StreamItem::Block(ChannelBlock {
        channel: 0,
        start: SampleIndex(start),
        clock: CLOCK,
        samples: Arc::new(samples),
        clipped_inputs: Arc::new(clipped),
    })
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

fn schedule(dwell_s: f64, settle_s: f64) -> SwitchSchedule {
    SwitchSchedule::cycle(&[0, 1, 2, 3], dwell_s, settle_s)
        .expect("a valid cycle")
        .with_start(0.000_71)
}

/// Power `port + 1` while a port is settled, 1000 while the switch settles.
fn signal(schedule: &SwitchSchedule, n: u64) -> Vec<Sample> {
    (0..n)
        .map(|i| {
            let time_s = CLOCK.seconds(i as f64);
            let settled = schedule
                .dwells(time_s, time_s + 1e-9)
                .next()
                .map(|d| f32::from(d.port) + 1.0);
            Sample::new(settled.unwrap_or(1000.0).sqrt(), 0.0)
        })
        .collect()
}

fn port_of(reading: &LevelReading) -> u16 {
    match reading.pointing {
        Pointing::Port(port) => port,
        Pointing::Boresight { .. } => panic!("a switched antenna"),
    }
}

fn cut(dwell_s: f64, settle_s: f64) -> Vec<LevelReading> {
    let schedule = schedule(dwell_s, settle_s);
    let mut cells = PortCells::new(0.005, schedule.clone());
    cells.push(&block(0, signal(&schedule, 24_000)));
    cells
        .port_readings(&burst(24_000, 216_000), 2, &ReadingConfig::new(12_500.0))
        .readings
}

#[test]
fn a_reading_holds_the_settled_samples_of_its_port_alone() {
    for (dwell_s, settle_s) in [(0.3, 0.01), (0.07, 0.002), (0.02, 0.001), (0.001, 0.000_2)] {
        let readings = cut(dwell_s, settle_s);
        assert!(readings.len() >= 6, "{dwell_s}: {}", readings.len());
        for r in &readings {
            assert!(
                (r.power_lin - f64::from(port_of(r)) - 1.0).abs() < 1e-5,
                "{dwell_s}: {r:?}"
            );
            assert!((r.independent_samples - 12_500.0 * r.length_s).abs() < 1e-9);
            assert!(r.length_s <= 0.05 + 1e-9 && r.burst == 2);
        }
        assert!(readings.windows(2).all(|w| w[0].middle_s <= w[1].middle_s));
    }
}

#[test]
fn a_slow_switch_gives_several_readings_a_dwell_and_a_fast_one_pools_its_dwells() {
    // 0.8 s less the guards, 50 ms a reading: settled 0.29 of 0.3 s.
    let slow = cut(0.3, 0.01);
    assert!((13..=17).contains(&slow.len()), "{}", slow.len());
    // Four ports, each settled for 0.8 of a quarter of every 50 ms.
    let fast = cut(0.001, 0.000_2);
    assert_eq!(fast.len(), 4 * 15 + 4);
    for r in &fast[4..60] {
        assert!((r.length_s - 0.05 / 4.0 * 0.8).abs() < 0.000_6, "{r:?}");
    }
    // The ports of one 50 ms have their middles within a cycle of each other.
    for four in fast.chunks_exact(4) {
        let mut ports: Vec<u16> = four.iter().map(port_of).collect();
        ports.sort_unstable();
        assert_eq!(ports, [0, 1, 2, 3]);
        assert!(four[3].middle_s - four[0].middle_s < 0.004);
    }
}

#[test]
fn time_spent_on_ports_adds_up() {
    let (dwell_s, settle_s) = (0.004, 0.001);
    let total: f64 = cut(dwell_s, settle_s).iter().map(|r| r.length_s).sum();
    // 0.78 s within the guards, three quarters of it settled, whole cells of 5 ms only.
    assert!((total - 0.78 * 0.75).abs() < 0.01, "{total}");
}

#[test]
fn a_schedule_without_a_start_gives_nothing() {
    let schedule = SwitchSchedule::cycle(&[0, 1], 0.02, 0.0).unwrap();
    let mut cells = PortCells::new(0.005, schedule);
    cells.push(&block(0, vec![Sample::new(0.1, 0.0); 24_000]));
    assert!(cells.is_empty());
}

#[test]
fn forgetting_bounds_the_memory() {
    let mut cells = PortCells::new(0.005, schedule(0.0005, 0.0001));
    let mut most = 0;
    for k in 0..200_u64 {
        cells.push(&block(k * 1000, vec![Sample::new(0.1, 0.0); 1000]));
        cells.forget_before(SampleIndex((k * 10_000).saturating_sub(100_000)));
        most = most.max(cells.len());
    }
    // 100,000 input samples behind and 10,000 ahead, 1,200 in a cell.
    assert!(most <= 94, "{most}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn readings_do_not_depend_on_the_blocks(
        cuts in proptest::collection::vec(1_usize..3000, 1..30),
        dwell_s in 0.000_5..0.2_f64,
    ) {
        let schedule = schedule(dwell_s, 0.2 * dwell_s);
        let samples: Vec<Sample> = (0..24_000_u32)
            .map(|i| Sample::new(0.1 + (i as f32 * 0.37).sin() * 0.05, 0.0))
            .collect();
        let at = burst(30_000, 190_000);
        let config = ReadingConfig::new(12_500.0);
        let mut whole = PortCells::new(0.005, schedule.clone());
        whole.push(&block(0, samples.clone()));
        let mut cells = PortCells::new(0.005, schedule);
        let mut from = 0;
        let mut lengths = cuts.into_iter().cycle();
        while from < samples.len() {
            let to = (from + lengths.next().unwrap()).min(samples.len());
            cells.push(&block(from as u64, samples[from..to].to_vec()));
            from = to;
        }
        let found = cells.port_readings(&at, 0, &config);
        prop_assert!(!found.readings.is_empty());
        prop_assert!(found.readings.iter().all(|r| usize::from(port_of(r)) < PORTS));
        prop_assert_eq!(found, whole.port_readings(&at, 0, &config));
    }
}
