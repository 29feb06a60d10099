//! Files that are whole or not there.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::WriteError;

/// Temporary names tried before giving up: others may be left from runs that were killed.
const TRIES: u32 = 64;

/// Writes a file under a temporary name in the same folder, forces it to disk and renames it.
///
/// Whoever opens `path` finds the old content or the new, never a part, also after a kill or a power cut.
///
/// # Errors
/// [`WriteError`]; the temporary file is removed then, as far as possible.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    let Some(name) = path.file_name() else {
        return Err(WriteError::NoFileName {
            path: path.to_owned(),
        });
    };
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let (temporary, mut file) = create_temporary(folder, name, path)?;
    let fail = |source| {
        // Nothing more can be done where even this fails.
        let _ = fs::remove_file(&temporary);
        WriteError::Temporary {
            path: path.to_owned(),
            temporary: temporary.clone(),
            source,
        }
    };
    file.write_all(bytes)
        .and_then(|()| file.sync_all())
        .map_err(fail)?;
    drop(file);
    fs::rename(&temporary, path).map_err(|source| {
        let _ = fs::remove_file(&temporary);
        WriteError::Rename {
            path: path.to_owned(),
            temporary: temporary.clone(),
            source,
        }
    })?;
    // The new name is on disk once the folder is. Not every system lets a folder be opened; the file is whole anyway.
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
    Ok(())
}

fn create_temporary(
    folder: &Path,
    name: &std::ffi::OsStr,
    path: &Path,
) -> Result<(PathBuf, File), WriteError> {
    let mut last = None;
    for attempt in 0..TRIES {
        let mut temporary_name = std::ffi::OsString::from(".");
        temporary_name.push(name);
        temporary_name.push(format!(".{}-{attempt}.tmp", std::process::id()));
        let temporary = folder.join(temporary_name);
        match OpenOptions::new().write(true).create_new(true).open(&temporary) {
            Ok(file) => return Ok((temporary, file)),
            Err(source) => {
                let again = source.kind() == io::ErrorKind::AlreadyExists;
                last = Some((temporary, source));
                if !again {
                    break;
                }
            }
        }
    }
    let (temporary, source) =
        last.unwrap_or_else(|| (folder.to_owned(), io::Error::other("no try was made")));
    Err(WriteError::Temporary {
        path: path.to_owned(),
        temporary,
        source,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fix.json");
        write_atomically(&path, b"old and longer").unwrap();
        write_atomically(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(names(folder.path()), ["fix.json"]);
    }

    #[test]
    fn a_failure_names_the_file_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let missing = folder.path().join("no such folder").join("fix.json");
        let error = write_atomically(&missing, b"x").unwrap_err();
        assert!(matches!(error, WriteError::Temporary { .. }));
        assert!(error.to_string().contains("fix.json"));
        // A folder of that name cannot be replaced by a file.
        let taken = folder.path().join("taken");
        fs::create_dir_all(taken.join("inside")).unwrap();
        assert!(matches!(
            write_atomically(&taken, b"x").unwrap_err(),
            WriteError::Rename { .. }
        ));
        assert_eq!(names(folder.path()), ["taken"]);
        let error = write_atomically(Path::new("/"), b"x").unwrap_err();
        assert_eq!(error.to_string(), "`/` does not end in the name of a file");
    }
}
