//! Level over azimuth around a station, with the pattern fitted to it and the bearing that follows.

mod panel;

use lobewright_types::{ArcDeg, CircleDensity, Mode};
use plotters::element::{Drawable, PointCollection};
use plotters_backend::{BackendCoord, DrawingErrorKind};

use crate::axes;
use crate::backend::{self, Sheet};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::path::Path;
use crate::plane::{Plane, Point};
use crate::style::{ANSWER, ASTRAY, FITTED, FRAME, GRID, INK, MEASURED, MUTED, PAPER, PROBABLE};
use crate::ticks::{multiples, percent, signed};
use crate::{PlotError, Size};

/// One level reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PolarReading {
    /// Where the antenna looked, in degrees from true north.
    pub azimuth_true_deg: f64,
    /// Signal level, noise taken off, in dB against the strongest fitted level; NaN where noise hides it.
    pub level_db: f64,
    /// Standard deviation of the level in dB.
    pub sigma_db: f64,
    /// Probability that the fitted pattern explains it, 0 to 1.
    pub explained: f64,
    /// Whether input samples stood at full scale.
    pub clipped: bool,
    /// Which burst, from 0: readings of one burst share a marker.
    pub burst: usize,
}

/// A second arrival.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PolarReflection {
    /// Its direction, in degrees from true north.
    pub azimuth_true_deg: f64,
    /// Its level in dB against the strongest fitted level.
    pub level_db: f64,
    /// Probability that it is there, 0 to 1.
    pub probability: f64,
}

/// What a polar plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct PolarPicture<'a> {
    /// Width and height.
    pub size: Size,
    /// The title.
    pub title: String,
    /// Name of the station.
    pub station: String,
    /// Readings; those that are not numbers are counted, not drawn.
    pub readings: Vec<PolarReading>,
    /// Fitted pattern as azimuth in degrees from true north and level in dB, in order round the circle.
    pub fitted: Vec<(f64, f64)>,
    /// Density of the bearing.
    pub density: &'a CircleDensity,
    /// Modes of the density, most probable first.
    pub modes: Vec<Mode>,
    /// Arcs that hold 95 %.
    pub arcs95: Vec<ArcDeg>,
    /// A second arrival, where one was found.
    pub reflection: Option<PolarReflection>,
    /// The true direction where it is known (simulations and trials), in degrees from true north.
    pub truth_true_deg: Option<f64>,
    /// Lines to be printed beside the plot.
    pub summary: Vec<String>,
}

const CENTRE: Point = (0.0, 0.0);
/// Radius of the strongest level; the rim of the dial is 1.
const LEVEL_RADIUS: f64 = 0.8;
/// Radius from which the density rises, and the height of its highest value above that.
const RING_RADIUS: f64 = 0.845;
const RING_HEIGHT: f64 = 1.0 - RING_RADIUS;

/// The circle on the sheet: a plane whose unit is the radius of the rim, its origin the centre.
struct Dial {
    plane: Plane,
    /// The radius of the rim.
    rim_px: f64,
    /// Level at the centre and at `LEVEL_RADIUS`.
    levels_db: (f64, f64),
}

impl Dial {
    fn new(sheet: &Sheet, centre: (f64, f64), rim_px: f64, levels_db: (f64, f64)) -> Self {
        let frame = Frame {
            x: centre.0 - rim_px,
            y: centre.1 - rim_px,
            width: 2.0 * rim_px,
            height: 2.0 * rim_px,
        };
        Self {
            plane: Plane::new(sheet, frame, -1.0..1.0, -1.0..1.0),
            rim_px,
            levels_db,
        }
    }

    /// A point of the plane at a distance from the centre: north up, clockwise.
    fn at(azimuth_deg: f64, radius: f64) -> Point {
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        (radius * sin, radius * cos)
    }

    /// The same on the sheet, in CSS pixels.
    fn px(&self, azimuth_deg: f64, radius: f64) -> (f64, f64) {
        self.plane.px(Self::at(azimuth_deg, radius))
    }

    fn radius(&self, level_db: f64) -> f64 {
        let (floor, top) = self.levels_db;
        ((level_db - floor) / (top - floor)).clamp(0.0, 1.03) * LEVEL_RADIUS
    }

    /// A radius that is longer by some pixels.
    fn beyond(&self, radius: f64, more_px: f64) -> f64 {
        radius + more_px / self.rim_px
    }

    /// Points along an arc, clockwise, at most half a degree apart.
    fn arc(from_deg: f64, width_deg: f64, radius: f64) -> Vec<Point> {
        let steps = (width_deg.abs() / 0.5).ceil().clamp(1.0, 1440.0);
        multiples(0.0, steps, 1.0)
            .into_iter()
            .map(|i| Self::at(from_deg + width_deg * i / steps, radius))
            .collect()
    }
}

