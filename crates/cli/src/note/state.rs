//! What is known so far, for somebody who stands outside.

use std::fmt::Write as _;

use lobewright_export::{HuntFact, HuntLog};
use lobewright_fix::FixConfig;
use lobewright_types::{FixOutcome, Position};

use super::next;
use super::place::Places;
use super::visit::Settings;

use crate::hunt::course::words_of_entry;
use crate::hunt::groups::{self, Group};
use crate::hunt::sources::Clue;
use crate::tables;

/// Position, area and what would help, for each transmitter.
pub(super) fn words(log: &HuntLog, settings: &Settings) -> String {
    let groups = groups_of(log);
    let from = Places::of(log).last();
    let several = groups.len() > 1;
    let mut text = String::new();
    for group in &groups {
        if several {
            let _ = writeln!(text, "{}:", group.title());
        }
        text += &words_of(group, from, !settings.args.no_advice);
    }
    text
}

fn groups_of(log: &HuntLog) -> Vec<Group> {
    groups::split(log.standing().into_iter().filter_map(Clue::of_entry).collect())
}

fn words_of(group: &Group, from: Option<Position>, advised: bool) -> String {
    if !advised {
        return words_of_outcome(&group.known.solve(&FixConfig::default()));
    }
    let (outcome, samples) =
        lobewright_fix::advice::solve_with_samples(&group.known.evidence(), &FixConfig::default());
    let mut text = words_of_outcome(&outcome);
    if let Some(sentence) = samples.and_then(|s| next::sentence(&s, &outcome, from)) {
        let _ = writeln!(text, "{sentence}");
    }
    text
}

fn words_of_outcome(outcome: &FixOutcome) -> String {
    match outcome {
        FixOutcome::Fix(fix) => {
            let mut text = format!(
                "position {:.5}, {:.5}; 95 % within {} km²",
                fix.position.lat_deg,
                fix.position.lon_deg,
                tables::significant(fix.region95.area_km2)
            );
            if let Some(e) = &fix.ellipse95 {
                let _ = write!(
                    text,
                    " ({:.0} m by {:.0} m, long way {:.0}° true)",
                    2.0 * e.semi_major_m,
                    2.0 * e.semi_minor_m,
                    e.major_azimuth.degrees()
                );
            }
            text.push('\n');
            for mode in fix.modes.iter().skip(1) {
                let _ = writeln!(
                    text,
                    "or ({:.0} %) {:.5}, {:.5}",
                    100.0 * mode.probability,
                    mode.position.lat_deg,
                    mode.position.lon_deg
                );
            }
            for verdict in fix.verdicts.iter().filter(|v| v.reflected_probability >= 0.5) {
                let _ = writeln!(
                    text,
                    "entry {} is likely a reflection or a mistake ({:.0} %)",
                    verdict.id,
                    100.0 * verdict.reflected_probability
                );
            }
            for sentence in &fix.statements {
                let _ = writeln!(text, "{sentence}");
            }
            text
        }
        FixOutcome::NoFix { statements } => {
            let mut text = String::new();
            for sentence in statements {
                let _ = writeln!(text, "no position yet: {sentence}");
            }
            text
        }
    }
}

/// Every entry, and whether it was taken back.
pub(super) fn list(log: &HuntLog) -> String {
    let rows: Vec<Vec<String>> = log
        .entries
        .iter()
        .filter_map(|e| {
            let words = words_of_entry(e)?;
            let state = if log.stands(e.id) { "" } else { "taken back" };
            let label = match &e.fact {
                HuntFact::Bearing { bearing, .. } => bearing.transmitter.as_deref(),
                HuntFact::Level { level, .. } => level.transmitter.as_deref(),
                HuntFact::Silence { silence } => silence.transmitter.as_deref(),
                _ => None,
            };
            Some(vec![
                e.id.to_string(),
                e.time_utc.to_string(),
                label.unwrap_or_default().to_owned(),
                words,
                state.to_owned(),
            ])
        })
        .collect();
    tables::lay_out(&["entry", "UTC", "transmitter", "what", ""], &rows, &[0])
}
