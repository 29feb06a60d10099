//! Coordinates against published examples and a table computed with other libraries (`testdata/references/README.md`), and as
//! properties.

#![allow(clippy::unwrap_used, reason = "a table that cannot be read fails its test")]

use std::path::Path;

use lobewright_geodesy::{
    CoordinateForm, GridError, GridPosition, GridZone, format_position, grid_convergence, inverse,
    parse_position,
};
use lobewright_types::{Azimuth, Grid, Position, wrap_signed_degrees};
use proptest::prelude::*;

struct Row {
    place: Position,
    grid: GridPosition,
    convergence_deg: f64,
    mgrs: String,
    locator: String,
}

fn rows() -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../testdata/references/grid_coordinates.csv");
    csv::Reader::from_path(path)
        .unwrap()
        .records()
        .map(|record| {
            let record = record.unwrap();
            let number = |i: usize| -> f64 { record[i].parse().unwrap() };
            let north = &record[3] == "north";
            let zone = match (&record[2], north) {
                ("", true) => GridZone::UpsNorth,
                ("", false) => GridZone::UpsSouth,
                (zone, _) => GridZone::Utm(zone.parse().unwrap()),
            };
            Row {
                place: Position::from_lat_lon(number(0), number(1)).unwrap(),
                grid: GridPosition {
                    zone,
                    north,
                    easting_m: number(4),
                    northing_m: number(5),
                },
                convergence_deg: number(6),
                mgrs: record[8].to_owned(),
                locator: record[10].to_owned(),
            }
        })
        .collect()
}

// GeographicLib states 5 nanometres for its series within the zones; eastings printed to 1 nm. A tenth of a micrometre leaves room for
// the rounding of doubles of 1e7 (2 nm) in some steps. Convergence: 1e-9 degrees.
#[test]
fn utm_and_ups_agree_with_geographiclib() {
    let rows = rows();
    assert!(rows.len() > 200);
    let (mut worst_m, mut worst_deg, mut worst_back_m) = (0.0_f64, 0.0_f64, 0.0_f64);
    for row in &rows {
        let found = GridPosition::of(row.place).unwrap();
        assert_eq!(
            (found.zone, found.north),
            (row.grid.zone, row.grid.north),
            "{:?}",
            row.place
        );
        worst_m = worst_m
            .max((found.easting_m - row.grid.easting_m).abs())
            .max((found.northing_m - row.grid.northing_m).abs());
        worst_back_m = worst_back_m.max(inverse(row.grid.position().unwrap(), row.place).distance_m);
        let convergence = grid_convergence(row.place, row.grid.zone).unwrap();
        worst_deg = worst_deg.max(wrap_signed_degrees(convergence - row.convergence_deg).abs());
    }
    println!("forward {worst_m:.2e} m, back {worst_back_m:.2e} m, convergence {worst_deg:.2e} degrees");
    assert!(worst_m < 1e-7, "{worst_m} m");
    assert!(worst_back_m < 1e-7, "{worst_back_m} m");
    assert!(worst_deg < 1e-9, "{worst_deg} degrees");
}

#[test]
fn mgrs_agrees_with_geographiclib_and_the_geotrans_library() {
    for row in rows() {
        let found = format_position(row.place, CoordinateForm::Mgrs, 1.0).replace(' ', "");
        // A point on the edge of a metre may be truncated to either side: compare the metres as numbers.
        let (head, digits) = found.split_at(found.len() - 10);
        let (wanted_head, wanted) = row.mgrs.split_at(row.mgrs.len() - 10);
        let same = head == wanted_head && digits == wanted;
        let parsed = parse_position(&row.mgrs).unwrap();
        assert_eq!(parsed.form, CoordinateForm::Mgrs);
        // Inside a square of one metre, whose middle is at most 0.71 m off; in a polar grid and in the far corners of a zone up to
        // 0.6 % more or less.
        let off_m = inverse(parsed.position, row.place).distance_m;
        assert!(off_m < 0.72, "{} is {off_m} m from {:?}", row.mgrs, row.place);
        assert!(same, "{found} for {}", row.mgrs);
    }
}

