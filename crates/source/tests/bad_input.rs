//! Files that are not what they say give an error that names the field and what would be right, or a flagged
//! partial result.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use common::{Item, chain, drain, has, meta, pair, read_all, read_bytes};
use lobewright_source::{Checksum, OpenOptions, SourceWarning, open, open_reader, verify_sha512};
use lobewright_types::{Gap, GapCause, SampleFormat, SampleIndex};

/// Opens a pair of 40 bytes (20 samples) and gives the error.
fn open_error(global: &str, captures: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = pair(folder.path(), &meta(global, captures, ""), &[7; 40]);
    chain(&open(&path, &OpenOptions::default()).unwrap_err())
}

#[test]
fn a_missing_rate_can_be_given() {
    let folder = tempfile::tempdir().unwrap();
    let text =
        r#"{"global": {"core:datatype": "cu8", "core:version": "1.0.0"}, "captures": [], "annotations": []}"#;
    let path = pair(folder.path(), text, &[0; 4]);
    let error = open(&path, &OpenOptions::default()).unwrap_err().to_string();
    has(
        &error,
        &[
            "`global.core:sample_rate` is missing",
            "give the rate as an option",
        ],
    );
    let options = OpenOptions {
        rate_hz: Some(5.0),
        ..OpenOptions::default()
    };
    let recording = open(&path, &options).unwrap();
    assert!((recording.info().rate_hz - 5.0).abs() < 1e-12);
    assert!(recording.warnings().is_empty());
}

#[test]
fn an_option_that_differs_wins_and_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let captures =
        r#"{"core:sample_start": 0, "core:frequency": 1e6, "core:datetime": "2026-01-01T00:00:00Z"}"#;
    let path = pair(folder.path(), &meta("", captures, ""), &[0; 8]);
    let options = OpenOptions {
        format: Some(SampleFormat::CI16_LE),
        rate_hz: Some(2_000.0),
        center_hz: Some(2e6),
        channels: Some(2),
        start_utc: Some("2026-01-02T00:00:00Z".parse().unwrap()),
        ..OpenOptions::default()
    };
    let recording = open(&path, &options).unwrap();
    let info = recording.info();
    assert_eq!(info.format, SampleFormat::CI16_LE);
    assert_eq!((info.channels, info.length_samples), (2, Some(1)));
    assert_eq!(info.center_hz_at(SampleIndex(0)), Some(2e6));
    assert_eq!(info.utc_at(SampleIndex(0)), options.start_utc);
    assert_eq!(recording.warnings().len(), 5);
    assert_eq!(
        recording.warnings()[0].to_string(),
        "`core:datatype` is ci8 in the file, but ci16_le is used as asked"
    );
}

#[test]
fn options_that_cannot_work_are_refused() {
    let wrong = |options: OpenOptions| {
        let reader = Box::new(std::io::empty());
        open_reader(reader, "standard input", &options)
            .unwrap_err()
            .to_string()
    };
    let raw = || OpenOptions {
        format: Some(SampleFormat::CU8),
        rate_hz: Some(1e3),
        ..OpenOptions::default()
    };
    has(
        &wrong(OpenOptions::default()),
        &[
            "`standard input` is read as raw samples, which need a sample format",
            "cu8",
        ],
    );
    has(
        &wrong(OpenOptions {
            rate_hz: None,
            ..raw()
        }),
        &["need a sample rate", "2.4e6"],
    );
    for rate_hz in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e13] {
        let error = wrong(OpenOptions {
            rate_hz: Some(rate_hz),
            ..raw()
        });
        has(&error, &["option rate_hz is", "above 0"]);
    }
    has(
        &wrong(OpenOptions {
            center_hz: Some(f64::NAN),
            ..raw()
        }),
        &["option center_hz is NaN"],
    );
    has(
        &wrong(OpenOptions {
            channels: Some(0),
            ..raw()
        }),
        &["option channels is 0"],
    );
    has(
        &wrong(OpenOptions {
            block_samples: 0,
            ..raw()
        }),
        &["option block_samples is 0"],
    );
    has(
        &wrong(OpenOptions {
            block_samples: usize::MAX,
            ..raw()
        }),
        &["at most 1 GiB"],
    );
}

