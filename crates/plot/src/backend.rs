//! Lets `plotters` draw on the canvas: a drawing backend with coordinates finer than a pixel.
//!
//! Coordinates of a `plotters` backend are whole numbers. Here one of them is a thousandth of a CSS pixel, and so are
//! the widths of lines and the sizes of text that are handed to `plotters`; the file has them as decimals.

use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::style::{Color, RGBColor, ShapeStyle};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
    FontTransform, text_anchor,
};

use crate::PlotError;
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::path::Path;
use crate::style::text_width;

const UNITS_PER_PX: f64 = 1000.0;
/// Furthest coordinate, so that sums of a few stay inside the range of `i32`.
pub(crate) const REACH_PX: f64 = 900_000.0;
/// Heights of letters above and below the base line, as shares of the type size.
const ASCENT: f64 = 0.92;
const DESCENT: f64 = 0.24;
/// From the middle of a line of digits down to its base line, as a share of the type size.
const MIDDLE: f64 = 0.36;

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

/// The canvas as `plotters` shares it between drawing areas.
pub(crate) type Sheet = Rc<RefCell<Canvas>>;

/// A length or coordinate in the whole numbers of the backend.
pub(crate) fn units(px: f64) -> i32 {
    #[expect(clippy::cast_possible_truncation, reason = "held inside the range first")]
    let units = (px.clamp(-REACH_PX, REACH_PX) * UNITS_PER_PX).round() as i32;
    units
}

/// A coordinate of the backend in CSS pixels.
pub(crate) fn px((x, y): BackendCoord) -> (f64, f64) {
    (f64::from(x) / UNITS_PER_PX, f64::from(y) / UNITS_PER_PX)
}

/// An empty sheet with its title as the accessible name.
pub(crate) fn sheet(width: f64, height: f64, title: &str) -> Sheet {
    Rc::new(RefCell::new(Canvas::new(width, height, title)))
}

/// The whole sheet as a drawing area.
pub(crate) fn page(sheet: &Sheet) -> DrawingArea<Canvas, Shift> {
    DrawingArea::from(sheet)
}

/// Names a failure of `plotters`.
pub(crate) fn failed(error: impl std::fmt::Display) -> PlotError {
    PlotError::Drawing {
        reason: error.to_string(),
    }
}

impl Stroke {
    /// The style for `plotters`; dashes are those of the canvas's pen.
    pub(crate) fn style(&self) -> ShapeStyle {
        ShapeStyle {
            color: self.colour.mix(self.opacity),
            filled: false,
            stroke_width: units(self.width).unsigned_abs(),
        }
    }
}

impl Fill {
    /// The style for `plotters`.
    pub(crate) fn style(&self) -> ShapeStyle {
        self.colour.mix(self.opacity.clamp(0.0, 1.0)).filled()
    }
}

fn colour(color: BackendColor) -> RGBColor {
    let (red, green, blue) = color.rgb;
    RGBColor(red, green, blue)
}

fn fill_of(color: BackendColor) -> Fill {
    Fill::new(colour(color), color.alpha)
}

fn stroke_of(style: &impl BackendStyle, dash: Option<&'static str>) -> Stroke {
    let color = style.color();
    Stroke {
        colour: colour(color),
        width: f64::from(style.stroke_width()) / UNITS_PER_PX,
        dash,
        opacity: color.alpha,
    }
}

fn paints(
    style: &impl BackendStyle,
    filled: bool,
    dash: Option<&'static str>,
) -> (Option<Fill>, Option<Stroke>) {
    if filled {
        (Some(fill_of(style.color())), None)
    } else {
        (None, Some(stroke_of(style, dash)))
    }
}

