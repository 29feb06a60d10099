//! What was read at a place, as entries of the log.

use lobewright_export::{CompassReading, HuntFact, MeterReading, NorthUsed};
use lobewright_geodesy::{GridZone, declination, grid_convergence};
use lobewright_types::{Azimuth, LevelReport, SilenceReport, Timestamp};

use super::place::{Place, Places};
use crate::args::{NorthArg, NoteArgs};

/// How sure a hand-held compass and antenna are, where nobody says: one standard deviation in degrees (common practice, no
/// source).
pub(super) const SIGMA_DEG: f64 = 5.0;

/// What holds for every entry of a session.
#[derive(Debug, Clone)]
pub(super) struct Settings<'a> {
    pub(super) args: &'a NoteArgs,
    pub(super) transmitter: Option<String>,
}

impl<'a> Settings<'a> {
    pub(super) fn of(args: &'a NoteArgs) -> Self {
        Self {
            args,
            transmitter: args.transmitter.clone(),
        }
    }

    /// What the headings are taken with: one compass for each log, where nobody says otherwise.
    fn compass(&self) -> String {
        let log = || {
            self.args
                .log
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned()
        };
        self.args.compass.clone().unwrap_or_else(log)
    }

    /// The time that was given, or now.
    pub(super) fn time(&self) -> Timestamp {
        self.args.time.unwrap_or_else(super::now)
    }
}

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Reading {
    /// A direction.
    Compass {
        reading_deg: f64,
        north: NorthUsed,
        sigma_deg: f64,
    },
    /// A level.
    Meter { reading_db: f64, attenuation_db: f64 },
    /// Nothing, though a level over this would have been heard.
    Nothing { limit_db: f64 },
}

/// A place and what was read there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Visit {
    pub(super) place: Place,
    pub(super) compass: Option<Reading>,
    pub(super) meter: Option<Reading>,
}

impl Visit {
    /// As the options say.
    pub(super) fn of_options(settings: &Settings, places: &Places) -> Result<Self, String> {
        let args = settings.args;
        let mut place = places.find(args.place.as_deref().unwrap_or_default())?;
        if let Some(name) = &args.place_name
            && *name != place.name
        {
            place.name = places.check_name(name)?;
        }
        if let Some(sigma_m) = args.position_sigma_m {
            place.sigma_m = sigma_m;
        }
        let compass = args.bearing.map(|reading_deg| Reading::Compass {
            reading_deg,
            north: north_of(args.north),
            sigma_deg: args.sure.unwrap_or(SIGMA_DEG),
        });
        let meter = match (args.meter, args.nothing_over) {
            (Some(reading_db), _) => Some(Reading::Meter {
                reading_db,
                attenuation_db: args.attenuation,
            }),
            (None, Some(limit_db)) => Some(Reading::Nothing { limit_db }),
            (None, None) => None,
        };
        Ok(Self {
            place,
            compass,
            meter,
        })
    }

    /// The readings, in the order in which they are kept.
    pub(super) fn readings(&self) -> impl Iterator<Item = Reading> {
        self.compass.into_iter().chain(self.meter)
    }

    /// A reading as it is kept under the number `id`.
    pub(super) fn fact(&self, reading: Reading, id: u64, settings: &Settings) -> Result<HuntFact, String> {
        let time = settings.time();
        Ok(match reading {
            Reading::Compass {
                reading_deg,
                north,
                sigma_deg,
            } => self.bearing((reading_deg, north, sigma_deg), id, time, settings)?,
            Reading::Meter {
                reading_db,
                attenuation_db,
            } => HuntFact::Level {
                level: LevelReport {
                    id: format!("#{id}"),
                    station: self.place.name.clone(),
                    time_utc: Some(time),
                    position: self.place.position,
                    position_sigma_m: self.place.sigma_m,
                    transmitter: settings.transmitter.clone(),
                    scale: settings.args.scale.clone(),
                    level_db: reading_db + attenuation_db,
                    sigma_db: settings.args.level_sigma_db,
                },
                read: Some(MeterReading {
                    reading_db,
                    attenuation_db,
                }),
            },
            Reading::Nothing { limit_db } => HuntFact::Silence {
                silence: SilenceReport {
                    id: format!("#{id}"),
                    station: self.place.name.clone(),
                    time_utc: Some(time),
                    position: self.place.position,
                    transmitter: settings.transmitter.clone(),
                    scale: settings.args.scale.clone(),
                    limit_db,
                },
            },
        })
    }

    fn bearing(
        &self,
        (reading_deg, north, sigma_deg): (f64, NorthUsed, f64),
        id: u64,
        time: Timestamp,
        settings: &Settings,
    ) -> Result<HuntFact, String> {
        let (to_true_deg, heading_sigma_deg) = self.to_true(north, time)?;
        let azimuth = Azimuth::from_degrees(reading_deg + to_true_deg);
        let mut bearing = lobewright_fix::from_normal(
            &self.place.name,
            self.place.position,
            azimuth,
            sigma_deg.hypot(heading_sigma_deg),
            (self.place.sigma_m, heading_sigma_deg),
            Some(time),
        );
        bearing.id = format!("#{id}");
        bearing.transmitter.clone_from(&settings.transmitter);
        bearing.compass = Some(settings.compass());
        Ok(HuntFact::Bearing {
            bearing: Box::new(bearing),
            read: Some(CompassReading {
                reading_deg,
                north,
                sigma_deg,
                to_true_deg,
            }),
        })
    }

    /// What a reading needs added to count from true north, and how sure that is.
    fn to_true(&self, north: NorthUsed, time: Timestamp) -> Result<(f64, f64), String> {
        match north {
            NorthUsed::True => Ok((0.0, 0.0)),
            NorthUsed::Magnetic => declination(self.place.position, 0.0, time)
                .map(|d| (d.deg, d.sigma_deg))
                .map_err(|e| e.to_string()),
            NorthUsed::Grid => grid_convergence(self.place.position, GridZone::of(self.place.position))
                .map(|deg| (deg, 0.0))
                .map_err(|e| e.to_string()),
        }
    }

    /// What a compass does here, where it is not to be trusted; and whether the reading can be turned to true north at all.
    pub(super) fn check_north(
        place: &Place,
        north: NorthUsed,
        time: Timestamp,
    ) -> Result<Option<String>, String> {
        let visit = Self {
            place: place.clone(),
            compass: None,
            meter: None,
        };
        visit.to_true(north, time)?;
        if north != NorthUsed::Magnetic {
            return Ok(None);
        }
        let found = declination(place.position, 0.0, time).map_err(|e| e.to_string())?;
        Ok(found.warning.map(|w| w.to_string()))
    }
}

fn north_of(north: NorthArg) -> NorthUsed {
    match north {
        NorthArg::True => NorthUsed::True,
        NorthArg::Magnetic => NorthUsed::Magnetic,
        NorthArg::Grid => NorthUsed::Grid,
    }
}

/// The word that is the default answer for the north.
pub(super) fn default_north(settings: &Settings) -> &'static str {
    crate::hunt::course::north_word(north_of(settings.args.north))
}
