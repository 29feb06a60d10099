//! The page: its head, its tables and its verdict.

use std::fmt::{self, Write};

use crate::score::{GROSS_DEG, NEAR_SIGMAS, Score};

/// A ratio over this is marked.
const RATIO_LIMIT: f64 = 1.10;
/// A bias over this, in stated sigmas, is marked.
const BIAS_LIMIT: f64 = 0.1;
/// A share of unshown gross errors over this is marked.
const UNSHOWN_LIMIT: f64 = 0.001;
/// Above this bound the threshold begins, where no estimator is held to reach it.
const THRESHOLD_DEG: f64 = 8.0;

pub(crate) fn head(out: &mut String, trials: usize) -> fmt::Result {
    let n = trials as f64;
    let share = |p: f64| 100.0 * (p * (1.0 - p) / n).sqrt();
    writeln!(
        out,
        "# Accuracy of the bearing

Simulated readings, drawn from the exact statistics of a mean power in noise and given to the estimator as it is
delivered. Unless a row says so the antenna is a three-element Yagi (`testdata/antennas/yagi3.csv`). The estimator is told the
pattern, the track and the noise power (to 1 %), and nothing of the S/N, of the level error, of the kind of signal or of
what goes wrong. This page is printed by a program and not edited:

```text
cargo run --release -p lobewright-bearing --example accuracy > docs/accuracy.md
```

With `-- --only TEXT` it prints the rows with TEXT in their name, with `--trials N` other numbers of trials.

* **Trials**: {trials} a row, each towards a new direction, uniform on the circle. ChaCha8 generator, its seed the FNV-1a
  hash (64 bit) of the row's name, its stream the number of the trial.
* **S/N**: signal over noise in the channel with the antenna pointed at the source. **Level error**: an error of each
  reading in dB, normal, independent, 1 sigma. **Keyed**: on or off by chance, 40 symbols a reading, the S/N of their mean.
* **RMS error**: of the top of the most probable mode, over all trials, gross errors among them.
* **Bound**: Cramer-Rao bound with the level of each burst unknown (Kay, *Fundamentals of Statistical Signal Processing: Estimation
  Theory*, 1993, chapter 3), for level and noise described by mean and variance (Johnson, Kotz & Balakrishnan,
  *Continuous Univariate Distributions*, chapters 17 and 29); root mean square over the directions drawn. The dash: no
  bound worked out for this case. A posterior density whose prior knows the range of the level is
  not bound by it far below the threshold, nor is any direction on a circle more than 104 degrees RMS from a guess.
* **Ratio**: RMS error over bound; chance moves it by {:.1} % (1 sigma).
* **Bias**: mean of error over stated sigma, gross errors left out; chance moves it by {:.2}.
* **Held**: share of the trials in which the shortest arcs of 50, 68 and 95 % held the truth. Binomial standard error,
  were the share right: {:.1}, {:.1} and {:.1} %.
* **Gross**: share of errors over {GROSS_DEG} degrees / those of them without a mode of 5 % or more that lies within {GROSS_DEG} degrees, or
  {NEAR_SIGMAS} of its own standard deviations, of the truth (unshown) / those of the latter where the 95 % arcs do not hold the truth
  either (missed). For an antenna that looks the same from both ends errors count modulo 180 degrees, and a trial in
  which one of the ends has no mode counts as unshown.
* **Sigma**: median of the stated standard deviations within the most probable mode.
* **Baselines**, RMS error on the same readings: the boresight of the **highest** reading; the vertex of the **parabola** through
  the levels in dB of that reading and both its neighbours; the **centroid**, the sum of the boresights as vectors as long as
  their power.
* **Two**: share of the trials in which a second arrival was reported.",
        100.0 / (2.0 * n).sqrt(),
        n.powf(-0.5),
        share(0.5),
        share(0.68),
        share(0.95),
    )
}

pub(crate) fn table_head(out: &mut String) -> fmt::Result {
    writeln!(
        out,
        "| case | RMS error, deg | bound, deg | ratio | bias, sigma | held by 50 % | 68 % | 95 % | gross / unshown / missed, % | sigma, deg | highest, deg | parabola, deg | centroid, deg | two, % |
|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"
    )
}

