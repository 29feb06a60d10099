//! The arguments of every command.

use std::path::PathBuf;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;
use lobewright_fix::SlotPlan;
use lobewright_geodesy::CoordinateForm;
use lobewright_types::{SampleFormat, Timestamp};

pub(crate) use crate::args_note::{NorthArg, NoteArgs, Undo};
use crate::hunt::timeline::Until;

/// Bearings and positions of hidden transmitters from radio recordings.
///
/// Lobewright only receives. Levels are in dB against full scale (dBFS); azimuths in degrees clockwise, each with
/// the north it is counted from.
#[derive(Debug, Parser)]
#[command(name = "lobewright", version, propagate_version = true, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 done; 1 ran, found nothing; 2 wrong usage; 3 wrong input; 4 failure.\n\n\
    Example: make a small hunt and work it from the recordings to the map:\n  lobewright demo --out hunt"
)]
pub(crate) struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
    /// Show no progress and no remarks; errors are still printed.
    #[arg(long, short, global = true)]
    pub(crate) quiet: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Simulate a hunt at five places and work it from the recordings to the map.
    Demo(DemoArgs),
    /// Work a pipeline file: recordings to bursts, bearings and a position.
    Run(RunArgs),
    /// Take the bearing of one recording.
    Bearing(BearingArgs),
    /// Keep the log of a hunt: places, compass and meter readings as they are taken.
    Note(NoteArgs),
    /// Cross bearings into a position.
    Fix(FixArgs),
    /// Measure gain and phase of coherent channels with a transmitter whose direction is known.
    Calibrate(CalibrateArgs),
    /// Make recordings with known truth from a scene file.
    Simulate(SimulateArgs),
    /// Show what is on a recording: format, spectrum, bursts and levels.
    Inspect(InspectArgs),
    /// Print the completion script of a shell.
    #[command(after_help = "Example:\n  lobewright completions bash > lobewright.bash")]
    Completions(CompletionsArgs),
    /// Write the manual pages.
    #[command(after_help = "Example:\n  lobewright manual --out man1 && man man1/lobewright.1")]
    Manual(ManualArgs),
}

/// How results are printed on standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReportFormat {
    /// A table for people.
    Table,
    /// JSON, one object a line.
    Json,
    /// CSV with a header.
    Csv,
}

/// How a position is printed or written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FixFormat {
    /// A table for people.
    Table,
    /// One JSON object.
    Json,
    /// CSV with a header.
    Csv,
    /// GeoJSON (RFC 7946) with regions, bearings and places.
    Geojson,
    /// KML 2.2 for earth viewers.
    Kml,
    /// GPX 1.1 for handheld receivers: waypoints, and regions and bearings as tracks.
    Gpx,
    /// Bearings as APRS direction-finding reports, one a line.
    Aprs,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:\n  lobewright demo --out hunt --show")]
