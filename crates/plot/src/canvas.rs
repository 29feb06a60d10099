//! A small SVG writer: escaped text, short numbers, clip regions whose names depend on their content only.
//!
//! Several pictures may stand inside one HTML page, where identifiers are shared. A clip region is named after its
//! coordinates, so two pictures that use the same name mean the same region.

use std::fmt::Write;

use plotters::style::RGBColor;

use crate::path::{Path, number};
use crate::style::{FONT_FAMILY, INK, PAPER};

/// Replaces the characters that have a meaning in XML and drops those that XML 1.0 does not allow (section 2.2).
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c < ' ' || c == '\u{fffe}' || c == '\u{ffff}' => {}
            c => out.push(c),
        }
    }
    out
}

fn hex(RGBColor(red, green, blue): RGBColor) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stroke {
    pub(crate) colour: RGBColor,
    pub(crate) width: f64,
    pub(crate) dash: Option<&'static str>,
    pub(crate) opacity: f64,
}

impl Stroke {
    pub(crate) fn new(colour: RGBColor, width: f64) -> Self {
        Self {
            colour,
            width,
            dash: None,
            opacity: 1.0,
        }
    }

    pub(crate) fn dashed(self, dash: &'static str) -> Self {
        Self {
            dash: Some(dash),
            ..self
        }
    }

    pub(crate) fn opacity(self, opacity: f64) -> Self {
        Self { opacity, ..self }
    }

    fn attributes(&self) -> String {
        let mut out = format!(
            r#" stroke="{}" stroke-width="{}""#,
            hex(self.colour),
            number(self.width)
        );
        if let Some(dash) = self.dash {
            let _ = write!(out, r#" stroke-dasharray="{dash}""#);
        }
        if self.opacity < 1.0 {
            let _ = write!(out, r#" stroke-opacity="{}""#, number(self.opacity));
        }
        out
    }
}

/// How an area is filled.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fill {
    pub(crate) colour: RGBColor,
    pub(crate) opacity: f64,
}

impl Fill {
    pub(crate) fn new(colour: RGBColor, opacity: f64) -> Self {
        Self { colour, opacity }
    }

    pub(crate) fn solid(colour: RGBColor) -> Self {
        Self::new(colour, 1.0)
    }

    fn attributes(&self) -> String {
        format!(
            r#" fill="{}" fill-opacity="{}""#,
            hex(self.colour),
            number(self.opacity.clamp(0.0, 1.0))
        )
    }
}

/// Which point of a text its coordinates mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text is written; its coordinates are those of the base line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Text {
    pub(crate) size: f64,
    pub(crate) colour: RGBColor,
    pub(crate) anchor: Anchor,
    /// Turn in degrees, clockwise.
    pub(crate) turn_deg: f64,
    /// A paper-coloured rim, so that the text can be read on lines.
    pub(crate) halo: bool,
}

impl Text {
    pub(crate) fn new(size: f64) -> Self {
        Self {
            size,
            colour: INK,
            anchor: Anchor::Start,
            turn_deg: 0.0,
            halo: false,
        }
    }

    pub(crate) fn anchor(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    pub(crate) fn colour(self, colour: RGBColor) -> Self {
        Self { colour, ..self }
    }

    pub(crate) fn turned(self, turn_deg: f64) -> Self {
        Self { turn_deg, ..self }
    }

    pub(crate) fn halo(self) -> Self {
        Self { halo: true, ..self }
    }
}

/// A rectangle by its upper left corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Frame {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) width: f64,
    pub(crate) height: f64,
}

impl Frame {
    pub(crate) fn right(&self) -> f64 {
        self.x + self.width
    }

    pub(crate) fn bottom(&self) -> f64 {
        self.y + self.height
    }

    pub(crate) fn contains(&self, (x, y): (f64, f64)) -> bool {
        x >= self.x && x <= self.right() && y >= self.y && y <= self.bottom()
    }

    pub(crate) fn overlaps(&self, other: &Frame) -> bool {
        self.x < other.right() && other.x < self.right() && self.y < other.bottom() && other.y < self.bottom()
    }
}

