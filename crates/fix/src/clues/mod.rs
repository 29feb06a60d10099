//! The part of the posterior that does not come from bearings.

pub(crate) mod areas;
pub(crate) mod config;
pub(crate) mod levels;
#[cfg(test)]
mod levels_tests;
mod normal;
pub(crate) mod outlook;
pub(crate) mod silence;

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::{FixStatement, PathLossFit, Position};

use crate::config::FixConfig;
use crate::evidence::Evidence;
use crate::grid::Grid;
use crate::likelihood::Domain;
use areas::Areas;
use levels::Levels;
use outlook::LevelOutlook;

/// The search reaches this many times the distance of the farthest level.
const LEVEL_REACH: f64 = 3.0;

/// A point of the map in the three forms that the terms read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    pub(crate) position: Position,
    pub(crate) point: EarthPoint,
    pub(crate) local_m: (f64, f64),
}

impl Spot {
    pub(crate) fn at(frame: LocalFrame, east_m: f64, north_m: f64) -> Self {
        let position = frame.from_local(east_m, north_m);
        Self {
            position,
            point: position.into(),
            local_m: (east_m, north_m),
        }
    }
}

/// Levels, silence and areas, made ready.
#[derive(Debug)]
pub(crate) struct Clues {
    pub(crate) areas: Areas,
    pub(crate) levels: Option<Levels>,
    /// Scales with silence that says nothing.
    unused: Vec<String>,
}

impl Clues {
    pub(crate) fn gather(evidence: &Evidence<'_>, config: &FixConfig, frame: LocalFrame) -> Self {
        let limit_km2 = std::f64::consts::PI * config.search_radius_km.powi(2);
        let levels = Levels::new(evidence.levels, evidence.silences, evidence.powers, config.clues);
        let known = levels.as_ref().map_or(&[][..], |l| &l.scales[..]);
        let mut unused: Vec<String> = evidence
            .silences
            .iter()
            .map(|s| s.scale.clone())
            .filter(|s| !known.contains(s))
            .collect();
        unused.sort();
        unused.dedup();
        Self {
            areas: Areas::new(evidence.areas, config.clues.area_doubt, (frame, limit_km2)),
            levels,
            unused,
        }
    }

    /// Whether there is anything at all.
    pub(crate) fn any(&self) -> bool {
        self.areas.any() || self.levels.is_some()
    }

    /// Whether there is anything that can take the place of bearings.
    pub(crate) fn may_locate(&self) -> bool {
        self.areas.confine() || self.levels.as_ref().is_some_and(Levels::may_locate)
    }

    /// Log of what the clues say to a place, up to a constant.
    pub(crate) fn ln_at(&self, spot: &Spot) -> f64 {
        self.areas.ln_at(spot.position) + self.levels.as_ref().map_or(0.0, |l| l.ln_at(&spot.point))
    }

    /// A limit that [`Clues::ln_at`] does not pass within a circle.
    pub(crate) fn ln_bound(&self, spot: &Spot, radius_m: f64) -> f64 {
        let levels = |l: &Levels| l.ln_bound(&spot.point, radius_m);
        self.areas.ln_bound(spot, radius_m) + self.levels.as_ref().map_or(0.0, levels)
    }

    /// What a point costs, in table lookups of a bearing.
    pub(crate) fn cost(&self) -> f64 {
        self.areas.cost() + self.levels.as_ref().map_or(0.0, Levels::cost)
    }

    /// Places that stand for the ranges of the hunt, beside those of the bearings.
    pub(crate) fn places(&self) -> impl Iterator<Item = Position> {
        self.levels.iter().flat_map(|l| l.places.iter().copied())
    }

    /// The fall of the level, from points that stand for the posterior.
    pub(crate) fn path_loss(&self, points: &[EarthPoint]) -> Vec<PathLossFit> {
        self.levels
            .as_ref()
            .map_or_else(Vec::new, |l| LevelOutlook::new(l, points).path_loss(l))
    }

    /// What is to be said of the clues beside a position.
    pub(crate) fn statements(&self, grid: &Grid, domain: &Domain) -> Vec<FixStatement> {
        let places: Vec<(Position, f64)> = grid
            .samples
            .iter()
            .filter(|s| s.mass > 1e-9)
            .map(|s| (domain.frame.from_local(s.east_m, s.north_m), s.mass))
            .collect();
        self.areas
            .statements(&places)
            .into_iter()
            .chain(self.unused())
            .collect()
    }

    /// Silence that says nothing.
    pub(crate) fn unused(&self) -> impl Iterator<Item = FixStatement> {
        self.unused
            .iter()
            .map(|scale| FixStatement::SilenceUnused { scale: scale.clone() })
    }

    /// How far from the frame's middle the search must reach at least.
    pub(crate) fn reach_m(&self, frame: LocalFrame) -> f64 {
        let off_m = |p: Position| {
            let (east, north) = frame.to_local(p);
            LEVEL_REACH * east.hypot(north)
        };
        self.places()
            .map(off_m)
            .fold(1.1 * self.areas.reach_m(), f64::max)
    }
}
