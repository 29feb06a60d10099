//! The pipeline file's `[antenna]`: one that is turned, several that are switched, or coherent channels.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::config::Checker;
use crate::{ConfigError, PlaceSection};

/// How the antenna tells directions apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AntennaKind {
    /// One antenna that is turned; the level over its boresight says the direction.
    #[default]
    Rotated,
    /// Several antennas that look different ways, switched to one receiver; their levels say the direction.
    Sectors,
    /// An array switched to one receiver; the steps of phase and level at the switch say the direction.
    Ring,
    /// An array whose every port has a receiver channel of its own, all on one clock.
    Coherent,
}

impl AntennaKind {
    /// The word for it in a pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Rotated => "rotated",
            Self::Sectors => "sectors",
            Self::Ring => "ring",
            Self::Coherent => "coherent",
        }
    }

    /// Whether a switch connects its ports to one receiver in turn.
    pub fn is_switched(self) -> bool {
        matches!(self, Self::Sectors | Self::Ring)
    }
}

/// The antenna of all places.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AntennaSection {
    /// What kind of antenna it is.
    pub kind: AntennaKind,
    /// For `rotated`: a pattern file (CSV, relative to the pipeline file) or the name of a built-in pattern:
    /// `isotropic`, `figure-eight`, `cardioid`, `yagi-3`.
    pub pattern: String,
    /// Standard deviation of the mounting's heading, common to all bearings of a place.
    pub heading_sigma_deg: f64,
    /// Standard deviation of an unknown delay between azimuth track and samples.
    pub latency_sigma_s: f64,
    /// For `sectors`: standard deviation of each port's fixed gain error; left out, the estimator's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port_gain_sigma_db: Option<f64>,
    /// For `ring` and `coherent`: error of a port's phase against the manifold that is most expected, 1 sigma; left out,
    /// the estimator's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase_error_deg: Option<f64>,
    /// For `ring` and `coherent`: one pattern file with phases for each port, in their order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub elements: Vec<PathBuf>,
    /// For `ring` and `coherent`: one table of all ports in place of `elements`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manifold: Option<PathBuf>,
    /// For `coherent`: what `lobewright calibrate` wrote.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibration: Option<PathBuf>,
    /// For `ring` and `coherent`: equal elements in a circle in place of `elements`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ideal_ring: Option<IdealRingSection>,
    /// For `sectors` and `ring`: which port is connected when.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub switch: Option<SwitchSection>,
    /// For `sectors`: the antennas, from port 1 on.
    #[serde(rename = "port", skip_serializing_if = "Vec::is_empty")]
    pub ports: Vec<PortSection>,
}

impl Default for AntennaSection {
    fn default() -> Self {
        Self {
            kind: AntennaKind::Rotated,
            pattern: String::new(),
            heading_sigma_deg: 2.0,
            latency_sigma_s: 0.0,
            port_gain_sigma_db: None,
            phase_error_deg: None,
            elements: Vec::new(),
            manifold: None,
            calibration: None,
            ideal_ring: None,
            switch: None,
            ports: Vec::new(),
        }
    }
}

/// One antenna of several that are switched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PortSection {
    /// What it is called.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// A pattern file or the name of a built-in pattern.
    pub pattern: String,
    /// Where the pattern's zero points, from the mounting's zero mark.
    pub boresight_mount_deg: f64,
}

/// Equal elements without coupling in a circle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IdealRingSection {
    /// How many.
    pub elements: usize,
    /// From the centre to each element.
    pub radius_m: f64,
    /// Where the first element stands, seen from the centre; the others follow clockwise.
    #[serde(default)]
    pub first_azimuth_mount_deg: f64,
}

/// Which port is connected to the receiver when.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SwitchSection {
    /// A list of instants (CSV `time_s,port`) in place of a cycle; a place may have its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schedule: Option<PathBuf>,
    /// Ports in the order they are switched to, from 1, again and again; 0 for none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub order: Vec<u16>,
    /// Time on each.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dwell_s: Option<f64>,
    /// Time after each switching instant that is not used.
    pub settle_s: f64,
    /// When the first port of `order` is switched to, from the first sample; for `ring` it is found where left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start_s: Option<f64>,
    /// For `ring`: how well the switch's clock is known against the samples', 1 sigma.
    pub clock_sigma_ppm: f64,
}

impl AntennaSection {
    /// A rotated antenna of a pattern.
    pub fn rotated(pattern: impl Into<String>) -> Self {
        Self {
            pattern: pattern.into(),
            ..Self::default()
        }
    }

