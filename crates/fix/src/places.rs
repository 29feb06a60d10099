//! Bearings gathered by place: what errors they share, and one density for each place.

use std::cell::OnceCell;

use lobewright_geodesy::{EarthPoint, FastAzimuth, inverse};
use lobewright_types::{
    Azimuth, Bearing, CircleDensity, Mode, Position, True, wrap_degrees, wrap_signed_degrees,
};

use crate::table::Table;

/// Bearings of one station nearer together than this, in metres, are from one place.
const SAME_PLACE_M: f64 = 0.5;
/// Ratio of one widening to the next.
const BAND_RATIO: f64 = 1.6;
/// The first widening in standard deviations of the density; below a third of it none is done (under 1 % of sigma).
const FIRST_BAND: f64 = 0.3;
/// Widenings are computed up to this angle; it is a guess over the whole circle.
const LAST_BAND_DEG: f64 = 120.0;
/// Share of a bearing's variance that is its own at the very least, where the heading's is said to be all of it.
const OWN_VARIANCE_FLOOR: f64 = 0.02;

/// One place, its bearings joined.
#[derive(Debug)]
pub(crate) struct Place {
    pub(crate) position: Position,
    /// Indices of its bearings in the caller's list.
    pub(crate) members: Vec<usize>,
    /// Number of the heading group.
    pub(crate) group: usize,
    pub(crate) fast: FastAzimuth,
    /// The direction given that the place's bearings are not reflections, without the station's position error.
    pub(crate) density: CircleDensity,
    /// Standard deviation of the most probable mode.
    pub(crate) sigma_deg: f64,
    pub(crate) position_sigma_m: f64,
    min_range_m: f64,
    reflection: f64,
    plain: Table,
    bands: Vec<(f64, OnceCell<Table>)>,
    /// Peaks to stretch instead, where there are too many places for tables of bands.
    stretched: Option<Vec<Azimuth<True>>>,
}

/// A station that took bearings in several places with one heading error.
#[derive(Debug)]
pub(crate) struct Group {
    /// Heading errors in degrees and the logarithms of their weights; one node of 0 where nothing is shared.
    pub(crate) nodes: Vec<(f64, f64)>,
}

/// All places, those of one group side by side.
#[derive(Debug)]
pub(crate) struct Places {
    pub(crate) list: Vec<Place>,
    pub(crate) groups: Vec<Group>,
}

/// Whether a bearing can be used at all.
pub(crate) fn usable(bearing: &Bearing) -> bool {
    bearing.position.lat_deg.abs() <= 90.0
        && bearing.position.lon_deg.is_finite()
        && bearing.position_sigma_m >= 0.0
        && bearing.position_sigma_m.is_finite()
        && bearing.heading_sigma_deg.is_finite()
        && bearing.density.azimuths_deg().len() >= 3
}

/// With more places than this, position errors stretch each peak round its middle (exact for peaks of normal shape) where
/// they else have tables of the widened density.
const MANY_PLACES: usize = 100;

/// Gathers bearings by station and place. The result does not depend on the order they come in.
pub(crate) fn gather(bearings: &[Bearing], reflection: f64, min_range_m: f64) -> Places {
    let mut order: Vec<usize> = (0..bearings.len()).filter(|&i| usable(&bearings[i])).collect();
    order.sort_by(|&a, &b| compare(&bearings[a], &bearings[b]));
    let mut clusters: Vec<Vec<usize>> = Vec::new();
    for i in order {
        let joins = clusters
            .last()
            .is_some_and(|c| same_place(&bearings[c[0]], &bearings[i]));
        match clusters.last_mut() {
            Some(cluster) if joins => cluster.push(i),
            _ => clusters.push(vec![i]),
        }
    }
    let mut places = Places {
        list: Vec::with_capacity(clusters.len()),
        groups: Vec::new(),
    };
    let mut start = 0;
    while start < clusters.len() {
        let station = &bearings[clusters[start][0]].station;
        let count = clusters[start..]
            .iter()
            .take_while(|c| &bearings[c[0]].station == station)
            .count();
        let family = &clusters[start..start + count];
        let heading_deg = family
            .iter()
            .flatten()
            .map(|&i| bearings[i].heading_sigma_deg)
            .fold(0.0, f64::max);
        add_family(
            bearings,
            family,
            heading_deg,
            (reflection, min_range_m),
            &mut places,
        );
        start += count;
    }
    if places.list.len() > MANY_PLACES {
        for place in &mut places.list {
            place.bands.clear();
            let peaks = place.density.modes(0.02).iter().map(|m| m.azimuth).collect();
            place.stretched = (place.position_sigma_m > 0.0).then_some(peaks);
        }
    }
    places
}

