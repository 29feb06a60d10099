//! Edges, levels, offsets, flags and detection probability on simulated channels.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counts and seeds of tests are small"
)]

mod common;

use std::f64::consts::TAU;
use std::sync::Arc;

use common::{Noise, add_tone, detect, narrow};
use lobewright_burst::{BurstDetector, DetectorConfig, DetectorError, threshold_ratio};
use lobewright_types::{Burst, BurstFlag, ChannelBlock, Gap, GapCause, SampleIndex, Stage, StreamItem};
use num_complex::Complex;

const RATE_HZ: f64 = 12_000.0;
const NOISE: f64 = 1e-4;

fn config() -> DetectorConfig {
    DetectorConfig::for_channel(RATE_HZ, RATE_HZ)
}

/// Noise with a tone of `snr_db` from one sample to before another.
fn scene(seed: u64, count: usize, tone: (usize, usize), snr_db: f64) -> Vec<Complex<f64>> {
    let mut samples = Noise::new(seed, NOISE).take(count);
    add_tone(
        &mut samples,
        tone.0,
        tone.1,
        NOISE * 10_f64.powf(snr_db / 10.0),
        700.0,
        RATE_HZ,
    );
    samples
}

fn only(bursts: &[Burst]) -> &Burst {
    assert_eq!(bursts.len(), 1, "{bursts:#?}");
    &bursts[0]
}

#[test]
fn edges_are_good_to_10_ms_at_10_db_and_far_better_when_strong() {
    for (snr_db, limit_s) in [(3.0, 10e-3), (10.0, 10e-3), (30.0, 1e-3)] {
        let (mut start, mut stop, mut claimed) = (0.0, 0.0, 0.0);
        let runs = 60;
        for seed in 0..runs {
            let (from, to) = (20_000 + 37 * seed as usize, 32_000 + 101 * seed as usize);
            let samples = narrow(&scene(200 + seed, 60_000, (from, to), snr_db));
            let bursts = detect(&config(), &samples);
            let burst = only(&bursts);
            start += ((burst.start.0 as f64 - from as f64) / RATE_HZ).powi(2) / f64::from(runs as u32);
            stop += ((burst.stop.0 as f64 - to as f64) / RATE_HZ).powi(2) / f64::from(runs as u32);
            claimed += burst.edge_sigma_s.powi(2) / f64::from(runs as u32);
        }
        let (start_s, stop_s, claimed_s) = (start.sqrt(), stop.sqrt(), claimed.sqrt());
        println!("{snr_db} dB: start {start_s:.5} s, stop {stop_s:.5} s, claimed {claimed_s:.5} s");
        assert!(start_s < limit_s && stop_s < limit_s);
        // The stated error is neither dreamt nor a blanket: within a factor 3 of what happens, where that is more
        // than its resolution, a hop of 6 samples (uniform: 6/√12).
        let rms_s = f64::midpoint(start, stop).sqrt();
        assert!(claimed_s < 3.0 * rms_s.max(6.0 / 12_f64.sqrt() / RATE_HZ) && claimed_s > rms_s / 3.0);
    }
}

#[test]
fn level_noise_and_snr_are_those_of_the_channel() {
    for snr_db in [0.0, 5.0, 10.0, 30.0] {
        let bursts = detect(&config(), &narrow(&scene(300, 80_000, (30_000, 54_000), snr_db)));
        let burst = only(&bursts);
        // 24000 samples: relative errors of signal and floor under 1 %, at 0 dB of the signal under 4 %.
        assert!(
            (burst.snr_db - snr_db).abs() < 0.2,
            "{} for {snr_db}",
            burst.snr_db
        );
        assert!((burst.noise.0 + 40.0).abs() < 0.1);
        let level = 10.0 * (NOISE * (1.0 + 10_f64.powf(snr_db / 10.0))).log10();
        assert!((burst.level.0 - level).abs() < 0.1);
    }
}

