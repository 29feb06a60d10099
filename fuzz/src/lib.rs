//! What the fuzz targets run; `crates/reference/tests/fuzz_replay.rs` runs the same on the seeds.

pub mod parsers;
