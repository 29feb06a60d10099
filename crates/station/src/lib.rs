//! Configuration and the composition of the stages into a pipeline.
//!
//! The stages know nothing of each other; this crate wires them: a recording is read, one channel is filtered out
//! of it, bursts are found, level readings are cut from them, the readings become a bearing and the bearings of
//! all places a position. A pipeline is described in TOML ([`PipelineConfig`]); running it ([`run`]) gives the same
//! result for the same input on any number of threads.

mod config;
mod error;
mod listen;
mod place;
mod run;
mod site;
mod summary;
mod threads;

pub use config::{
    AntennaSection, BearingSection, BurstSection, ChannelSection, FixSection, JoinBursts, NorthName,
    PipelineConfig, PlaceSection,
};
pub use error::{ConfigError, RunError};
pub use place::{PlaceInput, PlaceResult, PlaceSettings, SpectrogramOf, process_place, process_recording};
pub use run::{Progress, RunOptions, RunResult, in_parallel, run};
pub use site::open_recording;
pub use summary::RecordingSummary;