#[test]
fn detection_probability_is_the_energy_detectors() {
    // A steady tone that fills the window of M = 96 samples: 2 M times the ratio is noncentral chi-square with 2 M
    // degrees of freedom and noncentrality 2 M S/N (Urkowitz 1967). S/N = -2 dB. Each burst fills one window that a
    // decision sees whole.
    let mut config = DetectorConfig::for_channel(10_000.0, 10_000.0);
    config.integration_s = 96.0 / 10_000.0;
    config.min_length_s = 0.0;
    config.bridge_gap_s = 0.0;
    config.floor_window_s = 50.0;
    config.false_alarms_per_hour = 20.0;
    let ratio = threshold_ratio(20.0, 96.0, 10_000.0 / 24.0, 0.001_4);
    // Bursts of one window each, at a whole number of windows: the decision in the middle sees all of it.
    let trials = 400;
    let period = 9600;
    let mut samples = Noise::new(400, NOISE).take((trials + 1) * period);
    let snr = 10_f64.powf(-0.2);
    for k in 1..=trials {
        add_tone(
            &mut samples,
            k * period,
            k * period + 96,
            NOISE * snr,
            700.0,
            10_000.0,
        );
    }
    let bursts = detect(&config, &narrow(&samples));
    let hit = |k: usize| {
        bursts
            .iter()
            .any(|b| b.start.0.abs_diff((k * period) as u64) < 200)
    };
    let share = (1..=trials).filter(|&k| hit(k)).count() as f64 / trials as f64;
    let theory = noncentral_exceedance(96.0, ratio, snr);
    println!(
        "ratio {ratio:.4}, detected {share:.3}, theory {theory:.3}, bursts {}",
        bursts.len()
    );
    // Neighbouring windows see 3/4 of the burst and add a little to the one that sees all: at most 0.06 here.
    let sigma = (theory * (1.0 - theory) / trials as f64).sqrt();
    assert!(share > theory - 3.0 * sigma && share < theory + 0.06 + 3.0 * sigma);
}

/// P(noncentral chi-square > ...) as a Poisson mixture of gamma tails (Johnson, Kotz & Balakrishnan, Continuous Univariate
/// Distributions 2, eq. 29.2); held against scipy below.
fn noncentral_exceedance(samples: f64, ratio: f64, snr: f64) -> f64 {
    let rate = samples * snr;
    let mut weight = (-rate).exp();
    let mut sum = 0.0;
    for k in 0..2000 {
        let shape = samples + f64::from(k);
        sum += weight * lobewright_burst::exceedance_probability(samples * ratio / shape, shape);
        weight *= rate / f64::from(k + 1);
    }
    sum
}

#[test]
fn the_mixture_agrees_with_scipy() {
    for (snr_db, ratio, expected) in [
        (-3.0, 1.5, 0.491_591_685_172_079_5),
        (-2.0, 1.6, 0.570_873_097_303_308_2),
        (-1.0, 1.7, 0.715_156_153_125_383),
        (0.0, 1.6, 0.992_600_287_665_741_2),
    ] {
        let found = noncentral_exceedance(100.0, ratio, 10_f64.powf(snr_db / 10.0));
        assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
    }
}

#[test]
fn gaps_are_bridged_up_to_the_stated_length() {
    let mut config = config();
    config.bridge_gap_s = 0.1;
    for (gap, expected) in [(600, 1), (1150, 1), (1300, 2), (3000, 2)] {
        for snr_db in [3.0, 10.0, 40.0] {
            let mut samples = scene(500, 80_000, (30_000, 36_000), snr_db);
            let power = NOISE * 10_f64.powf(snr_db / 10.0);
            add_tone(&mut samples, 36_000 + gap, 44_000, power, 700.0, RATE_HZ);
            let bursts = detect(&config, &narrow(&samples));
            assert_eq!(bursts.len(), expected, "gap {gap} at {snr_db} dB: {bursts:#?}");
        }
    }
}

