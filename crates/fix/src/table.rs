//! Log densities on the circle, laid out for fast reading.

use lobewright_types::{CircleDensity, wrap_degrees};

/// Buckets over the circle: few enough to stay in the cache with ten thousand tables.
const BUCKETS: usize = 64;

/// A log density (per degree) with a bucket index: straight lines between knots.
#[derive(Debug, Clone)]
pub(crate) struct Table {
    /// Knots from at or below 0 to at or above 360, so that every azimuth lies between two.
    azimuth_deg: Vec<f64>,
    ln_per_deg: Vec<f64>,
    /// First knot at or above the start of each bucket.
    bucket: [u32; BUCKETS + 1],
    /// Highest value.
    pub(crate) peak_ln: f64,
}

impl Table {
    /// Mixes a density with a share `reflected` of a uniform one.
    pub(crate) fn mixed(density: &CircleDensity, reflected: f64) -> Self {
        if reflected <= 0.0 {
            return Self::from_knots(density.azimuths_deg(), density.ln_per_deg());
        }
        let ln_flat = (reflected / 360.0).ln();
        let ln_good = (1.0 - reflected).ln() - ln_flat;
        let mix = |ln: f64| ln_flat + softplus(ln + ln_good);
        let (azimuth, ln) = (density.azimuths_deg(), density.ln_per_deg());
        // The sum is not straight where the two parts cross: split segments there.
        let (mut knots, mut values) = (Vec::with_capacity(2 * ln.len()), Vec::with_capacity(2 * ln.len()));
        for i in 0..ln.len() {
            let j = (i + 1) % ln.len();
            let gap = wrap_degrees(azimuth[j] - azimuth[i]);
            let step = ln[j] - ln[i];
            let (low, high) = (ln[i].min(ln[j]) + ln_good, ln[i].max(ln[j]) + ln_good);
            let bends = high > -5.0 && low < 5.0;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 120")]
            let parts = if bends {
                (step.abs() * 2.0).ceil().max(1.0) as usize
            } else {
                1
            };
            for k in 0..parts {
                let part = k as f64 / parts as f64;
                let at = azimuth[i] + gap * part;
                // The last segment runs on through north.
                let at = if at >= 360.0 { at - 360.0 } else { at };
                knots.push(at);
                values.push(mix(ln[i] + step * part));
            }
        }
        let first = (0..knots.len())
            .min_by(|&a, &b| knots[a].total_cmp(&knots[b]))
            .unwrap_or(0);
        knots.rotate_left(first);
        values.rotate_left(first);
        Self::from_knots(&knots, &values)
    }

    fn from_knots(azimuth: &[f64], ln: &[f64]) -> Self {
        let n = azimuth.len();
        let mut azimuth_deg = Vec::with_capacity(n + 2);
        let mut ln_per_deg = Vec::with_capacity(n + 2);
        azimuth_deg.push(azimuth[n - 1] - 360.0);
        ln_per_deg.push(ln[n - 1]);
        azimuth_deg.extend_from_slice(azimuth);
        ln_per_deg.extend_from_slice(ln);
        azimuth_deg.push(azimuth[0] + 360.0);
        ln_per_deg.push(ln[0]);
        let mut bucket = [0; BUCKETS + 1];
        let mut k = 0;
        for (b, first) in bucket.iter_mut().enumerate() {
            let start = 360.0 * b as f64 / BUCKETS as f64;
            while k < azimuth_deg.len() && azimuth_deg[k] < start {
                k += 1;
            }
            *first = u32::try_from(k).unwrap_or(u32::MAX);
        }
        let peak_ln = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Self {
            azimuth_deg,
            ln_per_deg,
            bucket,
            peak_ln,
        }
    }

    /// The first knot above `at_deg`; at least 1 and at most the last.
    fn above(&self, at_deg: f64) -> usize {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to the number of buckets"
        )]
        let b = ((at_deg * (BUCKETS as f64 / 360.0)) as usize).min(BUCKETS - 1);
        let (from, to) = (self.bucket[b] as usize, self.bucket[b + 1] as usize);
        let within = self.azimuth_deg[from..to].partition_point(|&a| a <= at_deg);
        (from + within).clamp(1, self.azimuth_deg.len() - 1)
    }

    /// The log density per degree at an azimuth in `[0, 360)`.
    pub(crate) fn ln_at(&self, at_deg: f64) -> f64 {
        let j = self.above(at_deg);
        let (a, b) = (self.azimuth_deg[j - 1], self.azimuth_deg[j]);
        let (va, vb) = (self.ln_per_deg[j - 1], self.ln_per_deg[j]);
        va + (vb - va) * (at_deg - a) / (b - a)
    }

    /// The highest log density within `half_width_deg` of an azimuth.
    pub(crate) fn max_within(&self, centre_deg: f64, half_width_deg: f64) -> f64 {
        if half_width_deg >= 180.0 {
            return self.peak_ln;
        }
        let from = wrap_degrees(centre_deg - half_width_deg);
        let to = wrap_degrees(centre_deg + half_width_deg);
        let ends = self.ln_at(from).max(self.ln_at(to));
        let inside = if from <= to {
            self.max_between(from, to)
        } else {
            self.max_between(from, 360.0).max(self.max_between(0.0, to))
        };
        ends.max(inside)
    }

    fn max_between(&self, from: f64, to: f64) -> f64 {
        let first = self.above(from);
        self.azimuth_deg[first..]
            .iter()
            .zip(&self.ln_per_deg[first..])
            .take_while(|(a, _)| **a <= to)
            .map(|(_, v)| *v)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// `ln(1 + exp(x))` without overflow.
fn softplus(x: f64) -> f64 {
    if x > 0.0 {
        x + (-x).exp().ln_1p()
    } else {
        x.exp().ln_1p()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lobewright_types::Azimuth;

    // The plain form: ln((1 - e) d + e / 360) from the density's own reader.
    #[test]
    fn mixture_follows_the_plain_formula_round_the_circle() {
        for (centre, sigma) in [(0.3, 2.0), (180.0, 0.05), (359.9, 20.0)] {
            let density = CircleDensity::normal(Azimuth::from_degrees(centre), sigma);
            let table = Table::mixed(&density, 0.1);
            for k in 0..36_000 {
                let at = f64::from(k) / 100.0;
                let plain = 0.9 * density.density_per_deg(Azimuth::from_degrees(at)) + 0.1 / 360.0;
                let off = (table.ln_at(at) - plain.ln()).abs();
                assert!(off < 0.06, "{centre} {sigma} {at}: {off}");
            }
        }
    }

    #[test]
    fn interval_maximum_is_never_below_a_value_inside() {
        let density = CircleDensity::normal(Azimuth::from_degrees(2.0), 1.5);
        let table = Table::mixed(&density, 0.1);
        for centre in [0.0, 1.0, 5.0, 90.0, 358.0] {
            for half in [0.01, 0.5, 4.0, 60.0, 179.0, 180.0] {
                let highest = table.max_within(centre, half);
                for k in -100..=100 {
                    let at = wrap_degrees(centre + half * f64::from(k) / 100.0);
                    assert!(table.ln_at(at) <= highest + 1e-9, "{centre} {half} {at}");
                }
            }
        }
    }
}
