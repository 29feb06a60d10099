//! Every parser of what comes from outside, run on bytes of any kind.
//!
//! A parser may refuse. It must not panic, and what it accepts must hold no number that is not finite.

use lobewright_antenna::{AzimuthTrack, Manifold, NorthWord, Pattern, SwitchSchedule};
use lobewright_export::{
    HuntFact, hunt_line, read_aprs_bearings, read_areas_geojson, read_bearings_jsonl, read_geojson_areas,
    read_geojson_lines, read_hunt_log,
};
use lobewright_fix::advice::read_places;
use lobewright_fix::read_hand_table;
use lobewright_geodesy::{CoordinateForm, format_position, parse_position};
use lobewright_sim::Scene;
use lobewright_source::parse_meta;
use lobewright_station::PipelineConfig;
use lobewright_types::{Bearing, BearingOutcome, CircleDensity, CompactError, Position};

/// A SigMF metadata file.
pub fn sigmf_meta(data: &[u8]) {
    match parse_meta(data, "fuzz.sigmf-meta") {
        Ok(meta) => {
            if let Some(rate_hz) = meta.rate_hz {
                assert!(
                    rate_hz.is_finite() && rate_hz > 0.0,
                    "sample rate {rate_hz} was accepted"
                );
            }
        }
        Err(error) => says_something(&error),
    }
}

/// An antenna pattern, `azimuth_deg,gain_dbi[,phase_deg]`.
pub fn pattern_csv(data: &[u8]) {
    match Pattern::from_csv(data, "fuzz") {
        Ok(pattern) => {
            for step in 0..64 {
                let azimuth_deg = f64::from(step) * 11.7 - 370.0;
                let gain_dbi = pattern.gain_dbi(azimuth_deg);
                assert!(
                    gain_dbi.is_finite(),
                    "gain {gain_dbi} dBi at {azimuth_deg} degrees"
                );
            }
        }
        Err(error) => says_something(&error),
    }
}

/// An azimuth track, `time_s,azimuth…_deg`, with and without a north given beside it.
pub fn track_csv(data: &[u8]) {
    for north in [None, Some(NorthWord::Mount)] {
        match AzimuthTrack::from_csv(data, north) {
            Ok(track) => {
                for step in 0..64 {
                    let time_s = f64::from(step * step) / 7.0 - 1.0;
                    if let Some(sample) = track.at(time_s) {
                        assert!(
                            (0.0..360.0).contains(&sample.azimuth_deg),
                            "azimuth {} at {time_s} s",
                            sample.azimuth_deg
                        );
                    }
                }
            }
            Err(error) => says_something(&error),
        }
    }
}

/// The response of an array, `azimuth_deg,port,gain_dbi,phase_deg`: what was read is written out and read again.
pub fn manifold_csv(data: &[u8]) {
    match Manifold::from_csv(data, "fuzz") {
        Ok(manifold) => {
            let mut response = vec![num_complex::Complex::default(); manifold.ports()];
            for step in 0..64 {
                let azimuth_deg = f64::from(step) * 11.7 - 370.0;
                manifold.response(azimuth_deg, &mut response);
                assert!(
                    response.iter().all(|r| r.is_finite()),
                    "response {response:?} at {azimuth_deg} degrees"
                );
            }
            let again = Manifold::from_csv(manifold.to_csv().as_bytes(), "again");
            assert_eq!(
                again.expect("what we write we can read").ports(),
                manifold.ports()
            );
        }
        Err(error) => says_something(&error),
    }
}

/// A schedule of a switch, `time_s,port`.
pub fn schedule_csv(data: &[u8]) {
    match SwitchSchedule::from_csv(data, 1e-4) {
        Ok(schedule) => {
            for step in 0..64 {
                let time_s = f64::from(step * step) / 7.0 - 1.0;
                if let Some(port) = schedule.port_at(time_s) {
                    assert!(
                        usize::from(port) < schedule.ports(),
                        "port {port} of {} at {time_s} s",
                        schedule.ports()
                    );
                }
            }
        }
        Err(error) => says_something(&error),
    }
}

