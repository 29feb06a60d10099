//! Labels that keep out of each other's way.

use crate::canvas::{Anchor, Canvas, Frame, Text};
use crate::style::text_width;

/// Keeps the room that is taken and finds room for the next label.
#[derive(Debug)]
pub(crate) struct Labels {
    within: Frame,
    taken: Vec<Frame>,
}

impl Labels {
    pub(crate) fn new(within: Frame) -> Self {
        Self {
            within,
            taken: Vec::new(),
        }
    }

    /// Keeps labels off a mark of `radius` pixels.
    pub(crate) fn keep_off(&mut self, (x, y): (f64, f64), radius: f64) {
        self.taken.push(Frame {
            x: x - radius,
            y: y - radius,
            width: 2.0 * radius,
            height: 2.0 * radius,
        });
    }

    /// Writes a label beside a point, at the first place around it that is free, else at the one that overlaps
    /// fewest others. Nothing is written where the point lies outside.
    pub(crate) fn write(&mut self, canvas: &mut Canvas, at: (f64, f64), gap: f64, text: &str, style: Text) {
        if text.is_empty() || !self.within.contains(at) {
            return;
        }
        let (width, height) = (text_width(text, style.size), style.size * 1.15);
        let mut best: Option<(f64, Frame)> = None;
        for spread in [1.0, 2.2, 3.8] {
            for turn in [0_u32, 7, 1, 6, 2, 5, 3, 4] {
                let angle = f64::from(turn) * std::f64::consts::FRAC_PI_4;
                let (dx, dy) = (angle.cos(), -angle.sin());
                let centre = (
                    at.0 + dx * (gap * spread + width / 2.0),
                    at.1 + dy * (gap * spread + height / 2.0),
                );
                let frame = Frame {
                    x: centre.0 - width / 2.0,
                    y: centre.1 - height / 2.0,
                    width,
                    height,
                };
                let cost = self.cost(&frame);
                if best.is_none_or(|(least, _)| cost < least) {
                    best = Some((cost, frame));
                }
            }
        }
        let Some((_, frame)) = best else { return };
        self.taken.push(frame);
        canvas.text(
            (frame.x, frame.y + style.size * 0.92),
            text,
            style.anchor(Anchor::Start).halo(),
        );
    }

    /// Overlapped area, with a label that leaves the picture worse than any overlap.
    fn cost(&self, frame: &Frame) -> f64 {
        let inside =
            self.within.contains((frame.x, frame.y)) && self.within.contains((frame.right(), frame.bottom()));
        let overlap: f64 = self
            .taken
            .iter()
            .filter(|other| other.overlaps(frame))
            .map(|other| {
                let wide = frame.right().min(other.right()) - frame.x.max(other.x);
                let high = frame.bottom().min(other.bottom()) - frame.y.max(other.y);
                wide * high
            })
            .sum();
        if inside { overlap } else { overlap + 1e6 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_at_one_point_do_not_overlap() {
        let within = Frame {
            x: 0.0,
            y: 0.0,
            width: 400.0,
            height: 300.0,
        };
        let mut labels = Labels::new(within);
        let mut canvas = Canvas::new(400.0, 300.0, "t");
        for _ in 0..6 {
            labels.write(&mut canvas, (200.0, 150.0), 8.0, "a label", Text::new(12.0));
        }
        for (i, a) in labels.taken.iter().enumerate() {
            assert!(within.contains((a.x, a.y)) && within.contains((a.right(), a.bottom())));
            assert!(labels.taken[..i].iter().all(|b| !a.overlaps(b)));
        }
        labels.write(&mut canvas, (900.0, 150.0), 8.0, "outside", Text::new(12.0));
        assert_eq!(labels.taken.len(), 6);
    }
}
