//! Lines and polygons cut at the 180th meridian.
//!
//! RFC 7946 section 3.1.9: a shape that crosses the antimeridian should be cut into parts, none of which does. Rings
//! are followed across the meridian with longitudes that run on past 180, cut there, and moved back into range. A
//! ring round a pole is closed along the pole first.

use lobewright_types::{PolygonDeg, Position, wrap_signed_degrees};

/// A point with a longitude that may lie beyond 180 degrees.
type Point = (f64, f64);

/// A polygon whose longitudes lie from -180 to 180: rings are closed (last point equals the first), the outer one
/// counter-clockwise, holes clockwise (RFC 7946 section 3.1.6). Points are longitude, latitude.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CutPolygon {
    pub(crate) outer: Vec<Point>,
    pub(crate) holes: Vec<Vec<Point>>,
}

/// Cuts a line where it crosses the 180th meridian.
pub(crate) fn cut_line(points: &[Position]) -> Vec<Vec<Position>> {
    let mut parts: Vec<Vec<Position>> = vec![Vec::new()];
    for point in points {
        let last = parts.last().and_then(|part| part.last()).copied();
        if let Some(before) = last
            && (point.lon_deg - before.lon_deg).abs() > 180.0
        {
            let unrolled = before.lon_deg + wrap_signed_degrees(point.lon_deg - before.lon_deg);
            let edge = if unrolled > before.lon_deg { 180.0 } else { -180.0 };
            let share = (edge - before.lon_deg) / (unrolled - before.lon_deg);
            let lat_deg = before.lat_deg + share * (point.lat_deg - before.lat_deg);
            if let Some(part) = parts.last_mut()
                && before.lon_deg.abs() < 180.0
            {
                part.push(Position {
                    lat_deg,
                    lon_deg: edge,
                });
            }
            parts.push(vec![Position {
                lat_deg,
                lon_deg: -edge,
            }]);
        }
        if let Some(part) = parts.last_mut()
            && part.last() != Some(point)
        {
            part.push(*point);
        }
    }
    parts.retain(|part| part.len() > 1);
    parts
}

/// Cuts polygons where they cross the 180th meridian, sets the direction of their rings and closes them.
///
/// Rings with fewer than three different points, or points that are not on earth, are left out.
pub(crate) fn cut_polygons(polygons: &[PolygonDeg]) -> Vec<CutPolygon> {
    polygons.iter().flat_map(cut_polygon).collect()
}

fn cut_polygon(polygon: &PolygonDeg) -> Vec<CutPolygon> {
    let Some(outer) = unrolled(&polygon.outer, true) else {
        return Vec::new();
    };
    let middle = mean_lon(&outer);
    let holes = polygon
        .holes
        .iter()
        .filter_map(|hole| unrolled(hole, false))
        .map(|hole| {
            // The turn that brings the hole to where the outer ring was followed to.
            let turn = ((middle - mean_lon(&hole)) / 360.0).round() * 360.0;
            shifted(&hole, turn)
        });
    let mut rings: Vec<Vec<Point>> = std::iter::once(outer).chain(holes).collect();
    let west = rings.iter().flatten().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let turn = -((west + 180.0) / 360.0).floor() * 360.0;
    rings = rings.iter().map(|ring| shifted(ring, turn)).collect();
    let mut done = Vec::new();
    // A ring spans at most two turns of the earth, so three strips always suffice.
    for _ in 0..3 {
        let (left, right) = split(&rings, 180.0);
        done.extend(assembled(left));
        if right.is_empty() {
            break;
        }
        rings = right.iter().map(|ring| shifted(ring, -360.0)).collect();
    }
    done
}

fn shifted(ring: &[Point], turn_deg: f64) -> Vec<Point> {
    ring.iter().map(|(lon, lat)| (lon + turn_deg, *lat)).collect()
}

fn mean_lon(ring: &[Point]) -> f64 {
    ring.iter().map(|p| p.0).sum::<f64>() / ring.len().max(1) as f64
}

/// Twice the signed area in the plane of longitude and latitude, positive counter-clockwise (the ring is open).
fn doubled_area(ring: &[Point]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum()
}