#[test]
fn keyed_morse_is_one_burst() {
    // "PARIS " at 20 words a minute: dot 60 ms, gaps of 1, 3 and 7 dots (ITU-R M.1677-1).
    let mut config = config();
    config.bridge_gap_s = 0.5;
    let mut samples = Noise::new(600, NOISE).take(160_000);
    let dot = 720;
    let mut at = 20_000;
    let begin = at;
    let mut end = at;
    for letter in [".--.", ".-", ".-.", "..", "...", " ", ".--.", ".-"] {
        for mark in letter.chars() {
            let length = match mark {
                '-' => 3 * dot,
                '.' => dot,
                _ => 0,
            };
            add_tone(&mut samples, at, at + length, NOISE * 100.0, -430.0, RATE_HZ);
            end = end.max(at + length);
            at += length + if length > 0 { dot } else { 3 * dot };
        }
        at += 2 * dot;
    }
    let bursts = detect(&config, &narrow(&samples));
    let burst = only(&bursts);
    assert!(burst.start.0.abs_diff(begin as u64) < 24 && burst.stop.0.abs_diff(end as u64) < 24);
    assert!((burst.carrier_offset_hz + 430.0).abs() < 1.0, "{burst:?}");
}

#[test]
fn clicks_are_not_bursts_but_short_bursts_are() {
    let mut config = config();
    config.min_length_s = 20e-3;
    for (length, expected) in [(12, 0), (24, 0), (120, 0), (200, 0), (300, 1), (600, 1)] {
        for snr_db in [15.0, 40.0] {
            let samples = narrow(&scene(700, 60_000, (30_001, 30_001 + length), snr_db));
            let bursts = detect(&config, &samples);
            assert_eq!(
                bursts.len(),
                expected,
                "{length} samples at {snr_db} dB: {bursts:#?}"
            );
        }
    }
}

#[test]
fn a_recording_that_begins_and_ends_inside_bursts_says_so() {
    let mut samples = scene(800, 24_000, (0, 9_000), 15.0);
    add_tone(&mut samples, 15_000, 24_000, NOISE * 30.0, -700.0, RATE_HZ);
    let bursts = detect(&config(), &narrow(&samples));
    assert_eq!(bursts.len(), 2, "{bursts:#?}");
    assert_eq!(bursts[0].flags, [BurstFlag::BeganBefore]);
    assert_eq!(bursts[0].start, SampleIndex(0));
    assert_eq!(bursts[1].flags, [BurstFlag::EndedAfter]);
    assert!(bursts[1].stop.0 > 23_980 && bursts[1].stop.0 <= 24_000);
}

#[test]
fn a_gap_ends_the_burst_and_the_floor_is_kept() {
    let samples = narrow(&scene(900, 300_000, (200_000, 260_000), 20.0));
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let mut bursts = Vec::new();
    let mut push = |item| detector.push(item, &mut |b| bursts.push(b)).unwrap();
    push(common::block_at(0, &samples[..230_000], RATE_HZ));
    push(StreamItem::Gap(Gap {
        start: SampleIndex(230_000),
        samples: 500,
        cause: GapCause::Lost,
    }));
    push(common::block_at(230_500, &samples[230_500..], RATE_HZ));
    assert!(detector.noise_floor().is_some());
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    assert_eq!(bursts.len(), 2, "{bursts:#?}");
    assert_eq!(bursts[0].flags, [BurstFlag::EndedAfter]);
    assert_eq!(bursts[1].flags, [BurstFlag::BeganBefore]);
    assert!(bursts[0].stop.0 <= 230_000 && bursts[1].start.0 >= 230_500);
}

