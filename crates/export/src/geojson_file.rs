//! GeoJSON (RFC 7946).

use geojson::{Feature, FeatureCollection, Geometry, GeometryValue, JsonObject, Position as Coordinates};
use lobewright_types::{Bearing, BearingOutcome, Fix, FixOutcome, PolygonDeg, Position, Region};
use serde::Serialize;
use serde_json::{Value, json};

use crate::geo::{
    CutPolygon, GeoOptions, bearing_line, cut_polygons, ellipse_ring, fix_of, found, line_length_m, on_earth,
    stations, verdict_of,
};
use crate::words::{azimuth_with_doubt, human_bearing_line};

/// Writes a position with its regions, and the stations and bearings it rests on, as one `FeatureCollection`.
///
/// Each feature says what it is in the property `kind`: `region`, `ellipse`, `fix`, `mode`, `station`, `bearing` or
/// `truth`. What cannot be drawn stands beside the features: `statements` (in words), `no_bearings` and `station_offsets` (as in JSON). Rings follow
/// the right-hand rule and nothing crosses the 180th meridian (RFC 7946, sections 3.1.6 and 3.1.9).
pub fn fix_geojson(fix: &FixOutcome, bearings: &[BearingOutcome], options: &GeoOptions) -> String {
    let mut features = Vec::new();
    let found_fix = fix_of(fix);
    if let Some(fix) = found_fix {
        features.extend(fix_features(fix));
    }
    features.extend(options.truth.filter(|place| on_earth(*place)).map(|place| {
        feature(
            point(place),
            json!({"kind": "truth", "name": "transmitter (known)"}),
        )
    }));
    for (name, place) in stations(bearings) {
        features.push(feature(point(place), json!({"kind": "station", "name": name})));
    }
    for bearing in found(bearings) {
        features.extend(bearing_feature(bearing, found_fix, options));
    }
    let collection = FeatureCollection {
        bbox: None,
        features,
        foreign_members: Some(members(fix, bearings, options)),
    };
    let mut text = collection.to_string();
    text.push('\n');
    text
}

/// What the whole file says beside its features (foreign members, RFC 7946 section 6.1).
fn members(fix: &FixOutcome, bearings: &[BearingOutcome], options: &GeoOptions) -> JsonObject {
    let statements = match fix {
        FixOutcome::Fix(fix) => &fix.statements,
        FixOutcome::NoFix { statements } => statements,
    };
    let words: Vec<String> = statements.iter().map(ToString::to_string).collect();
    let without: Vec<String> = bearings
        .iter()
        .filter(|outcome| matches!(outcome, BearingOutcome::NoBearing(_)))
        .map(human_bearing_line)
        .collect();
    let mut members = JsonObject::new();
    if !options.title.is_empty() {
        members.insert("title".to_owned(), json!(options.title));
    }
    members.insert("statements".to_owned(), json!(words));
    members.insert("no_bearings".to_owned(), json!(without));
    if let FixOutcome::Fix(fix) = fix
        && !fix.station_offsets.is_empty()
    {
        members.insert("station_offsets".to_owned(), json!(fix.station_offsets));
    }
    members
}

fn fix_features(fix: &Fix) -> Vec<Feature> {
    let mut features = Vec::new();
    features.extend(region_feature(&fix.region95));
    features.extend(region_feature(&fix.region50));
    if let Some(ellipse) = &fix.ellipse95 {
        let polygon = PolygonDeg {
            outer: ellipse_ring(ellipse),
            holes: Vec::new(),
        };
        let properties = json!({
            "kind": "ellipse",
            "name": format!("{:.0} % error ellipse", ellipse.probability * 100.0),
            "probability": ellipse.probability,
            "semi_major_m": ellipse.semi_major_m,
            "semi_minor_m": ellipse.semi_minor_m,
            "major_azimuth_true_deg": ellipse.major_azimuth.degrees(),
        });
        features.extend(multi_polygon(&[polygon]).map(|geometry| feature(geometry, properties)));
    }
    let main = fix.modes.first().map(|mode| mode.probability);
    if on_earth(fix.position) {
        let properties = json!({
            "kind": "fix",
            "name": "most probable position",
            "probability": main,
            "area50_km2": fix.region50.area_km2,
            "area95_km2": fix.region95.area_km2,
        });
        features.push(feature(point(fix.position), properties));
    }
    for mode in fix.modes.iter().skip(1).filter(|mode| on_earth(mode.position)) {
        let properties = json!({
            "kind": "mode",
            "name": format!("other position, {:.0} %", mode.probability * 100.0),
            "probability": mode.probability,
        });
        features.push(feature(point(mode.position), properties));
    }
    features
}

