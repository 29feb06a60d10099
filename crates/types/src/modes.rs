//! Separate peaks of a density on the circle, and how they are told apart.

use serde::{Deserialize, Serialize};

use crate::density::segment_mass;
use crate::{ArcDeg, Azimuth, CircleDensity, True};

/// Peaks whose valley is shallower than this (in nats of log density) count as one.
const VALLEY_NATS: f64 = 0.7;

/// One peak of a density on the circle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mode {
    /// Where the density is highest within the peak.
    #[serde(rename = "azimuth_true_deg")]
    pub azimuth: Azimuth<True>,
    /// Standard deviation of the density within the peak.
    pub sigma_deg: f64,
    /// Share of the whole density that lies in the peak, valley to valley.
    pub probability: f64,
}

#[derive(Clone, Copy)]
pub(crate) struct Basin {
    from: usize,
    peak: usize,
    to: usize,
}

impl CircleDensity {
    /// Arcs of which each mode's own hold `probability` of that mode, for the modes of at least `min_probability`, in
    /// ascending order of their start; never shorter in all than [`CircleDensity::highest_density_arcs`] by much, and
    /// longer where a weak mode must be believed as much as a strong one.
    pub fn arcs_of_each_mode(&self, probability: f64, min_probability: f64) -> Vec<ArcDeg> {
        let n = self.azimuth_deg.len();
        let basins = self.basins();
        let mut arcs: Vec<ArcDeg> = Vec::new();
        for &basin in &basins {
            if basins.len() > 1 && self.mode_of(basin).probability < min_probability {
                continue;
            }
            // The rest of the circle taken away, the shortest arcs of what is left are this mode's own.
            let alone = (0..n)
                .map(|k| {
                    let inside = basins.len() == 1 || (basin.from..=basin.to).any(|j| j % n == k);
                    if inside {
                        self.ln_per_deg[k]
                    } else {
                        f64::NEG_INFINITY
                    }
                })
                .collect();
            let Ok(mode) = Self::from_knots(self.azimuth_deg.clone(), alone) else {
                continue;
            };
            arcs.extend(mode.highest_density_arcs(probability));
        }
        if arcs.is_empty() {
            return self.highest_density_arcs(probability);
        }
        joined(arcs)
    }

    /// Index ranges `[peak, from, to]` of the peaks, valley to valley; indices run on past the end of the list.
    pub(crate) fn basins(&self) -> Vec<Basin> {
        let n = self.ln_per_deg.len();
        let lowest = (0..n)
            .min_by(|&a, &b| self.ln_per_deg[a].total_cmp(&self.ln_per_deg[b]))
            .unwrap_or(0);
        let value = |i: usize| self.ln_per_deg[i % n];
        let mut basins: Vec<Basin> = Vec::new();
        let mut current = Basin {
            from: lowest,
            peak: lowest,
            to: lowest,
        };
        for i in lowest + 1..=lowest + n {
            let rising_again = value(i) > value(current.to);
            if !rising_again {
                current.to = i;
            } else if value(current.peak) - value(current.to) >= VALLEY_NATS {
                // A real valley behind a real peak: what follows is another peak's.
                basins.push(current);
                current = Basin {
                    from: current.to,
                    peak: i,
                    to: i,
                };
            } else {
                current.to = i;
            }
            if value(i) > value(current.peak) {
                current.peak = i;
                current.to = i;
            }
        }
        current.to = lowest + n;
        basins.push(current);
        self.join_shallow(basins)
    }

    /// Joins neighbours whose valley is shallow seen from the later peak.
    fn join_shallow(&self, basins: Vec<Basin>) -> Vec<Basin> {
        let n = self.ln_per_deg.len();
        let value = |i: usize| self.ln_per_deg[i % n];
        let mut joined: Vec<Basin> = Vec::new();
        for basin in basins {
            match joined.last_mut() {
                Some(last) if value(basin.peak) - value(basin.from) < VALLEY_NATS => {
                    last.to = basin.to;
                    if value(basin.peak) > value(last.peak) {
                        last.peak = basin.peak;
                    }
                }
                _ => joined.push(basin),
            }
        }
        joined
    }

