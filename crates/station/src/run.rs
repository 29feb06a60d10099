//! A whole pipeline: all places, then the position.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use lobewright_antenna::Pattern;
use lobewright_fix::FixConfig;
use lobewright_types::{Bearing, BearingOutcome, FixOutcome};

use crate::{
    AntennaModel, PipelineConfig, PlaceInput, PlaceResult, PlaceSettings, RunError, Sides, SpectrogramOf,
    process_place,
};

/// How a run is carried out; nothing here changes its result.
#[derive(Debug, Clone)]
pub struct RunOptions {
    /// Folder that the pipeline's relative paths start from.
    pub base: PathBuf,
    /// Places worked on at the same time; 0 takes the machine's cores.
    pub threads: usize,
    /// Whether spectrograms of the channels are kept for pictures.
    pub spectrograms: bool,
}

/// How far a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// The place, from 0.
    pub place: usize,
    /// Samples of its recording read so far.
    pub samples: u64,
    /// Samples it has, where known.
    pub total: Option<u64>,
}

/// All that came of a run.
#[derive(Debug, Clone)]
pub struct RunResult {
    /// One entry a place, in the pipeline's order.
    pub places: Vec<PlaceResult>,
    /// The pattern of a rotated antenna, where the pipeline has one.
    pub pattern: Option<Arc<Pattern>>,
    /// Bearings from other sources, as given.
    pub other_bearings: Vec<Bearing>,
    /// The position, where the pipeline has an antenna or other bearings.
    pub fix: Option<FixOutcome>,
    /// Doubts about files beside the recordings, in words.
    pub warnings: Vec<String>,
}

impl RunResult {
    /// Every outcome in the order in which the position took them.
    pub fn outcomes(&self) -> Vec<BearingOutcome> {
        let own = self.places.iter().flat_map(|p| p.outcomes.iter().cloned());
        own.chain(
            self.other_bearings
                .iter()
                .map(|b| BearingOutcome::Bearing(Box::new(b.clone()))),
        )
        .collect()
    }

    /// Left or right for each of [`RunResult::outcomes`], where an antenna homes.
    pub fn sides(&self) -> Vec<Option<Sides>> {
        let own = self.places.iter().flat_map(|p| p.sides.iter().copied());
        own.chain(self.other_bearings.iter().map(|_| None)).collect()
    }

    /// Every bearing in the order in which the position took them.
    pub fn bearings(&self) -> Vec<Bearing> {
        bearings_of(&self.outcomes())
    }
}

fn bearings_of(outcomes: &[BearingOutcome]) -> Vec<Bearing> {
    outcomes
        .iter()
        .filter_map(|o| match o {
            BearingOutcome::Bearing(b) => Some((**b).clone()),
            BearingOutcome::NoBearing(_) => None,
        })
        .collect()
}

/// Runs a pipeline. `progress` is called from the threads that work on the places.
///
/// # Errors
/// [`RunError`] of the first place, in the pipeline's order, that cannot be worked on.
pub fn run(
    config: &PipelineConfig,
    options: &RunOptions,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<RunResult, RunError> {
    let settings = PlaceSettings {
        config,
        antenna: match &config.antenna {
            Some(antenna) => Some(AntennaModel::load(antenna, &options.base)?),
            None => None,
        },
        base: &options.base,
        spectrogram: if options.spectrograms {
            SpectrogramOf::Channel
        } else {
            SpectrogramOf::Nothing
        },
    };
    let (other_bearings, warnings) = read_other_bearings(config, &options.base)?;
    let places = run_places(&settings, options.threads, progress)?;
    let pattern = settings.antenna.as_ref().and_then(|a| a.pattern().cloned());
    let mut result = RunResult {
        places,
        pattern,
        other_bearings,
        fix: None,
        warnings,
    };
    if config.antenna.is_some() || !result.other_bearings.is_empty() {
        result.fix = Some(lobewright_fix::solve(&result.bearings(), &fix_config(config)));
    }
    Ok(result)
}

/// The settings of the position estimate.
fn fix_config(config: &PipelineConfig) -> FixConfig {
    let mut fix = FixConfig {
        reflection_prior: config.fix.reflection_prior,
        ..FixConfig::default()
    };
    if config.fix.search_radius_km > 0.0 {
        fix.search_radius_km = config.fix.search_radius_km;
    }
    fix
}

/// Tells how far one place is.
pub(crate) fn place_progress(
    place: usize,
    progress: &(dyn Fn(Progress) + Sync),
) -> impl FnMut(u64, Option<u64>) + '_ {
    move |samples, total| {
        progress(Progress {
            place,
            samples,
            total,
        });
    }
}

fn run_places(
    settings: &PlaceSettings<'_>,
    threads: usize,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Vec<PlaceResult>, RunError> {
    let sections = &settings.config.places;
    let work = |index: usize| {
        process_place(
            settings,
            PlaceInput {
                index,
                section: &sections[index],
            },
            &mut place_progress(index, progress),
        )
    };
    in_parallel(sections.len(), threads, &work).into_iter().collect()
}

/// Does `work` for every number below `count` on several threads (0: as many as the machine has cores) and gives
/// the results in the order of the numbers, whatever the number of threads.
///
/// # Panics
/// Hands on a panic of `work`.
pub fn in_parallel<T: Send>(count: usize, threads: usize, work: &(dyn Fn(usize) -> T + Sync)) -> Vec<T> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let workers = if threads == 0 { cores } else { threads }.min(count).max(1);
    let next = AtomicUsize::new(0);
    let take_turns = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            if index >= count {
                break done;
            }
            done.push((index, work(index)));
        }
    };
    let mut results: Vec<(usize, T)> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers).map(|_| scope.spawn(take_turns)).collect();
        handles
            .into_iter()
            .flat_map(|h| h.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    results.sort_by_key(|(index, _)| *index);
    results.into_iter().map(|(_, result)| result).collect()
}

fn read_other_bearings(
    config: &PipelineConfig,
    base: &Path,
) -> Result<(Vec<Bearing>, Vec<String>), RunError> {
    let mut bearings = Vec::new();
    let mut warnings = Vec::new();
    let open = |path: &Path| {
        std::fs::File::open(base.join(path))
            .map(std::io::BufReader::new)
            .map_err(|e| RunError::Bearings {
                path: path.to_owned(),
                source: Box::new(e),
            })
    };
    if let Some(path) = &config.fix.hand_bearings {
        let (hand, doubts) = lobewright_fix::read_hand_bearings(open(path)?, &path.display().to_string())
            .map_err(|e| RunError::Bearings {
                path: path.clone(),
                source: Box::new(e),
            })?;
        bearings.extend(hand);
        warnings.extend(doubts.iter().map(ToString::to_string));
    }
    for path in &config.fix.more_bearings {
        let outcomes = lobewright_export::read_bearings_jsonl(open(path)?, &path.display().to_string())
            .map_err(|e| RunError::Bearings {
                path: path.clone(),
                source: Box::new(e),
            })?;
        bearings.extend(bearings_of(&outcomes));
    }
    Ok((bearings, warnings))
}
