//! How position and region changed, entry by entry.

use std::fmt::Write as _;

use lobewright_export::{HuntEntry, HuntFact, NorthUsed};
use lobewright_fix::FixConfig;
use lobewright_plot::{CaptionedMap, CoursePicture, CourseStep, Size};
use lobewright_types::{BearingOutcome, Fix, FixOutcome, Timestamp};

use super::groups::{Group, Known};
use super::sources::{Clue, Content};
use super::timeline::{Event, Timeline};
use crate::args::FixFormat;
use crate::fault::Fault;
use crate::{pictures, tables};

/// Maps under the picture's chart.
const MAPS: usize = 6;

/// One entry and what is known behind it.
pub(crate) struct Step {
    /// The entry's number in its log; none for lines of tables.
    entry: Option<u64>,
    /// The file.
    file: String,
    time: Option<Timestamp>,
    /// What came in.
    words: String,
    outcome: FixOutcome,
    known: Known,
    /// From the position before.
    moved_m: Option<f64>,
}

/// Who the steps are about, and what makes a group of the clues.
pub(crate) struct About<'a> {
    pub(crate) transmitter: Option<&'a str>,
    /// Other transmitters are in the files too.
    pub(crate) among_others: bool,
    pub(crate) split: &'a dyn Fn(Vec<Clue>) -> Vec<Group>,
}

/// Solves after every entry up to `count`.
pub(crate) fn steps(
    timeline: &Timeline,
    count: usize,
    about: &About<'_>,
    config: &FixConfig,
    mut progress: impl FnMut(usize, usize),
) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for (i, event) in timeline.events[..count.min(timeline.events.len())]
        .iter()
        .enumerate()
    {
        progress(i + 1, count);
        let Some(words) = words_of(timeline, event) else {
            continue;
        };
        let known = known_after(timeline, i + 1, about);
        let before = steps.last();
        let same = match before {
            Some(before) => before.known == known,
            None => known == Known::default(),
        };
        // An entry about another transmitter is not part of this one's course.
        if same && timeline.tells(event) && about.among_others {
            continue;
        }
        let outcome = match before {
            Some(s) if same => s.outcome.clone(),
            _ => known.solve(config),
        };
        let moved_m = match (
            before.and_then(|s| position_of(&s.outcome)),
            position_of(&outcome),
        ) {
            (Some(a), Some(b)) => Some(lobewright_geodesy::inverse(a.position, b.position).distance_m),
            _ => None,
        };
        steps.push(Step {
            entry: entry_of(timeline, event).map(|e| e.id),
            file: timeline.sources[event.source].name.clone(),
            time: event.time,
            words,
            outcome,
            known,
            moved_m,
        });
    }
    steps
}

fn known_after(timeline: &Timeline, count: usize, about: &About<'_>) -> Known {
    (about.split)(timeline.standing_after(count))
        .into_iter()
        .find(|g| g.transmitter.as_deref() == about.transmitter)
        .map(|g| g.known)
        .unwrap_or_default()
}

fn position_of(outcome: &FixOutcome) -> Option<&Fix> {
    match outcome {
        FixOutcome::Fix(fix) => Some(fix),
        FixOutcome::NoFix { .. } => None,
    }
}

fn entry_of<'a>(timeline: &'a Timeline, event: &Event) -> Option<&'a HuntEntry> {
    match &timeline.sources[event.source].content {
        Content::Log(log) => log.entries.get(event.index),
        Content::Clues(_) => None,
    }
}

/// An event in words; nothing for a log's own bookkeeping.
fn words_of(timeline: &Timeline, event: &Event) -> Option<String> {
    match &timeline.sources[event.source].content {
        Content::Log(log) => words_of_entry(log.entries.get(event.index)?),
        Content::Clues(clues) => clues.get(event.index).map(words_of_clue),
    }
}

/// An entry of a log in words.
pub(crate) fn words_of_entry(entry: &HuntEntry) -> Option<String> {
    match &entry.fact {
        HuntFact::Start { .. } | HuntFact::Torn { .. } => None,
        HuntFact::Note { text, place, .. } => Some(match place {
            Some(place) => format!("note at {place}: {text}"),
            None => format!("note: {text}"),
        }),
        HuntFact::Retraction { of, reason } => Some(match reason {
            Some(reason) => format!("entry {of} taken back: {reason}"),
            None => format!("entry {of} taken back"),
        }),
        fact => {
            let words = Clue::of_entry(entry).as_ref().map(words_of_clue)?;
            Some(match fact {
                HuntFact::Bearing { read: Some(r), .. } => {
                    format!("{words} (read {}° {})", r.reading_deg, north_word(r.north))
                }
                HuntFact::Level { read: Some(r), .. } => {
                    format!(
                        "{words} (read {} dB, {} dB in line)",
                        r.reading_db, r.attenuation_db
                    )
                }
                _ => words,
            })
        }
    }
}

