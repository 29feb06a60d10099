//! Writes a SigMF pair: temporary names first, the right ones only once everything is on disk.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use lobewright_types::{Position, Sample, SampleFormat};
use sha2::{Digest, Sha512};

use crate::info::{Annotation, Capture};
use crate::open::{appended, file_name};
use crate::{WriteError, meta_write, verify};

/// Bytes gathered before they go to the file.
const BUFFER_BYTES: usize = 1 << 18;

/// Makes the text of a metadata file that stands without its data (`core:metadata_only`): notes about a recording
/// that lies elsewhere and stays as it is.
///
/// # Inputs
/// `samples`: samples of each channel that the recording has. The rest as for [`SigmfWriter`].
///
/// # Errors
/// [`WriteError::Value`] for what cannot be written as it is.
///
/// # Method
/// SigMF specification v1.2.5, global object, `core:metadata_only`.
pub fn metadata_only(
    info: &WriteInfo,
    captures: &[Capture],
    annotations: &[Annotation],
    samples: u64,
) -> Result<String, WriteError> {
    meta_write::check_info(info)?;
    meta_write::text(info, captures, annotations, samples, None)
}

/// What is said about a recording as a whole when it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct WriteInfo {
    /// How samples are stored.
    pub format: SampleFormat,
    /// Samples a second of each channel.
    pub rate_hz: f64,
    /// Interleaved channels.
    pub channels: usize,
    /// Free text.
    pub description: Option<String>,
    /// The hardware.
    pub hw: Option<String>,
    /// Who made it.
    pub author: Option<String>,
    /// Under which terms: the URL of a licence.
    pub license: Option<String>,
    /// The program that made it.
    pub recorder: Option<String>,
    /// Where the receiver stood, where it is the same for all captures.
    pub position: Option<Position>,
    /// Elements of the antenna (`spatial:num_elements`), written where a direction is.
    pub num_elements: u32,
    /// Which of the elements' channels this is (`spatial:channel_index`), written where a direction is.
    pub channel_index: u32,
    /// Whether files of the same name are replaced.
    pub overwrite: bool,
}

impl WriteInfo {
    /// One channel, one element, nothing else said, nothing overwritten.
    pub fn new(format: SampleFormat, rate_hz: f64) -> Self {
        Self {
            format,
            rate_hz,
            channels: 1,
            description: None,
            hw: None,
            author: None,
            license: None,
            recorder: Some(concat!("lobewright ", env!("CARGO_PKG_VERSION")).to_owned()),
            position: None,
            num_elements: 1,
            channel_index: 0,
            overwrite: false,
        }
    }
}

/// A file under a temporary name, removed unless it is renamed.
pub(crate) struct TempFile {
    path: PathBuf,
    file: File,
    renamed: bool,
}

impl TempFile {
    pub(crate) fn create(path: PathBuf) -> Result<Self, WriteError> {
        let file = File::create(&path).map_err(|source| WriteError::Io {
            path: path.clone(),
            source,
        })?;
        Ok(Self {
            path,
            file,
            renamed: false,
        })
    }

    pub(crate) fn file(&self) -> &File {
        &self.file
    }

    /// Waits until the disk has it.
    pub(crate) fn sync(&self) -> Result<(), WriteError> {
        self.file.sync_all().map_err(|source| WriteError::Io {
            path: self.path.clone(),
            source,
        })
    }

    pub(crate) fn rename(mut self, to: &Path) -> Result<(), WriteError> {
        fs::rename(&self.path, to).map_err(|source| WriteError::Io {
            path: to.to_owned(),
            source,
        })?;
        self.renamed = true;
        Ok(())
    }
}

