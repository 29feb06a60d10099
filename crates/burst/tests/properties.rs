//! What must hold for any signal and any cut of the stream.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::{Noise, add_tone, block_at, detect, narrow};
use lobewright_burst::{BurstDetector, DetectorConfig, threshold_ratio};
use lobewright_types::{Burst, Gap, GapCause, Sample, SampleIndex, Stage, StreamItem};
use proptest::prelude::*;

const RATE_HZ: f64 = 8000.0;

fn config(floor_window_s: f64) -> DetectorConfig {
    let mut config = DetectorConfig::for_channel(RATE_HZ, 6000.0);
    config.floor_window_s = floor_window_s;
    config.bridge_gap_s = 0.05;
    config.max_burst_s = 1.5;
    config.fft_length = 256;
    config
}

fn signal(seed: u64, bursts: &[(usize, usize, f64)]) -> Vec<Sample> {
    let mut samples = Noise::new(seed, 1e-4).take(40_000);
    for &(start, length, snr_db) in bursts {
        let power = 1e-4 * 10_f64.powf(snr_db / 10.0);
        add_tone(&mut samples, start, start + length, power, 500.0, RATE_HZ);
    }
    narrow(&samples)
}

/// Runs over the samples in the given cuts, with a gap behind sample `gap`.
fn run(config: &DetectorConfig, samples: &[Sample], cuts: &[usize], gap: usize) -> (Vec<Burst>, Option<u64>) {
    let mut detector = BurstDetector::build(0, config.clone()).unwrap();
    let mut bursts = Vec::new();
    let mut at = 0;
    let mut cuts = cuts.iter().cycle();
    while at < samples.len() {
        let border = if at < gap { gap } else { samples.len() };
        let end = (at + cuts.next().unwrap()).min(border);
        let item = block_at(at as u64, &samples[at..end], RATE_HZ);
        detector.push(item, &mut |b| bursts.push(b)).unwrap();
        at = end;
        if at == gap {
            let gap = Gap {
                start: SampleIndex(at as u64),
                samples: 0,
                cause: GapCause::Overrun,
            };
            detector
                .push(StreamItem::Gap(gap), &mut |b| bursts.push(b))
                .unwrap();
        }
    }
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    (bursts, detector.noise_floor().map(|f| f.level.0.to_bits()))
}

fn some_bursts() -> impl Strategy<Value = Vec<(usize, usize, f64)>> {
    prop::collection::vec((0..38_000_usize, 10..20_000_usize, -5.0..50.0_f64), 0..5)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn results_do_not_depend_on_the_blocks(
        seed in 0..1000_u64,
        bursts in some_bursts(),
        cuts in prop::collection::vec(1..3000_usize, 1..6),
        gap in 1..40_000_usize,
        floor_window_s in 0.8..4.0_f64,
    ) {
        let samples = signal(seed, &bursts);
        let config = config(floor_window_s);
        let whole = run(&config, &samples, &[usize::MAX / 2], gap);
        prop_assert_eq!(&run(&config, &samples, &cuts, gap), &whole);
        prop_assert_eq!(&run(&config, &samples, &[1], gap), &whole);
    }

    #[test]
    fn bursts_are_finite_ordered_and_apart(seed in 0..1000_u64, bursts in some_bursts()) {
        let found = detect(&config(2.0), &signal(seed, &bursts));
        for burst in &found {
            prop_assert!(burst.start < burst.stop && burst.stop.0 <= 40_000);
            let values = [
                burst.edge_sigma_s, burst.level.0, burst.noise.0, burst.snr_db, burst.carrier_offset_hz,
                burst.carrier_offset_sigma_hz.unwrap_or(0.0), burst.bandwidth_hz, burst.clip_fraction,
            ];
            prop_assert!(values.iter().all(|v| v.is_finite()), "{:?}", burst);
            prop_assert!(burst.bandwidth_hz > 0.0 && burst.bandwidth_hz <= RATE_HZ);
            prop_assert!(burst.carrier_offset_hz.abs() <= RATE_HZ / 2.0);
            let mut flags = burst.flags.clone();
            flags.dedup();
            prop_assert!(flags.is_sorted() && flags.len() == burst.flags.len());
        }
        prop_assert!(found.windows(2).all(|pair| pair[0].stop <= pair[1].start));
    }

    #[test]
    fn a_gain_moves_levels_and_nothing_else(seed in 0..1000_u64, bursts in some_bursts(), steps in -8..8_i32) {
        // Powers of two keep every mantissa.
        let samples = signal(seed, &bursts);
        let gain = 2_f32.powi(steps);
        let louder: Vec<Sample> = samples.iter().map(|s| s * gain).collect();
        let (plain, scaled) = (detect(&config(2.0), &samples), detect(&config(2.0), &louder));
        prop_assert_eq!(plain.len(), scaled.len());
        for (a, b) in plain.iter().zip(&scaled) {
            prop_assert_eq!((a.start, a.stop), (b.start, b.stop));
            let step_db = 20.0 * f64::from(gain).log10();
            prop_assert!(((b.level - a.level).0 - step_db).abs() < 1e-9);
            prop_assert!((b.snr_db - a.snr_db).abs() < 1e-9);
            prop_assert!((b.carrier_offset_hz - a.carrier_offset_hz).abs() < 1e-6);
        }
    }

    #[test]
    fn a_mirrored_spectrum_mirrors_the_offset(seed in 0..1000_u64, bursts in some_bursts()) {
        let samples = signal(seed, &bursts);
        let mirrored: Vec<Sample> = samples.iter().map(num_complex::Complex::conj).collect();
        let (plain, turned) = (detect(&config(2.0), &samples), detect(&config(2.0), &mirrored));
        prop_assert_eq!(plain.len(), turned.len());
        for (a, b) in plain.iter().zip(&turned) {
            prop_assert_eq!((a.start, a.stop), (b.start, b.stop));
            // Two tones are split at a bin of the histogram: one bin is rate / 512.
            prop_assert!((a.carrier_offset_hz + b.carrier_offset_hz).abs() < 0.01 * RATE_HZ / 512.0
                || a.carrier_offset_sigma_hz.unwrap_or(0.0) > 5.0, "{:?} {:?}", a, b);
        }
    }

    #[test]
    fn the_threshold_falls_with_the_rate_and_with_the_samples(
        rate in 0.01..1000.0_f64, samples in 1.0..2000.0_f64, more in 1.1..10.0_f64,
    ) {
        let ratio = threshold_ratio(rate, samples, 100.0, 0.0);
        prop_assert!(ratio > 1.0 && ratio.is_finite());
        prop_assert!(threshold_ratio(rate * more, samples, 100.0, 0.0) < ratio);
        prop_assert!(threshold_ratio(rate, samples * more, 100.0, 0.0) < ratio);
    }
}
