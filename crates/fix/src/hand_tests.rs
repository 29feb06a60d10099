use super::*;

const HEADER: &str = "place,lat_deg,lon_deg,bearing_deg,north,date,sigma_deg\n";

fn error_of(table: &str) -> String {
    read_hand_bearings(table.as_bytes(), "hunt.csv")
        .unwrap_err()
        .to_string()
}

fn field_error(row: &str) -> String {
    error_of(&format!("{HEADER}{row}\n"))
}

#[test]
fn true_and_magnetic_bearings_come_in() {
    let table = "place,lat_deg,lon_deg,bearing_deg,north,date,sigma_deg,position_sigma_m,note\n\
        # after lunch\n\
        hill,-41.30,174.10,350,magnetic,2026-02-14,3,,\"gusty, cold\"\n\
        quay,-41.28,185.9,12.5,true,,4,25,\n";
    let (bearings, warnings) = read_hand_bearings(table.as_bytes(), "hunt.csv").unwrap();
    assert!(warnings.is_empty());
    assert_eq!(bearings.len(), 2);
    let hill = &bearings[0];
    assert_eq!((hill.id.as_str(), hill.station.as_str()), ("hunt.csv:3", "hill"));
    assert_eq!(hill.compass.as_deref(), Some("hunt.csv"));
    // Declination near 23 degrees east there.
    assert!((hill.azimuth.degrees() - 13.0).abs() < 1.0, "{:?}", hill.azimuth);
    assert!(hill.heading_sigma_deg > 0.2 && hill.sigma_deg > 3.0);
    assert!((hill.sigma_deg - 3.0_f64.hypot(hill.heading_sigma_deg)).abs() < 1e-12);
    assert!((hill.position_sigma_m - POSITION_SIGMA_M).abs() < 1e-12);
    let quay = &bearings[1];
    assert!((quay.azimuth.degrees() - 12.5).abs() < 1e-12);
    assert!((quay.position.lon_deg + 174.1).abs() < 1e-9);
    assert!((quay.position_sigma_m - 25.0).abs() < 1e-12);
    assert_eq!(quay.class, BearingClass::C);
    assert_eq!(quay.time_utc, None);
}

#[test]
fn one_table_is_one_compass_unless_it_names_them() {
    let table = "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg,compass\n\
        hill,-41.30,174.10,350,true,3,Ann\n\
        quay,-41.28,174.12,12,true,3,\n\
        pier,-41.29,174.15,300,true,3,Ann\n";
    let (bearings, _) = read_hand_bearings(table.as_bytes(), "hunt.csv").unwrap();
    let compasses: Vec<&str> = bearings.iter().filter_map(|b| b.compass.as_deref()).collect();
    assert_eq!(compasses, ["Ann", "hunt.csv", "Ann"]);
    assert_eq!(bearings[2].station, "pier");
}

#[test]
fn errors_name_line_field_and_what_would_be_right() {
    let cases = [
        (
            "hill,91,174,10,true,,3",
            "`hunt.csv` line 2: `lat_deg` is `91`; it must be a number from -90 to 90 degrees, north positive",
        ),
        (
            "hill,41,x,10,true,,3",
            "`hunt.csv` line 2: `lon_deg` is `x`; it must be a number from -180 to 360 degrees, east positive",
        ),
        (
            "hill,41,174,400,true,,3",
            "`hunt.csv` line 2: `bearing_deg` is `400`; it must be a number of degrees from 0 to 360",
        ),
        (
            "hill,41,174,NaN,true,,3",
            "`hunt.csv` line 2: `bearing_deg` is `NaN`; it must be a number of degrees from 0 to 360",
        ),
        (
            "hill,41,174,10,compass,,3",
            "`hunt.csv` line 2: `north` is `compass`; it must be `true`, `magnetic` or `grid`",
        ),
        (
            "hill,41,174,10,magnetic,,3",
            "`hunt.csv` line 2: `date` is ``; it must be a date such as 2026-02-14, since magnetic north moves: a magnetic bearing needs it",
        ),
        (
            "hill,41,174,10,true,14.2.2026,3",
            "`hunt.csv` line 2: `date` is `14.2.2026`; it must be a date such as 2026-02-14 or a time such as 2026-02-14T03:25:00Z",
        ),
        (
            "hill,41,174,10,true,,0",
            "`hunt.csv` line 2: `sigma_deg` is `0`; it must be a standard deviation above 0 and up to 90 degrees",
        ),
        (
            ",41,174,10,true,,3",
            "`hunt.csv` line 2: `place` is ``; it must be a name",
        ),
        (
            "hill,41,174,10,magnetic,2031-01-01,3",
            "`hunt.csv` line 2: `date` or place does not allow a magnetic bearing",
        ),
    ];
    for (row, text) in cases {
        assert_eq!(field_error(row), text);
    }
}