/// A pipeline file: what was read is written out and read again, the same.
pub fn pipeline_toml(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match PipelineConfig::from_toml(text, "fuzz.toml") {
        Ok(config) => {
            let again = PipelineConfig::from_toml(&config.to_toml(), "again.toml")
                .expect("what we write we can read");
            assert_eq!(config, again);
        }
        Err(error) => says_something(&error),
    }
}

/// A scene: what was accepted has finite truth at every station.
pub fn scene_toml(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match Scene::from_toml(text, "fuzz.toml") {
        Ok(scene) => {
            for station in scene.stations() {
                assert!(
                    station.position.lat_deg.is_finite() && station.position.lon_deg.is_finite(),
                    "station at {:?} was accepted",
                    station.position
                );
            }
        }
        Err(error) => says_something(&error),
    }
}

/// A table of places, `place,lat_deg,lon_deg`.
pub fn places_csv(data: &[u8]) {
    match read_places(data, "fuzz.csv") {
        Ok(places) => {
            for place in places {
                assert!(!place.name.is_empty(), "a place without a name");
                on_earth(place.position);
            }
        }
        Err(error) => says_something(&error),
    }
}

/// Lines and areas in GeoJSON.
pub fn map_geojson(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match read_geojson_lines(text, "fuzz.geojson") {
        Ok(lines) => lines.into_iter().flatten().for_each(on_earth),
        Err(error) => says_something(&error),
    }
    match read_geojson_areas(text, "fuzz.geojson") {
        Ok(areas) => {
            for area in areas {
                assert!(area.outer.len() >= 3, "an area of {} corners", area.outer.len());
                area.outer
                    .into_iter()
                    .chain(area.holes.into_iter().flatten())
                    .for_each(on_earth);
            }
        }
        Err(error) => says_something(&error),
    }
}

fn on_earth(place: Position) {
    assert!(
        place.lat_deg.abs() <= 90.0 && place.lon_deg.abs() <= 180.0,
        "{place:?} was accepted"
    );
}

/// Bearings that a person took: what was accepted is a direction with an error, at a place on Earth.
pub fn hand_bearings_csv(data: &[u8]) {
    match read_hand_table(data, "fuzz.csv") {
        Ok(table) => {
            table.bearings.iter().for_each(is_sound);
            for level in &table.levels {
                assert!(level.level_db.is_finite(), "level {} dB", level.level_db);
                assert!(
                    level.sigma_db.is_finite() && level.sigma_db >= 0.0,
                    "{} dB",
                    level.sigma_db
                );
            }
            for silence in &table.silences {
                assert!(silence.limit_db.is_finite(), "limit {} dB", silence.limit_db);
            }
            for warning in table.warnings {
                assert!(!warning.to_string().is_empty(), "a warning without words");
            }
        }
        Err(error) => says_something(&error),
    }
}

/// Areas that the transmitter must, or cannot, be in.
pub fn areas_geojson(data: &[u8]) {
    match read_areas_geojson(data, "fuzz.geojson") {
        Ok(areas) => {
            for area in &areas {
                assert!(!area.polygons.is_empty(), "an area of nothing");
                for ring in area
                    .polygons
                    .iter()
                    .flat_map(|p| std::iter::once(&p.outer).chain(&p.holes))
                {
                    assert!(ring.len() >= 3, "a ring of {} places", ring.len());
                    for place in ring {
                        assert!(
                            Position::from_lat_lon(place.lat_deg, place.lon_deg).is_ok(),
                            "position {place:?}"
                        );
                        let _ = area.contains(*place);
                    }
                }
            }
        }
        Err(error) => says_something(&error),
    }
}

/// Coordinates: what was accepted is a place on Earth, and is read again from every form in which it is written.
pub fn coordinates(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match parse_position(text) {
        Ok(read) => {
            let place = read.position;
            assert!(
                Position::from_lat_lon(place.lat_deg, place.lon_deg).is_ok() && read.sigma_m().is_finite(),
                "{read:?} was accepted"
            );
            for form in CoordinateForm::ALL {
                let written = format_position(place, form, 1.0);
                let again = parse_position(&written).expect("what we write we can read");
                assert_eq!(again.form, form, "{written}");
            }
        }
        Err(error) => says_something(&error),
    }
}

