//! Where in a data file which samples of the stream lie, and where the gaps are.

use lobewright_types::{Gap, GapCause, SampleIndex};

use crate::info::{Annotation, Capture};
use crate::meta::Meta;
use crate::{OpenError, SourceWarning};

/// Times of neighbouring captures may differ from their sample counts by this much before the stream counts as
/// broken: the jitter of a computer that stamps blocks as they arrive.
const TIME_SLACK_S: f64 = 0.05;
/// ... and by this share of the time between them, for a receiver's clock that is off.
const CLOCK_SLACK: f64 = 1e-4;

/// One step through the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Step {
    /// Hand on a gap.
    Gap(Gap),
    /// Hand on samples.
    Read {
        /// Stream index of the first.
        start: SampleIndex,
        /// Byte of the first in the data; `None` for where the reader stands.
        byte: Option<u64>,
        /// How many; `None` for up to the end.
        samples: Option<u64>,
    },
}

/// The way through a data file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Layout {
    pub(crate) steps: Vec<Step>,
    /// In stream indices, the first at 0.
    pub(crate) captures: Vec<Capture>,
    /// In stream indices.
    pub(crate) annotations: Vec<Annotation>,
    /// Samples in the stream, lost ones counted.
    pub(crate) length: u64,
    pub(crate) warnings: Vec<SourceWarning>,
}

/// A capture's place in the file.
struct Segment {
    /// First sample, counted from the file's first.
    file_start: u64,
    /// Samples that are really there.
    samples: u64,
    /// First byte of the first sample.
    byte: u64,
}

/// Lays out a data file of `data_bytes` bytes.
pub(crate) fn lay_out(meta: &Meta, rate_hz: f64, data_bytes: u64, file: &str) -> Result<Layout, OpenError> {
    let frame_bytes = meta.format.bytes_per_sample() * meta.channels;
    let mut warnings = Vec::new();
    let (captures, steps_s, implied) = with_first_capture(meta, &mut warnings);
    let blame = Blame { file, implied };
    if meta.trailing_bytes > data_bytes {
        return Err(OpenError::Field {
            file: file.to_owned(),
            field: "global.core:trailing_bytes".to_owned(),
            found: meta.trailing_bytes.to_string(),
            needed: format!("at most the data file's length, {data_bytes} bytes"),
        });
    }
    let end = data_bytes - meta.trailing_bytes;
    let segments = find_segments(meta, &captures, frame_bytes as u64, end, &blame, &mut warnings)?;
    let captures = into_stream(captures, &segments, &blame, &mut warnings)?;
    let length = captures
        .last()
        .zip(segments.last())
        .map_or(0, |(c, s)| c.start.0 + s.samples);
    if length == 0 {
        warnings.push(SourceWarning::Empty);
    }
    let breaks = Breaks {
        rate_hz,
        steps_s: &steps_s,
        blame: &blame,
    };
    let steps = find_steps(&captures, &segments, frame_bytes as u64, &breaks, &mut warnings);
    let annotations = map_annotations(meta, &captures, &segments, length, &mut warnings);
    Ok(Layout {
        steps,
        captures,
        annotations,
        length,
        warnings,
    })
}

/// Names captures in messages by their place in the file.
struct Blame<'a> {
    file: &'a str,
    /// 1 where a capture was put before the file's first.
    implied: usize,
}

impl Blame<'_> {
    fn name(&self, index: usize, key: &str) -> String {
        format!("captures[{}].{key}", index.saturating_sub(self.implied))
    }

    fn wrong(&self, index: usize, key: &str, found: u64, needed: String) -> OpenError {
        OpenError::Field {
            file: self.file.to_owned(),
            field: self.name(index, key),
            found: found.to_string(),
            needed,
        }
    }
}

/// Puts a capture of which nothing is known before the first where the file leaves samples without one.
fn with_first_capture(meta: &Meta, warnings: &mut Vec<SourceWarning>) -> (Vec<Capture>, Vec<f64>, usize) {
    let mut captures = meta.captures.clone();
    let mut steps_s = meta.utc_steps_s.clone();
    let first = captures.first().map(|c| c.start.0);
    if first.is_some_and(|start| start <= meta.offset) {
        return (captures, steps_s, 0);
    }
    if let Some(start) = first {
        warnings.push(SourceWarning::Field {
            field: "captures[0].core:sample_start".to_owned(),
            problem: format!(
                "the {} samples before it belong to no capture; their frequency and time are unknown",
                start - meta.offset
            ),
        });
    }
    captures.insert(
        0,
        Capture {
            start: SampleIndex(meta.offset),
            ..Capture::default()
        },
    );
    steps_s.insert(0, 0.0);
    (captures, steps_s, 1)
}

