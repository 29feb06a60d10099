//! Places for the next bearing.

use lobewright_geodesy::inverse;

use super::view::View;
use super::{MapNextPlace, MapPicture};
use crate::PlotError;
use crate::canvas::{Anchor, Canvas, Fill, Stroke, Text};
use crate::labels::Labels;
use crate::style::{FITTED, INK, PAPER};

/// Radius of a mark.
const MARK_PX: f64 = 9.5;

/// Draws the line from each place to the position, where there is one.
pub(super) fn draw_lines(view: &View, p: &MapPicture, next: &[MapNextPlace]) -> Result<(), PlotError> {
    let Some(fix) = p.fix else { return Ok(()) };
    for place in next {
        let line = inverse(place.position, fix.position);
        let points = view.geodesic(place.position, line.azimuth.degrees(), line.distance_m);
        view.plane
            .line(points, Stroke::new(FITTED, 1.4).dashed("1 4"), "next_line")?;
    }
    Ok(())
}

/// Draws the numbered marks, the best last, so that it lies on top.
pub(super) fn draw_marks(view: &View, next: &[MapNextPlace], labels: &mut Labels) {
    for (index, place) in next.iter().enumerate().rev() {
        let at = view.px(place.position);
        draw_mark(&mut view.plane.canvas(), at, &(index + 1).to_string());
        labels.keep_off(at, MARK_PX + 2.0);
    }
}

/// The mark of a place: a filled circle with its number.
pub(super) fn draw_mark(canvas: &mut Canvas, (x, y): (f64, f64), number: &str) {
    canvas.circle(
        (x, y),
        MARK_PX,
        Some(Fill::solid(FITTED)),
        Some(Stroke::new(PAPER, 1.6)),
        "next",
    );
    let text = Text::new(12.0).colour(INK).anchor(Anchor::Middle);
    canvas.text((x, y + 4.3), number, text);
}
