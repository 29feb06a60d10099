//! Configuration and the composition of the stages into a pipeline.
//!
//! The stages know nothing of each other; this crate wires them: a recording is read, one channel is filtered out
//! of it, bursts are found, level readings are cut from them, the readings become a bearing and the bearings of
//! all places a position. A pipeline is described in TOML ([`PipelineConfig`]); running it ([`run`]) gives the same
//! result for the same input on any number of threads.

mod antenna;
mod calibrate;
mod config;
mod config_antenna;
mod direction;
mod error;
mod evidence;
mod guard;
mod homing;
mod listen;
mod place;
mod receivers;
mod run;
mod site;
mod summary;
mod threads;

pub use antenna::{AntennaModel, ArrayModel};
pub use calibrate::{CalibratedPlace, KnownTransmitter, calibrate};
pub use config::{
    BearingSection, BurstSection, ChannelSection, FixSection, JoinBursts, NorthName, PipelineConfig,
    PlaceSection,
};
pub use config_antenna::{AntennaKind, AntennaSection, IdealRingSection, PortSection, SwitchSection};
pub use error::{ConfigError, RunError};
pub use homing::Sides;
pub use place::{PlaceInput, PlaceResult, PlaceSettings, SpectrogramOf, process_place, process_recording};
pub use run::{Progress, RunOptions, RunResult, in_parallel, run};
pub use site::open_recording;
pub use summary::RecordingSummary;