// The PyPI package cannot do the poles and takes points on an edge by the rounding of its own sums: those are left out.
#[test]
fn locators_agree_with_another_library() {
    let mut checked = 0;
    for row in rows() {
        let on_edge = |deg: f64, parts: f64| ((deg * parts).round() / parts - deg).abs() < 1e-5;
        if on_edge(row.place.lat_deg, 24.0) || on_edge(row.place.lon_deg, 12.0) {
            continue;
        }
        let found = format_position(row.place, CoordinateForm::Locator, 5_000.0);
        assert_eq!(found, row.locator, "{:?}", row.place);
        checked += 1;
    }
    assert!(checked > 140, "{checked}");
}

fn place(text: &str) -> Position {
    parse_position(text)
        .unwrap_or_else(|e| panic!("{text}: {e}"))
        .position
}

fn near(text: &str, lat_deg: f64, lon_deg: f64, within_m: f64) {
    let off_m = inverse(place(text), Position { lat_deg, lon_deg }).distance_m;
    assert!(off_m <= within_m, "{text} is {off_m} m off");
}

// Examples of the manual page of GeographicLib's GeoConvert (version 2.1), printed to 1e-5 degrees (1.1 m).
#[test]
fn one_place_in_every_form_of_a_published_manual() {
    for text in [
        "33.3 44.4",
        "E44.4 N33.3",
        "33°18'N 44°24'E",
        "44d24 E 33d18N",
        "33:18 +44:24",
        "33:18:00 N 44:24:00 E",
    ] {
        near(text, 33.3, 44.4, 1e-6);
    }
    near("38SMB4488", 33.334_24, 44.403_63, 0.75);
    near("33:20:03.25N 044:24:13.06E", 33.334_24, 44.403_63, 0.75);
    near("38 north 444500 3688500", 33.334_24, 44.403_63, 0.75);
    let square = format_position(place("E44d24 N33d20"), CoordinateForm::Mgrs, 1_000.0);
    assert_eq!(square, "38S MB 44 88");
}

// The Washington Monument, 18SUJ2348306479: FGDC-STD-011-2001, United States National Grid (the reference from memory; place of the
// square's middle by GeographicLib's GeoConvert 2.1).
#[test]
fn a_monument_is_where_the_national_grid_standard_says() {
    near("18S UJ 23483 06479", 38.889_467_39, -77.035_236_39, 0.02);
}

// Locators of places: ARRL for its station W1AW (FN31pr); the others are customary test values, from memory.
#[test]
fn known_locators_come_out() {
    for (lat, lon, locator) in [
        (41.714_775, -72.727_260, "FN31pr"),
        (48.146_66, 11.608_33, "JN58td"),
        (-34.91, -56.211_66, "GF15vc"),
        (38.92, -77.065, "FM18lw"),
        (-41.283_33, 174.745, "RE78ir"),
        (37.413_708, -122.107_323_6, "CM87wj"),
    ] {
        let at = Position::from_lat_lon(lat, lon).unwrap();
        assert_eq!(format_position(at, CoordinateForm::Locator, 5_000.0), locator);
        let read = parse_position(&locator.to_uppercase()).unwrap();
        assert!((read.position.lat_deg - lat).abs() <= 1.25 / 60.0 + 1e-9);
        assert!((read.position.lon_deg - lon).abs() <= 2.5 / 60.0 + 1e-9);
    }
}

// Widened zones: NGA.SIG.0012 (2014), chapter 7; all by the table as well.
#[test]
fn zones_are_wider_in_norway_and_svalbard_and_fold_at_180_degrees() {
    for (lat, lon, zone) in [
        (60.4, 5.3, 32),
        (55.9, 5.3, 31),
        (64.1, 5.3, 31),
        (78.2, 15.6, 33),
        (78.2, 8.9, 31),
        (84.0 - 1e-9, 41.9, 37),
        (-41.0, -180.0, 1),
        (-41.0, 179.999_999, 60),
    ] {
        let at = Position::from_lat_lon(lat, lon).unwrap();
        assert_eq!(GridZone::of(at), GridZone::Utm(zone), "{lat} {lon}");
    }
    // 180 E is 180 W.
    let east = Position {
        lat_deg: -41.0,
        lon_deg: 180.0,
    };
    assert_eq!(GridZone::of(east), GridZone::Utm(1));
    let carried_on = GridPosition::in_zone(
        Position {
            lat_deg: -41.0,
            lon_deg: -179.9,
        },
        GridZone::Utm(60),
    )
    .unwrap();
    assert!(carried_on.easting_m > 750_000.0);
    assert!((carried_on.position().unwrap().lon_deg + 179.9).abs() < 1e-9);
}

