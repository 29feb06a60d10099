//! The simulated readings and the bound that the accuracy book stands on, against closed forms and published values.

mod common;

use std::f64::consts::{PI, TAU};

use common::fading::{Fading, PatternError};
use common::ports::Switched;
use common::statistics::Signal;
use common::turn::{Arrival, Phase, Turn};
use common::{C, pattern, sectors};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ChiSquared, Continuous, Discrete, Poisson};

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let middle = mean(values);
    values.iter().map(|v| (v - middle).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// Own evaluation of the bound's formula (Kay, *Fundamentals of Statistical Signal Processing: Estimation Theory*, 1993,
/// chapter 3) by another program, noise power known: constant envelope, 36 readings of 200 samples; root mean square over the
/// direction. Columns: level error 1 dB at 0 dB S/N, 1 dB at 20 dB, none at 20 dB.
#[test]
fn bound_of_a_full_turn_agrees_with_its_table() {
    let table = [
        ("yagi3", [2.734, 0.7347, 0.1166]),
        ("yagi5", [2.045, 0.435, 0.08444]),
        ("handbook_yagi3", [2.248, 0.6113, 0.09317]),
        ("phased2", [3.265, 1.124, 0.1417]),
        ("loop8", [1.781, 0.4974, 0.07509]),
        ("loopwhip", [3.228, 0.8566, 0.1378]),
        ("body", [3.53, 1.85, 0.1603]),
    ];
    for (name, wanted) in table {
        let antenna = pattern(name);
        for ((snr_db, error_db), want) in [(0.0, 1.0), (20.0, 1.0), (20.0, 0.0)].into_iter().zip(wanted) {
            let turn = Turn::full(36, 200.0, snr_db, error_db);
            let squares = (0..20).map(|i| bound(&turn, &antenna, 0.5 * f64::from(i)).powi(2));
            let rms = (squares.sum::<f64>() / 20.0).sqrt();
            // How the slope is taken beside the sharp nulls.
            assert!(
                (rms / want - 1.0).abs() < 0.02,
                "{name}, {error_db} dB, {snr_db} dB: {rms} not {want}"
            );
        }
    }
}

/// The same for 13 readings over 120 degrees, S/N 20 dB. The bound here knows the noise power to 1 % only, which costs a little where
/// the sweep looks past the source.
#[test]
fn bound_of_a_sweep_agrees_with_its_table() {
    let yagi = pattern("yagi3");
    for (centre_deg, error_db, want) in [
        (0.0, 0.0, 0.1545),
        (0.0, 1.0, 2.342),
        (30.0, 1.0, 1.944),
        (60.0, 0.0, 0.238),
        (60.0, 1.0, 1.845),
        (60.0, 2.0, 3.386),
        (120.0, 0.0, 0.3542),
        (120.0, 1.0, 1.126),
        (120.0, 2.0, 2.046),
    ] {
        let boresights = (0..13).map(|k| centre_deg - 60.0 + 10.0 * f64::from(k));
        let turn = Turn::at(boresights, 200.0, 20.0, error_db);
        let got = bound(&turn, &yagi, 0.0);
        assert!(
            (got / want - 1.0).abs() < 0.03,
            "{centre_deg}, {error_db} dB: {got} not {want}"
        );
    }
}

/// The same for the four sector antennas, 200 samples, noise power known; constant envelope. Level error, cycles, then the S/N of 0, 10,
/// 20 and 30 dB.
#[test]
fn bound_of_switched_sectors_agrees_with_its_table() {
    let sectors = sectors();
    let table = [
        (0.0, 1, [7.32, 1.474, 0.4241, 0.1324]),
        (0.5, 1, [7.986, 3.043, 2.18, 2.067]),
        (1.0, 1, [9.645, 4.984, 4.178, 4.115]),
        (2.0, 1, [14.02, 8.867, 8.253, 8.22]),
        (1.0, 20, [2.157, 1.114, 0.9343, 0.9201]),
    ];
    for (error_db, cycles, wanted) in table {
        for (snr_db, want) in [0.0, 10.0, 20.0, 30.0].into_iter().zip(wanted) {
            let cycles = Switched::new(&sectors, cycles, 200.0, snr_db, error_db);
            let squares = (0..90).map(|i| {
                cycles
                    .bound_deg(4.0 * f64::from(i))
                    .expect("a closed form")
                    .powi(2)
            });
            let rms = (squares.sum::<f64>() / 90.0).sqrt();
            assert!(
                (rms / want - 1.0).abs() < 0.02,
                "{error_db} dB, {snr_db} dB: {rms} not {want}"
            );
        }
    }
}

/// Fixed errors of the ports do not average out: with them alone the bound is nearly the same for one cycle and for 50. Errors common to
/// a cycle cost nothing, the level being unknown anyway; errors of the readings fall by the root of the number of cycles.
#[test]
fn only_errors_that_change_average_out() {
    let with = |cycles: usize, cycle_error_db: f64, port_error_db: f64| {
        let cycles = Switched {
            cycle_error_db,
            port_error_db,
            ..Switched::new(&sectors(), cycles, 200.0, 40.0, 0.5)
        };
        cycles.bound_deg(20.0).expect("a closed form")
    };
    let fixed = with(1, 0.0, 1.0) / with(50, 0.0, 1.0);
    assert!((1.0..1.3).contains(&fixed), "{fixed}");
    assert!((with(10, 0.0, 0.0) / with(10, 3.0, 0.0) - 1.0).abs() < 0.02);
    let moving = with(2, 3.0, 0.0) / with(20, 3.0, 0.0);
    assert!((moving - 10.0_f64.sqrt()).abs() < 0.1, "{moving}");
}

fn bound(turn: &Turn, antenna: &lobewright_antenna::Pattern, azimuth_deg: f64) -> f64 {
    turn.bound_deg(antenna, azimuth_deg, &vec![false; turn.looks.len()])
        .expect("a closed form")
}

/// The information that a mean power holds about the signal's level, integrated numerically over the exact density (noncentral
/// chi-square as a Poisson mixture: Johnson, Kotz & Balakrishnan, *Continuous Univariate Distributions* 2, 1995, chapter 29),
/// against `h^2 / v`, the one that mean and variance alone hold. It cannot be less; a few per cent is what the skewness adds.
#[test]
fn information_of_mean_and_variance_is_nearly_all_there_is() {
    const SAMPLES: f64 = 50.0;
    for rho in [0.1_f64, 1.0, 10.0] {
        let density = |x: f64, ln_level: f64| {
            let half = SAMPLES * rho * ln_level.exp();
            let weights = Poisson::new(half).expect("positive");
            let reach = 8.0 * half.sqrt() + 10.0;
            let (from, to) = ((half - reach).max(0.0).floor(), (half + reach).ceil());
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a few hundred"
            )]
            let range = from as u32..to as u32;
            range
                .map(|j| {
                    let part = ChiSquared::new(2.0 * SAMPLES + 2.0 * f64::from(j)).expect("positive");
                    weights.pmf(u64::from(j)) * part.ln_pdf(x).exp()
                })
                .sum::<f64>()
        };
        let centre = 2.0 * SAMPLES * (1.0 + rho);
        let spread = (4.0 * SAMPLES * (1.0 + 2.0 * rho)).sqrt();
        let (step, delta) = (spread / 12.0, 1e-3);
        let information: f64 = (-84..=84)
            .map(|i| {
                let x = centre + step * f64::from(i);
                let slope = (density(x, delta) - density(x, -delta)) / (2.0 * delta);
                step * slope * slope / density(x, 0.0).max(1e-300)
            })
            .sum();
        let h = rho / (1.0 + rho);
        let closed = h * h / Signal::ConstantEnvelope.rel_var(rho, SAMPLES);
        let ratio = information / closed;
        assert!((0.999..1.03).contains(&ratio), "rho {rho}: {ratio}");
    }
}

