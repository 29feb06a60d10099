//! What the pictures show, read back from their SVG text: angles and counts are computed here on their own.

#![allow(clippy::unwrap_used, reason = "helpers of tests fail by panicking, as tests do")]

use lobewright_geodesy::{direct, inverse};
use lobewright_plot::{
    BurstMark, MapBearing, MapPicture, MapStation, PlotError, PolarPicture, PolarReading, PolarReflection,
    Size, SpectrogramPicture, SpectrumMark, SpectrumPicture, map, polar, spectrogram, spectrum, svg_to_png,
};
use lobewright_types::{
    ArcDeg, Azimuth, CircleDensity, ErrorEllipse, Fix, FixMode, Mode, PolygonDeg, Position, Region,
};
use proptest::prelude::*;
use resvg::usvg::roxmltree::{Document, Node};

fn parse(svg: &str) -> Document<'_> {
    Document::parse(svg).expect("the picture is well-formed XML")
}

fn with_class<'a>(document: &'a Document<'a>, class: &str) -> Vec<Node<'a, 'a>> {
    document
        .descendants()
        .filter(|node| node.attribute("class") == Some(class))
        .collect()
}

fn texts(document: &Document) -> Vec<String> {
    document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .filter_map(|node| node.text().map(str::to_owned))
        .collect()
}

/// The points of path data that has only moves and lines.
fn points(node: Node) -> Vec<(f64, f64)> {
    node.attribute("d")
        .unwrap()
        .split(['M', 'L', 'Z'])
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (x, y) = part.split_once(' ').unwrap();
            (x.parse().unwrap(), y.parse().unwrap())
        })
        .collect()
}

fn attribute(node: Node, name: &str) -> f64 {
    node.attribute(name).unwrap().parse().unwrap()
}

/// Azimuth on the page from one point to another: up is 0, clockwise.
fn page_azimuth(from: (f64, f64), to: (f64, f64)) -> f64 {
    (to.0 - from.0)
        .atan2(from.1 - to.1)
        .to_degrees()
        .rem_euclid(360.0)
}

