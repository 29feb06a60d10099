//! Published values and the honesty tests against them.
//!
//! The crate has no code of its own: its tests reach across the other crates. Its README is the table of every value
//! from outside that a test of the workspace compares with, with source and tolerance.
