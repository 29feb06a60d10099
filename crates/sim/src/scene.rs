//! A scene: transmitters, stations and what lies between.

use std::fmt::Write as _;
use std::sync::Arc;

use lobewright_antenna::{Manifold, Pattern, SwitchSchedule};
use lobewright_types::{Azimuth, Db, Dbfs, Dbm, Mount};

use crate::antenna_model::{AntennaModel, name_of};
use crate::check::check;
use crate::complete::{Common, resolve};
use crate::constants::SPEED_OF_LIGHT_M_PER_S;
use crate::cycle::{OnAir, on_air};
use crate::error::{SceneError, Source};
use crate::propagation::free_space_loss_db;
use crate::receiver::{noise_power, rounding_power};
use crate::renderer::Renderer;
use crate::spec::{PathLoss, SceneFile, SceneHeader, StationScene, TransmitterScene};
use crate::truth::{
    ArrayTruth, BurstTruth, ReceivedTruth, ReflectionTruth, SceneTruth, StationTruth, TransmitterTruth,
};

/// Finds an antenna pattern by its name, or says why there is none.
pub type PatternResolver<'a> = &'a dyn Fn(&str) -> Result<Pattern, String>;

/// Truth that samples can be made from.
#[derive(Debug, Clone)]
pub struct Scene {
    header: SceneHeader,
    path_loss: PathLoss,
    transmitters: Vec<TransmitterScene>,
    stations: Vec<StationScene>,
    /// One for each station.
    antennas: Vec<AntennaModel>,
}

/// The example scene's text: five places in hill country, one of them behind a hill with a strong reflection.
pub const HILL_COUNTRY_TOML: &str = include_str!("../../../pipelines/scenes/hill_country.toml");

impl Scene {
    /// Reads a scene whose antenna patterns are all built in.
    ///
    /// # Inputs
    /// `text`: TOML as `docs/scene.md` describes it. `name`: the file's name for messages.
    ///
    /// # Errors
    /// [`SceneError`] with file, line and field.
    ///
    /// # Example
    /// ```
    /// use lobewright_sim::{Scene, SceneError};
    ///
    /// let error = Scene::from_toml("[scene]\nname = \"hill\"\nsede = 1\n", "hill.toml").unwrap_err();
    /// assert!(error.to_string().starts_with("hill.toml:3: `scene.sede`: unknown field"));
    /// ```
    pub fn from_toml(text: &str, name: &str) -> Result<Self, SceneError> {
        Self::from_toml_with(text, name, &|pattern| {
            Pattern::builtin(pattern).map_err(|error| error.to_string())
        })
    }

