//! Polar plots read back from their SVG text: angles and counts are computed here on their own.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use common::{any_number, apart, attribute, page_azimuth, parse, points, texts, with_class};
use lobewright_plot::{PolarPicture, PolarReading, PolarReflection, Size, polar};
use lobewright_types::{ArcDeg, Azimuth, CircleDensity};
use proptest::prelude::*;
use resvg::usvg::roxmltree::{Document, Node};

fn reading(azimuth_true_deg: f64, level_db: f64) -> PolarReading {
    PolarReading {
        azimuth_true_deg,
        level_db,
        sigma_db: 1.0,
        explained: 0.9,
        clipped: false,
        burst: 0,
    }
}

fn polar_picture(density: &CircleDensity) -> PolarPicture<'_> {
    PolarPicture {
        size: Size::default(),
        title: "Bearing <from> \"A & B\"".to_owned(),
        station: "A & B".to_owned(),
        readings: vec![
            reading(0.0, -10.0),
            reading(90.0, -10.0),
            reading(212.0, 0.0),
            reading(300.0, f64::NAN),
            PolarReading {
                explained: 0.1,
                clipped: true,
                burst: 2,
                ..reading(250.0, -5.0)
            },
        ],
        fitted: (0..36).map(|i| (f64::from(i) * 10.0, -10.0)).collect(),
        density,
        modes: density.modes(0.05),
        arcs95: density.highest_density_arcs(0.95),
        reflection: Some(PolarReflection {
            azimuth_true_deg: 128.0,
            level_db: -9.0,
            probability: 0.83,
        }),
        truth_true_deg: Some(213.0),
        summary: vec!["212.0° ± 2.0° (1σ, true)".to_owned()],
    }
}

#[test]
fn the_dial_has_a_number_each_30_degrees_at_its_own_angle() {
    let density = CircleDensity::normal(Azimuth::from_degrees(212.0), 2.0);
    let svg = polar(&polar_picture(&density)).unwrap();
    let document = parse(&svg);
    let group = with_class(&document, "azimuth_labels")[0];
    let labels: Vec<(f64, (f64, f64))> = group
        .children()
        .filter(Node::is_element)
        .map(|node| {
            let value = node.text().unwrap().trim_end_matches('°').parse().unwrap();
            // The base line lies 4.5 pixels below the middle of the digits.
            (value, (attribute(node, "x"), attribute(node, "y") - 4.5))
        })
        .collect();
    assert_eq!(labels.len(), 12);
    let centre = points(with_class(&document, "bearing")[0])[0];
    for (index, (value, at)) in labels.iter().enumerate() {
        assert!((value - 30.0 * index as f64).abs() < 1e-9);
        assert!(apart(page_azimuth(centre, *at), *value) < 0.05);
    }
    assert!(texts(&document).iter().any(|text| text == "true north"));
}

