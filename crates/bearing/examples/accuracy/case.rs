//! A row of the book: what is drawn, and the trials of it on several threads.

use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_bearing::{EstimatorConfig, estimate};
use lobewright_types::LevelReading;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::baseline::Baselines;
use crate::common::config;
use crate::common::turn::Turn;
use crate::parallel::{self, generator};
use crate::score::{Ends, Outcome, Score};

/// Rows under one heading.
pub(crate) struct Chapter {
    pub(crate) title: &'static str,
    /// What is common to its rows; may be empty.
    pub(crate) text: &'static str,
    pub(crate) cases: Vec<Case>,
}

/// Readings towards a known direction.
pub(crate) struct Trial {
    pub(crate) truth_deg: f64,
    pub(crate) readings: Vec<LevelReading>,
    pub(crate) bound_deg: Option<f64>,
}

type Draw = dyn Fn(&mut ChaCha8Rng) -> Trial + Send + Sync;

/// A row: its name, which seeds it, what the estimator is told, and what is drawn.
pub(crate) struct Case {
    pub(crate) name: String,
    pub(crate) config: EstimatorConfig,
    pub(crate) ends: Ends,
    /// Where the peaks of a switched antenna's ports point, for the baselines; empty for a rotated one.
    pub(crate) ports_deg: Vec<f64>,
    draw: Box<Draw>,
}

impl Case {
    /// A case of any kind.
    pub(crate) fn new(
        name: impl Into<String>,
        config: EstimatorConfig,
        draw: impl Fn(&mut ChaCha8Rng) -> Trial + Send + Sync + 'static,
    ) -> Self {
        Self {
            name: name.into(),
            config,
            ends: Ends::One,
            ports_deg: Vec::new(),
            draw: Box::new(draw),
        }
    }

    /// A turn made for each direction, `turn(direction, generator)`, drawn from the pattern that the estimator is given.
    pub(crate) fn turns(
        name: impl Into<String>,
        pattern: &Arc<Pattern>,
        turn: impl Fn(f64, &mut ChaCha8Rng) -> Turn + Send + Sync + 'static,
    ) -> Self {
        let used = pattern.clone();
        Self::new(name, config(pattern), move |rng| {
            let truth_deg = 360.0 * rng.random::<f64>();
            let turn = turn(truth_deg, rng);
            let drawn = turn.draw(&used, truth_deg, rng);
            Trial {
                truth_deg,
                bound_deg: turn.bound_deg(&used, truth_deg, &drawn.spoilt),
                readings: drawn.readings,
            }
        })
    }

    /// One turn for all directions.
    pub(crate) fn turn(name: impl Into<String>, pattern: &Arc<Pattern>, turn: Turn) -> Self {
        Self::turns(name, pattern, move |_, _| turn.clone())
    }

    /// Turns drawn from another pattern than the estimator is given; no bound.
    pub(crate) fn mistaken(
        name: impl Into<String>,
        given: &Arc<Pattern>,
        used: Arc<Pattern>,
        turn: impl Fn(f64) -> Turn + Send + Sync + 'static,
    ) -> Self {
        Self::new(name, config(given), move |rng| {
            let truth_deg = 360.0 * rng.random::<f64>();
            Trial {
                truth_deg,
                readings: turn(truth_deg).draw(&used, truth_deg, rng).readings,
                bound_deg: None,
            }
        })
    }

    /// The antenna looks the same from both ends.
    #[must_use]
    pub(crate) fn both_ends(mut self) -> Self {
        self.ends = Ends::Both;
        self
    }

    /// Trial number `number`: the same whatever other trials are run.
    fn trial(&self, number: usize) -> Option<Outcome> {
        let mut rng = generator(&self.name, number);
        let trial = (self.draw)(&mut rng);
        let estimate = estimate(&trial.readings, &self.config).ok()?;
        Some(Outcome::new(
            &estimate,
            &Baselines::new(&trial.readings, &self.ports_deg),
            trial.truth_deg,
            trial.bound_deg,
            self.ends,
        ))
    }

    /// Runs the trials; the result does not depend on the number of threads.
    pub(crate) fn run(&self, trials: usize, threads: usize) -> Score {
        let outcomes = parallel::map(trials, threads, |number| self.trial(number));
        Score::new(&outcomes, self.ends)
    }
}
