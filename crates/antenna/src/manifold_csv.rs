//! Manifolds from and to CSV tables.

use std::fmt::Write;
use std::io::Read;

use lobewright_types::wrap_degrees;

use crate::manifold::{MOST_PORTS, Manifold, Row};
use crate::pattern::{Pattern, PatternError};
use crate::table::{Table, finite};

/// Gains outside this are a mistake of unit or sign, not an antenna.
const GAIN_LIMITS_DBI: (f64, f64) = (-200.0, 60.0);
/// Rows of one direction may differ by this before they contradict each other.
const SAME_GAIN_DB: f64 = 0.02;
/// The same for the phase, on the circle.
const SAME_PHASE_DEG: f64 = 0.5;
const COLUMNS: &str = "azimuth_deg,port,gain_dbi,phase_deg";

/// Why a manifold cannot be used. Ports count from 1.
#[derive(Debug, thiserror::Error)]
pub enum ManifoldError {
    /// The file of one port cannot be used.
    #[error("port {port} cannot be used")]
    Pattern {
        /// Which port.
        port: usize,
        /// What is wrong with its file.
        source: PatternError,
    },
    /// A pattern without phases.
    #[error(
        "port {port}: pattern `{name}` has no phase and should have a column `phase_deg`, one phase reference for all ports"
    )]
    NoPhase {
        /// Which port.
        port: usize,
        /// Name of the pattern.
        name: String,
    },
    /// One port has no direction, and a switch has its limits.
    #[error("an array has {ports} ports and should have 2 to 64")]
    Ports {
        /// Number of ports.
        ports: usize,
    },
    /// Rows too far apart.
    #[error(
        "port {port} has no row over {gap_deg:.1} degrees and should have one every 30 degrees or closer"
    )]
    Gap {
        /// Which port.
        port: usize,
        /// Width of the gap.
        gap_deg: f64,
    },
    /// A number of an ideal array is out of range.
    #[error("`{field}` is {value} and should be {right}")]
    Number {
        /// Which number.
        field: &'static str,
        /// As given.
        value: f64,
        /// What would be right.
        right: &'static str,
    },
    /// The file is not a CSV table.
    #[error("manifold `{name}` is not a readable CSV table")]
    Csv {
        /// Name of the file.
        name: String,
        /// What the reader says, with the line.
        source: csv::Error,
    },
    /// A column that must be there is not.
    #[error(
        "manifold `{name}` lacks the column `{column}`; the first line is `{found}` and should be azimuth_deg,port,gain_dbi,phase_deg"
    )]
    MissingColumn {
        /// Name of the file.
        name: String,
        /// Which column.
        column: &'static str,
        /// The header line as found.
        found: String,
    },
    /// A field is no number in its range.
    #[error("manifold `{name}`, line {line}: `{column}` is `{text}` and should be {right}")]
    Field {
        /// Name of the file.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// Which column.
        column: &'static str,
        /// The field as found.
        text: String,
        /// What would be right.
        right: &'static str,
    },
    /// The same port and azimuth twice with different values.
    #[error(
        "manifold `{name}`, line {line}: azimuth {azimuth_deg} degrees of port {port} was given before with other values"
    )]
    Duplicate {
        /// Name of the file.
        name: String,
        /// Line of the later one.
        line: u64,
        /// Which port.
        port: usize,
        /// The azimuth, in `[0, 360)`.
        azimuth_deg: f64,
    },
}

impl Manifold {
    /// Reads one file `azimuth_deg,gain_dbi,phase_deg` for each port, as [`Pattern::from_csv`] does; all in the
    /// mounting's frame and with one phase reference.
    ///
    /// # Errors
    /// [`ManifoldError`] with port, file, line and field.
    pub fn from_element_csv<R: Read>(
        files: impl IntoIterator<Item = (R, String)>,
    ) -> Result<Self, ManifoldError> {
        let patterns = files
            .into_iter()
            .enumerate()
            .map(|(port, (reader, name))| {
                Pattern::from_csv(reader, &name).map_err(|source| ManifoldError::Pattern {
                    port: port + 1,
                    source,
                })
            })
            .collect::<Result<Vec<_>, _>>()?;
        Self::from_patterns(&patterns)
    }

    /// Reads one table `azimuth_deg,port,gain_dbi,phase_deg` of all ports, in any order of rows.
    ///
    /// Ports count from 1; every port up to the highest must be there. Lines that start with `#` are comments; other
    /// columns are left alone. A row at 360 may repeat the one at 0.
    ///
    /// # Errors
    /// [`ManifoldError`] with the line and field that is wrong.
    pub fn from_csv(reader: impl Read, name: &str) -> Result<Self, ManifoldError> {
        let table = Table::read(reader).map_err(|source| ManifoldError::Csv {
            name: name.to_owned(),
            source,
        })?;
        let mut places = [0; 4];
        for (place, column) in places.iter_mut().zip(COLUMNS.split(',')) {
            *place = table.column(column).ok_or_else(|| ManifoldError::MissingColumn {
                name: name.to_owned(),
                column,
                found: table.found(),
            })?;
        }
        let mut ports: Vec<Vec<(u64, Row)>> = Vec::new();
        for (line, fields) in &table.rows {
            let (port, row) = read_row(name, *line, fields, places)?;
            if ports.len() < port {
                ports.resize(port, Vec::new());
            }
            ports[port - 1].push((*line, row));
        }
        let mut rows = Vec::with_capacity(ports.len());
        for (port, of_port) in ports.into_iter().enumerate() {
            rows.push(without_repeats(name, port + 1, of_port)?);
        }
        Self::from_rows(rows)
    }