pub(crate) struct DemoArgs {
    /// Folder for recordings, results, pictures and the report; files of the same names are replaced.
    #[arg(long, value_name = "DIR", default_value = "lobewright-demo")]
    pub(crate) out: PathBuf,
    /// Seed of every random number in the simulation.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) seed: u64,
    /// Open the report in the desktop's viewer, where there is a desktop.
    #[arg(long)]
    pub(crate) show: bool,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:\n  lobewright run hunt/pipeline.toml --out hunt/results")]
pub(crate) struct RunArgs {
    /// The pipeline file (TOML).
    pub(crate) pipeline: PathBuf,
    /// Folder for results and pictures [default: the pipeline's name with `-results`, in this folder].
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Places worked on at the same time; 0 takes all cores. The result is the same for any number.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(crate) threads: usize,
    /// Draw no pictures and write no HTML report.
    #[arg(long)]
    pub(crate) no_pictures: bool,
    /// How the bearings and the position are printed on standard output.
    #[arg(long, value_enum, default_value_t = ReportFormat::Table)]
    pub(crate) format: ReportFormat,
}

/// How to read a recording that does not say everything itself.
#[derive(Debug, Args)]
#[command(next_help_heading = "Recording")]
pub(crate) struct RecordingArgs {
    /// The recording: `.sigmf-meta`, `.sigmf`, `.wav`, raw samples, or `-` for raw samples on standard input.
    pub(crate) recording: PathBuf,
    /// Sample format of raw samples, as SigMF names it, such as `cu8` or `ci16_le`.
    #[arg(long, value_name = "FORMAT")]
    pub(crate) sample_format: Option<SampleFormat>,
    /// Sample rate of raw samples, in Hz.
    #[arg(long, value_name = "HZ", value_parser = positive, allow_negative_numbers = true)]
    pub(crate) rate_hz: Option<f64>,
    /// Centre frequency of the recording where it does not say it, in Hz.
    #[arg(long, value_name = "HZ", allow_negative_numbers = true)]
    pub(crate) recording_center_hz: Option<f64>,
    /// Interleaved channels of raw samples.
    #[arg(long, value_name = "N")]
    pub(crate) channels: Option<usize>,
    /// UTC of the first sample where the recording does not say it, such as 2026-02-14T03:25:00Z.
    #[arg(long, value_name = "TIME")]
    pub(crate) start_utc: Option<Timestamp>,
    /// Which channel of a recording with several, from 0.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(crate) input_channel: usize,
}

/// Where the transmission lies in the recording.
#[derive(Debug, Args)]
#[command(next_help_heading = "Channel")]
pub(crate) struct ChannelArgs {
    /// Centre frequency of the channel, in Hz.
    #[arg(long, value_name = "HZ", conflicts_with = "offset_hz")]
    pub(crate) center_hz: Option<f64>,
    /// Centre of the channel against the recording's centre, in Hz.
    #[arg(long, value_name = "HZ", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) offset_hz: f64,
    /// Half width of the pass-band, in Hz.
    #[arg(long, value_name = "HZ", value_parser = positive, allow_negative_numbers = true)]
    pub(crate) pass_half_width_hz: Option<f64>,
    /// Take off the receiver's DC spike.
    #[arg(long)]
    pub(crate) remove_dc: bool,
}

/// How bursts are found.
#[derive(Debug, Args)]
#[command(next_help_heading = "Bursts")]
pub(crate) struct BurstArgs {
    /// Time over which power is averaged, in seconds.
    #[arg(long, value_name = "S", value_parser = positive, allow_negative_numbers = true)]
    pub(crate) integration_s: Option<f64>,
    /// Shorter bursts are not reported, in seconds.
    #[arg(long, value_name = "S", value_parser = positive, allow_negative_numbers = true)]
    pub(crate) min_length_s: Option<f64>,
    /// Shorter pauses do not end a burst, in seconds.
    #[arg(long, value_name = "S")]
    pub(crate) bridge_gap_s: Option<f64>,
    /// False alarms that noise alone may cause.
    #[arg(long, value_name = "N")]
    pub(crate) false_alarms_per_hour: Option<f64>,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: a recording with a rotator's log beside it, and one of switched sectors:\n  \
    lobewright bearing ridge.sigmf-meta --pattern yagi-3 --track ridge.csv --track-north magnetic \\\n    \
    --lat-deg=-41.3 --lon-deg 174.1 --picture ridge.png\n  \
    lobewright bearing mast.sigmf-meta --pipeline pipelines/sectors.toml --heading-true-deg 12 --switch-start-s 0.0013"
)]
pub(crate) struct BearingArgs {
    #[command(flatten)]
    pub(crate) recording: RecordingArgs,
    #[command(flatten)]
    pub(crate) channel: ChannelArgs,
    #[command(flatten)]
    pub(crate) bursts: BurstArgs,
    /// Pattern of an antenna that is turned: a CSV file or isotropic, figure-eight, cardioid, yagi-3.
    #[arg(long, value_name = "PATTERN", required_unless_present = "pipeline")]
    pub(crate) pattern: Option<String>,
    /// Pipeline file that says antenna, channel, bursts and readings; for switched and coherent antennas.
    #[arg(
        long,
        value_name = "FILE",
        conflicts_with_all = [
            "pattern", "center_hz", "offset_hz", "pass_half_width_hz", "remove_dc", "integration_s", "min_length_s",
            "bridge_gap_s", "false_alarms_per_hour", "input_channel"
        ]
    )]
    pub(crate) pipeline: Option<PathBuf>,
    /// When the first port of the pipeline's switching cycle was connected, in seconds from the first sample.
    #[arg(long, value_name = "S", allow_negative_numbers = true, requires = "pipeline")]
    pub(crate) switch_start_s: Option<f64>,
    /// Which port was connected when (CSV `time_s,port`), in place of the pipeline's switching cycle.
    #[arg(
        long,
        value_name = "FILE",
        requires = "pipeline",
        conflicts_with = "switch_start_s"
    )]
    pub(crate) switch_schedule: Option<PathBuf>,
    /// Azimuth track (CSV) where the recording has none of its own.
    #[arg(long, value_name = "FILE")]
    pub(crate) track: Option<PathBuf>,
    /// North of the track's azimuths where its header does not say it.
    #[arg(long, value_name = "NORTH")]
    pub(crate) track_north: Option<TrackNorthArg>,
    /// Where the mounting's zero mark points, in degrees from true north.
    #[arg(
        long,
        value_name = "DEG",
        allow_negative_numbers = true,
        conflicts_with = "heading_magnetic_deg"
    )]
    pub(crate) heading_true_deg: Option<f64>,
    /// Where the mounting's zero mark points, in degrees from magnetic north.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub(crate) heading_magnetic_deg: Option<f64>,
    /// Standard deviation of the heading, in degrees [default: the pipeline's, else 2].
    #[arg(long, value_name = "DEG")]
    pub(crate) heading_sigma_deg: Option<f64>,
    /// Latitude where the recording does not say it, in degrees, north positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lon_deg")]
    pub(crate) lat_deg: Option<f64>,
    /// Longitude where the recording does not say it, in degrees, east positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lat_deg")]
    pub(crate) lon_deg: Option<f64>,
    /// Give each burst a bearing of its own.
    #[arg(long)]
    pub(crate) each_burst: bool,
    /// Write the polar plot here (.svg or .png).
    #[arg(long, value_name = "FILE")]
    pub(crate) picture: Option<PathBuf>,
    /// How the bearing is printed on standard output.
    #[arg(long, value_enum, default_value_t = ReportFormat::Table)]
    pub(crate) format: ReportFormat,
}

