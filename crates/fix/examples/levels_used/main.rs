//! How often the regions hold the truth where levels and silence are used, printed as a table.
//!
//! `cargo run --release -p lobewright-fix --example levels_used [-- TRIALS [ROW]]`

mod hunts;

use hunts::{Class, hunt};
use lobewright_fix::{Evidence, FixConfig, level_outlook, solve_evidence};
use lobewright_geodesy::inverse;
use lobewright_types::FixOutcome;

const CLASSES: [(&str, Class); 7] = [
    class("4 bearings of 5°", 4, 0, 7.0, 0, 0),
    class("4 bearings of 5° and 12 levels", 4, 12, 7.0, 0, 0),
    class("the same, 2 levels wrong by 30 dB", 4, 12, 7.0, 2, 0),
    class("2 bearings of 5° and 12 levels", 2, 12, 7.0, 0, 0),
    class("20 levels", 0, 20, 7.0, 0, 0),
    class("20 levels, terrain of 10 dB", 0, 20, 10.0, 0, 0),
    class("20 places listened at, levels and silence", 0, 0, 7.0, 0, 20),
];

const fn class(
    name: &'static str,
    bearings: usize,
    levels: usize,
    shadowing_db: f64,
    wrong: usize,
    listened: usize,
) -> (&'static str, Class) {
    let class = Class {
        bearings,
        bearing_sigma_deg: 5.0,
        levels,
        shadowing_db,
        wrong,
        listened,
    };
    (name, class)
}

#[derive(Debug, Default)]
struct Sums {
    none: usize,
    held50: usize,
    held95: usize,
    off_m: Vec<f64>,
    area95_km2: Vec<f64>,
    level95: (usize, usize),
}

#[expect(clippy::print_stdout, reason = "the table is what this program is for")]
fn main() {
    let mut arguments = std::env::args().skip(1);
    let trials: usize = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(1000);
    let only: Option<usize> = arguments.next().and_then(|a| a.parse().ok());
    println!(
        "| hunts | no position | 50 % holds | 95 % holds | median error | median 95 % area | foretold level within 1.96 sigma |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (row, (name, class)) in CLASSES.iter().enumerate() {
        if only.is_some_and(|o| o != row) {
            continue;
        }
        let mut sums = Sums::default();
        for trial in (0..).take(trials) {
            one(class, 1_000_000 * row as u64 + trial, &mut sums);
        }
        let found = trials - sums.none;
        let percent = |n: usize, of: usize| 100.0 * n as f64 / of.max(1) as f64;
        println!(
            "| {} | {:.1} % | {:.1} % | {:.1} % | {:.0} m | {:.2} km² | {:.1} % |",
            name,
            percent(sums.none, trials),
            percent(sums.held50, found),
            percent(sums.held95, found),
            median(&mut sums.off_m),
            median(&mut sums.area95_km2),
            percent(sums.level95.0, sums.level95.1),
        );
    }
}

fn one(class: &Class, seed: u64, sums: &mut Sums) {
    let made = hunt(class, seed);
    let (last, heard) = match made.levels.split_last() {
        // The last level is kept back, to be foretold.
        Some((last, heard)) if heard.len() > 3 => (Some(last), heard),
        _ => (None, &made.levels[..]),
    };
    let evidence = Evidence {
        bearings: &made.bearings,
        levels: heard,
        silences: &made.silences,
        ..Evidence::default()
    };
    let config = FixConfig::default();
    let FixOutcome::Fix(fix) = solve_evidence(&evidence, &config) else {
        sums.none += 1;
        return;
    };
    sums.held50 += usize::from(fix.region50.contains(made.truth));
    sums.held95 += usize::from(fix.region95.contains(made.truth));
    sums.off_m.push(inverse(fix.position, made.truth).distance_m);
    sums.area95_km2.push(fix.region95.area_km2);
    let Some(last) = last else { return };
    let expected =
        level_outlook(&evidence, &config).and_then(|o| o.expected_level(last.position, &last.scale));
    if let Some(e) = expected {
        // Its own reading error and, where levels under the limit are not readings, a selection that favours strong ones.
        let sigma_db = e.sigma_db.hypot(last.sigma_db);
        sums.level95.1 += 1;
        sums.level95.0 += usize::from((last.level_db - e.level_db).abs() <= 1.96 * sigma_db);
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
