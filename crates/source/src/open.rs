//! Opens a recording by its name.

use std::ffi::OsString;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use lobewright_types::{SampleFormat, SampleIndex, Timestamp};

use crate::info::{Capture, RecordingInfo, track_of};
use crate::layout::{Layout, Step, lay_out};
use crate::meta::{Meta, parse_meta};
use crate::recording::{Input, Recording};
use crate::{OpenError, SourceWarning, archive, overrides, wav};

/// Most bytes of metadata that are read: some million annotations.
pub(crate) const MAX_META_BYTES: u64 = 1 << 28;
/// Samples in a block where nothing else is asked for.
const BLOCK_SAMPLES: usize = 65_536;

/// How to read a recording; where it says the same of itself, an option wins and a warning says so.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenOptions {
    /// How a sample is stored; needed for raw samples.
    pub format: Option<SampleFormat>,
    /// Samples a second of each channel; needed for raw samples.
    pub rate_hz: Option<f64>,
    /// Tuned centre.
    pub center_hz: Option<f64>,
    /// Interleaved channels.
    pub channels: Option<usize>,
    /// UTC of the first sample.
    pub start_utc: Option<Timestamp>,
    /// Most samples of each channel in a block.
    pub block_samples: usize,
    /// Which recording of an archive, by its base name; the first where not given.
    pub recording: Option<String>,
}

impl Default for OpenOptions {
    fn default() -> Self {
        Self {
            format: None,
            rate_hz: None,
            center_hz: None,
            channels: None,
            start_utc: None,
            block_samples: BLOCK_SAMPLES,
            recording: None,
        }
    }
}

/// Opens a recording; its name says what it is.
///
/// # Inputs
/// `path`: `.sigmf-meta` or `.sigmf-data` of a pair (or their common base name), a `.sigmf` archive, `.wav`, `-` for
/// raw samples from standard input, and anything else as raw samples, which need `format` and `rate_hz`.
///
/// # Errors
/// [`OpenError`] naming the file, the field or option, and what would be right.
///
/// # Method
/// Signal Metadata Format Specification v1.2.5, with datasets that do not conform (`core:dataset`,
/// `core:header_bytes`, `core:trailing_bytes`). An archive is read in place, without unpacking it.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    overrides::check(options)?;
    if path.as_os_str() == "-" {
        return open_reader(Box::new(std::io::stdin()), "standard input", options);
    }
    if has_suffix(path, ".sigmf-meta") {
        open_pair(path, options)
    } else if has_suffix(path, ".sigmf-data") {
        open_data(path, options)
    } else if has_suffix(path, ".sigmf") {
        archive::open_archive(path, options)
    } else if has_suffix(path, ".wav") {
        wav::open_wav(path, options)
    } else if let Some(needed) = not_read(path) {
        Err(OpenError::Field {
            file: path.display().to_string(),
            field: "file name".to_owned(),
            found: format!("{:?}", file_name(path)),
            needed: needed.to_owned(),
        })
    } else {
        let meta = appended(path, ".sigmf-meta");
        if !path.exists() && meta.exists() {
            return open_pair(&meta, options);
        }
        open_raw(path, options)
    }
}

/// Opens raw samples from any reader, such as standard input; `name` is what messages call it.
///
/// # Errors
/// [`OpenError::RawNeeds`] without `format` or `rate_hz`; [`OpenError::Option`] for a value that cannot work.
pub fn open_reader(
    reader: Box<dyn Read + Send>,
    name: &str,
    options: &OpenOptions,
) -> Result<Recording, OpenError> {
    overrides::check(options)?;
    let meta = raw_meta(name, options)?;
    let steps = vec![Step::Read {
        start: SampleIndex(0),
        byte: None,
        samples: None,
    }];
    let layout = Layout {
        steps,
        captures: meta.captures.clone(),
        annotations: Vec::new(),
        length: 0,
        warnings: Vec::new(),
    };
    assemble(
        name,
        &meta,
        layout,
        None,
        Vec::new(),
        Input::Stream(reader),
        options,
    )
}

