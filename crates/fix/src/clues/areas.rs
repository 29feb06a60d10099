//! Areas that the transmitter must, or cannot, be in.

use lobewright_geodesy::{LocalFrame, ring_area_km2};
use lobewright_types::{AreaClue, AreaRule, FixStatement, PolygonDeg, Position, wrap_signed_degrees};

use super::Spot;

/// Edges are straight in longitude and latitude (RFC 7946, section 3.1.1). In the local frame they bend; cut into pieces no
/// longer than this they lie within half a metre of their chord up to 70 degrees of latitude.
const PIECE_DEG: f64 = 0.02;
/// Most pieces of an edge.
const MOST_PIECES: f64 = 512.0;
/// What the frame stretches and the pieces bend, as a share of a distance and in metres.
const STRETCH: f64 = 1.01;
const BEND_M: f64 = 2.0;

/// A rule that is broken with more than this probability is said to be.
const SAID: f64 = 0.05;

/// The areas of both rules.
#[derive(Debug)]
pub(crate) struct Areas {
    inside: Rule,
    outside: Rule,
}

/// The areas of one rule, taken together.
#[derive(Debug, Default)]
struct Rule {
    polygons: Vec<Outline>,
    /// Log of the factor where the rule is broken.
    broken_ln: f64,
}

/// A polygon and what a disc is held against.
#[derive(Debug)]
struct Outline {
    name: String,
    polygon: PolygonDeg,
    /// Pieces of its rings in the local frame.
    pieces: Vec<[(f64, f64); 2]>,
    /// Lowest and highest latitude: most points need no more.
    lat_deg: (f64, f64),
}

impl Areas {
    /// `doubt` is the chance that a rule's areas are wrong; `limit_km2` the largest area that is searched.
    pub(crate) fn new(clues: &[AreaClue], doubt: f64, (frame, limit_km2): (LocalFrame, f64)) -> Self {
        let of = |rule: AreaRule| -> Vec<Outline> {
            clues
                .iter()
                .filter(|c| c.rule == rule)
                .flat_map(|c| c.polygons.iter().map(|p| (&c.name, p)))
                .filter(|(_, p)| good_ring(&p.outer) && p.holes.iter().all(|h| good_ring(h)))
                .map(|(name, p)| Outline::new(name, p, frame))
                .collect()
        };
        // The chance of a wrong rule is spread over the part that the rule forbids, but never makes a forbidden place more
        // likely than the factor `doubt`: the mass there stays at the doubt or under it, however small the allowed part.
        let ln = |allowed_km2: f64| {
            let forbidden_km2 = (limit_km2 - allowed_km2).max(1e-3 * limit_km2);
            (doubt * (allowed_km2 / forbidden_km2).clamp(1e-12, 1.0)).ln()
        };
        let (inside, outside) = (of(AreaRule::Inside), of(AreaRule::Outside));
        let size = |list: &[Outline]| list.iter().map(|o| area_km2(&o.polygon)).sum::<f64>();
        let (inside_ln, outside_ln) = (ln(size(&inside)), ln(limit_km2 - size(&outside)));
        Self {
            inside: Rule {
                polygons: inside,
                broken_ln: inside_ln,
            },
            outside: Rule {
                polygons: outside,
                broken_ln: outside_ln,
            },
        }
    }

    pub(crate) fn any(&self) -> bool {
        self.confine() || !self.outside.polygons.is_empty()
    }

    /// Whether the transmitter is said to be inside something.
    pub(crate) fn confine(&self) -> bool {
        !self.inside.polygons.is_empty()
    }

    pub(crate) fn ln_at(&self, at: Position) -> f64 {
        let mut ln = 0.0;
        if self.confine() && !self.inside.holds(at) {
            ln += self.inside.broken_ln;
        }
        if self.outside.holds(at) {
            ln += self.outside.broken_ln;
        }
        ln
    }

    pub(crate) fn ln_bound(&self, spot: &Spot, radius_m: f64) -> f64 {
        let whole = |rule: &Rule| !rule.edge_within(spot.local_m, radius_m);
        let mut ln = 0.0;
        if self.confine() && !self.inside.holds(spot.position) && whole(&self.inside) {
            ln += self.inside.broken_ln;
        }
        if self.outside.holds(spot.position) && whole(&self.outside) {
            ln += self.outside.broken_ln;
        }
        ln
    }

