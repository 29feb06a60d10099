//! The threshold against computed values and the false-alarm rate against simulated noise.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counts and seeds of tests are small"
)]

mod common;

use common::{Noise, narrow};
use lobewright_burst::{
    BurstDetector, DetectorConfig, exceedance_probability, threshold_ratio, upcrossing_probability,
};
use lobewright_types::Stage;

/// Independent samples, ratio, probability of one average above it, probability of an upward crossing.
///
/// The ratio is `scipy.stats.gamma.isf(p, m) / m`, the crossing `scipy.integrate.quad` of
/// `pdf(a; 3m/4) cdf(u - a; m/4) sf(u - a; m/4)` over the shared sum `a`; scipy 1.17.1, double precision.
const GAMMA: [(f64, f64, f64, f64); 18] = [
    (1.0, 4.605_170_185_988_09, 1e-2, 4.225_356_253e-3),
    (1.0, 13.815_510_557_964_3, 1e-6, 5.502_321_291e-7),
    (1.0, 20.723_265_836_946_4, 1e-9, 5.916_462_540e-10),
    (4.0, 2.511_279_378_707_9, 1e-2, 5.534_248_063e-3),
    (4.0, 5.337_614_240_818_03, 1e-6, 7.554_712_112e-7),
    (4.0, 7.288_451_640_935_7, 1e-9, 8.141_879_159e-10),
    (10.0, 1.878_311_739_331_25, 1e-2, 6.077_190_695e-3),
    (10.0, 3.271_034_051_752_39, 1e-6, 8.373_924_701e-7),
    (10.0, 4.173_956_218_084_69, 1e-9, 8.966_835_284e-10),
    (100.0, 1.247_225_614_907_21, 1e-2, 6.628_069_969e-3),
    (100.0, 1.549_190_459_950_39, 1e-6, 9.138_812_064e-7),
    (100.0, 1.720_710_398_045_47, 1e-9, 9.634_584_824e-10),
    (1000.0, 1.075_032_832_086_44, 1e-2, 6.769_927_526e-3),
    (1000.0, 1.157_577_911_008_93, 1e-6, 9.311_686_091e-7),
    (1000.0, 1.201_472_872_947_66, 1e-9, 9.755_827_157e-10),
    (10000.0, 1.023_410_437_915_81, 1e-2, 6.810_996_251e-3),
    (10000.0, 1.048_256_116_463_89, 1e-6, 9.358_787_775e-7),
    (10000.0, 1.061_148_636_441_11, 1e-9, 9.785_727_871e-10),
];

#[test]
fn averaged_noise_exceeds_a_ratio_as_the_gamma_distribution_says() {
    for (samples, ratio, probability, _) in GAMMA {
        let found = exceedance_probability(ratio, samples);
        // The ratio is given to 15 digits; its relative error grows by up to ratio x samples in the probability.
        assert!(
            (found / probability - 1.0).abs() < 1e-9,
            "{samples} {ratio}: {found}"
        );
    }
    assert!((exceedance_probability(-1.0, 3.0) - 1.0).abs() < 1e-15);
}

#[test]
fn upward_crossings_match_numerical_quadrature() {
    for (samples, ratio, _, crossing) in GAMMA {
        let found = upcrossing_probability(ratio, samples);
        // One sample: a quarter sample has a singular density, which costs the plain rule accuracy.
        let tolerance = if samples < 2.0 { 5e-3 } else { 1e-4 };
        assert!(
            (found / crossing - 1.0).abs() < tolerance,
            "{samples} {ratio}: {found} for {crossing}"
        );
    }
}

#[test]
fn the_threshold_inverts_the_crossing_rate() {
    for (samples, ratio, _, crossing) in GAMMA {
        let per_hour = crossing * 400.0 * 3600.0;
        let found = threshold_ratio(per_hour, samples, 400.0, 0.0);
        let tolerance = if samples < 2.0 { 1e-2 } else { 1e-5 };
        assert!(
            (found / ratio - 1.0).abs() < tolerance,
            "{samples}: {found} for {ratio}"
        );
    }
}

