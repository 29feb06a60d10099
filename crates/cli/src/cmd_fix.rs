//! `fix`: bearings, and what else is known, to a position.

use std::collections::BTreeMap;
use std::path::Path;

use lobewright_fix::{FixConfig, MovingConfig, MovingError};
use lobewright_types::{Bearing, BearingOutcome, FixOutcome};

use crate::args::{FixArgs, FixFormat};
use crate::fault::{Done, Fault, Outcome};
use crate::hunt::course::{self, About};
use crate::hunt::groups::{self, Group};
use crate::hunt::moving::{self, Followed};
use crate::hunt::several::{self, Solved};
use crate::hunt::sources::{self, Clue};
use crate::hunt::timeline::Timeline;
use crate::output::{print, remark, write_file, write_picture};
use crate::{next_place, progress};

/// Crosses bearings from files.
pub(crate) fn fix(args: &FixArgs, quiet: bool) -> Outcome {
    let format = format_of(args)?;
    let mut files = sources::read_all(&args.bearings, quiet)?;
    for path in &args.areas {
        files.push(sources::read_areas(path)?);
    }
    let timeline = Timeline::new(files);
    let count = match args.at {
        Some(until) => timeline.count_until(until)?,
        None => timeline.events.len(),
    };
    if args.at.is_some() && timeline.without_time() > 0 {
        remark(
            quiet,
            &format!(
                "warning: {} entries have no time; they count as there from the beginning",
                timeline.without_time()
            ),
        );
    }
    let clues = timeline.standing_after(count);
    warn_of_repeats(&clues, quiet);
    let groups = groups_of(clues, args, quiet)?;
    if let Some(sentence) = groups::say_unlabelled(&groups) {
        remark(quiet, &format!("warning: {sentence}"));
    }
    let config = config_of(args);
    if args.course {
        return show_course(args, &timeline, count, &groups, &config, quiet);
    }
    if let Some(metres_per_minute) = args.moving {
        return follow(args, &groups, metres_per_minute, &config, quiet);
    }
    next_place::check(&args.next, groups.len())?;
    let solved = groups
        .into_iter()
        .map(|group| {
            Ok(Solved {
                outcome: group.known.solve(&config),
                next: next_place::next(&args.next, &group.known.evidence(), &config)?,
                group,
            })
        })
        .collect::<Result<Vec<Solved>, Fault>>()?;
    put(args, &several::text(format, args.coordinates, &solved)?)?;
    if let Some(path) = &args.picture {
        write_picture(path, &several::picture(&solved)?)?;
    }
    Ok(done(solved.iter().map(|s| &s.outcome)))
}

/// Found, where any transmitter was.
fn done<'a>(mut outcomes: impl Iterator<Item = &'a FixOutcome>) -> Done {
    if outcomes.any(|o| matches!(o, FixOutcome::Fix(_))) {
        Done::Found
    } else {
        Done::Nothing
    }
}

fn put(args: &FixArgs, text: &str) -> Result<(), Fault> {
    match &args.out {
        Some(path) => write_file(path, text.as_bytes()),
        None => print(text),
    }
}

fn config_of(args: &FixArgs) -> FixConfig {
    let mut config = FixConfig {
        reflection_prior: args.reflection_prior,
        ..FixConfig::default()
    };
    if let Some(km) = args.search_radius_km {
        config.search_radius_km = km;
    }
    config
}

/// The groups that were asked for, names made unique, slots told apart.
fn groups_of(clues: Vec<Clue>, args: &FixArgs, quiet: bool) -> Result<Vec<Group>, Fault> {
    let (groups, left_out) = split(clues, args);
    for sentence in left_out {
        remark(quiet, &format!("warning: {sentence}"));
    }
    let Some(wanted) = &args.transmitter else {
        return Ok(groups);
    };
    let labels: Vec<String> = groups.iter().filter_map(|g| g.transmitter.clone()).collect();
    let asked: Vec<Group> = groups
        .into_iter()
        .filter(|g| g.transmitter.as_ref() == Some(wanted))
        .collect();
    if asked.is_empty() {
        return Err(Fault::Input(anyhow::anyhow!(
            "no entry is labelled with the transmitter `{wanted}`; labels there are: {}",
            if labels.is_empty() {
                "none".to_owned()
            } else {
                labels.join(", ")
            }
        )));
    }
    Ok(asked)
}

fn split(mut clues: Vec<Clue>, args: &FixArgs) -> (Vec<Group>, Vec<String>) {
    if args.no_levels {
        clues.retain(|clue| !matches!(clue, Clue::Level(_) | Clue::Silence(_)));
    }
    number_again(&mut clues);
    let (clues, left_out) = match &args.slots {
        Some(plan) => groups::label_by_slot(clues, plan),
        None => (clues, Vec::new()),
    };
    (groups::split(clues), left_out)
}