/// The picture under construction.
#[derive(Debug)]
pub(crate) struct Canvas {
    width: f64,
    height: f64,
    body: String,
    pen: Pen,
}

/// What the styles of `plotters` lack; holds for all that it draws until the next is taken.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Pen {
    /// Tells a reader of the file what the element stands for; empty for none.
    pub(crate) class: &'static str,
    pub(crate) dash: Option<&'static str>,
}

impl Canvas {
    /// An empty sheet with its title as the accessible name.
    pub(crate) fn new(width: f64, height: f64, title: &str) -> Self {
        let mut canvas = Self {
            width,
            height,
            body: String::new(),
            pen: Pen::default(),
        };
        let _ = writeln!(canvas.body, "<title>{}</title>", escape(title));
        canvas.rect(
            Frame {
                x: 0.0,
                y: 0.0,
                width,
                height,
            },
            Some(Fill::solid(PAPER)),
            None,
        );
        canvas
    }

    pub(crate) fn size(&self) -> (f64, f64) {
        (self.width, self.height)
    }

    pub(crate) fn pen(&self) -> Pen {
        self.pen
    }

    /// Sets the class and the dashes of what `plotters` draws from now on.
    pub(crate) fn take_pen(&mut self, class: &'static str, dash: Option<&'static str>) {
        self.pen = Pen { class, dash };
    }

    pub(crate) fn rect(&mut self, frame: Frame, fill: Option<Fill>, stroke: Option<Stroke>) {
        let _ = writeln!(
            self.body,
            r#"<rect x="{}" y="{}" width="{}" height="{}"{}/>"#,
            number(frame.x),
            number(frame.y),
            number(frame.width.max(0.0)),
            number(frame.height.max(0.0)),
            paint(fill, stroke)
        );
    }

    pub(crate) fn line(&mut self, from: (f64, f64), to: (f64, f64), stroke: Stroke) {
        self.path(&Path::line([from, to]), None, Some(stroke), "");
    }

    /// Draws an outline; `class` tells a reader of the file what it stands for (empty for none).
    pub(crate) fn path(&mut self, path: &Path, fill: Option<Fill>, stroke: Option<Stroke>, class: &str) {
        if path.is_empty() {
            return;
        }
        let rule = if fill.is_some() {
            r#" fill-rule="evenodd""#
        } else {
            ""
        };
        let _ = writeln!(
            self.body,
            r#"<path{} d="{}"{rule} stroke-linejoin="round"{}/>"#,
            class_attribute(class),
            path.data(),
            paint(fill, stroke)
        );
    }

    pub(crate) fn circle(
        &mut self,
        centre: (f64, f64),
        radius: f64,
        fill: Option<Fill>,
        stroke: Option<Stroke>,
        class: &str,
    ) {
        if !(centre.0.is_finite() && centre.1.is_finite()) {
            return;
        }
        let _ = writeln!(
            self.body,
            r#"<circle{} cx="{}" cy="{}" r="{}"{}/>"#,
            class_attribute(class),
            number(centre.0),
            number(centre.1),
            number(radius),
            paint(fill, stroke)
        );
    }

