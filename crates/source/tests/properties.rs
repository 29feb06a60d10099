//! Reading does not depend on the block size beyond the cut, and nothing from outside makes it panic.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use common::{pair, read_all, read_bytes, testdata};
use lobewright_source::{Capture, OpenOptions, SigmfWriter, WriteInfo, open, parse_meta};
use lobewright_types::{SampleFormat, SampleIndex};
use proptest::prelude::*;

fn any_format() -> impl Strategy<Value = SampleFormat> {
    (0..28_usize).prop_map(|i| SampleFormat::all().nth(i).unwrap())
}

fn with_block(block_samples: usize) -> OpenOptions {
    OpenOptions {
        block_samples,
        ..OpenOptions::default()
    }
}

/// A capture's samples, lost samples before it, header bytes and whether the frequency changes.
fn any_segments() -> impl Strategy<Value = Vec<(u64, u64, u64, bool)>> {
    prop::collection::vec(
        (
            0..40_u64,
            prop_oneof![Just(0), 1..1000_u64],
            0..9_u64,
            any::<bool>(),
        ),
        1..7,
    )
}

fn layout_meta(format: SampleFormat, channels: usize, segments: &[(u64, u64, u64, bool)]) -> (String, u64) {
    let (mut file, mut global, mut hz, mut headers) = (0, 500, 100, 0);
    let mut captures = Vec::new();
    for (k, &(samples, lost, header, change)) in segments.iter().enumerate() {
        if k > 0 {
            global += lost;
            hz += u64::from(change);
        }
        captures.push(format!(
            r#"{{"core:sample_start": {file}, "core:global_index": {global}, "core:frequency": {hz},
                "core:header_bytes": {header}}}"#
        ));
        file += samples;
        global += samples;
        headers += header;
    }
    let text = format!(
        r#"{{"global": {{"core:datatype": "{format}", "core:version": "1.2.5", "core:sample_rate": 10,
            "core:num_channels": {channels}}}, "captures": [{}], "annotations": []}}"#,
        captures.join(", ")
    );
    (
        text,
        file * (format.bytes_per_sample() * channels) as u64 + headers,
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    // Random bytes hold enough bad floats: one in 256 of f32 components.
    #[test]
    fn the_cut_of_raw_samples_does_not_show(
        format in any_format(),
        channels in 1..4_usize,
        bytes in prop::collection::vec(prop_oneof![3 => any::<u8>(), 1 => Just(0x7f), 1 => Just(0xff)], 0..600),
        block_samples in 1..50_usize,
    ) {
        let options = |block_samples| OpenOptions {
            format: Some(format),
            rate_hz: Some(1.0),
            channels: Some(channels),
            block_samples,
            ..OpenOptions::default()
        };
        prop_assert_eq!(read_bytes(&bytes, &options(block_samples)), read_bytes(&bytes, &options(10_000)));
    }

    #[test]
    fn the_cut_of_captures_does_not_show(
        format in any_format(),
        channels in 1..3_usize,
        segments in any_segments(),
        block_samples in 1..50_usize,
        seed in any::<u8>(),
    ) {
        let (text, bytes) = layout_meta(format, channels, &segments);
        let data: Vec<u8> = (0..bytes).map(|k| k.to_le_bytes()[0].wrapping_mul(151) ^ seed).collect();
        let folder = tempfile::tempdir().unwrap();
        let path = pair(folder.path(), &text, &data);
        let whole = read_all(&path, &with_block(65_536));
        prop_assert_eq!(&read_all(&path, &with_block(block_samples)), &whole);
        prop_assert_eq!(whole.samples_read, segments.iter().map(|s| s.0).sum::<u64>());
    }

    #[test]
    fn a_file_cut_anywhere_gives_its_beginning(
        format in any_format(),
        segments in any_segments(),
        share_percent in 0..100_usize,
    ) {
        let (text, bytes) = layout_meta(format, 1, &segments);
        let data = vec![1; usize::try_from(bytes).unwrap()];
        let kept = data.len() * share_percent / 100;
        let folder = tempfile::tempdir().unwrap();
        let path = pair(folder.path(), &text, &data[..kept]);
        if let Ok(mut recording) = open(&path, &OpenOptions::default()) {
            let whole = common::drain(&mut recording);
            prop_assert!(whole.samples_read <= segments.iter().map(|s| s.0).sum());
            prop_assert!(recording.info().annotations.is_empty());
        }
    }

    // One piece of a real metadata file is put in the place of another, or bytes are changed.
    #[test]
    fn changed_metadata_never_panic(
        cut in 0..2937_usize,
        len in 0..40_usize,
        piece in prop_oneof![
            Just("-1".to_owned()), Just("1e999".to_owned()), Just("NaN".to_owned()), Just("null".to_owned()),
            Just("18446744073709551616".to_owned()), Just("9223372036854775807".to_owned()), Just("{}".to_owned()),
            Just("[[[".to_owned()), Just("\"".to_owned()), Just("\u{0}".to_owned()), Just(String::new()),
            "[ -~]{0,12}",
        ],
    ) {
        let mut text = std::fs::read(testdata("recordings/nbiot_uplink_832M.sigmf-meta")).unwrap();
        let cut = cut.min(text.len());
        let end = (cut + len).min(text.len());
        text.splice(cut..end, piece.bytes());
        let _ = parse_meta(&text, "changed");
    }

    // Well-formed JSON of the right names and wrong values goes the whole way.
    #[test]
    fn wild_values_never_panic(
        starts in prop::collection::vec(any_value(), 0..4),
        key in prop::sample::select(vec![
            "core:frequency", "core:global_index", "core:header_bytes", "core:datetime", "core:geolocation",
            "spatial:aperture_azimuth", "spatial:aperture_bearing", "capture_details:gain",
        ]),
        value in any_value(),
        global_key in prop::sample::select(vec![
            "core:offset", "core:num_channels", "core:trailing_bytes", "core:dataset", "core:extensions",
            "core:sample_rate", "core:geolocation", "core:metadata_only",
        ]),
        global_value in any_value(),
        count in any_value(),
    ) {
        let captures: Vec<String> =
            starts.iter().map(|s| format!(r#"{{"core:sample_start": {s}, "{key}": {value}}}"#)).collect();
        let annotations: Vec<String> =
            starts.iter().map(|s| format!(r#"{{"core:sample_start": {s}, "core:sample_count": {count}}}"#)).collect();
        let text = format!(
            r#"{{"global": {{"core:datatype": "ci8", "core:version": "1.2.5", "core:sample_rate": 10,
                "{global_key}": {global_value}}}, "captures": [{}], "annotations": [{}]}}"#,
            captures.join(","),
            annotations.join(","),
        );
        let folder = tempfile::tempdir().unwrap();
        let path = pair(folder.path(), &text, &[1; 64]);
        if let Ok(mut recording) = open(&path, &OpenOptions::default()) {
            common::drain(&mut recording);
            let info = recording.info();
            for index in [0, 5, u64::MAX] {
                let _ = (info.utc_at(SampleIndex(index)), info.center_hz_at(SampleIndex(index)));
                let _ = info.position_at(SampleIndex(index));
            }
        }
    }

    #[test]
    fn a_damaged_archive_never_panics(at in 0..10_240_usize, value in any::<u8>(), kept in 0..10_241_usize) {
        let mut bytes = std::fs::read(testdata("sigmf/py_archive.sigmf")).unwrap();
        bytes[at] = value;
        bytes.truncate(kept);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.sigmf");
        std::fs::write(&path, &bytes).unwrap();
        if let Ok(mut recording) = open(&path, &OpenOptions::default()) {
            common::drain(&mut recording);
        }
    }

    #[test]
    fn captures_written_come_back(
        steps in prop::collection::vec((1..50_u64, prop_oneof![Just(0), 1..100_u64]), 1..6),
        tail in 1..50_usize,
    ) {
        let folder = tempfile::tempdir().unwrap();
        let info = WriteInfo::new(SampleFormat::CU8, 1e3);
        let mut writer = SigmfWriter::create(&folder.path().join("x"), &info).unwrap();
        let mut captures = vec![Capture { center_hz: Some(1e6), ..Capture::default() }];
        let mut written = 0;
        for &(samples, lost_before) in &steps {
            let start = captures.last().unwrap().start.plus(samples + lost_before);
            captures.push(Capture { start, lost_before, center_hz: Some(1e6), ..Capture::default() });
            written += usize::try_from(samples).unwrap();
        }
        captures.iter().cloned().for_each(|c| writer.add_capture(c));
        writer.write_bytes(&vec![9; 2 * (written + tail)]).unwrap();
        let path = writer.finish().unwrap();
        let recording = open(&path, &OpenOptions::default()).unwrap();
        let got: Vec<_> = recording.info().captures.iter().map(|c| (c.start, c.lost_before)).collect();
        let want: Vec<_> = captures.iter().map(|c| (c.start, c.lost_before)).collect();
        prop_assert_eq!(got, want);
    }
}

fn any_value() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => (0..70_u32).prop_map(|n| n.to_string()),
        1 => any::<i64>().prop_map(|n| n.to_string()),
        1 => any::<u64>().prop_map(|n| n.to_string()),
        1 => (-1e300..1e300_f64).prop_map(|n| format!("{n:e}")),
        2 => prop::sample::select(vec![
            "null", "true", "[]", "{}", "\"\"", "\"x\"", "\"2026-01-01T00:00:00Z\"", "9223372036854775807",
            "{\"type\": \"Point\", \"coordinates\": [1e308, -1e308]}", "{\"azimuth\": 1e300}", "-0.0", "5e-324",
        ]).prop_map(str::to_owned),
    ]
}
