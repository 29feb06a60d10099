//! Progress bars on a terminal, nothing in a pipe.

use std::sync::Mutex;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use lobewright_station::Progress;

/// One bar a place; draws on standard error where that is a terminal.
pub(crate) struct PlaceBars {
    bars: MultiProgress,
    places: Mutex<Vec<Option<ProgressBar>>>,
    names: Vec<String>,
}

impl PlaceBars {
    /// Makes the bars for places of these names.
    pub(crate) fn new(names: Vec<String>, quiet: bool) -> Self {
        let target = if quiet {
            ProgressDrawTarget::hidden()
        } else {
            ProgressDrawTarget::stderr()
        };
        let bars = MultiProgress::with_draw_target(target);
        Self {
            bars,
            places: Mutex::new(vec![None; names.len()]),
            names,
        }
    }

    /// Shows how far a place is.
    pub(crate) fn tell(&self, progress: Progress) {
        let Ok(mut places) = self.places.lock() else {
            return;
        };
        let Some(slot) = places.get_mut(progress.place) else {
            return;
        };
        let bar = slot.get_or_insert_with(|| {
            let bar = self.bars.add(bar(progress.total));
            bar.set_message(self.names[progress.place].clone());
            bar
        });
        bar.set_position(progress.samples);
        if progress.total.is_some_and(|t| progress.samples >= t) {
            bar.finish();
        }
    }

    /// Takes the bars off the screen.
    pub(crate) fn finish(&self) {
        let _ = self.bars.clear();
    }
}

/// A bar over samples; a spinner where the total is not known.
pub(crate) fn bar(total: Option<u64>) -> ProgressBar {
    let (bar, template) = match total {
        Some(total) => (
            ProgressBar::new(total),
            "{msg:24} {wide_bar} {percent:>3} %  {eta} left",
        ),
        None => (ProgressBar::no_length(), "{msg:24} {spinner} {human_pos} samples"),
    };
    let style = ProgressStyle::with_template(template).expect("the template is fixed and valid");
    bar.with_style(style)
}

/// A bar over entries.
pub(crate) fn count_bar(count: usize, quiet: bool) -> ProgressBar {
    let bar = bar(Some(count as u64)).with_message("entries");
    if quiet {
        bar.set_draw_target(ProgressDrawTarget::hidden());
    }
    bar
}
