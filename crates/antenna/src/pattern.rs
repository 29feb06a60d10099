//! Gain over azimuth relative to boresight.

use std::io::Read;

use lobewright_types::{wrap_degrees, wrap_signed_degrees};

use crate::builtin::{BUILTIN_NAMES, ClosedForm, DEEPEST_NULL_DB};
use crate::spline::PeriodicSpline;
use crate::table::{Table, finite};

/// Gains outside this are a mistake of unit or sign, not an antenna.
const GAIN_LIMITS_DBI: (f64, f64) = (-200.0, 60.0);
/// A pattern flatter than this has no direction.
const FLAT_DB: f64 = 0.05;
/// Rows at 0 and 360 degrees may differ by this before they contradict each other.
const SAME_GAIN_DB: f64 = 0.02;

/// Why a pattern cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PatternError {
    /// The file is not a CSV table.
    #[error("pattern `{name}` is not a readable CSV table")]
    Csv {
        /// Name of the pattern.
        name: String,
        /// What the reader says, with the line.
        source: csv::Error,
    },
    /// A column that must be there is not.
    #[error(
        "pattern `{name}` lacks the column `{column}`; the first line is `{found}` and should be azimuth_deg,gain_dbi or azimuth_deg,gain_dbi,phase_deg"
    )]
    MissingColumn {
        /// Name of the pattern.
        name: String,
        /// Which column.
        column: &'static str,
        /// The header line as found.
        found: String,
    },
    /// A field is no number in its range.
    #[error(
        "pattern `{name}`, line {line}: `{column}` is `{text}` and should be a number from {low} to {high}"
    )]
    Field {
        /// Name of the pattern.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// Which column.
        column: &'static str,
        /// The field as found.
        text: String,
        /// Lowest value allowed.
        low: f64,
        /// Highest value allowed.
        high: f64,
    },
    /// The same azimuth twice with different gains.
    #[error(
        "pattern `{name}`, line {line}: azimuth {azimuth_deg} degrees was given before with another gain"
    )]
    Duplicate {
        /// Name of the pattern.
        name: String,
        /// Line of the second one.
        line: u64,
        /// The azimuth, in `[0, 360)`.
        azimuth_deg: f64,
    },
    /// Too few rows to say anything of the circle.
    #[error("pattern `{name}` has {rows} different azimuths and should have at least 3")]
    TooFew {
        /// Name of the pattern.
        name: String,
        /// Different azimuths found.
        rows: usize,
    },
    /// No built-in pattern has that name.
    #[error("`{0}` is no built-in pattern; there are {list}", list = BUILTIN_NAMES.join(", "))]
    UnknownName(
        /// The name asked for.
        String,
    ),
}

#[derive(Debug, Clone, PartialEq)]
enum Shape {
    Closed(ClosedForm),
    /// Gain in dBi.
    Sampled(PeriodicSpline),
}

/// Gain of an antenna over azimuth relative to its boresight, clockwise, in the horizontal plane.
///
/// Between the rows of a file the gain in dB follows a cubic spline that is closed over 360 degrees and exact at
/// the rows. Nulls deeper than 80 dB below the peak are filled to that depth.
///
/// # Example
/// ```
/// let file = "azimuth_deg,gain_dbi\n0,7\n60,3\n120,-10\n180,-6\n240,-10\n300,3\n";
/// let pattern = lobewright_antenna::Pattern::from_csv(file.as_bytes(), "mine")?;
/// assert!((pattern.gain_dbi(-60.0) - 3.0).abs() < 1e-9);
/// assert!((pattern.gain_rel_lin(0.0) - 1.0).abs() < 1e-9);
/// # Ok::<(), lobewright_antenna::PatternError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    name: String,
    shape: Shape,
    /// Azimuths in `[0, 360)` and phases, where the file has them.
    phase: Option<Vec<(f64, f64)>>,
    peak_gain_dbi: f64,
    peak_offset_deg: f64,
    lowest_gain_dbi: f64,
}

