//! Prints `docs/position_accuracy.md`: errors and regions of the position over drawn hunts, with fixed seeds.
//!
//! ```text
//! cargo run --release -p lobewright-fix --example position_accuracy -- [--only TEXT] [--trials N] [--threads N]
//!     [--fault CHANCE] [--fault-sigma DEGREES]
//! ```
//!
//! `--only` prints the rows whose name holds TEXT; `--fault` and `--fault-sigma` set what is expected of a compass. The bytes printed do not depend on the number of threads.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "printing is its purpose"
)]

mod hunts;
mod score;

use std::process::ExitCode;
use std::time::Instant;

use hunts::Class;
use lobewright_fix::FixConfig;
use score::{Outcome, Score, run};

const ROWS: [(&str, Class); 6] = [
    ("clean, 4 to 12 bearings", Class::Clean),
    ("one in five reflected, 5, 10 or 15 bearings", Class::Reflected),
    ("the same without their reflections", Class::Unreflected),
    ("compass 7 degrees off, 5 to 12 places", Class::CompassOffset),
    ("2 bearings", Class::Two),
    ("3 bearings", Class::Three),
];

const HEAD: &str = "# Accuracy of the position

Simulated hunts: bearings drawn with known errors and given to the estimator with its default settings. This page is printed by
a program and not edited:

```text
cargo run --release -p lobewright-fix --example position_accuracyARGUMENTS > docs/position_accuracy.md
```

With `-- --only TEXT` it prints the rows with TEXT in their name, with `--trials N` other numbers of hunts.

* **Hunts**: TRIALS a row. Places and transmitter are drawn evenly over a disc of 5 km, no place within 300 m of the transmitter, the
  disc anywhere up to 60 degrees of latitude. All bearings of a hunt are of one compass, with a normal error of 1 to 5 degrees (one value a
  hunt, stated) and places known to 10 m on each axis (stated, and drawn). ChaCha8 generator, one seed a class, its stream the number of the hunt.
* **One in five reflected**: exactly so many of the bearings point anywhere. **The same without**: the same hunts with all bearings right.
* **Compass off**: all bearings are turned by 7 degrees to one side; nothing is stated of it.
* **2 and 3 bearings**: each points anywhere with a chance of 10 %, and the compass of three has a fault (normal, 10 degrees) with 25 %: what the
  settings expect. With so few bearings nothing in them tells a wrong one, so what is held depends on how many are.
* **No position**: share of the hunts in which the estimator gave words in place of a position. The other columns are over the rest.
* **Error** and **RMS error**: of the stated position, median and root mean square. **Bound**: root mean square of the
  Cramer-Rao bound of the right bearings (Torrieri, *Statistical Theory of Passive Location Systems*, 1984, section IV), were the
  compass known to be right. Hunts with nearly parallel lines rule both.
  The dash: with one of two or three bearings wrong there is no bound.
* **Ratio**: mean of the squared error measured by the bound's own ellipse, over its expectation; 1 at the bound; each hunt counts the
  same. **Least squares**: the same of the least-squares position, where there is one.
* **Held**: share of the hunts in which the regions of 50 and 95 % held the truth. Binomial standard error, were the share right: HALF and MOST %.
* **Area**: median area of the 95 % region.
* **Fault said**: share in which a compass fault had at least even odds.
";

/// Hunts a row, where nothing else is asked for.
const TRIALS: usize = 1000;

struct Options {
    only: String,
    trials: usize,
    threads: usize,
    config: FixConfig,
}

fn main() -> ExitCode {
    let options = match arguments(std::env::args().skip(1)) {
        Ok(options) => options,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(2);
        }
    };
    let arguments = if options.trials == TRIALS {
        String::new()
    } else {
        format!(" -- --trials {}", options.trials)
    };
    let error = |p: f64| format!("{:.1}", 100.0 * (p * (1.0 - p) / options.trials as f64).sqrt());
    let head = HEAD
        .replace("TRIALS", &options.trials.to_string())
        .replace("ARGUMENTS", &arguments)
        .replace("HALF", &error(0.5))
        .replace("MOST", &error(0.95));
    println!("{head}");
    println!(
        "| hunts | no position, % | error, m | RMS error, m | bound, m | ratio | least squares | held by 50 % | 95 % | area, km² | fault said, % |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    for (name, class) in ROWS.iter().filter(|r| r.0.contains(&options.only)) {
        let began = Instant::now();
        let score = Score::of(&all(*class, &options));
        let bounded = !matches!(class, Class::Two | Class::Three);
        eprintln!("{name}: {:.1} s", began.elapsed().as_secs_f64());
        print_row(name, &score, bounded);
    }
    ExitCode::SUCCESS
}

/// `bounded`: whether there is a bound in every hunt; with a wrong bearing of two there is none.
fn print_row(name: &str, s: &Score, bounded: bool) {
    let share = |n: usize| 100.0 * n as f64 / s.fixed.max(1) as f64;
    let to_bound = if bounded {
        format!(
            "{:.0} | {:.0} | {:.2} | {:.2}",
            s.rms_m, s.bound_rms_m, s.ratio, s.least_squares_ratio
        )
    } else {
        "– | – | – | –".to_owned()
    };
    println!(
        "| {name} | {:.1} | {:.0} | {to_bound} | {:.1} | {:.1} | {:.3} | {:.1} |",
        100.0 * (s.hunts - s.fixed) as f64 / s.hunts as f64,
        s.median_error_m,
        share(s.held50),
        share(s.held95),
        s.median_area95_km2,
        share(s.fault_said),
    );
}

/// All hunts of a class, in order, on several threads.
fn all(class: Class, options: &Options) -> Vec<Option<Outcome>> {
    let threads = options.threads;
    let parts: Vec<Vec<Option<Outcome>>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|first| {
                scope.spawn(move || {
                    (first..options.trials)
                        .step_by(threads)
                        .map(|trial| run(class, trial as u64, &options.config))
                        .collect()
                })
            })
            .collect();
        workers
            .into_iter()
            .map(|w| w.join().expect("a hunt that panics ends the page"))
            .collect()
    });
    (0..options.trials)
        .map(|trial| parts[trial % threads][trial / threads])
        .collect()
}

fn arguments(mut given: impl Iterator<Item = String>) -> Result<Options, String> {
    const KNOWN: &str = "--only TEXT, --trials N, --threads N, --fault CHANCE and --fault-sigma DEGREES";
    let mut options = Options {
        only: String::new(),
        trials: TRIALS,
        threads: 2,
        config: FixConfig::default(),
    };
    while let Some(option) = given.next() {
        let value = given
            .next()
            .ok_or_else(|| format!("`{option}` wants a value: {KNOWN}"))?;
        let number = || {
            value
                .parse::<usize>()
                .ok()
                .filter(|n| *n > 0)
                .ok_or_else(|| format!("`{option}` wants a number above 0, not `{value}`"))
        };
        let real = || {
            value
                .parse::<f64>()
                .map_err(|_| format!("`{option}` wants a number, not `{value}`"))
        };
        match option.as_str() {
            "--fault" => options.config.compass_fault_prior = real()?,
            "--fault-sigma" => options.config.compass_fault_sigma_deg = real()?,
            "--only" => options.only = value,
            "--trials" => options.trials = number()?,
            "--threads" => options.threads = number()?,
            _ => return Err(format!("`{option}` is not known: {KNOWN}")),
        }
    }
    Ok(options)
}
