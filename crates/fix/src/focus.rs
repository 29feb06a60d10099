//! The likelihood of very many places over a small part of the map, laid out so that the memory is read in order.

use lobewright_geodesy::{EarthPoint, FastAzimuth};
use lobewright_types::wrap_signed_degrees;

use crate::likelihood::Shared;
use crate::offset::{Node, Span, ln_sum};
use crate::places::Places;

/// Values kept for each place.
const VALUES: usize = 16;
/// Arcs wider than this many standard deviations, each way, are read from the place's own table: straight lines between the
/// values then lie at most 0.003 nats under a normal density.
const WIDEST_SIGMAS: f64 = 0.8;
/// Beyond the part looked at, the log posterior is taken to be this far under its middle: what lies there was given up before.
const BEYOND_NATS: f64 = 60.0;

/// Every chosen place's log density over the arc that the part spans.
#[derive(Debug)]
pub(crate) struct Focus {
    centre_m: (f64, f64),
    radius_m: f64,
    beyond_ln: f64,
    singles: Vec<Arc>,
    /// One list for each compass or mounting, in the order of the surface's.
    shared: Vec<Vec<Arc>>,
}

#[derive(Debug)]
struct Arc {
    fast: FastAzimuth,
    /// Azimuth of the first value.
    from_deg: f64,
    /// Values a degree; 0 where the arc is too wide and `place` must be asked.
    per_deg: f64,
    place: u32,
    values: [f64; VALUES],
}

impl Focus {
    /// Looks at a circle of the local frame around `centre_m`; `centre` is the same point.
    pub(crate) fn new(
        places: &Places,
        singles: &[usize],
        shared: &[Shared],
        (centre_m, centre): ((f64, f64), EarthPoint),
        radius_m: f64,
    ) -> Self {
        let arc = |k: &usize, offsets: Span| Arc::new(places, *k, &centre, radius_m, offsets);
        let arcs_of = |one: &Shared| -> Vec<Arc> {
            let first = one.nodes.first().map_or(0.0, |n| n.deg);
            let last = one.nodes.last().map_or(0.0, |n| n.deg);
            one.members.iter().map(|k| arc(k, (first, last))).collect()
        };
        let mut focus = Self {
            centre_m,
            radius_m,
            beyond_ln: 0.0,
            singles: singles.iter().map(|k| arc(k, (0.0, 0.0))).collect(),
            shared: shared.iter().map(arcs_of).collect(),
        };
        focus.beyond_ln = focus.ln_at(places, shared, &centre) - BEYOND_NATS;
        focus
    }

    /// The value for points outside the circle, or none for one inside.
    pub(crate) fn beyond(&self, east_m: f64, north_m: f64) -> Option<f64> {
        let off_m = (east_m - self.centre_m.0).hypot(north_m - self.centre_m.1);
        (off_m > self.radius_m).then_some(self.beyond_ln)
    }

    /// Log likelihood at a point inside.
    pub(crate) fn ln_at(&self, places: &Places, shared: &[Shared], point: &EarthPoint) -> f64 {
        let together: f64 = shared
            .iter()
            .enumerate()
            .map(|(slot, one)| {
                let mut terms: Vec<f64> = one.nodes.iter().map(|n| n.ln_weight).collect();
                self.add_shared(slot, places, point, &one.nodes, &mut terms);
                ln_sum(&terms)
            })
            .sum();
        self.alone_ln(places, point) + together
    }

    /// That of the places that share nothing.
    pub(crate) fn alone_ln(&self, places: &Places, point: &EarthPoint) -> f64 {
        self.singles.iter().map(|arc| arc.ln_at(places, point)).sum()
    }

    /// Adds that of the places of one compass for each node.
    pub(crate) fn add_shared(
        &self,
        slot: usize,
        places: &Places,
        point: &EarthPoint,
        nodes: &[Node],
        sums: &mut [f64],
    ) {
        for arc in &self.shared[slot] {
            arc.add_ln_at(places, point, nodes, sums);
        }
    }
}

