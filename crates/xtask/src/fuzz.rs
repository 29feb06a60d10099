//! The fuzz targets: that they compile, and running them where a nightly compiler is at hand.

use std::fs;
use std::path::Path;

use anyhow::{Context, Result, ensure};

use crate::ci::say;
use crate::shell::{cargo, run};
use crate::workspace;

/// Checks that every fuzz target compiles, on the compiler at hand.
///
/// The targets' own lock file follows the workspace's dependencies: it may be rewritten here, and in CI the last step
/// then says that it was not committed.
///
/// # Errors
/// Where one does not.
pub fn check(target: &Path) -> Result<()> {
    run(cargo()
        .args(["check", "--manifest-path", "fuzz/Cargo.toml", "--bins"])
        .env("CARGO_TARGET_DIR", target))
}

/// Runs every fuzz target for as many seconds as the argument says, 60 without one.
///
/// # Errors
/// Where the argument is no number, `cargo-fuzz` or a nightly compiler is missing, or a target finds something.
pub fn run_all(seconds: u32) -> Result<()> {
    let folder = workspace::root().join("fuzz");
    let mut names = Vec::new();
    let sources = folder.join("fuzz_targets");
    for entry in fs::read_dir(&sources).context("cannot read `fuzz/fuzz_targets`")? {
        let path = entry.context("cannot read `fuzz/fuzz_targets`")?.path();
        let name = path.file_stem().context("a fuzz target has no name")?;
        names.push(name.to_string_lossy().into_owned());
    }
    names.sort();
    ensure!(!names.is_empty(), "`fuzz/fuzz_targets` is empty");
    for name in names {
        say(&format!("fuzzing {name} for {seconds} s"));
        // What is found goes to a folder that is not tracked; the seeds stay as they are.
        let found = folder.join("found").join(&name);
        fs::create_dir_all(&found).context("cannot make `fuzz/found`")?;
        let mut command = std::process::Command::new("cargo");
        command
            .args(["+nightly", "fuzz", "run", &name])
            .arg(&found)
            .arg(folder.join("corpus").join(&name))
            .args(["--", "-timeout=10", "-rss_limit_mb=2048"])
            .arg(format!("-max_total_time={seconds}"))
            .current_dir(workspace::root())
            .env_remove("CARGO")
            .env_remove("RUSTUP_TOOLCHAIN");
        run(&mut command).with_context(|| format!("fuzz target `{name}`"))?;
    }
    Ok(())
}

/// The chore `fuzz [SECONDS]`.
///
/// # Errors
/// As [`run_all`], and where the argument is no number of seconds.
pub fn run_chore(args: &[String]) -> Result<()> {
    let seconds = match args {
        [] => 60,
        [text] => text
            .parse()
            .with_context(|| format!("`{text}` is not a number of seconds"))?,
        _ => anyhow::bail!("fuzz takes one argument, the seconds for each target"),
    };
    run_all(seconds)
}