#[test]
fn bearing_readings_and_reflection_stand_at_their_azimuths() {
    let density = CircleDensity::normal(Azimuth::from_degrees(212.0), 2.0);
    let picture = polar_picture(&density);
    let svg = polar(&picture).unwrap();
    let document = parse(&svg);
    let line = |class: &str| {
        let found = with_class(&document, class);
        assert_eq!(found.len(), 1, "{class}");
        let ends = points(found[0]);
        (ends[0], page_azimuth(ends[0], ends[1]))
    };
    let (centre, azimuth) = line("bearing");
    assert!(apart(azimuth, 212.0) < 0.1);
    assert!(apart(line("reflection").1, 128.0) < 0.1);
    assert!(apart(line("truth").1, 213.0) < 0.1);
    // Readings of burst 0 are circles, each drawn twice: paper below, ink above.
    let circles: Vec<(f64, f64)> = with_class(&document, "reading")
        .into_iter()
        .filter(|node| node.has_tag_name("circle"))
        .map(|node| (attribute(node, "cx"), attribute(node, "cy")))
        .collect();
    for (index, expected) in [0.0, 90.0, 212.0].into_iter().enumerate() {
        let at = circles[2 * index];
        assert!(apart(page_azimuth(centre, at), expected) < 0.1);
    }
    // Levels -10 and -10 dB lie on one circle, 0 dB further out, both at their share of the scale.
    let radius = |at: (f64, f64)| (at.0 - centre.0).hypot(at.1 - centre.1);
    assert!((radius(circles[0]) - radius(circles[2])).abs() < 0.02);
    let rings: Vec<f64> = with_class(&document, "level_circle")
        .into_iter()
        .map(|node| attribute(node, "r"))
        .collect();
    assert!(rings.iter().any(|r| (r - radius(circles[0])).abs() < 0.02));
    assert!(rings.iter().any(|r| (r - radius(circles[4])).abs() < 0.02));
    let words = texts(&document);
    assert!(
        words.iter().any(|w| w == "A & B"),
        "text is escaped once: {words:?}"
    );
    assert!(words.iter().any(|w| w == "1 below the noise, not shown"));
    assert!(words.iter().any(|w| w == "second arrival, 83 %"));
}

#[test]
fn the_density_reaches_furthest_at_the_bearing() {
    let density = CircleDensity::normal(Azimuth::from_degrees(47.0), 8.0);
    let mut picture = polar_picture(&density);
    picture.modes = density.modes(0.05);
    let svg = polar(&picture).unwrap();
    let document = parse(&svg);
    let centre = points(with_class(&document, "bearing")[0])[0];
    let outline = points(with_class(&document, "density")[0]);
    let radius = |p: &(f64, f64)| (p.0 - centre.0).hypot(p.1 - centre.1);
    let tip = outline
        .iter()
        .max_by(|a, b| radius(a).total_cmp(&radius(b)))
        .unwrap();
    assert!(apart(page_azimuth(centre, *tip), 47.0) < 1.0);
}

#[test]
fn a_polar_plot_without_readings_is_drawn() {
    let density = CircleDensity::uniform();
    let picture = PolarPicture {
        readings: Vec::new(),
        fitted: Vec::new(),
        modes: Vec::new(),
        arcs95: vec![ArcDeg {
            from: Azimuth::from_degrees(0.0),
            width_deg: 360.0,
        }],
        reflection: None,
        truth_true_deg: None,
        summary: Vec::new(),
        ..polar_picture(&density)
    };
    let svg = polar(&picture).unwrap();
    assert!(with_class(&parse(&svg), "bearing").is_empty());
    let small = Size {
        width_px: 10,
        height_px: 10,
    };
    let error = polar(&PolarPicture {
        size: small,
        ..picture
    })
    .unwrap_err();
    assert_eq!(
        error.to_string(),
        "a picture of 10 by 10 pixels is out of range: each side must be from 320 to 10000"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_numbers_give_well_formed_polar_plots(values in proptest::collection::vec(any_number(), 12), text in ".{0,12}") {
        let density = CircleDensity::normal(Azimuth::from_degrees(10.0), 20.0);
        let picture = PolarPicture {
            title: text.clone(),
            station: text.clone(),
            summary: vec![text],
            readings: values
                .chunks_exact(4)
                .map(|v| PolarReading {
                    azimuth_true_deg: v[0],
                    level_db: v[1],
                    sigma_db: v[2],
                    explained: v[3],
                    clipped: true,
                    burst: 5,
                })
                .collect(),
            fitted: values.chunks_exact(2).map(|v| (v[0], v[1])).collect(),
            reflection: Some(PolarReflection {
                azimuth_true_deg: values[0],
                level_db: values[1],
                probability: values[2],
            }),
            truth_true_deg: Some(values[3]),
            ..polar_picture(&density)
        };
        let svg = polar(&picture).unwrap();
        prop_assert!(Document::parse(&svg).is_ok());
        prop_assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}
