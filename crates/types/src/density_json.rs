//! Densities in files: lists of knots, or compact text.

use std::fmt;

use serde::de::{Error, MapAccess, Visitor, value::MapAccessDeserializer};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::CircleDensity;

#[derive(Serialize)]
struct KnotsOut<'a> {
    azimuth_true_deg: &'a [f64],
    ln_density_per_deg: &'a [f64],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct KnotsIn {
    azimuth_true_deg: Vec<f64>,
    ln_density_per_deg: Vec<f64>,
}

/// Writes the compact text instead of the knots.
pub(crate) fn compact<S: Serializer>(density: &CircleDensity, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&density.to_compact())
}

impl Serialize for CircleDensity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let knots = KnotsOut {
            azimuth_true_deg: self.azimuths_deg(),
            ln_density_per_deg: self.ln_per_deg(),
        };
        knots.serialize(serializer)
    }
}

struct Either;

impl<'de> Visitor<'de> for Either {
    type Value = CircleDensity;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(
            "a compact density (text that begins with `cd1.`) or an object of `azimuth_true_deg` and `ln_density_per_deg`",
        )
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<CircleDensity, E> {
        CircleDensity::from_compact(text).map_err(|e| E::custom(format_args!("density: {e}")))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<CircleDensity, A::Error> {
        let knots = KnotsIn::deserialize(MapAccessDeserializer::new(map))?;
        CircleDensity::from_knots(knots.azimuth_true_deg, knots.ln_density_per_deg)
            .map_err(|e| A::Error::custom(format_args!("density: {e}")))
    }
}

impl<'de> Deserialize<'de> for CircleDensity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Either)
    }
}
