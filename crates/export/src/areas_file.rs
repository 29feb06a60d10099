//! Areas that the transmitter must, or cannot, be in, from GeoJSON.

use std::io::Read;

use geojson::{Feature, GeoJson, GeometryValue, Position as Coordinates};
use lobewright_types::{AreaClue, AreaRule, PolygonDeg, Position, wrap_signed_degrees};

/// Why a file of areas could not be read.
#[derive(Debug, thiserror::Error)]
pub enum AreaError {
    /// The input could not be read.
    #[error("{name}: the areas cannot be read")]
    Io {
        /// Name of the input.
        name: String,
        /// Why.
        source: std::io::Error,
    },
    /// It is not GeoJSON.
    #[error("{name}: not GeoJSON (RFC 7946)")]
    Syntax {
        /// Name of the input.
        name: String,
        /// Why.
        source: Box<geojson::Error>,
    },
    /// It is GeoJSON, but no feature.
    #[error("{name}: the file holds a bare geometry; put it into a feature with the property `rule`")]
    NoFeature {
        /// Name of the input.
        name: String,
    },
    /// A feature that is no area.
    #[error("{name}, feature {feature} (`{area}`): `{field}` is {found}; it must be {wanted}")]
    Feature {
        /// Name of the input.
        name: String,
        /// Which feature, from 1.
        feature: usize,
        /// The area's name, where it has one.
        area: String,
        /// The member of the feature.
        field: &'static str,
        /// What was found.
        found: String,
        /// What would be right.
        wanted: &'static str,
    },
}

/// Reads areas that a transmitter must, or cannot, be in.
///
/// # Inputs
/// GeoJSON (RFC 7946): a feature or a collection of features, each a `Polygon` or `MultiPolygon` with the property `rule`, `inside` (it
/// must be in at least one of these) or `outside` (it cannot be in there), and perhaps `name`. Coordinates are longitude and
/// latitude, WGS 84; longitudes beyond 180 degrees, to 360 either way, are taken for what they mean. Other properties are passed over.
/// `name` is the input's name in messages.
///
/// # Result
/// The areas in the order of the features; one without a name is called `area` and its number.
///
/// # Errors
/// [`AreaError`], which names the feature and the member, and what would be right.
pub fn read_areas_geojson(mut reader: impl Read, name: &str) -> Result<Vec<AreaClue>, AreaError> {
    let mut text = String::new();
    reader.read_to_string(&mut text).map_err(|source| AreaError::Io {
        name: name.to_owned(),
        source,
    })?;
    let file: GeoJson = text.parse().map_err(|source| AreaError::Syntax {
        name: name.to_owned(),
        source: Box::new(source),
    })?;
    let features = match file {
        GeoJson::FeatureCollection(collection) => collection.features,
        GeoJson::Feature(feature) => vec![feature],
        GeoJson::Geometry(_) => {
            return Err(AreaError::NoFeature {
                name: name.to_owned(),
            });
        }
    };
    features
        .iter()
        .enumerate()
        .map(|(k, feature)| Reader::new(name, k + 1, feature).area())
        .collect()
}

struct Reader<'a> {
    name: &'a str,
    number: usize,
    feature: &'a Feature,
    area: String,
}

impl<'a> Reader<'a> {
    fn new(name: &'a str, number: usize, feature: &'a Feature) -> Self {
        let given = feature.property("name").and_then(|n| n.as_str());
        Self {
            name,
            number,
            feature,
            area: given.map_or_else(|| format!("area {number}"), str::to_owned),
        }
    }

