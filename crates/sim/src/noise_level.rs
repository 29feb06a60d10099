//! A noise floor that changes with time.

use crate::spec_receiver::ReceiverScene;

/// The noise's amplitude against the nominal one, over the samples in order.
pub(crate) struct NoiseLevel {
    slope_db_per_sample: f64,
    /// First sample and change in dB of each step, in order.
    steps: Vec<(u64, f64)>,
    /// The sample that `amplitude` holds for, and what it is multiplied by from one to the next.
    next: u64,
    amplitude: f64,
    growth: f64,
}

/// Samples after which the amplitude is computed anew, so that rounding does not add up.
const ANEW: u64 = 4_096;

impl NoiseLevel {
    /// `None` where the floor does not change.
    pub(crate) fn new(receiver: &ReceiverScene) -> Option<Self> {
        if receiver.noise_slope_db_per_s == 0.0 && receiver.noise_step.is_empty() {
            return None;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not negative by the scene's checks; the cast saturates"
        )]
        let mut steps: Vec<(u64, f64)> = receiver
            .noise_step
            .iter()
            .map(|step| ((step.at_s * receiver.rate_hz).ceil() as u64, step.change_db))
            .collect();
        steps.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let slope_db_per_sample = receiver.noise_slope_db_per_s / receiver.rate_hz;
        Some(Self {
            slope_db_per_sample,
            steps,
            next: u64::MAX,
            amplitude: 1.0,
            growth: 10_f64.powf(slope_db_per_sample / 20.0),
        })
    }

    fn exact(&self, sample: u64) -> f64 {
        let stepped: f64 = self.steps.iter().filter(|s| s.0 <= sample).map(|s| s.1).sum();
        10_f64.powf((self.slope_db_per_sample * sample as f64 + stepped) / 20.0)
    }

    /// The amplitude at a sample.
    #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
    pub(crate) fn amplitude(&mut self, sample: u64) -> f32 {
        let steps_here = self.steps.binary_search_by_key(&sample, |s| s.0).is_ok();
        self.amplitude = if sample != self.next || sample.is_multiple_of(ANEW) || steps_here {
            self.exact(sample)
        } else {
            self.amplitude * self.growth
        };
        self.next = sample + 1;
        self.amplitude as f32
    }
}
