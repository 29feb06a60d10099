//! Running other programs.

use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};

/// The cargo that runs us. It keeps nothing for incremental builds: every check is built once, and what would be kept
/// takes as much room on the disk as the build.
pub fn cargo() -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(crate::workspace::root());
    command.env("CARGO_INCREMENTAL", "0");
    command
}

/// Runs a program with no standard input, its output going where ours goes.
///
/// # Errors
/// Where it cannot be started or fails.
pub fn run(command: &mut Command) -> Result<()> {
    let status = command
        .stdin(Stdio::null())
        .status()
        .with_context(|| format!("cannot start {}", shown(command)))?;
    if !status.success() {
        bail!("{} failed: {status}", shown(command));
    }
    Ok(())
}

/// Runs a program with no standard input and gives back what it wrote to standard output and standard error.
///
/// # Errors
/// Where it cannot be started or fails; its output is then part of the message.
pub fn capture(command: &mut Command) -> Result<String> {
    let (ok, text) = attempt(command)?;
    if !ok {
        bail!("{} failed:\n{text}", shown(command));
    }
    Ok(text)
}

/// Runs a program with no standard input; gives back whether it succeeded and what it wrote.
///
/// # Errors
/// Where it cannot be started.
pub fn attempt(command: &mut Command) -> Result<(bool, String)> {
    let output = command
        .stdin(Stdio::null())
        .output()
        .with_context(|| format!("cannot start {}", shown(command)))?;
    let mut text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.push_str(&String::from_utf8_lossy(&output.stderr));
    Ok((output.status.success(), text))
}

/// Every file below a folder whose name ends with `suffix`, in order; a link is not followed.
///
/// # Errors
/// Where a folder cannot be read.
pub fn files_below(folder: &Path, suffix: &str) -> Result<Vec<std::path::PathBuf>> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        let entries =
            std::fs::read_dir(&folder).with_context(|| format!("cannot read `{}`", folder.display()))?;
        for entry in entries {
            let entry = entry.with_context(|| format!("cannot read `{}`", folder.display()))?;
            let kind = entry
                .file_type()
                .with_context(|| format!("cannot read `{}`", entry.path().display()))?;
            if kind.is_dir() {
                folders.push(entry.path());
            } else if entry.file_name().to_string_lossy().ends_with(suffix) {
                found.push(entry.path());
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Makes a folder anew, empty.
///
/// # Errors
/// Where it cannot be removed or made.
pub fn fresh_folder(folder: &Path) -> Result<()> {
    if folder.exists() {
        std::fs::remove_dir_all(folder).with_context(|| format!("cannot clear `{}`", folder.display()))?;
    }
    std::fs::create_dir_all(folder).with_context(|| format!("cannot make `{}`", folder.display()))
}

fn shown(command: &Command) -> String {
    let program = Path::new(command.get_program())
        .file_name()
        .unwrap_or(command.get_program())
        .to_string_lossy()
        .into_owned();
    let words: Vec<String> = command
        .get_args()
        .take(8)
        .map(|a| a.to_string_lossy().into_owned())
        .collect();
    format!("`{program} {}`", words.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_names_the_command_and_shows_its_output() {
        let error = capture(Command::new("sh").args(["-c", "echo why; exit 3"])).unwrap_err();
        let text = error.to_string();
        assert!(text.starts_with("`sh -c echo why; exit 3` failed"), "{text}");
        assert!(text.ends_with("why\n"), "{text}");
    }

    #[test]
    fn a_program_that_is_not_there_is_an_error() {
        let error = run(&mut Command::new("lobewright-no-such-program")).unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("cannot start `lobewright-no-such-program")
        );
    }
}
