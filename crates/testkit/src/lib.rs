//! Test helpers: spectral masks and seeded signals.
