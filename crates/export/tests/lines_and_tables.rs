//! JSON Lines and CSV, read back.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use std::io::Cursor;

use common::{arc, bearing, bearings, bursts, every_statement, found, place, readings};
use lobewright_export::{
    ReadError, bearings_csv, bearings_jsonl, bursts_csv, fix_csv, read_bearings_jsonl, readings_csv,
};
use lobewright_types::{BearingOutcome, CircleDensity, FixOutcome, Position};
use proptest::prelude::*;

fn target() -> Position {
    place(-41.29, 174.78)
}

fn read(text: &str) -> Result<Vec<BearingOutcome>, ReadError> {
    read_bearings_jsonl(Cursor::new(text), "hunt.jsonl")
}

// ---- JSON Lines

/// Everything but the density must come back to the last bit, and the density as its compact text has it.
fn assert_same(a: &BearingOutcome, b: &BearingOutcome) {
    match (a, b) {
        (BearingOutcome::Bearing(a), BearingOutcome::Bearing(b)) => {
            let (text, loss) = a.density.to_compact_with_loss();
            assert!(loss.is_within_promise(), "{loss:?}");
            let mut expected = a.clone();
            expected.density = CircleDensity::from_compact(&text).unwrap();
            assert_eq!(expected, *b);
        }
        _ => assert_eq!(a, b),
    }
}

#[test]
fn knots_of_older_files_are_read_as_they_are() {
    let one = bearing("b1", "Hill", target(), 10.0);
    let written = bearings_jsonl(&[BearingOutcome::Bearing(Box::new(one.clone()))]);
    let compact = serde_json::to_string(&one.density.to_compact()).unwrap();
    let knots = serde_json::to_string(&one.density).unwrap();
    let older = written.replace(&compact, &knots);
    assert_ne!(older, written);
    let back = read(&older).unwrap();
    let [BearingOutcome::Bearing(back)] = back.as_slice() else {
        panic!("one bearing was written");
    };
    assert_eq!(back.density.azimuths_deg(), one.density.azimuths_deg());
    for (p, q) in one.density.ln_per_deg().iter().zip(back.density.ln_per_deg()) {
        // Mass is summed over some hundred segments: a few rounding errors of 1e-16 each.
        assert!((p - q).abs() < 1e-12, "{p} {q}");
    }
}

#[test]
fn a_damaged_density_is_named() {
    let good = bearings_jsonl(&bearings(target()));
    let at = good.find("cd1.").unwrap() + 20;
    let other = if good.as_bytes()[at] == b'A' { "B" } else { "A" };
    let bent = format!("{}{other}{}", &good[..at], &good[at + 1..]);
    let error = read(&bent).unwrap_err().to_string();
    assert!(error.starts_with("hunt.jsonl, line 1, column "), "{error}");
    assert!(error.contains("density: the checksum is "), "{error}");
    let error = read(&good.replacen("\"cd1.", "\"cd7.", 1))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("begins with `cd1.`, this begins with `cd7.`"),
        "{error}"
    );
}

#[test]
fn bearings_come_back_from_json_lines() {
    let written = bearings(target());
    let text = bearings_jsonl(&written);
    assert_eq!(text.lines().count(), 3);
    let back = read(&text).unwrap();
    assert_eq!(back.len(), 3);
    for (a, b) in written.iter().zip(&back) {
        assert_same(a, b);
    }
    let spaced = format!("\u{feff}{}", text.replace('\n', "\r\n\r\n"));
    assert_eq!(read(&spaced).unwrap(), back);
    assert!(read("").unwrap().is_empty());
}

#[test]
fn wrong_lines_are_named() {
    let good = bearings_jsonl(&bearings(target()));
    let broken = format!("{good}{{\"outcome\":\"bearing\",\n");
    let error = read(&broken).unwrap_err().to_string();
    assert!(error.starts_with("hunt.jsonl, line 4, column "), "{error}");
    assert!(error.contains("EOF"), "{error}");
    let first = good.lines().next().unwrap();
    let missing = first.replace("\"sigma_deg\":1.8,\"heading", "\"heading");
    assert_ne!(missing, first);
    let error = read(&missing).unwrap_err().to_string();
    assert!(
        error.contains("line 1") && error.contains("missing field `sigma_deg`"),
        "{error}"
    );
    let twice = format!("{first}\n\n{first}\n");
    assert_eq!(
        read(&twice).unwrap_err().to_string(),
        "hunt.jsonl, line 3: the id `b1` was used in line 1 already; give each bearing its own"
    );
}

