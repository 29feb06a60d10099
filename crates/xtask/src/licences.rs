//! Which licences the packages that are built may have.

use std::collections::BTreeSet;

use anyhow::{Result, bail};

use crate::workspace::Package;

/// Licences (SPDX identifiers) that a package may be used under.
pub const ALLOWED: [&str; 11] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "ISC",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
    "CC0-1.0",
];

/// Finds the packages whose licence expression no choice of allowed licences satisfies.
///
/// # Result
/// One line a finding, in order; empty where all is well.
pub fn refused(packages: &[Package]) -> Vec<String> {
    let mut findings = BTreeSet::new();
    for package in packages {
        let (name, version) = (&package.name, &package.version);
        match package.license.as_deref().map(|text| (text, allows(text))) {
            Some((_, Ok(true))) => {}
            Some((text, Ok(false))) => {
                findings.insert(format!("{name} {version}: `{text}` is not allowed"));
            }
            Some((text, Err(error))) => {
                findings.insert(format!("{name} {version}: cannot read `{text}`: {error}"));
            }
            None => {
                findings.insert(format!("{name} {version}: names no licence"));
            }
        }
    }
    findings.into_iter().collect()
}

/// Whether allowed licences satisfy an SPDX expression; `/` counts as `OR`, as old manifests wrote it.
///
/// # Errors
/// Where the text is not an expression.
pub fn allows(expression: &str) -> Result<bool> {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    let value = either(&words, &mut at)?;
    if at < words.len() {
        bail!("`{}` is left over", words[at]);
    }
    Ok(value)
}

fn either(words: &[&str], at: &mut usize) -> Result<bool> {
    let mut value = both(words, at)?;
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        value |= both(words, at)?;
    }
    Ok(value)
}

fn both(words: &[&str], at: &mut usize) -> Result<bool> {
    let mut value = one(words, at)?;
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        value &= one(words, at)?;
    }
    Ok(value)
}

fn one(words: &[&str], at: &mut usize) -> Result<bool> {
    let Some(&word) = words.get(*at) else {
        bail!("a licence is missing at the end");
    };
    *at += 1;
    if word == "(" {
        let value = either(words, at)?;
        if words.get(*at) != Some(&")") {
            bail!("a bracket is not closed");
        }
        *at += 1;
        return Ok(value);
    }
    if matches!(word, ")" | "OR" | "AND" | "WITH") {
        bail!("`{word}` stands where a licence should");
    }
    let mut name = word.to_owned();
    if words.get(*at) == Some(&"WITH") {
        let Some(exception) = words.get(*at + 1) else {
            bail!("an exception is missing at the end");
        };
        name = format!("{word} WITH {exception}");
        *at += 2;
    }
    Ok(ALLOWED.contains(&name.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(expression: &str, expected: bool) {
        assert_eq!(allows(expression).unwrap(), expected, "{expression}");
    }

    #[test]
    fn one_allowed_choice_is_enough() {
        check("MIT", true);
        check("MIT/Apache-2.0", true);
        check("MIT OR Apache-2.0 OR LGPL-2.1-or-later", true);
        check("GPL-3.0-only OR MPL-2.0", false);
    }

    #[test]
    fn every_part_must_be_allowed() {
        check("(MIT OR Apache-2.0) AND Unicode-3.0", true);
        check("MIT AND GPL-2.0-only", false);
        check("MIT AND (GPL-2.0-only OR ISC)", true);
    }

    #[test]
    fn an_exception_is_part_of_the_licence() {
        check("Apache-2.0 WITH LLVM-exception", true);
        check("GPL-3.0-only WITH Classpath-exception-2.0", false);
    }

    #[test]
    fn what_is_no_expression_is_an_error() {
        for text in ["", "MIT OR", "(MIT", "MIT ISC", "WITH", "MIT WITH"] {
            assert!(allows(text).is_err(), "{text}");
        }
    }
}
