//! The advice on the next place as table, CSV, JSON and GeoJSON.

use std::fmt::Write as _;

use lobewright_fix::advice::{Advice, CAUTION};
use serde_json::{Value, json};

use crate::fault::Fault;
use crate::next_place::Next;
use crate::tables::{lay_out, significant};

/// For people.
pub(crate) fn table(next: &Next) -> String {
    if let Some(why) = next.nothing {
        return format!("no advice on the next place: {why}\n");
    }
    let header = [
        "next",
        "latitude",
        "longitude",
        "bits",
        "95 % area, km²",
        "points to",
        "distance",
        "way",
        "why",
    ];
    let rows: Vec<Vec<String>> = next
        .best
        .iter()
        .enumerate()
        .map(|(k, a)| {
            vec![
                if a.place.name.is_empty() {
                    format!("{}", k + 1)
                } else {
                    format!("{} {}", k + 1, a.place.name)
                },
                format!("{:.5}", a.place.position.lat_deg),
                format!("{:.5}", a.place.position.lon_deg),
                format!("{:.1}", a.information_bits),
                significant(a.expected_area95_km2),
                format!("{:.0}° true", a.azimuth.degrees()),
                format!("{} km", significant(a.range_m / 1000.0)),
                a.way_m
                    .map_or_else(|| "-".to_owned(), |m| format!("{} km", significant(m / 1000.0))),
                why(a),
            ]
        })
        .collect();
    let mut text = lay_out(&header, &rows, &[3, 4, 5, 6, 7]);
    for (k, (level, switch)) in next.levels.iter().enumerate() {
        let _ = write!(
            text,
            "at {}: {:.0} ± {:.0} dB expected",
            k + 1,
            level.level_db,
            level.sigma_db
        );
        let _ = switch.as_ref().map(|s| write!(text, ": {s}"));
        text.push('\n');
    }
    let _ = writeln!(
        text,
        "the 95 % region has {} km² now; {} places were compared\n{CAUTION}",
        significant(next.area95_now_km2),
        next.all.len()
    );
    text
}

fn why(advice: &Advice) -> String {
    let words: Vec<String> = advice.reasons.iter().map(ToString::to_string).collect();
    words.join("; ")
}

/// Every place, best first.
pub(crate) fn csv(next: &Next) -> Result<String, Fault> {
    let mut table = csv::Writer::from_writer(Vec::new());
    table
        .write_record([
            "rank",
            "place",
            "lat_deg",
            "lon_deg",
            "information_bit",
            "expected_area95_km2",
            "expected_sigma_deg",
            "heard_probability",
            "azimuth_true_deg",
            "range_m",
            "way_m",
            "bit_per_km",
            "bit_per_hour",
            "why",
        ])
        .map_err(Fault::failure)?;
    let or_empty = |v: Option<f64>, digits: usize| v.map_or_else(String::new, |v| format!("{v:.digits$}"));
    for (k, a) in next.all.iter().enumerate() {
        table
            .write_record([
                (k + 1).to_string(),
                a.place.name.clone(),
                format!("{:.6}", a.place.position.lat_deg),
                format!("{:.6}", a.place.position.lon_deg),
                format!("{:.3}", a.information_bits),
                format!("{:.6}", a.expected_area95_km2),
                format!("{:.2}", a.expected_sigma_deg),
                format!("{:.3}", a.heard_probability),
                format!("{:.1}", a.azimuth.degrees()),
                format!("{:.0}", a.range_m),
                or_empty(a.way_m, 0),
                or_empty(a.bits_per_km, 3),
                or_empty(a.bits_per_hour, 3),
                why(a),
            ])
            .map_err(Fault::failure)?;
    }
    let bytes = table.into_inner().map_err(|e| Fault::failure(e.into_error()))?;
    String::from_utf8(bytes).map_err(Fault::failure)
}

fn properties(next: &Next, k: usize, a: &Advice) -> Value {
    let mut properties = json!({
        "rank": k + 1,
        "place": a.place.name,
        "information_bit": a.information_bits,
        "expected_area95_km2": a.expected_area95_km2,
        "expected_sigma_deg": a.expected_sigma_deg,
        "heard_probability": a.heard_probability,
        "azimuth_true_deg": a.azimuth.degrees(),
        "range_m": a.range_m,
        "way_m": a.way_m,
        "bit_per_km": a.bits_per_km,
        "bit_per_hour": a.bits_per_hour,
        "reasons": a.reasons,
        "why": why(a),
    });
    if let Some((level, switch)) = next.levels.get(k) {
        properties["expected_level"] = json!(level);
        properties["attenuation"] = json!(switch);
    }
    properties
}

/// One object on a line of its own.
pub(crate) fn json(next: &Next) -> String {
    let places: Vec<Value> = next
        .best
        .iter()
        .enumerate()
        .map(|(k, a)| {
            let mut place = properties(next, k, a);
            place["position"] = json!(a.place.position);
            place
        })
        .collect();
    let record = json!({
        "next_places": places,
        "compared": next.all.len(),
        "area95_now_km2": next.area95_now_km2,
        "no_advice_because": next.nothing,
        "caution": CAUTION,
    });
    format!("{record}\n")
}

/// Adds the best places as features of `kind` `next_place` to a collection, and the caution beside the features.
pub(crate) fn into_geojson(next: &Next, text: &str) -> String {
    let Ok(mut collection) = serde_json::from_str::<Value>(text) else {
        return text.to_owned();
    };
    if let Some(features) = collection["features"].as_array_mut() {
        for (k, a) in next.best.iter().enumerate() {
            let mut properties = properties(next, k, a);
            properties["kind"] = json!("next_place");
            properties["name"] = json!(format!("next bearing {}", k + 1));
            let p = a.place.position;
            features.push(json!({
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": [p.lon_deg, p.lat_deg]},
                "properties": properties,
            }));
        }
    }
    collection["caution"] = json!(CAUTION);
    format!("{collection}\n")
}
