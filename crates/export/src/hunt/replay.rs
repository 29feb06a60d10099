//! What stands in a log at some moment.

use std::collections::BTreeSet;

use lobewright_types::Timestamp;

use super::entry::{HuntEntry, HuntFact};
use super::read::HuntLog;

impl HuntLog {
    /// The entries of use that stand after the first `count` entries: no start, nothing taken back, no retraction.
    ///
    /// # Result
    /// In the order of their lines. A retraction that was itself taken back does not count.
    pub fn standing_after(&self, count: usize) -> Vec<&HuntEntry> {
        let seen = &self.entries[..count.min(self.entries.len())];
        // From the end: what stands there is settled before what it speaks of comes up.
        let mut taken_back = BTreeSet::new();
        let mut standing: Vec<&HuntEntry> = Vec::new();
        for entry in seen.iter().rev() {
            if taken_back.contains(&entry.id) {
                continue;
            }
            match &entry.fact {
                HuntFact::Retraction { of, .. } => {
                    taken_back.insert(*of);
                }
                HuntFact::Start { .. } | HuntFact::Torn { .. } => {}
                _ => standing.push(entry),
            }
        }
        standing.reverse();
        standing
    }

    /// The entries of use that stand now.
    pub fn standing(&self) -> Vec<&HuntEntry> {
        self.standing_after(self.entries.len())
    }

    /// How many entries had been written at a moment: those up to the last one that is not later.
    ///
    /// The order of the lines rules, so that a clock that was set back takes nothing out of the middle.
    pub fn count_at(&self, moment: Timestamp) -> usize {
        self.entries
            .iter()
            .rposition(|e| e.time_utc <= moment)
            .map_or(0, |last| last + 1)
    }

    /// How many entries there are up to the one of this number, it included.
    pub fn count_to(&self, id: u64) -> Option<usize> {
        self.entries.iter().position(|e| e.id == id).map(|at| at + 1)
    }

    /// Whether an entry is there and not taken back.
    pub fn stands(&self, id: u64) -> bool {
        let mut taken_back = BTreeSet::new();
        for entry in self.entries.iter().rev() {
            let out = taken_back.contains(&entry.id);
            if entry.id == id {
                return !out;
            }
            if let (HuntFact::Retraction { of, .. }, false) = (&entry.fact, out) {
                taken_back.insert(*of);
            }
        }
        false
    }
}
