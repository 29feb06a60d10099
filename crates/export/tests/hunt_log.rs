//! The hunt log: what is written comes back, cut anywhere, torn anywhere, and by one writer only.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use std::io::Write as _;

use lobewright_export::{
    AsideReason, CompassReading, HuntEntry, HuntFact, HuntLog, HuntLogError, HuntWriter, MeterReading,
    NorthUsed, hunt_line, is_hunt_log, read_hunt_log,
};
use lobewright_types::{AreaClue, AreaRule, LevelReport, PolygonDeg, Position, SilenceReport, Timestamp};
use proptest::prelude::*;

fn at(second: i64) -> Timestamp {
    Timestamp::from_unix_ns((1_771_039_500 + second) * 1_000_000_000)
}

fn place(lat_deg: f64, lon_deg: f64) -> Position {
    Position { lat_deg, lon_deg }
}

/// One fact of each kind that a person or a station writes.
fn facts() -> Vec<HuntFact> {
    let bearing = Box::new(common::bearing("#1", "quay", place(-41.28, 174.2), 146.1));
    vec![
        HuntFact::Bearing {
            bearing,
            read: Some(CompassReading {
                reading_deg: 123.4,
                north: NorthUsed::Magnetic,
                sigma_deg: 4.0,
                to_true_deg: 22.7,
            }),
        },
        HuntFact::Level {
            level: LevelReport {
                id: "level".to_owned(),
                station: "quay".to_owned(),
                time_utc: Some(at(7)),
                position: place(-41.28, 174.2),
                position_sigma_m: 10.0,
                transmitter: Some("larch".to_owned()),
                scale: "meter".to_owned(),
                level_db: 47.3,
                sigma_db: 2.0,
            },
            read: Some(MeterReading {
                reading_db: 7.3,
                attenuation_db: 40.0,
            }),
        },
        HuntFact::Silence {
            silence: SilenceReport {
                id: "silence".to_owned(),
                station: "quay".to_owned(),
                time_utc: None,
                position: place(-41.28, 174.2),
                transmitter: None,
                scale: "meter".to_owned(),
                limit_db: 3.0,
            },
        },
        HuntFact::Area {
            area: AreaClue {
                name: "the lake\nwith \"islands\"".to_owned(),
                rule: AreaRule::Outside,
                polygons: vec![PolygonDeg {
                    outer: vec![place(-41.0, 174.0), place(-41.1, 174.0), place(-41.1, 174.1)],
                    holes: Vec::new(),
                }],
            },
        },
        HuntFact::Note {
            text: "Möwen, Wind — and rain\n\u{feff}".to_owned(),
            position: None,
            place: Some("quay".to_owned()),
        },
        HuntFact::Retraction {
            of: 1,
            reason: Some("read the wrong end of the needle".to_owned()),
        },
    ]
}

fn written() -> (tempfile::TempDir, std::path::PathBuf, Vec<HuntEntry>) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let mut writer = HuntWriter::open(&path, at(0), Some("spring hunt")).unwrap();
    for (i, fact) in (1_u32..).zip(facts()) {
        let entry = writer.append(at(10 * i64::from(i)), fact).unwrap();
        assert_eq!(entry.id, u64::from(i));
    }
    let entries = writer.log().entries.clone();
    (folder, path, entries)
}

fn read(bytes: &[u8]) -> HuntLog {
    read_hunt_log(bytes, "hunt.jsonl").unwrap()
}

#[test]
fn what_is_written_comes_back_to_the_last_bit() {
    let (_folder, path, entries) = written();
    let log = read(&std::fs::read(&path).unwrap());
    assert_eq!(log.entries, entries);
    assert!(log.aside.is_empty() && !log.open_ended);
    assert_eq!(log.start(), Some((Some("spring hunt"), 1)));
    // The bearing was taken back: four readings stand.
    assert_eq!(
        log.standing().iter().map(|e| e.id).collect::<Vec<_>>(),
        [2, 3, 4, 5]
    );
}

