//! Spectrograms and spectra read back from their SVG text and pixels.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use common::{any_number, attribute, parse, points, texts, with_class};
use lobewright_plot::{
    BurstMark, PlotError, Size, SpectrogramPicture, SpectrumMark, SpectrumPicture, spectrogram, spectrum,
    svg_to_png,
};
use proptest::prelude::*;
use resvg::usvg::roxmltree::Document;

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
fn numbers_of_the_axes_stand_at_their_values() {
    let svg = spectrogram(&spectrogram_picture()).unwrap();
    let document = parse(&svg);
    let raster = document
        .descendants()
        .find(|node| node.has_tag_name("image"))
        .unwrap();
    let [x, y, w, h] = ["x", "y", "width", "height"].map(|name| attribute(raster, name));
    let number = |words: &str| {
        let found: Vec<_> = document
            .descendants()
            .filter(|node| node.has_tag_name("text") && node.text() == Some(words))
            .filter(|node| attribute(*node, "x") < x || attribute(*node, "y") > y + h)
            .collect();
        assert_eq!(found.len(), 1, "{words}");
        found[0]
    };
    // 0 to 10 s to the right, 144.99 to 145.01 MHz upward; numbers at the left are centred, 0.36 of their size.
    for (words, share) in [("0", 0.0), ("4", 0.4), ("10", 1.0)] {
        let node = number(words);
        assert_eq!(node.attribute("text-anchor"), Some("middle"));
        assert!((attribute(node, "x") - (x + share * w)).abs() < 0.02, "{words}");
    }
    for (words, share) in [("144.990", 1.0), ("145.000", 0.5), ("145.010", 0.0)] {
        let node = number(words);
        assert_eq!(node.attribute("text-anchor"), Some("end"));
        let middle = attribute(node, "y") - 0.36 * attribute(node, "font-size");
        assert!((middle - (y + share * h)).abs() < 0.02, "{words}");
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

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

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

    #[test]
    fn any_levels_give_well_formed_spectra(values in proptest::collection::vec(any_number(), 20)) {
        let picture = SpectrumPicture {
            size: Size::default(),
            title: String::new(),
            frequency_hz: (-10.0, 1e9),
            levels_dbfs: values[..8].to_vec(),
            peaks_dbfs: values[8..16].to_vec(),
            bin_bandwidth_hz: Some(values[16]),
            centre_hz: Some(values[17]),
            marks: vec![SpectrumMark {
                low_hz: values[18],
                high_hz: values[19],
                label: "mark".to_owned(),
            }],
        };
        let svg = spectrum(&picture).unwrap();
        prop_assert!(Document::parse(&svg).is_ok());
        prop_assert!(!svg.contains("NaN"));
    }
}