#[test]
fn a_burst_beyond_the_longest_is_cut_and_flagged() {
    use BurstFlag::{BeganBefore, EndedAfter};
    let mut config = config();
    config.max_burst_s = 5.0;
    let bursts = detect(&config, &narrow(&scene(1000, 360_000, (60_000, 216_000), 15.0)));
    let flags: Vec<_> = bursts.iter().map(|b| b.flags.clone()).collect();
    assert_eq!(
        flags,
        [vec![EndedAfter], vec![BeganBefore, EndedAfter], vec![BeganBefore]]
    );
    assert_eq!(bursts[0].stop, bursts[1].start);
    assert_eq!(bursts[1].stop, bursts[2].start);
    assert!(
        bursts
            .iter()
            .all(|b| b.length_s() < 5.02 && (b.snr_db - 15.0).abs() < 0.2)
    );
}

#[test]
fn clipped_inputs_are_counted_and_flagged() {
    let samples = narrow(&scene(1100, 60_000, (30_000, 42_000), 20.0));
    let clipped: Vec<u32> = (0..60_000)
        .map(|i| u32::from((33_000..36_000).contains(&i)))
        .collect();
    let block = ChannelBlock {
        channel: 3,
        start: SampleIndex(0),
        clock: common::plain_clock(RATE_HZ),
        samples: Arc::new(samples),
        clipped_inputs: Arc::new(clipped),
    };
    let mut detector = BurstDetector::build(3, config()).unwrap();
    let mut bursts = Vec::new();
    detector
        .push(StreamItem::Block(block), &mut |b| bursts.push(b))
        .unwrap();
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    let burst = only(&bursts);
    assert_eq!((burst.channel, &burst.flags[..]), (3, &[BurstFlag::Clipped][..]));
    // 3000 of 12000 samples, the edges' hops left out.
    assert!((burst.clip_fraction - 0.25).abs() < 0.002);
}

/// Symbols of +1 and -1 with raised-cosine transitions (roll-off 1), `per_symbol` samples each.
fn bpsk(seed: u64, count: usize, per_symbol: usize, offset_hz: f64) -> Vec<Complex<f64>> {
    let mut bits = Noise::new(seed, 1.0);
    let symbols: Vec<f64> = (0..count / per_symbol + 3)
        .map(|_| bits.next().re.signum())
        .collect();
    (0..count)
        .map(|i| {
            let (k, part) = (i / per_symbol, (i % per_symbol) as f64 / per_symbol as f64);
            let blend = 0.5 - 0.5 * (TAU / 2.0 * part).cos();
            let level = symbols[k] * (1.0 - blend) + symbols[k + 1] * blend;
            Complex::from_polar(level, TAU * offset_hz * i as f64 / RATE_HZ)
        })
        .collect()
}

/// Samples of a burst for a seed.
type Signal<'a> = dyn Fn(u64) -> Vec<Complex<f64>> + 'a;

/// Offsets of `runs` bursts made by `signal`, at 15 dB: RMS error and RMS of the stated standard deviation.
fn offset_errors(signal: &Signal, offset_hz: f64, runs: u64) -> (f64, f64) {
    let (mut error, mut claimed) = (0.0, 0.0);
    for seed in 0..runs {
        let mut samples = Noise::new(1200 + seed, NOISE).take(60_000);
        let burst = signal(seed);
        let power = burst.iter().map(Complex::norm_sqr).sum::<f64>() / burst.len() as f64;
        let gain = (NOISE * 31.6 / power).sqrt();
        samples[30_000..]
            .iter_mut()
            .zip(&burst)
            .for_each(|(s, b)| *s += b * gain);
        let bursts = detect(&config(), &narrow(&samples));
        let burst = only(&bursts);
        error += (burst.carrier_offset_hz - offset_hz).powi(2) / runs as f64;
        claimed += burst.carrier_offset_sigma_hz.unwrap().powi(2) / runs as f64;
    }
    (error.sqrt(), claimed.sqrt())
}

