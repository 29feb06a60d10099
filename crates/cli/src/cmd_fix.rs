//! `fix`: bearings to a position.

use std::path::Path;

use lobewright_fix::FixConfig;
use lobewright_types::{Bearing, BearingOutcome, FixOutcome};

use crate::args::{FixArgs, FixFormat};
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, remark, write_file, write_picture};
use crate::{pictures, tables};

/// Crosses bearings from files.
pub(crate) fn fix(args: &FixArgs, quiet: bool) -> Outcome {
    let format = format_of(args)?;
    let mut outcomes = Vec::new();
    for path in &args.bearings {
        outcomes.extend(read(path, quiet)?);
    }
    warn_of_repeats(&outcomes, quiet);
    number_again(&mut outcomes);
    let bearings: Vec<_> = outcomes
        .iter()
        .filter_map(|o| match o {
            BearingOutcome::Bearing(b) => Some((**b).clone()),
            BearingOutcome::NoBearing(_) => None,
        })
        .collect();
    let mut config = FixConfig {
        reflection_prior: args.reflection_prior,
        ..FixConfig::default()
    };
    if let Some(km) = args.search_radius_km {
        config.search_radius_km = km;
    }
    let result = lobewright_fix::solve(&bearings, &config);
    let text = match format {
        FixFormat::Table => {
            format!(
                "{}\n{}",
                tables::bearings(&outcomes, &[], Some(&result)),
                tables::fix(&result)
            )
        }
        FixFormat::Json => lobewright_export::fix_json(&result),
        FixFormat::Csv => lobewright_export::fix_csv(&result),
        FixFormat::Geojson => {
            lobewright_export::fix_geojson(&result, &outcomes, &lobewright_export::GeoOptions::default())
        }
        FixFormat::Kml => {
            lobewright_export::fix_kml(&result, &outcomes, &lobewright_export::GeoOptions::default())
        }
    };
    match &args.out {
        Some(path) => write_file(path, text.as_bytes())?,
        None => print(&text)?,
    }
    if let Some(path) = &args.picture {
        let svg = pictures::map_of("Bearings and position", &outcomes, Some(&result), None)?;
        write_picture(path, &svg)?;
    }
    Ok(match result {
        FixOutcome::Fix(_) => Done::Found,
        FixOutcome::NoFix { .. } => Done::Nothing,
    })
}

/// The format asked for, or the one that the output file's ending stands for.
fn format_of(args: &FixArgs) -> Result<FixFormat, Fault> {
    let ending = args
        .out
        .as_deref()
        .and_then(Path::extension)
        .and_then(|e| e.to_str());
    let by_ending = match ending {
        Some("json") => Some(FixFormat::Json),
        Some("csv") => Some(FixFormat::Csv),
        Some("geojson") => Some(FixFormat::Geojson),
        Some("kml") => Some(FixFormat::Kml),
        _ => None,
    };
    match (args.format, by_ending) {
        (Some(asked), Some(ending)) if asked != ending => Err(Fault::Input(anyhow::anyhow!(
            "--format and the ending of --out disagree; leave --format out, or name the file otherwise"
        ))),
        (asked, ending) => Ok(asked.or(ending).unwrap_or(FixFormat::Table)),
    }
}

fn read(path: &Path, quiet: bool) -> Result<Vec<BearingOutcome>, Fault> {
    use anyhow::Context as _;
    let name = path.display().to_string();
    let open = || {
        std::fs::File::open(path)
            .map(std::io::BufReader::new)
            .with_context(|| format!("cannot read bearings `{name}`"))
            .map_err(Fault::Input)
    };
    match path.extension().and_then(|e| e.to_str()) {
        Some("csv") => {
            let (bearings, warnings) =
                lobewright_fix::read_hand_bearings(open()?, &name).map_err(Fault::input)?;
            for warning in warnings {
                remark(quiet, &format!("warning: {warning}"));
            }
            Ok(bearings
                .into_iter()
                .map(|b| BearingOutcome::Bearing(Box::new(b)))
                .collect())
        }
        Some("jsonl" | "json") => {
            lobewright_export::read_bearings_jsonl(open()?, &name).map_err(Fault::input)
        }
        _ => Err(Fault::Input(anyhow::anyhow!(
            "`{name}` has no known ending; give hand-taken bearings as .csv, others as .jsonl"
        ))),
    }
}

/// Makes the identities unique where several files use the same.
fn number_again(outcomes: &mut [BearingOutcome]) {
    let mut seen = std::collections::BTreeMap::<String, usize>::new();
    for outcome in outcomes {
        let id = match outcome {
            BearingOutcome::Bearing(b) => &mut b.id,
            BearingOutcome::NoBearing(n) => &mut n.id,
        };
        let count = seen.entry(id.clone()).or_default();
        *count += 1;
        if *count > 1 {
            *id = format!("{id}/{count}");
        }
    }
}

/// Says where the same bearing was given twice: it would count twice.
fn warn_of_repeats(outcomes: &[BearingOutcome], quiet: bool) {
    let bearings: Vec<_> = outcomes
        .iter()
        .filter_map(|o| match o {
            BearingOutcome::Bearing(b) => Some(b),
            BearingOutcome::NoBearing(_) => None,
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
