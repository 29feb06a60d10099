//! The `lobewright` command line.

mod args;
mod args_note;
mod fault;
mod hunt;
mod next_place;
mod next_place_out;
mod note;
mod notes;
mod output;
mod pictures;
mod progress;
mod report;
mod tables;

mod cmd_bearing;
mod cmd_calibrate;
mod cmd_demo;
mod cmd_fix;
mod cmd_inspect;
mod cmd_run;
mod cmd_simulate;
mod cmd_write_docs;

use std::process::ExitCode;

use clap::Parser;

use args::{Cli, Command};
use fault::{Done, Outcome};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let result = dispatch(&cli);
    match result {
        Ok(Done::Found) => ExitCode::SUCCESS,
        Ok(Done::Nothing) => ExitCode::from(fault::EXIT_NOTHING),
        Err(fault) => fault.report(),
    }
}

fn dispatch(cli: &Cli) -> Outcome {
    let quiet = cli.quiet;
    match &cli.command {
        Command::Demo(a) => cmd_demo::demo(a, quiet),
        Command::Run(a) => cmd_run::run(a, quiet),
        Command::Bearing(a) => cmd_bearing::bearing(a, quiet),
        Command::Fix(a) => cmd_fix::fix(a, quiet),
        Command::Note(a) => note::note(a, quiet),
        Command::Calibrate(a) => cmd_calibrate::calibrate(a, quiet),
        Command::Simulate(a) => cmd_simulate::simulate(a, quiet),
        Command::Inspect(a) => cmd_inspect::inspect(a, quiet),
        Command::Completions(a) => cmd_write_docs::completions(a),
        Command::Manual(a) => cmd_write_docs::manual(a),
    }
}
