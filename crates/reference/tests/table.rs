//! The README's table of published values against the files that it names.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// The last cell of every row, and every path in backticks.
fn rows() -> Vec<Vec<String>> {
    let text = include_str!("../README.md");
    text.lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| quantity"))
        .map(|line| {
            line.trim_matches('|')
                .split(" | ")
                .map(|c| c.trim().to_owned())
                .collect()
        })
        .collect()
}

fn paths_in(text: &str) -> Vec<&str> {
    text.split('`')
        .skip(1)
        .step_by(2)
        .filter(|word| word.starts_with("crates/") || word.starts_with("testdata/"))
        .collect()
}

#[test]
fn every_row_has_source_tolerance_and_test() {
    let rows = rows();
    assert!(rows.len() > 15, "only {} rows", rows.len());
    for row in rows {
        assert_eq!(row.len(), 4, "{row:?}");
        assert!(row.iter().all(|cell| !cell.is_empty()), "{row:?}");
        assert!(
            !paths_in(&row[3]).is_empty(),
            "no test is named in the row of {}",
            row[0]
        );
    }
}

#[test]
fn every_file_in_the_table_is_there() {
    for row in rows() {
        for cell in &row {
            for path in paths_in(cell) {
                assert!(
                    root().join(path).is_file(),
                    "`{path}` in the row of {} is not there",
                    row[0]
                );
            }
        }
    }
}

#[test]
fn every_table_of_published_values_is_in_the_readme_and_in_a_test() {
    let readme = include_str!("../README.md");
    let sources: BTreeSet<String> = rows()
        .iter()
        .flat_map(|row| {
            paths_in(&row[3])
                .into_iter()
                .map(str::to_owned)
                .collect::<Vec<_>>()
        })
        .collect();
    let tests: String = sources
        .iter()
        .map(|path| fs::read_to_string(root().join(path)).expect("a named test can be read"))
        .collect();
    for entry in fs::read_dir(root().join("testdata/references")).expect("the tables are there") {
        let name = entry
            .expect("the folder can be read")
            .file_name()
            .to_string_lossy()
            .into_owned();
        if Path::new(&name).extension().is_some_and(|e| e == "csv") {
            assert!(readme.contains(&name), "`{name}` has no row in the README");
            assert!(
                tests.contains(&name),
                "no test that the README names reads `{name}`"
            );
        }
    }
}