    /// Reads a scene and gets its antenna patterns from `resolver`.
    ///
    /// # Errors
    /// As [`Scene::from_toml`]; [`SceneError::Pattern`] with the resolver's reason where a pattern is not to be had.
    pub fn from_toml_with(text: &str, name: &str, resolver: PatternResolver<'_>) -> Result<Self, SceneError> {
        let source = Source { text, file: name };
        let file: SceneFile = toml::from_str(text).map_err(|error| source.syntax(&error))?;
        let common = Common {
            receiver: file.receiver.clone(),
            antenna: file.antenna.clone(),
            rotator: file.rotator,
            fading: file.fading,
        };
        check(&file, &source)?;
        let stations = file
            .station
            .into_iter()
            .enumerate()
            .map(|(index, station)| common.complete(station, index, &source))
            .collect::<Result<Vec<_>, _>>()?;
        let antennas = stations
            .iter()
            .enumerate()
            .map(|(index, station)| resolve(station, index, resolver, &source))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self {
            header: file.scene,
            path_loss: file.path_loss,
            transmitters: file.transmitter,
            stations,
            antennas,
        })
    }

    /// The example scene `hill_country` with a seed of the caller's.
    ///
    /// One transmitter in hill country at about 41.3 S 174.1 E, on the air for 12 s in 60 s; five places with 120 s each.
    ///
    /// # Panics
    /// Never: the text is part of the program and a test reads it.
    pub fn hill_country_demo(seed: u64) -> Self {
        Self::from_toml(HILL_COUNTRY_TOML, "hill_country.toml")
            .expect("the scene in the program is checked by a test")
            .with_seed(seed)
    }

    /// The same scene with another seed.
    #[must_use]
    pub fn with_seed(mut self, seed: u64) -> Self {
        self.header.seed = seed;
        self
    }

    /// Name, seed and time of the scene.
    pub fn header(&self) -> &SceneHeader {
        &self.header
    }

    /// The places where samples are taken.
    pub fn stations(&self) -> &[StationScene] {
        &self.stations
    }

    /// The transmitters.
    pub fn transmitters(&self) -> &[TransmitterScene] {
        &self.transmitters
    }

    /// The antenna pattern of a station whose antenna is turned; `None` for an array.
    pub fn pattern(&self, station_index: usize) -> Option<&Pattern> {
        match self.antennas.get(station_index)? {
            AntennaModel::Turned(pattern) => Some(pattern.as_ref()),
            _ => None,
        }
    }

    /// The patterns and boresights of a station with sectors, port by port; empty for others.
    pub fn sectors(&self, station_index: usize) -> Vec<(&Pattern, Azimuth<Mount>)> {
        match self.antennas.get(station_index) {
            Some(AntennaModel::Sectors(sectors)) => sectors
                .iter()
                .map(|(p, boresight)| (p.as_ref(), *boresight))
                .collect(),
            _ => Vec::new(),
        }
    }

    /// The responses of a station's ring or elements at a frequency as the station is told them, without the errors of its
    /// ports; `None` for others.
    pub fn manifold(&self, station_index: usize, frequency_hz: f64) -> Option<Manifold> {
        let manifold = self.antennas.get(station_index)?.manifold(frequency_hz)?.ok()?;
        Some(Arc::unwrap_or_clone(manifold))
    }

    /// The switching that a station is told of, without the errors of its clock; `None` without a switch.
    pub fn schedule(&self, station_index: usize) -> Option<SwitchSchedule> {
        crate::check_antenna::schedule_of(self.stations.get(station_index)?.antenna.switch.as_ref()?).ok()
    }

    /// That schedule as a table `time_s,port`, ports counted from 1 and 0 for none, from the port that is connected at the
    /// first sample to the last one of the recording; `None` without a switch.
    pub fn schedule_csv(&self, station_index: usize) -> Option<String> {
        let station = self.stations.get(station_index)?;
        let switch = station.antenna.switch.as_ref()?;
        let mut text = "time_s,port\n".to_owned();
        let mut number = (-switch.start_s / switch.dwell_s).floor();
        let steps = switch.order.len() as f64;
        loop {
            let time_s = switch.start_s + number * switch.dwell_s;
            if time_s >= station.duration_s {
                return Some(text);
            }
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a remainder, from 0 to below the number of steps"
            )]
            let port = switch.order[number.rem_euclid(steps) as usize % switch.order.len()];
            let _ = writeln!(text, "{time_s:.9},{port}");
            number += 1.0;
        }
    }

    /// Begins one station's samples.
    ///
    /// # Errors
    /// [`SceneError::NoSuchStation`] where there are not so many.
    pub fn renderer(&self, station_index: usize) -> Result<Renderer, SceneError> {
        let station = self.station(station_index)?;
        let truth = self.station_truth(station_index)?;
        Ok(Renderer::new(
            self.header.seed,
            &self.transmitters,
            station.clone(),
            &self.antennas[station_index],
            truth,
        ))
    }

    /// What is true of everything.
    ///
    /// # Errors
    /// None in a scene that was read: the signature is that of its parts.
    pub fn truth(&self) -> Result<SceneTruth, SceneError> {
        let transmitters = self
            .transmitters
            .iter()
            .map(|t| TransmitterTruth {
                name: t.name.clone(),
                position: t.position(),
                frequency_hz: t.frequency_hz,
                eirp_dbm: Dbm(t.eirp_dbm),
            })
            .collect();
        Ok(SceneTruth {
            scene: self.header.name.clone(),
            seed: self.header.seed,
            start_utc: self.header.start_utc,
            transmitters,
            stations: (0..self.stations.len())
                .map(|index| self.station_truth(index))
                .collect::<Result<_, _>>()?,
        })
    }

    /// What is true of one station.
    ///
    /// # Errors
    /// [`SceneError::NoSuchStation`] where there are not so many.
    pub fn station_truth(&self, station_index: usize) -> Result<StationTruth, SceneError> {
        let station = self.station(station_index)?;
        let receiver = &station.receiver;
        let noise = noise_power(receiver) + rounding_power(receiver.format);
        let noise_dbfs = 10.0 * noise.log10();
        let bandwidth_hz = self.header.snr_bandwidth_hz;
        let in_bandwidth_dbfs = noise_dbfs + 10.0 * (bandwidth_hz / receiver.rate_hz).log10();
        let transmitters = self
            .transmitters
            .iter()
            .map(|transmitter| self.received(station_index, station, transmitter, in_bandwidth_dbfs))
            .collect();
        Ok(StationTruth {
            station: station.name.clone(),
            position: station.position,
            heading: station.heading,
            heading_error_deg: station.heading_error_deg,
            start_utc: self.header.start_utc.map(|t| t.plus_seconds(station.start_s)),
            rate_hz: receiver.rate_hz,
            center_hz: receiver.center_hz,
            format: receiver.format,
            length_samples: length_samples(station),
            channels: channels(station),
            pattern: name_of(&station.antenna),
            array: array_truth(station),
            noise_dbfs: Dbfs(noise_dbfs),
            snr_bandwidth_hz: bandwidth_hz,
            noise_in_bandwidth_dbfs: Dbfs(in_bandwidth_dbfs),
            transmitters,
        })
    }

    fn station(&self, index: usize) -> Result<&StationScene, SceneError> {
        self.stations.get(index).ok_or(SceneError::NoSuchStation {
            index,
            count: self.stations.len(),
        })
    }

    fn received(
        &self,
        index: usize,
        station: &StationScene,
        transmitter: &TransmitterScene,
        noise_in_bandwidth_dbfs: f64,
    ) -> ReceivedTruth {
        let line = lobewright_geodesy::inverse(station.position, transmitter.position());
        // Closer than a metre the far field is no model any more.
        let distance_m = line.distance_m.max(1.0);
        let path_loss_db = self.loss_db(transmitter.frequency_hz, distance_m) + station.excess_loss_db;
        let antenna_db = self.antennas[index].peak_gain_dbi() - station.antenna.cable_loss_db;
        let level_dbm = transmitter.eirp_dbm - path_loss_db + antenna_db;
        let level_dbfs = level_dbm + station.receiver.dbm_to_dbfs_db();
        let delay_s = distance_m / SPEED_OF_LIGHT_M_PER_S;
        let reflections = station
            .reflection
            .iter()
            .filter(|r| {
                r.transmitter
                    .as_ref()
                    .is_none_or(|name| *name == transmitter.name)
            })
            .map(|r| ReflectionTruth {
                azimuth: Azimuth::from_degrees(r.azimuth_true_deg),
                relative_level_db: Db(r.relative_level_db),
                delay_s: r.delay_us * 1e-6,
                level_dbfs: Dbfs(level_dbfs + r.relative_level_db),
                snr_db: Db(level_dbfs + r.relative_level_db - noise_in_bandwidth_dbfs),
            })
            .collect();
        let (carrier_offset_hz, carrier_drift_hz_per_s) = carrier_offset(station, transmitter);
        ReceivedTruth {
            transmitter: transmitter.name.clone(),
            bearing: line.azimuth,
            distance_m: line.distance_m,
            path_loss_db: Db(path_loss_db),
            level_dbm: Dbm(level_dbm),
            level_dbfs: Dbfs(level_dbfs),
            snr_db: Db(level_dbfs - noise_in_bandwidth_dbfs),
            carrier_offset_hz,
            carrier_drift_hz_per_s,
            delay_s,
            bursts: bursts(self.header.seed, station, transmitter, delay_s)
                .into_iter()
                .map(|(truth, _)| truth)
                .collect(),
            reflections,
        }
    }

    fn loss_db(&self, frequency_hz: f64, distance_m: f64) -> f64 {
        let PathLoss {
            exponent,
            reference_distance_m,
            excess_loss_db,
        } = self.path_loss;
        let free_m = distance_m.min(reference_distance_m);
        free_space_loss_db(frequency_hz, free_m)
            + 10.0 * exponent * (distance_m / free_m).log10()
            + excess_loss_db
    }
}

