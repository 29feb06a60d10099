//! Full turns without surprises.

use std::sync::Arc;

use lobewright_antenna::Pattern;

use crate::case::Case;
use crate::common::statistics::Signal;
use crate::common::turn::Turn;

const SIGNALS: [(Signal, &str); 3] = [
    (Signal::ConstantEnvelope, "constant envelope"),
    (Signal::Gaussian, "Gaussian-like"),
    (Signal::Keyed { symbols: 40 }, "keyed"),
];

/// S/N by level error by kind of signal; the kinds that differ little are left out in part.
pub(crate) fn signals(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for (signal, kind) in SIGNALS {
        for error_db in [0.0, 1.0, 2.0] {
            for snr_db in [-10.0, 0.0, 10.0, 20.0, 30.0, 40.0] {
                let middle = (0.0..=30.0).contains(&snr_db);
                let keep = match signal {
                    Signal::ConstantEnvelope => true,
                    Signal::Gaussian => error_db < 1.5 || middle,
                    Signal::Keyed { .. } => error_db < 1.5 && middle,
                };
                if keep {
                    cases.push(case(signal, kind, error_db, snr_db, yagi));
                }
            }
        }
    }
    cases
}

fn case(signal: Signal, kind: &str, error_db: f64, snr_db: f64, yagi: &Arc<Pattern>) -> Case {
    let turn = Turn {
        signal,
        ..Turn::full(36, 200.0, snr_db, error_db)
    };
    Case::turn(
        format!("{kind}, level error {error_db} dB, S/N {snr_db} dB"),
        yagi,
        turn,
    )
}

/// The same samples in few readings or in many.
pub(crate) fn readings(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for (error_db, snr_db) in [(0.0, 10.0), (1.0, 20.0)] {
        for readings in [8_u32, 18, 36, 72, 240] {
            cases.push(Case::turn(
                format!("{readings} readings a turn, level error {error_db} dB, S/N {snr_db} dB"),
                yagi,
                Turn::full(readings as usize, 7200.0 / f64::from(readings), snr_db, error_db),
            ));
        }
    }
    cases
}

/// Signals hardly there.
pub(crate) fn weak(yagi: &Arc<Pattern>) -> Vec<Case> {
    [
        (36, 200.0, -15.0),
        (36, 1000.0, -15.0),
        (8, 200.0, -10.0),
        (72, 50.0, -10.0),
        (72, 50.0, -15.0),
    ]
    .into_iter()
    .map(|(readings, samples, snr_db)| {
        Case::turn(
            format!("weak: {readings} readings of {samples} samples, level error 1 dB, S/N {snr_db} dB"),
            yagi,
            Turn::full(readings, samples, snr_db, 1.0),
        )
    })
    .collect()
}
