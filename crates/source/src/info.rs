//! What is known about a recording beside its samples.

use lobewright_types::{Azimuth, Mount, Position, SampleFormat, SampleIndex, Timestamp, True};

/// A stretch of a recording over which the receiver's settings are the same.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Capture {
    /// First sample, in the stream: lost samples before it are counted.
    pub start: SampleIndex,
    /// Samples lost between the capture before and this one; 0 for the first.
    pub lost_before: u64,
    /// Tuned centre (`core:frequency`).
    pub center_hz: Option<f64>,
    /// UTC of the first sample (`core:datetime`).
    pub utc: Option<Timestamp>,
    /// Where the receiver stood (`core:geolocation`).
    pub position: Option<Position>,
    /// Index of the first sample in the receiver's own count (`core:global_index`), as the file has it.
    pub global_index: Option<u64>,
    /// Bytes before the capture's samples that are no samples (`core:header_bytes`).
    pub header_bytes: u64,
    /// Where the antenna's boresight pointed (`spatial:aperture_azimuth`).
    pub aperture_azimuth: Option<Azimuth<True>>,
    /// Receiver gain (`capture_details:gain`).
    pub gain_db: Option<f64>,
}

/// A note about a stretch of a recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Annotation {
    /// First sample, in the stream.
    pub start: SampleIndex,
    /// How many samples; `None` for up to the end of the capture.
    pub count: Option<u64>,
    /// Short text.
    pub label: Option<String>,
    /// Long text.
    pub comment: Option<String>,
    /// Who or what made the note.
    pub generator: Option<String>,
    /// Lower edge of what is noted, at RF where the capture has a centre, else from baseband.
    pub freq_lower_hz: Option<f64>,
    /// Upper edge, in the same way.
    pub freq_upper_hz: Option<f64>,
    /// Direction that the signal came from, counted from the antenna's boresight (`spatial:signal_azimuth`):
    /// the zero mark is the capture's `aperture_azimuth`. [`RecordingInfo::signal_azimuth_true`] joins the two.
    pub signal_azimuth: Option<Azimuth<Mount>>,
    /// Standard deviation of `signal_azimuth` (`spatial:signal_bearing`, `az_error`, whose meaning the extension
    /// leaves open: here it is 1 sigma).
    pub signal_sigma_deg: Option<f64>,
    /// Where the transmitter stood (`spatial:emitter_location`).
    pub emitter_position: Option<Position>,
}

/// Where the antenna pointed at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Time from the stream's first sample.
    pub time_s: f64,
    /// Boresight.
    pub azimuth: Azimuth<True>,
}

/// What is known about a recording beside its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingInfo {
    /// File name, for messages.
    pub name: String,
    /// How a sample is stored in the blocks that are handed on.
    pub format: SampleFormat,
    /// Interleaved channels, at least 1.
    pub channels: usize,
    /// Samples a second of each channel.
    pub rate_hz: f64,
    /// At least one, the first at sample 0, in order of `start`.
    pub captures: Vec<Capture>,
    /// In order of `start`.
    pub annotations: Vec<Annotation>,
    /// Samples of each channel in the stream, lost ones counted; `None` where only the end will tell.
    pub length_samples: Option<u64>,
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
    /// SHA-512 that the metadata state for the data file, lower-case hexadecimal.
    pub sha512: Option<String>,
    /// Where the antenna pointed, from the captures' apertures, in order of time.
    pub azimuth_track: Vec<TrackPoint>,
    /// Where the receiver stood, for the whole recording; a capture's own place comes first.
    pub global_position: Option<Position>,
}

impl RecordingInfo {
    /// The capture that a sample belongs to.
    ///
    /// # Panics
    /// Where `captures` is empty, which no recording from this crate has.
    pub fn capture_at(&self, index: SampleIndex) -> &Capture {
        let after = self.captures.partition_point(|c| c.start <= index);
        &self.captures[after.saturating_sub(1)]
    }

    /// The centre the receiver was tuned to, where known.
    pub fn center_hz_at(&self, index: SampleIndex) -> Option<f64> {
        self.capture_at(index).center_hz
    }

    /// UTC of a sample: counted from the last capture at or before it that states one, else back from the first
    /// one after it that does.
    pub fn utc_at(&self, index: SampleIndex) -> Option<Timestamp> {
        let after = self.captures.partition_point(|c| c.start <= index);
        let (before, behind) = self.captures.split_at(after);
        let anchor = before
            .iter()
            .rev()
            .chain(behind)
            .find_map(|c| c.utc.map(|utc| (c.start, utc)));
        anchor.map(|(start, utc)| {
            let samples = if index >= start {
                (index.0 - start.0) as f64
            } else {
                -((start.0 - index.0) as f64)
            };
            utc.plus_seconds(samples / self.rate_hz)
        })
    }

    /// Where the receiver stood when a sample was taken: from its capture, else for the whole recording.
    pub fn position_at(&self, index: SampleIndex) -> Option<Position> {
        self.capture_at(index).position.or(self.global_position)
    }

    /// Where the receiver stood first: from the first capture that says so, else for the whole recording.
    pub fn position(&self) -> Option<Position> {
        self.captures
            .iter()
            .find_map(|c| c.position)
            .or(self.global_position)
    }

    /// The true azimuth that an annotation states, where both it and its capture's aperture are known.
    ///
    /// # Method
    /// SigMF `spatial` extension v1.1.0, worked example: aperture 270 and signal 135 degrees make 45 degrees true.
    pub fn signal_azimuth_true(&self, annotation: &Annotation) -> Option<Azimuth<True>> {
        let aperture = self.capture_at(annotation.start).aperture_azimuth?;
        Some(annotation.signal_azimuth?.to_true(aperture))
    }

    /// The length in seconds, where known.
    pub fn length_s(&self) -> Option<f64> {
        self.length_samples.map(|n| n as f64 / self.rate_hz)
    }
}

/// The azimuth track that captures state, in order of time.
pub(crate) fn track_of(captures: &[Capture], rate_hz: f64) -> Vec<TrackPoint> {
    captures
        .iter()
        .filter_map(|c| {
            c.aperture_azimuth.map(|azimuth| TrackPoint {
                time_s: c.start.seconds(rate_hz),
                azimuth,
            })
        })
        .collect()
}
