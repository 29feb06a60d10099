//! What is said of a density on a lattice.

use lobewright_types::{Azimuth, Covariance2, ErrorEllipse};

use super::MovingPosition;
use super::field::Field;
use crate::contour;
use crate::likelihood::Domain;
use crate::mesh::Node;

/// 95 % of a normal density in the plane lie within the square root of this many sigma: `-2 ln 0.05`, exact.
fn chi_square_95() -> f64 {
    -2.0 * 0.05_f64.ln()
}

/// An ellipse whose area differs from the region's by more than this factor does not stand for it.
const ELLIPTIC: f64 = 1.5;
/// Below every density on the lattice, and no sign for the rim of a search disc.
const BEYOND_LN: f64 = -1e6;

/// Position, ellipse and regions.
pub(super) fn position(field: &Field, domain: &Domain) -> MovingPosition {
    let (nodes, triangles) = triangles(field);
    let region = |probability: f64| {
        contour::region_of(&nodes, &triangles, domain, level(field, probability), probability)
    };
    let (region50, region95) = (region(0.5), region(0.95));
    let (east_m, north_m) = core(field, region50.polygons.len() > 1);
    let ellipse = ellipse(field, domain);
    let area_km2 = std::f64::consts::PI * ellipse.semi_major_m * ellipse.semi_minor_m / 1e6;
    let alike = region95.polygons.len() == 1 && (area_km2 / region95.area_km2).ln().abs() < ELLIPTIC.ln();
    MovingPosition {
        position: domain.frame.from_local(east_m, north_m),
        ellipse95: alike.then_some(ellipse),
        region50,
        region95,
    }
}

/// The mean inside the 50 % region, which far tails do not move; the highest cell where it has several parts.
fn core(field: &Field, parted: bool) -> (f64, f64) {
    let top = field.mass.iter().copied().fold(0.0, f64::max);
    let least = if parted {
        top
    } else {
        level(field, 0.5).exp().min(top)
    };
    let across = field.lattice.across;
    let (mut sum, mut east, mut north) = (0.0, 0.0, 0.0);
    for (i, m) in field.mass.iter().enumerate().filter(|(_, m)| **m >= least) {
        let (e, n) = field.lattice.middle_m(i % across, i / across);
        sum += m;
        east += m * e;
        north += m * n;
    }
    (east / sum, north / sum)
}

fn ellipse(field: &Field, domain: &Domain) -> ErrorEllipse {
    let m = field.moments();
    let (major, minor, azimuth_deg) = Covariance2 {
        ee_m2: m.ee_m2,
        en_m2: m.en_m2,
        nn_m2: m.nn_m2,
    }
    .axes();
    // Directions at the mean differ from those of the frame's origin by the meridians' convergence.
    let turn_deg = turn_deg(field, domain);
    ErrorEllipse {
        centre: domain.frame.from_local(m.mean_m.0, m.mean_m.1),
        probability: 0.95,
        semi_major_m: major * chi_square_95().sqrt(),
        semi_minor_m: minor * chi_square_95().sqrt(),
        major_azimuth: Azimuth::from_degrees((azimuth_deg + turn_deg).rem_euclid(180.0)),
    }
}

/// From the frame's north to true north at the mean.
fn turn_deg(field: &Field, domain: &Domain) -> f64 {
    let m = field.moments();
    let here = domain.frame.from_local(m.mean_m.0, m.mean_m.1);
    let north = domain.frame.from_local(m.mean_m.0, m.mean_m.1 + 10.0);
    lobewright_types::wrap_signed_degrees(lobewright_geodesy::inverse(here, north).azimuth.degrees())
}

/// The logarithm of the mass of a cell that the smallest region of a probability just takes in.
fn level(field: &Field, probability: f64) -> f64 {
    let mut sorted: Vec<f64> = field.mass.iter().copied().filter(|m| *m > 0.0).collect();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let mut sum = 0.0;
    for m in &sorted {
        sum += m;
        if sum >= probability {
            return m.ln();
        }
    }
    sorted.last().map_or(BEYOND_LN, |m| m.ln())
}

/// The cells' middles with a rim of nothing, cut into triangles with the logarithm straight inside.
fn triangles(field: &Field) -> (Vec<Node>, Vec<[u32; 3]>) {
    let l = field.lattice;
    let side = l.across + 2;
    let mut nodes = Vec::with_capacity(side * side);
    for row in 0..side {
        for column in 0..side {
            let east = l.west_m + l.step_m * (column as f64 - 1.0);
            let north = l.south_m + l.step_m * (row as f64 - 1.0);
            let inner = (1..=l.across).contains(&row) && (1..=l.across).contains(&column);
            let ln = if inner {
                field.mass[(row - 1) * l.across + column - 1].ln().max(BEYOND_LN)
            } else {
                BEYOND_LN
            };
            nodes.push(Node::at(east, north, ln));
        }
    }
    let number = |row: usize, column: usize| u32::try_from(row * side + column).unwrap_or(u32::MAX);
    let mut triangles = Vec::with_capacity(2 * (side - 1) * (side - 1));
    for row in 0..side - 1 {
        for column in 0..side - 1 {
            let (sw, se) = (number(row, column), number(row, column + 1));
            let (nw, ne) = (number(row + 1, column), number(row + 1, column + 1));
            triangles.push([sw, se, ne]);
            triangles.push([sw, ne, nw]);
        }
    }
    (nodes, triangles)
}
