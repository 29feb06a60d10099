//! The checks themselves.

use std::cell::OnceCell;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result, ensure};

use crate::ci::say;
use crate::shell::{attempt, capture, cargo, files_below, fresh_folder, run};
use crate::{fuzz, maps, pages, readme, setup, workspace};

/// The Python packages of the SigMF check, with their versions.
const PYTHON_PACKAGES: [&str; 5] = [
    "sigmf==1.14.0",
    "numpy==2.4.6",
    "scipy==1.17.1",
    "fastkml==1.4.0",
    "lxml==6.1.3",
];

/// Longest time that the commands of a page may take together, in seconds.
const PAGE_LIMIT_S: u32 = 1500;

/// One check.
pub struct Step {
    /// Name on the command line.
    pub name: &'static str,
    /// What it does, in a few words.
    pub what: &'static str,
    /// Does it.
    pub run: fn(&Bench) -> Result<()>,
}

/// Every check, in the order in which they run: the quick ones that fail most often first.
pub const ALL: [Step; 13] = [
    Step {
        name: "setup",
        what: "Debian packages that the checks need",
        run: |_| setup::run(),
    },
    Step {
        name: "fmt",
        what: "layout of the source",
        run: fmt,
    },
    Step {
        name: "clippy",
        what: "lints on every target, warnings are errors",
        run: clippy,
    },
    Step {
        name: "test",
        what: "every test of the workspace, examples in the docs among them",
        run: test,
    },
    Step {
        name: "doc",
        what: "reference documentation, warnings are errors",
        run: doc,
    },
    Step {
        name: "fuzz",
        what: "fuzz targets compile",
        run: |bench| fuzz::check(&bench.target.join("fuzz")),
    },
    Step {
        name: "bench",
        what: "every benchmark runs, briefly",
        run: benches,
    },
    Step {
        name: "peers",
        what: "the channel filter beside general-purpose ones, briefly",
        run: peers,
    },
    Step {
        name: "sigmf",
        what: "the format's own validator on what we write",
        run: sigmf,
    },
    Step {
        name: "maps",
        what: "the standard's schema on the map files that we write",
        run: maps,
    },
    Step {
        name: "pages",
        what: "a browser shows the pages that the demonstration writes",
        run: |bench| pages::check(bench.demo()?, &bench.folder("pages")),
    },
    Step {
        name: "readme",
        what: "every command of the README",
        run: readme_commands,
    },
    Step {
        name: "tree",
        what: "the checks left no file behind and none changed (in CI only)",
        run: tree,
    },
];

/// Where the checks work, and what they share.
pub struct Bench {
    metadata: workspace::Metadata,
    target: PathBuf,
    demo: OnceCell<PathBuf>,
}

impl Bench {
    /// Asks cargo for the lie of the land.
    ///
    /// # Errors
    /// Where cargo cannot say.
    pub fn new() -> Result<Self> {
        let metadata = workspace::metadata(false)?;
        let target = metadata.target_directory.clone();
        Ok(Self {
            metadata,
            target,
            demo: OnceCell::new(),
        })
    }

    /// A folder for what the checks write.
    fn folder(&self, name: &str) -> PathBuf {
        self.target.join("xtask").join(name)
    }

    /// Builds the program as it is released and gives back where it lies.
    fn program(&self) -> Result<PathBuf> {
        run(cargo().args(["build", "--release", "--locked", "--package", "lobewright-cli"]))?;
        Ok(self.target.join("release").join("lobewright"))
    }

    /// The folder with what `lobewright demo` writes; it is run once.
    fn demo(&self) -> Result<&Path> {
        if self.demo.get().is_none() {
            let folder = self.folder("demo");
            fresh_folder(&folder)?;
            run(Command::new(self.program()?).arg("demo").current_dir(&folder))?;
            let _ = self.demo.set(folder);
        }
        Ok(self.demo.get().expect("it was set above"))
    }
}

