//! `inspect`: what is on a recording.

use std::fmt::Write as _;

use lobewright_burst::{BurstDetector, DetectorConfig};
use lobewright_dsp::{BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection, SpectrogramBuilder};
use lobewright_source::{OpenOptions, RecordingInfo};
use lobewright_types::{Burst, Stage as _, StreamItem};

use crate::args::{InspectArgs, ReportFormat};
use crate::cmd_bearing::burst_section;
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, remark, write_picture};
use crate::{pictures, progress, tables};

const SPECTROGRAM_BINS: usize = 512;
const SPECTROGRAM_ROWS: usize = 800;
/// The part of the sample rate in which a receiver's own filter leaves the spectrum flat. (Common practice, no
/// source.)
const USABLE_SHARE: f64 = 0.8;

/// What was found on a recording.
struct Finding {
    bursts: Vec<Burst>,
    noise_dbfs: Option<f64>,
    spectrogram: lobewright_dsp::Spectrogram,
    samples: u64,
    gaps: u64,
    missing: u64,
}

/// Shows format, spectrum, bursts and levels of a recording.
pub(crate) fn inspect(args: &InspectArgs, quiet: bool) -> Outcome {
    let r = &args.recording;
    let options = OpenOptions {
        format: r.sample_format,
        rate_hz: r.rate_hz,
        center_hz: r.recording_center_hz,
        channels: r.channels,
        start_utc: r.start_utc,
        ..OpenOptions::default()
    };
    let mut recording = lobewright_source::open(&r.recording, &options).map_err(Fault::input)?;
    let info = recording.info().clone();
    let finding = listen(args, &mut recording, &info, quiet)?;
    for warning in recording.warnings() {
        remark(quiet, &format!("warning: {warning}"));
    }
    // A picture is looked at far from the folder that it was made in.
    let title = r
        .recording
        .file_name()
        .map_or_else(|| info.name.clone(), |n| n.to_string_lossy().into_owned());
    if let Some(path) = &args.picture {
        let svg = pictures::spectrogram_of(
            &title,
            &finding.spectrogram,
            info.center_hz_at(START),
            &finding.bursts,
            args.offset_hz,
        )?;
        write_picture(path, &svg)?;
    }
    if let Some(path) = &args.spectrum {
        let svg = pictures::spectrum_of(
            &title,
            &finding.spectrogram,
            info.center_hz_at(START),
            &finding.bursts,
            args.offset_hz,
        )?;
        write_picture(path, &svg)?;
    }
    print(&match args.format {
        ReportFormat::Json => lobewright_export::bursts_jsonl(&finding.bursts),
        ReportFormat::Csv => lobewright_export::bursts_csv(&finding.bursts),
        ReportFormat::Table => format!(
            "{}\n{}",
            describe(&info, &finding),
            tables::bursts(&finding.bursts)
        ),
    })?;
    Ok(if finding.bursts.is_empty() {
        Done::Nothing
    } else {
        Done::Found
    })
}

const START: lobewright_types::SampleIndex = lobewright_types::SampleIndex(0);

