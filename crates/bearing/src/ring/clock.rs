//! When the switch acts, found from the samples.
//!
//! Where the port changes, phase and level jump; elsewhere they go on. The mean square of the difference between the
//! samples on both sides of an instant, the carrier's turn taken off, is summed over all cycles at each place in the
//! cycle: noise and modulation give all places the same, the switch more. The start of the cycle and the rate of its
//! clock are those whose instants gather the most.

use lobewright_antenna::{SwitchSchedule, SwitchStep};
use num_complex::Complex;

use super::RingBurst;

/// Rates tried at most.
const MOST_RATES: f64 = 4000.0;
/// Standard deviations of the clock's rate that are searched.
const REACH: f64 = 4.0;
/// Chance gathers this many of its standard deviations at most, whatever start and rate.
const CHANCE: f64 = 6.0;
/// Part of its height that a rate's score may lack of the best and still be as good.
const ALIKE: f64 = 0.02;
/// Places in the cycle at most.
const MOST_BINS: f64 = 8192.0;

/// The switch's clock as found from the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchClock {
    /// An instant at which a cycle begins, up to the orders that look alike, in the schedule's seconds.
    pub start_s: f64,
    /// Its standard deviation.
    pub start_sigma_s: f64,
    /// Length of the switch's second in seconds of the samples' clock, less one, in parts per million.
    pub rate_ppm: f64,
    /// Its standard deviation.
    pub rate_sigma_ppm: f64,
    /// Number of starts within the cycle that the instants alone cannot tell apart.
    pub starts: usize,
}

/// A start of the cycle that agrees with the instants.
pub(super) struct Start {
    /// Step of the cycle in which the first slot is.
    pub(super) step: usize,
    pub(super) ln_prior: f64,
}

/// What the search gives.
pub(super) struct FoundClock {
    /// The schedule with its start and rate.
    pub(super) schedule: SwitchSchedule,
    pub(super) clock: SwitchClock,
    pub(super) starts: Vec<Start>,
}

/// Whether the schedule leaves anything to be found.
pub(super) fn is_open(schedule: &SwitchSchedule) -> bool {
    !schedule.steps().is_empty() && (schedule.start_s().is_none() || schedule.rate_sigma_ppm() > 0.0)
}

/// Sums of one stretch of time by place in the cycle.
struct Fold {
    middle_s: f64,
    /// Mean square of the difference of the sums on both sides, less its median.
    gathered: Vec<f64>,
}

/// Finds start and rate; `None` where the instants do not stand out.
pub(super) fn find(bursts: &[RingBurst<'_>], schedule: &SwitchSchedule) -> Option<FoundClock> {
    let period_s = schedule.period_s()?;
    let usable: Vec<&RingBurst<'_>> = bursts
        .iter()
        .filter(|b| b.rate_hz > 0.0 && b.rate_hz.is_finite() && b.start_s.is_finite() && b.samples.len() > 8)
        .collect();
    let rate_hz = usable.first()?.rate_hz;
    let bins = (period_s * rate_hz).round();
    if !(8.0..=MOST_BINS).contains(&bins) {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "8 to 8192"
    )]
    let bins = bins as usize;
    let bin_s = period_s / bins as f64;
    let shortest_s = schedule
        .steps()
        .iter()
        .map(|s| s.dwell_s)
        .fold(f64::INFINITY, f64::min);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to 16")]
    let reach = (shortest_s / bin_s / 12.0).round().clamp(1.0, 16.0) as usize;
    let from_s = usable.iter().map(|b| b.start_s).fold(f64::INFINITY, f64::min);
    let to_s = usable
        .iter()
        .map(|b| b.start_s + b.samples.len() as f64 / b.rate_hz)
        .fold(from_s, f64::max);
    let most = REACH * schedule.rate_sigma_ppm() * 1e-6;
    let folds = folds(&usable, period_s, bins, reach, most, from_s);
    let instants: Vec<f64> = instants(schedule.steps(), bins);
    let middle_s = f64::midpoint(from_s, to_s);
    let span_s = (to_s - from_s).max(bin_s);
    let search = Search {
        folds: &folds,
        instants: &instants,
        bins,
        bin_s,
        middle_s,
    };
    let best = search.best(most, span_s)?;
    let ratio = schedule.clock_ratio() * (1.0 + best.rate);
    // The place holds at the middle of all, from which the rate was counted.
    let cycles = ((middle_s - from_s) / period_s).round();
    let start_s = from_s + cycles * period_s + best.place * bin_s;
    // Half a bin over the whole, and no finer than the rates that were tried.
    let rate_sigma = (0.5 * bin_s / span_s)
        .max(most / MOST_RATES)
        .max(best.rate_sigma)
        .min(schedule.rate_sigma_ppm() * 1e-6);
    // From where the cycle was found to where its start is known, by the rate that was found.
    let away_s = schedule
        .start_s()
        .map_or(0.0, |known_s| rate_sigma * (middle_s - known_s));
    let starts = starts(schedule, start_s, away_s.hypot(bin_s), ratio, bin_s);
    Some(FoundClock {
        schedule: schedule.with_clock_ratio(ratio).with_start(start_s),
        clock: SwitchClock {
            start_s,
            start_sigma_s: 0.5 * bin_s,
            rate_ppm: (ratio - 1.0) * 1e6,
            rate_sigma_ppm: (rate_sigma * 1e6).max(1e-3),
            starts: starts.len(),
        },
        starts,
    })
}