fn fmt(_: &Bench) -> Result<()> {
    run(cargo().args(["fmt", "--all", "--check"]))?;
    run(cargo().args(["fmt", "--manifest-path", "fuzz/Cargo.toml", "--check"]))
}

fn clippy(_: &Bench) -> Result<()> {
    run(cargo().args([
        "clippy",
        "--workspace",
        "--all-targets",
        "--locked",
        "--",
        "-D",
        "warnings",
    ]))
}

fn test(_: &Bench) -> Result<()> {
    run(cargo().args(["test", "--workspace", "--locked", "--no-fail-fast"]))
}

fn doc(_: &Bench) -> Result<()> {
    run(cargo()
        .args(["doc", "--workspace", "--no-deps", "--locked"])
        .env("RUSTDOCFLAGS", "-D warnings"))
}

fn benches(bench: &Bench) -> Result<()> {
    let mut count = 0;
    for package in &bench.metadata.packages {
        for target in package.targets.iter().filter(|t| t.kind == ["bench"]) {
            let words = ["bench", "--locked", "--package", &package.name, "--bench"];
            let output = capture(cargo().args(words).args([&target.name, "--", "--quick"]))?;
            let measured: Vec<&str> = output.lines().filter(|l| l.contains("time:")).collect();
            ensure!(
                !measured.is_empty(),
                "bench `{}` of {} measured nothing:\n{output}",
                target.name,
                package.name
            );
            say(&format!(
                "{} {}: {} measured",
                package.name,
                target.name,
                measured.len()
            ));
            for line in output
                .lines()
                .filter(|l| l.contains("time:") || l.contains("thrpt:"))
            {
                say(line);
            }
            count += 1;
        }
    }
    ensure!(count > 0, "no package has a bench");
    Ok(())
}

fn peers(bench: &Bench) -> Result<()> {
    let python = python_folder(bench)?.join("bin/python");
    let script = workspace::root().join("benches/channel_peers/run.py");
    let table = capture(
        Command::new(python)
            .arg(script)
            .arg("--quick")
            .env("CARGO_TARGET_DIR", &bench.target)
            .current_dir(workspace::root()),
    )?;
    say(table.trim_end());
    // The script leaves out a peer that it cannot build; here all of them were set up.
    ensure!(
        !table.contains("not built"),
        "a filter to compare with is missing"
    );
    Ok(())
}

/// Makes the folder of Python packages, anew when their versions change.
fn python_folder(bench: &Bench) -> Result<PathBuf> {
    let folder = bench.target.join("py");
    let stamp = folder.join("packages.txt");
    let wanted = PYTHON_PACKAGES.join("\n");
    if fs::read_to_string(&stamp).is_ok_and(|found| found == wanted) {
        return Ok(folder);
    }
    fresh_folder(&folder)?;
    capture(Command::new("python3").args(["-m", "venv"]).arg(&folder))?;
    let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"];
    run(Command::new(folder.join("bin/python"))
        .args(pip)
        .args(PYTHON_PACKAGES))?;
    fs::write(&stamp, wanted).with_context(|| format!("cannot write `{}`", stamp.display()))?;
    Ok(folder)
}

fn sigmf(bench: &Bench) -> Result<()> {
    let validator = python_folder(bench)?.join("bin/sigmf_validate");
    let samples = bench.folder("sigmf");
    fresh_folder(&samples)?;
    let words = ["run", "--locked", "--package", "lobewright-source", "--example"];
    run(cargo().args(words).args(["write_samples", "--"]).arg(&samples))?;
    let demo = bench.demo()?;
    let written = recordings(&samples)?;
    let mut all = written.clone();
    all.extend(recordings(demo)?);
    capture(Command::new(&validator).arg("-v").args(&all))?;
    say(&format!("{} recordings are valid", all.len()));
    refuses_a_broken_one(&validator, &samples, &written)
}

fn maps(bench: &Bench) -> Result<()> {
    let python = python_folder(bench)?.join("bin/python");
    let samples = bench.folder("maps");
    fresh_folder(&samples)?;
    let words = ["run", "--locked", "--package", "lobewright-export", "--example"];
    run(cargo().args(words).args(["report", "--"]).arg(&samples))?;
    maps::check(&python, &samples)
}

