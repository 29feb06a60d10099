//! Gain and phase of coherent channels from recordings of a transmitter whose direction is known.

use std::sync::Arc;

use lobewright_antenna::Manifold;
use lobewright_bearing::coherent::{ChannelCalibration, ChannelCovariance, ChannelNoise, KnownDirection};
use lobewright_types::{Azimuth, Position, True, wrap_degrees};

use crate::antenna::AntennaModel;
use crate::evidence::{Evidence, together};
use crate::listen::listen;
use crate::run::place_progress;
use crate::site::{Site, open_recording};
use crate::{
    AntennaKind, PipelineConfig, PlaceSettings, Progress, RunError, RunOptions, SpectrogramOf, in_parallel,
};

/// Where the transmitter is that channels are calibrated with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum KnownTransmitter {
    /// Seen in this direction from every place.
    Azimuth(Azimuth<True>),
    /// At this position.
    Position(Position),
}

/// What a calibration rests on at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibratedPlace {
    /// Its name.
    pub name: String,
    /// Direction of the transmitter from the mounting's zero mark.
    pub azimuth_mount_deg: f64,
    /// Bursts taken together.
    pub bursts: usize,
    /// The strongest one's signal-to-noise.
    pub snr_db: f64,
}

/// What one place gives.
struct Heard {
    place: CalibratedPlace,
    covariance: ChannelCovariance,
    noise: Option<ChannelNoise>,
    manifold: Arc<Manifold>,
}

/// Calibrates the channels of a coherent array from the places of a pipeline, all bursts taken as the known
/// transmitter's; a calibration that the pipeline names is left aside.
///
/// # Errors
/// [`RunError`]: the pipeline's antenna is not coherent, a place has no burst or no place, or the channels cannot be
/// calibrated.
pub fn calibrate(
    config: &PipelineConfig,
    options: &RunOptions,
    transmitter: KnownTransmitter,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<(ChannelCalibration, Vec<CalibratedPlace>), RunError> {
    let mut config = config.clone();
    let antenna = config
        .antenna
        .as_mut()
        .filter(|a| a.kind == AntennaKind::Coherent)
        .ok_or_else(|| RunError::Missing {
            place: "all".to_owned(),
            what: "an array with coherent channels",
            remedy: "give an [antenna] of kind = \"coherent\"",
        })?;
    antenna.calibration = None;
    let model = AntennaModel::load(antenna, &options.base)?;
    let settings = PlaceSettings {
        config: &config,
        antenna: Some(model),
        base: &options.base,
        spectrogram: SpectrogramOf::Nothing,
    };
    let work = |index: usize| hear(&settings, index, transmitter, progress);
    let heard = in_parallel(config.places.len(), options.threads, &work)
        .into_iter()
        .collect::<Result<Vec<_>, _>>()?;
    let Some(first) = heard.first() else {
        return Err(RunError::Missing {
            place: "all".to_owned(),
            what: "a recording of the known transmitter",
            remedy: "give a [[place]]",
        });
    };
    let known: Vec<KnownDirection<'_>> = heard
        .iter()
        .map(|h| KnownDirection {
            covariance: &h.covariance,
            azimuth_mount_deg: h.place.azimuth_mount_deg,
        })
        .collect();
    let found = ChannelCalibration::from_known_directions(&known, &*first.manifold, first.noise.as_ref())?;
    Ok((found, heard.into_iter().map(|h| h.place).collect()))
}

fn hear(
    settings: &PlaceSettings<'_>,
    index: usize,
    transmitter: KnownTransmitter,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Heard, RunError> {
    let section = &settings.config.places[index];
    let missing = |what, remedy| RunError::Missing {
        place: section.name.clone(),
        what,
        remedy,
    };
    let recording = open_recording(settings.base, section)?;
    let site = Site::find(settings, section, recording.info())?;
    let heard = listen(
        settings,
        section,
        recording,
        &site,
        &mut place_progress(index, progress),
    )?;
    let azimuth = match (transmitter, site.position) {
        (KnownTransmitter::Azimuth(azimuth), _) => azimuth,
        (KnownTransmitter::Position(there), Some(here)) => lobewright_geodesy::inverse(here, there).azimuth,
        (KnownTransmitter::Position(_), None) => {
            return Err(missing("the station's position", "give lat_deg and lon_deg"));
        }
    };
    let manifold = match &settings.antenna {
        Some(AntennaModel::Coherent(array, _)) => {
            array.manifold(&section.name, heard.summary.channel_center_hz)?
        }
        _ => return Err(missing("an array with coherent channels", "give one")),
    };
    let covariance = heard
        .evidence
        .into_iter()
        .filter_map(|e| match e {
            Evidence::Covariance(covariance) => covariance,
            _ => None,
        })
        .reduce(|a, b| together(a, &b))
        .ok_or_else(|| missing("the transmitter", "use a recording in which it is on the air"))?;
    Ok(Heard {
        place: CalibratedPlace {
            name: section.name.clone(),
            azimuth_mount_deg: wrap_degrees(site.heading.turn_to(azimuth)),
            bursts: heard.bursts.len(),
            snr_db: heard
                .bursts
                .iter()
                .map(|b| b.snr_db)
                .fold(f64::NEG_INFINITY, f64::max),
        },
        covariance,
        noise: heard.noise,
        manifold,
    })
}