/// Places of the switching instants in the cycle, in bins.
fn instants(steps: &[SwitchStep], bins: usize) -> Vec<f64> {
    let period: f64 = steps.iter().map(|s| s.dwell_s).sum();
    let mut at = 0.0;
    steps
        .iter()
        .map(|s| {
            let here = at / period * bins as f64;
            at += s.dwell_s;
            here
        })
        .collect()
}

/// Folds stretches short enough for the clock's rate not to matter inside them.
fn folds(
    bursts: &[&RingBurst<'_>],
    period_s: f64,
    bins: usize,
    reach: usize,
    most_rate: f64,
    from_s: f64,
) -> Vec<Fold> {
    let mut folds = Vec::new();
    for burst in bursts {
        let n = burst.samples.len();
        let bin_samples = period_s * burst.rate_hz / bins as f64;
        // Half a bin of drift inside a stretch; at least eight cycles.
        let still = if most_rate > 0.0 {
            bin_samples / most_rate
        } else {
            n as f64
        };
        let length = still.max(8.0 * period_s * burst.rate_hz).min(n as f64);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "8 to the number of samples"
        )]
        let length = (length.ceil() as usize).max(8);
        let mut first = 0;
        while first + 2 * reach + 4 < n {
            let stop = (first + length).min(n);
            folds.push(fold(burst, first, stop, period_s, bins, reach, from_s));
            first = stop;
        }
    }
    folds
}

fn fold(
    burst: &RingBurst<'_>,
    first: usize,
    stop: usize,
    period_s: f64,
    bins: usize,
    reach: usize,
    from_s: f64,
) -> Fold {
    let mut products = vec![Complex::new(0.0_f64, 0.0); bins];
    let mut powers = vec![0.0_f64; bins];
    let mut counts = vec![0.0_f64; bins];
    let sample = |k: usize| {
        let s = burst.samples[k];
        if s.is_finite() {
            Complex::new(f64::from(s.re), f64::from(s.im))
        } else {
            Complex::new(0.0, 0.0)
        }
    };
    let per_period = 1.0 / (period_s * burst.rate_hz);
    let offset = (burst.start_s - from_s) / period_s;
    for k in first + reach..stop.saturating_sub(reach) {
        let (mut before, mut after) = (Complex::new(0.0, 0.0), Complex::new(0.0, 0.0));
        for i in 0..reach {
            before += sample(k - 1 - i);
            after += sample(k + i);
        }
        // A switch between two samples shows at the later one. Half a sample lies in the middle of a bin where the period is a
        // whole number of samples, so that no rounding decides.
        let place = offset + (k as f64 - 0.5) * per_period;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to the number of bins"
        )]
        let bin = ((place - place.floor()) * bins as f64) as usize % bins;
        products[bin] += after * before.conj();
        powers[bin] += after.norm_sqr() + before.norm_sqr();
        counts[bin] += 1.0;
    }
    // The carrier turns by this between the two sums.
    let turn = products.iter().sum::<Complex<f64>>();
    let back = turn.conj() / turn.norm().max(1e-300);
    let differences: Vec<Option<f64>> = products
        .iter()
        .zip(&powers)
        .zip(&counts)
        .map(|((p, power), c)| (*c > 0.0).then(|| (power - 2.0 * (p * back).re) / c))
        .collect();
    let floor = median(differences.iter().flatten().copied().collect());
    Fold {
        middle_s: burst.start_s + f64::midpoint(first as f64, stop as f64) / burst.rate_hz,
        gathered: differences.iter().map(|d| d.map_or(0.0, |d| d - floor)).collect(),
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

struct Best {
    /// Bin at which the cycle starts.
    place: f64,
    rate: f64,
    /// Standard deviation of the rate among those that explain the instants as well.
    rate_sigma: f64,
}

/// What is searched: folded stretches, and where in the cycle the switch acts.
struct Search<'a> {
    folds: &'a [Fold],
    instants: &'a [f64],
    bins: usize,
    bin_s: f64,
    middle_s: f64,
}

