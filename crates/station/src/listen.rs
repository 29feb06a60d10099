//! One recording through channel filter and burst detector.

use crossbeam_channel::{Receiver, Sender, bounded};
use lobewright_bearing::{PowerCells, ReadingConfig};
use lobewright_burst::{BurstDetector, DetectorConfig};
use lobewright_dsp::{
    BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection, Spectrogram, SpectrogramBuilder,
};
use lobewright_source::{Recording, RecordingInfo};
use lobewright_types::{Burst, ChannelBlock, LevelReading, RawBlock, SampleIndex, Stage, StreamItem};

use crate::site::Site;
use crate::threads::run_stage;
use crate::{PipelineConfig, PlaceSection, PlaceSettings, RecordingSummary, RunError, SpectrogramOf};

/// Lines and columns of a channel's spectrogram, and of a whole recording's.
const CHANNEL_ROWS: usize = 600;
const CHANNEL_BINS: usize = 256;
const RECORDING_ROWS: usize = 800;
const RECORDING_BINS: usize = 512;
/// Blocks that may wait between two stages: enough to even out their work, and a bound to memory.
const BLOCKS_WAITING: usize = 4;
/// Length of the cells that readings are put together from.
const CELL_S: f64 = 0.005;
/// What was heard at a place before any direction is thought of.
pub(crate) struct Heard {
    pub(crate) summary: RecordingSummary,
    pub(crate) bursts: Vec<Burst>,
    pub(crate) readings: Vec<Vec<LevelReading>>,
    pub(crate) track_ended_early: bool,
    pub(crate) spectrogram: Option<Spectrogram>,
}

/// The stages of one channel and what they have given so far.
struct Listener<'a> {
    settings: &'a PlaceSettings<'a>,
    site: &'a Site,
    detector: BurstDetector,
    cells: PowerCells,
    reading_config: ReadingConfig,
    spectrogram: Option<SpectrogramBuilder>,
    decimation: u64,
    bursts: Vec<Burst>,
    readings: Vec<Vec<LevelReading>>,
    track_ended_early: bool,
}

impl Listener<'_> {
    /// Takes everything that comes, and what the detector held back at the end.
    fn take_all(
        &mut self,
        items: &Receiver<StreamItem<ChannelBlock>>,
    ) -> Result<(), lobewright_burst::DetectorError> {
        for item in items {
            self.take(item)?;
        }
        let mut found = Vec::new();
        self.detector.finish(&mut |burst| found.push(burst))?;
        self.keep(found);
        Ok(())
    }

    fn take(&mut self, item: StreamItem<ChannelBlock>) -> Result<(), lobewright_burst::DetectorError> {
        self.cells.push(&item);
        if let Some(spectrogram) = &mut self.spectrogram {
            match &item {
                StreamItem::Block(block) => spectrogram.push(&block.samples),
                StreamItem::Gap(gap) => spectrogram.push_gap(gap.samples / self.decimation),
            }
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

pub(crate) fn listen(
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
        spectrogram: (settings.spectrogram == SpectrogramOf::Channel)
            .then(|| builder(rate_hz, CHANNEL_BINS, CHANNEL_ROWS)),
        decimation: u64::from(bank.clock(0).decimation),
        bursts: Vec::new(),
        readings: Vec::new(),
        track_ended_early: false,
    };
    let mut whole = (settings.spectrogram == SpectrogramOf::Recording)
        .then(|| builder(recording.info().rate_hz, RECORDING_BINS, RECORDING_ROWS));
    let mut watch = |item: &StreamItem<RawBlock>| {
        if let Some(whole) = &mut whole {
            match item {
                StreamItem::Block(block) => whole.push_block(block, settings.config.channel.input_channel),
                StreamItem::Gap(gap) => whole.push_gap(gap.samples),
            }
        }
    };
    let (gaps, missing_samples) =
        pass_through(&mut recording, &mut bank, &mut listener, &mut watch, progress)
            .map_err(|e| e.name(place()))?;

    let info = recording.info();
    for burst in &mut listener.bursts {
        burst.start_utc = info.utc_at(burst.start);
    }
    let center_hz = info.center_hz_at(SampleIndex(0));
    let samples = recording.samples_read();
    let summary = RecordingSummary {
        format: info.format,
        rate_hz: info.rate_hz,
        start_utc: info.utc_at(SampleIndex(0)),
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
        spectrogram: whole
            .or(listener.spectrogram)
            .as_ref()
            .map(SpectrogramBuilder::finish),
    })
}

fn builder(rate_hz: f64, bins: usize, rows: usize) -> SpectrogramBuilder {
    SpectrogramBuilder::new(rate_hz, bins, rows)
        .expect("a rate that the channel filter took, and sizes that are fixed")
}

/// A fault in one of the stages, before it is known at which place.
enum StageFault {
    Read(lobewright_source::ReadError),
    Channel(lobewright_dsp::BankError),
    Detector(lobewright_burst::DetectorError),
    Panicked(&'static str),
}

impl StageFault {
    fn name(self, place: String) -> RunError {
        match self {
            Self::Read(source) => RunError::Read { place, source },
            Self::Channel(source) => RunError::Channel { place, source },
            Self::Detector(source) => RunError::Detector { place, source },
            Self::Panicked(stage) => RunError::Panicked { place, stage },
        }
    }
}

/// Passes a whole recording through the channel filter to the listener, each on a thread of its own with a bounded
/// channel between; gives the gaps and the samples missing in them.
fn pass_through(
    recording: &mut Recording,
    bank: &mut ChannelBank,
    listener: &mut Listener<'_>,
    watch: &mut dyn FnMut(&StreamItem<RawBlock>),
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<(u64, u64), StageFault> {
    let (raw, raw_items) = bounded(BLOCKS_WAITING);
    let (filtered, filtered_items) = bounded(BLOCKS_WAITING);
    std::thread::scope(|scope| {
        let filter = scope.spawn(move || run_stage(bank, &raw_items, &filtered));
        let hearing = scope.spawn(move || listener.take_all(&filtered_items));
        let read = read_all(recording, &raw, watch, progress);
        drop(raw);
        let filtered = filter
            .join()
            .map_err(|_| StageFault::Panicked("channel filter"))?;
        let heard = hearing
            .join()
            .map_err(|_| StageFault::Panicked("burst detector"))?;
        heard.map_err(StageFault::Detector)?;
        filtered.map_err(StageFault::Channel)?;
        read.map_err(StageFault::Read)
    })
}

/// Reads until the recording ends or nobody takes the samples any more.
fn read_all(
    recording: &mut Recording,
    raw: &Sender<StreamItem<RawBlock>>,
    watch: &mut dyn FnMut(&StreamItem<RawBlock>),
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<(u64, u64), lobewright_source::ReadError> {
    let total = recording.info().length_samples;
    let (mut gaps, mut missing_samples) = (0, 0);
    while let Some(item) = recording.next_item()? {
        if let StreamItem::Gap(gap) = &item {
            gaps += 1;
            missing_samples += gap.samples;
        }
        watch(&item);
        if raw.send(item).is_err() {
            break;
        }
        progress(recording.samples_read(), total);
    }
    Ok((gaps, missing_samples))
}

fn channel_offset_hz(
    config: &PipelineConfig,
    section: &PlaceSection,
    info: &RecordingInfo,
) -> Result<f64, RunError> {
    let Some(channel_hz) = config.channel.center_hz else {
        return Ok(config.channel.offset_hz);
    };
    let recording_hz = info.center_hz_at(SampleIndex(0)).ok_or(RunError::Missing {
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