impl Pattern {
    /// Reads `azimuth_deg,gain_dbi[,phase_deg]`: any spacing, any order, azimuths from -360 to 360.
    ///
    /// Lines that start with `#` are comments; other columns are left alone. A row at 360 (or -180 beside 180)
    /// may repeat the one at the same direction.
    ///
    /// # Errors
    /// [`PatternError`] with the line and field that is wrong.
    pub fn from_csv(reader: impl Read, name: &str) -> Result<Self, PatternError> {
        let table = Table::read(reader).map_err(|source| PatternError::Csv {
            name: name.to_owned(),
            source,
        })?;
        let column = |column: &'static str| {
            table.column(column).ok_or_else(|| PatternError::MissingColumn {
                name: name.to_owned(),
                column,
                found: table.found(),
            })
        };
        let (azimuth_at, gain_at) = (column("azimuth_deg")?, column("gain_dbi")?);
        let phase_at = table.column("phase_deg");
        let mut rows = Vec::with_capacity(table.rows.len());
        for (line, fields) in &table.rows {
            let number = |at: usize, column: &'static str, (low, high): (f64, f64)| {
                finite(&fields[at])
                    .filter(|v| (low..=high).contains(v))
                    .ok_or_else(|| PatternError::Field {
                        name: name.to_owned(),
                        line: *line,
                        column,
                        text: fields[at].clone(),
                        low,
                        high,
                    })
            };
            let azimuth = number(azimuth_at, "azimuth_deg", (-360.0, 360.0))?;
            let gain = number(gain_at, "gain_dbi", GAIN_LIMITS_DBI)?;
            let phase = phase_at
                .map(|at| number(at, "phase_deg", (-720.0, 720.0)))
                .transpose()?;
            rows.push((wrap_degrees(azimuth), gain, phase, *line));
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.3.cmp(&b.3)));
        if let Some(pair) = rows
            .windows(2)
            .find(|w| same_azimuth(w[0].0, w[1].0) && (w[0].1 - w[1].1).abs() > SAME_GAIN_DB)
        {
            return Err(PatternError::Duplicate {
                name: name.to_owned(),
                line: pair[1].3,
                azimuth_deg: pair[1].0,
            });
        }
        rows.dedup_by(|b, a| same_azimuth(a.0, b.0));
        if rows.len() < 3 {
            return Err(PatternError::TooFew {
                name: name.to_owned(),
                rows: rows.len(),
            });
        }
        let phase = phase_at.map(|_| rows.iter().map(|r| (r.0, r.2.unwrap_or(0.0))).collect());
        let (azimuths, gains) = rows.iter().map(|r| (r.0, r.1)).unzip();
        let spline = PeriodicSpline::new(azimuths, gains);
        Ok(Self::new(name, Shape::Sampled(spline), phase))
    }

    /// Gives one of the patterns of [`BUILTIN_NAMES`]: `isotropic`, `figure-eight`, `cardioid`, `yagi-3`.
    ///
    /// # Errors
    /// [`PatternError::UnknownName`].
    pub fn builtin(name: &str) -> Result<Self, PatternError> {
        let form = ClosedForm::by_name(name).ok_or_else(|| PatternError::UnknownName(name.to_owned()))?;
        Ok(Self::new(name, Shape::Closed(form), None))
    }

    fn new(name: &str, shape: Shape, phase: Option<Vec<(f64, f64)>>) -> Self {
        let mut pattern = Self {
            name: name.to_owned(),
            shape,
            phase,
            peak_gain_dbi: f64::INFINITY,
            peak_offset_deg: 0.0,
            lowest_gain_dbi: 0.0,
        };
        let (offset, peak) = pattern.find_peak();
        pattern.peak_gain_dbi = peak;
        pattern.peak_offset_deg = offset;
        pattern.lowest_gain_dbi = (0..1440)
            .map(|i| pattern.gain_dbi(f64::from(i) * 0.25))
            .fold(f64::INFINITY, f64::min);
        pattern
    }

    /// The name it was given.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Gain in dBi at an angle of any size from boresight, clockwise.
    pub fn gain_dbi(&self, off_boresight_deg: f64) -> f64 {
        let gain = self.raw_gain_dbi(off_boresight_deg);
        if self.peak_gain_dbi.is_finite() {
            gain.max(self.peak_gain_dbi - DEEPEST_NULL_DB)
        } else {
            gain
        }
    }

    /// Power gain against the peak: 1 at the peak.
    pub fn gain_rel_lin(&self, off_boresight_deg: f64) -> f64 {
        10_f64.powf((self.gain_dbi(off_boresight_deg) - self.peak_gain_dbi) / 10.0)
    }

    /// Phase of the received voltage in degrees, along the shorter arc between rows; `None` where the file has
    /// none.
    pub fn phase_deg(&self, off_boresight_deg: f64) -> Option<f64> {
        let rows = self.phase.as_ref()?;
        let at = wrap_degrees(off_boresight_deg);
        let n = rows.len();
        let above = rows.partition_point(|r| r.0 <= at);
        let (from, to) = (rows[(above + n - 1) % n], rows[above % n]);
        let part = wrap_degrees(at - from.0) / wrap_degrees(to.0 - from.0);
        Some(wrap_signed_degrees(
            from.1 + part * wrap_signed_degrees(to.1 - from.1),
        ))
    }

    /// The largest gain in dBi.
    pub fn peak_gain_dbi(&self) -> f64 {
        self.peak_gain_dbi
    }

    /// Where the peak lies relative to boresight (the squint), in `(-180, 180]` degrees.
    pub fn peak_offset_deg(&self) -> f64 {
        self.peak_offset_deg
    }

    /// Whether the gain changes with direction by more than 0.05 dB.
    pub fn is_directional(&self) -> bool {
        self.peak_gain_dbi - self.lowest_gain_dbi > FLAT_DB
    }

    /// The lowest gain in dBi, on a raster of a quarter degree.
    pub fn lowest_gain_dbi(&self) -> f64 {
        self.lowest_gain_dbi
    }

    /// Azimuth in `[0, 360)`, gain in dBi and phase in degrees of each row; `None` without phases.
    pub(crate) fn rows(&self) -> Option<Vec<(f64, f64, f64)>> {
        let (Shape::Sampled(spline), Some(phase)) = (&self.shape, &self.phase) else {
            return None;
        };
        Some(
            spline
                .knots()
                .zip(phase)
                .map(|((azimuth, gain), row)| (azimuth, gain, row.1))
                .collect(),
        )
    }

    fn raw_gain_dbi(&self, off_deg: f64) -> f64 {
        match &self.shape {
            Shape::Closed(form) => form.peak_gain_dbi() + 10.0 * form.power(off_deg).log10(),
            Shape::Sampled(spline) => spline.at(off_deg),
        }
    }

    /// The highest point: raster, then golden section between its neighbours.
    fn find_peak(&self) -> (f64, f64) {
        const STEP_DEG: f64 = 0.25;
        if let Shape::Closed(form) = self.shape {
            return (0.0, form.peak_gain_dbi());
        }
        let mut starts: Vec<f64> = (0..1440).map(|i| f64::from(i) * STEP_DEG).collect();
        if let Shape::Sampled(spline) = &self.shape {
            starts.extend(spline.knots().map(|k| k.0));
        }
        let best = starts
            .into_iter()
            .max_by(|a, b| self.raw_gain_dbi(*a).total_cmp(&self.raw_gain_dbi(*b)))
            .unwrap_or(0.0);
        let (mut low, mut high) = (best - STEP_DEG, best + STEP_DEG);
        for _ in 0..40 {
            let (a, b) = (low + 0.382 * (high - low), low + 0.618 * (high - low));
            if self.raw_gain_dbi(a) < self.raw_gain_dbi(b) {
                low = a;
            } else {
                high = b;
            }
        }
        let refined = f64::midpoint(low, high);
        let at = if self.raw_gain_dbi(refined) > self.raw_gain_dbi(best) {
            refined
        } else {
            best
        };
        (wrap_signed_degrees(at), self.raw_gain_dbi(at))
    }
}

