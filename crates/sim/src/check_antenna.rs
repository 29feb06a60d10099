//! Ranges of antennas, arrays and switches, and whether they go together with receiver and transmitters.

use lobewright_antenna::{ScheduleError, SwitchSchedule, SwitchStep};

use crate::check::{Checked, Checker, MOST_POINTS};
use crate::constants::SPEED_OF_LIGHT_M_PER_S;
use crate::spec::{SceneFile, StationFile};
use crate::spec_antenna::{AntennaScene, ArrayScene, GainErrorScene, SwitchScene};
use crate::spec_receiver::ReceiverScene;

/// Largest radius of an ideal ring.
const LARGEST_RADIUS_WAVELENGTHS: f64 = 10.0;
/// Samples that a dwell holds at least.
const LEAST_DWELL_SAMPLES: f64 = 4.0;

/// The schedule that a station is told of.
pub(crate) fn schedule_of(switch: &SwitchScene) -> Result<SwitchSchedule, ScheduleError> {
    let steps = switch
        .order
        .iter()
        .map(|port| SwitchStep {
            port: port.checked_sub(1),
            dwell_s: switch.dwell_s,
        })
        .collect();
    Ok(SwitchSchedule::from_steps(steps, switch.settle_s)?.with_start(switch.start_s))
}