    pub(crate) fn mode_of(&self, basin: Basin) -> Mode {
        let n = self.azimuth_deg.len();
        let at = |i: usize| self.azimuth_deg[i % n] + 360.0 * (i / n) as f64;
        let ln = |i: usize| self.ln_per_deg[i % n];
        let centre = self.peak_between_knots(basin.peak);
        let (mut mass, mut second, mut first) = (0.0, 0.0, 0.0);
        for i in basin.from..basin.to {
            let h = at(i + 1) - at(i);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to 360")]
            let parts = h.ceil().max(1.0) as usize;
            for k in 0..parts {
                let (x0, x1) = (k as f64 / parts as f64, (k as f64 + 1.0) / parts as f64);
                let (a, b) = (ln(i) + (ln(i + 1) - ln(i)) * x0, ln(i) + (ln(i + 1) - ln(i)) * x1);
                let m = segment_mass(a, b, h * (x1 - x0));
                let d = at(i) + h * f64::midpoint(x0, x1) - centre;
                mass += m;
                first += m * d;
                second += m * (d * d + (h * (x1 - x0)).powi(2) / 12.0);
            }
        }
        let mass = mass.max(f64::MIN_POSITIVE);
        let variance = (second / mass - (first / mass).powi(2)).max(0.0);
        Mode {
            azimuth: Azimuth::from_degrees(centre),
            sigma_deg: variance.sqrt(),
            probability: mass.min(1.0),
        }
    }

    /// The top of the parabola through the highest knot and its neighbours, on the unwrapped scale of `index`.
    fn peak_between_knots(&self, index: usize) -> f64 {
        let n = self.azimuth_deg.len();
        let at = |i: usize| self.azimuth_deg[i % n] + 360.0 * (i / n) as f64;
        let i = index + n;
        let (x0, x1, x2) = (at(i - 1) - at(i), 0.0, at(i + 1) - at(i));
        let (y0, y1, y2) = (
            self.ln_per_deg[(i - 1) % n],
            self.ln_per_deg[i % n],
            self.ln_per_deg[(i + 1) % n],
        );
        let slope_left = (y1 - y0) / (x1 - x0);
        let slope_right = (y2 - y1) / (x2 - x1);
        let bend = slope_right - slope_left;
        let base = at(index);
        if bend >= -1e-12 {
            return base;
        }
        // Where the slope, taken straight between the middles of the two segments, is zero.
        let (m0, m1) = (x0 / 2.0, x2 / 2.0);
        base + (m0 + (m1 - m0) * slope_left / (slope_left - slope_right)).clamp(x0 / 2.0, x2 / 2.0)
    }
}

/// Arcs that touch or overlap become one.
fn joined(mut arcs: Vec<ArcDeg>) -> Vec<ArcDeg> {
    arcs.sort_by(|a, b| a.from.degrees().total_cmp(&b.from.degrees()));
    let mut out: Vec<ArcDeg> = Vec::new();
    for arc in arcs {
        match out.last_mut() {
            Some(last) if last.contains(arc.from) => {
                let offset = crate::wrap_degrees(arc.from.degrees() - last.from.degrees());
                last.width_deg = last.width_deg.max(offset + arc.width_deg).min(360.0);
            }
            _ => out.push(arc),
        }
    }
    // The last one may reach over north into the first.
    if out.len() > 1 {
        let (first, last) = (out[0], out[out.len() - 1]);
        if last.contains(first.from) {
            let offset = crate::wrap_degrees(first.from.degrees() - last.from.degrees());
            let width_deg = last.width_deg.max(offset + first.width_deg).min(360.0);
            out.pop();
            out[0] = ArcDeg {
                from: last.from,
                width_deg,
            };
            out.sort_by(|a, b| a.from.degrees().total_cmp(&b.from.degrees()));
        }
    }
    out
}
