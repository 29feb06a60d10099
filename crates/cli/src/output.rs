//! Files and standard output: whole or not at all.

use std::io::Write as _;
use std::path::Path;

use crate::fault::Fault;

/// Pixels of a PNG for each unit of its SVG: sharp enough to print.
const PNG_SCALE: f32 = 2.0;

/// Writes a file under a temporary name and then renames it.
pub(crate) fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Fault> {
    lobewright_export::write_atomically(path, bytes)
        .map_err(|error| {
            // The temporary name means nothing to whoever asked for the file; the system's reason does.
            let reason =
                std::error::Error::source(&error).map_or_else(|| error.to_string(), ToString::to_string);
            anyhow::anyhow!("cannot write `{}`: {reason}", path.display())
        })
        .map_err(Fault::Failure)
}

/// Writes a picture as its file name asks: `.svg` or `.png`.
pub(crate) fn write_picture(path: &Path, svg: &str) -> Result<(), Fault> {
    match path.extension().and_then(|e| e.to_str()) {
        Some("svg") => write_file(path, svg.as_bytes()),
        Some("png") => {
            let png = lobewright_plot::svg_to_png(svg, PNG_SCALE).map_err(Fault::failure)?;
            write_file(path, &png)
        }
        _ => Err(Fault::Input(anyhow::anyhow!(
            "picture `{}` has no known ending; give .svg or .png",
            path.display()
        ))),
    }
}

/// Writes a picture in both forms beside each other: `stem.svg` and `stem.png`.
pub(crate) fn write_picture_pair(folder: &Path, stem: &str, svg: &str) -> Result<(), Fault> {
    write_picture(&folder.join(format!("{stem}.svg")), svg)?;
    write_picture(&folder.join(format!("{stem}.png")), svg)
}

/// Prints a result on standard output.
pub(crate) fn print(text: &str) -> Result<(), Fault> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    if !text.is_empty() && !text.ends_with('\n') {
        out.write_all(b"\n")?;
    }
    out.flush()?;
    Ok(())
}

/// Prints a remark for people on standard error.
pub(crate) fn remark(quiet: bool, text: &str) {
    if !quiet {
        // A closed standard error is no reason to stop.
        let _ = writeln!(std::io::stderr(), "{text}");
    }
}

/// A name made fit for a file: letters, figures, dot and dash.
pub(crate) fn file_stem(name: &str) -> String {
    let mut stem = String::new();
    for c in name.chars() {
        if c.is_alphanumeric() || c == '.' {
            stem.extend(c.to_lowercase());
        } else if !stem.ends_with('-') {
            stem.push('-');
        }
    }
    stem.trim_matches(['-', '.']).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_become_plain_file_names() {
        assert_eq!(file_stem("Kestrel Saddle (north)"), "kestrel-saddle-north");
        assert_eq!(file_stem("../../etc"), "etc");
    }
}
