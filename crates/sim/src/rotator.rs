//! Where the antenna points.

use std::f64::consts::TAU;

use lobewright_types::{Azimuth, Mount};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::spec::RotatorScene;

const WANDER_WAVES: usize = 7;

/// A rotator as a function of time.
#[derive(Debug, Clone)]
pub struct Rotator {
    spec: RotatorScene,
    /// Angular frequency, phase and amplitude in degrees of each irregularity.
    wander: Vec<(f64, f64, f64)>,
}

impl Rotator {
    /// Draws what is random about a rotator.
    ///
    /// # Inputs
    /// `rng`: the stream of this rotator alone.
    pub fn new(spec: RotatorScene, rng: &mut ChaCha8Rng) -> Self {
        let wander = match spec {
            RotatorScene::Hand {
                wander_deg,
                wander_rate_hz,
                ..
            } => (0..WANDER_WAVES)
                .map(|n| {
                    let share = (n as f64 + rng.random::<f64>()) / WANDER_WAVES as f64;
                    let amplitude = wander_deg * (2.0 / WANDER_WAVES as f64).sqrt();
                    (TAU * wander_rate_hz * share, rng.random::<f64>() * TAU, amplitude)
                })
                .collect(),
            _ => Vec::new(),
        };
        Self { spec, wander }
    }

    /// The boresight at a time in seconds from the first sample.
    pub fn azimuth(&self, time_s: f64) -> Azimuth<Mount> {
        self.spec.start().turned(self.turned_deg(time_s))
    }

    fn turned_deg(&self, time_s: f64) -> f64 {
        match self.spec {
            RotatorScene::Fixed { .. } => 0.0,
            RotatorScene::Continuous { rate_deg_per_s, .. } => rate_deg_per_s * time_s,
            RotatorScene::Steps {
                step_deg,
                dwell_s,
                rate_deg_per_s,
                ..
            } => {
                let lap_s = dwell_s + step_deg.abs() / rate_deg_per_s;
                let lap = (time_s / lap_s).floor();
                let moving_s = (time_s - lap * lap_s - dwell_s).max(0.0);
                step_deg * lap + step_deg.signum() * rate_deg_per_s * moving_s
            }
            RotatorScene::Swing {
                half_width_deg,
                rate_deg_per_s,
                ..
            } => {
                let way = (rate_deg_per_s * time_s + half_width_deg).rem_euclid(4.0 * half_width_deg);
                half_width_deg - (way - 2.0 * half_width_deg).abs()
            }
            RotatorScene::Hand { rate_deg_per_s, .. } => {
                let wander: f64 = self
                    .wander
                    .iter()
                    .map(|&(omega, phase, amplitude)| {
                        amplitude * ((omega * time_s + phase).sin() - phase.sin())
                    })
                    .sum();
                rate_deg_per_s * time_s + wander
            }
        }
    }

    /// The track that the rotator reports: time in seconds and boresight in degrees from the mounting's zero mark.
    ///
    /// # Inputs
    /// `duration_s`; `interval_s` between points; `latency_s`: how old each reported azimuth is. The corners of a
    /// stepping or swinging rotator are added, so that straight lines between the points are the way turned.
    pub fn track(&self, duration_s: f64, interval_s: f64, latency_s: f64) -> Vec<(f64, f64)> {
        let count = (duration_s / interval_s).floor();
        let mut times = vec![0.0];
        let mut n = 1.0;
        while n <= count {
            times.push(n * interval_s);
            n += 1.0;
        }
        times.push(duration_s);
        times.extend(
            self.corners_s(duration_s)
                .into_iter()
                .map(|t| t + latency_s)
                .filter(|t| *t < duration_s),
        );
        times.sort_by(f64::total_cmp);
        // Points closer than a microsecond say the same.
        times.dedup_by(|later, earlier| *later - *earlier < 1e-6);
        times
            .into_iter()
            .map(|t| (t, self.azimuth((t - latency_s).max(0.0)).degrees()))
            .collect()
    }

