//! Ranges of what stands at a station: receiver, rotator, fading.

use crate::check::{Checked, Checker};
use crate::spec::FadingScene;
use crate::spec_antenna::AntennaScene;
use crate::spec_receiver::ReceiverScene;
use crate::spec_rotator::RotatorScene;

impl Checker<'_> {
    pub(crate) fn parts(
        &self,
        at: &str,
        receiver: Option<&ReceiverScene>,
        antenna: Option<&AntennaScene>,
        rotator: Option<&RotatorScene>,
        fading: Option<&FadingScene>,
    ) -> Checked {
        if let Some(receiver) = receiver {
            self.receiver(&format!("{at}receiver"), receiver)?;
        }
        if let Some(antenna) = antenna {
            self.antenna(&format!("{at}antenna"), antenna)?;
        }
        if let Some(rotator) = rotator {
            self.rotator(&format!("{at}rotator"), *rotator)?;
        }
        fading.map_or(Ok(()), |fading| self.fading(&format!("{at}fading"), *fading))
    }

    fn receiver(&self, at: &str, r: &ReceiverScene) -> Checked {
        let level = -250.0..=250.0;
        self.range(&format!("{at}.rate_hz"), r.rate_hz, 1e3..=1e9, "Hz")?;
        self.range(&format!("{at}.center_hz"), r.center_hz, 0.0..=1e12, "Hz")?;
        if !r.format.complex {
            return Err(self.source.value(
                &format!("{at}.format"),
                &r.format,
                "a complex format such as cu8 or ci16_le",
            ));
        }
        self.range(
            &format!("{at}.noise_figure_db"),
            r.noise_figure_db,
            0.0..=100.0,
            "dB",
        )?;
        if let Some(external) = r.external_noise_db {
            self.range(&format!("{at}.external_noise_db"), external, -100.0..=200.0, "dB")?;
        }
        self.range(&format!("{at}.gain_db"), r.gain_db, level.clone(), "dB")?;
        self.range(
            &format!("{at}.full_scale_dbm"),
            r.full_scale_dbm,
            level.clone(),
            "dBm",
        )?;
        self.range(
            &format!("{at}.frequency_error_ppm"),
            r.frequency_error_ppm,
            -1e3..=1e3,
            "ppm",
        )?;
        self.range(
            &format!("{at}.frequency_drift_ppm_per_s"),
            r.frequency_drift_ppm_per_s,
            -10.0..=10.0,
            "ppm/s",
        )?;
        if let Some(dc) = r.dc_dbfs {
            self.range(&format!("{at}.dc_dbfs"), dc, -250.0..=0.0, "dBFS")?;
        }
        self.range(
            &format!("{at}.dc_phase_deg"),
            r.dc_phase_deg,
            -360.0..=360.0,
            "degrees",
        )?;
        self.range(&format!("{at}.iq_gain_db"), r.iq_gain_db, -20.0..=20.0, "dB")?;
        self.range(
            &format!("{at}.iq_phase_deg"),
            r.iq_phase_deg,
            -60.0..=60.0,
            "degrees",
        )?;
        for (index, interferer) in r.interferer.iter().enumerate() {
            let at = format!("{at}.interferer[{index}]");
            self.range(
                &format!("{at}.frequency_hz"),
                interferer.frequency_hz,
                r.center_hz - r.rate_hz / 2.0..=r.center_hz + r.rate_hz / 2.0,
                "Hz, the band that is sampled",
            )?;
            self.range(
                &format!("{at}.level_dbm"),
                interferer.level_dbm,
                level.clone(),
                "dBm",
            )?;
        }
        if let Some(impulses) = &r.impulses {
            let at = format!("{at}.impulses");
            self.range(
                &format!("{at}.per_second"),
                impulses.per_second,
                1e-6..=r.rate_hz,
                "a second",
            )?;
            self.range(
                &format!("{at}.peak_dbfs"),
                impulses.peak_dbfs,
                -250.0..=60.0,
                "dBFS",
            )?;
            self.range(&format!("{at}.decay_s"), impulses.decay_s, 1e-9..=1.0, "s")?;
        }
        self.noise(at, r)?;
        for (index, error) in r.channel_error.iter().enumerate() {
            self.gain_error(&format!("{at}.channel_error[{index}]"), *error)?;
        }
        Ok(())
    }

    fn noise(&self, at: &str, r: &ReceiverScene) -> Checked {
        if let Some(ignition) = &r.ignition {
            let at = format!("{at}.ignition");
            let beat_s = 1.0 / ignition.per_second;
            self.range(
                &format!("{at}.per_second"),
                ignition.per_second,
                1e-3..=r.rate_hz / 4.0,
                "a second, a quarter of the sample rate",
            )?;
            self.range(
                &format!("{at}.level_dbfs"),
                ignition.level_dbfs,
                -250.0..=60.0,
                "dBFS",
            )?;
            self.range(
                &format!("{at}.length_s"),
                ignition.length_s,
                1e-9..=beat_s / 2.0,
                "s, half the time from pulse to pulse",
            )?;
            self.range(
                &format!("{at}.jitter_s"),
                ignition.jitter_s,
                0.0..=beat_s / 20.0,
                "s, a twentieth of the time from pulse to pulse",
            )?;
        }
        self.range(
            &format!("{at}.noise_slope_db_per_s"),
            r.noise_slope_db_per_s,
            -60.0..=60.0,
            "dB/s",
        )?;
        for (index, step) in r.noise_step.iter().enumerate() {
            let at = format!("{at}.noise_step[{index}]");
            self.range(&format!("{at}.at_s"), step.at_s, 0.0..=1e7, "s")?;
            self.range(&format!("{at}.change_db"), step.change_db, -100.0..=100.0, "dB")?;
        }
        Ok(())
    }

    fn rotator(&self, at: &str, rotator: RotatorScene) -> Checked {
        let azimuth = rotator.raw_start_deg();
        let (kind, first) = match rotator {
            RotatorScene::Fixed { .. } => ("fixed", "azimuth_mount_deg"),
            RotatorScene::Continuous { .. } => ("continuous", "start_azimuth_mount_deg"),
            RotatorScene::Steps { .. } => ("steps", "start_azimuth_mount_deg"),
            RotatorScene::Swing { .. } => ("swing", "center_azimuth_mount_deg"),
            RotatorScene::HandSwung { .. } => ("hand_swung", "center_azimuth_mount_deg"),
            RotatorScene::Hand { .. } => ("hand", "start_azimuth_mount_deg"),
        };
        let at = format!("{at}.{kind}");
        self.range(&format!("{at}.{first}"), azimuth, -360.0..=360.0, "degrees")?;
        let rate = format!("{at}.rate_deg_per_s");
        match rotator {
            RotatorScene::Fixed { .. } => Ok(()),
            RotatorScene::Continuous { rate_deg_per_s, .. } => {
                self.range(&rate, rate_deg_per_s, -36e3..=36e3, "degrees/s")
            }
            RotatorScene::Steps {
                step_deg,
                dwell_s,
                rate_deg_per_s,
                ..
            } => {
                self.range(&rate, rate_deg_per_s, 0.01..=36e3, "degrees/s")?;
                self.range(&format!("{at}.dwell_s"), dwell_s, 0.001..=1e6, "s")?;
                self.range(&format!("{at}.step_deg"), step_deg, -360.0..=360.0, "degrees")
            }
            RotatorScene::Swing {
                half_width_deg,
                rate_deg_per_s,
                ..
            } => {
                self.range(&rate, rate_deg_per_s, 0.01..=36e3, "degrees/s")?;
                self.range(
                    &format!("{at}.half_width_deg"),
                    half_width_deg,
                    0.1..=720.0,
                    "degrees",
                )
            }
            RotatorScene::HandSwung {
                half_width_deg,
                leg_s,
                pause_share,
                ..
            } => {
                self.range(
                    &format!("{at}.half_width_deg"),
                    half_width_deg,
                    0.1..=720.0,
                    "degrees",
                )?;
                self.range(&format!("{at}.leg_s"), leg_s, 0.05..=1e6, "s")?;
                self.range(&format!("{at}.pause_share"), pause_share, 0.0..=0.4, "")
            }
            RotatorScene::Hand {
                rate_deg_per_s,
                wander_deg,
                wander_rate_hz,
                ..
            } => {
                self.range(&rate, rate_deg_per_s, -36e3..=36e3, "degrees/s")?;
                self.range(&format!("{at}.wander_deg"), wander_deg, 0.0..=180.0, "degrees")?;
                self.range(&format!("{at}.wander_rate_hz"), wander_rate_hz, 0.0..=10.0, "Hz")
            }
        }
    }

    pub(crate) fn fading(&self, at: &str, f: FadingScene) -> Checked {
        self.range(&format!("{at}.rician_k_db"), f.rician_k_db, -60.0..=60.0, "dB")?;
        self.range(&format!("{at}.doppler_hz"), f.doppler_hz, 0.0..=100.0, "Hz")?;
        self.range(
            &format!("{at}.shadowing_sigma_db"),
            f.shadowing_sigma_db,
            0.0..=30.0,
            "dB",
        )?;
        self.range(
            &format!("{at}.shadowing_rate_hz"),
            f.shadowing_rate_hz,
            0.0..=10.0,
            "Hz",
        )
    }
}
