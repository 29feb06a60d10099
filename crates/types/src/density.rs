//! A probability density over the whole circle of azimuths.

use crate::{ArcDeg, Azimuth, Mode, True, wrap_degrees, wrap_signed_degrees};

/// Log density below the peak at which a density counts as empty.
const FLOOR_NATS: f64 = 60.0;
/// Uniform spacing from which an adaptive density is refined.
const BASE_STEP_DEG: f64 = 3.0;
/// Smallest spacing of knots: below any bearing error that can be reached.
const MIN_STEP_DEG: f64 = 1e-4;

/// A probability density over azimuth, counted from true north.
///
/// It is held as knots of log density (per degree), straight between neighbours, closed over 360 degrees, and
/// always integrates to 1. Knots are dense where the density is narrow, so a bearing good to a hundredth of a
/// degree and a hopeless one have the same form.
///
/// Serde writes the knots as they are and reads either those or the compact text of
/// [`to_compact`](Self::to_compact), which a [`Bearing`](crate::Bearing) is written with.
#[derive(Debug, Clone, PartialEq)]
pub struct CircleDensity {
    pub(crate) azimuth_deg: Vec<f64>,
    pub(crate) ln_per_deg: Vec<f64>,
}

/// Knots that make no density.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DensityError {
    /// Lists of different length.
    #[error("{azimuths} azimuths but {values} values")]
    Length {
        /// Number of azimuths.
        azimuths: usize,
        /// Number of values.
        values: usize,
    },
    /// Fewer than three knots.
    #[error("a density on the circle needs three knots, {0} given")]
    TooFew(usize),
    /// Azimuths not ascending within `[0, 360)`.
    #[error("knot {0} is not above the one before it and below 360 degrees")]
    Order(usize),
    /// A value that is not a number, or no mass at all.
    #[error("the values hold no finite mass")]
    NoMass,
}

/// Integral of `exp` of a straight line from `a` to `b` over a length `h`.
pub(crate) fn segment_mass(a: f64, b: f64, h: f64) -> f64 {
    let d = b - a;
    if d.abs() < 1e-6 {
        h * f64::midpoint(a, b).exp() * (1.0 + d * d / 24.0)
    } else {
        h * (b.exp() - a.exp()) / d
    }
}

impl CircleDensity {
    /// Takes knots in any scale (log density up to a constant) and normalises them.
    ///
    /// # Errors
    /// [`DensityError`] where the lists differ in length, hold fewer than three knots, are not strictly ascending
    /// in `[0, 360)`, or hold NaN or no mass. Minus infinity is allowed and raised to the floor, 60 nats below
    /// the peak.
    pub fn from_knots(azimuth_deg: Vec<f64>, ln_per_deg: Vec<f64>) -> Result<Self, DensityError> {
        if azimuth_deg.len() != ln_per_deg.len() {
            return Err(DensityError::Length {
                azimuths: azimuth_deg.len(),
                values: ln_per_deg.len(),
            });
        }
        if azimuth_deg.len() < 3 {
            return Err(DensityError::TooFew(azimuth_deg.len()));
        }
        for (i, &azimuth) in azimuth_deg.iter().enumerate() {
            let above = i == 0 || azimuth > azimuth_deg[i - 1];
            if !(above && (0.0..360.0).contains(&azimuth)) {
                return Err(DensityError::Order(i));
            }
        }
        let peak = ln_per_deg.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !peak.is_finite() || ln_per_deg.iter().any(|v| v.is_nan()) {
            return Err(DensityError::NoMass);
        }
        let mut ln_per_deg = ln_per_deg;
        for value in &mut ln_per_deg {
            *value = (*value - peak).max(-FLOOR_NATS);
        }
        let mut density = Self {
            azimuth_deg,
            ln_per_deg,
        };
        let ln_mass = density
            .segments()
            .map(|s| segment_mass(s.ln_a, s.ln_b, s.h))
            .sum::<f64>()
            .ln();
        for value in &mut density.ln_per_deg {
            *value -= ln_mass;
        }
        Ok(density)
    }

