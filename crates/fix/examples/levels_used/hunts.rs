//! Hunts with levels, from a seed.

use lobewright_fix::from_normal;
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, LevelReport, Position, SilenceReport};
use nalgebra::{DMatrix, DVector};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};

/// What a class of hunts is like.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Class {
    /// Places with a bearing; the first of the places with levels.
    pub(crate) bearings: usize,
    /// Standard deviation of the bearings.
    pub(crate) bearing_sigma_deg: f64,
    /// Places where the level was read.
    pub(crate) levels: usize,
    /// Standard deviation of the terrain, in dB.
    pub(crate) shadowing_db: f64,
    /// Levels that are wrong by 20 to 40 dB, either way.
    pub(crate) wrong: usize,
    /// Places where the receiver was on, a level heard or not; 0 for none.
    pub(crate) listened: usize,
}

/// One hunt.
#[derive(Debug)]
pub(crate) struct Hunt {
    /// Where the transmitter is.
    pub(crate) truth: Position,
    /// Bearings.
    pub(crate) bearings: Vec<Bearing>,
    /// Levels.
    pub(crate) levels: Vec<LevelReport>,
    /// Silences.
    pub(crate) silences: Vec<SilenceReport>,
}

/// Distance that the places lie from the middle, at most.
const AROUND_M: f64 = 4000.0;
/// Standard deviation of a reading.
const READING_DB: f64 = 2.0;
/// Length of the terrain's correlation.
const DECORRELATION_M: f64 = 70.0;
/// The weakest level that is heard.
const LIMIT_DB: f64 = -85.0;

fn unit(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    Uniform::new(0.0, 1.0).expect("a range").sample(rng)
}

fn within(rng: &mut ChaCha8Rng, radius_m: f64) -> (f64, f64) {
    let square = Uniform::new(-radius_m, radius_m).expect("a range");
    loop {
        let at: (f64, f64) = (square.sample(rng), square.sample(rng));
        if at.0.hypot(at.1) < radius_m {
            return at;
        }
    }
}

/// Makes a hunt: transmitter and places anywhere in a disc of 4 km, a power, an exponent from the estimator's own prior, terrain that
/// is normal and correlated over 70 m.
pub(crate) fn hunt(class: &Class, seed: u64) -> Hunt {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let frame = LocalFrame::at(Position {
        lat_deg: 47.2,
        lon_deg: 8.5,
    });
    let truth_m = within(&mut rng, AROUND_M);
    let truth = frame.from_local(truth_m.0, truth_m.1);
    let power_db = -65.0 + 8.0 * unit(&mut rng);
    let exponent = loop {
        let n = 3.2 + 0.5 * unit(&mut rng);
        if (2.0..6.0).contains(&n) {
            break n;
        }
    };
    let count = class.levels.max(class.listened);
    let places: Vec<(f64, f64)> = (0..count.max(class.bearings))
        .map(|_| within(&mut rng, AROUND_M))
        .collect();
    let terrain = terrain_db(&places, class.shadowing_db, &mut rng);
    let mut made = Hunt {
        truth,
        bearings: Vec::new(),
        levels: Vec::new(),
        silences: Vec::new(),
    };
    for (k, at) in places.iter().enumerate() {
        let position = frame.from_local(at.0, at.1);
        let id = format!("p{k}");
        if k < class.bearings {
            // As often as the estimator's prior has it, a reflection from anywhere.
            let reflected = uniform(&mut rng) < 0.1;
            let off_deg = if reflected {
                360.0 * uniform(&mut rng)
            } else {
                class.bearing_sigma_deg * unit(&mut rng)
            };
            let azimuth = inverse(position, truth).azimuth.turned(off_deg);
            made.bearings.push(from_normal(
                &id,
                position,
                azimuth,
                class.bearing_sigma_deg,
                (0.0, 0.0),
                None,
            ));
        }
        let range_km = inverse(position, truth).distance_m.hypot(10.0) / 1000.0;
        let mut level_db =
            power_db - 10.0 * exponent * range_km.log10() + terrain[k] + READING_DB * unit(&mut rng);
        if k < class.wrong {
            let off = 30.0 + 5.0 * unit(&mut rng);
            level_db += if unit(&mut rng) > 0.0 { off } else { -off };
        }
        if class.listened > 0 && level_db < LIMIT_DB {
            made.silences.push(SilenceReport {
                station: id.clone(),
                id,
                time_utc: None,
                position,
                transmitter: None,
                scale: "meter".to_owned(),
                limit_db: LIMIT_DB,
            });
        } else if k < count {
            made.levels.push(LevelReport {
                station: id.clone(),
                id,
                time_utc: None,
                position,
                position_sigma_m: 5.0,
                transmitter: None,
                scale: "meter".to_owned(),
                level_db,
                sigma_db: READING_DB,
            });
        }
    }
    made
}

/// Normal, of one standard deviation, correlated as `exp(-d / 70 m)`.
fn terrain_db(places: &[(f64, f64)], sigma_db: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let count = places.len();
    if count == 0 {
        return Vec::new();
    }
    let matrix = DMatrix::from_fn(count, count, |a, b| {
        let (a, b) = (places[a], places[b]);
        (-(a.0 - b.0).hypot(a.1 - b.1) / DECORRELATION_M).exp()
    });
    let white = DVector::from_iterator(count, (0..count).map(|_| unit(rng)));
    let root = matrix.cholesky().expect("places differ").l();
    (root * white * sigma_db).iter().copied().collect()
}
