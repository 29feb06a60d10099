//! Directions found without a model, from the same readings.

use lobewright_types::{LevelReading, Pointing, wrap_signed_degrees};

/// Part of the circle that the highest reading and its neighbours may span, for a rotated antenna and for a switched one.
const ROTATED_SPAN_DEG: f64 = 100.0;
const SWITCHED_SPAN_DEG: f64 = 200.0;

/// A power and where it was seen.
#[derive(Debug, Clone, Copy)]
struct Seen {
    boresight_deg: f64,
    power_lin: f64,
    burst: usize,
}

/// Readings as the baselines take them: those of a switched antenna's port together.
pub(crate) struct Baselines {
    seen: Vec<Seen>,
    span_deg: f64,
}

impl Baselines {
    /// `ports_deg`: the direction of each port's peak; empty for a rotated antenna.
    pub(crate) fn new(readings: &[LevelReading], ports_deg: &[f64]) -> Self {
        if ports_deg.is_empty() {
            let rotated = |r: &LevelReading| match r.pointing {
                Pointing::Boresight { azimuth, .. } => Some(Seen {
                    boresight_deg: azimuth.degrees(),
                    power_lin: r.power_lin,
                    burst: r.burst,
                }),
                Pointing::Port(_) => None,
            };
            return Self {
                seen: readings.iter().filter_map(rotated).collect(),
                span_deg: ROTATED_SPAN_DEG,
            };
        }
        let of_port = |port: usize| {
            let is_its =
                |r: &&LevelReading| matches!(r.pointing, Pointing::Port(p) if usize::from(p) == port);
            readings.iter().filter(is_its).map(|r| r.power_lin).sum::<f64>()
        };
        let seen = ports_deg.iter().enumerate().map(|(port, &boresight_deg)| Seen {
            boresight_deg,
            power_lin: of_port(port),
            burst: 0,
        });
        Self {
            seen: seen.collect(),
            span_deg: SWITCHED_SPAN_DEG,
        }
    }

    fn top(&self) -> Seen {
        *self
            .seen
            .iter()
            .max_by(|a, b| a.power_lin.total_cmp(&b.power_lin))
            .expect("a reading with a direction")
    }

    /// Where the antenna pointed when the level was highest.
    pub(crate) fn highest_deg(&self) -> f64 {
        self.top().boresight_deg
    }

    /// Vertex of the parabola through the level in dB of the highest reading and of its two neighbours in azimuth, those
    /// across north too; at the end of a sweep the highest reading itself.
    pub(crate) fn parabola_deg(&self) -> f64 {
        let top = self.top();
        let at = top.boresight_deg;
        let mut left: Option<(f64, f64)> = None;
        let mut right: Option<(f64, f64)> = None;
        for s in self.seen.iter().filter(|s| s.burst == top.burst) {
            let x = wrap_signed_degrees(s.boresight_deg - at);
            let level = 10.0 * s.power_lin.log10();
            if x < 0.0 && left.is_none_or(|l| x > l.0) {
                left = Some((x, level));
            } else if x > 0.0 && right.is_none_or(|l| x < l.0) {
                right = Some((x, level));
            }
        }
        let (Some((xl, yl)), Some((xr, yr))) = (left, right) else {
            return at;
        };
        if xr - xl > self.span_deg {
            return at;
        }
        let y = 10.0 * top.power_lin.log10();
        // y + b x + a x^2 through both neighbours; both lie lower, so it opens downwards and its vertex lies between them.
        let (sl, sr) = ((yl - y) / xl, (yr - y) / xr);
        let a = (sr - sl) / (xr - xl);
        let b = sl - a * xl;
        if a < 0.0 {
            at - (0.5 * b / a).clamp(-xr, -xl)
        } else {
            at
        }
    }

    /// Direction of the sum of the boresights as vectors, each as long as its power.
    pub(crate) fn centroid_deg(&self) -> f64 {
        let (mut north, mut east) = (0.0, 0.0);
        for s in &self.seen {
            let (sin, cos) = s.boresight_deg.to_radians().sin_cos();
            north += s.power_lin * cos;
            east += s.power_lin * sin;
        }
        east.atan2(north).to_degrees()
    }
}
