//! One place: its recording becomes bursts, readings and a bearing.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use lobewright_antenna::{AzimuthTrack, Pattern, TrackNorth};
use lobewright_bearing::{Estimate, EstimatorConfig, PowerCells, ReadingConfig, Taken, estimate, to_bearing};
use lobewright_burst::{BurstDetector, DetectorConfig};
use lobewright_dsp::{
    BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection, Spectrogram, SpectrogramBuilder,
};
use lobewright_source::{OpenOptions, Recording, RecordingInfo};
use lobewright_types::{
    Azimuth, BearingOutcome, Burst, ChannelBlock, LevelReading, NoBearing, NoBearingReason, Position,
    RawBlock, Stage, StreamItem, Timestamp, True,
};

use crate::{JoinBursts, NorthName, PipelineConfig, PlaceSection, RecordingSummary, RunError};

/// Lines and columns of the spectrogram that a run keeps of each channel.
const SPECTROGRAM_ROWS: usize = 600;
const SPECTROGRAM_BINS: usize = 256;
/// Length of the cells that readings are put together from.
const CELL_S: f64 = 0.005;
/// Position error where nobody said one: a consumer GNSS receiver. (Common practice, no source.)
const DEFAULT_POSITION_SIGMA_M: f64 = 10.0;

/// What is the same for all places of a run.
pub struct PlaceSettings<'a> {
    /// The pipeline.
    pub config: &'a PipelineConfig,
    /// Its antenna pattern, already read.
    pub pattern: Option<Arc<Pattern>>,
    /// Folder that relative paths start from.
    pub base: &'a Path,
    /// Whether a spectrogram of the channel is kept.
    pub spectrogram: bool,
}

/// Which place to work on.
#[derive(Clone, Copy)]
pub struct PlaceInput<'a> {
    /// Its number in the pipeline, from 0.
    pub index: usize,
    /// Its section.
    pub section: &'a PlaceSection,
}

/// All that came of one place.
#[derive(Debug, Clone)]
pub struct PlaceResult {
    /// The place's name.
    pub name: String,
    /// Where it is, where known.
    pub position: Option<Position>,
    /// What was read.
    pub summary: RecordingSummary,
    /// Bursts in the order of their start.
    pub bursts: Vec<Burst>,
    /// Readings used for the bearings, those of one bearing together.
    pub readings: Vec<LevelReading>,
    /// One bearing, or one for each burst where they are not joined; or why there is none. Empty without an
    /// antenna.
    pub outcomes: Vec<BearingOutcome>,
    /// The estimate behind each outcome.
    pub estimates: Vec<Option<Estimate>>,
    /// Spectrogram of the channel, where asked for.
    pub spectrogram: Option<Spectrogram>,
}

