#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "indices and samples well within range"
)]

use super::*;

fn transmitter(emission: EmissionScene, identification: Option<IdentificationScene>) -> TransmitterScene {
    TransmitterScene {
        name: "t".to_owned(),
        lat_deg: 0.0,
        lon_deg: 0.0,
        frequency_hz: 1e8,
        drift_hz_per_s: 0.0,
        eirp_dbm: 0.0,
        ramp_s: 0.0,
        emission,
        identification,
        cycle: Vec::new(),
    }
}

fn ident(mode: MorseMode, at: IdentificationPlace) -> IdentificationScene {
    IdentificationScene {
        text: "PARIS".to_owned(),
        wpm: 12.0,
        mode,
        tone_hz: 800.0,
        deviation_hz: 2_000.0,
        depth: 1.0,
        at,
        gap_s: 0.5,
        edge_s: 0.005,
    }
}

const RATE_HZ: f64 = 48_000.0;

fn play(transmitter: &TransmitterScene, seed: u64, length_s: f64) -> Vec<Complex<f64>> {
    let sent = OnAir {
        start_s: 100.0,
        stop_s: 100.0 + length_s,
    };
    let mut player = Player::new(transmitter, seed, sent);
    let mut samples = Vec::new();
    let mut n = 0.0;
    while n < length_s * RATE_HZ {
        samples.push(player.envelope(n / RATE_HZ));
        n += 1.0;
    }
    samples
}

/// Power spectrum on a raster of `1 / 12.5 ms`, Hann-windowed, averaged over half-overlapping pieces.
fn spectrum(samples: &[Complex<f64>]) -> Vec<(f64, f64)> {
    let piece = 600;
    let window: Vec<f64> = (0..piece)
        .map(|n| 0.5 - 0.5 * (TAU * n as f64 / piece as f64).cos())
        .collect();
    let table: Vec<Complex<f64>> = (0..piece)
        .map(|n| Complex::cis(-TAU * n as f64 / piece as f64))
        .collect();
    (0..piece)
        .map(|k| {
            let signed = if k < piece / 2 {
                k as f64
            } else {
                k as f64 - piece as f64
            };
            let power: f64 = samples
                .windows(piece)
                .step_by(piece / 2)
                .map(|chunk| {
                    chunk
                        .iter()
                        .enumerate()
                        .map(|(n, x)| x * window[n] * table[(n * k) % piece])
                        .sum::<Complex<f64>>()
                        .norm_sqr()
                })
                .sum();
            (signed * RATE_HZ / piece as f64, power)
        })
        .collect()
}

fn share_within(spectrum: &[(f64, f64)], half_width_hz: f64) -> f64 {
    let total: f64 = spectrum.iter().map(|s| s.1).sum();
    let inside: f64 = spectrum
        .iter()
        .filter(|s| s.0.abs() <= half_width_hz)
        .map(|s| s.1)
        .sum();
    inside / total
}

/// Largest frequency between neighbouring samples.
fn largest_deviation_hz(samples: &[Complex<f64>]) -> f64 {
    samples
        .windows(2)
        .map(|w| ((w[1] * w[0].conj()).arg() / TAU * RATE_HZ).abs())
        .fold(0.0, f64::max)
}

// Bessel functions of the modulation index 2.4048: the carrier vanishes (J0's first zero, Abramowitz and Stegun table
// 9.5); the first side line has J1 = 0.5191.
#[test]
fn a_tone_at_an_index_of_2_4048_has_no_carrier() {
    let tone_hz = 1_000.0;
    let emission = EmissionScene::FmTone {
        deviation_hz: 2.404_826 * tone_hz,
        tone_hz,
    };
    let samples = play(&transmitter(emission, None), 1, 1.0);
    let line = |frequency_hz: f64| {
        samples
            .iter()
            .enumerate()
            .map(|(n, x)| x * Complex::cis(-TAU * frequency_hz * n as f64 / RATE_HZ))
            .sum::<Complex<f64>>()
            .norm()
            / samples.len() as f64
    };
    assert!(line(0.0) < 2e-3, "{}", line(0.0));
    assert!((line(1_000.0) - 0.5191).abs() < 2e-3, "{}", line(1_000.0));
    assert!((line(-1_000.0) - 0.5191).abs() < 2e-3);
}

// J. R. Carson, *Notes on the theory of modulation*, 1922: nearly all of the power (98 %) lies within 2 (deviation +
// highest modulating frequency).
#[test]
fn voice_stays_within_its_deviation_and_carsons_band() {
    let deviation_hz = 2_500.0;
    let samples = play(
        &transmitter(EmissionScene::FmVoice { deviation_hz }, None),
        1,
        6.0,
    );
    let largest = largest_deviation_hz(&samples);
    assert!(
        largest <= 1.01 * deviation_hz && largest > 0.9 * deviation_hz,
        "{largest}"
    );
    let spectrum = spectrum(&samples);
    assert!(share_within(&spectrum, deviation_hz + 3_000.0) > 0.98);
    // And it does use the band: a bare carrier would not.
    assert!(share_within(&spectrum, 300.0) < 0.9);
    assert!(samples.iter().all(|x| (x.norm() - 1.0).abs() < 1e-9));
}