impl Search<'_> {
    /// The folds laid over each other for a rate, by place in the cycle at the middle of all.
    fn sum(&self, rate: f64) -> Vec<f64> {
        let mut sum = vec![0.0; self.bins];
        for fold in self.folds {
            // Straight between bins: whole ones would make many rates alike.
            let shift = (fold.middle_s - self.middle_s) * rate / self.bin_s;
            let (first, part) = (at_bin(shift.floor(), self.bins), shift - shift.floor());
            for (b, s) in sum.iter_mut().enumerate() {
                let here = fold.gathered[(b + first) % self.bins];
                *s += here + part * (fold.gathered[(b + first + 1) % self.bins] - here);
            }
        }
        sum
    }

    fn scores(&self, sum: &[f64]) -> Vec<f64> {
        gathered(sum, self.instants, self.bins)
    }

    fn best(&self, most_rate: f64, span_s: f64) -> Option<Best> {
        let rates = (2.0 * most_rate * span_s / self.bin_s * 2.0)
            .ceil()
            .min(MOST_RATES);
        #[expect(clippy::cast_possible_truncation, reason = "at most 4000")]
        let half = (rates / 2.0) as i32;
        let rate = |number: usize| {
            if half == 0 {
                0.0
            } else {
                most_rate * (number as f64 - f64::from(half)) / f64::from(half)
            }
        };
        let tops: Vec<f64> = (0..=2 * half.unsigned_abs() as usize)
            .map(|number| highest(&self.scores(&self.sum(rate(number)))))
            .collect();
        let top = highest(&tops);
        let number = tops.iter().position(|t| *t >= top)?;
        let sum = self.sum(rate(number));
        let usual = median(self.scores(&sum));
        let middle = median(sum.clone());
        let spread = 1.48 * median(sum.iter().map(|s| (s - middle).abs()).collect());
        if !(top - usual > CHANCE * spread * (self.instants.len() as f64).sqrt() && top > usual) {
            return None;
        }
        // Instants are told to a sample, so several rates explain them as well: from here to there.
        let alike = |t: &&f64| **t >= top - ALIKE * (top - usual);
        let before = tops[..number].iter().rev().take_while(alike).count();
        let behind = tops[number + 1..].iter().take_while(alike).count();
        let (low, high) = (rate(number - before), rate(number + behind));
        let rate = f64::midpoint(low, high);
        let scores = self.scores(&self.sum(rate));
        let top = highest(&scores);
        let at = scores.iter().position(|s| *s >= top)?;
        let (l, r) = (
            scores[(at + self.bins - 1) % self.bins],
            scores[(at + 1) % self.bins],
        );
        Some(Best {
            // Bins are counted at their middles.
            place: at as f64 + 0.5 + vertex(l, top, r),
            rate,
            rate_sigma: (high - low) / 12_f64.sqrt(),
        })
    }
}

fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// Where the parabola through three values at -1, 0 and 1 has its top, the middle one being the highest.
fn vertex(before: f64, top: f64, after: f64) -> f64 {
    let bend = before - 2.0 * top + after;
    if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// What the instants of a cycle that starts at each bin gather.
fn gathered(sum: &[f64], instants: &[f64], bins: usize) -> Vec<f64> {
    let shifts: Vec<usize> = instants.iter().map(|i| at_bin(*i, bins)).collect();
    (0..bins)
        .map(|b| shifts.iter().map(|s| sum[(b + s) % bins]).sum())
        .collect()
}

fn at_bin(bin: f64, bins: usize) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to the number of bins"
    )]
    let at = bin.round().rem_euclid(bins as f64) as usize;
    at % bins
}

/// The steps in which the first slot may be: those whose instants fall together with the ones found.
///
/// `sigma_s` says how well the start found goes with the one known.
fn starts(schedule: &SwitchSchedule, start_s: f64, sigma_s: f64, ratio: f64, bin_s: f64) -> Vec<Start> {
    let steps = schedule.steps();
    let n = steps.len();
    let allowed_s = (2.0 * bin_s).max(schedule.settle_s() / 2.0);
    let mut at_s = 0.0;
    let period_s: f64 = steps.iter().map(|s| s.dwell_s).sum::<f64>() * ratio;
    let mut found = Vec::new();
    for step in 0..n {
        let same = (0..n).all(|i| {
            let (a, b) = (steps[i], steps[(i + step) % n]);
            (a.dwell_s - b.dwell_s).abs() < allowed_s && a.port.is_some() == b.port.is_some()
        });
        if same {
            // If the first slot is this step, the cycle began this much earlier.
            let began_s = start_s - at_s * ratio;
            let ln_prior = schedule.start_s().map_or(0.0, |known_s| {
                let off = began_s - known_s;
                let off = off - period_s * (off / period_s).round();
                -0.5 * (off / sigma_s).powi(2)
            });
            found.push(Start { step, ln_prior });
        }
        at_s += steps[step].dwell_s;
    }
    let top = found.iter().map(|s| s.ln_prior).fold(f64::NEG_INFINITY, f64::max);
    found.retain(|s| s.ln_prior > top - 30.0);
    found
}
