//! What is held back until the first noise floor is known.

use lobewright_types::{ChannelBlock, SampleIndex, StreamItem};

use crate::config::{DetectorError, Geometry};
use crate::floor::FloorTracker;

/// Fewer cells than this are cut smaller, since no low quantile can be told from them.
const ENOUGH_CELLS: usize = 32;

/// The stream from its start up to the length that the floor needs.
#[derive(Debug)]
pub(crate) struct Held {
    items: Vec<StreamItem<ChannelBlock>>,
    samples: u64,
    wanted: u64,
    hop: usize,
}

impl Held {
    pub(crate) fn new(geometry: &Geometry) -> Self {
        Self {
            items: Vec::new(),
            samples: 0,
            wanted: geometry.held_samples,
            hop: geometry.hop,
        }
    }

    pub(crate) fn push(&mut self, item: StreamItem<ChannelBlock>) -> Result<(), DetectorError> {
        match (&item, self.items.last()) {
            // Nothing to end, or a second gap in a row: no news, and no memory spent on it.
            (StreamItem::Gap(_), None | Some(StreamItem::Gap(_))) => return Ok(()),
            (StreamItem::Block(block), _) if block.samples.is_empty() => return Ok(()),
            (StreamItem::Block(block), Some(StreamItem::Block(last))) => {
                let wanted = last.start.plus(last.samples.len() as u64);
                if wanted != block.start {
                    return Err(DetectorError::Discontinuity {
                        found: block.start,
                        wanted,
                    });
                }
                self.samples += block.samples.len() as u64;
            }
            (StreamItem::Block(block), _) => self.samples += block.samples.len() as u64,
            (StreamItem::Gap(_), _) => {}
        }
        self.items.push(item);
        Ok(())
    }

    pub(crate) fn is_full(&self) -> bool {
        self.samples >= self.wanted
    }

    /// Samples that the floor is learnt from, counted from the start.
    pub(crate) fn learning_samples(&self) -> u64 {
        self.samples.min(self.wanted)
    }

    /// The source sample that the first held one stands for.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the cast saturates at 0"
    )]
    pub(crate) fn first(&self) -> SampleIndex {
        let first = self.items.iter().find_map(|item| match item {
            StreamItem::Block(block) => Some(block.clock.input_index(block.start.0 as f64 - 0.5)),
            StreamItem::Gap(_) => None,
        });
        SampleIndex(first.unwrap_or(0.0).floor() as u64)
    }

    pub(crate) fn into_items(self) -> Vec<StreamItem<ChannelBlock>> {
        self.items
    }

    /// Hands on runs of exactly `length` samples from the learning stretch that no gap breaks.
    pub(crate) fn each_run(&self, length: usize, run: &mut dyn FnMut(&[lobewright_types::Sample])) {
        let mut left = self.learning_samples();
        let mut buffer = Vec::with_capacity(length);
        for item in &self.items {
            let StreamItem::Block(block) = item else {
                buffer.clear();
                continue;
            };
            let count = usize::try_from(left).map_or(block.samples.len(), |l| l.min(block.samples.len()));
            left -= count as u64;
            for &sample in &block.samples[..count] {
                buffer.push(sample);
                if buffer.len() == length {
                    run(&buffer);
                    buffer.clear();
                }
            }
        }
    }

    fn cells(&self, hops: usize) -> Vec<f64> {
        let length = hops * self.hop;
        let mut cells = Vec::new();
        self.each_run(length, &mut |run| {
            let sum: f64 = run
                .iter()
                .map(|s| f64::from(s.re).powi(2) + f64::from(s.im).powi(2))
                .sum();
            cells.push(sum / length as f64);
        });
        cells
    }

    /// The first floor; `None` where not one hop of samples came.
    pub(crate) fn learn_floor(&self, geometry: &Geometry) -> Option<FloorTracker> {
        let mut hops = geometry.cell;
        loop {
            let cells = self.cells(hops);
            if cells.len() >= ENOUGH_CELLS || hops == 1 {
                let independent = (geometry.independent_in_hop() * hops as f64).max(1.0);
                return FloorTracker::start(&cells, independent, geometry.ring_cells);
            }
            hops = (hops / 2).max(1);
        }
    }
}