fn compare(a: &Bearing, b: &Bearing) -> std::cmp::Ordering {
    a.station
        .cmp(&b.station)
        .then(a.position.lat_deg.total_cmp(&b.position.lat_deg))
        .then(a.position.lon_deg.total_cmp(&b.position.lon_deg))
        .then(a.azimuth.degrees().total_cmp(&b.azimuth.degrees()))
        .then(a.sigma_deg.total_cmp(&b.sigma_deg))
        .then_with(|| a.id.cmp(&b.id))
}

fn same_place(a: &Bearing, b: &Bearing) -> bool {
    let reach_m = a.position_sigma_m.min(b.position_sigma_m).max(SAME_PLACE_M);
    a.station == b.station && inverse(a.position, b.position).distance_m <= reach_m
}

/// Adds the places of one station.
fn add_family(
    bearings: &[Bearing],
    family: &[Vec<usize>],
    heading_deg: f64,
    (reflection, min_range_m): (f64, f64),
    places: &mut Places,
) {
    let shared = family.len() > 1 && heading_deg > 0.0;
    let nodes = if shared {
        heading_nodes(heading_deg)
    } else {
        vec![(0.0, 0.0)]
    };
    // The sum over nodes is good while what it is summed over is no narrower than their spacing.
    let narrowest_deg = if shared {
        (nodes[1].0 - nodes[0].0) * (family.len() as f64).sqrt()
    } else {
        0.0
    };
    let group = places.groups.len();
    places.groups.push(Group { nodes });
    for members in family {
        let several = members.len() > 1;
        let own = |i: usize| {
            let bearing = &bearings[i];
            if bearing.heading_sigma_deg > 0.0 && (several || shared) {
                let least = narrowest_deg * (members.len() as f64).sqrt();
                narrowed(bearing, least)
            } else {
                bearing.density.clone()
            }
        };
        let mut density = if several {
            let own: Vec<CircleDensity> = members.iter().map(|&i| own(i)).collect();
            let modes: Vec<Mode> = members.iter().flat_map(|&i| modes_of(&bearings[i])).collect();
            joined(&own, &modes, reflection)
        } else {
            own(members[0])
        };
        if several && !shared {
            density = density.widened(heading_deg);
        }
        let first = &bearings[members[0]];
        let sigma_deg = if several || shared {
            density.modes(0.05)[0].sigma_deg
        } else {
            modes_of(first)[0].sigma_deg
        };
        let position_sigma_m = members
            .iter()
            .map(|&i| bearings[i].position_sigma_m)
            .fold(0.0, f64::max);
        places.list.push(Place::new(
            first.position,
            members.clone(),
            group,
            (density, sigma_deg),
            (position_sigma_m, min_range_m, reflection),
        ));
    }
}

/// Equal steps over 3 standard deviations each way.
fn heading_nodes(sigma_deg: f64) -> Vec<(f64, f64)> {
    const STEPS: i32 = 20;
    let weight = |k: i32| (-0.5 * (3.0 * f64::from(k) / f64::from(STEPS)).powi(2)).exp();
    let total: f64 = (-STEPS..=STEPS).map(weight).sum();
    (-STEPS..=STEPS)
        .map(|k| {
            (
                3.0 * sigma_deg * f64::from(k) / f64::from(STEPS),
                (weight(k) / total).ln(),
            )
        })
        .collect()
}

/// The bearing's modes, computed again where they are missing or no numbers.
fn modes_of(bearing: &Bearing) -> Vec<Mode> {
    let good = |m: &Mode| m.sigma_deg.is_finite() && m.sigma_deg > 0.0;
    if !bearing.modes.is_empty() && bearing.modes.iter().all(good) {
        bearing.modes.clone()
    } else {
        bearing.density.modes(0.05)
    }
}