/// Follows a ring with longitudes that run on, closes it along the pole where it goes round one, and sets its
/// direction: counter-clockwise for outer rings, clockwise for holes. `None` where no area is left.
fn unrolled(ring: &[Position], outer: bool) -> Option<Vec<Point>> {
    let mut points: Vec<Point> = Vec::with_capacity(ring.len() + 2);
    for place in ring.iter().filter(|place| super::on_earth(**place)) {
        let lon = match points.last() {
            Some((before, _)) => before + wrap_signed_degrees(place.lon_deg - before),
            None => place.lon_deg,
        };
        if points.last() != Some(&(lon, place.lat_deg)) {
            points.push((lon, place.lat_deg));
        }
    }
    let (first, last) = (*points.first()?, *points.last()?);
    let back = last.0 + wrap_signed_degrees(first.0 - last.0);
    let turns = ((back - first.0) / 360.0).round();
    if turns.abs() > 0.5 {
        // What an outer ring holds lies to its left, what a hole holds to its right: an eastward outer ring and a
        // westward hole hold the north pole.
        let north = (turns > 0.0) == outer;
        let pole = if north { 90.0 } else { -90.0 };
        points.push((back, first.1));
        points.push((back, pole));
        points.push((first.0, pole));
    } else if points.len() > 1 && last == first {
        points.pop();
    }
    if points.len() < 3 {
        return None;
    }
    let area = doubled_area(&points);
    if area == 0.0 {
        return None;
    }
    if (area > 0.0) != outer {
        points.reverse();
    }
    Some(points)
}

/// A piece of a ring on one side of the meridian, between two crossings.
struct Chain {
    enters_at: f64,
    leaves_at: f64,
    points: Vec<Point>,
}

/// The pieces of a ring on each side of the meridian `edge`, or the ring itself where it does not cross.
enum Pieces {
    Whole { right: bool },
    Chains { left: Vec<Chain>, right: Vec<Chain> },
}

fn split(rings: &[Vec<Point>], edge: f64) -> (Vec<Vec<Point>>, Vec<Vec<Point>>) {
    let (mut left, mut right) = (Vec::new(), Vec::new());
    let (mut left_chains, mut right_chains) = (Vec::new(), Vec::new());
    for ring in rings {
        match pieces(ring, edge) {
            Pieces::Whole { right: false } => left.push(ring.clone()),
            Pieces::Whole { right: true } => right.push(ring.clone()),
            Pieces::Chains { left, right } => {
                left_chains.extend(left);
                right_chains.extend(right);
            }
        }
    }
    // The area lies to the left of the way. What leaves the western side goes on north along the meridian, what leaves
    // the eastern side goes on south.
    left.extend(joined(left_chains, edge, true));
    right.extend(joined(right_chains, edge, false));
    (left, right)
}

fn pieces(ring: &[Point], edge: f64) -> Pieces {
    let is_right = |p: &Point| p.0 > edge;
    let count = ring.len();
    let Some(start) = (0..count).find(|i| is_right(&ring[*i]) != is_right(&ring[(*i + 1) % count])) else {
        return Pieces::Whole {
            right: ring.first().is_some_and(is_right),
        };
    };
    let (mut left, mut right) = (Vec::new(), Vec::new());
    let mut current: Option<Chain> = None;
    // From the first crossing once round to it again.
    for step in 0..=count {
        let (a, b) = (ring[(start + step) % count], ring[(start + step + 1) % count]);
        if is_right(&a) != is_right(&b) {
            let lat = a.1 + (b.1 - a.1) * (edge - a.0) / (b.0 - a.0);
            if let Some(mut chain) = current.take() {
                chain.leaves_at = lat;
                if is_right(&a) {
                    right.push(chain);
                } else {
                    left.push(chain);
                }
            }
            if step == count {
                break;
            }
            current = Some(Chain {
                enters_at: lat,
                leaves_at: lat,
                points: Vec::new(),
            });
        }
        if let Some(chain) = &mut current {
            chain.points.push(b);
        }
    }
    Pieces::Chains { left, right }
}

