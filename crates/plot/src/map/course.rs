//! Several maps of one part of the earth side by side, and how a region shrank over the entries of a hunt.

use super::view::View;
use super::{MapPicture, MapStation, check, content, furniture};
use crate::axes;
use crate::backend::{self, Sheet};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::labels::Labels;
use crate::path::Path;
use crate::style::{GRID, INK, MUTED, PAPER, PROBABLE, PROBABLE_EDGE, fitted, text_width};
use crate::{PlotError, Size};

/// Most maps on one sheet.
const MOST_MAPS: usize = 12;
/// Room above each map for its caption.
const CAPTION_PX: f64 = 24.0;
const GAP_PX: f64 = 16.0;
const TOP_PX: f64 = 48.0;
const LEFT_PX: f64 = 74.0;
const RIGHT_PX: f64 = 22.0;
/// Share of the height that the areas get.
const CHART_SHARE: f64 = 0.3;

/// One entry of a hunt.
#[derive(Debug, Clone, PartialEq)]
pub struct CourseStep {
    /// A short name, such as the entry's number.
    pub label: String,
    /// Area of the 50 % region; absent where there is no position.
    pub area50_km2: Option<f64>,
    /// Area of the 95 % region.
    pub area95_km2: Option<f64>,
}

/// A map with words above it.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptionedMap<'a> {
    /// The words.
    pub caption: String,
    /// The map; its size and title are not used.
    pub map: MapPicture<'a>,
}

/// How a hunt went.
#[derive(Debug, Clone, PartialEq)]
pub struct CoursePicture<'a> {
    /// Width and height.
    pub size: Size,
    /// The title.
    pub title: String,
    /// What the steps are: the words below their labels.
    pub axis: String,
    /// Every entry, in order.
    pub steps: Vec<CourseStep>,
    /// Maps of some of them, in order; all show the same part of the earth.
    pub maps: Vec<CaptionedMap<'a>>,
}

/// Draws several maps side by side, all of the same part of the earth to the same scale, up to twelve.
///
/// # Errors
/// As [`crate::map`], and [`PlotError`] for no map or more than twelve.
pub fn maps(size: Size, title: &str, list: &[CaptionedMap<'_>]) -> Result<String, PlotError> {
    let (width, height) = size.checked()?;
    let sheet = backend::sheet(width, height, title);
    axes::title(&mut sheet.borrow_mut(), title, width);
    let room = Frame {
        x: RIGHT_PX,
        y: TOP_PX,
        width: width - 2.0 * RIGHT_PX,
        height: height - TOP_PX - GAP_PX,
    };
    draw_maps(&sheet, room, list)?;
    let canvas = sheet.borrow();
    Ok(canvas.finish())
}

/// Draws the areas of the regions over the entries, and maps of some of them below.
///
/// # Errors
/// As [`maps`]; [`PlotError::Empty`] for no entry.
pub fn course(p: &CoursePicture<'_>) -> Result<String, PlotError> {
    let (width, height) = p.size.checked()?;
    if p.steps.is_empty() {
        return Err(PlotError::Empty {
            picture: "course",
            missing: "entries",
        });
    }
    let sheet = backend::sheet(width, height, &p.title);
    axes::title(&mut sheet.borrow_mut(), &p.title, width);
    let chart = Frame {
        x: LEFT_PX,
        y: TOP_PX + 8.0,
        width: width - LEFT_PX - RIGHT_PX,
        height: (height * CHART_SHARE).max(120.0),
    };
    draw_areas(&mut sheet.borrow_mut(), chart, p);
    let top = chart.bottom() + 58.0;
    let room = Frame {
        x: RIGHT_PX,
        y: top,
        width: width - 2.0 * RIGHT_PX,
        height: height - top - GAP_PX,
    };
    if !p.maps.is_empty() {
        draw_maps(&sheet, room, &p.maps)?;
    }
    let canvas = sheet.borrow();
    Ok(canvas.finish())
}

fn draw_maps(sheet: &Sheet, room: Frame, list: &[CaptionedMap<'_>]) -> Result<(), PlotError> {
    if list.is_empty() || list.len() > MOST_MAPS {
        return Err(PlotError::Length {
            field: "the list of maps (1 to 12)".to_owned(),
            found: list.len(),
            expected: list.len().clamp(1, MOST_MAPS),
        });
    }
    for one in list {
        check(&one.map)?;
    }
    let shown = together(list);
    let (columns, rows) = layout(list.len(), room.width / room.height.max(1.0));
    let cell = (
        (room.width - GAP_PX * (columns - 1) as f64) / columns as f64,
        (room.height - GAP_PX * (rows - 1) as f64) / rows as f64,
    );
    for (i, one) in list.iter().enumerate() {
        let (column, row) = ((i % columns) as f64, (i / columns) as f64);
        let frame = Frame {
            x: room.x + column * (cell.0 + GAP_PX),
            y: room.y + row * (cell.1 + GAP_PX) + CAPTION_PX,
            width: cell.0,
            height: (cell.1 - CAPTION_PX).max(40.0),
        };
        draw_one(sheet, frame, &shown, one)?;
    }
    Ok(())
}

fn draw_one(
    sheet: &Sheet,
    frame: Frame,
    shown: &MapPicture<'_>,
    one: &CaptionedMap<'_>,
) -> Result<(), PlotError> {
    let view = View::of(sheet, shown, &[], frame);
    let mut labels = Labels::new(frame);
    sheet.borrow_mut().begin_clipped(frame, "map");
    content::draw(&view, &one.map, &mut labels)?;
    let mut canvas = sheet.borrow_mut();
    furniture::draw_scale_bar(&mut canvas, &view, &mut labels);
    content::draw_labels(&mut canvas, &view, &one.map, &mut labels);
    canvas.end_group();
    axes::border(&mut canvas, frame);
    let words = fitted(&one.caption, 13.0, frame.width);
    canvas.text((frame.x, frame.y - 7.0), &words, Text::new(13.0).colour(INK));
    Ok(())
}

/// One map that shows what any of them shows: its view is theirs.
fn together<'a>(list: &[CaptionedMap<'a>]) -> MapPicture<'a> {
    let mut all = list[list.len() - 1].map.clone();
    for one in list {
        all.stations.extend(one.map.stations.iter().cloned());
        all.truth = all.truth.or(one.map.truth);
        // The region of the last position is shown whole; of the others the middle.
        all.stations.extend(one.map.fix.map(|fix| MapStation {
            name: String::new(),
            position: fix.position,
        }));
    }
    all.fix = all.fix.or_else(|| list.iter().rev().find_map(|one| one.map.fix));
    all
}

