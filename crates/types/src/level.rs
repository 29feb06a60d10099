//! Levels with their reference: a ratio in dB, a level against full scale, a power in dBm.

use std::fmt;
use std::ops::{Add, Neg, Sub};

use serde::{Deserialize, Serialize};

/// A ratio of powers in decibels.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Db(pub f64);

/// A level in decibels against full scale: a complex tone of amplitude 1.0 has 0 dBFS.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Dbfs(pub f64);

/// A power in decibels against one milliwatt at the antenna terminal; comes only from a calibration.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Dbm(pub f64);

impl Db {
    /// The ratio of two powers; `None` unless it is positive and finite.
    pub fn from_power_ratio(ratio: f64) -> Option<Self> {
        (ratio > 0.0 && ratio.is_finite()).then(|| Self(10.0 * ratio.log10()))
    }

    /// The ratio of powers, 1.0 for 0 dB.
    pub fn power_ratio(self) -> f64 {
        10_f64.powf(self.0 / 10.0)
    }
}

impl Dbfs {
    /// The level of a mean power against full scale; `None` unless it is positive and finite.
    pub fn from_power(power_lin: f64) -> Option<Self> {
        Db::from_power_ratio(power_lin).map(|db| Self(db.0))
    }

    /// The mean power, 1.0 at full scale.
    pub fn power(self) -> f64 {
        Db(self.0).power_ratio()
    }
}

impl Neg for Db {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Add for Db {
    type Output = Self;
    fn add(self, rhs: Self) -> Self {
        Self(self.0 + rhs.0)
    }
}

impl Sub for Db {
    type Output = Self;
    fn sub(self, rhs: Self) -> Self {
        Self(self.0 - rhs.0)
    }
}

macro_rules! level_arithmetic {
    ($level:ident, $unit:literal) => {
        impl Sub for $level {
            type Output = Db;
            fn sub(self, rhs: Self) -> Db {
                Db(self.0 - rhs.0)
            }
        }
        impl Add<Db> for $level {
            type Output = Self;
            fn add(self, rhs: Db) -> Self {
                Self(self.0 + rhs.0)
            }
        }
        impl Sub<Db> for $level {
            type Output = Self;
            fn sub(self, rhs: Db) -> Self {
                Self(self.0 - rhs.0)
            }
        }
        impl fmt::Display for $level {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(
                    f,
                    concat!("{:.*} ", $unit),
                    f.precision().unwrap_or(1),
                    self.0
                )
            }
        }
    };
}

level_arithmetic!(Dbfs, "dBFS");
level_arithmetic!(Dbm, "dBm");

impl fmt::Display for Db {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.*} dB", f.precision().unwrap_or(1), self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_levels_differ_by_a_ratio() {
        let ratio: Db = Dbfs(-10.0) - Dbfs(-30.0);
        assert!((ratio.0 - 20.0).abs() < 1e-12);
        assert!((ratio.power_ratio() - 100.0).abs() < 1e-9);
    }

    #[test]
    fn no_level_comes_from_zero_or_negative_power() {
        assert_eq!(Dbfs::from_power(0.0), None);
        assert_eq!(Dbfs::from_power(-1.0), None);
        assert_eq!(Dbfs::from_power(f64::NAN), None);
    }

    #[test]
    fn prints_with_its_reference() {
        assert_eq!(Dbfs(-12.34).to_string(), "-12.3 dBFS");
        assert_eq!(Dbm(-93.0).to_string(), "-93.0 dBm");
    }
}