/// Mean and variance of the powers drawn, against the closed forms; four standard errors of 20,000 draws. The short-time
/// spread drawn beside them must say the same variance, but for the keyed signal, whose symbols are longer than a sample.
#[test]
fn powers_have_the_mean_and_variance_of_their_distribution() {
    const DRAWS: usize = 20_000;
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for signal in [
        Signal::ConstantEnvelope,
        Signal::Gaussian,
        Signal::Keyed { symbols: 40 },
    ] {
        for rho in [0.1, 3.0, 100.0] {
            let (samples, n) = (200.0, DRAWS as f64);
            let (powers, spreads): (Vec<f64>, Vec<f64>) =
                (0..DRAWS).map(|_| signal.draw(&[rho], samples, &mut rng)).unzip();
            let want = signal.rel_var(rho, samples);
            let middle = mean(&powers) / (1.0 + rho);
            assert!(
                (middle - 1.0).abs() < 4.0 * (want / n).sqrt(),
                "{signal:?} {rho}: {middle}"
            );
            let got = variance(&powers) / (1.0 + rho).powi(2);
            // Excess kurtosis of these distributions is below 0.1.
            assert!(
                (got / want - 1.0).abs() < 4.0 * (2.1 / n).sqrt(),
                "{signal:?} {rho}: {got} not {want}"
            );
            if !matches!(signal, Signal::Keyed { .. }) {
                // The measured spread is of second order biased by 1 / samples.
                let said = mean(&spreads) / want;
                assert!((said - 1.0).abs() < 0.01, "{signal:?} {rho}: {said}");
            }
        }
    }
}

