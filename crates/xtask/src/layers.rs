//! Which crate of the workspace may depend on which.
//!
//! Stages do not know each other: they know `types` and the models they compute with, and `station` wires them.

use std::collections::BTreeSet;

use crate::workspace::Package;

/// Prefix of every package name in the workspace.
pub const PREFIX: &str = "lobewright-";

/// Crates that no other crate may depend on outside of tests.
const HELPERS: [&str; 3] = ["testkit", "reference", "xtask"];

/// Crates that any crate's tests may use beside what the crate itself may use.
const FOR_TESTS: [&str; 3] = ["testkit", "reference", "sim"];

/// What a crate may depend on.
enum Allowed {
    /// Only these.
    Only(&'static [&'static str]),
    /// Everything but these and the helpers.
    AllBut(&'static [&'static str]),
    /// Everything; for crates that nothing builds on.
    Anything,
}

fn allowed(name: &str) -> Option<Allowed> {
    Some(match name {
        "types" => Allowed::Only(&[]),
        "dsp" | "source" | "antenna" | "geodesy" => Allowed::Only(&["types"]),
        "burst" => Allowed::Only(&["types", "dsp"]),
        "bearing" => Allowed::Only(&["types", "dsp", "antenna"]),
        "fix" | "store" | "export" | "plot" => Allowed::Only(&["types", "geodesy"]),
        "web" => Allowed::Only(&["types", "store", "export"]),
        "sim" => Allowed::Only(&["types", "dsp", "antenna", "geodesy"]),
        "station" => Allowed::AllBut(&["sim", "cli"]),
        "cli" => Allowed::AllBut(&[]),
        "testkit" | "reference" | "xtask" => Allowed::Anything,
        _ => return None,
    })
}

fn may_depend(from: &str, to: &str, kind: Option<&str>) -> bool {
    if kind == Some("dev") && FOR_TESTS.contains(&to) {
        return true;
    }
    match allowed(from) {
        Some(Allowed::Only(list)) => list.contains(&to),
        Some(Allowed::AllBut(list)) => !list.contains(&to) && !HELPERS.contains(&to),
        Some(Allowed::Anything) => true,
        None => false,
    }
}

/// Finds the dependencies between crates of the workspace that the rule does not allow.
///
/// # Inputs
/// `packages`: the workspace's own packages.
///
/// # Result
/// One line a finding, in order; empty where all is well.
pub fn wrong_edges(packages: &[Package]) -> Vec<String> {
    let mut findings = BTreeSet::new();
    for package in packages {
        let Some(from) = package.name.strip_prefix(PREFIX) else {
            findings.insert(format!("`{}` does not begin with `{PREFIX}`", package.name));
            continue;
        };
        if allowed(from).is_none() {
            findings.insert(format!(
                "`{from}` has no line in the table: say what it may depend on"
            ));
        }
        for dependency in &package.dependencies {
            let Some(to) = dependency.name.strip_prefix(PREFIX) else {
                continue;
            };
            if !may_depend(from, to, dependency.kind.as_deref()) {
                let kind = dependency.kind.as_deref().unwrap_or("normal");
                findings.insert(format!("`{from}` must not depend on `{to}` ({kind} dependency)"));
            }
        }
    }
    findings.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workspace::Dependency;

    fn package(name: &str, dependencies: &[(&str, Option<&str>)]) -> Package {
        Package {
            id: name.to_owned(),
            name: format!("{PREFIX}{name}"),
            version: "0.1.0".to_owned(),
            license: None,
            dependencies: dependencies
                .iter()
                .map(|&(to, kind)| Dependency {
                    name: format!("{PREFIX}{to}"),
                    kind: kind.map(str::to_owned),
                })
                .collect(),
            manifest_path: "Cargo.toml".into(),
            targets: Vec::new(),
        }
    }

    fn check(name: &str, dependencies: &[(&str, Option<&str>)], expected: &[&str]) {
        assert_eq!(wrong_edges(&[package(name, dependencies)]), expected);
    }

    #[test]
    fn an_edge_between_two_stages_is_found() {
        check(
            "fix",
            &[("types", None), ("bearing", None)],
            &["`fix` must not depend on `bearing` (normal dependency)"],
        );
        check(
            "bearing",
            &[("burst", Some("build"))],
            &["`bearing` must not depend on `burst` (build dependency)"],
        );
    }

    #[test]
    fn truth_reaches_tests_only() {
        check("bearing", &[("sim", Some("dev"))], &[]);
        check(
            "station",
            &[("sim", None)],
            &["`station` must not depend on `sim` (normal dependency)"],
        );
    }

    #[test]
    fn helpers_are_never_a_normal_dependency() {
        check("dsp", &[("testkit", Some("dev"))], &[]);
        for from in ["dsp", "station", "cli"] {
            let expected = format!("`{from}` must not depend on `testkit` (normal dependency)");
            check(from, &[("testkit", None)], &[&expected]);
        }
    }

    #[test]
    fn a_crate_without_a_line_in_the_table_is_found() {
        check(
            "radar",
            &[],
            &["`radar` has no line in the table: say what it may depend on"],
        );
    }
}