/// Bearings in APRS reports.
pub fn aprs_reports(data: &[u8]) {
    match read_aprs_bearings(data, "fuzz.aprs") {
        Ok((bearings, warnings)) => {
            bearings.iter().for_each(is_sound);
            for warning in warnings {
                assert!(!warning.to_string().is_empty(), "a warning without words");
            }
        }
        Err(error) => says_something(&error),
    }
}

/// Bearings that another station sent, one JSON object a line.
pub fn bearings_jsonl(data: &[u8]) {
    match read_bearings_jsonl(data, "fuzz.jsonl") {
        Ok(outcomes) => {
            for outcome in &outcomes {
                if let BearingOutcome::Bearing(bearing) = outcome {
                    is_sound(bearing);
                }
            }
        }
        Err(error) => says_something(&error),
    }
}

/// The log of a hunt: what was accepted is sound, and written out and read again it is the same.
pub fn hunt_log(data: &[u8]) {
    match read_hunt_log(data, "fuzz.jsonl") {
        Ok(log) => {
            for entry in &log.entries {
                if let HuntFact::Bearing { bearing, .. } = &entry.fact {
                    is_sound(bearing);
                }
            }
            for count in 0..=log.entries.len() {
                assert!(
                    log.standing_after(count).len() <= count,
                    "more stands than was written"
                );
            }
            let again: String = log.entries.iter().map(hunt_line).collect();
            if !log.entries.is_empty() {
                let log = read_hunt_log(again.as_bytes(), "again.jsonl").expect("what we write we can read");
                assert_eq!(log.entries.iter().map(hunt_line).collect::<String>(), again);
            }
        }
        Err(error) => says_something(&error),
    }
}

/// A density as compact text, as its bytes, and as its bytes with the checksum they need: what was accepted is a
/// density, and written again it is the same.
pub fn compact_density(data: &[u8]) {
    if let Ok(text) = std::str::from_utf8(data) {
        let text = text.trim_end();
        compact_is_sound(CircleDensity::from_compact(text), |d| {
            assert_eq!(d.to_compact(), text);
        });
    }
    compact_is_sound(CircleDensity::from_compact_bytes(data), |d| {
        assert_eq!(d.to_compact_bytes(), data);
    });
    // Damage that the checksum finds tells nothing about the numbers: let them through.
    if let Err(CompactError::Checksum { computed, .. }) = CircleDensity::from_compact_bytes(data) {
        let mut sealed = data.to_vec();
        let body = sealed.len() - 4;
        sealed[body..].copy_from_slice(&computed.to_be_bytes());
        compact_is_sound(CircleDensity::from_compact_bytes(&sealed), |d| {
            assert_eq!(d.to_compact_bytes(), sealed);
        });
    }
}

fn compact_is_sound(read: Result<CircleDensity, CompactError>, same: impl Fn(&CircleDensity)) {
    match read {
        Ok(density) => {
            assert!(density.ln_per_deg().iter().all(|v| v.is_finite()));
            assert!(density.modes(0.05).iter().all(|m| m.sigma_deg.is_finite()));
            same(&density);
        }
        Err(error) => says_something(&error),
    }
}

fn is_sound(bearing: &Bearing) {
    let azimuth_deg = bearing.azimuth.degrees();
    assert!((0.0..360.0).contains(&azimuth_deg), "azimuth {azimuth_deg}");
    assert!(
        bearing.sigma_deg.is_finite() && bearing.sigma_deg >= 0.0,
        "sigma {} degrees",
        bearing.sigma_deg
    );
    let position = bearing.position;
    assert!(
        Position::from_lat_lon(position.lat_deg, position.lon_deg).is_ok(),
        "position {position:?}"
    );
    let density = bearing.density.density_per_deg(bearing.azimuth);
    assert!(
        density.is_finite() && density >= 0.0,
        "density {density} a degree"
    );
}

/// An error must have words of its own.
fn says_something(error: &dyn std::error::Error) {
    let text = error.to_string();
    assert!(!text.trim().is_empty(), "an error without words: {error:?}");
}
