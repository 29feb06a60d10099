//! What the coherent estimator gives back.

use lobewright_types::{
    ArcDeg, Azimuth, Bearing, BearingClass, BearingFlag, BearingKind, CircleDensity, Dbfs, FittedSignal,
    Mode, True,
};

use crate::output::{SecondArrival, Taken};

/// Level of one burst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoherentLevel {
    /// The burst's number in the list given.
    pub burst: usize,
    /// Mean level of the signal over the channels, noise taken off; absent where no signal was found.
    pub level: Option<Dbfs>,
    /// Signal over noise in a channel, mean over the channels by their noise; absent likewise.
    pub snr_db: Option<f64>,
}

/// A direction from coherent channels, with all that was found beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct CoherentEstimate {
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
    /// Shortest arcs that hold 95 %.
    pub arcs95: Vec<ArcDeg>,
    /// Quality class.
    pub class: BearingClass,
    /// Levels of the bursts used, in their order.
    pub levels: Vec<CoherentLevel>,
    /// Posterior mean of the phase error of a channel, 1 sigma, beyond what a calibration states.
    pub phase_error_deg: f64,
    /// The same of its gain.
    pub gain_error_db: f64,
    /// Mean square deviation of the bursts from the best response, noise and channel errors taken into account; 1 for
    /// a perfect model.
    pub reduced_chi_square: f64,
    /// Free components behind it: twice the channels, less 3.
    pub free_components: usize,
    /// Channels of the receiver.
    pub channels: usize,
    /// A second arrival, where one is likely.
    pub reflection: Option<SecondArrival>,
    /// Doubts, in order.
    pub flags: Vec<BearingFlag>,
}

impl CoherentEstimate {
    /// The strongest burst.
    fn strongest(&self) -> Option<&CoherentLevel> {
        let power = |l: &CoherentLevel| l.level.map_or(f64::NEG_INFINITY, |d| d.0);
        self.levels.iter().max_by(|a, b| power(a).total_cmp(&power(b)))
    }
}

/// Makes the record that crosses the border out of an estimate; a burst counts as one reading for each channel.
pub fn coherent_bearing(estimate: &CoherentEstimate, taken: Taken) -> Bearing {
    let strongest = estimate.strongest();
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
        level: strongest.and_then(|l| l.level),
        snr_db: strongest.and_then(|l| l.snr_db),
        frequency_hz: taken.frequency_hz,
        readings: estimate.levels.len() * estimate.channels,
        bursts: estimate.levels.len(),
        fitted: Some(FittedSignal {
            level_error_sigma_db: estimate.gain_error_db,
            reduced_chi_square: estimate.reduced_chi_square,
            effective_readings: estimate.free_components as f64,
        }),
        flags: estimate.flags.clone(),
    }
}