/// Draws a polar plot: true north up, clockwise; levels as distance from the centre, the density of the bearing on
/// the outer ring.
///
/// # Errors
/// [`PlotError::Size`] where the size is out of range; a plot without readings is drawn without them.
pub fn polar(p: &PolarPicture) -> Result<String, PlotError> {
    let (width, height) = p.size.checked()?;
    let panel_width = (width * 0.29).clamp(110.0, 330.0);
    let room = (width - panel_width).min(height - 44.0);
    let outer = room / 2.0 - 34.0;
    let sheet = backend::sheet(width, height, &p.title);
    axes::title(&mut sheet.borrow_mut(), &p.title, width);
    let centre = ((width - panel_width) / 2.0, 44.0 + (height - 44.0) / 2.0);
    let dial = Dial::new(&sheet, centre, outer, level_range(p));
    draw_grid(&dial)?;
    draw_arcs(&dial, &p.arcs95)?;
    draw_density(&dial, p.density)?;
    draw_fitted(&dial, &p.fitted)?;
    draw_readings(&dial, &p.readings)?;
    draw_directions(&dial, p)?;
    draw_level_labels(&dial, &p.modes);
    let mut canvas = sheet.borrow_mut();
    panel::draw(
        &mut canvas,
        p,
        width - panel_width + 8.0,
        panel_width - 24.0,
        height,
    );
    Ok(canvas.finish())
}

/// The readings that can be drawn.
fn drawable(readings: &[PolarReading]) -> impl Iterator<Item = &PolarReading> {
    readings
        .iter()
        .filter(|r| r.azimuth_true_deg.is_finite() && r.level_db.is_finite())
}

/// The level at the centre and the strongest one, on whole steps.
fn level_range(p: &PolarPicture) -> (f64, f64) {
    let levels = || {
        drawable(&p.readings)
            .map(|r| r.level_db)
            .chain(p.fitted.iter().map(|(_, level)| *level))
            .filter(|level| level.is_finite())
    };
    let low = levels().fold(0.0, f64::min).max(-55.0);
    let high = levels().fold(0.0, f64::max).min(30.0);
    let top = if high > 1.0 {
        (high / 5.0).ceil() * 5.0
    } else {
        0.0
    };
    let floor = ((low / 5.0).floor() * 5.0 - 5.0).min(top - 20.0);
    (floor, top)
}

fn level_step(levels_db: (f64, f64)) -> f64 {
    if levels_db.1 - levels_db.0 > 30.0 {
        10.0
    } else {
        5.0
    }
}

fn draw_grid(dial: &Dial) -> Result<(), PlotError> {
    let plane = &dial.plane;
    plane.canvas().begin_group("grid");
    for level in multiples(dial.levels_db.0, dial.levels_db.1, level_step(dial.levels_db)) {
        let radius_px = dial.radius(level) * dial.rim_px;
        if radius_px > 1.0 {
            plane.circle(CENTRE, radius_px, Stroke::new(GRID, 1.0), "level_circle")?;
        }
    }
    for step in 0..36_u32 {
        let azimuth = f64::from(step) * 10.0;
        let long = step % 3 == 0;
        if long {
            let spoke = [CENTRE, Dial::at(azimuth, LEVEL_RADIUS)];
            plane.line(spoke, Stroke::new(GRID, 1.0), "")?;
        }
        let inward_px = if long { 9.0 } else { 5.0 };
        let tick = [
            Dial::at(azimuth, dial.beyond(RING_RADIUS, -inward_px)),
            Dial::at(azimuth, RING_RADIUS),
        ];
        plane.line(tick, Stroke::new(FRAME, 1.0), "")?;
    }
    plane.circle(CENTRE, RING_RADIUS * dial.rim_px, Stroke::new(FRAME, 1.2), "")?;
    plane.circle(CENTRE, dial.rim_px, Stroke::new(GRID, 1.0).dashed("2 3"), "")?;
    plane.canvas().end_group();
    draw_azimuth_labels(dial);
    Ok(())
}

fn draw_azimuth_labels(dial: &Dial) {
    let mut canvas = dial.plane.canvas();
    let radius = dial.beyond(1.0, 16.0);
    canvas.begin_group("azimuth_labels");
    for step in 0..12_u32 {
        let azimuth = f64::from(step) * 30.0;
        let (x, y) = dial.px(azimuth, radius);
        canvas.text(
            (x, y + 4.5),
            &format!("{azimuth:.0}°"),
            Text::new(13.0).anchor(Anchor::Middle).halo(),
        );
    }
    canvas.end_group();
    let (x, y) = dial.px(0.0, radius);
    canvas.text((x + 18.0, y + 4.5), "true north", Text::new(12.0).colour(MUTED));
    canvas.path(
        &Path::closed([(x - 26.0, y + 5.0), (x - 20.0, y - 9.0), (x - 14.0, y + 5.0)]),
        Some(Fill::solid(INK)),
        None,
        "north_mark",
    );
}

