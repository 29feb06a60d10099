//! The Debian packages that the checks need beside the Rust toolchain.

use std::fmt::Write as _;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};

use crate::shell;

/// One package.
pub struct DebianPackage {
    /// Its name.
    pub name: &'static str,
    /// What needs it.
    pub why: &'static str,
    /// A shell command that succeeds where what we need from it is there, whoever installed it.
    pub probe: &'static str,
}

/// Every Debian package that some check needs.
pub const PACKAGES: [DebianPackage; 6] = [
    DebianPackage {
        name: "git",
        why: "the list of tracked files",
        probe: "git --version",
    },
    DebianPackage {
        name: "g++",
        why: "the fuzz targets' runtime and the filters measured beside ours",
        probe: "g++ --version",
    },
    DebianPackage {
        name: "python3",
        why: "the SigMF validator and the filters measured beside ours",
        probe: "python3 -c 'import sys; assert sys.version_info >= (3, 11)'",
    },
    DebianPackage {
        name: "python3-venv",
        why: "a folder of their own for the Python packages",
        probe: "python3 -c 'import ensurepip, venv'",
    },
    DebianPackage {
        name: "libliquid-dev",
        why: "a filter measured beside ours",
        probe: "dpkg-query -W -f='${Status}' libliquid-dev | grep -q 'ok installed'",
    },
    DebianPackage {
        name: "chromium",
        why: "showing the pages that the demonstration writes",
        probe: "chromium --version",
    },
];

/// Finds what is missing and installs it where we may, or says what to install.
///
/// # Errors
/// Where something is missing and cannot be installed; the message names the packages.
pub fn run() -> Result<()> {
    let missing = missing();
    if missing.is_empty() {
        say("every Debian package that the checks need is there");
        return Ok(());
    }
    let names: Vec<&str> = missing.iter().map(|p| p.name).collect();
    if !is_root()? {
        bail!("{}", advice(&missing));
    }
    say(&format!("installing {}", names.join(" ")));
    apt(&["update", "--quiet"])?;
    let mut install = vec!["install", "--yes", "--quiet", "--no-install-recommends"];
    install.extend(&names);
    apt(&install)?;
    let still = self::missing();
    if !still.is_empty() {
        bail!("{}", advice(&still));
    }
    Ok(())
}

fn missing() -> Vec<&'static DebianPackage> {
    PACKAGES.iter().filter(|p| !is_there(p.probe)).collect()
}

fn is_there(probe: &str) -> bool {
    Command::new("sh")
        .args(["-c", probe])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

fn advice(missing: &[&DebianPackage]) -> String {
    let mut text = String::from("the checks need Debian packages that are not installed:\n");
    for package in missing {
        let _ = writeln!(text, "  {:<14} {}", package.name, package.why);
    }
    let names: Vec<&str> = missing.iter().map(|p| p.name).collect();
    let _ = write!(
        text,
        "install them with: sudo apt-get install {}",
        names.join(" ")
    );
    text
}

fn is_root() -> Result<bool> {
    let id = shell::capture(Command::new("id").arg("-u")).context("cannot tell who we are")?;
    Ok(id.trim() == "0")
}

fn apt(args: &[&str]) -> Result<()> {
    let mut command = Command::new("apt-get");
    command.args(args).env("DEBIAN_FRONTEND", "noninteractive");
    // What apt prints is long and of use only where it fails.
    shell::capture(&mut command).map(drop)
}

#[expect(clippy::print_stdout, reason = "a chore talks to the person who ran it")]
fn say(text: &str) {
    println!("{text}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probe_tells_there_from_not_there() {
        assert!(is_there("true"));
        assert!(!is_there("lobewright-no-such-program --version"));
    }

    #[test]
    fn the_advice_names_package_and_reason() {
        let text = advice(&[&PACKAGES[4]]);
        assert!(
            text.contains("libliquid-dev  a filter measured beside ours"),
            "{text}"
        );
        assert!(text.ends_with("sudo apt-get install libliquid-dev"), "{text}");
    }
}