/// One, or one for each port of an array without a switch.
fn channels(station: &StationScene) -> usize {
    match (&station.antenna.array, &station.antenna.switch) {
        (Some(array), None) => array.ports(),
        _ => 1,
    }
}

fn array_truth(station: &StationScene) -> Option<ArrayTruth> {
    let antenna = &station.antenna;
    antenna.array.as_ref().map(|array| ArrayTruth {
        kind: array.kind().to_owned(),
        port_errors: antenna.port_error.clone(),
        channel_errors: station.receiver.channel_error.clone(),
        switch: antenna.switch.clone(),
    })
}

/// Carrier frequency in the samples at the first one, and its drift.
fn carrier_offset(station: &StationScene, transmitter: &TransmitterScene) -> (f64, f64) {
    let receiver = &station.receiver;
    let tuned_hz = receiver.center_hz * (1.0 + receiver.frequency_error_ppm * 1e-6);
    let tuned_drift = receiver.center_hz * receiver.frequency_drift_ppm_per_s * 1e-6;
    (
        transmitter.frequency_hz + transmitter.drift_hz_per_s * station.start_s - tuned_hz,
        transmitter.drift_hz_per_s - tuned_drift,
    )
}

/// The transmissions that reach a station over its direct path, in its own time and as they were sent.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the recording's length"
)]
pub(crate) fn bursts(
    seed: u64,
    station: &StationScene,
    transmitter: &TransmitterScene,
    delay_s: f64,
) -> Vec<(BurstTruth, OnAir)> {
    let length = length_samples(station);
    // Bounds given to the float, so that the cast is exact.
    let sample = |time_s: f64| {
        (time_s * station.receiver.rate_hz)
            .ceil()
            .clamp(0.0, length as f64) as u64
    };
    let end_s = station.start_s + station.duration_s;
    on_air(transmitter, seed, station.start_s - delay_s, end_s - delay_s)
        .into_iter()
        .map(|burst| {
            let start_s = burst.start_s - station.start_s + delay_s;
            let stop_s = burst.stop_s - station.start_s + delay_s;
            let truth = BurstTruth {
                start_s,
                stop_s,
                start_sample: sample(start_s),
                stop_sample: sample(stop_s),
            };
            (truth, burst)
        })
        .filter(|(truth, _)| truth.stop_sample > truth.start_sample)
        .collect()
}

/// Samples in a station's recording.
pub(crate) fn length_samples(station: &StationScene) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive by the scene's checks; the cast saturates"
    )]
    {
        (station.duration_s * station.receiver.rate_hz).round() as u64
    }
}
