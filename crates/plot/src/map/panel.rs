//! North arrow, legend and list of bearings beside the map.

use plotters::style::RGBColor;

use super::content::{draw_fix, draw_station, draw_truth};
use super::next::draw_mark;
use super::{MapBearing, MapNextPlace, MapPicture, is_reflected};
use crate::canvas::{Anchor, Canvas, Fill, Frame, Stroke, Text};
use crate::path::Path;
use crate::style::{ANSWER, ASTRAY, FITTED, INK, MEASURED, MUTED, PAPER, PROBABLE, PROBABLE_EDGE, fitted};
use crate::ticks::{percent, with_doubt};

const LINE_PX: f64 = 19.0;
const TEXT_PX: f64 = 12.5;
const KEY_PX: f64 = 34.0;
const ARROW_PX: f64 = 44.0;
const NUMBER_PX: f64 = 16.0;

/// One line of the legend.
enum Key {
    Station,
    Fix,
    Mode,
    Truth,
    Next,
    Line(Stroke),
    Area(Fill, Option<Stroke>),
}

/// Draws the panel from the top down: arrow, bearings, and the legend at the foot.
pub(super) fn draw(
    canvas: &mut Canvas,
    p: &MapPicture,
    next: &[MapNextPlace],
    x: f64,
    width: f64,
    height: f64,
) {
    canvas.begin_group("panel");
    draw_north(canvas, (x + ARROW_PX + 4.0, 118.0), p.declination_deg, (x, width));
    let mut keys = keys(p);
    if !next.is_empty() {
        keys.insert(0, (Key::Next, "place for the next bearing"));
    }
    let foot = height - 22.0 - keys.len() as f64 * LINE_PX;
    let next_foot = foot - 12.0;
    let list_foot = next_foot - next_height(next);
    draw_list(canvas, p, (x, 212.0), width, list_foot);
    draw_next(canvas, next, (x, list_foot + 14.0), width);
    let mut y = foot;
    for (key, words) in keys {
        draw_key(canvas, (x, y), &key);
        let words = fitted(words, TEXT_PX, width - KEY_PX);
        canvas.text((x + KEY_PX, y + 4.5), &words, Text::new(TEXT_PX).colour(MUTED));
        y += LINE_PX;
    }
    canvas.end_group();
}

fn draw_north(canvas: &mut Canvas, centre: (f64, f64), declination_deg: Option<f64>, room: (f64, f64)) {
    let tip = |turn_deg: f64, length: f64| {
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        (centre.0 + length * sin, centre.1 - length * cos)
    };
    let known = declination_deg.filter(|d| d.is_finite());
    if let Some(declination) = known {
        let line = Path::line([centre, tip(declination, ARROW_PX)]);
        canvas.path(&line, None, Some(Stroke::new(ASTRAY, 1.6)), "magnetic_north");
        let head = [
            tip(declination, ARROW_PX + 9.0),
            tip(declination + 6.0, ARROW_PX - 3.0),
            tip(declination - 6.0, ARROW_PX - 3.0),
        ];
        canvas.path(
            &Path::closed(head),
            Some(Fill::solid(PAPER)),
            Some(Stroke::new(ASTRAY, 1.4)),
            "",
        );
    }
    let line = Path::line([tip(180.0, 18.0), tip(0.0, ARROW_PX)]);
    canvas.path(&line, None, Some(Stroke::new(INK, 2.0)), "true_north");
    let head = [
        tip(0.0, ARROW_PX + 12.0),
        tip(9.0, ARROW_PX - 6.0),
        tip(-9.0, ARROW_PX - 6.0),
    ];
    canvas.path(&Path::closed(head), Some(Fill::solid(INK)), None, "");
    let words = [
        ("north: true".to_owned(), INK),
        match known {
            Some(d) => (format!("magnetic, {}", declination_words(d)), ASTRAY),
            None => ("magnetic: not known".to_owned(), MUTED),
        },
    ];
    for (i, (words, colour)) in words.iter().enumerate() {
        let words = fitted(words, TEXT_PX, room.1);
        let y = centre.1 + 40.0 + 17.0 * i as f64;
        canvas.text(
            (room.0, y),
            &words,
            Text::new(TEXT_PX).colour(*colour).anchor(Anchor::Start),
        );
    }
}

fn declination_words(declination_deg: f64) -> String {
    let side = if declination_deg >= 0.0 { "E" } else { "W" };
    format!("{:.1}° {side}", declination_deg.abs())
}

/// Room that the list of next places takes.
fn next_height(next: &[MapNextPlace]) -> f64 {
    if next.is_empty() {
        return 0.0;
    }
    14.0 + 21.0
        + next
            .iter()
            .map(|n| 16.0 * next_lines(n).len() as f64 + 5.0)
            .sum::<f64>()
}

fn next_lines(place: &MapNextPlace) -> Vec<&str> {
    [&place.name, &place.worth]
        .into_iter()
        .map(String::as_str)
        .filter(|words| !words.is_empty())
        .collect()
}

