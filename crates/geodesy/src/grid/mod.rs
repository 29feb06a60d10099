//! Universal Transverse Mercator and Universal Polar Stereographic grids.

mod krueger;
mod polar;

use std::fmt;
use std::sync::LazyLock;

use krueger::{TransverseMercator, WGS84};
use lobewright_types::{Position, wrap_signed_degrees};

static TRANSVERSE: LazyLock<TransverseMercator> = LazyLock::new(|| TransverseMercator::of(WGS84));

/// Scale on the central meridian of a zone, and at the pole.
const UTM_SCALE: f64 = 0.9996;
const UPS_SCALE: f64 = 0.994;
/// What is added to the eastings of a zone, and to the northings of its southern half.
const UTM_EAST_M: f64 = 500_000.0;
const UTM_SOUTH_M: f64 = 10_000_000.0;
/// What is added to both coordinates of a polar grid.
const UPS_M: f64 = 2_000_000.0;
/// Eastings that a zone's grid is used for. The standard's are 100 to 900 km; the rest is for maps that carry a grid on.
const UTM_EASTINGS_M: (f64, f64) = (0.0, 1_000_000.0);
/// Half the side of a polar grid in metres: some 10 degrees further from the pole than it is used.
const UPS_HALF_SIDE_M: f64 = 2_000_000.0;

/// Letters of the latitude bands from 80 S to 84 N, each 8 degrees high, the last 12.
pub(crate) const BANDS: &[u8; 20] = b"CDEFGHJKLMNPQRSTUVWX";

/// The grid that a place is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum GridZone {
    /// A zone of the Universal Transverse Mercator grid, 1 to 60, six degrees wide, counted from 180 W eastwards.
    Utm(u8),
    /// The Universal Polar Stereographic grid of the north.
    UpsNorth,
    /// That of the south.
    UpsSouth,
}

/// Why a place has no coordinates in a grid, or coordinates no place.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum GridError {
    /// No such zone.
    #[error("zone {0} is no UTM zone; zones are 1 to 60, counted from 180° W eastwards")]
    Zone(u8),
    /// The place is none.
    #[error(
        "latitude {lat_deg}, longitude {lon_deg} is no place: they must be -90 to 90 and -180 to 180 degrees"
    )]
    Place {
        /// Latitude found.
        lat_deg: f64,
        /// Longitude found.
        lon_deg: f64,
    },
    /// The zone's grid is not carried on so far.
    #[error(
        "the grid of {zone} does not reach latitude {lat_deg:.4}, longitude {lon_deg:.4}; the zone there is {right}"
    )]
    OutsideZone {
        /// The zone asked for.
        zone: GridZone,
        /// The latitude.
        lat_deg: f64,
        /// The longitude.
        lon_deg: f64,
        /// The zone that holds the place.
        right: GridZone,
    },
    /// An easting that no place of the zone has.
    #[error("easting {easting_m} m is outside {zone}; there it must be from {} to {} m", range_m(*zone).0, range_m(*zone).1)]
    Easting {
        /// The zone.
        zone: GridZone,
        /// The easting found.
        easting_m: f64,
    },
    /// A northing that no place of the zone has.
    #[error("northing {northing_m} m is outside {zone}; there it must be from 0 to {} m", range_m(*zone).2)]
    Northing {
        /// The zone.
        zone: GridZone,
        /// The northing found.
        northing_m: f64,
    },
}

/// Least and largest easting and largest northing that are read.
fn range_m(zone: GridZone) -> (f64, f64, f64) {
    match zone {
        GridZone::Utm(_) => (UTM_EASTINGS_M.0, UTM_EASTINGS_M.1, UTM_SOUTH_M),
        GridZone::UpsNorth | GridZone::UpsSouth => (
            UPS_M - UPS_HALF_SIDE_M,
            UPS_M + UPS_HALF_SIDE_M,
            UPS_M + UPS_HALF_SIDE_M,
        ),
    }
}

