//! Log densities on the circle, laid out for fast reading.

use lobewright_types::{CircleDensity, wrap_degrees};

use crate::offset::Node;

/// Buckets over the circle: a knot or two each where a density of a few degrees is bent.
const BUCKETS: usize = 512;

/// A knot and the straight line that begins there.
#[derive(Debug, Clone, Copy)]
struct Knot {
    deg: f64,
    ln: f64,
    slope: f64,
}

impl Knot {
    fn ln_at(&self, at_deg: f64) -> f64 {
        self.ln + self.slope * (at_deg - self.deg)
    }
}

/// A log density (per degree) with a bucket index: straight lines between knots.
#[derive(Debug, Clone)]
pub(crate) struct Table {
    /// Knots from at or below 0 to at or above 360, so that every azimuth lies between two.
    knots: Vec<Knot>,
    /// First knot at or above the start of each bucket.
    bucket: [u16; BUCKETS + 1],
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
        let mut knots = Vec::with_capacity(n + 2);
        let mut push = |deg: f64, ln: f64| knots.push(Knot { deg, ln, slope: 0.0 });
        push(azimuth[n - 1] - 360.0, ln[n - 1]);
        azimuth.iter().zip(ln).for_each(|(&deg, &ln)| push(deg, ln));
        push(azimuth[0] + 360.0, ln[0]);
        for k in 1..knots.len() {
            let (a, b): (Knot, Knot) = (knots[k - 1], knots[k]);
            knots[k - 1].slope = (b.ln - a.ln) / (b.deg - a.deg).max(1e-12);
        }
        let mut bucket = [0; BUCKETS + 1];
        let mut k = 0;
        for (b, first) in bucket.iter_mut().enumerate() {
            let start = 360.0 * b as f64 / BUCKETS as f64;
            while k < knots.len() && knots[k].deg < start {
                k += 1;
            }
            *first = u16::try_from(k).unwrap_or(u16::MAX);
        }
        let peak_ln = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Self {
            knots,
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
        let within = self.knots[from..to].partition_point(|k| k.deg <= at_deg);
        (from + within).clamp(1, self.knots.len() - 1)
    }

    /// The log density per degree at an azimuth in `[0, 360)`.
    pub(crate) fn ln_at(&self, at_deg: f64) -> f64 {
        self.knots[self.above(at_deg) - 1].ln_at(at_deg)
    }

    /// `scale` times the log densities at an azimuth plus each of several angles (ascending), added to `sums`.
    pub(crate) fn add_along(&self, azimuth_deg: f64, nodes: &[Node], scale: f64, sums: &mut [f64]) {
        let Some(first) = nodes.first() else { return };
        let start_deg = wrap_once(azimuth_deg + first.deg) - first.deg;
        let mut turned_deg = 0.0;
        let mut j = self.above(start_deg + first.deg);
        for (node, sum) in nodes.iter().zip(sums) {
            let mut at = start_deg + node.deg - turned_deg;
            if at >= 360.0 {
                turned_deg += 360.0;
                at -= 360.0;
                j = self.above(at);
            }
            while j + 1 < self.knots.len() && self.knots[j].deg <= at {
                j += 1;
            }
            *sum += scale * self.knots[j - 1].ln_at(at);
        }
    }

    /// The highest log density within `half_width_deg` of an azimuth.
    pub(crate) fn max_within(&self, centre_deg: f64, half_width_deg: f64) -> f64 {
        if half_width_deg >= 180.0 {
            return self.peak_ln;
        }
        let from = wrap_once(centre_deg - half_width_deg);
        let to = wrap_once(centre_deg + half_width_deg);
        let (first, past) = (self.above(from), self.above(to));
        let ends = self.knots[first - 1]
            .ln_at(from)
            .max(self.knots[past - 1].ln_at(to));
        let highest = |knots: &[Knot]| knots.iter().map(|k| k.ln).fold(f64::NEG_INFINITY, f64::max);
        let inside = if from <= to {
            highest(&self.knots[first..past])
        } else {
            highest(&self.knots[first..]).max(highest(&self.knots[..past]))
        };
        ends.max(inside)
    }
}

/// An angle within one turn of `[0, 360)` brought there.
pub(crate) fn wrap_once(deg: f64) -> f64 {
    if deg >= 360.0 {
        deg - 360.0
    } else if deg < 0.0 {
        // Of the smallest negative numbers 360 is left.
        let up = deg + 360.0;
        if up < 360.0 { up } else { 0.0 }
    } else {
        deg
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

    // The reader of single azimuths is the oracle.
    #[test]
    fn a_walk_along_the_circle_reads_what_single_looks_do() {
        let prior = crate::offset::OffsetPrior {
            stated_deg: 1.0,
            fault: 0.1,
            fault_sigma_deg: 60.0,
        };
        let nodes = prior.nodes(&[(-180.0, -20.0), (-2.0, 170.0)], 1.0);
        let table = Table::mixed(&CircleDensity::normal(Azimuth::from_degrees(2.0), 1.5), 0.1);
        for azimuth_deg in [0.0, 3.0, 90.0, 359.0] {
            let mut sums = vec![1.0; nodes.len()];
            table.add_along(azimuth_deg, &nodes, 0.5, &mut sums);
            for (node, sum) in nodes.iter().zip(&sums) {
                let single = table.ln_at(wrap_degrees(azimuth_deg + node.deg));
                assert!(
                    (sum - 1.0 - 0.5 * single).abs() < 1e-9,
                    "{azimuth_deg} {}",
                    node.deg
                );
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
