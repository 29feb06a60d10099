//! The course of a hunt read back from its SVG text: areas on a scale of decades, maps that share one view.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use common::{parse, points, texts, with_class};
use lobewright_geodesy::direct;
use lobewright_plot::{
    CaptionedMap, CoursePicture, CourseStep, MapPicture, MapStation, PlotError, Size, course, maps,
};
use lobewright_types::{Azimuth, Position};

fn station(east_m: f64) -> MapStation {
    let origin = Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };
    MapStation {
        name: format!("at {east_m:.0}"),
        position: direct(origin, Azimuth::from_degrees(90.0), east_m),
    }
}

fn one(stations: Vec<MapStation>) -> CaptionedMap<'static> {
    CaptionedMap {
        caption: "after 1".to_owned(),
        map: MapPicture {
            size: Size::default(),
            title: String::new(),
            stations,
            bearings: Vec::new(),
            fix: None,
            truth: None,
            declination_deg: None,
        },
    }
}

fn step(area95_km2: Option<f64>) -> CourseStep {
    CourseStep {
        label: "1".to_owned(),
        area50_km2: None,
        area95_km2,
    }
}

#[test]
fn a_tenth_of_the_area_is_the_same_way_down_each_time_and_no_position_is_a_gap() {
    let areas = [Some(100.0), Some(10.0), None, Some(1.0), Some(0.1)];
    let picture = CoursePicture {
        size: Size::default(),
        title: "t".to_owned(),
        axis: "entry".to_owned(),
        steps: areas.into_iter().map(step).collect(),
        maps: Vec::new(),
    };
    let svg = course(&picture).unwrap();
    let document = parse(&svg);
    let lines: Vec<Vec<(f64, f64)>> = with_class(&document, "area95")
        .into_iter()
        .filter(|n| n.has_tag_name("path"))
        .map(points)
        .collect();
    assert_eq!(lines.len(), 2, "one line on each side of the gap");
    let falls: Vec<f64> = lines.iter().map(|l| l[1].1 - l[0].1).collect();
    assert!(falls[0] > 10.0 && (falls[0] - falls[1]).abs() < 0.05, "{falls:?}");
    let across: Vec<f64> = lines.iter().map(|l| l[1].0 - l[0].0).collect();
    assert!((across[0] - across[1]).abs() < 0.05);
    // The gap is as wide as two steps.
    assert!((lines[1][0].0 - lines[0][1].0 - 2.0 * across[0]).abs() < 0.05);
    for words in ["0.1", "1", "10", "100", "area, km²", "entry"] {
        assert!(texts(&document).iter().any(|t| t == words), "no `{words}`");
    }
}

#[test]
fn maps_side_by_side_show_one_part_of_the_earth() {
    let (west, east) = (station(-2000.0), station(3000.0));
    let list = [
        one(vec![west.clone(), east.clone()]),
        one(vec![west.clone()]),
        one(vec![east]),
    ];
    let svg = maps(Size::default(), "t", &list).unwrap();
    let document = parse(&svg);
    let middles: Vec<(f64, f64)> = with_class(&document, "station")
        .into_iter()
        .map(|n| {
            let corners = points(n);
            (corners[0].0, corners[1].1)
        })
        .collect();
    assert_eq!(middles.len(), 4);
    let (span_x, span_y) = (middles[1].0 - middles[0].0, middles[1].1 - middles[0].1);
    assert!(span_x > 50.0 && span_y.abs() < 1.0);
    // The western station of the second map lies against its map's edge as in the first: maps are laid out in steps of one size.
    let shift = (middles[2].0 - middles[0].0, middles[2].1 - middles[0].1);
    let again = (middles[3].0 - middles[1].0, middles[3].1 - middles[1].1);
    assert!(shift.0.abs() + shift.1.abs() > 50.0);
    assert!(again.0.abs() + again.1.abs() > 50.0);
    assert_eq!(texts(&document).iter().filter(|t| *t == "after 1").count(), 3);
}

#[test]
fn nothing_and_too_much_are_refused() {
    assert!(matches!(
        maps(Size::default(), "t", &[]),
        Err(PlotError::Length { found: 0, .. })
    ));
    let many = vec![one(vec![station(0.0)]); 13];
    assert!(matches!(
        maps(Size::default(), "t", &many),
        Err(PlotError::Length { found: 13, .. })
    ));
    let empty = CoursePicture {
        size: Size::default(),
        title: String::new(),
        axis: String::new(),
        steps: Vec::new(),
        maps: Vec::new(),
    };
    assert!(matches!(course(&empty), Err(PlotError::Empty { .. })));
}
