//! The noise floor while bursts are present, while it drifts and from odd noise.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counts and seeds of tests are small"
)]

mod common;

use common::{Noise, add_tone, detect_in_blocks, narrow};
use lobewright_burst::{BurstDetector, DetectorConfig};
use lobewright_types::{Sample, Stage};

const RATE_HZ: f64 = 12_000.0;

fn config() -> DetectorConfig {
    DetectorConfig::for_channel(RATE_HZ, RATE_HZ)
}

#[test]
fn bursts_for_60_percent_of_the_time_bias_the_floor_by_less_than_half_a_db() {
    // From far under the threshold (no burst is found then) to far above it.
    for snr_db in [
        -12.0, -9.0, -8.0, -7.0, -6.0, -4.0, -3.0, -2.0, 0.0, 3.0, 10.0, 40.0,
    ] {
        let mut samples = Noise::new(11, 1e-4).take(60 * 12_000);
        let power = 1e-4 * 10_f64.powf(snr_db / 10.0);
        // On for 1.5 s of every 2.5 s, from the first sample.
        for start in (0..samples.len()).step_by(30_000) {
            add_tone(&mut samples, start, start + 18_000, power, 700.0, RATE_HZ);
        }
        let (_, detector) = detect_in_blocks(&config(), &narrow(&samples), 5000);
        let bias_db = detector.noise_floor().unwrap().level.0 + 40.0;
        println!("S/N {snr_db} dB: bias {bias_db:.3} dB");
        assert!(bias_db.abs() < 0.5, "S/N {snr_db} dB: {bias_db} dB");
    }
}

#[test]
fn the_floor_states_its_own_error() {
    // 40 runs: the normalised errors' mean square lies within 0.5 and 1.6 (chi-square with 40 degrees of freedom,
    // 0.4 % and 99.2 %: 20.7/40 and 64/40; statistical tables, NIST/SEMATECH e-Handbook 1.3.6.7.4).
    let mut square = 0.0;
    for seed in 0..40 {
        let samples = narrow(&Noise::new(100 + seed, 1.0).take(150_000));
        let floor = detect_in_blocks(&config(), &samples, 8192)
            .1
            .noise_floor()
            .unwrap();
        square += ((floor.level.power() - 1.0) / floor.rel_sigma).powi(2) / 40.0;
    }
    assert!(square > 0.5 && square < 1.6, "{square}");
}

/// Noise that rises and falls by `swing_db` once in `seconds`: the floor's largest error in dB, and the bursts found.
fn drift(swing_db: f64, seconds: u32, seed: u64) -> (f64, usize) {
    let mut noise = Noise::new(seed, 1e-4);
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let (mut bursts, mut worst_db) = (0, 0.0_f64);
    let gain_db = |t: f64| 0.5 * swing_db * (1.0 - (std::f64::consts::TAU * t / f64::from(seconds)).cos());
    for second in 0..seconds {
        let gain = |i: usize| 10_f64.powf(gain_db(f64::from(second) + i as f64 / RATE_HZ) / 20.0);
        let samples: Vec<_> = noise
            .take(12_000)
            .iter()
            .enumerate()
            .map(|(i, s)| s * gain(i))
            .collect();
        let item = common::block_at(u64::from(second) * 12_000, &narrow(&samples), RATE_HZ);
        detector.push(item, &mut |_| bursts += 1).unwrap();
        if second > 20 {
            let floor_db = detector.noise_floor().unwrap().level.0 + 40.0;
            worst_db = worst_db.max((floor_db - gain_db(f64::from(second) + 1.0)).abs());
        }
    }
    (worst_db, bursts)
}

#[test]
fn the_floor_follows_a_slow_change() {
    // Up to 0.94 dB a minute: an average over 10 s alone would lag by 0.08 dB and triple the false alarms.
    let (worst_db, bursts) = drift(3.0, 600, 12);
    assert!(worst_db < 0.15 && bursts == 0);
    // Up to 5.7 dB a minute.
    assert!(drift(6.0, 200, 12).0 < 0.4);
}

#[test]
fn the_floor_is_written_with_its_reference() {
    let samples = narrow(&Noise::new(15, 1e-4).take(150_000));
    let floor = detect_in_blocks(&config(), &samples, 8192)
        .1
        .noise_floor()
        .unwrap();
    let text = serde_json::to_string(&floor).unwrap();
    assert!(text.starts_with("{\"level_dbfs\":-"), "{text}");
    let back: lobewright_burst::NoiseFloor = serde_json::from_str(&text).unwrap();
    assert!((back.level.0 - floor.level.0).abs() < 1e-12);
}

#[test]
fn a_relearnt_floor_takes_a_step_of_the_gain() {
    let mut noise = Noise::new(14, 1e-4);
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let mut bursts = Vec::new();
    for (start, gain) in [(0_u64, 1.0), (240_000, 10.0)] {
        if start > 0 {
            detector.relearn_floor(&mut |b| bursts.push(b));
            assert!(detector.noise_floor().is_none() && detector.threshold().is_none());
        }
        let samples: Vec<_> = noise.take(240_000).iter().map(|s| s * gain).collect();
        let item = common::block_at(start, &narrow(&samples), RATE_HZ);
        detector.push(item, &mut |b| bursts.push(b)).unwrap();
    }
    assert!((detector.noise_floor().unwrap().level.0 + 20.0).abs() < 0.1);
    detector.finish(&mut |b| bursts.push(b)).unwrap();
    assert!(bursts.is_empty());
}

#[test]
fn coarsely_quantised_noise_has_the_right_floor_and_no_bursts() {
    // Standard deviation of 0.6 steps of an 8-bit converter, steps at odd halves (no zero): quantised power counts.
    let mut noise = Noise::new(13, 2.0 * 0.6 * 0.6);
    let step = |x: f64| (x.floor() + 0.5) / 127.5;
    let samples: Vec<_> = noise
        .take(400_000)
        .iter()
        .map(|s| num_complex::Complex::new(step(s.re), step(s.im)))
        .collect();
    let power = samples.iter().map(num_complex::Complex::norm_sqr).sum::<f64>() / samples.len() as f64;
    let (bursts, detector) = detect_in_blocks(&config(), &narrow(&samples), 4096);
    let bias_db = detector.noise_floor().unwrap().level.0 - 10.0 * power.log10();
    assert!(bias_db.abs() < 0.05, "{bias_db}");
    assert!(bursts.is_empty());
}

#[test]
fn silence_and_constant_samples_give_no_bursts_and_no_nonsense() {
    let silent = vec![Sample::default(); 200_000];
    let (bursts, detector) = detect_in_blocks(&config(), &silent, 4096);
    assert!(bursts.is_empty() && detector.noise_floor().is_none());
    let constant = vec![Sample::new(0.25, 0.0); 200_000];
    assert!(detect_in_blocks(&config(), &constant, 4096).0.is_empty());
    assert!(detect_in_blocks(&config(), &[], 4096).0.is_empty());
    assert!(detect_in_blocks(&config(), &constant[..3], 4096).0.is_empty());
}
