//! Files that say something about a transmitter's place.

use std::fs::File;
use std::io::{BufReader, Read as _, Seek as _};
use std::path::Path;

use anyhow::Context as _;
use lobewright_export::{HuntEntry, HuntFact, HuntLog};
use lobewright_types::{AreaClue, BearingOutcome, LevelReport, SilenceReport, Timestamp};

use crate::fault::Fault;
use crate::output::remark;

/// One thing that is known.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Clue {
    /// A bearing, or a place that gave none.
    Bearing(BearingOutcome),
    /// A level.
    Level(LevelReport),
    /// Silence.
    Silence(SilenceReport),
    /// An area.
    Area(AreaClue),
}

impl Clue {
    /// What an entry of a log says about the place, where it says anything.
    pub(crate) fn of_entry(entry: &HuntEntry) -> Option<Self> {
        Some(match &entry.fact {
            HuntFact::Bearing { bearing, .. } => Self::Bearing(BearingOutcome::Bearing(bearing.clone())),
            HuntFact::Level { level, .. } => Self::Level(level.clone()),
            HuntFact::Silence { silence } => Self::Silence(silence.clone()),
            HuntFact::Area { area } => Self::Area(area.clone()),
            HuntFact::Start { .. }
            | HuntFact::Note { .. }
            | HuntFact::Retraction { .. }
            | HuntFact::Torn { .. } => {
                return None;
            }
        })
    }

    /// When it was read.
    pub(crate) fn time_utc(&self) -> Option<Timestamp> {
        match self {
            Self::Bearing(BearingOutcome::Bearing(b)) => b.time_utc,
            Self::Level(l) => l.time_utc,
            Self::Silence(s) => s.time_utc,
            Self::Bearing(BearingOutcome::NoBearing(_)) | Self::Area(_) => None,
        }
    }

    /// The transmitter that it is said to be of; all of them for an area.
    pub(crate) fn transmitter(&self) -> Option<&str> {
        match self {
            Self::Bearing(BearingOutcome::Bearing(b)) => b.transmitter.as_deref(),
            Self::Level(l) => l.transmitter.as_deref(),
            Self::Silence(s) => s.transmitter.as_deref(),
            Self::Bearing(BearingOutcome::NoBearing(_)) | Self::Area(_) => None,
        }
    }
}

/// What a file holds.
#[derive(Debug, Clone)]
pub(crate) enum Content {
    /// The log of a hunt.
    Log(HuntLog),
    /// A table or results, in the order of their lines.
    Clues(Vec<Clue>),
}

/// A file that was read.
#[derive(Debug, Clone)]
pub(crate) struct Source {
    /// Its name, as it was given.
    pub(crate) name: String,
    /// What it holds.
    pub(crate) content: Content,
}

/// Reads files of any of the kinds; what kind one is shows its ending and its first line.
pub(crate) fn read_all(paths: &[impl AsRef<Path>], quiet: bool) -> Result<Vec<Source>, Fault> {
    paths.iter().map(|path| read(path.as_ref(), quiet)).collect()
}

fn read(path: &Path, quiet: bool) -> Result<Source, Fault> {
    let name = path.display().to_string();
    let ending = path.extension().and_then(|e| e.to_str());
    let content = match ending {
        Some("csv") => table(path, &name, quiet)?,
        Some("aprs") => aprs(path, &name, quiet)?,
        Some("jsonl" | "json") => lines(path, &name, quiet)?,
        _ => {
            return Err(Fault::Input(anyhow::anyhow!(
                "`{name}` has no known ending; give hand-taken bearings as .csv, APRS reports as .aprs, hunt logs and results of a run as .jsonl"
            )));
        }
    };
    Ok(Source { name, content })
}

fn open(path: &Path, name: &str) -> Result<File, Fault> {
    File::open(path)
        .with_context(|| format!("cannot read bearings `{name}`"))
        .map_err(Fault::Input)
}