fn draw_arcs(dial: &Dial, arcs: &[ArcDeg]) -> Result<(), PlotError> {
    let plane = &dial.plane;
    plane.canvas().begin_group("arcs95");
    for arc in arcs
        .iter()
        .filter(|a| a.width_deg.is_finite() && a.width_deg > 0.0)
    {
        let (from, width) = (arc.from.degrees(), arc.width_deg.min(360.0));
        let rim = Dial::arc(from, width, RING_RADIUS);
        if width < 359.9 {
            let wedge = std::iter::once(CENTRE).chain(rim.iter().copied());
            plane.polygon(wedge, Fill::new(ANSWER, 0.09), "wedge95")?;
        }
        plane.line(rim, Stroke::new(ANSWER, 3.5), "arc95")?;
    }
    plane.canvas().end_group();
    Ok(())
}

fn draw_density(dial: &Dial, density: &CircleDensity) -> Result<(), PlotError> {
    let mut azimuths: Vec<f64> = density.azimuths_deg().to_vec();
    azimuths.extend((0..720_u32).map(|i| f64::from(i) * 0.5));
    azimuths.sort_by(f64::total_cmp);
    azimuths.dedup();
    let value = |deg: f64| density.density_per_deg(lobewright_types::Azimuth::from_degrees(deg));
    let highest = azimuths.iter().map(|deg| value(*deg)).fold(0.0, f64::max);
    if !(highest > 0.0 && highest.is_finite()) {
        return Ok(());
    }
    let edge = azimuths
        .iter()
        .map(|deg| Dial::at(*deg, RING_RADIUS + RING_HEIGHT * value(*deg) / highest))
        .collect();
    dial.plane.rings(
        [edge, Dial::arc(0.0, 359.5, RING_RADIUS)],
        Fill::new(PROBABLE, 0.85),
        Stroke::new(PROBABLE, 1.0),
        "density",
    )
}

fn draw_fitted(dial: &Dial, fitted: &[(f64, f64)]) -> Result<(), PlotError> {
    let mut points: Vec<Point> = fitted
        .iter()
        .map(|(azimuth, level)| Dial::at(*azimuth, dial.radius(*level)))
        .filter(|(x, y)| x.is_finite() && y.is_finite())
        .collect();
    if points.len() > 2 {
        points.push(points[0]);
    }
    dial.plane.line(points, Stroke::new(FITTED, 2.2), "fitted")
}

fn draw_readings(dial: &Dial, readings: &[PolarReading]) -> Result<(), PlotError> {
    let plane = &dial.plane;
    plane.canvas().begin_group("readings");
    // So many error bars would hide the points.
    let bar = if readings.len() > 150 { 0.25 } else { 0.6 };
    for reading in drawable(readings) {
        if reading.sigma_db.is_finite() && reading.sigma_db > 0.0 {
            let ends = [-1.0, 1.0].map(|side| {
                let level = reading.level_db + side * reading.sigma_db;
                Dial::at(reading.azimuth_true_deg, dial.radius(level))
            });
            plane.line(ends, Stroke::new(MEASURED, 1.0).opacity(bar), "error_bar")?;
        }
    }
    let size_px = if readings.len() > 150 { 2.6 } else { 3.6 };
    for reading in drawable(readings) {
        let at = Dial::at(reading.azimuth_true_deg, dial.radius(reading.level_db));
        plane.draw(&Marker { at, size_px, reading })?;
    }
    plane.canvas().end_group();
    Ok(())
}

/// A reading as an element of `plotters`.
struct Marker<'r> {
    at: Point,
    size_px: f64,
    reading: &'r PolarReading,
}

impl<'a> PointCollection<'a, Point> for &'a Marker<'_> {
    type Point = &'a Point;
    type IntoIter = std::iter::Once<&'a Point>;

    fn point_iter(self) -> Self::IntoIter {
        std::iter::once(&self.at)
    }
}

impl Drawable<Canvas> for Marker<'_> {
    fn draw<I: Iterator<Item = BackendCoord>>(
        &self,
        pos: I,
        backend: &mut Canvas,
        _parent_dim: (u32, u32),
    ) -> Result<(), DrawingErrorKind<std::convert::Infallible>> {
        for at in pos {
            draw_marker(backend, backend::px(at), self.size_px, self.reading);
        }
        Ok(())
    }
}