/// Columns and rows of `count` maps in a room of that width to height.
fn layout(count: usize, shape: f64) -> (usize, usize) {
    (1..=count)
        .map(|columns| (columns, count.div_ceil(columns)))
        .min_by(|&(a, b), &(c, d)| {
            // A map is good to read a little wider than high.
            let off = |columns: usize, rows: usize| {
                let empty = (columns * rows - count) as f64;
                (shape * rows as f64 / columns as f64 / 1.3).ln().abs() + 0.25 * empty
            };
            off(a, b).total_cmp(&off(c, d))
        })
        .unwrap_or((1, 1))
}

fn draw_areas(canvas: &mut Canvas, frame: Frame, p: &CoursePicture<'_>) {
    let steps = &p.steps;
    let sound = |a: Option<f64>| a.filter(|a| a.is_finite() && *a > 0.0).map(f64::log10);
    let logs: Vec<(Option<f64>, Option<f64>)> = steps
        .iter()
        .map(|s| (sound(s.area50_km2), sound(s.area95_km2)))
        .collect();
    let all = logs.iter().flat_map(|(a, b)| [*a, *b]).flatten();
    let low = all.clone().fold(f64::INFINITY, f64::min).floor();
    let high = all.fold(f64::NEG_INFINITY, f64::max).ceil();
    let (low, high) = if low.is_finite() {
        (low, high.max(low + 1.0))
    } else {
        (-2.0, 2.0)
    };
    let x = |i: usize| frame.x + frame.width * (i as f64 + 0.5) / steps.len() as f64;
    let y = |log: f64| frame.bottom() - frame.height * (log - low) / (high - low);
    canvas.begin_group("areas");
    draw_decades(canvas, frame, (low, high), y);
    draw_step_labels(canvas, frame, (steps, &p.axis), x);
    for (i, (_, area95)) in logs.iter().enumerate() {
        if area95.is_none() {
            let text = Text::new(11.0).anchor(Anchor::Middle).colour(MUTED);
            canvas.text((x(i), frame.y + 14.0), "—", text);
        }
    }
    let line = |areas: Vec<Option<f64>>| -> Vec<Option<(f64, f64)>> {
        let at = |(i, log): (usize, Option<f64>)| log.map(|log| (x(i), y(log)));
        areas.into_iter().enumerate().map(at).collect()
    };
    let (area50, area95) = logs.into_iter().unzip();
    draw_line(canvas, &line(area50), (1.4, 2.6), "area50");
    draw_line(canvas, &line(area95), (2.4, 4.0), "area95");
    draw_key(canvas, frame);
    canvas.end_group();
    axes::border(canvas, frame);
}