impl Drop for TempFile {
    fn drop(&mut self) {
        if !self.renamed {
            // Nothing better can be done about a temporary file that will not go.
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// Writes a recording as a SigMF pair.
///
/// Samples go to a temporary file as they come; [`SigmfWriter::finish`] gives the files their names, data first, so
/// that a metadata file never stands without its data. Dropped before that, it leaves nothing behind.
///
/// # Example
/// ```
/// use lobewright_source::{SigmfWriter, WriteInfo};
/// use lobewright_types::{Sample, SampleFormat};
///
/// # let folder = tempfile::tempdir()?;
/// let mut writer = SigmfWriter::create(&folder.path().join("hill"), &WriteInfo::new(SampleFormat::CI16_LE, 25e3))?;
/// writer.write_samples(&[Sample::new(0.5, -0.25)])?;
/// let meta_path = writer.finish()?;
/// assert!(meta_path.ends_with("hill.sigmf-meta"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub struct SigmfWriter {
    info: WriteInfo,
    base: PathBuf,
    data: TempFile,
    hasher: Sha512,
    buffer: Vec<u8>,
    bytes: u64,
    captures: Vec<Capture>,
    annotations: Vec<Annotation>,
    failed: bool,
}

impl std::fmt::Debug for SigmfWriter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SigmfWriter")
            .field("base", &self.base)
            .field("bytes", &self.bytes)
            .finish_non_exhaustive()
    }
}

impl SigmfWriter {
    /// Begins a recording.
    ///
    /// # Inputs
    /// `base`: path of the pair without its suffix; `.sigmf-meta` or `.sigmf-data` at its end is taken off, any
    /// other dot belongs to the name.
    ///
    /// # Errors
    /// [`WriteError::Exists`], [`WriteError::Value`] for a rate or channel count that cannot be, or
    /// [`WriteError::Io`].
    pub fn create(base: &Path, info: &WriteInfo) -> Result<Self, WriteError> {
        meta_write::check_info(info)?;
        let name = file_name(base);
        let stem = [".sigmf-meta", ".sigmf-data"]
            .iter()
            .find_map(|suffix| name.strip_suffix(suffix))
            .unwrap_or(&name);
        if stem.is_empty() {
            return Err(WriteError::Value {
                field: "the recording's name".to_owned(),
                found: format!("{:?}", base.display().to_string()),
                needed: "a path that ends in a name".to_owned(),
            });
        }
        let base = if stem == name {
            base.to_owned()
        } else {
            base.with_file_name(stem)
        };
        for suffix in [".sigmf-meta", ".sigmf-data"] {
            let path = appended(&base, suffix);
            if !info.overwrite && path.exists() {
                return Err(WriteError::Exists { path });
            }
        }
        Ok(Self {
            data: TempFile::create(appended(&base, ".sigmf-data.tmp"))?,
            info: info.clone(),
            base,
            hasher: Sha512::new(),
            buffer: Vec::with_capacity(BUFFER_BYTES),
            bytes: 0,
            captures: Vec::new(),
            annotations: Vec::new(),
            failed: false,
        })
    }

    /// Samples of each channel written so far.
    pub fn samples_written(&self) -> u64 {
        self.bytes / self.frame_bytes() as u64
    }

    /// Appends bytes in the recording's format, shape `[sample, channel, component]`; any cut will do.
    ///
    /// # Errors
    /// [`WriteError::Io`]; [`WriteError::NotFinite`] for float bytes that are no finite number, looked for in each
    /// call's whole components.
    pub fn write_bytes(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        let width = self.info.format.scalar.bytes();
        // Bytes cut within a component are checked by the reader only.
        if self.bytes.is_multiple_of(width as u64) {
            self.check_finite(&bytes[..bytes.len() - bytes.len() % width])?;
        }
        self.append(bytes)
    }

    /// Encodes and appends samples, shape `[sample, channel]`; of a real format the real part is kept.
    ///
    /// Values are rounded to the nearest step, and clipped where the format has an end.
    ///
    /// # Errors
    /// As [`SigmfWriter::write_bytes`]; then none of `samples` is written.
    pub fn write_samples(&mut self, samples: &[Sample]) -> Result<(), WriteError> {
        if let Some(i) = samples
            .iter()
            .position(|s| !s.re.is_finite() || !s.im.is_finite())
        {
            return Err(self.not_finite(i as u64));
        }
        let format = self.info.format;
        let mut bytes = Vec::with_capacity(samples.len() * format.bytes_per_sample());
        for sample in samples {
            format.encode_component(f64::from(sample.re), &mut bytes);
            if format.complex {
                format.encode_component(f64::from(sample.im), &mut bytes);
            }
        }
        self.append(&bytes)
    }