/// The level of Rayleigh fading is the logarithm of an exponential variable: mean `-0.5772` and standard deviation
/// `pi / sqrt 6` nats (Johnson, Kotz & Balakrishnan 2, chapter 22). Rician power has the variance `(1 + 2 K) / (1 + K)^2`
/// (noncentral chi-square).
#[test]
fn fading_has_the_spread_of_its_distribution() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let mut powers = |k_db: f64| -> Vec<f64> {
        let fading = Fading {
            k_db,
            doppler_hz: 2.0,
        };
        (0..20_000)
            .map(|_| fading.course(&mut rng).power_lin(0.3))
            .collect()
    };
    let levels: Vec<f64> = powers(f64::NEG_INFINITY).iter().map(|p| p.ln() / C).collect();
    assert!((mean(&levels) + 0.5772 / C).abs() < 0.15, "{}", mean(&levels));
    let spread = variance(&levels).sqrt();
    assert!((spread - PI / 6.0_f64.sqrt() / C).abs() < 0.15, "{spread}");
    for k_db in [6.0, 12.0] {
        let k = 10_f64.powf(k_db / 10.0);
        let drawn = powers(k_db);
        assert!((mean(&drawn) - 1.0).abs() < 0.02);
        let ratio = variance(&drawn) / ((1.0 + 2.0 * k) / (1.0 + k).powi(2));
        assert!((ratio - 1.0).abs() < 0.05, "{k_db}: {ratio}");
    }
}

/// Under Clarke's spectrum the field's correlation over a time `t` is `J0(2 pi f t)`, that of the Rayleigh power its square
/// (Clarke 1968). `J0(1) = 0.76520`, `J0(2) = 0.22389`, `J0(3.8317) = -0.40276`: Abramowitz & Stegun, *Handbook of Mathematical
/// Functions*, 1964, tables 9.1 and 9.5, from memory. Standard error of a correlation of 20,000: 0.007 and somewhat more for a
/// power.
#[test]
fn fading_forgets_as_its_doppler_spectrum_says() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let fading = Fading {
        k_db: f64::NEG_INFINITY,
        doppler_hz: 2.0,
    };
    for (x, j0) in [(1.0, 0.765_20), (2.0, 0.223_89), (3.8317, -0.402_76)] {
        let later_s = x / (TAU * fading.doppler_hz);
        let (a, b): (Vec<f64>, Vec<f64>) = (0..20_000)
            .map(|_| {
                let course = fading.course(&mut rng);
                (course.power_lin(0.1), course.power_lin(0.1 + later_s))
            })
            .unzip();
        let (ma, mb) = (mean(&a), mean(&b));
        let products: Vec<f64> = a.iter().zip(&b).map(|(a, b)| (a - ma) * (b - mb)).collect();
        let correlation = mean(&products) / (variance(&a) * variance(&b)).sqrt();
        assert!(
            (correlation - j0 * j0).abs() < 0.03,
            "{x}: {correlation} not {}",
            j0 * j0
        );
    }
}