    /// Rules that the posterior, given as places with their mass, breaks.
    pub(crate) fn statements(&self, posterior: &[(Position, f64)]) -> Vec<FixStatement> {
        let mass = |broken: &dyn Fn(Position) -> bool| -> f64 {
            posterior.iter().filter(|p| broken(p.0)).map(|p| p.1).sum()
        };
        let mut all = Vec::new();
        if self.confine() {
            let probability = mass(&|at| !self.inside.holds(at)).min(1.0);
            all.push((AreaRule::Inside, self.inside.names(|_| true), probability));
        }
        if !self.outside.polygons.is_empty() {
            let probability = mass(&|at| self.outside.holds(at)).min(1.0);
            let names = self
                .outside
                .names(|o| mass(&|at| o.holds(at)) > 0.2 * probability);
            all.push((AreaRule::Outside, names, probability));
        }
        all.into_iter()
            .filter(|(_, _, probability)| *probability > SAID)
            .map(|(rule, names, probability)| FixStatement::AgainstAreas {
                rule,
                names,
                probability,
            })
            .collect()
    }

    pub(crate) fn cost(&self) -> f64 {
        let corners = |rule: &Rule| {
            rule.polygons
                .iter()
                .map(|o| o.polygon.outer.len() + o.polygon.holes.iter().map(Vec::len).sum::<usize>())
                .sum::<usize>() as f64
        };
        // An edge is passed over in a tenth of a lookup.
        0.1 * (corners(&self.inside) + corners(&self.outside))
    }

    /// How far from the frame's middle the areas to be in reach.
    pub(crate) fn reach_m(&self) -> f64 {
        self.inside
            .polygons
            .iter()
            .flat_map(|o| &o.pieces)
            .map(|p| p[0].0.hypot(p[0].1))
            .fold(0.0, f64::max)
    }
}

impl Rule {
    fn holds(&self, at: Position) -> bool {
        self.polygons.iter().any(|o| o.holds(at))
    }

    /// Names of the areas, each once, of those that `which` picks.
    fn names(&self, which: impl Fn(&Outline) -> bool) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for outline in self.polygons.iter().filter(|o| which(o)) {
            if !names.contains(&outline.name) {
                names.push(outline.name.clone());
            }
        }
        names
    }

    /// Whether any ring passes through a disc.
    fn edge_within(&self, centre_m: (f64, f64), radius_m: f64) -> bool {
        let reach_m = STRETCH * radius_m + BEND_M;
        self.polygons
            .iter()
            .flat_map(|o| &o.pieces)
            .any(|p| distance_m(p, centre_m) <= reach_m)
    }
}

impl Outline {
    fn holds(&self, at: Position) -> bool {
        (self.lat_deg.0..=self.lat_deg.1).contains(&at.lat_deg) && self.polygon.contains(at)
    }

    fn new(name: &str, polygon: &PolygonDeg, frame: LocalFrame) -> Self {
        let lat =
            |pick: fn(f64, f64) -> f64, from: f64| polygon.outer.iter().map(|p| p.lat_deg).fold(from, pick);
        let mut pieces = Vec::new();
        for ring in std::iter::once(&polygon.outer).chain(&polygon.holes) {
            let line: Vec<(f64, f64)> = (0..ring.len())
                .flat_map(|i| cut(ring[i], ring[(i + 1) % ring.len()]))
                .map(|p| frame.to_local(p))
                .collect();
            pieces.extend((0..line.len()).map(|i| [line[i], line[(i + 1) % line.len()]]));
        }
        Self {
            name: name.to_owned(),
            lat_deg: (lat(f64::min, f64::INFINITY), lat(f64::max, f64::NEG_INFINITY)),
            polygon: polygon.clone(),
            pieces,
        }
    }
}

/// Points along an edge, its end not included.
fn cut(a: Position, b: Position) -> impl Iterator<Item = Position> {
    let east_deg = wrap_signed_degrees(b.lon_deg - a.lon_deg);
    let north_deg = b.lat_deg - a.lat_deg;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "1 to MOST_PIECES"
    )]
    let count = (east_deg.hypot(north_deg) / PIECE_DEG)
        .ceil()
        .clamp(1.0, MOST_PIECES) as usize;
    (0..count).map(move |k| {
        let share = k as f64 / count as f64;
        Position {
            lat_deg: a.lat_deg + share * north_deg,
            lon_deg: wrap_signed_degrees(a.lon_deg + share * east_deg),
        }
    })
}

fn good_ring(ring: &[Position]) -> bool {
    ring.len() >= 3
        && ring
            .iter()
            .all(|p| p.lat_deg.abs() <= 90.0 && p.lon_deg.is_finite())
}

fn area_km2(polygon: &PolygonDeg) -> f64 {
    let holes: f64 = polygon.holes.iter().map(|h| ring_area_km2(h)).sum();
    (ring_area_km2(&polygon.outer) - holes).max(0.0)
}

/// From a point to a stretch of line.
fn distance_m([a, b]: &[(f64, f64); 2], p: (f64, f64)) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = dx * dx + dy * dy;
    let along = if length2 > 0.0 {
        (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}
