//! The compact bytes of a density: knots on a lattice, and nothing that could be said in two ways.

use crate::{CircleDensity, DensityError};

/// The only version of the bytes so far.
pub(crate) const VERSION: u8 = 1;
/// Most bytes that a density takes, checksum included.
pub(crate) const MAX_BYTES: usize = 744;
/// Bytes of the checksum at the end.
pub(crate) const CHECKSUM_BYTES: usize = 4;
/// Finest unit of azimuth: ten to the minus this, in degrees.
pub(crate) const FINEST_UNIT: u8 = 7;
/// Steps of depth in one neper: a power of two, so that every depth is exact.
pub(crate) const STEPS_PER_NAT: f64 = 256.0;
/// Deepest value: 60 nepers below the peak.
pub(crate) const DEEPEST: u32 = 60 * 256;

/// Why a text or bytes are no compact density.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CompactError {
    /// Another kind of text.
    #[error("a compact density begins with `cd1.`, this begins with `{0}`")]
    Tag(String),
    /// More than any density takes.
    #[error("{found} {unit}, but a compact density has {most} at most")]
    TooLong {
        /// How many.
        found: usize,
        /// Of what.
        unit: &'static str,
        /// How many there may be.
        most: usize,
    },
    /// Characters that are not base64url, or are not as an encoder writes them.
    #[error("character {at} is not as base64url without padding (RFC 4648, section 5) has it")]
    Character {
        /// Which, counted from 1 in the whole text.
        at: usize,
    },
    /// Bytes end too early.
    #[error("the bytes end within {0}")]
    Truncated(&'static str),
    /// A version that this program does not know.
    #[error("version {0}, but only version 1 is known")]
    Version(u8),
    /// The checksum differs.
    #[error("the checksum is {found:08x} but the bytes give {computed:08x}: the text was damaged on its way")]
    Checksum {
        /// What the bytes end with.
        found: u32,
        /// What it would have to be.
        computed: u32,
    },
    /// A unit of azimuth that does not exist or is finer than needed.
    #[error("{0}")]
    Unit(&'static str),
    /// A number out of its range, or written longer than needed.
    #[error("byte {at}: {what}")]
    Number {
        /// Offset of the number's first byte.
        at: usize,
        /// What is wrong with it, and what would be right.
        what: &'static str,
    },
    /// Bytes between the last value and the checksum.
    #[error("{0} bytes are left over before the checksum")]
    LeftOver(usize),
    /// No knot at the peak.
    #[error("no knot has depth 0: depths count from the highest knot")]
    NoTop,
    /// Knots that make no density.
    #[error(transparent)]
    Density(#[from] DensityError),
}

/// Knots in whole units: azimuths in `10^-unit` degrees, depths below the peak in steps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Lattice {
    pub(crate) unit: u8,
    pub(crate) knots: Vec<(u64, u32)>,
}

fn units_per_deg(unit: u8) -> u64 {
    10_u64.pow(u32::from(unit))
}

impl Lattice {
    /// The lattice that holds a density's knots exactly, if there is one.
    pub(crate) fn exact(density: &CircleDensity) -> Option<Self> {
        let per_deg = units_per_deg(FINEST_UNIT) as f64;
        let peak = peak_of(density.ln_per_deg());
        let mut knots = Vec::with_capacity(density.azimuths_deg().len());
        for (&azimuth, &ln) in density.azimuths_deg().iter().zip(density.ln_per_deg()) {
            let units = (azimuth * per_deg).round();
            let steps = ((peak - ln) * STEPS_PER_NAT).round();
            // Rounding errors of the normalising are some 1e-14 nepers; azimuths are the nearest number or are not.
            let off = (peak - ln - steps / STEPS_PER_NAT).abs();
            let exact = units / per_deg;
            if (exact - azimuth).abs() > 4.0 * f64::EPSILON * azimuth
                || off > 1e-10
                || steps > f64::from(DEEPEST)
            {
                return None;
            }
            knots.push(knot(units, steps));
        }
        let rising = knots.windows(2).all(|w| w[0].0 < w[1].0);
        rising.then(|| {
            Self {
                unit: FINEST_UNIT,
                knots,
            }
            .coarsened()
        })
    }

    /// The lattice nearest to some of a density's knots, given in ascending order.
    pub(crate) fn near(density: &CircleDensity, kept: &[usize]) -> Self {
        let azimuths = density.azimuths_deg();
        let gap = |i: usize| {
            let next = azimuths[kept[(i + 1) % kept.len()]];
            let way = next - azimuths[kept[i]];
            if way > 0.0 { way } else { way + 360.0 }
        };
        let smallest = (0..kept.len()).map(gap).fold(360.0, f64::min);
        // Half a unit is then at most a two-hundredth of the smallest gap.
        let unit = (0..FINEST_UNIT)
            .find(|&u| smallest >= 100.0 / units_per_deg(u) as f64)
            .unwrap_or(FINEST_UNIT);
        let per_deg = units_per_deg(unit) as f64;
        let turn = 360 * units_per_deg(unit);
        let ln = density.ln_per_deg();
        let n = ln.len();
        let is_peak = |k: usize| ln[k] >= ln[(k + 1) % n] && ln[k] >= ln[(k + n - 1) % n];
        let mut values: Vec<(u64, f64)> = kept
            .iter()
            .map(|&k| {
                let units = (azimuths[k] * per_deg).round();
                let at = crate::Azimuth::from_degrees(units / per_deg);
                // A knot moves by less than a unit and its value goes along, but a peak keeps its height.
                let value = if is_peak(k) {
                    ln[k]
                } else {
                    density.ln_density_per_deg(at)
                };
                (knot(units, 0.0).0 % turn, value)
            })
            .collect();
        values.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
        values.dedup_by_key(|v| v.0);
        let peak = values.iter().map(|v| v.1).fold(f64::NEG_INFINITY, f64::max);
        let knots = values
            .into_iter()
            .map(|(units, ln)| {
                let steps = ((peak - ln) * STEPS_PER_NAT).round();
                (units, knot(0.0, steps.min(f64::from(DEEPEST))).1)
            })
            .collect();
        Self { unit, knots }.coarsened()
    }

    /// The same knots in the coarsest unit that holds them.
    fn coarsened(mut self) -> Self {
        while self.is_too_fine() {
            self.unit -= 1;
            for knot in &mut self.knots {
                knot.0 /= 10;
            }
        }
        self
    }

    fn is_too_fine(&self) -> bool {
        self.unit > 0 && self.knots.iter().all(|k| k.0 % 10 == 0)
    }

    pub(crate) fn density(&self) -> Result<CircleDensity, DensityError> {
        let per_deg = units_per_deg(self.unit) as f64;
        let azimuths = self.knots.iter().map(|k| k.0 as f64 / per_deg).collect();
        let values = self
            .knots
            .iter()
            .map(|k| -f64::from(k.1) / STEPS_PER_NAT)
            .collect();
        CircleDensity::from_knots(azimuths, values)
    }

    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let mut out = vec![VERSION, self.unit];
        put(&mut out, self.knots.len() as u64);
        let mut last = 0;
        for (i, &(units, _)) in self.knots.iter().enumerate() {
            put(&mut out, if i == 0 { units } else { units - last });
            last = units;
        }
        let mut last = 0;
        for &(_, steps) in &self.knots {
            put(&mut out, zigzag(i64::from(steps) - last));
            last = i64::from(steps);
        }
        let sum = crc32fast::hash(&out);
        out.extend_from_slice(&sum.to_be_bytes());
        out
    }

    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Self, CompactError> {
        if bytes.len() > MAX_BYTES {
            return Err(CompactError::TooLong {
                found: bytes.len(),
                unit: "bytes",
                most: MAX_BYTES,
            });
        }
        let Some((body, sum)) = bytes.split_last_chunk::<CHECKSUM_BYTES>() else {
            return Err(CompactError::Truncated("the checksum"));
        };
        match body.first() {
            None => return Err(CompactError::Truncated("the version")),
            Some(&VERSION) => {}
            Some(&other) => return Err(CompactError::Version(other)),
        }
        let (found, computed) = (u32::from_be_bytes(*sum), crc32fast::hash(body));
        if found != computed {
            return Err(CompactError::Checksum { found, computed });
        }
        let &unit = body
            .get(1)
            .ok_or(CompactError::Truncated("the unit of azimuth"))?;
        if unit > FINEST_UNIT {
            return Err(CompactError::Unit("the unit of azimuth must be from 0 to 7"));
        }
        let mut reader = Reader { body, at: 2 };
        let lattice = reader.lattice(unit)?;
        if reader.at < body.len() {
            return Err(CompactError::LeftOver(body.len() - reader.at));
        }
        if lattice.is_too_fine() {
            return Err(CompactError::Unit(
                "the unit of azimuth is finer than the knots need: write them in the coarsest that holds them",
            ));
        }
        Ok(lattice)
    }
}