#[test]
fn cut_at_any_byte_every_whole_entry_is_recovered_and_writing_goes_on() {
    let (folder, path, entries) = written();
    let bytes = std::fs::read(&path).unwrap();
    let ends: Vec<usize> = (0..bytes.len()).filter(|&i| bytes[i] == b'\n').collect();
    let cut_path = folder.path().join("cut.jsonl");
    for cut in 0..=bytes.len() {
        // An entry is whole from its last bracket on; the line feed may be missing.
        let whole = ends.iter().filter(|&&end| end <= cut).count();
        let log = read(&bytes[..cut]);
        assert_eq!(log.entries, entries[..whole], "cut at {cut}");
        // Opening forces the disk twice: some of the cuts are enough to show that writing goes on.
        if cut % 23 != 0 && !ends.iter().any(|end| end.abs_diff(cut) <= 2) {
            continue;
        }
        std::fs::write(&cut_path, &bytes[..cut]).unwrap();
        let mut writer = HuntWriter::open(&cut_path, at(500), None).unwrap();
        let kept = writer.append(at(501), facts().remove(4)).unwrap();
        drop(writer);
        let after = std::fs::read(&cut_path).unwrap();
        assert!(
            after.starts_with(&bytes[..cut]),
            "cut at {cut}: something was changed"
        );
        let log = read(&after);
        assert_eq!(log.entries[..whole], entries[..whole], "cut at {cut}");
        assert_eq!(log.entries.last(), Some(&kept), "cut at {cut}");
        let torn = cut > 0 && bytes[cut - 1] != b'\n' && !ends.contains(&cut);
        assert_eq!(
            log.aside.iter().map(|a| a.reason.clone()).collect::<Vec<_>>(),
            if torn { vec![AsideReason::Torn] } else { vec![] },
            "cut at {cut}"
        );
        assert!(log.start().is_some());
        let mut ids: Vec<u64> = log.entries.iter().map(|e| e.id).collect();
        let count = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), count, "cut at {cut}: a number twice");
    }
}

#[test]
fn a_second_writer_is_refused_and_a_reader_is_not() {
    let (_folder, path, _) = written();
    let mut first = HuntWriter::open(&path, at(90), None).unwrap();
    let error = HuntWriter::open(&path, at(91), None).unwrap_err();
    assert!(matches!(error, HuntLogError::InUse { .. }), "{error}");
    assert!(error.to_string().contains("is being written by another program"));
    assert_eq!(read(&std::fs::read(&path).unwrap()).entries.len(), 7);
    first.append(at(92), facts().remove(4)).unwrap();
    drop(first);
    assert_eq!(HuntWriter::open(&path, at(93), None).unwrap().next_id(), 8);
}

#[test]
fn other_files_are_not_taken_for_a_log_and_not_written_to() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other");
    for text in [
        "shopping list",
        "place,lat_deg\nhill,3\n",
        "{\"outcome\":\"bearing\"}\n",
        "{\"id\":1,\"time_utc\":\"2026-02-14T03:25:00Z\",\"kind\":\"note\",\"text\":\"x\"}\n",
        "\n{\n",
    ] {
        std::fs::write(&path, text).unwrap();
        let error = HuntWriter::open(&path, at(0), None).unwrap_err();
        assert!(matches!(error, HuntLogError::NotALog { .. }), "{text}: {error}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        assert!(!is_hunt_log(text.as_bytes()), "{text}");
    }
    let (_folder, path, _) = written();
    assert!(is_hunt_log(&std::fs::read(path).unwrap()));
}

#[test]
fn what_a_later_version_wrote_is_named_by_line_and_kept() {
    let (_folder, path, entries) = written();
    let mut file = std::fs::OpenOptions::new().append(true).open(&path).unwrap();
    let later =
        "{\"id\":41,\"time_utc\":\"2026-02-14T05:00:00Z\",\"kind\":\"photograph\",\"file\":\"a.png\"}";
    // A field that is not known does no harm.
    let note =
        "{\"id\":42,\"time_utc\":\"2026-02-14T05:00:01Z\",\"kind\":\"note\",\"text\":\"t\",\"mood\":3}";
    writeln!(file, "{later}\n{note}").unwrap();
    let log = read(&std::fs::read(&path).unwrap());
    assert_eq!(log.entries.len(), entries.len() + 1);
    let [aside] = &log.aside[..] else {
        panic!("{:?}", log.aside)
    };
    assert_eq!((aside.line, aside.text.as_str()), (8, later));
    assert!(aside.reason.to_string().contains("`photograph`"));
    assert_eq!(HuntWriter::open(&path, at(99), None).unwrap().next_id(), 43);
}

