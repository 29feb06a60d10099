//! Why a place is worth the way, in words.

use std::fmt;

use lobewright_geodesy::inverse;
use lobewright_types::{Azimuth, Covariance2, FixOutcome, FixStatement, Position, True, wrap_signed_degrees};
use serde::Serialize;

use super::candidates;
use super::config::AdviceConfig;
use super::predict::Worth;
use super::samples::PosteriorSamples;

/// A region this many times as long as wide has an axis worth crossing.
const LONG: f64 = 1.6;
/// Lines that cross an axis, or each other, at less than this are no reason.
const CROSSING_DEG: f64 = 40.0;
/// Positions less probable than this are not decided between.
const LISTED: f64 = 0.05;
/// Standard deviations between two positions, as seen from a place, that decide.
const DECIDING_SIGMAS: f64 = 3.0;
/// A place at less than this share of the distance of the nearest so far is closer.
const CLOSER: f64 = 0.7;
/// From this probability on of not hearing anything it is said.
const SILENT: f64 = 0.1;
/// Bearings worse than this many times the best are called uncertain.
const UNCERTAIN: f64 = 1.5;

/// Why a place is worth the way, or what speaks against it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum AdviceReason {
    /// The distance is open and the place lies to the side of the lines.
    SidewaysOfLines {
        /// Angle at which its line crosses the nearest of them.
        angle_deg: f64,
    },
    /// Its line crosses the long axis of the region.
    CrossesLongAxis {
        /// The angle, 0 to 90 degrees.
        angle_deg: f64,
    },
    /// It sees the likely positions in different directions.
    DecidesBetween {
        /// How many.
        positions: usize,
        /// Angle between the most probable two.
        apart_deg: f64,
    },
    /// It is closer than any place so far.
    Closer {
        /// What a degree counts there against the nearest place so far, 0 to 1.
        share: f64,
    },
    /// Its line crosses those so far well.
    CrossesLines {
        /// The smallest of the angles.
        angle_deg: f64,
    },
    /// The transmitter may not be heard there.
    MayBeSilent {
        /// Probability of that.
        probability: f64,
    },
    /// The bearing will be less certain than from nearer places.
    Uncertain {
        /// Its expected standard deviation.
        sigma_deg: f64,
    },
}

impl fmt::Display for AdviceReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SidewaysOfLines { angle_deg } => write!(
                f,
                "the distance is open: sideways of the lines, across them at {angle_deg:.0} degrees"
            ),
            Self::CrossesLongAxis { angle_deg } => {
                write!(f, "crosses the long axis at {angle_deg:.0} degrees")
            }
            Self::DecidesBetween {
                positions: 2,
                apart_deg,
            } => {
                write!(
                    f,
                    "decides between the two positions, {apart_deg:.0} degrees apart there"
                )
            }
            Self::DecidesBetween { positions, apart_deg } => write!(
                f,
                "decides between the {positions} positions, the likeliest {apart_deg:.0} degrees apart there"
            ),
            Self::Closer { share } => write!(f, "closer: a degree counts {}", share_in_words(*share)),
            Self::CrossesLines { angle_deg } => {
                write!(f, "crosses the lines so far at {angle_deg:.0} degrees or more")
            }
            Self::MayBeSilent { probability } => {
                write!(f, "may hear nothing there ({:.0} %)", 100.0 * probability)
            }
            Self::Uncertain { sigma_deg } => {
                write!(f, "far: the bearing is good to {sigma_deg:.0} degrees only")
            }
        }
    }
}

fn share_in_words(share: f64) -> String {
    match share {
        s if (0.45..0.55).contains(&s) => "half as much".to_owned(),
        s if (0.30..0.37).contains(&s) => "a third as much".to_owned(),
        s if (0.22..0.28).contains(&s) => "a quarter as much".to_owned(),
        s => format!("{:.0} % as much", 100.0 * s),
    }
}

/// What the reasons are read off.
#[derive(Debug)]
pub(super) struct Scene {
    /// The most probable position, or the middle of the probability.
    pub(super) centre: Position,
    /// The middle of the half of the probability with the highest density.
    core: Position,
    taken: Vec<Position>,
    positions: Vec<Position>,
    /// Direction of the region's long axis, where it has one.
    long_axis: Option<f64>,
    open: bool,
    floor_sigma_deg: f64,
}

