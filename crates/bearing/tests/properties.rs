//! Symmetries of the estimate, and input that is no input.

mod common;

use std::sync::Arc;

use common::{Scene, config, pattern};
use lobewright_antenna::Pattern;
use lobewright_bearing::{EstimatorConfig, estimate};
use lobewright_types::{Azimuth, BearingFlag, LevelReading, NoBearingReason, Pointing, wrap_signed_degrees};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn readings(seed: u64, snr_db: f64) -> Vec<LevelReading> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    Scene::full_turn(36, 200.0, snr_db, 0.5).draw(&pattern("yagi3"), 77.0, &mut rng)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn turning_the_mounting_turns_the_density(seed in 0_u64..1000, turn in 0.0..360.0_f64, snr_db in 0.0..25.0_f64) {
        let readings = readings(seed, snr_db);
        let at_rest = config(&pattern("yagi3"));
        let turned = EstimatorConfig { heading: Azimuth::from_degrees(turn), ..at_rest.clone() };
        let (a, b) = (estimate(&readings, &at_rest).unwrap(), estimate(&readings, &turned).unwrap());
        prop_assert!(wrap_signed_degrees(b.azimuth.degrees() - a.azimuth.degrees() - turn).abs() < 0.1 * a.sigma_deg);
        prop_assert!((b.sigma_deg / a.sigma_deg - 1.0).abs() < 0.05);
    }

    #[test]
    fn turning_every_boresight_turns_the_density(seed in 0_u64..1000, turn in 0.0..360.0_f64) {
        let readings = readings(seed, 15.0);
        let mut turned = readings.clone();
        for r in &mut turned {
            if let Pointing::Boresight { azimuth, .. } = &mut r.pointing {
                *azimuth = azimuth.turned(turn);
            }
        }
        let config = config(&pattern("yagi3"));
        let (a, b) = (estimate(&readings, &config).unwrap(), estimate(&turned, &config).unwrap());
        prop_assert!(wrap_signed_degrees(b.azimuth.degrees() - a.azimuth.degrees() - turn).abs() < 0.1 * a.sigma_deg);
        prop_assert!((b.sigma_deg / a.sigma_deg - 1.0).abs() < 0.05);
    }

    #[test]
    fn the_unit_of_power_does_not_matter(seed in 0_u64..1000, factor_db in -120.0..20.0_f64) {
        let readings = readings(seed, 15.0);
        let mut scaled = readings.clone();
        let factor = 10_f64.powf(factor_db / 10.0);
        for r in &mut scaled {
            r.power_lin *= factor;
            r.noise_power_lin *= factor;
        }
        let config = config(&pattern("yagi3"));
        let (a, b) = (estimate(&readings, &config).unwrap(), estimate(&scaled, &config).unwrap());
        prop_assert!(wrap_signed_degrees(b.azimuth.degrees() - a.azimuth.degrees()).abs() < 1e-3 * a.sigma_deg);
        let shift = b.level.unwrap().0 - a.level.unwrap().0;
        prop_assert!((shift - factor_db).abs() < 1e-6);
        prop_assert!((b.snr_db.unwrap() - a.snr_db.unwrap()).abs() < 1e-6);
    }

    #[test]
    fn order_of_the_readings_does_not_matter(seed in 0_u64..1000) {
        let readings = readings(seed, 15.0);
        let mut other = readings.clone();
        other.reverse();
        other.swap(3, 20);
        let config = config(&pattern("yagi3"));
        let (a, b) = (estimate(&readings, &config).unwrap(), estimate(&other, &config).unwrap());
        prop_assert_eq!(a.density, b.density);
    }

    #[test]
    fn a_change_of_gain_between_readings_changes_nothing(seed in 0_u64..1000) {
        let readings = readings(seed, 15.0);
        let mut stepped = readings.clone();
        for r in stepped.iter_mut().skip(17) {
            r.power_lin *= 0.01;
            r.noise_power_lin *= 0.01;
            r.attenuation_db = 20.0;
        }
        let config = config(&pattern("yagi3"));
        let (a, b) = (estimate(&readings, &config).unwrap(), estimate(&stepped, &config).unwrap());
        prop_assert!(wrap_signed_degrees(b.azimuth.degrees() - a.azimuth.degrees()).abs() < 1e-3 * a.sigma_deg);
    }

    #[test]
    fn any_numbers_give_a_finite_answer_or_a_reason(
        rows in proptest::collection::vec((any::<f64>(), any::<f64>(), any::<f64>(), any::<f64>(), 0_usize..3), 0..12),
    ) {
        let template = &readings(1, 10.0)[0];
        let readings: Vec<LevelReading> = rows
            .into_iter()
            .map(|(azimuth, power, noise, samples, burst)| LevelReading {
                burst,
                pointing: Pointing::Boresight { azimuth: Azimuth::from_degrees(azimuth), turn_deg: 0.0 },
                power_lin: power,
                noise_power_lin: noise,
                independent_samples: samples,
                ..template.clone()
            })
            .collect();
        if let Ok(e) = estimate(&readings, &config(&pattern("yagi3"))) {
            prop_assert!(e.azimuth.degrees().is_finite() && e.sigma_deg.is_finite());
            prop_assert!(e.density.ln_per_deg().iter().all(|v| v.is_finite()));
            prop_assert!(e.fitted.level_error_sigma_db.is_finite() && e.fitted.reduced_chi_square.is_finite());
            prop_assert!(e.snr_db.is_none_or(f64::is_finite) && e.level.is_none_or(|l| l.0.is_finite()));
        }
    }
}

