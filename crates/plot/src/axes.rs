//! Axes of the rectangular plots.

use crate::canvas::{Anchor, Canvas, Frame, Stroke, Text};
use crate::style::{FRAME, GRID, INK, MUTED};
use crate::ticks::{decimals, signed, ticks};

/// Type size of tick labels.
pub(crate) const TICK_PX: f64 = 12.0;
/// Type size of axis titles.
pub(crate) const AXIS_PX: f64 = 13.0;
/// Type size of picture titles.
pub(crate) const TITLE_PX: f64 = 18.0;

/// A straight scale from a range of values to a range of pixels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) from_px: f64,
    pub(crate) to_px: f64,
}

impl Scale {
    pub(crate) fn px(&self, value: f64) -> f64 {
        self.from_px + (value - self.from) / (self.to - self.from) * (self.to_px - self.from_px)
    }

    /// The same, held inside the range.
    pub(crate) fn px_held(&self, value: f64) -> f64 {
        self.px(value.clamp(self.from, self.to))
    }
}

/// The unit in which frequencies of a range read best: its factor and name.
pub(crate) fn frequency_unit(largest_hz: f64) -> (f64, &'static str) {
    match largest_hz.abs() {
        f if f >= 1e6 => (1e6, "MHz"),
        f if f >= 1e3 => (1e3, "kHz"),
        _ => (1.0, "Hz"),
    }
}

/// What a frequency axis shows: range in its unit and title.
pub(crate) struct FrequencyAxis {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) factor: f64,
    pub(crate) offset_hz: f64,
    pub(crate) title: String,
}

impl FrequencyAxis {
    /// Absolute in MHz where the centre is known, else as an offset from the centre.
    pub(crate) fn new(range_hz: (f64, f64), centre_hz: Option<f64>) -> Self {
        let known = centre_hz.filter(|c| c.is_finite());
        let offset_hz = known.unwrap_or(0.0);
        let (low, high) = (range_hz.0 + offset_hz, range_hz.1 + offset_hz);
        let (factor, unit) = match known {
            Some(_) => (1e6, "MHz"),
            None => frequency_unit(low.abs().max(high.abs())),
        };
        let title = match known {
            Some(_) => format!("frequency, {unit}"),
            None => format!("offset from the centre, {unit}"),
        };
        Self {
            from: low / factor,
            to: high / factor,
            factor,
            offset_hz,
            title,
        }
    }

    /// An offset from the centre in the unit of the axis.
    pub(crate) fn value(&self, offset_hz: f64) -> f64 {
        (offset_hz + self.offset_hz) / self.factor
    }
}

/// Draws a horizontal axis below a frame, with grid lines into it where asked for.
pub(crate) fn horizontal(canvas: &mut Canvas, frame: Frame, scale: &Scale, title: Option<&str>, grid: bool) {
    let room = (frame.width / 85.0).clamp(2.0, 14.0);
    let (values, step) = ticks(scale.from, scale.to, whole(room));
    for value in values {
        let x = scale.px(value);
        if grid {
            canvas.line((x, frame.y), (x, frame.bottom()), Stroke::new(GRID, 1.0));
        }
        canvas.line(
            (x, frame.bottom()),
            (x, frame.bottom() + 5.0),
            Stroke::new(FRAME, 1.0),
        );
        if title.is_some() {
            canvas.text(
                (x, frame.bottom() + 7.0 + TICK_PX),
                &signed(value, decimals(step)),
                Text::new(TICK_PX).anchor(Anchor::Middle),
            );
        }
    }
    if let Some(title) = title {
        canvas.text(
            (
                frame.x + frame.width / 2.0,
                frame.bottom() + 12.0 + TICK_PX + AXIS_PX,
            ),
            title,
            Text::new(AXIS_PX).anchor(Anchor::Middle).colour(MUTED),
        );
    }
}

/// Draws a vertical axis left of a frame, with grid lines into it where asked for.
pub(crate) fn vertical(canvas: &mut Canvas, frame: Frame, scale: &Scale, title: &str, grid: bool) {
    let room = (frame.height / 30.0).clamp(3.0, 12.0);
    let (values, step) = ticks(scale.from, scale.to, whole(room));
    for value in values {
        let y = scale.px(value);
        if grid {
            canvas.line((frame.x, y), (frame.right(), y), Stroke::new(GRID, 1.0));
        }
        canvas.line((frame.x - 5.0, y), (frame.x, y), Stroke::new(FRAME, 1.0));
        canvas.text(
            (frame.x - 8.0, y + TICK_PX * 0.36),
            &signed(value, decimals(step)),
            Text::new(TICK_PX).anchor(Anchor::End),
        );
    }
    canvas.text(
        (18.0, frame.y + frame.height / 2.0),
        title,
        Text::new(AXIS_PX)
            .anchor(Anchor::Middle)
            .colour(MUTED)
            .turned(-90.0),
    );
}

/// Draws the border of a plot.
pub(crate) fn border(canvas: &mut Canvas, frame: Frame) {
    canvas.rect(frame, None, Some(Stroke::new(FRAME, 1.0)));
}

/// Writes the title of a picture at its upper left corner.
pub(crate) fn title(canvas: &mut Canvas, text: &str, width: f64) {
    let text = crate::style::fitted(text, TITLE_PX, width - 40.0);
    canvas.text((20.0, 30.0), &text, Text::new(TITLE_PX).colour(INK));
}

fn whole(count: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "callers clamp to a small positive number"
    )]
    let count = count as usize;
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_centre_makes_the_axis_absolute() {
        let axis = FrequencyAxis::new((-12_500.0, 12_500.0), Some(144.325e6));
        assert!((axis.from - 144.3125).abs() < 1e-9 && (axis.to - 144.3375).abs() < 1e-9);
        assert!((axis.value(5_000.0) - 144.33).abs() < 1e-9);
        assert_eq!(axis.title, "frequency, MHz");
        let offset = FrequencyAxis::new((-12_500.0, 12_500.0), None);
        assert!((offset.from + 12.5).abs() < 1e-12);
        assert_eq!(offset.title, "offset from the centre, kHz");
    }
}
