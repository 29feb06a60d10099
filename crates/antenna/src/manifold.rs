//! Complex response of the ports of an array over azimuth.

use lobewright_types::wrap_degrees;
use num_complex::Complex;

use crate::manifold_csv::ManifoldError;
use crate::pattern::Pattern;
use crate::spline::PeriodicSpline;

/// Steps of the lookup table on the circle: a quarter of a degree.
const STEPS: usize = 1440;
/// Ports that a switch may have.
pub(crate) const MOST_PORTS: usize = 64;
/// Rows of one port further apart than this leave the response between them open.
pub(crate) const WIDEST_GAP_DEG: f64 = 30.0;
/// Largest radius of an ideal ring: the table follows it to about 1e-4.
const LARGEST_RADIUS_WAVELENGTHS: f64 = 10.0;
/// Share of the response that must change with direction, beyond a common phase and level, for there to be one.
const FLAT_SHARE: f64 = 1e-4;

/// One row of a port: azimuth in the mounting's frame, gain, phase of the received voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Row {
    pub(crate) azimuth_deg: f64,
    pub(crate) gain_dbi: f64,
    pub(crate) phase_deg: f64,
}

/// Complex voltage response of each port of an array to a wave from any azimuth in the mounting's frame.
///
/// Azimuths count clockwise seen from above, from the mounting's zero mark, to where the wave comes from. Phases are
/// those of the received voltage under `e^(+jwt)`: an element nearer to the source leads (positive). All ports share
/// one phase reference and one level reference; responses are relative to the largest of all, whose magnitude is 1.
///
/// Between the rows of a file the complex voltage follows a cubic spline closed over 360 degrees, which stays smooth
/// through nulls, where the phase alone does not.
///
/// # Example
/// ```
/// use lobewright_antenna::Manifold;
/// let ring = Manifold::ring(4, 0.177, 45.0)?;
/// let mut out = [num_complex::Complex::default(); 4];
/// ring.response(45.0, &mut out);
/// // The first element is nearest to the source and leads.
/// assert!((out[0].arg() - std::f64::consts::TAU * 0.177).abs() < 1e-6);
/// # Ok::<(), lobewright_antenna::ManifoldError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Manifold {
    /// Rows of each port, ascending in azimuth, before the turn.
    rows: Vec<Vec<Row>>,
    /// `[step, port]`, quarter degrees, before the turn.
    table: Vec<Complex<f64>>,
    /// Clockwise turn of the whole array in its mounting.
    turn_deg: f64,
    peak_gain_dbi: f64,
}

impl Manifold {
    /// Takes one pattern for each port, all in the mounting's frame and with one phase reference.
    ///
    /// # Errors
    /// [`ManifoldError`]: fewer than 2 or more than 64 ports, a pattern without phases, or rows more than 30 degrees
    /// apart.
    pub fn from_patterns(patterns: &[Pattern]) -> Result<Self, ManifoldError> {
        let mut ports = Vec::with_capacity(patterns.len());
        for (port, pattern) in patterns.iter().enumerate() {
            let rows = pattern.rows().ok_or_else(|| ManifoldError::NoPhase {
                port: port + 1,
                name: pattern.name().to_owned(),
            })?;
            ports.push(
                rows.into_iter()
                    .map(|(azimuth_deg, gain_dbi, phase_deg)| Row {
                        azimuth_deg,
                        gain_dbi,
                        phase_deg,
                    })
                    .collect(),
            );
        }
        Self::from_rows(ports)
    }

    /// An ideal ring of isotropic elements without coupling, phase reference at its centre.
    ///
    /// Element `i` of `n` stands at azimuth `first_azimuth_deg + 360 i / n`; its phase is `2 pi r cos(azimuth of the
    /// source - azimuth of the element)`, `r` the radius in wavelengths (Van Trees, *Optimum Array Processing*, 2002,
    /// section 4.2.2, there with the sign of the opposite convention).
    ///
    /// # Errors
    /// [`ManifoldError`]: fewer than 2 or more than 64 elements, or a radius that is not above 0 and at most 10
    /// wavelengths.
    pub fn ring(
        elements: usize,
        radius_wavelengths: f64,
        first_azimuth_deg: f64,
    ) -> Result<Self, ManifoldError> {
        check_ports(elements)?;
        if !(radius_wavelengths > 0.0 && radius_wavelengths <= LARGEST_RADIUS_WAVELENGTHS) {
            return Err(ManifoldError::Number {
                field: "radius_wavelengths",
                value: radius_wavelengths,
                right: "above 0 and at most 10",
            });
        }
        if !first_azimuth_deg.is_finite() {
            return Err(ManifoldError::Number {
                field: "first_azimuth_deg",
                value: first_azimuth_deg,
                right: "a finite number",
            });
        }
        let phase_rad = |port: usize, azimuth_deg: f64| {
            let own_deg = 360.0 * port as f64 / elements as f64;
            std::f64::consts::TAU * radius_wavelengths * (azimuth_deg - own_deg).to_radians().cos()
        };
        let rows = (0..elements)
            .map(|port| {
                (0..STEPS)
                    .step_by(4)
                    .map(|step| Row {
                        azimuth_deg: step_deg(step),
                        gain_dbi: 0.0,
                        phase_deg: phase_rad(port, step_deg(step)).to_degrees(),
                    })
                    .collect()
            })
            .collect();
        let table = (0..STEPS)
            .flat_map(|step| (0..elements).map(move |port| Complex::cis(phase_rad(port, step_deg(step)))))
            .collect();
        Ok(Self {
            rows,
            table,
            turn_deg: wrap_degrees(first_azimuth_deg),
            peak_gain_dbi: 0.0,
        })
    }

