//! GeoJSON points and the `spatial` extension's bearings.

use lobewright_types::{Azimuth, North, Position};
use serde_json::{Value, json};

use crate::OpenError;
use crate::json::Object;

/// Reads a GeoJSON point (RFC 7946, section 3.1.2): longitude, latitude and, left out here, altitude.
pub(crate) fn read_point(parent: &Object<'_>, key: &str) -> Result<Option<Position>, OpenError> {
    const NEEDED: &str = "two or three numbers: longitude (-180 to 180, east positive), latitude (-90 to 90, north \
                          positive), altitude in metres";
    let Some(point) = parent.object(key)? else {
        return Ok(None);
    };
    if point.text("type")? != Some("Point") {
        return Err(point.wrong("type", "\"Point\""));
    }
    let coordinates = point
        .array("coordinates")?
        .ok_or_else(|| point.missing("coordinates", format!("it must be {NEEDED}")))?;
    let numbers: Option<Vec<f64>> = coordinates.iter().map(Value::as_f64).collect();
    let position = match numbers.as_deref() {
        Some([lon_deg, lat_deg] | [lon_deg, lat_deg, _]) => Position::from_lat_lon(*lat_deg, *lon_deg).ok(),
        _ => None,
    };
    position
        .map(Some)
        .ok_or_else(|| point.wrong("coordinates", NEEDED))
}

/// Writes a GeoJSON point.
pub(crate) fn write_point(position: Position) -> Value {
    json!({"type": "Point", "coordinates": [position.lon_deg, position.lat_deg]})
}

/// Reads an angle that stands alone (`..._azimuth`) or in a bearing object (`..._bearing`), with its error.
pub(crate) fn read_bearing<N: North>(
    parent: &Object<'_>,
    azimuth_key: &str,
    bearing_key: &str,
) -> Result<(Option<Azimuth<N>>, Option<f64>), OpenError> {
    let bearing = parent.object(bearing_key)?;
    let mut azimuth_deg = parent.number(azimuth_key, -360.0, 360.0)?;
    let mut sigma_deg = None;
    if let Some(bearing) = bearing {
        azimuth_deg = azimuth_deg.or(bearing.number("azimuth", -360.0, 360.0)?);
        sigma_deg = bearing.number("az_error", 0.0, 360.0)?;
    }
    Ok((azimuth_deg.map(Azimuth::from_degrees), sigma_deg))
}
