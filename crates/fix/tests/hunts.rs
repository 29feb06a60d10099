//! A short part of `docs/next_place.md`, with its seeds.

#[path = "hunts/mod.rs"]
mod hunts;

use hunts::{GOAL_M, Outcome, Way, hunt};

const HUNTS: u64 = 10;
/// Hunts that have not ended by then count as if they had: that favours the tour.
const MOST_BEARINGS: usize = 14;

fn run(way: Way) -> Vec<Outcome> {
    (0..HUNTS).map(|seed| hunt(seed, way, MOST_BEARINGS)).collect()
}

fn mean(run: &[Outcome]) -> f64 {
    run.iter().map(|o| o.bearings as f64).sum::<f64>() / run.len() as f64
}

// The aim: at most 70 % of the bearings of a circular tour around the first estimate. The whole document has the ratio far below that, also with tours cut
// short as here.
#[test]
fn following_the_advice_takes_fewer_bearings_than_circling() {
    let advised = run(Way::Information);
    let circle = run(Way::AroundFirst);
    println!(
        "bearings: {:.2} advised, {:.2} circling",
        mean(&advised),
        mean(&circle)
    );
    assert!(mean(&advised) <= 0.7 * mean(&circle));
    assert!(advised.iter().all(|o| o.reached));
    // The circle of 200 m holds 95 %: of 10 at least 7 (binomial: fewer once in 1000 times).
    assert!(advised.iter().filter(|o| o.off_m <= GOAL_M).count() >= 7);
}
