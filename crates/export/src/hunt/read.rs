//! From bytes to entries: every whole line is recovered, whatever became of the others.

use std::collections::BTreeMap;
use std::io::BufRead;

use lobewright_types::{AreaClue, Position, Timestamp};
use serde::Deserialize;

use super::entry::{HUNT_FORMAT, HuntEntry, HuntFact, KINDS};
use super::error::{AsideReason, HuntLogError};
use crate::json::{Fault, bearing_out_of_range, place_out_of_range};

/// How every start line begins, up to what differs.
const START: &[u8] = b"{\"id\":0,\"time_utc\":\"";

/// A line that is no entry of use; its text is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct AsideLine {
    /// Line in the file, from 1.
    pub line: u64,
    /// Why.
    pub reason: AsideReason,
    /// What stands there; bytes that are no UTF-8 are replaced.
    pub text: String,
}

/// A log as it was read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HuntLog {
    /// Entries in the order of their lines, the start included.
    pub entries: Vec<HuntEntry>,
    /// Lines put aside, in order.
    pub aside: Vec<AsideLine>,
    /// Lines in the file, the last one counted whole or torn.
    pub lines: u64,
    /// The last line has no end: a write was interrupted, or the file was cut.
    pub open_ended: bool,
    /// The last line is torn: no entry can be read from it.
    pub torn_end: bool,
    /// The highest number in use, also by lines put aside.
    pub highest_id: u64,
}

/// Whether a file that begins with these bytes is a hunt log (or the torn beginning of one).
///
/// Give the first line, or some hundred bytes.
pub fn is_hunt_log(head: &[u8]) -> bool {
    let line = head.split(|&b| b == b'\n').next().unwrap_or_default();
    is_start_or_part(line) && !line.is_empty()
}

/// Whether a line is a start, or could be what a write of one left.
fn is_start_or_part(line: &[u8]) -> bool {
    line.iter().all(|&b| b == 0) || START.starts_with(line) || line.starts_with(START)
}

/// Reads a log.
///
/// # Inputs
/// `reader`: the file. `name` stands for it in messages.
///
/// # Result
/// Every entry whose line is whole; all other lines are in [`HuntLog::aside`] with the reason. An empty file, and one that
/// was cut inside its first line, are logs without entries.
///
/// # Errors
/// [`HuntLogError::NotALog`] where no start line is there, [`HuntLogError::Read`].
pub fn read_hunt_log(mut reader: impl BufRead, name: &str) -> Result<HuntLog, HuntLogError> {
    let mut reading = Reading::default();
    let mut bytes = Vec::new();
    loop {
        bytes.clear();
        let count = reader
            .read_until(b'\n', &mut bytes)
            .map_err(|source| HuntLogError::Read {
                name: name.to_owned(),
                line: reading.log.lines + 1,
                source,
            })?;
        if count == 0 {
            break;
        }
        reading.take(&bytes);
    }
    reading.finish(name)
}

/// The part of a line that every kind has.
#[derive(Deserialize)]
struct Head {
    id: Option<u64>,
    kind: Option<String>,
}

#[derive(Default)]
struct Reading {
    log: HuntLog,
    first_line_of: BTreeMap<u64, u64>,
    /// Some line could not be what a write of a start line left.
    foreign: bool,
}

impl Reading {
    fn take(&mut self, bytes: &[u8]) {
        self.log.lines += 1;
        let line = self.log.lines;
        let whole = bytes.ends_with(b"\n");
        let mut content = bytes.trim_ascii();
        if line == 1 {
            content = content.strip_prefix(b"\xef\xbb\xbf").unwrap_or(content);
        }
        self.log.open_ended = !whole;
        self.log.torn_end = false;
        if content.is_empty() {
            return;
        }
        // A line that was ended is too short to tell from a brace of any other file.
        let telling = !whole || content.len() >= 8;
        if self.log.entries.is_empty() && !(telling && is_start_or_part(content)) {
            self.foreign = true;
        }
        match self.parse(content) {
            Ok(entry) => {
                self.first_line_of.insert(entry.id, line);
                if let HuntFact::Torn { line: torn } = entry.fact
                    && let Some(aside) = self.log.aside.iter_mut().find(|a| a.line == torn)
                {
                    aside.reason = AsideReason::Torn;
                }
                self.log.entries.push(entry);
            }
            Err(reason) => {
                let is_torn = !whole && matches!(reason, AsideReason::Unreadable { .. });
                self.log.torn_end = is_torn;
                self.log.aside.push(AsideLine {
                    line,
                    reason: if is_torn { AsideReason::Torn } else { reason },
                    text: String::from_utf8_lossy(content).into_owned(),
                });
            }
        }
    }