/// Works on one place. `progress` is told the samples read and, where known, their total.
///
/// # Errors
/// [`RunError`] names the place and what is wrong. A place with no burst or no usable reading is no error.
pub fn process_place(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<PlaceResult, RunError> {
    let name = input.section.name.clone();
    let recording = open(settings, input.section)?;
    let site = Site::find(settings, input.section, recording.info())?;
    let heard = listen(settings, input.section, recording, &site, progress)?;
    let mut result = PlaceResult {
        name,
        position: site.position,
        summary: heard.summary,
        bursts: heard.bursts,
        readings: Vec::new(),
        outcomes: Vec::new(),
        estimates: Vec::new(),
        spectrogram: heard.spectrogram,
    };
    if settings.pattern.is_some() {
        take_bearings(
            settings,
            input,
            &site,
            heard.readings,
            heard.track_ended_early,
            &mut result,
        );
    }
    Ok(result)
}

/// Place, direction and time of a recording, from its own metadata and the pipeline's section.
struct Site {
    position: Option<Position>,
    position_sigma_m: f64,
    /// Azimuths from the mounting's zero mark.
    track: Option<AzimuthTrack>,
    heading: Azimuth<True>,
    heading_sigma_deg: f64,
}

fn open(settings: &PlaceSettings<'_>, section: &PlaceSection) -> Result<Recording, RunError> {
    let options = OpenOptions {
        format: section.format,
        rate_hz: section.rate_hz,
        center_hz: section.recording_center_hz,
        channels: section.channels,
        start_utc: section.start_utc,
        ..OpenOptions::default()
    };
    let path = resolve(settings.base, &section.recording);
    lobewright_source::open(&path, &options).map_err(|source| RunError::Open {
        place: section.name.clone(),
        source,
    })
}

fn resolve(base: &Path, path: &Path) -> PathBuf {
    // A dash stands for standard input and is no file of the pipeline's folder.
    if path.as_os_str() == "-" {
        path.to_owned()
    } else {
        base.join(path)
    }
}

impl Site {
    fn find(
        settings: &PlaceSettings<'_>,
        section: &PlaceSection,
        info: &RecordingInfo,
    ) -> Result<Self, RunError> {
        let missing = |what, remedy| RunError::Missing {
            place: section.name.clone(),
            what,
            remedy,
        };
        let position = match (section.lat_deg, section.lon_deg) {
            (Some(lat), Some(lon)) => Some(
                Position::from_lat_lon(lat, lon)
                    .map_err(|_| missing("a valid position", "give lat_deg and lon_deg"))?,
            ),
            _ => info.position(),
        };
        let time = info.utc_at(lobewright_types::SampleIndex(0));
        let mut site = Self {
            position,
            position_sigma_m: section.position_sigma_m.unwrap_or(DEFAULT_POSITION_SIGMA_M),
            track: None,
            heading: Azimuth::from_degrees(0.0),
            heading_sigma_deg: 0.0,
        };
        let Some(antenna) = &settings.config.antenna else {
            return Ok(site);
        };
        if position.is_none() {
            return Err(missing(
                "the station's position",
                "give lat_deg and lon_deg, or a recording with core:geolocation",
            ));
        }
        site.heading_sigma_deg = section.heading_sigma_deg.unwrap_or(antenna.heading_sigma_deg);
        let magnetic = Declination {
            position,
            time,
            section,
        };
        if let Some(deg) = section.heading_true_deg {
            site.heading = Azimuth::from_degrees(deg);
        } else if let Some(deg) = section.heading_magnetic_deg {
            let (declination_deg, sigma_deg) = magnetic.get()?;
            site.heading = Azimuth::<lobewright_types::Magnetic>::from_degrees(deg).to_true(declination_deg);
            site.heading_sigma_deg = site.heading_sigma_deg.hypot(sigma_deg);
        }
        let track = read_track(settings, section, info)?;
        if let Some(track) = track {
            if track.north() == TrackNorth::Mount
                && section.heading_true_deg.is_none()
                && section.heading_magnetic_deg.is_none()
            {
                return Err(missing(
                    "where the mounting's zero mark points",
                    "give heading_true_deg or heading_magnetic_deg, or a track counted from true or magnetic north",
                ));
            }
            let declination_deg = if track.north() == TrackNorth::Magnetic {
                let (deg, sigma_deg) = magnetic.get()?;
                site.heading_sigma_deg = site.heading_sigma_deg.hypot(sigma_deg);
                deg
            } else {
                0.0
            };
            site.track = Some(track.to_mount(site.heading, declination_deg));
        }
        Ok(site)
    }
}

struct Declination<'a> {
    position: Option<Position>,
    time: Option<Timestamp>,
    section: &'a PlaceSection,
}

impl Declination<'_> {
    /// Declination and its standard deviation at the place and time of the recording.
    fn get(&self) -> Result<(f64, f64), RunError> {
        let missing = |what, remedy| RunError::Missing {
            place: self.section.name.clone(),
            what,
            remedy,
        };
        let position = self
            .position
            .ok_or_else(|| missing("the position", "give lat_deg and lon_deg"))?;
        let time = self.time.ok_or_else(|| {
            missing(
                "the date, which the magnetic declination depends on,",
                "give start_utc",
            )
        })?;
        let declination =
            lobewright_geodesy::declination(position, 0.0, time).map_err(|e| RunError::Companion {
                place: self.section.name.clone(),
                what: "the magnetic model for",
                path: self.section.recording.clone(),
                source: Box::new(e),
            })?;
        Ok((declination.deg, declination.sigma_deg))
    }
}

