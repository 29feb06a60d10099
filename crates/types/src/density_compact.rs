//! Densities as short text: under a kilobyte whatever their shape.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::density_bytes::{CompactError, Lattice, MAX_BYTES};
use crate::density_thin::sparing_order;
use crate::{ArcDeg, Azimuth, CircleDensity, Mode, True, wrap_signed_degrees};

/// What the text begins with: kind and version.
const TAG: &str = "cd1.";
/// Least probability of a mode whose place is looked after.
const MODE_PROBABILITY: f64 = 0.05;
/// Where the log density falls by less than this per sigma, an arc's end has no definite place.
const LEAST_SLOPE_PER_SIGMA: f64 = 0.5;

/// Length in bytes (all of them ASCII) that no compact text exceeds.
pub const COMPACT_MAX_BYTES: usize = TAG.len() + (MAX_BYTES * 4).div_ceil(3);

/// What a density lost when it was written compactly, measured on the text that came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompactLoss {
    /// Total variation distance: the most that any arc's probability has changed.
    pub total_variation: f64,
    /// Largest shift of a mode of at least 5 %, in units of its sigma; absent where a mode split or went.
    pub mode_shift_sigma: Option<f64>,
    /// Largest shift of an end of the 95 % arcs, in units of the sigma of the mode nearest to it, over the ends at
    /// which the log density falls by at least 0.5 per sigma; absent where such an end went.
    pub arc_shift_sigma: Option<f64>,
}

/// The promise: total variation, shift of a mode and shift of an arc's end, the latter two in sigmas.
const PROMISED: [f64; 3] = [0.005, 0.02, 0.05];
/// Knots are added until the loss is this part of the promise: a fix multiplies many densities.
const AIM: f64 = 0.25;

impl CompactLoss {
    const NONE: Self = Self {
        total_variation: 0.0,
        mode_shift_sigma: Some(0.0),
        arc_shift_sigma: Some(0.0),
    };

    /// Whether it is within what the format promises: 0.5 % of probability, modes within 0.02 and ends of the 95 %
    /// arcs within 0.05 of a sigma.
    pub fn is_within_promise(&self) -> bool {
        self.worst() <= 1.0
    }

    /// What candidates are compared by: the largest loss, in units of the promised, where the promise is kept, else
    /// the lost probability, behind all of those.
    fn rank(&self) -> f64 {
        let worst = self.worst();
        if worst <= 1.0 {
            worst
        } else {
            2.0 + self.total_variation
        }
    }

    /// The largest loss, in units of the promised.
    fn worst(&self) -> f64 {
        let gone = 1e6;
        let parts = [
            self.total_variation,
            self.mode_shift_sigma.unwrap_or(gone),
            self.arc_shift_sigma.unwrap_or(gone),
        ];
        parts
            .iter()
            .zip(PROMISED)
            .map(|(loss, promised)| loss / promised)
            .fold(0.0, f64::max)
    }
}

/// What the loss is measured against, found once for a density.
struct Original<'a> {
    density: &'a CircleDensity,
    modes: Vec<Mode>,
    /// Ends of the 95 % arcs with the sigma that they are measured in.
    ends: Vec<(Azimuth<True>, f64)>,
}

fn ends_of(arcs: &[ArcDeg]) -> impl Iterator<Item = Azimuth<True>> + '_ {
    arcs.iter()
        .filter(|a| a.width_deg < 360.0)
        .flat_map(|a| [a.from, a.from.turned(a.width_deg)])
}

fn apart(a: Azimuth<True>, b: Azimuth<True>) -> f64 {
    wrap_signed_degrees(a.degrees() - b.degrees()).abs()
}

impl<'a> Original<'a> {
    fn new(density: &'a CircleDensity) -> Self {
        let modes = density.modes(MODE_PROBABILITY);
        let sigma_near = |end: Azimuth<True>| {
            modes
                .iter()
                .map(|m| (apart(end, m.azimuth), m.sigma_deg))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map_or(0.0, |m| m.1)
        };
        let slope = |at: Azimuth<True>, sigma: f64| {
            let ln = |turn: f64| density.ln_density_per_deg(at.turned(turn));
            (ln(0.05 * sigma) - ln(-0.05 * sigma)).abs() / 0.1
        };
        let ends = ends_of(&density.highest_density_arcs(0.95))
            .map(|end| (end, sigma_near(end)))
            .filter(|&(end, sigma)| sigma > 0.0 && slope(end, sigma) >= LEAST_SLOPE_PER_SIGMA)
            .collect();
        Self { density, modes, ends }
    }

    fn loss(&self, decoded: &CircleDensity) -> CompactLoss {
        // Half the threshold: a mode of 5 % may come back with a hair less.
        let modes = decoded.modes(MODE_PROBABILITY / 2.0);
        let nearest = |at: Azimuth<True>, others: &mut dyn Iterator<Item = Azimuth<True>>| {
            others.map(|o| apart(at, o)).fold(f64::INFINITY, f64::min)
        };
        let mode_shift = self
            .modes
            .iter()
            .map(|m| {
                nearest(m.azimuth, &mut modes.iter().map(|d| d.azimuth)) / m.sigma_deg.max(f64::MIN_POSITIVE)
            })
            .fold(0.0, f64::max);
        let arcs = decoded.highest_density_arcs(0.95);
        let arc_shift = self
            .ends
            .iter()
            .map(|&(end, sigma)| nearest(end, &mut ends_of(&arcs)) / sigma)
            .fold(0.0, f64::max);
        // A shift beyond a sigma is another mode or another end.
        let found = |shift: f64| (shift < 1.0).then_some(shift);
        CompactLoss {
            total_variation: self.density.total_variation(decoded),
            mode_shift_sigma: found(mode_shift),
            arc_shift_sigma: found(arc_shift),
        }
    }
}

