//! Physical constants.

/// Speed of light in vacuum in metres a second; exact by definition of the metre (BIPM, *The International System of
/// Units*, 9th edition, 2019).
pub const SPEED_OF_LIGHT_M_PER_S: f64 = 299_792_458.0;

/// Boltzmann constant in joules a kelvin; exact by definition of the kelvin (same source; CODATA 2018).
pub const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;

/// The reference temperature of noise figures in kelvin (IEEE Std 161; common to ITU-R P.372).
pub const REFERENCE_TEMPERATURE_K: f64 = 290.0;