fn find_segments(
    meta: &Meta,
    captures: &[Capture],
    frame_bytes: u64,
    end: u64,
    blame: &Blame<'_>,
    warnings: &mut Vec<SourceWarning>,
) -> Result<Vec<Segment>, OpenError> {
    let mut segments: Vec<Segment> = Vec::with_capacity(captures.len());
    let mut headers: u64 = 0;
    for (k, capture) in captures.iter().enumerate() {
        let file_start = capture.start.0.checked_sub(meta.offset).ok_or_else(|| {
            let needed = format!("at least `core:offset`, {}", meta.offset);
            blame.wrong(k, "core:sample_start", capture.start.0, needed)
        })?;
        headers = headers.checked_add(capture.header_bytes).ok_or_else(|| {
            let needed = "such that all headers together fit in the data file".to_owned();
            blame.wrong(k, "core:header_bytes", capture.header_bytes, needed)
        })?;
        let byte = file_start
            .checked_mul(frame_bytes)
            .and_then(|b| b.checked_add(headers));
        let within = byte.filter(|&b| b < end || (k == 0 && b == end));
        let Some(byte) = within else {
            if k == 0 {
                let needed = format!("at most the length of the data, {end} bytes");
                return Err(blame.wrong(k, "core:header_bytes", capture.header_bytes, needed));
            }
            warnings.push(SourceWarning::Short {
                found: segments.last().map_or(0, |s: &Segment| s.file_start + s.samples),
                expected: file_start,
                by: blame.name(k, "core:sample_start"),
            });
            return Ok(segments);
        };
        let present = (end - byte) / frame_bytes;
        let announced = captures
            .get(k + 1)
            .map_or(u64::MAX, |next| next.start.0 - capture.start.0);
        segments.push(Segment {
            file_start,
            samples: present.min(announced),
            byte,
        });
        let left_over = (end - byte) % frame_bytes;
        // Within the last capture, or one that the file does not reach the end of.
        if present < announced && left_over > 0 {
            warnings.push(SourceWarning::PartFrame {
                bytes: left_over,
                frame_bytes: usize::try_from(frame_bytes).unwrap_or(usize::MAX),
            });
        }
    }
    Ok(segments)
}

/// Counts lost samples in and keeps the captures that have data.
fn into_stream(
    mut captures: Vec<Capture>,
    segments: &[Segment],
    blame: &Blame<'_>,
    warnings: &mut Vec<SourceWarning>,
) -> Result<Vec<Capture>, OpenError> {
    captures.truncate(segments.len());
    let file_starts: Vec<u64> = captures.iter().map(|c| c.start.0).collect();
    let mut at: u64 = 0;
    for k in 0..captures.len() {
        if k > 0 {
            let advance = file_starts[k] - file_starts[k - 1];
            let lost = lost_before(&captures[k - 1..=k], &file_starts[k - 1..=k], k, blame, warnings)?;
            captures[k].lost_before = lost;
            at = advance
                .checked_add(lost)
                .and_then(|n| n.checked_add(at))
                .ok_or_else(|| {
                    let index = captures[k].global_index.unwrap_or(0);
                    blame.wrong(
                        k,
                        "core:global_index",
                        index,
                        "so small that indices stay below 2^64".to_owned(),
                    )
                })?;
        }
        captures[k].start = SampleIndex(at);
    }
    if let (Some(last), Some(segment)) = (captures.last(), segments.last())
        && last.start.0.checked_add(segment.samples).is_none()
    {
        let index = last.global_index.unwrap_or(0);
        let needed = "so small that indices stay below 2^64".to_owned();
        return Err(blame.wrong(captures.len() - 1, "core:global_index", index, needed));
    }
    Ok(captures)
}

/// Samples lost between two neighbours, from the receiver's own count.
///
/// A missing `core:global_index` counts as `core:sample_start` (SigMF v1.2.5, captures).
fn lost_before(
    pair: &[Capture],
    file_starts: &[u64],
    k: usize,
    blame: &Blame<'_>,
    warnings: &mut Vec<SourceWarning>,
) -> Result<u64, OpenError> {
    let index = |i: usize| pair[i].global_index.unwrap_or(file_starts[i]);
    let least = index(0).saturating_add(file_starts[1] - file_starts[0]);
    if let Some(lost) = index(1).checked_sub(least) {
        return Ok(lost);
    }
    if pair.iter().all(|c| c.global_index.is_some()) {
        let needed = format!("at least {least}, where the capture before ends");
        return Err(blame.wrong(k, "core:global_index", index(1), needed));
    }
    warnings.push(SourceWarning::Field {
        field: blame.name(k, "core:global_index"),
        problem: "the capture before or this one has none, so the two do not fit; taken as no sample lost"
            .to_owned(),
    });
    Ok(0)
}

/// What tells whether a stream runs on from one capture to the next.
struct Breaks<'a> {
    rate_hz: f64,
    steps_s: &'a [f64],
    blame: &'a Blame<'a>,
}