    /// Adds a capture, in any order; without any, there is one at 0 of which nothing is known.
    ///
    /// `start` counts the stream, as everywhere: lost samples, stated in `lost_before`, are in it. The index in the
    /// file and `core:global_index` are derived from the two where the latter is not given.
    pub fn add_capture(&mut self, capture: Capture) {
        self.captures.push(capture);
    }

    /// Adds an annotation, in any order.
    pub fn annotate(&mut self, annotation: Annotation) {
        self.annotations.push(annotation);
    }

    /// Writes the metadata and gives both files their names; gives the metadata file's path.
    ///
    /// # Errors
    /// [`WriteError`] where the last frame is not whole, a capture or annotation cannot be written as it is, or the
    /// disk fails. Then nothing is left behind.
    pub fn finish(mut self) -> Result<PathBuf, WriteError> {
        let data_path = appended(&self.base, ".sigmf-data");
        let meta_path = appended(&self.base, ".sigmf-meta");
        if self.failed {
            return Err(WriteError::Poisoned { path: data_path });
        }
        let frame_bytes = self.frame_bytes();
        if !self.bytes.is_multiple_of(frame_bytes as u64) {
            return Err(WriteError::PartFrame {
                bytes: self.bytes,
                frame_bytes,
            });
        }
        self.flush()?;
        self.data.sync()?;
        let sha512 = verify::hex(&self.hasher.clone().finalize());
        let samples = self.samples_written();
        let text = meta_write::text(
            &self.info,
            &self.captures,
            &self.annotations,
            samples,
            Some(&sha512),
        )?;
        let meta = TempFile::create(appended(&self.base, ".sigmf-meta.tmp"))?;
        meta.file()
            .write_all(text.as_bytes())
            .map_err(|source| WriteError::Io {
                path: meta_path.clone(),
                source,
            })?;
        meta.sync()?;
        if self.info.overwrite && meta_path.exists() {
            // Old metadata never describe new data, not even for a moment.
            fs::remove_file(&meta_path).map_err(|source| WriteError::Io {
                path: meta_path.clone(),
                source,
            })?;
        }
        self.data.rename(&data_path)?;
        meta.rename(&meta_path)?;
        Ok(meta_path)
    }

    fn frame_bytes(&self) -> usize {
        self.info.format.bytes_per_sample() * self.info.channels
    }

    fn not_finite(&self, further: u64) -> WriteError {
        WriteError::NotFinite {
            index: self.bytes / self.info.format.bytes_per_sample() as u64 + further,
        }
    }

    fn check_finite(&self, bytes: &[u8]) -> Result<(), WriteError> {
        let format = self.info.format;
        if crate::finite::all_finite(format, bytes) {
            return Ok(());
        }
        let (good, _) = match crate::finite::leading_run(format, format.scalar.bytes(), bytes) {
            (run, true) => (run, true),
            (_, false) => (0, false),
        };
        let components = if format.complex { 2 } else { 1 };
        Err(self.not_finite((good / components) as u64))
    }

    fn append(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        if self.buffer.len() + bytes.len() > BUFFER_BYTES {
            self.flush()?;
        }
        if bytes.len() >= BUFFER_BYTES {
            self.put(bytes)?;
        } else {
            self.buffer.extend_from_slice(bytes);
        }
        self.hasher.update(bytes);
        self.bytes += bytes.len() as u64;
        Ok(())
    }

    fn flush(&mut self) -> Result<(), WriteError> {
        let buffer = std::mem::take(&mut self.buffer);
        let done = self.put(&buffer);
        self.buffer = buffer;
        self.buffer.clear();
        done
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        self.data.file().write_all(bytes).map_err(|source| {
            self.failed = true;
            WriteError::Io {
                path: appended(&self.base, ".sigmf-data.tmp"),
                source,
            }
        })
    }
}