fn read_track(
    settings: &PlaceSettings<'_>,
    section: &PlaceSection,
    info: &RecordingInfo,
) -> Result<Option<AzimuthTrack>, RunError> {
    let wrap = |path: &Path, source: Box<dyn std::error::Error + Send + Sync>| RunError::Companion {
        place: section.name.clone(),
        what: "azimuth track",
        path: path.to_owned(),
        source,
    };
    if let Some(path) = &section.track {
        let path = resolve(settings.base, path);
        let file = std::fs::File::open(&path).map_err(|e| wrap(&path, Box::new(e)))?;
        let north = section.track_north.map(|n| match n {
            NorthName::True => TrackNorth::True,
            NorthName::Magnetic => TrackNorth::Magnetic,
            NorthName::Mount => TrackNorth::Mount,
        });
        let track = AzimuthTrack::from_csv(std::io::BufReader::new(file), north)
            .map_err(|e| wrap(&path, Box::new(e)))?;
        return Ok(Some(track));
    }
    if info.azimuth_track.is_empty() {
        return Ok(None);
    }
    let points = info
        .azimuth_track
        .iter()
        .map(|p| (p.time_s, p.azimuth.degrees()))
        .collect();
    let track = AzimuthTrack::from_points(points, TrackNorth::True)
        .map_err(|e| wrap(&section.recording, Box::new(e)))?;
    Ok(Some(track))
}

/// What was heard at a place before any direction is thought of.
struct Heard {
    summary: RecordingSummary,
    bursts: Vec<Burst>,
    readings: Vec<Vec<LevelReading>>,
    track_ended_early: bool,
    spectrogram: Option<Spectrogram>,
}

/// The stages of one channel and what they have given so far.
struct Listener<'a> {
    settings: &'a PlaceSettings<'a>,
    site: &'a Site,
    detector: BurstDetector,
    cells: PowerCells,
    reading_config: ReadingConfig,
    spectrogram: Option<SpectrogramBuilder>,
    bursts: Vec<Burst>,
    readings: Vec<Vec<LevelReading>>,
    track_ended_early: bool,
}

impl Listener<'_> {
    fn take(&mut self, item: StreamItem<ChannelBlock>) -> Result<(), lobewright_burst::DetectorError> {
        self.cells.push(&item);
        if let (Some(spectrogram), StreamItem::Block(block)) = (&mut self.spectrogram, &item) {
            spectrogram.push(&block.samples);
        }
        let mut found = Vec::new();
        self.detector.push(item, &mut |burst| found.push(burst))?;
        self.keep(found);
        self.cells.forget_before(self.detector.holds_from());
        Ok(())
    }

    fn keep(&mut self, found: Vec<Burst>) {
        for burst in found {
            if let (Some(track), Some(_)) = (&self.site.track, &self.settings.pattern) {
                let set = self
                    .cells
                    .readings(&burst, self.bursts.len(), track, &self.reading_config);
                self.track_ended_early |= set.track_ended_early;
                self.readings.push(set.readings);
            } else {
                self.readings.push(Vec::new());
            }
            self.bursts.push(burst);
        }
    }
}

