//! Compares a data file with the checksum that its metadata state.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use sha2::{Digest, Sha512};

use crate::open::{data_path, has_suffix, io_error, read_meta, swap_suffix};
use crate::{OpenError, OpenOptions, archive};

/// What the comparison of a data file with its `core:sha512` gave; hashes are lower-case hexadecimal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Checksum {
    /// They agree.
    Matches,
    /// They differ: the samples are not those that were recorded.
    Differs {
        /// Hash in the metadata.
        stated: String,
        /// Hash of the data file.
        found: String,
    },
    /// The metadata state none.
    NotStated {
        /// Hash of the data file.
        found: String,
    },
}

/// Compares the data file of a SigMF pair or archive with `core:sha512`; reads the whole file.
///
/// # Inputs
/// `path`: `.sigmf-meta` or `.sigmf-data` of a pair, or `.sigmf`; of an archive, `options.recording` names the recording.
///
/// # Errors
/// [`OpenError`] where metadata or data cannot be read.
///
/// # Method
/// FIPS 180-4 over the whole data file, headers and trailing bytes included (SigMF v1.2.5, `core:sha512`).
pub fn verify_sha512(path: &Path, options: &OpenOptions) -> Result<Checksum, OpenError> {
    let (stated, found) = if has_suffix(path, ".sigmf") {
        let mut archive = archive::find(path, options)?;
        archive
            .file
            .seek(SeekFrom::Start(archive.data_byte))
            .map_err(io_error(path))?;
        (
            archive.meta.sha512,
            hash(archive.file.take(archive.data_bytes), path)?,
        )
    } else {
        let path = swap_suffix(path, ".sigmf-meta");
        let meta = read_meta(&path)?;
        let data = data_path(&path, &meta)?;
        (
            meta.sha512,
            hash(File::open(&data).map_err(io_error(&data))?, &data)?,
        )
    };
    Ok(match stated {
        None => Checksum::NotStated { found },
        Some(stated) if stated == found => Checksum::Matches,
        Some(stated) => Checksum::Differs { stated, found },
    })
}

fn hash(mut reader: impl Read, path: &Path) -> Result<String, OpenError> {
    let mut hasher = Sha512::new();
    let mut buffer = vec![0; 1 << 18];
    loop {
        match reader.read(&mut buffer).map_err(io_error(path))? {
            0 => return Ok(hex(&hasher.finalize())),
            n => hasher.update(&buffer[..n]),
        }
    }
}

/// Lower-case hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .fold(String::with_capacity(2 * bytes.len()), |mut text, b| {
            let _ = write!(text, "{b:02x}");
            text
        })
}
