//! Positions of one or several transmitters as text and pictures.

use lobewright_export::GeoOptions;
use lobewright_geodesy::CoordinateForm;
use lobewright_plot::{CaptionedMap, Size};
use lobewright_types::FixOutcome;
use serde_json::{Value, json};

use super::groups::Group;
use crate::args::FixFormat;
use crate::fault::Fault;
use crate::next_place::Next;
use crate::{next_place_out, pictures, tables};

/// One transmitter and where it is.
pub(crate) struct Solved {
    pub(crate) group: Group,
    pub(crate) outcome: FixOutcome,
    /// Where to take the next bearing, where that was asked for.
    pub(crate) next: Option<Next>,
}

/// Everything in one text; a single transmitter without a label looks as if there were no labels at all.
pub(crate) fn text(
    format: FixFormat,
    coordinates: Option<CoordinateForm>,
    all: &[Solved],
) -> Result<String, Fault> {
    let single = match all {
        [one] if one.group.transmitter.is_none() => Some(one),
        _ => None,
    };
    if let Some(one) = single {
        return Ok(text_of_one(format, coordinates, one));
    }
    Ok(match format {
        FixFormat::Table => all
            .iter()
            .map(|s| format!("{}\n\n{}", s.group.title(), text_of_one(format, coordinates, s)))
            .collect::<Vec<_>>()
            .join("\n"),
        FixFormat::Json => all.iter().map(labelled_json).collect::<Result<_, _>>()?,
        FixFormat::Csv => labelled_csv(all)?,
        FixFormat::Geojson => merged_geojson(all)?,
        FixFormat::Kml => merged_kml(all, coordinates),
        FixFormat::Gpx => merged_gpx(all, coordinates),
        FixFormat::Aprs => all.iter().map(|s| text_of_one(format, coordinates, s)).collect(),
    })
}

fn text_of_one(format: FixFormat, coordinates: Option<CoordinateForm>, one: &Solved) -> String {
    let outcomes = one.group.known.outcomes();
    let options = GeoOptions {
        coordinates,
        ..GeoOptions::default()
    };
    let text = match format {
        FixFormat::Table => format!(
            "{}\n{}",
            tables::bearings(&outcomes, &[], Some(&one.outcome)),
            tables::fix_in(&one.outcome, coordinates.unwrap_or(CoordinateForm::Decimal))
        ),
        FixFormat::Json => lobewright_export::fix_json(&one.outcome),
        FixFormat::Csv => lobewright_export::fix_csv(&one.outcome),
        FixFormat::Geojson => lobewright_export::fix_geojson(&one.outcome, &outcomes, &options),
        FixFormat::Kml => lobewright_export::fix_kml(&one.outcome, &outcomes, &options),
        FixFormat::Gpx => lobewright_export::fix_gpx(&one.outcome, &outcomes, &options),
        FixFormat::Aprs => lobewright_export::bearings_aprs(&one.outcome, &outcomes, &options),
    };
    match &one.next {
        Some(next) => next.add_to(text, format),
        None => text,
    }
}

fn label(one: &Solved) -> Value {
    json!(one.group.transmitter)
}

fn parsed(text: &str) -> Result<Value, Fault> {
    serde_json::from_str(text).map_err(Fault::failure)
}

fn labelled_json(one: &Solved) -> Result<String, Fault> {
    let mut object = parsed(&lobewright_export::fix_json(&one.outcome))?;
    object["transmitter"] = label(one);
    let Some(next) = &one.next else {
        return Ok(format!("{object}\n"));
    };
    let mut places = parsed(&next_place_out::json(next))?;
    places["transmitter"] = label(one);
    Ok(format!("{object}\n{places}\n"))
}

fn labelled_csv(all: &[Solved]) -> Result<String, Fault> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for (i, one) in all.iter().enumerate() {
        let text = lobewright_export::fix_csv(&one.outcome);
        let mut rows = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(text.as_bytes());
        for (row, record) in rows.records().enumerate() {
            if row == 0 && i > 0 {
                continue;
            }
            let first = if row == 0 {
                "transmitter"
            } else {
                one.group.transmitter.as_deref().unwrap_or_default()
            };
            let record = record.map_err(Fault::failure)?;
            writer
                .write_record(std::iter::once(first).chain(record.iter()))
                .map_err(Fault::failure)?;
        }
    }
    let bytes = writer.into_inner().map_err(|e| Fault::failure(e.into_error()))?;
    String::from_utf8(bytes).map_err(Fault::failure)
}

