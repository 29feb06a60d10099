//! The response of arrays, held against closed forms and against itself.

use std::fmt::Write;
use std::fs::File;
use std::path::Path;

use lobewright_antenna::{Manifold, Pattern};
use num_complex::Complex;
use proptest::prelude::*;

fn square4(kind: &str) -> Manifold {
    let files = (1..=4).map(|element| {
        let name = format!("square4_{kind}_el{element}");
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../testdata/antennas/{name}.csv"));
        (File::open(path).expect("a file of the test data"), name)
    });
    Manifold::from_element_csv(files).expect("valid files")
}

fn at(manifold: &Manifold, azimuth_deg: f64) -> Vec<Complex<f64>> {
    let mut out = vec![Complex::default(); manifold.ports()];
    manifold.response(azimuth_deg, &mut out);
    out
}

// Van Trees, Optimum Array Processing (2002), section 2.2: two elements at distance d see a plane wave from an angle
// a off broadside with a phase difference of 2 pi (d / wavelength) sin a.
#[test]
fn two_elements_are_an_interferometer() {
    for spacing_wavelengths in [0.1, 0.25, 0.5, 3.0] {
        let pair = Manifold::ring(2, spacing_wavelengths / 2.0, 90.0).unwrap();
        for step in 0..2000 {
            let azimuth_deg = f64::from(step) * 0.377;
            let v = at(&pair, azimuth_deg);
            // Element 1 stands to the right of broadside (azimuth 0) and leads for a wave from the right.
            let expected =
                Complex::cis(std::f64::consts::TAU * spacing_wavelengths * azimuth_deg.to_radians().sin());
            // Two elements, each within 8.5e-12 (pi d / wavelength)^4 of its closed form.
            assert!((v[0] * v[1].conj() - expected).norm() < 2e-7, "{azimuth_deg}");
        }
    }
}

// The square of dipoles was computed with NEC-2 (testdata/antennas/README.md). With the others open at their centre an
// element is hardly disturbed, so its phase is near the closed form of an ideal ring of radius 0.25 / sqrt(2) wavelengths.
// The coupling that is left is bounded by the change of level it causes: 1 dB, that is 0.12 in voltage or 7 degrees.
#[test]
fn open_dipoles_of_the_field_engine_are_near_an_ideal_ring() {
    let computed = square4("open");
    let ideal = Manifold::ring(4, 0.25 / f64::sqrt(2.0), 45.0).unwrap();
    for step in 0..360 {
        let azimuth_deg = f64::from(step);
        let (a, b) = (at(&computed, azimuth_deg), at(&ideal, azimuth_deg));
        for port in 1..4 {
            let turn = (a[port] * a[0].conj() * (b[port] * b[0].conj()).conj()).arg();
            assert!(
                turn.to_degrees().abs() < 14.0,
                "port {port} at {azimuth_deg}: {}",
                turn.to_degrees()
            );
        }
    }
}

#[test]
fn rows_of_the_files_come_back_from_the_table() {
    let manifold = square4("50ohm");
    let element2 = {
        let path =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("../../testdata/antennas/square4_50ohm_el2.csv");
        Pattern::from_csv(File::open(path).unwrap(), "el2").unwrap()
    };
    for step in 0..360 {
        let azimuth_deg = f64::from(step);
        let value = at(&manifold, azimuth_deg)[1];
        let gain_dbi = 20.0 * value.norm().log10() + manifold.peak_gain_dbi();
        assert!((gain_dbi - element2.gain_dbi(azimuth_deg)).abs() < 1e-6);
        let phase = Complex::cis(element2.phase_deg(azimuth_deg).unwrap().to_radians());
        assert!((value / value.norm() - phase).norm() < 1e-6);
    }
}

#[test]
fn what_is_written_is_read_again() {
    for manifold in [
        square4("open").rotated(33.3),
        Manifold::ring(8, 0.7, 11.0).unwrap(),
    ] {
        let again = Manifold::from_csv(manifold.to_csv().as_bytes(), "again").unwrap();
        for step in 0..1000 {
            let azimuth_deg = f64::from(step) * 0.36;
            for (a, b) in at(&manifold, azimuth_deg).iter().zip(at(&again, azimuth_deg)) {
                // Spline through rows a degree apart: 5/384 (1 deg in rad)^4 max|f''''|, and f'''' of a ring of radius r is
                // at most about (2 pi r)^4 = 374: 5e-7.
                assert!((a - b).norm() < 2e-6, "{azimuth_deg}: {a} {b}");
            }
        }
    }
}

#[test]
fn a_direction_needs_more_than_a_common_phase() {
    assert!(square4("open").is_directional());
    assert!(Manifold::ring(2, 0.01, 0.0).unwrap().is_directional());
    let mut text = String::from("azimuth_deg,port,gain_dbi,phase_deg\n");
    for row in 0..36 {
        for port in 1..=2 {
            writeln!(
                text,
                "{},{port},{},{}",
                row * 10,
                f64::from(row).sin(),
                row * 7 + port
            )
            .unwrap();
        }
    }
    assert!(
        !Manifold::from_csv(text.as_bytes(), "same")
            .unwrap()
            .is_directional()
    );
}

proptest! {
    #[test]
    fn turning_the_array_turns_its_response(turn in -720.0..720.0_f64, azimuth in -720.0..720.0_f64) {
        let ring = Manifold::ring(5, 0.6, 0.0).unwrap();
        let turned = ring.rotated(turn);
        for (a, b) in at(&ring, azimuth - turn).iter().zip(at(&turned, azimuth)) {
            prop_assert!((a - b).norm() < 1e-9);
        }
    }

    #[test]
    fn responses_are_finite_and_at_most_one(
        rows in proptest::collection::vec((-200.0..60.0_f64, -720.0..720.0_f64), 24..72), azimuth in -1e4..1e4_f64
    ) {
        let mut text = String::from("azimuth_deg,port,gain_dbi,phase_deg\n");
        let half = rows.len() / 2;
        for (i, (gain, phase)) in rows[..2 * half].iter().enumerate() {
            writeln!(text, "{},{},{gain},{phase}", 360.0 * (i / 2) as f64 / half as f64, i % 2 + 1).unwrap();
        }
        let manifold = Manifold::from_csv(text.as_bytes(), "m").unwrap();
        for value in at(&manifold, azimuth) {
            prop_assert!(value.norm() < 1.0 + 1e-3);
        }
    }

    #[test]
    fn a_bad_file_is_an_error_and_no_panic(text in "\\PC{0,200}") {
        let _ = Manifold::from_csv(text.as_bytes(), "m").map(|m| m.ports());
        let table = format!("azimuth_deg,port,gain_dbi,phase_deg\n{text}");
        let _ = Manifold::from_csv(table.as_bytes(), "m").map(|m| m.ports());
    }
}
