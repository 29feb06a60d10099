//! Directions from coherent channels.

#[path = "../../tests/common/coherent.rs"]
mod scenes;

use std::fmt::{self, Write};
use std::sync::Arc;

use lobewright_bearing::coherent::{
    CoherentConfig, CoherentEstimate, Steering, beamformer, estimate_coherent, music,
};
use lobewright_types::{Azimuth, wrap_signed_degrees};
use rand::RngExt;
use scenes::{Scene, measured, ring};

use crate::book::options;
use crate::common::holds;
use crate::parallel;
use crate::score::{GROSS_DEG, NEAR_SIGMAS, SHARES};

const SAMPLES: usize = 250;

/// Writes the chapter.
pub(crate) fn chapter(out: &mut String) -> fmt::Result {
    let trials = (options().trials * 2 / 5).max(2);
    head(out, trials)?;
    for (title, cases) in [
        ("Known channels", known_channels()),
        ("Channels with errors", channel_errors()),
        ("Other conditions", other_conditions()),
        ("A second arrival", reflections()),
    ] {
        writeln!(out, "\n### {title}\n")?;
        writeln!(
            out,
            "| case | seed | RMS error, deg | bound, deg | ratio | bias, sigma | held by 50 % | 68 % | 95 % | gross / unshown / missed, % | MUSIC, deg | beamformer, deg |\n|---|---|---|---|---|---|---|---|---|---|---|---|"
        )?;
        for (name, scene) in cases {
            row(out, &name, &run(&name, &scene, trials))?;
        }
    }
    Ok(())
}

fn head(out: &mut String, trials: usize) -> fmt::Result {
    writeln!(
        out,
        "
## Several receivers on one clock

Covariances of the samples of several receivers on one clock, {trials} trials a row, each towards a new direction. The
estimator is told the manifold and the covariance of 5000 samples of noise, its level to 3 %. Unless a row says so: one burst of
{SAMPLES} independent samples, a Gaussian-like signal, equal noise. S/N: in a channel, mean over the channels. Rings have
isotropic elements, neighbours 0.25 (4 elements) or 0.4 wavelengths apart; the squares of four dipoles with coupling are those of
`testdata/antennas`. The bound is that of Stoica & Nehorai (IEEE Trans. ASSP 38, 1990) for a Gaussian signal, with channel errors of known
size where a row has them; none for a second arrival. Seed: FNV-1a of the row's name, one ChaCha8 stream a trial. Gross, unshown
and missed as above. MUSIC (Schmidt 1986) and the conventional beamformer get the strongest burst."
    )
}

fn arrays() -> Vec<(&'static str, Arc<dyn Steering>)> {
    vec![
        ("ring of 4", ring(4, 0.25)),
        ("ring of 5", ring(5, 0.4)),
        ("ring of 8", ring(8, 0.4)),
        ("square, others open", measured("square4_open")),
        ("square, others at 50 ohm", measured("square4_50ohm")),
    ]
}

fn known_channels() -> Vec<(String, Scene)> {
    let mut cases = Vec::new();
    for (array, manifold) in arrays() {
        for snr_db in [-10.0, 0.0, 20.0, 40.0] {
            cases.push((
                format!("{array}, S/N {snr_db} dB"),
                Scene::new(manifold.clone(), snr_db, SAMPLES),
            ));
        }
    }
    cases
}

fn channel_errors() -> Vec<(String, Scene)> {
    let mut cases = Vec::new();
    for (array, manifold) in arrays() {
        for snr_db in [0.0, 20.0, 40.0] {
            let scene = Scene {
                phase_error_deg: 3.0,
                gain_error_db: 0.3,
                ..Scene::new(manifold.clone(), snr_db, SAMPLES)
            };
            cases.push((format!("{array}, 3 degrees and 0.3 dB, S/N {snr_db} dB"), scene));
        }
    }
    cases
}

fn other_conditions() -> Vec<(String, Scene)> {
    let square = measured("square4_50ohm");
    let plain = |snr_db| Scene::new(square.clone(), snr_db, SAMPLES);
    vec![
        (
            "square, constant envelope, S/N 0 dB".into(),
            Scene {
                gaussian: false,
                ..plain(0.0)
            },
        ),
        (
            "square, constant envelope, S/N 20 dB".into(),
            Scene {
                gaussian: false,
                ..plain(20.0)
            },
        ),
        (
            "square, noise of the channels 0, 6, -3 and 3 dB, S/N 0 dB".into(),
            Scene {
                noise_db: vec![0.0, 6.0, -3.0, 3.0],
                ..plain(0.0)
            },
        ),
        (
            "square, equal noise of unknown level, S/N 0 dB".into(),
            Scene {
                noise_samples: 0,
                ..plain(0.0)
            },
        ),
        (
            "square, three bursts of S/N -5, 5 and 15 dB".into(),
            Scene {
                bursts: vec![(-5.0, 100), (5.0, 50), (15.0, 200)],
                ..plain(0.0)
            },
        ),
        (
            "square, 12 samples, S/N 10 dB".into(),
            Scene::new(square.clone(), 10.0, 12),
        ),
        (
            "square, noise covariance of 200 samples, S/N 0 dB".into(),
            Scene {
                noise_samples: 200,
                ..plain(0.0)
            },
        ),
        (
            "ring of 3, S/N 20 dB".into(),
            Scene::new(ring(3, 0.4), 20.0, SAMPLES),
        ),
        (
            "pair of elements, S/N 20 dB (two sides alike)".into(),
            Scene::new(ring(2, 0.4), 20.0, SAMPLES),
        ),
    ]
}

