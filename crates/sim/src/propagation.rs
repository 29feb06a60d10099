//! Loss of a path and the noise of a receiver.

use crate::constants::{BOLTZMANN_J_PER_K, REFERENCE_TEMPERATURE_K, SPEED_OF_LIGHT_M_PER_S};

/// Computes the basic transmission loss in free space.
///
/// # Inputs
/// `frequency_hz` and `distance_m`, both above zero. Holds in the far field only.
///
/// # Result
/// Loss between isotropic antennas in dB.
///
/// # Method
/// Recommendation ITU-R P.525: `20 log10(4 pi d / lambda)`.
pub fn free_space_loss_db(frequency_hz: f64, distance_m: f64) -> f64 {
    20.0 * (4.0 * std::f64::consts::PI * distance_m * frequency_hz / SPEED_OF_LIGHT_M_PER_S).log10()
}

/// Computes the thermal noise power of a matched source at 290 K.
///
/// # Inputs
/// `bandwidth_hz` above zero.
///
/// # Result
/// `k T B` in dBm.
pub fn thermal_noise_dbm(bandwidth_hz: f64) -> f64 {
    10.0 * (BOLTZMANN_J_PER_K * REFERENCE_TEMPERATURE_K * bandwidth_hz * 1e3).log10()
}

/// Computes the noise of a receiver and its surroundings, referred to the antenna terminals.
///
/// # Inputs
/// `external_noise_db`: noise from outside above `k T0 B` as ITU-R P.372 gives it (Fam); without it the antenna sees
/// 290 K.
///
/// # Result
/// Noise power in dBm. The noise factors add as `f = fa + fr - 1` (ITU-R P.372, all losses 0 dB and at 290 K).
pub fn system_noise_dbm(bandwidth_hz: f64, noise_figure_db: f64, external_noise_db: Option<f64>) -> f64 {
    let receiver = 10_f64.powf(noise_figure_db / 10.0);
    let external = external_noise_db.map_or(1.0, |db| 10_f64.powf(db / 10.0));
    thermal_noise_dbm(bandwidth_hz) + 10.0 * (external + receiver - 1.0).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Recommendation ITU-R P.525: 32.4 + 20 log f(MHz) + 20 log d(km), constant printed to a tenth; the exact one is
    // 20 log10(4 pi 1e9 / c) = 32.4478, so the printed form may lie 0.05 dB off.
    #[test]
    fn free_space_loss_is_that_of_itu_r_p525() {
        assert!((free_space_loss_db(1e6, 1e3) - 32.4478).abs() < 5e-5);
        for (mhz, km) in [(3.5_f64, 2.0_f64), (145.0, 8.0), (433.0, 0.5), (2400.0, 100.0)] {
            let printed = 32.4 + 20.0 * mhz.log10() + 20.0 * km.log10();
            assert!((free_space_loss_db(mhz * 1e6, km * 1e3) - printed).abs() < 0.05);
        }
    }

    // ITU-R P.525 equation 1: e = sqrt(30 p) / d in V/m; the power that an isotropic antenna takes out of that field
    // is e^2 / (120 pi) * lambda^2 / (4 pi), with the impedance of free space taken as 120 pi ohm (0.006 dB off).
    #[test]
    fn field_strength_of_itu_r_p525_gives_the_same_loss() {
        let (watts, distance_m, frequency_hz) = (1.0_f64, 5_000.0, 145e6);
        let field = (30.0 * watts).sqrt() / distance_m;
        let lambda = SPEED_OF_LIGHT_M_PER_S / frequency_hz;
        let pi = std::f64::consts::PI;
        let received = field * field / (120.0 * pi) * lambda * lambda / (4.0 * pi);
        let loss = 10.0 * (watts / received).log10();
        assert!((loss - free_space_loss_db(frequency_hz, distance_m)).abs() < 0.01);
    }

    // CODATA k = 1.380649e-23: kT at 290 K is -173.9752 dBm in 1 Hz; in 2.4 kHz -140.17 dBm.
    #[test]
    fn thermal_noise_is_minus_174_dbm_per_hertz() {
        assert!((thermal_noise_dbm(1.0) + 173.9752).abs() < 5e-5);
        assert!((thermal_noise_dbm(2_400.0) + 140.17).abs() < 5e-3);
        assert!((system_noise_dbm(1.0, 0.0, None) + 173.9752).abs() < 5e-5);
    }

    // ITU-R P.372 rural at 145 MHz: Fam = 67.2 - 27.7 log10(145) = 7.33 dB; with a receiver of 3 dB the factors 5.408
    // and 1.995 make 6.403, 8.064 dB.
    #[test]
    fn noise_from_outside_adds_as_factors() {
        let fam = 67.2 - 27.7 * 145_f64.log10();
        assert!((fam - 7.33).abs() < 5e-3);
        let above_kt = system_noise_dbm(1.0, 3.0, Some(fam)) - thermal_noise_dbm(1.0);
        assert!((above_kt - 8.064).abs() < 2e-3, "{above_kt}");
    }
}
