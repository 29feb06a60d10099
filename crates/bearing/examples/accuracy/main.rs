//! Prints `docs/accuracy.md`: errors and intervals of the bearing estimator over simulated readings, with fixed seeds.
//!
//! ```text
//! cargo run --release -p lobewright-bearing --example accuracy -- [--only TEXT] [--trials N] [--threads N]
//! ```
//!
//! `--only` prints the rows (and the chapters of other kinds) whose name holds TEXT, in any case; a row's seed comes from its name, so the
//! row is the same as in the whole book. The bytes printed do not depend on the number of threads. What was
//! run, and how fast, goes to standard error.
//!
//! # Adding a chapter
//! A chapter of rows is a function that gives a list of [`case::Case`], and an entry in [`rows::chapters`]. A chapter of any
//! other kind is a file with `pub(crate) fn chapter(out: &mut String) -> std::fmt::Result`: name it in a `mod` line below
//! and put `("its title", file::chapter)` into [`CHAPTERS`]. It writes its own heading (`## ...`), finds the number
//! of trials and threads in [`book::options`], and runs its trials with [`parallel::map`] and a [`parallel::generator`] each.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "printing is its purpose"
)]

mod baseline;
mod book;
mod case;
mod coherent;
#[path = "../../tests/common/mod.rs"]
mod common;
mod parallel;
mod procedures;
mod ring;
#[path = "../../tests/common/ring.rs"]
mod ring_scenes;
mod rows;
mod score;
mod table;

use std::fmt;
use std::process::ExitCode;

use book::{Book, Options, options, set_options};

/// Chapters that are not a table of rows: the title by which `--only` finds them, and what writes them.
const CHAPTERS: &[(&str, Chapter)] = &[
    ("Procedure: accuracy over azimuth", procedures::azimuth::chapter),
    ("Procedure: multipath", procedures::multipath::chapter),
    ("Several receivers on one clock", coherent::chapter),
    ("A ring of elements behind one switch", ring::chapter),
];

type Chapter = fn(&mut String) -> fmt::Result;

fn main() -> ExitCode {
    let chosen = match arguments(std::env::args().skip(1)) {
        Ok(chosen) => chosen,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(2);
        }
    };
    set_options(chosen);
    match write() {
        Ok(text) => print!("{text}"),
        Err(error) => panic!("the text could not be put together: {error}"),
    }
    ExitCode::SUCCESS
}

fn write() -> Result<String, fmt::Error> {
    let mut book = Book::new()?;
    for chapter in rows::chapters() {
        book.chapter(&chapter)?;
    }
    for (title, chapter) in CHAPTERS {
        if options().wants(title) {
            chapter(&mut book.text)?;
        }
    }
    book.finish()
}

fn arguments(mut given: impl Iterator<Item = String>) -> Result<Options, String> {
    const KNOWN: &str = "--only TEXT, --trials N and --threads N";
    let mut options = Options::default();
    while let Some(option) = given.next() {
        let mut value = || {
            given
                .next()
                .ok_or_else(|| format!("`{option}` wants a value: {KNOWN}"))
        };
        match option.as_str() {
            "--only" => options.only = Some(value()?),
            "--trials" => options.trials = count(&option, &value()?)?,
            "--threads" => options.threads = count(&option, &value()?)?,
            _ => return Err(format!("`{option}` is none of {KNOWN}")),
        }
    }
    Ok(options)
}

fn count(option: &str, value: &str) -> Result<usize, String> {
    let number = value.parse().ok().filter(|n| *n > 0);
    number.ok_or_else(|| format!("`{option}` wants a number from 1, not `{value}`"))
}
