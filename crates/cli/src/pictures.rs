//! Pictures and the report of a run.

use std::path::Path;

use lobewright_antenna::Pattern;
use lobewright_bearing::Estimate;
use lobewright_dsp::Spectrogram;
use lobewright_plot::{
    BurstMark, MapBearing, MapNextPlace, MapPicture, MapStation, PlotError, PolarPicture, PolarReading,
    PolarReflection, Size, SpectrogramPicture, SpectrumMark, SpectrumPicture,
};
use lobewright_station::{PipelineConfig, PlaceResult, RunResult};
use lobewright_types::{Azimuth, BearingFlag, BearingOutcome, Burst, FixOutcome, Position, True};

use crate::fault::Fault;
use crate::output::{file_stem, write_picture_pair};
use crate::report;

const SQUARE: Size = Size {
    width_px: 1000,
    height_px: 760,
};
const WIDE: Size = Size {
    width_px: 1100,
    height_px: 560,
};
const MAP: Size = Size {
    width_px: 1200,
    height_px: 900,
};
/// A reading whose level says less than this many decibels around itself is not worth an error bar.
const LEVEL_FLOOR_DB: f64 = -60.0;

/// Where the transmitter really is and what the bearings should be: known for simulations only.
pub(crate) struct Truth {
    /// The transmitter.
    pub(crate) position: Position,
    /// True bearing from each place.
    pub(crate) bearings: Vec<Azimuth<True>>,
}

/// Draws every picture of a run into its folder and writes the report.
pub(crate) fn write_all(
    out: &Path,
    config: &PipelineConfig,
    result: &RunResult,
    truth: Option<&Truth>,
) -> Result<(), Fault> {
    let outcomes = result.outcomes();
    let mut pictures = report::Pictures {
        map: None,
        places: Vec::new(),
    };
    if result.fix.is_some() && outcomes.iter().any(|o| matches!(o, BearingOutcome::Bearing(_))) {
        let svg = map_of(&config.title, &outcomes, result.fix.as_ref(), truth)?;
        write_picture_pair(out, "map", &svg)?;
        pictures.map = Some(svg);
    }
    for (i, place) in result.places.iter().enumerate() {
        let stem = file_stem(&place.name);
        let mut of_place = report::PlacePictures {
            polar: Vec::new(),
            channel: None,
        };
        for number in 0..place.estimates.len() {
            let truth_here = truth.and_then(|t| t.bearings.get(i)).copied();
            let Some(svg) = polar_of(place, number, result.pattern.as_deref(), truth_here) else {
                continue;
            };
            let svg = svg?;
            let name = if place.estimates.len() == 1 {
                format!("polar-{stem}")
            } else {
                format!("polar-{stem}-{}", number + 1)
            };
            write_picture_pair(out, &name, &svg)?;
            of_place.polar.push(svg);
        }
        if let Some(spectrogram) = &place.spectrogram
            && spectrogram.rows > 1
        {
            let centre_hz = place.summary.channel_center_hz;
            let title = format!("{}: the channel", place.name);
            let svg = spectrogram_of(&title, spectrogram, centre_hz, &place.bursts, 0.0)?;
            write_picture_pair(out, &format!("channel-{stem}"), &svg)?;
            of_place.channel = Some(svg);
        }
        pictures.places.push(of_place);
    }
    report::write(out, config, result, &pictures, truth)
}

