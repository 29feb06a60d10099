//! Level over azimuth around a station, with the pattern fitted to it and the bearing that follows.

mod panel;

use lobewright_types::{ArcDeg, CircleDensity, Mode};

use crate::axes;
use crate::canvas::{Anchor, Canvas, Fill, Stroke, Text};
use crate::path::Path;
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

/// The circle on the page.
struct Dial {
    centre: (f64, f64),
    /// Radius of the strongest level.
    level_radius: f64,
    /// Radius from which the density rises.
    ring_radius: f64,
    /// Height of the highest density above that.
    ring_height: f64,
    /// Level at the centre and at `level_radius`.
    levels_db: (f64, f64),
}

impl Dial {
    /// A point at a distance from the centre: north up, clockwise.
    fn at(&self, azimuth_deg: f64, radius: f64) -> (f64, f64) {
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        (self.centre.0 + radius * sin, self.centre.1 - radius * cos)
    }

    fn radius(&self, level_db: f64) -> f64 {
        let (floor, top) = self.levels_db;
        ((level_db - floor) / (top - floor)).clamp(0.0, 1.03) * self.level_radius
    }

    fn outer(&self) -> f64 {
        self.ring_radius + self.ring_height
    }

    /// Points along an arc, clockwise, at most half a degree apart.
    fn arc(&self, from_deg: f64, width_deg: f64, radius: f64) -> Vec<(f64, f64)> {
        let steps = (width_deg.abs() / 0.5).ceil().clamp(1.0, 1440.0);
        multiples(0.0, steps, 1.0)
            .into_iter()
            .map(|i| self.at(from_deg + width_deg * i / steps, radius))
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
    let dial = Dial {
        centre: ((width - panel_width) / 2.0, 44.0 + (height - 44.0) / 2.0),
        level_radius: outer * 0.8,
        ring_radius: outer * 0.845,
        ring_height: outer * 0.155,
        levels_db: level_range(p),
    };
    let mut canvas = Canvas::new(width, height, &p.title);
    axes::title(&mut canvas, &p.title, width);
    draw_grid(&mut canvas, &dial);
    draw_arcs(&mut canvas, &dial, &p.arcs95);
    draw_density(&mut canvas, &dial, p.density);
    draw_fitted(&mut canvas, &dial, &p.fitted);
    draw_readings(&mut canvas, &dial, &p.readings);
    draw_directions(&mut canvas, &dial, p);
    draw_level_labels(&mut canvas, &dial, &p.modes);
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

fn draw_grid(canvas: &mut Canvas, dial: &Dial) {
    canvas.begin_group("grid");
    for level in multiples(dial.levels_db.0, dial.levels_db.1, level_step(dial.levels_db)) {
        let radius = dial.radius(level);
        if radius > 1.0 {
            canvas.circle(
                dial.centre,
                radius,
                None,
                Some(Stroke::new(GRID, 1.0)),
                "level_circle",
            );
        }
    }
    for step in 0..36_u32 {
        let azimuth = f64::from(step) * 10.0;
        let long = step % 3 == 0;
        if long {
            let spoke = Stroke::new(GRID, 1.0);
            canvas.line(dial.at(azimuth, 0.0), dial.at(azimuth, dial.level_radius), spoke);
        }
        let inward = if long { 9.0 } else { 5.0 };
        canvas.line(
            dial.at(azimuth, dial.ring_radius - inward),
            dial.at(azimuth, dial.ring_radius),
            Stroke::new(FRAME, 1.0),
        );
    }
    canvas.circle(
        dial.centre,
        dial.ring_radius,
        None,
        Some(Stroke::new(FRAME, 1.2)),
        "",
    );
    let rim = Stroke::new(GRID, 1.0).dashed("2 3");
    canvas.circle(dial.centre, dial.outer(), None, Some(rim), "");
    canvas.end_group();
    canvas.begin_group("azimuth_labels");
    for step in 0..12_u32 {
        let azimuth = f64::from(step) * 30.0;
        let (x, y) = dial.at(azimuth, dial.outer() + 16.0);
        canvas.text(
            (x, y + 4.5),
            &format!("{azimuth:.0}°"),
            Text::new(13.0).anchor(Anchor::Middle).halo(),
        );
    }
    canvas.end_group();
    let (x, y) = dial.at(0.0, dial.outer() + 16.0);
    canvas.text((x + 18.0, y + 4.5), "true north", Text::new(12.0).colour(MUTED));
    canvas.path(
        &Path::closed([(x - 26.0, y + 5.0), (x - 20.0, y - 9.0), (x - 14.0, y + 5.0)]),
        Some(Fill::solid(INK)),
        None,
        "north_mark",
    );
}

fn draw_arcs(canvas: &mut Canvas, dial: &Dial, arcs: &[ArcDeg]) {
    canvas.begin_group("arcs95");
    for arc in arcs
        .iter()
        .filter(|a| a.width_deg.is_finite() && a.width_deg > 0.0)
    {
        let (from, width) = (arc.from.degrees(), arc.width_deg.min(360.0));
        let rim = dial.arc(from, width, dial.ring_radius);
        if width < 359.9 {
            let wedge = Path::closed(std::iter::once(dial.centre).chain(rim.iter().copied()));
            canvas.path(&wedge, Some(Fill::new(ANSWER, 0.09)), None, "wedge95");
        }
        canvas.path(&Path::line(rim), None, Some(Stroke::new(ANSWER, 3.5)), "arc95");
    }
    canvas.end_group();
}

fn draw_density(canvas: &mut Canvas, dial: &Dial, density: &CircleDensity) {
    let mut azimuths: Vec<f64> = density.azimuths_deg().to_vec();
    azimuths.extend((0..720_u32).map(|i| f64::from(i) * 0.5));
    azimuths.sort_by(f64::total_cmp);
    azimuths.dedup();
    let value = |deg: f64| density.density_per_deg(lobewright_types::Azimuth::from_degrees(deg));
    let highest = azimuths.iter().map(|deg| value(*deg)).fold(0.0, f64::max);
    if !(highest > 0.0 && highest.is_finite()) {
        return;
    }
    let edge = azimuths
        .iter()
        .map(|deg| dial.at(*deg, dial.ring_radius + dial.ring_height * value(*deg) / highest));
    let mut outline = Path::closed(edge);
    outline.add_closed(dial.arc(0.0, 359.5, dial.ring_radius));
    canvas.path(
        &outline,
        Some(Fill::new(PROBABLE, 0.85)),
        Some(Stroke::new(PROBABLE, 1.0)),
        "density",
    );
}

fn draw_fitted(canvas: &mut Canvas, dial: &Dial, fitted: &[(f64, f64)]) {
    let points = fitted
        .iter()
        .map(|(azimuth, level)| dial.at(*azimuth, dial.radius(*level)));
    let path = if fitted.len() > 2 {
        Path::closed(points)
    } else {
        Path::line(points)
    };
    canvas.path(&path, None, Some(Stroke::new(FITTED, 2.2)), "fitted");
}

fn draw_readings(canvas: &mut Canvas, dial: &Dial, readings: &[PolarReading]) {
    canvas.begin_group("readings");
    // So many error bars would hide the points.
    let bar = if readings.len() > 150 { 0.25 } else { 0.6 };
    for reading in drawable(readings) {
        if reading.sigma_db.is_finite() && reading.sigma_db > 0.0 {
            let end = |level: f64| dial.at(reading.azimuth_true_deg, dial.radius(level));
            canvas.path(
                &Path::line([
                    end(reading.level_db - reading.sigma_db),
                    end(reading.level_db + reading.sigma_db),
                ]),
                None,
                Some(Stroke::new(MEASURED, 1.0).opacity(bar)),
                "error_bar",
            );
        }
    }
    let size = if readings.len() > 150 { 2.6 } else { 3.6 };
    for reading in drawable(readings) {
        let at = dial.at(reading.azimuth_true_deg, dial.radius(reading.level_db));
        draw_marker(canvas, at, size, reading);
    }
    canvas.end_group();
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

fn draw_directions(canvas: &mut Canvas, dial: &Dial, p: &PolarPicture) {
    canvas.begin_group("directions");
    if let Some(reflection) = p.reflection.filter(|r| r.azimuth_true_deg.is_finite()) {
        let azimuth = reflection.azimuth_true_deg;
        let line = Path::line([dial.centre, dial.at(azimuth, dial.outer())]);
        canvas.path(
            &line,
            None,
            Some(Stroke::new(ASTRAY, 2.0).dashed("3 4")),
            "reflection",
        );
        if reflection.level_db.is_finite() {
            let at = dial.at(azimuth, dial.radius(reflection.level_db));
            canvas.circle(
                at,
                5.0,
                Some(Fill::solid(ASTRAY)),
                Some(Stroke::new(PAPER, 1.0)),
                "",
            );
        }
    }
    if let Some(truth) = p.truth_true_deg.filter(|t| t.is_finite()) {
        let line = Path::line([dial.centre, dial.at(truth, dial.outer())]);
        canvas.path(&line, None, Some(Stroke::new(INK, 1.4).dashed("9 5")), "truth");
    }
    for (index, mode) in p.modes.iter().enumerate().rev() {
        let azimuth = mode.azimuth.degrees();
        let tip = dial.at(azimuth, dial.outer());
        let (stroke, class) = if index == 0 {
            (Stroke::new(ANSWER, 2.4), "bearing")
        } else {
            (Stroke::new(ANSWER, 1.6).dashed("7 4"), "other_mode")
        };
        canvas.path(&Path::line([dial.centre, tip]), None, Some(stroke), class);
        if p.modes.len() > 1 {
            let (x, y) = dial.at(azimuth, dial.level_radius * 0.9);
            let words = percent(mode.probability);
            canvas.text((x + 7.0, y + 4.0), &words, Text::new(12.0).colour(ANSWER).halo());
        }
    }
    canvas.circle(dial.centre, 3.5, Some(Fill::solid(INK)), None, "");
    canvas.end_group();
}

/// Writes the level of each circle along a spoke that the bearing does not use.
fn draw_level_labels(canvas: &mut Canvas, dial: &Dial, modes: &[Mode]) {
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
    canvas.begin_group("level_labels");
    for level in multiples(dial.levels_db.0, dial.levels_db.1, level_step(dial.levels_db)) {
        let radius = dial.radius(level);
        if radius > 24.0 {
            let (x, y) = dial.at(spoke, radius);
            let words = format!("{} dB", signed(level, 0));
            canvas.text(
                (x, y + 4.0),
                &words,
                Text::new(11.0).anchor(Anchor::Middle).colour(MUTED).halo(),
            );
        }
    }
    canvas.end_group();
}
