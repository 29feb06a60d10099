//! Puts a station together: what it says itself, what is common to all, and its antennas.

use std::sync::Arc;

use lobewright_antenna::Manifold;
use lobewright_types::{Azimuth, Position};

use crate::antenna_model::AntennaModel;
use crate::error::{SceneError, Source};
use crate::scene::PatternResolver;
use crate::spec::{FadingScene, StationFile, StationScene};
use crate::spec_antenna::{AntennaScene, ArrayScene, SectorScene};
use crate::spec_receiver::ReceiverScene;
use crate::spec_rotator::RotatorScene;

/// Finds the patterns of a station's antennas.
pub(crate) fn resolve(
    station: &StationScene,
    index: usize,
    resolver: PatternResolver<'_>,
    source: &Source<'_>,
) -> Result<AntennaModel, SceneError> {
    let refuse = |key: &str, name: &str, problem: String| {
        let own = format!("station[{index}].antenna.{key}");
        // The station's own table, or else the common one.
        let field = if source.has(&own) {
            own
        } else {
            format!("antenna.{key}")
        };
        SceneError::Pattern {
            file: source.file.to_owned(),
            line: source.line_of(&field),
            field,
            pattern: name.to_owned(),
            problem,
        }
    };
    let find = |key: &str, name: &str| resolver(name).map_err(|problem| refuse(key, name, problem));
    match &station.antenna.array {
        None => {
            let pattern = find("pattern", &station.antenna.pattern)?;
            Ok(AntennaModel::Turned(Arc::new(pattern)))
        }
        Some(ArrayScene::Sectors { port }) => {
            let sector = |(at, port): (usize, &SectorScene)| {
                let pattern = find(&format!("array.sectors.port[{at}].pattern"), &port.pattern)?;
                Ok((Arc::new(pattern), Azimuth::from_degrees(port.boresight_mount_deg)))
            };
            let sectors = port.iter().enumerate().map(sector).collect::<Result<_, _>>()?;
            Ok(AntennaModel::Sectors(sectors))
        }
        Some(ArrayScene::Elements { pattern }) => {
            let key = "array.elements.pattern";
            let patterns = pattern
                .iter()
                .map(|name| find(key, name))
                .collect::<Result<Vec<_>, _>>()?;
            let manifold = Manifold::from_patterns(&patterns)
                .map_err(|error| refuse(key, &pattern.join(", "), error.to_string()))?;
            Ok(AntennaModel::Elements(Arc::new(manifold)))
        }
        Some(ArrayScene::Ring {
            elements,
            radius_m,
            first_azimuth_mount_deg,
        }) => Ok(AntennaModel::Ring {
            elements: *elements,
            radius_m: *radius_m,
            first_azimuth_mount_deg: *first_azimuth_mount_deg,
        }),
    }
}

/// What stands at the top of the file for every station.
pub(crate) struct Common {
    pub(crate) receiver: Option<ReceiverScene>,
    pub(crate) antenna: Option<AntennaScene>,
    pub(crate) rotator: Option<RotatorScene>,
    pub(crate) fading: Option<FadingScene>,
}

impl Common {
    pub(crate) fn complete(
        &self,
        station: StationFile,
        index: usize,
        source: &Source<'_>,
    ) -> Result<StationScene, SceneError> {
        let missing = |table: &str| {
            source.value(
                &format!("station[{index}].{table}"),
                "missing",
                format!("given here or in a common table `[{table}]`"),
            )
        };
        let bad_place = |error: lobewright_types::PositionError| {
            let key = match error {
                lobewright_types::PositionError::Latitude(_) => "lat_deg",
                lobewright_types::PositionError::Longitude(_) => "lon_deg",
            };
            source.value(
                &format!("station[{index}].{key}"),
                "out of range",
                error.to_string(),
            )
        };
        let antenna = station
            .antenna
            .or_else(|| self.antenna.clone())
            .ok_or_else(|| missing("antenna"))?;
        // An array stands still unless something is said to turn it.
        let standing = antenna.array.as_ref().map(|_| RotatorScene::Fixed {
            azimuth_mount_deg: 0.0,
        });
        Ok(StationScene {
            position: Position::from_lat_lon(station.lat_deg, station.lon_deg).map_err(bad_place)?,
            heading: Azimuth::from_degrees(station.heading_true_deg),
            heading_error_deg: station.heading_error_deg,
            receiver: station
                .receiver
                .or_else(|| self.receiver.clone())
                .ok_or_else(|| missing("receiver"))?,
            antenna,
            rotator: station
                .rotator
                .or(self.rotator)
                .or(standing)
                .ok_or_else(|| missing("rotator"))?,
            fading: station.fading.or(self.fading),
            name: station.name,
            start_s: station.start_s,
            duration_s: station.duration_s,
            excess_loss_db: station.excess_loss_db,
            track_interval_s: station.track_interval_s,
            track_latency_s: station.track_latency_s,
            reflection: station.reflection,
        })
    }
}