/// The polar plot of one bearing of a place; none where there is no bearing.
pub(crate) fn polar_of(
    place: &PlaceResult,
    number: usize,
    pattern: Option<&Pattern>,
    truth: Option<Azimuth<True>>,
) -> Option<Result<String, Fault>> {
    let estimate = place.estimates.get(number)?.as_ref()?;
    let Some(BearingOutcome::Bearing(bearing)) = place.outcomes.get(number) else {
        return None;
    };
    let top_dbfs = estimate
        .burst_levels
        .iter()
        .map(|b| b.level.0)
        .fold(f64::NEG_INFINITY, f64::max);
    let picture = PolarPicture {
        size: SQUARE,
        title: format!("Bearing at {}", place.name),
        station: place.name.clone(),
        readings: match pattern {
            Some(_) => estimate
                .fit
                .points
                .iter()
                .map(|p| reading(p, top_dbfs, place))
                .collect(),
            None => Vec::new(),
        },
        // An array that stands still has no level over boresight.
        fitted: pattern.map_or_else(Vec::new, |p| fitted_curve(estimate, p)),
        density: &estimate.density,
        modes: estimate.modes.clone(),
        arcs95: estimate.arcs95.clone(),
        reflection: estimate.reflection.map(|r| PolarReflection {
            azimuth_true_deg: r.azimuth.degrees(),
            level_db: r.relative_level_db,
            probability: r.probability,
        }),
        truth_true_deg: truth.map(Azimuth::degrees),
        summary: polar_summary(bearing, top_dbfs),
    };
    Some(lobewright_plot::polar(&picture).map_err(fault))
}

fn fault(error: PlotError) -> Fault {
    Fault::failure(error)
}

fn reading(p: &lobewright_bearing::FitPoint, top_dbfs: f64, place: &PlaceResult) -> PolarReading {
    PolarReading {
        azimuth_true_deg: p.azimuth_true.degrees(),
        level_db: p.level.map_or(f64::NAN, |l| {
            (l.0 - level_of_burst(p, place, top_dbfs)).max(LEVEL_FLOOR_DB)
        }),
        sigma_db: p.sigma_db,
        explained: p.explained_probability,
        clipped: p.lower_limit,
        burst: p.burst,
    }
}

/// The level that a reading is drawn against: its own burst's, so that bursts of different level lie on one curve.
fn level_of_burst(p: &lobewright_bearing::FitPoint, place: &PlaceResult, top_dbfs: f64) -> f64 {
    let estimates = place.estimates.iter().flatten();
    let mut levels = estimates.flat_map(|e| e.burst_levels.iter());
    levels
        .find(|b| b.burst == p.burst)
        .map_or(top_dbfs, |b| b.level.0)
}

/// The fitted level against boresight azimuth at every degree, against the level at the pattern's peak.
fn fitted_curve(estimate: &Estimate, pattern: &Pattern) -> Vec<(f64, f64)> {
    let gain =
        |source: Azimuth<True>, boresight: Azimuth<True>| pattern.gain_rel_lin(boresight.turn_to(source));
    (0..=360)
        .map(|deg| {
            let boresight = Azimuth::from_degrees(f64::from(deg));
            let second = estimate.reflection.map_or(0.0, |r| {
                10_f64.powf(r.relative_level_db / 10.0) * gain(r.azimuth, boresight)
            });
            let power = gain(estimate.azimuth, boresight) + second;
            (f64::from(deg), (10.0 * power.log10()).max(LEVEL_FLOOR_DB))
        })
        .collect()
}

fn polar_summary(bearing: &lobewright_types::Bearing, top_dbfs: f64) -> Vec<String> {
    let mut lines = vec![
        lobewright_export::azimuth_with_doubt(bearing.azimuth, bearing.sigma_deg),
        format!("class {}", bearing.class),
    ];
    if top_dbfs.is_finite() {
        lines.push(format!("level {top_dbfs:.1} dBFS at the peak"));
    }
    if let Some(snr_db) = bearing.snr_db {
        lines.push(format!("S/N {snr_db:.1} dB in the channel"));
    }
    lines.push(format!(
        "{} readings, {} bursts",
        bearing.readings, bearing.bursts
    ));
    if let Some(fitted) = bearing.fitted {
        lines.push(format!("level error {:.1} dB (1σ)", fitted.level_error_sigma_db));
    }
    if bearing.heading_sigma_deg > 0.0 {
        lines.push(format!("heading ± {:.1}° (1σ) inside", bearing.heading_sigma_deg));
    }
    if !bearing.flags.is_empty() {
        lines.push(crate::tables::words(&bearing.flags));
    }
    lines
}