/// Why a name that could be taken for a recording is not read, and what is.
fn not_read(path: &Path) -> Option<&'static str> {
    if has_suffix(path, ".sigmf-collection") {
        Some("the name of one of the collection's recordings (.sigmf-meta)")
    } else if [".sigmf.gz", ".sigmf.xz", ".sigmf.zip"]
        .iter()
        .any(|suffix| has_suffix(path, suffix))
    {
        Some("the name of an archive without compression (.sigmf); uncompress it first")
    } else {
        None
    }
}

fn open_data(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let meta = swap_suffix(path, ".sigmf-meta");
    if meta.exists() {
        return open_pair(&meta, options);
    }
    if options.format.is_some() && options.rate_hz.is_some() {
        return open_raw(path, options);
    }
    Err(OpenError::NoMeta {
        data: path.to_owned(),
        meta,
    })
}

fn open_pair(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let meta = read_meta(path)?;
    let data = data_path(path, &meta)?;
    let (file, data_bytes) = open_plain(&data)?;
    from_meta(&path.display().to_string(), meta, file, 0, data_bytes, options)
}

fn open_raw(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let name = path.display().to_string();
    let meta = raw_meta(&name, options)?;
    let file = File::open(path).map_err(io_error(path))?;
    let about = file.metadata().map_err(io_error(path))?;
    if about.is_file() {
        from_meta(&name, meta, file, 0, about.len(), options)
    } else {
        // A pipe or a device: its end is not known before it comes.
        open_reader(Box::new(file), &name, options)
    }
}

/// Reads and parses a metadata file.
pub(crate) fn read_meta(path: &Path) -> Result<Meta, OpenError> {
    let file = File::open(path).map_err(io_error(path))?;
    let name = path.display().to_string();
    parse_meta(&read_limited(file, path, &name)?, &name)
}