#[test]
fn a_zone_is_not_carried_on_without_end() {
    let error = grid_convergence(
        Position {
            lat_deg: -41.3,
            lon_deg: 174.1,
        },
        GridZone::Utm(1),
    )
    .unwrap_err();
    assert_eq!(
        error.to_string(),
        "the grid of UTM zone 1 does not reach latitude -41.3000, longitude 174.1000; the zone there is UTM zone 60"
    );
    assert_eq!(
        grid_convergence(
            Position {
                lat_deg: 0.0,
                lon_deg: 0.0
            },
            GridZone::Utm(61)
        ),
        Err(GridError::Zone(61))
    );
    let nowhere = Position {
        lat_deg: f64::NAN,
        lon_deg: 0.0,
    };
    assert!(GridPosition::of(nowhere).is_err());
    assert_eq!(format_position(nowhere, CoordinateForm::Utm, 1.0), "no place");
    let wide = GridPosition {
        zone: GridZone::Utm(60),
        north: false,
        easting_m: 2e6,
        northing_m: 0.0,
    };
    assert_eq!(
        wide.position().unwrap_err().to_string(),
        "easting 2000000 m is outside UTM zone 60; there it must be from 0 to 1000000 m"
    );
}

// At the pole itself the map's north turns with the meridian the azimuth is counted from.
#[test]
fn grid_north_turns_round_the_pole() {
    let pole = Position {
        lat_deg: 90.0,
        lon_deg: 120.0,
    };
    assert!((grid_convergence(pole, GridZone::UpsNorth).unwrap() - 120.0).abs() < 1e-12);
    let south = Position {
        lat_deg: -85.0,
        lon_deg: 120.0,
    };
    assert!((grid_convergence(south, GridZone::UpsSouth).unwrap() + 120.0).abs() < 1e-12);
}

// Grid north is the direction in which the northing grows: walk 10 m along the geodesic of the true azimuth of grid north and see the easting
// stay. Over 10 m the line bends away from the grid by well under a micrometre.
#[test]
fn walking_to_grid_north_keeps_the_easting() {
    for row in rows().iter().filter(|row| row.place.lat_deg.abs() < 89.9) {
        let azimuth =
            Azimuth::<Grid>::from_degrees(0.0).to_true(grid_convergence(row.place, row.grid.zone).unwrap());
        let there = lobewright_geodesy::direct(row.place, azimuth, 10.0);
        let Ok(found) = GridPosition::in_zone(there, row.grid.zone) else {
            panic!("{:?}", row.place)
        };
        assert!(
            (found.easting_m - row.grid.easting_m).abs() < 1e-4,
            "{:?}",
            row.place
        );
    }
}