    fn parse(&mut self, content: &[u8]) -> Result<HuntEntry, AsideReason> {
        let head: Head = serde_json::from_slice(content).map_err(|e| unreadable(&e))?;
        if let Some(id) = head.id {
            self.log.highest_id = self.log.highest_id.max(id);
        }
        if let Some(kind) = head.kind
            && !KINDS.contains(&kind.as_str())
        {
            return Err(AsideReason::UnknownKind { kind });
        }
        let entry: HuntEntry = serde_json::from_slice(content).map_err(|e| unreadable(&e))?;
        if let HuntFact::Start { format, .. } = &entry.fact
            && format != HUNT_FORMAT
        {
            return Err(AsideReason::Unreadable {
                column: 0,
                reason: format!("the format is `{format}`, not `{HUNT_FORMAT}`"),
            });
        }
        if let Some((field, found, needed)) = out_of_range(&entry.fact) {
            return Err(AsideReason::Value { field, found, needed });
        }
        if let Some(&first_line) = self.first_line_of.get(&entry.id) {
            return Err(AsideReason::DuplicateId {
                id: entry.id,
                first_line,
            });
        }
        if let HuntFact::Retraction { of, .. } = entry.fact
            && !self.first_line_of.contains_key(&of)
        {
            return Err(AsideReason::NothingToRetract { of });
        }
        Ok(entry)
    }

    fn finish(self, name: &str) -> Result<HuntLog, HuntLogError> {
        let started = self
            .log
            .entries
            .iter()
            .any(|e| matches!(e.fact, HuntFact::Start { .. }));
        if !started && (self.foreign || !self.log.entries.is_empty()) {
            return Err(HuntLogError::NotALog {
                name: name.to_owned(),
            });
        }
        Ok(self.log)
    }
}

fn unreadable(error: &serde_json::Error) -> AsideReason {
    let reason = error.to_string();
    AsideReason::Unreadable {
        column: error.column(),
        // The parser counts lines within the entry, which is one line.
        reason: reason.split(" at line ").next().unwrap_or_default().to_owned(),
    }
}

/// The first value that no entry can have.
fn out_of_range(fact: &HuntFact) -> Option<Fault> {
    let sound =
        |field: &str, value: f64, good: bool, needed| (!good).then(|| (field.to_owned(), value, needed));
    match fact {
        HuntFact::Bearing { bearing, .. } => bearing_out_of_range(bearing),
        HuntFact::Level { level, .. } => place_out_of_range(level.position)
            .or_else(|| {
                let s = level.position_sigma_m;
                sound("position_sigma_m", s, s.is_finite() && s >= 0.0, "0 or more")
            })
            .or_else(|| {
                let s = level.sigma_db;
                sound("sigma_db", s, s.is_finite() && s > 0.0, "a number above 0")
            }),
        HuntFact::Silence { silence } => place_out_of_range(silence.position),
        HuntFact::Area { area } => area_out_of_range(area),
        HuntFact::Note {
            position: Some(place),
            ..
        } => place_out_of_range(*place),
        _ => None,
    }
}

fn area_out_of_range(area: &AreaClue) -> Option<Fault> {
    let rings = area
        .polygons
        .iter()
        .flat_map(|p| std::iter::once(&p.outer).chain(&p.holes));
    for ring in rings {
        if ring.len() < 3 {
            return Some((
                "area.polygons".to_owned(),
                ring.len() as f64,
                "rings of three or more corners",
            ));
        }
        if let Some(fault) = ring.iter().find_map(|p: &Position| place_out_of_range(*p)) {
            return Some(fault);
        }
    }
    area.polygons
        .is_empty()
        .then(|| ("area.polygons".to_owned(), 0.0, "one or more polygons"))
}

impl HuntLog {
    /// The name of the hunt and the version of the writer that began it.
    pub fn start(&self) -> Option<(Option<&str>, u32)> {
        self.entries.iter().find_map(|e| match &e.fact {
            HuntFact::Start { title, version, .. } => Some((title.as_deref(), *version)),
            _ => None,
        })
    }

    /// When the last entry was written.
    pub fn last_time(&self) -> Option<Timestamp> {
        self.entries.iter().map(|e| e.time_utc).max()
    }
}
