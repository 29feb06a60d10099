//! Designs, windows and spectra against SciPy's, stored in `testdata/fir` with the script that made them.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use lobewright_dsp::{
    Band, Spectrum, bessel_i0, equiripple, frequency_response, kaiser, kaiser_beta, windowed_lowpass,
};
use lobewright_types::Sample;
use serde_json::Value;

fn reference() -> Value {
    let text = include_str!("../../../testdata/fir/reference.json");
    serde_json::from_str(text).expect("the file is JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().expect("a list");
    list.iter().map(|v| v.as_f64().expect("a number")).collect()
}

fn integer(value: &Value) -> usize {
    usize::try_from(value.as_u64().expect("a whole number")).unwrap()
}

fn assert_close(ours: &[f64], theirs: &[f64], tolerance: f64, what: &str) {
    assert_eq!(ours.len(), theirs.len(), "{what}");
    for (i, (a, b)) in ours.iter().zip(theirs).enumerate() {
        assert!((a - b).abs() <= tolerance, "{what} [{i}]: {a} against {b}");
    }
}

// Double precision on either side: 1e-12 is some thousands of rounding steps.
#[test]
fn bessel_and_kaiser_functions_equal_scipy() {
    let reference = reference();
    for pair in reference["i0"].as_array().unwrap() {
        let pair = numbers(pair);
        assert!(
            (bessel_i0(pair[0]) / pair[1] - 1.0).abs() < 1e-13,
            "I0({})",
            pair[0]
        );
    }
    for pair in reference["kaiser_beta"].as_array().unwrap() {
        let pair = numbers(pair);
        assert!(
            (kaiser_beta(pair[0]) - pair[1]).abs() < 1e-12,
            "beta of {} dB",
            pair[0]
        );
    }
    for case in reference["kaiser"].as_array().unwrap() {
        let ours = kaiser(integer(&case["len"]), case["beta"].as_f64().unwrap());
        assert_close(&ours, &numbers(&case["window"]), 1e-12, "kaiser");
    }
}

#[test]
fn windowed_filters_and_their_responses_equal_scipy() {
    for case in reference()["firwin"].as_array().unwrap() {
        let len = integer(&case["len"]);
        let window = kaiser(len, case["beta"].as_f64().unwrap());
        let ours = windowed_lowpass(len, case["cutoff"].as_f64().unwrap(), &window);
        assert_close(&ours, &numbers(&case["taps"]), 1e-12, "firwin");
        let at = numbers(&case["frequency"]);
        for (f, h) in at.iter().zip(case["response"].as_array().unwrap()) {
            let h = numbers(h);
            let ours = frequency_response(&ours, *f);
            assert_close(&[ours.re, ours.im], &h, 1e-12, "freqz");
        }
    }
}

// The minimax filter is unique; what differs is how finely each design samples its bands. SciPy's grid here has 128
// points an extremum and ours 20, which places an extremum within (pi/20)^2/8 = 0.3 % of the ripple.
#[test]
fn equiripple_filters_equal_scipy_remez() {
    for case in reference()["remez"].as_array().unwrap() {
        let edges = numbers(&case["bands"]);
        let (gains, weights) = (numbers(&case["desired"]), numbers(&case["weight"]));
        let bands: Vec<Band> = (0..gains.len())
            .map(|i| Band {
                from: edges[2 * i],
                to: edges[2 * i + 1],
                gain: gains[i],
                deviation: 1.0 / weights[i],
            })
            .collect();
        let ours = equiripple(integer(&case["numtaps"]), &bands).expect("it settles");
        let worst = case["worst"].as_f64().unwrap();
        assert!(
            (ours.worst / worst - 1.0).abs() < 0.01,
            "{} against {worst}",
            ours.worst
        );
        let theirs = numbers(&case["taps"]);
        assert_close(&ours.taps, &theirs, worst * 0.02, "remez");
    }
}

// SciPy transforms single-precision samples in single precision, as we do: 1e-4 relative.
#[test]
fn power_density_equals_scipy_welch() {
    let reference = reference();
    let case = &reference["welch"];
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the samples were single precision"
    )]
    let samples: Vec<Sample> = case["samples"]
        .as_array()
        .unwrap()
        .iter()
        .map(|pair| {
            let pair = numbers(pair);
            Sample::new(pair[0] as f32, pair[1] as f32)
        })
        .collect();
    let rate_hz = case["rate_hz"].as_f64().unwrap();
    let mut spectrum = Spectrum::new(rate_hz, integer(&case["fft_len"])).unwrap();
    for piece in samples.chunks(301) {
        spectrum.push(piece);
    }
    let psd = spectrum.psd().unwrap();
    let theirs = numbers(&case["density_per_hz"]);
    let at = numbers(&case["frequency_hz"]);
    for bin in 0..theirs.len() {
        assert!((psd.frequency_hz(bin) - at[bin]).abs() < 1e-9);
        assert!(
            (psd.density_per_hz[bin] / theirs[bin] - 1.0).abs() < 1e-4,
            "bin {bin}"
        );
    }
}
