//! Symmetries of patterns and tracks.

use std::fmt::Write;

use lobewright_antenna::{AzimuthTrack, Pattern, TrackNorth};
use lobewright_types::wrap_signed_degrees;
use proptest::prelude::*;

fn knots() -> impl Strategy<Value = Vec<(f64, f64)>> {
    proptest::collection::btree_map(0_u32..3600, -30.0..12.0_f64, 3..40)
        .prop_map(|m| m.into_iter().map(|(a, g)| (f64::from(a) / 10.0, g)).collect())
}

fn csv(knots: &[(f64, f64)], turn: f64) -> String {
    let mut text = String::from("azimuth_deg,gain_dbi\n");
    for (a, g) in knots {
        writeln!(text, "{},{g}", wrap_signed_degrees(a + turn)).expect("memory");
    }
    text
}

proptest! {
    #[test]
    fn a_pattern_is_exact_at_its_rows(knots in knots()) {
        let pattern = Pattern::from_csv(csv(&knots, 0.0).as_bytes(), "p").unwrap();
        for (a, g) in knots {
            let floor = pattern.peak_gain_dbi() - 80.0;
            prop_assert!((pattern.gain_dbi(a) - g.max(floor)).abs() < 1e-6);
        }
    }

    #[test]
    fn turning_the_rows_turns_the_pattern(knots in knots(), turn in -180.0..180.0_f64, at in 0.0..360.0_f64) {
        let pattern = Pattern::from_csv(csv(&knots, 0.0).as_bytes(), "p").unwrap();
        let turned = Pattern::from_csv(csv(&knots, turn).as_bytes(), "p").unwrap();
        prop_assert!((pattern.raw_difference(&turned, at, turn)).abs() < 1e-3);
    }

    #[test]
    fn gains_are_finite_and_at_most_the_peak(knots in knots(), at in -1e4..1e4_f64) {
        let pattern = Pattern::from_csv(csv(&knots, 0.0).as_bytes(), "p").unwrap();
        let gain = pattern.gain_rel_lin(at);
        prop_assert!(gain > 0.0 && gain < 1.0 + 1e-3);
    }

    #[test]
    fn a_bad_file_is_an_error_and_no_panic(text in "\\PC{0,200}") {
        let _ = Pattern::from_csv(text.as_bytes(), "p").map(|p| p.gain_dbi(0.0));
        let _ = AzimuthTrack::from_csv(text.as_bytes(), Some(TrackNorth::True)).map(|t| t.span_s());
    }

    #[test]
    fn a_track_passes_through_its_points(steps in proptest::collection::vec((0.01..5.0_f64, -178.0..178.0_f64), 1..30)) {
        let mut points = vec![(0.0, 0.0)];
        for (dt, step) in steps {
            let (t, a) = points[points.len() - 1];
            points.push((t + dt, a + step));
        }
        let track = AzimuthTrack::from_points(points.clone(), TrackNorth::Mount).unwrap();
        for (t, a) in points {
            prop_assert!(wrap_signed_degrees(track.at(t).unwrap().azimuth_deg - a).abs() < 1e-6);
        }
    }
}

trait Compare {
    fn raw_difference(&self, turned: &Self, at_deg: f64, turn_deg: f64) -> f64;
}

impl Compare for Pattern {
    /// Difference in dB, floors set aside: both are clipped at 80 dB under a peak found on a raster.
    fn raw_difference(&self, turned: &Self, at_deg: f64, turn_deg: f64) -> f64 {
        let (a, b) = (self.gain_dbi(at_deg), turned.gain_dbi(at_deg + turn_deg));
        let floor = self.peak_gain_dbi().max(turned.peak_gain_dbi()) - 79.0;
        if a < floor || b < floor { 0.0 } else { a - b }
    }
}