/// The map of bearings and position.
pub(crate) fn map_of(
    title: &str,
    outcomes: &[BearingOutcome],
    fix: Option<&FixOutcome>,
    truth: Option<&Truth>,
) -> Result<String, Fault> {
    lobewright_plot::map(&map_picture(title, outcomes, fix, truth)).map_err(fault)
}

/// The same with places for the next bearing.
pub(crate) fn map_with_next(
    title: &str,
    outcomes: &[BearingOutcome],
    fix: Option<&FixOutcome>,
    next: &[MapNextPlace],
) -> Result<String, Fault> {
    lobewright_plot::map_with_next(&map_picture(title, outcomes, fix, None), next).map_err(fault)
}

/// What the map of bearings and position shows.
pub(crate) fn map_picture<'a>(
    title: &str,
    outcomes: &[BearingOutcome],
    fix: Option<&'a FixOutcome>,
    truth: Option<&Truth>,
) -> MapPicture<'a> {
    let mut stations: Vec<MapStation> = Vec::new();
    let mut bearings = Vec::new();
    let fix = match fix {
        Some(FixOutcome::Fix(fix)) => Some(&**fix),
        _ => None,
    };
    let mut time = None;
    for outcome in outcomes {
        let BearingOutcome::Bearing(b) = outcome else {
            continue;
        };
        time = time.or(b.time_utc);
        let station = stations
            .iter()
            .position(|s| s.name == b.station && s.position == b.position);
        let station = station.unwrap_or_else(|| {
            stations.push(MapStation {
                name: b.station.clone(),
                position: b.position,
            });
            stations.len() - 1
        });
        let verdict = fix.and_then(|f| f.verdicts.iter().find(|v| v.id == b.id));
        let mut modes = b.modes.clone();
        let reflection = b.flags.contains(&BearingFlag::Reflection);
        // Where front and back are alike the position decides which of them is drawn as the bearing.
        if let (Some(v), false) = (verdict, reflection)
            && v.mode_used < modes.len()
        {
            modes.swap(0, v.mode_used);
        }
        bearings.push(MapBearing {
            station,
            azimuth_true_deg: modes.first().map_or(b.azimuth, |m| m.azimuth).degrees(),
            sigma_deg: b.sigma_deg,
            arcs95: b.arcs95.clone(),
            length_m: None,
            reflected_probability: verdict.map_or(0.0, |v| v.reflected_probability),
            modes,
        });
    }
    let centre = fix
        .map(|f| f.position)
        .or_else(|| stations.first().map(|s| s.position));
    let declination_deg = centre
        .zip(time)
        .and_then(|(place, time)| lobewright_geodesy::declination(place, 0.0, time).ok())
        .map(|d| d.deg);
    MapPicture {
        size: MAP,
        title: if title.is_empty() {
            "Bearings and position".to_owned()
        } else {
            title.to_owned()
        },
        stations,
        bearings,
        fix,
        truth: truth.map(|t| t.position),
        declination_deg,
    }
}

/// The picture of power over time and frequency with the bursts marked; `offset_hz` is the spectrogram's centre
/// against the bursts' channel.
pub(crate) fn spectrogram_of(
    title: &str,
    s: &Spectrogram,
    centre_hz: Option<f64>,
    bursts: &[Burst],
    offset_hz: f64,
) -> Result<String, Fault> {
    let rows = (0..s.rows)
        .map(|r| {
            s.mean_power_lin[r * s.bins..(r + 1) * s.bins]
                .iter()
                .map(|p| 10.0 * p.log10())
                .collect()
        })
        .collect();
    let picture = SpectrogramPicture {
        size: WIDE,
        title: title.to_owned(),
        rows,
        time_s: (0.0, s.row_s * s.rows as f64),
        frequency_hz: edges_hz(s),
        centre_hz,
        bursts: bursts
            .iter()
            .map(|b| {
                let (low_hz, high_hz) = occupied_hz(b, offset_hz);
                BurstMark {
                    start_s: b.start_s,
                    stop_s: b.stop_s,
                    low_hz,
                    high_hz,
                    label: format!("S/N {:.0} dB", b.snr_db),
                }
            })
            .collect(),
        scale_dbfs: None,
    };
    lobewright_plot::spectrogram(&picture).map_err(fault)
}

