//! Maps read back from their SVG text: angles, lengths and counts are computed here on their own.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use common::{any_number, apart, attribute, page_azimuth, parse, points, texts, with_class};
use lobewright_geodesy::{direct, inverse};
use lobewright_plot::{
    MapBearing, MapNextPlace, MapPicture, MapStation, PlotError, Size, map, map_with_next,
};
use lobewright_types::{ArcDeg, Azimuth, ErrorEllipse, Fix, FixMode, Mode, PolygonDeg, Position, Region};
use proptest::prelude::*;
use resvg::usvg::roxmltree::Document;

fn place(lat_deg: f64, lon_deg: f64) -> Position {
    Position { lat_deg, lon_deg }
}

fn around(centre: Position, radius_m: f64) -> PolygonDeg {
    PolygonDeg {
        outer: (0..36)
            .map(|i| direct(centre, Azimuth::from_degrees(f64::from(-10 * i)), radius_m))
            .collect(),
        holes: Vec::new(),
    }
}

fn fix_at(position: Position) -> Fix {
    let region = |probability, radius_m| Region {
        probability,
        area_km2: 1.0,
        polygons: vec![around(position, radius_m)],
    };
    Fix {
        position,
        region50: region(0.5, 300.0),
        region95: region(0.95, 800.0),
        ellipse95: Some(ErrorEllipse {
            centre: position,
            probability: 0.95,
            semi_major_m: 800.0,
            semi_minor_m: 500.0,
            major_azimuth: Azimuth::from_degrees(30.0),
        }),
        modes: vec![FixMode {
            position,
            probability: 1.0,
        }],
        verdicts: Vec::new(),
        station_offsets: Vec::new(),
        path_loss: Vec::new(),
        statements: Vec::new(),
    }
}

fn bearing(station: usize, azimuth_true_deg: f64, reflected_probability: f64) -> MapBearing {
    MapBearing {
        station,
        azimuth_true_deg,
        sigma_deg: 2.0,
        arcs95: vec![ArcDeg {
            from: Azimuth::from_degrees(azimuth_true_deg - 4.0),
            width_deg: 8.0,
        }],
        length_m: Some(12_000.0),
        reflected_probability,
        modes: Vec::new(),
    }
}

fn map_picture(fix: &Fix) -> MapPicture<'_> {
    let target = fix.position;
    let station = |name: &str, azimuth: f64| MapStation {
        name: name.to_owned(),
        position: direct(target, Azimuth::from_degrees(azimuth), 7000.0),
    };
    let stations = vec![
        station("Hill", 300.0),
        station("Bridge", 100.0),
        station("Quay", 190.0),
    ];
    let towards = |i: usize| inverse(stations[i].position, target).azimuth.degrees();
    let bearings = vec![
        bearing(0, towards(0), 0.01),
        bearing(1, towards(1), 0.02),
        bearing(2, 60.0, 0.97),
    ];
    MapPicture {
        size: Size::default(),
        title: "Map".to_owned(),
        stations,
        bearings,
        fix: Some(fix),
        truth: Some(target),
        declination_deg: Some(-12.5),
    }
}

#[test]
fn bearings_go_from_their_station_at_their_azimuth() {
    for lon_deg in [-114.0, 179.999, -179.999] {
        let fix = fix_at(place(51.0, lon_deg));
        let picture = map_picture(&fix);
        let svg = map(&picture).unwrap();
        let document = parse(&svg);
        let lines: Vec<Vec<(f64, f64)>> = with_class(&document, "bearing").into_iter().map(points).collect();
        assert_eq!(lines.len(), 2);
        // At some kilometres the page turns by less than a tenth of a degree against the meridian.
        for (line, bearing) in lines.iter().zip(&picture.bearings) {
            let azimuth = page_azimuth(line[0], line[line.len() - 1]);
            assert!(apart(azimuth, bearing.azimuth_true_deg) < 0.15, "{azimuth}");
        }
        let mark = points(with_class(&document, "fix")[0]);
        let at = (f64::midpoint(mark[0].0, mark[1].0), mark[0].1);
        let azimuth = page_azimuth(lines[0][0], at);
        assert!(apart(azimuth, picture.bearings[0].azimuth_true_deg) < 0.2);
        let reflected = with_class(&document, "bearing reflected");
        assert_eq!(reflected.len(), 1);
        assert!(reflected[0].attribute("stroke-dasharray").is_some());
        let words = texts(&document);
        for expected in [
            "Hill",
            "Bridge",
            "Quay",
            "position",
            "reflection 97 %",
            "magnetic, 12.5° W",
            "north: true",
        ] {
            assert!(words.iter().any(|w| w == expected), "{expected} in {words:?}");
        }
    }
}

#[test]
fn the_scale_bar_is_as_long_as_it_says() {
    let fix = fix_at(place(-41.3, 174.8));
    let picture = map_picture(&fix);
    let svg = map(&picture).unwrap();
    let document = parse(&svg);
    let bar = with_class(&document, "scale_bar")[0];
    let pieces: f64 = bar
        .children()
        .filter(|node| node.has_tag_name("rect"))
        .map(|node| attribute(node, "width"))
        .sum();
    let label = bar
        .children()
        .filter_map(|node| node.text())
        .find(|t| t.contains("km"))
        .unwrap();
    let bar_m: f64 = label.trim_end_matches(" km").parse::<f64>().unwrap() * 1000.0;
    // The first station is 7 km from the fix; its triangle has its middle one pixel and a half above the mean corner.
    let line = points(with_class(&document, "bearing")[0]);
    let length_px = (line[1].0 - line[0].0).hypot(line[1].1 - line[0].1) * (line.len() - 1) as f64;
    let px_per_m = length_px / 12_000.0;
    assert!(
        (pieces / px_per_m / bar_m - 1.0).abs() < 0.01,
        "{pieces} px for {bar_m} m"
    );
}

