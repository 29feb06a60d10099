//! A ring of elements switched through one receiver, from I/Q.

use std::fmt::{self, Write};
use std::sync::Arc;

use lobewright_antenna::{Manifold, SwitchSchedule};
use lobewright_bearing::{estimate_ring, tone_bearing};
use lobewright_types::{ArcDeg, Azimuth, True, wrap_signed_degrees};

use crate::book::options;
use crate::parallel;
use crate::ring_scenes::{RingScene, Signal, carrier_bound_deg, computed, ideal, uniform, voice_bound_deg};

/// Errors beyond this are gross.
const GROSS_DEG: f64 = 30.0;
/// Speech in FM has its own bound, which is costly: this many azimuths.
const VOICE_AZIMUTHS: usize = 2;

struct Row {
    name: String,
    scene: RingScene,
}

struct Outcome {
    error_deg: f64,
    sigma_deg: f64,
    bound_deg: Option<f64>,
    held: [bool; 3],
    shown: bool,
    tone_error_deg: Option<f64>,
}

/// Writes the chapter.
pub(crate) fn chapter(out: &mut String) -> fmt::Result {
    writeln!(
        out,
        "
## A ring of elements behind one switch

I/Q of one burst at 48 kS/s, 1 ms a port, 0.1 ms of it dropped, white noise in the whole band, azimuth anywhere. S/N in the band of
48 kHz at a response of 1. RMS without gross errors (over {GROSS_DEG} degrees); *unshown*: gross, and neither a second mode nor a sigma of 30 degrees
says so. Bound, carrier: Cramér-Rao with amplitude, phase and frequency unknown, manifold and clock known (Kay 1993); for tones and fading
the carrier's, which a modulated or fading signal cannot reach; speech: the hybrid bound of a phase that is Gaussian with a known flat spectrum of
frequency from 300 to 3000 Hz, which the estimator does not know. Port errors are drawn anew each time, and the receiver knows their size. *Tone*: phase of
the switching tone in a discriminator; the simulated switch is instant, and that method drops no settling time, so it sees steps that
a real switch and its filter would blur.

| case | trials | RMS, deg | bound | ratio | bias, sigma | RMS of error / sigma | held 50 | 68 | 95 % | gross | unshown | tone RMS, deg |
|---|---|---|---|---|---|---|---|---|---|---|---|---|"
    )?;
    let trials = (options().trials / 2).max(10);
    for row in rows() {
        line(out, &row, trials)?;
    }
    Ok(())
}

fn rows() -> Vec<Row> {
    let ring4 = ideal(4, 0.177);
    let ring8 = ideal(8, 0.5);
    let open = computed("square4_open_el");
    let fifty = computed("square4_50ohm_el");
    let sector = computed("sector4_s");
    let mut rows = Vec::new();
    let mut add = |name: &str, scene: RingScene| {
        rows.push(Row {
            name: format!("ring: {name}"),
            scene,
        });
    };
    let plain = |manifold: &Arc<Manifold>, signal, snr_db| RingScene::new(manifold, signal, snr_db, 0.1);
    for snr_db in [20.0, 10.0, 0.0, -10.0, -15.0] {
        add(
            &format!("ideal ring of 4, carrier, {snr_db} dB"),
            plain(&ring4, Signal::Carrier, snr_db),
        );
    }
    for (name, manifold) in [
        ("ideal ring of 8", &ring8),
        ("square4_open", &open),
        ("square4_50ohm", &fifty),
        ("sector4", &sector),
    ] {
        for snr_db in [20.0, 0.0] {
            add(
                &format!("{name}, carrier, {snr_db} dB"),
                plain(manifold, Signal::Carrier, snr_db),
            );
        }
    }
    let voice = Signal::Voice { deviation_hz: 800.0 };
    for snr_db in [20.0, 10.0, 5.0] {
        add(
            &format!("ideal ring of 4, speech in FM, {snr_db} dB"),
            plain(&ring4, voice, snr_db),
        );
    }
    add("square4_50ohm, speech in FM, 10 dB", plain(&fifty, voice, 10.0));
    let tone = Signal::Tone {
        deviation_hz: 2500.0,
        tone_hz: 1000.0,
    };
    add(
        "ideal ring of 4, tone of 1 kHz in FM, 15 dB",
        plain(&ring4, tone, 15.0),
    );
    for (name, manifold) in [
        ("ideal ring of 4", &ring4),
        ("ideal ring of 8", &ring8),
        ("square4_50ohm", &fifty),
    ] {
        let mut scene = plain(manifold, Signal::Carrier, 20.0);
        scene.port_error = 0.052;
        add(
            &format!("{name}, ports off by 3 degrees and 0.45 dB, 20 dB"),
            scene,
        );
    }
    let fading = Signal::Fading {
        doppler_hz: 10.0,
        rician_k: 0.0,
    };
    add(
        "square4_50ohm, Rayleigh fading of 10 Hz, 20 dB",
        plain(&fifty, fading, 20.0),
    );
    add(
        "ideal ring of 4, signal like noise, 20 dB",
        plain(
            &ring4,
            Signal::Noise {
                bandwidth_hz: 10_000.0,
            },
            20.0,
        ),
    );
    for (name, manifold) in [("ideal ring of 4", &ring4), ("square4_50ohm", &fifty)] {
        let mut off = plain(manifold, Signal::Carrier, 10.0);
        off.length_s = 0.5;
        off.true_ratio = 1.000_1;
        off.schedule = off.schedule.with_rate_sigma_ppm(100.0).expect("a valid rate");
        add(&format!("{name}, clock 100 ppm off, 10 dB, 0.5 s"), off);
        let mut open_start = plain(manifold, Signal::Carrier, 10.0);
        open_start.schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 1e-3, 1e-4).expect("a valid cycle");
        open_start.true_start_s = 0.001_23;
        add(&format!("{name}, start unknown, 10 dB"), open_start);
    }
    rows
}