fn draw_next(canvas: &mut Canvas, next: &[MapNextPlace], (x, mut y): (f64, f64), width: f64) {
    if next.is_empty() {
        return;
    }
    canvas.text((x, y), "next bearing from", Text::new(TEXT_PX));
    y += 21.0;
    for (index, place) in next.iter().enumerate() {
        for (line, words) in next_lines(place).into_iter().enumerate() {
            if line == 0 {
                let number = format!("{}", index + 1);
                canvas.text((x, y), &number, Text::new(TEXT_PX).colour(INK));
            }
            let words = fitted(words, TEXT_PX, width - NUMBER_PX);
            canvas.text((x + NUMBER_PX, y), &words, Text::new(TEXT_PX).colour(MUTED));
            y += 16.0;
        }
        y += 5.0;
    }
}

fn draw_list(canvas: &mut Canvas, p: &MapPicture, at: (f64, f64), width: f64, foot: f64) {
    let (x, mut y) = at;
    let lines = p.bearings.iter().map(|b| list_lines(p, b)).collect::<Vec<_>>();
    for (index, lines_of_one) in lines.iter().enumerate() {
        let needed = lines_of_one.len() as f64 * 16.0;
        let last = index + 1 == lines.len();
        if y + needed + if last { 0.0 } else { LINE_PX } > foot {
            let words = format!("and {} more", lines.len() - index);
            canvas.text((x, y), &words, Text::new(TEXT_PX).colour(MUTED));
            return;
        }
        for (words, colour) in lines_of_one {
            canvas.text(
                (x, y),
                &fitted(words, TEXT_PX, width),
                Text::new(TEXT_PX).colour(*colour),
            );
            y += 16.0;
        }
        y += 5.0;
    }
}

fn list_lines(p: &MapPicture, bearing: &MapBearing) -> Vec<(String, RGBColor)> {
    let name = &p.stations[bearing.station].name;
    let mut lines = vec![(name.clone(), INK)];
    lines.push((
        format!("{} true", with_doubt(bearing.azimuth_true_deg, bearing.sigma_deg)),
        MUTED,
    ));
    if is_reflected(bearing) {
        let words = format!("reflection {}", percent(bearing.reflected_probability));
        lines.push((words, ASTRAY));
    }
    lines
}

fn keys(p: &MapPicture) -> Vec<(Key, &'static str)> {
    let mut keys = Vec::new();
    if let Some(fix) = p.fix {
        keys.push((Key::Fix, "most probable position"));
        if fix.modes.iter().skip(1).any(|m| m.probability >= 0.05) {
            keys.push((Key::Mode, "other position"));
        }
    }
    if p.truth.is_some() {
        keys.push((Key::Truth, "transmitter (known)"));
    }
    if !p.stations.is_empty() {
        keys.push((Key::Station, "station"));
    }
    if p.bearings.iter().any(|b| !is_reflected(b)) {
        keys.push((Key::Line(Stroke::new(MEASURED, 1.9)), "bearing"));
    }
    if p.bearings
        .iter()
        .any(|b| b.modes.iter().skip(1).any(|m| m.probability >= 0.05))
    {
        keys.push((
            Key::Line(Stroke::new(MEASURED, 1.1).dashed("2 4")),
            "its other direction",
        ));
    }
    if p.bearings.iter().any(is_reflected) {
        keys.push((
            Key::Line(Stroke::new(ASTRAY, 1.9).dashed("9 6")),
            "judged a reflection",
        ));
    }
    if p.bearings.iter().any(|b| !b.arcs95.is_empty()) {
        keys.push((Key::Area(Fill::new(MEASURED, 0.16), None), "95 % of a bearing"));
    }
    if let Some(fix) = p.fix {
        let edge = |width| Some(Stroke::new(PROBABLE_EDGE, width));
        keys.push((Key::Area(Fill::new(PROBABLE, 0.7), edge(1.8)), "50 % region"));
        keys.push((Key::Area(Fill::new(PROBABLE, 0.26), edge(1.0)), "95 % region"));
        if fix.ellipse95.is_some() {
            keys.push((Key::Line(Stroke::new(FITTED, 1.8).dashed("6 3")), "error ellipse"));
        }
    }
    keys
}

fn draw_key(canvas: &mut Canvas, (x, y): (f64, f64), key: &Key) {
    let middle = (x + 12.0, y);
    match key {
        Key::Station => draw_station(canvas, middle),
        Key::Fix => draw_fix(canvas, middle),
        Key::Mode => canvas.circle(
            middle,
            5.5,
            Some(Fill::solid(PAPER)),
            Some(Stroke::new(ANSWER, 1.8)),
            "key",
        ),
        Key::Truth => draw_truth(canvas, middle),
        Key::Next => draw_mark(canvas, middle, "1"),
        Key::Line(stroke) => {
            canvas.path(&Path::line([(x, y), (x + 25.0, y)]), None, Some(*stroke), "key");
        }
        Key::Area(fill, stroke) => {
            let frame = Frame {
                x,
                y: y - 6.0,
                width: 25.0,
                height: 11.0,
            };
            canvas.rect(frame, Some(*fill), *stroke);
        }
    }
}