impl GridZone {
    /// The grid that a place belongs to.
    ///
    /// UTM from 80 S up to, not including, 84 N, with the wider zones of south-west Norway (32V) and Svalbard (31X to 37X); UPS
    /// beyond. Latitudes and longitudes out of range are taken as they are.
    ///
    /// # Method
    /// NGA.SIG.0012, *The Universal Grids and the Transverse Mercator and Polar Stereographic Map Projections* (2014), chapters 7 and 11.
    pub fn of(position: Position) -> Self {
        let (lat, lon) = (position.lat_deg, wrap_signed_degrees(position.lon_deg));
        if lat >= 84.0 {
            return Self::UpsNorth;
        }
        if lat < -80.0 {
            return Self::UpsSouth;
        }
        // 180 itself is 180 W, the beginning of zone 1.
        let lon = if lon >= 180.0 { lon - 360.0 } else { lon };
        Self::Utm(if (56.0..64.0).contains(&lat) && (3.0..12.0).contains(&lon) {
            32
        } else if lat >= 72.0 && (0.0..42.0).contains(&lon) {
            match lon {
                x if x < 9.0 => 31,
                x if x < 21.0 => 33,
                x if x < 33.0 => 35,
                _ => 37,
            }
        } else {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "from 1 to 60"
            )]
            let zone = (((lon + 180.0) / 6.0).floor() + 1.0).clamp(1.0, 60.0) as u8;
            zone
        })
    }

    /// Longitude of the central meridian in degrees; of the polar grids, of the meridian along which grid north is true.
    pub fn central_meridian_deg(self) -> f64 {
        match self {
            Self::Utm(zone) => f64::from(zone) * 6.0 - 183.0,
            Self::UpsNorth | Self::UpsSouth => 0.0,
        }
    }
}

impl fmt::Display for GridZone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Utm(zone) => write!(f, "UTM zone {zone}"),
            Self::UpsNorth => f.write_str("UPS north"),
            Self::UpsSouth => f.write_str("UPS south"),
        }
    }
}

/// A place by its coordinates in a grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridPosition {
    /// The grid.
    pub zone: GridZone,
    /// Whether northings count from the equator (or round the north pole); south of it they have 10,000 km added.
    pub north: bool,
    /// Easting in metres, false easting included.
    pub easting_m: f64,
    /// Northing in metres, false northing included.
    pub northing_m: f64,
}

impl GridPosition {
    /// Finds the coordinates of a place in the grid that it belongs to.
    ///
    /// # Errors
    /// [`GridError::Place`] where the place is none.
    ///
    /// # Method
    /// As [`GridPosition::in_zone`].
    pub fn of(position: Position) -> Result<Self, GridError> {
        check_place(position)?;
        Self::in_zone(position, GridZone::of(position))
    }

    /// Finds the coordinates of a place in a grid, which may be a neighbour's.
    ///
    /// # Errors
    /// [`GridError::Zone`], [`GridError::Place`]; [`GridError::OutsideZone`] where the easting would leave 0 to 1000 km (UTM), or the
    /// place is on the other side of the earth (UPS).
    ///
    /// # Method
    /// Krueger's series to the eighth order: Karney, 'Transverse Mercator with an accuracy of a few nanometers', *Journal of
    /// Geodesy* 85 (2011), sections 2 and 3. Polar stereographic: Snyder, USGS Professional Paper 1395 (1987), chapter 21.
    ///
    /// # Example
    /// ```
    /// use lobewright_geodesy::{GridPosition, GridZone};
    /// use lobewright_types::Position;
    ///
    /// let hill = GridPosition::of(Position::from_lat_lon(-41.3, 174.1)?)?;
    /// assert_eq!((hill.zone, hill.north), (GridZone::Utm(60), false));
    /// assert!((hill.easting_m - 257_201.235).abs() < 1e-3 && (hill.northing_m - 5_423_881.936).abs() < 1e-3);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn in_zone(position: Position, zone: GridZone) -> Result<Self, GridError> {
        let plane = project(position, zone)?;
        let north = match zone {
            GridZone::Utm(_) => position.lat_deg >= 0.0,
            GridZone::UpsNorth => true,
            GridZone::UpsSouth => false,
        };
        let (east_m, north_m) = origin_m(zone, north);
        Ok(Self {
            zone,
            north,
            easting_m: plane.east_m + east_m,
            northing_m: plane.north_m + north_m,
        })
    }

    /// The place on WGS 84.
    ///
    /// # Errors
    /// [`GridError::Zone`]; [`GridError::Easting`] and [`GridError::Northing`] outside the ranges they name.
    pub fn position(self) -> Result<Position, GridError> {
        let zone = checked(self.zone)?;
        let (least, most, top) = range_m(zone);
        if !(least..=most).contains(&self.easting_m) {
            return Err(GridError::Easting {
                zone,
                easting_m: self.easting_m,
            });
        }
        if !(0.0..=top).contains(&self.northing_m) {
            return Err(GridError::Northing {
                zone,
                northing_m: self.northing_m,
            });
        }
        let (east_m, north_m) = origin_m(zone, self.north);
        let (x, y) = (self.easting_m - east_m, self.northing_m - north_m);
        let (lat_deg, lon_deg) = match zone {
            GridZone::Utm(_) => TRANSVERSE.unproject(x, y, UTM_SCALE),
            GridZone::UpsNorth => polar::backward(WGS84, (x, y), true, UPS_SCALE),
            GridZone::UpsSouth => polar::backward(WGS84, (x, y), false, UPS_SCALE),
        };
        let lon_deg = wrap_signed_degrees(lon_deg + zone.central_meridian_deg());
        Ok(Position {
            lat_deg: lat_deg.clamp(-90.0, 90.0),
            lon_deg: if lon_deg >= 180.0 {
                lon_deg - 360.0
            } else {
                lon_deg
            },
        })
    }
}

