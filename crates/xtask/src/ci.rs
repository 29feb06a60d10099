//! `cargo xtask ci`: every check in order, each with its time and result, and a table at the end.

use std::fmt::Write as _;
use std::time::{Duration, Instant};

use anyhow::{Result, bail};

use crate::steps::{ALL, Bench, Step};

/// What to run and how far to go on.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Options {
    /// Names of the only steps to run; empty for all.
    only: Vec<String>,
    /// Names of steps to leave out.
    skip: Vec<String>,
    /// Whether to go on behind a failure.
    keep_going: bool,
    /// Whether to list the steps and run none.
    list: bool,
}

impl Options {
    /// Reads the arguments behind `ci`.
    ///
    /// # Errors
    /// Where an argument or the name of a step is unknown, or a list of names is missing.
    pub fn parse(args: &[String]) -> Result<Self> {
        let mut options = Self::default();
        let mut words = args.iter();
        while let Some(word) = words.next() {
            let (flag, value) = match word.split_once('=') {
                Some((flag, value)) => (flag, Some(value.to_owned())),
                None => (word.as_str(), None),
            };
            match flag {
                "--only" | "--skip" => {
                    let Some(value) = value.or_else(|| words.next().cloned()) else {
                        bail!("{flag} needs names of steps, for example {flag} fmt,clippy");
                    };
                    let names = step_names(&value)?;
                    if flag == "--only" {
                        options.only.extend(names);
                    } else {
                        options.skip.extend(names);
                    }
                }
                "--keep-going" if value.is_none() => options.keep_going = true,
                "--list" if value.is_none() => options.list = true,
                _ => bail!("unknown argument `{word}`; known are --only, --skip, --keep-going and --list"),
            }
        }
        Ok(options)
    }

    fn selects(&self, name: &str) -> bool {
        let is_in = |list: &[String]| list.iter().any(|n| n == name);
        (self.only.is_empty() || is_in(&self.only)) && !is_in(&self.skip)
    }
}

fn step_names(list: &str) -> Result<Vec<String>> {
    let mut names = Vec::new();
    for name in list.split(',').map(str::trim).filter(|n| !n.is_empty()) {
        if !ALL.iter().any(|step| step.name == name) {
            let known: Vec<&str> = ALL.iter().map(|step| step.name).collect();
            bail!("no step is called `{name}`; the steps are {}", known.join(", "));
        }
        names.push(name.to_owned());
    }
    Ok(names)
}

/// What became of a step.
enum Outcome {
    Passed(Duration),
    Failed(Duration, String),
    NotRun(&'static str),
}

/// Runs the steps that the options select.
///
/// # Errors
/// Where a step failed; its own message was printed under its heading.
pub fn run(options: &Options) -> Result<()> {
    if options.list {
        for step in &ALL {
            say(&format!("{:<8} {}", step.name, step.what));
        }
        return Ok(());
    }
    let bench = Bench::new()?;
    let mut outcomes = Vec::with_capacity(ALL.len());
    let mut stopped = false;
    for step in &ALL {
        let outcome = if !options.selects(step.name) {
            Outcome::NotRun("not selected")
        } else if stopped {
            Outcome::NotRun("not reached")
        } else {
            run_step(step, &bench)
        };
        stopped |= matches!(outcome, Outcome::Failed(..)) && !options.keep_going;
        outcomes.push((step, outcome));
    }
    say(&table(&outcomes));
    let failed: Vec<&str> = outcomes
        .iter()
        .filter(|(_, o)| matches!(o, Outcome::Failed(..)))
        .map(|(step, _)| step.name)
        .collect();
    if !failed.is_empty() {
        bail!("failed: {}", failed.join(", "));
    }
    Ok(())
}

fn run_step(step: &Step, bench: &Bench) -> Outcome {
    say(&format!("\n==> {}: {}", step.name, step.what));
    let start = Instant::now();
    let result = (step.run)(bench);
    let took = start.elapsed();
    match result {
        Ok(()) => {
            say(&format!(
                "<== {}: passed in {:.1} s",
                step.name,
                took.as_secs_f64()
            ));
            Outcome::Passed(took)
        }
        Err(error) => {
            let message = format!("{error:#}");
            say(&format!(
                "<== {}: FAILED after {:.1} s: {message}",
                step.name,
                took.as_secs_f64()
            ));
            Outcome::Failed(took, message)
        }
    }
}

fn table(outcomes: &[(&Step, Outcome)]) -> String {
    let mut text = String::from("\nstep     result        time\n");
    let mut total = Duration::ZERO;
    for (step, outcome) in outcomes {
        let (result, took, message) = match outcome {
            Outcome::Passed(took) => ("passed", Some(*took), None),
            Outcome::Failed(took, message) => ("FAILED", Some(*took), message.lines().next()),
            Outcome::NotRun(why) => (*why, None, None),
        };
        let _ = write!(text, "{:<8} {result:<12}", step.name);
        if let Some(took) = took {
            total += took;
            let _ = write!(text, " {:>7.1} s", took.as_secs_f64());
        }
        if let Some(message) = message {
            let _ = write!(text, "  {message}");
        }
        text.push('\n');
    }
    let _ = write!(text, "{:<21} {:>7.1} s", "in all", total.as_secs_f64());
    text
}

#[expect(clippy::print_stdout, reason = "a chore talks to the person who ran it")]
pub(crate) fn say(text: &str) {
    println!("{text}");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(args: &[&str]) -> Result<Options> {
        Options::parse(&args.iter().map(|&a| a.to_owned()).collect::<Vec<_>>())
    }

    #[test]
    fn steps_are_chosen_by_name() {
        let options = parse(&["--only", "fmt,clippy", "--keep-going"]).unwrap();
        assert!(options.selects("fmt") && options.selects("clippy") && !options.selects("test"));
        assert!(options.keep_going);
        let options = parse(&["--skip=bench"]).unwrap();
        assert!(options.selects("fmt") && !options.selects("bench"));
    }

    #[test]
    fn an_unknown_step_or_argument_is_refused() {
        let error = parse(&["--only", "fmt,lint"]).unwrap_err().to_string();
        assert!(
            error.starts_with("no step is called `lint`; the steps are setup, fmt,"),
            "{error}"
        );
        let error = parse(&["--fast"]).unwrap_err().to_string();
        assert!(error.starts_with("unknown argument `--fast`"), "{error}");
        assert!(parse(&["--only"]).is_err());
    }

    #[test]
    fn the_table_names_every_step_with_its_result() {
        let outcomes = vec![
            (&ALL[0], Outcome::Passed(Duration::from_millis(1500))),
            (
                &ALL[1],
                Outcome::Failed(Duration::from_secs(2), "first\nsecond".into()),
            ),
            (&ALL[2], Outcome::NotRun("not reached")),
        ];
        let expected = "\n\
            step     result        time\n\
            setup    passed           1.5 s\n\
            fmt      FAILED           2.0 s  first\n\
            clippy   not reached \n\
            in all                    3.5 s";
        assert_eq!(table(&outcomes), expected);
    }
}