pub(crate) fn peak_of(ln: &[f64]) -> f64 {
    ln.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole numbers from 0 to 3.6e9 and from 0 to 15360"
)]
fn knot(units: f64, steps: f64) -> (u64, u32) {
    (units as u64, steps.max(0.0) as u32)
}

/// Appends a number, seven bits a byte, the lowest first; every byte but the last has its top bit set.
fn put(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(0x80 | (value & 0x7f) as u8);
        value >>= 7;
    }
    out.push((value & 0x7f) as u8);
}

/// 0, -1, 1, -2, 2 … become 0, 1, 2, 3, 4 …
fn zigzag(value: i64) -> u64 {
    let twice = value.unsigned_abs() * 2;
    if value < 0 { twice - 1 } else { twice }
}

fn unzigzag(value: u64) -> i64 {
    let half = i64::try_from(value / 2).unwrap_or(i64::MAX - 1);
    if value % 2 == 1 { -half - 1 } else { half }
}

struct Reader<'a> {
    body: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    fn number(&mut self, what: &'static str) -> Result<u64, CompactError> {
        let start = self.at;
        let bad = |what| CompactError::Number { at: start, what };
        let mut value = 0_u64;
        for shift in (0..35).step_by(7) {
            let &byte = self.body.get(self.at).ok_or(CompactError::Truncated(what))?;
            self.at += 1;
            value |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return if byte == 0 && shift > 0 {
                    Err(bad(
                        "a number is longer than it needs: its last byte must not be 0",
                    ))
                } else {
                    Ok(value)
                };
            }
        }
        Err(bad("a number goes on after five bytes"))
    }

    fn lattice(&mut self, unit: u8) -> Result<Lattice, CompactError> {
        let start = self.at;
        let count = self.number("the number of knots")?;
        // Each knot takes two bytes or more: a larger count is refused before anything is set aside for it.
        let room = (self.body.len() - self.at) / 2;
        let count = usize::try_from(count)
            .ok()
            .filter(|&c| c <= room)
            .ok_or(CompactError::Number {
                at: start,
                what: "more knots than the bytes can hold",
            })?;
        let turn = 360 * units_per_deg(unit);
        let mut knots: Vec<(u64, u32)> = Vec::with_capacity(count);
        let mut last = 0;
        for i in 0..count {
            let at = self.at;
            let step = self.number("the azimuths")?;
            if i > 0 && step == 0 {
                return Err(CompactError::Number {
                    at,
                    what: "two knots at one azimuth; each must lie beyond the one before",
                });
            }
            last += step;
            if last >= turn {
                return Err(CompactError::Number {
                    at,
                    what: "a knot at 360 degrees or beyond",
                });
            }
            knots.push((last, 0));
        }
        let mut depth = 0_i64;
        for knot in &mut knots {
            let at = self.at;
            depth += unzigzag(self.number("the depths")?);
            knot.1 = u32::try_from(depth)
                .ok()
                .filter(|&d| d <= DEEPEST)
                .ok_or(CompactError::Number {
                    at,
                    what: "a depth outside of 0 to 15360 steps",
                })?;
        }
        if knots.iter().all(|k| k.1 != 0) {
            return Err(CompactError::NoTop);
        }
        Ok(Lattice { unit, knots })
    }
}
