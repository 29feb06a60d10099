//! Graticule and scale bar.

use lobewright_types::{Position, wrap_signed_degrees};

use super::content::centred;
use super::view::View;
use crate::PlotError;
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::labels::Labels;
use crate::plane::Point;
use crate::style::{FRAME, GRID, INK, PAPER};
use crate::ticks::{decimals, multiples, nice_below, nice_step};

const LABEL_PX: f64 = 11.0;

/// The part of the earth on the page; longitudes count from the middle, so that 180 degrees is no edge.
struct Extent {
    lat_deg: (f64, f64),
    east_deg: (f64, f64),
}

fn extent(view: &View) -> Extent {
    let mut found = Extent {
        lat_deg: (90.0, -90.0),
        east_deg: (180.0, -180.0),
    };
    for i in 0..=12_u32 {
        for j in 0..=12_u32 {
            let place = view.place((
                view.frame.x + view.frame.width * f64::from(i) / 12.0,
                view.frame.y + view.frame.height * f64::from(j) / 12.0,
            ));
            let east = wrap_signed_degrees(place.lon_deg - view.middle_lon_deg());
            found.lat_deg = (
                found.lat_deg.0.min(place.lat_deg),
                found.lat_deg.1.max(place.lat_deg),
            );
            found.east_deg = (found.east_deg.0.min(east), found.east_deg.1.max(east));
        }
    }
    found
}

/// Draws lines of latitude and longitude at round numbers and labels them at the left and lower edge.
pub(super) fn draw_graticule(view: &View) -> Result<(), PlotError> {
    let extent = extent(view);
    let (south, north) = extent.lat_deg;
    let (west, east) = extent.east_deg;
    let middle = view.middle_lon_deg();
    let at = |lat_deg: f64, east_deg: f64| {
        view.point(Position {
            lat_deg: lat_deg.clamp(-90.0, 90.0),
            lon_deg: wrap_signed_degrees(middle + east_deg),
        })
    };
    let along = |from: f64, to: f64| {
        let margin = (to - from) * 0.06;
        (0..=64_u32).map(move |i| from - margin + (to - from + 2.0 * margin) * f64::from(i) / 64.0)
    };
    view.plane.canvas().begin_clipped(view.frame, "graticule");
    let grid = Stroke::new(GRID, 1.0);
    let on_page = |line: &[Point]| line.iter().map(|point| view.plane.px(*point)).collect::<Vec<_>>();
    let mut labels = Vec::new();
    if let Some(step) = nice_step(north - south, 6) {
        for lat in multiples(south, north, step) {
            let line: Vec<Point> = along(west, east).map(|east| at(lat, east)).collect();
            view.plane.line(line.iter().copied(), grid, "parallel")?;
            if let Some(y) = crossing(&on_page(&line), view.frame.x, |p| p) {
                labels.push((false, y, degrees(lat, decimals(step), ['N', 'S'])));
            }
        }
    }
    if let Some(step) = nice_step(east - west, 6) {
        for lon in multiples(middle + west, middle + east, step) {
            let line: Vec<Point> = along(south, north).map(|lat| at(lat, lon - middle)).collect();
            view.plane.line(line.iter().copied(), grid, "meridian")?;
            if let Some(x) = crossing(&on_page(&line), view.frame.bottom(), |(x, y)| (y, x)) {
                labels.push((
                    true,
                    x,
                    degrees(wrap_signed_degrees(lon), decimals(step), ['E', 'W']),
                ));
            }
        }
    }
    let mut canvas = view.plane.canvas();
    canvas.end_group();
    draw_graticule_labels(&mut canvas, view.frame, &labels);
    Ok(())
}

/// Labels at the lower edge stand upright, those at the left edge are turned, for they are long.
fn draw_graticule_labels(canvas: &mut Canvas, frame: Frame, labels: &[(bool, f64, String)]) {
    canvas.begin_group("graticule_labels");
    for (below, place, words) in labels {
        let text = Text::new(LABEL_PX).anchor(Anchor::Middle);
        let tick = Stroke::new(FRAME, 1.0);
        if *below && *place > frame.x && *place < frame.right() {
            canvas.line((*place, frame.bottom()), (*place, frame.bottom() + 5.0), tick);
            canvas.text((*place, frame.bottom() + 19.0), words, text);
        } else if !*below && *place > frame.y && *place < frame.bottom() {
            canvas.line((frame.x - 5.0, *place), (frame.x, *place), tick);
            canvas.text((frame.x - 12.0, *place), words, text.turned(-90.0));
        }
    }
    canvas.end_group();
}

