//! Ranges of a scene's values.

use std::ops::RangeInclusive;

use crate::error::{SceneError, Source};
use crate::morse::{MorseText, dot_s};
use crate::spec::{
    EmissionScene, IdentificationPlace, IdentificationScene, ReflectionScene, SceneFile, StationFile,
    TransmitterScene,
};

/// Transmissions and azimuths are kept in lists: no more of them than this.
pub(crate) const MOST_POINTS: f64 = 1e6;

pub(crate) type Checked = Result<(), SceneError>;

/// Checks every value by itself and against the others; which patterns and common tables there are is not checked here.
pub(crate) fn check(file: &SceneFile, source: &Source<'_>) -> Checked {
    let c = Checker { source };
    c.name("scene.name", &file.scene.name)?;
    c.range(
        "scene.snr_bandwidth_hz",
        file.scene.snr_bandwidth_hz,
        1.0..=1e9,
        "Hz",
    )?;
    let loss = &file.path_loss;
    c.range("path_loss.exponent", loss.exponent, 1.0..=8.0, "")?;
    c.range(
        "path_loss.reference_distance_m",
        loss.reference_distance_m,
        1.0..=1e6,
        "m",
    )?;
    c.range(
        "path_loss.excess_loss_db",
        loss.excess_loss_db,
        -50.0..=200.0,
        "dB",
    )?;
    c.parts(
        "",
        file.receiver.as_ref(),
        file.antenna.as_ref(),
        file.rotator.as_ref(),
        file.fading.as_ref(),
    )?;
    c.some("transmitter", file.transmitter.len())?;
    c.some("station", file.station.len())?;
    let names: Vec<&str> = file.transmitter.iter().map(|t| t.name.as_str()).collect();
    c.unique("transmitter", &names)?;
    for (index, transmitter) in file.transmitter.iter().enumerate() {
        c.transmitter(&format!("transmitter[{index}]"), transmitter)?;
    }
    let stations: Vec<&str> = file.station.iter().map(|s| s.name.as_str()).collect();
    c.unique("station", &stations)?;
    for (index, station) in file.station.iter().enumerate() {
        let at = format!("station[{index}]");
        c.station(&at, station, &names)?;
        c.together(&at, station, file)?;
    }
    Ok(())
}

pub(crate) struct Checker<'a> {
    pub(crate) source: &'a Source<'a>,
}

