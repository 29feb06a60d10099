//! Bearings gathered by place: what errors they share, and one density for each place.

use lobewright_geodesy::inverse;
use lobewright_types::{Bearing, CircleDensity, Mode, wrap_degrees, wrap_signed_degrees};

use crate::config::FixConfig;
use crate::offset::OffsetPrior;
pub(crate) use crate::place::Place;
use crate::table::Table;

/// Bearings of one station nearer together than this, in metres, are from one place.
const SAME_PLACE_M: f64 = 0.5;
/// From so many places on a fault of the compass can be told from errors of single bearings.
const FAULT_PLACES: usize = 3;
/// Share of a bearing's variance that is its own at the very least, where the heading's is said to be all of it.
const OWN_VARIANCE_FLOOR: f64 = 0.02;

/// The places whose bearings were taken with one compass or mounting.
#[derive(Debug)]
pub(crate) struct Group {
    /// Name of the compass or station.
    pub(crate) name: String,
    /// What is expected of the heading error that they share; none where nothing is shared.
    pub(crate) prior: Option<OffsetPrior>,
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
pub(crate) const MANY_PLACES: usize = 100;

/// Gathers bearings by station and place. The result does not depend on the order they come in.
pub(crate) fn gather(bearings: &[Bearing], config: &FixConfig) -> Places {
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
        let compass = compass_of(&bearings[clusters[start][0]]);
        let count = clusters[start..]
            .iter()
            .take_while(|c| compass_of(&bearings[c[0]]) == compass)
            .count();
        add_family(bearings, &clusters[start..start + count], config, &mut places);
        start += count;
    }
    if places.list.len() > MANY_PLACES {
        places.list.iter_mut().for_each(Place::stretch);
    }
    places
}

/// What the heading was taken with: bearings with the same share its error.
pub(crate) fn compass_of(bearing: &Bearing) -> &str {
    bearing.compass.as_deref().unwrap_or(&bearing.station)
}

fn compare(a: &Bearing, b: &Bearing) -> std::cmp::Ordering {
    compass_of(a)
        .cmp(compass_of(b))
        .then_with(|| a.station.cmp(&b.station))
        .then(a.position.lat_deg.total_cmp(&b.position.lat_deg))
        .then(a.position.lon_deg.total_cmp(&b.position.lon_deg))
        .then(a.azimuth.degrees().total_cmp(&b.azimuth.degrees()))
        .then(a.sigma_deg.total_cmp(&b.sigma_deg))
        .then_with(|| a.id.cmp(&b.id))
}

pub(crate) fn same_place(a: &Bearing, b: &Bearing) -> bool {
    let reach_m = a.position_sigma_m.min(b.position_sigma_m).max(SAME_PLACE_M);
    // A degree of latitude is at least 110 km: most are told apart at a glance.
    (a.position.lat_deg - b.position.lat_deg).abs() * 110_000.0 <= reach_m
        && a.station == b.station
        && compass_of(a) == compass_of(b)
        && inverse(a.position, b.position).distance_m <= reach_m
}

/// Adds the places of one compass or station.
fn add_family(bearings: &[Bearing], family: &[Vec<usize>], config: &FixConfig, places: &mut Places) {
    let heading_deg = family
        .iter()
        .flatten()
        .map(|&i| bearings[i].heading_sigma_deg)
        .fold(0.0, f64::max);
    let prior = OffsetPrior {
        stated_deg: if family.len() > 1 { heading_deg } else { 0.0 },
        fault: if family.len() >= FAULT_PLACES {
            config.compass_fault_prior
        } else {
            0.0
        },
        fault_sigma_deg: config.compass_fault_sigma_deg,
    };
    let shared = prior.stated_deg > 0.0;
    let group = places.groups.len();
    places.groups.push(Group {
        name: compass_of(&bearings[family[0][0]]).to_owned(),
        prior: prior.is_open().then_some(prior),
    });
    for members in family {
        let place = one_place(bearings, members, group, (heading_deg, shared), config);
        places.list.push(place);
    }
}

/// Joins the bearings of one place. The heading error of `heading_deg` is left out where it is `shared` with other places.
pub(crate) fn one_place(
    bearings: &[Bearing],
    members: &[usize],
    group: usize,
    (heading_deg, shared): (f64, bool),
    config: &FixConfig,
) -> Place {
    let several = members.len() > 1;
    let own = |i: usize| {
        let bearing = &bearings[i];
        if bearing.heading_sigma_deg > 0.0 && (several || shared) {
            narrowed(bearing)
        } else {
            bearing.density.clone()
        }
    };
    let mut density = if several {
        let own: Vec<CircleDensity> = members.iter().map(|&i| own(i)).collect();
        let modes: Vec<Mode> = members.iter().flat_map(|&i| modes_of(&bearings[i])).collect();
        joined(&own, &modes, config.reflection_prior)
    } else {
        own(members[0])
    };
    if several && !shared {
        density = density.widened(heading_deg);
    }
    let first = &bearings[members[0]];
    let modes = if several || (shared && first.heading_sigma_deg > 0.0) {
        density.modes(0.05)
    } else {
        modes_of(first)
    };
    let position_sigma_m = members
        .iter()
        .map(|&i| bearings[i].position_sigma_m)
        .fold(0.0, f64::max);
    Place::new(
        first.position,
        members.to_vec(),
        group,
        (density, modes),
        (position_sigma_m, config.min_range_m, config.reflection_prior),
    )
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
fn narrowed(bearing: &Bearing) -> CircleDensity {
    let (density, heading_deg) = (&bearing.density, bearing.heading_sigma_deg);
    let modes = modes_of(bearing);
    let scale: Vec<f64> = modes
        .iter()
        .map(|m| {
            let variance = m.sigma_deg.powi(2).max(1e-12);
            let own = (variance - heading_deg.powi(2)).max(OWN_VARIANCE_FLOOR * variance);
            (own / variance).sqrt().min(1.0)
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