impl Scene {
    pub(super) fn new(samples: &PosteriorSamples, outcome: &FixOutcome, config: &AdviceConfig) -> Self {
        let (statements, positions, axes) = match outcome {
            FixOutcome::Fix(fix) => (
                &fix.statements,
                fix.modes
                    .iter()
                    .filter(|m| m.probability >= LISTED)
                    .map(|m| m.position)
                    .collect(),
                fix.ellipse95
                    .map(|e| (e.semi_major_m, e.semi_minor_m, e.major_azimuth.degrees())),
            ),
            FixOutcome::NoFix { statements } => (statements, Vec::new(), None),
        };
        let (core, core_axes) = core_of(samples);
        let (major_m, minor_m, azimuth_deg) = axes.unwrap_or(core_axes);
        let open = statements.iter().any(|s| {
            matches!(
                s,
                FixStatement::OnePlace | FixStatement::Parallel { .. } | FixStatement::Open { .. }
            )
        });
        Self {
            centre: candidates::middle(samples, outcome),
            core,
            taken: samples.taken().to_vec(),
            long_axis: (major_m > LONG * minor_m && positions.len() < 2).then_some(azimuth_deg),
            positions,
            open,
            floor_sigma_deg: config.floor_sigma_deg.hypot(config.heading_sigma_deg),
        }
    }

    /// The reasons for a place, strongest first.
    pub(super) fn reasons(&self, place: Position, worth: &Worth) -> Vec<AdviceReason> {
        let mut reasons = Vec::new();
        let line = inverse(place, self.centre);
        let crossing_deg = self
            .taken
            .iter()
            .map(|&p| between_lines_deg(inverse(p, self.centre).azimuth, line.azimuth))
            .reduce(f64::min);
        if self.open
            && let Some(angle_deg) = crossing_deg.filter(|a| *a >= CROSSING_DEG)
        {
            reasons.push(AdviceReason::SidewaysOfLines { angle_deg });
        }
        reasons.extend(self.decides(place, worth));
        let across = self
            .long_axis
            .map(|axis| between_lines_deg(Azimuth::from_degrees(axis), inverse(place, self.core).azimuth))
            .filter(|a| *a >= CROSSING_DEG);
        if let (Some(angle_deg), true) = (across, reasons.is_empty()) {
            reasons.push(AdviceReason::CrossesLongAxis { angle_deg });
        }
        let nearest_m = self
            .taken
            .iter()
            .map(|&p| inverse(p, self.centre).distance_m)
            .reduce(f64::min);
        if let Some(share) = nearest_m.map(|m| line.distance_m / m).filter(|s| *s < CLOSER) {
            reasons.push(AdviceReason::Closer { share });
        }
        if let (Some(angle_deg), true) = (crossing_deg.filter(|a| *a >= CROSSING_DEG), reasons.is_empty()) {
            reasons.push(AdviceReason::CrossesLines { angle_deg });
        }
        if 1.0 - worth.heard > SILENT {
            reasons.push(AdviceReason::MayBeSilent {
                probability: 1.0 - worth.heard,
            });
        }
        if worth.sigma_deg > UNCERTAIN * self.floor_sigma_deg {
            reasons.push(AdviceReason::Uncertain {
                sigma_deg: worth.sigma_deg,
            });
        }
        reasons
    }

    fn decides(&self, place: Position, worth: &Worth) -> Option<AdviceReason> {
        let [first, second, ..] = self.positions[..] else {
            return None;
        };
        let to = |p: Position| inverse(place, p).azimuth;
        let apart_deg = to(first).turn_to(to(second)).abs();
        (apart_deg > DECIDING_SIGMAS * worth.sigma_deg).then_some(AdviceReason::DecidesBetween {
            positions: self.positions.len(),
            apart_deg,
        })
    }
}

/// The angle at which two lines cross, 0 to 90 degrees.
fn between_lines_deg(a: Azimuth<True>, b: Azimuth<True>) -> f64 {
    let turn = wrap_signed_degrees(a.turn_to(b)).abs();
    turn.min(180.0 - turn)
}

/// The middle of the half of the probability with the highest density, its standard deviations, and the direction of the longer.
fn core_of(samples: &PosteriorSamples) -> (Position, (f64, f64, f64)) {
    let core = samples.held(0.5);
    let mass: f64 = core.iter().map(|s| s.mass).sum();
    let east = core.iter().map(|s| s.mass * s.east_m).sum::<f64>() / mass;
    let north = core.iter().map(|s| s.mass * s.north_m).sum::<f64>() / mass;
    let second = |of: fn(f64, f64) -> f64| {
        core.iter()
            .map(|s| s.mass * of(s.east_m - east, s.north_m - north))
            .sum::<f64>()
            / mass
    };
    let spread = Covariance2 {
        ee_m2: second(|e, _| e * e),
        en_m2: second(|e, n| e * n),
        nn_m2: second(|_, n| n * n),
    };
    (samples.frame().from_local(east, north), spread.axes())
}
