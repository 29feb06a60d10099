//! The order in which the knots of a density can be spared.

use std::collections::BTreeSet;

use crate::CircleDensity;
use crate::density_distance::segment_difference;

/// What an error of one neper costs where there is no mass, in units of probability: keeps the far tails in sight.
const TAIL_COST_PER_NAT2: f64 = 1e-5;

/// Closed list of knots; a knot's error is what the circle loses when its neighbours are joined by a straight line.
struct Ring<'a> {
    density: &'a CircleDensity,
    before: Vec<usize>,
    behind: Vec<usize>,
}

impl Ring<'_> {
    fn len(&self) -> usize {
        self.before.len()
    }

    /// Clockwise way from one knot to another, in degrees; a whole turn where they are the same.
    fn way(&self, from: usize, to: usize) -> f64 {
        let azimuths = self.density.azimuths_deg();
        let way = azimuths[to] - azimuths[from];
        if to > from { way } else { way + 360.0 }
    }

    /// The cost of sparing a knot, and how many segments of the original the new line spans.
    fn cost(&self, knot: usize) -> (f64, usize) {
        let n = self.len();
        let (from, to) = (self.before[knot], self.behind[knot]);
        let span = (to + n - from) % n;
        let span = if span == 0 { n } else { span };
        let ln = self.density.ln_per_deg();
        let whole = self.way(from, to);
        let line = |x: f64| ln[from] + (ln[to] - ln[from]) * x / whole;
        let (mut mass, mut largest, mut x0) = (0.0, 0.0_f64, 0.0);
        for step in 0..span {
            let (i, j) = ((from + step) % n, (from + step + 1) % n);
            let h = self.way(i, j);
            let x1 = x0 + h;
            mass += segment_difference(ln[i], ln[j], line(x0), line(x1), h);
            largest = largest.max((ln[j] - line(x1)).abs());
            x0 = x1;
        }
        (mass + TAIL_COST_PER_NAT2 * largest * largest, span)
    }
}

/// Indices of the knots, those that can be spared with the least loss first; the last three stay to the end.
///
/// # Method
/// Bottom-up piecewise linear approximation (Keogh, Chu, Hart and Pazzani, *An Online Algorithm for Segmenting Time
/// Series*, 2001, section 2.3), the cost of a line being the integral of the density's absolute change. Of equal
/// costs the shorter line goes first.
pub(crate) fn sparing_order(density: &CircleDensity) -> Vec<usize> {
    let n = density.azimuths_deg().len();
    let mut ring = Ring {
        density,
        before: (0..n).map(|i| (i + n - 1) % n).collect(),
        behind: (0..n).map(|i| (i + 1) % n).collect(),
    };
    let key = |ring: &Ring<'_>, knot: usize| {
        let (cost, span) = ring.cost(knot);
        // Bits of a number that is not negative are in the order of the numbers.
        (cost.max(0.0).to_bits(), span, knot)
    };
    let mut keys: Vec<(u64, usize, usize)> = (0..n).map(|i| key(&ring, i)).collect();
    let mut queue: BTreeSet<(u64, usize, usize)> = keys.iter().copied().collect();
    let mut order = Vec::with_capacity(n);
    while queue.len() > 3 {
        let Some((_, _, knot)) = queue.pop_first() else {
            break;
        };
        order.push(knot);
        let (before, behind) = (ring.before[knot], ring.behind[knot]);
        ring.behind[before] = behind;
        ring.before[behind] = before;
        for neighbour in [before, behind] {
            queue.remove(&keys[neighbour]);
            keys[neighbour] = key(&ring, neighbour);
            queue.insert(keys[neighbour]);
        }
    }
    order.extend(queue.into_iter().map(|k| k.2));
    order
}
