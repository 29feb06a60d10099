//! Where a place is, when its recording began and where its antenna looked.

use std::path::{Path, PathBuf};

use lobewright_antenna::{AzimuthTrack, TrackNorth};
use lobewright_source::{OpenOptions, Recording, RecordingInfo};
use lobewright_types::{Azimuth, Magnetic, Position, SampleIndex, Timestamp, True};

use crate::{AntennaKind, NorthName, PlaceSection, PlaceSettings, RunError};

/// Position error where nobody said one: a consumer GNSS receiver. (Common practice, no source.)
const DEFAULT_POSITION_SIGMA_M: f64 = 10.0;

/// Changes of a recording's own azimuth up to this are rounding.
const STANDS_STILL_DEG: f64 = 0.1;

/// Place, direction and time of a recording, from its own metadata and the pipeline's section.
pub(crate) struct Site {
    pub(crate) position: Option<Position>,
    pub(crate) position_sigma_m: f64,
    /// Azimuths from the mounting's zero mark.
    pub(crate) track: Option<AzimuthTrack>,
    pub(crate) heading: Azimuth<True>,
    pub(crate) heading_sigma_deg: f64,
}

/// Opens the recording of a place; relative paths start from `base`.
///
/// # Errors
/// [`RunError::Open`].
pub fn open_recording(base: &Path, section: &PlaceSection) -> Result<Recording, RunError> {
    let options = OpenOptions {
        format: section.format,
        rate_hz: section.rate_hz,
        center_hz: section.recording_center_hz,
        channels: section.channels,
        start_utc: section.start_utc,
        ..OpenOptions::default()
    };
    let path = resolve(base, &section.recording);
    lobewright_source::open(&path, &options).map_err(|source| RunError::Open {
        place: section.name.clone(),
        source,
    })
}

fn resolve(base: &Path, path: &Path) -> PathBuf {
    // A dash stands for standard input and is no file of the pipeline's folder.
    if path.as_os_str() == "-" {
        path.to_owned()
    } else {
        base.join(path)
    }
}

impl Site {
    pub(crate) fn find(
        settings: &PlaceSettings<'_>,
        section: &PlaceSection,
        info: &RecordingInfo,
    ) -> Result<Self, RunError> {
        let missing = |what, remedy| RunError::Missing {
            place: section.name.clone(),
            what,
            remedy,
        };
        let position = match (section.lat_deg, section.lon_deg) {
            (Some(lat), Some(lon)) => Some(
                Position::from_lat_lon(lat, lon)
                    .map_err(|_| missing("a valid position", "give lat_deg and lon_deg"))?,
            ),
            _ => info.position(),
        };
        let time = info.utc_at(SampleIndex(0));
        let mut site = Self {
            position,
            position_sigma_m: section.position_sigma_m.unwrap_or(DEFAULT_POSITION_SIGMA_M),
            track: None,
            heading: Azimuth::from_degrees(0.0),
            heading_sigma_deg: 0.0,
        };
        let Some(antenna) = &settings.config.antenna else {
            return Ok(site);
        };
        if position.is_none() {
            return Err(missing(
                "the station's position",
                "give lat_deg and lon_deg, or a recording with core:geolocation",
            ));
        }
        site.heading_sigma_deg = section.heading_sigma_deg.unwrap_or(antenna.heading_sigma_deg);
        let magnetic = Declination {
            position,
            time,
            section,
        };
        if let Some(deg) = section.heading_true_deg {
            site.heading = Azimuth::from_degrees(deg);
        } else if let Some(deg) = section.heading_magnetic_deg {
            let (declination_deg, sigma_deg) = magnetic.get()?;
            site.heading = Azimuth::<Magnetic>::from_degrees(deg).to_true(declination_deg);
            site.heading_sigma_deg = site.heading_sigma_deg.hypot(sigma_deg);
        }
        if antenna.kind != AntennaKind::Rotated {
            site.fixed_heading(section, info)?;
            return Ok(site);
        }
        let track = read_track(settings, section, info)?;
        if track.is_none() {
            return Err(missing(
                "where the antenna pointed",
                "give an azimuth track, or a recording with spatial:aperture_azimuth in its captures",
            ));
        }
        if let Some(track) = track {
            if track.north() == TrackNorth::Mount
                && section.heading_true_deg.is_none()
                && section.heading_magnetic_deg.is_none()
            {
                return Err(missing(
                    "where the mounting's zero mark points",
                    "give heading_true_deg or heading_magnetic_deg, or a track counted from true or magnetic north",
                ));
            }
            let declination_deg = if track.north() == TrackNorth::Magnetic {
                let (deg, sigma_deg) = magnetic.get()?;
                site.heading_sigma_deg = site.heading_sigma_deg.hypot(sigma_deg);
                deg
            } else {
                0.0
            };
            site.track = Some(track.to_mount(site.heading, declination_deg));
        }
        Ok(site)
    }

