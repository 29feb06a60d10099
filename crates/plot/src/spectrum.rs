//! Power over frequency.

use plotters::series::LineSeries;

use crate::axes::{self, Axis, Chart, FrequencyAxis, TICK_PX};
use crate::backend::{self, Sheet, failed};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::error::checked_range;
use crate::style::{ASTRAY, MEASURED, fitted};
use crate::{PlotError, Size};

/// The line of the strongest powers.
const PEAK: Stroke = Stroke {
    colour: MEASURED,
    width: 1.0,
    dash: None,
    opacity: 0.4,
};

/// A stretch of frequencies to be marked.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrumMark {
    /// Lower edge as an offset from the centre frequency.
    pub low_hz: f64,
    /// Upper edge as an offset from the centre frequency.
    pub high_hz: f64,
    /// What it is; may be empty.
    pub label: String,
}

/// What a spectrum plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrumPicture {
    /// Width and height.
    pub size: Size,
    /// The title.
    pub title: String,
    /// Lower edge of the first bin and upper edge of the last, as offsets from the centre frequency.
    pub frequency_hz: (f64, f64),
    /// Mean power of each bin in dBFS, frequencies ascending; minus infinity or NaN for one without power.
    pub levels_dbfs: Vec<f64>,
    /// Strongest power seen in each bin, in dBFS, same length; may be empty.
    pub peaks_dbfs: Vec<f64>,
    /// Equivalent noise bandwidth of one bin: what the levels refer to.
    pub bin_bandwidth_hz: Option<f64>,
    /// The centre frequency; the axis is absolute where it is known.
    pub centre_hz: Option<f64>,
    /// Stretches to be marked.
    pub marks: Vec<SpectrumMark>,
}

/// Draws the mean (and where given the peak) power over frequency.
///
/// # Errors
/// [`PlotError`] where there are no levels, the lists differ in length or a range is not ascending.
pub fn spectrum(p: &SpectrumPicture) -> Result<String, PlotError> {
    let (width, height) = p.size.checked()?;
    check(p)?;
    let plot = Frame {
        x: 84.0,
        y: 52.0,
        width: width - 84.0 - 24.0,
        height: height - 52.0 - 52.0,
    };
    let axis = FrequencyAxis::new(p.frequency_hz, p.centre_hz);
    let sheet = backend::sheet(width, height, &p.title);
    axes::title(&mut sheet.borrow_mut(), &p.title, width);
    let across = Axis {
        range: (axis.from, axis.to),
        title: Some(&axis.title),
    };
    let title = level_title(p);
    let up = Axis {
        range: level_range(p),
        title: Some(&title),
    };
    let mut chart = axes::chart(&sheet, plot, across, up, true)?;
    sheet.borrow_mut().begin_clipped(plot, "spectrum");
    draw_marks(&mut sheet.borrow_mut(), plot, p, &axis, &chart);
    if !p.peaks_dbfs.is_empty() {
        draw_levels(&sheet, &mut chart, p, &axis, &p.peaks_dbfs, ("peak", PEAK))?;
    }
    draw_levels(
        &sheet,
        &mut chart,
        p,
        &axis,
        &p.levels_dbfs,
        ("mean", Stroke::new(MEASURED, 1.4)),
    )?;
    let mut canvas = sheet.borrow_mut();
    canvas.end_group();
    axes::border(&mut canvas, plot);
    draw_legend(&mut canvas, plot, p);
    Ok(canvas.finish())
}