/// False easting and northing in metres.
fn origin_m(zone: GridZone, north: bool) -> (f64, f64) {
    match (zone, north) {
        (GridZone::Utm(_), true) => (UTM_EAST_M, 0.0),
        (GridZone::Utm(_), false) => (UTM_EAST_M, UTM_SOUTH_M),
        (GridZone::UpsNorth | GridZone::UpsSouth, _) => (UPS_M, UPS_M),
    }
}

fn checked(zone: GridZone) -> Result<GridZone, GridError> {
    match zone {
        GridZone::Utm(number) if !(1..=60).contains(&number) => Err(GridError::Zone(number)),
        _ => Ok(zone),
    }
}

fn check_place(position: Position) -> Result<(), GridError> {
    let Position { lat_deg, lon_deg } = position;
    if (-90.0..=90.0).contains(&lat_deg) && (-360.0..=360.0).contains(&lon_deg) {
        Ok(())
    } else {
        Err(GridError::Place { lat_deg, lon_deg })
    }
}

fn project(position: Position, zone: GridZone) -> Result<krueger::Plane, GridError> {
    let zone = checked(zone)?;
    check_place(position)?;
    let Position { lat_deg, lon_deg } = position;
    let outside = GridError::OutsideZone {
        zone,
        lat_deg,
        lon_deg,
        right: GridZone::of(position),
    };
    let from_meridian_deg = wrap_signed_degrees(lon_deg - zone.central_meridian_deg());
    let plane = match zone {
        // Beyond a quarter of the way round a zone's plane shows the far side of the earth.
        GridZone::Utm(_) if from_meridian_deg.abs() >= 90.0 => return Err(outside),
        GridZone::Utm(_) => TRANSVERSE.project(lat_deg, from_meridian_deg, UTM_SCALE),
        GridZone::UpsNorth => polar::forward(WGS84, (lat_deg, from_meridian_deg), true, UPS_SCALE),
        GridZone::UpsSouth => polar::forward(WGS84, (lat_deg, from_meridian_deg), false, UPS_SCALE),
    };
    let half_m = match zone {
        GridZone::Utm(_) => UTM_EAST_M,
        GridZone::UpsNorth | GridZone::UpsSouth => UPS_HALF_SIDE_M,
    };
    // Not `>`: what is not a number is outside too.
    let inside =
        plane.east_m.abs() <= half_m && (matches!(zone, GridZone::Utm(_)) || plane.north_m.abs() <= half_m);
    if inside { Ok(plane) } else { Err(outside) }
}

/// Finds the direction of a zone's grid north, clockwise from true north, in degrees in `(-180, 180]`.
///
/// Adding it to a direction counted from grid north gives one counted from true north:
/// [`Azimuth::<Grid>::to_true`](lobewright_types::Azimuth). East of the central meridian it is positive in the north and negative in the
/// south; at a pole it is counted from the meridian of the longitude given.
///
/// # Errors
/// As [`GridPosition::in_zone`].
///
/// # Method
/// Karney, 'Transverse Mercator with an accuracy of a few nanometers', *Journal of Geodesy* 85 (2011), sections 2 and 3.
///
/// # Example
/// ```
/// use lobewright_geodesy::{GridZone, grid_convergence};
/// use lobewright_types::{Azimuth, Grid, Position};
///
/// let hill = Position::from_lat_lon(-41.3, 174.1)?;
/// let convergence_deg = grid_convergence(hill, GridZone::of(hill))?;
/// let map = Azimuth::<Grid>::from_degrees(350.0);
/// assert!((map.to_true(convergence_deg).degrees() - 351.9).abs() < 0.1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn grid_convergence(position: Position, zone: GridZone) -> Result<f64, GridError> {
    project(position, zone).map(|plane| wrap_signed_degrees(plane.convergence_deg))
}

/// The latitude band's letter, from 80 S to 84 N.
pub(crate) fn band_letter(lat_deg: f64) -> char {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "from 0 to 19"
    )]
    let index = ((lat_deg + 80.0) / 8.0).floor().clamp(0.0, 19.0) as usize;
    char::from(BANDS[index])
}

/// Southern and northern latitude of a band in degrees.
pub(crate) fn band_lats_deg(letter: char) -> Option<(f64, f64)> {
    let index = BANDS.iter().position(|&b| char::from(b) == letter)?;
    let south = -80.0 + 8.0 * index as f64;
    Some((south, if letter == 'X' { 84.0 } else { south + 8.0 }))
}
