//! A switch that connects the ports of an array to one receiver in turn, with its faults.

use std::f64::consts::PI;

use num_complex::Complex;
use rand::RngExt;
use rand_distr::StandardNormal;

use crate::spec_antenna::SwitchScene;
use crate::streams::stream;

/// Switching instants stray by this many standard deviations at most.
const MOST_SIGMAS: f64 = 4.0;

/// What reaches the receiver at one sample: `share` of the port that is connected, and of the one before `leak`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mix {
    pub(crate) now: Option<usize>,
    pub(crate) share: f64,
    pub(crate) before: Option<usize>,
    pub(crate) leak: Complex<f64>,
}

impl Mix {
    /// The voltage out of those of the ports.
    pub(crate) fn of(&self, port: impl Fn(usize) -> Complex<f64>) -> Complex<f64> {
        let now = self.now.map_or(Complex::ZERO, &port);
        if self.share >= 1.0 {
            return now;
        }
        now * self.share + self.before.map_or(Complex::ZERO, &port) * self.leak
    }
}

/// A switch as a function of time: any stretch can be computed alone.
#[derive(Debug, Clone)]
pub(crate) struct Switching {
    seed: u64,
    station: String,
    scene: SwitchScene,
    /// From switching instant to switching instant by the samples' clock.
    interval_s: f64,
}

/// One switching instant.
#[derive(Debug, Clone, Copy)]
struct Edge {
    at_s: f64,
    leak: Complex<f64>,
}

impl Switching {
    pub(crate) fn new(scene: &SwitchScene, seed: u64, station: &str) -> Self {
        Self {
            seed,
            station: station.to_owned(),
            interval_s: scene.dwell_s * (1.0 + scene.clock_error_ppm * 1e-6),
            scene: scene.clone(),
        }
    }

    fn edge(&self, number: i64) -> Edge {
        let even_s = self.scene.start_s + number as f64 * self.interval_s;
        if self.scene.jitter_s <= 0.0 && self.scene.settle_s <= 0.0 {
            return Edge {
                at_s: even_s,
                leak: Complex::ZERO,
            };
        }
        // Keyed by the instant's number: no history, so no dependence on where a stretch begins.
        let mut rng = stream(self.seed, &["switch", &self.station, &number.to_string()]);
        let strayed: f64 = rng.sample(StandardNormal);
        let (re, im): (f64, f64) = (rng.sample(StandardNormal), rng.sample(StandardNormal));
        Edge {
            at_s: even_s + self.scene.jitter_s * strayed.clamp(-MOST_SIGMAS, MOST_SIGMAS),
            leak: Complex::new(re, im) * std::f64::consts::FRAC_1_SQRT_2,
        }
    }

    fn port(&self, number: i64) -> Option<usize> {
        let count = i64::try_from(self.scene.order.len()).unwrap_or(1);
        let at = usize::try_from(number.rem_euclid(count)).unwrap_or(0);
        usize::from(self.scene.order[at]).checked_sub(1)
    }

