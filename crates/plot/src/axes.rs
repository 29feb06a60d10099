//! Axes of the rectangular plots.

use std::ops::Range;

use plotters::chart::{ChartBuilder, ChartContext};
use plotters::coord::cartesian::Cartesian2d;
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use plotters::style::{FontFamily, RGBColor, TextStyle};

use crate::PlotError;
use crate::backend::{Sheet, failed, page, px, units};
use crate::canvas::{Canvas, Frame, Stroke, Text};
use crate::style::{FRAME, GRID, INK, MUTED};
use crate::ticks::{decimals, signed, ticks};

/// Type size of tick labels.
pub(crate) const TICK_PX: f64 = 12.0;
/// Type size of axis titles.
pub(crate) const AXIS_PX: f64 = 13.0;
/// Type size of picture titles.
pub(crate) const TITLE_PX: f64 = 18.0;
/// Length of a tick; plotters puts its number at twice that from the axis.
const TICK_LENGTH_PX: f64 = 4.0;
/// From the axis below a chart to the lower edge of its title.
const BELOW_PX: f64 = 40.0;
/// From the edge of the sheet to the upper edge of the title of the axis at the left.
const LEFT_PX: f64 = 6.0;

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

/// An axis of a chart.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Axis<'a> {
    /// Ends, ascending.
    pub(crate) range: (f64, f64),
    /// Its title; none for an axis that only has ticks.
    pub(crate) title: Option<&'a str>,
}

/// A rectangular chart with round numbers at its ticks.
pub(crate) type Chart = ChartContext<'static, Canvas, Cartesian2d<Ticked, Ticked>>;

/// A range with round numbers at its ticks.
pub(crate) struct Ticked {
    range: RangedCoordf64,
    at: Vec<f64>,
    /// Of the numbers; none for ticks without numbers.
    decimals: Option<usize>,
}

impl Ticked {
    fn new(range: (f64, f64), count: f64, numbers: bool) -> Self {
        let (at, step) = ticks(range.0, range.1, whole(count));
        Self {
            range: (range.0..range.1).into(),
            at,
            decimals: numbers.then(|| decimals(step)),
        }
    }
}

impl Ranged for Ticked {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.range.map(value, limit)
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            Vec::new()
        } else {
            self.at.clone()
        }
    }

    fn range(&self) -> Range<f64> {
        self.range.range()
    }
}

impl ValueFormatter<f64> for Ticked {
    fn format_ext(&self, value: &f64) -> String {
        self.decimals
            .map_or_else(String::new, |decimals| signed(*value, decimals))
    }
}

/// Draws ticks, numbers and titles below and left of a frame, with grid lines into it where asked for.
pub(crate) fn chart(sheet: &Sheet, frame: Frame, x: Axis, y: Axis, grid: bool) -> Result<Chart, PlotError> {
    let page = page(sheet);
    let (width, height) = sheet.borrow().size();
    let (below, left) = (
        x.title.map_or(TICK_LENGTH_PX + 1.0, |_| BELOW_PX),
        frame.x - LEFT_PX,
    );
    let across = Ticked::new(x.range, (frame.width / 85.0).clamp(2.0, 14.0), x.title.is_some());
    let up = Ticked::new(y.range, (frame.height / 30.0).clamp(3.0, 12.0), y.title.is_some());
    let mut chart = ChartBuilder::on(&page)
        .margin_top(units(frame.y))
        .margin_right(units(width - frame.right()))
        .margin_bottom(units(height - frame.bottom() - below))
        .margin_left(units(LEFT_PX))
        .x_label_area_size(units(below))
        .y_label_area_size(units(left))
        .build_cartesian_2d(across, up)
        .map_err(failed)?;
    let mut mesh = chart.configure_mesh();
    if !grid {
        mesh.disable_mesh();
    }
    mesh.bold_line_style(Stroke::new(GRID, 1.0).style())
        .axis_style(Stroke::new(FRAME, 1.0).style())
        .label_style(words(TICK_PX, &INK))
        .axis_desc_style(words(AXIS_PX, &MUTED))
        .set_all_tick_mark_size(units(TICK_LENGTH_PX))
        .x_desc(x.title.unwrap_or_default())
        .y_desc(y.title.unwrap_or_default())
        .draw()
        .map_err(failed)?;
    Ok(chart)
}

/// Draws the numbers of a bar's upward scale at its right side.
pub(crate) fn bar_scale(sheet: &Sheet, bar: Frame, range: (f64, f64)) -> Result<(), PlotError> {
    let (width, height) = sheet.borrow().size();
    ChartBuilder::on(&page(sheet))
        .margin_top(units(bar.y))
        .margin_bottom(units(height - bar.bottom()))
        .margin_left(units(bar.x))
        .right_y_label_area_size(units(width - bar.right()))
        .build_cartesian_2d(0.0..1.0, Ticked::new(range, 8.0, true))
        .map_err(failed)?
        .configure_mesh()
        .disable_mesh()
        .axis_style(Stroke::new(FRAME, 1.0).style())
        .label_style(words(TICK_PX, &INK))
        .set_all_tick_mark_size(units(TICK_LENGTH_PX))
        .draw()
        .map_err(failed)
}

/// Where a point of a chart stands on the sheet, in CSS pixels, held inside the chart.
pub(crate) fn held_px(chart: &Chart, point: (f64, f64)) -> (f64, f64) {
    let held = |value: f64, range: Range<f64>| value.max(range.start).min(range.end);
    px(chart.backend_coord(&(held(point.0, chart.x_range()), held(point.1, chart.y_range()))))
}

/// The stretches of a line without a gap; a point that is not finite makes one.
pub(crate) fn stretches(points: &[(f64, f64)]) -> impl Iterator<Item = Vec<(f64, f64)>> {
    points
        .split(|(x, y)| !(x.is_finite() && y.is_finite()))
        .filter(|part| part.len() > 1)
        .map(<[_]>::to_vec)
}

fn words(size_px: f64, colour: &RGBColor) -> TextStyle<'_> {
    TextStyle::from((FontFamily::SansSerif, units(size_px))).color(colour)
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
