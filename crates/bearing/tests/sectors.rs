//! Antennas that a switch connects in turn: each with its own pattern, and a gain error that does not average out.

mod common;

use std::sync::Arc;

use common::{C, holds, mean_power, normal, pattern};
use lobewright_antenna::Pattern;
use lobewright_bearing::{EstimatorConfig, PortAntenna, estimate};
use lobewright_types::{Azimuth, LevelReading, NoBearingReason, Pointing, SampleIndex, wrap_signed_degrees};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn ports(patterns: &[(Arc<Pattern>, f64)]) -> Vec<PortAntenna> {
    patterns
        .iter()
        .map(|(pattern, boresight_deg)| PortAntenna {
            pattern: pattern.clone(),
            boresight: Azimuth::from_degrees(*boresight_deg),
        })
        .collect()
}

fn config(ports: Vec<PortAntenna>, port_gain_sigma_db: f64) -> EstimatorConfig {
    let round = Arc::new(Pattern::builtin("isotropic").expect("a built-in pattern"));
    EstimatorConfig {
        ports,
        port_gain_sigma_db,
        ..EstimatorConfig::new(round, Azimuth::from_degrees(0.0), 0.0)
    }
}

/// Readings of 200 samples of a steady carrier; `port_db`: each port's own gain error.
fn readings(
    ports: &[PortAntenna],
    cycles: usize,
    snr_db: f64,
    port_db: &[f64],
    truth_deg: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<LevelReading> {
    let strongest = ports
        .iter()
        .map(|p| p.pattern.peak_gain_dbi())
        .fold(f64::NEG_INFINITY, f64::max);
    (0..cycles * ports.len())
        .map(|k| {
            let port = k % ports.len();
            let antenna = &ports[port];
            let gain_db = antenna.pattern.gain_dbi(truth_deg - antenna.boresight.degrees()) - strongest;
            let rho = (C * (snr_db + gain_db + port_db[port] + 0.3 * normal(rng))).exp();
            LevelReading {
                burst: 0,
                start: SampleIndex(1000 * k as u64),
                middle_s: 0.02 * k as f64,
                length_s: 0.02,
                pointing: Pointing::Port(u16::try_from(port).expect("a few ports")),
                power_lin: mean_power(rho, 200.0, false, rng),
                independent_samples: 200.0,
                noise_power_lin: 1.0,
                noise_rel_sigma: 0.01,
                power_rel_var: None,
                gain_db: None,
                attenuation_db: 0.0,
                clip_fraction: 0.0,
            }
        })
        .collect()
}

fn four_sectors() -> Vec<PortAntenna> {
    // Patterns of the mast's frame: turned already (computed with a method-of-moments engine, see `testdata/antennas`).
    ports(&["sector4_s1", "sector4_s2", "sector4_s3", "sector4_s4"].map(|name| (pattern(name), 0.0)))
}

/// 100 trials; binomial, 95 %: fewer than 87 with a chance of 1e-3.
#[test]
fn four_sectors_hold_the_truth() {
    let config = config(four_sectors(), 0.5);
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    let (mut held, mut gross) = (0, 0);
    for _ in 0..100 {
        let truth = 360.0 * rng.random::<f64>();
        let port_db: Vec<f64> = (0..4).map(|_| 0.5 * normal(&mut rng)).collect();
        let readings = readings(&config.ports, 15, 20.0, &port_db, truth, &mut rng);
        let e = estimate(&readings, &config).unwrap();
        held += usize::from(holds(&e.arcs95, truth));
        gross += usize::from(wrap_signed_degrees(e.azimuth.degrees() - truth).abs() > 30.0);
    }
    assert!(held >= 87, "{held} of 100");
    assert_eq!(gross, 0);
}

/// Ten times as many cycles make the bearing no better than the ports' own errors allow.
#[test]
fn a_fixed_port_error_does_not_average_out() {
    let sure = config(four_sectors(), 0.0);
    let unsure = config(four_sectors(), 1.0);
    let mut rng = ChaCha8Rng::seed_from_u64(42);
    let [few, many] = [8, 80].map(|cycles| readings(&sure.ports, cycles, 25.0, &[0.0; 4], 130.0, &mut rng));
    let sigma = |readings: &[LevelReading], config| estimate(readings, config).unwrap().sigma_deg;
    let gain = sigma(&few, &sure) / sigma(&many, &sure);
    assert!(
        (2.4..=4.2).contains(&gain),
        "{gain}: the square root of ten expected"
    );
    let gain = sigma(&few, &unsure) / sigma(&many, &unsure);
    assert!((0.9..=1.2).contains(&gain), "{gain}: no gain expected");
    assert!(sigma(&many, &unsure) > 3.0 * sigma(&many, &sure));
}

/// Two cardioids back to back across the way: left and right are told, front and back are not.
#[test]
fn two_cardioids_tell_left_from_right() {
    let cardioid = Arc::new(Pattern::builtin("cardioid").expect("a built-in pattern"));
    let config = config(ports(&[(cardioid.clone(), 90.0), (cardioid, 270.0)]), 0.3);
    let mut rng = ChaCha8Rng::seed_from_u64(43);
    for truth in [30.0, 75.0, 300.0, 340.0] {
        let readings = readings(&config.ports, 40, 20.0, &[0.0; 2], truth, &mut rng);
        let e = estimate(&readings, &config).unwrap();
        let mirrored = 180.0 - truth;
        for side in [truth, mirrored] {
            assert!(
                holds(&e.arcs95, side.rem_euclid(360.0)),
                "{truth}: {side} {:?}",
                e.arcs95
            );
        }
        let right: f64 = (0..180)
            .map(|a| {
                e.density
                    .density_per_deg(Azimuth::from_degrees(f64::from(a) + 0.5))
            })
            .sum();
        let expected = if truth < 180.0 { 1.0 } else { 0.0 };
        assert!((right - expected).abs() < 0.01, "{truth}: {right}");
    }
}

#[test]
fn round_antennas_have_no_direction() {
    let round = Arc::new(Pattern::builtin("isotropic").expect("a built-in pattern"));
    let config = config(ports(&[(round.clone(), 0.0), (round, 180.0)]), 0.3);
    let mut rng = ChaCha8Rng::seed_from_u64(44);
    let readings = readings(&config.ports, 5, 20.0, &[0.0; 2], 10.0, &mut rng);
    assert_eq!(
        estimate(&readings, &config).unwrap_err(),
        NoBearingReason::PatternHasNoDirection
    );
}
