//! Other antennas, and patterns that are not quite the antenna's.

use crate::case::Case;
use crate::common::pattern;
use crate::common::turn::Turn;

use super::tracks::sweep_turn;

/// Files in `testdata/antennas`.
const ANTENNAS: [&str; 6] = ["yagi5", "handbook_yagi3", "phased2", "loop8", "loopwhip", "body"];

pub(crate) fn antennas() -> Vec<Case> {
    let mut cases = Vec::new();
    for name in ANTENNAS {
        let antenna = pattern(name);
        for (error_db, snr_db) in [(0.0, 20.0), (1.0, 10.0), (1.0, 30.0)] {
            let case = Case::turn(
                format!("{name}, level error {error_db} dB, S/N {snr_db} dB"),
                &antenna,
                Turn::full(36, 200.0, snr_db, error_db),
            );
            cases.push(if name == "loop8" { case.both_ends() } else { case });
        }
    }
    cases
}

pub(crate) fn mistaken() -> Vec<Case> {
    let yagi = pattern("yagi3");
    let mut cases = Vec::new();
    for snr_db in [10.0, 30.0] {
        cases.push(Case::turn(
            format!("pattern wrong by 1 dB RMS, smoothly, full turn, level error 0.5 dB, S/N {snr_db} dB"),
            &yagi,
            Turn {
                pattern_error_db: 1.0,
                ..Turn::full(36, 200.0, snr_db, 0.5)
            },
        ));
    }
    cases.push(Case::turns(
        "pattern wrong by 1 dB RMS, smoothly, sweep of 120 degrees centred 60 degrees off, level error 1 dB, S/N 20 dB",
        &yagi,
        |truth, _| Turn {
            pattern_error_db: 1.0,
            ..sweep_turn(120, truth + 60.0, 20.0)
        },
    ));
    for mhz in [144, 148] {
        let used = pattern(&format!("yagi3_{mhz}"));
        cases.push(Case::mistaken(
            format!("used at {mhz} MHz, pattern of 146 MHz, full turn, level error 0.5 dB, S/N 20 dB"),
            &yagi,
            used.clone(),
            |_| Turn::full(36, 200.0, 20.0, 0.5),
        ));
        cases.push(Case::mistaken(
            format!("used at {mhz} MHz, pattern of 146 MHz, sweep of 120 degrees centred 60 degrees off, level error 1 dB, S/N 20 dB"),
            &yagi,
            used,
            |truth| sweep_turn(120, truth + 60.0, 20.0),
        ));
    }
    cases
}
