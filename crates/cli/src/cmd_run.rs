//! `run`: a pipeline file to a folder of results.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use lobewright_station::{PipelineConfig, RunOptions, RunResult, Sides};
use lobewright_types::{BearingOutcome, FixOutcome, Position};

use crate::args::{ReportFormat, RunArgs};
use crate::fault::{Done, Fault, Outcome};
use crate::output::{file_stem, print, remark, write_file};
use crate::progress::PlaceBars;
use crate::{pictures, tables};

/// Runs a pipeline file.
pub(crate) fn run(args: &RunArgs, quiet: bool) -> Outcome {
    let config = PipelineConfig::load(&args.pipeline).map_err(Fault::input)?;
    if config.places.is_empty() && config.fix.hand_bearings.is_none() && config.fix.more_bearings.is_empty() {
        return Err(Fault::Input(anyhow::anyhow!(
            "pipeline `{}` names no place; add a [[place]] with a recording",
            args.pipeline.display()
        )));
    }
    let base = args
        .pipeline
        .parent()
        .map_or_else(PathBuf::new, Path::to_path_buf);
    let out = args.out.clone().unwrap_or_else(|| {
        let stem = args
            .pipeline
            .file_stem()
            .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        PathBuf::from(format!("{stem}-results"))
    });
    let options = RunOptions {
        base,
        threads: args.threads,
        spectrograms: !args.no_pictures,
    };
    let result = carry_out(&config, &options, quiet)?;
    write_results(&out, &config, &result)?;
    if !args.no_pictures {
        pictures::write_all(&out, &config, &result, None)?;
    }
    print(&for_stdout(&result, args.format))?;
    remark(quiet, &format!("results in {}", out.display()));
    Ok(if found_something(&result) {
        Done::Found
    } else {
        Done::Nothing
    })
}

/// Runs a pipeline with progress bars and says at the end what was read, what was dropped and how fast.
pub(crate) fn carry_out(
    config: &PipelineConfig,
    options: &RunOptions,
    quiet: bool,
) -> Result<RunResult, Fault> {
    let began = Instant::now();
    let bars = PlaceBars::new(config.places.iter().map(|p| p.name.clone()).collect(), quiet);
    let result = lobewright_station::run(config, options, &|p| bars.tell(p));
    bars.finish();
    let result = result.map_err(Fault::input)?;
    for warning in &result.warnings {
        remark(quiet, &format!("warning: {warning}"));
    }
    let mut seconds = 0.0;
    for place in &result.places {
        remark(quiet, tables::summary(&place.name, &place.summary).trim_end());
        seconds += place.summary.seconds;
    }
    let spent_s = began.elapsed().as_secs_f64();
    if !result.places.is_empty() {
        let missing: u64 = result.places.iter().map(|p| p.summary.missing_samples).sum();
        remark(
            quiet,
            &format!(
                "read {seconds:.1} s of recordings in {spent_s:.2} s ({:.0} times real time), {missing} samples dropped",
                seconds / spent_s.max(1e-9)
            ),
        );
    }
    Ok(result)
}

/// Whether a run gave anything: a burst, a bearing or a position.
pub(crate) fn found_something(result: &RunResult) -> bool {
    match &result.fix {
        Some(FixOutcome::Fix(_)) => true,
        _ => result.places.iter().any(|p| !p.bursts.is_empty()) || !result.bearings().is_empty(),
    }
}

/// The result as it goes to standard output.
pub(crate) fn for_stdout(result: &RunResult, format: ReportFormat) -> String {
    let outcomes = result.outcomes();
    match format {
        ReportFormat::Json => {
            let mut text = if outcomes.is_empty() {
                result
                    .places
                    .iter()
                    .map(|p| lobewright_export::bursts_jsonl(&p.bursts))
                    .collect()
            } else {
                bearings_jsonl(&outcomes, &result.sides())
            };
            if let Some(fix) = &result.fix {
                text += &lobewright_export::fix_json(fix);
            }
            text
        }
        ReportFormat::Csv if outcomes.is_empty() => {
            let bursts: Vec<_> = result.places.iter().flat_map(|p| p.bursts.clone()).collect();
            lobewright_export::bursts_csv(&bursts)
        }
        ReportFormat::Csv => lobewright_export::bearings_csv(&outcomes),
        ReportFormat::Table => table(result, &outcomes),
    }
}