#[test]
fn columns_unknown_missing_or_twice_are_refused() {
    assert!(
        error_of("place,lat,lon_deg\n")
            .starts_with("`hunt.csv` has a column `lat` that is not known; columns are")
    );
    assert!(
        error_of("place,lat_deg\n")
            .starts_with("`hunt.csv` has no column `lon_deg`; its first line must name")
    );
    assert_eq!(
        error_of("place,place\n"),
        "`hunt.csv` has the column `place` twice"
    );
    let short = error_of(&format!("{HEADER}hill,41\n"));
    assert_eq!(
        short,
        "cannot read `hunt.csv` as a table of comma-separated values"
    );
}

#[test]
fn compass_bearings_near_a_magnetic_pole_are_flagged() {
    // Official test value: H is 1504 nT at 89 N 121 W.
    let table = format!("{HEADER}ice,89,-121,10,magnetic,2025-06-01,3\n");
    let (_, warnings) = read_hand_bearings(table.as_bytes(), "hunt.csv").unwrap();
    assert_eq!(warnings.len(), 1);
    assert!(
        warnings[0]
            .to_string()
            .starts_with("line 2, place `ice`: the horizontal magnetic field is under 2000 nT")
    );
}

#[test]
fn a_place_comes_in_any_form_with_the_doubt_of_its_cell() {
    let table = "place,position,bearing_deg,north,sigma_deg,position_sigma_m,transmitter\n\
        hill,\"41 18.0 S, 174 06.0 E\",10,true,3,,fox\n\
        quay,60 south 257201 5423882,10,true,3,,\n\
        gate,60GTV57202388,10,true,3,,\n\
        club,RE78br,10,true,3,50,\n";
    let (bearings, _) = read_hand_bearings(table.as_bytes(), "hunt.csv").unwrap();
    for (bearing, within_m) in bearings.iter().zip([1e-3, 1.0, 8.0, 5_000.0]) {
        let hill = Position::from_lat_lon(-41.3, 174.1).unwrap();
        let off_m = lobewright_geodesy::inverse(bearing.position, hill).distance_m;
        assert!(off_m < within_m, "{} is {off_m} m off", bearing.station);
    }
    let sigmas: Vec<f64> = bearings.iter().map(|b| b.position_sigma_m).collect();
    assert!((sigmas[0] - 10.0).abs() < 1e-9 && (sigmas[1] - 10.0).abs() < 1e-9);
    // Anywhere in a square of 10 m: 5 / sqrt 3 m each axis.
    assert!((sigmas[2] - 10.0_f64.hypot(5.0 / 3.0_f64.sqrt())).abs() < 1e-6);
    // Half of 2.5 and 5 minutes, 2.3 km and 3.5 km, over sqrt 3, root mean square.
    assert!((sigmas[3] - 1710.0).abs() < 10.0, "{sigmas:?}");
    assert_eq!(bearings[0].transmitter.as_deref(), Some("fox"));
    assert_eq!(bearings[1].transmitter, None);
}

// GeographicLib 2.1.2, GeoConvert -c: the convergence is 1.91494 degrees at 41.3 S 174.1 E in zone 60 and 2.11322
// degrees where the grid of zone 1 is carried on west of 180 degrees.
#[test]
fn grid_bearings_are_turned_by_the_convergence_of_their_grid() {
    let table = "place,position,lat_deg,lon_deg,bearing_deg,north,sigma_deg\n\
        hill,,-41.3,174.1,350,grid,3\n\
        quay,60 south 257201.235 5423881.936,,,350,grid,3\n\
        east,1 south 232082 5423040,,,0,grid,3\n";
    let (bearings, _) = read_hand_bearings(table.as_bytes(), "hunt.csv").unwrap();
    for bearing in &bearings[..2] {
        assert!(
            (bearing.azimuth.degrees() - 351.914_94).abs() < 1e-5,
            "{:?}",
            bearing.azimuth
        );
        assert!((bearing.sigma_deg - 3.0).abs() < 1e-12 && bearing.heading_sigma_deg.abs() < 1e-12);
    }
    assert!(
        (bearings[2].azimuth.degrees() - 2.113_22).abs() < 1e-3,
        "{:?}",
        bearings[2]
    );
}

#[test]
fn a_place_given_twice_or_not_at_all_is_refused() {
    let table = "place,position,lat_deg,lon_deg,bearing_deg,north,sigma_deg\n";
    assert_eq!(
        error_of(&format!("{table}hill,RE78br,-41.3,174.1,350,true,3\n")),
        "`hunt.csv` line 2: the place is given twice; give either `position` or both `lat_deg` and `lon_deg`"
    );
    assert_eq!(
        error_of(&format!("{table}hill,,,,350,true,3\n")),
        "`hunt.csv` line 2: the place is not given; give either `position` or both `lat_deg` and `lon_deg`"
    );
    let error =
        read_hand_bearings(format!("{table}hill,RE7,,,350,true,3\n").as_bytes(), "hunt.csv").unwrap_err();
    assert_eq!(error.to_string(), "`hunt.csv` line 2: `position` cannot be read");
    let cause = std::error::Error::source(&error).unwrap().to_string();
    assert_eq!(
        cause,
        "`RE7` is no Maidenhead locator: it must have 4, 6, 8 or 10 characters"
    );
    assert!(error_of("place,position,lat_deg,bearing_deg,north,sigma_deg\n").contains("no column `lon_deg`"));
}
