//! The commands that a Markdown page tells its reader to type, and running them.
//!
//! A command is a line that begins with `$ ` in a fenced block tagged `console`, `sh`, `shell` or `bash`. It goes
//! on over lines that end with a backslash, and over lines that begin with `> `. Blocks that are also tagged
//! `no-run` are left alone, and so is `cargo xtask ci` itself.

use std::fmt::Write as _;

use anyhow::{Result, bail};

/// One command of a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageCommand {
    /// Line of the page on which it begins, from 1.
    pub line: usize,
    /// What to type; several lines where it goes on.
    pub text: String,
}

/// Finds the commands of a page, in order.
///
/// # Errors
/// Where a fenced block is not closed.
pub fn commands(page: &str) -> Result<Vec<PageCommand>> {
    let mut found: Vec<PageCommand> = Vec::new();
    // The fence that closes the block we are in, and whether its commands are run.
    let mut block: Option<(String, bool, usize)> = None;
    let mut goes_on = false;
    for (index, line) in page.lines().enumerate() {
        let number = index + 1;
        let trimmed = line.trim_start();
        let ticks: String = trimmed.chars().take_while(|&c| c == '`').collect();
        let Some((fence, run, _)) = &block else {
            if ticks.len() >= 3 {
                block = Some((ticks.clone(), is_run(&trimmed[ticks.len()..]), number));
                goes_on = false;
            }
            continue;
        };
        if ticks.len() >= fence.len() && trimmed.trim_end() == ticks {
            block = None;
            continue;
        }
        if !*run {
            continue;
        }
        if let Some(text) = trimmed.strip_prefix("$ ") {
            found.push(PageCommand {
                line: number,
                text: text.to_owned(),
            });
            goes_on = text.ends_with('\\');
        } else if let Some(last) = found.last_mut()
            && let Some(more) = continuation(trimmed, goes_on)
        {
            last.text.push('\n');
            last.text.push_str(more);
            goes_on = more.ends_with('\\');
        }
    }
    if let Some((_, _, number)) = block {
        bail!("the fenced block that begins on line {number} is not closed");
    }
    found.retain(|c| !c.text.starts_with("cargo xtask ci"));
    Ok(found)
}

fn is_run(info: &str) -> bool {
    let mut words = info
        .split(|c: char| c.is_whitespace() || c == ',')
        .filter(|w| !w.is_empty());
    let shell = matches!(words.next(), Some("console" | "sh" | "shell" | "bash"));
    shell && words.all(|word| word != "no-run")
}

fn continuation(line: &str, goes_on: bool) -> Option<&str> {
    line.strip_prefix("> ").or(goes_on.then_some(line))
}

/// Writes a bash script that runs the commands in order in one shell, so that a `cd` or a variable holds for the
/// commands behind it, and stops at the first that fails, naming its line in the page.
pub fn script(page_name: &str, commands: &[PageCommand]) -> String {
    let mut script = String::from("set -uo pipefail\n");
    for command in commands {
        let shown = command.text.replace('\'', r"'\''");
        let line = command.line;
        let _ = write!(
            script,
            "printf '\\n%s:%s $ %s\\n' {page_name} {line} '{shown}'\n{}\n\
             lw_status=$?\nif [ $lw_status -ne 0 ]; then\n  \
             printf '%s:%s: exit code %s\\n' {page_name} {line} $lw_status >&2\n  exit 1\nfi\n",
            command.text
        );
    }
    script
}

#[cfg(test)]
mod tests {
    use std::process::{Command, Stdio};

    use super::*;

    const PAGE: &str = "\
# A page

```console
$ echo one
one
$ printf '%s-%s\\n' \\
    two three
two-three
```

```rust
$ not a command
```

```sh no-run
$ rm important
```

```console
$ cargo xtask ci
$ cat <<END
> sum $((2 + 2))
> END
```
";

    fn run(commands: &[PageCommand]) -> (Option<i32>, String, String) {
        let output = Command::new("bash")
            .args(["-c", &script("PAGE.md", commands)])
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code(), text(output.stdout), text(output.stderr))
    }

    #[test]
    fn commands_are_found_in_order_with_their_lines() {
        let found = commands(PAGE).unwrap();
        let expected = [
            (4, "echo one"),
            (6, "printf '%s-%s\\n' \\\ntwo three"),
            (21, "cat <<END\nsum $((2 + 2))\nEND"),
        ];
        let found: Vec<(usize, &str)> = found.iter().map(|c| (c.line, c.text.as_str())).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn the_script_runs_them_all() {
        let (code, out, _) = run(&commands(PAGE).unwrap());
        assert_eq!(code, Some(0));
        // The script shows each command before it runs it, so only what differs from the command counts.
        let is_result = |line: &&str| ["one", "two-three", "sum 4"].contains(line);
        let printed: Vec<&str> = out.lines().filter(is_result).collect();
        assert_eq!(printed, ["one", "two-three", "sum 4"]);
    }

    #[test]
    fn the_script_stops_at_the_first_failure_and_names_its_line() {
        let page = "```sh\n$ true\n$ echo a | (exit 3) | cat\n$ echo reached\n```\n";
        let (code, out, err) = run(&commands(page).unwrap());
        assert_eq!(code, Some(1));
        assert!(!out.lines().any(|l| l == "reached"), "{out}");
        assert!(err.contains("PAGE.md:3: exit code 3"), "{err}");
    }

    #[test]
    fn a_cd_holds_for_the_next_command() {
        let (_, out, _) = run(&commands("```sh\n$ cd /\n$ pwd\n```\n").unwrap());
        assert!(out.lines().any(|l| l == "/"), "{out}");
    }

    #[test]
    fn an_open_block_is_an_error() {
        let error = commands("text\n```sh\n$ true\n").unwrap_err();
        assert_eq!(
            error.to_string(),
            "the fenced block that begins on line 2 is not closed"
        );
    }
}
