use super::*;
use crate::streams::stream;

fn ignition(jitter_s: f64) -> Vec<Complex<f32>> {
    let scene = IgnitionScene {
        per_second: 100.0,
        level_dbfs: -6.0,
        length_s: 0.5e-3,
        jitter_s,
    };
    let mut ignition = Ignition::new(scene, 200_000.0, stream(2, &["test"]));
    (0..2_000_000).map(|n| ignition.at(n)).collect()
}

// Level within a pulse and mean level: 100 pulses of 0.5 ms in a second are on for 5 % of the time, -13.01 dB.
#[test]
fn ignition_pulses_have_their_level_their_length_and_their_beat() {
    for jitter_s in [0.0, 1e-3] {
        let samples = ignition(jitter_s);
        let on = samples.iter().filter(|x| x.norm_sqr() > 0.0).count();
        // 1000 pulses of 100 samples in ten seconds, one more or less at the ends.
        assert!((99_800..=100_200).contains(&on), "{on}");
        let power: f64 = samples.iter().map(|x| f64::from(x.norm_sqr())).sum();
        let within_db = 10.0 * (power / on as f64).log10();
        let mean_db = 10.0 * (power / samples.len() as f64).log10();
        // 100000 complex samples: standard error 0.014 dB.
        assert!((within_db + 6.0).abs() < 0.06, "{within_db}");
        assert!((mean_db + 6.0 + 13.01).abs() < 0.07, "{mean_db}");
        let starts: Vec<f64> = (1..samples.len())
            .filter(|&n| samples[n].norm_sqr() > 0.0 && samples[n - 1].norm_sqr() == 0.0)
            .map(|n| n as f64)
            .collect();
        let gaps: Vec<f64> = starts.windows(2).map(|w| (w[1] - w[0]) / 200_000.0).collect();
        let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
        let sigma = (gaps.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / gaps.len() as f64).sqrt();
        assert!((mean - 0.01).abs() < 1e-5, "{mean}");
        // A gap has the jitter of both its ends; 1000 of them: 3 %.
        assert!(
            (sigma - jitter_s * 2.0_f64.sqrt()).abs() < 0.12 * jitter_s + 5e-6,
            "{sigma}"
        );
    }
}

// Campbell's theorem: the mean power of Poisson impulses is their rate times the energy of one, peak^2 tau / 2 (decay to
// 1/e of the amplitude in tau); with exponential decay sampled, sum over n of exp(-2 n / (tau fs)).
#[test]
fn poisson_impulses_have_the_power_that_their_rate_and_decay_give() {
    let scene = ImpulseScene {
        per_second: 400.0,
        peak_dbfs: -3.0,
        decay_s: 5e-5,
    };
    let rate_hz = 200_000.0;
    let mut impulses = Impulses::new(scene, rate_hz, stream(7, &["test"]));
    let count = 4_000_000;
    let power: f64 = (0..count)
        .map(|_| f64::from(impulses.next().norm_sqr()))
        .sum::<f64>()
        / f64::from(count);
    let one = 10_f64.powf(-0.3) / (1.0 - (-2.0_f64 / (5e-5 * rate_hz)).exp());
    let expected = 400.0 / rate_hz * one;
    // 8000 impulses: standard error 1.1 % and a little for those that overlap.
    assert!((power / expected - 1.0).abs() < 0.05, "{}", power / expected);
}
