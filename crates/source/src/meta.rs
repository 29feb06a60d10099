//! The text of a `.sigmf-meta` file as values: checked field by field, nothing guessed without a warning.

use lobewright_types::{Position, SampleFormat, SampleIndex, Timestamp};

use crate::info::{Annotation, Capture};
use crate::json::{Object, parse};
use crate::{OpenError, SourceWarning, geo};

/// Largest frequency and rate of the specification, in Hz.
pub(crate) const MAX_HZ: f64 = 1e12;
/// Most interleaved channels that are read.
pub(crate) const MAX_CHANNELS: usize = 4096;
/// The extensions whose fields are read here.
const EXTENSIONS: [&str; 2] = ["spatial", "capture_details"];

/// What a SigMF metadata file says; indices are as in the file (absolute, lost samples not counted).
#[derive(Debug, Clone, PartialEq)]
pub struct Meta {
    /// How a sample is stored.
    pub format: SampleFormat,
    /// Interleaved channels, at least 1.
    pub channels: usize,
    /// Samples a second of each channel, where stated.
    pub rate_hz: Option<f64>,
    /// Version of the specification; empty where it is missing.
    pub version: String,
    /// Index of the data file's first sample (`core:offset`).
    pub offset: u64,
    /// Bytes at the end of the data file that are no samples.
    pub trailing_bytes: u64,
    /// File that holds the samples, where it is not the usual one: a bare name.
    pub dataset: Option<String>,
    /// Whether the metadata come without samples on purpose.
    pub metadata_only: bool,
    /// SHA-512 of the data file, lower-case hexadecimal.
    pub sha512: Option<String>,
    /// Free text.
    pub description: Option<String>,
    /// The hardware.
    pub hw: Option<String>,
    /// Who made it.
    pub author: Option<String>,
    /// Under which terms.
    pub license: Option<String>,
    /// The program that made it.
    pub recorder: Option<String>,
    /// Where the receiver stood, for the whole recording.
    pub position: Option<Position>,
    /// Captures in the file's order; `start` is `core:sample_start`. Empty where the file has none.
    pub captures: Vec<Capture>,
    /// For each capture, how finely its time is stated, in seconds: the last digit of the text.
    pub utc_steps_s: Vec<f64>,
    /// Annotations in order; `start` is `core:sample_start`.
    pub annotations: Vec<Annotation>,
    /// Doubts.
    pub warnings: Vec<SourceWarning>,
}

/// Reads the text of a `.sigmf-meta` file.
///
/// # Inputs
/// `bytes`: the file; `name`: what messages call it.
///
/// # Errors
/// [`OpenError`] naming the line where it is not JSON, or the field that is missing or wrong and what would be
/// right.
///
/// # Method
/// Signal Metadata Format Specification v1.2.5. The datatype follows its grammar, not its schema's looser pattern.
///
/// # Example
/// ```
/// let text = br#"{"global": {"core:datatype": "cu8", "core:version": "1.2.5", "core:sample_rate": 24e5},
///                 "captures": [], "annotations": []}"#;
/// let meta = lobewright_source::parse_meta(text, "hill.sigmf-meta")?;
/// assert_eq!(meta.rate_hz, Some(2.4e6));
/// # Ok::<(), lobewright_source::OpenError>(())
/// ```
pub fn parse_meta(bytes: &[u8], name: &str) -> Result<Meta, OpenError> {
    let value = parse(bytes, name)?;
    let top = Object::top(&value, name)?;
    let global = top
        .object("global")?
        .ok_or_else(|| top.missing("global", "it must be an object with at least `core:datatype`"))?;
    let mut warnings = Vec::new();
    check_extensions(&global)?;
    let mut meta = read_global(&global, &mut warnings)?;
    for object in section(&top, "captures", &mut warnings)? {
        let (capture, step_s) = read_capture(&object, &mut warnings)?;
        if meta.captures.last().is_some_and(|c| c.start > capture.start) {
            let least = meta.captures.last().map_or(0, |c| c.start.0);
            return Err(object.wrong(
                "core:sample_start",
                format!("at least {least}, since captures stand in order"),
            ));
        }
        meta.captures.push(capture);
        meta.utc_steps_s.push(step_s);
    }
    for object in section(&top, "annotations", &mut warnings)? {
        meta.annotations.push(read_annotation(&object, &mut warnings)?);
    }
    if !meta.annotations.is_sorted_by_key(|a| a.start) {
        meta.annotations.sort_by_key(|a| a.start);
        warnings.push(SourceWarning::Field {
            field: "annotations".to_owned(),
            problem: "not in order of `core:sample_start`; they were sorted".to_owned(),
        });
    }
    meta.warnings = warnings;
    Ok(meta)
}