    pub(crate) fn text(&mut self, at: (f64, f64), content: &str, style: Text) {
        if content.is_empty() || !(at.0.is_finite() && at.1.is_finite()) {
            return;
        }
        let anchor = match style.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let (x, y) = (number(at.0), number(at.1));
        let turn = if style.turn_deg == 0.0 {
            String::new()
        } else {
            format!(r#" transform="rotate({} {x} {y})""#, number(style.turn_deg))
        };
        let halo = if style.halo {
            format!(
                r#" stroke="{}" stroke-width="{}" stroke-linejoin="round" paint-order="stroke""#,
                hex(PAPER),
                number(style.size * 0.28)
            )
        } else {
            String::new()
        };
        let _ = writeln!(
            self.body,
            r#"<text x="{x}" y="{y}" font-size="{}" text-anchor="{anchor}" fill="{}"{halo}{turn}>{}</text>"#,
            number(style.size),
            hex(style.colour),
            escape(content)
        );
    }

    /// Puts a PNG into a frame; `blocky` keeps the edges of large pixels.
    pub(crate) fn image(&mut self, frame: Frame, png: &[u8], blocky: bool) {
        let rendering = if blocky {
            "optimizeSpeed"
        } else {
            "optimizeQuality"
        };
        let _ = writeln!(
            self.body,
            r#"<image x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none" image-rendering="{rendering}" xlink:href="data:image/png;base64,{}"/>"#,
            number(frame.x),
            number(frame.y),
            number(frame.width),
            number(frame.height),
            crate::raster::base64(png)
        );
    }

    /// Starts a group with a class; to be ended with [`Canvas::end_group`].
    pub(crate) fn begin_group(&mut self, class: &str) {
        let _ = writeln!(self.body, "<g{}>", class_attribute(class));
    }

    /// Starts a group that is cut off at a frame; to be ended with [`Canvas::end_group`].
    pub(crate) fn begin_clipped(&mut self, frame: Frame, class: &str) {
        let [x, y, w, h] = [frame.x, frame.y, frame.width, frame.height].map(number);
        let id = format!("clip_{x}_{y}_{w}_{h}").replace('-', "m");
        let _ = writeln!(
            self.body,
            r#"<clipPath id="{id}"><rect x="{x}" y="{y}" width="{w}" height="{h}"/></clipPath><g{} clip-path="url(#{id})">"#,
            class_attribute(class)
        );
    }

    pub(crate) fn end_group(&mut self) {
        self.body.push_str("</g>\n");
    }

    /// The whole file.
    pub(crate) fn finish(&self) -> String {
        let (w, h) = (number(self.width), number(self.height));
        format!(
            concat!(
                r#"<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" "#,
                r#"width="{w}" height="{h}" viewBox="0 0 {w} {h}" role="img" font-family="{family}">"#,
                "\n{body}</svg>\n"
            ),
            w = w,
            h = h,
            family = FONT_FAMILY,
            body = self.body
        )
    }
}

fn class_attribute(class: &str) -> String {
    if class.is_empty() {
        String::new()
    } else {
        format!(r#" class="{}""#, escape(class))
    }
}

fn paint(fill: Option<Fill>, stroke: Option<Stroke>) -> String {
    let fill = fill.map_or_else(|| r#" fill="none""#.to_owned(), |f| f.attributes());
    let stroke = stroke.map_or_else(String::new, |s| s.attributes());
    fill + &stroke
}

#[cfg(test)]
mod tests {
    use super::*;

    // Extensible Markup Language (XML) 1.0, W3C, section 2.4: & and < must be escaped in content, quotes in attributes.
    #[test]
    fn text_cannot_leave_its_element() {
        assert_eq!(
            escape("<b a=\"1\" b='2'>&\u{1}\n</b>"),
            "&lt;b a=&quot;1&quot; b=&#39;2&#39;&gt;&amp; &lt;/b&gt;"
        );
    }

    #[test]
    fn a_clip_region_is_named_after_its_place() {
        let draw = |x| {
            let mut canvas = Canvas::new(400.0, 400.0, "t");
            canvas.begin_clipped(
                Frame {
                    x,
                    y: 2.5,
                    width: 3.0,
                    height: 4.0,
                },
                "",
            );
            canvas.end_group();
            canvas.finish()
        };
        assert!(draw(1.0).contains(r#"id="clip_1_2.5_3_4""#));
        assert!(draw(-1.0).contains(r#"id="clip_m1_2.5_3_4""#));
    }

    #[test]
    fn a_point_that_is_no_number_draws_nothing() {
        let empty = Canvas::new(400.0, 400.0, "t").finish();
        let mut canvas = Canvas::new(400.0, 400.0, "t");
        canvas.circle((f64::NAN, 0.0), 3.0, None, None, "");
        canvas.text((0.0, f64::INFINITY), "x", Text::new(10.0));
        canvas.line((f64::NAN, 0.0), (f64::NAN, 1.0), Stroke::new(INK, 1.0));
        assert_eq!(canvas.finish(), empty);
    }
}