#[test]
fn offsets_of_tone_bpsk_fsk_and_noise_like_signals_come_with_honest_errors() {
    let tone = |_: u64| -> Vec<Complex<f64>> {
        (0..14_000)
            .map(|i| Complex::from_polar(1.0, TAU * 311.7 * f64::from(i) / RATE_HZ))
            .collect()
    };
    let psk = |seed: u64| bpsk(seed, 14_000, 10, 311.7);
    let fsk = |seed: u64| -> Vec<Complex<f64>> {
        let mut bits = Noise::new(seed, 1.0);
        let mut phase = 0.0;
        let mut tone_hz = 0.0;
        (0..14_000)
            .map(|i| {
                if i % 20 == 0 {
                    tone_hz = 311.7 + 1500.0 * bits.next().re.signum();
                }
                phase += TAU * tone_hz / RATE_HZ;
                Complex::from_polar(1.0, phase)
            })
            .collect()
    };
    let taps = common::band_filter(311.7 - 1500.0, 311.7 + 1500.0, 65, RATE_HZ);
    let noise_like = |seed: u64| common::filter(&Noise::new(5000 + seed, 1.0).take(14_000), &taps);
    // The last column: how far the stated error may exceed the real one. For FSK in white noise the errors of the
    // instantaneous frequency cancel from sample to sample, which the stated figure does not count on.
    let cases: [(&str, &Signal, f64, f64); 4] = [
        ("tone", &tone, 0.02, 4.0),
        ("BPSK", &psk, 0.05, 4.0),
        ("FSK", &fsk, 2.0, 10.0),
        ("noise-like", &noise_like, 60.0, 4.0),
    ];
    for (name, signal, limit_hz, excess) in cases {
        let (error_hz, claimed_hz) = offset_errors(signal, 311.7, 20);
        println!("{name}: RMS error {error_hz:.3} Hz, stated {claimed_hz:.3} Hz");
        assert!(error_hz < limit_hz, "{name}: {error_hz} Hz");
        assert!(
            claimed_hz < excess * error_hz && claimed_hz > error_hz / 2.0,
            "{name}: {error_hz}, stated {claimed_hz}"
        );
    }
}

#[test]
fn occupied_bandwidth_is_the_99_percent_one() {
    // BPSK with rectangular symbols would have tails; here band-limited noise of 3000 Hz: 99 % of it is 2970 Hz.
    let taps = common::band_filter(-1500.0, 1500.0, 513, RATE_HZ);
    let signal = common::filter(&Noise::new(1300, 1.0).take(60_000), &taps);
    let mut samples = Noise::new(1301, NOISE).take(120_000);
    samples[30_000..]
        .iter_mut()
        .zip(&signal)
        .for_each(|(s, b)| *s += b * (NOISE * 1000.0).sqrt());
    let bursts = detect(&config(), &narrow(&samples));
    let width_hz = only(&bursts).bandwidth_hz;
    assert!((width_hz - 2970.0).abs() < 40.0, "{width_hz}");
}

#[test]
fn decimation_and_delay_are_accounted_for() {
    let mut samples = Noise::new(1400, NOISE).take(60_000);
    add_tone(&mut samples, 30_000, 42_000, NOISE * 1000.0, 700.0, RATE_HZ);
    let mut clock = common::plain_clock(RATE_HZ * 25.0);
    clock.decimation = 25;
    clock.first_input_index = 412.0;
    let mut config = config();
    config.first_sample_utc = Some("2026-02-14T03:25:00Z".parse().unwrap());
    let mut detector = BurstDetector::build(0, config).unwrap();
    let block = ChannelBlock {
        channel: 0,
        start: SampleIndex(0),
        clock,
        samples: Arc::new(narrow(&samples)),
        clipped_inputs: Arc::new(vec![0; 60_000]),
    };
    let mut bursts = Vec::new();
    detector
        .push(StreamItem::Block(block), &mut |b| bursts.push(b))
        .unwrap();
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    let burst = only(&bursts);
    // Channel samples 30000 and 42000 begin half a decimation before the input samples that they stand for.
    let expected = |channel: f64| 412.0 + 25.0 * (channel - 0.5);
    assert!(
        (burst.start.0 as f64 - expected(30_000.0)).abs() < 75.0,
        "{burst:?}"
    );
    assert!(
        (burst.stop.0 as f64 - expected(42_000.0)).abs() < 75.0,
        "{burst:?}"
    );
    assert!((burst.start_s - burst.start.0 as f64 / (RATE_HZ * 25.0)).abs() < 1e-12);
    let utc = burst.start_utc.unwrap();
    let midnight: lobewright_types::Timestamp = "2026-02-14T03:25:00Z".parse().unwrap();
    assert!((utc.seconds_since(midnight) - burst.start_s).abs() < 2e-9);
}

