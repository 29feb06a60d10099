//! Places in any form, in and out, and the formats for handheld receivers and packet radio.

mod common;

use common::outcome;
use lobewright_geodesy::{CoordinateForm, inverse, parse_position};
use lobewright_types::Position;

/// Invented, around 41.3 S 174.1 E: see the README beside it.
const TABLE: &str = "testdata/hand/hill_country_grid.csv";

fn succeeds(args: &[&str]) -> (String, String) {
    let (code, stdout, stderr) = outcome(args);
    assert_eq!(code, 0, "{args:?}: {stderr}");
    (stdout, stderr)
}

/// The place in the table's line `position   PLACE (WGS 84, …)`.
fn position_line(table: &str) -> String {
    let line = table
        .lines()
        .find(|l| l.starts_with("position "))
        .expect("a position");
    let rest = &line["position ".len()..];
    rest.split_once(" (")
        .map_or(rest, |(place, _)| place)
        .trim()
        .to_owned()
}

#[test]
fn the_position_is_said_in_the_form_asked_for() {
    let hill = Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };
    for form in CoordinateForm::ALL {
        let (table, _) = succeeds(&["fix", TABLE, "--coordinates", form.word()]);
        let text = position_line(&table);
        let read = parse_position(&text).unwrap_or_else(|e| panic!("{text}: {e}"));
        assert_eq!(read.form, form, "{text}");
        // Errors of up to 2.5 degrees over some 3 km.
        let off_m = inverse(read.position, hill).distance_m;
        assert!(off_m < 600.0, "{text} is {off_m} m off");
    }
    let (plain, _) = succeeds(&["fix", TABLE]);
    let (decimal, _) = succeeds(&["fix", TABLE, "--coordinates", "decimal"]);
    assert_eq!(plain, decimal);
}

#[test]
fn an_unknown_form_is_refused_with_those_there_are() {
    let (code, _, stderr) = outcome(&["fix", TABLE, "--coordinates", "dms"]);
    assert_eq!(code, 2);
    assert!(
        stderr.contains("decimal, minutes, seconds, utm, mgrs, locator"),
        "{stderr}"
    );
}

#[test]
fn bearings_go_out_as_aprs_and_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let (reports, gpx) = (folder.path().join("heard.aprs"), folder.path().join("fix.gpx"));
    succeeds(&["fix", TABLE, "--out", reports.to_str().unwrap()]);
    succeeds(&["fix", reports.to_str().unwrap(), "--out", gpx.to_str().unwrap()]);
    let text = std::fs::read_to_string(&reports).unwrap();
    assert_eq!(text.lines().count(), 3);
    let written = std::fs::read_to_string(&gpx).unwrap();
    for part in [
        "<name>Fix</name>",
        "<name>Gorse Knob</name>",
        "<name>95% region</name>",
    ] {
        assert!(written.contains(part), "{part}");
    }
    let (printed, _) = succeeds(&["fix", TABLE, "--format", "aprs"]);
    assert_eq!(printed, text);
    std::fs::write(&reports, "N0CALL>APRS:!4118.24S/17453.15E\\000/000/280/8x6\n").unwrap();
    let (code, _, stderr) = outcome(&["fix", reports.to_str().unwrap()]);
    assert_eq!(code, 3);
    assert!(
        stderr.contains("line 1: number/range/quality is `8x6`; it must be three figures"),
        "{stderr}"
    );
}
