//! The pipeline file: sections, defaults and checks.

use std::path::{Path, PathBuf};

use lobewright_types::{SampleFormat, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{AntennaSection, ConfigError};

/// A whole pipeline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PipelineConfig {
    /// One line that says what the pipeline is for.
    #[serde(default)]
    pub title: String,
    /// Which channel is filtered out of the recordings.
    #[serde(default)]
    pub channel: ChannelSection,
    /// How bursts are found.
    #[serde(default)]
    pub burst: BurstSection,
    /// The antenna; without it bursts are logged but no bearing is taken.
    pub antenna: Option<AntennaSection>,
    /// How bearings are estimated.
    #[serde(default)]
    pub bearing: BearingSection,
    /// How the position is estimated.
    #[serde(default)]
    pub fix: FixSection,
    /// The recordings, one a place.
    #[serde(default, rename = "place")]
    pub places: Vec<PlaceSection>,
}

/// The channel that is filtered out of each recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelSection {
    /// Centre frequency of the channel. Without it the channel lies `offset_hz` from the recording's centre.
    pub center_hz: Option<f64>,
    /// Distance from the recording's centre where `center_hz` is not given.
    pub offset_hz: f64,
    /// Half width of the pass-band.
    pub pass_half_width_hz: f64,
    /// Distance from the centre from which everything is suppressed.
    pub stop_half_width_hz: f64,
    /// Largest less smallest gain within the pass-band.
    pub ripple_db: f64,
    /// Least suppression beyond the stop edge.
    pub stopband_db: f64,
    /// Least sample rate of the channel; 0 takes twice the stop edge.
    pub min_rate_hz: f64,
    /// Which channel of a recording with several, from 0.
    pub input_channel: usize,
    /// Whether the receiver's DC spike is taken off.
    pub remove_dc: bool,
    /// Whether the receiver's IQ imbalance is estimated and corrected.
    pub correct_iq: bool,
}

impl Default for ChannelSection {
    fn default() -> Self {
        Self {
            center_hz: None,
            offset_hz: 0.0,
            pass_half_width_hz: 6_250.0,
            stop_half_width_hz: 12_500.0,
            ripple_db: 0.1,
            stopband_db: 80.0,
            min_rate_hz: 0.0,
            input_channel: 0,
            remove_dc: false,
            correct_iq: false,
        }
    }
}

/// How bursts are found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BurstSection {
    /// False alarms that noise alone may cause.
    pub false_alarms_per_hour: f64,
    /// Time over which power is averaged for detection.
    pub integration_s: f64,
    /// Shorter bursts are not reported.
    pub min_length_s: f64,
    /// Shorter pauses do not end a burst.
    pub bridge_gap_s: f64,
    /// A longer burst is cut here and flagged.
    pub max_burst_s: f64,
}

impl Default for BurstSection {
    fn default() -> Self {
        Self {
            false_alarms_per_hour: 1.0,
            integration_s: 0.02,
            min_length_s: 0.1,
            bridge_gap_s: 0.2,
            max_burst_s: 600.0,
        }
    }
}

/// Which bursts share a bearing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum JoinBursts {
    /// All bursts of a recording, as one transmitter's.
    All,
    /// Each burst alone.
    Each,
}

/// How bearings are estimated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BearingSection {
    /// Length of a level reading.
    pub reading_s: f64,
    /// A reading is cut shorter where the antenna turns further than this.
    pub max_turn_deg: f64,
    /// Time left out at both ends of a burst.
    pub edge_guard_s: f64,
    /// Which bursts share a bearing.
    pub join: JoinBursts,
    /// For a ring: how much of a burst is used, from its start; its samples are held in memory.
    pub longest_samples_s: f64,
}

impl Default for BearingSection {
    fn default() -> Self {
        Self {
            reading_s: 0.1,
            max_turn_deg: 4.0,
            edge_guard_s: 0.02,
            join: JoinBursts::All,
            longest_samples_s: 10.0,
        }
    }
}