#[test]
fn a_burst_comes_out_soon_after_it_ended_and_is_held_until_then() {
    let samples = narrow(&scene(1500, 240_000, (180_000, 200_000), 20.0));
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let mut out = None;
    for (i, part) in samples.chunks(100).enumerate() {
        let before = detector.holds_from();
        let mut seen = None;
        let start = i as u64 * 100;
        detector
            .push(common::block_at(start, part, RATE_HZ), &mut |b| seen = Some(b))
            .unwrap();
        if let Some(burst) = seen {
            assert!(before <= burst.start);
            // Bridged gap 0.2 s, integration 8.3 ms: 2400 + 100 samples, and half a window either way.
            assert!(start < burst.stop.0 + 2400 + 300);
            out = Some(burst);
        }
        if (130_000..180_000).contains(&start) {
            assert!(start - before.0 < 400, "at {start} held from {}", before.0);
        }
    }
    assert!(out.is_some());
}

#[test]
fn bad_input_is_named_and_refused() {
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let mut push = |item| detector.push(item, &mut |_| ()).unwrap_err().to_string();
    let samples = vec![num_complex::Complex::new(0.1_f32, 0.0); 10];
    let StreamItem::Block(good) = common::block_at(0, &samples, RATE_HZ) else {
        unreachable!()
    };
    let other = ChannelBlock {
        channel: 4,
        ..good.clone()
    };
    assert_eq!(
        push(StreamItem::Block(other)),
        "a block of channel 4 came to the detector of channel 0"
    );
    let slow = common::block_at(0, &samples, 8000.0);
    assert_eq!(
        push(slow),
        "a block at 8000 samples/s came to a detector built for 12000 samples/s"
    );
    let uncounted = ChannelBlock {
        clipped_inputs: Arc::new(vec![0; 9]),
        ..good.clone()
    };
    assert_eq!(
        push(StreamItem::Block(uncounted)),
        "the block at channel sample 0 has 10 samples but 9 clip counts"
    );
    let mut broken = samples.clone();
    broken[7].im = f32::NAN;
    let text = push(common::block_at(20, &broken, RATE_HZ));
    assert_eq!(
        text,
        "channel sample 27 is not a finite number: the source must announce it as a gap"
    );
    detector.push(StreamItem::Block(good), &mut |_| ()).unwrap();
    let error = detector
        .push(common::block_at(30, &samples, RATE_HZ), &mut |_| ())
        .unwrap_err();
    assert_eq!(
        error.to_string(),
        "the block at channel sample 30 should start at 10 unless a gap is announced"
    );
    let mut config = config();
    config.noise_bandwidth_hz = 2.0 * RATE_HZ;
    let error = BurstDetector::build(0, config).err().unwrap();
    assert!(matches!(
        error,
        DetectorError::Setting {
            field: "noise_bandwidth_hz",
            ..
        }
    ));
    assert_eq!(
        error.to_string(),
        "detector setting `noise_bandwidth_hz` is 24000: it must be positive and at most the channel's sample rate"
    );
}
