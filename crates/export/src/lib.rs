//! Results as JSON Lines, CSV, GeoJSON, KML, GPX, APRS reports, words and a one-page HTML report.
//!
//! Every function but [`write_atomically`] and [`HuntWriter`] is pure: values in, the text of a file out, the same bytes for the same
//! values. What each field means and which unit it has stands in `docs/schema.md`.
//!
//! Angles are degrees clockwise from true north unless the name says otherwise, positions WGS 84 (longitude first in
//! GeoJSON and KML, as those standards ask), times UTC in RFC 3339, levels dBFS.

mod aprs;
mod areas_file;
mod atomic;
mod error;
mod geo;
mod geojson_file;
mod geojson_read;
mod gpx_file;
mod hunt;
mod json;
mod kml_file;
mod report;
mod table;
mod table_read;
mod words;

pub use aprs::{AprsError, AprsWarning, bearings_aprs, read_aprs_bearings};
pub use areas_file::{AreaError, read_areas_geojson};
pub use atomic::write_atomically;
pub use error::{ReadError, WriteError};
pub use geo::GeoOptions;
pub use geojson_file::fix_geojson;
pub use geojson_read::{MapReadError, read_geojson_areas, read_geojson_lines};
pub use gpx_file::{fix_gpx, fixes_gpx};
pub use hunt::{
    AsideLine, AsideReason, CompassReading, HUNT_FORMAT, HUNT_VERSION, HuntEntry, HuntFact, HuntLog,
    HuntLogError, HuntWriter, MeterReading, NorthUsed, hunt_line, is_hunt_log, read_hunt_log,
};
pub use json::{bearings_jsonl, bursts_jsonl, fix_json, read_bearings_jsonl, readings_jsonl};
pub use kml_file::fix_kml;
pub use report::{Report, StationPictures, report_html};
pub use table::{bearings_csv, bursts_csv, fix_csv, readings_csv};
pub use table_read::{is_bearings_csv, read_bearings_csv};
pub use words::{
    azimuth_with_doubt, bearing_table, human_arcs, human_bearing_line, human_distance, human_fix,
    human_fix_in, human_fix_place, human_other_modes, human_position,
};
