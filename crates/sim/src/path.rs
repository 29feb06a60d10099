//! The ways that signals take to the antennas, a frame at a time.

use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

use lobewright_types::{Azimuth, True};
use num_complex::Complex;
use rand::RngExt;

use crate::antenna_model::{AntennaModel, Response};
use crate::cycle::OnAir;
use crate::emission::Player;
use crate::fading::FadingProcess;
use crate::rotator::Rotator;
use crate::scene::bursts;
use crate::spec::{FadingScene, StationScene, TransmitterScene};
use crate::streams::stream;
use crate::switching::Mix;
use crate::truth::{BurstTruth, ReceivedTruth};

/// A stretch of samples, half open.
pub(crate) struct Frame<'a> {
    pub(crate) from: u64,
    pub(crate) to: u64,
    pub(crate) rate_hz: f64,
    pub(crate) heading: Azimuth<True>,
    pub(crate) rotator: &'a Rotator,
    /// What the switch lets through, sample by sample; empty where there is none.
    pub(crate) mixes: &'a [Mix],
}

/// Amplitudes of a frame, shape `[channel][sample]`.
pub(crate) type Channels = Vec<Vec<Complex<f32>>>;

/// A carrier in the samples: frequency at the first one, drift, phase.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Carrier {
    pub(crate) offset_hz: f64,
    pub(crate) drift_hz_per_s: f64,
    pub(crate) phase_rad: f64,
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

/// A steady carrier without a direction: the same in every channel.
pub(crate) struct Tone {
    pub(crate) amplitude: f64,
    pub(crate) carrier: Carrier,
}

impl Tone {
    pub(crate) fn add(&self, frame: &Frame<'_>, signals: &mut Channels) {
        for channel in signals {
            let (mut phasor, turn) = self.carrier.phasor(frame.from, frame);
            for x in channel {
                *x += single(phasor * self.amplitude);
                phasor *= turn;
            }
        }
    }
}

/// One way from a transmitter to the antenna.
pub(crate) struct Path {
    seed: u64,
    transmitter: Arc<TransmitterScene>,
    response: Arc<Response>,
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
    /// Gain of each port at the frame's start, and its change from sample to sample.
    gains: Vec<(Complex<f64>, Complex<f64>)>,
}

/// The ways from one transmitter to a station's antennas.
pub(crate) fn arrivals(
    seed: u64,
    transmitter: &TransmitterScene,
    received: &ReceivedTruth,
    station: &StationScene,
    model: &AntennaModel,
) -> Vec<Path> {
    let response = Arc::new(Response::new(
        model,
        &station.antenna,
        transmitter.frequency_hz,
        seed,
        &station.name,
    ));
    let bursts = bursts(seed, station, transmitter, received.delay_s);
    let transmitter = Arc::new(transmitter.clone());
    let level_dbfs = received.level_dbfs.0 - model.peak_gain_dbi();
    let path = |which: &str, azimuth, level_dbfs: f64, delay_s: f64, fading: Option<&FadingScene>| {
        let rng = |purpose: &str| stream(seed, &[purpose, &station.name, &transmitter.name, which]);
        Path {
            seed,
            transmitter: Arc::clone(&transmitter),
            response: Arc::clone(&response),
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
            gains: vec![(Complex::ZERO, Complex::ZERO); model.ports()],
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
    pub(crate) fn add(&mut self, frame: &Frame<'_>, signals: &mut Channels) {
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
                self.update_gains(frame);
                let samples = first..end;
                if frame.mixes.is_empty() {
                    self.add_to_channels(frame, samples, start_s, &mut player, signals);
                } else {
                    self.add_switched(frame, samples, start_s, &mut player, &mut signals[0]);
                }
                self.player = Some(player);
            }
            if stop_s * frame.rate_hz > frame.to as f64 {
                return;
            }
            self.current += 1;
            self.player = None;
        }
    }

    /// Each port into a channel of its own.
    fn add_to_channels(
        &self,
        frame: &Frame<'_>,
        samples: Range<u64>,
        start_s: f64,
        player: &mut Player,
        signals: &mut Channels,
    ) {
        let (mut phasor, turn) = self.carrier.phasor(samples.start, frame);
        for n in samples {
            let envelope = player.envelope(n as f64 / frame.rate_hz - start_s);
            let (at, offset) = within(n, frame);
            for (channel, &(gain, gain_step)) in signals.iter_mut().zip(&self.gains) {
                channel[at] += single(envelope * phasor * (gain + gain_step * offset));
            }
            phasor *= turn;
        }
    }

    /// The ports one after the other, as the switch connects them.
    fn add_switched(
        &self,
        frame: &Frame<'_>,
        samples: Range<u64>,
        start_s: f64,
        player: &mut Player,
        channel: &mut [Complex<f32>],
    ) {
        let (mut phasor, turn) = self.carrier.phasor(samples.start, frame);
        for n in samples {
            let envelope = player.envelope(n as f64 / frame.rate_hz - start_s);
            let (at, offset) = within(n, frame);
            let port = |p: usize| self.gains[p].0 + self.gains[p].1 * offset;
            channel[at] += single(envelope * phasor * frame.mixes[at].of(port));
            phasor *= turn;
        }
    }

    fn update_gains(&mut self, frame: &Frame<'_>) {
        let ports = self.gains.len();
        let mut ends = vec![Complex::ZERO; 2 * ports];
        let (first, last) = ends.split_at_mut(ports);
        self.voltages(frame.from, frame, first);
        self.voltages(frame.to, frame, last);
        let count = (frame.to - frame.from) as f64;
        for (gain, (first, last)) in self.gains.iter_mut().zip(first.iter().zip(last)) {
            *gain = (*first, (*last - *first) / count);
        }
    }

    /// Amplitude and phase that each port gives at a sample.
    fn voltages(&self, sample: u64, frame: &Frame<'_>, out: &mut [Complex<f64>]) {
        let time_s = sample as f64 / frame.rate_hz;
        let boresight = frame.rotator.azimuth(time_s).to_true(frame.heading);
        let off_deg = boresight.turn_to(self.azimuth);
        self.response.at(off_deg, self.amplitude, out);
        if let Some(fading) = &self.fading {
            let gain = fading.gain(time_s);
            for out in out {
                *out *= gain;
            }
        }
    }
}

/// Where a sample lies in its frame, as index and as number.
#[expect(clippy::cast_possible_truncation, reason = "an offset within a frame")]
fn within(sample: u64, frame: &Frame<'_>) -> (usize, f64) {
    let offset = sample - frame.from;
    (offset as usize, offset as f64)
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
