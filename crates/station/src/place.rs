//! One place: its recording becomes bursts, readings and a bearing.

use std::path::Path;

use lobewright_bearing::Estimate;
use lobewright_dsp::Spectrogram;
use lobewright_source::Recording;
use lobewright_types::{Azimuth, BearingOutcome, Burst, LevelReading, Position, True};

use crate::direction::take_bearings;
use crate::listen::listen;
use crate::site::{Site, open_recording};
use crate::{AntennaModel, PipelineConfig, PlaceSection, RecordingSummary, RunError, Sides};

/// What is the same for all places of a run.
pub struct PlaceSettings<'a> {
    /// The pipeline.
    pub config: &'a PipelineConfig,
    /// Its antenna, files already read.
    pub antenna: Option<AntennaModel>,
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
    /// Where the mounting's zero mark points, where there is an antenna.
    pub heading: Option<Azimuth<True>>,
    /// What was read.
    pub summary: RecordingSummary,
    /// Bursts in the order of their start.
    pub bursts: Vec<Burst>,
    /// Readings used for the bearings, those of one bearing together.
    pub readings: Vec<LevelReading>,
    /// One bearing, or one for each burst where they are not joined; or why there is none. Empty without an
    /// antenna.
    pub outcomes: Vec<BearingOutcome>,
    /// Left or right for each outcome, for a pair of antennas that homes; else none.
    pub sides: Vec<Option<Sides>>,
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
    let mut heard = listen(settings, input.section, recording, &site, progress)?;
    let mut result = PlaceResult {
        name,
        position: site.position,
        heading: settings.antenna.as_ref().map(|_| site.heading),
        summary: heard.summary.clone(),
        bursts: std::mem::take(&mut heard.bursts),
        readings: Vec::new(),
        outcomes: Vec::new(),
        sides: Vec::new(),
        estimates: Vec::new(),
        spectrogram: heard.spectrogram.take(),
    };
    if settings.antenna.is_some() {
        take_bearings(settings, input, &site, heard, &mut result)?;
    }
    Ok(result)
}