/// Joins chains along the meridian into rings: from where one leaves, north or south to where the next enters.
fn joined(chains: Vec<Chain>, edge: f64, north: bool) -> Vec<Vec<Point>> {
    let mut open: Vec<Option<Chain>> = chains.into_iter().map(Some).collect();
    let mut rings = Vec::new();
    while let Some(first) = open.iter().position(Option::is_some) {
        let mut ring: Vec<Point> = Vec::new();
        let mut next = Some(first);
        let mut start_lat = None;
        while let Some(index) = next {
            let Some(chain) = open[index].take() else { break };
            let start = *start_lat.get_or_insert(chain.enters_at);
            ring.push((edge, chain.enters_at));
            ring.extend(&chain.points);
            ring.push((edge, chain.leaves_at));
            let ahead = |lat: f64| {
                if north {
                    lat - chain.leaves_at
                } else {
                    chain.leaves_at - lat
                }
            };
            let home = ahead(start);
            next = open
                .iter()
                .enumerate()
                .filter_map(|(i, c)| c.as_ref().map(|c| (i, ahead(c.enters_at))))
                .filter(|(_, distance)| *distance >= 0.0 && (*distance < home || home < 0.0))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map(|(i, _)| i);
        }
        ring.dedup();
        if ring.len() >= 3 && doubled_area(&ring) != 0.0 {
            rings.push(ring);
        }
    }
    rings
}

/// Sorts rings into polygons: counter-clockwise ones are outer, clockwise ones are holes of the smallest that holds
/// them.
fn assembled(rings: Vec<Vec<Point>>) -> Vec<CutPolygon> {
    let (outer, holes): (Vec<_>, Vec<_>) = rings.into_iter().partition(|ring| doubled_area(ring) > 0.0);
    let mut polygons: Vec<CutPolygon> = outer
        .into_iter()
        .map(|outer| CutPolygon {
            outer,
            holes: Vec::new(),
        })
        .collect();
    for hole in holes {
        let around = polygons
            .iter_mut()
            .filter(|polygon| holds(&polygon.outer, &hole))
            .min_by(|a, b| doubled_area(&a.outer).total_cmp(&doubled_area(&b.outer)));
        if let Some(polygon) = around {
            polygon.holes.push(closed(hole));
        }
    }
    for polygon in &mut polygons {
        polygon.outer = closed(std::mem::take(&mut polygon.outer));
    }
    polygons
}

fn closed(mut ring: Vec<Point>) -> Vec<Point> {
    if let Some(first) = ring.first().copied()
        && ring.last() != Some(&first)
    {
        ring.push(first);
    }
    ring
}

/// Whether most points of `inner` lie inside the open ring `outer`; points on its line count either way.
fn holds(outer: &[Point], inner: &[Point]) -> bool {
    let inside = inner.iter().filter(|point| point_inside(outer, **point)).count();
    2 * inside > inner.len()
}

