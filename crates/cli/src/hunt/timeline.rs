//! What was known when: the entries of all files in one order.

use std::collections::BTreeSet;

use lobewright_export::HuntFact;
use lobewright_types::Timestamp;

use super::sources::{Clue, Content, Source};
use crate::fault::Fault;

/// One entry of one file, in the order in which they came in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Event {
    /// When; entries without a time count as there from the beginning.
    pub(crate) time: Option<Timestamp>,
    /// Which file.
    pub(crate) source: usize,
    /// Which of its entries, from 0.
    pub(crate) index: usize,
}

/// Files and the order of their entries.
#[derive(Debug)]
pub(crate) struct Timeline {
    pub(crate) sources: Vec<Source>,
    pub(crate) events: Vec<Event>,
}

/// Until when a replay goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Until {
    /// A moment.
    Time(Timestamp),
    /// An entry of the only log.
    Entry(u64),
}

impl std::str::FromStr for Until {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let number = text.trim().trim_start_matches('#');
        if let Ok(id) = number.parse() {
            return Ok(Self::Entry(id));
        }
        text.parse().map(Self::Time).map_err(|_| {
            "must be a time in RFC 3339 such as 2026-02-14T03:25:00Z, or the number of an entry such as 7"
                .to_owned()
        })
    }
}

impl Timeline {
    /// Lays the entries in order: by time, those without one first, entries of a log never before earlier lines of it.
    pub(crate) fn new(sources: Vec<Source>) -> Self {
        let mut events = Vec::new();
        for (source, s) in sources.iter().enumerate() {
            let times: Vec<Option<Timestamp>> = match &s.content {
                Content::Log(log) => log_times(log.entries.iter().map(|e| e.time_utc)),
                Content::Clues(clues) => clues.iter().map(Clue::time_utc).collect(),
            };
            events.extend(
                times
                    .into_iter()
                    .enumerate()
                    .map(|(index, time)| Event { time, source, index }),
            );
        }
        events.sort_by_key(|e| (e.time, e.source, e.index));
        Self { sources, events }
    }

    /// How many events there are up to a moment.
    pub(crate) fn count_until(&self, until: Until) -> Result<usize, Fault> {
        let moment = match until {
            Until::Time(moment) => moment,
            Until::Entry(id) => return self.count_to_entry(id),
        };
        Ok(self.events.partition_point(|e| e.time <= Some(moment)))
    }

    fn count_to_entry(&self, id: u64) -> Result<usize, Fault> {
        let logs: Vec<usize> = (0..self.sources.len())
            .filter(|&i| matches!(self.sources[i].content, Content::Log(_)))
            .collect();
        let [log] = logs[..] else {
            return Err(Fault::Input(anyhow::anyhow!(
                "--at with the number of an entry needs exactly one hunt log, but {} were given; give a time such as 2026-02-14T03:25:00Z",
                logs.len()
            )));
        };
        let Content::Log(entries) = &self.sources[log].content else {
            return Ok(0);
        };
        let Some(count) = entries.count_to(id) else {
            return Err(Fault::Input(anyhow::anyhow!(
                "`{}` has no entry {id}; its entries go to {}",
                self.sources[log].name,
                entries.entries.iter().map(|e| e.id).max().unwrap_or(0)
            )));
        };
        let is_it = |e: &Event| e.source == log && e.index + 1 == count;
        Ok(self.events.iter().position(is_it).map_or(0, |at| at + 1))
    }

    /// What stands after the first `count` events, file by file, in the order of their lines.
    pub(crate) fn standing_after(&self, count: usize) -> Vec<Clue> {
        let mut seen = vec![0; self.sources.len()];
        let mut rows: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); self.sources.len()];
        for event in &self.events[..count.min(self.events.len())] {
            seen[event.source] = seen[event.source].max(event.index + 1);
            rows[event.source].insert(event.index);
        }
        let mut standing = Vec::new();
        for (i, source) in self.sources.iter().enumerate() {
            match &source.content {
                Content::Log(log) => {
                    standing.extend(log.standing_after(seen[i]).into_iter().filter_map(Clue::of_entry));
                }
                Content::Clues(clues) => standing.extend(rows[i].iter().map(|&row| clues[row].clone())),
            }
        }
        standing
    }

    /// Whether an event can change what is known.
    pub(crate) fn tells(&self, event: &Event) -> bool {
        match &self.sources[event.source].content {
            Content::Log(log) => {
                let entry = &log.entries[event.index];
                Clue::of_entry(entry).is_some() || matches!(entry.fact, HuntFact::Retraction { .. })
            }
            Content::Clues(_) => true,
        }
    }

    /// How many entries in tables and results have no time, and so count as there from the beginning.
    pub(crate) fn without_time(&self) -> usize {
        let timed = |e: &&Event| {
            e.time.is_none()
                && matches!(
                    &self.sources[e.source].content,
                    Content::Clues(c) if matches!(
                        &c[e.index],
                        Clue::Bearing(lobewright_types::BearingOutcome::Bearing(_)) | Clue::Level(_) | Clue::Silence(_)
                    )
                )
        };
        self.events.iter().filter(timed).count()
    }
}

/// Times that never go back: an entry counts as written no later than any that stands behind it.
fn log_times(times: impl DoubleEndedIterator<Item = Timestamp>) -> Vec<Option<Timestamp>> {
    let mut latest: Option<Timestamp> = None;
    let mut held: Vec<Option<Timestamp>> = times
        .rev()
        .map(|time| {
            latest = Some(latest.map_or(time, |l| l.min(time)));
            latest
        })
        .collect();
    held.reverse();
    held
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_unix_ns(second * 1_000_000_000)
    }

    #[test]
    fn a_clock_that_was_set_back_keeps_the_order_of_the_lines() {
        let held = log_times([10, 30, 20, 40].into_iter().map(at));
        assert_eq!(held, [10, 20, 20, 40].map(|s| Some(at(s))));
    }

    #[test]
    fn a_moment_is_a_time_or_the_number_of_an_entry() {
        assert_eq!("7".parse(), Ok(Until::Entry(7)));
        assert_eq!("#12".parse(), Ok(Until::Entry(12)));
        assert_eq!("1970-01-01T00:00:05Z".parse(), Ok(Until::Time(at(5))));
        assert!("yesterday".parse::<Until>().unwrap_err().contains("RFC 3339"));
    }
}
