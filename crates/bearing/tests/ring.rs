//! Bearings from a switched ring: how close to the bound, how honest, and what cannot be said.

#![allow(clippy::cast_possible_truncation, reason = "sample values")]

#[path = "common/ring.rs"]
mod ring;

use std::ops::Range;

use lobewright_antenna::{SwitchSchedule, SwitchStep};
use lobewright_bearing::{RingBurst, RingConfig, RingEstimate, estimate_ring, tone_bearing};
use lobewright_types::{Azimuth, BearingFlag, NoBearingReason, Sample, wrap_signed_degrees};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use ring::{RingScene, Signal, carrier_bound_deg, computed, ideal, normal, uniform, voice_bound_deg};

/// One trial: error, stated sigma, bound, and whether the 95 % arcs held the truth.
struct Trial {
    error_deg: f64,
    sigma_deg: f64,
    bound_deg: f64,
    held: bool,
    estimate: RingEstimate,
}

fn trials(scene: &RingScene, count: usize, seed: u64) -> Vec<Trial> {
    let config = scene.config();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|_| {
            let azimuth_deg = 360.0 * uniform(&mut rng);
            let samples = scene.draw(azimuth_deg, &mut rng);
            let found = estimate_ring(&[scene.burst(&samples)], &config).expect("a bearing");
            let truth = Azimuth::from_degrees(azimuth_deg);
            Trial {
                error_deg: wrap_signed_degrees(found.estimate.azimuth.degrees() - azimuth_deg),
                sigma_deg: found.estimate.sigma_deg,
                bound_deg: carrier_bound_deg(scene, azimuth_deg),
                held: found.estimate.arcs95.iter().any(|a| a.contains(truth)),
                estimate: found,
            }
        })
        .collect()
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(s, n), v| (s + v * v, n + 1.0));
    f64::sqrt(sum / count)
}

/// Of `n` trials the root mean square of a normal error scatters by 1 / sqrt(2 n) of itself; three of these are
/// allowed beyond the tenth that the estimator may lose.
fn near_bound(trials: &[Trial]) {
    let slack = 3.0 / f64::sqrt(2.0 * trials.len() as f64);
    let ratio = rms(trials.iter().map(|t| t.error_deg / t.bound_deg));
    assert!(
        ratio < 1.1 + slack,
        "root mean square error is {ratio:.2} times the bound"
    );
    let stated = rms(trials.iter().map(|t| t.error_deg / t.sigma_deg));
    assert!(
        (stated - 1.0).abs() < 0.15 + slack,
        "errors are {stated:.2} of the stated sigma"
    );
    let bias = trials.iter().map(|t| t.error_deg / t.sigma_deg).sum::<f64>() / trials.len() as f64;
    // Three standard errors of a mean of unit errors beside the tenth that is allowed.
    assert!(
        bias.abs() < 0.1 + 3.0 / f64::sqrt(trials.len() as f64),
        "bias of {bias:.2} sigma"
    );
    held_often(trials);
}

fn held_often(trials: &[Trial]) {
    let held = trials.iter().filter(|t| t.held).count() as f64;
    let n = trials.len() as f64;
    // 93 % less three standard deviations of a binomial share.
    let least = 0.93 - 3.0 * f64::sqrt(0.93 * 0.07 / n);
    assert!(held / n >= least, "95 % arcs held {held} of {n}");
}

// Bound: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), section 15.7.
#[test]
fn a_carrier_is_found_as_well_as_its_bound_allows() {
    for (seed, manifold, snr_db) in [
        (1, ideal(4, 0.177), 15.0),
        (2, ideal(4, 0.177), -5.0),
        (3, ideal(8, 0.5), 5.0),
        (4, computed("square4_open_el"), 5.0),
        (5, computed("square4_50ohm_el"), 5.0),
        (6, computed("sector4_s"), 20.0),
    ] {
        near_bound(&trials(
            &RingScene::new(&manifold, Signal::Carrier, snr_db, 0.1),
            60,
            seed,
        ));
    }
}

#[test]
fn a_weak_carrier_is_found_by_sums_over_all_cycles() {
    // -15 dB: in a dwell of 43 samples the signal is as strong as the noise.
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, -15.0, 0.2);
    near_bound(&trials(&scene, 60, 7));
}

#[test]
fn errors_of_the_ports_are_in_the_stated_error() {
    for (seed, manifold) in [(11, ideal(4, 0.177)), (12, computed("square4_open_el"))] {
        let mut scene = RingScene::new(&manifold, Signal::Carrier, 15.0, 0.05);
        // 3 degrees and 0.45 dB.
        scene.port_error = 0.052;
        held_often(&trials(&scene, 150, seed));
    }
}

