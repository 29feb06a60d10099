//! The text of a `.sigmf-meta` file that is written.

use lobewright_types::{Azimuth, SampleIndex};
use serde_json::{Map, Value, json};

use crate::geo::write_point;
use crate::info::{Annotation, Capture};
use crate::meta::{MAX_CHANNELS, MAX_HZ};
use crate::{WriteError, WriteInfo};

/// Version of the specification that is written.
const VERSION: &str = "1.2.5";

fn wrong(field: impl Into<String>, found: impl std::fmt::Display, needed: impl Into<String>) -> WriteError {
    WriteError::Value {
        field: field.into(),
        found: found.to_string(),
        needed: needed.into(),
    }
}

/// Checks what can be checked before the first sample.
pub(crate) fn check_info(info: &WriteInfo) -> Result<(), WriteError> {
    if !(info.rate_hz > 0.0 && info.rate_hz <= MAX_HZ) {
        return Err(wrong(
            "rate_hz",
            info.rate_hz,
            "above 0 and at most 1e12 samples a second",
        ));
    }
    if !(1..=MAX_CHANNELS).contains(&info.channels) {
        return Err(wrong(
            "channels",
            info.channels,
            format!("from 1 to {MAX_CHANNELS}"),
        ));
    }
    Ok(())
}

/// Makes the metadata of `samples` samples of each channel; without a checksum they stand without data.
pub(crate) fn text(
    info: &WriteInfo,
    captures: &[Capture],
    annotations: &[Annotation],
    samples: u64,
    sha512: Option<&str>,
) -> Result<String, WriteError> {
    let mut captures = captures.to_vec();
    captures.sort_by_key(|c| c.start);
    if captures.is_empty() {
        captures.push(Capture::default());
    }
    let mut annotations = annotations.to_vec();
    annotations.sort_by_key(|a| a.start);
    let files = FileIndices::new(&captures, samples)?;

    let mut capture_values = Vec::with_capacity(captures.len());
    for (k, capture) in captures.iter().enumerate() {
        capture_values.push(capture_value(k, capture, &files)?);
    }
    let mut annotation_values = Vec::with_capacity(annotations.len());
    for (i, annotation) in annotations.iter().enumerate() {
        annotation_values.push(annotation_value(i, annotation, &files)?);
    }
    let all = Everything {
        global: global_value(info, &captures, &annotations, sha512),
        captures: capture_values,
        annotations: annotation_values,
    };
    let mut text = serde_json::to_string_pretty(&all).expect("a tree of values is always JSON");
    text.push('\n');
    Ok(text)
}

/// The order that a person wants to read them in.
#[derive(serde::Serialize)]
struct Everything {
    global: Value,
    captures: Vec<Value>,
    annotations: Vec<Value>,
}

/// Where captures begin in the file, and in the stream.
struct FileIndices {
    stream: Vec<u64>,
    file: Vec<u64>,
    global: Vec<Option<u64>>,
    samples: u64,
}

impl FileIndices {
    fn new(captures: &[Capture], samples: u64) -> Result<Self, WriteError> {
        let any_lost = captures.iter().any(|c| c.lost_before > 0);
        let mut lost: u64 = 0;
        let mut made = Self {
            stream: Vec::new(),
            file: Vec::new(),
            global: Vec::new(),
            samples,
        };
        for (k, capture) in captures.iter().enumerate() {
            check_capture(k, capture)?;
            lost = lost.saturating_add(capture.lost_before);
            let start = capture.start.0;
            let file = start.checked_sub(lost).ok_or_else(|| {
                wrong(
                    format!("captures[{k}].start"),
                    start,
                    format!("at least the {lost} samples lost before it, since it counts them"),
                )
            })?;
            if let Some(&before) = made.file.last()
                && file <= before
            {
                let needed = format!("above {before}, where the capture before starts in the file");
                return Err(wrong(format!("captures[{k}].start (in the file)"), file, needed));
            }
            if file > samples || (k > 0 && file == samples) {
                let needed = format!("within the {samples} samples written");
                return Err(wrong(format!("captures[{k}].start (in the file)"), file, needed));
            }
            made.stream.push(start);
            made.file.push(file);
            made.global
                .push(capture.global_index.or(any_lost.then_some(start)));
        }
        made.check_global(captures)?;
        Ok(made)
    }

