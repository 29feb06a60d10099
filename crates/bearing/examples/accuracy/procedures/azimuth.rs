//! Accuracy over azimuth.

use std::fmt::{self, Write};

use lobewright_bearing::estimate;

use super::{Figures, Taken};
use crate::book::options;
use crate::common::turn::Turn;
use crate::common::{config, pattern};
use crate::parallel;

const SNRS_DB: [f64; 5] = [0.0, 5.0, 10.0, 20.0, 30.0];
const AZIMUTHS: usize = 36;
const LEVEL_ERROR_DB: f64 = 0.5;
/// Azimuths in a line of the condensed table.
const IN_A_LINE: usize = 3;

/// Writes the chapter.
pub(crate) fn chapter(out: &mut String) -> fmt::Result {
    let repeats = (options().trials / 20).max(2);
    writeln!(
        out,
        "
## Procedure: accuracy over azimuth

A procedure of our own, modelled on ITU-R SM.2060, *Test procedure for measuring direction finder accuracy*; its text was not
at hand (number of azimuths, levels and any rule for discarding are ours), and no conformity is claimed. The figure is the
system accuracy as Report ITU-R SM.2125 is quoted to define it: the RMS of the difference between true azimuth and displayed bearing.
No bearing is discarded.

A transmitter every 10 degrees around the antenna ({AZIMUTHS} azimuths), {} levels, {repeats} bearings at each. Conditions, as
ITU-R SM.2097 is quoted to ask for them: no reflections, obstacles or interference; level by the S/N; constant envelope; vertical
polarisation (that of the pattern); one transmission of 3.6 s, a turn of 100 degrees/s that begins at north; integration over 0.1 s
(36 readings of 200 samples); gain steady to {LEVEL_ERROR_DB} dB from reading to reading.

| S/N, dB | bearings | RMS error, deg | mean, deg | 95 % of the errors within, deg | largest, deg | held by 95 % | no bearing |
|---|---|---|---|---|---|---|---|",
        SNRS_DB.len()
    )?;
    let mut columns: Vec<Vec<Option<Taken>>> = Vec::new();
    for snr_db in SNRS_DB {
        let taken = bearings(snr_db, repeats);
        let f = Figures::of(&taken);
        writeln!(
            out,
            "| {snr_db} | {} | {:.2} | {:+.3} | {:.2} | {:.2} | {:.1} % | {} |",
            f.bearings, f.rms_deg, f.mean_deg, f.within_deg, f.largest_deg, f.held_percent, f.none
        )?;
        columns.push(taken);
    }
    condensed(out, &columns, repeats)
}

/// All azimuths at one level, azimuth after azimuth.
fn bearings(snr_db: f64, repeats: usize) -> Vec<Option<Taken>> {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let turn = Turn::full(36, 200.0, snr_db, LEVEL_ERROR_DB).turning(100.0);
    let name = format!("accuracy over azimuth, {snr_db} dB");
    parallel::map(AZIMUTHS * repeats, options().threads, |number| {
        let truth_deg = 10.0 * (number / repeats) as f64;
        let mut rng = parallel::generator(&name, number);
        let drawn = turn.draw(&yagi, truth_deg, &mut rng);
        let estimate = estimate(&drawn.readings, &config).ok()?;
        Some(Taken::new(&estimate, truth_deg))
    })
}

fn condensed(out: &mut String, columns: &[Vec<Option<Taken>>], repeats: usize) -> fmt::Result {
    let heads = SNRS_DB.map(|snr| format!(" {snr} dB |")).concat();
    writeln!(
        out,
        "\nRMS error (mean error) in degrees, {IN_A_LINE} azimuths a line; chance moves an RMS by {:.0} % and a mean by {:.2} of it (1 sigma).\n
| azimuths, deg |{heads}\n|---|{}",
        100.0 / (2.0 * (IN_A_LINE * repeats) as f64).sqrt(),
        ((IN_A_LINE * repeats) as f64).powf(-0.5),
        "---|".repeat(SNRS_DB.len())
    )?;
    for line in 0..AZIMUTHS / IN_A_LINE {
        let first = line * IN_A_LINE;
        write!(out, "| {} to {} |", 10 * first, 10 * (first + IN_A_LINE - 1))?;
        for column in columns {
            let f = Figures::of(&column[first * repeats..(first + IN_A_LINE) * repeats]);
            write!(out, " {:.2} ({:+.2}) |", f.rms_deg, f.mean_deg)?;
        }
        writeln!(out)?;
    }
    Ok(())
}