fn listen(
    args: &InspectArgs,
    recording: &mut lobewright_source::Recording,
    info: &RecordingInfo,
    quiet: bool,
) -> Result<Finding, Fault> {
    let mut bank = ChannelBank::build(bank_config(args, info)).map_err(Fault::input)?;
    let rate_hz = bank.clock(0).rate_hz();
    let settings = burst_section(&args.bursts);
    let config = DetectorConfig {
        false_alarms_per_hour: settings.false_alarms_per_hour,
        integration_s: settings.integration_s,
        min_length_s: settings.min_length_s,
        bridge_gap_s: settings.bridge_gap_s,
        ..DetectorConfig::for_channel(rate_hz, bank.noise_bandwidth_hz(0))
    };
    let mut detector = BurstDetector::build(0, config).map_err(Fault::input)?;
    let mut spectrogram =
        SpectrogramBuilder::new(info.rate_hz, SPECTROGRAM_BINS, SPECTROGRAM_ROWS).map_err(Fault::input)?;
    let (mut bursts, mut gaps, mut missing) = (Vec::new(), 0, 0);
    let bar = if quiet {
        indicatif::ProgressBar::hidden()
    } else {
        progress::bar(info.length_samples)
    };
    bar.set_message(info.name.clone());
    while let Some(item) = recording.next_item().map_err(Fault::input)? {
        match &item {
            StreamItem::Block(block) => spectrogram.push_block(block, args.recording.input_channel),
            StreamItem::Gap(gap) => {
                spectrogram.push_gap(gap.samples);
                gaps += 1;
                missing += gap.samples;
            }
        }
        let mut filtered = Vec::new();
        bank.push(item, &mut |i| filtered.push(i)).map_err(Fault::input)?;
        for item in filtered {
            detector
                .push(item, &mut |b| bursts.push(b))
                .map_err(Fault::failure)?;
        }
        bar.set_position(recording.samples_read());
    }
    bar.finish_and_clear();
    let mut filtered = Vec::new();
    bank.finish(&mut |i| filtered.push(i)).map_err(Fault::failure)?;
    for item in filtered {
        detector
            .push(item, &mut |b| bursts.push(b))
            .map_err(Fault::failure)?;
    }
    detector.finish(&mut |b| bursts.push(b)).map_err(Fault::failure)?;
    for burst in &mut bursts {
        burst.start_utc = info.utc_at(burst.start);
    }
    Ok(Finding {
        bursts,
        noise_dbfs: detector.noise_floor().map(|f| f.level.0),
        spectrogram: spectrogram.finish(),
        samples: recording.samples_read(),
        gaps,
        missing,
    })
}

fn bank_config(args: &InspectArgs, info: &RecordingInfo) -> BankConfig {
    let half_width_hz = args.width_hz.unwrap_or(USABLE_SHARE * info.rate_hz) / 2.0;
    let room_hz = (info.rate_hz / 2.0 - half_width_hz).max(0.0);
    let spec = ChannelSpec {
        stopband_db: 60.0,
        min_rate_hz: (2.5 * half_width_hz).min(info.rate_hz),
        ..ChannelSpec::new(
            args.offset_hz,
            half_width_hz,
            half_width_hz + (half_width_hz / 2.0).min(room_hz),
        )
    };
    BankConfig {
        input_rate_hz: info.rate_hz,
        format: info.format,
        input_channels: info.channels,
        use_channel: args.recording.input_channel,
        dc_removal: DcRemoval::Off,
        iq_correction: IqCorrection::Off,
        channels: vec![spec],
    }
}

fn describe(info: &RecordingInfo, finding: &Finding) -> String {
    let known = |text: Option<String>| text.unwrap_or_else(|| "unknown".to_owned());
    let rows = [
        ("recording", info.name.clone()),
        ("format", format!("{}, {} channel(s)", info.format, info.channels)),
        ("sample rate", format!("{} S/s", info.rate_hz)),
        (
            "centre",
            known(info.center_hz_at(START).map(|hz| format!("{:.6} MHz", hz / 1e6))),
        ),
        ("began", known(info.utc_at(START).map(|t| t.to_string()))),
        (
            "place",
            known(
                info.position()
                    .map(|p| format!("{:.5}, {:.5} (WGS 84, latitude, longitude)", p.lat_deg, p.lon_deg)),
            ),
        ),
        (
            "length",
            format!(
                "{} samples, {:.4} s",
                finding.samples,
                finding.samples as f64 / info.rate_hz
            ),
        ),
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
            format!("{}, {} samples missing", finding.gaps, finding.missing),
        ),
        (
            "noise in band",
            known(finding.noise_dbfs.map(|db| format!("{db:.1} dBFS"))),
        ),
    ];
    let mut text = String::new();
    for (key, value) in &rows {
        let _ = writeln!(text, "{key:14} {value}");
    }
    text
}