#[test]
fn speech_and_tones_in_fm_leave_an_honest_bearing() {
    let ring = ideal(4, 0.177);
    for (seed, signal) in [
        (21, Signal::Voice { deviation_hz: 800.0 }),
        (
            22,
            Signal::Tone {
                deviation_hz: 2500.0,
                tone_hz: 1000.0,
            },
        ),
        (
            23,
            Signal::Tone {
                deviation_hz: 1500.0,
                tone_hz: 400.0,
            },
        ),
    ] {
        let found = trials(&RingScene::new(&ring, signal, 15.0, 0.1), 40, seed);
        held_often(&found);
        let worst = found.iter().map(|t| t.error_deg.abs()).fold(0.0, f64::max);
        assert!(worst < 30.0, "an error of {worst:.0} degrees");
    }
}

// Bound: Van Trees & Bell, Bayesian Bounds (2007), with the modulation's spectrum known.
#[test]
fn speech_in_fm_is_found_as_if_its_spectrum_were_known_and_far_better_than_by_the_tone() {
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Voice { deviation_hz: 800.0 }, 15.0, 0.1);
    let config = scene.config();
    let mut rng = ChaCha8Rng::seed_from_u64(24);
    let (mut errors_deg, mut tone_errors_deg) = (Vec::new(), Vec::new());
    for _ in 0..60 {
        let azimuth_deg = 360.0 * uniform(&mut rng);
        let samples = scene.draw(azimuth_deg, &mut rng);
        let burst = scene.burst(&samples);
        let found = estimate_ring(std::slice::from_ref(&burst), &config).expect("a bearing");
        let tone = tone_bearing(&burst, &config).expect("a tone");
        errors_deg.push(wrap_signed_degrees(
            found.estimate.azimuth.degrees() - azimuth_deg,
        ));
        tone_errors_deg.push(wrap_signed_degrees(tone.degrees() - azimuth_deg));
    }
    let (error, tone) = (rms(errors_deg.into_iter()), rms(tone_errors_deg.into_iter()));
    let bound = rms([10.0, 55.0].into_iter().map(|a| voice_bound_deg(&scene, a, 6)));
    // The same slack as for a carrier.
    let slack = 3.0 / f64::sqrt(120.0);
    assert!(
        error < (1.1 + slack) * bound,
        "{error:.3} degrees, bound {bound:.3}"
    );
    assert!(error < 0.5 * tone, "{error:.3} degrees, by the tone {tone:.3}");
}

// Where the phase cannot be foretold over the settling time, turns may not be counted, and the bearing is wide, not wrong.
#[test]
fn speech_over_gaps_too_long_to_bridge_is_never_a_confident_error() {
    for (seed, settle_s) in [(25, 3e-4), (26, 5e-4)] {
        let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Voice { deviation_hz: 800.0 }, 15.0, 0.1);
        scene.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, settle_s)
            .unwrap()
            .with_start(0.000_31);
        let found = trials(&scene, 40, seed);
        held_often(&found);
        let confident = found
            .iter()
            .filter(|t| t.error_deg.abs() > 30.0 && t.estimate.estimate.sigma_deg < 10.0)
            .filter(|t| t.estimate.estimate.modes.len() < 2)
            .count();
        assert!(confident <= 1, "{confident} confident errors of 40");
    }
}

// A tone in step with the dwells leaves the same error at each switch; at 5 dB the discriminator's tone is lost.
#[test]
fn modulation_in_step_with_the_switch_and_weak_speech_leave_no_slip() {
    let ring = ideal(4, 0.177);
    let tone = Signal::Tone {
        deviation_hz: 2500.0,
        tone_hz: 1000.0,
    };
    for (seed, signal, snr_db) in [(27, tone, 15.0), (28, Signal::Voice { deviation_hz: 800.0 }, 5.0)] {
        let found = trials(&RingScene::new(&ring, signal, snr_db, 0.1), 40, seed);
        held_often(&found);
        let worst = found.iter().map(|t| t.error_deg.abs()).fold(0.0, f64::max);
        // Ten times the carrier's bound, which is half a degree at 5 dB.
        assert!(worst < 5.0, "an error of {worst:.1} degrees");
    }
}

