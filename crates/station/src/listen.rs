//! One recording through channel filter and burst detector.

use crossbeam_channel::{Receiver, Sender, bounded};
use lobewright_antenna::SwitchSchedule;
use lobewright_bearing::coherent::{ChannelNoise, CutConfig};
use lobewright_bearing::{PortCells, PowerCells, ReadingConfig};
use lobewright_burst::{BurstDetector, DetectorConfig, DetectorError};
use lobewright_dsp::{
    BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection, Spectrogram, SpectrogramBuilder,
};
use lobewright_source::{Recording, RecordingInfo};
use lobewright_types::{Burst, RawBlock, SampleIndex, Stage, StreamItem};

use crate::antenna::AntennaModel;
use crate::evidence::{CELL_S, CoherentKeeper, Evidence, Keeper, SampleKeeper};
use crate::guard::guarded_schedule;
use crate::receivers::{Receivers, Together};
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

/// What was heard at a place before any direction is thought of.
pub(crate) struct Heard {
    pub(crate) summary: RecordingSummary,
    pub(crate) bursts: Vec<Burst>,
    /// What was kept of each burst.
    pub(crate) evidence: Vec<Evidence>,
    pub(crate) track_ended_early: bool,
    /// When which port was connected, the memory of the channel filter left out.
    pub(crate) schedule: Option<SwitchSchedule>,
    /// Noise of coherent channels.
    pub(crate) noise: Option<ChannelNoise>,
    pub(crate) spectrogram: Option<Spectrogram>,
}

/// The bursts of one receiver and what was kept of them.
struct Hearing {
    detector: BurstDetector,
    bursts: Vec<Burst>,
    evidence: Vec<Evidence>,
}

/// The stages behind the channel filters and what they have given so far.
struct Listener {
    hearings: Vec<Hearing>,
    keeper: Keeper,
    reading_config: ReadingConfig,
    spectrogram: Option<SpectrogramBuilder>,
    /// Which receiver the spectrogram is of.
    watched: usize,
    decimation: u64,
    track_ended_early: bool,
}

impl Listener {
    /// Takes everything that comes, and what the detectors held back at the end.
    fn take_all(&mut self, items: &Receiver<Together>) -> Result<(), DetectorError> {
        for item in items {
            self.take(item)?;
        }
        for receiver in 0..self.hearings.len() {
            let mut found = Vec::new();
            self.hearings[receiver]
                .detector
                .finish(&mut |burst| found.push(burst))?;
            self.keep(receiver, found);
        }
        Ok(())
    }

    fn take(&mut self, items: Together) -> Result<(), DetectorError> {
        // All receivers first: a burst found in one is cut from all.
        for (receiver, item) in &items {
            self.keeper.push(*receiver, item);
            if *receiver == self.watched
                && let Some(spectrogram) = &mut self.spectrogram
            {
                match item {
                    StreamItem::Block(block) => spectrogram.push(&block.samples),
                    StreamItem::Gap(gap) => spectrogram.push_gap(gap.samples / self.decimation),
                }
            }
        }
        for (receiver, item) in items {
            let mut found = Vec::new();
            self.hearings[receiver]
                .detector
                .push(item, &mut |burst| found.push(burst))?;
            self.keep(receiver, found);
        }
        let held = self.hearings.iter().map(|h| h.detector.holds_from()).min();
        let bursts = match self.keeper {
            Keeper::Coherent(_) => self.hearings.iter().flat_map(|h| h.bursts.clone()).collect(),
            _ => Vec::new(),
        };
        self.keeper.forget_before(held.unwrap_or_default(), &bursts);
        Ok(())
    }

    fn keep(&mut self, receiver: usize, found: Vec<Burst>) {
        let hearing = &mut self.hearings[receiver];
        for burst in found {
            let (evidence, ended_early) = self
                .keeper
                .cut(&burst, hearing.bursts.len(), &self.reading_config);
            self.track_ended_early |= ended_early;
            hearing.evidence.push(evidence);
            hearing.bursts.push(burst);
        }
    }
}