    /// Samples a log density (up to a constant) where it bends: knots are added until straight lines follow it
    /// within `tolerance_nats` wherever it carries mass.
    ///
    /// `centres_deg` are azimuths near which it may be narrow (0 to any number); without them a peak narrower
    /// than three degrees can be missed. `ln_density` takes degrees in `[0, 360)`.
    ///
    /// # Errors
    /// [`DensityError::NoMass`] where the function gives NaN, or nothing finite.
    pub fn from_ln_fn(
        mut ln_density: impl FnMut(f64) -> f64,
        centres_deg: &[f64],
        tolerance_nats: f64,
    ) -> Result<Self, DensityError> {
        let mut starts: Vec<f64> = centres_deg.iter().map(|&c| wrap_degrees(c)).collect();
        let mut at = 0.0;
        while at < 360.0 {
            starts.push(at);
            at += BASE_STEP_DEG;
        }
        starts.sort_by(f64::total_cmp);
        starts.dedup_by(|b, a| *b - *a < MIN_STEP_DEG);
        let values: Vec<f64> = starts.iter().map(|&a| ln_density(a)).collect();
        let mut peak = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut knots: Vec<(f64, f64)> = Vec::with_capacity(4 * starts.len());
        for i in 0..starts.len() {
            let (a, va) = (starts[i], values[i]);
            let (b, vb) = if i + 1 < starts.len() {
                (starts[i + 1], values[i + 1])
            } else {
                (360.0, values[0])
            };
            knots.push((a, va));
            refine(
                &mut ln_density,
                (a, va),
                (b, vb),
                tolerance_nats,
                &mut peak,
                &mut knots,
            );
        }
        knots.retain(|k| k.0 < 360.0);
        let (azimuths, values) = knots.into_iter().unzip();
        Self::from_knots(azimuths, values)
    }

    /// The density that knows nothing.
    pub fn uniform() -> Self {
        let azimuth_deg = vec![0.0, 120.0, 240.0];
        let ln_per_deg = vec![-(360.0_f64.ln()); 3];
        Self {
            azimuth_deg,
            ln_per_deg,
        }
    }

    /// A normal error of `sigma_deg` around an azimuth, wrapped round the circle.
    ///
    /// # Panics
    /// Where `sigma_deg` is not positive and finite.
    pub fn normal(azimuth: Azimuth<True>, sigma_deg: f64) -> Self {
        assert!(sigma_deg > 0.0 && sigma_deg.is_finite(), "sigma must be positive");
        let sigma = sigma_deg.max(3.0 * MIN_STEP_DEG);
        let centre = azimuth.degrees();
        let centres: Vec<f64> = [-4.0, -2.0, 0.0, 2.0, 4.0]
            .iter()
            .map(|k| centre + k * sigma)
            .collect();
        let term = |d: f64| -0.5 * (d / sigma).powi(2);
        let ln = |a: f64| {
            let d = wrap_signed_degrees(a - centre);
            let main = term(d);
            // Two more turns each way: enough up to a sigma of 200 degrees, where it is flat anyway.
            let others: f64 = [-720.0, -360.0, 360.0, 720.0]
                .iter()
                .map(|turn| (term(d + turn) - main).exp())
                .sum();
            main + others.ln_1p()
        };
        Self::from_ln_fn(ln, &centres, 0.01).expect("a normal density is finite and has mass")
    }

    /// Azimuths of the knots, in degrees from true north, ascending in `[0, 360)`.
    pub fn azimuths_deg(&self) -> &[f64] {
        &self.azimuth_deg
    }

    /// Log density per degree at the knots.
    pub fn ln_per_deg(&self) -> &[f64] {
        &self.ln_per_deg
    }

