//! CSV files (RFC 4180, but with line feeds alone): a heading with units in the names, then one row a record.

use lobewright_types::{
    ArcDeg, Bearing, BearingOutcome, Burst, FixOutcome, LevelReading, Mode, Pointing, StationOffset,
};
use serde::Serialize;

/// Builds one file; every row has the cells that the heading asks for.
struct Table {
    writer: csv::Writer<Vec<u8>>,
}

impl Table {
    fn new(heading: &[&str]) -> Self {
        let mut table = Self {
            writer: csv::WriterBuilder::new().from_writer(Vec::new()),
        };
        table.row(heading.iter().copied());
        table
    }

    fn row<T: AsRef<[u8]>>(&mut self, cells: impl IntoIterator<Item = T>) {
        self.writer
            .write_record(cells)
            .expect("writing into memory does not fail, and all rows have the length of the heading");
    }

    fn finish(self) -> String {
        let bytes = self
            .writer
            .into_inner()
            .expect("flushing into memory does not fail");
        String::from_utf8(bytes).expect("all cells were text")
    }
}

/// A number in its shortest exact form; nothing where it is not finite.
fn number(value: f64) -> String {
    if value.is_finite() {
        value.to_string()
    } else {
        String::new()
    }
}

fn maybe(value: Option<f64>) -> String {
    value.map_or_else(String::new, number)
}

/// The name that a value without fields has in JSON.
fn name<T: Serialize>(value: &T) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|v| v.as_str().map(str::to_owned))
        .unwrap_or_default()
}

fn names<T: Serialize>(values: &[T]) -> String {
    values.iter().map(name).collect::<Vec<_>>().join(" ")
}

/// `from..to` in degrees from true north, clockwise, separated by blanks.
fn arcs(arcs: &[ArcDeg]) -> String {
    let words: Vec<String> = arcs
        .iter()
        .map(|arc| {
            let to = arc.from.turned(arc.width_deg);
            format!("{}..{}", number(arc.from.degrees()), number(to.degrees()))
        })
        .collect();
    words.join(" ")
}

/// `azimuth@probability` in degrees from true north, separated by blanks.
fn modes(modes: &[Mode]) -> String {
    let words: Vec<String> = modes
        .iter()
        .map(|mode| format!("{}@{}", number(mode.azimuth.degrees()), number(mode.probability)))
        .collect();
    words.join(" ")
}

/// The heading of [`bearings_csv`].
const BEARING_HEADING: [&str; 28] = [
    "outcome",
    "id",
    "station",
    "transmitter",
    "compass",
    "time_utc",
    "lat_deg",
    "lon_deg",
    "position_sigma_m",
    "kind",
    "azimuth_true_deg",
    "sigma_deg",
    "heading_sigma_deg",
    "class",
    "modes_true_deg",
    "arcs50_true_deg",
    "arcs95_true_deg",
    "level_dbfs",
    "snr_db",
    "frequency_hz",
    "readings",
    "bursts",
    "level_error_sigma_db",
    "reduced_chi_square",
    "effective_readings",
    "flags",
    "reason",
    "density",
];

/// Writes bearings as a table; where there is none, `reason` says why and the other cells are empty.
///
/// The last column is the whole density as compact text ([`lobewright_types::CircleDensity::to_compact`]).
pub fn bearings_csv(bearings: &[BearingOutcome]) -> String {
    let mut table = Table::new(&BEARING_HEADING);
    for outcome in bearings {
        match outcome {
            BearingOutcome::Bearing(bearing) => table.row(bearing_cells(bearing)),
            BearingOutcome::NoBearing(none) => {
                let mut cells = vec![String::new(); BEARING_HEADING.len()];
                "no_bearing".clone_into(&mut cells[0]);
                cells[1].clone_from(&none.id);
                cells[2].clone_from(&none.station);
                cells[BEARING_HEADING.len() - 2] = name(&none.reason);
                table.row(cells);
            }
        }
    }
    table.finish()
}

fn bearing_cells(b: &Bearing) -> Vec<String> {
    vec![
        "bearing".to_owned(),
        b.id.clone(),
        b.station.clone(),
        b.transmitter.clone().unwrap_or_default(),
        b.compass.clone().unwrap_or_default(),
        b.time_utc.map_or_else(String::new, |t| t.to_string()),
        number(b.position.lat_deg),
        number(b.position.lon_deg),
        number(b.position_sigma_m),
        name(&b.kind),
        number(b.azimuth.degrees()),
        number(b.sigma_deg),
        number(b.heading_sigma_deg),
        b.class.to_string(),
        modes(&b.modes),
        arcs(&b.arcs50),
        arcs(&b.arcs95),
        maybe(b.level.map(|level| level.0)),
        maybe(b.snr_db),
        maybe(b.frequency_hz),
        b.readings.to_string(),
        b.bursts.to_string(),
        maybe(b.fitted.map(|f| f.level_error_sigma_db)),
        maybe(b.fitted.map(|f| f.reduced_chi_square)),
        maybe(b.fitted.map(|f| f.effective_readings)),
        names(&b.flags),
        String::new(),
        b.density.to_compact(),
    ]
}

