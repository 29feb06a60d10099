//! The pages that the program writes, shown by a browser.

use std::fs;
use std::path::Path;
use std::process::Command;

use anyhow::{Context, Result, bail, ensure};

use crate::ci::say;
use crate::shell::{capture, files_below, fresh_folder};

/// Shows every page below `written` and leaves a picture of each in `shots`.
///
/// # Errors
/// Where there is no page, one loads something from outside, points at a file that is not there, makes the browser
/// complain or stays blank.
pub fn check(written: &Path, shots: &Path) -> Result<()> {
    let found = files_below(written, ".html")?;
    ensure!(
        !found.is_empty(),
        "no page was written below `{}`",
        written.display()
    );
    fresh_folder(shots)?;
    let blank = picture_of_nothing(shots)?;
    for (index, page) in found.iter().enumerate() {
        let text = fs::read_to_string(page).with_context(|| format!("cannot read `{}`", page.display()))?;
        if let Some(outside) = loads_from_outside(&text) {
            bail!("`{}` loads `{outside}`: a page must stand alone", page.display());
        }
        let missing = missing_neighbours(page, &text);
        ensure!(
            missing.is_empty(),
            "`{}` points at files that are not there: {}",
            page.display(),
            missing.join(", ")
        );
        let shot = shots.join(format!("page{index}.png"));
        let log = browse(shots, page, &shot)?;
        let complaints: Vec<&str> = log.lines().filter(|l| l.contains(":CONSOLE")).collect();
        ensure!(
            complaints.is_empty(),
            "the browser complains about `{}`: {}",
            page.display(),
            complaints.join("; ")
        );
        let bytes = fs::metadata(&shot)
            .with_context(|| format!("no picture of `{}` was made", page.display()))?
            .len();
        ensure!(
            bytes > blank + blank / 4,
            "the picture of `{}` is blank",
            page.display()
        );
        say(&format!("{} shown, picture of {bytes} bytes", page.display()));
    }
    Ok(())
}

/// Size in bytes of the picture of an empty page, which every other picture must exceed.
fn picture_of_nothing(folder: &Path) -> Result<u64> {
    let (page, shot) = (folder.join("nothing.html"), folder.join("nothing.png"));
    fs::write(&page, "<!doctype html><title>nothing</title>").context("cannot write an empty page")?;
    browse(folder, &page, &shot)?;
    Ok(fs::metadata(&shot).context("the browser made no picture")?.len())
}

/// Takes a picture of a page without a network and gives back what the browser logged.
fn browse(profile: &Path, page: &Path, shot: &Path) -> Result<String> {
    let mut command = Command::new("timeout");
    command
        .args(["120", "chromium", "--headless", "--no-sandbox", "--disable-gpu"])
        .args(["--disable-background-networking", "--disable-component-update"])
        .args(["--disable-sync", "--no-first-run", "--hide-scrollbars"])
        .args(["--enable-logging=stderr", "--window-size=1280,1600"])
        .arg(format!("--user-data-dir={}", profile.join("profile").display()))
        .arg(format!("--screenshot={}", shot.display()))
        .arg(format!("file://{}", page.display()));
    capture(&mut command)
}

/// The first address outside of the page that showing it would fetch. Links that a reader may follow are no load.
fn loads_from_outside(page: &str) -> Option<&str> {
    for mark in ["src=\"", "src='", "url(", "@import \"", "<link "] {
        for (start, _) in page.match_indices(mark) {
            let rest = &page[start + mark.len()..];
            let end = rest.find(['"', '\'', ')', '>']).unwrap_or(rest.len());
            let address = if mark == "<link " {
                let tag = &rest[..rest.find('>').unwrap_or(rest.len())];
                tag.split("href=\"").nth(1).unwrap_or("")
            } else {
                &rest[..end]
            };
            if ["http:", "https:", "//"].iter().any(|p| address.starts_with(p)) {
                return Some(address);
            }
        }
    }
    None
}

/// The files beside the page that it shows or links to and that are not there.
fn missing_neighbours<'a>(page: &Path, text: &'a str) -> Vec<&'a str> {
    let folder = page.parent().unwrap_or(Path::new("."));
    let mut missing = Vec::new();
    for mark in ["src=\"", "href=\""] {
        for (start, _) in text.match_indices(mark) {
            let rest = &text[start + mark.len()..];
            let address = &rest[..rest.find('"').unwrap_or(rest.len())];
            let file = address.split(['#', '?']).next().unwrap_or("");
            // `https:`, `data:`, `mailto:` are not files; a bare `#part` is in the page itself.
            if !file.is_empty() && !file.contains(':') && !folder.join(file).exists() {
                missing.push(address);
            }
        }
    }
    missing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_page_would_fetch_is_found() {
        for page in [
            "<script src=\"https://a.example/x.js\"></script>",
            "<link rel=\"stylesheet\" href=\"//a.example/x.css\">",
            "<style>body { background: url(http://a.example/x.png) }</style>",
        ] {
            assert!(loads_from_outside(page).is_some(), "{page}");
        }
    }

    #[test]
    fn links_and_data_inside_the_page_are_no_load() {
        for page in [
            "<a href=\"https://a.example/\">a</a>",
            "<img src=\"data:image/png;base64,AAAA\">",
            "<svg xmlns=\"http://www.w3.org/2000/svg\"></svg>",
            "<img src=\"map.svg\">",
        ] {
            assert_eq!(loads_from_outside(page), None, "{page}");
        }
    }

    #[test]
    fn a_picture_that_is_not_there_is_found() {
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("page.html");
        let text = "<img src=\"Cargo.toml\"> <a href=\"src/lib.rs#top\">a</a> <a href=\"#top\">b</a> \
                    <a href=\"https://a.example/x\">c</a> <img src=\"no-such-map.svg\">";
        assert_eq!(missing_neighbours(&here, text), ["no-such-map.svg"]);
    }
}