    /// Log density per degree in any direction.
    pub fn ln_density_per_deg(&self, azimuth: Azimuth<True>) -> f64 {
        let at = azimuth.degrees();
        let n = self.azimuth_deg.len();
        let above = self.azimuth_deg.partition_point(|&a| a <= at);
        let (i, j) = ((above + n - 1) % n, above % n);
        let gap = wrap_degrees(self.azimuth_deg[j] - self.azimuth_deg[i]);
        let part = wrap_degrees(at - self.azimuth_deg[i]) / gap;
        self.ln_per_deg[i] + part * (self.ln_per_deg[j] - self.ln_per_deg[i])
    }

    /// Density per degree in any direction.
    pub fn density_per_deg(&self, azimuth: Azimuth<True>) -> f64 {
        self.ln_density_per_deg(azimuth).exp()
    }

    /// The probability that the direction lies in an arc.
    pub fn probability(&self, arc: ArcDeg) -> f64 {
        if arc.width_deg >= 360.0 {
            return 1.0;
        }
        let from = arc.from.degrees();
        let mut knots: Vec<f64> = self
            .azimuth_deg
            .iter()
            .map(|a| wrap_degrees(a - from))
            .filter(|a| *a < arc.width_deg)
            .collect();
        knots.push(0.0);
        knots.push(arc.width_deg);
        knots.sort_by(f64::total_cmp);
        let ln = |offset: f64| self.ln_density_per_deg(Azimuth::from_degrees(from + offset));
        knots
            .windows(2)
            .filter(|w| w[1] > w[0])
            .map(|w| segment_mass(ln(w[0]), ln(w[1]), w[1] - w[0]))
            .sum()
    }

    /// The mean resultant vector: its direction (absent where it has none) and length, 0 to 1.
    pub fn mean_direction(&self) -> (Option<Azimuth<True>>, f64) {
        let (mut north, mut east) = (0.0, 0.0);
        for piece in self.fine_pieces(1.0) {
            let rad = piece.middle_deg.to_radians();
            north += piece.mass * rad.cos();
            east += piece.mass * rad.sin();
        }
        let length = north.hypot(east);
        (
            (length > 1e-9).then(|| Azimuth::from_radians(east.atan2(north))),
            length,
        )
    }

    /// The separate peaks, most probable first, each with at least `min_probability` (the first always there).
    ///
    /// Peaks joined by a valley less than 0.7 nats below the lower of them count as one.
    pub fn modes(&self, min_probability: f64) -> Vec<Mode> {
        let mut modes: Vec<Mode> = self.basins().into_iter().map(|b| self.mode_of(b)).collect();
        modes.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let keep = modes
            .iter()
            .take_while(|m| m.probability >= min_probability)
            .count()
            .max(1);
        modes.truncate(keep);
        modes
    }

    /// The shortest set of arcs that holds `probability` of the density, in ascending order of their start.
    pub fn highest_density_arcs(&self, probability: f64) -> Vec<ArcDeg> {
        let peak = self.ln_per_deg.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut low, mut high) = (peak - FLOOR_NATS - 1.0, peak);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if self.mass_above(middle) >= probability {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.arcs_above(low)
    }

