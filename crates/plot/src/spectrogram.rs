//! Power over time and frequency, with the bursts found in it.

use plotters::element::Rectangle;
use plotters::series::LineSeries;

use crate::axes::{self, Axis, Chart, FrequencyAxis, TICK_PX};
use crate::backend::{self, Sheet, failed};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::error::checked_range;
use crate::raster::level_png;
use crate::style::{ASTRAY, MEASURED, MUTED, PAPER, text_width};
use crate::{PlotError, Size};

/// A burst to be marked.
#[derive(Debug, Clone, PartialEq)]
pub struct BurstMark {
    /// First moment, in seconds on the picture's time axis.
    pub start_s: f64,
    /// Last moment.
    pub stop_s: f64,
    /// Lower edge as an offset from the centre frequency.
    pub low_hz: f64,
    /// Upper edge as an offset from the centre frequency.
    pub high_hz: f64,
    /// Words beside its number, such as `21 dB`; may be empty.
    pub label: String,
}

/// What a spectrogram shows.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrogramPicture {
    /// Width and height.
    pub size: Size,
    /// The title.
    pub title: String,
    /// Mean power in each cell in dBFS, `[time][frequency]`, times and frequencies ascending, all rows of one
    /// length; minus infinity or NaN for a cell without power or data.
    pub rows: Vec<Vec<f32>>,
    /// Start of the first row and end of the last, in seconds.
    pub time_s: (f64, f64),
    /// Lower edge of the first column and upper edge of the last, as offsets from the centre frequency.
    pub frequency_hz: (f64, f64),
    /// The centre frequency; the axis is absolute where it is known.
    pub centre_hz: Option<f64>,
    /// Bursts, in the order in which they are numbered from 1.
    pub bursts: Vec<BurstMark>,
    /// Levels of the lightest and the darkest colour; from the cells where absent.
    pub scale_dbfs: Option<(f64, f64)>,
}

/// A raster prepared for the page: no more cells than pixels that can be seen.
struct Raster {
    width: usize,
    height: usize,
    /// `[row from the top][column]`, dBFS.
    cells_dbfs: Vec<f32>,
}

/// Draws a spectrogram: time to the right, frequency upward, level as darkness, the level of the whole band over time
/// below.
///
/// # Errors
/// [`PlotError`] where there are no cells, rows differ in length or a range is not ascending.
pub fn spectrogram(p: &SpectrogramPicture) -> Result<String, PlotError> {
    let (width, height) = p.size.checked()?;
    check(p)?;
    let strip_height = (height * 0.17).clamp(40.0, 140.0);
    let plot = Frame {
        x: 84.0,
        y: 52.0,
        width: width - 84.0 - 104.0,
        height: height - 52.0 - strip_height - 16.0 - 52.0,
    };
    let strip = Frame {
        y: plot.bottom() + 16.0,
        height: strip_height,
        ..plot
    };
    let raster = prepared(&p.rows, plot);
    let scale = p.scale_dbfs.unwrap_or_else(|| level_range(&raster.cells_dbfs));
    let axis = FrequencyAxis::new(p.frequency_hz, p.centre_hz);
    let sheet = backend::sheet(width, height, &p.title);
    axes::title(&mut sheet.borrow_mut(), &p.title, width);
    draw_raster(&mut sheet.borrow_mut(), plot, &raster, scale)?;
    let time = Axis {
        range: p.time_s,
        title: None,
    };
    let frequency = Axis {
        range: (axis.from, axis.to),
        title: Some(&axis.title),
    };
    let chart = axes::chart(&sheet, plot, time, frequency, false)?;
    draw_bursts(&mut sheet.borrow_mut(), plot, p, &axis, &chart);
    axes::border(&mut sheet.borrow_mut(), plot);
    draw_colour_bar(&sheet, plot, width, scale)?;
    draw_strip(&sheet, strip, p)?;
    Ok(sheet.borrow().finish())
}