fn listen(
    settings: &PlaceSettings<'_>,
    section: &PlaceSection,
    mut recording: Recording,
    site: &Site,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<Heard, RunError> {
    let place = || section.name.clone();
    let channel_error = |source| RunError::Channel {
        place: place(),
        source,
    };
    let detector_error = |source| RunError::Detector {
        place: place(),
        source,
    };
    let read_error = |source| RunError::Read {
        place: place(),
        source,
    };

    let offset_hz = channel_offset_hz(settings.config, section, recording.info())?;
    let mut bank = ChannelBank::build(bank_config(settings.config, recording.info(), offset_hz))
        .map_err(channel_error)?;
    let rate_hz = bank.clock(0).rate_hz();
    let noise_bandwidth_hz = bank.noise_bandwidth_hz(0);
    let mut listener = Listener {
        settings,
        site,
        detector: BurstDetector::build(0, detector_config(settings.config, rate_hz, noise_bandwidth_hz))
            .map_err(detector_error)?,
        cells: PowerCells::new(CELL_S),
        reading_config: reading_config(settings.config, section, noise_bandwidth_hz),
        spectrogram: settings.spectrogram.then(|| {
            SpectrogramBuilder::new(rate_hz, SPECTROGRAM_BINS, SPECTROGRAM_ROWS)
                .expect("a rate that the channel filter took, and sizes that are fixed")
        }),
        bursts: Vec::new(),
        readings: Vec::new(),
        track_ended_early: false,
    };
    let total = recording.info().length_samples;
    let (mut gaps, mut missing_samples) = (0, 0);
    while let Some(item) = recording.next_item().map_err(read_error)? {
        if let StreamItem::Gap(gap) = &item {
            gaps += 1;
            missing_samples += gap.samples;
        }
        feed(&mut bank, Some(item), &mut listener).map_err(|e| e.name(place()))?;
        progress(recording.samples_read(), total);
    }
    feed(&mut bank, None, &mut listener).map_err(|e| e.name(place()))?;
    let mut found = Vec::new();
    listener
        .detector
        .finish(&mut |burst| found.push(burst))
        .map_err(detector_error)?;
    listener.keep(found);

    let info = recording.info();
    for burst in &mut listener.bursts {
        burst.start_utc = info.utc_at(burst.start);
    }
    let center_hz = info.center_hz_at(lobewright_types::SampleIndex(0));
    let samples = recording.samples_read();
    let summary = RecordingSummary {
        format: info.format,
        rate_hz: info.rate_hz,
        start_utc: info.utc_at(lobewright_types::SampleIndex(0)),
        recording_center_hz: center_hz,
        channel_center_hz: center_hz.map(|hz| hz + offset_hz),
        channel_offset_hz: offset_hz,
        channel_rate_hz: rate_hz,
        noise_bandwidth_hz,
        samples,
        seconds: samples as f64 / info.rate_hz,
        gaps,
        missing_samples,
        noise_dbfs: listener.detector.noise_floor().map(|f| f.level.0),
        warnings: recording.warnings().iter().map(ToString::to_string).collect(),
    };
    Ok(Heard {
        summary,
        bursts: listener.bursts,
        readings: listener.readings,
        track_ended_early: listener.track_ended_early,
        spectrogram: listener.spectrogram.as_ref().map(SpectrogramBuilder::finish),
    })
}

/// A fault in one of the stages, before it is known at which place.
enum StageFault {
    Channel(lobewright_dsp::BankError),
    Detector(lobewright_burst::DetectorError),
}

impl StageFault {
    fn name(self, place: String) -> RunError {
        match self {
            Self::Channel(source) => RunError::Channel { place, source },
            Self::Detector(source) => RunError::Detector { place, source },
        }
    }
}

/// Sends one item (none: the end) through the channel filter and what comes out on to the listener.
fn feed(
    bank: &mut ChannelBank,
    item: Option<StreamItem<RawBlock>>,
    listener: &mut Listener<'_>,
) -> Result<(), StageFault> {
    let mut fault = None;
    let mut out = |item: StreamItem<ChannelBlock>| {
        if fault.is_none() {
            fault = listener.take(item).err();
        }
    };
    match item {
        Some(item) => bank.push(item, &mut out),
        None => bank.finish(&mut out),
    }
    .map_err(StageFault::Channel)?;
    fault.map_or(Ok(()), |e| Err(StageFault::Detector(e)))
}

fn channel_offset_hz(
    config: &PipelineConfig,
    section: &PlaceSection,
    info: &RecordingInfo,
) -> Result<f64, RunError> {
    let Some(channel_hz) = config.channel.center_hz else {
        return Ok(config.channel.offset_hz);
    };
    let recording_hz = info
        .center_hz_at(lobewright_types::SampleIndex(0))
        .ok_or(RunError::Missing {
            place: section.name.clone(),
            what: "the recording's centre frequency",
            remedy: "give recording_center_hz, or channel.offset_hz in place of channel.center_hz",
        })?;
    Ok(channel_hz - recording_hz)
}

fn bank_config(config: &PipelineConfig, info: &RecordingInfo, offset_hz: f64) -> BankConfig {
    let c = &config.channel;
    let min_rate_hz = if c.min_rate_hz > 0.0 {
        c.min_rate_hz
    } else {
        2.0 * c.stop_half_width_hz
    };
    BankConfig {
        input_rate_hz: info.rate_hz,
        format: info.format,
        input_channels: info.channels,
        use_channel: c.input_channel,
        dc_removal: if c.remove_dc {
            DcRemoval::On { time_constant_s: 0.5 }
        } else {
            DcRemoval::Off
        },
        iq_correction: if c.correct_iq {
            IqCorrection::Estimate
        } else {
            IqCorrection::Off
        },
        channels: vec![ChannelSpec {
            offset_hz,
            pass_half_width_hz: c.pass_half_width_hz,
            stop_half_width_hz: c.stop_half_width_hz,
            ripple_db: c.ripple_db,
            stopband_db: c.stopband_db,
            min_rate_hz: min_rate_hz.min(info.rate_hz),
        }],
    }
}

fn detector_config(config: &PipelineConfig, rate_hz: f64, noise_bandwidth_hz: f64) -> DetectorConfig {
    let b = &config.burst;
    DetectorConfig {
        false_alarms_per_hour: b.false_alarms_per_hour,
        integration_s: b.integration_s,
        min_length_s: b.min_length_s,
        bridge_gap_s: b.bridge_gap_s,
        max_burst_s: b.max_burst_s,
        ..DetectorConfig::for_channel(rate_hz, noise_bandwidth_hz)
    }
}

fn reading_config(config: &PipelineConfig, section: &PlaceSection, noise_bandwidth_hz: f64) -> ReadingConfig {
    ReadingConfig {
        length_s: config.bearing.reading_s,
        max_turn_deg: config.bearing.max_turn_deg,
        edge_guard_s: config.bearing.edge_guard_s,
        gain_db: section.gain_db,
        attenuation_db: section.attenuation_db,
        ..ReadingConfig::new(noise_bandwidth_hz)
    }
}

fn take_bearings(
    settings: &PlaceSettings<'_>,
    input: PlaceInput<'_>,
    site: &Site,
    readings: Vec<Vec<LevelReading>>,
    track_ended_early: bool,
    result: &mut PlaceResult,
) {
    let groups: Vec<(usize, Vec<LevelReading>)> = match settings.config.bearing.join {
        JoinBursts::All => vec![(0, readings.into_iter().flatten().collect())],
        JoinBursts::Each => readings
            .into_iter()
            .enumerate()
            .map(|(i, mut burst)| {
                burst.iter_mut().for_each(|r| r.burst = 0);
                (i, burst)
            })
            .collect(),
    };
    for (number, readings) in groups {
        let id = match settings.config.bearing.join {
            JoinBursts::All => format!("{}-{}", input.index + 1, 1),
            JoinBursts::Each => format!("{}-{}", input.index + 1, number + 1),
        };
        let (outcome, estimate) =
            one_bearing(settings, site, id, &readings, track_ended_early, number, result);
        result.outcomes.push(outcome);
        result.estimates.push(estimate);
        result.readings.extend(readings);
    }
}

fn one_bearing(
    settings: &PlaceSettings<'_>,
    site: &Site,
    id: String,
    readings: &[LevelReading],
    track_ended_early: bool,
    first_burst: usize,
    result: &PlaceResult,
) -> (BearingOutcome, Option<Estimate>) {
    let none = |reason| {
        let station = result.name.clone();
        (
            BearingOutcome::NoBearing(NoBearing {
                id: id.clone(),
                station,
                reason,
            }),
            None,
        )
    };
    let (Some(pattern), Some(position)) = (&settings.pattern, site.position) else {
        return none(NoBearingReason::NoPointing);
    };
    if result.bursts.is_empty() {
        return none(NoBearingReason::NoBurst);
    }
    if readings.is_empty() {
        return none(NoBearingReason::NoPointing);
    }
    let mut config = EstimatorConfig::new(Arc::clone(pattern), site.heading, site.heading_sigma_deg);
    config.latency_sigma_s = settings
        .config
        .antenna
        .as_ref()
        .map_or(0.0, |a| a.latency_sigma_s);
    config.track_ended_early = track_ended_early;
    match estimate(readings, &config) {
        Err(reason) => none(reason),
        Ok(estimate) => {
            let taken = Taken {
                id: id.clone(),
                station: result.name.clone(),
                time_utc: result.bursts.get(first_burst).and_then(|b| b.start_utc),
                position,
                position_sigma_m: site.position_sigma_m,
                frequency_hz: result.summary.channel_center_hz,
            };
            let bearing = to_bearing(&estimate, taken);
            (BearingOutcome::Bearing(Box::new(bearing)), Some(estimate))
        }
    }
}