fn reflections() -> Vec<(String, Scene)> {
    let mut cases = Vec::new();
    let arrays = [
        ("pair of elements", ring(2, 0.4)),
        ("ring of 3", ring(3, 0.4)),
        ("square, others at 50 ohm", measured("square4_50ohm")),
        ("ring of 5", ring(5, 0.4)),
        ("ring of 8", ring(8, 0.4)),
    ];
    for (array, manifold) in arrays {
        for level_db in [-10.0, -6.0, -3.0, 0.0] {
            let scene = Scene {
                reflection_db: Some(level_db),
                phase_error_deg: 1.0,
                gain_error_db: 0.1,
                ..Scene::new(manifold.clone(), 20.0, SAMPLES)
            };
            cases.push((format!("{array}, second arrival {level_db} dB, S/N 20 dB"), scene));
        }
    }
    let late = Scene {
        reflection_db: Some(-3.0),
        reflection_coherent: false,
        ..Scene::new(ring(5, 0.4), 20.0, SAMPLES)
    };
    cases.push((
        "ring of 5, second arrival -3 dB with a long delay, S/N 20 dB".into(),
        late,
    ));
    cases
}

struct Outcome {
    error_deg: f64,
    sigma_deg: f64,
    bound_deg: Option<f64>,
    held: [bool; 3],
    shown: bool,
    music_deg: f64,
    beamformer_deg: f64,
}

fn run(name: &str, scene: &Scene, trials: usize) -> Vec<Outcome> {
    let config = CoherentConfig::new(scene.manifold.clone(), Azimuth::from_degrees(0.0), 0.0);
    let strongest = (0..scene.bursts.len())
        .max_by(|&a, &b| scene.bursts[a].0.total_cmp(&scene.bursts[b].0))
        .unwrap_or(0);
    parallel::map(trials, options().threads, |number| {
        let mut rng = parallel::generator(name, number);
        let truth_deg = 360.0 * rng.random::<f64>();
        let (bursts, noise) = scene.draw(truth_deg, &mut rng);
        let estimate =
            estimate_coherent(&bursts, noise.as_ref(), &config).expect("a burst and an array with direction");
        let off = |found: Option<f64>| found.map_or(180.0, |f| wrap_signed_degrees(f - truth_deg));
        let burst = &bursts[strongest];
        Outcome {
            error_deg: wrap_signed_degrees(estimate.azimuth.degrees() - truth_deg),
            sigma_deg: estimate.sigma_deg,
            bound_deg: scene
                .reflection_db
                .is_none()
                .then(|| scene.bounds_deg(truth_deg).with_errors_deg),
            held: SHARES.map(|share| holds(&estimate.density.highest_density_arcs(share), truth_deg)),
            shown: shown(&estimate, truth_deg),
            music_deg: off(music(burst, &*scene.manifold, 1).map(Azimuth::degrees)),
            beamformer_deg: off(beamformer(burst, &*scene.manifold).map(Azimuth::degrees)),
        }
    })
}

fn shown(estimate: &CoherentEstimate, truth_deg: f64) -> bool {
    estimate.modes.iter().any(|m| {
        let apart = wrap_signed_degrees(m.azimuth.degrees() - truth_deg).abs();
        apart <= GROSS_DEG.max(NEAR_SIGMAS * m.sigma_deg)
    })
}

fn row(out: &mut String, name: &str, outcomes: &[Outcome]) -> fmt::Result {
    let n = outcomes.len() as f64;
    let rms =
        |value: &dyn Fn(&Outcome) -> f64| (outcomes.iter().map(|o| value(o).powi(2)).sum::<f64>() / n).sqrt();
    let percent =
        |test: &dyn Fn(&Outcome) -> bool| 100.0 * outcomes.iter().filter(|o| test(o)).count() as f64 / n;
    let gross = |o: &Outcome| o.error_deg.abs() > GROSS_DEG;
    let scaled: Vec<f64> = outcomes
        .iter()
        .filter(|o| !gross(o))
        .map(|o| o.error_deg / o.sigma_deg)
        .collect();
    let bound = outcomes[0]
        .bound_deg
        .is_some()
        .then(|| rms(&|o| o.bound_deg.unwrap_or(0.0)));
    let error = rms(&|o| o.error_deg);
    let or_dash = |value: Option<String>| value.unwrap_or_else(|| "-".into());
    writeln!(
        out,
        "| {name} | {:016x} | {error:.3} | {} | {} | {:+.2} | {:.1} | {:.1} | {:.1} | {:.1} / {:.1} / {:.1} | {:.3} | {:.3} |",
        parallel::seed(name),
        or_dash(bound.map(|b| format!("{b:.3}"))),
        or_dash(bound.map(|b| format!("{:.2}", error / b))),
        scaled.iter().sum::<f64>() / scaled.len().max(1) as f64,
        percent(&|o| o.held[0]),
        percent(&|o| o.held[1]),
        percent(&|o| o.held[2]),
        percent(&gross),
        percent(&|o| gross(o) && !o.shown),
        percent(&|o| gross(o) && !o.shown && !o.held[2]),
        rms(&|o| o.music_deg),
        rms(&|o| o.beamformer_deg),
    )
}