#[test]
fn a_start_known_long_before_the_burst_is_reached_by_the_rate_that_is_found() {
    let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 15.0, 1.0);
    scene.true_ratio = 1.000_03;
    // The cycle began 10 seconds before: 50 ppm of that is half a dwell, and one second of samples tells the rate to 10 ppm.
    let before_s = 10.0;
    scene.true_start_s = 0.000_31;
    let cycle_s = 4e-3 * scene.true_ratio;
    let known_s = scene.true_start_s - (before_s / cycle_s).round() * cycle_s;
    scene.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, 1e-4)
        .unwrap()
        .with_start(known_s)
        .with_rate_sigma_ppm(50.0)
        .unwrap();
    let samples = scene.draw(130.0, &mut ChaCha8Rng::seed_from_u64(98));
    let found = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
    // By the stated rate alone the next start is two standard deviations off, and the bearing would have a second mode.
    assert!(found.clock.expect("a clock").starts <= 2);
    assert_eq!(found.estimate.modes.len(), 1);
    assert!(wrap_signed_degrees(found.estimate.azimuth.degrees() - 130.0).abs() < 2.0);
}

#[test]
fn the_rate_of_the_switch_is_as_good_as_it_says() {
    const TRIALS: usize = 40;
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    let mut square = 0.0;
    for trial in 0..TRIALS {
        let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 15.0, 0.5);
        let ppm = 150.0 * (rng.random::<f64>() - 0.5);
        scene.true_ratio = 1.0 + 1e-6 * ppm;
        scene.true_start_s = 4e-3 * rng.random::<f64>();
        scene.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, 1e-4)
            .unwrap()
            .with_start(scene.true_start_s)
            .with_rate_sigma_ppm(50.0)
            .unwrap();
        let samples = scene.draw(40.0 * trial as f64, &mut rng);
        let found = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
        let clock = found.clock.expect("a clock");
        let off = (clock.rate_ppm - ppm) / clock.rate_sigma_ppm;
        assert!(off.abs() < 3.0, "{} ppm found, {ppm} true", clock.rate_ppm);
        square += off * off;
    }
    let rms = (square / TRIALS as f64).sqrt();
    assert!(rms < 1.2, "{rms} of its stated errors");
}

#[test]
fn a_signal_like_noise_is_never_a_confident_error() {
    let ring = ideal(4, 0.177);
    for (seed, snr_db) in [(31, 20.0), (32, 0.0)] {
        let scene = RingScene::new(
            &ring,
            Signal::Noise {
                bandwidth_hz: 10_000.0,
            },
            snr_db,
            0.1,
        );
        let found = trials(&scene, 40, seed);
        for t in &found {
            assert!(t.estimate.coherent_share < 0.7);
        }
        // An ideal ring has no levels to go by, so hardly anything is known.
        let confident = found
            .iter()
            .filter(|t| t.error_deg.abs() > 30.0 && t.estimate.estimate.sigma_deg < 10.0)
            .filter(|t| t.estimate.estimate.modes.len() < 2)
            .count();
        assert!(confident <= 1, "{confident} confident errors of 40");
    }
}

#[test]
fn several_bursts_say_more_than_one() {
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 0.0, 0.05);
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    let bursts: Vec<Vec<Sample>> = (0..4).map(|_| scene.draw(200.0, &mut rng)).collect();
    let cut: Vec<RingBurst<'_>> = bursts.iter().map(|b| scene.burst(b)).collect();
    let one = estimate_ring(&cut[..1], &scene.config()).unwrap();
    let four = estimate_ring(&cut, &scene.config()).unwrap();
    // Four times the information is half the error, to within the scatter that widens each.
    let ratio = one.estimate.sigma_deg / four.estimate.sigma_deg;
    assert!((1.5..2.7).contains(&ratio), "{ratio}");
    assert_eq!(four.estimate.burst_levels.len(), 4);
    assert!(
        wrap_signed_degrees(four.estimate.azimuth.degrees() - 200.0).abs() < 5.0 * four.estimate.sigma_deg
    );
}

#[test]
fn the_heading_turns_and_widens() {
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 10.0, 0.05);
    let samples = scene.draw(20.0, &mut ChaCha8Rng::seed_from_u64(51));
    let plain = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
    let mut config = scene.config();
    config.heading = Azimuth::from_degrees(300.0);
    config.heading_sigma_deg = 3.0;
    let turned = estimate_ring(&[scene.burst(&samples)], &config).unwrap();
    let turn = plain.estimate.azimuth.turn_to(turned.estimate.azimuth);
    assert!((turn + 60.0).abs() < 0.05, "{turn}");
    let wide = plain.estimate.sigma_deg.hypot(3.0);
    assert!((turned.estimate.sigma_deg / wide - 1.0).abs() < 0.02);
}