    /// An array stands still: its heading is given, or the recording says it once.
    fn fixed_heading(&mut self, section: &PlaceSection, info: &RecordingInfo) -> Result<(), RunError> {
        if section.heading_true_deg.is_some() || section.heading_magnetic_deg.is_some() {
            return Ok(());
        }
        let remedy = "give heading_true_deg or heading_magnetic_deg";
        let missing = |what| RunError::Missing {
            place: section.name.clone(),
            what,
            remedy,
        };
        let first = info
            .azimuth_track
            .first()
            .ok_or_else(|| missing("where the mounting's zero mark points"))?;
        let turned = info
            .azimuth_track
            .iter()
            .any(|p| first.azimuth.turn_to(p.azimuth).abs() > STANDS_STILL_DEG);
        if turned {
            return Err(missing(
                "one direction of the mounting's zero mark: the recording's own changes with time, which only the kind rotated works with; it",
            ));
        }
        self.heading = first.azimuth;
        Ok(())
    }
}

struct Declination<'a> {
    position: Option<Position>,
    time: Option<Timestamp>,
    section: &'a PlaceSection,
}

impl Declination<'_> {
    /// Declination and its standard deviation at the place and time of the recording.
    fn get(&self) -> Result<(f64, f64), RunError> {
        let missing = |what, remedy| RunError::Missing {
            place: self.section.name.clone(),
            what,
            remedy,
        };
        let position = self
            .position
            .ok_or_else(|| missing("the position", "give lat_deg and lon_deg"))?;
        let time = self.time.ok_or_else(|| {
            missing(
                "the date, which the magnetic declination depends on,",
                "give start_utc",
            )
        })?;
        let declination =
            lobewright_geodesy::declination(position, 0.0, time).map_err(|e| RunError::Companion {
                place: self.section.name.clone(),
                what: "the magnetic model for",
                path: self.section.recording.clone(),
                source: Box::new(e),
            })?;
        Ok((declination.deg, declination.sigma_deg))
    }
}

fn read_track(
    settings: &PlaceSettings<'_>,
    section: &PlaceSection,
    info: &RecordingInfo,
) -> Result<Option<AzimuthTrack>, RunError> {
    let wrap = |path: &Path, source: Box<dyn std::error::Error + Send + Sync>| RunError::Companion {
        place: section.name.clone(),
        what: "azimuth track",
        path: path.to_owned(),
        source,
    };
    if let Some(path) = &section.track {
        let path = resolve(settings.base, path);
        let file = std::fs::File::open(&path).map_err(|e| wrap(&path, Box::new(e)))?;
        let north = section.track_north.map(|n| match n {
            NorthName::True => TrackNorth::True,
            NorthName::Magnetic => TrackNorth::Magnetic,
            NorthName::Mount => TrackNorth::Mount,
        });
        let track = AzimuthTrack::from_csv(std::io::BufReader::new(file), north)
            .map_err(|e| wrap(&path, Box::new(e)))?;
        return Ok(Some(track));
    }
    if info.azimuth_track.is_empty() {
        return Ok(None);
    }
    let points = info
        .azimuth_track
        .iter()
        .map(|p| (p.time_s, p.azimuth.degrees()))
        .collect();
    let track = AzimuthTrack::from_points(points, TrackNorth::True)
        .map_err(|e| wrap(&section.recording, Box::new(e)))?;
    Ok(Some(track))
}
