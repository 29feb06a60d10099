//! Bearings and station positions become a position with its regions.
//!
//! [`solve`] is the estimator: the whole posterior over the map, with a share for bearings that are reflections.
//! [`solve_evidence`] takes in what is no bearing too: levels, silence and areas.
//! [`linearized`] is the classic least-squares answer, kept for baselines, chi-square and ellipses. Bearings that a person wrote down come
//! in through [`read_hand_bearings`]. Everything is computed on WGS 84 geodesics; nothing here does I/O, reads a
//! clock or draws a random number.

#![warn(clippy::disallowed_methods)]

pub mod advice;
mod clues;
mod config;
mod contour;
mod evidence;
mod focus;
mod geometry;
mod grid;
mod hand;
mod hand_levels;
mod headings;
mod likelihood;
mod linear;
mod mesh;
mod modes;
mod moving;
mod offset;
mod place;
mod places;
mod raster;
mod running;
mod search;
mod slots;
mod solve;
mod statements;
mod table;
mod tile;
mod top;
mod verdicts;

pub use clues::config::ClueConfig;
pub use clues::outlook::{LevelOutlook, level_outlook};
pub use config::FixConfig;
pub use evidence::{Evidence, PowerPrior, solve_evidence};
pub use hand::{HandError, HandWarning, from_normal, read_hand_bearings};
pub use hand_levels::{HandTable, read_hand_table};
pub use linear::{LinearFix, linearized};
pub use moving::{MovingConfig, MovingError, MovingPosition, MovingStep, MovingTrack, track};
pub use raster::{PosteriorRaster, posterior_grid, posterior_grid_evidence};
pub use running::RunningFix;
pub use slots::{SlotDoubt, SlotPlan, SlotPlanError};
pub use solve::solve;
