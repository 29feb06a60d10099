//! The arguments of `note`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use lobewright_types::Timestamp;

/// What a compass reading is counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum NorthArg {
    /// Magnetic north, as a compass shows it.
    Magnetic,
    /// Geographic north.
    True,
    /// The vertical lines of a map's UTM grid.
    Grid,
}

/// Which entry is taken back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Undo {
    /// The last that stands.
    Last,
    /// The one of this number.
    Entry(u64),
}

impl std::str::FromStr for Undo {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text == "last" {
            return Ok(Self::Last);
        }
        let number = text.trim_start_matches('#').parse();
        number
            .map(Self::Entry)
            .map_err(|_| "must be the number of an entry such as 7, or `last`".to_owned())
    }
}

#[derive(Debug, Args)]
#[command(after_help = "Examples: questions and answers, and single entries:\n  \
    lobewright note hunt.jsonl\n  \
    lobewright note hunt.jsonl --place RE78br23 --place-name quay --bearing 123 --sure 5 --meter 7 --attenuation 40\n  \
    lobewright note hunt.jsonl --place quay --bearing 121\n  \
    lobewright note hunt.jsonl --undo\n\n\
    Nothing in the log is ever changed or deleted: an entry is taken back by another. An entry is on the disk before it\n\
    is said to be kept. Do not read or type while driving; keep off private land, masts and roofs.")]
pub(crate) struct NoteArgs {
    /// The log; it is begun where it is not there yet.
    pub(crate) log: PathBuf,
    /// Name of the hunt, for a log that is begun.
    #[arg(long, value_name = "TEXT")]
    pub(crate) title: Option<String>,
    /// Where the reading was taken: coordinates in any form, the name of an earlier place, or @last.
    #[arg(long, value_name = "PLACE", allow_hyphen_values = true)]
    pub(crate) place: Option<String>,
    /// Name of a new place [default: `place` and a number].
    #[arg(long, value_name = "NAME", requires = "place")]
    pub(crate) place_name: Option<String>,
    /// Standard deviation of the place on each axis, in metres [default: 10, more where the coordinates are coarse].
    #[arg(long, value_name = "M", value_parser = sigma_m, allow_negative_numbers = true)]
    pub(crate) position_sigma_m: Option<f64>,
    /// What the compass shows, in degrees clockwise from north.
    #[arg(long, value_name = "DEG", value_parser = reading_deg, allow_negative_numbers = true)]
    pub(crate) bearing: Option<f64>,
    /// Which north that is counted from.
    #[arg(long, value_enum, default_value_t = NorthArg::Magnetic)]
    pub(crate) north: NorthArg,
    /// How sure the bearing is: one standard deviation, in degrees [default: 5].
    #[arg(long, value_name = "DEG", value_parser = sigma_deg, allow_negative_numbers = true)]
    pub(crate) sure: Option<f64>,
    /// Whose compass it is: bearings taken with one compass have its error in common [default: the log's name].
    #[arg(long, value_name = "NAME")]
    pub(crate) compass: Option<String>,
    /// What the meter shows, in dB.
    #[arg(long, value_name = "DB", value_parser = level_db, allow_negative_numbers = true)]
    pub(crate) meter: Option<f64>,
    /// All attenuation in line while it was read, in dB.
    #[arg(long, value_name = "DB", default_value_t = 0.0, value_parser = attenuation_db, allow_negative_numbers = true)]
    pub(crate) attenuation: f64,
    /// The transmitter was on and not heard, though this level on the meter would have been.
    #[arg(
        long,
        value_name = "DB",
        value_parser = level_db,
        allow_negative_numbers = true,
        conflicts_with_all = ["bearing", "meter"]
    )]
    pub(crate) nothing_over: Option<f64>,
    /// The receiver or unit that meter readings are counted in; levels of one scale are compared.
    #[arg(long, value_name = "NAME", default_value = "meter")]
    pub(crate) scale: String,
    /// Standard deviation of a meter reading, in dB.
    #[arg(long, value_name = "DB", default_value_t = 3.0, value_parser = level_sigma_db, allow_negative_numbers = true)]
    pub(crate) level_sigma_db: f64,
    /// Label of the transmitter, where there are several.
    #[arg(long, value_name = "LABEL")]
    pub(crate) transmitter: Option<String>,
    /// Say nothing of where to take the next bearing.
    #[arg(long)]
    pub(crate) no_advice: bool,
    /// Keep these words.
    #[arg(long, value_name = "WORDS")]
    pub(crate) text: Option<String>,
    /// Take an entry back, by its number; the last one that stands where no number is given.
    #[arg(
        long,
        value_name = "ENTRY",
        num_args = 0..=1,
        default_missing_value = "last",
        conflicts_with_all = ["place", "bearing", "meter", "nothing_over", "text"]
    )]
    pub(crate) undo: Option<Undo>,
    /// Why it is taken back.
    #[arg(long, value_name = "WORDS", requires = "undo")]
    pub(crate) reason: Option<String>,
    /// When it was read, in UTC, for a log written up later [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) time: Option<Timestamp>,
}

fn within(text: &str, low: f64, high: f64, wanted: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("must be {wanted}")),
    }
}

fn reading_deg(text: &str) -> Result<f64, String> {
    within(text, 0.0, 360.0, "degrees from 0 to 360")
}

fn sigma_deg(text: &str) -> Result<f64, String> {
    within(text, 0.001, 90.0, "degrees from 0.001 to 90")
}

fn sigma_m(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1e5, "metres from 0 to 100000")
}

fn level_db(text: &str) -> Result<f64, String> {
    within(text, -300.0, 300.0, "decibels from -300 to 300")
}

fn attenuation_db(text: &str) -> Result<f64, String> {
    within(text, 0.0, 300.0, "decibels from 0 to 300")
}

fn level_sigma_db(text: &str) -> Result<f64, String> {
    within(text, 0.01, 60.0, "decibels from 0.01 to 60")
}
