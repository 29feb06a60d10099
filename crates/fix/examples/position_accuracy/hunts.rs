//! Hunts drawn at random, by class.

use lobewright_fix::{FixConfig, from_normal};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Azimuth, Bearing, Position};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Places and transmitter are drawn evenly over a disc of this radius.
const DISC_M: f64 = 5_000.0;
/// No place is nearer to the transmitter than this.
const NEAREST_M: f64 = 300.0;
/// Error of a place, each axis, stated and true.
const PLACE_SIGMA_M: f64 = 10.0;
/// The compass fault of its class.
const FAULT_DEG: f64 = 7.0;

/// What goes wrong in a hunt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Class {
    /// Nothing: 4 to 12 bearings.
    Clean,
    /// One bearing in five points anywhere, of 5, 10 or 15.
    Reflected,
    /// The hunts of [`Class::Reflected`] before their reflections.
    Unreflected,
    /// One compass, 7 degrees off to either side, in 5 to 12 places.
    CompassOffset,
    /// Two bearings, each wrong by the chance that the settings state.
    Two,
    /// Three bearings of one compass, each and the compass wrong by the chances that the settings state.
    Three,
}

/// One hunt.
#[derive(Debug)]
pub(crate) struct Hunt {
    pub(crate) bearings: Vec<Bearing>,
    pub(crate) truth: Position,
    /// Fisher information of the right bearings on the position, east and north, per square metre: `ee`, `en`, `nn`.
    pub(crate) information: [f64; 3],
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn in_disc(rng: &mut ChaCha8Rng) -> (f64, f64) {
    let radius_m = DISC_M * rng.random_range(0.0..1.0_f64).sqrt();
    let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
    (radius_m * sin, radius_m * cos)
}

/// Which bearings point anywhere, and the turn of all of them.
fn faults(class: Class, count: usize, rng: &mut ChaCha8Rng, expected: &FixConfig) -> (Vec<bool>, f64) {
    let mut wrong = vec![false; count];
    let chance = |rng: &mut ChaCha8Rng, p: f64| rng.random_range(0.0..1.0) < p;
    match class {
        Class::Clean | Class::Unreflected => (wrong, 0.0),
        Class::Reflected => {
            wrong[..count / 5].fill(true);
            wrong.shuffle(rng);
            (wrong, 0.0)
        }
        Class::CompassOffset => {
            let turn = if chance(rng, 0.5) { FAULT_DEG } else { -FAULT_DEG };
            (wrong, turn)
        }
        Class::Two | Class::Three => {
            for w in &mut wrong {
                *w = chance(rng, expected.reflection_prior);
            }
            let faulty = class == Class::Three && chance(rng, expected.compass_fault_prior);
            let turn = if faulty {
                expected.compass_fault_sigma_deg * normal(rng)
            } else {
                0.0
            };
            (wrong, turn)
        }
    }
}

impl Hunt {
    /// Hunt number `trial` of a class; the same for the same numbers and settings.
    pub(crate) fn draw(class: Class, trial: u64, expected: &FixConfig) -> Self {
        let seed = match class {
            Class::Clean => 1,
            Class::Reflected | Class::Unreflected => 2,
            Class::CompassOffset => 3,
            Class::Two => 4,
            Class::Three => 5,
        };
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(trial);
        let count = match class {
            Class::Clean => rng.random_range(4..=12),
            Class::Reflected | Class::Unreflected => 5 * rng.random_range(1..=3),
            Class::CompassOffset => rng.random_range(5..=12),
            Class::Two => 2,
            Class::Three => 3,
        };
        let origin = Position {
            lat_deg: rng.random_range(-60.0..60.0),
            lon_deg: rng.random_range(-180.0..180.0),
        };
        let sigma_deg = rng.random_range(1.0..5.0);
        let frame = LocalFrame::at(origin);
        let target_m = in_disc(&mut rng);
        let truth = frame.from_local(target_m.0, target_m.1);
        let mut hunt = Self {
            bearings: Vec::with_capacity(count),
            truth,
            information: [0.0; 3],
        };
        let mut places = Vec::with_capacity(count);
        while places.len() < count {
            let place = in_disc(&mut rng);
            if (place.0 - target_m.0).hypot(place.1 - target_m.1) >= NEAREST_M {
                places.push((place, [normal(&mut rng), normal(&mut rng), normal(&mut rng)]));
            }
        }
        // Drawn last, so that a class without faults has the same hunts otherwise.
        let (wrong, turn_deg) = faults(class, count, &mut rng, expected);
        for (k, (place, noise)) in places.into_iter().enumerate() {
            let at = frame.from_local(place.0, place.1);
            let stated = frame.from_local(
                place.0 + PLACE_SIGMA_M * noise[0],
                place.1 + PLACE_SIGMA_M * noise[1],
            );
            let azimuth = if wrong[k] {
                Azimuth::from_degrees(rng.random_range(0.0..360.0))
            } else {
                inverse(at, truth).azimuth.turned(sigma_deg * noise[2] + turn_deg)
            };
            let mut bearing = from_normal("car", stated, azimuth, sigma_deg, (PLACE_SIGMA_M, 0.0), None);
            bearing.id = format!("b{k}");
            hunt.bearings.push(bearing);
            if !wrong[k] {
                hunt.inform((place.0 - target_m.0, place.1 - target_m.1), sigma_deg);
            }
        }
        hunt
    }

    /// Torrieri 1984, section IV (from memory): `J = sum n n' / (s d)^2`, `n` across the line of sight.
    fn inform(&mut self, (east_m, north_m): (f64, f64), sigma_deg: f64) {
        let range_m = east_m.hypot(north_m);
        let sigma = sigma_deg.to_radians().hypot(PLACE_SIGMA_M / range_m);
        let weight = 1.0 / (sigma * range_m * range_m).powi(2);
        self.information[0] += weight * north_m * north_m;
        self.information[1] -= weight * east_m * north_m;
        self.information[2] += weight * east_m * east_m;
    }

    /// Mean squared distance that no unbiased estimate is under, square metres.
    pub(crate) fn bound_m2(&self) -> f64 {
        let [ee, en, nn] = self.information;
        (ee + nn) / (ee * nn - en * en)
    }

    /// Squared error in units of the bound's own ellipse; 2 on average for an estimate at the bound.
    pub(crate) fn squared_sigmas(&self, found: Position) -> f64 {
        let (east, north) = LocalFrame::at(self.truth).to_local(found);
        let [ee, en, nn] = self.information;
        ee * east * east + 2.0 * en * east * north + nn * north * north
    }
}