#[test]
fn the_clock_of_the_switch_is_found_from_the_samples() {
    let mut scene = RingScene::new(&computed("square4_50ohm_el"), Signal::Carrier, 20.0, 0.3);
    scene.true_start_s = 0.001_23;
    scene.true_ratio = 1.000_1;
    scene.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, 1e-4)
        .unwrap()
        .with_rate_sigma_ppm(100.0)
        .unwrap();
    let samples = scene.draw(130.0, &mut ChaCha8Rng::seed_from_u64(81));
    let found = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
    let clock = found.clock.expect("a clock");
    assert!(
        (clock.rate_ppm - 100.0).abs() < 4.0 * clock.rate_sigma_ppm,
        "{clock:?}"
    );
    // To a dwell: which of the four is first cannot be seen.
    let cycle_s = 1e-3 * 1.000_1;
    let off_s = clock.start_s - 0.001_23;
    let off_s = off_s - cycle_s * (off_s / cycle_s).round();
    assert!(off_s.abs() < 4.0 * clock.start_sigma_s, "{off_s} {clock:?}");
    // The square is the same after a quarter turn: four directions, the true one among them, alike.
    assert_eq!(clock.starts, 4);
    assert_eq!(found.estimate.modes.len(), 4);
    assert!(found.estimate.flags.contains(&BearingFlag::Ambiguous));
    let nearest = found
        .estimate
        .modes
        .iter()
        .map(|m| wrap_signed_degrees(m.azimuth.degrees() - 130.0).abs())
        .fold(f64::INFINITY, f64::min);
    assert!(nearest < 0.5, "{nearest}");
    for mode in &found.estimate.modes {
        assert!((mode.probability - 0.25).abs() < 0.1, "{mode:?}");
    }
}

#[test]
fn a_longer_dwell_tells_which_port_is_first_and_a_jittery_edge_does_no_harm() {
    let step = |port, dwell_s| SwitchStep {
        port: Some(port),
        dwell_s,
    };
    let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 15.0, 0.2);
    scene.schedule = SwitchSchedule::from_steps(
        vec![step(0, 1e-3), step(1, 1e-3), step(2, 1e-3), step(3, 1.5e-3)],
        1e-4,
    )
    .unwrap();
    scene.true_start_s = 0.001_7;
    scene.jitter_s = 10e-6;
    let mut rng = ChaCha8Rng::seed_from_u64(91);
    for azimuth_deg in [10.0, 100.0, 215.0, 330.0] {
        let samples = scene.draw(azimuth_deg, &mut rng);
        let found = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
        assert_eq!(found.estimate.modes.len(), 1);
        let error = wrap_signed_degrees(found.estimate.azimuth.degrees() - azimuth_deg);
        assert!(
            error.abs() < 4.5 * found.estimate.sigma_deg,
            "{azimuth_deg}: {error}"
        );
    }
}

#[test]
fn a_rate_that_is_off_is_followed_from_a_known_start() {
    let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 10.0, 0.5);
    scene.true_ratio = 1.000_1;
    scene.schedule = scene.schedule.with_rate_sigma_ppm(100.0).unwrap();
    near_bound(&trials(&scene, 40, 95));
}

#[test]
fn a_switch_that_cannot_be_seen_acting_leaves_all_directions_open() {
    let mut scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, -40.0, 0.1);
    scene.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, 1e-4).unwrap();
    let samples = scene.draw(10.0, &mut ChaCha8Rng::seed_from_u64(96));
    let found = estimate_ring(&[scene.burst(&samples)], &scene.config()).unwrap();
    assert!(found.estimate.flags.contains(&BearingFlag::Weak));
    assert!(found.estimate.density.mean_direction().1 < 0.1);
}

#[test]
fn the_tone_method_agrees_on_a_clean_carrier() {
    for manifold in [ideal(4, 0.1), computed("square4_open_el")] {
        let scene = RingScene::new(&manifold, Signal::Carrier, 40.0, 0.2);
        let mut rng = ChaCha8Rng::seed_from_u64(97);
        for azimuth_deg in [5.0, 140.0, 260.0] {
            let samples = scene.draw(azimuth_deg, &mut rng);
            let tone = tone_bearing(&scene.burst(&samples), &scene.config()).expect("a tone");
            // Each step falls up to a sample late: 360 degrees of the tone are 192 samples.
            assert!(
                wrap_signed_degrees(tone.degrees() - azimuth_deg).abs() < 2.5,
                "{azimuth_deg}: {tone}"
            );
        }
    }
}

