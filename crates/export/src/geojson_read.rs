//! Lines and areas that someone drew on a map, from GeoJSON.

use geojson::{GeoJson, Geometry, GeometryValue, Position as Coordinates};
use lobewright_types::{PolygonDeg, Position};

/// Geometries nested deeper than this are refused.
const DEEPEST: usize = 16;
const NEEDED: &str = "longitude (-180 to 360, east positive) and latitude (-90 to 90, north positive)";

/// Why a GeoJSON file could not be used.
#[derive(Debug, thiserror::Error)]
pub enum MapReadError {
    /// The text is not GeoJSON.
    #[error("`{name}` is not GeoJSON (RFC 7946)")]
    NotGeoJson {
        /// Name of the input.
        name: String,
        /// What the parser says.
        source: Box<geojson::Error>,
    },
    /// A point is not on earth.
    #[error("`{name}`: {geometry} {number} has the point [{found}]; it must be {NEEDED}")]
    Point {
        /// Name of the input.
        name: String,
        /// The kind of geometry.
        geometry: &'static str,
        /// Its number in the file among those read, from 1.
        number: usize,
        /// What was found.
        found: String,
    },
    /// A ring has too few corners to hold an area.
    #[error("`{name}`: polygon {number} has a ring of {corners} different corners; it must have 3 or more")]
    Ring {
        /// Name of the input.
        name: String,
        /// Number of the polygon, from 1.
        number: usize,
        /// Corners found.
        corners: usize,
    },
    /// Geometries are nested too deep.
    #[error("`{name}` has collections nested deeper than {DEEPEST}; lay them side by side")]
    TooDeep {
        /// Name of the input.
        name: String,
    },
    /// There is nothing of the kind asked for.
    #[error("`{name}` has no {wanted}; it must have one or more")]
    Nothing {
        /// Name of the input.
        name: String,
        /// The kind.
        wanted: &'static str,
    },
}

/// Reads the lines (`LineString`, `MultiLineString`) of a GeoJSON text; other geometries are passed over.
///
/// # Errors
/// [`MapReadError`]: not GeoJSON, a point that is not on earth, or no line at all. `name` stands for the input in messages.
pub fn read_geojson_lines(text: &str, name: &str) -> Result<Vec<Vec<Position>>, MapReadError> {
    let mut lines = Vec::new();
    for geometry in geometries(text, name)? {
        let parts = match geometry {
            GeometryValue::LineString { coordinates } => vec![coordinates],
            GeometryValue::MultiLineString { coordinates } => coordinates,
            _ => continue,
        };
        for part in parts {
            let line = places(&part, (name, "line", lines.len() + 1))?;
            if !line.is_empty() {
                lines.push(line);
            }
        }
    }
    some(lines, name, "LineString")
}

/// Reads the areas (`Polygon`, `MultiPolygon`) of a GeoJSON text; other geometries are passed over.
///
/// # Result
/// Rings without the repeat of their first corner.
///
/// # Errors
/// [`MapReadError`]: not GeoJSON, a point that is not on earth, a ring of under three corners, or no area at all.
pub fn read_geojson_areas(text: &str, name: &str) -> Result<Vec<PolygonDeg>, MapReadError> {
    let mut areas = Vec::new();
    for geometry in geometries(text, name)? {
        let parts = match geometry {
            GeometryValue::Polygon { coordinates } => vec![coordinates],
            GeometryValue::MultiPolygon { coordinates } => coordinates,
            _ => continue,
        };
        for part in parts {
            areas.extend(area(&part, (name, areas.len() + 1))?);
        }
    }
    some(areas, name, "Polygon")
}

fn some<T>(list: Vec<T>, name: &str, wanted: &'static str) -> Result<Vec<T>, MapReadError> {
    if list.is_empty() {
        return Err(MapReadError::Nothing {
            name: name.to_owned(),
            wanted,
        });
    }
    Ok(list)
}

fn area(
    rings: &[Vec<Coordinates>],
    (name, number): (&str, usize),
) -> Result<Option<PolygonDeg>, MapReadError> {
    let mut read = Vec::with_capacity(rings.len());
    for ring in rings {
        let mut corners = places(ring, (name, "polygon", number))?;
        if corners.len() > 1 && corners.first() == corners.last() {
            corners.pop();
        }
        corners.dedup();
        if corners.len() < 3 {
            return Err(MapReadError::Ring {
                name: name.to_owned(),
                number,
                corners: corners.len(),
            });
        }
        read.push(corners);
    }
    let mut read = read.into_iter();
    Ok(read.next().map(|outer| PolygonDeg {
        outer,
        holes: read.collect(),
    }))
}