fn draw_decades(canvas: &mut Canvas, frame: Frame, (low, high): (f64, f64), y: impl Fn(f64) -> f64) {
    // Not more lines than there is room for.
    let step = ((high - low) * 20.0 / frame.height).ceil().max(1.0);
    for decade in crate::ticks::multiples(low, high, step) {
        canvas.line(
            (frame.x, y(decade)),
            (frame.right(), y(decade)),
            Stroke::new(GRID, 1.0),
        );
        let text = Text::new(axes::TICK_PX).anchor(Anchor::End);
        canvas.text((frame.x - 6.0, y(decade) + 4.0), &power_of_ten(decade), text);
    }
    let text = Text::new(axes::AXIS_PX)
        .anchor(Anchor::Middle)
        .colour(MUTED)
        .turned(-90.0);
    canvas.text((18.0, frame.y + frame.height / 2.0), "area, km²", text);
}

/// A power of ten without an exponent.
fn power_of_ten(exponent: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "areas on earth: from 15 figures behind the point to nine before it"
    )]
    let decimals = (-exponent).clamp(0.0, 15.0) as usize;
    format!("{:.decimals$}", 10_f64.powf(exponent))
}

fn draw_step_labels(
    canvas: &mut Canvas,
    frame: Frame,
    (steps, title): (&[CourseStep], &str),
    x: impl Fn(usize) -> f64,
) {
    let mut free_from = f64::NEG_INFINITY;
    for (i, step) in steps.iter().enumerate() {
        let at = x(i);
        canvas.line(
            (at, frame.bottom()),
            (at, frame.bottom() + 4.0),
            Stroke::new(MUTED, 1.0),
        );
        let half = text_width(&step.label, axes::TICK_PX) / 2.0;
        if at - half > free_from {
            let text = Text::new(axes::TICK_PX).anchor(Anchor::Middle);
            canvas.text((at, frame.bottom() + 17.0), &step.label, text);
            free_from = at + half + 6.0;
        }
    }
    let text = Text::new(axes::AXIS_PX).anchor(Anchor::Middle).colour(MUTED);
    canvas.text((frame.x + frame.width / 2.0, frame.bottom() + 36.0), title, text);
}

fn draw_line(
    canvas: &mut Canvas,
    points: &[Option<(f64, f64)>],
    (width, radius): (f64, f64),
    class: &'static str,
) {
    for part in points.split(Option::is_none).filter(|p| !p.is_empty()) {
        let part: Vec<(f64, f64)> = part.iter().copied().flatten().collect();
        if part.len() > 1 {
            let line = Path::line(part.iter().copied());
            canvas.path(&line, None, Some(Stroke::new(PROBABLE_EDGE, width)), class);
        }
        for at in part {
            canvas.circle(
                at,
                radius,
                Some(Fill::solid(PROBABLE)),
                Some(Stroke::new(PROBABLE_EDGE, 1.2)),
                class,
            );
        }
    }
}

fn draw_key(canvas: &mut Canvas, frame: Frame) {
    let rows = [
        (2.4, 4.0, "95 % region"),
        (1.4, 2.6, "50 % region"),
        (0.0, 0.0, "— no position"),
    ];
    let (x, y) = (frame.right() - 128.0, frame.y + 8.0);
    canvas.rect(
        Frame {
            x: x - 8.0,
            y,
            width: 128.0,
            height: 58.0,
        },
        Some(Fill::new(PAPER, 0.85)),
        None,
    );
    for (i, (width, radius, words)) in rows.into_iter().enumerate() {
        let at = y + 14.0 + 18.0 * i as f64;
        if width > 0.0 {
            let line = Path::line([(x, at), (x + 24.0, at)]);
            canvas.path(&line, None, Some(Stroke::new(PROBABLE_EDGE, width)), "");
            canvas.circle((x + 12.0, at), radius, Some(Fill::solid(PROBABLE)), None, "");
        }
        canvas.text((x + 32.0, at + 4.0), words, Text::new(12.0).colour(MUTED));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decades_have_no_exponent() {
        assert_eq!(
            [-3.0, -1.0, 0.0, 2.0].map(power_of_ten),
            ["0.001", "0.1", "1", "100"]
        );
    }

    #[test]
    fn maps_fill_the_room() {
        assert_eq!(layout(1, 2.0), (1, 1));
        assert_eq!(layout(6, 2.0), (3, 2));
        assert_eq!(layout(3, 2.9), (3, 1));
    }
}
