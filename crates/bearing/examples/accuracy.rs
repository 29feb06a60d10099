//! Prints `docs/accuracy.md`: errors and intervals of the bearing estimator over simulated turns, with fixed seeds.

#![allow(clippy::print_stdout, reason = "printing is its purpose")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::fmt::{self, Write};
use std::sync::Arc;

use common::{Scene, bound_deg, config, fading_db, holds, pattern, two_arrivals};
use lobewright_antenna::Pattern;
use lobewright_bearing::estimate;
use lobewright_types::{LevelReading, Pointing, SampleIndex, wrap_signed_degrees};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const GRID_TRIALS: usize = 600;
const OTHER_TRIALS: usize = 400;
const FIRST_SEED: u64 = 1000;
const GROSS_DEG: f64 = 30.0;
const SHARES: [f64; 3] = [0.50, 0.68, 0.95];

/// Readings of one turn towards a source, with the bound where there is one.
type Draw = dyn Fn(f64, &mut ChaCha8Rng) -> (Vec<LevelReading>, Option<f64>);

struct Case {
    name: String,
    trials: usize,
    draw: Box<Draw>,
}

#[derive(Default)]
struct Score {
    trials: usize,
    squares: f64,
    bound_squares: Option<f64>,
    scaled: f64,
    held: [usize; 3],
    gross: usize,
    gross_unshown: usize,
    highest_squares: f64,
    parabola_squares: f64,
}

fn main() {
    match book() {
        Ok(text) => print!("{text}"),
        Err(error) => panic!("the text could not be put together: {error}"),
    }
}

fn book() -> Result<String, fmt::Error> {
    let mut out = String::new();
    head(&mut out)?;
    let yagi = pattern("yagi3");
    let mut seed = FIRST_SEED;
    let mut rows: Vec<(String, Score)> = Vec::new();
    for (title, cases) in [
        ("Full turn of 36 readings of 200 independent samples", grid(&yagi)),
        ("Less friendly turns", others(&yagi)),
    ] {
        table_head(&mut out, title)?;
        for case in cases {
            let score = run(&case, &yagi, seed);
            row(&mut out, &case.name, seed, &score)?;
            rows.push((case.name, score));
            seed += 1;
        }
    }
    verdict(&mut out, &rows)?;
    Ok(out)
}

fn grid(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for gaussian in [false, true] {
        for error_db in [0.0, 1.0] {
            for snr_db in [0.0, 10.0, 20.0, 30.0] {
                let kind = if gaussian {
                    "Gaussian-like"
                } else {
                    "constant envelope"
                };
                let scene = Scene {
                    gaussian,
                    ..Scene::full_turn(36, 200.0, snr_db, error_db)
                };
                cases.push(plain(
                    format!("{kind}, level error {error_db} dB, S/N {snr_db} dB"),
                    GRID_TRIALS,
                    scene,
                    yagi,
                ));
            }
        }
    }
    cases
}

/// A scene as it stands, drawn from the pattern that the estimator is given.
fn plain(name: String, trials: usize, scene: Scene, yagi: &Arc<Pattern>) -> Case {
    let yagi = yagi.clone();
    Case {
        name,
        trials,
        draw: Box::new(move |truth, rng| {
            let readings = scene.draw(&yagi, truth, rng);
            (readings, Some(bound_deg(&scene, &yagi, truth)))
        }),
    }
}

fn others(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = vec![plain(
        "full turn, level error 1 dB, S/N -10 dB".into(),
        OTHER_TRIALS,
        Scene::full_turn(36, 200.0, -10.0, 1.0),
        yagi,
    )];
    for snr_db in [10.0, 20.0] {
        for off_deg in [0.0, 60.0, 120.0] {
            cases.push(partial(snr_db, off_deg, yagi));
        }
    }
    let few = Scene {
        step_s: 0.1,
        ..Scene::full_turn(36, 200.0, 20.0, 0.0)
    };
    let many = Scene::full_turn(72, 625.0, 20.0, 0.0);
    cases.push(fading("Rician fading, K 12 dB, 0.5 Hz", 12.0, 0.5, few, yagi));
    cases.push(fading(
        "Rician fading, K 12 dB, 2 Hz",
        12.0,
        2.0,
        many.clone(),
        yagi,
    ));
    cases.push(fading("Rayleigh fading, 0.5 Hz", -100.0, 0.5, many, yagi));
    cases.push(wrong_pattern());
    cases.push(two_bursts(yagi));
    cases.extend([-6.0, -3.0, 3.0, 6.0, 9.0].map(reflected));
    cases
}

