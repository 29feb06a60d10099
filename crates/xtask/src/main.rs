//! `cargo xtask …`: the chores of the workspace.

use std::process::ExitCode;

use lobewright_xtask::{ci, fuzz, setup};

const USAGE: &str = "\
usage: cargo xtask <chore>

  ci [--only A,B] [--skip A,B] [--keep-going]   run the checks in order; stop at the first failure unless told
  ci --list                                     list the checks
  setup                                         install, or name, the Debian packages the checks need
  fuzz [SECONDS]                                fuzz every parser for SECONDS each (default 60; needs nightly)
";

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let result = match args.split_first() {
        Some((chore, rest)) if chore == "ci" => ci::Options::parse(rest).and_then(|o| ci::run(&o)),
        Some((chore, [])) if chore == "setup" => setup::run(),
        Some((chore, rest)) if chore == "fuzz" => fuzz::run_chore(rest),
        _ => Err(anyhow::anyhow!("{USAGE}")),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            report(&error);
            ExitCode::from(2)
        }
    }
}

#[expect(clippy::print_stderr, reason = "the place where errors reach people")]
fn report(error: &anyhow::Error) {
    eprintln!("error: {error}");
    for cause in error.chain().skip(1) {
        eprintln!("  caused by: {cause}");
    }
}
