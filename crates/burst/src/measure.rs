//! A burst being received and what is measured of it.

use lobewright_types::{Burst, BurstFlag, Dbfs, Timestamp};

use crate::carrier::{Seen, carrier, occupied_bandwidth_hz};
use crate::config::{DetectorConfig, Geometry};
use crate::edges::rising_edge;
use crate::floor::FloorEstimate;
use crate::held::Held;
use crate::spectrum::{Analyzer, BurstSpectra, NoiseSpectrum};
use crate::stretch::{HopSum, Stretch};

/// Bursts shorter than this many transforms get a shorter one.
const WHOLE_TRANSFORMS: usize = 8;
/// Segments that a shorter transform should leave of a burst.
const SHORT_SEGMENTS: usize = 4;
const SHORTEST_TRANSFORM: usize = 16;
/// The least signal-to-noise ratio that is reported, -30 dB: a burst whose level came out at or under the noise.
const LEAST_SNR: f64 = 1e-3;

/// One end of a burst, in samples from the start of the stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limit {
    pub position: f64,
    pub sigma: f64,
    /// The stretch ended or the burst was cut here: not the transmitter's edge.
    pub at_border: bool,
    /// The level just inside hardly stood above the threshold: the transmitter may have been on farther out.
    pub weak: bool,
}

impl Limit {
    pub(crate) fn cut(position: f64) -> Self {
        Self {
            position,
            sigma: 0.0,
            at_border: true,
            weak: false,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bounds {
    pub start: Limit,
    pub stop: Limit,
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positions within a stretch are not negative"
)]
impl Bounds {
    pub(crate) fn length(&self) -> f64 {
        self.stop.position - self.start.position
    }

    /// The first and the behind-last hop that lie inside.
    fn hops(&self, hop: usize) -> (u64, u64) {
        let first = (self.start.position / hop as f64).ceil() as u64;
        let behind = (self.stop.position / hop as f64).floor() as u64;
        (first, behind.max(first))
    }

    fn samples(&self) -> (u64, u64) {
        let first = self.start.position.ceil() as u64;
        (first, (self.stop.position.floor() as u64).max(first))
    }

    /// Edges of a burst too short for a plateau of whole integration windows, from a quarter of the window.
    pub(crate) fn refined(self, stretch: &Stretch, noise: f64, g: &Geometry) -> Self {
        let window = (g.window / 4).max(1);
        let (first, behind) = self.hops(g.hop);
        let from = first.saturating_sub(g.window as u64);
        let to = (behind + g.window as u64).min(stretch.hop_count());
        let mut profile = stretch.profile(from, to);
        let rise = rising_edge(&profile, window, noise, g.independent_in_hop());
        profile.reverse();
        let fall = rising_edge(&profile, window, noise, g.independent_in_hop());
        let hop = g.hop as f64;
        let mut refined = self;
        if !rise.at_border && !self.start.at_border {
            refined.start.position = (from as f64 + rise.position) * hop;
            refined.start.sigma = rise.sigma * hop;
        }
        if !fall.at_border && !self.stop.at_border {
            refined.stop.position = (to as f64 - fall.position) * hop;
            refined.stop.sigma = fall.sigma * hop;
        }
        // Only a burst that is strong in a quarter window has edges there: else noise would be measured.
        let strong = rise.plateau - noise > 4.0 * noise;
        if strong && refined.length() > 0.0 {
            refined
        } else {
            self
        }
    }
}

/// A burst that has begun; its size does not grow with the burst's length.
pub(crate) struct OpenBurst {
    /// First hop of the first window above the threshold.
    pub first_over: u64,
    /// Hop behind the last window above the threshold.
    pub last_over: u64,
    /// Largest windowed power.
    pub peak: f64,
    /// Noise power at its begin.
    pub noise: f64,
    pub start: Option<Limit>,
    /// Went on from a burst that was cut, and no window has been above the threshold since.
    pub unconfirmed: bool,
    spectra: Option<BurstSpectra>,
    /// Hops of the burst that are no longer held.
    gone: HopSum,
}

impl OpenBurst {
    pub(crate) fn new(count: u64, mean: f64, noise: f64, g: &Geometry) -> Self {
        Self {
            first_over: count - g.window as u64,
            last_over: count,
            peak: mean,
            noise,
            start: None,
            unconfirmed: false,
            spectra: None,
            gone: HopSum::default(),
        }
    }

    /// The gap so far between half-power edges, from hops without a window above the threshold.
    ///
    /// A window passes the threshold once a share of it is filled, the smaller the stronger the burst.
    pub(crate) fn gap_hops(&self, quiet: f64, ratio: f64, g: &Geometry) -> f64 {
        let signal = (self.peak - self.noise).max(f64::MIN_POSITIVE);
        let share = ((ratio - 1.0) * self.noise / signal).clamp(0.0, 1.0);
        quiet + g.window as f64 * (1.0 - 2.0 * share)
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positions within a stretch are not negative"
    )]
    pub(crate) fn earliest_hop(&self, g: &Geometry) -> u64 {
        match self.start {
            Some(start) => (start.position / g.hop as f64).floor() as u64,
            None => self.first_over.saturating_sub(g.window as u64),
        }
    }

    /// The earliest sample that the burst may turn out to begin at.
    pub(crate) fn earliest(&self, g: &Geometry) -> u64 {
        // A short burst's start is looked at again, one window further back.
        self.earliest_hop(g).saturating_sub(g.window as u64) * g.hop as u64
    }

    /// Adds a hop that leaves the history to the burst's sums, if it lies inside.
    pub(crate) fn let_go(&mut self, number: u64, hop: HopSum, g: &Geometry) {
        if let Some(start) = self.start
            && (number * g.hop as u64) as f64 >= start.position
        {
            self.gone.add(hop);
        }
    }
}

/// Measures bursts and the noise spectrum between them.
pub(crate) struct Measurer {
    channel: usize,
    geometry: Geometry,
    rate_hz: f64,
    bandwidth_share: f64,
    clip_flag_fraction: f64,
    first_sample_utc: Option<Timestamp>,
    analyzer: Analyzer,
    /// Transforms of `SHORTEST_TRANSFORM`, twice that and so on, below the whole one.
    shorter: Vec<Analyzer>,
    noise: NoiseSpectrum,
    /// First sample that no segment has begun at yet.
    position: u64,
    /// Samples behind which segments are taken: nothing there changes its meaning any more.
    lag: u64,
}

impl Measurer {
    pub(crate) fn new(channel: usize, config: &DetectorConfig, geometry: &Geometry) -> Self {
        let length = config.fft_length;
        let lengths = std::iter::successors(Some(SHORTEST_TRANSFORM), |l| Some(l * 2));
        Self {
            channel,
            rate_hz: config.rate_hz,
            bandwidth_share: config.noise_bandwidth_hz / config.rate_hz,
            clip_flag_fraction: config.clip_flag_fraction,
            first_sample_utc: config.first_sample_utc,
            analyzer: Analyzer::new(length),
            shorter: lengths.take_while(|&l| l < length).map(Analyzer::new).collect(),
            noise: NoiseSpectrum::new(length),
            position: 0,
            lag: (geometry.history * geometry.hop + (WHOLE_TRANSFORMS + 1) * length) as u64,
            geometry: geometry.clone(),
        }
    }