/// Writes bursts as a table.
pub fn bursts_csv(bursts: &[Burst]) -> String {
    let mut table = Table::new(&[
        "channel",
        "start",
        "stop",
        "start_s",
        "stop_s",
        "start_utc",
        "edge_sigma_s",
        "level_dbfs",
        "noise_dbfs",
        "snr_db",
        "carrier_offset_hz",
        "carrier_offset_sigma_hz",
        "bandwidth_hz",
        "clip_fraction",
        "flags",
    ]);
    for b in bursts {
        table.row([
            b.channel.to_string(),
            b.start.0.to_string(),
            b.stop.0.to_string(),
            number(b.start_s),
            number(b.stop_s),
            b.start_utc.map_or_else(String::new, |t| t.to_string()),
            number(b.edge_sigma_s),
            number(b.level.0),
            number(b.noise.0),
            number(b.snr_db),
            number(b.carrier_offset_hz),
            maybe(b.carrier_offset_sigma_hz),
            number(b.bandwidth_hz),
            number(b.clip_fraction),
            names(&b.flags),
        ]);
    }
    table.finish()
}

/// Writes level readings as a table; of `azimuth_mount_deg`, `turn_deg` and `port` those that do not apply are empty.
pub fn readings_csv(readings: &[LevelReading]) -> String {
    let mut table = Table::new(&[
        "burst",
        "start",
        "middle_s",
        "length_s",
        "azimuth_mount_deg",
        "turn_deg",
        "port",
        "power_lin",
        "independent_samples",
        "noise_power_lin",
        "noise_rel_sigma",
        "power_rel_var",
        "gain_db",
        "attenuation_db",
        "clip_fraction",
    ]);
    for r in readings {
        let (azimuth, turn, port) = match r.pointing {
            Pointing::Boresight { azimuth, turn_deg } => {
                (number(azimuth.degrees()), number(turn_deg), String::new())
            }
            Pointing::Port(port) => (String::new(), String::new(), port.to_string()),
        };
        table.row([
            r.burst.to_string(),
            r.start.0.to_string(),
            number(r.middle_s),
            number(r.length_s),
            azimuth,
            turn,
            port,
            number(r.power_lin),
            number(r.independent_samples),
            number(r.noise_power_lin),
            number(r.noise_rel_sigma),
            maybe(r.power_rel_var),
            maybe(r.gain_db),
            number(r.attenuation_db),
            number(r.clip_fraction),
        ]);
    }
    table.finish()
}

/// `station=offset~sigma@fault probability` for each, parts separated by `; `: a station's name may hold blanks.
fn offsets(all: &[StationOffset]) -> String {
    let one = |o: &StationOffset| {
        format!(
            "{}={}~{}@{}",
            o.station,
            number(o.offset_deg),
            number(o.sigma_deg),
            number(o.fault_probability)
        )
    };
    all.iter().map(one).collect::<Vec<_>>().join("; ")
}

/// Writes a position as a table of one row; without one the numbers are empty and `statements` says why.
pub fn fix_csv(fix: &FixOutcome) -> String {
    let mut table = Table::new(&[
        "outcome",
        "lat_deg",
        "lon_deg",
        "area50_km2",
        "area95_km2",
        "ellipse_probability",
        "ellipse_centre_lat_deg",
        "ellipse_centre_lon_deg",
        "semi_major_m",
        "semi_minor_m",
        "major_azimuth_true_deg",
        "modes",
        "bearings",
        "reflected_ids",
        "station_offsets_deg",
        "statements",
    ]);
    let (fix, statements) = match fix {
        FixOutcome::Fix(fix) => (Some(fix), &fix.statements),
        FixOutcome::NoFix { statements } => (None, statements),
    };
    let ellipse = fix.and_then(|f| f.ellipse95);
    let reflected: Vec<&str> = fix
        .iter()
        .flat_map(|f| f.verdicts.iter())
        .filter(|v| v.reflected_probability >= 0.5)
        .map(|v| v.id.as_str())
        .collect();
    let statements: Vec<String> = statements.iter().map(ToString::to_string).collect();
    let count = |n: Option<usize>| n.map_or_else(String::new, |n| n.to_string());
    table.row([
        if fix.is_some() { "fix" } else { "no_fix" }.to_owned(),
        maybe(fix.map(|f| f.position.lat_deg)),
        maybe(fix.map(|f| f.position.lon_deg)),
        maybe(fix.map(|f| f.region50.area_km2)),
        maybe(fix.map(|f| f.region95.area_km2)),
        maybe(ellipse.map(|e| e.probability)),
        maybe(ellipse.map(|e| e.centre.lat_deg)),
        maybe(ellipse.map(|e| e.centre.lon_deg)),
        maybe(ellipse.map(|e| e.semi_major_m)),
        maybe(ellipse.map(|e| e.semi_minor_m)),
        maybe(ellipse.map(|e| e.major_azimuth.degrees())),
        count(fix.map(|f| f.modes.len())),
        count(fix.map(|f| f.verdicts.len())),
        reflected.join(" "),
        fix.map_or_else(String::new, |f| offsets(&f.station_offsets)),
        statements.join("; "),
    ]);
    table.finish()
}
