//! Covariances cut from coherent channels.

use std::sync::Arc;

use lobewright_bearing::coherent::{ChannelCovariance, CovarianceCells, CutConfig};
use lobewright_types::{
    Burst, ChannelBlock, ChannelClock, Dbfs, Gap, GapCause, Sample, SampleIndex, StreamItem,
};
use proptest::prelude::*;

const CLOCK: ChannelClock = ChannelClock {
    input_rate_hz: 240_000.0,
    decimation: 10,
    first_input_index: -37.5,
};
const LENGTH: usize = 24_000;

fn block(clock: ChannelClock, start: usize, samples: &[Sample]) -> StreamItem<ChannelBlock> {
    StreamItem::Block(ChannelBlock {
        channel: 0,
        start: SampleIndex(start as u64),
        clock,
        samples: Arc::new(samples.to_vec()),
        clipped_inputs: Arc::new(vec![1; samples.len()]),
    })
}

/// A tone that each receiver hears with its own amplitude and phase, stronger from sample to sample.
fn signal(receiver: usize) -> Vec<Sample> {
    (0..LENGTH)
        .map(|i| {
            let amplitude = (0.1 + 0.2 * receiver as f32) * (1.0 + i as f32 / LENGTH as f32);
            Sample::from_polar(amplitude, 0.7 * i as f32 + 0.5 * receiver as f32)
        })
        .collect()
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

fn filled() -> CovarianceCells {
    let mut cells = CovarianceCells::new(3, 0.005);
    for receiver in 0..3 {
        cells.push(receiver, &block(CLOCK, 0, &signal(receiver)));
    }
    cells
}

fn cut(cells: &CovarianceCells) -> ChannelCovariance {
    cells
        .burst(&burst(30_000, 190_000), &CutConfig::new(12_500.0))
        .expect("a burst of half a second")
}

#[test]
fn a_burst_has_the_covariance_of_its_samples() {
    let covariance = cut(&filled());
    // Whole cells of 1200 inputs between 32,400 and 187,600; the channel sample n stands at input 10 n - 37.5.
    let (from, to) = (32_400.0, 187_200.0);
    let inside: Vec<usize> = (0..LENGTH)
        .filter(|&i| (from..to).contains(&(10.0 * i as f64 - 37.5)))
        .collect();
    let n = inside.len() as f64;
    assert!((covariance.independent_samples() - 12_500.0 * n / 24_000.0).abs() < 1e-6);
    assert!((covariance.clip_fraction() - 0.1).abs() < 1e-12);
    for i in 0..3 {
        for j in 0..3 {
            let (a, b) = (signal(i), signal(j));
            let (mut re, mut im) = (0.0, 0.0);
            for &k in &inside {
                let v = a[k] * b[k].conj();
                re += f64::from(v.re) / n;
                im += f64::from(v.im) / n;
            }
            let got = covariance.matrix()[(i, j)];
            // Products in single precision here, in double there.
            assert!(
                (got.re - re).abs() < 1e-6 && (got.im - im).abs() < 1e-6,
                "{i} {j}"
            );
        }
    }
}

#[test]
fn samples_that_a_receiver_lacks_are_left_out_of_all() {
    let mut cells = CovarianceCells::new(3, 0.005);
    for receiver in 0..3 {
        let all = signal(receiver);
        if receiver == 1 {
            cells.push(1, &block(CLOCK, 0, &all[..8_000]));
            cells.push(
                1,
                &StreamItem::Gap(Gap {
                    start: SampleIndex(80_000),
                    samples: 20_000,
                    cause: GapCause::Lost,
                }),
            );
            // The filter starts again with another zero of its clock.
            let clock = ChannelClock {
                first_input_index: 99_962.5,
                ..CLOCK
            };
            cells.push(1, &block(clock, 0, &all[10_000..]));
        } else {
            cells.push(receiver, &block(CLOCK, 0, &all));
        }
    }
    assert_eq!(cells.unmatched_samples(), 2 * 2_000);
    let config = CutConfig {
        edge_guard_s: 0.0,
        ..CutConfig::new(12_500.0)
    };
    let across = cells.burst(&burst(78_000, 102_000), &config).unwrap();
    let n = across.independent_samples() / 12_500.0 * 24_000.0;
    // 2,400 less the 2,000 that are missing.
    assert!((n - 400.0).abs() < 1e-6, "{n}");
    let rho =
        across.matrix()[(0, 1)].norm() / (across.matrix()[(0, 0)].re * across.matrix()[(1, 1)].re).sqrt();
    assert!((rho - 1.0).abs() < 1e-6, "receivers no longer aligned: {rho}");
}

#[test]
fn receivers_out_of_step_never_match() {
    let mut cells = CovarianceCells::new(2, 0.005);
    let off = ChannelClock {
        first_input_index: -35.0,
        ..CLOCK
    };
    cells.push(0, &block(CLOCK, 0, &signal(0)));
    cells.push(1, &block(off, 0, &signal(1)));
    assert!(cells.is_empty());
    assert!(cells.unmatched_samples() >= 2 * LENGTH as u64 - 1);
}

#[test]
fn noise_comes_from_outside_the_bursts() {
    let config = CutConfig {
        noise_guard_s: 0.01,
        ..CutConfig::new(12_500.0)
    };
    let mut cells = CovarianceCells::new(2, 0.005);
    for receiver in 0..2 {
        let samples: Vec<Sample> = (0..LENGTH)
            .map(|i| {
                let loud = (5_000..10_000).contains(&i);
                Sample::new(if loud { 1.0 } else { 0.01 }, 0.0)
            })
            .collect();
        cells.push(receiver, &block(CLOCK, 0, &samples));
    }
    let noise = cells
        .noise(
            SampleIndex(0),
            SampleIndex(240_000),
            &[burst(49_900, 100_000)],
            &config,
        )
        .unwrap();
    assert!((noise.covariance.matrix()[(0, 0)].re - 1e-4).abs() < 1e-9);
    let all = cells.noise(
        SampleIndex(0),
        SampleIndex(240_000),
        &[burst(0, 240_000)],
        &config,
    );
    assert!(all.is_none());
}

#[test]
fn forgetting_bounds_the_memory() {
    let mut cells = CovarianceCells::new(2, 0.005);
    let mut most = 0;
    for k in 0..100 {
        for receiver in 0..2 {
            cells.push(
                receiver,
                &block(CLOCK, k * 1000, &vec![Sample::new(0.1, 0.0); 1000]),
            );
        }
        cells.forget_before(SampleIndex((k as u64 * 10_000).saturating_sub(100_000)));
        most = most.max(cells.len());
    }
    // 100,000 input samples behind and 10,000 ahead, 1,200 in a cell.
    assert!(most <= 94, "{most}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn covariances_do_not_depend_on_the_blocks(
        cuts in proptest::collection::vec((0_usize..3, 1_usize..3000), 1..30),
    ) {
        let whole = cut(&filled());
        let mut cells = CovarianceCells::new(3, 0.005);
        let mut done = [0; 3];
        for (receiver, length) in cuts.into_iter().chain((0..3).map(|r| (r, LENGTH))) {
            let samples = signal(receiver);
            let to = (done[receiver] + length).min(LENGTH);
            cells.push(receiver, &block(CLOCK, done[receiver], &samples[done[receiver]..to]));
            done[receiver] = to;
        }
        prop_assert_eq!(cut(&cells), whole);
    }

    /// Anything may come in, in any order: no panic, and no number that is not one comes out.
    #[test]
    fn wild_streams_do_no_harm(
        items in proptest::collection::vec(
            (0_usize..2, 0_u64..100_000, 0_usize..400, -1e3_f64..1e3, 0_u32..5, any::<f32>()),
            0..30,
        ),
    ) {
        let mut cells = CovarianceCells::new(2, 0.005);
        for (receiver, start, length, first_input_index, decimation, value) in items {
            let clock = ChannelClock { input_rate_hz: 24_000.0, decimation, first_input_index };
            let samples = vec![Sample::new(value, 0.5); length];
            cells.push(receiver, &block(clock, usize::try_from(start).unwrap(), &samples));
        }
        if let Some(c) = cells.burst(&burst(0, 200_000), &CutConfig::new(1000.0)) {
            prop_assert!(c.matrix().iter().all(|v| v.re.is_finite() && v.im.is_finite()));
        }
    }
}
