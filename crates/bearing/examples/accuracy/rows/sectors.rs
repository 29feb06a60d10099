//! Fixed sector antennas behind a switch.

use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_bearing::PortAntenna;
use lobewright_types::Azimuth;
use rand::RngExt;

use crate::case::{Case, Trial};
use crate::common::fading::Fading;
use crate::common::ports::Switched;
use crate::common::statistics::Signal;
use crate::common::{config, pattern};

/// Fixed gain error of the ports in all rows that name no other, and what the estimator is told of it.
const PORT_ERROR_DB: f64 = 0.3;

/// A reading of each port so many times.
pub(crate) fn switched() -> Vec<Case> {
    let mut cases = Vec::new();
    for (cycles, error_db, snr_db) in [
        (1, 0.0, 10.0),
        (1, 1.0, 20.0),
        (5, 1.0, 0.0),
        (5, 1.0, 20.0),
        (20, 0.0, -10.0),
        (20, 0.0, 0.0),
        (20, 0.0, 20.0),
        (20, 1.0, 0.0),
        (20, 1.0, 10.0),
        (20, 1.0, 20.0),
        (20, 1.0, 40.0),
    ] {
        let what = format!("4 x {cycles} readings, level error {error_db} dB, S/N {snr_db} dB");
        cases.push(case(&what, PORT_ERROR_DB, sectors(cycles, snr_db, error_db)));
    }
    cases.push(case(
        "4 x 20 readings, Gaussian-like, level error 0.5 dB, S/N 20 dB",
        PORT_ERROR_DB,
        Switched {
            signal: Signal::Gaussian,
            ..sectors(20, 20.0, 0.5)
        },
    ));
    cases.extend(uneven());
    cases.extend(unsteady());
    cases
}

/// Ports better or worse than most, and believed to be so or not.
fn uneven() -> Vec<Case> {
    [(0.0, 0.0), (0.0, PORT_ERROR_DB), (1.0, 1.0), (1.0, PORT_ERROR_DB)]
        .into_iter()
        .map(|(is_db, told_db)| {
            case(
                &format!("4 x 20 readings, port error {is_db} dB and {told_db} dB told, level error 0.5 dB, S/N 20 dB"),
                told_db,
                Switched {
                    port_error_db: is_db,
                    ..sectors(20, 20.0, 0.5)
                },
            )
        })
        .collect()
}

/// Levels that change from cycle to cycle or within.
fn unsteady() -> Vec<Case> {
    let mut cases = vec![case(
        "4 x 20 readings, 3 dB from cycle to cycle, level error 0.5 dB, S/N 20 dB",
        PORT_ERROR_DB,
        Switched {
            cycle_error_db: 3.0,
            ..sectors(20, 20.0, 0.5)
        },
    )];
    for (k_db, name) in [(6.0, "Rician, K 6 dB"), (f64::NEG_INFINITY, "Rayleigh")] {
        for doppler_hz in [0.5, 5.0] {
            cases.push(case(
                &format!("4 x 20 readings in 1.6 s, {name}, {doppler_hz} Hz, level error 0 dB, S/N 20 dB"),
                PORT_ERROR_DB,
                Switched {
                    fading: Some(Fading { k_db, doppler_hz }),
                    ..sectors(20, 20.0, 0.0)
                },
            ));
        }
    }
    cases
}

fn sectors(cycles: usize, snr_db: f64, level_error_db: f64) -> Switched {
    Switched {
        port_error_db: PORT_ERROR_DB,
        ..Switched::new(&crate::common::sectors(), cycles, 200.0, snr_db, level_error_db)
    }
}

fn case(what: &str, told_port_error_db: f64, switched: Switched) -> Case {
    let mut told = config(&pattern("yagi3"));
    told.ports = switched.ports.iter().map(port).collect();
    told.port_gain_sigma_db = told_port_error_db;
    let ports_deg = switched.ports.iter().map(|p| p.peak_offset_deg()).collect();
    let mut case = Case::new(format!("sectors: {what}"), told, move |rng| {
        let truth_deg = 360.0 * rng.random::<f64>();
        Trial {
            truth_deg,
            readings: switched.draw(truth_deg, rng),
            bound_deg: switched.bound_deg(truth_deg),
        }
    });
    case.ports_deg = ports_deg;
    case
}

/// The patterns of the test data are counted from the mast's zero.
fn port(pattern: &Arc<Pattern>) -> PortAntenna {
    PortAntenna {
        pattern: pattern.clone(),
        boresight: Azimuth::from_degrees(0.0),
    }
}
