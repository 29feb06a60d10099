//! Power over frequency.

use crate::axes::{self, FrequencyAxis, Scale, TICK_PX};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::error::checked_range;
use crate::path::Path;
use crate::style::{ASTRAY, MEASURED, fitted};
use crate::{PlotError, Size};

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
    let frequency = Scale {
        from: axis.from,
        to: axis.to,
        from_px: plot.x,
        to_px: plot.right(),
    };
    let (low, high) = level_range(p);
    let level = Scale {
        from: low,
        to: high,
        from_px: plot.bottom(),
        to_px: plot.y,
    };
    let mut canvas = Canvas::new(width, height, &p.title);
    axes::title(&mut canvas, &p.title, width);
    axes::horizontal(&mut canvas, plot, &frequency, Some(&axis.title), true);
    axes::vertical(&mut canvas, plot, &level, &level_title(p), true);
    canvas.begin_clipped(plot, "spectrum");
    draw_marks(&mut canvas, plot, p, &axis, &frequency);
    let line = |values: &[f64]| {
        let bin_hz = (p.frequency_hz.1 - p.frequency_hz.0) / values.len() as f64;
        let points: Vec<(f64, f64)> = values
            .iter()
            .enumerate()
            .map(|(i, dbfs)| {
                let offset_hz = p.frequency_hz.0 + (i as f64 + 0.5) * bin_hz;
                (frequency.px(axis.value(offset_hz)), level.px(*dbfs))
            })
            .collect();
        Path::line(points)
    };
    if !p.peaks_dbfs.is_empty() {
        let stroke = Stroke::new(MEASURED, 1.0).opacity(0.4);
        canvas.path(&line(&p.peaks_dbfs), None, Some(stroke), "peak");
    }
    canvas.path(
        &line(&p.levels_dbfs),
        None,
        Some(Stroke::new(MEASURED, 1.4)),
        "mean",
    );
    canvas.end_group();
    axes::border(&mut canvas, plot);
    draw_legend(&mut canvas, plot, p);
    Ok(canvas.finish())
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

fn draw_marks(canvas: &mut Canvas, plot: Frame, p: &SpectrumPicture, axis: &FrequencyAxis, scale: &Scale) {
    let mut row = 0_u32;
    let mut free_from = f64::NEG_INFINITY;
    for mark in &p.marks {
        let (left, right) = (
            scale.px(axis.value(mark.low_hz)),
            scale.px(axis.value(mark.high_hz)),
        );
        if !(left.is_finite() && right.is_finite()) || right < plot.x || left > plot.right() {
            continue;
        }
        let band = Frame {
            x: left.max(plot.x),
            width: (right.min(plot.right()) - left.max(plot.x)).max(1.0),
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
    let keys = [
        ("strongest", Stroke::new(MEASURED, 1.0).opacity(0.4)),
        ("mean", Stroke::new(MEASURED, 1.6)),
    ];
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