/// How the position is estimated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FixSection {
    /// Prior probability that a bearing is a reflection.
    pub reflection_prior: f64,
    /// How far from the places the transmitter may be; 0 takes 300 km, less where the bearings cross.
    pub search_radius_km: f64,
    /// Hand-taken bearings (CSV), relative to the pipeline file.
    pub hand_bearings: Option<PathBuf>,
    /// Bearings of earlier runs or other stations (JSON Lines), relative to the pipeline file.
    pub more_bearings: Vec<PathBuf>,
}

impl Default for FixSection {
    fn default() -> Self {
        Self {
            reflection_prior: 0.1,
            search_radius_km: 0.0,
            hand_bearings: None,
            more_bearings: Vec::new(),
        }
    }
}

/// The north that azimuths of a track are counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NorthName {
    /// Geographic north.
    True,
    /// Magnetic north at place and date.
    Magnetic,
    /// The mounting's zero mark.
    Mount,
}

/// One place and its recording.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PlaceSection {
    /// Its name.
    pub name: String,
    /// The recording, relative to the pipeline file: `.sigmf-meta`, `.sigmf`, `.wav`, or raw.
    pub recording: PathBuf,
    /// Sample format of a raw recording.
    pub format: Option<SampleFormat>,
    /// Sample rate of a raw recording.
    pub rate_hz: Option<f64>,
    /// Centre frequency where the recording does not say it.
    pub recording_center_hz: Option<f64>,
    /// UTC of the first sample where the recording does not say it.
    pub start_utc: Option<Timestamp>,
    /// Interleaved channels of a raw recording.
    pub channels: Option<usize>,
    /// Latitude, where the recording does not say it.
    pub lat_deg: Option<f64>,
    /// Longitude, east positive, where the recording does not say it.
    pub lon_deg: Option<f64>,
    /// Standard deviation of the position on each axis.
    pub position_sigma_m: Option<f64>,
    /// Azimuth track (CSV), relative to the pipeline file; without it the recording's own is used.
    pub track: Option<PathBuf>,
    /// North of the track's azimuths where its header does not say it.
    pub track_north: Option<NorthName>,
    /// Where the mounting's zero mark points, from true north.
    pub heading_true_deg: Option<f64>,
    /// Where the mounting's zero mark points, from magnetic north.
    pub heading_magnetic_deg: Option<f64>,
    /// Replaces the antenna section's value at this place.
    pub heading_sigma_deg: Option<f64>,
    /// Which port was connected when (CSV), relative to the pipeline file; in place of the antenna's switch.
    pub switch_schedule: Option<PathBuf>,
    /// When the first port of the antenna's cycle was switched to, from the first sample of this recording.
    pub switch_start_s: Option<f64>,
    /// Gain of the receiver, for the log.
    pub gain_db: Option<f64>,
    /// Attenuation in line.
    pub attenuation_db: f64,
}

