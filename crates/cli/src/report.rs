//! The one-page report of a run.

use std::path::Path;

use lobewright_export::{Report, StationPictures, report_html};
use lobewright_station::{PipelineConfig, PlaceResult, RunResult};
use lobewright_types::{FixOutcome, Position, wrap_signed_degrees};

use crate::fault::Fault;
use crate::output::write_file;
use crate::pictures::Truth;

/// Pictures already drawn, as SVG.
pub(crate) struct Pictures {
    /// The map.
    pub(crate) map: Option<String>,
    /// Those of each place, in the run's order.
    pub(crate) places: Vec<PlacePictures>,
}

/// Pictures of one place.
pub(crate) struct PlacePictures {
    /// Its bearings' polar plots.
    pub(crate) polar: Vec<String>,
    /// The channel's spectrogram.
    pub(crate) channel: Option<String>,
}

/// Writes `report.html`.
pub(crate) fn write(
    out: &Path,
    config: &PipelineConfig,
    result: &RunResult,
    pictures: &Pictures,
    truth: Option<&Truth>,
) -> Result<(), Fault> {
    let mut stations = Vec::new();
    for (i, (place, drawn)) in result.places.iter().zip(&pictures.places).enumerate() {
        stations.push(StationPictures {
            station: place.name.clone(),
            polar_svg: drawn.polar.first().cloned(),
            spectrogram_svg: drawn.channel.clone(),
            notes: notes_of(place, i, truth),
        });
        // Further bearings of a place follow it, each with its own plot.
        for (number, svg) in drawn.polar.iter().enumerate().skip(1) {
            stations.push(StationPictures {
                station: format!("{}, burst {}", place.name, number + 1),
                polar_svg: Some(svg.clone()),
                spectrogram_svg: None,
                notes: Vec::new(),
            });
        }
    }
    let mut notes = result.warnings.clone();
    notes.extend(truth.and_then(|t| against_truth(result.fix.as_ref(), t.position)));
    let report = Report {
        title: if config.title.is_empty() {
            "Lobewright report".to_owned()
        } else {
            config.title.clone()
        },
        made_utc: None,
        version: concat!("lobewright ", env!("CARGO_PKG_VERSION")).to_owned(),
        fix: result.fix.clone(),
        map_svg: pictures.map.clone(),
        bearings: result.outcomes(),
        stations,
        settings: settings(config)?,
        notes,
    };
    write_file(&out.join("report.html"), report_html(&report).as_bytes())
}

fn notes_of(place: &PlaceResult, index: usize, truth: Option<&Truth>) -> Vec<String> {
    let s = &place.summary;
    let mut notes = vec![format!(
        "{:.1} s of {} at {} S/s; {} bursts; {} readings",
        s.seconds,
        s.format,
        s.rate_hz,
        place.bursts.len(),
        place.readings.len()
    )];
    if let (Some(bearing), Some(truth)) = (
        place.estimates.first().and_then(Option::as_ref),
        truth.and_then(|t| t.bearings.get(index)),
    ) {
        let off_deg = wrap_signed_degrees(bearing.azimuth.degrees() - truth.degrees());
        notes.push(format!(
            "simulation: the true bearing is {truth:.1}, the estimate is {off_deg:+.1}° off"
        ));
    }
    if s.gaps > 0 {
        notes.push(format!(
            "{} gaps with {} samples missing",
            s.gaps, s.missing_samples
        ));
    }
    notes.extend(s.warnings.iter().cloned());
    notes
}

/// How far the position is from the truth of a simulation, and whether its region holds it.
pub(crate) fn against_truth(fix: Option<&FixOutcome>, truth: Position) -> Option<String> {
    let Some(FixOutcome::Fix(fix)) = fix else {
        return None;
    };
    let off_m = lobewright_geodesy::inverse(fix.position, truth).distance_m;
    let inside = if fix.region95.contains(truth) {
        "inside"
    } else {
        "OUTSIDE"
    };
    Some(format!(
        "simulation: the transmitter is {off_m:.0} m from the position, {inside} the 95 % region"
    ))
}

/// The settings as name and value, sections joined with a dot, places left out.
fn settings(config: &PipelineConfig) -> Result<Vec<(String, String)>, Fault> {
    let mut settings = Vec::new();
    let table = toml::Table::try_from(config).map_err(Fault::failure)?;
    for (section, value) in table {
        match value {
            toml::Value::Table(keys) => {
                settings.extend(
                    keys.into_iter()
                        .map(|(k, v)| (format!("{section}.{k}"), v.to_string())),
                );
            }
            toml::Value::Array(_) => {}
            other => settings.push((section, other.to_string())),
        }
    }
    Ok(settings)
}