#[test]
fn clipped_dwells_are_left_out_and_said() {
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 10.0, 0.1);
    let mut samples = scene.draw(75.0, &mut ChaCha8Rng::seed_from_u64(61));
    let bad: Range<usize> = 1000..1400;
    for s in &mut samples[bad.clone()] {
        *s = Sample::new(40.0, -40.0);
    }
    let mut burst = scene.burst(&samples);
    burst.clipped = vec![bad];
    let found = estimate_ring(&[burst], &scene.config()).unwrap();
    assert!(found.estimate.flags.contains(&BearingFlag::Clipped));
    assert!(wrap_signed_degrees(found.estimate.azimuth.degrees() - 75.0).abs() < 2.0);
}

#[test]
fn what_cannot_be_used_is_a_reason() {
    let scene = RingScene::new(&ideal(4, 0.177), Signal::Carrier, 10.0, 0.05);
    let samples = scene.draw(75.0, &mut ChaCha8Rng::seed_from_u64(71));
    let reason = |bursts: &[RingBurst<'_>], config: &RingConfig| estimate_ring(bursts, config).err();
    assert_eq!(reason(&[], &scene.config()), Some(NoBearingReason::NoBurst));
    assert_eq!(
        reason(&[scene.burst(&samples[..30])], &scene.config()),
        Some(NoBearingReason::TooFewReadings)
    );
    let mut outside = scene.config();
    outside.schedule = SwitchSchedule::cycle(&[0, 7], 1e-3, 0.0).unwrap().with_start(0.0);
    assert_eq!(
        reason(&[scene.burst(&samples)], &outside),
        Some(NoBearingReason::NoPointing)
    );
    let mut clipped = scene.burst(&samples);
    clipped.clipped = std::iter::once(0..samples.len()).collect();
    assert_eq!(
        reason(&[clipped], &scene.config()),
        Some(NoBearingReason::AllClipped)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_samples_give_a_density_or_a_reason(
        seed in any::<u64>(), length in 0_usize..3000, scale in -12.0..12.0_f64, noise in -12.0..12.0_f64,
        dwell in 1e-4..5e-3_f64, share in 0.01..2.0_f64, start in -1e3..1e3_f64, kind in 0_u8..5, bad in any::<bool>(),
    ) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let size = 10_f64.powf(scale / 2.0);
        let mut samples: Vec<Sample> = (0..length)
            .map(|k| {
                let v = match kind {
                    0 => (0.0, 0.0),
                    1 => (1.0, 0.0),
                    2 => (normal(&mut rng), normal(&mut rng)),
                    3 => ((k as f64 * k as f64 * 1e-3).cos(), (k as f64 * k as f64 * 1e-3).sin()),
                    _ => (if k % 97 == 0 { 1e6 } else { 0.0 }, normal(&mut rng)),
                };
                Sample::new((v.0 * size) as f32, (v.1 * size) as f32)
            })
            .collect();
        if bad && length > 10 {
            samples[length / 2] = Sample::new(f32::NAN, f32::INFINITY);
        }
        let schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], dwell, dwell * 0.1).unwrap();
        let schedule = if seed % 3 == 0 { schedule } else { schedule.with_start(start) };
        let mut config = RingConfig::new(ideal(4, 0.177), schedule, Azimuth::from_degrees(0.0), 1.0);
        if seed % 2 == 0 {
            config.phase_error_typical_deg = 0.0;
        }
        let burst = RingBurst {
            samples: &samples,
            rate_hz: 48_000.0,
            start_s: 0.0,
            noise_power_lin: 10_f64.powf(noise),
            independent_hz: 48_000.0 * share,
            clipped: Vec::new(),
        };
        if let Ok(found) = estimate_ring(&[burst], &config) {
            let e = &found.estimate;
            prop_assert!(e.sigma_deg.is_finite() && e.sigma_deg >= 0.0);
            prop_assert!(e.density.ln_per_deg().iter().all(|v| v.is_finite()));
            prop_assert!(e.snr_db.is_none_or(f64::is_finite) && e.level.is_none_or(|l| l.0.is_finite()));
            prop_assert!(e.fitted.reduced_chi_square.is_finite() && e.fitted.level_error_sigma_db.is_finite());
            prop_assert!(e.burst_levels.iter().all(|b| b.level.0.is_finite()));
            prop_assert!(found.phase_error_deg.is_finite() && found.coherent_share.is_finite());
            prop_assert!(found.carrier_hz.is_none_or(f64::is_finite));
            for port in &found.ports {
                prop_assert!(port.phase_deg.is_finite() && port.phase_sigma_deg.is_finite() && port.level_db.is_finite());
            }
        }
    }
}
