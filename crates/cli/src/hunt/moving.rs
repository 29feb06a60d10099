//! The track of a transmitter that moves, as text and picture.

use std::fmt::Write as _;

use lobewright_export::GeoOptions;
use lobewright_fix::{MovingPosition, MovingStep, MovingTrack};
use lobewright_plot::{CaptionedMap, CoursePicture, CourseStep, Size};
use lobewright_types::{Bearing, BearingOutcome, ErrorEllipse, Fix, FixMode, FixOutcome, Position};
use serde_json::{Value, json};

use crate::args::FixFormat;
use crate::fault::Fault;
use crate::{pictures, tables};

/// Maps under the picture's chart.
const MAPS: usize = 6;

/// What was followed, and how.
pub(crate) struct Followed<'a> {
    /// Label of the transmitter; empty where there is none.
    pub(crate) label: &'a str,
    pub(crate) bearings: &'a [Bearing],
    pub(crate) track: MovingTrack,
}

/// The track in a format; `several` transmitters share a text.
pub(crate) fn text(format: FixFormat, all: &[Followed<'_>]) -> Result<String, Fault> {
    match format {
        FixFormat::Table => Ok(all
            .iter()
            .map(|f| table(f, all.len() > 1))
            .collect::<Vec<_>>()
            .join("\n")),
        FixFormat::Csv => csv_of(all),
        FixFormat::Json => Ok(all.iter().flat_map(json_lines).collect()),
        FixFormat::Geojson => geojson(all),
        FixFormat::Gpx => Ok(gpx(all)),
        FixFormat::Kml | FixFormat::Aprs => Err(Fault::Input(anyhow::anyhow!(
            "a track is written as table, csv, json or geojson, or with --out NAME.gpx as a GPX track"
        ))),
    }
}

fn table(f: &Followed<'_>, several: bool) -> String {
    let place = |p: &Option<MovingPosition>| {
        p.as_ref().map_or_else(
            || "open".to_owned(),
            |p| format!("{:.5}, {:.5}", p.position.lat_deg, p.position.lon_deg),
        )
    };
    let area = |p: &Option<MovingPosition>| {
        p.as_ref()
            .map_or_else(String::new, |p| tables::significant(p.region95.area_km2))
    };
    let rows: Vec<Vec<String>> = f
        .track
        .steps
        .iter()
        .map(|s| {
            vec![
                s.time_utc.to_string(),
                s.ids.join(" "),
                place(&s.filtered),
                area(&s.filtered),
                place(&s.smoothed),
                area(&s.smoothed),
            ]
        })
        .collect();
    let header = [
        "UTC",
        "bearings",
        "position then",
        "95 % km²",
        "with all bearings",
        "95 % km²",
    ];
    let mut text = String::new();
    if several {
        let _ = writeln!(text, "transmitter {}\n", f.label);
    }
    text += &tables::lay_out(&header, &rows, &[3, 5]);
    if let Some(last) = f.track.steps.iter().rev().find_map(|s| s.filtered.as_ref()) {
        let ellipse = last.ellipse95.map_or_else(String::new, |e| {
            format!(
                ", ellipse {:.0} m by {:.0} m semi-axes (95 %), long axis {:.0}° true",
                e.semi_major_m,
                e.semi_minor_m,
                e.major_azimuth.degrees()
            )
        });
        let p = last.position;
        let _ = writeln!(text, "last: {:.5}, {:.5}{ellipse}", p.lat_deg, p.lon_deg);
    }
    text
}

fn estimates(s: &MovingStep) -> impl Iterator<Item = (&'static str, &MovingPosition)> {
    let filtered = s.filtered.iter().map(|p| ("filtered", p));
    filtered.chain(s.smoothed.iter().map(|p| ("smoothed", p)))
}

/// A number of the ellipse; nothing where there is none.
fn axis(p: &MovingPosition, pick: fn(&ErrorEllipse) -> f64) -> String {
    p.ellipse95
        .as_ref()
        .map_or_else(String::new, |e| pick(e).to_string())
}

fn csv_of(all: &[Followed<'_>]) -> Result<String, Fault> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record([
            "transmitter",
            "time_utc",
            "bearing_ids",
            "estimate",
            "lat_deg",
            "lon_deg",
            "area50_km2",
            "area95_km2",
            "semi_major_m",
            "semi_minor_m",
            "major_azimuth_true_deg",
        ])
        .map_err(Fault::failure)?;
    for f in all {
        for s in &f.track.steps {
            for (name, p) in estimates(s) {
                writer
                    .write_record([
                        f.label.to_owned(),
                        s.time_utc.to_string(),
                        s.ids.join(" "),
                        name.to_owned(),
                        p.position.lat_deg.to_string(),
                        p.position.lon_deg.to_string(),
                        p.region50.area_km2.to_string(),
                        p.region95.area_km2.to_string(),
                        axis(p, |e| e.semi_major_m),
                        axis(p, |e| e.semi_minor_m),
                        axis(p, |e| e.major_azimuth.degrees()),
                    ])
                    .map_err(Fault::failure)?;
            }
        }
    }
    let bytes = writer.into_inner().map_err(|e| Fault::failure(e.into_error()))?;
    String::from_utf8(bytes).map_err(Fault::failure)
}

