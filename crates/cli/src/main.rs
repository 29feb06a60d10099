//! The lobewright command line.
fn main() {}