impl DrawingBackend for Canvas {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        let (width, height) = self.size();
        (units(width).unsigned_abs(), units(height).unsigned_abs())
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, point: BackendCoord, color: BackendColor) -> Drawn {
        self.draw_rect(point, (point.0 + 1, point.1 + 1), &color, true)
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        upper_left: BackendCoord,
        bottom_right: BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        if style.color().alpha > 0.0 {
            let ((ax, ay), (bx, by)) = (px(upper_left), px(bottom_right));
            let frame = Frame {
                x: ax.min(bx),
                y: ay.min(by),
                width: (bx - ax).abs(),
                height: (by - ay).abs(),
            };
            let (fill, stroke) = paints(style, fill, self.pen().dash);
            self.rect(frame, fill, stroke);
        }
        Ok(())
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        if style.color().alpha > 0.0 {
            let pen = self.pen();
            let path = Path::line(path.into_iter().map(px));
            self.path(&path, None, Some(stroke_of(style, pen.dash)), pen.class);
        }
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        center: BackendCoord,
        radius: u32,
        style: &S,
        fill: bool,
    ) -> Drawn {
        if style.color().alpha > 0.0 {
            let pen = self.pen();
            let (fill, stroke) = paints(style, fill, pen.dash);
            let radius = f64::from(radius) / UNITS_PER_PX;
            self.circle(px(center), radius, fill, stroke, pen.class);
        }
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        vert: I,
        style: &S,
    ) -> Drawn {
        if style.color().alpha > 0.0 {
            let path = Path::closed(vert.into_iter().map(px));
            self.path(&path, Some(fill_of(style.color())), None, self.pen().class);
        }
        Ok(())
    }

    fn draw_text<TStyle: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &TStyle,
        pos: BackendCoord,
    ) -> Drawn {
        let size = style.size() / UNITS_PER_PX;
        let anchor = match style.anchor().h_pos {
            text_anchor::HPos::Left => Anchor::Start,
            text_anchor::HPos::Center => Anchor::Middle,
            text_anchor::HPos::Right => Anchor::End,
        };
        let down = size
            * match style.anchor().v_pos {
                text_anchor::VPos::Top => ASCENT,
                text_anchor::VPos::Center => MIDDLE,
                text_anchor::VPos::Bottom => -DESCENT,
            };
        let (x, y) = px(pos);
        // The base line lies below the anchor as the text is read, so it turns with the text.
        let (base, turn_deg) = match style.transform() {
            FontTransform::None => ((x, y + down), 0.0),
            FontTransform::Rotate90 => ((x - down, y), 90.0),
            FontTransform::Rotate180 => ((x, y - down), 180.0),
            FontTransform::Rotate270 => ((x + down, y), -90.0),
        };
        let words = Text::new(size).colour(colour(style.color())).anchor(anchor);
        self.text(base, text, words.turned(turn_deg));
        Ok(())
    }

    fn estimate_text_size<TStyle: BackendTextStyle>(
        &self,
        text: &str,
        style: &TStyle,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let size = style.size() / UNITS_PER_PX;
        let (width, height) = (text_width(text, size), size * (ASCENT + DESCENT));
        Ok((units(width).unsigned_abs(), units(height).unsigned_abs()))
    }
}

#[cfg(test)]
mod tests {
    use plotters::element::{Circle, PathElement, Polygon, Rectangle};
    use plotters::style::{FontFamily, TextStyle, text_anchor::Pos};

    use super::*;
    use crate::style::INK;

    #[test]
    fn shapes_have_decimals_of_a_pixel() {
        let sheet = sheet(400.0, 300.0, "t");
        let area = page(&sheet);
        sheet.borrow_mut().take_pen("line", Some("2 3"));
        let ends = vec![(units(1.25), units(2.0)), (units(3.0), units(4.5))];
        area.draw(&PathElement::new(ends.clone(), Stroke::new(INK, 1.4).style()))
            .unwrap();
        sheet.borrow_mut().take_pen("dot", None);
        area.draw(&Circle::new(ends[0], units(2.5), Fill::solid(INK).style()))
            .unwrap();
        area.draw(&Polygon::new(ends.clone(), Fill::new(INK, 0.5).style()))
            .unwrap();
        area.draw(&Rectangle::new([ends[1], ends[0]], Stroke::new(INK, 2.0).style()))
            .unwrap();
        let text = sheet.borrow().finish();
        for expected in [
            r##"class="line" d="M1.25 2L3 4.5" stroke-linejoin="round" fill="none" stroke="#20292e" stroke-width="1.4" stroke-dasharray="2 3""##,
            r##"<circle class="dot" cx="1.25" cy="2" r="2.5" fill="#20292e" fill-opacity="1""##,
            r##"d="M1.25 2L3 4.5Z" fill-rule="evenodd" stroke-linejoin="round" fill="#20292e" fill-opacity="0.5""##,
            r##"<rect x="1.25" y="2" width="1.75" height="2.5" fill="none" stroke="#20292e" stroke-width="2""##,
        ] {
            assert!(text.contains(expected), "{expected} in {text}");
        }
    }

    #[test]
    fn the_width_of_a_text_is_that_of_the_font() {
        let sheet = sheet(400.0, 300.0, "t");
        let style = TextStyle::from((FontFamily::SansSerif, units(10.0)));
        // Five digits of 636 thousandths of 10 pixels.
        let (width, _) = page(&sheet).estimate_text_size("12345", &style).unwrap();
        assert_eq!(width, 31_800);
    }

    #[test]
    fn a_turned_text_stands_beside_its_anchor() {
        let sheet = sheet(400.0, 300.0, "t");
        let style = TextStyle::from((FontFamily::SansSerif, units(10.0)))
            .pos(Pos::new(text_anchor::HPos::Center, text_anchor::VPos::Top))
            .transform(FontTransform::Rotate270);
        page(&sheet)
            .draw_text("up", &style, (units(5.0), units(50.0)))
            .unwrap();
        let text = sheet.borrow().finish();
        assert!(text.contains(r#"<text x="14.2" y="50""#), "{text}");
        assert!(text.contains("rotate(-90 14.2 50)"), "{text}");
    }
}