    fn area(&self) -> Result<AreaClue, AreaError> {
        let given = self.feature.property("rule");
        let rule = match given.and_then(|r| r.as_str()) {
            Some("inside") => AreaRule::Inside,
            Some("outside") => AreaRule::Outside,
            _ => {
                let found = given.map_or_else(|| "missing".to_owned(), ToString::to_string);
                return Err(self.wrong("rule", found, "`inside` or `outside`"));
            }
        };
        let wanted = "a Polygon or a MultiPolygon";
        let polygons = match self.feature.geometry.as_ref().map(|g| &g.value) {
            Some(GeometryValue::Polygon { coordinates }) => vec![self.polygon(coordinates)?],
            Some(GeometryValue::MultiPolygon { coordinates }) => coordinates
                .iter()
                .map(|polygon| self.polygon(polygon))
                .collect::<Result<_, _>>()?,
            Some(other) => return Err(self.wrong("geometry", other.type_name().to_owned(), wanted)),
            None => return Err(self.wrong("geometry", "missing".to_owned(), wanted)),
        };
        if polygons.is_empty() {
            return Err(self.wrong("geometry", "empty".to_owned(), wanted));
        }
        Ok(AreaClue {
            name: self.area.clone(),
            rule,
            polygons,
        })
    }

    fn polygon(&self, rings: &[Vec<Coordinates>]) -> Result<PolygonDeg, AreaError> {
        let mut rings = rings.iter();
        let outer = rings
            .next()
            .ok_or_else(|| self.wrong("geometry", "a polygon of no rings".to_owned(), "one ring or more"))?;
        Ok(PolygonDeg {
            outer: self.ring(outer)?,
            holes: rings.map(|ring| self.ring(ring)).collect::<Result<_, _>>()?,
        })
    }

    /// A ring without the repeat of its first place at the end.
    fn ring(&self, ring: &[Coordinates]) -> Result<Vec<Position>, AreaError> {
        let mut places = ring
            .iter()
            .map(|c| self.place(c.as_slice()))
            .collect::<Result<Vec<_>, _>>()?;
        let wanted = "a ring of four places or more, the last a repeat of the first";
        if places.len() < 4 {
            return Err(self.wrong("geometry", format!("a ring of {} places", places.len()), wanted));
        }
        if places.first() != places.last() {
            return Err(self.wrong("geometry", "a ring that is not closed".to_owned(), wanted));
        }
        places.pop();
        Ok(places)
    }

    fn place(&self, coordinates: &[f64]) -> Result<Position, AreaError> {
        let wanted = "longitude (-360 to 360) and latitude (-90 to 90)";
        match coordinates {
            [lon_deg, lat_deg, ..] if lat_deg.abs() <= 90.0 && lon_deg.abs() <= 360.0 => Ok(Position {
                lat_deg: *lat_deg,
                lon_deg: wrap_signed_degrees(*lon_deg),
            }),
            found => Err(self.wrong("coordinates", format!("{found:?}"), wanted)),
        }
    }