#[test]
fn an_uncertain_floor_raises_the_threshold() {
    let mut last = 0.0;
    for sigma in [0.0, 0.003, 0.01, 0.03, 0.1] {
        let ratio = threshold_ratio(1.0, 100.0, 400.0, sigma);
        assert!(ratio > last);
        last = ratio;
    }
    assert!(threshold_ratio(1e12, 100.0, 400.0, 0.0) >= 1.0);
}

/// Bursts that noise alone yields in `seconds`.
fn false_alarms(config: &DetectorConfig, seconds: f64, seed: u64) -> usize {
    let mut detector = BurstDetector::build(0, config.clone()).unwrap();
    let mut noise = Noise::new(seed, 1e-4);
    let mut count = 0;
    let mut position = 0_u64;
    let block = 1 << 16;
    while (position as f64) < seconds * config.rate_hz {
        let samples = narrow(&noise.take(block));
        let item = common::block_at(position, &samples, config.rate_hz);
        detector.push(item, &mut |_| count += 1).unwrap();
        position += block as u64;
    }
    detector.finish(&mut |_| count += 1).unwrap();
    count
}

/// The counts lie within 3 standard deviations of the Poisson distribution around the stated rate; the rate itself
/// may be 5 % off: bridged crossings (-2 %) and the floor's errors.
fn check_rate(config: &DetectorConfig, seconds: f64, seed: u64) {
    let expected = config.false_alarms_per_hour * seconds / 3600.0;
    let found = false_alarms(config, seconds, seed) as f64;
    let allowed = 3.0 * expected.sqrt() + 0.05 * expected;
    assert!(
        (found - expected).abs() < allowed,
        "{found} false alarms for {expected}"
    );
}

fn white(integration_samples: f64, per_hour: f64) -> DetectorConfig {
    let rate_hz = 4800.0;
    let mut config = DetectorConfig::for_channel(rate_hz, rate_hz);
    config.integration_s = integration_samples / rate_hz;
    config.min_length_s = config.integration_s / 4.0;
    config.bridge_gap_s = config.integration_s;
    config.false_alarms_per_hour = per_hour;
    config.floor_window_s = 60.0;
    config
}

#[test]
fn noise_alone_yields_the_stated_rate_with_48_independent_samples() {
    check_rate(&white(48.0, 400.0), 2700.0, 1);
}

#[test]
fn noise_alone_yields_the_stated_rate_with_16_independent_samples() {
    check_rate(&white(16.0, 600.0), 1800.0, 2);
}

#[test]
fn the_rate_is_kept_while_the_floor_is_known_from_a_short_time_only() {
    let mut config = white(48.0, 400.0);
    config.floor_window_s = 2.0;
    check_rate(&config, 2700.0, 3);
}

#[test]
fn a_longer_minimum_length_only_lowers_the_rate() {
    let mut config = white(48.0, 400.0);
    config.min_length_s = 3.0 * config.integration_s;
    let expected = config.false_alarms_per_hour * 1800.0 / 3600.0;
    assert!((false_alarms(&config, 1800.0, 4) as f64) < 0.1 * expected);
}

#[test]
fn filtered_noise_yields_the_stated_rate() {
    // Band limited to a quarter of the rate: a sample in four is independent.
    let mut config = white(192.0, 400.0);
    let taps = common::band_filter(-600.0, 600.0, 129, config.rate_hz);
    config.noise_bandwidth_hz = common::noise_bandwidth_hz(&taps, config.rate_hz);
    let seconds = 900.0;
    let samples = common::Noise::new(5, 1.0).take((seconds * config.rate_hz) as usize);
    let filtered = narrow(&common::filter(&samples, &taps));
    let expected = config.false_alarms_per_hour * seconds / 3600.0;
    let found = common::detect(&config, &filtered).len() as f64;
    // The bandwidth that counts for the variance is 4 % above the equivalent noise bandwidth here: fewer alarms.
    println!("filtered: expected {expected}, found {found}");
    assert!(found < expected + 3.0 * expected.sqrt() && found > 0.6 * expected - 3.0 * expected.sqrt());
}
