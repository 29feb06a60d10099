//! The part of the posterior that does not come from bearings.

pub(crate) mod areas;
pub(crate) mod config;

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::{FixStatement, Position};

use crate::config::FixConfig;
use crate::evidence::Evidence;
use crate::grid::Grid;
use crate::likelihood::Domain;
use areas::Areas;

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
}

impl Clues {
    pub(crate) fn gather(evidence: &Evidence<'_>, config: &FixConfig, frame: LocalFrame) -> Self {
        let limit_km2 = std::f64::consts::PI * config.search_radius_km.powi(2);
        Self {
            areas: Areas::new(evidence.areas, config.clues.area_doubt, (frame, limit_km2)),
        }
    }

    /// Whether there is anything at all.
    pub(crate) fn any(&self) -> bool {
        self.areas.any()
    }

    /// Whether there is anything that can take the place of bearings.
    pub(crate) fn may_locate(&self) -> bool {
        self.areas.confine()
    }

    /// Log of what the clues say to a place, up to a constant.
    pub(crate) fn ln_at(&self, spot: &Spot) -> f64 {
        self.areas.ln_at(spot.position)
    }

    /// A limit that [`Clues::ln_at`] does not pass within a circle.
    pub(crate) fn ln_bound(&self, spot: &Spot, radius_m: f64) -> f64 {
        self.areas.ln_bound(spot, radius_m)
    }

    /// What a point costs, in table lookups of a bearing.
    pub(crate) fn cost(&self) -> f64 {
        self.areas.cost()
    }

    /// Places that stand for the ranges of the hunt, beside those of the bearings.
    pub(crate) fn places(&self) -> impl Iterator<Item = Position> {
        std::iter::empty()
    }

    /// What is to be said of the clues beside a position.
    pub(crate) fn statements(&self, grid: &Grid, domain: &Domain) -> Vec<FixStatement> {
        let places: Vec<(Position, f64)> = grid
            .samples
            .iter()
            .filter(|s| s.mass > 1e-9)
            .map(|s| (domain.frame.from_local(s.east_m, s.north_m), s.mass))
            .collect();
        self.areas.statements(&places)
    }

    /// How far from the frame's middle the search must reach at least.
    pub(crate) fn reach_m(&self, _frame: LocalFrame) -> f64 {
        self.areas.reach_m()
    }
}