fn places(
    points: &[Coordinates],
    (name, geometry, number): (&str, &'static str, usize),
) -> Result<Vec<Position>, MapReadError> {
    points
        .iter()
        .map(|point| {
            match point.as_slice() {
                [lon_deg, lat_deg, ..] => Position::from_lat_lon(*lat_deg, *lon_deg).ok(),
                _ => None,
            }
            .ok_or_else(|| MapReadError::Point {
                name: name.to_owned(),
                geometry,
                number,
                found: point
                    .as_slice()
                    .iter()
                    .map(ToString::to_string)
                    .collect::<Vec<_>>()
                    .join(", "),
            })
        })
        .collect()
}

/// All geometries of a text in their order, collections opened.
fn geometries(text: &str, name: &str) -> Result<Vec<GeometryValue>, MapReadError> {
    let parsed: GeoJson =
        text.trim_start_matches('\u{feff}')
            .parse()
            .map_err(|source| MapReadError::NotGeoJson {
                name: name.to_owned(),
                source: Box::new(source),
            })?;
    let found: Vec<Geometry> = match parsed {
        GeoJson::Geometry(geometry) => vec![geometry],
        GeoJson::Feature(feature) => feature.geometry.into_iter().collect(),
        GeoJson::FeatureCollection(all) => all.features.into_iter().filter_map(|f| f.geometry).collect(),
    };
    let mut flat = Vec::new();
    for geometry in found {
        open(geometry.value, (name, 0), &mut flat)?;
    }
    Ok(flat)
}

fn open(
    value: GeometryValue,
    (name, depth): (&str, usize),
    flat: &mut Vec<GeometryValue>,
) -> Result<(), MapReadError> {
    if depth > DEEPEST {
        return Err(MapReadError::TooDeep {
            name: name.to_owned(),
        });
    }
    match value {
        GeometryValue::GeometryCollection { geometries } => {
            for geometry in geometries {
                open(geometry.value, (name, depth + 1), flat)?;
            }
        }
        other => flat.push(other),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    // The LineString and the Polygon of RFC 7946, section 1.5.
    const RFC_7946: &str = r#"{"type": "FeatureCollection", "features": [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": [102.0, 0.5]}, "properties": {"prop0": "value0"}},
        {"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]]},
         "properties": {"prop0": "value0", "prop1": 0.0}},
        {"type": "Feature", "geometry": {"type": "Polygon",
         "coordinates": [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]},
         "properties": {"prop0": "value0", "prop1": {"this": "that"}}}]}"#;

    #[test]
    fn the_example_of_the_standard_is_read() {
        let lines = read_geojson_lines(RFC_7946, "roads.geojson").unwrap();
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].len(), 4);
        assert!((lines[0][1].lon_deg - 103.0).abs() < 1e-12 && (lines[0][1].lat_deg - 1.0).abs() < 1e-12);
        let areas = read_geojson_areas(RFC_7946, "areas.geojson").unwrap();
        assert_eq!(
            (areas.len(), areas[0].outer.len(), areas[0].holes.len()),
            (1, 4, 0)
        );
        let inside = |lat_deg, lon_deg| areas[0].contains(Position { lat_deg, lon_deg });
        assert!(inside(0.5, 100.5) && !inside(0.5, 101.5));
    }

    #[test]
    fn messages_say_what_is_wrong_and_what_would_be_right() {
        let error = |text: &str| read_geojson_lines(text, "roads.geojson").unwrap_err().to_string();
        assert_eq!(error("[1, 2]"), "`roads.geojson` is not GeoJSON (RFC 7946)");
        assert_eq!(
            error(r#"{"type": "LineString", "coordinates": [[0.5, 102.0], [1, 1]]}"#),
            "`roads.geojson`: line 1 has the point [0.5, 102]; it must be longitude (-180 to 360, east positive) and latitude (-90 to 90, north positive)"
        );
        assert_eq!(
            error(r#"{"type": "Point", "coordinates": [1, 2]}"#),
            "`roads.geojson` has no LineString; it must have one or more"
        );
        let ring = r#"{"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [0, 0]]]}"#;
        assert_eq!(
            read_geojson_areas(ring, "lake.geojson").unwrap_err().to_string(),
            "`lake.geojson`: polygon 1 has a ring of 2 different corners; it must have 3 or more"
        );
        let deep = format!(
            "{}{}{}",
            r#"{"type": "GeometryCollection", "geometries": ["#.repeat(20),
            r#"{"type": "Point", "coordinates": [1, 2]}"#,
            "]}".repeat(20)
        );
        assert_eq!(
            error(&deep),
            "`roads.geojson` has collections nested deeper than 16; lay them side by side"
        );
    }
}
