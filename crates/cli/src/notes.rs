//! Bursts and bearings of a recording as SigMF annotations, beside the recording and not in it.

use std::fmt::Write as _;

use lobewright_export::azimuth_with_doubt;
use lobewright_source::{Annotation, Capture, WriteInfo, metadata_only};
use lobewright_station::PlaceResult;
use lobewright_types::{Azimuth, Bearing, BearingOutcome, Burst, FixOutcome, Mount, SampleIndex};

use crate::fault::Fault;

/// Length that SigMF recommends as the most for a label.
const LABEL_CHARS: usize = 20;

/// Metadata without data: one annotation a burst, with the bearing's direction where there is one.
///
/// Directions are counted from the aperture, which is given as true north.
pub(crate) fn of_place(place: &PlaceResult, fix: Option<&FixOutcome>) -> Result<String, Fault> {
    let s = &place.summary;
    let info = WriteInfo {
        description: Some(format!(
            "Bursts and bearings of {}. Azimuths are counted from true north: the aperture azimuth of 0 is that reference, not where the antenna pointed. az_error is 1 sigma.",
            place.name
        )),
        position: place.position,
        ..WriteInfo::new(s.format, s.rate_hz)
    };
    let capture = Capture {
        start: SampleIndex(0),
        center_hz: s.recording_center_hz,
        utc: s.start_utc,
        position: place.position,
        aperture_azimuth: Some(Azimuth::from_degrees(0.0)),
        ..Capture::default()
    };
    let notes: Vec<Annotation> = place
        .bursts
        .iter()
        .enumerate()
        .map(|(i, b)| note(place, fix, i, b))
        .collect();
    metadata_only(&info, &[capture], &notes, s.samples + s.missing_samples).map_err(Fault::failure)
}

/// The bearing that a burst went into: its own, or the one of all bursts.
fn bearing_of(place: &PlaceResult, burst: usize) -> Option<&Bearing> {
    let outcome = place.outcomes.get(burst).or(if place.outcomes.len() == 1 {
        place.outcomes.first()
    } else {
        None
    });
    match outcome {
        Some(BearingOutcome::Bearing(bearing)) => Some(bearing),
        _ => None,
    }
}

/// Whether the position's verdict is that the bearing points elsewhere.
fn is_reflected(bearing: &Bearing, fix: Option<&FixOutcome>) -> bool {
    let Some(FixOutcome::Fix(fix)) = fix else {
        return false;
    };
    fix.verdicts
        .iter()
        .any(|v| v.id == bearing.id && v.reflected_probability >= 0.5)
}

/// The direction in words, with every doubt.
fn direction(bearing: &Bearing, reflected: bool) -> String {
    let mut text = format!(
        ", bearing {}",
        azimuth_with_doubt(bearing.azimuth, bearing.sigma_deg)
    );
    for mode in bearing.modes.iter().skip(1) {
        let _ = write!(
            text,
            " or {:.0} ({:.0} %)",
            mode.azimuth,
            100.0 * mode.probability
        );
    }
    if !bearing.flags.is_empty() {
        let _ = write!(text, ", {}", crate::tables::words(&bearing.flags));
    }
    if reflected {
        text += ", judged a reflection";
    }
    text
}

fn note(place: &PlaceResult, fix: Option<&FixOutcome>, index: usize, burst: &Burst) -> Annotation {
    let s = &place.summary;
    let centre_hz = s.recording_center_hz.unwrap_or(0.0) + s.channel_offset_hz + burst.carrier_offset_hz;
    let bearing = bearing_of(place, index);
    let reflected = bearing.is_some_and(|b| is_reflected(b, fix));
    let words = bearing.map_or_else(String::new, |b| direction(b, reflected));
    // A field with one number and its error has no room for two directions, or for a wrong one.
    let clear = bearing.filter(|b| b.modes.len() == 1 && !reflected);
    Annotation {
        start: burst.start,
        count: Some(burst.stop.0 - burst.start.0),
        label: Some(format!("burst {}", index + 1).chars().take(LABEL_CHARS).collect()),
        comment: Some(format!("{:.1} dB above noise{words}", burst.snr_db)),
        freq_lower_hz: Some(centre_hz - burst.bandwidth_hz / 2.0),
        freq_upper_hz: Some(centre_hz + burst.bandwidth_hz / 2.0),
        signal_azimuth: clear.map(|b| Azimuth::<Mount>::from_degrees(b.azimuth.degrees())),
        signal_sigma_deg: clear.map(|b| b.sigma_deg),
        ..Annotation::default()
    }
}