fn recordings(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut found = files_below(folder, ".sigmf-meta")?;
    found.extend(files_below(folder, ".sigmf")?);
    ensure!(
        !found.is_empty(),
        "no recording was written below `{}`",
        folder.display()
    );
    Ok(found)
}

/// The validator must be able to say no: it is shown a recording without its datatype.
fn refuses_a_broken_one(validator: &Path, folder: &Path, written: &[PathBuf]) -> Result<()> {
    let meta = written
        .iter()
        .find(|path| path.extension().is_some_and(|e| e == "sigmf-meta"))
        .context("no recording with a file of its own for metadata was written")?;
    let text = fs::read_to_string(meta).with_context(|| format!("cannot read `{}`", meta.display()))?;
    let broken = folder.join("broken.sigmf-meta");
    fs::write(&broken, text.replace("core:datatype", "core:data_type"))
        .with_context(|| format!("cannot write `{}`", broken.display()))?;
    fs::copy(
        meta.with_extension("sigmf-data"),
        broken.with_extension("sigmf-data"),
    )
    .context("cannot copy the samples of a recording")?;
    let (accepted, _) = attempt(Command::new(validator).arg(&broken))?;
    ensure!(
        !accepted,
        "the validator accepted a recording without `core:datatype`"
    );
    Ok(())
}

fn readme_commands(bench: &Bench) -> Result<()> {
    let path = workspace::root().join("README.md");
    let page = fs::read_to_string(&path).context("cannot read `README.md`")?;
    let commands = readme::commands(&page).context("cannot read the commands of `README.md`")?;
    ensure!(!commands.is_empty(), "`README.md` shows no command");
    let copy = bench.folder("readme");
    copy_of_the_tree(&copy)?;
    std::os::unix::fs::symlink(&bench.target, copy.join("target"))
        .context("cannot link the folder of build products")?;
    let program = bench.program()?;
    let folder = program.parent().context("the program lies in no folder")?;
    let path = format!(
        "{}:{}",
        folder.display(),
        std::env::var("PATH").unwrap_or_default()
    );
    run(Command::new("timeout")
        .args([&PAGE_LIMIT_S.to_string(), "bash", "-c"])
        .arg(readme::script("README.md", &commands))
        .env("PATH", path)
        .env_remove("CARGO_TARGET_DIR")
        .current_dir(&copy))?;
    say(&format!("{} commands ran", commands.len()));
    Ok(())
}

/// Copies what a fresh clone would hold, times of change included, so that nothing is built twice.
fn copy_of_the_tree(copy: &Path) -> Result<()> {
    fresh_folder(copy)?;
    for file in workspace::tracked_files()? {
        let (from, to) = (workspace::root().join(&file), copy.join(&file));
        let what = || format!("cannot copy `{}`", file.display());
        if let Some(folder) = to.parent() {
            fs::create_dir_all(folder).with_context(what)?;
        }
        fs::copy(&from, &to).with_context(what)?;
        let changed = fs::metadata(&from)
            .and_then(|m| m.modified())
            .with_context(what)?;
        fs::File::options()
            .write(true)
            .open(&to)
            .and_then(|f| f.set_modified(changed))
            .with_context(what)?;
    }
    Ok(())
}

fn tree(_: &Bench) -> Result<()> {
    if std::env::var_os("CI").is_none() {
        say("not in CI: your own changes are not looked at");
        return Ok(());
    }
    let status = capture(
        Command::new("git")
            .args(["status", "--porcelain"])
            .current_dir(workspace::root()),
    )?;
    ensure!(
        status.trim().is_empty(),
        "the checks changed or left files:\n{status}"
    );
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn step_names_are_short_and_each_once() {
        let mut names: Vec<&str> = ALL.iter().map(|s| s.name).collect();
        assert!(names.iter().all(|n| n.len() <= 8));
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), ALL.len());
    }
}
