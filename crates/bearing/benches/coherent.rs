//! Placeholder until the scene helpers exist.
fn main() {}