impl PipelineConfig {
    /// Reads and checks a pipeline file.
    ///
    /// # Errors
    /// [`ConfigError`] names the file, the line or field, and what would be right.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = std::fs::read_to_string(path).map_err(|source| ConfigError::Read {
            path: path.to_owned(),
            source,
        })?;
        Self::from_toml(&text, &path.display().to_string())
    }

    /// Takes and checks a pipeline's text; `name` stands for it in messages.
    ///
    /// # Errors
    /// As [`PipelineConfig::load`].
    pub fn from_toml(text: &str, name: &str) -> Result<Self, ConfigError> {
        let config: Self = toml::from_str(text).map_err(|e| ConfigError::Parse {
            name: name.to_owned(),
            reason: e.to_string().trim_end().to_owned(),
        })?;
        config.check(name)?;
        Ok(config)
    }

    /// The settings as TOML, with every default written out.
    ///
    /// # Panics
    /// Never: every field has a TOML form.
    pub fn to_toml(&self) -> String {
        toml::to_string(self).expect("every field has a TOML form")
    }

    /// Checks every value against its range.
    ///
    /// # Errors
    /// [`ConfigError::Value`] for the first one out of range.
    pub fn check(&self, name: &str) -> Result<(), ConfigError> {
        let c = Checker { name };
        self.channel.check(&c)?;
        let b = &self.burst;
        c.within("burst.false_alarms_per_hour", b.false_alarms_per_hour, 1e-6, 1e5)?;
        c.within("burst.integration_s", b.integration_s, 1e-5, 10.0)?;
        c.within("burst.min_length_s", b.min_length_s, 1e-5, 3600.0)?;
        c.within("burst.bridge_gap_s", b.bridge_gap_s, 0.0, 600.0)?;
        c.within("burst.max_burst_s", b.max_burst_s, b.min_length_s, 86_400.0)?;
        let r = &self.bearing;
        c.within("bearing.reading_s", r.reading_s, 1e-4, 60.0)?;
        c.within("bearing.max_turn_deg", r.max_turn_deg, 0.01, 90.0)?;
        c.within("bearing.edge_guard_s", r.edge_guard_s, 0.0, 60.0)?;
        c.within("bearing.longest_samples_s", r.longest_samples_s, 0.01, 600.0)?;
        if let Some(antenna) = &self.antenna {
            antenna.check(&c)?;
        }
        c.within("fix.reflection_prior", self.fix.reflection_prior, 0.0, 0.9)?;
        c.within("fix.search_radius_km", self.fix.search_radius_km, 0.0, 300.0)?;
        for (i, place) in self.places.iter().enumerate() {
            place.check(i, &c)?;
            place.check_switch(i, self.antenna.as_ref(), &c)?;
            if let Some(j) = self.places[..i].iter().position(|p| p.name == place.name) {
                let found = format!("`{}` again, as at place {}", place.name, j + 1);
                return Err(c.wrong(&format!("place[{}].name", i + 1), &found, "a name of its own"));
            }
        }
        Ok(())
    }
}

impl ChannelSection {
    fn check(&self, c: &Checker) -> Result<(), ConfigError> {
        c.within("channel.pass_half_width_hz", self.pass_half_width_hz, 1.0, 1e9)?;
        c.within("channel.ripple_db", self.ripple_db, 1e-4, 3.0)?;
        c.within("channel.stopband_db", self.stopband_db, 10.0, 140.0)?;
        c.within("channel.offset_hz", self.offset_hz, -1e12, 1e12)?;
        c.within("channel.min_rate_hz", self.min_rate_hz, 0.0, 1e12)?;
        if !(self.stop_half_width_hz > self.pass_half_width_hz && self.stop_half_width_hz < 1e9) {
            let expected = format!("more than pass_half_width_hz ({})", self.pass_half_width_hz);
            return Err(c.wrong(
                "channel.stop_half_width_hz",
                &self.stop_half_width_hz.to_string(),
                &expected,
            ));
        }
        match self.center_hz {
            Some(hz) => c.within("channel.center_hz", hz, 0.0, 1e12),
            None => Ok(()),
        }
    }
}

