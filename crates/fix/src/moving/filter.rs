//! Forward through the bearings, and back.

use lobewright_types::{Bearing, FixStatement, Timestamp};

use super::field::{Bounds, Field, Lattice};
use super::{MovingConfig, MovingError, MovingStep, MovingTrack, regions};
use crate::evidence::{Evidence, Scene};
use crate::likelihood::{Domain, Surface};
use crate::places;

/// Probability that may be lost beyond each side where the lattice is laid anew.
const LOST: f64 = 2.5e-5;
/// A density on less than this share of the lattice's side is laid out finer.
const SHRUNK: f64 = 0.4;
/// Room around it then.
const ROOM: f64 = 1.3;
/// What may move is given this many standard deviations.
const REACH_SIGMAS: f64 = 4.5;
/// Steps that are done again on a finer lattice at most; older ones say little by then.
const AGAIN: usize = 60;
/// Times of bearings up to which the smoothed track is computed.
const SMOOTHED: usize = 500;
/// Cells are not made smaller than this.
const LEAST_STEP_M: f64 = 0.2;
/// A half region of more than this share of the search disc is no position.
const SHARE_OF_DISC: f64 = 0.2;
/// More than this beside the rim of the search disc: the far end is open.
const AT_RIM: f64 = 0.05;

struct Moment {
    time: Timestamp,
    bearings: Vec<Bearing>,
}

struct Filter<'a> {
    moments: Vec<Moment>,
    config: &'a MovingConfig,
    domain: Domain,
    across: usize,
}

pub(super) fn track(bearings: &[Bearing], config: &MovingConfig) -> Result<MovingTrack, MovingError> {
    let speed = config.metres_per_minute;
    if !(speed > 0.0 && speed <= 1e5) {
        return Err(MovingError::Speed(speed));
    }
    let usable = |b: &&Bearing| places::usable(b);
    let timed: Vec<Bearing> = bearings
        .iter()
        .filter(usable)
        .filter(|b| b.time_utc.is_some())
        .cloned()
        .collect();
    let without_time = bearings
        .iter()
        .filter(|b| b.time_utc.is_none())
        .map(|b| b.id.clone())
        .collect();
    if timed.is_empty() {
        return Err(MovingError::NoTimes);
    }
    let fix = config.fix.clamped();
    let evidence = Evidence {
        bearings: &timed,
        ..Evidence::default()
    };
    let scene = Scene::new(&evidence, &fix).map_err(|reasons| {
        MovingError::Hopeless(reasons.into_iter().next().unwrap_or(FixStatement::NoBearings))
    })?;
    let mut domain = scene.first_domain(&fix);
    let moments = moments_of(timed);
    let span_s = moments[moments.len() - 1].time.seconds_since(moments[0].time);
    let moved_m = REACH_SIGMAS * sigma_m(speed, span_s);
    domain.radius_m = (domain.radius_m + moved_m).min(1000.0 * fix.search_radius_km.max(1e-3));
    let filter = Filter {
        moments,
        config,
        domain,
        across: config.cells_across.clamp(48, 400),
    };
    Ok(MovingTrack {
        steps: filter.run(),
        without_time,
    })
}

/// Standard deviation on each axis of what moves for so long.
fn sigma_m(metres_per_minute: f64, seconds: f64) -> f64 {
    metres_per_minute * (seconds.max(0.0) / 120.0).sqrt()
}

fn moments_of(mut bearings: Vec<Bearing>) -> Vec<Moment> {
    bearings.sort_by(|a, b| (a.time_utc, &a.id).cmp(&(b.time_utc, &b.id)));
    let mut moments: Vec<Moment> = Vec::new();
    for bearing in bearings {
        let Some(time) = bearing.time_utc else { continue };
        match moments.last_mut() {
            Some(last) if last.time == time => last.bearings.push(bearing),
            _ => moments.push(Moment {
                time,
                bearings: vec![bearing],
            }),
        }
    }
    moments
}