fn region_feature(region: &Region) -> Option<Feature> {
    let properties = json!({
        "kind": "region",
        "name": format!("{:.0} % region", region.probability * 100.0),
        "probability": region.probability,
        "area_km2": region.area_km2,
    });
    multi_polygon(&region.polygons).map(|geometry| feature(geometry, properties))
}

fn bearing_feature(bearing: &Bearing, fix: Option<&Fix>, options: &GeoOptions) -> Option<Feature> {
    let verdict = verdict_of(fix, &bearing.id);
    let length_m = line_length_m(options, verdict);
    let parts: Vec<Vec<Coordinates>> = bearing_line(bearing, length_m)
        .into_iter()
        .map(|part| part.into_iter().map(coordinates).collect())
        .collect();
    let value = match parts.len() {
        0 => return None,
        1 => GeometryValue::LineString {
            coordinates: parts.into_iter().next()?,
        },
        _ => GeometryValue::MultiLineString { coordinates: parts },
    };
    let mut properties = json!({
        "kind": "bearing",
        "name": format!("{}: {}", bearing.station, azimuth_with_doubt(bearing.azimuth, bearing.sigma_deg)),
        "id": bearing.id,
        "station": bearing.station,
        "time_utc": bearing.time_utc,
        "azimuth_true_deg": bearing.azimuth.degrees(),
        "sigma_deg": bearing.sigma_deg,
        "arcs95": bearing.arcs95,
        "class": bearing.class,
        "flags": bearing.flags,
        "level_dbfs": bearing.level,
        "snr_db": bearing.snr_db,
        "frequency_hz": bearing.frequency_hz,
        "line_length_m": length_m,
    });
    if let (Some(verdict), Some(object)) = (verdict, properties.as_object_mut()) {
        object.insert(
            "reflected_probability".to_owned(),
            json!(verdict.reflected_probability),
        );
        object.insert("residual_deg".to_owned(), json!(verdict.residual_deg));
        object.insert("range_m".to_owned(), json!(verdict.range_m));
    }
    Some(feature(Geometry::new(value), properties))
}

fn feature(geometry: Geometry, properties: impl Serialize) -> Feature {
    let properties = match serde_json::to_value(properties) {
        Ok(Value::Object(object)) => Some(object),
        _ => None,
    };
    Feature {
        bbox: None,
        geometry: Some(geometry),
        id: None,
        properties,
        foreign_members: None,
    }
}

/// Longitude first (RFC 7946 section 3.1.1), to 1e-7 degrees, which is a centimetre.
fn coordinates(place: Position) -> Coordinates {
    pair((place.lon_deg, place.lat_deg))
}

fn pair((lon, lat): (f64, f64)) -> Coordinates {
    let rounded = |value: f64| (value * 1e7).round() / 1e7;
    Coordinates::from([rounded(lon), rounded(lat)])
}

fn point(place: Position) -> Geometry {
    Geometry::new(GeometryValue::Point {
        coordinates: coordinates(place),
    })
}

fn multi_polygon(polygons: &[PolygonDeg]) -> Option<Geometry> {
    let coordinates: Vec<Vec<Vec<Coordinates>>> = cut_polygons(polygons)
        .into_iter()
        .map(|CutPolygon { outer, holes }| {
            std::iter::once(outer)
                .chain(holes)
                .map(|ring| ring.into_iter().map(pair).collect())
                .collect()
        })
        .collect();
    (!coordinates.is_empty()).then(|| Geometry::new(GeometryValue::MultiPolygon { coordinates }))
}
