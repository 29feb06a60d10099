//! A short part of `docs/next_place.md`, with its seeds.

#[path = "hunts/mod.rs"]
mod hunts;

use hunts::{GOAL_M, Outcome, Way, hunt};

const HUNTS: u64 = 16;
/// Hunts that have not ended by then count as if they had: that favours the tours.
const MOST_BEARINGS: usize = 20;

fn run(way: Way) -> Vec<Outcome> {
    (0..HUNTS).map(|seed| hunt(seed, way, MOST_BEARINGS)).collect()
}

fn mean(run: &[Outcome]) -> f64 {
    run.iter().map(|o| o.bearings as f64).sum::<f64>() / run.len() as f64
}

// The aim: at most 70 % of the bearings of a circular tour around the first estimate. Over 200 hunts it is under 30 %, so chance does not decide here. Beside
// tours that close in on the running position the advice saves little; the limit says that it loses nothing beyond chance (standard error of the
// difference over 16 hunts: about half a bearing of six).
#[test]
fn following_the_advice_takes_fewer_bearings_than_circling() {
    let advice = run(Way::Information);
    let per_hour = run(Way::PerHour);
    let circle = run(Way::AroundFirst);
    let closing = run(Way::Closing);
    println!(
        "bearings: {:.2} by information, {:.2} by the hour, {:.2} around the first estimate, {:.2} closing in",
        mean(&advice),
        mean(&per_hour),
        mean(&circle),
        mean(&closing)
    );
    for advised in [&advice, &per_hour] {
        assert!(mean(advised) <= 0.7 * mean(&circle));
        assert!(mean(advised) <= mean(&closing) + 1.0);
        assert!(advised.iter().all(|o| o.reached));
        // The circle holds 95 %: of 16, at least 12 (binomial, one in 600 below that).
        assert!(advised.iter().filter(|o| o.off_m <= GOAL_M).count() >= 12);
    }
}