/// The word for a north.
pub(crate) fn north_word(north: NorthUsed) -> &'static str {
    match north {
        NorthUsed::Magnetic => "magnetic",
        NorthUsed::True => "true",
        NorthUsed::Grid => "grid",
    }
}

fn words_of_clue(clue: &Clue) -> String {
    match clue {
        Clue::Bearing(BearingOutcome::Bearing(b)) => format!(
            "bearing {} from {}",
            lobewright_export::azimuth_with_doubt(b.azimuth, b.sigma_deg),
            b.station
        ),
        Clue::Bearing(BearingOutcome::NoBearing(n)) => format!("no bearing from {}: {}", n.station, n.reason),
        Clue::Level(l) => format!("level {:.1} dB ({}) at {}", l.level_db, l.scale, l.station),
        Clue::Silence(s) => format!("nothing over {:.1} dB ({}) at {}", s.limit_db, s.scale, s.station),
        Clue::Area(a) => format!(
            "area {}, transmitter {}",
            a.name,
            match a.rule {
                lobewright_types::AreaRule::Inside => "inside",
                lobewright_types::AreaRule::Outside => "not inside",
            }
        ),
    }
}

impl Step {
    /// The position behind the entry.
    pub(crate) fn outcome(&self) -> &FixOutcome {
        &self.outcome
    }

    fn label(&self, number: usize) -> String {
        self.entry
            .map_or_else(|| number.to_string(), |id| format!("#{id}"))
    }

    fn statements(&self) -> Vec<String> {
        let list = match &self.outcome {
            FixOutcome::Fix(fix) => &fix.statements,
            FixOutcome::NoFix { statements } => statements,
        };
        list.iter().map(ToString::to_string).collect()
    }
}

/// The steps as a table, CSV or JSON Lines.
pub(crate) fn text(format: FixFormat, about: &str, steps: &[Step], heading: bool) -> Result<String, Fault> {
    match format {
        FixFormat::Table => Ok(table(steps)),
        FixFormat::Csv => csv_of(about, steps, heading),
        FixFormat::Json => Ok(json_of(about, steps)),
        _ => Err(Fault::Input(anyhow::anyhow!(
            "--course is printed as table, csv or json; leave --course out for a map file of the position"
        ))),
    }
}

fn time_of_day(time: Timestamp) -> String {
    let text = time.to_string();
    // Date and time to the second; the fraction means nothing to a person.
    let short = text.split('.').next().unwrap_or(&text).trim_end_matches('Z');
    format!("{}Z", short.replace('T', " "))
}

fn table(steps: &[Step]) -> String {
    let rows: Vec<Vec<String>> = steps
        .iter()
        .enumerate()
        .map(|(i, s)| {
            let fix = position_of(&s.outcome);
            vec![
                s.label(i + 1),
                s.time.map_or_else(String::new, time_of_day),
                s.words.clone(),
                fix.map_or_else(
                    || "none".to_owned(),
                    |f| format!("{:.5}, {:.5}", f.position.lat_deg, f.position.lon_deg),
                ),
                fix.map_or_else(String::new, |f| tables::significant(f.region95.area_km2)),
                s.moved_m.map_or_else(String::new, |m| format!("{m:.0}")),
            ]
        })
        .collect();
    let header = ["entry", "UTC", "what came in", "position", "95 % km²", "moved m"];
    let mut text = tables::lay_out(&header, &rows, &[0, 4, 5]);
    if let Some(last) = steps.last() {
        for sentence in last.statements() {
            let _ = writeln!(text, "now: {sentence}");
        }
    }
    text
}