#[test]
fn magnetic_north_is_turned_by_the_declination() {
    let fix = fix_at(place(10.0, 20.0));
    let svg = map(&map_picture(&fix)).unwrap();
    let document = parse(&svg);
    let arrow = points(with_class(&document, "magnetic_north")[0]);
    assert!(apart(page_azimuth(arrow[0], arrow[1]), 347.5) < 0.1);
    let unknown = MapPicture {
        declination_deg: None,
        ..map_picture(&fix)
    };
    let svg = map(&unknown).unwrap();
    assert!(with_class(&parse(&svg), "magnetic_north").is_empty());
}

#[test]
fn a_map_across_180_degrees_is_no_wider_than_elsewhere() {
    let width = |lon_deg: f64| {
        let fix = fix_at(place(-17.0, lon_deg));
        let svg = map(&map_picture(&fix)).unwrap();
        let document = parse(&svg);
        let line = points(with_class(&document, "bearing")[0]);
        (line[1].0 - line[0].0).abs()
    };
    assert!((width(180.0) - width(30.0)).abs() < 0.5);
}

#[test]
fn a_map_says_what_it_lacks() {
    let fix = fix_at(place(51.0, 0.0));
    let empty = MapPicture {
        stations: Vec::new(),
        bearings: Vec::new(),
        fix: None,
        ..map_picture(&fix)
    };
    assert_eq!(
        map(&empty).unwrap_err().to_string(),
        "the map has no stations and no position, so there is nothing to draw"
    );
    let mut wrong = map_picture(&fix);
    wrong.bearings[1].station = 7;
    assert_eq!(
        map(&wrong).unwrap_err().to_string(),
        "bearing 1 names station 7, but there are 3 stations, counted from 0"
    );
    let mut lost = map_picture(&fix);
    lost.stations[0].position.lat_deg = f64::NAN;
    assert!(matches!(map(&lost), Err(PlotError::NotFinite { .. })));
}

#[test]
fn one_station_alone_is_drawn() {
    let alone = MapPicture {
        size: Size::default(),
        title: String::new(),
        stations: vec![MapStation {
            name: "Alone".to_owned(),
            position: place(90.0, 0.0),
        }],
        bearings: vec![MapBearing {
            modes: vec![Mode {
                azimuth: Azimuth::from_degrees(10.0),
                sigma_deg: f64::NAN,
                probability: f64::NAN,
            }],
            length_m: None,
            ..bearing(0, f64::NAN, f64::NAN)
        }],
        fix: None,
        truth: None,
        declination_deg: Some(f64::NAN),
    };
    let svg = map(&alone).unwrap();
    assert!(texts(&parse(&svg)).iter().any(|w| w == "Alone"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_numbers_give_well_formed_maps(
        values in proptest::collection::vec(any_number(), 6),
        lat_deg in -90.0..90.0_f64,
        lon_deg in -180.0..180.0_f64,
    ) {
        let fix = fix_at(place(lat_deg, lon_deg));
        let mut picture = map_picture(&fix);
        picture.bearings[0].azimuth_true_deg = values[0];
        picture.bearings[0].length_m = Some(values[1]);
        picture.bearings[1].length_m = None;
        picture.bearings[1].arcs95[0].width_deg = values[2];
        picture.bearings[2].sigma_deg = values[3];
        picture.bearings[2].reflected_probability = values[4];
        picture.declination_deg = Some(values[5]);
        let svg = map(&picture).unwrap();
        prop_assert!(Document::parse(&svg).is_ok());
        prop_assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}

#[test]
fn places_for_the_next_bearing_are_numbered_and_listed() {
    let fix = fix_at(place(51.0, -114.0));
    let picture = map_picture(&fix);
    let next: Vec<MapNextPlace> = [(20.0, 3000.0, "Mill"), (140.0, 21_000.0, "")]
        .map(|(azimuth, range_m, name)| MapNextPlace {
            position: direct(fix.position, Azimuth::from_degrees(azimuth), range_m),
            name: name.to_owned(),
            worth: "2.1 bit, leaves 0.40 km²".to_owned(),
        })
        .to_vec();
    let svg = map_with_next(&picture, &next).unwrap();
    let document = parse(&svg);
    // The marks and the one in the legend.
    assert_eq!(with_class(&document, "next").len(), 3);
    let lines: Vec<_> = with_class(&document, "next_line")
        .into_iter()
        .map(points)
        .collect();
    assert_eq!(lines.len(), 2);
    // The first line leads back to the position: 20 degrees and half a circle.
    let azimuth = page_azimuth(lines[0][0], lines[0][lines[0].len() - 1]);
    assert!(apart(azimuth, 200.0) < 0.2, "{azimuth}");
    let words = texts(&document);
    for expected in [
        "1",
        "2",
        "Mill",
        "next bearing from",
        "2.1 bit, leaves 0.40 km²",
        "place for the next bearing",
    ] {
        assert!(
            words.iter().any(|w| w.contains(expected)),
            "{expected}: {words:?}"
        );
    }
    // Both lie on the page, although one is farther off than any station.
    for mark in with_class(&document, "next") {
        let x: f64 = mark.attribute("cx").unwrap().parse().unwrap();
        let y: f64 = mark.attribute("cy").unwrap().parse().unwrap();
        assert!((0.0..1200.0).contains(&x) && (0.0..900.0).contains(&y), "{x} {y}");
    }
    let nowhere = MapNextPlace {
        position: place(95.0, 0.0),
        ..next[0].clone()
    };
    assert!(map_with_next(&picture, &[nowhere]).is_err());
}
