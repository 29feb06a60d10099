//! All that is known about one transmitter's place: bearings and what is no bearing.

use lobewright_geodesy::LocalFrame;
use lobewright_types::{
    AreaClue, AreaRule, Bearing, FixOutcome, FixStatement, LevelReport, Position, SilenceReport,
};

use crate::clues::Clues;
use crate::config::FixConfig;
use crate::likelihood::{Domain, Surface};
use crate::places::{self, Places};
use crate::solve::{self, no_fix};
use crate::statements;

/// The smallest disc that is searched where the bearings do not say how large: it grows while the position lies at its rim.
const LEAST_DISC_M: f64 = 1000.0;

/// What is known beforehand about the level that a transmitter makes, on one scale.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerPrior {
    /// The scale, as in [`LevelReport::scale`].
    pub scale: String,
    /// Level expected at 1 km from the transmitter, in dB from the scale's zero.
    pub level_at_1km_db: f64,
    /// Standard deviation of that, in dB.
    pub sigma_db: f64,
}

/// Everything that says something about where one transmitter is. Every list may be empty.
///
/// ```
/// # let bearings: Vec<lobewright_types::Bearing> = Vec::new();
/// let evidence = lobewright_fix::Evidence {
///     bearings: &bearings,
///     ..lobewright_fix::Evidence::default()
/// };
/// ```
#[derive(Debug, Clone, Copy, Default)]
pub struct Evidence<'a> {
    /// Bearings of any kind.
    pub bearings: &'a [Bearing],
    /// Levels heard; levels of one scale are compared, the zero of a scale is unknown.
    pub levels: &'a [LevelReport],
    /// Where nothing was heard while the transmitter was on.
    pub silences: &'a [SilenceReport],
    /// Areas that it must, or cannot, be in.
    pub areas: &'a [AreaClue],
    /// What is known about the transmitter's level, a scale each.
    pub powers: &'a [PowerPrior],
}

/// Finds where the transmitter is from bearings, levels, silence and areas.
///
/// # Inputs
/// As [`crate::solve`], and what [`Evidence`] holds beside the bearings, in any order. A report whose numbers are none is left out.
///
/// # Result
/// As [`crate::solve`]. Verdicts are about the bearings alone. Without bearings that cross a position can come out too, looked for within
/// three times the distance of the farthest level or station from the middle, farther while it lies at the rim; where half the
/// posterior still reaches the limit, [`FixOutcome::NoFix`] says so and why the bearings do not close it.
///
/// # Method
/// The posterior of [`crate::solve`] times the likelihood of the levels and of the silence, times the areas' prior; each is
/// described with its settings, [`crate::ClueConfig`].
pub fn solve_evidence(evidence: &Evidence<'_>, config: &FixConfig) -> FixOutcome {
    let config = config.clamped();
    let scene = match Scene::new(evidence, &config) {
        Ok(scene) => scene,
        Err(reasons) => return no_fix(reasons),
    };
    let surface = Surface::new(&scene.places, scene.first_domain(&config)).with_clues(&scene.clues);
    solve::explore(surface, &config, |grid, surface| {
        solve::conclude(&scene, evidence.bearings, grid, surface, &config)
    })
}

/// Evidence made ready.
#[derive(Debug)]
pub(crate) struct Scene {
    pub(crate) places: Places,
    pub(crate) clues: Clues,
    pub(crate) frame: LocalFrame,
    /// Why the bearings alone give no position.
    pub(crate) hopeless: Option<FixStatement>,
}

impl Scene {
    /// Gathers the evidence.
    ///
    /// # Errors
    /// The reasons, where there is nothing to look for.
    pub(crate) fn new(evidence: &Evidence<'_>, config: &FixConfig) -> Result<Self, Vec<FixStatement>> {
        let places = places::gather(evidence.bearings, config);
        let heard: Vec<Position> = if places.list.is_empty() {
            clue_places(evidence)
        } else {
            places.list.iter().map(|p| p.position).collect()
        };
        if heard.is_empty() {
            return Err(vec![FixStatement::NoBearings]);
        }
        let frame = LocalFrame::at(Domain::middle(&heard));
        let clues = Clues::gather(evidence, config, frame);
        let hopeless = statements::hopeless(&places, frame);
        match hopeless {
            Some(reason) if !clues.may_locate() => {
                Err(std::iter::once(reason).chain(clues.unused()).collect())
            }
            hopeless => Ok(Self {
                places,
                clues,
                frame,
                hopeless,
            }),
        }
    }

    /// Where to look first.
    pub(crate) fn first_domain(&self, config: &FixConfig) -> Domain {
        let limit_m = 1000.0 * config.search_radius_km;
        let reach_m = self.clues.reach_m(self.frame);
        if self.hopeless.is_some() {
            let stations_m = self
                .places
                .list
                .iter()
                .map(|p| {
                    let (east, north) = self.frame.to_local(p.position);
                    solve::STATION_REACH * east.hypot(north)
                })
                .fold(LEAST_DISC_M, f64::max);
            return Domain {
                frame: self.frame,
                radius_m: reach_m.max(stations_m).min(limit_m),
            };
        }
        let domain = solve::first_domain(&self.places, self.frame, config);
        Domain {
            radius_m: domain.radius_m.max(reach_m).min(limit_m),
            ..domain
        }
    }
}

/// Where the middle of the map goes without bearings.
fn clue_places(evidence: &Evidence<'_>) -> Vec<Position> {
    let usable = |p: &Position| p.lat_deg.abs() <= 90.0 && p.lon_deg.is_finite();
    let levels = evidence.levels.iter().map(|l| l.position);
    let inside = evidence
        .areas
        .iter()
        .filter(|a| a.rule == AreaRule::Inside)
        .flat_map(|a| &a.polygons)
        .flat_map(|p| p.outer.iter().copied());
    let heard: Vec<Position> = levels.chain(inside).filter(usable).collect();
    if !heard.is_empty() {
        return heard;
    }
    evidence
        .silences
        .iter()
        .map(|s| s.position)
        .filter(usable)
        .collect()
}