#[test]
fn values_out_of_range_are_named() {
    let check = |change: &dyn Fn(&mut lobewright_types::Bearing), expected: &str| {
        let mut one = bearing("b1", "Hill", target(), 10.0);
        change(&mut one);
        let text = bearings_jsonl(&[BearingOutcome::Bearing(Box::new(one))]);
        assert_eq!(
            read(&text).unwrap_err().to_string(),
            format!("hunt.jsonl, line 1: {expected}")
        );
    };
    check(
        &|b| b.position.lat_deg = 174.78,
        "`position.lat_deg` is 174.78; it must be from -90 to 90, north positive",
    );
    check(
        &|b| b.position.lon_deg = -200.0,
        "`position.lon_deg` is -200; it must be from -180 to 180, east positive",
    );
    check(
        &|b| b.sigma_deg = 0.0,
        "`sigma_deg` is 0; it must be a finite number above 0",
    );
    check(
        &|b| b.heading_sigma_deg = -1.0,
        "`heading_sigma_deg` is -1; it must be a finite number, 0 or more",
    );
    check(
        &|b| b.modes[0].probability = 1.5,
        "`modes.probability` is 1.5; it must be from 0 to 1",
    );
    check(
        &|b| b.arcs95 = vec![arc(0.0, 400.0)],
        "`width_deg` is 400; it must be from 0 to 360",
    );
}

#[test]
fn input_that_cannot_be_read_is_named() {
    let error = read_bearings_jsonl(Cursor::new(&b"\xff\xfe\n"[..]), "odd.jsonl").unwrap_err();
    assert_eq!(error.to_string(), "odd.jsonl, line 1: the input cannot be read");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_bearings_jsonl(Cursor::new(bytes), "x");
    }

    #[test]
    fn any_numbers_and_names_come_back(
        id in "\\PC{1,12}",
        lat_deg in -90.0..=90.0_f64,
        lon_deg in -180.0..=180.0_f64,
        azimuth_deg in 0.0..360.0_f64,
        snr_db in proptest::option::of(-20.0..60.0_f64),
    ) {
        let mut one = bearing(&id, &id, place(lat_deg, lon_deg), azimuth_deg);
        one.snr_db = snr_db;
        let outcome = BearingOutcome::Bearing(Box::new(one));
        let back = read(&bearings_jsonl(std::slice::from_ref(&outcome))).unwrap();
        assert_same(&outcome, &back[0]);
    }
}

// ---- CSV

fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes());
    reader
        .records()
        .map(|record| record.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

fn cell<'a>(rows: &'a [Vec<String>], row: usize, column: &str) -> &'a str {
    let index = rows[0].iter().position(|name| name == column).unwrap();
    &rows[row][index]
}

#[test]
fn tables_have_a_heading_and_all_their_cells() {
    let table = rows(&bearings_csv(&bearings(target())));
    assert_eq!(table.len(), 4);
    assert_eq!(cell(&table, 1, "station"), "Hill, top");
    assert_eq!(cell(&table, 1, "azimuth_true_deg"), "280");
    assert_eq!(cell(&table, 1, "time_utc"), "2026-02-14T03:25:00.5Z");
    assert_eq!(cell(&table, 1, "flags"), "clipped partial_circle");
    assert_eq!(cell(&table, 1, "level_dbfs"), "-31.25");
    assert_eq!(cell(&table, 2, "station"), "Quay <east> & \"west\"");
    assert_eq!(cell(&table, 2, "snr_db"), "");
    assert_eq!(cell(&table, 3, "outcome"), "no_bearing");
    assert_eq!(cell(&table, 3, "reason"), "no_burst");
    assert_eq!(cell(&table, 3, "density"), "");
    let density = CircleDensity::from_compact(cell(&table, 1, "density")).unwrap();
    assert!((density.modes(0.05)[0].sigma_deg - 1.8).abs() < 0.02);
    let (from, to) = cell(&table, 1, "arcs95_true_deg").split_once("..").unwrap();
    // 1.96 sigma to each side of 280 degrees.
    assert!((from.parse::<f64>().unwrap() - (280.0 - 1.96 * 1.8)).abs() < 0.05);
    assert!((to.parse::<f64>().unwrap() - (280.0 + 1.96 * 1.8)).abs() < 0.05);

    let table = rows(&bursts_csv(&bursts()));
    assert_eq!(cell(&table, 1, "start"), "19200000");
    assert_eq!(cell(&table, 1, "carrier_offset_sigma_hz"), "");
    assert_eq!(cell(&table, 1, "flags"), "began_before clipped");

    let table = rows(&readings_csv(&readings()));
    assert_eq!(cell(&table, 1, "azimuth_mount_deg"), "31.5");
    assert_eq!(cell(&table, 1, "port"), "");
    assert_eq!(cell(&table, 2, "port"), "3");
    assert_eq!(cell(&table, 2, "turn_deg"), "");

    let table = rows(&fix_csv(&found(target())));
    assert_eq!(cell(&table, 1, "lat_deg"), "-41.29");
    assert_eq!(cell(&table, 1, "reflected_ids"), "b2");
    assert_eq!(cell(&table, 1, "station_offsets_deg"), "van 2=7.25~1.5@0.9375");
    let table = rows(&fix_csv(&FixOutcome::NoFix {
        statements: every_statement(),
    }));
    assert_eq!(cell(&table, 1, "outcome"), "no_fix");
    assert_eq!(cell(&table, 1, "lat_deg"), "");
    assert!(cell(&table, 1, "statements").contains("the bearings hardly cross"));
}
