//! Fading, the rail, impulses, a noise floor that moves.

use std::sync::Arc;

use lobewright_antenna::Pattern;

use crate::case::Case;
use crate::common::fading::Fading;
use crate::common::turn::Turn;

pub(crate) fn fading(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for (k_db, name) in [
        (12.0, "Rician, K 12 dB"),
        (6.0, "Rician, K 6 dB"),
        (f64::NEG_INFINITY, "Rayleigh"),
    ] {
        for doppler_hz in [0.5, 2.0, 10.0] {
            cases.push(Case::turn(
                format!("{name}, {doppler_hz} Hz, S/N 20 dB"),
                yagi,
                Turn {
                    fading: Some(Fading { k_db, doppler_hz }),
                    ..Turn::full(72, 625.0, 20.0, 0.0).turning(100.0)
                },
            ));
        }
    }
    cases
}

pub(crate) fn others(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for (error_db, snr_db) in [(0.0, 30.0), (1.0, 30.0)] {
        cases.push(Case::turn(
            format!("clipped: the strongest third of the readings at the rail, level error {error_db} dB, S/N {snr_db} dB"),
            yagi,
            Turn {
                clipped_share: 1.0 / 3.0,
                ..Turn::full(36, 200.0, snr_db, error_db)
            },
        ));
    }
    for percent in [5.0, 20.0] {
        cases.push(Case::turn(
            format!("impulses: {percent} % of the readings 3 to 20 dB up, level error 0.5 dB, S/N 20 dB"),
            yagi,
            Turn {
                impulse_share: percent / 100.0,
                ..Turn::full(36, 200.0, 20.0, 0.5)
            },
        ));
    }
    for snr_db in [0.0, 10.0] {
        for followed in [true, false] {
            cases.push(noise_step(followed, snr_db, yagi));
        }
    }
    cases
}

/// The noise rises by 3 dB for the second half of a turn that begins anywhere; the detector follows it or does not.
fn noise_step(followed: bool, snr_db: f64, yagi: &Arc<Pattern>) -> Case {
    let mut turn = Turn::full(36, 200.0, snr_db, 0.5);
    for look in &mut turn.looks[18..] {
        look.noise_lin = 2.0;
        look.noise_believed_lin = if followed { 2.0 } else { 1.0 };
    }
    let how = if followed { "followed" } else { "not followed" };
    Case::turn(
        format!(
            "noise 3 dB up for half of the turn, {how} by the detector, level error 0.5 dB, S/N {snr_db} dB before"
        ),
        yagi,
        turn,
    )
}