    fn wrong(&self, field: &'static str, found: String, wanted: &'static str) -> AreaError {
        AreaError::Feature {
            name: self.name.to_owned(),
            feature: self.number,
            area: self.area.clone(),
            field,
            found,
            wanted,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(properties: &str, geometry: &str) -> String {
        format!(
            r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{properties},"geometry":{geometry}}}]}}"#
        )
    }

    fn read(text: &str) -> Result<Vec<AreaClue>, AreaError> {
        read_areas_geojson(text.as_bytes(), "park.geojson")
    }

    // The polygon with a hole of RFC 7946, appendix A.3.
    const HOLED: &str = r#"{"type":"Polygon","coordinates":[[[100.0,0.0],[101.0,0.0],[101.0,1.0],[100.0,1.0],[100.0,0.0]],
        [[100.8,0.8],[100.8,0.2],[100.2,0.2],[100.2,0.8],[100.8,0.8]]]}"#;

    #[test]
    fn the_standards_polygon_with_a_hole_comes_in() {
        let areas = read(&file(
            r#"{"rule":"inside","name":"lagoon","colour":"blue"}"#,
            HOLED,
        ))
        .unwrap();
        assert_eq!(areas.len(), 1);
        assert_eq!(
            (areas[0].name.as_str(), areas[0].rule),
            ("lagoon", AreaRule::Inside)
        );
        let at = |lon_deg, lat_deg| areas[0].contains(Position { lat_deg, lon_deg });
        assert!(at(100.1, 0.5) && !at(100.5, 0.5) && !at(99.9, 0.5));
        assert_eq!(areas[0].polygons[0].outer.len(), 4);
    }

    #[test]
    fn parts_across_180_degrees_come_in_either_way() {
        // As RFC 7946, section 3.1.9 cuts it, and uncut.
        let cut = r#"{"type":"MultiPolygon","coordinates":[[[[180,40],[180,50],[170,50],[170,40],[180,40]]],
            [[[-170,40],[-170,50],[-180,50],[-180,40],[-170,40]]]]}"#;
        let whole = r#"{"type":"Polygon","coordinates":[[[170,40],[190,40],[190,50],[170,50],[170,40]]]}"#;
        for geometry in [cut, whole] {
            let areas = read(&file(r#"{"rule":"outside"}"#, geometry)).unwrap();
            assert_eq!(areas[0].name, "area 1");
            let at = |lon_deg| {
                areas[0].contains(Position {
                    lat_deg: 45.0,
                    lon_deg,
                })
            };
            assert!(at(175.0) && at(-175.0) && !at(165.0) && !at(-165.0) && !at(0.0));
        }
    }

    #[test]
    fn what_is_wrong_is_named() {
        let said =
            |properties: &str, geometry: &str| read(&file(properties, geometry)).unwrap_err().to_string();
        assert_eq!(
            said(r#"{"rule":"in"}"#, HOLED),
            "park.geojson, feature 1 (`area 1`): `rule` is \"in\"; it must be `inside` or `outside`"
        );
        assert_eq!(
            said(r#"{"name":"pond"}"#, HOLED),
            "park.geojson, feature 1 (`pond`): `rule` is missing; it must be `inside` or `outside`"
        );
        assert_eq!(
            said(r#"{"rule":"inside"}"#, r#"{"type":"Point","coordinates":[1,2]}"#),
            "park.geojson, feature 1 (`area 1`): `geometry` is Point; it must be a Polygon or a MultiPolygon"
        );
        assert_eq!(
            said(r#"{"rule":"inside"}"#, "null"),
            "park.geojson, feature 1 (`area 1`): `geometry` is missing; it must be a Polygon or a MultiPolygon"
        );
        assert_eq!(
            said(
                r#"{"rule":"inside"}"#,
                r#"{"type":"Polygon","coordinates":[[[1,2],[3,4],[5,96],[1,2]]]}"#
            ),
            "park.geojson, feature 1 (`area 1`): `coordinates` is [5.0, 96.0]; it must be longitude (-360 to 360) and latitude (-90 to 90)"
        );
        assert_eq!(
            said(
                r#"{"rule":"inside"}"#,
                r#"{"type":"Polygon","coordinates":[[[1,2],[3,4],[5,6],[7,8]]]}"#
            ),
            "park.geojson, feature 1 (`area 1`): `geometry` is a ring that is not closed; it must be a ring of four places or more, the last a repeat of the first"
        );
        assert_eq!(
            said(
                r#"{"rule":"inside"}"#,
                r#"{"type":"Polygon","coordinates":[[[1,2],[3,4],[1,2]]]}"#
            ),
            "park.geojson, feature 1 (`area 1`): `geometry` is a ring of 3 places; it must be a ring of four places or more, the last a repeat of the first"
        );
        assert_eq!(
            read("{").unwrap_err().to_string(),
            "park.geojson: not GeoJSON (RFC 7946)"
        );
        assert_eq!(
            read(HOLED).unwrap_err().to_string(),
            "park.geojson: the file holds a bare geometry; put it into a feature with the property `rule`"
        );
    }
}
