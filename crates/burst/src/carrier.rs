//! Carrier offset and occupied bandwidth from the spectra of a burst.

use crate::spectrum::BurstSpectra;

/// Bins more than 20 dB under the largest do not enter the centroid.
const CENTROID_RANGE: f64 = 100.0;
/// Standard deviations of the noise that a bin must stand above it to enter the bandwidth.
const BIN_SPREADS: f64 = 3.0;
/// Share of the occupied bandwidth's power that lies beyond each edge (ITU-R SM.328: 0.5 %).
const BEYOND_EDGE: f64 = 0.005;
/// Share of the squared signal's power in one line above which that line is twice the carrier. Signals with two
/// equal lines, such as FSK, stay below half.
const LINE_SHARE: f64 = 1.0 / 3.0;
/// Relative variance of the power, noise taken off, up to which an envelope counts as constant.
const CONSTANT_ENVELOPE: f64 = 0.1;
/// Variance within two clusters of the instantaneous frequency over the whole one, up to which there are two tones.
/// One Gaussian cluster split in two leaves 1 - 2/π = 0.36, a uniform one 0.25.
const TWO_TONES: f64 = 0.22;
/// Bins beside a Hann window's line that hold its power.
const LINE_REACH: usize = 2;
/// Bins on each side of a line that tell what disturbs it.
const BESIDE_BINS: usize = 12;
/// The Hann window's equivalent noise bandwidth in bins (Harris, Proc. IEEE 66 (1978), table 1).
const HANN_NOISE_BINS: f64 = 1.5;
/// Segments that overlap by half count as this many independent ones each (Welch 1967: correlation 1/6 of Hann
/// windows half a length apart).
const INDEPENDENT_SHARE: f64 = 0.947;

/// Centre of a burst's power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Carrier {
    pub offset_hz: f64,
    pub sigma_hz: Option<f64>,
}

/// Everything that the estimators look at.
pub(crate) struct Seen<'a> {
    pub spectra: &'a BurstSpectra,
    /// Noise power in each bin, FFT order.
    pub noise: &'a [f64],
    pub rate_hz: f64,
    /// Independent samples for each sample.
    pub independent_share: f64,
}

impl Seen<'_> {
    fn bin_hz(&self) -> f64 {
        self.rate_hz / self.noise.len() as f64
    }

    fn independent_segments(&self) -> f64 {
        (self.spectra.segments * INDEPENDENT_SHARE).max(1.0)
    }

    /// Signal power in each bin from the lowest frequency to the highest, noise taken off, with the total.
    fn signal(&self) -> Vec<(f64, f64)> {
        let segments = self.spectra.segments.max(1.0);
        let n = self.noise.len();
        (0..n)
            .map(|i| (i + n / 2) % n)
            .map(|k| {
                (
                    self.spectra.power[k] / segments - self.noise[k],
                    self.spectra.power[k] / segments,
                )
            })
            .collect()
    }

    fn frequency_hz(&self, index: usize) -> f64 {
        (index as f64 - (self.noise.len() / 2) as f64) * self.bin_hz()
    }
}

/// Estimates the carrier's offset from the channel's centre.
///
/// # Method
/// By the first that applies: two tones of a constant envelope (FSK): the middle between the two means of the
/// instantaneous frequency; a squared signal with a third of its power in one line (BPSK, OOK, an unmodulated or
/// amplitude modulated carrier): half of that line's frequency; otherwise the centroid of the bins within 20 dB of the
/// peak, noise subtracted.
pub(crate) fn carrier(seen: &Seen) -> Carrier {
    let centroid = centroid(seen);
    two_tones(seen)
        .or_else(|| squared_line(seen, centroid.offset_hz))
        .unwrap_or(centroid)
}

fn centroid(seen: &Seen) -> Carrier {
    let signal = seen.signal();
    let peak = signal.iter().map(|b| b.0).fold(0.0, f64::max);
    let inside = || {
        signal
            .iter()
            .enumerate()
            .filter(|(_, b)| b.0 > 0.0 && b.0 * CENTROID_RANGE >= peak)
    };
    let total: f64 = inside().map(|(_, b)| b.0).sum();
    if total <= 0.0 {
        return Carrier {
            offset_hz: 0.0,
            sigma_hz: None,
        };
    }
    let offset_hz = inside().map(|(i, b)| seen.frequency_hz(i) * b.0).sum::<f64>() / total;
    let spread: f64 = inside()
        .map(|(i, b)| ((seen.frequency_hz(i) - offset_hz) * b.1).powi(2))
        .sum();
    let variance = spread * HANN_NOISE_BINS / seen.independent_segments() / (total * total);
    Carrier {
        offset_hz,
        sigma_hz: Some(variance.sqrt()),
    }
}

fn squared_line(seen: &Seen, near_hz: f64) -> Option<Carrier> {
    let squared = &seen.spectra.squared;
    let n = squared.len();
    let total: f64 = squared.iter().sum();
    let (peak, _) = squared.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    let around = |d: usize| squared[(peak + n + d - LINE_REACH) % n];
    let line: f64 = (0..=2 * LINE_REACH).map(around).sum();
    if total <= 0.0 || line < LINE_SHARE * total {
        return None;
    }
    // The rest's power under the line is taken off, so that it does not pull the centroid to the peak bin.
    let base = (total - line) / (n - 2 * LINE_REACH - 1) as f64;
    let weight = |d: usize| around(d) - base;
    let weights: f64 = (0..=2 * LINE_REACH).map(weight).sum();
    let shift = (0..=2 * LINE_REACH)
        .map(|d| (d as f64 - LINE_REACH as f64) * weight(d))
        .sum::<f64>()
        / weights;
    let line_hz = (peak as f64 + shift) * seen.bin_hz();
    // Squaring leaves the carrier uncertain by half the rate: the one nearest to the centroid is meant.
    let turns = ((near_hz - line_hz / 2.0) / (seen.rate_hz / 2.0)).round();
    let offset_hz = line_hz / 2.0 + turns * seen.rate_hz / 2.0;
    Some(Carrier {
        offset_hz,
        // Modulation lies close around its carrier: there it disturbs the line far more than its mean over the
        // channel would.
        sigma_hz: Some(line_sigma_hz(seen, weights, base.max(beside(squared, peak)))),
    })
}

