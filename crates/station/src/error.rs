//! What can go wrong with a pipeline, by family of operations.

use std::path::PathBuf;

/// A pipeline file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("cannot read pipeline `{path}`")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Not TOML, an unknown key, or a value of the wrong kind; the text names line and column.
    #[error("pipeline `{name}` is not valid: {reason}")]
    Parse {
        /// The file's name.
        name: String,
        /// Line, column and what is wrong.
        reason: String,
    },
    /// A value out of its range.
    #[error("pipeline `{name}`: `{field}` is {found}, but must be {expected}")]
    Value {
        /// The file's name.
        name: String,
        /// The key with its section, such as `burst.min_length_s`.
        field: String,
        /// What was found.
        found: String,
        /// What would be right.
        expected: String,
    },
}

/// A run that could not be carried out.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The settings are wrong.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The recording cannot be opened.
    #[error("place `{place}`: cannot open its recording")]
    Open {
        /// The place.
        place: String,
        /// Why.
        source: lobewright_source::OpenError,
    },
    /// The recording cannot be read on.
    #[error("place `{place}`: cannot read its recording")]
    Read {
        /// The place.
        place: String,
        /// Why.
        source: lobewright_source::ReadError,
    },
    /// The channel cannot be filtered out of this recording.
    #[error("place `{place}`: cannot set up or run the channel filter")]
    Channel {
        /// The place.
        place: String,
        /// Why.
        source: lobewright_dsp::BankError,
    },
    /// The burst detector cannot be set up.
    #[error("place `{place}`: cannot set up or run the burst detector")]
    Detector {
        /// The place.
        place: String,
        /// Why.
        source: lobewright_burst::DetectorError,
    },
    /// A coherent array and a recording that do not belong together.
    #[error(
        "place `{place}`: its recording has {found} channels, but the array has {wanted} ports and should have a channel for each"
    )]
    Channels {
        /// The place.
        place: String,
        /// Channels of the recording.
        found: usize,
        /// Ports of the array.
        wanted: usize,
    },
    /// A switch with more ports than there are antennas.
    #[error(
        "place `{place}`: the switch goes to port {found}, but the antenna has {wanted} ports, counted from 1"
    )]
    Ports {
        /// The place.
        place: String,
        /// Highest port of the schedule, from 1.
        found: usize,
        /// Ports of the antenna.
        wanted: usize,
    },
    /// A switch that the channel filter cannot follow.
    #[error(
        "place `{place}`: the channel filter remembers {memory_s:.2e} s on either side, too long for this switch; make channel.stop_half_width_hz less pass_half_width_hz wider, lower channel.stopband_db, or switch more slowly"
    )]
    Switch {
        /// The place.
        place: String,
        /// How long the filter remembers, on either side.
        memory_s: f64,
        /// Which step is too short.
        source: lobewright_antenna::ScheduleError,
    },
    /// Coherent channels that cannot be calibrated.
    #[error("cannot calibrate the channels")]
    Calibration(#[from] lobewright_bearing::coherent::CalibrationError),
    /// A stage broke down: a fault of the program.
    #[error("place `{place}`: the {stage} broke down; this is a fault of the program, please report it")]
    Panicked {
        /// The place.
        place: String,
        /// Which stage.
        stage: &'static str,
    },
    /// A file beside the recording cannot be used.
    #[error("place `{place}`: cannot use {what} `{path}`")]
    Companion {
        /// The place.
        place: String,
        /// What the file is for.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// Something is missing that the recording does not say either.
    #[error("place `{place}`: {what} is not known; {remedy}")]
    Missing {
        /// The place.
        place: String,
        /// What is missing.
        what: &'static str,
        /// How to give it.
        remedy: &'static str,
    },
    /// Bearings taken elsewhere cannot be read.
    #[error("cannot read bearings `{path}`")]
    Bearings {
        /// The file.
        path: PathBuf,
        /// Why.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}
