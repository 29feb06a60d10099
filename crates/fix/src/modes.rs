//! Separate peaks of the posterior over the map.

use lobewright_types::{Azimuth, Covariance2, ErrorEllipse};

use crate::grid::{Grid, Sample};
use crate::likelihood::Domain;

/// Peaks whose valley is shallower than this (in nats) count as one, as for bearings.
const VALLEY_NATS: f64 = 0.7;
/// 95 % quantile of chi-square with 2 degrees of freedom: `-2 ln 0.05`, exact.
const CHI2_95: f64 = 5.991_464_547_107_98;

/// One peak.
#[derive(Debug, Clone)]
pub(crate) struct Peak {
    /// Its highest node.
    pub(crate) top: u32,
    pub(crate) probability: f64,
    pub(crate) samples: Vec<Sample>,
}

/// All peaks, most probable first.
pub(crate) fn peaks(grid: &Grid) -> Vec<Peak> {
    let label = basins(grid);
    let mut by_top: Vec<Peak> = Vec::new();
    let mut slot = vec![usize::MAX; grid.mesh.nodes.len()];
    for s in &grid.samples {
        // A sample belongs where the highest corner of its triangle does.
        let corners = grid.mesh.triangles[s.triangle as usize];
        let highest = corners
            .into_iter()
            .max_by(|&a, &b| {
                grid.mesh.nodes[a as usize]
                    .ln
                    .total_cmp(&grid.mesh.nodes[b as usize].ln)
                    .then(b.cmp(&a))
            })
            .unwrap_or(corners[0]);
        let top = label[highest as usize];
        let at = &mut slot[top as usize];
        if *at == usize::MAX {
            *at = by_top.len();
            by_top.push(Peak {
                top,
                probability: 0.0,
                samples: Vec::new(),
            });
        }
        let peak = &mut by_top[*at];
        peak.probability += s.mass;
        peak.samples.push(*s);
    }
    by_top.sort_by(|a, b| b.probability.total_cmp(&a.probability).then(a.top.cmp(&b.top)));
    by_top
}

/// For every node the top of the peak it belongs to: water let down from the highest.
fn basins(grid: &Grid) -> Vec<u32> {
    let nodes = &grid.mesh.nodes;
    let count = nodes.len();
    let mut neighbours: Vec<Vec<u32>> = vec![Vec::new(); count];
    for t in &grid.mesh.triangles {
        for i in 0..3 {
            let (a, b) = (t[i], t[(i + 1) % 3]);
            neighbours[a as usize].push(b);
            neighbours[b as usize].push(a);
        }
    }
    let mut order: Vec<u32> = (0..u32::try_from(count).unwrap_or(u32::MAX)).collect();
    order.sort_by(|&a, &b| {
        nodes[b as usize]
            .ln
            .total_cmp(&nodes[a as usize].ln)
            .then(a.cmp(&b))
    });
    // `parent` leads from a node to the top of its peak; tops lead to themselves, merged ones to the higher.
    let mut parent: Vec<u32> = (0..u32::try_from(count).unwrap_or(u32::MAX)).collect();
    let mut seen = vec![false; count];
    for &n in &order {
        seen[n as usize] = true;
        let mut tops: Vec<u32> = neighbours[n as usize]
            .iter()
            .filter(|&&m| seen[m as usize] && m != n)
            .map(|&m| find(&mut parent, m))
            .collect();
        tops.sort_by(|&a, &b| {
            nodes[b as usize]
                .ln
                .total_cmp(&nodes[a as usize].ln)
                .then(a.cmp(&b))
        });
        tops.dedup();
        let Some(&highest) = tops.first() else { continue };
        parent[n as usize] = highest;
        for &other in &tops[1..] {
            if nodes[other as usize].ln - nodes[n as usize].ln < VALLEY_NATS {
                parent[other as usize] = highest;
            }
        }
    }
    (0..u32::try_from(count).unwrap_or(u32::MAX))
        .map(|n| find(&mut parent, n))
        .collect()
}