    /// Left and right of the mounting's zero mark are told apart rather than directions: two ports.
    pub fn is_homing_pair(&self) -> bool {
        self.kind == AntennaKind::Sectors && self.ports.len() == 2
    }

    pub(crate) fn check(&self, c: &Checker) -> Result<(), ConfigError> {
        c.within("antenna.heading_sigma_deg", self.heading_sigma_deg, 0.0, 180.0)?;
        c.within("antenna.latency_sigma_s", self.latency_sigma_s, 0.0, 10.0)?;
        c.optional("antenna.port_gain_sigma_db", self.port_gain_sigma_db, 0.0, 20.0)?;
        c.optional("antenna.phase_error_deg", self.phase_error_deg, 0.0, 90.0)?;
        self.check_keys(c)?;
        match self.kind {
            AntennaKind::Rotated => {
                if self.pattern.is_empty() {
                    let right = "a pattern file or the name of a built-in one";
                    return Err(c.wrong("antenna.pattern", "empty", right));
                }
            }
            AntennaKind::Sectors => self.check_ports(c)?,
            AntennaKind::Ring | AntennaKind::Coherent => self.check_array(c)?,
        }
        match &self.switch {
            Some(switch) => switch.check(self.kind, c),
            None => Ok(()),
        }
    }

    /// A key of another kind would have no effect, which nobody wants who wrote it.
    fn check_keys(&self, c: &Checker) -> Result<(), ConfigError> {
        use AntennaKind::{Coherent, Ring, Rotated, Sectors};
        let array = !self.elements.is_empty() || self.manifold.is_some() || self.ideal_ring.is_some();
        let keys: [(&str, bool, &[AntennaKind]); 8] = [
            ("antenna.pattern", !self.pattern.is_empty(), &[Rotated]),
            ("antenna.latency_sigma_s", self.latency_sigma_s > 0.0, &[Rotated]),
            (
                "antenna.port_gain_sigma_db",
                self.port_gain_sigma_db.is_some(),
                &[Sectors],
            ),
            ("antenna.port", !self.ports.is_empty(), &[Sectors]),
            (
                "antenna.phase_error_deg",
                self.phase_error_deg.is_some(),
                &[Ring, Coherent],
            ),
            ("antenna.calibration", self.calibration.is_some(), &[Coherent]),
            ("antenna.switch", self.switch.is_some(), &[Sectors, Ring]),
            (self.array_key(), array, &[Ring, Coherent]),
        ];
        match keys.iter().find(|k| k.1 && !k.2.contains(&self.kind)) {
            Some((key, _, kinds)) => {
                let words: Vec<&str> = kinds.iter().map(|k| k.word()).collect();
                let found = format!("given for the kind `{}`", self.kind.word());
                Err(c.wrong(
                    key,
                    &found,
                    &format!("left out: it is for {}", words.join(" and ")),
                ))
            }
            None => Ok(()),
        }
    }

    fn array_key(&self) -> &'static str {
        if !self.elements.is_empty() {
            "antenna.elements"
        } else if self.manifold.is_some() {
            "antenna.manifold"
        } else {
            "antenna.ideal_ring"
        }
    }

    fn check_ports(&self, c: &Checker) -> Result<(), ConfigError> {
        if !(2..=64).contains(&self.ports.len()) {
            let found = format!("{} times there", self.ports.len());
            return Err(c.wrong(
                "antenna.port",
                &found,
                "there 2 to 64 times, once for each antenna",
            ));
        }
        for (i, port) in self.ports.iter().enumerate() {
            let field = |key: &str| format!("antenna.port[{}].{key}", i + 1);
            c.within(
                &field("boresight_mount_deg"),
                port.boresight_mount_deg,
                -360.0,
                360.0,
            )?;
            if port.pattern.is_empty() {
                let right = "a pattern file or the name of a built-in one";
                return Err(c.wrong(&field("pattern"), "empty", right));
            }
        }
        Ok(())
    }

    fn check_array(&self, c: &Checker) -> Result<(), ConfigError> {
        let given = [
            !self.elements.is_empty(),
            self.manifold.is_some(),
            self.ideal_ring.is_some(),
        ];
        if given.iter().filter(|g| **g).count() != 1 {
            let found = if given.contains(&true) {
                "given beside another form of the same"
            } else {
                "missing"
            };
            let right = "given, or manifold, or ideal_ring: one of the three";
            return Err(c.wrong("antenna.elements", found, right));
        }
        if self.elements.len() == 1 {
            return Err(c.wrong(
                "antenna.elements",
                "one file",
                "one file for each of 2 to 64 ports",
            ));
        }
        if let Some(ring) = &self.ideal_ring {
            if !(2..=64).contains(&ring.elements) {
                let found = ring.elements.to_string();
                return Err(c.wrong("antenna.ideal_ring.elements", &found, "from 2 to 64"));
            }
            c.within("antenna.ideal_ring.radius_m", ring.radius_m, 1e-4, 1e4)?;
            c.within(
                "antenna.ideal_ring.first_azimuth_mount_deg",
                ring.first_azimuth_mount_deg,
                -360.0,
                360.0,
            )?;
        }
        Ok(())
    }
}

