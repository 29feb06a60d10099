//! What the next bearing from a place will be, and what it tells.

use lobewright_geodesy::FastAzimuth;
use lobewright_types::{Position, wrap_degrees};

use super::model::{AtRange, Model, plogp, wrapped_normal_per_deg};
use super::samples::Point;

/// Bins for each standard deviation of the sharpest bearing.
const BINS_PER_SIGMA: f64 = 3.0;
/// Kernels end at this many standard deviations.
const KERNEL_SIGMAS: f64 = 5.5;
/// Outcomes of equal probability that stand for all.
const OUTCOMES: usize = 9;
/// Leading bits of a density by which points are sorted: 16 steps an octave.
const KEY_SHIFT: u32 = 19;
const KEYS: usize = 1 << (31 - KEY_SHIFT);

/// What the next bearing from a place tells.
#[derive(Debug, Clone, Copy)]
pub(super) struct Worth {
    /// Mutual information of what comes back and the position.
    pub(super) information_nats: f64,
    /// The 95 % area afterwards, averaged over what may come back.
    pub(super) area95_m2: f64,
    /// Probability that the transmitter is heard.
    pub(super) heard: f64,
    /// Standard deviation of the bearing, averaged over where the transmitter may be.
    pub(super) sigma_deg: f64,
}

/// A point as seen from a place.
#[derive(Debug, Clone, Copy)]
struct Seen {
    azimuth_deg: f64,
    index: usize,
}

/// Computes [`Worth`] for one place after the other.
#[derive(Debug)]
pub(super) struct Predictor<'a> {
    points: &'a [Point],
    model: &'a Model,
    bin_deg: f64,
    bins: usize,
    /// For each class the density per degree at 0, 1, 2, ... bins from the truth.
    kernels: Vec<Vec<f64>>,
    seen: Vec<Seen>,
    /// Mass by class and bin.
    mass: Vec<Vec<f64>>,
    used: Vec<bool>,
    density: Vec<f64>,
    keyed: Vec<(f64, f64)>,
}

