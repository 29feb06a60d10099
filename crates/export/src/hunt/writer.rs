//! Writing a log: one writer, one entry at a time, on the disk before it counts.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufReader, Write as _};
use std::path::{Path, PathBuf};

use lobewright_types::Timestamp;

use super::entry::{HUNT_FORMAT, HUNT_VERSION, HuntEntry, HuntFact, hunt_line};
use super::error::HuntLogError;
use super::read::{HuntLog, read_hunt_log};

/// The only writer of a log, as long as it lives.
#[derive(Debug)]
pub struct HuntWriter {
    file: File,
    path: PathBuf,
    log: HuntLog,
    /// The line that a write left torn: the next one must begin on a line of its own and say so.
    torn: Option<u64>,
}

impl HuntWriter {
    /// Opens a log for writing, or begins one.
    ///
    /// # Inputs
    /// `now` for the lines that opening writes itself: the start of a new log, and the mark behind a line that was torn by a
    /// crash. `title` names a new hunt; it is not used where the log is there already.
    ///
    /// # Result
    /// The writer, which holds the file's lock until it is dropped. What the file held before is in [`HuntWriter::log`].
    ///
    /// # Errors
    /// [`HuntLogError`]: the file cannot be opened, is another program's at the moment, or is something else.
    pub fn open(path: &Path, now: Timestamp, title: Option<&str>) -> Result<Self, HuntLogError> {
        let fail = |source| HuntLogError::Open {
            path: path.to_owned(),
            source,
        };
        let new = !path.exists();
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(path)
            .map_err(fail)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(HuntLogError::InUse {
                    path: path.to_owned(),
                });
            }
            Err(TryLockError::Error(source)) => return Err(fail(source)),
        }
        let log = read_hunt_log(BufReader::new(&file), &path.display().to_string())?;
        let mut writer = Self {
            file,
            path: path.to_owned(),
            torn: log.torn_end.then_some(log.lines),
            log,
        };
        if writer.log.open_ended && !writer.log.torn_end {
            // The entry is whole, only the end of its line is missing.
            writer.file.write_all(b"\n").map_err(fail)?;
            writer.file.sync_all().map_err(fail)?;
            writer.log.open_ended = false;
        }
        if writer.log.start().is_none() {
            writer.begin(now, title)?;
        }
        if let Some(line) = writer.torn {
            writer.mark_torn(now, line)?;
        }
        if new {
            writer.settle_folder();
        }
        Ok(writer)
    }

    /// What the log holds, lines written by this writer included.
    pub fn log(&self) -> &HuntLog {
        &self.log
    }

    /// The number that the next entry gets.
    pub fn next_id(&self) -> u64 {
        self.log.highest_id.saturating_add(1)
    }

    /// Writes an entry and forces it to the disk.
    ///
    /// # Result
    /// The entry with its number, when it is kept: a crash from here on does not lose it.
    ///
    /// # Errors
    /// [`HuntLogError::Append`]; the entry does not count then, and writing may go on.
    pub fn append(&mut self, now: Timestamp, fact: HuntFact) -> Result<HuntEntry, HuntLogError> {
        if let Some(line) = self.torn {
            self.mark_torn(now, line)?;
        }
        let entry = HuntEntry {
            id: self.next_id(),
            time_utc: now,
            fact,
        };
        self.write(&entry, "")
    }

    fn begin(&mut self, now: Timestamp, title: Option<&str>) -> Result<(), HuntLogError> {
        let start = HuntEntry {
            id: 0,
            time_utc: now,
            fact: HuntFact::Start {
                format: HUNT_FORMAT.to_owned(),
                version: HUNT_VERSION,
                title: title.map(str::to_owned),
            },
        };
        let before = if self.log.open_ended { "\n" } else { "" };
        self.write(&start, before).map(drop)
    }

    /// Ends a torn line and says which it was.
    fn mark_torn(&mut self, now: Timestamp, line: u64) -> Result<(), HuntLogError> {
        let entry = HuntEntry {
            id: self.next_id(),
            time_utc: now,
            fact: HuntFact::Torn { line },
        };
        let before = if self.log.open_ended { "\n" } else { "" };
        self.write(&entry, before)?;
        self.torn = None;
        Ok(())
    }

    fn write(&mut self, entry: &HuntEntry, before: &str) -> Result<HuntEntry, HuntLogError> {
        let text = hunt_line(entry);
        let line = format!("{before}{text}");
        // The number is used, whatever becomes of the line.
        self.log.highest_id = self.log.highest_id.max(entry.id);
        let fail = |source| HuntLogError::Append {
            path: self.path.clone(),
            id: entry.id,
            source,
        };
        if let Err(source) = self.file.write_all(line.as_bytes()) {
            self.log.lines += 1;
            self.log.open_ended = true;
            self.torn = Some(self.log.lines);
            return Err(fail(source));
        }
        self.log.open_ended = false;
        self.log.lines += 1;
        self.file.sync_all().map_err(fail)?;
        // As it will be read: a density is written in a short form.
        let kept = serde_json::from_str(&text).unwrap_or_else(|_| entry.clone());
        self.log.entries.push(kept.clone());
        Ok(kept)
    }

    /// A new name is on the disk once its folder is. Not every system lets a folder be opened.
    fn settle_folder(&self) {
        let folder = match self.path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if let Ok(folder) = File::open(folder) {
            let _ = folder.sync_all();
        }
    }
}