fn same_azimuth(a_deg: f64, b_deg: f64) -> bool {
    (a_deg - b_deg).abs() < 1e-6
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, message: &str) {
        let error = Pattern::from_csv(text.as_bytes(), "p").unwrap_err();
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn errors_name_line_and_field() {
        check(
            "azimuth_deg,gain\n0,1\n",
            "pattern `p` lacks the column `gain_dbi`; the first line is `azimuth_deg,gain` and should be azimuth_deg,gain_dbi or azimuth_deg,gain_dbi,phase_deg",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n10,x\n",
            "pattern `p`, line 3: `gain_dbi` is `x` and should be a number from -200 to 60",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n10,NaN\n",
            "pattern `p`, line 3: `gain_dbi` is `NaN` and should be a number from -200 to 60",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n400,1\n",
            "pattern `p`, line 3: `azimuth_deg` is `400` and should be a number from -360 to 360",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n90,2\n180,1\n360,2\n",
            "pattern `p`, line 5: azimuth 0 degrees was given before with another gain",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n180,2\n",
            "pattern `p` has 2 different azimuths and should have at least 3",
        );
        check(
            "azimuth_deg,gain_dbi\n0,1\n180\n",
            "pattern `p` is not a readable CSV table",
        );
        check(
            "",
            "pattern `p` lacks the column `azimuth_deg`; the first line is `` and should be azimuth_deg,gain_dbi or azimuth_deg,gain_dbi,phase_deg",
        );
    }

    #[test]
    fn unknown_name_lists_the_known_ones() {
        assert_eq!(
            Pattern::builtin("dish").unwrap_err().to_string(),
            "`dish` is no built-in pattern; there are isotropic, figure-eight, cardioid, yagi-3"
        );
    }

    #[test]
    fn signed_azimuths_and_a_closing_row_are_taken() {
        let text = "# bench 4\nazimuth_deg,gain_dbi,phase_deg\n-180,-10,170\n-90,-3,0\n0,5,10\n90,-3,0\n180,-10,170\n";
        let pattern = Pattern::from_csv(text.as_bytes(), "p").unwrap();
        assert!((pattern.gain_dbi(270.0) + 3.0).abs() < 1e-12);
        assert!((pattern.peak_offset_deg()).abs() < 1e-4);
        assert!((pattern.phase_deg(45.0).unwrap() - 5.0).abs() < 1e-9);
    }

    #[test]
    fn isotropic_has_no_direction_and_the_others_have() {
        for name in BUILTIN_NAMES {
            let pattern = Pattern::builtin(name).unwrap();
            assert_eq!(pattern.is_directional(), name != "isotropic", "{name}");
            assert!((pattern.gain_rel_lin(0.0) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_deep_null_is_filled() {
        let cardioid = Pattern::builtin("cardioid").unwrap();
        assert!((cardioid.gain_rel_lin(180.0) - 1e-8).abs() < 1e-12);
    }
}
