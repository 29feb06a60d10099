//! One place: its recording becomes bursts, readings and a bearing.

use std::path::Path;
use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_bearing::{Estimate, EstimatorConfig, Taken, estimate, to_bearing};
use lobewright_dsp::Spectrogram;
use lobewright_source::Recording;
use lobewright_types::{BearingOutcome, Burst, LevelReading, NoBearing, NoBearingReason, Position};

use crate::listen::listen;
use crate::site::{Site, open_recording};
use crate::{JoinBursts, PipelineConfig, PlaceSection, RecordingSummary, RunError};

/// What is the same for all places of a run.
pub struct PlaceSettings<'a> {
    /// The pipeline.
    pub config: &'a PipelineConfig,
    /// Its antenna pattern, already read.
    pub pattern: Option<Arc<Pattern>>,
    /// Folder that relative paths start from.
    pub base: &'a Path,
    /// Of what a spectrogram is kept.
    pub spectrogram: SpectrogramOf,
}

/// Of what a spectrogram is kept; the channel's costs hardly anything, the whole recording's more than all else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpectrogramOf {
    /// None is kept.
    Nothing,
    /// The channel, as filtered.
    Channel,
    /// Everything on the recording.
    Recording,
}

/// Which place to work on.
#[derive(Clone, Copy)]
pub struct PlaceInput<'a> {
    /// Its number in the pipeline, from 0.
    pub index: usize,
    /// Its section.
    pub section: &'a PlaceSection,
}

/// All that came of one place.
#[derive(Debug, Clone)]
pub struct PlaceResult {
    /// The place's name.
    pub name: String,
    /// Where it is, where known.
    pub position: Option<Position>,
    /// What was read.
    pub summary: RecordingSummary,
    /// Bursts in the order of their start.
    pub bursts: Vec<Burst>,
    /// Readings used for the bearings, those of one bearing together.
    pub readings: Vec<LevelReading>,
    /// One bearing, or one for each burst where they are not joined; or why there is none. Empty without an
    /// antenna.
    pub outcomes: Vec<BearingOutcome>,
    /// The estimate behind each outcome.
    pub estimates: Vec<Option<Estimate>>,
    /// Spectrogram of the channel or the recording, where asked for.
    pub spectrogram: Option<Spectrogram>,
}

/// Works on one place. `progress` is told the samples read and, where known, their total.
///
/// # Errors
/// [`RunError`] names the place and what is wrong. A place with no burst or no usable reading is no error.
pub fn process_place(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<PlaceResult, RunError> {
    let recording = open_recording(settings.base, input.section)?;
    process_recording(settings, input, recording, progress)
}

/// Works on one place whose recording is open already.
///
/// # Errors
/// As [`process_place`].
pub fn process_recording(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    recording: Recording,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<PlaceResult, RunError> {
    let name = input.section.name.clone();
    let site = Site::find(settings, input.section, recording.info())?;
    let heard = listen(settings, input.section, recording, &site, progress)?;
    let mut result = PlaceResult {
        name,
        position: site.position,
        summary: heard.summary,
        bursts: heard.bursts,
        readings: Vec::new(),
        outcomes: Vec::new(),
        estimates: Vec::new(),
        spectrogram: heard.spectrogram,
    };
    if settings.pattern.is_some() {
        take_bearings(
            settings,
            input,
            &site,
            heard.readings,
            heard.track_ended_early,
            &mut result,
        );
    }
    Ok(result)
}

fn take_bearings(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    site: &Site,
    readings: Vec<Vec<LevelReading>>,
    track_ended_early: bool,
    result: &mut PlaceResult,
) {
    let groups: Vec<(usize, Vec<LevelReading>)> = match settings.config.bearing.join {
        JoinBursts::All => vec![(0, readings.into_iter().flatten().collect())],
        JoinBursts::Each => readings
            .into_iter()
            .enumerate()
            .map(|(i, mut burst)| {
                for reading in &mut burst {
                    reading.burst = 0;
                }
                (i, burst)
            })
            .collect(),
    };
    for (number, readings) in groups {
        let id = match settings.config.bearing.join {
            JoinBursts::All => format!("{}-{}", input.index + 1, 1),
            JoinBursts::Each => format!("{}-{}", input.index + 1, number + 1),
        };
        let (outcome, estimate) =
            one_bearing(settings, site, &id, &readings, track_ended_early, number, result);
        result.outcomes.push(outcome);
        result.estimates.push(estimate);
        result.readings.extend(readings);
    }
}

fn one_bearing(
    settings: &PlaceSettings<'_>,
    site: &Site,
    id: &str,
    readings: &[LevelReading],
    track_ended_early: bool,
    first_burst: usize,
    result: &PlaceResult,
) -> (BearingOutcome, Option<Estimate>) {
    let none = |reason| {
        let station = result.name.clone();
        (
            BearingOutcome::NoBearing(NoBearing {
                id: id.to_owned(),
                station,
                reason,
            }),
            None,
        )
    };
    let (Some(pattern), Some(position)) = (&settings.pattern, site.position) else {
        return none(NoBearingReason::NoPointing);
    };
    if result.bursts.is_empty() {
        return none(NoBearingReason::NoBurst);
    }
    if readings.is_empty() {
        return none(NoBearingReason::NoPointing);
    }
    let mut config = EstimatorConfig::new(Arc::clone(pattern), site.heading, site.heading_sigma_deg);
    config.latency_sigma_s = settings
        .config
        .antenna
        .as_ref()
        .map_or(0.0, |a| a.latency_sigma_s);
    config.track_ended_early = track_ended_early;
    match estimate(readings, &config) {
        Err(reason) => none(reason),
        Ok(estimate) => {
            let taken = Taken {
                id: id.to_owned(),
                station: result.name.clone(),
                time_utc: result.bursts.get(first_burst).and_then(|b| b.start_utc),
                position,
                position_sigma_m: site.position_sigma_m,
                frequency_hz: result.summary.channel_center_hz,
            };
            let bearing = to_bearing(&estimate, taken);
            (BearingOutcome::Bearing(Box::new(bearing)), Some(estimate))
        }
    }
}
