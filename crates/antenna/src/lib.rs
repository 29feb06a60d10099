//! Antenna patterns, azimuth tracks and switching order.
