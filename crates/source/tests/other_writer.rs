//! Files written by the Python package `sigmf` (see `testdata/sigmf/generate.py`, which states every value).
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use common::{Item, decode, drain, testdata};
use lobewright_source::{Checksum, OpenOptions, Recording, open, verify_sha512};
use lobewright_types::{Gap, GapCause, Sample, SampleIndex};

fn opened(name: &str) -> Recording {
    open(&testdata(&format!("sigmf/{name}")), &OpenOptions::default()).unwrap()
}

fn ramp(range: std::ops::Range<u8>, scale: f32) -> Vec<Sample> {
    range
        .map(|k| Sample::new(f32::from(k) / scale, -f32::from(k) / scale))
        .collect()
}

#[test]
fn floats_with_time_place_and_annotations() {
    let mut recording = opened("py_cf32_le.sigmf-meta");
    let info = recording.info().clone();
    let place = info.position().unwrap();
    assert!((place.lat_deg + 41.29).abs() < 1e-12 && (place.lon_deg - 174.78).abs() < 1e-12);
    assert_eq!(
        info.utc_at(SampleIndex(48)).unwrap().to_string(),
        "2026-02-14T03:25:00.251Z"
    );
    let labels: Vec<_> = info
        .annotations
        .iter()
        .map(|a| (a.start.0, a.count, a.label.clone().unwrap()))
        .collect();
    assert_eq!(
        labels,
        [(10, Some(20), "one".to_owned()), (60, Some(40), "two".to_owned())]
    );
    assert_eq!(info.annotations[0].freq_lower_hz, Some(144_499_000.0));
    assert_eq!(info.annotations[0].freq_upper_hz, Some(144_501_000.0));
    assert_eq!(info.annotations[1].comment.as_deref(), Some("to the end"));
    let whole = drain(&mut recording);
    assert_eq!(decode(&recording, &whole.bytes(), 0), ramp(0..100, 64.0));
    assert!(whole.warnings.is_empty());
}

#[test]
fn captures_turn_lose_samples_and_change_frequency() {
    let mut recording = opened("py_ci16_be_captures.sigmf-meta");
    let info = recording.info().clone();
    let starts: Vec<_> = info.captures.iter().map(|c| (c.start.0, c.lost_before)).collect();
    assert_eq!(starts, [(0, 0), (25, 0), (550, 500), (575, 0)]);
    assert_eq!(info.length_samples, Some(600));
    let track: Vec<_> = info
        .azimuth_track
        .iter()
        .map(|p| (p.time_s * 48e3, p.azimuth.degrees()))
        .collect();
    for (found, want) in track
        .iter()
        .zip([(0.0, 10.0), (25.0, 20.0), (550.0, 30.0), (575.0, 350.0)])
    {
        assert!((found.0 - want.0).abs() < 1e-9 && (found.1 - want.1).abs() < 1e-9);
    }
    // Sample 80 of the file is 80 + 500 of the stream; its aperture of 350 and its signal of 15 make 5 degrees.
    assert_eq!(info.annotations[0].start, SampleIndex(580));
    let seen = info.signal_azimuth_true(&info.annotations[0]).unwrap();
    assert!((seen.degrees() - 5.0).abs() < 1e-9);

    let whole = drain(&mut recording);
    let scale = 32_768.0;
    let shapes: Vec<_> = whole
        .items
        .iter()
        .map(|item| match item {
            Item::Samples(start, bytes) => (*start, decode(&recording, bytes, 0)),
            Item::Gap(_) => (u64::MAX, Vec::new()),
        })
        .filter(|(start, _)| *start != u64::MAX)
        .collect();
    assert_eq!(
        shapes,
        [
            (0, ramp(0..50, scale)),
            (550, ramp(50..75, scale)),
            (575, ramp(75..100, scale))
        ]
    );
    let gap = |start, samples, cause| Gap {
        start: SampleIndex(start),
        samples,
        cause,
    };
    assert_eq!(
        whole.gaps(),
        [gap(50, 500, GapCause::Lost), gap(575, 0, GapCause::NewCapture)]
    );
    assert_eq!(info.center_hz_at(SampleIndex(574)), Some(144.5e6));
    assert_eq!(info.center_hz_at(SampleIndex(575)), Some(145.5e6));
}

#[test]
fn two_channels_stay_apart() {
    let mut recording = opened("py_ci8_two_channels.sigmf-meta");
    let bytes = drain(&mut recording).bytes();
    assert_eq!(decode(&recording, &bytes, 0), ramp(0..100, 128.0));
    let second: Vec<Sample> = (0..100_i8)
        .map(|k| Sample::new(f32::from(-1 - k) / 128.0, f32::from(k - 1) / 128.0))
        .collect();
    assert_eq!(decode(&recording, &bytes, 1), second);
}

#[test]
fn an_archive_is_read_in_place() {
    let mut recording = opened("py_archive.sigmf");
    let bytes = drain(&mut recording).bytes();
    assert_eq!(decode(&recording, &bytes, 0), ramp(0..100, 32_768.0));
    let path = testdata("sigmf/py_archive.sigmf");
    assert_eq!(
        verify_sha512(&path, &OpenOptions::default()).unwrap(),
        Checksum::Matches
    );
}
