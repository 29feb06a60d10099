//! The log posterior over the map.

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::Position;

use crate::clues::{Clues, Spot};
use crate::focus::Focus;
use crate::offset::{self, Node, Span, ln_sum};
use crate::place::Cone;
use crate::places::Places;
use crate::tile::{self, Patch, Tile, Valued, Values};

/// From so many places on a polynomial may stand for their sum; it must follow it within so many nats and that share of the depth under
/// the top.
const TILE_PLACES: usize = 24;
const TILE_NATS: f64 = 0.05;
const TILE_SHARE: f64 = 0.02;

/// From so many places on a narrowed search is worth its own layout.
const MANY_PLACES: usize = 256;

/// Steps of a heading error, in standard deviations of what all places together say of it: a sum of a normal curve at
/// such steps is right to 3 parts in 10,000.
const STEP_SIGMAS: f64 = 1.5;

/// Heading errors whose bound in a cell is so far under the highest are not looked at in the cell's parts.
const DEAD_NATS: f64 = 18.0;

/// Log density of a point outside the search disc: far below anything a bearing can give, yet finite.
pub(crate) const OUTSIDE_LN: f64 = -1e12;

/// The search disc and the frame it lies in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Domain {
    pub(crate) frame: LocalFrame,
    pub(crate) radius_m: f64,
}

impl Domain {
    /// The middle of the places, taken in space, so that 180 degrees and the poles are no special case.
    pub(crate) fn middle(places: &[Position]) -> Position {
        let (mut x, mut y, mut z) = (0.0, 0.0, 0.0);
        for &place in places {
            let point = EarthPoint::from(place);
            x += point.x_m;
            y += point.y_m;
            z += point.z_m;
        }
        // The direction from the earth's centre read as geodetic: off by up to 20 km for the latitude, so correct for the flattening.
        let flat = x.hypot(y);
        let lat_deg = (z / (1.0 - 0.006_694_379_990_14)).atan2(flat).to_degrees();
        Position {
            lat_deg,
            lon_deg: y.atan2(x).to_degrees(),
        }
    }

    pub(crate) fn outside(&self, east_m: f64, north_m: f64) -> bool {
        east_m.hypot(north_m) >= self.radius_m * (1.0 - 1e-9)
    }
}

/// For each compass the nodes that count.
pub(crate) type Alive = Vec<std::ops::Range<usize>>;

/// A compass or mounting with the places in use that share it.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    pub(crate) group: usize,
    /// Numbers of its places in use.
    pub(crate) members: Vec<usize>,
    /// Where its heading error may lie.
    pub(crate) spans: Vec<Span>,
    pub(crate) nodes: Vec<Node>,
}

/// The posterior of some of the places (all, or a selection for a first search).
#[derive(Debug)]
pub(crate) struct Surface<'a> {
    pub(crate) places: &'a Places,
    pub(crate) domain: Domain,
    /// Places in use, ascending: those of one group are neighbours.
    pub(crate) chosen: Vec<usize>,
    /// Those of them that share nothing.
    singles: Vec<usize>,
    /// The others.
    pub(crate) shared: Vec<Shared>,
    focus: Option<Focus>,
    pub(crate) tile: Option<Tile>,
    clues: Option<&'a Clues>,
    /// The most that the clues may add outside the focus.
    beyond_clues_ln: f64,
}

impl<'a> Surface<'a> {
    pub(crate) fn new(places: &'a Places, domain: Domain) -> Self {
        let spans: Vec<Vec<Span>> = places
            .groups
            .iter()
            .map(|g| g.prior.map(|p| p.reach()).into_iter().collect())
            .collect();
        Self::of((0..places.list.len()).collect(), places, domain, |g| {
            spans[g].clone()
        })
    }