    /// The mixes of the samples from `from` up to `to`.
    pub(crate) fn fill(&self, from: u64, to: u64, rate_hz: f64, mixes: &mut Vec<Mix>) {
        mixes.clear();
        let from_s = from as f64 / rate_hz;
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a recording has fewer switching instants than an i64 can count"
        )]
        let mut number = ((from_s - self.scene.start_s) / self.interval_s).floor() as i64;
        let mut edge = self.edge(number);
        while from_s < edge.at_s {
            number -= 1;
            edge = self.edge(number);
        }
        let mut next = self.edge(number + 1);
        for sample in from..to {
            let time_s = sample as f64 / rate_hz;
            while time_s >= next.at_s {
                number += 1;
                edge = next;
                next = self.edge(number + 1);
            }
            let settled = (time_s - edge.at_s) / self.scene.settle_s;
            mixes.push(if settled < 1.0 {
                let share = (1.0 - (PI * settled).cos()) / 2.0;
                Mix {
                    now: self.port(number),
                    share,
                    before: self.port(number - 1),
                    leak: edge.leak * (1.0 - share),
                }
            } else {
                Mix {
                    now: self.port(number),
                    share: 1.0,
                    before: None,
                    leak: Complex::ZERO,
                }
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use lobewright_antenna::{SwitchSchedule, SwitchStep};

    use super::*;

    fn scene() -> SwitchScene {
        SwitchScene {
            order: vec![1, 3, 2, 0],
            dwell_s: 1e-3,
            settle_s: 0.0,
            start_s: 0.000_37,
            clock_error_ppm: 0.0,
            jitter_s: 0.0,
        }
    }

    fn mixes(scene: &SwitchScene, from: u64, to: u64) -> Vec<Mix> {
        let mut out = Vec::new();
        Switching::new(scene, 1, "s").fill(from, to, 48_000.0, &mut out);
        out
    }

    // The schedule that a station works with is the oracle, with its own clock ratio.
    #[test]
    fn ports_are_those_of_the_schedule_before_and_after_its_start() {
        for ppm in [0.0, 150.0, -20_000.0] {
            let switch = SwitchScene {
                clock_error_ppm: ppm,
                ..scene()
            };
            let steps = [Some(0), Some(2), Some(1), None].map(|port| SwitchStep { port, dwell_s: 1e-3 });
            let schedule = SwitchSchedule::from_steps(steps.to_vec(), 0.0)
                .unwrap()
                .with_start(0.000_37)
                .with_clock_ratio(1.0 + ppm * 1e-6);
            for (n, mix) in mixes(&switch, 0, 48_000).iter().enumerate() {
                let time_s = n as f64 / 48_000.0;
                let [early, late] = [-1e-9, 1e-9].map(|by| schedule.port_at(time_s + by).map(usize::from));
                // Where an instant falls on a sample, the last bit decides.
                assert!(mix.now == early || mix.now == late, "{time_s} s");
            }
        }
    }

    #[test]
    fn stretches_join_whatever_their_ends() {
        let switch = SwitchScene {
            settle_s: 2e-4,
            jitter_s: 5e-5,
            ..scene()
        };
        let whole = mixes(&switch, 0, 5_000);
        for cut in [1, 47, 48, 49, 1_000, 4_999] {
            let joined = [mixes(&switch, 0, cut), mixes(&switch, cut, 5_000)].concat();
            assert_eq!(joined, whole, "{cut}");
        }
    }

    // Deviations of 4000 instants: the standard error of their standard deviation is 1.1 %.
    #[test]
    fn instants_stray_by_the_jitter() {
        let switch = SwitchScene {
            jitter_s: 4e-5,
            ..scene()
        };
        let switching = Switching::new(&switch, 3, "s");
        let strays: Vec<f64> = (0..4_000_i32)
            .map(|k| switching.edge(i64::from(k)).at_s - (0.000_37 + f64::from(k) * 1e-3))
            .collect();
        let rms = (strays.iter().map(|s| s * s).sum::<f64>() / 4_000.0).sqrt();
        assert!((rms / 4e-5 - 1.0).abs() < 0.05, "{rms}");
        let between: f64 = strays.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / 3_999.0 / (rms * rms);
        assert!(between.abs() < 0.07, "neighbours hang together: {between}");
    }

    // The leak has a mean power of 1 and fades with the raised cosine: at its half the port before has a quarter of its power.
    #[test]
    fn while_settling_the_port_before_leaks_through() {
        let switch = SwitchScene {
            settle_s: 2e-4,
            // Half a sample before the samples, so that no rounding decides.
            start_s: -5e-7,
            ..scene()
        };
        let switching = Switching::new(&switch, 5, "s");
        let (mut at_half, mut count) = (0.0, 0.0);
        let mut out = Vec::new();
        for cycle in 0..4_000_u32 {
            let from = u64::from(cycle) * 1_000;
            switching.fill(from, from + 250, 1e6, &mut out);
            assert!(out[0].share < 1e-4 && (out[200].share - 1.0).abs() < 1e-12);
            assert!((out[100].share - 0.5).abs() < 0.005);
            assert_eq!(out[100].before, switching.port(i64::from(cycle) - 1));
            at_half += out[100].leak.norm_sqr();
            count += 1.0;
        }
        // Exponential power, 4000 draws: standard error 1.6 %.
        assert!(
            (at_half / count - 0.25).abs() < 0.25 * 0.065,
            "{}",
            at_half / count
        );
    }
}
