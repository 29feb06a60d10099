//! Magnetic declination from the World Magnetic Model 2025.

use std::fmt;

use lobewright_types::{Position, Timestamp};
use world_magnetic_model::time::{Date, Month};
use world_magnetic_model::uom::si::angle::degree;
use world_magnetic_model::uom::si::f32::{Angle, Length};
use world_magnetic_model::uom::si::length::meter;
use world_magnetic_model::{GeomagneticField, WarningZone};

/// First and last year of the model, the last not included.
const VALID_YEARS: (f64, f64) = (2025.0, 2030.0);
/// Heights the model holds for, in metres above the ellipsoid.
const VALID_HEIGHTS_M: (f64, f64) = (-1_000.0, 850_000.0);

/// Places where a compass is not to be trusted.
///
/// The limits are those of the model's report (NOAA/BGS, *The US/UK World Magnetic Model for 2025-2030*).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FieldWarning {
    /// The horizontal field is under 6000 nT: a compass is sluggish and the declination changes fast with place.
    Caution,
    /// It is under 2000 nT: no compass bearing is usable.
    Blackout,
}

impl fmt::Display for FieldWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Caution => {
                "the horizontal magnetic field is under 6000 nT here: compass bearings may be well off; take true bearings from landmarks or satellite positions"
            }
            Self::Blackout => {
                "the horizontal magnetic field is under 2000 nT here: a compass does not work; take true bearings from landmarks or satellite positions"
            }
        })
    }
}

/// How far magnetic north lies east of true north.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Declination {
    /// East positive, in `(-180, 180]`.
    pub deg: f64,
    /// One standard deviation of the model against the field on the spot, by the model's own error budget; iron nearby is not
    /// in it.
    pub sigma_deg: f64,
    /// Where a compass is in doubt.
    pub warning: Option<FieldWarning>,
}

/// Why there is no declination.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DeclinationError {
    /// The model ends.
    #[error(
        "{time} is outside the magnetic model, which holds from 2025-01-01 to 2029-12-31; give a true bearing instead"
    )]
    Date {
        /// What was asked for.
        time: Timestamp,
    },
    /// Too high or too low, or not a number.
    #[error(
        "height {0} m is outside the magnetic model, which holds from -1000 m to 850000 m above the ellipsoid"
    )]
    Height(f64),
    /// Not a place.
    #[error(
        "latitude {lat_deg}, longitude {lon_deg} is no place: they must be -90 to 90 and -180 to 180 degrees"
    )]
    Place {
        /// Latitude found.
        lat_deg: f64,
        /// Longitude found.
        lon_deg: f64,
    },
}

/// Computes the declination at a place and date.
///
/// # Inputs
/// `height_m` above the ellipsoid (100 m matter by less than 0.001 degrees); `time` from 2025-01-01 up to, not including,
/// 2030-01-01 UTC, used to the day.
///
/// # Errors
/// [`DeclinationError`] outside the model's dates and heights, or where the position is none.
///
/// # Method
/// World Magnetic Model 2025 (NOAA National Centers for Environmental Information and British Geological Survey), by the crate
/// `world_magnetic_model`, in 32-bit floats.
///
/// # Example
/// ```
/// use lobewright_geodesy::declination;
/// use lobewright_types::Position;
///
/// let hill = Position::from_lat_lon(-41.3, 174.1)?;
/// let d = declination(hill, 0.0, "2026-02-14T00:00:00Z".parse()?)?;
/// assert!((d.deg - 23.0).abs() < 0.7 && d.warning.is_none());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn declination(
    position: Position,
    height_m: f64,
    time: Timestamp,
) -> Result<Declination, DeclinationError> {
    let date = model_date(time)?;
    if !(VALID_HEIGHTS_M.0..=VALID_HEIGHTS_M.1).contains(&height_m) {
        return Err(DeclinationError::Height(height_m));
    }
    let no_place = DeclinationError::Place {
        lat_deg: position.lat_deg,
        lon_deg: position.lon_deg,
    };
    if !position.lat_deg.is_finite() || !position.lon_deg.is_finite() {
        return Err(no_place);
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the model's crate computes in f32"
    )]
    let (height, lat, lon) = (
        Length::new::<meter>(height_m as f32),
        Angle::new::<degree>(position.lat_deg as f32),
        Angle::new::<degree>(position.lon_deg as f32),
    );
    let field = GeomagneticField::new(height, lat, lon, date).map_err(|_| no_place)?;
    Ok(Declination {
        deg: f64::from(field.declination().get::<degree>()),
        sigma_deg: f64::from(field.declination_uncertainty().get::<degree>()),
        warning: field.declination_warning().map(|zone| match zone {
            WarningZone::BlackoutZone => FieldWarning::Blackout,
            WarningZone::CautionZone => FieldWarning::Caution,
        }),
    })
}

fn model_date(time: Timestamp) -> Result<Date, DeclinationError> {
    let outside = DeclinationError::Date { time };
    let year = time.decimal_year();
    if year < VALID_YEARS.0 || year >= VALID_YEARS.1 {
        return Err(outside);
    }
    let (year, month, day) = time.date_utc();
    let month = Month::try_from(month).map_err(|_| outside)?;
    Date::from_calendar_date(year, month, day).map_err(|_| outside)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    const HILL: Position = Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };

    #[test]
    fn dates_outside_the_model_are_refused_with_its_range() {
        for text in ["2024-12-31T23:59:59Z", "2030-01-01T00:00:00Z"] {
            let error = declination(HILL, 0.0, at(text)).unwrap_err();
            assert_eq!(
                error.to_string(),
                format!(
                    "{text} is outside the magnetic model, which holds from 2025-01-01 to 2029-12-31; give a true bearing instead"
                )
            );
        }
        assert!(declination(HILL, 0.0, at("2025-01-01T00:00:00Z")).is_ok());
        assert!(declination(HILL, 0.0, at("2029-12-31T23:59:59Z")).is_ok());
    }

    #[test]
    fn heights_and_places_out_of_range_are_refused() {
        let t = at("2026-01-01T00:00:00Z");
        assert_eq!(declination(HILL, 1e6, t), Err(DeclinationError::Height(1e6)));
        let nowhere = Position {
            lat_deg: 91.0,
            lon_deg: 0.0,
        };
        let error = declination(nowhere, 0.0, t).unwrap_err();
        assert_eq!(
            error.to_string(),
            "latitude 91, longitude 0 is no place: they must be -90 to 90 and -180 to 180 degrees"
        );
        let nan = Position {
            lat_deg: f64::NAN,
            lon_deg: 0.0,
        };
        assert!(declination(nan, 0.0, t).is_err());
        assert_eq!(
            declination(HILL, 1e6, t).unwrap_err().to_string(),
            "height 1000000 m is outside the magnetic model, which holds from -1000 m to 850000 m above the ellipsoid"
        );
    }
}