fn partial(snr_db: f64, off_deg: f64, yagi: &Arc<Pattern>) -> Case {
    let yagi = yagi.clone();
    Case {
        name: format!(
            "sweep of 120 degrees (13 readings) centred {off_deg} degrees off, level error 1 dB, S/N {snr_db} dB"
        ),
        trials: OTHER_TRIALS,
        draw: Box::new(move |truth, rng| {
            let first = truth + off_deg - 60.0;
            let scene = Scene {
                boresights_deg: (0..13).map(|k| first + 10.0 * f64::from(k)).collect(),
                ..Scene::full_turn(13, 200.0, snr_db, 1.0)
            };
            let readings = scene.draw(&yagi, truth, rng);
            (readings, Some(bound_deg(&scene, &yagi, truth)))
        }),
    }
}

/// Fading of a signal without any other level error.
fn fading(name: &str, k_db: f64, doppler_hz: f64, scene: Scene, yagi: &Arc<Pattern>) -> Case {
    let yagi = yagi.clone();
    Case {
        name: format!(
            "{name}, a turn of {} readings in 3.6 s, S/N 20 dB",
            scene.boresights_deg.len()
        ),
        trials: OTHER_TRIALS,
        draw: Box::new(move |truth, rng| {
            let fading = fading_db(k_db, doppler_hz, scene.step_s, scene.boresights_deg.len(), rng);
            (scene.draw_with(&yagi, truth, &fading, rng), None)
        }),
    }
}

fn wrong_pattern() -> Case {
    let used = pattern("yagi3_144");
    Case {
        name: "antenna 2 MHz below the frequency of its pattern, level error 0.5 dB, S/N 20 dB".into(),
        trials: OTHER_TRIALS,
        draw: Box::new(move |truth, rng| {
            let readings = Scene::full_turn(36, 200.0, 20.0, 0.5).draw(&used, truth, rng);
            (readings, None)
        }),
    }
}

/// Two turns of 18 readings, the second between the boresights of the first, 30 s later and 6 dB weaker.
/// A second arrival 110 degrees off, as strong or weak against the direct path as `ratio_db` says; the direct path is the truth.
fn reflected(ratio_db: f64) -> Case {
    Case {
        name: format!(
            "reflection 110 degrees off, {ratio_db:+} dB against the direct path, full turn, S/N 25 dB of that path"
        ),
        trials: OTHER_TRIALS,
        draw: Box::new(move |truth, rng| (two_arrivals(110.0, ratio_db, truth, rng), None)),
    }
}

fn two_bursts(yagi: &Arc<Pattern>) -> Case {
    let yagi = yagi.clone();
    Case {
        name: "two bursts of 18 readings, level error 1 dB, S/N 20 and 14 dB".into(),
        trials: OTHER_TRIALS,
        draw: Box::new(move |truth, rng| {
            let first = Scene::full_turn(18, 200.0, 20.0, 1.0);
            let second = Scene {
                boresights_deg: first.boresights_deg.iter().map(|b| b + 10.0).collect(),
                snr_db: 14.0,
                ..first.clone()
            };
            let mut readings = first.draw(&yagi, truth, rng);
            for mut reading in second.draw(&yagi, truth, rng) {
                reading.burst = 1;
                reading.middle_s += 30.0;
                reading.start = SampleIndex(reading.start.0 + 600_000);
                readings.push(reading);
            }
            let information =
                bound_deg(&first, &yagi, truth).powi(-2) + bound_deg(&second, &yagi, truth).powi(-2);
            (readings, Some(information.powf(-0.5)))
        }),
    }
}