impl<'a> Predictor<'a> {
    pub(super) fn new(points: &'a [Point], model: &'a Model) -> Self {
        let least_deg = model.class_sigma_deg[0];
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a sigma is 0.2 degrees or more"
        )]
        let bins = ((360.0 * BINS_PER_SIGMA / least_deg).ceil() as usize).max(180);
        let bin_deg = 360.0 / bins as f64;
        let kernels = model
            .class_sigma_deg
            .iter()
            .map(|&s| kernel(s, bin_deg, bins))
            .collect();
        let classes = model.class_sigma_deg.len();
        Self {
            points,
            model,
            bin_deg,
            bins,
            kernels,
            seen: Vec::with_capacity(points.len()),
            mass: vec![vec![0.0; bins]; classes],
            used: vec![false; classes],
            density: vec![0.0; bins],
            keyed: vec![(0.0, 0.0); KEYS],
        }
    }

    /// What the next bearing from `place` tells.
    pub(super) fn worth(&mut self, place: Position) -> Worth {
        self.look_from(place);
        let (heard, known_nats, sigma_deg) = self.sort_in();
        self.predict(heard);
        let unknown_nats =
            self.density.iter().map(|&p| plogp(p)).sum::<f64>() * self.bin_deg + plogp(1.0 - heard);
        Worth {
            information_nats: (unknown_nats - known_nats).max(0.0),
            area95_m2: self.area_after(heard),
            heard,
            sigma_deg,
        }
    }

    fn look_from(&mut self, place: Position) {
        let fast = FastAzimuth::at(place);
        self.seen.clear();
        self.seen.extend(self.points.iter().map(|point| {
            let (azimuth_deg, range_m) = fast.azimuth_and_range(&point.earth);
            Seen {
                azimuth_deg,
                index: Model::index(range_m),
            }
        }));
    }

    /// Sorts the points' mass into bins; gives the share that is heard, the mean entropy were the position known, and the
    /// mean standard deviation.
    fn sort_in(&mut self) -> (f64, f64, f64) {
        for (bins, used) in self.mass.iter_mut().zip(&mut self.used) {
            if std::mem::take(used) {
                bins.fill(0.0);
            }
        }
        let (mut heard, mut known_nats, mut sigma_deg) = (0.0, 0.0, 0.0);
        for (point, seen) in self.points.iter().zip(&self.seen) {
            let at: &AtRange = self.model.entry(seen.index);
            heard += point.mass * at.heard;
            known_nats += point.mass * at.entropy_nats;
            sigma_deg += point.mass * at.sigma_deg;
            // Shared out over the two bins around it: what that widens is taken off the kernels.
            let place = seen.azimuth_deg / self.bin_deg;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an azimuth of 0 to 360"
            )]
            let low = (place as usize).min(self.bins - 1);
            let part = place - low as f64;
            let high = if low + 1 == self.bins { 0 } else { low + 1 };
            let mass = point.mass * at.heard;
            for (class, share) in [(at.class, 1.0 - at.share), (at.class + 1, at.share)] {
                if share > 0.0 {
                    self.used[class] = true;
                    let bins = &mut self.mass[class];
                    bins[low] += mass * share * (1.0 - part);
                    bins[high] += mass * share * part;
                }
            }
        }
        (heard.min(1.0), known_nats, sigma_deg)
    }

    /// The density per degree of the bearing, times the probability that there is one.
    fn predict(&mut self, heard: f64) {
        let reflection = self.model.reflection;
        self.density.fill(reflection * heard / 360.0);
        let bins = self.bins;
        for class in (0..self.mass.len()).filter(|&c| self.used[c]) {
            let kernel = &self.kernels[class];
            for (at, &mass) in self.mass[class].iter().enumerate() {
                if mass > 0.0 {
                    spread(&mut self.density, at, (1.0 - reflection) * mass, kernel, bins);
                }
            }
        }
    }

    /// Middles of stretches of equal probability of the predicted bearing.
    fn outcomes_deg(&self, heard: f64) -> [f64; OUTCOMES] {
        let mut outcomes = [0.0; OUTCOMES];
        let (mut below, mut next) = (0.0, 0);
        for (bin, &density) in self.density.iter().enumerate() {
            let mass = density * self.bin_deg / heard;
            while next < OUTCOMES && below + mass >= (next as f64 + 0.5) / OUTCOMES as f64 {
                let part = ((next as f64 + 0.5) / OUTCOMES as f64 - below) / mass;
                // A bin stands for half a width to each side of its azimuth.
                outcomes[next] = wrap_degrees((bin as f64 + part - 0.5) * self.bin_deg);
                next += 1;
            }
            below += mass;
        }
        outcomes
    }

    /// The 95 % area after the next bearing, averaged over what may come back.
    fn area_after(&mut self, heard: f64) -> f64 {
        let mut area = 0.0;
        if heard > 1e-6 {
            let outcomes = self.outcomes_deg(heard);
            for outcome_deg in outcomes {
                area += self.area_given(Some(outcome_deg)) * heard / OUTCOMES as f64;
            }
        }
        if heard < 1.0 - 1e-6 {
            area += self.area_given(None) * (1.0 - heard);
        }
        area
    }

    /// The 95 % area given a bearing, or that nothing is heard.
    fn area_given(&mut self, outcome_deg: Option<f64>) -> f64 {
        let reflection = self.model.reflection;
        let flat = reflection / 360.0;
        self.keyed.fill((0.0, 0.0));
        let mut total = 0.0;
        let (mut lowest, mut highest) = (KEYS, 0);
        for (point, seen) in self.points.iter().zip(&self.seen) {
            let at = self.model.entry(seen.index);
            let likelihood = match outcome_deg {
                Some(outcome_deg) => {
                    let off = (outcome_deg - seen.azimuth_deg).abs();
                    let off = off.min(360.0 - off);
                    let direct = if off > 7.0 * at.sigma_deg {
                        0.0
                    } else {
                        wrapped_normal_per_deg(off, at.sigma_deg)
                    };
                    at.heard * ((1.0 - reflection) * direct + flat)
                }
                None => 1.0 - at.heard,
            };
            let mass = point.mass * likelihood;
            total += mass;
            #[expect(
                clippy::cast_possible_truncation,
                reason = "a single float's leading bits are all that is used"
            )]
            let key = (((mass / point.area_m2) as f32).to_bits() >> KEY_SHIFT) as usize;
            let slot = &mut self.keyed[key.min(KEYS - 1)];
            slot.0 += mass;
            slot.1 += point.area_m2;
            lowest = lowest.min(key);
            highest = highest.max(key);
        }
        let wanted = 0.95 * total;
        let (mut mass, mut area) = (0.0, 0.0);
        for &(m, a) in self.keyed[lowest..=highest.min(KEYS - 1)].iter().rev() {
            if m > 0.0 && mass + m >= wanted {
                return area + a * (wanted - mass) / m;
            }
            mass += m;
            area += a;
        }
        area
    }
}

/// A bearing's error over bins, half of it: the density per degree at 0, 1, 2, ... bins from the truth, its sum 1.
fn kernel(sigma_deg: f64, bin_deg: f64, bins: usize) -> Vec<f64> {
    // A mass shared out over two bins is spread by a triangle, of variance bin^2 / 6.
    let narrowed_deg = (sigma_deg.powi(2) - bin_deg.powi(2) / 6.0).sqrt();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "small and positive"
    )]
    let reach = ((KERNEL_SIGMAS * sigma_deg / bin_deg).ceil() as usize).min((bins - 1) / 2);
    let mut half: Vec<f64> = (0..=reach)
        .map(|k| wrapped_normal_per_deg(k as f64 * bin_deg, narrowed_deg))
        .collect();
    let sum = (half[0] + 2.0 * half[1..].iter().sum::<f64>()) * bin_deg;
    for v in &mut half {
        *v /= sum;
    }
    half
}

/// Adds a mass at a bin, spread by a kernel, round the circle.
fn spread(density: &mut [f64], at: usize, mass: f64, kernel: &[f64], bins: usize) {
    density[at] += mass * kernel[0];
    let reach = kernel.len() - 1;
    if at >= reach && at + reach < bins {
        for (value, k) in density[at + 1..=at + reach].iter_mut().zip(&kernel[1..]) {
            *value += mass * k;
        }
        for (value, k) in density[at - reach..at].iter_mut().rev().zip(&kernel[1..]) {
            *value += mass * k;
        }
        return;
    }
    for (step, k) in kernel.iter().enumerate().skip(1) {
        density[(at + step) % bins] += mass * k;
        density[(at + bins - step) % bins] += mass * k;
    }
}