impl Arc {
    fn new(places: &Places, k: usize, centre: &EarthPoint, radius_m: f64, offsets: Span) -> Self {
        let place = &places.list[k];
        let (azimuth_deg, range_m) = place.fast.azimuth_and_range(centre);
        // A little wider than the circle, so that the frame's distortion leaves no point out.
        let half_deg = (1.02 * radius_m / range_m.max(1e-3)).min(1.0).asin().to_degrees();
        let width_deg = 2.0 * half_deg + (offsets.1 - offsets.0);
        let mut arc = Self {
            fast: place.fast,
            from_deg: azimuth_deg - half_deg + offsets.0,
            per_deg: 0.0,
            place: u32::try_from(k).unwrap_or(u32::MAX),
            values: [0.0; VALUES],
        };
        if width_deg <= 2.0 * WIDEST_SIGMAS * place.sigma_deg {
            let step_deg = width_deg / (VALUES - 1) as f64;
            arc.per_deg = 1.0 / step_deg;
            for (i, value) in arc.values.iter_mut().enumerate() {
                let at = lobewright_types::wrap_degrees(arc.from_deg + step_deg * i as f64);
                *value = place.ln_at(at, range_m);
            }
        }
        arc
    }

    fn ln_at(&self, places: &Places, point: &EarthPoint) -> f64 {
        let (azimuth_deg, range_m) = self.fast.azimuth_and_range(point);
        if self.per_deg <= 0.0 {
            return places.list[self.place as usize].ln_at(azimuth_deg, range_m);
        }
        self.read(wrap_signed_degrees(azimuth_deg - self.from_deg))
    }

    /// As [`Place::add_ln_at`](crate::places::Place::add_ln_at).
    fn add_ln_at(&self, places: &Places, point: &EarthPoint, nodes: &[Node], sums: &mut [f64]) {
        let (azimuth_deg, range_m) = self.fast.azimuth_and_range(point);
        if self.per_deg <= 0.0 {
            places.list[self.place as usize].add_ln_at(azimuth_deg, range_m, nodes, sums);
            return;
        }
        let first_deg = nodes.first().map_or(0.0, |n| n.deg);
        let ahead_deg = wrap_signed_degrees(azimuth_deg + first_deg - self.from_deg);
        for (node, sum) in nodes.iter().zip(sums) {
            *sum += self.read(ahead_deg + (node.deg - first_deg));
        }
    }

    /// The value so many degrees clockwise of the arc's start.
    fn read(&self, ahead_deg: f64) -> f64 {
        let at = (ahead_deg * self.per_deg).clamp(0.0, (VALUES - 1) as f64);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped above"
        )]
        let i = (at as usize).min(VALUES - 2);
        self.values[i] + (at - i as f64) * (self.values[i + 1] - self.values[i])
    }
}

#[cfg(test)]
mod tests {
    use lobewright_geodesy::{direct, inverse};
    use lobewright_types::{Azimuth, Position};

    use crate::likelihood::{Domain, Surface};

    // The plain surface is the oracle; what counts are differences between points.
    #[test]
    fn the_narrowed_surface_follows_the_plain_one() {
        let target = Position {
            lat_deg: -41.3,
            lon_deg: 174.1,
        };
        let bearings: Vec<_> = (0..300)
            .map(|k| {
                let k = f64::from(k);
                let place = direct(target, Azimuth::from_degrees(137.5 * k), 40.0 + 30.0 * k);
                let azimuth = inverse(place, target).azimuth.turned(3.0 * (k * 12.9).sin());
                crate::from_normal(&format!("p{k}"), place, azimuth, 2.0, (5.0, 0.0), None)
            })
            .collect();
        let places = crate::places::gather(&bearings, &crate::FixConfig::default());
        let frame = lobewright_geodesy::LocalFrame::at(target);
        let mut surface = Surface::new(
            &places,
            Domain {
                frame,
                radius_m: 30_000.0,
            },
        );
        let points: Vec<(f64, f64)> = (0..60)
            .map(|k| {
                let (sin, cos) = (0.7 * f64::from(k)).sin_cos();
                (f64::from(k) * sin, f64::from(k) * cos)
            })
            .collect();
        let plain: Vec<f64> = points.iter().map(|p| surface.ln_local(p.0, p.1)).collect();
        surface.focus_on((0.0, 0.0), 60.0);
        for (p, plain_ln) in points.iter().zip(&plain) {
            let off = (surface.ln_local(p.0, p.1) - surface.ln_local(0.0, 0.0)) - (plain_ln - plain[0]);
            // The posterior falls by 100 nats and more over these points.
            assert!(
                off.abs() < 0.1 + 0.01 * (plain_ln - plain[0]).abs(),
                "{p:?}: {off}"
            );
        }
        assert!(plain[59] < plain[0] - 50.0, "{} {}", plain[59], plain[0]);
        assert!(surface.ln_local(100.0, 0.0) < surface.ln_local(0.0, 0.0) - 59.0);
    }
}
