//! Immunity against multipath propagation.

use std::f64::consts::TAU;
use std::fmt::{self, Write};

use lobewright_bearing::estimate;

use super::{Figures, Taken};
use crate::book::options;
use crate::common::turn::{Arrival, Phase, Turn};
use crate::common::{config, pattern};
use crate::parallel;

const RATIOS_DB: [f64; 5] = [-20.0, -14.0, -10.0, -6.0, -3.0];
const APART_DEG: [f64; 5] = [20.0, 45.0, 90.0, 135.0, 180.0];
/// Steps of the phase between the waves through a full turn.
const PHASES: usize = 24;
const SNR_DB: f64 = 25.0;
const LEVEL_ERROR_DB: f64 = 0.3;

/// Writes the chapter.
pub(crate) fn chapter(out: &mut String) -> fmt::Result {
    let repeats = (options().trials / 100).max(1);
    writeln!(
        out,
        "
## Procedure: multipath

A procedure of our own, modelled on ITU-R SM.2061 (immunity against multipath propagation); its text was not at hand (ratios and
angles are ours), and no conformity is claimed. A direct wave and one reflected wave, fields adding, power ratio and
angle between them as given, the phase between them stepped through a full turn in {PHASES} steps, {repeats} bearings at each phase, the
direct wave from another azimuth each time. S/N {SNR_DB} dB of the direct wave, constant envelope, level error {LEVEL_ERROR_DB} dB; a turn of
100 degrees/s, 36 readings of 400 samples. Each cell: RMS error / largest error in degrees of the bearing against the direct wave; share
held by the 95 % arcs; share in which the reflected wave was reported.

| reflected wave, dB |{}\n|---|{}",
        APART_DEG.map(|apart| format!(" {apart} deg apart |")).concat(),
        "---|".repeat(APART_DEG.len())
    )?;
    for ratio_db in RATIOS_DB {
        write!(out, "| {ratio_db} |")?;
        for apart_deg in APART_DEG {
            let f = Figures::of(&bearings(ratio_db, apart_deg, repeats));
            write!(
                out,
                " {:.1} / {:.1}; {:.0} %; {:.0} % |",
                f.rms_deg, f.largest_deg, f.held_percent, f.reported_percent
            )?;
        }
        writeln!(out)?;
    }
    writeln!(
        out,
        "\nBinomial standard error of a share of 95 %: {:.1} %.",
        100.0 * (0.95 * 0.05 / (PHASES * repeats) as f64).sqrt()
    )
}

/// All phases at one ratio and angle.
fn bearings(ratio_db: f64, apart_deg: f64, repeats: usize) -> Vec<Option<Taken>> {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let turn = Turn::full(36, 400.0, SNR_DB, LEVEL_ERROR_DB).turning(100.0);
    let name = format!("multipath, {ratio_db} dB, {apart_deg} degrees");
    let count = PHASES * repeats;
    parallel::map(count, options().threads, |number| {
        let truth_deg = 360.0 * (number as f64 + 0.5) / count as f64;
        let arrival = Arrival {
            apart_deg,
            ratio_db,
            phase: Phase::Ahead {
                rad: TAU * (number % PHASES) as f64 / PHASES as f64,
            },
        };
        let turn = Turn {
            arrival: Some(arrival),
            ..turn.clone()
        };
        let drawn = turn.draw(&yagi, truth_deg, &mut parallel::generator(&name, number));
        let estimate = estimate(&drawn.readings, &config).ok()?;
        Some(Taken::new(&estimate, truth_deg))
    })
}