    fn of(
        chosen: Vec<usize>,
        places: &'a Places,
        domain: Domain,
        spans: impl Fn(usize) -> Vec<Span>,
    ) -> Self {
        let (mut singles, mut shared): (Vec<usize>, Vec<Shared>) = (Vec::new(), Vec::new());
        for &k in &chosen {
            let group = places.list[k].group;
            match shared.last_mut() {
                _ if places.groups[group].prior.is_none() => singles.push(k),
                Some(last) if last.group == group => last.members.push(k),
                _ => shared.push(Shared {
                    group,
                    members: vec![k],
                    spans: spans(group),
                    nodes: Vec::new(),
                }),
            }
        }
        for one in &mut shared {
            one.lay_nodes(places);
        }
        Self {
            places,
            domain,
            chosen,
            singles,
            shared,
            focus: None,
            tile: None,
            clues: None,
            beyond_clues_ln: f64::INFINITY,
        }
    }

    /// The same with what is no bearing taken in.
    pub(crate) fn with_clues(self, clues: &'a Clues) -> Self {
        Self {
            clues: clues.any().then_some(clues),
            ..self
        }
    }

    /// About `count` places spread evenly through the list.
    pub(crate) fn thinned(&self, count: usize) -> Self {
        let n = self.places.list.len();
        let chosen = if n <= count {
            (0..n).collect()
        } else {
            // The middle of each of `count` equal stretches: no end is favoured.
            (0..count).map(|k| (2 * k + 1) * n / (2 * count)).collect()
        };
        Self {
            clues: self.clues,
            ..Self::of(chosen, self.places, self.domain, |g| self.spans_of(g))
        }
    }

    fn spans_of(&self, group: usize) -> Vec<Span> {
        let held = self.shared.binary_search_by_key(&group, |s| s.group);
        held.map(|k| self.shared[k].spans.clone()).unwrap_or_default()
    }

    /// Looks for each heading error only where a search with fewer places found it.
    pub(crate) fn take_spans(&mut self, from: &[(usize, Vec<Span>)]) {
        for (group, spans) in from {
            if let Ok(k) = self.shared.binary_search_by_key(group, |s| s.group) {
                self.shared[k].spans.clone_from(spans);
                self.shared[k].lay_nodes(self.places);
            }
        }
    }

    /// Where the heading errors lie, given the parts of the map that hold the posterior.
    pub(crate) fn found_spans(&self, points_m: &[(f64, f64)]) -> Vec<(usize, Vec<Span>)> {
        if self.shared.is_empty() {
            return Vec::new();
        }
        let mut highest: Vec<Vec<f64>> = self
            .shared
            .iter()
            .map(|s| vec![f64::NEG_INFINITY; s.nodes.len()])
            .collect();
        for &point_m in points_m {
            let whole = self.ln_local(point_m.0, point_m.1);
            for (slot, highest) in highest.iter_mut().enumerate() {
                let terms = self.terms_at(slot, point_m);
                let rest = whole - ln_sum(&terms);
                for (high, term) in highest.iter_mut().zip(terms) {
                    *high = high.max(rest + term);
                }
            }
        }
        self.shared
            .iter()
            .zip(highest)
            .map(|(one, highest)| (one.group, offset::kept(&one.nodes, &highest)))
            .collect()
    }

    /// Narrows the surface to a circle of the local frame, where that pays; outside, it is given up.
    pub(crate) fn focus_on(&mut self, centre_m: (f64, f64), radius_m: f64) {
        if self.chosen.len() < MANY_PLACES {
            return;
        }
        let spot = Spot::at(self.domain.frame, centre_m.0, centre_m.1);
        let centre = spot.point;
        self.beyond_clues_ln = self.clues.map_or(f64::INFINITY, |clues| clues.ln_at(&spot));
        let focus = Focus::new(
            self.places,
            &self.singles,
            &self.shared,
            (centre_m, centre),
            radius_m,
        );
        self.focus = Some(focus);
    }

    /// A surface put together from what an earlier one left.
    pub(crate) fn held(
        places: &'a Places,
        domain: Domain,
        (singles, shared): (Vec<usize>, Vec<Shared>),
        tile: Tile,
    ) -> Self {
        Self {
            places,
            domain,
            chosen: (0..places.list.len()).collect(),
            singles,
            shared,
            focus: None,
            tile: Some(tile),
            clues: None,
            beyond_clues_ln: f64::INFINITY,
        }
    }