impl SwitchSection {
    fn check(&self, kind: AntennaKind, c: &Checker) -> Result<(), ConfigError> {
        c.within("antenna.switch.settle_s", self.settle_s, 0.0, 1e5)?;
        c.within(
            "antenna.switch.clock_sigma_ppm",
            self.clock_sigma_ppm,
            0.0,
            20_000.0,
        )?;
        c.optional("antenna.switch.start_s", self.start_s, -1e9, 1e9)?;
        c.optional("antenna.switch.dwell_s", self.dwell_s, 1e-7, 1e5)?;
        if kind == AntennaKind::Sectors && self.clock_sigma_ppm > 0.0 {
            let right = "0 for sectors: let settle_s cover what the switch drifts, or give its instants in a schedule";
            return Err(c.wrong(
                "antenna.switch.clock_sigma_ppm",
                &self.clock_sigma_ppm.to_string(),
                right,
            ));
        }
        if kind == AntennaKind::Ring && self.order.contains(&0) && self.clock_sigma_ppm > 0.0 {
            let right = "0 where a step of the cycle connects no port: its clock cannot be found";
            let found = self.clock_sigma_ppm.to_string();
            return Err(c.wrong("antenna.switch.clock_sigma_ppm", &found, right));
        }
        let cycle = !self.order.is_empty() || self.dwell_s.is_some();
        if self.schedule.is_some() && (cycle || self.start_s.is_some()) {
            let right = "left out where order, dwell_s or start_s are given: a list or a cycle";
            return Err(c.wrong("antenna.switch.schedule", "given too", right));
        }
        if cycle && self.order.is_empty() {
            return Err(c.wrong(
                "antenna.switch.order",
                "missing",
                "a list of ports, such as [1, 2, 3, 4]",
            ));
        }
        if cycle && self.dwell_s.is_none() {
            return Err(c.wrong(
                "antenna.switch.dwell_s",
                "missing",
                "the time on each port in seconds",
            ));
        }
        Ok(())
    }
}

