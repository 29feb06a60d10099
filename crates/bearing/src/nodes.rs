//! Level errors supposed: their raster, their memories, their prior.

use crate::bank::{Bank, Node, Trouble};
use crate::likelihood::NATS_PER_DB;
use crate::logsum::LogSum;
use crate::memory::{Along, MEMORIES};
use crate::search::{PRUNE_NATS, Search};

/// Largest level error tried: Rayleigh fading has 5.6 dB.
const LARGEST_SIGMA_DB: f64 = 9.0;
const SMALLEST_SIGMA_DB: f64 = 0.01;
/// A level error below this share of the smallest noise changes nothing.
const NEGLIGIBLE: f64 = 0.3;
/// For very few readings: how much larger the typical level error is taken, and how much less spread around it.
const FEW_TYPICAL: f64 = 0.8;
/// Each this many steps of the raster of level errors is tried first.
const SKIP: i32 = 3;
const FEW_SPREAD: f64 = 0.45;

/// Raster of level errors.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Raster {
    low: f64,
    step: f64,
    count: i32,
}

impl Raster {
    /// The place of a level error, below 0 for the smallest ones.
    pub(crate) fn step_of(&self, sigma_nats: f64) -> i32 {
        #[expect(clippy::cast_possible_truncation, reason = "at most 70")]
        let i = ((sigma_nats.ln() - self.low) / self.step - 0.5).round() as i32;
        i
    }

    fn ln_sigma(&self, i: i32) -> f64 {
        self.low + (f64::from(i) + 0.5) * self.step
    }
}

