//! From truth to samples, a frame at a time.

use std::f64::consts::TAU;
use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_types::{Azimuth, SampleFormat, SampleIndex, True};
use num_complex::Complex;
use rand::RngExt;

use crate::cycle::OnAir;
use crate::emission::Player;
use crate::fading::FadingProcess;
use crate::receiver::FrontEnd;
use crate::rotator::Rotator;
use crate::scene::bursts;
use crate::spec::{FadingScene, StationScene, TransmitterScene};
use crate::streams::stream;
use crate::truth::{BurstTruth, ReceivedTruth, StationTruth};

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
    /// Samples in the station's format, whole ones.
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
    front_end: FrontEnd,
    frame_samples: u64,
    block_samples: usize,
    /// First sample that no frame has been computed for.
    next_frame: u64,
    /// First sample that has not been handed on.
    next_out: u64,
    ready: Vec<u8>,
    signals: Vec<Complex<f32>>,
}

impl Renderer {
    pub(crate) fn new(
        seed: u64,
        transmitters: &[TransmitterScene],
        station: StationScene,
        pattern: &Arc<Pattern>,
        truth: StationTruth,
    ) -> Self {
        let rate_hz = station.receiver.rate_hz;
        let paths = transmitters
            .iter()
            .zip(&truth.transmitters)
            .flat_map(|(transmitter, received)| arrivals(seed, transmitter, received, &station, pattern))
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
            front_end: FrontEnd::new(&station.receiver, seed, &station.name),
            paths,
            interferers,
            frame_samples: frame_samples(rate_hz),
            block_samples: DEFAULT_BLOCK_SAMPLES,
            next_frame: 0,
            next_out: 0,
            ready: Vec::new(),
            signals: Vec::new(),
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

    /// Tuned centre.
    pub fn center_hz(&self) -> f64 {
        self.station.receiver.center_hz
    }

    /// Samples in the whole recording.
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
        let size = self.format().bytes_per_sample();
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
        self.signals.clear();
        self.signals.resize(count, Complex::new(0.0, 0.0));
        let frame = Frame {
            from,
            to,
            rate_hz: self.station.receiver.rate_hz,
            heading: self.station.heading,
            rotator: &self.rotator,
        };
        for path in &mut self.paths {
            path.add(&frame, &mut self.signals);
        }
        for tone in &self.interferers {
            tone.add(&frame, &mut self.signals);
        }
        self.front_end.digitise(&mut self.signals, &mut self.ready);
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

/// A stretch of samples, half open.
struct Frame<'a> {
    from: u64,
    to: u64,
    rate_hz: f64,
    heading: Azimuth<True>,
    rotator: &'a Rotator,
}

/// A carrier in the samples: frequency at the first one, drift, phase.
#[derive(Debug, Clone, Copy)]
struct Carrier {
    offset_hz: f64,
    drift_hz_per_s: f64,
    phase_rad: f64,
}

impl Carrier {
    /// The phasor at a sample and its turn from there to the next. Within a frame the turn is that of its middle: at 0.5 ms
    /// and 1 kHz/s of drift that is off by 1e-4 rad.
    fn phasor(&self, sample: u64, frame: &Frame<'_>) -> (Complex<f64>, Complex<f64>) {
        let rate_hz = frame.rate_hz;
        let time_s = sample as f64 / rate_hz;
        let middle_s = time_s + 0.5 * (frame.to - sample) as f64 / rate_hz;
        let cycles = (self.offset_hz + 0.5 * self.drift_hz_per_s * time_s) * time_s;
        let frequency_hz = self.offset_hz + self.drift_hz_per_s * middle_s;
        (
            Complex::cis(self.phase_rad + TAU * cycles.fract()),
            Complex::cis(TAU * frequency_hz / rate_hz),
        )
    }
}

/// A steady carrier without a direction.
struct Tone {
    amplitude: f64,
    carrier: Carrier,
}

impl Tone {
    fn add(&self, frame: &Frame<'_>, signals: &mut [Complex<f32>]) {
        let (mut phasor, turn) = self.carrier.phasor(frame.from, frame);
        for x in signals {
            *x += single(phasor * self.amplitude);
            phasor *= turn;
        }
    }
}

/// One way from a transmitter to the antenna.
struct Path {
    seed: u64,
    transmitter: Arc<TransmitterScene>,
    pattern: Arc<Pattern>,
    use_phase: bool,
    azimuth: Azimuth<True>,
    /// Amplitude with the antenna's gain taken off, 1.0 = full scale.
    amplitude: f64,
    /// Behind the direct path.
    delay_s: f64,
    fading: Option<FadingProcess>,
    carrier: Carrier,
    /// As the direct path brings them, and as they were sent: the latter keys their content.
    bursts: Vec<(BurstTruth, OnAir)>,
    current: usize,
    player: Option<Player>,
}

fn arrivals(
    seed: u64,
    transmitter: &TransmitterScene,
    received: &ReceivedTruth,
    station: &StationScene,
    pattern: &Arc<Pattern>,
) -> Vec<Path> {
    let bursts = bursts(seed, station, transmitter, received.delay_s);
    let transmitter = Arc::new(transmitter.clone());
    let level_dbfs = received.level_dbfs.0 - pattern.peak_gain_dbi();
    let path = |which: &str, azimuth, level_dbfs: f64, delay_s: f64, fading: Option<&FadingScene>| {
        let rng = |purpose: &str| stream(seed, &[purpose, &station.name, &transmitter.name, which]);
        Path {
            seed,
            transmitter: Arc::clone(&transmitter),
            pattern: Arc::clone(pattern),
            use_phase: station.antenna.use_phase,
            azimuth,
            amplitude: 10_f64.powf(level_dbfs / 20.0),
            delay_s,
            fading: fading.map(|scene| FadingProcess::new(scene, &mut rng("fading"))),
            carrier: Carrier {
                offset_hz: received.carrier_offset_hz,
                drift_hz_per_s: received.carrier_drift_hz_per_s,
                phase_rad: TAU * rng("phase").random::<f64>(),
            },
            bursts: bursts.clone(),
            current: 0,
            player: None,
        }
    };
    let mut paths = vec![path(
        "direct",
        received.bearing,
        level_dbfs,
        0.0,
        station.fading.as_ref(),
    )];
    let of_this = station.reflection.iter().enumerate().filter(|(_, r)| {
        r.transmitter
            .as_ref()
            .is_none_or(|name| *name == transmitter.name)
    });
    for (index, scene) in of_this {
        paths.push(path(
            &format!("reflection {index}"),
            Azimuth::from_degrees(scene.azimuth_true_deg),
            level_dbfs + scene.relative_level_db,
            scene.delay_us * 1e-6,
            scene.fading.as_ref(),
        ));
    }
    paths
}

impl Path {
    fn add(&mut self, frame: &Frame<'_>, signals: &mut [Complex<f32>]) {
        while let Some(&(burst, sent)) = self.bursts.get(self.current) {
            let start_s = burst.start_s + self.delay_s;
            let stop_s = burst.stop_s + self.delay_s;
            let first = first_sample(start_s, frame);
            let end = first_sample(stop_s, frame);
            if first < end {
                let seed = self.seed;
                let transmitter = Arc::clone(&self.transmitter);
                let mut player = self
                    .player
                    .take()
                    .unwrap_or_else(|| Player::new(&transmitter, seed, sent));
                self.add_burst(frame, first, end, start_s, &mut player, signals);
                self.player = Some(player);
            }
            if stop_s * frame.rate_hz > frame.to as f64 {
                return;
            }
            self.current += 1;
            self.player = None;
        }
    }