    /// Writes the table that [`Manifold::from_csv`] reads: the rows it was made from (each degree for an ideal
    /// ring), port by port.
    pub fn to_csv(&self) -> String {
        let mut text = format!("{COLUMNS}\n");
        for (port, row) in self.turned_rows() {
            writeln!(
                text,
                "{},{},{},{}",
                row.azimuth_deg,
                port + 1,
                row.gain_dbi,
                row.phase_deg
            )
            .expect("a string takes all");
        }
        text
    }
}

fn read_row(
    name: &str,
    line: u64,
    fields: &[String],
    [azimuth_at, port_at, gain_at, phase_at]: [usize; 4],
) -> Result<(usize, Row), ManifoldError> {
    let wrong = |at: usize, column: &'static str, right: &'static str| ManifoldError::Field {
        name: name.to_owned(),
        line,
        column,
        text: fields[at].clone(),
        right,
    };
    let number = |at: usize, column, (low, high): (f64, f64), right| {
        finite(&fields[at])
            .filter(|v| (low..=high).contains(v))
            .ok_or_else(|| wrong(at, column, right))
    };
    let port = fields[port_at]
        .parse::<usize>()
        .ok()
        .filter(|p| (1..=MOST_PORTS).contains(p))
        .ok_or_else(|| wrong(port_at, "port", "a whole number from 1 to 64"))?;
    let row = Row {
        azimuth_deg: wrap_degrees(number(
            azimuth_at,
            "azimuth_deg",
            (-360.0, 360.0),
            "a number from -360 to 360",
        )?),
        gain_dbi: number(gain_at, "gain_dbi", GAIN_LIMITS_DBI, "a number from -200 to 60")?,
        // An ideal ring of ten wavelengths' radius turns its phase by ten turns each way.
        phase_deg: number(
            phase_at,
            "phase_deg",
            (-7200.0, 7200.0),
            "a number from -7200 to 7200",
        )?,
    };
    Ok((port, row))
}

fn without_repeats(name: &str, port: usize, mut rows: Vec<(u64, Row)>) -> Result<Vec<Row>, ManifoldError> {
    rows.sort_by(|a, b| a.1.azimuth_deg.total_cmp(&b.1.azimuth_deg).then(a.0.cmp(&b.0)));
    let mut kept: Vec<Row> = Vec::with_capacity(rows.len());
    for (line, row) in rows {
        match kept.last() {
            Some(last) if (last.azimuth_deg - row.azimuth_deg).abs() < 1e-6 => {
                let turn_deg = lobewright_types::wrap_signed_degrees(last.phase_deg - row.phase_deg);
                let same =
                    (last.gain_dbi - row.gain_dbi).abs() <= SAME_GAIN_DB && turn_deg.abs() <= SAME_PHASE_DEG;
                if !same {
                    return Err(ManifoldError::Duplicate {
                        name: name.to_owned(),
                        line,
                        port,
                        azimuth_deg: row.azimuth_deg,
                    });
                }
            }
            _ => kept.push(row),
        }
    }
    Ok(kept)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, message: &str) {
        let error = Manifold::from_csv(text.as_bytes(), "m").unwrap_err();
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn errors_name_line_and_field() {
        check(
            "azimuth_deg,port,gain_dbi\n0,1,2\n",
            "manifold `m` lacks the column `phase_deg`; the first line is `azimuth_deg,port,gain_dbi` and should be azimuth_deg,port,gain_dbi,phase_deg",
        );
        check(
            "azimuth_deg,port,gain_dbi,phase_deg\n0,1,2,3\n0,0,2,3\n",
            "manifold `m`, line 3: `port` is `0` and should be a whole number from 1 to 64",
        );
        check(
            "azimuth_deg,port,gain_dbi,phase_deg\n0,1,2,nan\n",
            "manifold `m`, line 2: `phase_deg` is `nan` and should be a number from -7200 to 7200",
        );
        check(
            "azimuth_deg,port,gain_dbi,phase_deg\n0,1,2,3\n90,1,2,3\n0,1,2,4\n",
            "manifold `m`, line 4: azimuth 0 degrees of port 1 was given before with other values",
        );
        check(
            "azimuth_deg,port,gain_dbi,phase_deg\n0,1,2,3\n90,1,2,3\n0,2,2,4\n",
            "port 1 has no row over 270.0 degrees and should have one every 30 degrees or closer",
        );
        check(
            "azimuth_deg,port,gain_dbi,phase_deg\n0,1,2,3\n",
            "an array has 1 ports and should have 2 to 64",
        );
    }

    #[test]
    fn a_pattern_without_phase_is_refused() {
        let files = ["azimuth_deg,gain_dbi\n0,1\n120,2\n240,3\n"; 2];
        let error = Manifold::from_element_csv(files.map(|f| (f.as_bytes(), "el".to_owned()))).unwrap_err();
        assert_eq!(
            error.to_string(),
            "port 1: pattern `el` has no phase and should have a column `phase_deg`, one phase reference for all ports"
        );
    }
}
