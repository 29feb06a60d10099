//! Mixers, filters, decimators, spectra and level estimates.
//!
//! [`ChannelBank`] takes the samples of a receiver as they were stored and gives complex baseband of any number of
//! channels, filtered, decimated and with the delay accounted for. [`Spectrum`] and [`SpectrogramBuilder`] show what
//! is in a stream; [`MeanPower`] measures levels. [`equiripple()`] and the windows design filters.
//!
//! Levels: a complex tone of amplitude 1.0 has a power of 1.0, which is 0 dBFS.

#![warn(clippy::disallowed_methods)]

mod bank;
mod cascade;
mod condition;
mod config;
mod equiripple;
mod input;
mod kernel;
mod kernel_i16;
mod level;
mod plan;
mod response;
mod spectrogram;
mod spectrum;
mod window;

pub use bank::ChannelBank;
pub use condition::iq_imbalance;
pub use config::{BankConfig, BankError, ChannelSpec, DcRemoval, IqCorrection};
pub use equiripple::{Band, Equiripple, equiripple, worst_deviation};
pub use level::{MeanPower, PowerStats};
pub use plan::{ChannelPlan, StagePlan, plan_channel};
pub use response::{frequency_response, symmetric_amplitude};
pub use spectrogram::{Spectrogram, SpectrogramBuilder};
pub use spectrum::{Psd, Spectrum, SpectrumError};
pub use window::{bessel_i0, hann_periodic, kaiser, kaiser_beta, windowed_lowpass};