#[test]
fn ambiguous_and_wrong_texts_are_refused_in_words() {
    for (text, words) in [
        ("", "no coordinates were given"),
        ("41,3 S 174,1 E", "decimal point"),
        ("-41.3 S 174.1 E", "a sign and a hemisphere letter"),
        ("41.3 S 174.1", "only one hemisphere letter"),
        ("41.3 N 174.1 S", "both hemisphere letters are of the same axis"),
        ("41 S 174 E 3 N", "more than two hemisphere letters"),
        (
            "174.1 -41.3",
            "a latitude is from -90 to 90 degrees and stands first",
        ),
        ("41.3, 181 E", "only one hemisphere letter"),
        ("41.3 N, 181 E", "a longitude is from -180 to 180"),
        ("4118.5 S 17406.2 E", "write them apart"),
        ("41 61 S 174 0 E", "below 60"),
        ("41.5 30 S 174 0 E", "only the last part"),
        ("41 18 174", "where the latitude ends"),
        ("41.3", "a latitude and a longitude are needed"),
        ("41..3 174.1", "more than one point"),
        ("41'3 174 2", "stand in an order that no angle has"),
        ("somewhere", "has the form of no latitude"),
        ("41.3 / 174.1", "a character that no coordinates have"),
        (
            "17 S 630084 3833438",
            "can be read in two ways: S is the southern hemisphere or the band",
        ),
        (
            "60T 257201 5423882",
            "band T reaches from 40 to 48 degrees, but the northing is at 48.9",
        ),
        ("61 north 500000 4649776", "zone 61 is no UTM zone"),
        (
            "33 north 1500000 4649776",
            "easting 1500000 m is outside UTM zone 33",
        ),
        (
            "33 north 500000 14649776",
            "northing 14649776 m is outside UTM zone 33",
        ),
        ("UTM 33 north 500000", "UTM coordinates are zone"),
        ("60GTV5720123", "must have the same number of digits"),
        ("60G TV 572 012345", "must have the same number of digits"),
        ("60GTV572012388112", "at most five digits"),
        ("60ITV", "a letter from C to X"),
        ("60GAV", "first letter does not occur in that zone"),
        ("60GTB", "does not lie in that zone and band"),
        ("61GTV", "the zone must be 1 to 60"),
        ("32XNH", "does not lie in that zone and band"),
        ("YAB", "first letter does not occur in that half"),
        ("RE7", "4, 6, 8 or 10 characters"),
        ("SE78", "letters from A to R"),
        ("RE7Ab", "4, 6, 8 or 10 characters"),
        ("RE78yz", "third pair must be letters from A to X"),
    ] {
        let error = parse_position(text).unwrap_err().to_string();
        assert!(error.contains(words), "`{text}`: {error}");
    }
    assert!(
        parse_position(&"4".repeat(500))
            .unwrap_err()
            .to_string()
            .contains("at most 120")
    );
}

// Which squares of a column reach into the band: GeographicLib 2.1.2 (GeoConvert) accepts A and M to V, at both edges of the band slivers of
// squares whose middle lies outside.
#[test]
fn only_the_squares_of_a_band_are_taken() {
    let accepted: String = "ABCDEFGHJKLMNPQRSTUV"
        .chars()
        .filter(|row| parse_position(&format!("60GT{row}")).is_ok())
        .collect();
    assert_eq!(accepted, "AMNPQRSTUV");
}

#[test]
fn what_people_write_is_read() {
    for text in [
        "41°18'00\"S 174°06'00\"E",
        "41° 18' 00'' S, 174° 06' 00'' E",
        "S 41 18 0 E 174 6 0",
        "-41 18 0, +174 06 0",
        "−41.3, 174.1",
        "41.3S,174.1E",
        "41.3° S; 174.1° E",
        "41º18.0′ south 174º6.0′ east",
        "174.1 E 41.3 S",
        "-41.3,174.1",
        "60 south 257201.235 5423881.936",
        "60G 257201.235 5423881.936",
        "utm zone 60 S 257201.235 mE 5423881.936 mN",
        "60s 257201.235E 5423881.936N",
    ] {
        near(text, -41.3, 174.1, 0.002);
    }
    // The sign of a latitude of no whole degrees.
    near("-0 30, 0 0", -0.5, 0.0, 1e-6);
    near("0 30 S 0 0 W", -0.5, 0.0, 1e-6);
    near("-41.3, 185.9", -41.3, -174.1, 1e-6);
    near("re78br", -41.270_833_333, 174.125, 1.0);
}

#[test]
fn cells_say_their_size() {
    let square = parse_position("60GTV52").unwrap();
    assert!(square.is_cell() && (square.half_east_m - 5_000.0).abs() < 1e-9);
    // A uniform spread over 2h has the standard deviation h / sqrt 3.
    assert!((square.sigma_m() - 5_000.0 / 3.0_f64.sqrt()).abs() < 1e-6);
    let locator = parse_position("RE78br").unwrap();
    // 1.25 minutes of latitude and 2.5 of longitude at 41.3 S.
    assert!((locator.half_north_m - 2_313.0).abs() < 5.0, "{locator:?}");
    assert!((locator.half_east_m - 3_490.0).abs() < 10.0, "{locator:?}");
    let typed = parse_position("41 18.0 S 174 06.0 E").unwrap();
    assert!(
        !typed.is_cell() && (typed.half_north_m - 92.5).abs() < 0.5,
        "{typed:?}"
    );
}