#[test]
fn says_why_there_is_no_bearing() {
    let yagi = config(&pattern("yagi3"));
    let good = readings(1, 20.0);
    let reason = |r: &[LevelReading], c: &EstimatorConfig| estimate(r, c).unwrap_err();
    assert_eq!(reason(&[], &yagi), NoBearingReason::NoBurst);
    assert_eq!(reason(&good[..1], &yagi), NoBearingReason::TooFewReadings);
    let mut ports = good.clone();
    for r in &mut ports {
        r.pointing = Pointing::Port(2);
    }
    assert_eq!(reason(&ports, &yagi), NoBearingReason::NoPointing);
    let mut clipped = good.clone();
    for r in &mut clipped {
        r.clip_fraction = 0.2;
    }
    assert_eq!(reason(&clipped, &yagi), NoBearingReason::AllClipped);
    let flat = config(&Arc::new(Pattern::builtin("isotropic").unwrap()));
    assert_eq!(reason(&good, &flat), NoBearingReason::PatternHasNoDirection);
}

#[test]
fn a_reading_that_is_no_number_is_left_out() {
    let mut spoilt = readings(5, 20.0);
    spoilt[7].power_lin = f64::NAN;
    spoilt[9].independent_samples = f64::INFINITY;
    spoilt[11].noise_power_lin = -1.0;
    let estimate = estimate(&spoilt, &config(&pattern("yagi3"))).unwrap();
    assert_eq!(estimate.readings, 33);
    assert!(wrap_signed_degrees(estimate.azimuth.degrees() - 77.0).abs() < 2.0);
}

#[test]
fn few_readings_are_flagged_and_wide() {
    let few = readings(5, 20.0);
    let e = estimate(&few[..4], &config(&pattern("yagi3"))).unwrap();
    assert!(e.flags.contains(&BearingFlag::FewReadings) && e.flags.contains(&BearingFlag::PartialCircle));
}

#[test]
fn heading_error_is_inside_the_density() {
    let readings = readings(3, 25.0);
    let sure = config(&pattern("yagi3"));
    let unsure = EstimatorConfig {
        heading_sigma_deg: 3.0,
        ..sure.clone()
    };
    let (a, b) = (
        estimate(&readings, &sure).unwrap(),
        estimate(&readings, &unsure).unwrap(),
    );
    assert!((b.sigma_deg / a.sigma_deg.hypot(3.0) - 1.0).abs() < 0.03);
}