/// Mean power of the bins next to a line.
fn beside(squared: &[f64], peak: usize) -> f64 {
    let n = squared.len();
    let last = (LINE_REACH + BESIDE_BINS).min((n - 1) / 2);
    let bins = || LINE_REACH + 1..=last;
    let sum: f64 = bins()
        .map(|d| squared[(peak + d) % n] + squared[(peak + n - d) % n])
        .sum();
    sum / (2 * bins().count().max(1)) as f64
}

/// Half of the Cramér-Rao bound of a line's frequency in each segment (Rife & Boorstyn, IEEE Trans. IT-20 (1974)),
/// widened by half for the plain interpolation and the modulation, averaged over the segments.
fn line_sigma_hz(seen: &Seen, line: f64, base: f64) -> f64 {
    const WIDENED: f64 = 1.5;
    let n = seen.noise.len() as f64;
    let ratio = (line / HANN_NOISE_BINS / n / base.max(f64::MIN_POSITIVE)).max(1e-9);
    let bound = seen.rate_hz / std::f64::consts::TAU * (6.0 / (ratio * n * n * n)).sqrt();
    WIDENED * bound / 2.0 / seen.independent_segments().sqrt()
}

fn two_tones(seen: &Seen) -> Option<Carrier> {
    let noise = seen.noise.iter().sum::<f64>() / seen.noise.len() as f64;
    let spectra = seen.spectra;
    let mean = spectra.sum_power / spectra.samples.max(1.0);
    let signal = mean - noise;
    let variance = spectra.sum_power_squared / spectra.samples.max(1.0) - mean * mean;
    let envelope = (variance - 2.0 * signal * noise - noise * noise) / (signal * signal);
    if signal < 10.0 * noise || envelope > CONSTANT_ENVELOPE {
        return None;
    }
    let histogram = &spectra.frequency;
    let frequency = |bin: usize| ((bin as f64 + 0.5) / histogram.len() as f64 - 0.5) * seen.rate_hz;
    let whole = cluster(histogram, 0, histogram.len(), &frequency)?;
    let mut split = whole.mean;
    let mut pair = None;
    for _ in 0..50 {
        let at = (0..histogram.len()).find(|&b| frequency(b) >= split)?;
        let low = cluster(histogram, 0, at, &frequency)?;
        let high = cluster(histogram, at, histogram.len(), &frequency)?;
        let next = 0.5 * (low.mean + high.mean);
        pair = Some((low, high));
        if (next - split).abs() < 1e-9 * seen.rate_hz {
            break;
        }
        split = next;
    }
    let (low, high) = pair?;
    let within = (low.variance * low.weight + high.variance * high.weight) / whole.weight;
    if within > TWO_TONES * whole.variance {
        return None;
    }
    let independent = spectra.samples * seen.independent_share;
    let part = |c: &Cluster| c.variance / (independent * c.weight / whole.weight).max(1.0);
    Some(Carrier {
        offset_hz: 0.5 * (low.mean + high.mean),
        sigma_hz: Some(0.5 * (part(&low) + part(&high)).sqrt()),
    })
}

struct Cluster {
    weight: f64,
    mean: f64,
    variance: f64,
}

fn cluster(histogram: &[f64], from: usize, to: usize, frequency: &dyn Fn(usize) -> f64) -> Option<Cluster> {
    let weight: f64 = histogram[from..to].iter().sum();
    if weight <= 0.0 {
        return None;
    }
    let mean = (from..to).map(|b| histogram[b] * frequency(b)).sum::<f64>() / weight;
    let variance = (from..to)
        .map(|b| histogram[b] * (frequency(b) - mean).powi(2))
        .sum::<f64>()
        / weight;
    Some(Cluster {
        weight,
        mean,
        variance,
    })
}

/// Gives the width between the points that leave 0.5 % of the power on each side.
///
/// # Limits
/// Not less than about two bins of the transform, the Hann window's own width.
pub(crate) fn occupied_bandwidth_hz(seen: &Seen) -> f64 {
    let spread = 1.0 / seen.independent_segments().sqrt();
    let powers: Vec<f64> = seen
        .signal()
        .iter()
        .map(|&(signal, total)| {
            if signal > BIN_SPREADS * spread * (total - signal) {
                signal
            } else {
                0.0
            }
        })
        .collect();
    let total: f64 = powers.iter().sum();
    if total <= 0.0 {
        return seen.bin_hz();
    }
    let below = BEYOND_EDGE * total;
    let low = crossing(powers.iter(), below);
    let high = powers.len() as f64 - crossing(powers.iter().rev(), below);
    ((high - low) * seen.bin_hz()).max(seen.bin_hz())
}

/// Bins, with the fraction, until the sum reaches `wanted`.
fn crossing<'a>(powers: impl Iterator<Item = &'a f64>, wanted: f64) -> f64 {
    let mut sum = 0.0;
    for (i, &power) in powers.enumerate() {
        if sum + power >= wanted {
            return i as f64 + (wanted - sum) / power;
        }
        sum += power;
    }
    0.0
}