fn find(parent: &mut [u32], node: u32) -> u32 {
    let mut top = node;
    while parent[top as usize] != top {
        top = parent[top as usize];
    }
    let mut at = node;
    while parent[at as usize] != top {
        at = std::mem::replace(&mut parent[at as usize], top);
    }
    top
}

/// Mean and covariance of a peak from the part of it above a level that cuts off 5 % of the mass.
///
/// The thin far parts of a posterior with reflections (a ray to the search limit that holds a thousandth) would rule plain
/// moments. For a normal density the part of mass 0.95 with the highest density has `1 - 0.05 * 5.991 / (2 * 0.95)` of the
/// variance, which is put back.
pub(crate) fn moments(peak: &Peak, level95: f64) -> Option<((f64, f64), Covariance2)> {
    let core: Vec<&Sample> = peak.samples.iter().filter(|s| s.ln >= level95).collect();
    let mass: f64 = core.iter().map(|s| s.mass).sum();
    if mass <= 0.0 {
        return None;
    }
    let mean = |pick: fn(&Sample) -> f64| core.iter().map(|s| s.mass * pick(s)).sum::<f64>() / mass;
    let (east, north) = (mean(|s| s.east_m), mean(|s| s.north_m));
    let restored = 1.0 / (1.0 - 0.05 * CHI2_95 / (2.0 * 0.95));
    let second = |a: fn(&Sample) -> f64, ma: f64, b: fn(&Sample) -> f64, mb: f64| {
        restored
            * core
                .iter()
                .map(|s| s.mass * (a(s) - ma) * (b(s) - mb))
                .sum::<f64>()
            / mass
    };
    let covariance = Covariance2 {
        ee_m2: second(|s| s.east_m, east, |s| s.east_m, east),
        en_m2: second(|s| s.east_m, east, |s| s.north_m, north),
        nn_m2: second(|s| s.north_m, north, |s| s.north_m, north),
    };
    Some(((east, north), covariance))
}

/// The 95 % ellipse of a peak, where an ellipse describes it: most of the mass in the peak, the long axis short
/// against the range, and between 90 and 98.5 % of the peak truly inside.
pub(crate) fn ellipse(peak: &Peak, level95: f64, range_m: f64, domain: &Domain) -> Option<ErrorEllipse> {
    if peak.probability < 0.5 {
        return None;
    }
    let ((east, north), covariance) = moments(peak, level95)?;
    let (major_m, minor_m, azimuth_deg) = covariance.axes();
    let scale = CHI2_95.sqrt();
    if !(minor_m > 0.0 && scale * major_m < 0.5 * range_m) {
        return None;
    }
    let det = covariance.ee_m2 * covariance.nn_m2 - covariance.en_m2.powi(2);
    let inside: f64 = peak
        .samples
        .iter()
        .filter(|s| {
            let (e, n) = (s.east_m - east, s.north_m - north);
            let q = covariance.nn_m2 * e * e - 2.0 * covariance.en_m2 * e * n + covariance.ee_m2 * n * n;
            q <= CHI2_95 * det
        })
        .map(|s| s.mass)
        .sum();
    let share = inside / peak.probability;
    if !(0.90..=0.985).contains(&share) {
        return None;
    }
    let centre = domain.frame.from_local(east, north);
    // The frame's north at the centre is not the meridian's: turn by the difference.
    let ahead = domain.frame.from_local(east, north + 100.0);
    let turn_deg = lobewright_geodesy::inverse(centre, ahead).azimuth.degrees();
    let azimuth_deg = (azimuth_deg + turn_deg).rem_euclid(180.0);
    Some(ErrorEllipse {
        centre,
        probability: 0.95,
        semi_major_m: scale * major_m,
        semi_minor_m: scale * minor_m,
        major_azimuth: Azimuth::from_degrees(azimuth_deg),
    })
}
