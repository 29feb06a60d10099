//! Geodesics, the local frame and magnetic declination.