    /// The receiver's own count must tell the same losses as the captures do.
    fn check_global(&self, captures: &[Capture]) -> Result<(), WriteError> {
        let count = |k: usize| self.global[k].unwrap_or(self.file[k]);
        for (k, capture) in captures.iter().enumerate().skip(1) {
            let needed = count(k - 1)
                .saturating_add(self.file[k] - self.file[k - 1])
                .saturating_add(capture.lost_before);
            if count(k) != needed {
                return Err(wrong(
                    format!("captures[{k}].global_index"),
                    count(k),
                    format!("{needed}, from the capture before and `lost_before`"),
                ));
            }
        }
        Ok(())
    }

    /// The index in the file of a stream index; one that was lost becomes that of the next sample.
    fn of(&self, index: SampleIndex) -> u64 {
        let k = self.stream.partition_point(|&s| s <= index.0).saturating_sub(1);
        let at = self.file[k].saturating_add(index.0.saturating_sub(self.stream[k]));
        self.file.get(k + 1).map_or(at, |&next| at.min(next))
    }
}

fn check_capture(k: usize, capture: &Capture) -> Result<(), WriteError> {
    let name = |key: &str| format!("captures[{k}].{key}");
    if k == 0 && (capture.start.0 > 0 || capture.lost_before > 0) {
        return Err(wrong(
            name("start"),
            format!("{} with {} lost", capture.start.0, capture.lost_before),
            "0 with none lost for the first capture",
        ));
    }
    if capture.header_bytes > 0 {
        return Err(wrong(
            name("header_bytes"),
            capture.header_bytes,
            "0: no headers are written",
        ));
    }
    check_range(&name("center_hz"), capture.center_hz, MAX_HZ)?;
    check_range(&name("gain_db"), capture.gain_db, 1000.0)
}

fn check_range(field: &str, value: Option<f64>, limit: f64) -> Result<(), WriteError> {
    match value {
        Some(v) if !(-limit..=limit).contains(&v) => {
            Err(wrong(field, v, format!("a number from -{limit:e} to {limit:e}")))
        }
        _ => Ok(()),
    }
}

/// Adds a field where there is a value.
fn put(map: &mut Map<String, Value>, key: &str, value: Option<impl Into<Value>>) {
    if let Some(value) = value {
        map.insert(key.to_owned(), value.into());
    }
}

fn global_value(
    info: &WriteInfo,
    captures: &[Capture],
    annotations: &[Annotation],
    sha512: Option<&str>,
) -> Value {
    let mut map = Map::new();
    put(&mut map, "core:datatype", Some(info.format.to_string()));
    put(&mut map, "core:version", Some(VERSION));
    put(&mut map, "core:sample_rate", Some(info.rate_hz));
    put(&mut map, "core:num_channels", Some(info.channels));
    put(&mut map, "core:sha512", sha512);
    put(&mut map, "core:metadata_only", sha512.is_none().then_some(true));
    put(&mut map, "core:description", info.description.clone());
    put(&mut map, "core:hw", info.hw.clone());
    put(&mut map, "core:author", info.author.clone());
    put(&mut map, "core:license", info.license.clone());
    put(&mut map, "core:recorder", info.recorder.clone());
    put(&mut map, "core:geolocation", info.position.map(write_point));
    let spatial = captures.iter().any(|c| c.aperture_azimuth.is_some())
        || annotations
            .iter()
            .any(|a| a.signal_azimuth.is_some() || a.emitter_position.is_some());
    let mut extensions = Vec::new();
    if spatial {
        put(&mut map, "spatial:num_elements", Some(info.num_elements));
        put(&mut map, "spatial:channel_index", Some(info.channel_index));
        extensions.push(json!({"name": "spatial", "version": "1.1.0", "optional": true}));
    }
    if captures.iter().any(|c| c.gain_db.is_some()) {
        extensions.push(json!({"name": "capture_details", "version": "1.0.0", "optional": true}));
    }
    if !extensions.is_empty() {
        put(&mut map, "core:extensions", Some(extensions));
    }
    Value::Object(map)
}