fn run(case: &Case, yagi: &Arc<Pattern>, seed: u64) -> Score {
    let config = config(yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut score = Score::default();
    for _ in 0..case.trials {
        let truth = 360.0 * rng.random::<f64>();
        let (readings, bound) = (case.draw)(truth, &mut rng);
        let estimate = match estimate(&readings, &config) {
            Ok(estimate) => estimate,
            Err(reason) => panic!("{}: no bearing: {reason:?}", case.name),
        };
        let off = |azimuth_deg: f64| wrap_signed_degrees(azimuth_deg - truth);
        let error = off(estimate.azimuth.degrees());
        score.trials += 1;
        score.squares += error * error;
        score.scaled += error / estimate.sigma_deg;
        if let Some(bound) = bound {
            *score.bound_squares.get_or_insert(0.0) += bound * bound;
        }
        for (held, share) in score.held.iter_mut().zip(SHARES) {
            *held += usize::from(holds(&estimate.density.highest_density_arcs(share), truth));
        }
        let gross = error.abs() > GROSS_DEG;
        score.gross += usize::from(gross);
        score.gross_unshown += usize::from(gross && estimate.modes.len() < 2);
        score.highest_squares += off(highest(&readings)).powi(2);
        score.parabola_squares += off(parabola(&readings)).powi(2);
    }
    score
}

fn boresight_deg(reading: &LevelReading) -> f64 {
    match reading.pointing {
        Pointing::Boresight { azimuth, .. } => azimuth.degrees(),
        Pointing::Port(_) => f64::NAN,
    }
}

fn highest_index(readings: &[LevelReading]) -> usize {
    let power = |i: &usize| readings[*i].power_lin;
    (0..readings.len())
        .max_by(|a, b| power(a).total_cmp(&power(b)))
        .unwrap_or(0)
}

/// Baseline: where the antenna pointed when the level was highest.
fn highest(readings: &[LevelReading]) -> f64 {
    boresight_deg(&readings[highest_index(readings)])
}

/// Baseline: vertex of the parabola through the level in dB of the highest reading and of its two neighbours, those
/// across north too; at the end of a sweep the highest reading itself.
fn parabola(readings: &[LevelReading]) -> f64 {
    let top = highest_index(readings);
    let at = boresight_deg(&readings[top]);
    let mut left: Option<(f64, f64)> = None;
    let mut right: Option<(f64, f64)> = None;
    for r in readings.iter().filter(|r| r.burst == readings[top].burst) {
        let x = wrap_signed_degrees(boresight_deg(r) - at);
        let level = 10.0 * r.power_lin.log10();
        if x < 0.0 && left.is_none_or(|l| x > l.0) {
            left = Some((x, level));
        } else if x > 0.0 && right.is_none_or(|l| x < l.0) {
            right = Some((x, level));
        }
    }
    let (Some((xl, yl)), Some((xr, yr))) = (left, right) else {
        return at;
    };
    if xr - xl > 60.0 {
        return at;
    }
    let y = 10.0 * readings[top].power_lin.log10();
    // y + b x + a x^2 through both neighbours.
    let (sl, sr) = ((yl - y) / xl, (yr - y) / xr);
    let a = (sr - sl) / (xr - xl);
    let b = sl - a * xl;
    if a < 0.0 { at - 0.5 * b / a } else { at }
}

fn head(out: &mut String) -> fmt::Result {
    let error_95 = 100.0 * (0.95 * 0.05 / GRID_TRIALS as f64).sqrt();
    let error_50 = 100.0 * (0.25 / GRID_TRIALS as f64).sqrt();
    let other_95 = 100.0 * (0.95 * 0.05 / OTHER_TRIALS as f64).sqrt();
    let other_50 = 100.0 * (0.25 / OTHER_TRIALS as f64).sqrt();
    let ratio = 100.0 / (2.0 * GRID_TRIALS as f64).sqrt();
    let bias = (GRID_TRIALS as f64).powf(-0.5);
    writeln!(
        out,
        "# Accuracy of the bearing from a rotated antenna

Simulated turns of a three-element Yagi (`testdata/antennas/yagi3.csv`), drawn from the exact statistics of a mean power
in noise and given to the estimator as it is delivered. It is told the pattern and nothing of the S/N, of the level
error or of the kind of signal. This page is printed by a program and not edited.

```text
cargo run --release -p lobewright-bearing --example accuracy > docs/accuracy.md
```

* **Trials**: {GRID_TRIALS} a row in the first table, {OTHER_TRIALS} in the second, each towards a new direction, uniform on the
  circle. ChaCha8 generator, its seed in each row.
* **S/N**: signal over noise in the channel with the antenna pointed at the source. **Level error**: an error of each
  reading in dB, normal, independent, 1 sigma.
* **RMS error**: of the top of the most probable mode, over all trials, gross errors among them.
* **Bound**: Cramer-Rao bound with the level unknown (Kay, *Fundamentals of Statistical Signal Processing: Estimation
  Theory*, 1993, chapter 3), for level and noise described by mean and variance; root mean square over the directions
  drawn. The dash: no bound worked out for this case. A posterior density whose prior knows the range of the level is
  not bound by it far below the threshold, nor is any direction on a circle more than 104 degrees RMS from a guess.
* **Ratio**: RMS error over bound; chance moves it by {ratio:.1} % (1 sigma, first table).
* **Bias**: mean of error over stated sigma; chance moves it by {bias:.2}.
* **Held**: share of the trials in which the shortest arcs of 50, 68 and 95 % held the truth. Binomial standard error,
  were the share right: {error_50:.1} % at 50 % and {error_95:.1} % at 95 % in the first table, {other_50:.1} and {other_95:.1} % in the second.
* **Gross**: share of errors over {GROSS_DEG} degrees; in brackets those of them without a second mode of 5 % or more. A
  single mode that is itself wide counts there too; the share held tells whether it said so.
* **Highest**, **parabola**: RMS error of two baselines on the same readings: the boresight of the highest reading, and
  the vertex of the parabola through the levels in dB of that reading and both its neighbours."
    )
}

fn table_head(out: &mut String, title: &str) -> fmt::Result {
    writeln!(
        out,
        "
## {title}

| case | seed | RMS error, deg | bound, deg | ratio | bias, sigma | held by 50 % | 68 % | 95 % | gross (unshown) | highest, deg | parabola, deg |
|---|---|---|---|---|---|---|---|---|---|---|---|"
    )
}

impl Score {
    fn rms(&self, squares: f64) -> f64 {
        (squares / self.trials as f64).sqrt()
    }

    fn percent(&self, count: usize) -> f64 {
        100.0 * count as f64 / self.trials as f64
    }

    /// Share held by the 95 % arcs less 0.95, in binomial standard errors.
    fn surplus(&self) -> f64 {
        let n = self.trials as f64;
        (self.held[2] as f64 / n - 0.95) / (0.95 * 0.05 / n).sqrt()
    }
}

fn row(out: &mut String, name: &str, seed: u64, score: &Score) -> fmt::Result {
    let rms = score.rms(score.squares);
    let (bound, ratio) = score.bound_squares.map_or_else(
        || ("-".into(), "-".into()),
        |squares| {
            let bound = score.rms(squares);
            (format!("{bound:.3}"), format!("{:.2}", rms / bound))
        },
    );
    let [half, two_thirds, most] = score.held.map(|held| score.percent(held));
    writeln!(
        out,
        "| {name} | {seed} | {rms:.3} | {bound} | {ratio} | {:+.2} | {half:.1} % | {two_thirds:.1} % | {most:.1} % | {:.1} % ({:.1} %) | {:.1} | {:.1} |",
        score.scaled / score.trials as f64,
        score.percent(score.gross),
        score.percent(score.gross_unshown),
        score.rms(score.highest_squares),
        score.rms(score.parabola_squares),
    )
}

/// Where the 95 % arcs hold less or more than they say.
fn verdict(out: &mut String, rows: &[(String, Score)]) -> fmt::Result {
    writeln!(
        out,
        "
## Where the 95 % interval is not one of 95 %

Rows whose share lies more than two standard errors from 95 %; of {} rows one or so would by chance alone.
",
        rows.len()
    )?;
    for (what, side) in [("Falls short", -1.0), ("Too wide", 1.0)] {
        writeln!(out, "**{what}**:\n")?;
        let mut none = true;
        for (name, score) in rows.iter().filter(|r| side * r.1.surplus() > 2.0) {
            none = false;
            writeln!(
                out,
                "* {name}: {:.1} % ({:+.1} standard errors)",
                score.percent(score.held[2]),
                score.surplus()
            )?;
        }
        if none {
            writeln!(out, "* no row")?;
        }
        writeln!(out)?;
    }
    writeln!(
        out,
        "A level error is never ruled out altogether, so intervals for a signal without one are somewhat wide. No row says
anything about errors of heading, of position or of the pattern beyond the one named, nor about real terrain."
    )
}
