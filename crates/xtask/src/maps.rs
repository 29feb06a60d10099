//! Map files against the schemas of their standards.

use std::fs;
use std::path::Path;
use std::process::Command;

use anyhow::{Context, Result, ensure};

use crate::ci::say;
use crate::shell::{attempt, capture, files_below};

/// Holds each file named against the schema of OGC KML 2.2 (07-147r2), as the Python package fastkml carries it.
const HELD_AGAINST_THE_SCHEMA: &str = r"
import pathlib, sys
import fastkml
from lxml import etree
folder = pathlib.Path(fastkml.__file__).parent / 'schema'
schema = etree.XMLSchema(etree.parse(str(folder / 'ogckml22.xsd')))
for name in sys.argv[1:]:
    schema.assertValid(etree.parse(name))
";

/// Checks every KML file below `written`, and that the schema can say no.
///
/// # Inputs
/// `python`: an interpreter with the packages fastkml and lxml.
///
/// # Errors
/// Where there is no KML file, one is not valid, or a broken one passes.
pub fn check(python: &Path, written: &Path) -> Result<()> {
    let files = files_below(written, ".kml")?;
    let first = files
        .first()
        .with_context(|| format!("no map was written below `{}`", written.display()))?;
    let held = |files: &[&Path]| {
        let mut command = Command::new(python);
        command.args(["-c", HELD_AGAINST_THE_SCHEMA]).args(files);
        command
    };
    let all: Vec<&Path> = files.iter().map(AsRef::as_ref).collect();
    capture(&mut held(&all))?;
    say(&format!("{} KML files are valid", all.len()));
    let text = fs::read_to_string(first).with_context(|| format!("cannot read `{}`", first.display()))?;
    let broken = written.join("broken.xml");
    // Every element is known, but their order is wrong.
    let wrong = text
        .replacen("<open>1</open>", "", 1)
        .replacen("<name>", "<open>1</open>\n<name>", 1);
    ensure!(
        wrong != text,
        "`{}` has no name to set behind another element",
        first.display()
    );
    fs::write(&broken, wrong).with_context(|| format!("cannot write `{}`", broken.display()))?;
    let (accepted, _) = attempt(&mut held(&[&broken]))?;
    ensure!(!accepted, "the schema accepted elements in the wrong order");
    Ok(())
}