#[test]
fn a_capture_that_does_not_fit_the_file_is_named() {
    has(
        &open_error(r#", "core:offset": 10"#, r#"{"core:sample_start": 9}"#),
        &[
            "`captures[0].core:sample_start`",
            "is 9, but must be at least `core:offset`, 10",
        ],
    );
    has(
        &open_error("", r#"{"core:sample_start": 0, "core:header_bytes": 41}"#),
        &[
            "`captures[0].core:header_bytes`",
            "is 41, but must be at most the length of the data, 40 bytes",
        ],
    );
    has(
        &open_error(r#", "core:trailing_bytes": 41"#, ""),
        &["`global.core:trailing_bytes`", "is 41, but must be at most"],
    );
    let huge = format!(r#"{{"core:sample_start": 0, "core:header_bytes": {}}}"#, i64::MAX);
    has(
        &open_error("", &huge),
        &["`captures[0].core:header_bytes`", "is 9223372036854775807"],
    );
    let back = r#"{"core:sample_start": 0, "core:global_index": 100},
                  {"core:sample_start": 5, "core:global_index": 104}"#;
    has(
        &open_error("", back),
        &[
            "`captures[1].core:global_index`",
            "is 104, but must be at least 105, where the capture before ends",
        ],
    );
}

#[test]
fn several_gigantic_headers_do_not_overflow() {
    let folder = tempfile::tempdir().unwrap();
    let far = i64::MAX;
    let captures = format!(
        r#"{{"core:sample_start": 0}}, {{"core:sample_start": 1, "core:header_bytes": {far}}},
           {{"core:sample_start": 2, "core:header_bytes": {far}, "core:global_index": {far}}},
           {{"core:sample_start": {far}, "core:header_bytes": {far}}}"#
    );
    let path = pair(folder.path(), &meta("", &captures, ""), &[7; 40]);
    let whole = read_all(&path, &OpenOptions::default());
    assert_eq!(whole.samples_read, 1);
    has(
        &whole.warnings[0].to_string(),
        &["only 1 of the 1 samples announced by captures[1].core:sample_start"],
    );
}

#[test]
fn captures_beyond_the_data_are_left_out_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let captures = r#"{"core:sample_start": 0}, {"core:sample_start": 10}, {"core:sample_start": 21}"#;
    let annotations = r#"{"core:sample_start": 18, "core:sample_count": 5}, {"core:sample_start": 30}"#;
    let path = pair(folder.path(), &meta("", captures, annotations), &[7; 41]);
    let recording = open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(recording.info().captures.len(), 2);
    assert_eq!(recording.info().annotations.len(), 1);
    assert_eq!(recording.info().annotations[0].count, Some(2));
    let told: Vec<String> = recording.warnings().iter().map(ToString::to_string).collect();
    has(
        &told.join("\n"),
        &[
            "end with 1 bytes of a frame of 2",
            "only 20 of the 21 samples announced by captures[2].core:sample_start",
            "`annotations[1].core:sample_start`: 30 lies outside the 20 samples",
            "only 20 of the 30 samples announced by the annotations",
        ],
    );
}

// The specification's own example (SigMF v1.2.5, `core:header_bytes`): cu8, two captures with 4-byte headers, the
// second at sample 500 begins at byte 1008.
#[test]
fn headers_between_captures_are_skipped() {
    let folder = tempfile::tempdir().unwrap();
    let mut data = vec![255; 4];
    data.extend((0..1_000_u32).map(|k| k.to_le_bytes()[0]));
    data.extend([255; 4]);
    assert_eq!(data.len(), 1_008);
    data.extend((0..200_u32).map(|k| 100 + k.to_le_bytes()[0] / 2));
    data.extend([255; 6]);
    std::fs::write(folder.path().join("non-conforming-dataset-01.dat"), &data).unwrap();
    let text = r#"{"global": {"core:datatype": "cu8", "core:version": "1.2.0", "core:sample_rate": 1,
        "core:dataset": "non-conforming-dataset-01.dat", "core:trailing_bytes": 6},
        "captures": [{"core:sample_start": 0, "core:header_bytes": 4},
                     {"core:sample_start": 500, "core:header_bytes": 4}], "annotations": []}"#;
    let path = folder.path().join("x.sigmf-meta");
    std::fs::write(&path, text).unwrap();
    let mut recording = open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(recording.info().length_samples, Some(600));
    let whole = drain(&mut recording);
    assert!(whole.gaps().is_empty() && whole.warnings.is_empty());
    let mut want = data[4..1_004].to_vec();
    want.extend_from_slice(&data[1_008..1_208]);
    assert_eq!(whole.bytes(), want);
}

#[test]
fn an_offset_is_taken_off_every_index() {
    let folder = tempfile::tempdir().unwrap();
    let text = meta(
        r#", "core:offset": 1000"#,
        r#"{"core:sample_start": 1000}, {"core:sample_start": 1010, "core:frequency": 5}"#,
        r#"{"core:sample_start": 1012, "core:sample_count": 3}"#,
    );
    let path = pair(folder.path(), &text, &[7; 40]);
    let mut recording = open(&path, &OpenOptions::default()).unwrap();
    let info = recording.info().clone();
    assert_eq!(info.captures[1].start, SampleIndex(10));
    assert_eq!(info.annotations[0].start, SampleIndex(12));
    let whole = drain(&mut recording);
    assert_eq!(whole.items.len(), 3);
    assert_eq!(
        whole.gaps(),
        [Gap {
            start: SampleIndex(10),
            samples: 0,
            cause: GapCause::NewCapture
        }]
    );
    has(
        &whole.warnings[0].to_string(),
        &["captures[1].core:frequency", "only one of two"],
    );
}

#[test]
fn samples_before_the_first_capture_are_kept_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let text = meta("", r#"{"core:sample_start": 4, "core:frequency": 5}"#, "");
    let path = pair(folder.path(), &text, &[7; 40]);
    let recording = open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(recording.info().center_hz_at(SampleIndex(3)), None);
    assert_eq!(recording.info().center_hz_at(SampleIndex(4)), Some(5.0));
    has(
        &recording.warnings()[0].to_string(),
        &["the 4 samples before it belong to no capture"],
    );
    assert_eq!(read_all(&path, &OpenOptions::default()).samples_read, 20);
}

#[test]
fn a_jump_of_the_clock_breaks_the_stream_but_rounding_does_not() {
    let folder = tempfile::tempdir().unwrap();
    // Capture 1 comes 10 samples, 10 ms, after capture 0.
    for (second, breaks) in [
        ("2026-01-01T00:00:00.010Z", false),
        ("2026-01-01T00:00:00.050Z", false),
        ("2026-01-01T00:00:01Z", false),
        ("2026-01-01T00:00:00.200Z", true),
        ("2026-01-01T00:01:00Z", true),
        ("2025-12-31T23:59:50Z", true),
    ] {
        let captures = format!(
            r#"{{"core:sample_start": 0, "core:datetime": "2026-01-01T00:00:00.000Z"}},
               {{"core:sample_start": 10, "core:datetime": "{second}"}}"#
        );
        let path = pair(folder.path(), &meta("", &captures, ""), &[7; 40]);
        let whole = read_all(&path, &OpenOptions::default());
        assert_eq!(whole.gaps().len(), usize::from(breaks), "{second}");
        assert_eq!(whole.warnings.len(), usize::from(breaks), "{second}");
    }
}

#[test]
fn stretches_that_are_not_finite_become_one_gap_each() {
    let values: [f32; 12] = [
        1.0,
        1.0,
        f32::NAN,
        1.0,
        1.0,
        f32::INFINITY,
        2.0,
        2.0,
        3.0,
        3.0,
        0.0,
        f32::NAN,
    ];
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    for block_samples in 1..8 {
        let options = OpenOptions {
            format: Some(SampleFormat::CF32_LE),
            rate_hz: Some(1.0),
            block_samples,
            ..OpenOptions::default()
        };
        let whole = read_bytes(&bytes, &options);
        let gap = |start, samples| {
            Item::Gap(Gap {
                start: SampleIndex(start),
                samples,
                cause: GapCause::NotFinite,
            })
        };
        assert_eq!(
            whole.items,
            [
                Item::Samples(0, bytes[..8].to_vec()),
                gap(1, 2),
                Item::Samples(3, bytes[24..40].to_vec()),
                gap(5, 1)
            ]
        );
        assert_eq!(whole.samples_read, 6);
        assert_eq!(whole.warnings, [SourceWarning::NotFinite { samples: 3 }]);
    }
}

#[test]
fn raw_samples_that_end_within_a_frame_are_told() {
    let options = OpenOptions {
        format: Some(SampleFormat::CI16_LE),
        rate_hz: Some(1.0),
        channels: Some(2),
        block_samples: 2,
        ..OpenOptions::default()
    };
    for len in [0, 1, 7, 8, 9, 15, 16, 17, 31] {
        let whole = read_bytes(&vec![3; len], &options);
        assert_eq!(whole.bytes().len(), len - len % 8);
        let mut want = Vec::new();
        if len % 8 > 0 {
            want.push(SourceWarning::PartFrame {
                bytes: len as u64 % 8,
                frame_bytes: 8,
            });
        }
        if len < 8 {
            want.push(SourceWarning::Empty);
        }
        assert_eq!(whole.warnings, want, "{len} bytes");
    }
}

#[test]
fn files_that_are_not_there_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.sigmf-meta");
    let error = |path: &std::path::Path| open(path, &OpenOptions::default()).unwrap_err().to_string();
    has(&error(&path), &["cannot read `", "x.sigmf-meta`"]);
    std::fs::write(&path, meta("", "", "")).unwrap();
    has(
        &error(&path),
        &["x.sigmf-data`, which holds the samples of", "does not exist"],
    );
    std::fs::write(&path, meta(r#", "core:metadata_only": true"#, "", "")).unwrap();
    has(
        &error(&path),
        &["`global.core:metadata_only`", "is true, but must be false"],
    );
    let data = folder.path().join("y.sigmf-data");
    std::fs::write(&data, [1; 6]).unwrap();
    has(
        &error(&data),
        &["y.sigmf-meta` beside it", "give the format and the rate"],
    );
    let options = OpenOptions {
        format: Some(SampleFormat::CU8),
        rate_hz: Some(1.0),
        ..OpenOptions::default()
    };
    assert_eq!(read_all(&data, &options).samples_read, 3);
    has(
        &error(&folder.path().join("a.sigmf.gz")),
        &["uncompress it first"],
    );
    has(
        &error(&folder.path().join("a.sigmf-collection")),
        &["one of the collection's recordings"],
    );
    let archive = folder.path().join("a.sigmf");
    std::fs::write(&archive, [7; 2_000]).unwrap();
    has(&error(&archive), &["is not a whole SigMF archive"]);
    std::fs::write(&archive, [0; 2_048]).unwrap();
    has(
        &error(&archive),
        &["holds no recording; it holds no `.sigmf-meta` at all"],
    );
}

#[test]
fn a_wrong_checksum_is_found() {
    let folder = tempfile::tempdir().unwrap();
    // SHA-512 of "abc": FIPS 180-4 example, NIST 'Cryptographic Standards and Guidelines: Example Values'.
    let abc = "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
               2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f";
    let global = format!(", \"core:sha512\": \"{}\"", abc.to_uppercase());
    let options = OpenOptions::default();
    let path = pair(folder.path(), &meta(&global, "", ""), b"abc");
    assert_eq!(verify_sha512(&path, &options).unwrap(), Checksum::Matches);
    pair(folder.path(), &meta(&global, "", ""), b"abd");
    assert!(
        matches!(verify_sha512(&path, &options).unwrap(), Checksum::Differs { stated, .. } if stated == abc)
    );
    pair(folder.path(), &meta("", "", ""), b"abc");
    assert_eq!(
        verify_sha512(&path, &options).unwrap(),
        Checksum::NotStated {
            found: abc.to_owned()
        }
    );
}