impl Checker<'_> {
    pub(crate) fn range(&self, field: &str, value: f64, range: RangeInclusive<f64>, unit: &str) -> Checked {
        // Not a number lies in no range.
        if range.contains(&value) {
            return Ok(());
        }
        let wanted = format!("a number from {} to {} {unit}", range.start(), range.end());
        Err(self.source.value(field, &value, wanted.trim_end()))
    }

    pub(crate) fn name(&self, field: &str, name: &str) -> Checked {
        if name.trim().is_empty() {
            return Err(self.source.value(field, "empty", "a name"));
        }
        Ok(())
    }

    fn some(&self, table: &str, count: usize) -> Checked {
        if count == 0 {
            return Err(self
                .source
                .value(table, "empty", format!("at least one [[{table}]]")));
        }
        Ok(())
    }

    fn unique(&self, table: &str, names: &[&str]) -> Checked {
        for (index, name) in names.iter().enumerate() {
            let field = format!("{table}[{index}].name");
            self.name(&field, name)?;
            if names[..index].contains(name) {
                return Err(self.source.value(&field, name, "a name that no other one has"));
            }
        }
        Ok(())
    }

    fn place(&self, at: &str, lat_deg: f64, lon_deg: f64) -> Checked {
        self.range(
            &format!("{at}.lat_deg"),
            lat_deg,
            -90.0..=90.0,
            "degrees, north positive",
        )?;
        self.range(
            &format!("{at}.lon_deg"),
            lon_deg,
            -180.0..=360.0,
            "degrees, east positive",
        )
    }

    fn transmitter(&self, at: &str, t: &TransmitterScene) -> Checked {
        self.place(at, t.lat_deg, t.lon_deg)?;
        self.range(&format!("{at}.frequency_hz"), t.frequency_hz, 1e3..=1e12, "Hz")?;
        self.range(
            &format!("{at}.drift_hz_per_s"),
            t.drift_hz_per_s,
            -1e3..=1e3,
            "Hz/s",
        )?;
        self.range(&format!("{at}.eirp_dbm"), t.eirp_dbm, -200.0..=150.0, "dBm")?;
        self.range(&format!("{at}.ramp_s"), t.ramp_s, 0.0..=1.0, "s")?;
        self.emission(&format!("{at}.emission"), t.emission)?;
        if let Some(identification) = &t.identification {
            self.identification(&format!("{at}.identification"), identification)?;
        }
        for (index, cycle) in t.cycle.iter().enumerate() {
            let at = format!("{at}.cycle[{index}]");
            self.range(&format!("{at}.period_s"), cycle.period_s, 0.01..=1e7, "s")?;
            self.range(
                &format!("{at}.on_s"),
                cycle.on_s,
                1e-3..=cycle.period_s,
                "s, the period",
            )?;
            self.range(
                &format!("{at}.first_start_s"),
                cycle.first_start_s,
                -1e7..=1e9,
                "s",
            )?;
            self.range(
                &format!("{at}.jitter_s"),
                cycle.jitter_s,
                0.0..=cycle.period_s / 4.0,
                "s, a quarter of the period",
            )?;
            self.fits(&at, t, cycle.on_s)?;
        }
        Ok(())
    }

    /// Whether ramps and identification find room in the on-time.
    fn fits(&self, at: &str, t: &TransmitterScene, on_s: f64) -> Checked {
        let needed_s = 2.0 * t.ramp_s;
        let needed_s = match &t.identification {
            Some(i) if i.at != IdentificationPlace::Throughout => needed_s.max(identification_s(i)),
            _ => needed_s,
        };
        if needed_s > on_s {
            return Err(self.source.value(
                &format!("{at}.on_s"),
                &on_s,
                format!("at least {needed_s:.3} s, which ramps and identification take"),
            ));
        }
        Ok(())
    }

    fn emission(&self, at: &str, emission: EmissionScene) -> Checked {
        match emission {
            EmissionScene::Carrier | EmissionScene::Silence => Ok(()),
            EmissionScene::FmVoice { deviation_hz } => self.range(
                &format!("{at}.fm_voice.deviation_hz"),
                deviation_hz,
                0.0..=1e6,
                "Hz",
            ),
            EmissionScene::FmTone {
                deviation_hz,
                tone_hz,
            } => {
                self.range(
                    &format!("{at}.fm_tone.deviation_hz"),
                    deviation_hz,
                    0.0..=1e6,
                    "Hz",
                )?;
                self.range(&format!("{at}.fm_tone.tone_hz"), tone_hz, 1.0..=8_000.0, "Hz")
            }
            EmissionScene::Noise { bandwidth_hz } => {
                self.range(&format!("{at}.noise.bandwidth_hz"), bandwidth_hz, 1.0..=1e8, "Hz")
            }
            EmissionScene::Ook { bit_rate_hz } => self.range(
                &format!("{at}.ook.bit_rate_hz"),
                bit_rate_hz,
                0.1..=1e7,
                "bits a second",
            ),
        }
    }

    fn identification(&self, at: &str, i: &IdentificationScene) -> Checked {
        let text = format!("{at}.text");
        self.name(&text, &i.text)?;
        if let Err(character) = MorseText::new(&i.text) {
            let found = format!("`{}` with `{character}`", i.text);
            return Err(self
                .source
                .value(&text, &found, "letters, figures and marks of ITU-R M.1677-1"));
        }
        self.range(&format!("{at}.wpm"), i.wpm, 1.0..=100.0, "words a minute")?;
        self.range(&format!("{at}.tone_hz"), i.tone_hz, 50.0..=8_000.0, "Hz")?;
        self.range(&format!("{at}.deviation_hz"), i.deviation_hz, 0.0..=1e6, "Hz")?;
        self.range(&format!("{at}.depth"), i.depth, 0.0..=1.0, "")?;
        self.range(&format!("{at}.gap_s"), i.gap_s, 0.0..=60.0, "s")?;
        self.range(
            &format!("{at}.edge_s"),
            i.edge_s,
            0.0..=dot_s(i.wpm),
            "s, one dot",
        )
    }

    fn station(&self, at: &str, s: &StationFile, transmitters: &[&str]) -> Checked {
        self.place(at, s.lat_deg, s.lon_deg)?;
        self.range(
            &format!("{at}.heading_true_deg"),
            s.heading_true_deg,
            -360.0..=360.0,
            "degrees from true north",
        )?;
        self.range(
            &format!("{at}.heading_error_deg"),
            s.heading_error_deg,
            -180.0..=180.0,
            "degrees, clockwise positive",
        )?;
        self.range(&format!("{at}.start_s"), s.start_s, 0.0..=1e9, "s")?;
        self.range(&format!("{at}.duration_s"), s.duration_s, 1e-3..=1e7, "s")?;
        self.range(
            &format!("{at}.excess_loss_db"),
            s.excess_loss_db,
            -50.0..=200.0,
            "dB",
        )?;
        self.range(
            &format!("{at}.track_interval_s"),
            s.track_interval_s,
            1e-3..=1e3,
            "s",
        )?;
        self.range(
            &format!("{at}.track_latency_s"),
            s.track_latency_s,
            -60.0..=60.0,
            "s",
        )?;
        self.parts(
            &format!("{at}."),
            s.receiver.as_ref(),
            s.antenna.as_ref(),
            s.rotator.as_ref(),
            s.fading.as_ref(),
        )?;
        for (index, reflection) in s.reflection.iter().enumerate() {
            self.reflection(&format!("{at}.reflection[{index}]"), reflection, transmitters)?;
        }
        Ok(())
    }

    fn reflection(&self, at: &str, r: &ReflectionScene, transmitters: &[&str]) -> Checked {
        self.range(
            &format!("{at}.azimuth_true_deg"),
            r.azimuth_true_deg,
            -360.0..=360.0,
            "degrees from true north",
        )?;
        self.range(
            &format!("{at}.relative_level_db"),
            r.relative_level_db,
            -200.0..=100.0,
            "dB",
        )?;
        self.range(&format!("{at}.delay_us"), r.delay_us, 0.0..=1e4, "microseconds")?;
        if let Some(name) = &r.transmitter
            && !transmitters.contains(&name.as_str())
        {
            let wanted = format!("the name of a transmitter: {}", transmitters.join(", "));
            return Err(self.source.value(&format!("{at}.transmitter"), name, wanted));
        }
        r.fading
            .map_or(Ok(()), |fading| self.fading(&format!("{at}.fading"), fading))
    }

    /// Whether the lists of azimuths and transmissions stay short.
    fn countable(&self, at: &str, s: &StationFile, file: &SceneFile) -> Checked {
        if s.duration_s / s.track_interval_s > MOST_POINTS {
            return Err(self.source.value(
                &format!("{at}.duration_s"),
                &s.duration_s,
                format!(
                    "at most {} s, a million points of the azimuth track",
                    MOST_POINTS * s.track_interval_s
                ),
            ));
        }
        for (t, transmitter) in file.transmitter.iter().enumerate() {
            for (index, cycle) in transmitter.cycle.iter().enumerate() {
                let end_s = s.start_s + s.duration_s;
                if (end_s - cycle.first_start_s) / cycle.period_s > MOST_POINTS {
                    return Err(self.source.value(
                        &format!("transmitter[{t}].cycle[{index}].first_start_s"),
                        &cycle.first_start_s,
                        format!("late enough for at most a million transmissions up to {end_s} s"),
                    ));
                }
            }
        }
        Ok(())
    }

    /// What the receiver can take in of the transmitters and their fading.
    fn together(&self, at: &str, s: &StationFile, file: &SceneFile) -> Checked {
        self.countable(at, s, file)?;
        let Some(receiver) = s.receiver.as_ref().or(file.receiver.as_ref()) else {
            return Ok(());
        };
        let table = if s.receiver.is_some() {
            format!("{at}.receiver")
        } else {
            "receiver".to_owned()
        };
        for transmitter in &file.transmitter {
            let offset_hz = transmitter.frequency_hz - receiver.center_hz;
            if offset_hz.abs() > receiver.rate_hz / 2.0 {
                return Err(self.source.value(
                    &format!("{table}.center_hz"),
                    &receiver.center_hz,
                    format!(
                        "within {} Hz, half the sample rate, of transmitter `{}` at {} Hz",
                        receiver.rate_hz / 2.0,
                        transmitter.name,
                        transmitter.frequency_hz
                    ),
                ));
            }
            if let EmissionScene::Noise { bandwidth_hz } = transmitter.emission
                && bandwidth_hz > 0.8 * receiver.rate_hz
            {
                return Err(self.source.value(
                    &format!("{table}.rate_hz"),
                    &receiver.rate_hz,
                    format!(
                        "at least {} Hz, 1.25 times the bandwidth of transmitter `{}`",
                        1.25 * bandwidth_hz,
                        transmitter.name
                    ),
                ));
            }
        }
        self.antenna_and_receiver(at, s, file)?;
        let fading = s.fading.as_ref().or(file.fading.as_ref());
        let reflected = s.reflection.iter().filter_map(|r| r.fading.as_ref());
        let fastest_hz = fading
            .into_iter()
            .chain(reflected)
            .map(|f| f.doppler_hz)
            .fold(0.0, f64::max);
        // A frame has 8 samples at least, and may not be longer than a twentieth of the fastest fade.
        if fastest_hz * 160.0 > receiver.rate_hz {
            return Err(self.source.value(
                &format!("{table}.rate_hz"),
                &receiver.rate_hz,
                format!("at least {} Hz, 160 times the Doppler rate", fastest_hz * 160.0),
            ));
        }
        Ok(())
    }
}

/// Time that an identification takes with the pauses around it.
fn identification_s(i: &IdentificationScene) -> f64 {
    let dots = MorseText::new(&i.text).map_or(0, |text| text.length_dots);
    f64::from(dots) * dot_s(i.wpm) + 2.0 * i.gap_s
}
