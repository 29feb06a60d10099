//! Chores: the checks that continuous integration runs, and the rules that tests hold the workspace to.
//!
//! `cargo xtask ci` runs every check in the order of [`steps::ALL`]. The rules on dependencies ([`layers`]),
//! licences ([`licences`]) and text ([`rules`]) are library functions; `tests/workspace.rs` applies them to this
//! workspace, so plain `cargo test` enforces them too.

pub mod ci;
pub mod fuzz;
pub mod layers;
pub mod licences;
pub mod maps;
pub mod pages;
pub mod readme;
pub mod rules;
pub mod rust_text;
pub mod setup;
pub mod shell;
pub mod steps;
pub mod workspace;