/// The north of a track, as a word on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum TrackNorthArg {
    /// Geographic north.
    True,
    /// Magnetic north at place and date.
    Magnetic,
    /// The mounting's zero mark.
    Mount,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: one direction, and a transmitter of known position heard from several places:\n  \
    lobewright calibrate pipelines/coherent.toml --azimuth-true-deg 74.5 --out channels.toml\n  \
    lobewright calibrate pipelines/coherent.toml --lat-deg=-41.3 --lon-deg 174.1 --out channels.toml\n\n\
    The pipeline needs an [antenna] of kind = \"coherent\"; each [[place]] is a recording of the transmitter with the\n\
    heading of the mounting. All bursts in the channel are taken as its own. From one direction an error of the\n\
    array's response goes into the calibration unseen; several directions, a few tens of degrees apart, average it and\n\
    show it in the stated errors. Afterwards name the file in the pipeline: calibration = \"channels.toml\"."
)]
pub(crate) struct CalibrateArgs {
    /// The pipeline file (TOML).
    pub(crate) pipeline: PathBuf,
    /// Write the calibration (TOML) here [default: standard output].
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Direction of the transmitter from every place, in degrees from true north.
    #[arg(
        long,
        value_name = "DEG",
        allow_negative_numbers = true,
        conflicts_with = "lat_deg",
        required_unless_present = "lat_deg"
    )]
    pub(crate) azimuth_true_deg: Option<f64>,
    /// Latitude of the transmitter, in degrees, north positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lon_deg")]
    pub(crate) lat_deg: Option<f64>,
    /// Longitude of the transmitter, in degrees, east positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lat_deg")]
    pub(crate) lon_deg: Option<f64>,
}

