//! Level readings: mean powers with everything that decides how far they can be believed.

use serde::{Deserialize, Serialize};

use crate::{Azimuth, Mount, SampleIndex};

/// Where the antenna looked during a reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pointing {
    /// A rotated antenna's boresight at the middle of the reading, and how far it turned during it.
    Boresight {
        /// Boresight at the middle of the reading, from the mounting's zero mark.
        #[serde(rename = "azimuth_mount_deg")]
        azimuth: Azimuth<Mount>,
        /// Turn during the reading, signed, clockwise positive.
        turn_deg: f64,
    },
    /// A switched antenna's port, counted from 0.
    Port(u16),
}

/// A mean power in the channel over a short time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelReading {
    /// Which burst it belongs to, counted from 0 within the bearing; readings of one burst share a level.
    pub burst: usize,
    /// First source sample.
    pub start: SampleIndex,
    /// Middle of the reading in seconds from the source's first sample.
    pub middle_s: f64,
    /// Length in seconds.
    pub length_s: f64,
    /// Where the antenna looked.
    pub pointing: Pointing,
    /// Mean power of signal and noise, 1.0 = full scale.
    pub power_lin: f64,
    /// Number of independent complex samples that the mean stands for: channel bandwidth times time.
    pub independent_samples: f64,
    /// Mean noise power in the same bandwidth.
    pub noise_power_lin: f64,
    /// Relative standard deviation of `noise_power_lin`.
    pub noise_rel_sigma: f64,
    /// Relative variance of the short-time power inside the reading, as measured: near `1 /
    /// independent_samples` of its mean for a Gaussian-like signal, less for a constant envelope.
    pub power_rel_var: Option<f64>,
    /// Receiver gain during the reading, where known.
    pub gain_db: Option<f64>,
    /// Attenuation in line during the reading; 0 where none was switched in.
    pub attenuation_db: f64,
    /// Share of the input samples during the reading that stood at full scale.
    pub clip_fraction: f64,
}
