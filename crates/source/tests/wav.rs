//! WAV files, written by `hound` or by hand.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use std::path::Path;

use common::{chain, decode, drain};
use hound::{SampleFormat as Kind, WavSpec, WavWriter};
use lobewright_source::{OpenOptions, SourceWarning, open};
use lobewright_types::Sample;

fn spec(channels: u16, bits: u16, kind: Kind) -> WavSpec {
    WavSpec {
        channels,
        sample_rate: 48_000,
        bits_per_sample: bits,
        sample_format: kind,
    }
}

fn write_ints(path: &Path, spec: WavSpec, values: &[i32]) {
    let mut writer = WavWriter::create(path, spec).unwrap();
    for &v in values {
        writer.write_sample(v).unwrap();
    }
    writer.finalize().unwrap();
}

#[test]
fn integers_of_every_width_come_out_at_full_scale() {
    let folder = tempfile::tempdir().unwrap();
    for (bits, format) in [(8, "cf32_le"), (16, "ci16_le"), (24, "cf32_le"), (32, "cf32_le")] {
        let path = folder.path().join(format!("i{bits}.wav"));
        let half = 1_i64 << (bits - 1);
        let of = |x: i64| i32::try_from(x).unwrap();
        let values = [of(-half), of(half - 1), of(half / 2), of(-half / 4)];
        write_ints(&path, spec(2, bits, Kind::Int), &values);
        let mut recording = open(&path, &OpenOptions::default()).unwrap();
        assert_eq!(recording.info().format.to_string(), format);
        assert!((recording.info().rate_hz - 48e3).abs() < 1e-9);
        assert_eq!(recording.info().length_samples, Some(2));
        let whole = drain(&mut recording);
        assert!(whole.warnings.is_empty());
        let got = decode(&recording, &whole.bytes(), 0);
        // The largest code is full scale once it is a float, and one step below it as 16 bit.
        let top = if bits == 16 { 32_767.0 / 32_768.0 } else { 1.0 };
        assert_eq!(got, [Sample::new(-1.0, top), Sample::new(0.5, -0.25)]);
        let component = recording.info().format.scalar.bytes();
        assert!(
            recording
                .info()
                .format
                .is_full_scale(&whole.bytes()[component..2 * component])
        );
    }
}

#[test]
fn floats_and_a_single_channel() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("FLOAT.WAV");
    let mut writer = WavWriter::create(&path, spec(1, 32, Kind::Float)).unwrap();
    for v in [0.25_f32, -2.0, f32::NAN, 0.5] {
        writer.write_sample(v).unwrap();
    }
    writer.finalize().unwrap();
    let mut recording = open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(recording.info().format.to_string(), "rf32_le");
    let whole = drain(&mut recording);
    let got = decode(&recording, &whole.bytes(), 0);
    assert_eq!(got, [0.25, -2.0, 0.5].map(|re| Sample::new(re, 0.0)));
    assert_eq!(whole.gaps().len(), 1);
    assert_eq!(
        whole.warnings,
        [SourceWarning::OneChannel, SourceWarning::NotFinite { samples: 1 }]
    );
}

#[test]
fn the_cut_into_blocks_does_not_show() {
    let folder = tempfile::tempdir().unwrap();
    for bits in [16, 24] {
        let path = folder.path().join(format!("{bits}.wav"));
        let values: Vec<i32> = (0..4_000).map(|k| (k * 37) % 20_000 - 10_000).collect();
        write_ints(&path, spec(2, bits, Kind::Int), &values);
        let read = |block_samples| {
            let options = OpenOptions {
                block_samples,
                ..OpenOptions::default()
            };
            common::read_all(&path, &options)
        };
        let whole = read(65_536);
        assert_eq!(whole.samples_read, 2_000);
        for block_samples in [1, 7, 1_999, 2_000] {
            assert_eq!(read(block_samples), whole);
        }
    }
}

#[test]
fn a_file_that_was_cut_short_gives_what_is_there_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cut.wav");
    write_ints(&path, spec(2, 16, Kind::Int), &[1; 2_000]);
    let bytes = std::fs::read(&path).unwrap();
    for cut in [1, 2, 3, 4, 1_001] {
        std::fs::write(&path, &bytes[..bytes.len() - cut]).unwrap();
        let whole = common::read_all(&path, &OpenOptions::default());
        assert_eq!(whole.samples_read, (4_000 - cut as u64) / 4);
        assert!(
            whole
                .warnings
                .iter()
                .any(|w| matches!(w, SourceWarning::Short { expected: 1_000, .. })),
            "{:?}",
            whole.warnings
        );
    }
}

#[test]
fn a_header_that_was_never_finished_is_flagged() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("killed.wav");
    write_ints(&path, spec(2, 16, Kind::Int), &[1; 2_000]);
    let mut bytes = std::fs::read(&path).unwrap();
    let at = bytes.windows(4).position(|w| w == b"data").unwrap() + 4;
    bytes[at..at + 4].fill(0);
    std::fs::write(&path, &bytes).unwrap();
    let recording = open(&path, &OpenOptions::default()).unwrap();
    assert!(recording.warnings().contains(&SourceWarning::Empty));
    assert!(recording.warnings()[1].to_string().contains("length of 0"));
}

#[test]
fn what_is_no_recording_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    write_ints(&path, spec(3, 16, Kind::Int), &[0; 6]);
    let error = open(&path, &OpenOptions::default()).unwrap_err().to_string();
    assert!(
        error.ends_with("has 3 channels, but must have two (I and Q) or one (real samples)"),
        "{error}"
    );
    // 24-bit samples in 4 bytes (Microsoft, 'Multiple Channel Audio Data and WAVE Files').
    write_ints(&path, spec(2, 32, Kind::Int), &[0; 4]);
    let mut bytes = std::fs::read(&path).unwrap();
    let fmt = bytes.windows(4).position(|w| w == b"fmt ").unwrap() + 8;
    // The header that hound writes for 32 bits is the extensible one: valid bits follow at byte 18 of the chunk.
    bytes[fmt + 18] = 24;
    std::fs::write(&path, &bytes).unwrap();
    let error = open(&path, &OpenOptions::default()).unwrap_err().to_string();
    assert!(
        error.ends_with("has 24-bit samples in 4 bytes, but must have samples without padding"),
        "{error}"
    );
    std::fs::write(&path, b"RIFX").unwrap();
    let error = chain(&open(&path, &OpenOptions::default()).unwrap_err());
    assert!(error.contains("cannot read the WAV header of"), "{error}");
    let error = open(&folder.path().join("none.wav"), &OpenOptions::default()).unwrap_err();
    assert!(error.to_string().starts_with("cannot read `"), "{error}");
}

#[test]
fn no_header_byte_makes_it_panic() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    write_ints(&path, spec(2, 24, Kind::Int), &[5; 20]);
    let bytes = std::fs::read(&path).unwrap();
    let header = bytes.windows(4).position(|w| w == b"data").unwrap() + 8;
    for at in 0..header {
        for value in [0, 1, 7, 0x7f, 0xff] {
            let mut bad = bytes.clone();
            bad[at] = value;
            std::fs::write(&path, &bad).unwrap();
            if let Ok(mut recording) = open(&path, &OpenOptions::default()) {
                while let Ok(Some(_)) = recording.next_item() {}
            }
        }
    }
}
