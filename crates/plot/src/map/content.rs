//! Regions, bearings, stations and positions on the map.

use lobewright_geodesy::direct;
use lobewright_types::{ErrorEllipse, FixMode, Position, Region};

use super::view::View;
use super::{MapBearing, MapPicture, is_reflected, on_earth};
use crate::PlotError;
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::labels::Labels;
use crate::path::Path;
use crate::style::{ANSWER, ASTRAY, FITTED, INK, MEASURED, PAPER, PROBABLE, PROBABLE_EDGE};
use crate::ticks::percent;

/// Modes of a bearing below this are not drawn.
const LEAST_MODE: f64 = 0.05;

/// Draws everything but the names of places.
pub(super) fn draw(view: &View, p: &MapPicture, labels: &mut Labels) -> Result<(), PlotError> {
    for bearing in &p.bearings {
        draw_wedges(view, p.stations[bearing.station].position, bearing)?;
    }
    if let Some(fix) = p.fix {
        draw_region(view, &fix.region95, "region95", (0.26, 1.0))?;
        draw_region(view, &fix.region50, "region50", (0.5, 1.8))?;
        if let Some(ellipse) = &fix.ellipse95 {
            draw_ellipse(view, ellipse)?;
        }
    }
    for bearing in &p.bearings {
        draw_bearing(view, p.stations[bearing.station].position, bearing)?;
    }
    for bearing in &p.bearings {
        keep_off_line(view, p.stations[bearing.station].position, bearing, labels);
    }
    draw_marks(&mut view.plane.canvas(), view, p, labels);
    Ok(())
}

fn draw_marks(canvas: &mut Canvas, view: &View, p: &MapPicture, labels: &mut Labels) {
    for station in &p.stations {
        let at = view.px(station.position);
        draw_station(canvas, at);
        labels.keep_off(at, 7.0);
    }
    if let Some(truth) = p.truth {
        let at = view.px(truth);
        draw_truth(canvas, at);
        labels.keep_off(at, 8.0);
    }
    if let Some(fix) = p.fix {
        for mode in fix.modes.iter().skip(1).filter(|m| m.probability >= LEAST_MODE) {
            let at = view.px(mode.position);
            canvas.circle(
                at,
                5.5,
                Some(Fill::solid(PAPER)),
                Some(Stroke::new(ANSWER, 1.8)),
                "mode",
            );
            labels.keep_off(at, 7.0);
        }
        let at = view.px(fix.position);
        draw_fix(canvas, at);
        labels.keep_off(at, 11.0);
    }
}

/// Writes the names, so that they keep off each other and off the marks.
pub(super) fn draw_labels(canvas: &mut Canvas, view: &View, p: &MapPicture, labels: &mut Labels) {
    if let Some(fix) = p.fix {
        let words = match share_of_main(&fix.modes) {
            Some(share) => format!("position, {}", percent(share)),
            None => "position".to_owned(),
        };
        let text = Text::new(13.0).colour(ANSWER);
        labels.write(canvas, view.px(fix.position), 12.0, &words, text);
        for mode in fix.modes.iter().skip(1).filter(|m| m.probability >= LEAST_MODE) {
            let words = percent(mode.probability);
            let text = Text::new(12.0).colour(ANSWER);
            labels.write(canvas, view.px(mode.position), 9.0, &words, text);
        }
    }
    for station in &p.stations {
        labels.write(
            canvas,
            view.px(station.position),
            9.0,
            &station.name,
            Text::new(13.0),
        );
    }
    if let Some(truth) = p.truth {
        labels.write(canvas, view.px(truth), 10.0, "transmitter", Text::new(12.0));
    }
    for bearing in p.bearings.iter().filter(|b| is_reflected(b)) {
        let from = p.stations[bearing.station].position;
        if let Some(at) = point_for_label(view, from, bearing) {
            let words = format!("reflection {}", percent(bearing.reflected_probability));
            labels.write(canvas, at, 8.0, &words, Text::new(12.0).colour(ASTRAY));
        }
    }
    for bearing in &p.bearings {
        draw_mode_labels(
            canvas,
            view,
            p.stations[bearing.station].position,
            bearing,
            labels,
        );
    }
}

