//! Where to take the next bearing, and what to expect there.
//!
//! [`solve_with_samples`] keeps the posterior; [`advise`] orders places by what a bearing from each is expected to tell;
//! [`attenuation`] says what to switch in before going there. The candidates come from [`rings`], [`along_roads`] or [`read_places`].

mod attenuation;
mod candidates;
mod config;
mod model;
mod places_file;
mod predict;
mod reasons;
mod samples;

use lobewright_geodesy::inverse;
use lobewright_types::{Azimuth, FixOutcome, Position, True};

pub use attenuation::{AttenuationAdvice, ExpectedLevel, Meter, attenuation, level_at};
pub use candidates::{Candidate, along_roads, rings};
pub use config::{AdviceConfig, Hearing, NoiseReference, RankBy};
pub use places_file::{PlacesError, read_places};
pub use reasons::AdviceReason;
pub use samples::{PosteriorSample, PosteriorSamples, solve_with_samples};

use model::Model;
use predict::Predictor;
use reasons::Scene;

/// What must be said beside every advice.
pub const CAUTION: &str = "the advice knows geometry only: stay on public roads and on land you may enter, and read it when you have stopped, never while driving";

/// One place and what a bearing from it is expected to tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// The place.
    pub place: Candidate,
    /// Mutual information of the next bearing and the transmitter's position, in bits: the expected drop of the entropy.
    pub information_bits: f64,
    /// The 95 % area after the bearing, averaged over what it may be.
    pub expected_area95_km2: f64,
    /// Standard deviation of the bearing, averaged over where the transmitter may be.
    pub expected_sigma_deg: f64,
    /// Probability that the transmitter is heard; 1 where levels are not known.
    pub heard_probability: f64,
    /// Direction from the place to the most probable position, or to the middle of the probability.
    pub azimuth: Azimuth<True>,
    /// Distance to that position.
    pub range_m: f64,
    /// Length of the way to the place, detours included; absent where it is not known where one is.
    pub way_m: Option<f64>,
    /// Bits for each kilometre of the way; absent as above, or where one is there already.
    pub bits_per_km: Option<f64>,
    /// Bits for each hour of travelling and taking the bearing.
    pub bits_per_hour: Option<f64>,
    /// Why, strongest reason first.
    pub reasons: Vec<AdviceReason>,
}

/// Orders places by what a bearing from each is expected to tell of the transmitter's position.
///
/// # Inputs
/// Samples and outcome of [`solve_with_samples`]; `from`: where one is now, where that is known; candidates in any order. Left out are
/// places in `config.unreachable`, farther than `config.max_way_m`, inside the 95 % region, within `config.min_range_m` of the position or
/// within `config.apart_m` of a place where a bearing was taken.
///
/// # Result
/// One [`Advice`] a place that is left, best first by `config.rank_by`; equal ones by latitude, longitude, name. The same list whatever
/// the order of the candidates.
///
/// # Method
/// The mutual information `I = H(y) - E[H(y | x)]` of position x and what comes back y (Cover & Thomas, *Elements of Information Theory*, section 2.4; as a
/// rule for the next measurement: Lindley, *On a measure of the information provided by an experiment*, Annals of Mathematical Statistics 27 (1956)). Given
/// x, y is nothing with the probability that the level is under the limit, else a direction: normal around the azimuth to x with a sigma that depends on the
/// distance, or with `config.reflection_prior` anywhere. `H(y)` is that of the mixture over the samples, by classes of sigma on bins of a third of the smallest.
/// It looks one bearing ahead. The area is the mean over nine outcomes of equal probability (and over nothing heard), the samples weighted anew.
///
/// # Limits
/// Heading errors that the next bearing shares with those so far count as new ones.
pub fn advise(
    samples: &PosteriorSamples,
    outcome: &FixOutcome,
    from: Option<Position>,
    candidates: &[Candidate],
    config: &AdviceConfig,
) -> Vec<Advice> {
    let config = config.clamped();
    let model = Model::new(&config);
    let points = samples.reduced(config.points);
    let scene = Scene::new(samples, outcome, &config);
    let mut predictor = Predictor::new(&points, &model);
    let mut list: Vec<Advice> = candidates
        .iter()
        .filter(|c| candidates::allowed(c.position, samples, outcome, from, &config))
        .map(|place| {
            let worth = predictor.worth(place.position);
            let bits = worth.information_nats / std::f64::consts::LN_2;
            let line = inverse(place.position, scene.centre);
            let way_m = from.map(|f| config.detour * inverse(f, place.position).distance_m);
            let hours = way_m.map(|m| m / 1000.0 / config.speed_km_h + config.stop_s / 3600.0);
            Advice {
                place: place.clone(),
                information_bits: bits,
                expected_area95_km2: worth.area95_m2 / 1e6,
                expected_sigma_deg: worth.sigma_deg,
                heard_probability: worth.heard,
                azimuth: line.azimuth,
                range_m: line.distance_m,
                way_m,
                bits_per_km: way_m.filter(|m| *m > 1.0).map(|m| bits / (m / 1000.0)),
                bits_per_hour: hours.map(|h| bits / h),
                reasons: scene.reasons(place.position, &worth),
            }
        })
        .collect();
    list.sort_by(|a, b| {
        score(b, config.rank_by)
            .total_cmp(&score(a, config.rank_by))
            .then_with(|| compare(&a.place, &b.place))
    });
    list
}

fn score(advice: &Advice, by: RankBy) -> f64 {
    match by {
        RankBy::Information => advice.information_bits,
        RankBy::Area => -advice.expected_area95_km2,
        RankBy::PerHour => advice.bits_per_hour.unwrap_or(advice.information_bits),
    }
}

fn compare(a: &Candidate, b: &Candidate) -> std::cmp::Ordering {
    a.position
        .lat_deg
        .total_cmp(&b.position.lat_deg)
        .then(a.position.lon_deg.total_cmp(&b.position.lon_deg))
        .then_with(|| a.name.cmp(&b.name))
}

/// Picks the best places that lie well apart: neighbours tell much the same.
///
/// # Inputs
/// A list of [`advise`], best first; `count` places at most.
///
/// # Result
/// Each is at least a third of its distance to the transmitter away from those before it.
pub fn well_apart(list: &[Advice], count: usize) -> Vec<&Advice> {
    let mut picked: Vec<&Advice> = Vec::new();
    for advice in list {
        if picked.len() >= count {
            break;
        }
        let far = |other: &&Advice| {
            inverse(advice.place.position, other.place.position).distance_m >= advice.range_m / 3.0
        };
        if picked.iter().all(far) {
            picked.push(advice);
        }
    }
    picked
}