pub(crate) fn row(out: &mut String, name: &str, score: &Score) -> fmt::Result {
    let or_dash = |value: Option<String>| value.unwrap_or_else(|| "-".into());
    let [half, two_thirds, most] = score.held.map(|held| score.percent(held));
    let none = if score.none > 0 {
        format!(" ({} trials gave no bearing)", score.none)
    } else {
        String::new()
    };
    writeln!(
        out,
        "| {name}{none} | {} | {} | {} | {} | {half:.1} | {two_thirds:.1} | {most:.1} | {:.1} / {:.1} / {:.1} | {} | {:.1} | {:.1} | {:.1} | {:.1} |",
        digits(score.rms_deg),
        or_dash(score.bound_deg.map(digits)),
        or_dash(score.ratio().map(|r| format!("{r:.2}"))),
        or_dash(score.bias_sigmas.map(|b| format!("{:+.2}", b.0))),
        score.percent(score.gross),
        score.percent(score.unshown),
        score.percent(score.missed),
        digits(score.median_sigma_deg),
        score.highest_deg,
        score.parabola_deg,
        score.centroid_deg,
        score.percent(score.reflections),
    )
}

/// Three figures, no more than four decimals.
fn digits(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        v if v >= 1.0 => 2,
        v if v >= 0.1 => 3,
        _ => 4,
    };
    format!("{value:.decimals$}")
}

/// What a row misses an aim by, if it does.
type Finding = fn(&Score) -> Option<String>;

/// What the book aims at, and every row that misses it.
pub(crate) fn verdict(out: &mut String, rows: &[(String, Score)]) -> fmt::Result {
    if rows.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "
## Out of reach

Aims: RMS error within {RATIO_LIMIT:.2} times the bound; bias within {BIAS_LIMIT} sigma and two of its standard errors; 93 to 97 % held by the
95 % arcs, within two standard errors; unshown gross errors in 0.1 % of the trials at most; a bearing in every trial. Of {} rows these
miss one or more.
",
        rows.len()
    )?;
    let findings: [(&str, Finding); 7] = [
        ("Error over the bound", over_bound),
        (
            "Error over a bound of more than 8 degrees (below the threshold no estimator is held to reach it)",
            over_wide_bound,
        ),
        ("Biased", biased),
        ("95 % arcs too narrow", |s| held(s, -1.0)),
        ("95 % arcs too wide", |s| held(s, 1.0)),
        ("Gross errors unshown", unshown),
        ("No bearing", |s| {
            (s.none > 0).then(|| format!("{} trials", s.none))
        }),
    ];
    for (what, finding) in findings {
        let found: Vec<String> = rows
            .iter()
            .filter_map(|(name, score)| Some(format!("* {name}: {}", finding(score)?)))
            .collect();
        writeln!(out, "**{what}** ({}):\n", found.len())?;
        for line in &found {
            writeln!(out, "{line}")?;
        }
        if found.is_empty() {
            writeln!(out, "* no row")?;
        }
        writeln!(out)?;
    }
    writeln!(
        out,
        "No row says anything about errors of heading, of position or of the pattern beyond the ones named, nor about real terrain."
    )
}

fn over_bound(score: &Score) -> Option<String> {
    let ratio = score.ratio().filter(|r| *r > RATIO_LIMIT)?;
    (score.bound_deg? <= THRESHOLD_DEG).then(|| over(ratio, score))
}

fn over_wide_bound(score: &Score) -> Option<String> {
    let ratio = score.ratio().filter(|r| *r > RATIO_LIMIT)?;
    (score.bound_deg? > THRESHOLD_DEG).then(|| over(ratio, score))
}

fn over(ratio: f64, score: &Score) -> String {
    let chance = ratio / (2.0 * score.trials as f64).sqrt();
    format!(
        "{ratio:.2} times ({:+.1} standard errors)",
        (ratio - RATIO_LIMIT) / chance
    )
}

fn biased(score: &Score) -> Option<String> {
    let (bias, error) = score.bias_sigmas?;
    (bias.abs() > BIAS_LIMIT + 2.0 * error).then(|| format!("{bias:+.2} sigma, standard error {error:.2}"))
}

fn held(score: &Score, side: f64) -> Option<String> {
    (side * score.outside_95() > 2.0).then(|| {
        format!(
            "{:.1} % ({:+.1} standard errors)",
            score.percent(score.held[2]),
            score.outside_95()
        )
    })
}

fn unshown(score: &Score) -> Option<String> {
    (score.unshown as f64 > UNSHOWN_LIMIT * score.trials as f64).then(|| {
        format!(
            "{:.1} % of the trials, {:.1} % outside the 95 % arcs as well",
            score.percent(score.unshown),
            score.percent(score.missed)
        )
    })
}
