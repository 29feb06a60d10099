//! Hunts from truth: who goes where next, and how many bearings that takes.
#![allow(dead_code, reason = "test and example each use a part")]

use lobewright_fix::advice::{AdviceConfig, PosteriorSamples, RankBy, advise, rings, solve_with_samples};
use lobewright_fix::{Evidence, FixConfig, from_normal};
use lobewright_geodesy::{direct, inverse};
use lobewright_types::{Azimuth, Bearing, FixOutcome, Position, True};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A hunt is over when a circle of this radius around the position holds 95 % of the probability.
pub(crate) const GOAL_M: f64 = 200.0;
/// Nobody goes nearer to the position than this.
pub(crate) const MIN_RANGE_M: f64 = 300.0;
/// The second bearing is taken so far to the side of the first one's line.
pub(crate) const BASE_M: f64 = 2000.0;
/// The hunters know that the transmitter is no farther off than this.
pub(crate) const SEARCH_KM: f64 = 30.0;
/// A step on a circular tour.
const STEP_DEG: f64 = 60.0;
const START: Position = Position {
    lat_deg: -41.3,
    lon_deg: 174.1,
};

/// Who says where the next bearing is taken, from the third one on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    /// The place with the most information.
    Information,
    /// The place with the most information for an hour of travelling and bearing taking.
    PerHour,
    /// On the circle around the first estimate that goes through the start.
    AroundFirst,
    /// On a circle around the running position through the rim of the circle that holds 95 % there, no wider than the last.
    Closing,
    /// On a circle around the running position, half as wide each time.
    Halving,
}

/// How a hunt went.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Outcome {
    /// Bearings taken, the first two included.
    pub(crate) bearings: usize,
    /// Whether the goal was reached.
    pub(crate) reached: bool,
    /// Length of the way in straight lines.
    pub(crate) way_km: f64,
    /// Distance from the position to the transmitter at the end; infinite without a position.
    pub(crate) off_m: f64,
}

/// The truth: where the transmitter is and what each bearing will be wrong by.
#[derive(Debug)]
struct Truth {
    target: Position,
    sigma_deg: f64,
    rng: ChaCha8Rng,
}

impl Truth {
    /// Even in direction, in distance from 3 to 8 km, and in sigma from 3 to 5 degrees.
    fn draw(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let azimuth = Azimuth::from_degrees(rng.random_range(0.0..360.0));
        let target = direct(START, azimuth, rng.random_range(3000.0..8000.0));
        let sigma_deg = rng.random_range(3.0..5.0);
        Self {
            target,
            sigma_deg,
            rng,
        }
    }

    /// A bearing from a place: normal errors, one in ten a reflection from anywhere. The same number of a hunt has the same error
    /// whoever chose its place.
    fn bearing(&mut self, place: Position, number: usize) -> Bearing {
        let error: f64 = StandardNormal.sample(&mut self.rng);
        let reflected = self.rng.random_range(0.0..1.0) < 0.1;
        let anywhere = Azimuth::from_degrees(self.rng.random_range(0.0..360.0));
        let direct = inverse(place, self.target).azimuth.turned(self.sigma_deg * error);
        let azimuth = if reflected { anywhere } else { direct };
        let name = format!("b{number}");
        from_normal(&name, place, azimuth, self.sigma_deg, (10.0, 0.0), None)
    }
}

/// What whoever chooses the next place may know.
struct Known<'a> {
    outcome: &'a FixOutcome,
    samples: Option<&'a PosteriorSamples>,
    last: Position,
    count: usize,
    first_estimate: Option<Position>,
    first_azimuth: Azimuth<True>,
    sigma_deg: f64,
}