fn draw_mode_labels(
    canvas: &mut Canvas,
    view: &View,
    from: Position,
    bearing: &MapBearing,
    labels: &mut Labels,
) {
    for mode in other_modes(bearing) {
        let line = view.geodesic(from, mode.azimuth.degrees(), 0.35 * length_m(view, from, bearing));
        let words = percent(mode.probability);
        let mut on_page = line.iter().rev().map(|point| view.plane.px(*point));
        if let Some(at) = on_page.find(|at| view.frame.contains(*at)) {
            labels.write(canvas, at, 7.0, &words, Text::new(11.0).colour(MEASURED));
        }
    }
}

/// Makes labels prefer places off a bearing's line.
fn keep_off_line(view: &View, from: Position, bearing: &MapBearing, labels: &mut Labels) {
    if !bearing.azimuth_true_deg.is_finite() {
        return;
    }
    let line = view.geodesic(from, bearing.azimuth_true_deg, length_m(view, from, bearing));
    for pair in line.windows(2) {
        let ((ax, ay), (bx, by)) = (view.plane.px(pair[0]), view.plane.px(pair[1]));
        let steps = ((bx - ax).hypot(by - ay) / 8.0).ceil().clamp(1.0, 500.0);
        for i in crate::ticks::multiples(0.0, steps, 1.0) {
            let at = (ax + (bx - ax) * i / steps, ay + (by - ay) * i / steps);
            if view.frame.contains(at) {
                labels.keep_off(at, 4.0);
            }
        }
    }
}

/// The share of the first mode, where there are others beside it.
fn share_of_main(modes: &[FixMode]) -> Option<f64> {
    let several = modes.iter().filter(|m| m.probability >= LEAST_MODE).count() > 1;
    modes.first().filter(|_| several).map(|m| m.probability)
}

/// The modes after the first that are worth a line.
fn other_modes(bearing: &MapBearing) -> impl Iterator<Item = &lobewright_types::Mode> {
    bearing
        .modes
        .iter()
        .skip(1)
        .filter(|m| m.probability >= LEAST_MODE)
}

/// Length of the line, no longer than what surely leaves the page.
fn length_m(view: &View, from: Position, bearing: &MapBearing) -> f64 {
    let to_edge = view.far_m(from);
    bearing
        .length_m
        .filter(|m| m.is_finite() && *m > 0.0)
        .map_or(to_edge, |m| m.min(to_edge))
}

/// A point at three fifths of the part of the line that is on the page.
fn point_for_label(view: &View, from: Position, bearing: &MapBearing) -> Option<(f64, f64)> {
    let length = length_m(view, from, bearing);
    let on_page: Vec<(f64, f64)> = crate::ticks::multiples(1.0, 200.0, 1.0)
        .into_iter()
        .map(|i| {
            let azimuth = lobewright_types::Azimuth::from_degrees(bearing.azimuth_true_deg);
            view.px(direct(from, azimuth, length * i / 200.0))
        })
        .take_while(|at| view.frame.contains(*at))
        .collect();
    on_page.get(on_page.len() * 3 / 5).copied()
}

fn draw_wedges(view: &View, from: Position, bearing: &MapBearing) -> Result<(), PlotError> {
    let colour = if is_reflected(bearing) { ASTRAY } else { MEASURED };
    let radius = length_m(view, from, bearing);
    for arc in &bearing.arcs95 {
        let (start, width) = (arc.from.degrees(), arc.width_deg);
        // A bearing that allows every direction would only darken the page.
        if !width.is_finite() || width <= 0.0 || width >= 359.0 {
            continue;
        }
        let mut outline = view.geodesic(from, start, radius);
        outline.extend(view.arc(from, start, width, radius));
        let mut back = view.geodesic(from, start + width, radius);
        back.reverse();
        outline.extend(back);
        view.plane.polygon(outline, Fill::new(colour, 0.09), "wedge95")?;
    }
    Ok(())
}

