//! Azimuths that know which north they are counted from.

use std::fmt;
use std::marker::PhantomData;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

mod sealed {
    pub trait Sealed {}
}

/// The direction an azimuth is counted from.
pub trait North: sealed::Sealed + Copy + fmt::Debug + PartialEq + 'static {
    /// The word people and files use for it: `true`, `magnetic`, `grid` or `mount`.
    const NAME: &'static str;
}

/// Geographic north: the direction of the meridian on WGS 84.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct True;
/// Magnetic north at the place and date of the reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Magnetic;
/// North of a map's grid at the place of the reading: the direction in which its northings grow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid;
/// The zero mark of the antenna's mounting, or the vehicle's nose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mount;

impl sealed::Sealed for True {}
impl sealed::Sealed for Magnetic {}
impl sealed::Sealed for Grid {}
impl sealed::Sealed for Mount {}
impl North for True {
    const NAME: &'static str = "true";
}
impl North for Magnetic {
    const NAME: &'static str = "magnetic";
}
impl North for Grid {
    const NAME: &'static str = "grid";
}
impl North for Mount {
    const NAME: &'static str = "mount";
}

/// Wraps an angle in degrees into `[0, 360)`.
///
/// A plain `rem_euclid` returns 360 for tiny negative numbers; this does not.
///
/// # Example
/// ```
/// assert!(lobewright_types::wrap_degrees(-1e-18) < 360.0);
/// ```
pub fn wrap_degrees(deg: f64) -> f64 {
    let wrapped = deg.rem_euclid(360.0);
    if wrapped >= 360.0 { 0.0 } else { wrapped }
}

/// Wraps an angle in degrees into `(-180, 180]`.
pub fn wrap_signed_degrees(deg: f64) -> f64 {
    let wrapped = wrap_degrees(deg);
    if wrapped > 180.0 { wrapped - 360.0 } else { wrapped }
}

/// A direction in the horizontal plane, clockwise from the north `N`, in `[0, 360)` degrees.
///
/// Azimuths from different norths do not mix: changing the north takes the turn between them and gives back the
/// other type.
#[derive(Clone, Copy, PartialEq)]
pub struct Azimuth<N: North> {
    deg: f64,
    north: PhantomData<N>,
}

impl<N: North> Azimuth<N> {
    /// Takes an angle in degrees, of any size, clockwise positive.
    pub fn from_degrees(deg: f64) -> Self {
        Self {
            deg: wrap_degrees(deg),
            north: PhantomData,
        }
    }

    /// Takes an angle in radians, of any size, clockwise positive.
    pub fn from_radians(rad: f64) -> Self {
        Self::from_degrees(rad.to_degrees())
    }

    /// The azimuth in degrees, in `[0, 360)`.
    pub fn degrees(self) -> f64 {
        self.deg
    }

    /// The azimuth in radians, in `[0, 2 pi)`.
    pub fn radians(self) -> f64 {
        self.deg.to_radians()
    }

    /// The signed turn from here to `other` in degrees, in `(-180, 180]`, clockwise positive.
    pub fn turn_to(self, other: Self) -> f64 {
        wrap_signed_degrees(other.deg - self.deg)
    }

    /// The azimuth that lies `turn_deg` clockwise of this one.
    #[must_use]
    pub fn turned(self, turn_deg: f64) -> Self {
        Self::from_degrees(self.deg + turn_deg)
    }
}

impl Azimuth<Magnetic> {
    /// Counts the same direction from true north; `declination_deg` is east positive.
    pub fn to_true(self, declination_deg: f64) -> Azimuth<True> {
        Azimuth::from_degrees(self.deg + declination_deg)
    }
}

impl Azimuth<True> {
    /// Counts the same direction from magnetic north; `declination_deg` is east positive.
    pub fn to_magnetic(self, declination_deg: f64) -> Azimuth<Magnetic> {
        Azimuth::from_degrees(self.deg - declination_deg)
    }

    /// Counts the same direction from grid north; `convergence_deg` is where grid north lies, clockwise from true north.
    pub fn to_grid(self, convergence_deg: f64) -> Azimuth<Grid> {
        Azimuth::from_degrees(self.deg - convergence_deg)
    }
}

impl Azimuth<Grid> {
    /// Counts the same direction from true north; `convergence_deg` is where grid north lies, clockwise from true north.
    pub fn to_true(self, convergence_deg: f64) -> Azimuth<True> {
        Azimuth::from_degrees(self.deg + convergence_deg)
    }
}

impl Azimuth<Mount> {
    /// Counts the same direction from true north; `heading` is where the mounting's zero mark points.
    pub fn to_true(self, heading: Azimuth<True>) -> Azimuth<True> {
        Azimuth::from_degrees(self.deg + heading.deg)
    }
}

impl<N: North> fmt::Debug for Azimuth<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}° {}", self.deg, N::NAME)
    }
}

impl<N: North> fmt::Display for Azimuth<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(1);
        // 359.96 must print as 0.0, not as 360.0.
        let scale = 10_f64.powi(i32::try_from(digits).unwrap_or(9).min(9));
        let rounded = wrap_degrees((self.deg * scale).round() / scale);
        write!(f, "{rounded:.digits$}° {}", N::NAME)
    }
}

impl<N: North> Serialize for Azimuth<N> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.deg)
    }
}

impl<'de, N: North> Deserialize<'de> for Azimuth<N> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let deg = f64::deserialize(deserializer)?;
        if deg.is_finite() {
            Ok(Self::from_degrees(deg))
        } else {
            Err(serde::de::Error::custom(
                "an azimuth must be a finite number of degrees",
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiny_negative_angle_wraps_below_360() {
        assert!(wrap_degrees(-1e-18) < 360.0);
        assert!(Azimuth::<True>::from_degrees(-1e-18).degrees() < 360.0);
    }

    #[test]
    fn turn_goes_the_short_way() {
        let a = Azimuth::<True>::from_degrees(359.0);
        let b = Azimuth::<True>::from_degrees(1.0);
        assert!((a.turn_to(b) - 2.0).abs() < 1e-12);
        assert!((b.turn_to(a) + 2.0).abs() < 1e-12);
        assert!((a.turn_to(a.turned(180.0)) - 180.0).abs() < 1e-12);
    }

    #[test]
    fn east_declination_adds_to_a_magnetic_azimuth() {
        let compass = Azimuth::<Magnetic>::from_degrees(350.0);
        assert!((compass.to_true(23.0).degrees() - 13.0).abs() < 1e-12);
        assert!((compass.to_true(23.0).to_magnetic(23.0).degrees() - 350.0).abs() < 1e-12);
    }

    #[test]
    fn grid_north_east_of_true_north_adds_to_a_map_azimuth() {
        let map = Azimuth::<Grid>::from_degrees(359.0);
        assert!((map.to_true(1.9).degrees() - 0.9).abs() < 1e-12);
        assert!((map.to_true(1.9).to_grid(1.9).degrees() - 359.0).abs() < 1e-12);
        assert_eq!(map.to_string(), "359.0° grid");
    }

    #[test]
    fn prints_with_its_north_and_never_as_360() {
        assert_eq!(Azimuth::<True>::from_degrees(359.96).to_string(), "0.0° true");
        assert_eq!(
            format!("{:.2}", Azimuth::<Magnetic>::from_degrees(212.345)),
            "212.35° magnetic"
        );
    }
}