#[test]
fn errors_of_a_pattern_have_the_size_told() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    for _ in 0..20 {
        let error = PatternError::draw(1.0, &mut rng);
        let squares = (0..360).map(|d| (error.factor_lin(f64::from(d)).ln() / C).powi(2));
        assert!((squares.sum::<f64>() / 360.0 - 1.0).abs() < 1e-9);
    }
}

/// Fields in phase and against each other: the power is `(1 +- a)^2` for a second amplitude of `a`; powers add to `1 + a^2`.
/// Both arrive from the same direction, at an S/N of 60 dB and with enough samples that noise does not count.
#[test]
fn two_arrivals_add_as_fields_or_as_powers() {
    let yagi = pattern("yagi3");
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let a = 0.5_f64;
    for (phase, want) in [
        (Phase::Ahead { rad: 0.0 }, (1.0 + a).powi(2)),
        (Phase::Ahead { rad: PI }, (1.0 - a).powi(2)),
        (Phase::Ahead { rad: 0.5 * PI }, 1.0 + a * a),
        (Phase::Incoherent, 1.0 + a * a),
    ] {
        let turn = Turn {
            arrival: Some(Arrival {
                apart_deg: 0.0,
                ratio_db: 20.0 * a.log10(),
                phase,
            }),
            ..Turn::at(std::iter::once(0.0), 1e6, 60.0, 0.0)
        };
        let drawn = turn.draw(&yagi, 0.0, &mut rng);
        let got = drawn.readings[0].power_lin / 1e6 / yagi.gain_rel_lin(0.0);
        assert!((got / want - 1.0).abs() < 1e-3, "{phase:?}: {got} not {want}");
    }
}

/// Delay times rate is what the pointing is off by: with a delay of 0.1 s (1 sigma) at 20 degrees a second the bound gains
/// 2 degrees in quadrature, and a turn without noise comes out turned by that.
#[test]
fn a_delay_turns_the_whole_turn() {
    let yagi = pattern("yagi3");
    let plain = Turn::full(72, 200.0, 20.0, 1.0).turning(20.0);
    let late = Turn {
        latency_sigma_s: 0.1,
        ..plain.clone()
    };
    let (without, with) = (bound(&plain, &yagi, 33.0), bound(&late, &yagi, 33.0));
    assert!((with * with - without * without - 4.0).abs() < 1e-9);
    let quiet = Turn {
        latency_sigma_s: 0.1,
        ..Turn::full(72, 1e8, 40.0, 0.0).turning(20.0)
    };
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let mut offs = Vec::new();
    for _ in 0..400 {
        let drawn = quiet.draw(&yagi, 100.0, &mut rng);
        let (mut north, mut east) = (0.0, 0.0);
        for (reading, look) in drawn.readings.iter().zip(&quiet.looks) {
            let (sin, cos) = look.boresight_deg.to_radians().sin_cos();
            north += reading.power_lin * cos;
            east += reading.power_lin * sin;
        }
        offs.push(east.atan2(north).to_degrees() - 100.0);
    }
    // 400 draws: standard error of the deviation 3.5 %, of the mean 0.1; the vector sum itself is a few hundredths off.
    assert!(
        (variance(&offs).sqrt() - 2.0).abs() < 0.3,
        "{}",
        variance(&offs).sqrt()
    );
    assert!(mean(&offs).abs() < 0.4, "{}", mean(&offs));
}