/// The density without the part of its spread that is the heading's: each peak is drawn in around its middle until
/// its variance has lost the heading's. Exact for peaks of normal shape.
fn narrowed(bearing: &Bearing, least_deg: f64) -> CircleDensity {
    let (density, heading_deg) = (&bearing.density, bearing.heading_sigma_deg);
    let modes = modes_of(bearing);
    let scale: Vec<f64> = modes
        .iter()
        .map(|m| {
            let variance = m.sigma_deg.powi(2).max(1e-12);
            let own = (variance - heading_deg.powi(2)).max(OWN_VARIANCE_FLOOR * variance);
            (own.max(least_deg.powi(2)) / variance).sqrt().min(1.0)
        })
        .collect();
    let mut knots: Vec<(f64, f64)> = density
        .azimuths_deg()
        .iter()
        .zip(density.ln_per_deg())
        .map(|(&azimuth, &ln)| {
            let turn = |k: usize| wrap_signed_degrees(azimuth - modes[k].azimuth.degrees());
            let nearest = (0..modes.len())
                .min_by(|&a, &b| turn(a).abs().total_cmp(&turn(b).abs()))
                .unwrap_or(0);
            let to = modes[nearest].azimuth.degrees() + scale[nearest] * turn(nearest);
            (wrap_degrees(to), ln - scale[nearest].ln())
        })
        .collect();
    knots.sort_by(|a, b| a.0.total_cmp(&b.0));
    knots.dedup_by(|b, a| b.0 <= a.0);
    let (azimuth, ln) = knots.into_iter().unzip();
    CircleDensity::from_knots(azimuth, ln).unwrap_or_else(|_| density.clone())
}

/// The direction that several bearings of one place agree on, each with its own chance to be wrong.
fn joined(densities: &[CircleDensity], modes: &[Mode], reflection: f64) -> CircleDensity {
    let tables: Vec<Table> = densities.iter().map(|d| Table::mixed(d, reflection)).collect();
    let count = (densities.len() as f64).sqrt();
    let mut centres = Vec::new();
    for mode in modes {
        let reach = mode.sigma_deg / count;
        centres.extend([-2.0, -1.0, 0.0, 1.0, 2.0].map(|k| mode.azimuth.degrees() + k * reach));
    }
    let ln = |at: f64| tables.iter().map(|t| t.ln_at(at)).sum::<f64>();
    CircleDensity::from_ln_fn(ln, &centres, 0.02).unwrap_or_else(|_| CircleDensity::uniform())
}

impl Place {
    fn new(
        position: Position,
        members: Vec<usize>,
        group: usize,
        (density, sigma_deg): (CircleDensity, f64),
        (position_sigma_m, min_range_m, reflection): (f64, f64, f64),
    ) -> Self {
        let sigma_deg = sigma_deg.max(1e-4);
        let mut bands = Vec::new();
        if position_sigma_m > 0.0 {
            let mut width_deg = FIRST_BAND * sigma_deg;
            while width_deg < BAND_RATIO * LAST_BAND_DEG {
                bands.push((width_deg.min(LAST_BAND_DEG), OnceCell::new()));
                width_deg *= BAND_RATIO;
            }
        }
        Self {
            position,
            members,
            group,
            fast: FastAzimuth::at(position),
            plain: Table::mixed(&density, reflection),
            density,
            sigma_deg,
            position_sigma_m,
            min_range_m,
            reflection,
            bands,
            stretched: None,
        }
    }

    fn band(&self, k: usize) -> &Table {
        let (width_deg, cell) = &self.bands[k];
        cell.get_or_init(|| Table::mixed(&self.density.widened(*width_deg), self.reflection))
    }