fn check(p: &SpectrogramPicture) -> Result<(), PlotError> {
    let columns = p.rows.first().map_or(0, Vec::len);
    if columns == 0 {
        return Err(PlotError::Empty {
            picture: "spectrogram",
            missing: "cells",
        });
    }
    if let Some((index, row)) = p.rows.iter().enumerate().find(|(_, row)| row.len() != columns) {
        return Err(PlotError::Length {
            field: format!("row {index} of the spectrogram"),
            found: row.len(),
            expected: columns,
        });
    }
    checked_range("time_s", p.time_s)?;
    checked_range("frequency_hz", p.frequency_hz)?;
    p.scale_dbfs.map_or(Ok(()), |s| checked_range("scale_dbfs", s))
}

fn power(dbfs: f32) -> f64 {
    if dbfs.is_finite() {
        10_f64.powf(f64::from(dbfs) / 10.0)
    } else {
        0.0
    }
}

fn level_dbfs(power: f64) -> f64 {
    if power > 0.0 {
        10.0 * power.log10()
    } else {
        f64::NEG_INFINITY
    }
}

/// Turns the rows into an image, frequency upward. Where there are more cells than pixels, powers (not decibels) of
/// the cells that share a pixel are averaged.
fn prepared(rows: &[Vec<f32>], plot: Frame) -> Raster {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a frame inside a picture of checked size"
    )]
    let pixels = |side: f64| (side.max(1.0) * 1.5) as usize;
    let columns = rows.first().map_or(0, Vec::len);
    let width = rows.len().min(pixels(plot.width).max(1));
    let height = columns.min(pixels(plot.height).max(1));
    let share = |i: usize, parts: usize, whole: usize| i * whole / parts..((i + 1) * whole / parts);
    let mut cells_dbfs = Vec::with_capacity(width * height);
    for y in 0..height {
        let bins = share(height - 1 - y, height, columns);
        for x in 0..width {
            let times = share(x, width, rows.len());
            let count = (times.len() * bins.len()).max(1);
            let sum: f64 = rows[times]
                .iter()
                .flat_map(|row| row[bins.clone()].iter())
                .map(|dbfs| power(*dbfs))
                .sum();
            #[expect(clippy::cast_possible_truncation, reason = "a level to a tenth of a decibel")]
            cells_dbfs.push(level_dbfs(sum / count as f64) as f32);
        }
    }
    Raster {
        width,
        height,
        cells_dbfs,
    }
}

/// From 3 dB under the median, which is noise in most recordings, to the strongest cells: noise stays light.
fn level_range(cells_dbfs: &[f32]) -> (f64, f64) {
    let mut sorted: Vec<f32> = cells_dbfs.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f32::total_cmp);
    let (Some(_), Some(last)) = (sorted.first(), sorted.last()) else {
        return (-120.0, 0.0);
    };
    let low = (f64::from(sorted[sorted.len() / 2]) - 3.0).floor();
    let high = f64::from(*last);
    let high = ((high / 5.0).ceil() * 5.0).max(low + 20.0);
    (low, high)
}

fn draw_raster(
    canvas: &mut Canvas,
    plot: Frame,
    raster: &Raster,
    scale: (f64, f64),
) -> Result<(), PlotError> {
    #[expect(clippy::cast_possible_truncation, reason = "a share between 0 and 1")]
    let shares: Vec<f32> = raster
        .cells_dbfs
        .iter()
        .map(|dbfs| ((f64::from(*dbfs) - scale.0) / (scale.1 - scale.0)) as f32)
        .collect();
    let png = level_png(raster.width, raster.height, &shares)?;
    let blocky = (raster.width as f64) < plot.width || (raster.height as f64) < plot.height;
    canvas.image(plot, &png, blocky);
    Ok(())
}