fn line(out: &mut String, row: &Row, trials: usize) -> fmt::Result {
    let outcomes: Vec<Option<Outcome>> = parallel::map(trials, options().threads, |trial| one(row, trial));
    let found: Vec<&Outcome> = outcomes.iter().flatten().collect();
    let near: Vec<&&Outcome> = found.iter().filter(|o| o.error_deg.abs() <= GROSS_DEG).collect();
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let (sum, count) = values.fold((0.0, 0.0), |(s, n), v| (s + v * v, n + 1.0));
        f64::sqrt(sum / f64::max(count, 1.0))
    };
    let error = rms(&mut near.iter().map(|o| o.error_deg));
    let bound = rms(&mut near.iter().filter_map(|o| o.bound_deg));
    let bias = near.iter().map(|o| o.error_deg / o.sigma_deg).sum::<f64>() / near.len().max(1) as f64;
    let normal = rms(&mut near.iter().map(|o| o.error_deg / o.sigma_deg));
    let held =
        |i: usize| 100.0 * found.iter().filter(|o| o.held[i]).count() as f64 / found.len().max(1) as f64;
    let gross: Vec<&&Outcome> = found.iter().filter(|o| o.error_deg.abs() > GROSS_DEG).collect();
    let tone = rms(&mut found.iter().filter_map(|o| o.tone_error_deg));
    let tones = found.iter().any(|o| o.tone_error_deg.is_some());
    writeln!(
        out,
        "| {} | {} | {error:.3} | {bound:.3} | {:.2} | {bias:+.2} | {normal:.2} | {:.0} | {:.0} | {:.1} | {} | {} | {} |",
        row.name.trim_start_matches("ring: "),
        found.len(),
        error / bound,
        held(0),
        held(1),
        held(2),
        gross.len(),
        gross.iter().filter(|o| !o.shown).count(),
        if tones {
            format!("{tone:.1}")
        } else {
            "-".to_owned()
        },
    )
}

fn one(row: &Row, trial: usize) -> Option<Outcome> {
    let scene = &row.scene;
    let mut rng = parallel::generator(&row.name, trial);
    let azimuth_deg = 360.0 * uniform(&mut rng);
    let truth = Azimuth::<True>::from_degrees(azimuth_deg);
    let samples = scene.draw(azimuth_deg, &mut rng);
    let burst = scene.burst(&samples);
    let config = scene.config();
    let found = estimate_ring(std::slice::from_ref(&burst), &config)
        .ok()?
        .estimate;
    let holds = |arcs: &[ArcDeg]| arcs.iter().any(|a| a.contains(truth));
    let bound_deg = match scene.signal {
        Signal::Voice { .. } => (trial < VOICE_AZIMUTHS).then(|| voice_bound_deg(scene, azimuth_deg, 6)),
        _ => Some(carrier_bound_deg(scene, azimuth_deg)),
    };
    Some(Outcome {
        error_deg: wrap_signed_degrees(found.azimuth.degrees() - azimuth_deg),
        sigma_deg: found.sigma_deg,
        bound_deg,
        held: [
            holds(&found.arcs50),
            holds(&found.density.highest_density_arcs(0.68)),
            holds(&found.arcs95),
        ],
        shown: found.modes.len() > 1 || found.sigma_deg > GROSS_DEG,
        tone_error_deg: tone_bearing(&burst, &config).map(|a| wrap_signed_degrees(a.degrees() - azimuth_deg)),
    })
}
