//! SigMF archives: read in place, and packed.

use std::fs::File;
use std::io::{self, BufReader, Seek, SeekFrom};
use std::path::Path;

use crate::meta::{Meta, parse_meta};
use crate::open::{appended, data_path, file_name, from_meta, io_error, read_limited, read_meta};
use crate::recording::Recording;
use crate::writer::TempFile;
use crate::{OpenError, OpenOptions, SourceWarning, WriteError};

/// Most files in an archive that are looked at.
const MAX_ENTRIES: usize = 1 << 20;

/// A file within the archive.
struct Entry {
    name: String,
    byte: u64,
    bytes: u64,
}

/// A recording within an archive, found but not read.
pub(crate) struct Found {
    pub(crate) meta: Meta,
    pub(crate) file: File,
    /// Name of archive and metadata file, for messages.
    pub(crate) name: String,
    pub(crate) data_byte: u64,
    pub(crate) data_bytes: u64,
    pub(crate) warnings: Vec<SourceWarning>,
}

/// Opens a recording of an archive.
pub(crate) fn open_archive(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let mut found = find(path, options)?;
    found.meta.warnings.append(&mut found.warnings);
    from_meta(
        &found.name,
        found.meta,
        found.file,
        found.data_byte,
        found.data_bytes,
        options,
    )
}

/// Finds the recording that the options name, or the first.
pub(crate) fn find(path: &Path, options: &OpenOptions) -> Result<Found, OpenError> {
    let mut file = File::open(path).map_err(io_error(path))?;
    let file_bytes = file.metadata().map_err(io_error(path))?.len();
    let entries = list(path, &file)?;
    let bases: Vec<&str> = entries
        .iter()
        .filter_map(|e| e.name.strip_suffix(".sigmf-meta"))
        .collect();
    let base = choose(path, &bases, options.recording.as_deref())?;
    let mut warnings = Vec::new();
    if options.recording.is_none() && bases.len() > 1 {
        warnings.push(SourceWarning::OtherRecordings {
            taken: base.to_owned(),
            others: bases.len() - 1,
        });
    }
    let (meta, name) = read_entry_meta(path, &mut file, &entries, base)?;
    let data = find_data(&entries, base, &meta).ok_or_else(|| OpenError::NoData {
        file: name.clone(),
        data: data_name(base, &meta).into(),
    })?;
    let present = file_bytes.saturating_sub(data.byte).min(data.bytes);
    if present < data.bytes {
        let frame = (meta.format.bytes_per_sample() * meta.channels) as u64;
        warnings.push(SourceWarning::Short {
            found: present / frame,
            expected: data.bytes / frame,
            by: "the archive's list of files".to_owned(),
        });
    }
    Ok(Found {
        meta,
        name,
        data_byte: data.byte,
        data_bytes: present,
        warnings,
        file,
    })
}

fn list(path: &Path, file: &File) -> Result<Vec<Entry>, OpenError> {
    let damaged = |source| OpenError::Archive {
        path: path.to_owned(),
        source,
    };
    let mut archive = tar::Archive::new(BufReader::new(file));
    let mut entries = Vec::new();
    for entry in archive.entries_with_seek().map_err(damaged)? {
        let entry = match entry {
            Ok(entry) => entry,
            // What stands before a damage can still be read.
            Err(_) if !entries.is_empty() => break,
            Err(e) => return Err(damaged(e)),
        };
        if !entry.header().entry_type().is_file() {
            continue;
        }
        if entries.len() == MAX_ENTRIES {
            return Err(damaged(io::Error::other("more than a million files in it")));
        }
        entries.push(Entry {
            name: String::from_utf8_lossy(&entry.path_bytes()).into_owned(),
            byte: entry.raw_file_position(),
            bytes: entry.size(),
        });
    }
    Ok(entries)
}

/// The recording's name up to its suffix, with its folder.
fn choose<'a>(path: &Path, bases: &[&'a str], wanted: Option<&str>) -> Result<&'a str, OpenError> {
    let last = |base: &str| base.rsplit('/').next().unwrap_or(base).to_owned();
    let hit = match wanted {
        None => bases.first(),
        Some(name) => bases.iter().find(|b| **b == name || last(b) == name),
    };
    hit.copied().ok_or_else(|| OpenError::NotInArchive {
        path: path.to_owned(),
        wanted: wanted.map(|w| format!(" `{w}`")).unwrap_or_default(),
        found: if bases.is_empty() {
            "no `.sigmf-meta` at all".to_owned()
        } else {
            bases.iter().map(|b| last(b)).collect::<Vec<_>>().join(", ")
        },
    })
}

fn read_entry_meta(
    path: &Path,
    file: &mut File,
    entries: &[Entry],
    base: &str,
) -> Result<(Meta, String), OpenError> {
    let entry_name = format!("{base}.sigmf-meta");
    let name = format!("{}:{entry_name}", path.display());
    let entry = entries.iter().find(|e| e.name == entry_name);
    let (byte, bytes) = entry.map_or((0, 0), |e| (e.byte, e.bytes));
    file.seek(SeekFrom::Start(byte)).map_err(io_error(path))?;
    let limited = io::Read::take(&mut *file, bytes);
    let text = read_limited(limited, path, &name)?;
    Ok((parse_meta(&text, &name)?, name))
}

/// The data file's name in the archive: beside the metadata.
fn data_name(base: &str, meta: &Meta) -> String {
    match (&meta.dataset, base.rsplit_once('/')) {
        (None, _) => format!("{base}.sigmf-data"),
        (Some(name), Some((folder, _))) => format!("{folder}/{name}"),
        (Some(name), None) => name.clone(),
    }
}

fn find_data<'a>(entries: &'a [Entry], base: &str, meta: &Meta) -> Option<&'a Entry> {
    let name = data_name(base, meta);
    entries.iter().find(|e| e.name == name)
}

/// Packs a recording into a SigMF archive (tar), its files in a folder of the recording's name.
///
/// The same recording gives the same bytes: owner, rights and times in the archive are fixed.
///
/// # Errors
/// [`WriteError`] where the recording cannot be read or the archive not written, or where it exists already.
///
/// # Method
/// SigMF v1.2.5, 'SigMF Archives'; POSIX.1-2001 tar.
pub fn pack_archive(meta_path: &Path, archive_path: &Path) -> Result<(), WriteError> {
    if archive_path.exists() {
        return Err(WriteError::Exists {
            path: archive_path.to_owned(),
        });
    }
    let meta = read_meta(meta_path)?;
    let data = data_path(meta_path, &meta)?;
    let temp = TempFile::create(appended(archive_path, ".tmp"))?;
    let fail = |source| WriteError::Io {
        path: archive_path.to_owned(),
        source,
    };
    let meta_name = file_name(meta_path);
    let folder = meta_name.strip_suffix(".sigmf-meta").unwrap_or(&meta_name);
    let mut tar = tar::Builder::new(io::BufWriter::new(temp.file()));
    for path in [meta_path, &data] {
        let file = File::open(path).map_err(io_error(path))?;
        let mut header = tar::Header::new_ustar();
        header.set_size(file.metadata().map_err(io_error(path))?.len());
        header.set_mode(0o644);
        header.set_mtime(0);
        tar.append_data(&mut header, format!("{folder}/{}", file_name(path)), file)
            .map_err(fail)?;
    }
    let writer = tar.into_inner().map_err(fail)?;
    writer.into_inner().map_err(|e| fail(e.into_error()))?;
    temp.sync()?;
    temp.rename(archive_path)
}