impl Breaks<'_> {
    fn between(
        &self,
        captures: &[Capture],
        from: usize,
        to: usize,
        warnings: &mut Vec<SourceWarning>,
    ) -> bool {
        let (a, b) = (&captures[from], &captures[to]);
        if a.center_hz.is_some() != b.center_hz.is_some() && from >= self.blame.implied {
            warnings.push(SourceWarning::Field {
                field: self.blame.name(to, "core:frequency"),
                problem: "given for only one of two neighbouring captures, and fields do not carry over; the stream \
                          is taken as broken there"
                    .to_owned(),
            });
        }
        a.center_hz != b.center_hz || self.time_jumps(captures, from, to, warnings)
    }

    fn time_jumps(
        &self,
        captures: &[Capture],
        from: usize,
        to: usize,
        warnings: &mut Vec<SourceWarning>,
    ) -> bool {
        let (Some(a), Some(b)) = (captures[from].utc, captures[to].utc) else {
            return false;
        };
        let counted_s = (captures[to].start.0 - captures[from].start.0) as f64 / self.rate_hz;
        let jump_s = b.seconds_since(a) - counted_s;
        let step_s = self.steps_s[from].max(self.steps_s[to]);
        if jump_s.abs() <= step_s.max(TIME_SLACK_S) + CLOCK_SLACK * counted_s {
            return false;
        }
        warnings.push(SourceWarning::Field {
            field: self.blame.name(to, "core:datetime"),
            problem: format!(
                "lies {jump_s:.3} s off the time that the samples since the capture before take; the stream is taken \
                 as broken there"
            ),
        });
        true
    }
}

fn find_steps(
    captures: &[Capture],
    segments: &[Segment],
    frame_bytes: u64,
    breaks: &Breaks<'_>,
    warnings: &mut Vec<SourceWarning>,
) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut before: Option<usize> = None;
    let mut lost: u64 = 0;
    for (k, (capture, segment)) in captures.iter().zip(segments).enumerate() {
        lost += capture.lost_before;
        if segment.samples == 0 {
            continue;
        }
        if lost > 0 {
            steps.push(gap(capture.start.0 - lost, lost, GapCause::Lost));
        }
        if let Some(from) = before
            && breaks.between(captures, from, k, warnings)
        {
            steps.push(gap(capture.start.0, 0, GapCause::NewCapture));
        }
        push_read(&mut steps, capture.start, segment, frame_bytes);
        before = Some(k);
        lost = 0;
    }
    if let Some(last) = captures.last().filter(|_| lost > 0) {
        steps.push(gap(last.start.0 - lost, lost, GapCause::Lost));
    }
    steps
}

fn gap(start: u64, samples: u64, cause: GapCause) -> Step {
    Step::Gap(Gap {
        start: SampleIndex(start),
        samples,
        cause,
    })
}

/// Joins samples to those before where they lie one behind the other, so that blocks are not cut in vain.
fn push_read(steps: &mut Vec<Step>, start: SampleIndex, segment: &Segment, frame_bytes: u64) {
    if let Some(Step::Read {
        byte: Some(byte),
        samples: Some(samples),
        ..
    }) = steps.last_mut()
        && *byte + *samples * frame_bytes == segment.byte
    {
        *samples += segment.samples;
        return;
    }
    steps.push(Step::Read {
        start,
        byte: Some(segment.byte),
        samples: Some(segment.samples),
    });
}

/// Moves annotations from file to stream indices.
fn map_annotations(
    meta: &Meta,
    captures: &[Capture],
    segments: &[Segment],
    length: u64,
    warnings: &mut Vec<SourceWarning>,
) -> Vec<Annotation> {
    let file_end = segments.last().map_or(0, |s| s.file_start + s.samples);
    // Lost samples are counted in by the capture that an index lies in.
    let to_stream = |file_index: u64| {
        let k = segments
            .partition_point(|s| s.file_start <= file_index)
            .saturating_sub(1);
        segments.get(k).map_or(0, |s| {
            captures[k]
                .start
                .0
                .saturating_add(file_index.saturating_sub(s.file_start))
        })
    };
    let mut mapped = Vec::with_capacity(meta.annotations.len());
    let mut reach: u64 = 0;
    for (i, annotation) in meta.annotations.iter().enumerate() {
        let first = annotation.start.0.checked_sub(meta.offset);
        let Some(first) = first.filter(|&f| f < file_end) else {
            warnings.push(SourceWarning::Field {
                field: format!("annotations[{i}].core:sample_start"),
                problem: format!(
                    "{} lies outside the {file_end} samples that are there; the annotation is left out",
                    annotation.start.0
                ),
            });
            reach = reach.max(first.unwrap_or(0));
            continue;
        };
        let start = to_stream(first);
        let count = annotation.count.map(|n| {
            reach = reach.max(first.saturating_add(n));
            match n {
                0 => 0,
                n => (to_stream(first.saturating_add(n - 1)).saturating_add(1) - start).min(length - start),
            }
        });
        mapped.push(Annotation {
            start: SampleIndex(start),
            count,
            ..annotation.clone()
        });
    }
    if reach > file_end {
        warnings.push(SourceWarning::Short {
            found: file_end,
            expected: reach,
            by: "the annotations".to_owned(),
        });
    }
    mapped
}
