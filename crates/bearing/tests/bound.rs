//! Errors of the estimator against the Cramer-Rao bound, and how often its intervals hold the truth.

mod common;

use common::{Scene, Tally, bound_deg, config, pattern};
use lobewright_bearing::estimate;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Own evaluation of the bound's formula (Kay 1993, chapter 3) by another program, for `yagi3.csv`: a constant
/// envelope, at the S/N of 0, 10, 20 and 30 dB, printed to two or three digits. Mean over the direction.
#[test]
fn bound_agrees_with_its_table() {
    let rows: [(usize, f64, f64, [f64; 4]); 6] = [
        (36, 200.0, 0.0, [1.97, 0.42, 0.117, 0.036]),
        (36, 200.0, 1.0, [2.73, 1.18, 0.73, 0.66]),
        (36, 200.0, 2.0, [3.81, 1.90, 1.36, 1.31]),
        (8, 200.0, 0.0, [4.19, 0.88, 0.25, 0.076]),
        (8, 200.0, 1.0, [5.82, 2.53, 1.59, 1.42]),
        (72, 50.0, 1.0, [3.16, 1.10, 0.61, 0.48]),
    ];
    let yagi = pattern("yagi3");
    for (readings, samples, error_db, want) in rows {
        for (snr_db, want) in [0.0, 10.0, 20.0, 30.0].into_iter().zip(want) {
            let scene = Scene::full_turn(readings, samples, snr_db, error_db);
            let spacing = 360.0 / readings as f64;
            let mean = (0..20)
                .map(|i| bound_deg(&scene, &yagi, spacing * f64::from(i) / 20.0))
                .sum::<f64>()
                / 20.0;
            // Rounding of the table, and how the slope is taken beside the sharp nulls.
            assert!(
                (mean / want - 1.0).abs() < 0.025,
                "{readings} x {samples}, {error_db} dB, {snr_db} dB: {mean} not {want}"
            );
        }
    }
}

/// Root mean square error over bound, share of truth inside 95 %, mean error over the root mean square one.
struct Outcome {
    rms_over_bound: f64,
    coverage: f64,
    bias_over_rms: f64,
    gross_unshown: usize,
}

fn run(scenes: &[Scene], trials: usize, seed: u64) -> Outcome {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut tally = Tally::default();
    let (mut squares, mut scaled) = (0.0, 0.0);
    for scene in scenes {
        for _ in 0..trials {
            let truth = 360.0 * rng.random::<f64>();
            let readings = scene.draw(&yagi, truth, &mut rng);
            let estimate = estimate(&readings, &config).expect("enough readings");
            tally.add(&estimate, truth);
            let bound = bound_deg(scene, &yagi, truth);
            let error = tally.errors_deg[tally.errors_deg.len() - 1] / bound;
            squares += error * error;
            scaled += error;
        }
    }
    let n = (scenes.len() * trials) as f64;
    let rms_over_bound = (squares / n).sqrt();
    Outcome {
        rms_over_bound,
        coverage: tally.coverage(),
        bias_over_rms: scaled / n / rms_over_bound,
        gross_unshown: tally.gross_unshown,
    }
}

/// Limits: 480 trials. The ratio has a standard error of 1 / sqrt(960) = 3.2 %, the coverage one of 1.0 %, the bias one
/// of 4.6 % of the root mean square error. Bias, ratio and the upper limit of the coverage are the aims (a tenth,
/// 10 %, 97 %) and about two standard errors; the lower limit of the coverage is the aim itself, 93 %.
fn check(level_error_db: f64, gaussian: bool, seed: u64) {
    let scenes: Vec<Scene> = [0.0, 10.0, 20.0, 30.0]
        .into_iter()
        .map(|snr_db| Scene {
            gaussian,
            ..Scene::full_turn(36, 200.0, snr_db, level_error_db)
        })
        .collect();
    let outcome = run(&scenes, 120, seed);
    assert!(outcome.rms_over_bound < 1.15, "{}", outcome.rms_over_bound);
    assert!(outcome.rms_over_bound > 0.90, "{}", outcome.rms_over_bound);
    assert!((0.93..=0.99).contains(&outcome.coverage), "{}", outcome.coverage);
    assert!(outcome.bias_over_rms.abs() < 0.1 + 2.0 * 0.046);
    assert_eq!(outcome.gross_unshown, 0);
}

#[test]
fn reaches_the_bound_with_a_level_error_of_1_db() {
    check(1.0, false, 11);
}

/// Over 3,200 trials with another seed the intervals held the truth in 97.9 %, more than the 97 % aimed at: without a
/// level error they are up to 1.4 times too wide, since a small one is never ruled out.
#[test]
fn reaches_the_bound_with_a_perfect_signal() {
    check(0.0, false, 12);
}

#[test]
fn reaches_the_bound_for_a_gaussian_signal() {
    check(1.0, true, 13);
}

/// Far below the threshold (bound of 15 degrees and more) the interval must still hold the truth, and no gross error
/// stand there as one that claims to be good to 30 degrees: by its own claim (99 %) at most 1.2 of 120, and three
/// standard errors of that. 120 trials: standard error of the coverage 2 %.
#[test]
fn weak_signals_give_wide_answers() {
    for (snr_db, seed) in [(-10.0, 21), (-14.0, 22)] {
        let outcome = run(&[Scene::full_turn(36, 200.0, snr_db, 1.0)], 120, seed);
        assert!(outcome.coverage > 0.91, "{snr_db}: {}", outcome.coverage);
        assert!(outcome.gross_unshown <= 4, "{snr_db}: {}", outcome.gross_unshown);
    }
}