#[test]
fn impossible_values_double_numbers_and_empty_retractions_are_put_aside() {
    let (_folder, path, entries) = written();
    let mut text = std::fs::read_to_string(&path).unwrap();
    let mut wrong = entries[2].clone();
    if let HuntFact::Level { level, .. } = &mut wrong.fact {
        level.position.lat_deg = 95.0;
    }
    text += &hunt_line(&wrong);
    text += &hunt_line(&entries[3]);
    text += "{\"id\":50,\"time_utc\":\"2026-02-14T05:00:00Z\",\"kind\":\"retraction\",\"of\":49}\nnot JSON\n";
    let log = read(text.as_bytes());
    assert_eq!(log.entries, entries);
    let said: Vec<String> = log
        .aside
        .iter()
        .map(|a| format!("{}: {}", a.line, a.reason))
        .collect();
    assert_eq!(
        said,
        [
            "8: `position.lat_deg` is 95; it must be from -90 to 90, north positive",
            "9: the number 3 was used in line 4 already; each entry has its own",
            "10: takes back entry 49, which does not stand before it",
            "11: column 2: not an entry: expected ident",
        ]
    );
}

#[test]
fn a_retraction_taken_back_brings_the_entry_to_life_and_the_past_stays_as_it_was() {
    let (_folder, path, _) = written();
    let mut writer = HuntWriter::open(&path, at(100), None).unwrap();
    assert!(!writer.log().stands(1) && writer.log().stands(6));
    let undo = HuntFact::Retraction { of: 6, reason: None };
    let entry = writer.append(at(100), undo).unwrap();
    let log = writer.log();
    let ids = |count| log.standing_after(count).iter().map(|e| e.id).collect::<Vec<_>>();
    assert!(log.stands(1) && !log.stands(6));
    assert_eq!(ids(log.entries.len()), [1, 2, 3, 4, 5]);
    assert_eq!(ids(log.count_at(at(99))), [2, 3, 4, 5]);
    assert_eq!(ids(log.count_at(at(35))), [1, 2, 3]);
    assert_eq!(ids(log.count_to(entry.id - 1).unwrap()), [2, 3, 4, 5]);
    assert_eq!(log.count_at(at(-1)), 0);
    assert_eq!(log.count_to(77), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Damage anywhere costs the lines it touches and no other.
    #[test]
    fn damage_costs_the_lines_it_touches(from in 0.0..1.0_f64, length in 1_usize..400, byte in any::<u8>()) {
        let lines: Vec<Vec<u8>> = std::iter::once(HuntFact::Start {
            format: "lobewright-hunt-log".to_owned(),
            version: 1,
            title: None,
        })
        .chain(facts())
        .zip(0_u32..)
        .map(|(fact, i)| {
            let entry = HuntEntry { id: u64::from(i), time_utc: at(i64::from(i)), fact };
            hunt_line(&entry).into_bytes()
        })
        .collect();
        let mut bytes = lines.concat();
        // The start stays: without it no file is a log.
        let first = lines[0].len();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in a short file")]
        let from = first + ((bytes.len() - first) as f64 * from) as usize;
        let to = (from + length).min(bytes.len());
        bytes[from..to].fill(byte);
        let log = read(&bytes);
        let mut end = 0;
        for (i, line) in lines.iter().enumerate() {
            let start = end;
            end += line.len();
            // Retracting entry 1 needs entry 1.
            let needs = i == 6 && from < lines[0].len() + lines[1].len();
            let clear = (end <= from || start >= to) && !needs;
            // A line whose neighbour lost its line feed is glued to it.
            let glued = start > 0 && start > from && start <= to && byte != b'\n';
            if clear && !glued {
                prop_assert!(log.entries.iter().any(|e| e.id == i as u64), "entry {i} is lost");
            }
        }
    }

    /// Any bytes behind a log are read without a panic, and what was there before is there still.
    #[test]
    fn any_bytes_behind_a_log_leave_it_whole(tail in proptest::collection::vec(any::<u8>(), 0..300)) {
        let (_folder, path, entries) = written();
        let mut bytes = std::fs::read(path).unwrap();
        bytes.extend(&tail);
        let log = read(&bytes);
        prop_assert!(log.entries.starts_with(&entries));
    }
}
