//! What the estimator gives back.

use lobewright_types::{
    ArcDeg, Azimuth, Bearing, BearingClass, BearingFlag, BearingKind, CircleDensity, Dbfs, FittedSignal,
    Mode, Mount, Position, Timestamp, True,
};

/// Level of one burst, the antenna pointed at the source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BurstLevel {
    /// The burst's number in the readings.
    pub burst: usize,
    /// Level with the antenna pointed at the source, noise taken off, at the gain of the first reading.
    pub level: Dbfs,
}

/// One reading beside the fitted pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct FitPoint {
    /// Index of the reading in the list given.
    pub reading: usize,
    /// The burst's number in the readings.
    pub burst: usize,
    /// Boresight at its middle, from the mounting's zero mark.
    pub azimuth_mount: Azimuth<Mount>,
    /// The same from true north.
    pub azimuth_true: Azimuth<True>,
    /// Measured level, noise taken off; absent where the noise is all there is.
    pub level: Option<Dbfs>,
    /// Standard deviation of the measured power (noise and level error), in dB of signal and noise together.
    pub sigma_db: f64,
    /// Measured less fitted power, in dB of signal and noise together.
    pub residual_db: f64,
    /// Probability that the model explains the reading.
    pub explained_probability: f64,
    /// Fitted level, without noise.
    pub fitted_level: Dbfs,
    /// Whether the reading was taken as a lower limit, its samples being clipped.
    pub lower_limit: bool,
}

/// The readings beside the pattern fitted to them, in order of burst and time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PatternFit {
    /// One for each usable reading.
    pub points: Vec<FitPoint>,
}

/// A second direction from which the signal arrives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondArrival {
    /// Direction of the weaker arrival.
    pub azimuth: Azimuth<True>,
    /// Its power against the stronger one.
    pub relative_level_db: f64,
    /// Probability that it is there.
    pub probability: f64,
}

/// Delay of the samples' clock against the azimuth track's, as the readings tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latency {
    /// How much later than the track says the antenna was where it was.
    pub delay_s: f64,
    /// Its standard deviation.
    pub sigma_s: f64,
}

/// A direction with all that was found beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Posterior density from true north, the heading's error inside.
    pub density: CircleDensity,
    /// Modes of at least 5 %, most probable first.
    pub modes: Vec<Mode>,
    /// Top of the most probable mode.
    pub azimuth: Azimuth<True>,
    /// Standard deviation within that mode.
    pub sigma_deg: f64,
    /// Standard deviation of the heading, inside `density`.
    pub heading_sigma_deg: f64,
    /// Shortest arcs that hold 50 %.
    pub arcs50: Vec<ArcDeg>,
    /// Shortest arcs that hold 95 %; where a second arrival is shown, those that hold 95 % of each direction, so that
    /// either may turn out to be the direct one.
    pub arcs95: Vec<ArcDeg>,
    /// Quality class.
    pub class: BearingClass,
    /// Level of the strongest burst with the antenna pointed at the source, noise taken off, at the gain of the
    /// first reading; absent where no signal was found.
    pub level: Option<Dbfs>,
    /// Signal over noise in the channel for that burst.
    pub snr_db: Option<f64>,
    /// Level error and fit.
    pub fitted: FittedSignal,
    /// Levels of the bursts, in order of their number.
    pub burst_levels: Vec<BurstLevel>,
    /// Readings used.
    pub readings: usize,
    /// Doubts, in order.
    pub flags: Vec<BearingFlag>,
    /// The readings beside the fitted pattern.
    pub fit: PatternFit,
    /// A second arrival, where one is likely.
    pub reflection: Option<SecondArrival>,
    /// Delay between track and samples, where one was expected and an antenna swung at changing rates let it show; its
    /// error is inside `density`.
    pub latency: Option<Latency>,
}

/// Where and when a bearing was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// A name for the bearing, unique within its hunt.
    pub id: String,
    /// Name of the station or place.
    pub station: String,
    /// Start of the first burst.
    pub time_utc: Option<Timestamp>,
    /// Where it was taken.
    pub position: Position,
    /// Standard deviation of `position` on each axis.
    pub position_sigma_m: f64,
    /// Centre frequency of the channel.
    pub frequency_hz: Option<f64>,
}

/// Makes the record that crosses the border out of an estimate.
pub fn to_bearing(estimate: &Estimate, taken: Taken) -> Bearing {
    Bearing {
        id: taken.id,
        station: taken.station,
        compass: None,
        transmitter: None,
        time_utc: taken.time_utc,
        position: taken.position,
        position_sigma_m: taken.position_sigma_m,
        kind: BearingKind::Automatic,
        azimuth: estimate.azimuth,
        sigma_deg: estimate.sigma_deg,
        heading_sigma_deg: estimate.heading_sigma_deg,
        density: estimate.density.clone(),
        modes: estimate.modes.clone(),
        arcs50: estimate.arcs50.clone(),
        arcs95: estimate.arcs95.clone(),
        class: estimate.class,
        level: estimate.level,
        snr_db: estimate.snr_db,
        frequency_hz: taken.frequency_hz,
        readings: estimate.readings,
        bursts: estimate.burst_levels.len(),
        fitted: Some(estimate.fitted),
        flags: estimate.flags.clone(),
    }
}