    /// What [`Surface::held`] wants; none where no polynomial stands for the places.
    pub(crate) fn into_held(self) -> Option<(Vec<usize>, Vec<Shared>, Tile)> {
        Some((self.singles, self.shared, self.tile?))
    }

    /// Looks at the whole disc and at all heading errors again.
    pub(crate) fn unfocus(&mut self) {
        self.focus = None;
        self.tile = None;
        for one in &mut self.shared {
            one.spans = self.places.groups[one.group]
                .prior
                .map(|p| p.reach())
                .into_iter()
                .collect();
            one.lay_nodes(self.places);
        }
    }

    /// Takes the polynomial through the likelihood around cells, where there are many places and it is true to their sum. Else it looks at
    /// the circle around the cells.
    pub(crate) fn narrow_to(&mut self, cells: &[Valued]) {
        self.tile = None;
        if self.chosen.len() < TILE_PLACES {
            return;
        }
        let Some(patch) = Patch::around(cells) else { return };
        let middle_m = patch.checks_m()[0];
        let spot = Spot::at(self.domain.frame, middle_m.0, middle_m.1);
        self.beyond_clues_ln = self.clues.map_or(f64::INFINITY, |clues| clues.ln_at(&spot));
        // Reads each place in order of memory; the polynomial is held against the places themselves.
        self.focus_on(middle_m, patch.longest_m());
        let points = self.points(&patch.points_m());
        let alone: Vec<f64> = points
            .iter()
            .map(|p| match &self.focus {
                Some(focus) => focus.alone_ln(self.places, p),
                None => self.alone_ln(p),
            })
            .collect();
        let shared = (0..self.shared.len())
            .map(|slot| self.shared_over(slot, &points))
            .collect();
        let tile = Tile::new(patch, tile::coefficients(&alone), shared);
        if self.is_true(&tile) {
            self.focus = None;
            self.tile = Some(tile);
        }
    }

    /// For each node of a compass the coefficients of its prior and likelihood.
    fn shared_over(&self, slot: usize, points: &[EarthPoint]) -> Vec<Values> {
        let one = &self.shared[slot];
        let mut values = vec![vec![0.0; points.len()]; one.nodes.len()];
        for (number, point) in points.iter().enumerate() {
            let terms = match &self.focus {
                Some(focus) => {
                    let mut terms: Vec<f64> = one.nodes.iter().map(|n| n.ln_weight).collect();
                    focus.add_shared(slot, self.places, point, &one.nodes, &mut terms);
                    terms
                }
                None => one.terms(self.places, point),
            };
            for (term, values) in terms.into_iter().zip(&mut values) {
                values[number] = term;
            }
        }
        values.iter().map(|v| tile::coefficients(v)).collect()
    }

    /// The log posterior of each node of a compass at a point, up to a constant.
    pub(crate) fn terms_at(&self, slot: usize, (east_m, north_m): (f64, f64)) -> Vec<f64> {
        if let Some(tile) = &self.tile {
            return tile.terms(slot, east_m, north_m);
        }
        let point = EarthPoint::from(self.domain.frame.from_local(east_m, north_m));
        self.shared[slot].terms(self.places, &point)
    }

    fn points(&self, points_m: &[(f64, f64)]) -> Vec<EarthPoint> {
        points_m
            .iter()
            .map(|p| self.domain.frame.from_local(p.0, p.1).into())
            .collect()
    }

    /// Whether a polynomial follows the sum within what the mesh can see.
    fn is_true(&self, tile: &Tile) -> bool {
        let checks_m = tile.patch.checks_m();
        let sums: Vec<f64> = self.points(&checks_m).iter().map(|p| self.ln_at(p)).collect();
        let read: Vec<f64> = checks_m.iter().map(|p| tile.ln_at(p.0, p.1)).collect();
        let top = sums.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // Only differences between points count.
        let level = sums[0] - read[0];
        sums.iter()
            .zip(&read)
            .all(|(sum, read)| (sum - read - level).abs() <= TILE_NATS + TILE_SHARE * (top - sum))
    }