#[derive(Debug, Args)]
#[command(after_help = "Examples: bearings taken by hand, and bearings of a run:\n  \
    lobewright fix notebook.csv --picture map.png\n  \
    lobewright fix results/bearings.jsonl notebook.csv --format geojson --out fix.geojson\n  \
    lobewright fix notebook.csv --next --from -41.31,174.05 --picture map.png\n  \
    lobewright fix heard.aprs notebook.csv --coordinates mgrs --out fix.gpx\n\n\
    A hand-taken bearing is a line of CSV under the header\n  \
    place,lat_deg,lon_deg,bearing_deg,north,date,sigma_deg\n\
    where a column `position` may stand for lat_deg,lon_deg: degrees, minutes, UTM, MGRS or a locator.\n\n\
    The log of a hunt as it stood at half past three, how it went, and five transmitters that take turns of a minute:\n  \
    lobewright fix hunt.jsonl --at 2026-02-14T03:30:00Z\n  \
    lobewright fix hunt.jsonl --course --picture course.png\n  \
    lobewright fix hunt.jsonl --slots 300,5 --format geojson")]
pub(crate) struct FixArgs {
    /// Any of: the log of a hunt (`.jsonl`, see `note`), bearings taken by hand (`.csv`), bearings as written by `run`
    /// and `bearing` (`.jsonl`, `.csv`), APRS reports, one a line (`.aprs`).
    #[arg(required = true, value_name = "FILE")]
    pub(crate) bearings: Vec<PathBuf>,
    /// Areas that the transmitter must, or cannot, be in: GeoJSON polygons with the property `rule`, `inside` or `outside`.
    #[arg(long, value_name = "FILE")]
    pub(crate) areas: Vec<PathBuf>,
    /// Leave out the levels and the silence that logs and tables hold.
    #[arg(long)]
    pub(crate) no_levels: bool,
    /// Only what was known at this moment: a time in UTC such as 2026-02-14T03:30:00Z, or the number of an entry of the log.
    #[arg(long, value_name = "TIME|ENTRY")]
    pub(crate) at: Option<Until>,
    /// Print how position and region changed with every entry; `--picture` draws it.
    #[arg(long)]
    pub(crate) course: bool,
    /// The transmitter moves: root mean square of the distance in one minute, in metres (it goes anywhere, as a random
    /// walk). Prints where it was at each time of a bearing; `--out NAME.gpx` writes a track.
    #[arg(long, value_name = "METRES_PER_MINUTE", value_parser = speed, allow_negative_numbers = true, conflicts_with = "course")]
    pub(crate) moving: Option<f64>,
    /// Only this transmitter, by its label.
    #[arg(long, value_name = "LABEL")]
    pub(crate) transmitter: Option<String>,
    /// Tell transmitters apart that share the frequency in turn: the period in seconds, how many slots it has, and (where
    /// it does not divide the day) when one period began.
    #[arg(long, value_name = "PERIOD_S,COUNT[,FIRST_START]")]
    pub(crate) slots: Option<SlotPlan>,
    /// How the position is printed or written [default: as the ending of `--out` says, else table].
    #[arg(long, value_enum)]
    pub(crate) format: Option<FixFormat>,
    /// Write the position here in place of standard output.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// How places are written in the table and in the words of GPX and KML.
    #[arg(long, value_name = "FORM", value_parser = coordinate_form())]
    pub(crate) coordinates: Option<CoordinateForm>,
    /// Draw the map here (.svg or .png).
    #[arg(long, value_name = "FILE")]
    pub(crate) picture: Option<PathBuf>,
    /// Prior probability that a bearing is a reflection, 0 to 0.9.
    #[arg(long, value_name = "P", default_value_t = 0.1, value_parser = share, allow_negative_numbers = true)]
    pub(crate) reflection_prior: f64,
    /// How far from the places the transmitter may be, in km, at most 300 [default: 300, less where bearings cross].
    #[arg(long, value_name = "KM", value_parser = radius_km, allow_negative_numbers = true)]
    pub(crate) search_radius_km: Option<f64>,
    #[command(flatten)]
    pub(crate) next: crate::next_place::NextArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  lobewright simulate pipelines/scenes/hill_country.toml --out hunt --seed 7"
)]
pub(crate) struct SimulateArgs {
    /// The scene file (TOML).
    pub(crate) scene: PathBuf,
    /// Folder for the recordings, the truth and a pipeline that works them; files of the same names are replaced.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Replaces the scene's seed.
    #[arg(long, value_name = "N")]
    pub(crate) seed: Option<u64>,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  lobewright inspect ridge.sigmf-meta --picture ridge.png\n  \
    lobewright inspect - --sample-format cu8 --rate-hz 2.4e6 --width-hz 200e3 < ridge.cu8"
)]
pub(crate) struct InspectArgs {
    #[command(flatten)]
    pub(crate) recording: RecordingArgs,
    /// Centre of the band in which bursts are looked for, against the recording's centre, in Hz.
    #[arg(long, value_name = "HZ", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) offset_hz: f64,
    /// Width of that band, in Hz [default: 80 % of the sample rate].
    #[arg(long, value_name = "HZ", value_parser = positive, allow_negative_numbers = true)]
    pub(crate) width_hz: Option<f64>,
    #[command(flatten)]
    pub(crate) bursts: BurstArgs,
    /// Draw spectrogram, bursts and level here (.svg or .png).
    #[arg(long, value_name = "FILE")]
    pub(crate) picture: Option<PathBuf>,
    /// Draw the mean spectrum here (.svg or .png).
    #[arg(long, value_name = "FILE")]
    pub(crate) spectrum: Option<PathBuf>,
    /// How the bursts are printed on standard output.
    #[arg(long, value_enum, default_value_t = ReportFormat::Table)]
    pub(crate) format: ReportFormat,
}

