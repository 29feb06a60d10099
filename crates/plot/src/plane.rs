//! A plane with coordinates of its own on the sheet: metres for the map, radii for the polar plot.

use std::cell::RefMut;
use std::ops::Range;

use plotters::coord::cartesian::Cartesian2d;
use plotters::coord::types::RangedCoordf64;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, Drawable, PathElement, PointCollection, Polygon};
use plotters_backend::{BackendCoord, DrawingErrorKind};

use crate::PlotError;
use crate::backend::{REACH_PX, Sheet, failed, page, px, units};
use crate::canvas::{Canvas, Fill, Frame, Stroke};
use crate::path::Path;

/// A point of the plane.
pub(crate) type Point = (f64, f64);

/// The plane: x to the right, y upward. Points that are not finite are left out.
pub(crate) struct Plane {
    sheet: Sheet,
    area: DrawingArea<Canvas, Cartesian2d<RangedCoordf64, RangedCoordf64>>,
    /// Where lines end at the latest, far outside the sheet.
    held_x: (f64, f64),
    held_y: (f64, f64),
}

impl Plane {
    /// A plane that shows `x` and `y`, in units of its own, in a frame of the sheet.
    pub(crate) fn new(sheet: &Sheet, frame: Frame, x: Range<f64>, y: Range<f64>) -> Self {
        // plotters moves what lies outside a drawing area onto its edge, which would bend lines that leave the sheet.
        let far = -units(REACH_PX);
        let held = |range: &Range<f64>, side_px: f64| {
            let reach = (REACH_PX - side_px) / side_px * (range.end - range.start);
            (range.start - reach, range.end + reach)
        };
        let (held_x, held_y) = (held(&x, frame.width), held(&y, frame.height));
        let on_sheet = (
            units(frame.x)..units(frame.right()),
            units(frame.bottom())..units(frame.y),
        );
        let area = page(sheet)
            .margin(far, far, far, far)
            .apply_coord_spec(Cartesian2d::new(x, y, on_sheet));
        Self {
            sheet: sheet.clone(),
            area,
            held_x,
            held_y,
        }
    }

    /// The canvas, for what `plotters` lacks; to be given back before the plane draws again.
    pub(crate) fn canvas(&self) -> RefMut<'_, Canvas> {
        self.sheet.borrow_mut()
    }

    /// Where a point stands on the sheet, in CSS pixels; not a number for one that is not finite.
    pub(crate) fn px(&self, point: Point) -> (f64, f64) {
        match self.held(point) {
            Some(point) => px(self.area.map_coordinate(&point)),
            None => (f64::NAN, f64::NAN),
        }
    }

    fn held(&self, (x, y): Point) -> Option<Point> {
        let held = |value: f64, (low, high): (f64, f64)| value.clamp(low, high);
        (x.is_finite() && y.is_finite()).then(|| (held(x, self.held_x), held(y, self.held_y)))
    }

    /// Draws any element.
    pub(crate) fn draw<E>(&self, element: &E) -> Result<(), PlotError>
    where
        for<'a> &'a E: PointCollection<'a, Point>,
        E: Drawable<Canvas>,
    {
        self.area.draw(element).map_err(failed)
    }

    /// Draws a line, broken at points that are not finite.
    pub(crate) fn line(
        &self,
        points: impl IntoIterator<Item = Point>,
        stroke: Stroke,
        class: &'static str,
    ) -> Result<(), PlotError> {
        let points: Vec<Option<Point>> = points.into_iter().map(|point| self.held(point)).collect();
        self.canvas().take_pen(class, stroke.dash);
        for part in points.split(Option::is_none).filter(|part| part.len() > 1) {
            let part: Vec<Point> = part.iter().copied().flatten().collect();
            self.draw(&PathElement::new(part, stroke.style()))?;
        }
        self.canvas().take_pen("", None);
        Ok(())
    }

    /// Fills an outline.
    pub(crate) fn polygon(
        &self,
        points: impl IntoIterator<Item = Point>,
        fill: Fill,
        class: &'static str,
    ) -> Result<(), PlotError> {
        let points: Vec<Point> = points.into_iter().filter_map(|point| self.held(point)).collect();
        self.canvas().take_pen(class, None);
        self.draw(&Polygon::new(points, fill.style()))?;
        self.canvas().take_pen("", None);
        Ok(())
    }

    /// Draws a circle with its radius in CSS pixels.
    pub(crate) fn circle(
        &self,
        centre: Point,
        radius_px: f64,
        stroke: Stroke,
        class: &'static str,
    ) -> Result<(), PlotError> {
        let Some(centre) = self.held(centre) else {
            return Ok(());
        };
        self.canvas().take_pen(class, stroke.dash);
        self.draw(&Circle::new(centre, units(radius_px), stroke.style()))?;
        self.canvas().take_pen("", None);
        Ok(())
    }

    /// Fills what lies inside an odd number of rings, which a polygon of `plotters` cannot.
    pub(crate) fn rings(
        &self,
        rings: impl IntoIterator<Item = Vec<Point>>,
        fill: Fill,
        stroke: Stroke,
        class: &'static str,
    ) -> Result<(), PlotError> {
        let mut all = Rings {
            points: Vec::new(),
            lengths: Vec::new(),
            fill,
            stroke,
            class,
        };
        for ring in rings {
            let before = all.points.len();
            all.points
                .extend(ring.into_iter().filter_map(|point| self.held(point)));
            all.lengths.push(all.points.len() - before);
        }
        self.draw(&all)
    }
}

