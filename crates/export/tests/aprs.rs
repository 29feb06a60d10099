//! APRS direction-finding reports against the examples of the APRS Protocol Reference 1.0.1, chapters 7 and 8, and as properties.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use common::{bearing, bearings, found, place};
use lobewright_export::{AprsWarning, GeoOptions, bearings_aprs, read_aprs_bearings};
use lobewright_types::{Azimuth, Bearing, BearingKind, BearingOutcome, CircleDensity, FixOutcome, Position};
use proptest::prelude::*;

fn read(text: &str) -> (Vec<Bearing>, Vec<AprsWarning>) {
    read_aprs_bearings(text.as_bytes(), "heard.aprs").unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn no_fix() -> FixOutcome {
    FixOutcome::NoFix {
        statements: Vec::new(),
    }
}

fn written(bearing: Bearing) -> String {
    bearings_aprs(
        &no_fix(),
        &[BearingOutcome::Bearing(Box::new(bearing))],
        &GeoOptions::default(),
    )
}

// APRS Protocol Reference 1.0.1, chapter 8, direction-finding report examples: bearing 270, number 7, range 4 miles, quality 9 (below
// 1 degree), from 49 03.50 N 72 01.75 W.
#[test]
fn the_protocols_examples_are_read() {
    for (line, course) in [
        (r"=4903.50N/07201.75W\088/036/270/729", Some(88)),
        (r"=4903.50N/07201.75W\000/036/270/729", None),
        (r"@092345z4903.50N/07201.75W\088/036/270/729", Some(88)),
        (r"/092345z4903.50N/07201.75W\000/000/270/729", None),
        (
            r"N0CALL-9>APRS,WIDE1-1,WIDE2-1*:/092345z4903.50N/07201.75W\.../.../270/729Beam",
            None,
        ),
        (r"N0CALL-9>APRS:@234517h4903.50N/07201.75W\   /   /270/729", None),
    ] {
        let (bearings, warnings) = read(line);
        let [bearing] = bearings.as_slice() else {
            panic!("{line}: {bearings:?}")
        };
        assert_eq!(bearing.kind, BearingKind::Remote);
        assert!((bearing.azimuth.degrees() - 270.0).abs() < 1e-12);
        assert!((bearing.position.lat_deg - 49.058_333_3).abs() < 1e-6);
        assert!((bearing.position.lon_deg + 72.029_166_7).abs() < 1e-6);
        // Below 1 degree to each side in 95 %, and a whole number of degrees.
        assert!((bearing.sigma_deg - (1.0 / 1.96_f64).hypot(0.288_7)).abs() < 1e-3);
        // A hundredth of a minute is 18.5 m by 12.1 m there.
        assert!(
            (bearing.position_sigma_m - 10.0_f64.hypot(4.5)).abs() < 0.1,
            "{}",
            bearing.position_sigma_m
        );
        let station = if line.starts_with('N') {
            "N0CALL-9"
        } else {
            "heard.aprs:1"
        };
        assert_eq!(
            (bearing.station.as_str(), bearing.id.as_str()),
            (station, "heard.aprs:1")
        );
        let moving: Vec<AprsWarning> = course
            .map(|course_deg| AprsWarning::Moving {
                line: 1,
                station: station.to_owned(),
                course_deg,
            })
            .into_iter()
            .collect();
        assert_eq!(warnings, moving);
    }
}

// Table of quality in chapter 7: 1 below 240, 2 below 120, 3 below 64 ... 9 below 1 degree; read as 95 % to each side.
#[test]
fn quality_and_number_become_a_standard_deviation() {
    for (nrq, sigma_deg) in [
        ("849", 0.586),
        ("848", 1.060),
        ("847", 2.061),
        ("846", 4.092),
        ("845", 8.169),
        ("844", 16.33),
        ("843", 32.66),
        ("842", 61.23),
        ("841", 90.0),
        ("949", 0.586),
        ("049", 30.0),
    ] {
        let (bearings, warnings) = read(&format!(r"!4903.50N/07201.75W\000/000/010/{nrq}Hill"));
        assert!(
            (bearings[0].sigma_deg - sigma_deg).abs() < 0.01 * sigma_deg,
            "{nrq}: {}",
            bearings[0].sigma_deg
        );
        assert_eq!(bearings[0].station, "Hill");
        assert_eq!(warnings.len(), usize::from(nrq.starts_with('0')));
    }
    let (bearings, warnings) = read(r"!4903.50N/07201.75W\000/000/010/840Hill");
    assert!(bearings.is_empty());
    assert_eq!(
        warnings[0].to_string(),
        "line 1: `Hill` calls its bearing useless (quality 0); it was left out"
    );
}

// Chapter 6: blanks at the end of both coordinates leave them open by tenths, units and tens of minutes, and a degree.
#[test]
fn blanks_in_a_position_widen_it() {
    for (lat, lon, lat_deg, sigma_m) in [
        ("4903.5 N", "07201.7 W", 49.0 + 3.55 / 60.0, 45.0),
        ("4903.  N", "07201.  W", 49.0 + 3.5 / 60.0, 450.0),
        ("490 .  N", "0720 .  W", 49.0 + 5.0 / 60.0, 4_500.0),
        ("49  .  N", "072  .  W", 49.5, 27_000.0),
    ] {
        let (bearings, _) = read(&format!(r"!{lat}/{lon}\000/000/010/849"));
        assert!((bearings[0].position.lat_deg - lat_deg).abs() < 1e-9);
        assert!(
            (bearings[0].position_sigma_m / sigma_m - 1.0).abs() < 0.05,
            "{}",
            bearings[0].position_sigma_m
        );
    }
}

#[test]
fn other_traffic_is_passed_over_and_counted() {
    let (bearings, warnings) = read(
        "# heard from the hill\r\n\r\nN0CALL>APRS::BLN1     :net at eight\r\nN0CALL>APRS:>on the hill\r\n\
         N0CALL>APRS:!4903.50N/07201.75W-house\r\nN0CALL>APRS:=/5L!!<*e7>7P[ compressed\r\n\
         N0CALL>APRS:!4903.50N/07201.75W\\000/000/123/847\r\n",
    );
    assert_eq!(bearings.len(), 1);
    assert_eq!(bearings[0].id, "heard.aprs:7");
    assert_eq!(
        warnings[0].to_string(),
        "4 APRS lines carry no bearing and were passed over"
    );
}

#[test]
fn errors_name_the_line_the_part_and_what_would_be_right() {
    for (line, words) in [
        (
            "good morning",
            "`heard.aprs` line 2: `good morning` is no APRS report; a direction-finding report is such as",
        ),
        (
            r"!4903.50X/07201.75W\000/000/010/849",
            "the latitude is `4903.50X`; it must be degrees and minutes with hundredths",
        ),
        (
            r"!4963.50N/07201.75W\000/000/010/849",
            "the latitude is `4963.50N`",
        ),
        (
            r"!49 3.50N/07201.75W\000/000/010/849",
            "the latitude is `49 3.50N`",
        ),
        (
            r"!9103.50N/07201.75W\000/000/010/849",
            "at most 90 and 180 degrees",
        ),
        (
            r"!4903.50N/18101.75E\000/000/010/849",
            "at most 90 and 180 degrees",
        ),
        (
            r"!4903.50N/07201.75W\000/000/010",
            "course, speed, bearing and number/range/quality is `000/000/010`; it must be such as `088/036/270/729`",
        ),
        (
            r"!4903.50N/07201.75W\000/000/410/849",
            "the bearing is `410`; it must be three figures from 000 to 360",
        ),
        (r"!4903.50N/07201.75W\+10/000/010/849", "the course is `+10`"),
        (
            r"!4903.50N/07201.75W\000/000/010/8x9",
            "number/range/quality is `8x9`; it must be three figures",
        ),
        (
            r"@09234z4903.50N/07201.75W\000/000/010/849",
            "the time is `09234z4`; it must be six figures and `z`, `/` or `h`",
        ),
        ("!4903.50N", "the position is `4903.50N`"),
    ] {
        let text = format!("# first\n{line}\n");
        let error = read_aprs_bearings(text.as_bytes(), "heard.aprs")
            .unwrap_err()
            .to_string();
        assert!(error.contains(words), "{line}: {error}");
        assert!(error.starts_with("`heard.aprs` line 2: "), "{error}");
    }
}

// Field by field as chapters 6 to 8 have them.
#[test]
fn a_bearing_is_written_as_a_report() {
    let at = place(49.0 + 3.5 / 60.0, -72.0 - 1.75 / 60.0);
    // 20 km are 12.4 miles: 2^4 is nearest. 95 % of a sigma of 1.8 degrees reach 7.1 degrees from side to side: below 8.
    let mut one = bearing("b1", "Hill, top", at, 270.2);
    assert_eq!(
        written(one.clone()),
        "/140325z4903.50N/07201.75W\\000/000/270/846Hill, top\n"
    );
    one.time_utc = None;
    one.kind = BearingKind::Hand;
    one.azimuth = Azimuth::from_degrees(359.7);
    one.density = CircleDensity::normal(one.azimuth, 0.1);
    one.station = "Pöhlberg | north face above the lake".to_owned();
    assert_eq!(
        written(one),
        "!4903.50N/07201.75W\\000/000/000/949P?hlberg - north face above\n"
    );
}

#[test]
fn the_range_is_that_to_the_position() {
    // 9 km are 5.6 miles: 2^2 = 4 is nearer than 8 in ratio (5.6 / 4 = 1.40, 8 / 5.6 = 1.43).
    let target = place(-41.29, 174.78);
    let text = bearings_aprs(&found(target), &bearings(target), &GeoOptions::default());
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 2);
    assert!(lines[0].contains("/280/826"), "{}", lines[0]);
    assert!(lines[1].contains("/061/926"), "{}", lines[1]);
}

