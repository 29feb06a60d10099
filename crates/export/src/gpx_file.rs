//! GPX 1.1, for handheld receivers.

use std::fmt::Write;

use lobewright_types::{Bearing, BearingOutcome, Fix, FixOutcome, PolygonDeg, Position, Region};

use crate::geo::{
    CutPolygon, GeoOptions, bearing_line, cut_polygons, ellipse_ring, fix_of, found, line_length_m, on_earth,
    stations, verdict_of,
};
use crate::kml_file::escape;
use crate::words::{human_bearing_line, human_fix_in};

/// GPX longitudes end below 180 (type `longitudeType` of the schema); this is the last that seven decimals can say.
const LAST_LON_DEG: f64 = 179.999_999_9;

/// Writes a position, its other modes and the places of the bearings as waypoints, bearings and regions as tracks, in GPX 1.1.
///
/// Names are short and say what the thing is, since a handheld shows little else; the rest stands in the descriptions. A region is one
/// track with a segment for each ring, closed; a bearing is a track from its place. Nothing crosses the 180th meridian. Elements
/// stand in the order of the schema: waypoints, then tracks.
pub fn fix_gpx(fix: &FixOutcome, bearings: &[BearingOutcome], options: &GeoOptions) -> String {
    fixes_gpx(&[("", fix, bearings)], options)
}

/// Writes the positions of several transmitters as one GPX file, as [`fix_gpx`] does one.
///
/// # Inputs
/// For each transmitter its label, its position and its bearings; names begin with the label where it is not empty.
pub fn fixes_gpx(all: &[(&str, &FixOutcome, &[BearingOutcome])], options: &GeoOptions) -> String {
    let name = if options.title.is_empty() {
        "Transmitter position"
    } else {
        &options.title
    };
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    out.push_str(
        "<gpx version=\"1.1\" creator=\"Lobewright\" xmlns=\"http://www.topografix.com/GPX/1/1\">\n<metadata>\n",
    );
    let words: Vec<String> = all
        .iter()
        .map(|(label, fix, _)| named(label, &human_fix_in(fix, options.coordinates).join("\n")))
        .collect();
    let _ = writeln!(
        out,
        "<name>{}</name>\n<desc>{}</desc>\n</metadata>",
        escape(name),
        escape(&words.join("\n"))
    );
    for ((label, fix, _), words) in all.iter().zip(&words) {
        if let Some(found) = fix_of(fix) {
            fix_waypoints(&mut out, label, found, words);
        }
    }
    if let Some(truth) = options.truth.filter(|place| on_earth(*place)) {
        waypoint(&mut out, truth, "Transmitter", "its known place", "truth");
    }
    let mut written = Vec::new();
    for station in all.iter().flat_map(|(_, _, bearings)| stations(bearings)) {
        if !written.contains(&station) {
            waypoint(&mut out, station.1, station.0, "place of a bearing", "station");
            written.push(station);
        }
    }
    for (label, fix, bearings) in all {
        let found_fix = fix_of(fix);
        if let Some(fix) = found_fix {
            fix_tracks(&mut out, label, fix);
        }
        for bearing in found(bearings) {
            bearing_track(&mut out, label, bearing, found_fix, options);
        }
    }
    out.push_str("</gpx>\n");
    out
}

/// A name that says which transmitter it is of.
fn named(label: &str, name: &str) -> String {
    if label.is_empty() {
        name.to_owned()
    } else {
        format!("{label}: {name}")
    }
}

fn fix_waypoints(out: &mut String, label: &str, fix: &Fix, words: &str) {
    if on_earth(fix.position) {
        waypoint(out, fix.position, &named(label, "Fix"), words, "fix");
    }
    for (number, mode) in (2..).zip(fix.modes.iter().skip(1)) {
        if on_earth(mode.position) {
            let share = 100.0 * mode.probability;
            let name = named(label, &format!("Fix {number} {share:.0}%"));
            let words = format!("other position, {share:.0} %");
            waypoint(out, mode.position, &name, &words, "mode");
        }
    }
}

/// One waypoint, its elements in the order of `wptType`.
fn waypoint(out: &mut String, place: Position, name: &str, description: &str, kind: &str) {
    let _ = writeln!(
        out,
        "<wpt {}>\n<name>{}</name>\n<desc>{}</desc>\n<type>{kind}</type>\n</wpt>",
        attributes(place.lat_deg, place.lon_deg),
        escape(name),
        escape(description)
    );
}

fn fix_tracks(out: &mut String, label: &str, fix: &Fix) {
    for region in [&fix.region50, &fix.region95] {
        region_track(out, label, region);
    }
    if let Some(ellipse) = &fix.ellipse95 {
        let polygon = PolygonDeg {
            outer: ellipse_ring(ellipse),
            holes: Vec::new(),
        };
        let name = named(label, &format!("{:.0}% ellipse", 100.0 * ellipse.probability));
        track(out, &name, "error ellipse", "ellipse", &rings(&[polygon]));
    }
}

fn region_track(out: &mut String, label: &str, region: &Region) {
    let name = named(label, &format!("{:.0}% region", 100.0 * region.probability));
    let words = format!("area {}", crate::words::human_area(region.area_km2));
    track(out, &name, &words, "region", &rings(&region.polygons));
}

/// Rings as segments of longitude and latitude, closed.
fn rings(polygons: &[PolygonDeg]) -> Vec<Vec<(f64, f64)>> {
    cut_polygons(polygons)
        .into_iter()
        .flat_map(|CutPolygon { outer, holes }| std::iter::once(outer).chain(holes))
        .collect()
}

fn bearing_track(out: &mut String, label: &str, bearing: &Bearing, fix: Option<&Fix>, options: &GeoOptions) {
    let verdict = verdict_of(fix, &bearing.id);
    let segments: Vec<Vec<(f64, f64)>> = bearing_line(bearing, line_length_m(options, verdict))
        .iter()
        .map(|part| part.iter().map(|p| (p.lon_deg, p.lat_deg)).collect())
        .collect();
    let reflected = verdict.is_some_and(|v| v.reflected_probability >= 0.5);
    let kind = if reflected { "reflected" } else { "bearing" };
    let name = named(label, &format!("{} {:.0}", bearing.station, bearing.azimuth));
    let words = human_bearing_line(&BearingOutcome::Bearing(Box::new(bearing.clone())));
    track(out, &name, &words, kind, &segments);
}

/// One track, its elements in the order of `trkType`; none where it has no segment.
fn track(out: &mut String, name: &str, description: &str, kind: &str, segments: &[Vec<(f64, f64)>]) {
    if segments.is_empty() {
        return;
    }
    let _ = writeln!(
        out,
        "<trk>\n<name>{}</name>\n<desc>{}</desc>\n<type>{kind}</type>",
        escape(name),
        escape(description)
    );
    for segment in segments {
        out.push_str("<trkseg>\n");
        for &(lon_deg, lat_deg) in segment {
            let _ = writeln!(out, "<trkpt {}/>", attributes(lat_deg, lon_deg));
        }
        out.push_str("</trkseg>\n");
    }
    out.push_str("</trk>\n");
}

fn attributes(lat_deg: f64, lon_deg: f64) -> String {
    format!("lat=\"{lat_deg:.7}\" lon=\"{:.7}\"", lon_deg.min(LAST_LON_DEG))
}