/// Reads metadata, which are small, whole.
pub(crate) fn read_limited(reader: impl Read, path: &Path, name: &str) -> Result<Vec<u8>, OpenError> {
    let mut bytes = Vec::new();
    reader
        .take(MAX_META_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(io_error(path))?;
    if bytes.len() as u64 > MAX_META_BYTES {
        return Err(OpenError::MetaTooLarge {
            file: name.to_owned(),
            limit_bytes: MAX_META_BYTES,
        });
    }
    Ok(bytes)
}

/// The file with the samples of a metadata file.
pub(crate) fn data_path(meta_path: &Path, meta: &Meta) -> Result<PathBuf, OpenError> {
    let usual = swap_suffix(meta_path, ".sigmf-data");
    let data = match &meta.dataset {
        Some(name) => meta_path.with_file_name(name),
        None => usual,
    };
    if data.is_file() {
        return Ok(data);
    }
    if meta.metadata_only {
        return Err(OpenError::Field {
            file: meta_path.display().to_string(),
            field: "global.core:metadata_only".to_owned(),
            found: "true".to_owned(),
            needed: "false, with the samples beside it, for a recording that can be read".to_owned(),
        });
    }
    Err(OpenError::NoData {
        file: meta_path.display().to_string(),
        data,
    })
}

fn open_plain(path: &Path) -> Result<(File, u64), OpenError> {
    let file = File::open(path).map_err(io_error(path))?;
    let bytes = file.metadata().map_err(io_error(path))?.len();
    Ok((file, bytes))
}

/// Metadata of raw samples, from the options.
pub(crate) fn raw_meta(name: &str, options: &OpenOptions) -> Result<Meta, OpenError> {
    let needs = |option, example| OpenError::RawNeeds {
        file: name.to_owned(),
        option,
        example,
    };
    let format = options
        .format
        .ok_or_else(|| needs("a sample format", "one such as cu8 or ci16_le"))?;
    let rate_hz = options
        .rate_hz
        .ok_or_else(|| needs("a sample rate", "one such as 2.4e6 samples a second"))?;
    Ok(plain_meta(
        format,
        options.channels.unwrap_or(1),
        rate_hz,
        options,
    ))
}

/// Metadata with one capture of which only the options are known.
pub(crate) fn plain_meta(format: SampleFormat, channels: usize, rate_hz: f64, options: &OpenOptions) -> Meta {
    Meta {
        format,
        channels,
        rate_hz: Some(rate_hz),
        version: String::new(),
        offset: 0,
        trailing_bytes: 0,
        dataset: None,
        metadata_only: false,
        sha512: None,
        description: None,
        hw: None,
        author: None,
        license: None,
        recorder: None,
        position: None,
        captures: vec![Capture {
            center_hz: options.center_hz,
            utc: options.start_utc,
            ..Capture::default()
        }],
        utc_steps_s: vec![0.0],
        annotations: Vec::new(),
        warnings: Vec::new(),
    }
}

/// Opens the samples that metadata describe: `data_bytes` bytes of `file` from byte `base` on.
pub(crate) fn from_meta(
    name: &str,
    mut meta: Meta,
    file: File,
    base: u64,
    data_bytes: u64,
    options: &OpenOptions,
) -> Result<Recording, OpenError> {
    let mut warnings = std::mem::take(&mut meta.warnings);
    warnings.extend(overrides::apply(options, &mut meta));
    let rate_hz = known_rate(name, &meta)?;
    let mut layout = lay_out(&meta, rate_hz, data_bytes, name)?;
    warnings.append(&mut layout.warnings);
    // No byte is right before the first seek.
    let at = u64::MAX;
    let length = Some(layout.length);
    assemble(
        name,
        &meta,
        layout,
        length,
        warnings,
        Input::File { file, base, at },
        options,
    )
}

fn known_rate(name: &str, meta: &Meta) -> Result<f64, OpenError> {
    meta.rate_hz.ok_or_else(|| OpenError::Missing {
        file: name.to_owned(),
        field: "global.core:sample_rate".to_owned(),
        needed: "give the rate as an option".to_owned(),
    })
}

/// Joins everything that is known to a recording.
pub(crate) fn assemble(
    name: &str,
    meta: &Meta,
    layout: Layout,
    length_samples: Option<u64>,
    warnings: Vec<SourceWarning>,
    input: Input,
    options: &OpenOptions,
) -> Result<Recording, OpenError> {
    overrides::check_block(options, meta.format.bytes_per_sample() * meta.channels)?;
    let rate_hz = known_rate(name, meta)?;
    let info = RecordingInfo {
        name: name.to_owned(),
        format: meta.format,
        channels: meta.channels,
        rate_hz,
        azimuth_track: track_of(&layout.captures, rate_hz),
        captures: layout.captures,
        annotations: layout.annotations,
        length_samples,
        description: meta.description.clone(),
        hw: meta.hw.clone(),
        author: meta.author.clone(),
        license: meta.license.clone(),
        recorder: meta.recorder.clone(),
        sha512: meta.sha512.clone(),
        global_position: meta.position,
    };
    Ok(Recording::new(
        info,
        warnings,
        input,
        layout.steps,
        options.block_samples,
    ))
}

/// The last part of a path as text, for looking at its suffix.
pub(crate) fn file_name(path: &Path) -> String {
    path.file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default()
}

/// Whether a path's name ends in a suffix, in capitals or not.
pub(crate) fn has_suffix(path: &Path, suffix: &str) -> bool {
    file_name(path)
        .to_ascii_lowercase()
        .strip_suffix(suffix)
        .is_some_and(|stem| !stem.is_empty())
}

/// Puts text behind a path, whatever dots its name has.
pub(crate) fn appended(path: &Path, suffix: &str) -> PathBuf {
    let mut text: OsString = path.as_os_str().to_owned();
    text.push(suffix);
    text.into()
}

/// Changes `.sigmf-meta` and `.sigmf-data`, the only suffixes that this is called for, into another.
pub(crate) fn swap_suffix(path: &Path, suffix: &str) -> PathBuf {
    appended(&path.with_extension(""), suffix)
}

pub(crate) fn io_error(path: &Path) -> impl Fn(std::io::Error) -> OpenError + '_ {
    |source| OpenError::Io {
        path: path.to_owned(),
        source,
    }
}
