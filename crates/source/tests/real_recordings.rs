//! Recordings of real transmissions, made and described by other people's programs. What is expected of them is
//! copied from their metadata and from the table in `testdata/recordings/README.md`.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use common::{drain, testdata};
use lobewright_source::{Checksum, OpenOptions, open, verify_sha512};
use lobewright_types::SampleIndex;

struct Expected {
    name: &'static str,
    format: &'static str,
    rate_hz: f64,
    center_hz: f64,
    samples: u64,
    annotations: usize,
    /// Starts of the annotations labelled `burst`.
    bursts: &'static [u64],
    author: &'static str,
    sha512: &'static str,
}

const RECORDINGS: [Expected; 4] = [
    Expected {
        name: "nbiot_uplink_832M",
        format: "ci16_le",
        rate_hz: 640e3,
        center_hz: 832_344_126.0,
        samples: 374_000,
        annotations: 7,
        bursts: &[30_319, 107_117, 229_995, 251_756, 313_195, 329_200, 366_314],
        author: "Daniel Estévez",
        sha512: "d8134bffdcd049d36a6fada8d21736bd1281905e29a253ce5a947f554c5e1c0c938b68836f2b1539d817a4a997adbdedbd138fb6e6967485f8bbf203138e21b7",
    },
    Expected {
        name: "meter_fsk_868M95",
        format: "cu8",
        rate_hz: 1.6e6,
        center_hz: 868.95e6,
        samples: 450_000,
        annotations: 3,
        bursts: &[32_924, 379_058],
        author: "xaelsouth (rtl-wmbus)",
        sha512: "752cabd733b20bd1feb167e69c9de59b9b76c8b21ef1b80cf0e2742729ee187a7acc2782662a9c957f78bb9867dea32e4d86be38f2d51cf7c5f72ad5bc42c3ea",
    },
    Expected {
        name: "satellite_9k6_four_bursts_435M",
        format: "ci16_le",
        rate_hz: 24e3,
        center_hz: 435.525e6,
        samples: 132_014,
        annotations: 4,
        bursts: &[8_798, 57_235, 95_616, 108_057],
        author: "Daniel Estévez (collection)",
        sha512: "9ccaa489f6bda256e1c1a035aba1ed1fd4257db8eca18b562547b631404e989014a8b71597d22841737ebb42c9b2cfc6ef318354b303c53d7e26f0201176eaf1",
    },
    Expected {
        name: "satellite_two_short_bursts_435M",
        format: "ci16_le",
        rate_hz: 24e3,
        center_hz: 435.35e6,
        samples: 118_036,
        annotations: 6,
        bursts: &[18_873, 24_820],
        author: "Daniel Estévez (collection)",
        sha512: "02dff76d850b0957b9aee1e42dd40b5e2b412c84517287edd92246865d16258baee7d05d6171a23a5d485bcaac8b9b882bd7c5837beec62c30d777d4155b4327",
    },
];

#[test]
fn real_recordings_open_as_described() {
    for want in &RECORDINGS {
        let path = testdata(&format!("recordings/{}.sigmf-meta", want.name));
        let mut recording = open(&path, &OpenOptions::default()).unwrap();
        let info = recording.info().clone();
        assert_eq!(info.format.to_string(), want.format, "{}", want.name);
        assert!((info.rate_hz - want.rate_hz).abs() < 1e-9);
        assert_eq!(info.channels, 1);
        assert_eq!(info.captures.len(), 1);
        let center_hz = info.center_hz_at(SampleIndex(0)).unwrap();
        assert!((center_hz - want.center_hz).abs() < 1e-6, "{}", want.name);
        assert_eq!(info.length_samples, Some(want.samples));
        assert_eq!(info.annotations.len(), want.annotations);
        let bursts: Vec<u64> = info
            .annotations
            .iter()
            .filter(|a| a.label.as_deref() == Some("burst"))
            .map(|a| a.start.0)
            .collect();
        assert_eq!(bursts, want.bursts);
        assert_eq!(info.author.as_deref(), Some(want.author));
        assert_eq!(info.sha512.as_deref(), Some(want.sha512));
        assert!(info.azimuth_track.is_empty() && info.position().is_none());

        let whole = drain(&mut recording);
        assert_eq!(whole.samples_read, want.samples);
        assert!(whole.gaps().is_empty() && whole.warnings.is_empty());
        let data = std::fs::read(path.with_extension("sigmf-data")).unwrap();
        assert_eq!(whole.bytes(), data);
        assert_eq!(
            verify_sha512(&path, &OpenOptions::default()).unwrap(),
            Checksum::Matches
        );
    }
}

#[test]
fn the_data_file_and_the_bare_name_open_the_same_recording() {
    let options = OpenOptions::default();
    let base = testdata("recordings/meter_fsk_868M95");
    let by_meta = open(&testdata("recordings/meter_fsk_868M95.sigmf-meta"), &options).unwrap();
    for path in [base, testdata("recordings/meter_fsk_868M95.sigmf-data")] {
        let other = open(&path, &options).unwrap();
        assert_eq!(other.info(), by_meta.info());
    }
}

#[test]
fn time_counts_from_the_capture() {
    let path = testdata("recordings/nbiot_uplink_832M.sigmf-meta");
    let recording = open(&path, &OpenOptions::default()).unwrap();
    let utc = recording.info().utc_at(SampleIndex(640_000 / 4)).unwrap();
    assert_eq!(utc.to_string(), "2025-11-15T17:34:32.482Z");
}

#[test]
fn the_clipped_telegram_has_twelve_thousand_values_on_the_rails() {
    // README of the recordings: 12000 of the 8-bit values of the first telegram sit on 0 or 255.
    let path = testdata("recordings/meter_fsk_868M95.sigmf-meta");
    let bytes = common::read_all(&path, &OpenOptions::default()).bytes();
    let telegram = &bytes[2 * 32_924..2 * 43_571];
    let on_rails = telegram.iter().filter(|&&b| b == 0 || b == 255).count();
    assert!((11_500..=12_500).contains(&on_rails), "{on_rails}");
}