fn section<'a>(
    top: &Object<'a>,
    key: &str,
    warnings: &mut Vec<SourceWarning>,
) -> Result<Vec<Object<'a>>, OpenError> {
    if let Some(objects) = top.objects(key)? {
        return Ok(objects);
    }
    warnings.push(SourceWarning::Field {
        field: key.to_owned(),
        problem: "missing although required; taken as empty".to_owned(),
    });
    Ok(Vec::new())
}

fn read_global(global: &Object<'_>, warnings: &mut Vec<SourceWarning>) -> Result<Meta, OpenError> {
    let format = global
        .text("core:datatype")?
        .ok_or_else(|| global.missing("core:datatype", "it must be a sample format such as \"ci16_le\""))?
        .parse::<SampleFormat>()
        .map_err(|_| global.wrong("core:datatype", DATATYPES))?;
    let version = global.owned_text("core:version")?.unwrap_or_default();
    if !version.starts_with("0.") && !version.starts_with("1.") {
        warnings.push(SourceWarning::Field {
            field: global.name("core:version"),
            problem: format!("{version:?} is no known version of SigMF (1.x.y); read as version 1.2.5"),
        });
    }
    Ok(Meta {
        format,
        channels: read_channels(global)?,
        rate_hz: read_rate(global)?,
        version,
        offset: global.count("core:offset")?.unwrap_or(0),
        trailing_bytes: global.count("core:trailing_bytes")?.unwrap_or(0),
        dataset: read_dataset(global)?,
        metadata_only: global.flag("core:metadata_only")?.unwrap_or(false),
        sha512: read_sha512(global)?,
        description: global.owned_text("core:description")?,
        hw: global.owned_text("core:hw")?,
        author: global.owned_text("core:author")?,
        license: global.owned_text("core:license")?,
        recorder: global.owned_text("core:recorder")?,
        position: geo::read_point(global, "core:geolocation")?,
        captures: Vec::new(),
        utc_steps_s: Vec::new(),
        annotations: Vec::new(),
        warnings: Vec::new(),
    })
}

const DATATYPES: &str = "r or c, then f32, f64, i16, i32, u16 or u32 with _le or _be, or i8 or u8 without, for \
                         example \"cu8\" or \"ci16_le\"";

fn read_channels(global: &Object<'_>) -> Result<usize, OpenError> {
    let channels = global.count("core:num_channels")?.unwrap_or(1);
    usize::try_from(channels)
        .ok()
        .filter(|n| (1..=MAX_CHANNELS).contains(n))
        .ok_or_else(|| {
            global.wrong(
                "core:num_channels",
                format!("a whole number from 1 to {MAX_CHANNELS}"),
            )
        })
}

fn read_rate(global: &Object<'_>) -> Result<Option<f64>, OpenError> {
    let rate_hz = global.number("core:sample_rate", 0.0, MAX_HZ)?;
    if rate_hz == Some(0.0) {
        return Err(global.wrong("core:sample_rate", "above 0 and at most 1e12 samples a second"));
    }
    Ok(rate_hz)
}

/// The name is a bare one: it never leads out of the metadata's folder.
fn read_dataset(global: &Object<'_>) -> Result<Option<String>, OpenError> {
    let name = global.owned_text("core:dataset")?;
    match name.as_deref() {
        Some(n) if n.is_empty() || n == "." || n == ".." || n.contains(['/', '\\', ':', '\0']) => Err(global
            .wrong(
                "core:dataset",
                "the bare name of a file in the same folder, without a path",
            )),
        _ => Ok(name),
    }
}

fn read_sha512(global: &Object<'_>) -> Result<Option<String>, OpenError> {
    let Some(hash) = global.text("core:sha512")? else {
        return Ok(None);
    };
    if hash.len() == 128 && hash.bytes().all(|b| b.is_ascii_hexdigit()) {
        Ok(Some(hash.to_ascii_lowercase()))
    } else {
        Err(global.wrong("core:sha512", "128 hexadecimal digits"))
    }
}