fn json_lines(f: &Followed<'_>) -> Vec<String> {
    let position = |p: &Option<MovingPosition>| {
        p.as_ref().map(|p| {
            json!({
                "position": p.position,
                "region50": p.region50,
                "region95": p.region95,
                "ellipse95": p.ellipse95,
            })
        })
    };
    f.track
        .steps
        .iter()
        .map(|s| {
            let line = json!({
                "transmitter": Some(f.label).filter(|l| !l.is_empty()),
                "time_utc": s.time_utc,
                "bearing_ids": s.ids,
                "filtered": position(&s.filtered),
                "smoothed": position(&s.smoothed),
            });
            format!("{line}\n")
        })
        .collect()
}

/// A moment's position as one that stands still: for maps and files that know only those.
fn as_fix(p: &MovingPosition) -> FixOutcome {
    FixOutcome::Fix(Box::new(Fix {
        position: p.position,
        region50: p.region50.clone(),
        region95: p.region95.clone(),
        ellipse95: p.ellipse95,
        modes: vec![FixMode {
            position: p.position,
            probability: 1.0,
        }],
        verdicts: Vec::new(),
        station_offsets: Vec::new(),
        path_loss: Vec::new(),
        statements: Vec::new(),
    }))
}

fn geojson(all: &[Followed<'_>]) -> Result<String, Fault> {
    let mut features: Vec<Value> = Vec::new();
    for f in all {
        let label = Some(f.label).filter(|l| !l.is_empty());
        for (estimate, line) in lines(f) {
            let geometry: Vec<Vec<[f64; 2]>> = line
                .iter()
                .map(|part| part.iter().map(|p| [p.lon_deg, p.lat_deg]).collect())
                .collect();
            features.push(json!({
                "type": "Feature",
                "properties": { "kind": "track", "name": format!("Track, {estimate}"), "estimate": estimate, "transmitter": label },
                "geometry": { "type": "MultiLineString", "coordinates": geometry },
            }));
        }
        for s in &f.track.steps {
            for (estimate, p) in estimates(s) {
                let text = lobewright_export::fix_geojson(&as_fix(p), &[], &GeoOptions::default());
                let one: Value = serde_json::from_str(&text).map_err(Fault::failure)?;
                for mut feature in one["features"].as_array().cloned().unwrap_or_default() {
                    feature["properties"]["estimate"] = json!(estimate);
                    feature["properties"]["time_utc"] = json!(s.time_utc);
                    feature["properties"]["transmitter"] = json!(label);
                    features.push(feature);
                }
            }
        }
    }
    let merged = json!({ "type": "FeatureCollection", "title": "Track of a moving transmitter", "features": features });
    Ok(format!("{merged}\n"))
}

/// The tracks as lines of two places or more, parted at the 180th meridian.
fn lines(f: &Followed<'_>) -> Vec<(&'static str, Vec<Vec<Position>>)> {
    ["filtered", "smoothed"]
        .into_iter()
        .map(|estimate| {
            let places = f
                .track
                .steps
                .iter()
                .filter_map(|s| estimates(s).find(|(name, _)| *name == estimate))
                .map(|(_, p)| p.position);
            let mut parts: Vec<Vec<Position>> = Vec::new();
            for place in places {
                match parts.last_mut() {
                    Some(part)
                        if part
                            .last()
                            .is_some_and(|l: &Position| (l.lon_deg - place.lon_deg).abs() < 180.0) =>
                    {
                        part.push(place);
                    }
                    _ => parts.push(vec![place]),
                }
            }
            parts.retain(|part| part.len() > 1);
            (estimate, parts)
        })
        .filter(|(_, parts)| !parts.is_empty())
        .collect()
}

/// GPX 1.1 tracks (Topografix, 2004), the smoothed first.
pub(crate) fn gpx(all: &[Followed<'_>]) -> String {
    let mut out = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"Lobewright\" xmlns=\"http://www.topografix.com/GPX/1/1\">\n",
    );
    for f in all {
        for estimate in ["smoothed", "filtered"] {
            let points: Vec<(&MovingStep, &MovingPosition)> = f
                .track
                .steps
                .iter()
                .filter_map(|s| {
                    estimates(s)
                        .find(|(name, _)| *name == estimate)
                        .map(|(_, p)| (s, p))
                })
                .collect();
            if points.is_empty() {
                continue;
            }
            let name = if f.label.is_empty() {
                format!("Transmitter, {estimate}")
            } else {
                format!("Transmitter {}, {estimate}", f.label)
            };
            let _ = writeln!(out, "<trk>\n<name>{}</name>\n<trkseg>", escape(&name));
            for (s, p) in points {
                let _ = writeln!(
                    out,
                    "<trkpt lat=\"{:.7}\" lon=\"{:.7}\"><time>{}</time></trkpt>",
                    p.position.lat_deg, p.position.lon_deg, s.time_utc
                );
            }
            out += "</trkseg>\n</trk>\n";
        }
    }
    out + "</gpx>\n"
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// The areas over time, and maps of moments spread evenly.
pub(crate) fn picture(f: &Followed<'_>) -> Result<String, Fault> {
    const SHEET: Size = Size {
        width_px: 1400,
        height_px: 1150,
    };
    let steps = &f.track.steps;
    let found: Vec<usize> = (0..steps.len())
        .filter(|&i| steps[i].filtered.is_some())
        .collect();
    let count = found.len().min(MAPS);
    let shown: Vec<usize> = (0..count)
        .map(|i| {
            found[if count > 1 {
                i * (found.len() - 1) / (count - 1)
            } else {
                0
            }]
        })
        .collect();
    let drawn: Vec<(FixOutcome, Vec<BearingOutcome>)> = shown
        .iter()
        .filter_map(|&i| {
            let fix = as_fix(steps[i].filtered.as_ref()?);
            let then = f
                .bearings
                .iter()
                .filter(|b| b.time_utc == Some(steps[i].time_utc))
                .map(|b| BearingOutcome::Bearing(Box::new(b.clone())))
                .collect();
            Some((fix, then))
        })
        .collect();
    let maps = shown
        .iter()
        .zip(&drawn)
        .map(|(&i, (fix, then))| CaptionedMap {
            caption: caption(&steps[i]),
            map: pictures::map_picture("", then, Some(fix), None),
        })
        .collect();
    let picture = CoursePicture {
        size: SHEET,
        title: if f.label.is_empty() {
            "Moving transmitter: from the bearings until each moment".to_owned()
        } else {
            format!(
                "Moving transmitter {}: from the bearings until each moment",
                f.label
            )
        },
        axis: "time of the bearings, UTC".to_owned(),
        steps: steps
            .iter()
            .map(|s| CourseStep {
                label: clock(s),
                area50_km2: s.filtered.as_ref().map(|p| p.region50.area_km2),
                area95_km2: s.filtered.as_ref().map(|p| p.region95.area_km2),
            })
            .collect(),
        maps,
    };
    lobewright_plot::course(&picture).map_err(Fault::failure)
}

/// Hours and minutes in UTC.
fn clock(s: &MovingStep) -> String {
    let text = s.time_utc.to_string();
    text.split('T').nth(1).unwrap_or(&text).chars().take(5).collect()
}

fn caption(s: &MovingStep) -> String {
    let area = s
        .filtered
        .as_ref()
        .map_or_else(String::new, |p| tables::significant(p.region95.area_km2));
    format!("{}: 95 % within {area} km²", clock(s))
}
