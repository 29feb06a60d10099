//! Geodesics, the local frame and magnetic declination, all on WGS 84.
//!
//! Azimuths are true, positions geodetic, distances along the ellipsoid. Nothing here does I/O or reads a clock.

#![warn(clippy::disallowed_methods)]

mod area;
mod fast;
mod frame;
mod geodesic;
mod magnetic;

pub use area::{ring_area_km2, signed_ring_area_km2};
pub use fast::{EarthPoint, FastAzimuth};
pub use frame::LocalFrame;
pub use geodesic::{Inverse, direct, inverse};
pub use magnetic::{Declination, DeclinationError, FieldWarning, declination};
