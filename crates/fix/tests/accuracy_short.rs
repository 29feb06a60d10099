//! A short part of the accuracy of positions (`examples/position_accuracy`), with its own seeds and scoring.
#![allow(dead_code, reason = "the example's files hold more than is used here")]

#[path = "../examples/position_accuracy/hunts.rs"]
mod hunts;
#[path = "../examples/position_accuracy/score.rs"]
mod score;

use hunts::Class;
use lobewright_fix::FixConfig;
use score::{Outcome, Score, run};
use statrs::distribution::{Binomial, DiscreteCDF};

const HUNTS: u64 = 24;
/// Chance that a check fails although the aim is met.
const FALSE_ALARM: f64 = 1e-3;

fn score(class: Class) -> Score {
    let all: Vec<Option<Outcome>> = (0..HUNTS)
        .map(|trial| run(class, trial, &FixConfig::default()))
        .collect();
    Score::of(&all)
}

/// The least count that an estimator whose regions hold `share` stays above.
fn least(share: f64, of: usize) -> u64 {
    Binomial::new(share, of as u64)
        .expect("a probability")
        .inverse_cdf(FALSE_ALARM)
}

#[test]
fn regions_of_every_class_hold_the_truth_about_as_often_as_they_say() {
    for (class, share) in [
        (Class::Clean, 0.93),
        (Class::Reflected, 0.93),
        // What the page measures for it: where five bearings of 5 degrees cannot tell 7 degrees, none is the likelier answer.
        (Class::CompassOffset, 0.90),
        (Class::Two, 0.93),
        (Class::Three, 0.93),
    ] {
        let found = score(class);
        println!(
            "{class:?}: {} and {} of {}",
            found.held50, found.held95, found.fixed
        );
        assert!(
            found.held95 as u64 >= least(share, found.fixed),
            "{class:?}: {}",
            found.held95
        );
    }
}

// The aim is a median error of at most 1.3 times that of the same hunts; 24 hunts leave 15 % (1 sigma) on a ratio of medians of
// the same noise, so two of these are allowed.
#[test]
fn one_bearing_in_five_reflected_does_little_harm() {
    let (with, without) = (score(Class::Reflected), score(Class::Unreflected));
    let ratio = with.median_error_m / without.median_error_m;
    println!(
        "median {} m, without {} m",
        with.median_error_m, without.median_error_m
    );
    assert!(ratio < 1.3 * 1.3, "{ratio}");
}
