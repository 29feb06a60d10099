//! `bearing`: one recording to one bearing.

use std::path::{Path, PathBuf};

use lobewright_station::{
    AntennaSection, BearingSection, BurstSection, ChannelSection, FixSection, JoinBursts, NorthName,
    PipelineConfig, PlaceSection, RunOptions,
};
use lobewright_types::BearingOutcome;

use crate::args::{BearingArgs, BurstArgs, ChannelArgs, RecordingArgs, TrackNorthArg};
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, write_picture};
use crate::{cmd_run, pictures};

/// Takes the bearing of one recording.
pub(crate) fn bearing(args: &BearingArgs, quiet: bool) -> Outcome {
    let config = match &args.pipeline {
        Some(path) => config_from(path, args)?,
        None => config_of(args),
    };
    config.check("command line").map_err(Fault::input)?;
    let options = RunOptions {
        base: args
            .pipeline
            .as_deref()
            .and_then(Path::parent)
            .map_or_else(PathBuf::new, Path::to_path_buf),
        threads: 1,
        spectrograms: false,
    };
    let mut result = cmd_run::carry_out(&config, &options, quiet)?;
    // One place gives no position: saying so each time would only distract.
    result.fix = None;
    if let Some(path) = &args.picture {
        let Some(svg) = result
            .places
            .first()
            .and_then(|p| pictures::polar_of(p, 0, result.pattern.as_deref(), None))
        else {
            return Err(Fault::Failure(anyhow::anyhow!(
                "there is no bearing to draw: `{}` was not written",
                path.display()
            )));
        };
        write_picture(path, &svg?)?;
    }
    print(&cmd_run::for_stdout(&result, args.format))?;
    let any = result
        .outcomes()
        .iter()
        .any(|o| matches!(o, BearingOutcome::Bearing(_)));
    Ok(if any { Done::Found } else { Done::Nothing })
}

/// Settings of a pipeline file for the one recording that is named.
fn config_from(path: &Path, args: &BearingArgs) -> Result<PipelineConfig, Fault> {
    let mut config = PipelineConfig::load(path).map_err(Fault::input)?;
    if config.antenna.is_none() {
        return Err(Fault::Input(anyhow::anyhow!(
            "pipeline `{}` has no [antenna], without which no bearing can be taken",
            path.display()
        )));
    }
    let mut place = place_of(args);
    // Paths of the command line start here, those of the pipeline in its folder.
    if place.recording.as_os_str() != "-" {
        place.recording = std::path::absolute(&place.recording)?;
    }
    for file in [&mut place.track, &mut place.switch_schedule]
        .into_iter()
        .flatten()
    {
        *file = std::path::absolute(&*file)?;
    }
    if args.each_burst {
        config.bearing.join = JoinBursts::Each;
    }
    config.fix = FixSection::default();
    config.places = vec![place];
    Ok(config)
}

fn place_of(args: &BearingArgs) -> PlaceSection {
    let mut place = place_section(&args.recording);
    place.lat_deg = args.lat_deg;
    place.lon_deg = args.lon_deg;
    place.track.clone_from(&args.track);
    place.track_north = args.track_north.map(|n| match n {
        TrackNorthArg::True => NorthName::True,
        TrackNorthArg::Magnetic => NorthName::Magnetic,
        TrackNorthArg::Mount => NorthName::Mount,
    });
    place.heading_true_deg = args.heading_true_deg;
    place.heading_magnetic_deg = args.heading_magnetic_deg;
    place.heading_sigma_deg = args.heading_sigma_deg;
    place.switch_start_s = args.switch_start_s;
    place.switch_schedule.clone_from(&args.switch_schedule);
    place
}

fn config_of(args: &BearingArgs) -> PipelineConfig {
    PipelineConfig {
        title: String::new(),
        channel: channel_section(&args.channel, args.recording.input_channel),
        burst: burst_section(&args.bursts),
        antenna: Some(AntennaSection::rotated(args.pattern.clone().unwrap_or_default())),
        bearing: BearingSection {
            join: if args.each_burst {
                JoinBursts::Each
            } else {
                JoinBursts::All
            },
            ..BearingSection::default()
        },
        fix: FixSection::default(),
        places: vec![place_of(args)],
    }
}

/// The place section of a recording named on the command line.
pub(crate) fn place_section(args: &RecordingArgs) -> PlaceSection {
    let name = args
        .recording
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    PlaceSection {
        name: if name.is_empty() || name == "-" {
            "recording".to_owned()
        } else {
            name
        },
        recording: args.recording.clone(),
        format: args.sample_format,
        rate_hz: args.rate_hz,
        recording_center_hz: args.recording_center_hz,
        start_utc: args.start_utc,
        channels: args.channels,
        ..PlaceSection::default()
    }
}

fn channel_section(args: &ChannelArgs, input_channel: usize) -> ChannelSection {
    let default = ChannelSection::default();
    let pass_half_width_hz = args.pass_half_width_hz.unwrap_or(default.pass_half_width_hz);
    ChannelSection {
        center_hz: args.center_hz,
        offset_hz: args.offset_hz,
        pass_half_width_hz,
        stop_half_width_hz: 2.0 * pass_half_width_hz,
        input_channel,
        remove_dc: args.remove_dc,
        ..default
    }
}

/// The burst section of what the command line says.
pub(crate) fn burst_section(args: &BurstArgs) -> BurstSection {
    let default = BurstSection::default();
    BurstSection {
        false_alarms_per_hour: args
            .false_alarms_per_hour
            .unwrap_or(default.false_alarms_per_hour),
        integration_s: args.integration_s.unwrap_or(default.integration_s),
        min_length_s: args.min_length_s.unwrap_or(default.min_length_s),
        bridge_gap_s: args.bridge_gap_s.unwrap_or(default.bridge_gap_s),
        ..default
    }
}