/// Rings one after the other, filled by the even-odd rule.
struct Rings {
    points: Vec<Point>,
    lengths: Vec<usize>,
    fill: Fill,
    stroke: Stroke,
    class: &'static str,
}

impl<'a> PointCollection<'a, Point> for &'a Rings {
    type Point = &'a Point;
    type IntoIter = &'a [Point];

    fn point_iter(self) -> Self::IntoIter {
        &self.points
    }
}

impl Drawable<Canvas> for Rings {
    fn draw<I: Iterator<Item = BackendCoord>>(
        &self,
        mut pos: I,
        backend: &mut Canvas,
        _parent_dim: (u32, u32),
    ) -> Result<(), DrawingErrorKind<std::convert::Infallible>> {
        let mut path = Path::default();
        for length in &self.lengths {
            path.add_closed(pos.by_ref().take(*length).map(px));
        }
        backend.path(&path, Some(self.fill), Some(self.stroke), self.class);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::style::INK;

    fn plane() -> Plane {
        let sheet = crate::backend::sheet(400.0, 300.0, "t");
        let frame = Frame {
            x: 100.0,
            y: 50.0,
            width: 200.0,
            height: 200.0,
        };
        Plane::new(&sheet, frame, -1.0..1.0, -1.0..1.0)
    }

    #[test]
    fn lines_that_leave_the_sheet_keep_their_direction() {
        let plane = plane();
        let (x, y) = plane.px((30.0, 60.0));
        assert!((x - 3200.0).abs() < 0.01 && (y + 5850.0).abs() < 0.01, "{x} {y}");
        plane
            .line([(0.0, 0.0), (30.0, 60.0)], Stroke::new(INK, 1.0), "long")
            .unwrap();
        let text = plane.canvas().finish();
        assert!(text.contains(r#"class="long" d="M200 150L3200 -5850""#), "{text}");
    }

    #[test]
    fn far_and_missing_points_are_harmless() {
        let plane = plane();
        let points = [
            (0.0, 0.0),
            (0.5, 0.5),
            (f64::NAN, 0.0),
            (1e300, -1e300),
            (1.0, 1.0),
        ];
        plane.line(points, Stroke::new(INK, 1.0), "part").unwrap();
        plane.polygon(points, Fill::solid(INK), "area").unwrap();
        let text = plane.canvas().finish();
        assert_eq!(text.matches(r#"class="part""#).count(), 2);
        assert!(!text.contains("NaN"));
    }

    #[test]
    fn a_ring_inside_a_ring_is_a_hole() {
        let plane = plane();
        let square = |half: f64| vec![(-half, -half), (half, -half), (half, half), (-half, half)];
        plane
            .rings(
                [square(1.0), square(0.5)],
                Fill::solid(INK),
                Stroke::new(INK, 1.0),
                "r",
            )
            .unwrap();
        let text = plane.canvas().finish();
        assert!(
            text.contains(
                r#"d="M100 250L300 250L300 50L100 50ZM150 200L250 200L250 100L150 100Z" fill-rule="evenodd""#
            ),
            "{text}"
        );
    }
}
