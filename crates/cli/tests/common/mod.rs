//! Runs the built program as a user does.

use std::path::Path;
use std::process::{Command, Output};

/// Runs `lobewright` with arguments, in the folder of the workspace.
pub(crate) fn lobewright(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lobewright"))
        .args(args)
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
        .env("NO_COLOR", "1")
        .output()
        .expect("the program was built")
}

/// The exit code, standard output and standard error of a run.
pub(crate) fn outcome(args: &[&str]) -> (i32, String, String) {
    let output = lobewright(args);
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("output is UTF-8");
    (
        output.status.code().expect("no signal"),
        text(&output.stdout),
        text(&output.stderr),
    )
}
