//! The log posterior over the map.

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::{Position, wrap_degrees};

use crate::clues::{Clues, Spot};
use crate::focus::Focus;
use crate::places::Places;

/// From so many places on a narrowed search is worth its own layout.
const MANY_PLACES: usize = 256;

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

/// The posterior of some of the places (all, or a selection for a first search).
#[derive(Debug)]
pub(crate) struct Surface<'a> {
    places: &'a Places,
    pub(crate) domain: Domain,
    /// Places in use, ascending: those of one group are neighbours.
    pub(crate) chosen: Vec<usize>,
    focus: Option<Focus>,
    clues: Option<&'a Clues>,
}

impl<'a> Surface<'a> {
    pub(crate) fn new(places: &'a Places, domain: Domain) -> Self {
        Self {
            places,
            domain,
            chosen: (0..places.list.len()).collect(),
            focus: None,
            clues: None,
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
            places: self.places,
            domain: self.domain,
            chosen,
            focus: None,
            clues: self.clues,
        }
    }

    /// Narrows the surface to a circle of the local frame, where that pays; outside, it is given up.
    pub(crate) fn focus_on(&mut self, centre_m: (f64, f64), radius_m: f64) {
        let nodes = |k: &usize| self.places.groups[self.places.list[*k].group].nodes.len();
        if self.chosen.len() < MANY_PLACES || self.chosen.iter().any(|k| nodes(k) > 1) {
            return;
        }
        let centre = self.domain.frame.from_local(centre_m.0, centre_m.1).into();
        self.focus = Some(Focus::new(
            self.places,
            &self.chosen,
            (centre_m, centre),
            radius_m,
        ));
    }

    /// Looks at the whole disc again.
    pub(crate) fn unfocus(&mut self) {
        self.focus = None;
    }

    /// Table lookups that one point costs.
    pub(crate) fn cost(&self) -> f64 {
        let bearings: f64 = self
            .chosen
            .iter()
            .map(|&k| self.places.groups[self.places.list[k].group].nodes.len() as f64)
            .sum();
        bearings + self.clues.map_or(0.0, Clues::cost)
    }

    /// Log posterior at a point of the local frame, up to a constant.
    pub(crate) fn ln_local(&self, east_m: f64, north_m: f64) -> f64 {
        if self.domain.outside(east_m, north_m) {
            return OUTSIDE_LN;
        }
        let spot = Spot::at(self.domain.frame, east_m, north_m);
        let bearings = match &self.focus {
            None => self.ln_at(&spot.point),
            Some(focus) => focus
                .beyond(east_m, north_m)
                .unwrap_or_else(|| focus.ln_at(self.places, &spot.point)),
        };
        bearings + self.clues.map_or(0.0, |clues| clues.ln_at(&spot))
    }

    /// Log likelihood of all chosen places at a point.
    pub(crate) fn ln_at(&self, point: &EarthPoint) -> f64 {
        let mut sum = 0.0;
        let mut start = 0;
        while start < self.chosen.len() {
            let group = self.places.list[self.chosen[start]].group;
            let nodes = &self.places.groups[group].nodes;
            if nodes.len() == 1 {
                let place = &self.places.list[self.chosen[start]];
                let (azimuth_deg, range_m) = place.fast.azimuth_and_range(point);
                sum += place.ln_at(azimuth_deg, range_m);
                start += 1;
                continue;
            }
            let end = start
                + self.chosen[start..]
                    .iter()
                    .take_while(|&&k| self.places.list[k].group == group)
                    .count();
            sum += self.shared_ln(&self.chosen[start..end], nodes, point);
            start = end;
        }
        sum
    }

    /// One heading error over several places, summed out.
    fn shared_ln(&self, members: &[usize], nodes: &[(f64, f64)], point: &EarthPoint) -> f64 {
        let seen: Vec<(usize, f64, f64)> = members
            .iter()
            .map(|&k| {
                let (azimuth_deg, range_m) = self.places.list[k].fast.azimuth_and_range(point);
                (k, azimuth_deg, range_m)
            })
            .collect();
        let terms: Vec<f64> = nodes
            .iter()
            .map(|&(offset_deg, ln_weight)| {
                let direct: f64 = seen
                    .iter()
                    .map(|&(k, azimuth_deg, range_m)| {
                        self.places.list[k].ln_at(wrap_degrees(azimuth_deg + offset_deg), range_m)
                    })
                    .sum();
                ln_weight + direct
            })
            .collect();
        let peak = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        peak + terms.iter().map(|t| (t - peak).exp()).sum::<f64>().ln()
    }

    /// A limit that the log posterior does not pass within a circle.
    pub(crate) fn ln_bound(&self, east_m: f64, north_m: f64, radius_m: f64) -> f64 {
        if east_m.hypot(north_m) > self.domain.radius_m + radius_m {
            return OUTSIDE_LN;
        }
        let spot = Spot::at(self.domain.frame, east_m, north_m);
        let bearings: f64 = self
            .chosen
            .iter()
            .map(|&k| {
                let place = &self.places.list[k];
                let extra_deg = self.places.groups[place.group].nodes[0].0.abs();
                place.ln_bound(&spot.point, radius_m, extra_deg)
            })
            .sum();
        bearings + self.clues.map_or(0.0, |clues| clues.ln_bound(&spot, radius_m))
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