    /// Takes rows in any order, azimuths in `[0, 360)` and different from each other.
    pub(crate) fn from_rows(mut rows: Vec<Vec<Row>>) -> Result<Self, ManifoldError> {
        check_ports(rows.len())?;
        let mut splines = Vec::with_capacity(rows.len());
        for (port, of_port) in rows.iter_mut().enumerate() {
            of_port.sort_by(|a, b| a.azimuth_deg.total_cmp(&b.azimuth_deg));
            let gap_deg = widest_gap_deg(of_port);
            if gap_deg > WIDEST_GAP_DEG + 1e-9 {
                return Err(ManifoldError::Gap {
                    port: port + 1,
                    gap_deg,
                });
            }
            let at: Vec<f64> = of_port.iter().map(|r| r.azimuth_deg).collect();
            let (re, im) = of_port
                .iter()
                .map(|r| {
                    let v = voltage(r);
                    (v.re, v.im)
                })
                .unzip();
            splines.push((PeriodicSpline::new(at.clone(), re), PeriodicSpline::new(at, im)));
        }
        let mut table: Vec<Complex<f64>> = (0..STEPS)
            .flat_map(|step| {
                splines
                    .iter()
                    .map(move |(re, im)| Complex::new(re.at(step_deg(step)), im.at(step_deg(step))))
            })
            .collect();
        let peak = table.iter().map(|v| v.norm()).fold(0.0, f64::max);
        for value in &mut table {
            *value /= peak;
        }
        Ok(Self {
            rows,
            table,
            turn_deg: 0.0,
            peak_gain_dbi: 20.0 * peak.log10(),
        })
    }

    /// Number of ports.
    pub fn ports(&self) -> usize {
        self.rows.len()
    }

    /// Gain in dBi of the strongest response of all: what magnitude 1 stands for.
    pub fn peak_gain_dbi(&self) -> f64 {
        self.peak_gain_dbi
    }

    /// Writes the response of the ports, in their order, to a wave from an azimuth of any size in the mounting's
    /// frame; the largest magnitude over all ports and azimuths is 1.
    ///
    /// # Panics
    /// Where `out` is shorter than the number of ports.
    pub fn response(&self, azimuth_deg: f64, out: &mut [Complex<f64>]) {
        let ports = self.ports();
        let at = wrap_degrees(azimuth_deg - self.turn_deg) * (STEPS as f64 / 360.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 1440"
        )]
        let step = (at as usize).min(STEPS - 1);
        let x = at - step as f64;
        // Cubic through the four steps around: error 3/128 h^4 |f''''|, for a ring of radius r in wavelengths
        // 8.5e-12 (2 pi r)^4: 4e-9 for r = 0.75, 1.3e-4 for r = 10.
        let weights = [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ];
        let row = |k: usize| ((step + STEPS - 1 + k) % STEPS) * ports;
        let rows = [row(0), row(1), row(2), row(3)];
        for (port, value) in out[..ports].iter_mut().enumerate() {
            *value = rows
                .iter()
                .zip(weights)
                .map(|(&row, weight)| self.table[row + port] * weight)
                .sum();
        }
    }

    /// The same array turned clockwise by `turn_deg` in its mounting.
    ///
    /// # Panics
    /// Where `turn_deg` is not finite.
    #[must_use]
    pub fn rotated(&self, turn_deg: f64) -> Self {
        assert!(turn_deg.is_finite(), "a turn must be finite");
        Self {
            turn_deg: wrap_degrees(self.turn_deg + turn_deg),
            ..self.clone()
        }
    }

    /// Whether the responses change with direction by more than a phase and a level that all ports share.
    pub fn is_directional(&self) -> bool {
        let rows: Vec<&[Complex<f64>]> = self.table.chunks_exact(self.ports()).collect();
        let power = |a: &[Complex<f64>]| a.iter().map(Complex::norm_sqr).sum::<f64>();
        let first = rows[0];
        rows.iter().any(|row| {
            let both = power(first) * power(row);
            let common: Complex<f64> = first.iter().zip(*row).map(|(a, b)| a.conj() * b).sum();
            both > 0.0 && 1.0 - common.norm_sqr() / both > FLAT_SHARE
        })
    }

    /// Rows of each port as given, azimuths turned, in `[0, 360)`.
    pub(crate) fn turned_rows(&self) -> impl Iterator<Item = (usize, Row)> + '_ {
        self.rows.iter().enumerate().flat_map(move |(port, rows)| {
            rows.iter().map(move |row| {
                (
                    port,
                    Row {
                        azimuth_deg: wrap_degrees(row.azimuth_deg + self.turn_deg),
                        ..*row
                    },
                )
            })
        })
    }
}

fn check_ports(ports: usize) -> Result<(), ManifoldError> {
    if (2..=MOST_PORTS).contains(&ports) {
        Ok(())
    } else {
        Err(ManifoldError::Ports { ports })
    }
}

fn step_deg(step: usize) -> f64 {
    step as f64 * (360.0 / STEPS as f64)
}

fn voltage(row: &Row) -> Complex<f64> {
    Complex::from_polar(10_f64.powf(row.gain_dbi / 20.0), row.phase_deg.to_radians())
}

fn widest_gap_deg(rows: &[Row]) -> f64 {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        return 360.0;
    };
    rows.windows(2)
        .map(|w| w[1].azimuth_deg - w[0].azimuth_deg)
        .fold(first.azimuth_deg + 360.0 - last.azimuth_deg, f64::max)
}
