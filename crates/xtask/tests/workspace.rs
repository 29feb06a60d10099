//! The rules of `lobewright_xtask`, applied to this workspace.

use std::path::{Path, PathBuf};

use lobewright_xtask::{layers, licences, rules, setup, workspace};

fn tracked(matches: impl Fn(&str) -> bool) -> Vec<(String, String)> {
    let files: Vec<PathBuf> = workspace::tracked_files().expect("git lists the files");
    assert!(
        files.len() > 20,
        "only {} tracked files: wrong folder?",
        files.len()
    );
    files
        .iter()
        .filter(|path| matches(&path.to_string_lossy()))
        .filter_map(|path| {
            let text = workspace::read_text(path).expect("a tracked file is there")?;
            Some((path.to_string_lossy().into_owned(), text))
        })
        .collect()
}

fn is_rust(path: &str) -> bool {
    Path::new(path).extension().is_some_and(|e| e == "rs")
}

fn check(findings: &[String], rule: &str) {
    assert!(findings.is_empty(), "{rule}:\n  {}", findings.join("\n  "));
}

#[test]
fn crates_depend_only_on_what_the_table_allows() {
    let metadata = workspace::metadata(false).unwrap();
    assert_eq!(metadata.packages.len(), metadata.workspace_members.len());
    check(
        &layers::wrong_edges(&metadata.packages),
        "dependencies point one way",
    );
}

#[test]
fn every_package_has_an_allowed_licence() {
    let metadata = workspace::metadata(true).unwrap();
    assert!(metadata.packages.len() > metadata.workspace_members.len());
    check(
        &licences::refused(&metadata.packages),
        "licences are on the list of `licences::ALLOWED`",
    );
}

#[test]
fn stage_crates_are_watched_by_clippy() {
    let mut findings = Vec::new();
    for stage in rules::STAGES {
        let path = format!("crates/{stage}/src/lib.rs");
        let text = std::fs::read_to_string(workspace::root().join(&path)).unwrap();
        findings.extend(rules::lacks_stage_attribute(&path, &text));
    }
    check(&findings, "stage crates carry the attribute");
}

#[test]
fn stage_crates_reach_nothing_outside_of_the_computation() {
    let in_stage = |path: &str| {
        rules::STAGES
            .iter()
            .any(|stage| path.starts_with(&format!("crates/{stage}/src/")))
    };
    // A file of its own for tests is declared under `#[cfg(test)]` by its neighbour.
    let is_test =
        |path: &str| path.ends_with("/tests.rs") || path.ends_with("_tests.rs") || path.contains("/tests/");
    let files = tracked(|path| is_rust(path) && in_stage(path) && !is_test(path));
    assert!(files.len() >= rules::STAGES.len());
    let findings: Vec<String> = files.iter().flat_map(|(p, t)| rules::impure(p, t)).collect();
    check(&findings, "stage crates do no I/O and read no clock");
}

#[test]
fn rust_files_are_short() {
    let files = tracked(is_rust);
    let findings: Vec<String> = files.iter().flat_map(|(p, t)| rules::too_long(p, t)).collect();
    check(&findings, "one file, one idea");
}

#[test]
fn no_test_is_ignored_and_no_code_unfinished() {
    let files = tracked(is_rust);
    let findings: Vec<String> = files.iter().flat_map(|(p, t)| rules::unfinished(p, t)).collect();
    check(&findings, "what is committed works");
}

#[test]
fn tracked_text_belongs_to_no_one_machine() {
    // Lock files name the package index by its own address.
    let files = tracked(|path| !path.ends_with("Cargo.lock"));
    let findings: Vec<String> = files
        .iter()
        .flat_map(|(p, t)| rules::private_text(p, t))
        .collect();
    check(&findings, "no path of one machine, no host of a registry");
}

#[test]
fn every_debian_package_is_explained() {
    for package in setup::PACKAGES {
        assert!(
            !package.why.is_empty() && !package.probe.is_empty(),
            "{}",
            package.name
        );
    }
}
