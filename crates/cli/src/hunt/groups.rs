//! Clues told apart by the transmitter that they are of.

use std::collections::BTreeMap;

use lobewright_fix::{Evidence, FixConfig, SlotPlan};
use lobewright_types::{
    AreaClue, Bearing, BearingKind, BearingOutcome, FixOutcome, LevelReport, NoBearing, SilenceReport,
};

use super::sources::Clue;

const DAY_NS: i64 = 86_400_000_000_000;

/// All that is known about one transmitter.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Known {
    pub(crate) bearings: Vec<Bearing>,
    pub(crate) none: Vec<NoBearing>,
    pub(crate) levels: Vec<LevelReport>,
    pub(crate) silences: Vec<SilenceReport>,
    pub(crate) areas: Vec<AreaClue>,
}

impl Known {
    /// Where the transmitter is.
    pub(crate) fn solve(&self, config: &FixConfig) -> FixOutcome {
        lobewright_fix::solve_evidence(&self.evidence(), config)
    }

    /// All of it for the solver.
    pub(crate) fn evidence(&self) -> Evidence<'_> {
        Evidence {
            bearings: &self.bearings,
            levels: &self.levels,
            silences: &self.silences,
            areas: &self.areas,
            ..Evidence::default()
        }
    }

    /// Bearings, and places that gave none.
    pub(crate) fn outcomes(&self) -> Vec<BearingOutcome> {
        let bearings = self
            .bearings
            .iter()
            .map(|b| BearingOutcome::Bearing(Box::new(b.clone())));
        bearings
            .chain(self.none.iter().map(|n| BearingOutcome::NoBearing(n.clone())))
            .collect()
    }

    fn add(&mut self, clue: Clue) {
        match clue {
            Clue::Bearing(BearingOutcome::Bearing(b)) => self.bearings.push(*b),
            Clue::Bearing(BearingOutcome::NoBearing(n)) => self.none.push(n),
            Clue::Level(l) => self.levels.push(l),
            Clue::Silence(s) => self.silences.push(s),
            Clue::Area(a) => self.areas.push(a),
        }
    }

    /// Whether it says anything about one transmitter: an area alone does not.
    fn is_about_one(&self) -> bool {
        !(self.bearings.is_empty() && self.levels.is_empty() && self.silences.is_empty())
    }
}

/// One transmitter, or what has no label.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Group {
    /// The label.
    pub(crate) transmitter: Option<String>,
    /// What is known about it.
    pub(crate) known: Known,
}

/// Gives each bearing, level and silence without a label that of its slot.
///
/// # Result
/// The clues that are left, and a sentence for each that is not.
pub(crate) fn label_by_slot(clues: Vec<Clue>, plan: &SlotPlan) -> (Vec<Clue>, Vec<String>) {
    let (mut kept, mut left_out) = (Vec::new(), Vec::new());
    for mut clue in clues {
        // A label that somebody gave by ear is better than the clock.
        if clue.transmitter().is_none()
            && let Some((name, kind)) = named(&clue)
        {
            match slot_of(&clue, kind, plan) {
                Ok(slot) => set_label(&mut clue, plan.label(slot)),
                Err(why) => {
                    left_out.push(format!("{name} is left out: {why}"));
                    continue;
                }
            }
        }
        kept.push(clue);
    }
    (kept, left_out)
}

fn slot_of(clue: &Clue, kind: BearingKind, plan: &SlotPlan) -> Result<u32, String> {
    let time = clue.time_utc();
    // A table that gives the day only means noon.
    if kind == BearingKind::Hand && time.is_some_and(|t| t.unix_ns().rem_euclid(DAY_NS) == DAY_NS / 2) {
        return Err(
            "its time is noon to the second, as a date alone is read; give the time of day in UTC".to_owned(),
        );
    }
    plan.slot_of(time, kind).map_err(|doubt| doubt.to_string())
}

/// What a clue is called, and whether a person took it; nothing for what has no transmitter.
fn named(clue: &Clue) -> Option<(String, BearingKind)> {
    match clue {
        Clue::Bearing(BearingOutcome::Bearing(b)) => {
            Some((format!("bearing `{}` at {}", b.id, b.station), b.kind))
        }
        Clue::Level(l) => Some((format!("level `{}` at {}", l.id, l.station), BearingKind::Hand)),
        Clue::Silence(s) => Some((format!("silence `{}` at {}", s.id, s.station), BearingKind::Hand)),
        Clue::Bearing(BearingOutcome::NoBearing(_)) | Clue::Area(_) => None,
    }
}

fn set_label(clue: &mut Clue, label: String) {
    match clue {
        Clue::Bearing(BearingOutcome::Bearing(b)) => b.transmitter = Some(label),
        Clue::Level(l) => l.transmitter = Some(label),
        Clue::Silence(s) => s.transmitter = Some(label),
        Clue::Bearing(BearingOutcome::NoBearing(_)) | Clue::Area(_) => {}
    }
}