    fn corners_s(&self, duration_s: f64) -> Vec<f64> {
        let (first, gaps) = match self.spec {
            RotatorScene::Steps {
                step_deg,
                dwell_s,
                rate_deg_per_s,
                ..
            } => (dwell_s, [step_deg.abs() / rate_deg_per_s, dwell_s]),
            RotatorScene::Swing {
                half_width_deg,
                rate_deg_per_s,
                ..
            } => {
                let quarter = half_width_deg / rate_deg_per_s;
                (quarter, [2.0 * quarter, 2.0 * quarter])
            }
            _ => return Vec::new(),
        };
        let mut corners = Vec::new();
        let lap_s = gaps[0] + gaps[1];
        let mut lap = 0.0;
        while first + lap * lap_s < duration_s {
            corners.push(first + lap * lap_s);
            corners.push(first + lap * lap_s + gaps[0]);
            lap += 1.0;
        }
        corners
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::stream;

    fn check(spec: RotatorScene, expected: &[(f64, f64)]) {
        let rotator = Rotator::new(spec, &mut stream(1, &["test"]));
        for &(time_s, azimuth_deg) in expected {
            let error = rotator
                .azimuth(time_s)
                .turn_to(Azimuth::from_degrees(azimuth_deg));
            assert!(error.abs() < 1e-9, "{time_s} s: {:?}", rotator.azimuth(time_s));
        }
    }

    #[test]
    fn turns_evenly_through_north() {
        let spec = RotatorScene::Continuous {
            start_azimuth_mount_deg: 350.0,
            rate_deg_per_s: 36.0,
        };
        check(spec, &[(0.0, 350.0), (0.5, 8.0), (10.0, 350.0)]);
    }

    #[test]
    fn stops_and_looks() {
        let spec = RotatorScene::Steps {
            start_azimuth_mount_deg: 10.0,
            step_deg: -30.0,
            dwell_s: 2.0,
            rate_deg_per_s: 60.0,
        };
        check(
            spec,
            &[
                (0.0, 10.0),
                (1.9, 10.0),
                (2.25, 355.0),
                (2.5, 340.0),
                (4.4, 340.0),
            ],
        );
    }

    #[test]
    fn swings_back_and_forth() {
        let spec = RotatorScene::Swing {
            center_azimuth_mount_deg: 0.0,
            half_width_deg: 60.0,
            rate_deg_per_s: 30.0,
        };
        check(
            spec,
            &[
                (0.0, 0.0),
                (1.0, 30.0),
                (2.0, 60.0),
                (3.0, 30.0),
                (6.0, 300.0),
                (8.0, 0.0),
            ],
        );
    }

    #[test]
    fn a_hand_turns_unevenly_but_arrives() {
        let spec = RotatorScene::Hand {
            start_azimuth_mount_deg: 90.0,
            rate_deg_per_s: 20.0,
            wander_deg: 8.0,
            wander_rate_hz: 0.5,
        };
        let rotator = Rotator::new(spec, &mut stream(7, &["test"]));
        assert!((rotator.azimuth(0.0).degrees() - 90.0).abs() < 1e-9);
        let errors: Vec<f64> = (0..4000)
            .map(|n| {
                let t = f64::from(n) * 0.1;
                Azimuth::<Mount>::from_degrees(90.0 + 20.0 * t).turn_to(rotator.azimuth(t))
            })
            .collect();
        let mean = errors.iter().sum::<f64>() / 4000.0;
        let sigma = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 4000.0).sqrt();
        // Sum of sinusoids over many periods: rms as asked for, up to the slowest one's unfinished period.
        assert!((sigma - 8.0).abs() < 0.8, "{sigma}");
    }

    #[test]
    fn lines_between_track_points_are_the_way_turned() {
        let spec = RotatorScene::Steps {
            start_azimuth_mount_deg: 0.0,
            step_deg: 30.0,
            dwell_s: 0.73,
            rate_deg_per_s: 90.0,
        };
        let rotator = Rotator::new(spec, &mut stream(1, &["test"]));
        let track = rotator.track(20.0, 0.1, 0.0);
        assert!((track[track.len() - 1].0 - 20.0).abs() < 1e-12);
        for pair in track.windows(2) {
            let middle = rotator.azimuth(f64::midpoint(pair[0].0, pair[1].0));
            let from = Azimuth::<Mount>::from_degrees(pair[0].1);
            let half = from.turn_to(Azimuth::from_degrees(pair[1].1)) / 2.0;
            assert!(from.turned(half).turn_to(middle).abs() < 1e-3);
        }
    }

    #[test]
    fn a_late_track_tells_where_the_antenna_was() {
        let spec = RotatorScene::Continuous {
            start_azimuth_mount_deg: 0.0,
            rate_deg_per_s: 36.0,
        };
        let rotator = Rotator::new(spec, &mut stream(1, &["test"]));
        let track = rotator.track(2.0, 0.5, 0.1);
        let (time_s, azimuth_deg) = track[2];
        assert!((time_s - 1.0).abs() < 1e-12 && (azimuth_deg - 32.4).abs() < 1e-9);
    }
}
