//! Pattern figures against the tables beside the test data and against closed forms.

use std::fmt::Write;
use std::fs::File;
use std::path::{Path, PathBuf};

use lobewright_antenna::Pattern;
use lobewright_types::wrap_signed_degrees;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../testdata/antennas")
}

fn load(name: &str) -> Pattern {
    let file = File::open(folder().join(format!("{name}.csv"))).expect("a file of the test data");
    Pattern::from_csv(file, name).expect("a valid pattern")
}

/// `metrics.json` was made by another program (parabola through the largest samples, linear interpolation between
/// rows) and is rounded to 0.1 degree and 0.1 dB: half of that, and what the two interpolations differ by at a
/// one-degree raster (under 0.01 dB; under 0.3 degrees for the peak of a flat lobe).
#[test]
fn figures_of_every_pattern_match_its_table() {
    let text = std::fs::read_to_string(folder().join("metrics.json")).unwrap();
    let table: serde_json::Value = serde_json::from_str(&text).unwrap();
    let mut checked = 0;
    for (name, row) in table.as_object().unwrap() {
        let pattern = load(name);
        let close = |what: &str, got: f64, tolerance: f64| {
            let want = row[what].as_f64().unwrap();
            assert!((got - want).abs() <= tolerance, "{name} {what}: {got} not {want}");
        };
        close("peak_gain_dbi", pattern.peak_gain_dbi(), 0.011);
        let squint = row["peak_azimuth_deg"].as_f64().unwrap();
        // A lobe with two equal peaks may name either.
        let off = wrap_signed_degrees(pattern.peak_offset_deg() - squint);
        let same_height = pattern.gain_dbi(squint) > pattern.peak_gain_dbi() - 0.002;
        assert!(off.abs() < 0.3 || same_height, "{name} peak {off}");
        if off.abs() >= 0.3 {
            continue;
        }
        checked += 1;
        match row["beamwidth_3db_deg"].as_f64() {
            Some(width) => {
                let got = pattern.beamwidth_deg().unwrap();
                assert!((got - width).abs() < 0.15, "{name} width {got} not {width}");
            }
            None => assert!(pattern.beamwidth_deg().is_none(), "{name}"),
        }
        close("front_to_back_db", pattern.front_to_back_db(), 0.08);
        close("front_to_rear_db", pattern.front_to_rear_db(), 0.08);
        let (right, left) = pattern.front_to_side_db();
        close("front_to_side_right_db", right, 0.08);
        close("front_to_side_left_db", left, 0.08);
        close("rms_slope_db_per_deg", pattern.rms_slope_db_per_deg(), 0.003);
    }
    assert!(checked >= 15, "only {checked} patterns compared");
}

fn sampled(power: impl Fn(f64) -> f64, step_deg: u32) -> Pattern {
    let mut text = String::from("azimuth_deg,gain_dbi\n");
    for a in (0..360).step_by(step_deg as usize) {
        let gain = 10.0 * power(f64::from(a)).max(1e-9).log10();
        writeln!(text, "{a},{gain:.6}").expect("memory");
    }
    Pattern::from_csv(text.as_bytes(), "closed form").expect("a valid pattern")
}

/// Half-power angles solved by hand: cardioid 2 acos(2 * 10^-0.15 - 1) = 130.849 degrees, -6.02 dB at the side;
/// figure-eight 2 acos(10^-0.15) = 89.864 degrees.
#[test]
fn widths_of_closed_forms() {
    let cardioid = |a: f64| (0.5 * (1.0 + a.to_radians().cos())).powi(2);
    let eight = |a: f64| a.to_radians().cos().powi(2);
    for pattern in [
        Pattern::builtin("cardioid").unwrap(),
        sampled(cardioid, 1),
        sampled(cardioid, 5),
    ] {
        let width = pattern.beamwidth_deg().unwrap();
        assert!((width - 130.849).abs() < 0.01, "{width}");
        let (right, left) = pattern.front_to_side_db();
        assert!((right - 6.0206).abs() < 0.01 && (left - 6.0206).abs() < 0.01);
    }
    for pattern in [Pattern::builtin("figure-eight").unwrap(), sampled(eight, 1)] {
        assert!((pattern.beamwidth_deg().unwrap() - 89.864).abs() < 0.01);
        assert!(pattern.front_to_back_db().abs() < 1e-6);
    }
}

/// A half-wave dipole turned in its own plane: cos(pi/2 sin a) / cos a with a from broadside; half-power width
/// 78.078 degrees between the points of half power (Kraus, *Antennas*, chapter on the thin linear antenna: 78).
#[test]
fn width_of_a_half_wave_dipole() {
    let dipole = |a: f64| {
        let (sin, cos) = a.to_radians().sin_cos();
        if cos.abs() < 1e-9 {
            return 0.0;
        }
        ((std::f64::consts::FRAC_PI_2 * sin).cos() / cos).powi(2)
    };
    let pattern = sampled(dipole, 1);
    // Half power is -3.0103 dB: the -3 dB width is a little less.
    let (mut low, mut high) = (-45.0, 0.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if pattern.gain_rel_lin(middle) < 0.5 {
            low = middle;
        } else {
            high = middle;
        }
    }
    assert!((-2.0 * low - 78.078).abs() < 0.01, "{}", -2.0 * low);
    let width = pattern.beamwidth_deg().unwrap();
    assert!(width < 78.078 && width > 77.8, "{width}");
}

/// What the documentation of `yagi-3` promises.
#[test]
fn generic_yagi_has_the_figures_it_claims() {
    let pattern = Pattern::builtin("yagi-3").unwrap();
    assert!((pattern.beamwidth_deg().unwrap() - 84.6).abs() < 0.5);
    assert!((pattern.front_to_back_db() - 13.9).abs() < 0.3);
    let null = (900..1200)
        .map(|i| f64::from(i) / 10.0)
        .min_by(|a, b| pattern.gain_dbi(*a).total_cmp(&pattern.gain_dbi(*b)))
        .unwrap();
    assert!((null - 100.6).abs() < 0.2, "{null}");
    assert!((pattern.peak_gain_dbi() - pattern.gain_dbi(null) - 30.0).abs() < 0.1);
}