impl PlaceSection {
    /// Whether it can be known which port was connected when.
    pub(crate) fn check_switch(
        &self,
        index: usize,
        antenna: Option<&AntennaSection>,
        c: &Checker,
    ) -> Result<(), ConfigError> {
        let field = |key: &str| format!("place[{}].{key}", index + 1);
        let kind = antenna.map(|a| a.kind).unwrap_or_default();
        if !kind.is_switched() {
            let given = [
                ("switch_schedule", self.switch_schedule.is_some()),
                ("switch_start_s", self.switch_start_s.is_some()),
            ];
            let right = "left out: the antenna's kind is not sectors or ring";
            return given
                .iter()
                .find(|g| g.1)
                .map_or(Ok(()), |g| Err(c.wrong(&field(g.0), "given", right)));
        }
        let switch = antenna.and_then(|a| a.switch.as_ref());
        let cycle = switch.is_some_and(|s| !s.order.is_empty()) && self.switch_schedule.is_none();
        let list = self.switch_schedule.is_some() || switch.is_some_and(|s| s.schedule.is_some());
        if self.switch_start_s.is_some() && !cycle {
            let right = "left out: it is the start of a cycle given by antenna.switch.order";
            return Err(c.wrong(&field("switch_start_s"), "given", right));
        }
        if !cycle && !list {
            let right = "given, or antenna.switch with a schedule or with order and dwell_s";
            return Err(c.wrong(&field("switch_schedule"), "missing", right));
        }
        let started = self.switch_start_s.or(switch.and_then(|s| s.start_s)).is_some();
        if kind == AntennaKind::Sectors && cycle && !started {
            let right = "given, or antenna.switch.start_s: levels alone do not show which port is connected";
            return Err(c.wrong(&field("switch_start_s"), "missing", right));
        }
        let blank = switch.is_some_and(|s| s.order.contains(&0));
        if kind == AntennaKind::Ring && cycle && !started && blank {
            let right =
                "given, or antenna.switch.start_s: where no port is connected the start cannot be found";
            return Err(c.wrong(&field("switch_start_s"), "missing", right));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use crate::PipelineConfig;

    const PORTS: &str = "[antenna]\nkind = \"sectors\"\n\
        port = [{ pattern = \"cardioid\", boresight_mount_deg = 90.0 }, \
        { pattern = \"cardioid\", boresight_mount_deg = 270.0 }]\n";
    const CYCLE: &str = "[antenna.switch]\norder = [1, 2]\ndwell_s = 0.02\nstart_s = 0.0\n";
    const PLACE: &str = "[[place]]\nname = \"Tarn\"\nrecording = \"a.sigmf-meta\"\n";

    fn refuse(text: &str, message: &str) {
        let error = PipelineConfig::from_toml(text, "x.toml").unwrap_err().to_string();
        assert_eq!(error, format!("pipeline `x.toml`: {message}"));
    }

    #[test]
    fn sectors_are_read_and_written_again() {
        let config = PipelineConfig::from_toml(&format!("{PORTS}{CYCLE}{PLACE}"), "x.toml").unwrap();
        assert!(config.antenna.as_ref().unwrap().is_homing_pair());
        let again = PipelineConfig::from_toml(&config.to_toml(), "y.toml").unwrap();
        assert_eq!(again, config);
    }

    #[test]
    fn a_key_of_another_kind_is_refused() {
        refuse(
            "[antenna]\nkind = \"ring\"\npattern = \"yagi-3\"\n",
            "`antenna.pattern` is given for the kind `ring`, but must be left out: it is for rotated",
        );
        refuse(
            "[antenna]\nkind = \"coherent\"\nmanifold = \"m.csv\"\n[antenna.switch]\n",
            "`antenna.switch` is given for the kind `coherent`, but must be left out: it is for sectors and ring",
        );
        refuse(
            &format!("[antenna]\npattern = \"yagi-3\"\n{PLACE}switch_start_s = 0.0\n"),
            "`place[1].switch_start_s` is given, but must be left out: the antenna's kind is not sectors or ring",
        );
    }

    #[test]
    fn sectors_need_ports_and_a_switch_with_a_start() {
        refuse(
            "[antenna]\nkind = \"sectors\"\n",
            "`antenna.port` is 0 times there, but must be there 2 to 64 times, once for each antenna",
        );
        refuse(
            &format!("{PORTS}{PLACE}"),
            "`place[1].switch_schedule` is missing, but must be given, or antenna.switch with a schedule or with \
             order and dwell_s",
        );
        let unknown = CYCLE.replace("start_s = 0.0\n", "");
        refuse(
            &format!("{PORTS}{unknown}{PLACE}"),
            "`place[1].switch_start_s` is missing, but must be given, or antenna.switch.start_s: levels alone do not \
             show which port is connected",
        );
        let blank = format!(
            "[antenna]\nkind = \"ring\"\nmanifold = \"m.csv\"\n{}{PLACE}",
            unknown.replace("[1, 2]", "[1, 2, 0]")
        );
        refuse(
            &blank,
            "`place[1].switch_start_s` is missing, but must be given, or antenna.switch.start_s: where no port is \
             connected the start cannot be found",
        );
        assert!(
            PipelineConfig::from_toml(&format!("{PORTS}{unknown}{PLACE}switch_start_s = 0.1\n"), "x").is_ok()
        );
        assert!(
            PipelineConfig::from_toml(&format!("{PORTS}{PLACE}switch_schedule = \"s.csv\"\n"), "x").is_ok()
        );
    }

    #[test]
    fn an_array_is_given_in_one_form() {
        refuse(
            "[antenna]\nkind = \"ring\"\n",
            "`antenna.elements` is missing, but must be given, or manifold, or ideal_ring: one of the three",
        );
        refuse(
            "[antenna]\nkind = \"coherent\"\nmanifold = \"m.csv\"\nideal_ring = { elements = 4, radius_m = 0.3 }\n",
            "`antenna.elements` is given beside another form of the same, but must be given, or manifold, or \
             ideal_ring: one of the three",
        );
    }

    #[test]
    fn a_switch_is_a_list_or_a_cycle() {
        let list = CYCLE.replace("order = [1, 2]", "schedule = \"s.csv\"");
        refuse(
            &format!("{PORTS}{list}"),
            "`antenna.switch.schedule` is given too, but must be left out where order, dwell_s or start_s are given: a \
             list or a cycle",
        );
        refuse(
            &format!("{PORTS}{}", CYCLE.replace("order = [1, 2]\n", "")),
            "`antenna.switch.order` is missing, but must be a list of ports, such as [1, 2, 3, 4]",
        );
    }
}