/// The picture of mean and strongest power over frequency.
pub(crate) fn spectrum_of(
    title: &str,
    s: &Spectrogram,
    centre_hz: Option<f64>,
    bursts: &[Burst],
    offset_hz: f64,
) -> Result<String, Fault> {
    let mut mean = vec![0.0; s.bins];
    let mut peak = vec![0.0_f64; s.bins];
    let mut segments = 0.0;
    for row in 0..s.rows {
        let weight = s.segments[row] as f64;
        segments += weight;
        for bin in 0..s.bins {
            mean[bin] += weight * f64::from(s.mean_power_lin[row * s.bins + bin]);
            peak[bin] = peak[bin].max(f64::from(s.max_power_lin[row * s.bins + bin]));
        }
    }
    let dbfs = |p: f64| 10.0 * p.log10();
    let picture = SpectrumPicture {
        size: WIDE,
        title: title.to_owned(),
        frequency_hz: edges_hz(s),
        levels_dbfs: mean.iter().map(|&p| dbfs(p / f64::max(segments, 1.0))).collect(),
        peaks_dbfs: peak.iter().map(|&p| dbfs(p)).collect(),
        // A Hann window's bin is half as wide again as its spacing.
        bin_bandwidth_hz: Some(1.5 * s.rate_hz / s.bins as f64),
        centre_hz,
        marks: marks(bursts, offset_hz),
    };
    lobewright_plot::spectrum(&picture).map_err(fault)
}

/// One mark for each stretch of frequencies that bursts take up; those that overlap share it.
fn marks(bursts: &[Burst], offset_hz: f64) -> Vec<SpectrumMark> {
    let mut bands: Vec<(f64, f64, usize)> = bursts
        .iter()
        .enumerate()
        .map(|(i, b)| (occupied_hz(b, offset_hz), i + 1))
        .map(|((low_hz, high_hz), number)| (low_hz, high_hz, number))
        .collect();
    bands.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)));
    let mut merged: Vec<(f64, f64, Vec<usize>)> = Vec::new();
    for (low_hz, high_hz, number) in bands {
        match merged.last_mut() {
            Some(last) if low_hz <= last.1 => {
                last.1 = last.1.max(high_hz);
                last.2.push(number);
            }
            _ => merged.push((low_hz, high_hz, vec![number])),
        }
    }
    merged
        .into_iter()
        .map(|(low_hz, high_hz, mut numbers)| {
            numbers.sort_unstable();
            let label = if numbers.len() > 4 {
                format!("{} bursts", numbers.len())
            } else {
                numbers
                    .iter()
                    .map(ToString::to_string)
                    .collect::<Vec<_>>()
                    .join(", ")
            };
            SpectrumMark {
                low_hz,
                high_hz,
                label,
            }
        })
        .collect()
}

fn edges_hz(s: &Spectrogram) -> (f64, f64) {
    let half_bin = s.rate_hz / s.bins as f64 / 2.0;
    (
        s.frequency_hz(0) - half_bin,
        s.frequency_hz(s.bins - 1) + half_bin,
    )
}

fn occupied_hz(b: &Burst, offset_hz: f64) -> (f64, f64) {
    let centre = b.carrier_offset_hz + offset_hz;
    (centre - b.bandwidth_hz / 2.0, centre + b.bandwidth_hz / 2.0)
}