    pub(crate) fn restart(&mut self) {
        self.position = 0;
    }

    /// Takes the noise spectrum from the runs of held samples that are not above the floor's clip.
    pub(crate) fn learn_noise(&mut self, held: &Held, floor: FloorEstimate) {
        let length = self.analyzer.len();
        let spread = (1.0 / (length as f64 * self.bandwidth_share).max(1.0) * floor.colour).sqrt();
        let limit = floor.clip.max(floor.power * (1.0 + 3.0 * spread));
        held.each_run(length, &mut |run| {
            let sum: f64 = run
                .iter()
                .map(|s| f64::from(s.re).powi(2) + f64::from(s.im).powi(2))
                .sum();
            if sum / length as f64 <= limit {
                self.noise.add_segment(&mut self.analyzer, run);
            }
        });
    }

    /// Takes the spectra of segments old enough to be known as noise or burst, and forgets their samples.
    pub(crate) fn consume(&mut self, stretch: &mut Stretch, mut open: Option<&mut OpenBurst>) {
        let length = self.analyzer.len() as u64;
        while self.position + self.lag <= stretch.sample_count() {
            if let Some((start, open)) = open.as_deref_mut().and_then(|o| o.start.map(|s| (s, o))) {
                self.position = self.position.max(whole(start.position));
                if self.position + self.lag > stretch.sample_count() {
                    break;
                }
                self.add_burst_segment(stretch, open);
            } else {
                if let Some(segment) = stretch.samples(self.position, self.position + length) {
                    self.noise.add_segment(&mut self.analyzer, segment);
                }
                self.position += length;
            }
        }
        stretch.drop_samples(self.position, usize::try_from(self.lag).unwrap_or(usize::MAX));
    }

    fn add_burst_segment(&mut self, stretch: &Stretch, open: &mut OpenBurst) {
        let length = self.analyzer.len();
        if let Some(segment) = stretch.samples(self.position, self.position + length as u64) {
            let spectra = open.spectra.get_or_insert_with(|| BurstSpectra::new(length));
            spectra.add_segment(&mut self.analyzer, segment);
        }
        self.position += length as u64 / 2;
    }

