//! How lines of sight cross, in a plane: enough to choose starts and a search radius and to see a hopeless case.

use lobewright_geodesy::{LocalFrame, direct};
use lobewright_types::{Azimuth, Position, True};

use crate::linear::Ray;
use crate::places::Places;

/// Places looked at: pairs grow with the square.
const MAX_LINES: usize = 48;
/// Length of geodesic that gives a line its direction in the frame.
const PROBE_M: f64 = 1_000.0;
/// Standard deviations by which a line may be turned to make two cross in front.
const SLACK_SIGMAS: f64 = 2.0;

/// A line of sight in a local frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) place: usize,
    start_m: (f64, f64),
    /// Direction in the frame, radians clockwise from its north.
    heading_rad: f64,
    pub(crate) sigma_deg: f64,
}

impl Line {
    fn new(
        frame: LocalFrame,
        place: usize,
        position: Position,
        azimuth: Azimuth<True>,
        sigma_deg: f64,
    ) -> Self {
        let start_m = frame.to_local(position);
        let ahead = frame.to_local(direct(position, azimuth, PROBE_M));
        Self {
            place,
            start_m,
            heading_rad: (ahead.0 - start_m.0).atan2(ahead.1 - start_m.1),
            sigma_deg,
        }
    }

    fn at(&self, range_m: f64) -> (f64, f64) {
        let (sin, cos) = self.heading_rad.sin_cos();
        (self.start_m.0 + range_m * sin, self.start_m.1 + range_m * cos)
    }

    fn turned(&self, deg: f64) -> Self {
        Self {
            heading_rad: self.heading_rad + deg.to_radians(),
            ..*self
        }
    }
}

/// How two lines of sight meet.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Crossing {
    /// Angle between the lines, 0 to 90.
    pub(crate) angle_deg: f64,
    /// The angle over the lines' joint standard deviation.
    pub(crate) angle_sigmas: f64,
    /// Where they cross in front of both.
    pub(crate) front_m: Option<(f64, f64)>,
    /// Whether they do so when each may be off by two standard deviations.
    pub(crate) front_possible: bool,
}

/// Ranges along two lines to their crossing.
fn ranges(a: &Line, b: &Line) -> Option<(f64, f64)> {
    let turn = (b.heading_rad - a.heading_rad).sin();
    if turn.abs() < 1e-9 {
        return None;
    }
    let (east, north) = (b.start_m.0 - a.start_m.0, b.start_m.1 - a.start_m.1);
    let (sin_a, cos_a) = a.heading_rad.sin_cos();
    let (sin_b, cos_b) = b.heading_rad.sin_cos();
    let along = |sin: f64, cos: f64| (north * sin - east * cos) / turn;
    Some((along(sin_b, cos_b), along(sin_a, cos_a)))
}

pub(crate) fn cross(a: &Line, b: &Line) -> Crossing {
    let sine = (b.heading_rad - a.heading_rad).sin().abs();
    let angle_deg = sine.min(1.0).asin().to_degrees();
    let front = |a: &Line, b: &Line| ranges(a, b).filter(|r| r.0 > 0.0 && r.1 > 0.0).map(|r| a.at(r.0));
    let slack = [-SLACK_SIGMAS, 0.0, SLACK_SIGMAS];
    let front_possible = slack.iter().any(|i| {
        slack
            .iter()
            .any(|j| front(&a.turned(i * a.sigma_deg), &b.turned(j * b.sigma_deg)).is_some())
    });
    Crossing {
        angle_deg,
        angle_sigmas: angle_deg / a.sigma_deg.hypot(b.sigma_deg).max(1e-9),
        front_m: front(a, b),
        front_possible,
    }
}

/// Every line of sight of the places (at most 48, evenly chosen), one for each mode of 5 % or more.
pub(crate) fn lines(places: &Places, frame: LocalFrame) -> Vec<Line> {
    let count = places.list.len();
    let take = count.min(MAX_LINES);
    (0..take)
        .map(|k| k * count / take)
        .flat_map(|k| {
            let place = &places.list[k];
            place
                .modes
                .iter()
                .map(move |m| Line::new(frame, k, place.position, m.azimuth, m.sigma_deg.max(1e-4)))
        })
        .collect()
}

/// Crossings of lines from different places.
pub(crate) fn crossings(lines: &[Line]) -> Vec<Crossing> {
    let mut all = Vec::new();
    for (i, a) in lines.iter().enumerate() {
        for b in &lines[i + 1..] {
            if a.place != b.place {
                all.push(cross(a, b));
            }
        }
    }
    all
}

/// How far from the frame's origin the lines point to: the distance that three quarters of the lines' best crossings lie
/// within, stretched by how uncertain each is along its lines. `None` where no two lines cross in front at a clear angle.
pub(crate) fn crossing_reach_m(lines: &[Line]) -> Option<f64> {
    let mut reach: Vec<f64> = Vec::new();
    for (i, a) in lines.iter().enumerate() {
        let best = lines
            .iter()
            .enumerate()
            .filter(|&(j, b)| j != i && a.place != b.place)
            .map(|(_, b)| cross(a, b))
            .filter(|c| c.front_m.is_some() && c.angle_sigmas > 2.0)
            .max_by(|x, y| x.angle_sigmas.total_cmp(&y.angle_sigmas));
        if let Some(Crossing {
            front_m: Some(at),
            angle_sigmas,
            ..
        }) = best
        {
            reach.push(at.0.hypot(at.1) * (1.0 + 3.0 / angle_sigmas));
        }
    }
    reach.sort_by(f64::total_cmp);
    let last = reach.len().checked_sub(1)?;
    Some(reach[(3 * last).div_ceil(4)])
}

/// Places to start a descent from: the point nearest to all lines, and crossings of pairs, widest angle first.
pub(crate) fn starts(rays: &[Ray], limit: usize) -> Vec<Position> {
    let frame = LocalFrame::at(rays[rays.len() / 2].position);
    let take = rays.len().min(MAX_LINES);
    let lines: Vec<Line> = (0..take)
        .map(|k| k * rays.len() / take)
        .map(|k| Line::new(frame, k, rays[k].position, rays[k].azimuth, rays[k].sigma_deg))
        .collect();
    let mut found: Vec<(f64, (f64, f64))> = Vec::new();
    if let Some(point) = nearest_to_all(&lines) {
        found.push((f64::INFINITY, point));
    }
    for c in crossings(&lines) {
        if let Some(point) = c.front_m {
            found.push((c.angle_deg, point));
        }
    }
    found.retain(|f| f.1.0.hypot(f.1.1) < 2e6);
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(limit);
    found
        .into_iter()
        .map(|(_, p)| frame.from_local(p.0, p.1))
        .collect()
}

/// Least squares of the distances to the lines.
fn nearest_to_all(lines: &[Line]) -> Option<(f64, f64)> {
    let (mut ee, mut en, mut nn, mut e, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for line in lines {
        let (sin, cos) = line.heading_rad.sin_cos();
        let offset = line.start_m.0 * cos - line.start_m.1 * sin;
        ee += cos * cos;
        en -= sin * cos;
        nn += sin * sin;
        e += cos * offset;
        n -= sin * offset;
    }
    let det = ee * nn - en * en;
    (det > 1e-9 * ee.max(nn).powi(2)).then(|| ((nn * e - en * n) / det, (ee * n - en * e) / det))
}