/// Bearings, one a line; where an antenna homes, with the probability of either side.
fn bearings_jsonl(outcomes: &[BearingOutcome], sides: &[Option<Sides>]) -> String {
    let lines = outcomes.iter().enumerate().map(|(i, outcome)| {
        let line = lobewright_export::bearings_jsonl(std::slice::from_ref(outcome));
        let Some(sides) = sides.get(i).copied().flatten() else {
            return line;
        };
        let record = line.trim_end().strip_suffix('}').unwrap_or_default();
        let sides = serde_json::json!({ "side": sides.word(), "left_probability": sides.left_probability,
            "right_probability": sides.right_probability });
        format!("{record},\"homing\":{sides}}}\n")
    });
    lines.collect()
}

fn table(result: &RunResult, outcomes: &[BearingOutcome]) -> String {
    let mut text = String::new();
    if outcomes.is_empty() {
        for place in &result.places {
            let _ = writeln!(text, "{}\n{}", place.name, tables::bursts(&place.bursts));
        }
    } else {
        text += &tables::bearings(outcomes, &result.sides(), result.fix.as_ref());
    }
    if let Some(fix) = &result.fix {
        let _ = write!(text, "\n{}", tables::fix(fix));
    }
    text
}

/// Writes every result of a run but the pictures.
pub(crate) fn write_results(out: &Path, config: &PipelineConfig, result: &RunResult) -> Result<(), Fault> {
    std::fs::create_dir_all(out)?;
    let put = |name: &str, text: &str| write_file(&out.join(name), text.as_bytes());
    for place in &result.places {
        let stem = file_stem(&place.name);
        put(
            &format!("bursts-{stem}.jsonl"),
            &lobewright_export::bursts_jsonl(&place.bursts),
        )?;
        put(
            &format!("bursts-{stem}.csv"),
            &lobewright_export::bursts_csv(&place.bursts),
        )?;
        put(
            &format!("notes-{stem}.sigmf-meta"),
            &crate::notes::of_place(place, result.fix.as_ref())?,
        )?;
        if !place.outcomes.is_empty() {
            put(
                &format!("readings-{stem}.csv"),
                &lobewright_export::readings_csv(&place.readings),
            )?;
        }
    }
    put("run.json", &run_record(config, result)?)?;
    let outcomes = result.outcomes();
    if !outcomes.is_empty() {
        put("bearings.jsonl", &bearings_jsonl(&outcomes, &result.sides()))?;
        put("bearings.csv", &lobewright_export::bearings_csv(&outcomes))?;
    }
    if let Some(fix) = &result.fix {
        put("fix.json", &lobewright_export::fix_json(fix))?;
        put("fix.csv", &lobewright_export::fix_csv(fix))?;
        let options = lobewright_export::GeoOptions {
            title: config.title.clone(),
            ..Default::default()
        };
        put(
            "fix.geojson",
            &lobewright_export::fix_geojson(fix, &outcomes, &options),
        )?;
        put("fix.kml", &lobewright_export::fix_kml(fix, &outcomes, &options))?;
        put("fix.gpx", &lobewright_export::fix_gpx(fix, &outcomes, &options))?;
    }
    Ok(())
}

/// Version, settings and what was read, so that a result can be made again.
fn run_record(config: &PipelineConfig, result: &RunResult) -> Result<String, Fault> {
    #[derive(serde::Serialize)]
    struct Place<'a> {
        name: &'a str,
        position: Option<Position>,
        bursts: usize,
        recording: &'a lobewright_station::RecordingSummary,
    }
    #[derive(serde::Serialize)]
    struct Record<'a> {
        version: &'static str,
        settings: &'a PipelineConfig,
        places: Vec<Place<'a>>,
        warnings: &'a [String],
    }
    let places = result
        .places
        .iter()
        .map(|p| Place {
            name: &p.name,
            position: p.position,
            bursts: p.bursts.len(),
            recording: &p.summary,
        })
        .collect();
    let record = Record {
        version: env!("CARGO_PKG_VERSION"),
        settings: config,
        places,
        warnings: &result.warnings,
    };
    Ok(serde_json::to_string_pretty(&record).map_err(Fault::failure)? + "\n")
}