fn capture_value(k: usize, capture: &Capture, files: &FileIndices) -> Result<Value, WriteError> {
    let mut map = Map::new();
    put(&mut map, "core:sample_start", Some(files.file[k]));
    put(&mut map, "core:global_index", files.global[k]);
    put(&mut map, "core:frequency", capture.center_hz);
    put(&mut map, "core:datetime", capture.utc.map(|t| t.to_string()));
    put(&mut map, "core:geolocation", capture.position.map(write_point));
    put(
        &mut map,
        "spatial:aperture_azimuth",
        finite_deg(
            &format!("captures[{k}].aperture_azimuth"),
            capture.aperture_azimuth.map(Azimuth::degrees),
        )?,
    );
    put(&mut map, "capture_details:gain", capture.gain_db);
    Ok(Value::Object(map))
}

/// JSON has no word for a number that is not finite.
fn finite_deg(field: &str, deg: Option<f64>) -> Result<Option<f64>, WriteError> {
    match deg {
        Some(d) if !d.is_finite() => Err(wrong(field, d, "a finite number of degrees")),
        _ => Ok(deg),
    }
}

fn annotation_value(i: usize, annotation: &Annotation, files: &FileIndices) -> Result<Value, WriteError> {
    let name = |key: &str| format!("annotations[{i}].{key}");
    let start = files.of(annotation.start);
    let count = annotation
        .count
        .map(|n| files.of(annotation.start.plus(n)) - start);
    if start.saturating_add(count.unwrap_or(1)) > files.samples {
        let found = format!("{} with {:?} samples", annotation.start.0, annotation.count);
        return Err(wrong(
            name("start"),
            found,
            format!("within the {} samples written", files.samples),
        ));
    }
    check_range(&name("freq_lower_hz"), annotation.freq_lower_hz, MAX_HZ)?;
    check_range(&name("freq_upper_hz"), annotation.freq_upper_hz, MAX_HZ)?;
    match (annotation.freq_lower_hz, annotation.freq_upper_hz) {
        (Some(low), Some(high)) if low > high => {
            return Err(wrong(
                name("freq_upper_hz"),
                high,
                format!("at least freq_lower_hz, {low}"),
            ));
        }
        (Some(_), None) | (None, Some(_)) => {
            return Err(wrong(
                name("freq_lower_hz and freq_upper_hz"),
                "one of the two",
                "both or neither",
            ));
        }
        _ => {}
    }
    let mut map = Map::new();
    put(&mut map, "core:sample_start", Some(start));
    put(&mut map, "core:sample_count", count);
    put(&mut map, "core:label", annotation.label.clone());
    put(&mut map, "core:comment", annotation.comment.clone());
    put(&mut map, "core:generator", annotation.generator.clone());
    put(&mut map, "core:freq_lower_edge", annotation.freq_lower_hz);
    put(&mut map, "core:freq_upper_edge", annotation.freq_upper_hz);
    put_signal(&mut map, annotation, &name)?;
    put(
        &mut map,
        "spatial:emitter_location",
        annotation.emitter_position.map(write_point),
    );
    Ok(Value::Object(map))
}

/// A direction without its error stands alone, one with it in a bearing object.
fn put_signal(
    map: &mut Map<String, Value>,
    annotation: &Annotation,
    name: &dyn Fn(&str) -> String,
) -> Result<(), WriteError> {
    let azimuth = finite_deg(
        &name("signal_azimuth"),
        annotation.signal_azimuth.map(Azimuth::degrees),
    )?;
    match (azimuth, annotation.signal_sigma_deg) {
        (None, Some(sigma)) => {
            return Err(wrong(
                name("signal_sigma_deg"),
                sigma,
                "left out where there is no signal_azimuth",
            ));
        }
        (Some(_), Some(sigma)) if !(0.0..=360.0).contains(&sigma) => {
            return Err(wrong(
                name("signal_sigma_deg"),
                sigma,
                "a number from 0 to 360 degrees",
            ));
        }
        (Some(azimuth), Some(sigma)) => {
            let bearing = json!({"azimuth": azimuth, "az_error": sigma});
            put(map, "spatial:signal_bearing", Some(bearing));
        }
        (azimuth, None) => put(map, "spatial:signal_azimuth", azimuth),
    }
    Ok(())
}