fn csv_of(about: &str, steps: &[Step], heading: bool) -> Result<String, Fault> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    if heading {
        writer
            .write_record([
                "transmitter",
                "step",
                "file",
                "entry",
                "time_utc",
                "what",
                "outcome",
                "lat_deg",
                "lon_deg",
                "area50_km2",
                "area95_km2",
                "moved_m",
                "statements",
            ])
            .map_err(Fault::failure)?;
    }
    for (i, s) in steps.iter().enumerate() {
        let fix = position_of(&s.outcome);
        let number = |pick: fn(&Fix) -> f64| fix.map_or_else(String::new, |f| pick(f).to_string());
        writer
            .write_record([
                about.to_owned(),
                (i + 1).to_string(),
                s.file.clone(),
                s.entry.map_or_else(String::new, |e| e.to_string()),
                s.time.map_or_else(String::new, |t| t.to_string()),
                s.words.clone(),
                if fix.is_some() { "fix" } else { "no_fix" }.to_owned(),
                number(|f| f.position.lat_deg),
                number(|f| f.position.lon_deg),
                number(|f| f.region50.area_km2),
                number(|f| f.region95.area_km2),
                s.moved_m.map_or_else(String::new, |m| m.to_string()),
                s.statements().join("; "),
            ])
            .map_err(Fault::failure)?;
    }
    let bytes = writer.into_inner().map_err(|e| Fault::failure(e.into_error()))?;
    String::from_utf8(bytes).map_err(Fault::failure)
}

fn json_of(about: &str, steps: &[Step]) -> String {
    let mut text = String::new();
    for (i, s) in steps.iter().enumerate() {
        let line = serde_json::json!({
            "transmitter": Some(about).filter(|a| !a.is_empty()),
            "step": i + 1,
            "file": s.file,
            "entry": s.entry,
            "time_utc": s.time,
            "what": s.words,
            "moved_m": s.moved_m,
            "fix": s.outcome,
        });
        let _ = writeln!(text, "{line}");
    }
    text
}

/// The areas over the entries, and maps of the entries that changed most.
pub(crate) fn picture(title: &str, steps: &[Step]) -> Result<String, Fault> {
    const SHEET: Size = Size {
        width_px: 1400,
        height_px: 1150,
    };
    let shown = shown_on_maps(steps);
    let outcomes: Vec<_> = shown.iter().map(|&i| steps[i].known.outcomes()).collect();
    let maps = shown
        .iter()
        .zip(&outcomes)
        .map(|(&i, outcomes)| CaptionedMap {
            caption: caption(&steps[i], i + 1),
            map: pictures::map_picture("", outcomes, Some(&steps[i].outcome), None),
        })
        .collect();
    let picture = CoursePicture {
        size: SHEET,
        title: title.to_owned(),
        axis: "entry, in the order in which they came in".to_owned(),
        steps: steps
            .iter()
            .enumerate()
            .map(|(i, s)| CourseStep {
                label: s.label(i + 1),
                area50_km2: position_of(&s.outcome).map(|f| f.region50.area_km2),
                area95_km2: position_of(&s.outcome).map(|f| f.region95.area_km2),
            })
            .collect(),
        maps,
    };
    lobewright_plot::course(&picture).map_err(Fault::failure)
}

fn caption(step: &Step, number: usize) -> String {
    let area = match &step.outcome {
        FixOutcome::Fix(fix) => format!("{} km²", tables::significant(fix.region95.area_km2)),
        FixOutcome::NoFix { .. } => "no position".to_owned(),
    };
    let time = step.time.map_or_else(String::new, |t| {
        let words = time_of_day(t);
        format!(", {}", words.split(' ').nth(1).unwrap_or_default())
    });
    format!("after {}{time}: {area}", step.label(number))
}

/// The first and the last position, and between them those where the area changed by the largest factors.
fn shown_on_maps(steps: &[Step]) -> Vec<usize> {
    let area = |i: usize| position_of(&steps[i].outcome).map(|f| f.region95.area_km2.max(1e-9).ln());
    let found: Vec<usize> = (0..steps.len()).filter(|&i| area(i).is_some()).collect();
    let (Some(&first), Some(&last)) = (found.first(), found.last()) else {
        return steps
            .len()
            .checked_sub(1)
            .filter(|&i| has_places(&steps[i]))
            .into_iter()
            .collect();
    };
    let mut ranked: Vec<(f64, usize)> = found
        .windows(2)
        .filter_map(|pair| Some(((area(pair[1])? - area(pair[0])?).abs(), pair[1])))
        .filter(|&(change, i)| i != last && change > 1e-9)
        .collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut shown: Vec<usize> = ranked.into_iter().take(MAPS - 2).map(|(_, i)| i).collect();
    shown.extend([first, last]);
    shown.sort_unstable();
    shown.dedup();
    shown
}

fn has_places(step: &Step) -> bool {
    !step.known.bearings.is_empty()
}
