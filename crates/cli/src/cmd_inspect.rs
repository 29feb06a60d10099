//! `inspect`: what is on a recording.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use lobewright_dsp::Spectrogram;
use lobewright_source::RecordingInfo;
use lobewright_station::{
    BearingSection, ChannelSection, FixSection, PipelineConfig, PlaceInput, PlaceSettings, RecordingSummary,
    SpectrogramOf, open_recording, process_recording,
};
use lobewright_types::Burst;

use crate::args::{InspectArgs, ReportFormat};
use crate::cmd_bearing::{burst_section, place_section};
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, remark, write_picture};
use crate::{pictures, progress, tables};

/// The part of the sample rate in which a receiver's own filter leaves the spectrum flat. (Common practice, no
/// source.)
const USABLE_SHARE: f64 = 0.8;

/// Shows format, spectrum, bursts and levels of a recording.
pub(crate) fn inspect(args: &InspectArgs, quiet: bool) -> Outcome {
    let r = &args.recording;
    let section = place_section(r);
    let recording = open_recording(Path::new(""), &section).map_err(Fault::input)?;
    let info = recording.info().clone();
    let config = config_of(args, info.rate_hz);
    config.check("command line").map_err(Fault::input)?;
    let settings = PlaceSettings {
        config: &config,
        antenna: None,
        base: Path::new(""),
        spectrogram: SpectrogramOf::Recording,
    };
    let bar = if quiet {
        indicatif::ProgressBar::hidden()
    } else {
        progress::bar(info.length_samples)
    };
    bar.set_message(info.name.clone());
    let input = PlaceInput {
        index: 0,
        section: &section,
    };
    let found = process_recording(&settings, input, recording, &mut |done, _| bar.set_position(done))
        .map_err(Fault::input)?;
    bar.finish_and_clear();
    for warning in &found.summary.warnings {
        remark(quiet, &format!("warning: {warning}"));
    }
    // A picture is looked at far from the folder that it was made in.
    let title = r
        .recording
        .file_name()
        .map_or_else(|| info.name.clone(), |n| n.to_string_lossy().into_owned());
    if let Some(spectrogram) = &found.spectrogram {
        let centre_hz = found.summary.recording_center_hz;
        let draw = |path: &Option<PathBuf>, picture: Picture| match path {
            Some(path) => write_picture(
                path,
                &picture(&title, spectrogram, centre_hz, &found.bursts, args.offset_hz)?,
            ),
            None => Ok(()),
        };
        draw(&args.picture, pictures::spectrogram_of)?;
        draw(&args.spectrum, pictures::spectrum_of)?;
    }
    print(&match args.format {
        ReportFormat::Json => lobewright_export::bursts_jsonl(&found.bursts),
        ReportFormat::Csv => lobewright_export::bursts_csv(&found.bursts),
        ReportFormat::Table => format!(
            "{}\n{}",
            describe(&info, &found.summary),
            tables::bursts(&found.bursts)
        ),
    })?;
    Ok(if found.bursts.is_empty() {
        Done::Nothing
    } else {
        Done::Found
    })
}

/// A way to draw a spectrogram with bursts.
type Picture = fn(&str, &Spectrogram, Option<f64>, &[Burst], f64) -> Result<String, Fault>;

fn config_of(args: &InspectArgs, rate_hz: f64) -> PipelineConfig {
    let half_width_hz = args.width_hz.unwrap_or(USABLE_SHARE * rate_hz) / 2.0;
    let room_hz = (rate_hz / 2.0 - half_width_hz).max(0.0);
    PipelineConfig {
        title: String::new(),
        channel: ChannelSection {
            offset_hz: args.offset_hz,
            pass_half_width_hz: half_width_hz,
            stop_half_width_hz: half_width_hz + (half_width_hz / 2.0).min(room_hz),
            stopband_db: 60.0,
            min_rate_hz: (2.5 * half_width_hz).min(rate_hz),
            input_channel: args.recording.input_channel,
            ..ChannelSection::default()
        },
        burst: burst_section(&args.bursts),
        antenna: None,
        bearing: BearingSection::default(),
        fix: FixSection::default(),
        places: Vec::new(),
    }
}

fn describe(info: &RecordingInfo, s: &RecordingSummary) -> String {
    let known = |text: Option<String>| text.unwrap_or_else(|| "unknown".to_owned());
    let rows = [
        ("recording", info.name.clone()),
        ("format", format!("{}, {} channel(s)", info.format, info.channels)),
        ("sample rate", format!("{} S/s", info.rate_hz)),
        (
            "centre",
            known(s.recording_center_hz.map(|hz| format!("{:.6} MHz", hz / 1e6))),
        ),
        ("began", known(s.start_utc.map(|t| t.to_string()))),
        (
            "place",
            known(
                info.position()
                    .map(|p| format!("{:.5}, {:.5} (WGS 84, latitude, longitude)", p.lat_deg, p.lon_deg)),
            ),
        ),
        ("length", format!("{} samples, {:.4} s", s.samples, s.seconds)),
        ("captures", info.captures.len().max(1).to_string()),
        ("annotations", info.annotations.len().to_string()),
        (
            "azimuth track",
            if info.azimuth_track.is_empty() {
                "none".to_owned()
            } else {
                format!("{} points", info.azimuth_track.len())
            },
        ),
        (
            "gaps",
            format!("{}, {} samples missing", s.gaps, s.missing_samples),
        ),
        (
            "band",
            format!(
                "{:+} Hz from the centre; the bursts' offsets count from there",
                s.channel_offset_hz
            ),
        ),
        (
            "noise in band",
            known(s.noise_dbfs.map(|db| format!("{db:.1} dBFS"))),
        ),
    ];
    let mut text = String::new();
    for (key, value) in &rows {
        let _ = writeln!(text, "{key:14} {value}");
    }
    text
}