/// Even-odd rule along a line to the east.
fn point_inside(ring: &[Point], (x, y): Point) -> bool {
    let next = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(next)
        .filter(|(a, b)| (a.1 > y) != (b.1 > y) && x < a.0 + (y - a.1) / (b.1 - a.1) * (b.0 - a.0))
        .count()
        % 2
        == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place((lon_deg, lat_deg): Point) -> Position {
        Position {
            lat_deg,
            lon_deg: wrap_signed_degrees(lon_deg),
        }
    }

    fn ring(points: &[Point]) -> Vec<Position> {
        points.iter().copied().map(place).collect()
    }

    fn square(west: f64, south: f64, size: f64) -> Vec<Point> {
        vec![
            (west, south),
            (west + size, south),
            (west + size, south + size),
            (west, south + size),
        ]
    }

    fn reversed(mut points: Vec<Point>) -> Vec<Point> {
        points.reverse();
        points
    }

    fn area(polygons: &[CutPolygon]) -> f64 {
        polygons
            .iter()
            .map(|p| {
                let holes: f64 = p.holes.iter().map(|h| doubled_area(&h[1..])).sum();
                f64::midpoint(doubled_area(&p.outer[1..]), holes)
            })
            .sum()
    }

    fn check_form(polygons: &[CutPolygon]) {
        for polygon in polygons {
            assert_eq!(polygon.outer.first(), polygon.outer.last());
            assert!(doubled_area(&polygon.outer[1..]) > 0.0);
            for hole in &polygon.holes {
                assert_eq!(hole.first(), hole.last());
                assert!(doubled_area(&hole[1..]) < 0.0);
            }
            let points = polygon.outer.iter().chain(polygon.holes.iter().flatten());
            assert!(points.clone().all(|p| (-180.0..=180.0).contains(&p.0)));
        }
    }

    fn cut(outer: &[Point], holes: &[Vec<Point>]) -> Vec<CutPolygon> {
        let polygons = cut_polygons(&[PolygonDeg {
            outer: ring(outer),
            holes: holes.iter().map(|h| ring(h)).collect(),
        }]);
        check_form(&polygons);
        polygons
    }

    #[test]
    fn a_square_away_from_the_meridian_stays_as_it_is() {
        let polygons = cut(&reversed(square(10.0, 20.0, 2.0)), &[square(10.5, 20.5, 1.0)]);
        assert_eq!(polygons.len(), 1);
        assert!((area(&polygons) - 3.0).abs() < 1e-9);
    }

    // The example of RFC 7946 section 3.1.9: a polygon from 170 E to 170 W becomes one on each side.
    #[test]
    fn a_square_across_the_meridian_becomes_two() {
        for outer in [square(178.0, -18.0, 4.0), reversed(square(-182.0, -18.0, 4.0))] {
            let polygons = cut(&outer, &[]);
            assert_eq!(polygons.len(), 2);
            assert!((area(&polygons) - 16.0).abs() < 1e-9);
        }
    }

    #[test]
    fn holes_are_cut_with_their_polygon() {
        let across = reversed(square(179.0, -17.0, 2.0));
        let beside = reversed(square(178.2, -17.5, 0.5));
        let polygons = cut(&square(178.0, -18.0, 4.0), &[across, beside]);
        assert_eq!(polygons.len(), 2);
        assert!((area(&polygons) - (16.0 - 4.0 - 0.25)).abs() < 1e-9);
        assert_eq!(polygons.iter().map(|p| p.holes.len()).sum::<usize>(), 1);
    }

    #[test]
    fn a_comb_across_the_meridian_becomes_its_teeth() {
        // A back on the western side and three teeth that reach over to the eastern one.
        let comb = vec![
            (178.0, 0.0),
            (182.0, 0.0),
            (182.0, 1.0),
            (179.0, 1.0),
            (179.0, 2.0),
            (182.0, 2.0),
            (182.0, 3.0),
            (179.0, 3.0),
            (179.0, 4.0),
            (182.0, 4.0),
            (182.0, 5.0),
            (178.0, 5.0),
        ];
        let polygons = cut(&comb, &[]);
        assert_eq!(polygons.len(), 4);
        assert!((area(&polygons) - (20.0 - 6.0)).abs() < 1e-9);
    }

    #[test]
    fn a_ring_round_a_pole_is_closed_along_it() {
        let circle = |lat: f64, west: bool| -> Vec<Point> {
            let mut points: Vec<Point> = (0..36_u32).map(|i| (f64::from(i) * 10.0 - 175.0, lat)).collect();
            if west {
                points.reverse();
            }
            points
        };
        let north = cut(&circle(80.0, false), &[]);
        assert!((area(&north) - 3600.0).abs() < 1e-6);
        assert!(north.iter().flat_map(|p| &p.outer).any(|p| p.1 >= 90.0));
        let south = cut(&circle(-80.0, true), &[]);
        assert!((area(&south) - 3600.0).abs() < 1e-6);
        assert!(south.iter().flat_map(|p| &p.outer).any(|p| p.1 <= -90.0));
    }

    #[test]
    fn shapes_without_area_are_left_out() {
        assert!(cut(&[(1.0, 1.0), (2.0, 2.0)], &[]).is_empty());
        assert!(cut(&[(1.0, 1.0), (2.0, 2.0), (1.0, 1.0)], &[]).is_empty());
        let bad = PolygonDeg {
            outer: vec![
                Position {
                    lat_deg: f64::NAN,
                    lon_deg: 0.0,
                };
                5
            ],
            holes: vec![],
        };
        assert!(cut_polygons(&[bad]).is_empty());
    }

    #[test]
    fn a_line_is_cut_where_it_crosses() {
        let parts = cut_line(&ring(&[(178.0, 0.0), (182.0, 4.0), (176.0, 4.0)]));
        assert_eq!(parts.len(), 3);
        assert_eq!(
            parts[0][1],
            Position {
                lat_deg: 2.0,
                lon_deg: 180.0
            }
        );
        assert_eq!(
            parts[1][0],
            Position {
                lat_deg: 2.0,
                lon_deg: -180.0
            }
        );
        assert!(parts.iter().flatten().all(|p| p.lon_deg.abs() <= 180.0));
        assert!(cut_line(&[]).is_empty());
    }
}
