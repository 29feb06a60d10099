//! From truth to samples, a frame at a time.

use std::f64::consts::TAU;

use lobewright_types::{SampleFormat, SampleIndex};
use num_complex::Complex;
use rand::RngExt;

use crate::antenna_model::AntennaModel;
use crate::path::{Carrier, Channels, Frame, Path, Tone, arrivals};
use crate::receiver::FrontEnd;
use crate::rotator::Rotator;
use crate::spec::{StationScene, TransmitterScene};
use crate::streams::stream;
use crate::switching::{Mix, Switching};
use crate::truth::StationTruth;

/// Samples in a block unless the caller asks for another number.
const DEFAULT_BLOCK_SAMPLES: usize = 65_536;
/// Longest time over which a path's gain is taken as a straight line. At the largest Doppler rate that a scene may have,
/// 100 Hz, the line is off by `(2 pi 100 Hz 0.5 ms)^2 / 8`, 1.2 % of the scattered amplitude, at most.
const FRAME_S: f64 = 0.5e-3;

/// Encoded samples of one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RenderedBlock {
    /// Index of the first sample in the recording.
    pub start: SampleIndex,
    /// Samples in the station's format, whole ones, shape `[sample, channel]`.
    pub bytes: Vec<u8>,
}

/// Makes one station's samples, block after block, in constant memory.
///
/// Everything is computed in frames that are counted from the first sample, so the bytes do not depend on how they are
/// cut into blocks.
pub struct Renderer {
    station: StationScene,
    truth: StationTruth,
    rotator: Rotator,
    paths: Vec<Path>,
    interferers: Vec<Tone>,
    switching: Option<Switching>,
    /// One for each channel.
    front_ends: Vec<FrontEnd>,
    frame_samples: u64,
    block_samples: usize,
    /// First sample that no frame has been computed for.
    next_frame: u64,
    /// First sample that has not been handed on.
    next_out: u64,
    ready: Vec<u8>,
    signals: Channels,
    mixes: Vec<Mix>,
    /// Encoded samples of one channel, where there are several.
    encoded: Vec<u8>,
}

impl Renderer {
    pub(crate) fn new(
        seed: u64,
        transmitters: &[TransmitterScene],
        station: StationScene,
        model: &AntennaModel,
        truth: StationTruth,
    ) -> Self {
        let rate_hz = station.receiver.rate_hz;
        let paths = transmitters
            .iter()
            .zip(&truth.transmitters)
            .flat_map(|(transmitter, received)| arrivals(seed, transmitter, received, &station, model))
            .collect();
        let interferers = station
            .receiver
            .interferer
            .iter()
            .enumerate()
            .map(|(index, scene)| {
                let mut rng = stream(seed, &["interferer", &station.name, &index.to_string()]);
                let receiver = &station.receiver;
                let tuned_hz = receiver.center_hz * (1.0 + receiver.frequency_error_ppm * 1e-6);
                Tone {
                    amplitude: 10_f64.powf((scene.level_dbm + receiver.dbm_to_dbfs_db()) / 20.0),
                    carrier: Carrier {
                        offset_hz: scene.frequency_hz - tuned_hz,
                        drift_hz_per_s: -receiver.center_hz * receiver.frequency_drift_ppm_per_s * 1e-6,
                        phase_rad: TAU * rng.random::<f64>(),
                    },
                }
            })
            .collect();
        Self {
            rotator: Rotator::new(station.rotator, &mut stream(seed, &["rotator", &station.name])),
            front_ends: (0..truth.channels)
                .map(|channel| FrontEnd::new(&station.receiver, seed, &station.name, channel))
                .collect(),
            switching: station
                .antenna
                .switch
                .as_ref()
                .map(|scene| Switching::new(scene, seed, &station.name)),
            paths,
            interferers,
            frame_samples: frame_samples(rate_hz),
            block_samples: DEFAULT_BLOCK_SAMPLES,
            next_frame: 0,
            next_out: 0,
            ready: Vec::new(),
            signals: vec![Vec::new(); truth.channels],
            mixes: Vec::new(),
            encoded: Vec::new(),
            station,
            truth,
        }
    }