    /// The density after a normal error of `sigma_deg` was added to the direction.
    #[must_use]
    pub fn widened(&self, sigma_deg: f64) -> Self {
        if sigma_deg <= 0.0 {
            return self.clone();
        }
        // Pieces as wide as the error itself would leave bumps.
        let pieces = self.fine_pieces((sigma_deg / 3.0).min(1.0));
        let peak_step = sigma_deg / 4.0;
        // Pieces closer together than a quarter of sigma act as one: fewer terms, the same sum.
        let mut lumps: Vec<(f64, f64, f64)> = Vec::new();
        for piece in &pieces {
            if piece.mass < 1e-14 {
                continue;
            }
            match lumps.last_mut() {
                Some(lump) if piece.middle_deg - lump.2 < peak_step => {
                    lump.1 = (lump.0 * lump.1 + piece.mass * piece.middle_deg) / (lump.0 + piece.mass);
                    lump.0 += piece.mass;
                }
                _ => lumps.push((piece.mass, piece.middle_deg, piece.middle_deg)),
            }
        }
        // Farther away nothing is left of a lump.
        let reach = (9.0 * sigma_deg).min(180.0);
        let near = |at: f64, lump: &(f64, f64, f64)| {
            let d = wrap_signed_degrees(at - lump.1) / sigma_deg;
            let turn = 360.0 / sigma_deg;
            let others = if turn < 27.0 {
                (-0.5 * (d - turn).powi(2)).exp() + (-0.5 * (d + turn).powi(2)).exp()
            } else {
                0.0
            };
            lump.0 * ((-0.5 * d * d).exp() + others)
        };
        let ln = |at: f64| {
            let sum: f64 = [-360.0, 0.0, 360.0]
                .iter()
                .map(|turn| {
                    let middle = at + turn;
                    let from = lumps.partition_point(|l| l.1 < middle - reach);
                    let to = lumps.partition_point(|l| l.1 < middle + reach);
                    lumps[from..to].iter().map(|l| near(at, l)).sum::<f64>()
                })
                .sum();
            sum.max(1e-300).ln()
        };
        let mut centres: Vec<f64> = Vec::new();
        for mode in self.modes(1e-6) {
            let reach = mode.sigma_deg.hypot(sigma_deg);
            centres.extend([-3.0, -1.5, 0.0, 1.5, 3.0].map(|k| mode.azimuth.degrees() + k * reach));
        }
        Self::from_ln_fn(ln, &centres, 0.02).unwrap_or_else(|_| Self::uniform())
    }

    /// The same density turned clockwise by `turn_deg`.
    #[must_use]
    pub fn turned(&self, turn_deg: f64) -> Self {
        let mut knots: Vec<(f64, f64)> = self
            .azimuth_deg
            .iter()
            .zip(&self.ln_per_deg)
            .map(|(a, v)| (wrap_degrees(a + turn_deg), *v))
            .collect();
        knots.sort_by(|a, b| a.0.total_cmp(&b.0));
        knots.dedup_by(|b, a| b.0 <= a.0);
        let (azimuth_deg, ln_per_deg) = knots.into_iter().unzip();
        Self {
            azimuth_deg,
            ln_per_deg,
        }
    }

    fn segments(&self) -> impl Iterator<Item = Segment> + '_ {
        let n = self.azimuth_deg.len();
        (0..n).map(move |i| {
            let j = (i + 1) % n;
            let start = self.azimuth_deg[i];
            let h = if j == 0 {
                self.azimuth_deg[0] + 360.0 - start
            } else {
                self.azimuth_deg[j] - start
            };
            Segment {
                start,
                h,
                ln_a: self.ln_per_deg[i],
                ln_b: self.ln_per_deg[j],
            }
        })
    }

    /// Masses small enough to stand for their middle: at most one degree wide, and where they count as narrow as asked.
    fn fine_pieces(&self, width_deg: f64) -> Vec<Piece> {
        let mut pieces = Vec::with_capacity(self.azimuth_deg.len() + 360);
        for s in self.segments() {
            let counts = segment_mass(s.ln_a, s.ln_b, s.h) > 1e-7;
            let width = if counts { width_deg.clamp(1e-4, 1.0) } else { 1.0 };
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "few where much lies, and 360 at most elsewhere"
            )]
            let parts = (s.h / width).ceil().max(1.0) as usize;
            let h = s.h / parts as f64;
            for k in 0..parts {
                let at = |x: f64| s.ln_a + (s.ln_b - s.ln_a) * x / parts as f64;
                let (a, b) = (at(k as f64), at(k as f64 + 1.0));
                let mass = segment_mass(a, b, h);
                // Centre of mass of the piece, to second order.
                let lean = ((b - a) / 12.0).clamp(-0.4, 0.4) * h;
                pieces.push(Piece {
                    middle_deg: s.start + (k as f64 + 0.5) * h + lean,
                    mass,
                });
            }
        }
        pieces
    }

    fn mass_above(&self, ln_level: f64) -> f64 {
        self.segments()
            .map(|s| {
                let (low, high) = (s.ln_a.min(s.ln_b), s.ln_a.max(s.ln_b));
                if high <= ln_level {
                    0.0
                } else if low >= ln_level {
                    segment_mass(low, high, s.h)
                } else {
                    segment_mass(ln_level, high, s.h * (high - ln_level) / (high - low))
                }
            })
            .sum()
    }

    fn arcs_above(&self, ln_level: f64) -> Vec<ArcDeg> {
        let mut spans: Vec<(f64, f64)> = Vec::new();
        for s in self.segments() {
            let (from, to) = match (s.ln_a >= ln_level, s.ln_b >= ln_level) {
                (true, true) => (0.0, s.h),
                (false, false) => continue,
                (true, false) => (0.0, s.h * (s.ln_a - ln_level) / (s.ln_a - s.ln_b)),
                (false, true) => (s.h * (ln_level - s.ln_a) / (s.ln_b - s.ln_a), s.h),
            };
            let (from, to) = (s.start + from, s.start + to);
            match spans.last_mut() {
                Some(last) if from - last.1 < 1e-9 => last.1 = to,
                _ => spans.push((from, to)),
            }
        }
        // The last arc may run on through north into the first.
        if spans.len() > 1 && spans[0].0 + 360.0 - spans[spans.len() - 1].1 < 1e-9 {
            let last = spans.pop().expect("more than one span");
            spans[0] = (last.0 - 360.0, spans[0].1);
        }
        spans
            .into_iter()
            .map(|(from, to)| ArcDeg {
                from: Azimuth::from_degrees(from),
                width_deg: (to - from).min(360.0),
            })
            .collect()
    }
}