fn show_course(
    args: &FixArgs,
    timeline: &Timeline,
    count: usize,
    groups: &[Group],
    config: &FixConfig,
    quiet: bool,
) -> Outcome {
    let format = format_of(args)?;
    let several = groups.len() > 1;
    let split = |clues: Vec<Clue>| split(clues, args).0;
    let mut text = String::new();
    let mut outcomes = Vec::new();
    for (i, group) in groups.iter().enumerate() {
        let about = About {
            transmitter: group.transmitter.as_deref(),
            among_others: several,
            split: &split,
        };
        let bar = progress::count_bar(count, quiet);
        let steps = course::steps(timeline, count, &about, config, |at, _| {
            bar.set_position(at as u64);
        });
        bar.finish_and_clear();
        if format == FixFormat::Table && group.transmitter.is_some() {
            text += if i > 0 { "\n" } else { "" };
            text += &group.title();
            text += "\n\n";
        }
        let label = group.transmitter.clone().unwrap_or_default();
        text += &course::text(format, &label, &steps, i == 0)?;
        if let Some(path) = &args.picture
            && !steps.is_empty()
        {
            let title = match &group.transmitter {
                Some(_) => format!("Course of the hunt, {}", group.title()),
                None => "Course of the hunt".to_owned(),
            };
            let path = picture_name(path, several.then(|| group.title()).as_deref());
            write_picture(&path, &course::picture(&title, &steps)?)?;
        }
        outcomes.extend(steps.last().map(|s| s.outcome().clone()));
    }
    put(args, &text)?;
    Ok(done(outcomes.iter()))
}

/// Follows transmitters that move.
fn follow(args: &FixArgs, groups: &[Group], speed: f64, config: &FixConfig, quiet: bool) -> Outcome {
    let moving = MovingConfig {
        fix: *config,
        ..MovingConfig::new(speed)
    };
    let mut all = Vec::new();
    for group in groups {
        let k = &group.known;
        if !(k.levels.is_empty() && k.silences.is_empty() && k.areas.is_empty()) {
            remark(
                quiet,
                "warning: a moving transmitter is followed by bearings alone; levels, silence and areas are not used",
            );
        }
        match lobewright_fix::track(&k.bearings, &moving) {
            Ok(track) => {
                if !track.without_time.is_empty() {
                    let names = track.without_time.join(", ");
                    remark(
                        quiet,
                        &format!("warning: left out, for they have no time: {names}"),
                    );
                }
                all.push(Followed {
                    label: group.transmitter.as_deref().unwrap_or_default(),
                    bearings: &k.bearings,
                    track,
                });
            }
            Err(MovingError::Hopeless(why)) => print(&format!("no position: {why}"))?,
            Err(error) => return Err(Fault::input(error)),
        }
    }
    let is_gpx = args
        .out
        .as_deref()
        .and_then(Path::extension)
        .is_some_and(|e| e == "gpx");
    if is_gpx {
        put(args, &moving::gpx(&all))?;
    } else if !all.is_empty() {
        put(args, &moving::text(format_of(args)?, &all)?)?;
    }
    if let Some(path) = &args.picture {
        for one in &all {
            let label = (all.len() > 1).then_some(one.label);
            write_picture(&picture_name(path, label), &moving::picture(one)?)?;
        }
    }
    let found = all
        .iter()
        .any(|f| f.track.steps.iter().any(|s| s.filtered.is_some()));
    Ok(if found { Done::Found } else { Done::Nothing })
}

/// Where there are several pictures each gets the transmitter's name: `map.png` becomes `map-transmitter-larch.png`.
fn picture_name(path: &Path, label: Option<&str>) -> std::path::PathBuf {
    let Some(label) = label else {
        return path.to_owned();
    };
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{stem}-{}.{ending}", crate::output::file_stem(label)))
}

/// The format asked for, or the one that the output file's ending stands for.
fn format_of(args: &FixArgs) -> Result<FixFormat, Fault> {
    let ending = args
        .out
        .as_deref()
        .and_then(Path::extension)
        .and_then(|e| e.to_str());
    let by_ending = match ending {
        Some("json" | "jsonl") => Some(FixFormat::Json),
        Some("csv") => Some(FixFormat::Csv),
        Some("geojson") => Some(FixFormat::Geojson),
        Some("kml") => Some(FixFormat::Kml),
        Some("gpx") => Some(FixFormat::Gpx),
        Some("aprs") => Some(FixFormat::Aprs),
        _ => None,
    };
    match (args.format, by_ending) {
        (Some(asked), Some(ending)) if asked != ending => Err(Fault::Input(anyhow::anyhow!(
            "--format and the ending of --out disagree; leave --format out, or name the file otherwise"
        ))),
        (asked, ending) => Ok(asked.or(ending).unwrap_or(FixFormat::Table)),
    }
}

/// Makes the identities unique where several files use the same.
fn number_again(clues: &mut [Clue]) {
    let mut seen = BTreeMap::<String, usize>::new();
    for clue in clues {
        let id = match clue {
            Clue::Bearing(BearingOutcome::Bearing(b)) => &mut b.id,
            Clue::Bearing(BearingOutcome::NoBearing(n)) => &mut n.id,
            Clue::Level(l) => &mut l.id,
            Clue::Silence(s) => &mut s.id,
            Clue::Area(_) => continue,
        };
        let count = seen.entry(id.clone()).or_default();
        *count += 1;
        if *count > 1 {
            *id = format!("{id}/{count}");
        }
    }
}

/// Says where the same bearing was given twice: it would count twice.
fn warn_of_repeats(clues: &[Clue], quiet: bool) {
    let bearings: Vec<_> = clues
        .iter()
        .filter_map(|clue| match clue {
            Clue::Bearing(BearingOutcome::Bearing(b)) => Some(b),
            _ => None,
        })
        .collect();
    for (i, b) in bearings.iter().enumerate() {
        let same =
            |o: &Bearing| o.position == b.position && o.time_utc == b.time_utc && o.azimuth == b.azimuth;
        if bearings[..i].iter().any(|o| same(o)) {
            remark(
                quiet,
                &format!(
                    "warning: bearing `{}` at {} was given before; it counts twice",
                    b.id, b.station
                ),
            );
        }
    }
}