    /// Measures the burst between its bounds; `None` where it is not to be kept.
    pub(crate) fn close(
        &mut self,
        stretch: &Stretch,
        open: &mut OpenBurst,
        bounds: Bounds,
        keep: bool,
    ) -> Option<Burst> {
        let (first, behind) = bounds.samples();
        let burst = if keep {
            self.measure(stretch, open, bounds)
        } else {
            None
        };
        let guard = if bounds.stop.at_border {
            0
        } else {
            (self.geometry.window * self.geometry.hop) as u64
        };
        self.position = self.position.max(first).max(behind + guard);
        burst
    }

    fn measure(&mut self, stretch: &Stretch, open: &mut OpenBurst, bounds: Bounds) -> Option<Burst> {
        let hop = self.geometry.hop;
        let (first, behind) = bounds.hops(hop);
        let mut sums = open.gone;
        sums.add(stretch.sum(first, behind));
        let inside = sums.hops * hop as u64;
        let power = if inside > 0 {
            sums.power / inside as f64
        } else {
            open.peak
        };
        let snr = (power / open.noise - 1.0).max(LEAST_SNR);

        let spectra = self.spectra(stretch, open, bounds);
        let noise = self
            .noise
            .scaled(spectra.power.len(), open.noise, self.bandwidth_share);
        let seen = Seen {
            spectra: &spectra,
            noise: &noise,
            rate_hz: self.rate_hz,
            independent_share: self.bandwidth_share,
        };
        let carrier = carrier(&seen);
        let bandwidth_hz = occupied_bandwidth_hz(&seen);

        let inputs = inside as f64 * f64::from(stretch.clock.decimation);
        let clip_fraction = if inside > 0 {
            (sums.clipped as f64 / inputs).min(1.0)
        } else {
            0.0
        };
        let input_rate_hz = stretch.clock.input_rate_hz;
        let start = stretch.source_index(bounds.start.position);
        let stop = stretch.source_index(bounds.stop.position).max(start.plus(1));
        let start_s = start.seconds(input_rate_hz);
        Some(Burst {
            channel: self.channel,
            start,
            stop,
            start_s,
            stop_s: stop.seconds(input_rate_hz),
            start_utc: self.first_sample_utc.map(|t| t.plus_seconds(start_s)),
            edge_sigma_s: bounds.start.sigma.max(bounds.stop.sigma) / self.rate_hz,
            level: Dbfs::from_power(power)?,
            noise: Dbfs::from_power(open.noise)?,
            snr_db: 10.0 * snr.log10(),
            carrier_offset_hz: carrier.offset_hz,
            carrier_offset_sigma_hz: carrier.sigma_hz,
            bandwidth_hz,
            clip_fraction,
            flags: self.flags(bounds, clip_fraction),
        })
    }

    fn flags(&self, bounds: Bounds, clip_fraction: f64) -> Vec<BurstFlag> {
        let mut flags = Vec::new();
        if bounds.start.at_border {
            flags.push(BurstFlag::BeganBefore);
        }
        if bounds.stop.at_border {
            flags.push(BurstFlag::EndedAfter);
        }
        if clip_fraction > self.clip_flag_fraction {
            flags.push(BurstFlag::Clipped);
        }
        if bounds.start.weak || bounds.stop.weak {
            flags.push(BurstFlag::WeakEdge);
        }
        flags
    }

    /// Spectra of the whole burst: those summed so far and the rest, or with a shorter transform all of a short one.
    fn spectra(&mut self, stretch: &Stretch, open: &mut OpenBurst, bounds: Bounds) -> BurstSpectra {
        let (first, behind) = bounds.samples();
        let length = self.analyzer.len();
        let count = usize::try_from(behind - first).unwrap_or(usize::MAX);
        if open.spectra.is_some() || count >= WHOLE_TRANSFORMS * length {
            self.position = self.position.max(first);
            while self.position + length as u64 <= behind {
                self.add_burst_segment(stretch, open);
            }
            return open.spectra.take().unwrap_or_else(|| BurstSpectra::new(length));
        }
        let fits = |a: &&mut Analyzer| a.len() * SHORT_SEGMENTS <= count;
        let analyzer = match self.shorter.iter_mut().rfind(fits) {
            _ if length * SHORT_SEGMENTS <= count => &mut self.analyzer,
            Some(shorter) => shorter,
            None => self.shorter.first_mut().unwrap_or(&mut self.analyzer),
        };
        let length = analyzer.len() as u64;
        let mut spectra = BurstSpectra::new(analyzer.len());
        let mut from = if behind - first < length {
            (behind + first).saturating_sub(length) / 2
        } else {
            first
        };
        while let Some(segment) = stretch.samples(from, from + length) {
            spectra.add_segment(analyzer, segment);
            from += length / 2;
            if from + length > behind {
                break;
            }
        }
        spectra
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positions within a stretch are not negative"
)]
fn whole(position: f64) -> u64 {
    position.ceil() as u64
}