/// Tells transmitters apart by their labels.
///
/// # Result
/// One group a label, in the order of the labels, and behind them one for what has none; at least one. Areas, and places that
/// gave no bearing, are in every group.
pub(crate) fn split(clues: Vec<Clue>) -> Vec<Group> {
    let mut common = Known::default();
    let mut labelled: BTreeMap<String, Known> = BTreeMap::new();
    let mut rest = Known::default();
    for clue in clues {
        match (&clue, clue.transmitter()) {
            (Clue::Area(_) | Clue::Bearing(BearingOutcome::NoBearing(_)), _) => common.add(clue),
            (_, Some(label)) => labelled.entry(label.to_owned()).or_default().add(clue),
            (_, None) => rest.add(clue),
        }
    }
    let mut groups: Vec<Group> = labelled
        .into_iter()
        .map(|(label, known)| Group {
            transmitter: Some(label),
            known,
        })
        .collect();
    if groups.is_empty() || rest.is_about_one() {
        groups.push(Group {
            transmitter: None,
            known: rest,
        });
    }
    for group in &mut groups {
        group.known.none.clone_from(&common.none);
        group.known.areas.clone_from(&common.areas);
    }
    groups
}

impl Group {
    /// What it is called.
    pub(crate) fn title(&self) -> String {
        self.transmitter.as_ref().map_or_else(
            || "without a label".to_owned(),
            |label| format!("transmitter {label}"),
        )
    }
}

/// What must be said where some things have a label and others have none.
pub(crate) fn say_unlabelled(groups: &[Group]) -> Option<String> {
    let rest = groups.iter().find(|g| g.transmitter.is_none())?;
    if groups.len() < 2 {
        return None;
    }
    let k = &rest.known;
    Some(format!(
        "{} bearings, {} levels and {} reports of silence have no transmitter's label beside others that have one: they are taken as one transmitter of their own; label them, or give --slots",
        k.bearings.len(),
        k.levels.len(),
        k.silences.len()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use lobewright_types::{Azimuth, Position, Timestamp};

    fn bearing(id: &str, transmitter: Option<&str>, time_s: Option<i64>) -> Clue {
        let place = Position {
            lat_deg: -41.3,
            lon_deg: 174.1,
        };
        let time = time_s.map(|s| Timestamp::from_unix_ns(s * 1_000_000_000));
        let mut b =
            lobewright_fix::from_normal(id, place, Azimuth::from_degrees(10.0), 3.0, (10.0, 0.0), time);
        b.transmitter = transmitter.map(str::to_owned);
        Clue::Bearing(BearingOutcome::Bearing(Box::new(b)))
    }

    fn titles(clues: Vec<Clue>) -> Vec<(String, usize)> {
        split(clues)
            .iter()
            .map(|g| (g.title(), g.known.bearings.len()))
            .collect()
    }

    #[test]
    fn labels_make_groups_and_what_has_none_stands_behind_them() {
        assert_eq!(titles(Vec::new()), [("without a label".to_owned(), 0)]);
        let clues = vec![
            bearing("a", Some("larch"), None),
            bearing("b", None, None),
            bearing("c", Some("alder"), None),
            bearing("d", Some("larch"), None),
        ];
        let groups = split(clues.clone());
        assert!(
            say_unlabelled(&groups)
                .unwrap()
                .starts_with("1 bearings, 0 levels")
        );
        assert_eq!(
            titles(clues),
            [
                ("transmitter alder".to_owned(), 1),
                ("transmitter larch".to_owned(), 2),
                ("without a label".to_owned(), 1)
            ]
        );
        assert_eq!(say_unlabelled(&split(vec![bearing("b", None, None)])), None);
    }

    #[test]
    fn slots_label_by_the_clock_and_leave_out_what_they_cannot_tell() {
        let plan: SlotPlan = "300,5".parse().unwrap();
        let clues = vec![
            bearing("in the second", None, Some(90)),
            bearing("at the edge", None, Some(120)),
            bearing("no time", None, None),
            bearing("heard by ear", Some("larch"), Some(120)),
            bearing("noon", None, Some(43_200)),
        ];
        let (kept, left_out) = label_by_slot(clues, &plan);
        assert_eq!(
            kept.iter().map(Clue::transmitter).collect::<Vec<_>>(),
            [Some("slot 2"), Some("larch")]
        );
        assert_eq!(left_out.len(), 3);
        assert!(left_out[0].starts_with("bearing `at the edge` at at the edge is left out:"));
        assert!(left_out[2].contains("noon to the second"), "{left_out:?}");
    }
}
