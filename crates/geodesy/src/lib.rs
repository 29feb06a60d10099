//! Geodesics, the local frame, coordinates in the forms that people use, grid north and magnetic declination, all on WGS 84.
//!
//! Azimuths are true, positions geodetic, distances along the ellipsoid. Nothing here does I/O or reads a clock.

#![warn(clippy::disallowed_methods)]

mod angles;
mod area;
mod coordinates;
mod fast;
mod frame;
mod geodesic;
mod grid;
mod magnetic;
mod maidenhead;
mod mgrs;
mod utm;

pub use area::{ring_area_km2, signed_ring_area_km2};
pub use coordinates::{
    CoordinateError, CoordinateForm, ParseFormError, ParsedPosition, format_position, parse_position,
};
pub use fast::{EarthPoint, FastAzimuth};
pub use frame::LocalFrame;
pub use geodesic::{Inverse, direct, inverse};
pub use grid::{GridError, GridPosition, GridZone, grid_convergence};
pub use magnetic::{Declination, DeclinationError, FieldWarning, declination};
