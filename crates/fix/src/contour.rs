//! Rings around the places where the posterior is above a level.

use std::collections::BTreeMap;

use lobewright_geodesy::ring_area_km2;
use lobewright_types::{PolygonDeg, Position, Region};

use crate::likelihood::Domain;
use crate::mesh::{Mesh, Node};

/// A point of the local frame: east and north in metres.
type Point = (f64, f64);

/// The region above a level, as polygons on the ellipsoid.
pub(crate) fn region(mesh: &Mesh, domain: &Domain, level: f64, probability: f64) -> Region {
    region_of(&mesh.nodes, &mesh.triangles, domain, level, probability)
}

/// The same for triangles of any kind, corners counter-clockwise.
pub(crate) fn region_of(
    nodes: &[Node],
    triangles: &[[u32; 3]],
    domain: &Domain,
    level: f64,
    probability: f64,
) -> Region {
    let rings = rings(nodes, triangles, domain, level);
    let (outer, holes): (Vec<_>, Vec<_>) = rings.into_iter().partition(|r| signed_area_m2(r) > 0.0);
    let mut parts: Vec<(Vec<Point>, Vec<Vec<Point>>)> = outer.into_iter().map(|r| (r, Vec::new())).collect();
    // Smallest first, so that a hole goes to the innermost ring around it.
    parts.sort_by(|a, b| signed_area_m2(&a.0).total_cmp(&signed_area_m2(&b.0)));
    for hole in holes {
        let size = -signed_area_m2(&hole);
        let around = parts
            .iter_mut()
            .find(|p| signed_area_m2(&p.0) > size && contains(&p.0, hole[0]));
        if let Some(part) = around {
            part.1.push(hole);
        }
    }
    parts.reverse();
    let to_earth = |ring: &Vec<Point>| -> Vec<Position> {
        ring.iter().map(|p| domain.frame.from_local(p.0, p.1)).collect()
    };
    let polygons: Vec<PolygonDeg> = parts
        .iter()
        .map(|(outer, holes)| PolygonDeg {
            outer: to_earth(outer),
            holes: holes.iter().map(to_earth).collect(),
        })
        .collect();
    let area_km2 = polygons
        .iter()
        .map(|p| ring_area_km2(&p.outer) - p.holes.iter().map(|h| ring_area_km2(h)).sum::<f64>())
        .sum();
    Region {
        probability,
        area_km2,
        polygons,
    }
}

/// Closed rings with the region on their left.
fn rings(nodes: &[Node], triangles: &[[u32; 3]], domain: &Domain, level: f64) -> Vec<Vec<Point>> {
    // From the edge where a ring enters a triangle to the edge where it leaves, edges by their lower node first.
    let mut next: BTreeMap<(u32, u32), (u32, u32)> = BTreeMap::new();
    let above = |n: u32| nodes[n as usize].ln >= level;
    for &triangle in triangles {
        let (mut from, mut to) = (None, None);
        for i in 0..3 {
            let (a, b) = (triangle[i], triangle[(i + 1) % 3]);
            let edge = (a.min(b), a.max(b));
            match (above(a), above(b)) {
                (true, false) => from = Some(edge),
                (false, true) => to = Some(edge),
                _ => {}
            }
        }
        if let (Some(from), Some(to)) = (from, to) {
            next.insert(from, to);
        }
    }
    let mut rings = Vec::new();
    while let Some((&start, _)) = next.first_key_value() {
        let mut ring = Vec::new();
        let mut at = start;
        while let Some(to) = next.remove(&at) {
            push_apart(&mut ring, crossing(nodes, domain, at, level));
            at = to;
        }
        while ring.len() > 1 && same(ring[0], ring[ring.len() - 1]) {
            ring.pop();
        }
        if ring.len() >= 3 {
            rings.push(ring);
        }
    }
    rings
}

fn push_apart(ring: &mut Vec<Point>, point: Point) {
    if ring.last().is_none_or(|&last| !same(last, point)) {
        ring.push(point);
    }
}

/// Closer than a micrometre: one point.
fn same(a: Point, b: Point) -> bool {
    (a.0 - b.0).hypot(a.1 - b.1) < 1e-6
}

/// Where an edge passes the level, or the rim of the search disc.
fn crossing(nodes: &[Node], domain: &Domain, edge: (u32, u32), level: f64) -> Point {
    let (a, b) = (&nodes[edge.0 as usize], &nodes[edge.1 as usize]);
    if a.outside() || b.outside() {
        return rim_crossing(a, b, domain.radius_m);
    }
    let share = ((level - a.ln) / (b.ln - a.ln)).clamp(0.0, 1.0);
    between(a, b, share)
}

fn between(a: &Node, b: &Node, share: f64) -> Point {
    (
        a.east_m + share * (b.east_m - a.east_m),
        a.north_m + share * (b.north_m - a.north_m),
    )
}

fn rim_crossing(a: &Node, b: &Node, radius_m: f64) -> Point {
    let inner = |share: f64| {
        let p = between(a, b, share);
        (p.0.hypot(p.1) < radius_m) != a.outside()
    };
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if inner(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    between(a, b, low)
}

fn signed_area_m2(ring: &[Point]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(next)
        .map(|(a, b)| a.0 * b.1 - b.0 * a.1)
        .sum::<f64>()
        / 2.0
}

/// Whether a point lies inside a ring: even-odd rule.
pub(crate) fn contains(ring: &[Point], p: Point) -> bool {
    let mut inside = false;
    for i in 0..ring.len() {
        let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
        if (a.1 > p.1) != (b.1 > p.1) && p.0 < a.0 + (b.0 - a.0) * (p.1 - a.1) / (b.1 - a.1) {
            inside = !inside;
        }
    }
    inside
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn even_odd_rule_and_signed_area() {
        let square = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)];
        assert!(contains(&square, (1.0, 1.0)));
        assert!(!contains(&square, (3.0, 1.0)));
        assert!((signed_area_m2(&square) - 4.0).abs() < 1e-12);
        let back: Vec<Point> = square.iter().rev().copied().collect();
        assert!((signed_area_m2(&back) + 4.0).abs() < 1e-12);
    }
}