/// Splits one segment until a straight line follows the function.
fn refine(
    ln_density: &mut impl FnMut(f64) -> f64,
    a: (f64, f64),
    b: (f64, f64),
    tolerance: f64,
    peak: &mut f64,
    knots: &mut Vec<(f64, f64)>,
) {
    if b.0 - a.0 < 2.0 * MIN_STEP_DEG {
        return;
    }
    let middle = f64::midpoint(a.0, b.0);
    let value = ln_density(middle);
    *peak = peak.max(value);
    let straight = f64::midpoint(a.1, b.1);
    let top = value.max(a.1).max(b.1);
    // Twelve nats under the peak even a wide arc holds less than a hundred-thousandth per degree.
    let depth = *peak - top;
    let allowed = if depth < 6.0 {
        tolerance
    } else if depth < 12.0 {
        20.0 * tolerance
    } else {
        6.0
    };
    let off = (value - straight).abs();
    if off.is_nan() || off <= allowed {
        if off > tolerance * 0.25 && value.is_finite() {
            knots.push((middle, value));
        }
        return;
    }
    if stays_below(a.1, value, b.1, *peak - FLOOR_NATS) {
        return;
    }
    let m = (middle, value);
    refine(ln_density, a, m, tolerance, peak, knots);
    knots.push(m);
    refine(ln_density, m, b, tolerance, peak, knots);
}

/// Whether a curve through three evenly spaced values stays below a limit between them: all is raised to the floor
/// there. A narrow peak shows in the bend of its flanks, however deep those are.
fn stays_below(a: f64, middle: f64, b: f64, limit: f64) -> bool {
    let bend = a - 2.0 * middle + b;
    let slope = b - a;
    // Top of the parabola, where it lies between the ends or half as far beside them.
    let top = if bend < 0.0 && slope.abs() < -4.0 * bend {
        middle - slope * slope / (8.0 * bend)
    } else {
        f64::NEG_INFINITY
    };
    a < limit && middle < limit && b < limit && top < limit
}

struct Segment {
    start: f64,
    h: f64,
    ln_a: f64,
    ln_b: f64,
}

struct Piece {
    middle_deg: f64,
    mass: f64,
}

#[cfg(test)]
#[path = "density_tests.rs"]
mod tests;