impl PlaceSection {
    fn check(&self, index: usize, c: &Checker) -> Result<(), ConfigError> {
        let field = |key: &str| format!("place[{}].{key}", index + 1);
        if self.name.trim().is_empty() {
            return Err(c.wrong(&field("name"), "empty", "the name of the place"));
        }
        if self.recording.as_os_str().is_empty() {
            return Err(c.wrong(&field("recording"), "missing", "the path of a recording"));
        }
        let ranges = [
            ("lat_deg", self.lat_deg, -90.0, 90.0),
            ("lon_deg", self.lon_deg, -180.0, 360.0),
            ("position_sigma_m", self.position_sigma_m, 0.0, 1e5),
            ("rate_hz", self.rate_hz, 1.0, 1e12),
            ("heading_true_deg", self.heading_true_deg, -360.0, 360.0),
            ("heading_magnetic_deg", self.heading_magnetic_deg, -360.0, 360.0),
            ("heading_sigma_deg", self.heading_sigma_deg, 0.0, 180.0),
            ("switch_start_s", self.switch_start_s, -1e9, 1e9),
            ("gain_db", self.gain_db, -200.0, 200.0),
            ("attenuation_db", Some(self.attenuation_db), 0.0, 200.0),
        ];
        for (key, value, low, high) in ranges {
            if let Some(v) = value {
                c.within(&field(key), v, low, high)?;
            }
        }
        if self.lat_deg.is_some() != self.lon_deg.is_some() {
            return Err(c.wrong(
                &field("lat_deg"),
                "given without the other coordinate",
                "given with lon_deg",
            ));
        }
        if self.heading_true_deg.is_some() && self.heading_magnetic_deg.is_some() {
            let expected = "left out where heading_true_deg is given: one heading only";
            return Err(c.wrong(&field("heading_magnetic_deg"), "given too", expected));
        }
        Ok(())
    }
}

pub(crate) struct Checker<'a> {
    name: &'a str,
}

impl Checker<'_> {
    pub(crate) fn optional(
        &self,
        field: &str,
        value: Option<f64>,
        low: f64,
        high: f64,
    ) -> Result<(), ConfigError> {
        value.map_or(Ok(()), |v| self.within(field, v, low, high))
    }

    pub(crate) fn within(&self, field: &str, value: f64, low: f64, high: f64) -> Result<(), ConfigError> {
        if (low..=high).contains(&value) {
            return Ok(());
        }
        Err(self.wrong(field, &value.to_string(), &format!("from {low} to {high}")))
    }

    pub(crate) fn wrong(&self, field: &str, found: &str, expected: &str) -> ConfigError {
        ConfigError::Value {
            name: self.name.to_owned(),
            field: field.to_owned(),
            found: found.to_owned(),
            expected: expected.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str =
        "[antenna]\npattern = \"yagi-3\"\n[[place]]\nname = \"Tarn\"\nrecording = \"a.sigmf-meta\"\n";

    fn message(text: &str) -> String {
        PipelineConfig::from_toml(text, "x.toml").unwrap_err().to_string()
    }

    #[test]
    fn a_short_pipeline_gets_every_default() {
        let config = PipelineConfig::from_toml(SMALL, "x.toml").unwrap();
        assert_eq!(config.channel, ChannelSection::default());
        assert_eq!(config.places.len(), 1);
        let again = PipelineConfig::from_toml(&config.to_toml(), "y.toml").unwrap();
        assert_eq!(again, config);
    }

    #[test]
    fn an_unknown_key_is_named_with_its_line() {
        let text = message("[burst]\nmin_length = 1.0\n");
        assert!(text.contains("line 2") && text.contains("min_length"), "{text}");
    }

    #[test]
    fn a_value_out_of_range_says_what_would_be_right() {
        assert_eq!(
            message("[channel]\npass_half_width_hz = 20000.0\n"),
            "pipeline `x.toml`: `channel.stop_half_width_hz` is 12500, but must be more than pass_half_width_hz (20000)"
        );
        assert_eq!(
            message("[fix]\nreflection_prior = 1.5\n"),
            "pipeline `x.toml`: `fix.reflection_prior` is 1.5, but must be from 0 to 0.9"
        );
    }

    #[test]
    fn two_places_of_one_name_are_refused() {
        let text = format!(
            "{SMALL}{}",
            SMALL.split_once("[[").map(|s| format!("[[{}", s.1)).unwrap()
        );
        assert!(message(&text).contains("place[2].name"), "{}", message(&text));
    }

    #[test]
    fn not_a_number_is_out_of_every_range() {
        assert!(message("[burst]\nintegration_s = nan\n").contains("burst.integration_s"));
    }
}
