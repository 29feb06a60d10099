//! Where the antenna points.

use std::f64::consts::TAU;

use lobewright_types::{Azimuth, Mount};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::spec_rotator::RotatorScene;
use crate::streams::stream;

const WANDER_WAVES: usize = 7;

/// A rotator as a function of time.
#[derive(Debug, Clone)]
pub struct Rotator {
    spec: RotatorScene,
    /// Angular frequency, phase and amplitude in degrees of each irregularity.
    wander: Vec<(f64, f64, f64)>,
    /// Keys the legs of one that is swung by hand.
    legs: u64,
}

/// One leg of a hand-swung antenna: rest, then an even turn from one turning point to the next.
#[derive(Debug, Clone, Copy)]
struct Leg {
    start_s: f64,
    moves_s: f64,
    end_s: f64,
    from_deg: f64,
    to_deg: f64,
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
        let legs = match spec {
            RotatorScene::HandSwung { .. } => rng.random::<u64>(),
            _ => 0,
        };
        Self { spec, wander, legs }
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
            RotatorScene::HandSwung {
                half_width_deg,
                leg_s,
                pause_share,
                ..
            } => {
                let leg = self.leg_at(time_s, half_width_deg, leg_s, pause_share);
                let part = ((time_s - leg.moves_s) / (leg.end_s - leg.moves_s)).clamp(0.0, 1.0);
                leg.from_deg + (leg.to_deg - leg.from_deg) * part
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

    /// When a leg begins, and where: within 0.3 of a leg's mean length from an even beat, anywhere in the sector.
    ///
    /// Keyed by the leg's number, so that any time can be asked for alone.
    fn turning_point(&self, number: f64, half_width_deg: f64, leg_s: f64) -> (f64, f64, f64) {
        let mut rng = stream(self.legs, &["leg", &number.to_string()]);
        let stray = 0.3 * (2.0 * rng.random::<f64>() - 1.0);
        let at_deg = half_width_deg * (2.0 * rng.random::<f64>() - 1.0);
        ((number + stray) * leg_s, at_deg, rng.random::<f64>())
    }

    fn leg_at(&self, time_s: f64, half_width_deg: f64, leg_s: f64, pause_share: f64) -> Leg {
        let point = |number: f64| self.turning_point(number, half_width_deg, leg_s);
        let mut number = (time_s / leg_s).floor();
        // A turning point strays by less than half a leg: one step is enough either way.
        if point(number).0 > time_s {
            number -= 1.0;
        } else if point(number + 1.0).0 <= time_s {
            number += 1.0;
        }
        let (start_s, from_deg, rest) = point(number);
        let (end_s, to_deg, _) = point(number + 1.0);
        // Even between nothing and twice the mean, and never all of the leg.
        let pause = (2.0 * pause_share * rest).min(0.9);
        Leg {
            start_s,
            moves_s: start_s + pause * (end_s - start_s),
            end_s,
            from_deg,
            to_deg,
        }
    }

    /// The track that the rotator reports: time in seconds and boresight in degrees from the mounting's zero mark.
    ///
    /// # Inputs
    /// `duration_s`; `interval_s` between points; `latency_s`: how old each reported azimuth is, negative where the
    /// track runs ahead of the samples. The corners of a
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
                .filter(|t| (0.0..duration_s).contains(t)),
        );
        times.sort_by(f64::total_cmp);
        // Points closer than a microsecond say the same.
        times.dedup_by(|later, earlier| *later - *earlier < 1e-6);
        times
            .into_iter()
            .map(|t| {
                // Before the recording nobody turned it; a track that runs ahead knows what comes.
                let when_s = if latency_s > 0.0 {
                    (t - latency_s).max(0.0)
                } else {
                    t - latency_s
                };
                (t, self.azimuth(when_s).degrees())
            })
            .collect()
    }

    fn corners_s(&self, duration_s: f64) -> Vec<f64> {
        if let RotatorScene::HandSwung {
            half_width_deg,
            leg_s,
            pause_share,
            ..
        } = self.spec
        {
            let mut corners = Vec::new();
            let mut time_s = 0.0;
            while time_s < duration_s {
                let leg = self.leg_at(time_s, half_width_deg, leg_s, pause_share);
                corners.extend([leg.start_s, leg.moves_s]);
                // The next leg begins exactly here; the last bit may still count as this one.
                time_s = leg.end_s + 1e-9;
            }
            return corners;
        }
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
    fn a_hand_swings_to_and_fro_at_many_speeds_within_its_sector() {
        let spec = RotatorScene::HandSwung {
            center_azimuth_mount_deg: 350.0,
            half_width_deg: 70.0,
            leg_s: 2.0,
            pause_share: 0.2,
        };
        let rotator = Rotator::new(spec, &mut stream(4, &["test"]));
        let at = |t: f64| Azimuth::<Mount>::from_degrees(350.0).turn_to(rotator.azimuth(t));
        let step_s = 0.02;
        let ways: Vec<f64> = (0..50_000).map(|n| at(f64::from(n) * step_s)).collect();
        assert!(ways.iter().all(|w| w.abs() <= 70.0 + 1e-9));
        let rates: Vec<f64> = ways.windows(2).map(|w| (w[1] - w[0]) / step_s).collect();
        // It never jumps: a leg is 0.4 to 1.6 of its mean length, a tenth of it moving at least, 140 degrees at most.
        assert!(rates.iter().all(|r| r.abs() < 140.0 / (0.1 * 0.4 * 2.0)), "jump");
        let resting = rates.iter().filter(|r| r.abs() < 1e-9).count() as f64 / rates.len() as f64;
        // 500 legs, each resting for 0 to 40 % of its time: standard error 0.5 %.
        assert!((resting - 0.2).abs() < 0.03, "{resting}");
        let moving: Vec<f64> = rates.iter().copied().filter(|r| r.abs() > 1e-9).collect();
        let reversals = moving.windows(2).filter(|w| w[0] * w[1] < 0.0).count();
        // Of three ends drawn evenly the middle one in time is a turning point with probability 2/3.
        assert!((280..390).contains(&reversals), "{reversals}");
        let fast = moving.iter().filter(|r| r.abs() > 60.0).count();
        let slow = moving.iter().filter(|r| r.abs() < 15.0).count();
        assert!(fast > 2_000 && slow > 2_000, "{fast} {slow}");
        // Any end of the sector is left out by some legs.
        let track = rotator.track(60.0, 0.5, 0.0);
        for pair in track.windows(2) {
            let middle = rotator.azimuth(f64::midpoint(pair[0].0, pair[1].0));
            let from = Azimuth::<Mount>::from_degrees(pair[0].1);
            let half = from.turn_to(Azimuth::from_degrees(pair[1].1)) / 2.0;
            assert!(from.turned(half).turn_to(middle).abs() < 0.01);
        }
    }

    #[test]
    fn a_track_ahead_of_the_samples_tells_where_the_antenna_will_be() {
        let spec = RotatorScene::Continuous {
            start_azimuth_mount_deg: 0.0,
            rate_deg_per_s: 36.0,
        };
        let rotator = Rotator::new(spec, &mut stream(1, &["test"]));
        let track = rotator.track(2.0, 0.5, -0.1);
        assert!((track[0].1 - 3.6).abs() < 1e-9 && (track[2].1 - 39.6).abs() < 1e-9);
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