fn draw_bursts(
    canvas: &mut Canvas,
    plot: Frame,
    p: &SpectrogramPicture,
    axis: &FrequencyAxis,
    chart: &Chart,
) {
    canvas.begin_clipped(plot, "bursts");
    let mut free_from = f64::NEG_INFINITY;
    for (index, burst) in p.bursts.iter().enumerate() {
        let ends = [burst.start_s, burst.stop_s, burst.low_hz, burst.high_hz];
        if ends.iter().any(|v| !v.is_finite()) || burst.stop_s < p.time_s.0 || burst.start_s > p.time_s.1 {
            continue;
        }
        let (left, top) = axes::held_px(chart, (burst.start_s, axis.value(burst.high_hz)));
        let (right, bottom) = axes::held_px(chart, (burst.stop_s, axis.value(burst.low_hz)));
        let outline = Frame {
            x: left,
            y: top,
            width: (right - left).max(1.0),
            height: (bottom - top).max(1.0),
        };
        canvas.rect(outline, None, Some(Stroke::new(PAPER, 3.0).opacity(0.7)));
        canvas.rect(outline, None, Some(Stroke::new(ASTRAY, 1.6)));
        let next = p.bursts[index + 1..]
            .iter()
            .filter(|b| b.start_s.is_finite())
            .map(|b| axes::held_px(chart, (b.start_s, axis.from)).0)
            .filter(|x| *x > outline.x)
            .fold(plot.right(), f64::min);
        free_from = draw_burst_label(
            canvas,
            plot,
            outline,
            (index + 1, &burst.label),
            (free_from, next),
        );
    }
    canvas.end_group();
}

/// Writes the number and, where there is room up to the next burst, the words; returns where the next label may begin.
fn draw_burst_label(
    canvas: &mut Canvas,
    plot: Frame,
    outline: Frame,
    (number, label): (usize, &str),
    (free_from, free_to): (f64, f64),
) -> f64 {
    // Bursts so close that their numbers would cover each other are boxed but not numbered.
    if outline.x < free_from {
        return free_from;
    }
    let number = number.to_string();
    let number_width = text_width(&number, TICK_PX) + 8.0;
    let above = outline.y - 18.0;
    let badge = Frame {
        x: outline.x.min(plot.right() - number_width),
        y: if above > plot.y + 1.0 {
            above
        } else {
            outline.y + 2.0
        },
        width: number_width,
        height: 16.0,
    };
    canvas.rect(badge, Some(Fill::solid(ASTRAY)), None);
    canvas.text(
        (badge.x + number_width / 2.0, badge.y + 12.5),
        &number,
        Text::new(TICK_PX).anchor(Anchor::Middle).colour(PAPER),
    );
    let words_width = text_width(label, TICK_PX) + 8.0;
    if label.is_empty() || words_width > free_to - badge.right() {
        return badge.right() + 2.0;
    }
    let at = (badge.right() + 4.0, badge.y + 12.5);
    canvas.text(at, label, Text::new(TICK_PX).halo());
    badge.right() + words_width + 2.0
}

fn draw_colour_bar(sheet: &Sheet, plot: Frame, width: f64, scale: (f64, f64)) -> Result<(), PlotError> {
    let bar = Frame {
        x: plot.right() + 18.0,
        y: plot.y,
        width: 16.0,
        height: plot.height,
    };
    let steps: u16 = 256;
    #[expect(clippy::cast_possible_truncation, reason = "a share between 0 and 1")]
    let shares: Vec<f32> = (0..steps)
        .map(|i| (1.0 - f64::from(i) / f64::from(steps - 1)) as f32)
        .collect();
    let png = level_png(1, usize::from(steps), &shares)?;
    sheet.borrow_mut().image(bar, &png, false);
    axes::bar_scale(sheet, bar, scale)?;
    let mut canvas = sheet.borrow_mut();
    axes::border(&mut canvas, bar);
    canvas.text(
        (width - 14.0, bar.y + bar.height / 2.0),
        "level in one cell, dBFS",
        Text::new(axes::AXIS_PX)
            .anchor(Anchor::Middle)
            .colour(MUTED)
            .turned(-90.0),
    );
    Ok(())
}