fn draw_bearing(view: &View, from: Position, bearing: &MapBearing) -> Result<(), PlotError> {
    let length = length_m(view, from, bearing);
    for mode in other_modes(bearing) {
        let line = view.geodesic(from, mode.azimuth.degrees(), length);
        let stroke = Stroke::new(MEASURED, 1.1).dashed("2 4");
        view.plane.line(line, stroke, "other_mode")?;
    }
    if !bearing.azimuth_true_deg.is_finite() {
        return Ok(());
    }
    let line = view.geodesic(from, bearing.azimuth_true_deg, length);
    let (stroke, class) = if is_reflected(bearing) {
        (Stroke::new(ASTRAY, 1.9).dashed("9 6"), "bearing reflected")
    } else {
        (Stroke::new(MEASURED, 1.9), "bearing")
    };
    view.plane.line(line, stroke, class)
}

/// Fills a region; `look` is the opacity of the filling and the width of the line around it.
fn draw_region(view: &View, region: &Region, class: &'static str, look: (f64, f64)) -> Result<(), PlotError> {
    let rings = region
        .polygons
        .iter()
        .flat_map(|polygon| std::iter::once(&polygon.outer).chain(&polygon.holes))
        .map(|ring| ring.iter().map(|place| view.point(*place)).collect());
    view.plane.rings(
        rings,
        Fill::new(PROBABLE, look.0),
        Stroke::new(PROBABLE_EDGE, look.1),
        class,
    )
}

fn draw_ellipse(view: &View, ellipse: &ErrorEllipse) -> Result<(), PlotError> {
    let (major, minor) = (ellipse.semi_major_m, ellipse.semi_minor_m);
    let sound = major.is_finite() && minor.is_finite() && major > 0.0 && minor > 0.0;
    if !sound || !on_earth(ellipse.centre) {
        return Ok(());
    }
    let outline = (0..=180_u32).map(|i| {
        let angle = (f64::from(i) * 2.0).to_radians();
        let (along, across) = (major * angle.cos(), minor * angle.sin());
        let azimuth = ellipse.major_azimuth.turned(across.atan2(along).to_degrees());
        view.point(direct(ellipse.centre, azimuth, along.hypot(across)))
    });
    let stroke = Stroke::new(FITTED, 1.8).dashed("6 3");
    view.plane.line(outline, stroke, "ellipse")
}

/// A station's mark: a triangle with a dot where it stands.
pub(super) fn draw_station(canvas: &mut Canvas, (x, y): (f64, f64)) {
    let corners = [(x, y - 8.0), (x + 7.0, y + 5.0), (x - 7.0, y + 5.0)];
    canvas.path(
        &Path::closed(corners),
        Some(Fill::solid(INK)),
        Some(Stroke::new(PAPER, 1.2)),
        "station",
    );
    canvas.circle((x, y), 1.6, Some(Fill::solid(PAPER)), None, "");
}

/// The mark of the position: a ring with a cross through it.
pub(super) fn draw_fix(canvas: &mut Canvas, (x, y): (f64, f64)) {
    for (stroke, class) in [(Stroke::new(PAPER, 5.0), ""), (Stroke::new(ANSWER, 2.2), "fix")] {
        let mut cross = Path::line([(x - 11.0, y), (x + 11.0, y)]);
        cross.add([(x, y - 11.0), (x, y + 11.0)]);
        canvas.path(&cross, None, Some(stroke), class);
        canvas.circle((x, y), 6.0, None, Some(stroke), "");
    }
}

/// The mark of a transmitter whose place is known: an upright cross in a square.
pub(super) fn draw_truth(canvas: &mut Canvas, (x, y): (f64, f64)) {
    let frame = Frame {
        x: x - 5.0,
        y: y - 5.0,
        width: 10.0,
        height: 10.0,
    };
    canvas.rect(frame, Some(Fill::new(PAPER, 0.9)), Some(Stroke::new(INK, 1.8)));
    canvas.circle((x, y), 2.0, Some(Fill::solid(INK)), None, "truth");
}

/// Writes one centred word; shared with the furniture of the map.
pub(super) fn centred(canvas: &mut Canvas, at: (f64, f64), words: &str, size: f64) {
    canvas.text(at, words, Text::new(size).anchor(Anchor::Middle).halo());
}