#[derive(Debug, Args)]
pub(crate) struct CompletionsArgs {
    /// The shell.
    pub(crate) shell: Shell,
}

#[derive(Debug, Args)]
pub(crate) struct ManualArgs {
    /// Folder for the pages.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
}

fn within(text: &str, low: f64, high: f64, wanted: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| format!("must be {wanted}"))?;
    if (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(format!("must be {wanted}"))
    }
}

/// The words for forms of coordinates, which completions and help know.
fn coordinate_form() -> impl TypedValueParser<Value = CoordinateForm> {
    PossibleValuesParser::new(CoordinateForm::ALL.map(CoordinateForm::word))
        .try_map(|word| word.parse::<CoordinateForm>())
}

fn share(text: &str) -> Result<f64, String> {
    within(text, 0.0, 0.9, "a number from 0 to 0.9")
}

fn radius_km(text: &str) -> Result<f64, String> {
    within(text, 0.001, 300.0, "a number from 0.001 to 300")
}

fn speed(text: &str) -> Result<f64, String> {
    within(text, 0.001, 1e5, "metres in a minute, from 0.001 to 100000")
}

fn positive(text: &str) -> Result<f64, String> {
    within(text, f64::MIN_POSITIVE, 1e12, "a number above 0 and at most 1e12")
}