#[test]
fn a_bearing_with_two_directions_is_never_called_good() {
    let mut one = bearing("b1", "Hill", place(-41.3, 174.1), 40.0);
    let two = |deg: f64| {
        let peak = |centre: f64, share: f64| share * (-0.5 * ((deg - centre) / 2.0_f64).powi(2)).exp();
        (peak(40.0, 0.8) + peak(130.0, 0.2)).max(1e-30).ln()
    };
    one.density = CircleDensity::from_ln_fn(two, &[40.0, 130.0], 0.01).unwrap();
    // 240 degrees around the first are the least that hold 95 %.
    assert!(written(one).contains("/040/841"));
}

fn stations() -> impl Strategy<Value = Position> {
    let lat = prop_oneof![-90.0..=90.0_f64, Just(59.999_999_9), Just(-0.0)];
    let lon = prop_oneof![-180.0..180.0_f64, Just(179.999_999_9), Just(-180.0)];
    (lat, lon).prop_map(|(lat_deg, lon_deg)| place(lat_deg, lon_deg))
}

proptest! {
    #[test]
    fn what_is_written_is_read_back_and_claims_no_more(
        at in stations(), azimuth_deg in 0.0..360.0_f64, ln_sigma in -1.5..4.0_f64, name in "[a-zA-Z0-9 ]{1,40}",
    ) {
        let sigma_deg = ln_sigma.exp();
        let mut sent = bearing("b1", &name, at, azimuth_deg);
        sent.density = CircleDensity::normal(sent.azimuth, sigma_deg);
        sent.sigma_deg = sigma_deg;
        let text = written(sent);
        let (bearings, warnings) = read(&text);
        // A bearing wider than any quality is called useless, and left out.
        if let [bearing] = bearings.as_slice() {
            prop_assert!(bearing.azimuth.turn_to(Azimuth::from_degrees(azimuth_deg)).abs() <= 0.5 + 1e-9);
            prop_assert!(bearing.sigma_deg >= sigma_deg.min(90.0), "{} from {}", bearing.sigma_deg, sigma_deg);
            let off_m = lobewright_geodesy::inverse(bearing.position, at).distance_m;
            // Half a hundredth of a minute each way.
            prop_assert!(off_m < 13.2, "{} m", off_m);
        } else {
            prop_assert!(bearings.is_empty() && warnings.len() == 1 && sigma_deg > 50.0, "{}", text);
        }
    }

    #[test]
    fn no_line_makes_it_panic(line in "[!=/@]?[0-9NSEW./\\\\ z>:é]{0,60}") {
        let _ = read_aprs_bearings(line.as_bytes(), "fuzz");
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
        let _ = read_aprs_bearings(bytes.as_slice(), "fuzz");
    }
}