#[test]
fn identification_in_f2a_is_keyed_as_the_text_says() {
    let place = IdentificationPlace::End;
    let t = transmitter(
        EmissionScene::FmVoice {
            deviation_hz: 2_500.0,
        },
        Some(ident(MorseMode::F2a, place)),
    );
    let length_s = 8.0;
    let samples = play(&t, 1, length_s);
    // PARIS is 43 dots of 0.1 s; half a second of pause stands on each side.
    let start_s = length_s - 0.5 - 4.3;
    let tone_at = |time_s: f64| {
        let from = (time_s * RATE_HZ) as usize;
        // Two periods of the tone.
        let chunk = &samples[from - 60..from + 60];
        chunk
            .windows(2)
            .map(|w| ((w[1] * w[0].conj()).arg() / TAU * RATE_HZ).abs())
            .fold(0.0, f64::max)
    };
    let text = MorseText::new("PARIS").unwrap();
    let mut dot = 0.0;
    while dot < 43.0 {
        let down = text
            .marks
            .iter()
            .any(|&(a, b)| f64::from(a) < dot + 0.5 && dot + 0.5 < f64::from(b));
        let deviation_hz = tone_at(start_s + (dot + 0.5) * 0.1);
        assert_eq!(deviation_hz > 1_000.0, down, "dot {dot}: {deviation_hz}");
        if down {
            assert!((deviation_hz - 2_000.0).abs() < 40.0, "{deviation_hz}");
        } else {
            assert!(deviation_hz < 10.0, "{deviation_hz}");
        }
        dot += 1.0;
    }
}

#[test]
fn keyed_carrier_is_on_and_off_as_the_text_says() {
    let t = transmitter(
        EmissionScene::Silence,
        Some(ident(MorseMode::A1a, IdentificationPlace::Start)),
    );
    let samples = play(&t, 1, 6.0);
    let on = samples.iter().filter(|x| x.norm() > 0.5).count() as f64 / RATE_HZ;
    // PARIS has 10 dots and 4 dashes: 22 dots of 0.1 s down.
    assert!((on - 2.2).abs() < 0.002, "{on}");
    assert!(samples[(0.45 * RATE_HZ) as usize].norm() < 1e-9);
    assert!((samples[(0.55 * RATE_HZ) as usize].norm() - 1.0).abs() < 1e-9);
}

#[test]
fn amplitude_tone_swings_around_a_steady_carrier() {
    let t = transmitter(
        EmissionScene::Carrier,
        Some(ident(MorseMode::A2a, IdentificationPlace::Throughout)),
    );
    let samples = play(&t, 1, 2.0);
    let mean = samples.iter().map(|x| x.re).sum::<f64>() / samples.len() as f64;
    let largest = samples.iter().map(|x| x.norm()).fold(0.0, f64::max);
    assert!((mean - 1.0).abs() < 0.01 && (largest - 2.0).abs() < 0.01);
}

// Half-power bandwidth and power of the noise emission, 20 s of 4 kHz: 80000 independent samples, 0.4 % standard error.
#[test]
fn noise_has_its_power_and_its_bandwidth() {
    let samples = play(
        &transmitter(
            EmissionScene::Noise {
                bandwidth_hz: 4_000.0,
            },
            None,
        ),
        1,
        20.0,
    );
    let power = samples.iter().map(Complex::norm_sqr).sum::<f64>() / samples.len() as f64;
    assert!((power - 1.0).abs() < 0.02, "{power}");
    let fourth = samples.iter().map(|x| x.norm_sqr().powi(2)).sum::<f64>() / samples.len() as f64;
    // A complex Gaussian variable has E|x|^4 = 2 (E|x|^2)^2.
    assert!((fourth / (power * power) - 2.0).abs() < 0.06, "{fourth}");
    let spectrum = spectrum(&samples[..96_000]);
    let density = |from_hz: f64, to_hz: f64| {
        let inside: Vec<f64> = spectrum
            .iter()
            .filter(|s| (from_hz..to_hz).contains(&s.0.abs()))
            .map(|s| s.1)
            .collect();
        inside.iter().sum::<f64>() / inside.len() as f64
    };
    let edge = density(1_900.0, 2_100.0) / density(0.0, 1_000.0);
    assert!((edge - 0.5).abs() < 0.1, "{edge}");
    assert!(density(4_000.0, 6_000.0) < 0.01 * density(0.0, 1_000.0));
}

#[test]
fn bits_are_on_half_the_time_and_begin_on() {
    let samples = play(
        &transmitter(EmissionScene::Ook { bit_rate_hz: 1_000.0 }, None),
        1,
        4.0,
    );
    assert!(samples[..48].iter().all(|x| (x.re - 1.0).abs() < 1e-9));
    let on = samples.iter().filter(|x| x.norm() > 0.5).count() as f64 / samples.len() as f64;
    // 4000 bits: standard error 0.8 %.
    assert!((on - 0.5).abs() < 0.03, "{on}");
}

#[test]
fn two_players_of_one_transmission_agree_at_any_times() {
    let t = transmitter(
        EmissionScene::FmVoice {
            deviation_hz: 2_500.0,
        },
        Some(ident(MorseMode::F2a, IdentificationPlace::Start)),
    );
    let sent = OnAir {
        start_s: 9.0,
        stop_s: 19.0,
    };
    let mut every = Player::new(&t, 1, sent);
    let mut some = Player::new(&t, 1, sent);
    for n in 0..200_000 {
        let time_s = f64::from(n) / 37_123.0;
        let value = every.envelope(time_s);
        if n % 7 == 0 {
            assert!((value - some.envelope(time_s)).norm() < 1e-12);
        }
    }
}

#[test]
fn ramps_lie_within_the_transmission() {
    let mut t = transmitter(EmissionScene::Carrier, None);
    t.ramp_s = 0.01;
    let samples = play(&t, 1, 1.0);
    assert!(samples[0].norm() < 1e-9);
    assert!((samples[240].norm() - 0.5).abs() < 1e-9);
    assert!((samples[480].norm() - 1.0).abs() < 1e-9);
    assert!((samples[48_000 - 240].norm() - 0.5).abs() < 1e-9);
}