    fn add_burst(
        &self,
        frame: &Frame<'_>,
        first: u64,
        end: u64,
        start_s: f64,
        player: &mut Player,
        signals: &mut [Complex<f32>],
    ) {
        let gain = self.gain(frame.from, frame);
        let gain_step = (self.gain(frame.to, frame) - gain) / (frame.to - frame.from) as f64;
        let (mut phasor, turn) = self.carrier.phasor(first, frame);
        for n in first..end {
            let envelope = player.envelope(n as f64 / frame.rate_hz - start_s);
            let offset = n - frame.from;
            #[expect(clippy::cast_possible_truncation, reason = "an offset within a frame")]
            let at = offset as usize;
            signals[at] += single(envelope * phasor * (gain + gain_step * offset as f64));
            phasor *= turn;
        }
    }

    /// Amplitude and phase of the path at a sample.
    fn gain(&self, sample: u64, frame: &Frame<'_>) -> Complex<f64> {
        let time_s = sample as f64 / frame.rate_hz;
        let boresight = frame.rotator.azimuth(time_s).to_true(frame.heading);
        let off_deg = boresight.turn_to(self.azimuth);
        let antenna = 10_f64.powf(self.pattern.gain_dbi(off_deg) / 20.0);
        let phase_deg = if self.use_phase {
            self.pattern.phase_deg(off_deg).unwrap_or(0.0)
        } else {
            0.0
        };
        let gain = Complex::from_polar(self.amplitude * antenna, phase_deg.to_radians());
        self.fading.as_ref().map_or(gain, |f| gain * f.gain(time_s))
    }
}

/// First sample at or after a time, kept within the frame.
fn first_sample(time_s: f64, frame: &Frame<'_>) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "kept between the frame's ends"
    )]
    {
        (time_s * frame.rate_hz)
            .ceil()
            .clamp(frame.from as f64, frame.to as f64) as u64
    }
}

#[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
fn single(c: Complex<f64>) -> Complex<f32> {
    Complex::new(c.re as f32, c.im as f32)
}