impl Filter<'_> {
    fn run(&self) -> Vec<MovingStep> {
        let smooth = self.config.smooth && self.moments.len() <= SMOOTHED;
        let mut steps = Vec::with_capacity(self.moments.len());
        // What the backward pass needs: densities on the finest lattice that they were computed on.
        let mut kept: Vec<Field> = Vec::new();
        let mut last: Option<Field> = None;
        for k in 0..self.moments.len() {
            let mut field = self.step(last.as_ref(), k, None);
            while let Some(again) = self.narrowed(&field, k) {
                match again {
                    Narrower::Again(lattice) => {
                        let fields = self.all_again(lattice, k);
                        field = fields[k].clone();
                        if smooth {
                            kept = fields;
                            kept.pop();
                        }
                    }
                    Narrower::InPlace(lattice) => {
                        field = field.onto(lattice);
                        field.normalise();
                    }
                }
            }
            steps.push(MovingStep {
                time_utc: self.moments[k].time,
                ids: self.moments[k].bearings.iter().map(|b| b.id.clone()).collect(),
                filtered: (!self.is_open(&field)).then(|| regions::position(&field, &self.domain)),
                smoothed: None,
            });
            if smooth {
                kept.push(field.clone());
            }
            last = Some(field);
        }
        if smooth {
            self.smooth(&kept, &mut steps);
        }
        steps
    }

    fn seconds_before(&self, k: usize) -> f64 {
        self.moments[k].time.seconds_since(self.moments[k - 1].time)
    }

    fn sigma_before(&self, k: usize) -> f64 {
        sigma_m(self.config.metres_per_minute, self.seconds_before(k))
    }

    /// The density at moment `k` from the one before; on `fixed`, or on a lattice that has room for what moved.
    fn step(&self, before: Option<&Field>, k: usize, fixed: Option<Lattice>) -> Field {
        let mut field = match before {
            None => {
                let lattice =
                    fixed.unwrap_or_else(|| Lattice::around((0.0, 0.0), self.domain.radius_m, self.across));
                let domain = self.domain;
                Field::even(lattice, |e, n| !domain.outside(e, n))
            }
            Some(before) => {
                let sigma = self.sigma_before(k);
                let lattice = fixed.unwrap_or_else(|| self.roomy(before, sigma));
                let mut field = before.onto(lattice);
                field.spread(sigma);
                field.normalise();
                field
            }
        };
        self.weigh(&mut field, k);
        field
    }

    /// The lattice, or a larger one where what moves would leave it.
    fn roomy(&self, field: &Field, sigma: f64) -> Lattice {
        let tight = field.bounds(LOST);
        let reach = REACH_SIGMAS * sigma;
        let grown = Bounds {
            east_m: (tight.east_m.0 - reach, tight.east_m.1 + reach),
            north_m: (tight.north_m.0 - reach, tight.north_m.1 + reach),
        };
        let whole = field.lattice.side_m() >= 2.0 * self.domain.radius_m;
        if whole || field.lattice.holds(&grown) {
            return field.lattice;
        }
        Lattice::around(grown.centre_m(), ROOM * grown.half_m(), self.across)
    }

    /// Takes in the bearings of a moment.
    fn weigh(&self, field: &mut Field, k: usize) {
        // The likelihood of a cell is its mean over the cell: as if the station's place were unsure by it.
        let cell_m = field.lattice.step_m / 12.0_f64.sqrt();
        let mut bearings = self.moments[k].bearings.clone();
        for bearing in &mut bearings {
            bearing.position_sigma_m = bearing.position_sigma_m.hypot(cell_m);
        }
        let places = places::gather(&bearings, &self.config.fix.clamped());
        let domain = Domain {
            radius_m: 1e9,
            ..self.domain
        };
        let surface = Surface::new(&places, domain);
        field.weigh(|east, north| surface.ln_local(east, north));
    }

    /// A finer lattice, where the density fills a small part of its own only.
    fn narrowed(&self, field: &Field, k: usize) -> Option<Narrower> {
        let bounds = field.bounds(LOST);
        let side_m = field.lattice.side_m();
        let least_m = 0.5 * LEAST_STEP_M * self.across as f64;
        if bounds.half_m() > 0.5 * SHRUNK * side_m || side_m <= 2.0 * least_m {
            return None;
        }
        let span_s = self.moments[k].time.seconds_since(self.moments[0].time);
        let moved_m = REACH_SIGMAS * sigma_m(self.config.metres_per_minute, span_s);
        let again_m = (ROOM * bounds.half_m() + moved_m).max(least_m);
        if k <= AGAIN && again_m < 0.4 * side_m {
            return Some(Narrower::Again(Lattice::around(
                bounds.centre_m(),
                again_m,
                self.across,
            )));
        }
        let half_m = (ROOM * bounds.half_m()).max(least_m);
        Some(Narrower::InPlace(Lattice::around(
            bounds.centre_m(),
            half_m,
            self.across,
        )))
    }

    /// The densities up to moment `k` on one lattice.
    fn all_again(&self, lattice: Lattice, k: usize) -> Vec<Field> {
        let mut fields: Vec<Field> = Vec::with_capacity(k + 1);
        for j in 0..=k {
            let field = self.step(fields.last(), j, Some(lattice));
            fields.push(field);
        }
        fields
    }

    /// Whether the far end is open: no position yet.
    fn is_open(&self, field: &Field) -> bool {
        let radius_m = self.domain.radius_m;
        let across = field.lattice.across;
        let mut at_rim = 0.0;
        for row in 0..across {
            for column in 0..across {
                let (east, north) = field.lattice.middle_m(column, row);
                if east.hypot(north) > 0.95 * radius_m {
                    at_rim += field.mass[row * across + column];
                }
            }
        }
        if at_rim > AT_RIM {
            return true;
        }
        let cells = cells_for(field, 0.5) as f64;
        let area_m2 = cells * field.lattice.step_m.powi(2);
        area_m2 > SHARE_OF_DISC * std::f64::consts::PI * radius_m * radius_m
    }

    /// Back through the densities: each is weighed with what came after it.
    fn smooth(&self, kept: &[Field], steps: &mut [MovingStep]) {
        let Some(last) = kept.last() else { return };
        let mut smoothed = last.clone();
        for k in (0..kept.len()).rev() {
            if k + 1 < kept.len() {
                let sigma = self.sigma_before(k + 1);
                let mut predicted = kept[k].onto(smoothed.lattice);
                predicted.spread(sigma);
                let least = 1e-12 * predicted.mass.iter().copied().fold(0.0, f64::max);
                let mut ratio = smoothed.clone();
                for (r, p) in ratio.mass.iter_mut().zip(&predicted.mass) {
                    *r = if *p > least { *r / p } else { 0.0 };
                }
                let mut ratio = ratio.onto(kept[k].lattice);
                ratio.spread(sigma);
                let mut field = kept[k].clone();
                for (m, r) in field.mass.iter_mut().zip(&ratio.mass) {
                    *m *= r;
                }
                field.normalise();
                let bounds = field.bounds(LOST);
                if bounds.half_m() < 0.5 * SHRUNK * field.lattice.side_m() {
                    let lattice = Lattice::around(bounds.centre_m(), ROOM * bounds.half_m(), self.across);
                    smoothed = field.onto(lattice);
                    smoothed.normalise();
                } else {
                    smoothed = field;
                }
            }
            steps[k].smoothed =
                (!self.is_open(&smoothed)).then(|| regions::position(&smoothed, &self.domain));
        }
    }
}

enum Narrower {
    /// All steps again on this lattice.
    Again(Lattice),
    /// The density read off onto this one.
    InPlace(Lattice),
}

/// How many cells the smallest region of a probability has.
fn cells_for(field: &Field, probability: f64) -> usize {
    let mut sorted: Vec<f64> = field.mass.iter().copied().filter(|m| *m > 0.0).collect();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let mut sum = 0.0;
    for (i, m) in sorted.iter().enumerate() {
        sum += m;
        if sum >= probability {
            return i + 1;
        }
    }
    sorted.len()
}