fn apart(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

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

fn spectrogram_picture() -> SpectrogramPicture {
    SpectrogramPicture {
        size: Size::default(),
        title: "Spectrogram".to_owned(),
        rows: vec![vec![-100.0, -40.0, -100.0, f32::NEG_INFINITY]; 50],
        time_s: (0.0, 10.0),
        frequency_hz: (-10_000.0, 10_000.0),
        centre_hz: Some(145.0e6),
        bursts: vec![BurstMark {
            start_s: 2.5,
            stop_s: 5.0,
            low_hz: -5000.0,
            high_hz: 0.0,
            label: "60 dB".to_owned(),
        }],
        scale_dbfs: None,
    }
}

#[test]
fn a_burst_is_boxed_where_it_is() {
    let svg = spectrogram(&spectrogram_picture()).unwrap();
    let document = parse(&svg);
    let raster = document
        .descendants()
        .find(|node| node.has_tag_name("image"))
        .unwrap();
    let [x, y, w, h] = ["x", "y", "width", "height"].map(|name| attribute(raster, name));
    let outline = with_class(&document, "bursts")[0].first_element_child().unwrap();
    assert!((attribute(outline, "x") - (x + 0.25 * w)).abs() < 0.02);
    assert!((attribute(outline, "width") - 0.25 * w).abs() < 0.02);
    // 0 Hz is the middle, -5000 Hz three quarters down.
    assert!((attribute(outline, "y") - (y + 0.5 * h)).abs() < 0.02);
    assert!((attribute(outline, "height") - 0.25 * h).abs() < 0.02);
    let words = texts(&document);
    for expected in [
        "1",
        "60 dB",
        "frequency, MHz",
        "145.000",
        "level in one cell, dBFS",
    ] {
        assert!(
            words.iter().any(|word| word == expected),
            "{expected} in {words:?}"
        );
    }
}

#[test]
fn the_raster_shows_through_in_the_png() {
    let svg = spectrogram(&spectrogram_picture()).unwrap();
    let png_bytes = svg_to_png(&svg, 1.0).unwrap();
    let mut reader = png::Decoder::new(std::io::Cursor::new(png_bytes))
        .read_info()
        .unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    assert_eq!((info.width, info.height), (1000, 720));
    let dark = pixels.chunks_exact(4).filter(|p| p[0] < 60 && p[2] < 80).count();
    // One column of four is at the top of the scale: a quarter of a raster that is about half of the page.
    assert!(dark > 60_000, "{dark} dark pixels");
}

#[test]
fn wrong_rasters_are_named() {
    let mut ragged = spectrogram_picture();
    ragged.rows[3].pop();
    assert_eq!(
        spectrogram(&ragged).unwrap_err().to_string(),
        "row 3 of the spectrogram has 3 values where 4 are needed"
    );
    let empty = SpectrogramPicture {
        rows: Vec::new(),
        ..spectrogram_picture()
    };
    assert!(matches!(spectrogram(&empty), Err(PlotError::Empty { .. })));
    let backwards = SpectrogramPicture {
        time_s: (1.0, f64::NAN),
        ..spectrogram_picture()
    };
    assert_eq!(
        spectrogram(&backwards).unwrap_err().to_string(),
        "time_s runs from 1 to NaN; it must be two finite numbers in ascending order"
    );
    let silent = SpectrogramPicture {
        rows: vec![vec![f32::NAN; 3]; 2],
        ..spectrogram_picture()
    };
    parse(&spectrogram(&silent).unwrap());
}

#[test]
fn the_spectrum_has_its_peak_at_its_frequency() {
    let mut levels_dbfs = vec![-90.0; 100];
    levels_dbfs[75] = -20.0;
    let picture = SpectrumPicture {
        size: Size::default(),
        title: "Spectrum".to_owned(),
        frequency_hz: (-50_000.0, 50_000.0),
        peaks_dbfs: levels_dbfs.clone(),
        levels_dbfs,
        bin_bandwidth_hz: Some(1500.0),
        centre_hz: None,
        marks: vec![SpectrumMark {
            low_hz: 20_000.0,
            high_hz: 30_000.0,
            label: "channel 1".to_owned(),
        }],
    };
    let svg = spectrum(&picture).unwrap();
    let document = parse(&svg);
    let line = points(with_class(&document, "mean")[0]);
    let peak = line.iter().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    let share = (peak.0 - line[0].0) / (line[99].0 - line[0].0);
    assert!((share - 75.0 / 99.0).abs() < 1e-3);
    let words = texts(&document);
    for expected in [
        "channel 1",
        "level in 1.5 kHz, dBFS",
        "offset from the centre, kHz",
    ] {
        assert!(
            words.iter().any(|word| word == expected),
            "{expected} in {words:?}"
        );
    }
    let short = SpectrumPicture {
        peaks_dbfs: vec![0.0],
        ..picture
    };
    assert_eq!(
        spectrum(&short).unwrap_err().to_string(),
        "peaks_dbfs has 1 values where 100 are needed"
    );
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -400.0..400.0_f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(f64::NEG_INFINITY),
        1 => Just(0.0),
        1 => -1e300..1e300_f64,
    ]
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

    #[test]
    fn any_levels_give_well_formed_spectrograms(values in proptest::collection::vec(any_number(), 24)) {
        #[expect(clippy::cast_possible_truncation, reason = "any number will do")]
        let rows = values.chunks_exact(6).map(|v| v.iter().map(|x| *x as f32).collect()).collect();
        let picture = SpectrogramPicture {
            rows,
            bursts: vec![BurstMark {
                start_s: values[0],
                stop_s: values[1],
                low_hz: values[2],
                high_hz: values[3],
                label: String::new(),
            }],
            centre_hz: Some(values[4]),
            ..spectrogram_picture()
        };
        let svg = spectrogram(&picture).unwrap();
        prop_assert!(Document::parse(&svg).is_ok());
        prop_assert!(!svg.contains("NaN"));
    }
}
