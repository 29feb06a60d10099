//! The log of a hunt: an append-only file of JSON Lines, one entry a line.
//!
//! Nothing in it is ever changed or deleted. What was wrong is taken back by a later entry; a line that a crash or a power
//! cut tore stays where it is, and writing goes on behind it. `docs/hunt_log.md` describes the format.

mod entry;
mod error;
mod read;
mod replay;
mod writer;

pub use entry::{
    CompassReading, HUNT_FORMAT, HUNT_VERSION, HuntEntry, HuntFact, MeterReading, NorthUsed, hunt_line,
};
pub use error::{AsideReason, HuntLogError};
pub use read::{AsideLine, HuntLog, is_hunt_log, read_hunt_log};
pub use writer::HuntWriter;