/// Refuses what the file says cannot be read without an extension that is not known here.
fn check_extensions(global: &Object<'_>) -> Result<(), OpenError> {
    // Before version 1.0 the field was an object of names and versions, all optional.
    if global
        .get("core:extensions")
        .is_some_and(serde_json::Value::is_object)
    {
        return Ok(());
    }
    for extension in global.objects("core:extensions")?.unwrap_or_default() {
        let name = extension
            .text("name")?
            .ok_or_else(|| extension.missing("name", "it must be the extension's name"))?;
        let optional = extension.flag("optional")?.unwrap_or(true);
        if !optional && !EXTENSIONS.contains(&name) {
            let version = extension.text("version")?.unwrap_or("of no version");
            return Err(OpenError::Extension {
                file: extension.file().to_owned(),
                extension: format!("{name} {version}"),
            });
        }
    }
    Ok(())
}

fn read_capture(object: &Object<'_>, warnings: &mut Vec<SourceWarning>) -> Result<(Capture, f64), OpenError> {
    let (utc, step_s) = read_datetime(object, warnings)?;
    let (aperture_azimuth, _) =
        geo::read_bearing(object, "spatial:aperture_azimuth", "spatial:aperture_bearing")?;
    let capture = Capture {
        start: read_start(object)?,
        lost_before: 0,
        center_hz: object.number("core:frequency", -MAX_HZ, MAX_HZ)?,
        utc,
        position: geo::read_point(object, "core:geolocation")?,
        global_index: object.count("core:global_index")?,
        header_bytes: object.count("core:header_bytes")?.unwrap_or(0),
        aperture_azimuth,
        gain_db: object.number("capture_details:gain", -1000.0, 1000.0)?,
    };
    Ok((capture, step_s))
}

fn read_start(object: &Object<'_>) -> Result<SampleIndex, OpenError> {
    object
        .count("core:sample_start")?
        .map(SampleIndex)
        .ok_or_else(|| object.missing("core:sample_start", "it must be the index of the first sample"))
}

fn read_datetime(
    object: &Object<'_>,
    warnings: &mut Vec<SourceWarning>,
) -> Result<(Option<Timestamp>, f64), OpenError> {
    const KEY: &str = "core:datetime";
    let Some(text) = object.text(KEY)? else {
        return Ok((None, 0.0));
    };
    let utc = text
        .parse::<Timestamp>()
        .map_err(|_| object.wrong(KEY, "a UTC time such as \"2026-02-14T03:25:00.5Z\""))?;
    if !text.trim_end().ends_with('Z') {
        warnings.push(SourceWarning::Field {
            field: object.name(KEY),
            problem: format!("{text:?} does not end in Z as it must; its offset was taken to UTC"),
        });
    }
    let digits = text.split_once('.').map_or(0, |(_, fraction)| {
        fraction.bytes().take_while(u8::is_ascii_digit).count()
    });
    let step_s = 10_f64.powi(-i32::try_from(digits.min(9)).unwrap_or(9));
    Ok((Some(utc), step_s))
}

fn read_annotation(object: &Object<'_>, warnings: &mut Vec<SourceWarning>) -> Result<Annotation, OpenError> {
    let (signal_azimuth, signal_sigma_deg) =
        geo::read_bearing(object, "spatial:signal_azimuth", "spatial:signal_bearing")?;
    let annotation = Annotation {
        start: read_start(object)?,
        count: object.count("core:sample_count")?,
        label: object.owned_text("core:label")?,
        comment: object.owned_text("core:comment")?,
        generator: object.owned_text("core:generator")?,
        freq_lower_hz: object.number("core:freq_lower_edge", -MAX_HZ, MAX_HZ)?,
        freq_upper_hz: object.number("core:freq_upper_edge", -MAX_HZ, MAX_HZ)?,
        signal_azimuth,
        signal_sigma_deg,
        emitter_position: geo::read_point(object, "spatial:emitter_location")?,
    };
    match (annotation.freq_lower_hz, annotation.freq_upper_hz) {
        (Some(low), Some(high)) if low > high => {
            return Err(object.wrong(
                "core:freq_upper_edge",
                format!("at least the lower edge, {low:?}"),
            ));
        }
        (Some(_), None) | (None, Some(_)) => warnings.push(SourceWarning::Field {
            field: object.name("core:freq_lower_edge"),
            problem: "one of the two frequency edges is missing; both or neither must be given".to_owned(),
        }),
        _ => {}
    }
    Ok(annotation)
}