    /// Sets the number of samples in a block; the bytes stay the same.
    #[must_use]
    pub fn with_block_samples(mut self, block_samples: usize) -> Self {
        self.block_samples = block_samples.max(1);
        self
    }

    /// Sample rate.
    pub fn rate_hz(&self) -> f64 {
        self.station.receiver.rate_hz
    }

    /// How the samples are encoded.
    pub fn format(&self) -> SampleFormat {
        self.station.receiver.format
    }

    /// Interleaved channels: one, or one for each port of an array without a switch.
    pub fn channels(&self) -> usize {
        self.truth.channels
    }

    /// Tuned centre.
    pub fn center_hz(&self) -> f64 {
        self.station.receiver.center_hz
    }

    /// Samples of each channel in the whole recording.
    pub fn length_samples(&self) -> u64 {
        self.truth.length_samples
    }

    /// What is true of the samples.
    pub fn truth(&self) -> &StationTruth {
        &self.truth
    }

    /// The azimuth track that goes with the samples: time in seconds from the first sample and boresight in degrees from
    /// the mounting's zero mark, `[0, 360)`.
    pub fn track(&self) -> Vec<(f64, f64)> {
        let duration_s = self.truth.length_samples as f64 / self.rate_hz();
        self.rotator.track(
            duration_s,
            self.station.track_interval_s,
            self.station.track_latency_s,
        )
    }

    /// The next block; `None` once the recording is complete.
    pub fn next_block(&mut self) -> Option<RenderedBlock> {
        let left = self.truth.length_samples - self.next_out;
        if left == 0 {
            return None;
        }
        let count = left.min(self.block_samples as u64);
        let size = self.format().bytes_per_sample() * self.channels();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "not above the block's length, a usize"
        )]
        let wanted = count as usize * size;
        while self.ready.len() < wanted {
            self.render_frame();
        }
        let rest = self.ready.split_off(wanted);
        let bytes = std::mem::replace(&mut self.ready, rest);
        let start = SampleIndex(self.next_out);
        self.next_out += count;
        Some(RenderedBlock { start, bytes })
    }

    fn render_frame(&mut self) {
        let from = self.next_frame;
        let to = (from + self.frame_samples).min(self.truth.length_samples);
        self.next_frame = to;
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a frame is at most a few thousand samples"
        )]
        let count = (to - from) as usize;
        for channel in &mut self.signals {
            channel.clear();
            channel.resize(count, Complex::new(0.0, 0.0));
        }
        let rate_hz = self.station.receiver.rate_hz;
        if let Some(switching) = &self.switching {
            switching.fill(from, to, rate_hz, &mut self.mixes);
        }
        let frame = Frame {
            from,
            to,
            rate_hz,
            heading: self.station.heading,
            rotator: &self.rotator,
            mixes: &self.mixes,
        };
        for path in &mut self.paths {
            path.add(&frame, &mut self.signals);
        }
        for tone in &self.interferers {
            tone.add(&frame, &mut self.signals);
        }
        self.digitise(from, count);
    }

    fn digitise(&mut self, from: u64, count: usize) {
        if let ([front_end], [signals]) = (self.front_ends.as_mut_slice(), self.signals.as_mut_slice()) {
            front_end.digitise(from, signals, &mut self.ready);
            return;
        }
        let (size, channels) = (self.format().bytes_per_sample(), self.channels());
        let begin = self.ready.len();
        self.ready.resize(begin + count * size * channels, 0);
        for (k, (front_end, signals)) in self.front_ends.iter_mut().zip(&mut self.signals).enumerate() {
            self.encoded.clear();
            front_end.digitise(from, signals, &mut self.encoded);
            let places = self.ready[begin..]
                .chunks_exact_mut(size)
                .skip(k)
                .step_by(channels);
            for (place, sample) in places.zip(self.encoded.chunks_exact(size)) {
                place.copy_from_slice(sample);
            }
        }
    }
}

/// The longest power of two of samples that is not longer than [`FRAME_S`], and 8 at least.
fn frame_samples(rate_hz: f64) -> u64 {
    let mut samples = 8;
    while samples < 4_096 && (samples * 2) as f64 <= FRAME_S * rate_hz {
        samples *= 2;
    }
    samples
}
