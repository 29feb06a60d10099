//! Completion scripts and manual pages.

use std::io::Write as _;

use clap::CommandFactory as _;

use crate::args::{Cli, CompletionsArgs, ManualArgs};
use crate::fault::{Done, Fault, Outcome};
use crate::output::write_file;

/// Prints the completion script of a shell.
pub(crate) fn completions(args: &CompletionsArgs) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "lobewright", &mut script);
    std::io::stdout().write_all(&script)?;
    Ok(Done::Found)
}

/// Writes one manual page for the program and one for each command.
pub(crate) fn manual(args: &ManualArgs) -> Outcome {
    std::fs::create_dir_all(&args.out)?;
    let mut program = Cli::command();
    program.build();
    let mut pages = vec![program.clone()];
    pages.extend(
        program
            .get_subcommands()
            .filter(|c| c.get_name() != "help")
            .cloned(),
    );
    for (i, command) in pages.into_iter().enumerate() {
        let name = command.get_name().to_owned();
        let file = if i == 0 {
            "lobewright.1".to_owned()
        } else {
            format!("lobewright-{name}.1")
        };
        let title = file.trim_end_matches(".1").to_owned();
        let mut page = Vec::new();
        clap_mangen::Man::new(command)
            .title(title)
            .render(&mut page)
            .map_err(Fault::failure)?;
        write_file(&args.out.join(file), &page)?;
    }
    Ok(Done::Found)
}