/// The receiver that hears most: signal-to-noise times time, all bursts together; the first of equals.
fn strongest(hearings: &[Hearing]) -> usize {
    let heard = |h: &Hearing| -> f64 {
        h.bursts
            .iter()
            .map(|b| 10_f64.powf(b.snr_db / 10.0) * b.length_s())
            .sum()
    };
    let mut best = 0;
    for (i, hearing) in hearings.iter().enumerate() {
        if heard(hearing) > heard(&hearings[best]) {
            best = i;
        }
    }
    best
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
    let receivers = receivers_of(settings, section, recording.info())?;
    let banks = receivers
        .iter()
        .map(|&input| ChannelBank::build(bank_config(settings.config, recording.info(), offset_hz, input)))
        .collect::<Result<Vec<_>, _>>()
        .map_err(channel_error)?;
    let clock = banks[0].clock(0);
    let rate_hz = clock.rate_hz();
    let noise_bandwidth_hz = banks[0].noise_bandwidth_hz(0);
    let guarded = guarded_schedule(settings, section, banks[0].plan(0), recording.info().rate_hz)?;
    let (schedule, guard_warning) = guarded.map_or((None, None), |g| (Some(g.schedule), g.warning));
    let detector = || BurstDetector::build(0, detector_config(settings.config, rate_hz, noise_bandwidth_hz));
    let hearings = receivers
        .iter()
        .map(|_| {
            Ok(Hearing {
                detector: detector()?,
                bursts: Vec::new(),
                evidence: Vec::new(),
            })
        })
        .collect::<Result<Vec<_>, DetectorError>>()
        .map_err(detector_error)?;
    let cut = CutConfig {
        edge_guard_s: settings.config.bearing.edge_guard_s,
        ..CutConfig::new(noise_bandwidth_hz)
    };
    let keeper = match (&settings.antenna, &site.track, &schedule) {
        (Some(AntennaModel::Rotated(_)), Some(track), _) => {
            Keeper::Rotated(PowerCells::new(CELL_S), track.clone())
        }
        (Some(AntennaModel::Sectors(_)), _, Some(schedule)) => {
            Keeper::Sectors(PortCells::new(CELL_S, schedule.clone()))
        }
        (Some(AntennaModel::Ring(_)), _, _) => {
            Keeper::Ring(SampleKeeper::new(settings.config.bearing.longest_samples_s))
        }
        (Some(AntennaModel::Coherent(..)), _, _) => Keeper::Coherent(Box::new(CoherentKeeper::new(
            receivers.len(),
            cut,
            clock.input_rate_hz,
            clock.decimation,
        ))),
        _ => Keeper::None,
    };
    let watched = if receivers.len() > 1 {
        settings.config.channel.input_channel.min(receivers.len() - 1)
    } else {
        0
    };
    let mut listener = Listener {
        hearings,
        keeper,
        reading_config: reading_config(settings.config, section, noise_bandwidth_hz),
        spectrogram: (settings.spectrogram == SpectrogramOf::Channel)
            .then(|| builder(rate_hz, CHANNEL_BINS, CHANNEL_ROWS)),
        watched,
        decimation: u64::from(clock.decimation),
        track_ended_early: false,
    };
    let mut bank = Receivers::new(banks);
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
    let all: Vec<Burst> = listener.hearings.iter().flat_map(|h| h.bursts.clone()).collect();
    let noise = listener.keeper.noise(&all);
    let mut hearing = listener.hearings.swap_remove(strongest(&listener.hearings));
    for burst in &mut hearing.bursts {
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
        noise_dbfs: hearing.detector.noise_floor().map(|f| f.level.0),
        warnings: recording
            .warnings()
            .iter()
            .map(ToString::to_string)
            .chain(guard_warning)
            .collect(),
    };
    Ok(Heard {
        summary,
        bursts: hearing.bursts,
        evidence: hearing.evidence,
        track_ended_early: listener.track_ended_early,
        schedule,
        noise,
        spectrogram: whole
            .or(listener.spectrogram)
            .as_ref()
            .map(SpectrogramBuilder::finish),
    })
}

/// Channels of the recording that are filtered: one for each port of a coherent array, else the one asked for.
fn receivers_of(
    settings: &PlaceSettings<'_>,
    section: &PlaceSection,
    info: &RecordingInfo,
) -> Result<Vec<usize>, RunError> {
    let Some(AntennaModel::Coherent(array, _)) = &settings.antenna else {
        return Ok(vec![settings.config.channel.input_channel]);
    };
    if info.channels == array.ports() {
        return Ok((0..array.ports()).collect());
    }
    Err(RunError::Channels {
        place: section.name.clone(),
        found: info.channels,
        wanted: array.ports(),
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
    bank: &mut Receivers,
    listener: &mut Listener,
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

fn bank_config(
    config: &PipelineConfig,
    info: &RecordingInfo,
    offset_hz: f64,
    use_channel: usize,
) -> BankConfig {
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
        use_channel,
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
