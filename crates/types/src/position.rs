//! Places on WGS 84 and the spread of a place.

use serde::{Deserialize, Serialize};

/// A place on the WGS 84 ellipsoid: north and east positive, degrees.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// Geodetic latitude, -90 to 90 degrees, north positive.
    pub lat_deg: f64,
    /// Longitude, -180 to 180 degrees, east positive.
    pub lon_deg: f64,
}

/// A latitude or longitude is out of range.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PositionError {
    /// The latitude is not a number from -90 to 90.
    #[error("latitude {0} must be a number from -90 to 90 degrees, north positive")]
    Latitude(f64),
    /// The longitude is not a number from -180 to 360.
    #[error("longitude {0} must be a number from -180 to 360 degrees, east positive")]
    Longitude(f64),
}

impl Position {
    /// Checks and takes a place; longitudes from 180 to 360 are counted down into `[-180, 180)`.
    ///
    /// # Errors
    /// [`PositionError`] where a coordinate is not finite or out of range.
    pub fn from_lat_lon(lat_deg: f64, lon_deg: f64) -> Result<Self, PositionError> {
        if !(-90.0..=90.0).contains(&lat_deg) {
            return Err(PositionError::Latitude(lat_deg));
        }
        if !(-180.0..=360.0).contains(&lon_deg) {
            return Err(PositionError::Longitude(lon_deg));
        }
        let lon_deg = if lon_deg >= 180.0 {
            lon_deg - 360.0
        } else {
            lon_deg
        };
        Ok(Self { lat_deg, lon_deg })
    }
}

/// A 2 by 2 covariance in the local east/north frame, square metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Covariance2 {
    /// Variance along east.
    pub ee_m2: f64,
    /// Covariance of east and north.
    pub en_m2: f64,
    /// Variance along north.
    pub nn_m2: f64,
}

impl Covariance2 {
    /// The 1-sigma semi-axes in metres, longer first, and the longer one's direction in degrees from true
    /// north, in `[0, 180)`.
    pub fn axes(self) -> (f64, f64, f64) {
        let mean = f64::midpoint(self.ee_m2, self.nn_m2);
        let half = (self.ee_m2 - self.nn_m2) / 2.0;
        let root = half.hypot(self.en_m2);
        // Angle of the long axis from east towards north, then turned into an azimuth.
        let from_east_deg = (0.5 * self.en_m2.atan2(half)).to_degrees();
        let azimuth_deg = (90.0 - from_east_deg).rem_euclid(180.0);
        (
            (mean + root).max(0.0).sqrt(),
            (mean - root).max(0.0).sqrt(),
            azimuth_deg,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swapped_coordinates_are_refused() {
        assert_eq!(
            Position::from_lat_lon(174.1, -41.3),
            Err(PositionError::Latitude(174.1))
        );
        assert!(Position::from_lat_lon(f64::NAN, 0.0).is_err());
    }

    #[test]
    fn longitudes_fold_at_180() {
        let p = Position::from_lat_lon(-41.3, 185.9).unwrap();
        assert!((p.lon_deg + 174.1).abs() < 1e-9);
    }

    // Closed form of a diagonal covariance.
    #[test]
    fn long_axis_points_where_the_variance_is_large() {
        let (major, minor, azimuth) = Covariance2 {
            ee_m2: 1.0,
            en_m2: 0.0,
            nn_m2: 9.0,
        }
        .axes();
        assert!((major - 3.0).abs() < 1e-12 && (minor - 1.0).abs() < 1e-12);
        assert!(azimuth.abs() < 1e-9 || (azimuth - 180.0).abs() < 1e-9);
        let (_, _, east) = Covariance2 {
            ee_m2: 9.0,
            en_m2: 0.0,
            nn_m2: 1.0,
        }
        .axes();
        assert!((east - 90.0).abs() < 1e-9);
    }
}