/// A marker: its shape is the burst's, filled as far as the model explains the reading, ringed where clipped.
fn draw_marker(canvas: &mut Canvas, (x, y): (f64, f64), size: f64, reading: &PolarReading) {
    let explained = if reading.explained.is_finite() {
        reading.explained.clamp(0.0, 1.0)
    } else {
        0.0
    };
    let colour = if explained < 0.5 { ASTRAY } else { MEASURED };
    let stroke = Stroke::new(colour, 1.3);
    let outline = match reading.burst % 4 {
        0 => None,
        1 => Some(vec![(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)]),
        2 => Some(vec![(0.0, -1.2), (1.1, 0.8), (-1.1, 0.8)]),
        _ => Some(vec![(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)]),
    };
    let corner = |(dx, dy): (f64, f64)| (x + dx * size, y + dy * size);
    let path = outline.map(|corners| Path::closed(corners.into_iter().map(corner)));
    let layers = [
        (Some(Fill::solid(PAPER)), None),
        (Some(Fill::new(colour, explained)), Some(stroke)),
    ];
    for (fill, stroke) in layers {
        match &path {
            None => canvas.circle((x, y), size, fill, stroke, "reading"),
            Some(path) => canvas.path(path, fill, stroke, "reading"),
        }
    }
    if reading.clipped {
        canvas.circle((x, y), size + 3.0, None, Some(Stroke::new(INK, 1.1)), "clipped");
    }
}

fn draw_directions(dial: &Dial, p: &PolarPicture) -> Result<(), PlotError> {
    let plane = &dial.plane;
    let spoke = |azimuth_deg: f64| [CENTRE, Dial::at(azimuth_deg, 1.0)];
    plane.canvas().begin_group("directions");
    if let Some(reflection) = p.reflection.filter(|r| r.azimuth_true_deg.is_finite()) {
        let azimuth = reflection.azimuth_true_deg;
        let stroke = Stroke::new(ASTRAY, 2.0).dashed("3 4");
        plane.line(spoke(azimuth), stroke, "reflection")?;
        if reflection.level_db.is_finite() {
            let at = dial.px(azimuth, dial.radius(reflection.level_db));
            plane.canvas().circle(
                at,
                5.0,
                Some(Fill::solid(ASTRAY)),
                Some(Stroke::new(PAPER, 1.0)),
                "",
            );
        }
    }
    if let Some(truth) = p.truth_true_deg.filter(|t| t.is_finite()) {
        plane.line(spoke(truth), Stroke::new(INK, 1.4).dashed("9 5"), "truth")?;
    }
    for (index, mode) in p.modes.iter().enumerate().rev() {
        let azimuth = mode.azimuth.degrees();
        let (stroke, class) = if index == 0 {
            (Stroke::new(ANSWER, 2.4), "bearing")
        } else {
            (Stroke::new(ANSWER, 1.6).dashed("7 4"), "other_mode")
        };
        plane.line(spoke(azimuth), stroke, class)?;
        if p.modes.len() > 1 {
            let (x, y) = dial.px(azimuth, LEVEL_RADIUS * 0.9);
            let text = Text::new(12.0).colour(ANSWER).halo();
            plane
                .canvas()
                .text((x + 7.0, y + 4.0), &percent(mode.probability), text);
        }
    }
    let mut canvas = plane.canvas();
    canvas.circle(plane.px(CENTRE), 3.5, Some(Fill::solid(INK)), None, "");
    canvas.end_group();
    Ok(())
}

/// Writes the level of each circle along a spoke that the bearing does not use.
fn draw_level_labels(dial: &Dial, modes: &[Mode]) {
    let free = |spoke: &f64| {
        modes
            .iter()
            .map(|m| lobewright_types::wrap_signed_degrees(m.azimuth.degrees() - spoke).abs())
            .fold(180.0, f64::min)
    };
    let spoke = [105.0, 165.0, 255.0, 285.0, 75.0, 15.0]
        .into_iter()
        .max_by(|a, b| {
            free(a)
                .min(35.0)
                .total_cmp(&free(b).min(35.0))
                .then(b.total_cmp(a))
        })
        .unwrap_or(105.0);
    let mut canvas = dial.plane.canvas();
    canvas.begin_group("level_labels");
    for level in multiples(dial.levels_db.0, dial.levels_db.1, level_step(dial.levels_db)) {
        let radius = dial.radius(level);
        if radius * dial.rim_px > 24.0 {
            let (x, y) = dial.px(spoke, radius);
            // The first ring says what all of them are counted from.
            let reference = if level.abs() < 1e-9 { " re peak" } else { "" };
            let words = format!("{} dB{reference}", signed(level, 0));
            canvas.text(
                (x, y + 4.0),
                &words,
                Text::new(11.0).anchor(Anchor::Middle).colour(MUTED).halo(),
            );
        }
    }
    canvas.end_group();
}