/// The first line and the file from its beginning.
fn head(path: &Path, name: &str) -> Result<(Vec<u8>, BufReader<File>), Fault> {
    /// Longer than any heading.
    const HEAD_BYTES: u64 = 4096;
    let unreadable = |e: std::io::Error| {
        Fault::Input(anyhow::Error::new(e).context(format!("cannot read bearings `{name}`")))
    };
    let mut file = open(path, name)?;
    let mut first = Vec::new();
    (&mut file)
        .take(HEAD_BYTES)
        .read_to_end(&mut first)
        .map_err(unreadable)?;
    file.rewind().map_err(unreadable)?;
    first.truncate(first.iter().position(|&b| b == b'\n').unwrap_or(first.len()));
    Ok((first, BufReader::new(file)))
}

fn table(path: &Path, name: &str, quiet: bool) -> Result<Content, Fault> {
    let (first, reader) = head(path, name)?;
    if lobewright_export::is_bearings_csv(&first) {
        let outcomes = lobewright_export::read_bearings_csv(reader, name).map_err(Fault::input)?;
        return Ok(Content::Clues(outcomes.into_iter().map(Clue::Bearing).collect()));
    }
    let table = lobewright_fix::read_hand_table(reader, name).map_err(Fault::input)?;
    for warning in table.warnings {
        remark(quiet, &format!("warning: {warning}"));
    }
    let bearing = |b| Clue::Bearing(BearingOutcome::Bearing(Box::new(b)));
    let clues = table.bearings.into_iter().map(bearing);
    let clues = clues.chain(table.levels.into_iter().map(Clue::Level));
    Ok(Content::Clues(
        clues
            .chain(table.silences.into_iter().map(Clue::Silence))
            .collect(),
    ))
}

/// Reads a file of areas.
pub(crate) fn read_areas(path: &Path) -> Result<Source, Fault> {
    let name = path.display().to_string();
    let file = File::open(path)
        .with_context(|| format!("cannot read areas `{name}`"))
        .map_err(Fault::Input)?;
    let areas = lobewright_export::read_areas_geojson(file, &name).map_err(Fault::input)?;
    Ok(Source {
        name,
        content: Content::Clues(areas.into_iter().map(Clue::Area).collect()),
    })
}

fn aprs(path: &Path, name: &str, quiet: bool) -> Result<Content, Fault> {
    let (bearings, warnings) =
        lobewright_export::read_aprs_bearings(open(path, name)?, name).map_err(Fault::input)?;
    for warning in warnings {
        remark(quiet, &format!("warning: {warning}"));
    }
    Ok(Content::Clues(
        bearings
            .into_iter()
            .map(|b| Clue::Bearing(BearingOutcome::Bearing(Box::new(b))))
            .collect(),
    ))
}

fn lines(path: &Path, name: &str, quiet: bool) -> Result<Content, Fault> {
    let (first, reader) = head(path, name)?;
    if !lobewright_export::is_hunt_log(&first) {
        let outcomes = lobewright_export::read_bearings_jsonl(reader, name).map_err(Fault::input)?;
        return Ok(Content::Clues(outcomes.into_iter().map(Clue::Bearing).collect()));
    }
    let log = lobewright_export::read_hunt_log(reader, name).map_err(Fault::input)?;
    say_aside(&log, name, quiet);
    Ok(Content::Log(log))
}

/// Says which lines of a log are not used.
pub(crate) fn say_aside(log: &HuntLog, name: &str, quiet: bool) {
    for aside in &log.aside {
        remark(
            quiet,
            &format!("warning: {name}, line {}: {}; not used", aside.line, aside.reason),
        );
    }
    if let Some((_, version)) = log.start()
        && version > lobewright_export::HUNT_VERSION
    {
        remark(
            quiet,
            &format!(
                "warning: {name} was begun by a later version of the format ({version}); what is new in it is not used"
            ),
        );
    }
}
