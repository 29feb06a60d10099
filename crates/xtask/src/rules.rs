//! Rules on the text of the tracked files, each a function from text to findings.

use crate::rust_text::{code_only, without_tests};

/// Crates that do no I/O, read no clock, start no thread and draw no randomness of their own.
pub const STAGES: [&str; 8] = [
    "types", "dsp", "burst", "antenna", "geodesy", "bearing", "fix", "sim",
];

/// The line by which a stage crate has clippy watch over that.
pub const STAGE_ATTRIBUTE: &str = "#![warn(clippy::disallowed_methods)]";

/// Longest Rust file, in lines.
pub const MAX_LINES: usize = 600;

/// Names whose use reaches outside of a computation.
const OUTSIDE: [&str; 13] = [
    "std::fs",
    "std::net",
    "std::thread",
    "std::process",
    "std::env",
    "std::io::stdin",
    "std::io::stdout",
    "Instant",
    "SystemTime",
    "OsRng",
    "SysRng",
    "thread_rng",
    "rand::rng",
];

/// Modules of `std` that may not come in through a grouped `use std::{…}` either.
const OUTSIDE_STD: [&str; 5] = ["fs", "net", "thread", "process", "env"];

/// Text that belongs to one machine. In halves, so that this file passes its own check.
const PRIVATE: [&str; 9] = [
    concat!("/wo", "rk/"),
    concat!("/ro", "ot/"),
    concat!("/tmp", "/t_"),
    concat!("static.cra", "tes.io"),
    concat!("index.cra", "tes.io"),
    concat!("pypi", ".org"),
    concat!("files.python", "hosted"),
    concat!("registry.npm", "js"),
    concat!("deb.deb", "ian"),
];

/// Finds a Rust file that is too long to be one idea.
pub fn too_long(path: &str, text: &str) -> Vec<String> {
    let lines = text.lines().count();
    if lines > MAX_LINES {
        vec![format!("{path}: {lines} lines, {MAX_LINES} at most")]
    } else {
        Vec::new()
    }
}

/// Finds text that belongs to one machine or one conversation, in any letter case.
pub fn private_text(path: &str, text: &str) -> Vec<String> {
    let mut findings = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let line = line.to_lowercase();
        for word in PRIVATE {
            if line.contains(word) {
                findings.push(format!("{path}:{}: `{word}`", number + 1));
            }
        }
    }
    findings
}

/// Finds ignored tests and unfinished code in a Rust file.
pub fn unfinished(path: &str, text: &str) -> Vec<String> {
    let mut findings = Vec::new();
    let code = code_only(text);
    for (number, line) in code.lines().enumerate() {
        let dense: String = line.split_whitespace().collect();
        for word in ["#[ignore", "todo!(", "unimplemented!("] {
            if dense.contains(word) {
                findings.push(format!("{path}:{}: `{word}`", number + 1));
            }
        }
    }
    for (number, line) in text.lines().enumerate() {
        let line = line.trim_start();
        let doc = line.strip_prefix("///").or_else(|| line.strip_prefix("//!"));
        if let Some(fence) = doc.and_then(|d| d.trim_start().strip_prefix("```"))
            && fence.split([',', ' ']).any(|word| word == "ignore")
        {
            findings.push(format!("{path}:{}: an example that is not compiled", number + 1));
        }
    }
    findings
}

/// Finds what reaches outside of the computation in a source file of a stage crate; its tests may.
pub fn impure(path: &str, text: &str) -> Vec<String> {
    let code = without_tests(&code_only(text));
    let mut findings = Vec::new();
    for (number, line) in code.lines().enumerate() {
        for word in OUTSIDE {
            if has_word(line, word) {
                findings.push(format!("{path}:{}: `{word}` in a stage crate", number + 1));
            }
        }
    }
    for group in code.split("std::{").skip(1) {
        let group = &group[..group.find(';').unwrap_or(group.len())];
        for word in OUTSIDE_STD {
            if has_word(group, word) {
                findings.push(format!("{path}: `std::{word}` in a stage crate"));
            }
        }
    }
    findings
}

/// Finds a stage crate whose `lib.rs` does not have clippy watch over it.
pub fn lacks_stage_attribute(path: &str, lib_rs: &str) -> Vec<String> {
    let code = code_only(lib_rs);
    if code.lines().any(|line| line.trim() == STAGE_ATTRIBUTE) {
        Vec::new()
    } else {
        vec![format!("{path}: lacks `{STAGE_ATTRIBUTE}`")]
    }
}

/// Whether `word` stands in `line` with no letter, digit or underscore against it.
fn has_word(line: &str, word: &str) -> bool {
    let is_part = |c: char| c.is_alphanumeric() || c == '_';
    line.match_indices(word).any(|(start, _)| {
        let before = line[..start].chars().next_back();
        let after = line[start + word.len()..].chars().next();
        !before.is_some_and(is_part) && !after.is_some_and(is_part)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_or_a_file_in_a_stage_is_found() {
        for line in [
            "let t = std::time::Instant::now();",
            "use std::fs::File;",
            "use std::{collections::BTreeMap, fs};",
            "let r = rand::rng();",
            "std::thread::spawn(|| ());",
        ] {
            assert!(!impure("a.rs", line).is_empty(), "{line}");
        }
    }

    #[test]
    fn tests_and_comments_of_a_stage_may_name_them() {
        for text in [
            "// Instant::now is not used",
            "#[cfg(test)]\nmod tests { use std::fs; }",
            "let instant = self.instant();",
            "use std::{fmt, str::FromStr};",
        ] {
            assert_eq!(impure("a.rs", text), Vec::<String>::new(), "{text}");
        }
    }

    #[test]
    fn ignored_tests_and_unfinished_code_are_found() {
        for text in [
            "#[ignore = \"slow\"]\nfn a() {}",
            "# [ignore]",
            "fn a() { todo!() }",
            "/// ```ignore\n/// a();\n/// ```",
            "//! ``` rust,ignore",
        ] {
            assert_eq!(unfinished("a.rs", text).len(), 1, "{text}");
        }
        for text in ["// todo!()", "let a = \"#[ignore]\";", "/// ```text\n/// ```"] {
            assert!(unfinished("a.rs", text).is_empty(), "{text}");
        }
    }

    #[test]
    fn a_path_of_one_machine_is_found_with_its_line() {
        let text = format!("fine\nsee {}x\n", PRIVATE[0]);
        let expected = format!("a.md:2: `{}`", PRIVATE[0]);
        assert_eq!(private_text("a.md", &text), [expected]);
        assert!(private_text("a.md", "the network of registries").is_empty());
    }

    #[test]
    fn a_file_over_the_limit_is_found() {
        assert!(too_long("a.rs", &"x\n".repeat(MAX_LINES)).is_empty());
        assert_eq!(too_long("a.rs", &"x\n".repeat(MAX_LINES + 1)).len(), 1);
    }

    #[test]
    fn a_commented_attribute_does_not_count() {
        assert!(lacks_stage_attribute("lib.rs", STAGE_ATTRIBUTE).is_empty());
        let commented = format!("// {STAGE_ATTRIBUTE}");
        assert_eq!(lacks_stage_attribute("lib.rs", &commented).len(), 1);
    }
}
