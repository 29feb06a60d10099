//! Writes every format from made-up data into the folder given, with the pictures found there (`map.svg`,
//! `polar.svg`, `spectrogram.svg`).
//!
//! ```text
//! cargo run -p lobewright-export --example report -- FOLDER
//! ```

#[path = "../tests/common/mod.rs"]
#[expect(dead_code, reason = "shared with the tests, which use more of it")]
mod common;

use std::error::Error;
use std::path::Path;

use lobewright_export::{
    GeoOptions, Report, StationPictures, bearings_aprs, bearings_csv, bearings_jsonl, fix_csv, fix_geojson,
    fix_gpx, fix_json, fix_kml, report_html, write_atomically,
};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "gallery".to_owned());
    let folder = Path::new(&folder);
    let picture = |name: &str| std::fs::read_to_string(folder.join(name)).ok();
    let target = common::place(-41.29, 174.78);
    let (fix, bearings) = (common::found(target), common::bearings(target));
    let report = Report {
        title: "Hunt on 144.325 MHz".to_owned(),
        made_utc: Some("2026-02-14T04:00:00Z".parse()?),
        version: format!("lobewright {}", env!("CARGO_PKG_VERSION")),
        fix: Some(fix.clone()),
        map_svg: picture("map.svg"),
        bearings: bearings.clone(),
        stations: vec![StationPictures {
            station: "Hilltop".to_owned(),
            polar_svg: picture("polar.svg"),
            spectrogram_svg: picture("spectrogram.svg"),
            notes: vec!["4 readings were at full scale; add attenuation before the next turn.".to_owned()],
        }],
        settings: vec![
            ("channel_hz".to_owned(), "144325000".to_owned()),
            ("bandwidth_hz".to_owned(), "12500".to_owned()),
            ("pattern".to_owned(), "yagi-3".to_owned()),
        ],
        notes: vec!["The recorder's clock was not checked.".to_owned()],
    };
    let options = GeoOptions::default();
    for (name, text) in [
        ("report.html", report_html(&report)),
        ("fix.geojson", fix_geojson(&fix, &bearings, &options)),
        ("fix.kml", fix_kml(&fix, &bearings, &options)),
        ("fix.gpx", fix_gpx(&fix, &bearings, &options)),
        ("bearings.aprs", bearings_aprs(&fix, &bearings, &options)),
        ("fix.json", fix_json(&fix)),
        ("fix.csv", fix_csv(&fix)),
        ("bearings.jsonl", bearings_jsonl(&bearings)),
        ("bearings.csv", bearings_csv(&bearings)),
    ] {
        write_atomically(&folder.join(name), text.as_bytes())?;
    }
    Ok(())
}