    /// Table lookups that one point costs.
    pub(crate) fn cost(&self) -> f64 {
        if let Some(tile) = &self.tile {
            return tile.cost() + self.clues.map_or(0.0, Clues::cost);
        }
        let shared: usize = self.shared.iter().map(|s| s.members.len() * s.nodes.len()).sum();
        (self.singles.len() + shared) as f64 + self.clues.map_or(0.0, Clues::cost)
    }

    /// Log posterior at a point of the local frame, up to a constant.
    pub(crate) fn ln_local(&self, east_m: f64, north_m: f64) -> f64 {
        if self.domain.outside(east_m, north_m) {
            return OUTSIDE_LN;
        }
        if let (Some(tile), None) = (&self.tile, self.clues) {
            return tile.ln_at(east_m, north_m);
        }
        let spot = Spot::at(self.domain.frame, east_m, north_m);
        let clues = self.clues.map_or(0.0, |clues| clues.ln_at(&spot));
        if let Some(tile) = &self.tile {
            return match tile.within(east_m, north_m) {
                Some(ln) => ln + clues,
                None => tile.beyond_ln() + clues.min(self.beyond_clues_ln),
            };
        }
        match &self.focus {
            None => self.ln_at(&spot.point) + clues,
            Some(focus) => focus.beyond(east_m, north_m).map_or_else(
                || focus.ln_at(self.places, &self.shared, &spot.point) + clues,
                |beyond| beyond + clues.min(self.beyond_clues_ln),
            ),
        }
    }

    /// Log likelihood of all chosen places at a point.
    pub(crate) fn ln_at(&self, point: &EarthPoint) -> f64 {
        let shared: f64 = self
            .shared
            .iter()
            .map(|s| ln_sum(&s.terms(self.places, point)))
            .sum();
        self.alone_ln(point) + shared
    }

    fn alone_ln(&self, point: &EarthPoint) -> f64 {
        self.singles
            .iter()
            .map(|&k| {
                let place = &self.places.list[k];
                let (azimuth_deg, range_m) = place.fast.azimuth_and_range(point);
                place.ln_at(azimuth_deg, range_m)
            })
            .sum()
    }

    /// All heading errors.
    pub(crate) fn all_alive(&self) -> Alive {
        self.shared.iter().map(|s| 0..s.nodes.len()).collect()
    }

    /// As [`Surface::ln_local`] without a focus, over some of the heading errors.
    pub(crate) fn ln_alive(&self, east_m: f64, north_m: f64, alive: &Alive) -> f64 {
        if self.domain.outside(east_m, north_m) {
            return OUTSIDE_LN;
        }
        let spot = Spot::at(self.domain.frame, east_m, north_m);
        let shared: f64 = self
            .shared
            .iter()
            .zip(alive)
            .map(|(s, alive)| ln_sum(&s.terms_of(&s.nodes[alive.clone()], self.places, &spot.point)))
            .sum();
        self.alone_ln(&spot.point) + shared + self.clues.map_or(0.0, |clues| clues.ln_at(&spot))
    }

    /// A limit that the log posterior does not pass within a circle, over the heading errors that are `alive`; drops those that do not
    /// count in it.
    pub(crate) fn ln_bound(&self, east_m: f64, north_m: f64, radius_m: f64, alive: &mut Alive) -> f64 {
        if east_m.hypot(north_m) > self.domain.radius_m + radius_m {
            return OUTSIDE_LN;
        }
        let spot = Spot::at(self.domain.frame, east_m, north_m);
        let point = spot.point;
        let alone: f64 = self
            .singles
            .iter()
            .map(|&k| self.places.list[k].cone(&point, radius_m).ln_bound(0.0, 0.0))
            .sum();
        let shared: f64 = self
            .shared
            .iter()
            .zip(alive)
            .map(|(s, alive)| s.ln_bound(self.places, &point, radius_m, alive))
            .sum();
        alone + shared + self.clues.map_or(0.0, |clues| clues.ln_bound(&spot, radius_m))
    }
}

