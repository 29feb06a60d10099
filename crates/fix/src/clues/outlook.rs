//! How the level falls, and what level is to be expected elsewhere.

use lobewright_geodesy::EarthPoint;
use lobewright_types::{PathLossFit, Position};

use super::levels::{Law, Levels, chord2_m2, range_db_within};
use crate::advice::ExpectedLevel;
use crate::config::FixConfig;
use crate::evidence::{Evidence, Scene};
use crate::likelihood::Surface;
use crate::{solve, verdicts};

/// What levels are to be expected, over the posterior of the transmitter's place.
#[derive(Debug, Clone)]
pub struct LevelOutlook {
    scales: Vec<String>,
    near_range_m: f64,
    decorrelation_m: f64,
    points: Vec<Sight>,
}

/// One place that the transmitter may be in, and what follows for the levels.
#[derive(Debug, Clone)]
struct Sight {
    point: EarthPoint,
    law: Law,
    shadowing_db: f64,
    /// Places with levels and what those have beyond the law.
    beyond_db: Vec<(EarthPoint, f64)>,
}

/// Computes the posterior and what levels it lets expect.
///
/// # Inputs
/// As [`crate::solve_evidence`].
///
/// # Result
/// `None` where there are no levels, no [`crate::PowerPrior`] to go by, or nothing to look for. Where the fix is open, the expectation is as wide
/// as that.
pub fn level_outlook(evidence: &Evidence<'_>, config: &FixConfig) -> Option<LevelOutlook> {
    let config = config.clamped();
    let scene = Scene::new(evidence, &config).ok()?;
    let levels = scene.clues.levels.as_ref()?;
    let surface = Surface::new(&scene.places, scene.first_domain(&config)).with_clues(&scene.clues);
    solve::explore(surface, &config, |grid, surface| {
        let points = verdicts::representatives(&grid.samples, &surface.domain, verdicts::points_for(1));
        Some(LevelOutlook::new(levels, &points))
    })
}

impl LevelOutlook {
    pub(crate) fn new(levels: &Levels, points: &[EarthPoint]) -> Self {
        Self {
            scales: levels.scales.clone(),
            near_range_m: levels.config.near_range_m,
            decorrelation_m: levels.config.decorrelation_m,
            points: points.iter().map(|p| Sight::new(levels, p)).collect(),
        }
    }

    /// Scales that an expectation can be given in.
    pub fn scales(&self) -> &[String] {
        &self.scales
    }

    /// The level to be expected at a place, in dB of a scale; `None` for a scale that nothing is known of.
    ///
    /// Near a place where a level was heard, that level's share of the terrain counts, by the correlation of the shadowing.
    pub fn expected_level(&self, place: Position, scale: &str) -> Option<ExpectedLevel> {
        let scale = self.scales.iter().position(|s| s == scale)?;
        let here = EarthPoint::from(place);
        let each = self.points.iter().map(|s| self.seen(s, &here, scale));
        let (level_db, variance) = mixed(each)?;
        Some(ExpectedLevel {
            level_db,
            sigma_db: variance.sqrt(),
        })
    }

    /// Mean and variance, were the transmitter in one place.
    fn seen(&self, sight: &Sight, here: &EarthPoint, scale: usize) -> (f64, f64) {
        let (range_db, _) = range_db_within(
            chord2_m2(here, &sight.point),
            self.near_range_m * self.near_range_m,
            0.0,
        );
        let mut slopes = nalgebra::DVector::zeros(sight.law.mean.len());
        slopes[0] = -range_db;
        slopes[scale + 1] = 1.0;
        let law_variance = (&sight.law.covariance * &slopes).dot(&slopes).max(0.0);
        let nearest = sight
            .beyond_db
            .iter()
            .map(|(p, db)| (chord2_m2(p, here), *db))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let (share, beyond_db) = nearest.map_or((0.0, 0.0), |(d2, db)| {
            ((-d2.sqrt() / self.decorrelation_m).exp(), db)
        });
        (
            sight.law.mean.dot(&slopes) + share * beyond_db,
            law_variance + sight.shadowing_db.powi(2) * (1.0 - share * share).max(0.02),
        )
    }

    /// The fall of the level, one for each scale with levels.
    pub(crate) fn path_loss(&self, levels: &Levels) -> Vec<PathLossFit> {
        let moments = |k: usize| {
            mixed(
                self.points
                    .iter()
                    .map(|s| (s.law.mean[k], s.law.covariance[(k, k)].max(0.0))),
            )
        };
        let count = self.points.len().max(1) as f64;
        let shadowing_sigma_db = self.points.iter().map(|s| s.shadowing_db).sum::<f64>() / count;
        self.scales
            .iter()
            .enumerate()
            .filter(|(s, _)| levels.has_levels(*s))
            .filter_map(|(s, scale)| {
                let ((level, level_variance), (exponent, exponent_variance)) = (moments(s + 1)?, moments(0)?);
                Some(PathLossFit {
                    scale: scale.clone(),
                    level_at_1km_db: level,
                    level_sigma_db: level_variance.sqrt(),
                    exponent,
                    exponent_sigma: exponent_variance.sqrt(),
                    shadowing_sigma_db,
                })
            })
            .collect()
    }
}

impl Sight {
    fn new(levels: &Levels, point: &EarthPoint) -> Self {
        let view = levels.view(point, 0.0);
        let mut law = levels.law(&view);
        let (_, parts) = levels.ln(&view, &law.mean);
        for quiet in &levels.quiet {
            quiet.take(&mut law, point);
        }
        let beyond_db = levels
            .beyond_db(&view, &law.mean)
            .map(|(p, db)| (*p, db))
            .collect();
        Self {
            point: *point,
            law,
            shadowing_db: levels.shadowing_db(&parts),
            beyond_db,
        }
    }
}

/// Mean and variance of an even mixture of densities with means and variances; none of nothing.
fn mixed(each: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let (mut count, mut first, mut second, mut own) = (0.0, 0.0, 0.0, 0.0);
    for (mean, variance) in each {
        count += 1.0;
        first += mean;
        second += mean * mean;
        own += variance;
    }
    if count < 1.0 {
        return None;
    }
    let mean = first / count;
    Some((mean, own / count + (second / count - mean * mean).max(0.0)))
}
