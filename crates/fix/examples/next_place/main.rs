//! Prints `docs/next_place.md`: how many bearings a hunt takes where the advice is followed, and on circular tours.
//!
//! `cargo run --release -p lobewright-fix --example next_place > docs/next_place.md`; `-- --hunts 20` for a first look. The number of
//! `--threads` does not change the result.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "its output is the document"
)]

#[path = "../../tests/hunts/mod.rs"]
mod hunts;

use hunts::{GOAL_M, Outcome, Way, hunt};

const DEFAULT_HUNTS: u64 = 200;
/// Hunts that have not ended by then count as if they had.
const MOST_BEARINGS: usize = 30;
const DEFAULT_THREADS: u64 = 2;

const WAYS: [(Way, &str); 5] = [
    (Way::Information, "advice, most information"),
    (Way::PerHour, "advice, most information for an hour"),
    (Way::AroundFirst, "tour around the first estimate"),
    (
        Way::Closing,
        "tour around the running position, at its 95 % circle",
    ),
    (
        Way::Halving,
        "tour around the running position, half as wide each time",
    ),
];

fn main() {
    let count = option("--hunts").unwrap_or(DEFAULT_HUNTS);
    let threads = option("--threads").unwrap_or(DEFAULT_THREADS).max(1);
    let runs: Vec<Vec<Outcome>> = WAYS
        .iter()
        .map(|(way, name)| {
            let run = all(count, threads, *way);
            eprintln!("{}", row(name, &run));
            run
        })
        .collect();
    println!("{}", include_str!("head.md").trim_end());
    println!();
    println!("{count} hunts, seeds 0 to {}.\n", count - 1);
    println!(
        "| next place by | bearings, mean ± its error | median | 90 % need at most | goal reached | within {GOAL_M:.0} m | way, mean |"
    );
    println!("|---|---|---|---|---|---|---|");
    for ((_, name), run) in WAYS.iter().zip(&runs) {
        println!("{}", row(name, run));
    }
    println!("\nBearings that the advice takes, as a share of what the tours take (means of hunts):\n");
    println!("| against | most information | most for an hour |");
    println!("|---|---|---|");
    for k in 2..WAYS.len() {
        let share = |advice: usize| 100.0 * mean(&runs[advice]) / mean(&runs[k]);
        println!("| {} | {:.0} % | {:.0} % |", WAYS[k].1, share(0), share(1));
    }
    println!(
        "\nHunts of over {MOST_BEARINGS} bearings count as {MOST_BEARINGS}: the true means of tours that did not reach the goal are higher."
    );
}

/// The number behind a word on the command line.
fn option(word: &str) -> Option<u64> {
    let value = std::env::args().skip_while(|a| a != word).nth(1)?;
    Some(value.parse().expect("a number follows each option"))
}

/// All hunts, shared out over threads, in the order of their seeds.
fn all(count: u64, threads: u64, way: Way) -> Vec<Outcome> {
    let mut done: Vec<(u64, Outcome)> = std::thread::scope(|scope| {
        let parts: Vec<_> = (0..threads)
            .map(|part| {
                scope.spawn(move || {
                    (part..count)
                        .step_by(usize::try_from(threads).expect("a small number"))
                        .map(|seed| (seed, hunt(seed, way, MOST_BEARINGS)))
                        .collect::<Vec<_>>()
                })
            })
            .collect();
        parts
            .into_iter()
            .flat_map(|part| part.join().expect("no hunt panics"))
            .collect()
    });
    done.sort_by_key(|(seed, _)| *seed);
    done.into_iter().map(|(_, outcome)| outcome).collect()
}

fn mean(run: &[Outcome]) -> f64 {
    run.iter().map(|o| o.bearings as f64).sum::<f64>() / run.len() as f64
}

fn row(name: &str, run: &[Outcome]) -> String {
    let count = run.len() as f64;
    let mean = mean(run);
    let spread: f64 = run
        .iter()
        .map(|o| (o.bearings as f64 - mean).powi(2))
        .sum::<f64>()
        / count;
    let mut sorted: Vec<usize> = run.iter().map(|o| o.bearings).collect();
    sorted.sort_unstable();
    let share = |good: fn(&Outcome) -> bool| 100.0 * run.iter().filter(|o| good(o)).count() as f64 / count;
    format!(
        "| {name} | {mean:.2} ± {:.2} | {} | {} | {:.0} % | {:.1} % | {:.1} km |",
        (spread / count).sqrt(),
        sorted[sorted.len() / 2],
        sorted[(sorted.len() * 9 / 10).min(sorted.len() - 1)],
        share(|o| o.reached),
        share(|o| o.off_m <= GOAL_M),
        run.iter().map(|o| o.way_km).sum::<f64>() / count
    )
}