/// A text that fits, and what it lost.
struct Candidate {
    bytes: Vec<u8>,
    loss: CompactLoss,
}

fn candidate(original: &Original<'_>, order: &[usize], count: usize) -> Option<Candidate> {
    let mut kept = order[order.len() - count..].to_vec();
    kept.sort_unstable();
    let lattice = Lattice::near(original.density, &kept);
    let bytes = lattice.to_bytes();
    let decoded = lattice.density().ok().filter(|_| bytes.len() <= MAX_BYTES)?;
    Some(Candidate {
        bytes,
        loss: original.loss(&decoded),
    })
}

/// The shortest bytes that lose a quarter of what is promised at most; else those that lose least.
fn shortest(density: &CircleDensity) -> Candidate {
    let original = Original::new(density);
    let order = sparing_order(density);
    let mut best: Option<Candidate> = None;
    let mut count = order.len().min(4);
    loop {
        if let Some(c) = candidate(&original, &order, count) {
            let rank = c.loss.rank();
            if best.as_ref().is_none_or(|b| rank < b.loss.rank()) {
                best = Some(c);
            }
            if rank <= AIM {
                break;
            }
        } else if count * 5 > 2 * MAX_BYTES {
            // More knots take more bytes still.
            break;
        }
        if count == order.len() {
            break;
        }
        count = (count + 1 + count / 12).min(order.len());
    }
    // Four knots always fit: a knot takes ten bytes at most.
    best.unwrap_or_else(|| Candidate {
        bytes: CircleDensity::uniform().to_compact_bytes(),
        loss: original.loss(&CircleDensity::uniform()),
    })
}

impl CircleDensity {
    fn compact(&self) -> Candidate {
        if let Some(lattice) = Lattice::exact(self) {
            let bytes = lattice.to_bytes();
            if bytes.len() <= MAX_BYTES {
                return Candidate {
                    bytes,
                    loss: CompactLoss::NONE,
                };
            }
        }
        shortest(self)
    }

    /// Writes the density as text of letters, digits, `-`, `_` and one point, 996 bytes at most, for JSON, CSV, a
    /// message by radio or a link; `docs/schema.md` has the format byte by byte.
    ///
    /// Densities with up to four modes of any width from 0.005 degrees, on any floor, lose less than 0.5 % of
    /// probability; their modes move by less than 0.02, the ends of their 95 % arcs by less than 0.05 of a sigma
    /// (ends in a flat part, where the log density falls by less than 0.5 per sigma, excepted). What is rougher than
    /// some 140 knots can follow is written as closely as fits; [`Self::to_compact_with_loss`] says how closely. A
    /// density that was read from such text is written as that text again.
    ///
    /// # Example
    /// ```
    /// use lobewright_types::{Azimuth, CircleDensity};
    /// let density = CircleDensity::normal(Azimuth::from_degrees(212.4), 1.8);
    /// let text = density.to_compact();
    /// assert!(text.starts_with("cd1.") && text.len() < 200);
    /// let back = CircleDensity::from_compact(&text)?;
    /// assert!(density.total_variation(&back) < 0.005);
    /// assert_eq!(back.to_compact(), text);
    /// # Ok::<(), lobewright_types::CompactError>(())
    /// ```
    pub fn to_compact(&self) -> String {
        self.to_compact_with_loss().0
    }

    /// [`Self::to_compact`] together with what was lost.
    pub fn to_compact_with_loss(&self) -> (String, CompactLoss) {
        let found = self.compact();
        let mut text = TAG.to_owned();
        URL_SAFE_NO_PAD.encode_string(&found.bytes, &mut text);
        (text, found.loss)
    }

    /// The bytes that [`Self::to_compact`] spells out, 744 at most, for ways that take any byte.
    pub fn to_compact_bytes(&self) -> Vec<u8> {
        self.compact().bytes
    }

    /// Reads what [`Self::to_compact`] wrote.
    ///
    /// # Errors
    /// [`CompactError`] for any text that no encoder writes: wrong tag, characters, version or checksum, numbers out
    /// of range or longer than needed.
    pub fn from_compact(text: &str) -> Result<Self, CompactError> {
        let Some(body) = text.strip_prefix(TAG) else {
            return Err(CompactError::Tag(text.chars().take(TAG.len()).collect()));
        };
        if text.len() > COMPACT_MAX_BYTES {
            return Err(CompactError::TooLong {
                found: text.len(),
                unit: "characters",
                most: COMPACT_MAX_BYTES,
            });
        }
        let bytes = URL_SAFE_NO_PAD.decode(body).map_err(|error| {
            use base64::DecodeError as E;
            let at = match error {
                E::InvalidByte(at, _) | E::InvalidLastSymbol { offset: at, .. } => at,
                E::InvalidLength(length) => length.saturating_sub(1),
                E::InvalidPadding => body.len().saturating_sub(1),
            };
            CompactError::Character {
                at: TAG.len() + at + 1,
            }
        })?;
        Self::from_compact_bytes(&bytes)
    }

    /// Reads what [`Self::to_compact_bytes`] wrote.
    ///
    /// # Errors
    /// [`CompactError`] for any bytes that no encoder writes.
    pub fn from_compact_bytes(bytes: &[u8]) -> Result<Self, CompactError> {
        Ok(Lattice::from_bytes(bytes)?.density()?)
    }
}