fn draw_strip(sheet: &Sheet, strip: Frame, p: &SpectrogramPicture) -> Result<(), PlotError> {
    let levels: Vec<f64> = p
        .rows
        .iter()
        .map(|row| level_dbfs(row.iter().map(|dbfs| power(*dbfs)).sum()))
        .collect();
    let finite = || levels.iter().copied().filter(|v| v.is_finite());
    let low = finite().fold(f64::INFINITY, f64::min);
    let high = finite().fold(f64::NEG_INFINITY, f64::max);
    let (low, high) = if low <= high { (low, high) } else { (-100.0, 0.0) };
    let margin = ((high - low) * 0.08).max(1.0);
    let time = Axis {
        range: p.time_s,
        title: Some("time from the first sample, s"),
    };
    let level = Axis {
        range: (low - margin, high + margin),
        title: Some("dBFS"),
    };
    let mut chart = axes::chart(sheet, strip, time, level, true)?;
    sheet.borrow_mut().begin_clipped(strip, "level");
    for burst in &p.bursts {
        if burst.start_s.is_finite() && burst.stop_s.is_finite() {
            let held = |time_s: f64| time_s.clamp(p.time_s.0, p.time_s.1);
            let corners = [
                (held(burst.start_s), level.range.0),
                (held(burst.stop_s), level.range.1),
            ];
            let band = Rectangle::new(corners, Fill::new(ASTRAY, 0.12).style());
            chart.draw_series([band]).map_err(failed)?;
        }
    }
    let row_s = (p.time_s.1 - p.time_s.0) / levels.len() as f64;
    let points: Vec<(f64, f64)> = levels
        .iter()
        .enumerate()
        .map(|(i, level)| (p.time_s.0 + (i as f64 + 0.5) * row_s, *level))
        .collect();
    sheet.borrow_mut().take_pen("level_over_time", None);
    for part in axes::stretches(&points) {
        let line = LineSeries::new(part, Stroke::new(MEASURED, 1.4).style());
        chart.draw_series(line).map_err(failed)?;
    }
    let mut canvas = sheet.borrow_mut();
    canvas.take_pen("", None);
    canvas.end_group();
    axes::border(&mut canvas, strip);
    for (words, line) in ["level of the", "whole band"].into_iter().zip([0.0, 1.0]) {
        let at = (strip.right() + 12.0, strip.y + 14.0 + 16.0 * line);
        canvas.text(at, words, Text::new(TICK_PX).colour(MUTED));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    // 0 dBFS and nothing average to half the power: 10 log10(0.5) = -3.0103 dB.
    #[test]
    fn cells_that_share_a_pixel_average_their_powers() {
        let rows = vec![vec![0.0], vec![f32::NEG_INFINITY]];
        let frame = Frame {
            x: 0.0,
            y: 0.0,
            width: 0.5,
            height: 0.5,
        };
        let raster = prepared(&rows, frame);
        assert_eq!((raster.width, raster.height), (1, 1));
        assert!((raster.cells_dbfs[0] + 3.0103).abs() < 1e-3);
    }

    #[test]
    fn the_highest_frequency_is_the_top_row() {
        let rows = vec![vec![-90.0, -50.0, -10.0]];
        let frame = Frame {
            x: 0.0,
            y: 0.0,
            width: 100.0,
            height: 100.0,
        };
        let cells = prepared(&rows, frame).cells_dbfs;
        assert!(cells[0] > cells[1] && cells[1] > cells[2]);
    }

    #[test]
    fn the_scale_spans_at_least_twenty_decibels() {
        assert_eq!(level_range(&[-80.0; 8]), (-83.0, -63.0));
        assert_eq!(level_range(&[f32::NAN]), (-120.0, 0.0));
    }
}