fn draw_levels(
    sheet: &Sheet,
    chart: &mut Chart,
    p: &SpectrumPicture,
    axis: &FrequencyAxis,
    levels_dbfs: &[f64],
    (class, stroke): (&'static str, Stroke),
) -> Result<(), PlotError> {
    let bin_hz = (p.frequency_hz.1 - p.frequency_hz.0) / levels_dbfs.len() as f64;
    let lowest = chart.y_range().start;
    let points: Vec<(f64, f64)> = levels_dbfs
        .iter()
        .enumerate()
        .map(|(i, dbfs)| {
            let offset_hz = p.frequency_hz.0 + (i as f64 + 0.5) * bin_hz;
            let dbfs = if dbfs.is_finite() {
                dbfs.max(lowest)
            } else {
                f64::NAN
            };
            (axis.value(offset_hz), dbfs)
        })
        .collect();
    sheet.borrow_mut().take_pen(class, None);
    for part in axes::stretches(&points) {
        chart
            .draw_series(LineSeries::new(part, stroke.style()))
            .map_err(failed)?;
    }
    sheet.borrow_mut().take_pen("", None);
    Ok(())
}

fn check(p: &SpectrumPicture) -> Result<(), PlotError> {
    if p.levels_dbfs.is_empty() {
        return Err(PlotError::Empty {
            picture: "spectrum",
            missing: "levels",
        });
    }
    if !p.peaks_dbfs.is_empty() && p.peaks_dbfs.len() != p.levels_dbfs.len() {
        return Err(PlotError::Length {
            field: "peaks_dbfs".to_owned(),
            found: p.peaks_dbfs.len(),
            expected: p.levels_dbfs.len(),
        });
    }
    checked_range("frequency_hz", p.frequency_hz)
}

fn level_title(p: &SpectrumPicture) -> String {
    match p.bin_bandwidth_hz.filter(|b| b.is_finite() && *b > 0.0) {
        Some(hz) => {
            let (factor, unit) = axes::frequency_unit(hz);
            format!("level in {:.3} {unit}, dBFS", Rounded(hz / factor))
        }
        None => "level in one bin, dBFS".to_owned(),
    }
}

/// Prints a positive number with as many significant digits as the precision asks for.
struct Rounded(f64);

impl std::fmt::Display for Rounded {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let digits = f.precision().unwrap_or(3);
        let before = self.0.log10().floor().max(0.0) + 1.0;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "1 to 309 digits"
        )]
        let after = digits.saturating_sub(before as usize);
        let text = format!("{:.after$}", self.0);
        let text = if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.')
        } else {
            &text
        };
        f.write_str(text)
    }
}

fn level_range(p: &SpectrumPicture) -> (f64, f64) {
    let finite = || {
        p.levels_dbfs
            .iter()
            .chain(&p.peaks_dbfs)
            .copied()
            .filter(|v| v.is_finite())
    };
    let high = finite().fold(f64::NEG_INFINITY, f64::max);
    // A bin without power must not squeeze the rest.
    let low = finite().fold(f64::INFINITY, f64::min).max(high - 140.0);
    if low > high || !low.is_finite() {
        return (-120.0, 0.0);
    }
    let low = (low / 5.0).floor() * 5.0 - 5.0;
    let high = ((high / 5.0).ceil() * 5.0 + 5.0).max(low + 20.0);
    (low, high)
}

fn draw_marks(canvas: &mut Canvas, plot: Frame, p: &SpectrumPicture, axis: &FrequencyAxis, chart: &Chart) {
    let mut row = 0_u32;
    let mut free_from = f64::NEG_INFINITY;
    for mark in &p.marks {
        let (low, high) = (axis.value(mark.low_hz), axis.value(mark.high_hz));
        if !(low.is_finite() && high.is_finite()) || high < axis.from || low > axis.to {
            continue;
        }
        let (left, right) = (
            axes::held_px(chart, (low, 0.0)).0,
            axes::held_px(chart, (high, 0.0)).0,
        );
        let band = Frame {
            x: left,
            width: (right - left).max(1.0),
            ..plot
        };
        canvas.rect(band, Some(Fill::new(ASTRAY, 0.14)), None);
        // Labels of neighbours go one line further down.
        row = if band.x < free_from { (row + 1) % 6 } else { 0 };
        let label = fitted(&mark.label, TICK_PX, plot.right() - band.x - 8.0);
        free_from = free_from.max(band.x + crate::style::text_width(&label, TICK_PX) + 10.0);
        let y = plot.y + 16.0 + 16.0 * f64::from(row);
        canvas.text(
            (band.x + 4.0, y),
            &label,
            Text::new(TICK_PX).colour(ASTRAY).halo(),
        );
    }
}

fn draw_legend(canvas: &mut Canvas, plot: Frame, p: &SpectrumPicture) {
    if p.peaks_dbfs.is_empty() {
        return;
    }
    let (y, mut x) = (plot.y - 8.0, plot.right());
    let keys = [("strongest", PEAK), ("mean", Stroke::new(MEASURED, 1.6))];
    for (words, stroke) in keys {
        canvas.text((x, y), words, Text::new(TICK_PX).anchor(Anchor::End));
        x -= crate::style::text_width(words, TICK_PX) + 8.0;
        canvas.line((x - 24.0, y - 4.0), (x, y - 4.0), stroke);
        x -= 24.0 + 20.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bandwidths_are_printed_to_three_digits() {
        for (value, text) in [
            (12.3456, "12.3"),
            (1.0, "1"),
            (1234.5, "1234"),
            (0.5, "0.5"),
            (100.0, "100"),
        ] {
            assert_eq!(format!("{:.3}", Rounded(value)), text);
        }
    }
}