    /// The tables to read at a range: two and the share of the second, or one.
    fn tables(&self, range_m: f64) -> (&Table, Option<(&Table, f64)>) {
        if self.bands.is_empty() {
            return (&self.plain, None);
        }
        let width_deg = (self.position_sigma_m / range_m.max(self.min_range_m)).to_degrees();
        if width_deg < FIRST_BAND / 3.0 * self.sigma_deg {
            return (&self.plain, None);
        }
        let k = self.bands.partition_point(|b| b.0 < width_deg);
        if k == self.bands.len() {
            return (self.band(k - 1), None);
        }
        let (low_deg, low) = if k == 0 {
            (0.0, &self.plain)
        } else {
            (self.bands[k - 1].0, self.band(k - 1))
        };
        // The share that makes a normal density come out with the right variance.
        let precision = |w: f64| 1.0 / (self.sigma_deg.powi(2) + w * w);
        let (at_low, at_high) = (precision(low_deg), precision(self.bands[k].0));
        let share = (at_low - precision(width_deg)) / (at_low - at_high);
        (low, Some((self.band(k), share)))
    }

    /// The plain table's log density, within `half_deg`, with the peaks stretched by the position error at a range.
    fn stretched_ln(&self, peaks: &[Azimuth<True>], azimuth_deg: f64, half_deg: f64, range_m: f64) -> f64 {
        let read = |at: f64, half: f64| {
            if half > 0.0 {
                self.plain.max_within(at, half)
            } else {
                self.plain.ln_at(at)
            }
        };
        let width_deg = (self.position_sigma_m / range_m.max(self.min_range_m)).to_degrees();
        if width_deg < FIRST_BAND / 3.0 * self.sigma_deg {
            return read(azimuth_deg, half_deg);
        }
        let factor = 1.0_f64.hypot(width_deg / self.sigma_deg);
        let turn = |peak: &Azimuth<True>| wrap_signed_degrees(azimuth_deg - peak.degrees());
        let nearest = peaks
            .iter()
            .min_by(|a, b| turn(a).abs().total_cmp(&turn(b).abs()))
            .unwrap_or(&peaks[0]);
        let at = wrap_degrees(nearest.degrees() + turn(nearest) / factor);
        let flat = self.reflection / 360.0;
        let good = (read(at, half_deg / factor).exp() - flat).max(0.0);
        // A logarithm needs something; where reflections are allowed this is far below them.
        (flat + (good / factor).max((1.0 - self.reflection) * 1e-12)).ln()
    }

    /// Log density per degree in a direction (degrees, `[0, 360)`), for a transmitter at a range; reflections included.
    pub(crate) fn ln_at(&self, azimuth_deg: f64, range_m: f64) -> f64 {
        if let Some(peaks) = &self.stretched {
            return self.stretched_ln(peaks, azimuth_deg, 0.0, range_m);
        }
        match self.tables(range_m) {
            (one, None) => one.ln_at(azimuth_deg),
            (low, Some((high, share))) => {
                (1.0 - share) * low.ln_at(azimuth_deg) + share * high.ln_at(azimuth_deg)
            }
        }
    }

    /// A limit that the log density does not pass within a circle around a point, `extra_deg` of heading error allowed.
    pub(crate) fn ln_bound(&self, point: &EarthPoint, radius_m: f64, extra_deg: f64) -> f64 {
        let (azimuth_deg, range_m) = self.fast.azimuth_and_range(point);
        if range_m <= radius_m * 1.001 {
            return self.plain.peak_ln;
        }
        let half_deg = (radius_m / range_m).asin().to_degrees() * 1.001 + extra_deg;
        if let Some(peaks) = &self.stretched {
            let of = |range: f64| self.stretched_ln(peaks, azimuth_deg, half_deg, range);
            return of(range_m - radius_m).max(of(range_m + radius_m));
        }
        let near = self.tables(range_m - radius_m);
        let far = self.tables(range_m + radius_m);
        let of = |pair: (&Table, Option<(&Table, f64)>)| {
            let one = pair.0.max_within(azimuth_deg, half_deg);
            pair.1
                .map_or(one, |(other, _)| one.max(other.max_within(azimuth_deg, half_deg)))
        };
        of(near).max(of(far))
    }

    /// The probability that the place's bearings are a reflection, were the transmitter there.
    pub(crate) fn reflected_at(&self, azimuth_deg: f64, range_m: f64) -> f64 {
        if self.reflection <= 0.0 {
            return 0.0;
        }
        ((self.reflection / 360.0).ln() - self.ln_at(azimuth_deg, range_m))
            .exp()
            .min(1.0)
    }
}