/// Runs one hunt: a bearing at the start, one to the right of its line, and then from where `way` says, `most` at most.
pub(crate) fn hunt(seed: u64, way: Way, most: usize) -> Outcome {
    let config = FixConfig {
        search_radius_km: SEARCH_KM,
        // Where to go next does not hang on areas to a hundredth.
        grid_tolerance: 0.05,
        ..FixConfig::default()
    };
    let mut truth = Truth::draw(seed);
    let mut bearings = vec![truth.bearing(START, 1)];
    let mut place = direct(START, bearings[0].azimuth.turned(90.0), BASE_M);
    let (mut way_km, mut last, mut first_estimate) = (0.0, START, None);
    loop {
        way_km += inverse(last, place).distance_m / 1000.0;
        last = place;
        bearings.push(truth.bearing(place, bearings.len() + 1));
        let evidence = Evidence {
            bearings: &bearings,
            ..Evidence::default()
        };
        let (outcome, samples) = solve_with_samples(&evidence, &config);
        let position = match &outcome {
            FixOutcome::Fix(fix) => Some(fix.position),
            FixOutcome::NoFix { .. } => None,
        };
        first_estimate = first_estimate.or(position);
        let radius_m = position
            .zip(samples.as_ref())
            .map_or(f64::INFINITY, |(p, s)| s.radius_m(p, 0.95));
        if radius_m <= GOAL_M || bearings.len() >= most {
            return Outcome {
                bearings: bearings.len(),
                reached: radius_m <= GOAL_M,
                way_km,
                off_m: position.map_or(f64::INFINITY, |p| inverse(p, truth.target).distance_m),
            };
        }
        let known = Known {
            outcome: &outcome,
            samples: samples.as_ref(),
            last,
            count: bearings.len(),
            first_estimate,
            first_azimuth: bearings[0].azimuth,
            sigma_deg: truth.sigma_deg,
        };
        place = next(way, &known);
    }
}

fn next(way: Way, known: &Known) -> Position {
    let chosen = match way {
        Way::Information => advised(known, RankBy::Information),
        Way::PerHour => advised(known, RankBy::PerHour),
        Way::AroundFirst => known.first_estimate.map(|centre| {
            let line = inverse(centre, START);
            let radius_m = line.distance_m.max(1.01 * MIN_RANGE_M);
            direct(
                centre,
                line.azimuth.turned(on_tour_deg(known.count - 1)),
                radius_m,
            )
        }),
        Way::Closing => around(known, |samples, centre, away_m| {
            samples.radius_m(centre, 0.95).min(away_m)
        }),
        Way::Halving => around(known, |_, _, away_m| 0.5 * away_m),
    };
    // Without an estimate: steps around the start.
    chosen.unwrap_or_else(|| {
        let azimuth = known.first_azimuth.turned(90.0 + on_tour_deg(known.count - 1));
        direct(START, azimuth, BASE_M)
    })
}

/// Turn on a tour in equal steps; each further round lies between the places of those before.
fn on_tour_deg(step: usize) -> f64 {
    let round = step / 6;
    let between: f64 = (1..=round).map(|k| 0.5_f64.powf(k as f64)).sum();
    STEP_DEG * (step as f64 + between)
}

/// The place that is advised, if any.
fn advised(known: &Known, rank_by: RankBy) -> Option<Position> {
    let samples = known.samples?;
    let config = AdviceConfig {
        floor_sigma_deg: known.sigma_deg,
        noise_sigma_deg: 0.0,
        min_range_m: MIN_RANGE_M,
        rank_by,
        ..AdviceConfig::default()
    };
    let here = Some(known.last);
    let places = rings(samples, known.outcome, here, &config);
    let list = advise(samples, known.outcome, here, &places, &config);
    list.first().map(|a| a.place.position)
}

/// The next place on a circle around the running position.
fn around(known: &Known, radius_m: impl Fn(&PosteriorSamples, Position, f64) -> f64) -> Option<Position> {
    let (FixOutcome::Fix(fix), Some(samples)) = (known.outcome, known.samples) else {
        return None;
    };
    let line = inverse(fix.position, known.last);
    let radius_m = radius_m(samples, fix.position, line.distance_m).max(1.01 * MIN_RANGE_M);
    Some(direct(fix.position, line.azimuth.turned(STEP_DEG), radius_m))
}