/// Where a line first crosses a straight edge; `turn` gives the coordinate across the edge first.
fn crossing(line: &[(f64, f64)], edge: f64, turn: fn((f64, f64)) -> (f64, f64)) -> Option<f64> {
    line.windows(2).find_map(|pair| {
        let ((a, p), (b, q)) = (turn(pair[0]), turn(pair[1]));
        let across = (a - edge) * (b - edge) <= 0.0 && (b - a).abs() > 1e-9;
        (across && p.is_finite() && q.is_finite()).then(|| p + (q - p) * (edge - a) / (b - a))
    })
}

/// An angle with its hemisphere, such as `41.3° S`.
fn degrees(value: f64, decimals: usize, hemispheres: [char; 2]) -> String {
    let text = format!("{:.decimals$}", value.abs());
    let zero = text.chars().all(|c| c == '0' || c == '.');
    // The meridians 0 and 180 belong to both sides.
    let half_turn = text.parse().is_ok_and(|v: f64| v >= 180.0);
    if zero || half_turn {
        return format!("{text}°");
    }
    let side = if value >= 0.0 {
        hemispheres[0]
    } else {
        hemispheres[1]
    };
    format!("{text}° {side}")
}

/// Draws a bar of a round length at the lower left; the scale holds at the middle of the map.
pub(super) fn draw_scale_bar(canvas: &mut Canvas, view: &View, labels: &mut Labels) {
    let Some(length_m) = nice_below(view.frame.width * 0.3 / view.px_per_m) else {
        return;
    };
    let length_px = length_m * view.px_per_m;
    let (x, y) = (view.frame.x + 18.0, view.frame.bottom() - 20.0);
    let background = Frame {
        x: x - 10.0,
        y: y - 22.0,
        width: length_px + 44.0,
        height: 36.0,
    };
    canvas.rect(background, Some(Fill::new(PAPER, 0.85)), None);
    canvas.begin_group("scale_bar");
    for (part, fill) in [INK, PAPER, INK, PAPER].into_iter().enumerate() {
        let piece = Frame {
            x: x + length_px / 4.0 * part as f64,
            y,
            width: length_px / 4.0,
            height: 5.0,
        };
        canvas.rect(piece, Some(Fill::solid(fill)), Some(Stroke::new(INK, 1.0)));
    }
    centred(canvas, (x, y - 6.0), "0", LABEL_PX);
    centred(canvas, (x + length_px, y - 6.0), &length(length_m), LABEL_PX);
    canvas.end_group();
    labels.keep_off(
        (
            background.x + background.width / 2.0,
            background.y + background.height / 2.0,
        ),
        background.height / 2.0,
    );
    labels.keep_off((x + length_px / 2.0, y), length_px / 2.0);
}

fn length(length_m: f64) -> String {
    if length_m >= 1000.0 {
        format!("{} km", (length_m / 1000.0).round())
    } else if length_m >= 1.0 {
        format!("{} m", length_m.round())
    } else {
        format!("{length_m} m")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_carry_their_hemisphere() {
        assert_eq!(degrees(-41.3, 1, ['N', 'S']), "41.3° S");
        assert_eq!(degrees(0.0, 1, ['N', 'S']), "0.0°");
        assert_eq!(degrees(-179.5, 1, ['E', 'W']), "179.5° W");
        assert_eq!(degrees(180.0, 0, ['E', 'W']), "180°");
        assert_eq!(degrees(-180.0, 1, ['E', 'W']), "180.0°");
    }

    #[test]
    fn lengths_have_the_unit_that_reads_best() {
        assert_eq!(length(500.0), "500 m");
        assert_eq!(length(2000.0), "2 km");
        assert_eq!(length(0.5), "0.5 m");
    }

    #[test]
    fn a_line_crosses_the_edge_between_two_points() {
        let line = [(-1.0, 0.0), (1.0, 4.0), (3.0, 4.0)];
        assert_eq!(crossing(&line, 0.0, |p| p), Some(2.0));
        assert_eq!(crossing(&line, 9.0, |p| p), None);
    }
}