impl Search<'_> {
    pub(crate) fn raster(&self) -> Raster {
        let high = (LARGEST_SIGMA_DB * NATS_PER_DB).ln();
        let low = (SMALLEST_SIGMA_DB * NATS_PER_DB)
            .ln()
            .max((NEGLIGIBLE * self.smallest_noise_nats).ln())
            .min(high - 1.0);
        // Spacing: the accuracy to which this number of readings can tell level errors apart.
        let n = self.likelihood.data.obs.len() as f64;
        let step = (1.8 / (2.0 * n).sqrt()).clamp(0.1, 0.4);
        #[expect(clippy::cast_possible_truncation, reason = "at most 70")]
        let count = ((high - low) / step).ceil() as i32;
        Raster { low, step, count }
    }

    /// Level errors without memory.
    pub(crate) fn white_bank(&self, raster: &Raster, tie_nats: f64) -> Bank {
        let mut nodes = vec![self.no_error_node(raster, tie_nats, 1)];
        let every = (raster.count / 14).max(1);
        let mut i = 0;
        while i < raster.count {
            nodes.push(self.node(raster, i, 0, Trouble::ALL[0], tie_nats, f64::from(every).ln()));
            i += every;
        }
        Bank::new(nodes, self.likelihood)
    }

    /// All memories with each third level error.
    ///
    /// `white`: the likeliest without memory; a slow error of the same readings is larger, hardly smaller.
    pub(crate) fn first_bank(&self, raster: &Raster, ties: &[f64], white: i32) -> Bank {
        let mut nodes = Vec::new();
        let skip = f64::from(SKIP).ln() - (ties.len() as f64).ln();
        for &tie_nats in ties {
            nodes.push(self.no_error_node(raster, tie_nats, ties.len()));
            for memory in self.memories() {
                #[expect(clippy::cast_possible_truncation, reason = "a few tens")]
                let reach = |nats: f64| (nats / raster.step).round() as i32;
                let mut i = SKIP / 2;
                while i < raster.count + SKIP {
                    if i < white - reach(1.5) || i > white + reach(2.5) {
                        i += SKIP;
                        continue;
                    }
                    for trouble in troubles_of(memory) {
                        nodes.push(self.node(raster, i, memory, trouble, tie_nats, skip));
                    }
                    i += SKIP;
                }
            }
        }
        Bank::new(nodes, self.likelihood)
    }

    fn memories(&self) -> impl Iterator<Item = usize> + use<> {
        let repeats = self.likelihood.repeats();
        (0..MEMORIES.len()).filter(move |&m| repeats || MEMORIES[m].along == Along::Time)
    }

    fn node(
        &self,
        raster: &Raster,
        i: i32,
        memory: usize,
        (trouble, share): (Trouble, f64),
        tie_nats: f64,
        ln_extra: f64,
    ) -> Node {
        let sigma_nats = raster.ln_sigma(i).exp();
        Node {
            sigma_nats,
            memory,
            trouble,
            tie_nats,
            ln_weight: self.ln_prior(sigma_nats)
                + (raster.step * share * MEMORIES[memory].share * self.along_share(memory)).ln()
                + ln_extra,
        }
    }

    fn along_share(&self, memory: usize) -> f64 {
        match (self.likelihood.repeats(), MEMORIES[memory].along) {
            (false, _) => 1.0,
            (true, Along::Time) => 0.4,
            (true, Along::Boresight) => 0.6,
        }
    }

    /// Level error so small that its size and memory do not matter, or none: one node stands for all of that.
    fn no_error_node(&self, raster: &Raster, tie_nats: f64, ties: usize) -> Node {
        let (mut sum, mut ln_sigma) = (LogSum::default(), raster.low);
        while ln_sigma > (0.1 * SMALLEST_SIGMA_DB * NATS_PER_DB).ln() {
            ln_sigma -= 0.2;
            sum.push(self.ln_prior(ln_sigma.exp()) + 0.2_f64.ln());
        }
        sum.push(self.perfect_share().ln());
        Node {
            sigma_nats: 0.5 * raster.low.exp(),
            memory: 0,
            trouble: Trouble::None,
            tie_nats,
            ln_weight: sum.ln() - (ties as f64).ln(),
        }
    }

    /// The raster filled in around the nodes that carry weight.
    pub(crate) fn finer(&self, first: &Bank, masses: &[f64], raster: &Raster, ties: &[f64]) -> Bank {
        let best = masses.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut nodes = Vec::new();
        let carries = |i: usize| masses[i] > best - PRUNE_NATS - 3.0;
        for (i, node) in first.nodes.iter().enumerate() {
            if !carries(i) {
                continue;
            }
            let at = raster.step_of(node.sigma_nats);
            if at < 0 {
                nodes.push(*node);
                continue;
            }
            let share = troubles_of(node.memory)
                .find(|t| t.0 == node.trouble)
                .map_or(1.0, |t| t.1);
            for j in at - SKIP / 2..=at + SKIP / 2 {
                if j >= 0 {
                    let extra = -(ties.len() as f64).ln();
                    let trouble = (node.trouble, share);
                    nodes.push(self.node(raster, j, node.memory, trouble, node.tie_nats, extra));
                }
            }
        }
        Bank::new(nodes, self.likelihood)
    }

    /// Log prior density of the logarithm of the level error, where there is one.
    pub(crate) fn ln_prior(&self, sigma_nats: f64) -> f64 {
        let known = self.few();
        let typical_db = self.config.level_error_typical_db * (1.0 + FEW_TYPICAL * known);
        let typical = (typical_db * NATS_PER_DB).max(1e-6);
        let spread = self.config.level_error_ln_sigma.max(0.05) * (1.0 - FEW_SPREAD * known);
        let share = 1.0 - self.perfect_share();
        -0.5 * ((sigma_nats / typical).ln() / spread).powi(2) - (spread * std::f64::consts::TAU.sqrt()).ln()
            + share.ln()
    }

    /// Chance that there is no level error.
    fn perfect_share(&self) -> f64 {
        self.config.perfect_share.clamp(1e-6, 0.9) * (1.0 - 0.9 * self.few())
    }

    /// How far readings are too few to tell their own level error: 1 for four, 0 from sixteen on.
    ///
    /// Then what is usual in the field must do: small errors are seldom, and a few readings fit by chance.
    fn few(&self) -> f64 {
        let n = self.likelihood.data.obs.len() as f64;
        ((16.0 - n) / 12.0).clamp(0.0, 1.0)
    }
}

/// Troubles that are tried with a memory, and their shares: with another than the white one they would only take time.
fn troubles_of(memory: usize) -> impl Iterator<Item = (Trouble, f64)> {
    let white = memory == 0;
    Trouble::ALL
        .into_iter()
        .filter(move |t| white || t.0 == Trouble::None)
        .map(move |t| if white { t } else { (t.0, 1.0) })
}
