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
    for snr_db in [-12.0, -9.0, -6.0, -4.0, -3.0, -2.0, 0.0, 3.0, 10.0, 40.0] {
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

#[test]
fn the_floor_follows_a_slow_change() {
    // 6 dB up and down in 200 s: 0.06 dB/s, a lag of half the 10 s window makes 0.3 dB.
    let seconds = 200;
    let mut noise = Noise::new(12, 1e-4);
    let mut detector = BurstDetector::build(0, config()).unwrap();
    let mut bursts = 0;
    let gain_db = |t: f64| 3.0 * (1.0 - (std::f64::consts::TAU * t / 200.0).cos());
    for second in 0..seconds {
        let gain = 10_f64.powf(gain_db(f64::from(second)) / 20.0);
        let samples: Vec<_> = noise.take(12_000).iter().map(|s| s * gain).collect();
        let item = common::block_at(second as u64 * 12_000, &narrow(&samples), RATE_HZ);
        detector.push(item, &mut |_| bursts += 1).unwrap();
        if second > 20 {
            let error_db = detector.noise_floor().unwrap().level.0 + 40.0 - gain_db(f64::from(second));
            assert!(error_db.abs() < 0.75, "second {second}: {error_db}");
        }
    }
    assert_eq!(bursts, 0);
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
    let power = samples.iter().map(|s| s.norm_sqr()).sum::<f64>() / samples.len() as f64;
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
