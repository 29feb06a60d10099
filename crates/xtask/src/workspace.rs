//! Where the workspace lies, what it consists of and which files it holds.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use serde::Deserialize;

/// What `cargo metadata --format-version 1` says; the parts that the checks read.
#[derive(Debug, Clone, Deserialize)]
pub struct Metadata {
    /// Every package that cargo listed.
    pub packages: Vec<Package>,
    /// Identifiers of the workspace's own packages.
    pub workspace_members: Vec<String>,
    /// Where build products go.
    pub target_directory: PathBuf,
}

/// One package.
#[derive(Debug, Clone, Deserialize)]
pub struct Package {
    /// Identifier, unique within the listing.
    pub id: String,
    /// Name.
    pub name: String,
    /// Version.
    pub version: String,
    /// Licence expression (SPDX), where there is one.
    pub license: Option<String>,
    /// What it depends on.
    pub dependencies: Vec<Dependency>,
    /// Path of its `Cargo.toml`.
    pub manifest_path: PathBuf,
    /// What cargo builds from it.
    pub targets: Vec<Target>,
}

/// One line of a dependency table.
#[derive(Debug, Clone, Deserialize)]
pub struct Dependency {
    /// Name of the package.
    pub name: String,
    /// `dev`, `build`, or nothing for a normal one.
    pub kind: Option<String>,
}

/// One thing that cargo builds.
#[derive(Debug, Clone, Deserialize)]
pub struct Target {
    /// Name.
    pub name: String,
    /// `lib`, `bin`, `bench`, `example`, `test`.
    pub kind: Vec<String>,
}

/// The root folder of the workspace.
///
/// # Panics
/// Where the crate was moved out of `crates/`.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .nth(2)
        .expect("this crate lies two levels below the root")
        .to_path_buf()
}

/// Asks cargo about the workspace alone (`with_dependencies` false) or with everything it builds on.
///
/// # Errors
/// Where cargo cannot be run or refuses, for example since `Cargo.lock` is out of date.
pub fn metadata(with_dependencies: bool) -> Result<Metadata> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command
        .args(["metadata", "--format-version", "1"])
        .current_dir(root());
    if with_dependencies {
        command.arg("--locked");
    } else {
        command.arg("--no-deps");
    }
    let output = command
        .stdin(Stdio::null())
        .output()
        .context("cannot run `cargo metadata`")?;
    if !output.status.success() {
        bail!(
            "`cargo metadata` failed: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    serde_json::from_slice(&output.stdout).context("cannot read what `cargo metadata` printed")
}

/// Every file that is tracked, or would be with the next `git add`, relative to the root, in order.
///
/// # Errors
/// Where git cannot be run or there is no repository.
pub fn tracked_files() -> Result<Vec<PathBuf>> {
    let output = Command::new("git")
        .args(["ls-files", "-z", "--cached", "--others", "--exclude-standard"])
        .current_dir(root())
        .stdin(Stdio::null())
        .output()
        .context("cannot run `git ls-files`")?;
    if !output.status.success() {
        bail!(
            "`git ls-files` failed: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let listing = String::from_utf8(output.stdout).context("a file name is not UTF-8")?;
    let mut files: Vec<PathBuf> = listing
        .split('\0')
        .filter(|name| !name.is_empty())
        .map(PathBuf::from)
        // A file deleted but not yet committed is still listed.
        .filter(|name| root().join(name).is_file())
        .collect();
    files.sort();
    files.dedup();
    Ok(files)
}

/// Reads a file of the workspace as text, or `None` where it is not text.
///
/// # Errors
/// Where the file cannot be read.
pub fn read_text(relative: &Path) -> Result<Option<String>> {
    let bytes = std::fs::read(root().join(relative))
        .with_context(|| format!("cannot read `{}`", relative.display()))?;
    Ok(String::from_utf8(bytes).ok())
}