#[test]
fn forms_have_one_word_each() {
    for form in CoordinateForm::ALL {
        assert_eq!(form.to_string().parse(), Ok(form));
    }
    assert_eq!(
        "dms".parse::<CoordinateForm>().unwrap_err().to_string(),
        "`dms` is no form of coordinates; it must be decimal, minutes, seconds, utm, mgrs or locator"
    );
}

#[test]
fn rounding_up_carries_into_minutes_and_degrees() {
    let at = Position::from_lat_lon(-41.999_999_99, 179.999_999_99).unwrap();
    assert_eq!(
        format_position(at, CoordinateForm::Minutes, 20.0),
        "42° 00.00' S, 180° 00.00' E"
    );
    assert_eq!(
        format_position(at, CoordinateForm::Seconds, 5.0),
        "42° 00' 00.0\" S, 180° 00' 00.0\" E"
    );
}

fn places() -> impl Strategy<Value = Position> {
    let lat = prop_oneof![-90.0..=90.0_f64, (-11..=11_i32).prop_map(|k| f64::from(k) * 8.0)];
    let lon = prop_oneof![-180.0..180.0_f64, (-60..60_i32).prop_map(|k| f64::from(k) * 3.0)];
    (lat, lon).prop_map(|(lat_deg, lon_deg)| Position { lat_deg, lon_deg })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn what_is_written_is_read_back(at in places(), form in 0..6_usize, exponent in -3.0..5.0_f64) {
        let form = CoordinateForm::ALL[form];
        let resolution_m = 10_f64.powf(exponent);
        let text = format_position(at, form, resolution_m);
        let read = parse_position(&text).map_err(|e| TestCaseError::fail(format!("{text}: {e}")))?;
        prop_assert_eq!(read.form, form, "{}", text);
        let off_m = inverse(read.position, at).distance_m;
        // Half the diagonal of the last digit's unit, or of the cell; near the poles a cell of a locator is no rectangle, and grids stretch by up
        // to 0.6 %. A millimetre is UTM's last digit.
        let allowed_m = 1.01 * read.half_east_m.max(1e-3).hypot(read.half_north_m.max(1e-3));
        let polar_locator = form == CoordinateForm::Locator && at.lat_deg.abs() > 80.0;
        let allowed_m = if polar_locator { 2.5 * read.half_north_m + 3.0 * read.half_east_m } else { allowed_m };
        prop_assert!(off_m <= allowed_m, "{} is {} m off, {} m allowed", text, off_m, allowed_m);
        let coarsest = match form {
            CoordinateForm::Locator | CoordinateForm::Mgrs | CoordinateForm::Utm => None,
            _ => Some(resolution_m.max(1e-3)),
        };
        if let Some(limit_m) = coarsest {
            prop_assert!(2.0 * read.half_north_m <= limit_m * 1.001, "{} for {} m", text, resolution_m);
        }
    }

    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,60}") {
        if let Ok(read) = parse_position(&text) {
            prop_assert!(Position::from_lat_lon(read.position.lat_deg, read.position.lon_deg).is_ok());
        }
    }

    #[test]
    fn text_of_the_right_letters_does_not_panic(text in "[0-9NSEWGTVABXYZ.,°'\": -]{0,40}") {
        if let Ok(read) = parse_position(&text) {
            prop_assert!(Position::from_lat_lon(read.position.lat_deg, read.position.lon_deg).is_ok());
            prop_assert!(read.sigma_m().is_finite());
        }
    }

    #[test]
    fn grids_come_back(at in places()) {
        let grid = GridPosition::of(at).unwrap();
        prop_assert!(inverse(grid.position().unwrap(), at).distance_m < 1e-7);
    }
}