/// One collection; every feature says which transmitter it is of.
fn merged_geojson(all: &[Solved]) -> Result<String, Fault> {
    let (mut features, mut sentences) = (Vec::new(), Vec::new());
    for one in all {
        let collection = parsed(&text_of_one(FixFormat::Geojson, None, one))?;
        for mut feature in collection["features"].as_array().cloned().unwrap_or_default() {
            feature["properties"]["transmitter"] = label(one);
            features.push(feature);
        }
        for sentence in collection["statements"].as_array().into_iter().flatten() {
            let words = sentence.as_str().unwrap_or_default();
            sentences.push(json!(format!("{}: {words}", one.group.title())));
        }
    }
    let merged = json!({
        "type": "FeatureCollection",
        "title": format!("Positions of {} transmitters", all.len()),
        "statements": sentences,
        "features": features,
    });
    Ok(format!("{merged}\n"))
}

/// One document with a folder for each transmitter. The styles stand in every folder, with one meaning.
fn merged_kml(all: &[Solved], coordinates: Option<CoordinateForm>) -> String {
    let mut out = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n<Document>\n<name>Transmitter positions</name>\n<open>1</open>\n",
    );
    for (i, one) in all.iter().enumerate() {
        let options = GeoOptions {
            title: one.group.title(),
            coordinates,
            ..GeoOptions::default()
        };
        let text = lobewright_export::fix_kml(&one.outcome, &one.group.known.outcomes(), &options);
        let inside = text
            .split_once("<Document>")
            .and_then(|(_, rest)| rest.rsplit_once("</Document>"))
            .map_or("", |(inside, _)| inside);
        // An identity may stand in a document once only.
        let inside = inside
            .replace("<Style id=\"", &format!("<Style id=\"t{}-", i + 1))
            .replace("<styleUrl>#", &format!("<styleUrl>#t{}-", i + 1));
        out += "<Folder>";
        out += &inside;
        out += "</Folder>\n";
    }
    out + "</Document>\n</kml>\n"
}

/// One file whose names begin with the transmitter they are of.
fn merged_gpx(all: &[Solved], coordinates: Option<CoordinateForm>) -> String {
    let outcomes: Vec<_> = all.iter().map(|s| s.group.known.outcomes()).collect();
    let labelled: Vec<_> = all
        .iter()
        .zip(&outcomes)
        .map(|(s, outcomes)| {
            let label = s.group.transmitter.as_deref().unwrap_or("no label");
            (label, &s.outcome, outcomes.as_slice())
        })
        .collect();
    let options = GeoOptions {
        title: format!("Positions of {} transmitters", all.len()),
        coordinates,
        ..GeoOptions::default()
    };
    lobewright_export::fixes_gpx(&labelled, &options)
}

/// The map: one for a single transmitter, else one for each, side by side.
pub(crate) fn picture(all: &[Solved]) -> Result<String, Fault> {
    const SHEET: Size = Size {
        width_px: 1400,
        height_px: 1000,
    };
    if let [one] = all {
        let title = match one.group.transmitter {
            Some(_) => format!("Bearings and position, {}", one.group.title()),
            None => "Bearings and position".to_owned(),
        };
        let next = one.next.as_ref().map_or_else(Vec::new, Next::on_map);
        return pictures::map_with_next(&title, &one.group.known.outcomes(), Some(&one.outcome), &next);
    }
    let outcomes: Vec<_> = all.iter().map(|s| s.group.known.outcomes()).collect();
    let list: Vec<CaptionedMap<'_>> = all
        .iter()
        .zip(&outcomes)
        .map(|(s, outcomes)| CaptionedMap {
            caption: caption(s),
            map: pictures::map_picture("", outcomes, Some(&s.outcome), None),
        })
        .collect();
    lobewright_plot::maps(SHEET, &format!("Positions of {} transmitters", all.len()), &list)
        .map_err(Fault::failure)
}

fn caption(one: &Solved) -> String {
    let area = match &one.outcome {
        FixOutcome::Fix(fix) => format!("95 % within {} km²", tables::significant(fix.region95.area_km2)),
        FixOutcome::NoFix { .. } => "no position".to_owned(),
    };
    format!("{}: {area}", one.group.title())
}