impl Shared {
    fn lay_nodes(&mut self, places: &Places) {
        let weight: f64 = self
            .members
            .iter()
            .map(|&k| places.list[k].sigma_deg.powi(-2))
            .sum();
        let step_deg = STEP_SIGMAS / weight.sqrt();
        self.nodes = places.groups[self.group]
            .prior
            .map(|p| p.nodes(&self.spans, step_deg))
            .unwrap_or_default();
    }

    /// For each node its prior and the likelihood of all places there, in logarithms.
    pub(crate) fn terms(&self, places: &Places, point: &EarthPoint) -> Vec<f64> {
        self.terms_of(&self.nodes, places, point)
    }

    fn terms_of(&self, nodes: &[Node], places: &Places, point: &EarthPoint) -> Vec<f64> {
        let mut terms: Vec<f64> = nodes.iter().map(|n| n.ln_weight).collect();
        for &k in &self.members {
            let place = &places.list[k];
            let (azimuth_deg, range_m) = place.fast.azimuth_and_range(point);
            place.add_ln_at(azimuth_deg, range_m, nodes, &mut terms);
        }
        terms
    }

    /// A limit of the sum over the nodes within a circle. Nodes nearer together than the circle's own angle are taken at once.
    fn ln_bound(
        &self,
        places: &Places,
        point: &EarthPoint,
        radius_m: f64,
        alive: &mut std::ops::Range<usize>,
    ) -> f64 {
        let cones: Vec<Cone> = self
            .members
            .iter()
            .map(|&k| places.list[k].cone(point, radius_m))
            .collect();
        let width_deg = cones.iter().map(|c| c.half_deg).fold(f64::INFINITY, f64::min);
        let (mut terms, mut ends) = (Vec::new(), Vec::new());
        let mut start = alive.start;
        while start < alive.end {
            let first = self.nodes[start];
            let rest = &self.nodes[start..alive.end];
            let block = &rest[..rest.partition_point(|n| n.deg <= first.deg + width_deg).max(1)];
            let last_deg = block[block.len() - 1].deg;
            let (middle_deg, half_deg) = (f64::midpoint(first.deg, last_deg), (last_deg - first.deg) / 2.0);
            let weights: Vec<f64> = block.iter().map(|n| n.ln_weight).collect();
            let places_ln: f64 = cones.iter().map(|c| c.ln_bound(middle_deg, half_deg)).sum();
            terms.push(ln_sum(&weights) + places_ln);
            start += block.len();
            ends.push(start);
        }
        let floor = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max) - DEAD_NATS;
        if let (Some(first), Some(last)) = (
            terms.iter().position(|&t| t >= floor),
            terms.iter().rposition(|&t| t >= floor),
        ) {
            let start = if first == 0 { alive.start } else { ends[first - 1] };
            *alive = start..ends[last];
        }
        ln_sum(&terms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lobewright_geodesy::{direct, inverse};
    use lobewright_types::Azimuth;

    // The centroid of a symmetric cross must be its middle, also over the pole and across 180 degrees.
    #[test]
    fn the_middle_of_the_places_is_the_middle() {
        for (lat_deg, lon_deg) in [(-41.3, 174.1), (0.0, 180.0), (89.99, 10.0), (52.0, 0.0)] {
            let middle = Position { lat_deg, lon_deg };
            let bearings: Vec<_> = (0..4)
                .map(|k| {
                    let azimuth = Azimuth::from_degrees(90.0 * f64::from(k));
                    crate::hand::from_normal(
                        &format!("p{k}"),
                        direct(middle, azimuth, 8000.0),
                        azimuth,
                        2.0,
                        (0.0, 0.0),
                        None,
                    )
                })
                .collect();
            let places: Vec<Position> = bearings.iter().map(|b| b.position).collect();
            let off_m = inverse(Domain::middle(&places), middle).distance_m;
            assert!(off_m < 30.0, "{lat_deg} {lon_deg}: {off_m} m");
        }
    }
}
