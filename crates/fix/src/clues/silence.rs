//! Silence: a level that was under what would have been heard.

use lobewright_geodesy::EarthPoint;
use lobewright_types::SilenceReport;
use nalgebra::DVector;

use super::config::ClueConfig;
use super::levels::{Law, chord2_m2, range_db_within};
use super::normal::{ln_cdf, ln_pdf};

/// Of silences on one scale nearer together than this share of the decorrelation length, the one with the lowest limit counts.
const SAME: f64 = 0.5;

/// A place where nothing was heard.
#[derive(Debug)]
pub(crate) struct Quiet {
    point: EarthPoint,
    soft2_m2: f64,
    scale: usize,
    limit_db: f64,
    variance_db2: f64,
    doubt: f64,
}

impl Quiet {
    /// Silences on scales whose power can be known.
    pub(crate) fn gather(silences: &[SilenceReport], scales: &[String], config: ClueConfig) -> Vec<Self> {
        let mut used: Vec<&SilenceReport> = silences.iter().filter(|s| usable(s)).collect();
        used.sort_by(|a, b| {
            a.limit_db
                .total_cmp(&b.limit_db)
                .then(a.position.lat_deg.total_cmp(&b.position.lat_deg))
                .then(a.position.lon_deg.total_cmp(&b.position.lon_deg))
                .then(a.scale.cmp(&b.scale))
        });
        let mut all: Vec<Self> = Vec::new();
        for silence in used {
            let Ok(scale) = scales.binary_search(&silence.scale) else {
                continue;
            };
            let point = EarthPoint::from(silence.position);
            let near_m = SAME * config.decorrelation_m;
            let told = |q: &Self| q.scale == scale && chord2_m2(&q.point, &point) < near_m * near_m;
            if !all.iter().any(told) {
                all.push(Self {
                    point,
                    soft2_m2: config.near_range_m.powi(2),
                    scale,
                    limit_db: silence.limit_db,
                    variance_db2: config.shadowing_sigma_db.powi(2),
                    doubt: config.silence_doubt,
                });
            }
        }
        all
    }

    /// The level expected here less the limit, by how many dB that varies within a disc, and the level's slopes.
    fn expected(&self, law: &Law, point: &EarthPoint, radius_m: f64) -> (f64, f64, DVector<f64>) {
        let (range_db, slack_db) = range_db_within(chord2_m2(point, &self.point), self.soft2_m2, radius_m);
        let mut slopes = DVector::zeros(law.mean.len());
        slopes[0] = -range_db;
        slopes[self.scale + 1] = 1.0;
        (law.mean.dot(&slopes) - self.limit_db, slack_db, slopes)
    }

    /// Log probability of the silence for a transmitter at `point`; the law is narrowed by it.
    pub(crate) fn take(&self, law: &mut Law, point: &EarthPoint) -> f64 {
        let (over_db, _, slopes) = self.expected(law, point, 0.0);
        self.condition(law, &slopes, over_db, over_db)
    }

    /// A limit of that within a disc around `point`, over which the powers move by up to `shift_db`.
    pub(crate) fn bound(&self, law: &mut Law, point: &EarthPoint, radius_m: f64, shift_db: f64) -> f64 {
        let (over_db, slack_db, slopes) = self.expected(law, point, radius_m);
        let least_db = over_db - shift_db - law.mean[0].max(0.0) * slack_db;
        self.condition(law, &slopes, over_db, least_db)
    }

    /// The log probability with the level `least_db` over the limit; the law is narrowed as for `over_db`. The moments are those of
    /// a normal density times `(1 - doubt) Phi + doubt` (Rasmussen & Williams, *Gaussian Processes*, 2006, section 3.9).
    fn condition(&self, law: &mut Law, slopes: &DVector<f64>, over_db: f64, least_db: f64) -> f64 {
        let gain = &law.covariance * slopes;
        let variance = gain.dot(slopes).max(0.0) + self.variance_db2;
        let sigma_db = variance.sqrt();
        let ln = |z: f64| {
            ((1.0 - self.doubt) * ln_cdf(z).exp() + self.doubt)
                .max(1e-300)
                .ln()
        };
        let z = -over_db / sigma_db;
        let rate = ((1.0 - self.doubt).ln() + ln_pdf(z) - ln(z)).exp();
        let bend = (rate * (rate + z)).clamp(0.0, 1.0);
        law.mean -= &gain * (rate / sigma_db);
        law.covariance -= &gain * gain.transpose() * (bend / variance);
        ln(-least_db / sigma_db)
    }
}

/// Whether a report's numbers are numbers.
pub(crate) fn usable(silence: &SilenceReport) -> bool {
    silence.position.lat_deg.abs() <= 90.0
        && silence.position.lon_deg.is_finite()
        && silence.limit_db.abs() <= 1e4
}
