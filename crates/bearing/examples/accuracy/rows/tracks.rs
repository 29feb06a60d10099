//! Parts of a turn, antennas swung by hand, several bursts, clocks that disagree.

use std::f64::consts::TAU;
use std::sync::Arc;

use lobewright_antenna::Pattern;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::case::Case;
use crate::common::config;
use crate::common::normal;
use crate::common::turn::{Look, Turn};

/// Arcs by offset of their centre.
pub(crate) fn sweeps(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for arc_deg in [60, 120, 180, 270] {
        for off_deg in [0.0, 60.0, 120.0, 180.0] {
            cases.push(sweep(arc_deg, off_deg, 20.0, yagi));
        }
    }
    for off_deg in [0.0, 60.0, 120.0, 180.0] {
        cases.push(sweep(120, off_deg, 10.0, yagi));
    }
    cases
}

fn sweep(arc_deg: u32, off_deg: f64, snr_db: f64, yagi: &Arc<Pattern>) -> Case {
    Case::turns(
        format!(
            "sweep of {arc_deg} degrees centred {off_deg} degrees off, level error 1 dB, S/N {snr_db} dB"
        ),
        yagi,
        move |truth, _| sweep_turn(arc_deg, truth + off_deg, snr_db),
    )
}

/// A reading of 200 samples every 10 degrees, level error 1 dB.
pub(crate) fn sweep_turn(arc_deg: u32, centre_deg: f64, snr_db: f64) -> Turn {
    let first = centre_deg - 0.5 * f64::from(arc_deg);
    Turn::at(
        (0..=arc_deg / 10).map(move |k| first + 10.0 * f64::from(k)),
        200.0,
        snr_db,
        1.0,
    )
}

/// Tracks that are no even turn.
pub(crate) fn others(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for (error_db, snr_db) in [(0.5, 10.0), (1.0, 20.0), (1.0, 30.0)] {
        cases.push(Case::turns(
            format!("swung by hand, level error {error_db} dB, S/N {snr_db} dB"),
            yagi,
            move |_, rng| swung(snr_db, error_db, rng),
        ));
    }
    for (spread_db, name) in [(0.0, "the same level"), (6.0, "levels 6 dB apart (1 sigma)")] {
        cases.push(Case::turns(
            format!("3 bursts of 12 readings, {name}, level error 1 dB, S/N 20 dB"),
            yagi,
            move |_, rng| bursts(3, 36, spread_db, rng),
        ));
        cases.push(Case::turns(
            format!("12 bursts of 3 readings, {name}, level error 1 dB, S/N 20 dB"),
            yagi,
            move |_, rng| bursts(12, 36, spread_db, rng),
        ));
    }
    for latency_sigma_s in [0.05, 0.2] {
        for known in [true, false] {
            let mut case = Case::turn(
                format!(
                    "clocks {latency_sigma_s} s apart (1 sigma, {}), 20 degrees/s, level error 1 dB, S/N 20 dB",
                    if known { "stated" } else { "not stated" }
                ),
                yagi,
                Turn {
                    latency_sigma_s,
                    ..Turn::full(72, 200.0, 20.0, 1.0).turning(20.0)
                },
            );
            case.config.latency_sigma_s = if known {
                latency_sigma_s
            } else {
                config(yagi).latency_sigma_s
            };
            cases.push(case);
        }
    }
    cases.push(Case::turn(
        "turning 100 degrees/s through readings of 10 degrees, level error 1 dB, S/N 20 dB",
        yagi,
        Turn::full(36, 200.0, 20.0, 1.0).turning(100.0),
    ));
    cases
}

/// To and fro by hand: one slow swing, two faster wobbles of random phase.
fn swung(snr_db: f64, level_error_db: f64, rng: &mut ChaCha8Rng) -> Turn {
    const STEP_S: f64 = 0.05;
    let centre = 360.0 * rng.random::<f64>();
    let waves: Vec<(f64, f64, f64)> = [(150.0, 0.12), (15.0, 0.5), (5.0, 1.3)]
        .into_iter()
        .map(|(deg, hz)| {
            let (hz, phase) = (hz * (0.8 + 0.4 * rng.random::<f64>()), TAU * rng.random::<f64>());
            (deg, hz, phase)
        })
        .collect();
    let at = |t: f64| {
        centre
            + waves
                .iter()
                .map(|(d, hz, p)| d * (TAU * hz * t + p).sin())
                .sum::<f64>()
    };
    let mut turn = Turn::at(std::iter::repeat_n(0.0, 120), 200.0, snr_db, level_error_db);
    for look in &mut turn.looks {
        let half = 0.5 * STEP_S;
        look.boresight_deg = at(look.middle_s);
        look.turn_deg = at(look.middle_s + half) - at(look.middle_s - half);
    }
    turn
}

/// Bursts that share out a turn among themselves, 10 s apart.
fn bursts(bursts: usize, readings: usize, spread_db: f64, rng: &mut ChaCha8Rng) -> Turn {
    let mut turn = Turn::full(readings, 200.0, 20.0, 1.0);
    let levels: Vec<f64> = (0..bursts).map(|_| spread_db * normal(rng)).collect();
    // Each burst sees its own part of a quick turn: every so many boresights.
    for (k, look) in turn.looks.iter_mut().enumerate() {
        let burst = k % bursts;
        look.burst = burst;
        look.snr_db += levels[burst];
        look.middle_s += 10.0 * burst as f64;
    }
    turn.looks.sort_by(by_time);
    turn
}

fn by_time(a: &Look, b: &Look) -> std::cmp::Ordering {
    a.middle_s.total_cmp(&b.middle_s)
}