impl Checker<'_> {
    pub(crate) fn antenna(&self, at: &str, antenna: &AntennaScene) -> Checked {
        self.range(
            &format!("{at}.cable_loss_db"),
            antenna.cable_loss_db,
            0.0..=200.0,
            "dB",
        )?;
        match &antenna.array {
            None => self.single(at, antenna)?,
            Some(array) => {
                if !antenna.pattern.is_empty() {
                    let wanted = "left out where there is an array, whose ports have patterns of their own";
                    return Err(self
                        .source
                        .value(&format!("{at}.pattern"), &antenna.pattern, wanted));
                }
                self.array(&format!("{at}.array.{}", array.kind()), array)?;
            }
        }
        let ports = antenna.array.as_ref().map_or(1, ArrayScene::ports);
        self.one_each(
            &format!("{at}.port_error"),
            antenna.port_error.len(),
            ports,
            "port",
        )?;
        for (index, error) in antenna.port_error.iter().enumerate() {
            self.gain_error(&format!("{at}.port_error[{index}]"), *error)?;
        }
        if let Some(switch) = &antenna.switch {
            self.switch(&format!("{at}.switch"), switch, ports)?;
        }
        if let Some(error) = &antenna.pattern_error {
            let at = format!("{at}.pattern_error");
            self.range(&format!("{at}.rms_db"), error.rms_db, 0.0..=20.0, "dB")?;
            self.range(
                &format!("{at}.phase_rms_deg"),
                error.phase_rms_deg,
                0.0..=90.0,
                "degrees",
            )?;
            self.range(&format!("{at}.orders"), f64::from(error.orders), 1.0..=60.0, "")?;
        }
        Ok(())
    }

    fn single(&self, at: &str, antenna: &AntennaScene) -> Checked {
        let field = format!("{at}.pattern");
        if antenna.pattern.is_empty() && !self.source.has(&field) {
            let wanted =
                format!("given for an antenna that is turned, or a table `[{at}.array.KIND]` in its place");
            return Err(self.source.value(&field, "missing", wanted));
        }
        self.name(&field, &antenna.pattern)?;
        if antenna.switch.is_some() {
            let wanted =
                format!("left out, or beside a table `[{at}.array.KIND]` with the ports that it switches");
            return Err(self.source.value(&format!("{at}.switch"), "alone", wanted));
        }
        Ok(())
    }

    fn array(&self, at: &str, array: &ArrayScene) -> Checked {
        let ports = array.ports();
        let counted = match array {
            ArrayScene::Sectors { .. } => "port",
            ArrayScene::Ring { .. } => "elements",
            ArrayScene::Elements { .. } => "pattern",
        };
        if !(2..=64).contains(&ports) {
            let wanted = "2 to 64 ports";
            return Err(self.source.value(&format!("{at}.{counted}"), &ports, wanted));
        }
        match array {
            ArrayScene::Sectors { port } => {
                for (index, port) in port.iter().enumerate() {
                    let at = format!("{at}.port[{index}]");
                    self.name(&format!("{at}.pattern"), &port.pattern)?;
                    self.range(
                        &format!("{at}.boresight_mount_deg"),
                        port.boresight_mount_deg,
                        -360.0..=360.0,
                        "degrees from the mounting's zero mark",
                    )?;
                }
                Ok(())
            }
            ArrayScene::Ring {
                radius_m,
                first_azimuth_mount_deg,
                ..
            } => {
                self.range(&format!("{at}.radius_m"), *radius_m, 1e-4..=1e5, "m")?;
                self.range(
                    &format!("{at}.first_azimuth_mount_deg"),
                    *first_azimuth_mount_deg,
                    -360.0..=360.0,
                    "degrees from the mounting's zero mark",
                )
            }
            ArrayScene::Elements { pattern } => pattern
                .iter()
                .try_for_each(|name| self.name(&format!("{at}.pattern"), name)),
        }
    }

    fn switch(&self, at: &str, switch: &SwitchScene, ports: usize) -> Checked {
        if let Some(port) = switch.order.iter().find(|p| usize::from(**p) > ports) {
            let wanted = format!("ports from 1 to {ports}, or 0 for none");
            return Err(self.source.value(&format!("{at}.order"), port, wanted));
        }
        self.range(&format!("{at}.start_s"), switch.start_s, -1e6..=1e6, "s")?;
        self.range(
            &format!("{at}.clock_error_ppm"),
            switch.clock_error_ppm,
            -2e4..=2e4,
            "ppm",
        )?;
        schedule_of(switch).map_err(|error| {
            let field = match &error {
                ScheduleError::Step { field, .. } | ScheduleError::Number { field, .. } => *field,
                _ => "order",
            };
            self.source.value(
                &format!("{at}.{field}"),
                "wrong",
                format!("such that a schedule can be made of it: {error}"),
            )
        })?;
        let free_s = switch.dwell_s - switch.settle_s;
        self.range(
            &format!("{at}.jitter_s"),
            switch.jitter_s,
            0.0..=free_s / 10.0,
            "s, a tenth of the settled time",
        )
    }

    pub(crate) fn gain_error(&self, at: &str, error: GainErrorScene) -> Checked {
        self.range(&format!("{at}.gain_db"), error.gain_db, -60.0..=60.0, "dB")?;
        self.range(
            &format!("{at}.phase_deg"),
            error.phase_deg,
            -360.0..=360.0,
            "degrees",
        )
    }

    fn one_each(&self, field: &str, found: usize, wanted: usize, of: &str) -> Checked {
        if found == 0 || found == wanted {
            return Ok(());
        }
        let wanted = format!("one entry for each {of}, {wanted}, or left out");
        Err(self.source.value(field, &format!("{found} entries"), wanted))
    }

    /// Whether the antenna of a station suits its receiver and the transmitters.
    pub(crate) fn antenna_and_receiver(&self, at: &str, s: &StationFile, file: &SceneFile) -> Checked {
        let own = |table: &str, is_own: bool| {
            if is_own {
                format!("{at}.{table}")
            } else {
                table.to_owned()
            }
        };
        let Some(antenna) = s.antenna.as_ref().or(file.antenna.as_ref()) else {
            return Ok(());
        };
        let antenna_at = own("antenna", s.antenna.is_some());
        if let Some(ArrayScene::Ring { radius_m, .. }) = &antenna.array {
            for transmitter in &file.transmitter {
                let wavelength_m = SPEED_OF_LIGHT_M_PER_S / transmitter.frequency_hz;
                if *radius_m > LARGEST_RADIUS_WAVELENGTHS * wavelength_m {
                    let wanted = format!(
                        "at most {:.3} m, ten wavelengths of transmitter `{}`",
                        LARGEST_RADIUS_WAVELENGTHS * wavelength_m,
                        transmitter.name
                    );
                    return Err(self.source.value(
                        &format!("{antenna_at}.array.ring.radius_m"),
                        radius_m,
                        wanted,
                    ));
                }
            }
        }
        let Some(receiver) = s.receiver.as_ref().or(file.receiver.as_ref()) else {
            return Ok(());
        };
        self.channels(&own("receiver", s.receiver.is_some()), receiver, antenna)?;
        if let Some(switch) = &antenna.switch
            && s.duration_s / switch.dwell_s > MOST_POINTS
        {
            return Err(self.source.value(
                &format!("{at}.duration_s"),
                &s.duration_s,
                format!(
                    "at most {} s, a million switching instants",
                    MOST_POINTS * switch.dwell_s
                ),
            ));
        }
        match &antenna.switch {
            Some(switch) if switch.dwell_s * receiver.rate_hz < LEAST_DWELL_SAMPLES => {
                Err(self.source.value(
                    &format!("{antenna_at}.switch.dwell_s"),
                    &switch.dwell_s,
                    format!(
                        "at least {} s, four samples",
                        LEAST_DWELL_SAMPLES / receiver.rate_hz
                    ),
                ))
            }
            _ => Ok(()),
        }
    }

    fn channels(&self, at: &str, receiver: &ReceiverScene, antenna: &AntennaScene) -> Checked {
        let channels = match (&antenna.array, &antenna.switch) {
            (Some(array), None) => array.ports(),
            _ => 1,
        };
        let found = receiver.channel_error.len();
        self.one_each(&format!("{at}.channel_error"), found, channels, "channel")
    }
}
