//! The words and the legend beside the dial.

use super::{PolarPicture, draw_marker, drawable};
use crate::canvas::{Canvas, Fill, Frame, Stroke, Text};
use crate::path::Path;
use crate::polar::PolarReading;
use crate::style::{ANSWER, ASTRAY, FITTED, INK, MEASURED, MUTED, PROBABLE, fitted, wrapped};
use crate::ticks::percent;

const LINE_PX: f64 = 19.0;
const TEXT_PX: f64 = 12.5;
const KEY_PX: f64 = 34.0;

/// One line of the legend.
enum Key {
    Reading {
        explained: f64,
        clipped: bool,
        burst: usize,
    },
    Line(Stroke),
    Area(Fill),
}

/// Writes the station, the summary and the legend, from the top down to the end of the page.
pub(super) fn draw(canvas: &mut Canvas, p: &PolarPicture, x: f64, width: f64, height: f64) {
    canvas.begin_group("panel");
    let keys = keys(p);
    let keys_height = keys.len() as f64 * LINE_PX;
    let mut y = 72.0;
    canvas.text((x, y), &fitted(&p.station, 16.0, width), Text::new(16.0));
    y += LINE_PX + 6.0;
    let room_to = (height - keys_height - 46.0).max(y);
    'lines: for line in &p.summary {
        for part in wrapped(line, TEXT_PX, width) {
            if y > room_to {
                break 'lines;
            }
            canvas.text((x, y), &part, Text::new(TEXT_PX));
            y += LINE_PX;
        }
    }
    let mut y = height - keys_height - 14.0;
    for (key, words) in keys {
        draw_key(canvas, (x, y), &key);
        let words = fitted(&words, TEXT_PX, width - KEY_PX);
        canvas.text((x + KEY_PX, y + 4.5), &words, Text::new(TEXT_PX).colour(MUTED));
        y += LINE_PX;
    }
    canvas.end_group();
}

fn keys(p: &PolarPicture) -> Vec<(Key, String)> {
    let reading = |explained, clipped, burst| Key::Reading {
        explained,
        clipped,
        burst,
    };
    let mut keys = Vec::new();
    let shown = drawable(&p.readings).count();
    if shown > 0 {
        let bursts = drawable(&p.readings).map(|r| r.burst).max().unwrap_or(0);
        if bursts == 0 {
            keys.push((reading(1.0, false, 0), "reading ± 1σ".to_owned()));
        } else {
            for burst in 0..=bursts.min(3) {
                let words = if bursts > 3 {
                    format!("burst {}, {}, …", burst + 1, burst + 5)
                } else {
                    format!("burst {} ± 1σ", burst + 1)
                };
                keys.push((reading(1.0, false, burst), words));
            }
        }
    }
    if drawable(&p.readings).any(|r| r.explained < 0.5) {
        keys.push((reading(0.0, false, 0), "not explained by the fit".to_owned()));
    }
    if drawable(&p.readings).any(|r| r.clipped) {
        keys.push((reading(1.0, true, 0), "at full scale (clipped)".to_owned()));
    }
    let hidden = p.readings.len() - shown;
    if hidden > 0 {
        keys.push((
            Key::Area(Fill::new(INK, 0.0)),
            format!("{hidden} below the noise, not shown"),
        ));
    }
    if !p.fitted.is_empty() {
        keys.push((Key::Line(Stroke::new(FITTED, 2.2)), "fitted pattern".to_owned()));
    }
    keys.push((
        Key::Area(Fill::new(PROBABLE, 0.85)),
        "density of the bearing".to_owned(),
    ));
    if !p.modes.is_empty() {
        keys.push((Key::Line(Stroke::new(ANSWER, 2.4)), "bearing".to_owned()));
    }
    if p.modes.len() > 1 {
        keys.push((
            Key::Line(Stroke::new(ANSWER, 1.6).dashed("7 4")),
            "other direction".to_owned(),
        ));
    }
    if !p.arcs95.is_empty() {
        keys.push((Key::Line(Stroke::new(ANSWER, 4.0)), "95 % arc".to_owned()));
    }
    if let Some(reflection) = p.reflection {
        let words = format!("second arrival, {}", percent(reflection.probability));
        keys.push((Key::Line(Stroke::new(ASTRAY, 2.0).dashed("3 4")), words));
    }
    if p.truth_true_deg.is_some() {
        keys.push((
            Key::Line(Stroke::new(INK, 1.4).dashed("9 5")),
            "true direction".to_owned(),
        ));
    }
    keys
}

fn draw_key(canvas: &mut Canvas, (x, y): (f64, f64), key: &Key) {
    match key {
        Key::Reading {
            explained,
            clipped,
            burst,
        } => {
            let sample = PolarReading {
                azimuth_true_deg: 0.0,
                level_db: 0.0,
                sigma_db: 0.0,
                explained: *explained,
                clipped: *clipped,
                burst: *burst,
            };
            canvas.line(
                (x + 12.0, y - 7.0),
                (x + 12.0, y + 7.0),
                Stroke::new(MEASURED, 1.0),
            );
            draw_marker(canvas, (x + 12.0, y), 3.6, &sample);
        }
        Key::Line(stroke) => {
            canvas.path(&Path::line([(x, y), (x + 25.0, y)]), None, Some(*stroke), "key");
        }
        Key::Area(fill) => {
            let frame = Frame {
                x,
                y: y - 6.0,
                width: 25.0,
                height: 11.0,
            };
            canvas.rect(frame, Some(*fill), None);
        }
    }
}
