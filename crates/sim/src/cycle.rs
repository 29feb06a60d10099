//! When a transmitter is on the air.

use rand::RngExt;
use rand_distr::StandardNormal;

use crate::spec::TransmitterScene;
use crate::streams::stream;

/// How far a transmission without a cycle reaches beyond what is asked for: more than the longest ramp.
const ALWAYS_ON_MARGIN_S: f64 = 2.0;

/// One transmission in scene time, half open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OnAir {
    pub(crate) start_s: f64,
    pub(crate) stop_s: f64,
}

/// Lists the transmissions that touch the time from `from_s` to `to_s`, in order; ones that overlap are one.
pub(crate) fn on_air(transmitter: &TransmitterScene, seed: u64, from_s: f64, to_s: f64) -> Vec<OnAir> {
    if transmitter.cycle.is_empty() {
        // Begun before the stretch and ended behind it, so that no ramp and no delay shows.
        return vec![OnAir {
            start_s: from_s - ALWAYS_ON_MARGIN_S,
            stop_s: to_s + ALWAYS_ON_MARGIN_S,
        }];
    }
    let mut all: Vec<OnAir> = (0..transmitter.cycle.len())
        .flat_map(|index| one_cycle(transmitter, index, seed, to_s))
        .collect();
    all.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut merged: Vec<OnAir> = Vec::with_capacity(all.len());
    for burst in all {
        match merged.last_mut() {
            Some(last) if burst.start_s <= last.stop_s => last.stop_s = last.stop_s.max(burst.stop_s),
            _ => merged.push(burst),
        }
    }
    merged.retain(|burst| burst.stop_s > from_s && burst.start_s < to_s);
    merged
}

fn one_cycle(transmitter: &TransmitterScene, index: usize, seed: u64, to_s: f64) -> Vec<OnAir> {
    let cycle = transmitter.cycle[index];
    // Drawn from the first start on, whatever part is asked for: every station hears the same transmissions.
    let mut rng = stream(seed, &["cycle", &transmitter.name, &index.to_string()]);
    let mut bursts = Vec::new();
    let mut nominal_s = cycle.first_start_s;
    // Starts scatter: past this nominal time none comes back into the stretch.
    let last_s = to_s + 10.0 * cycle.jitter_s;
    let mut number = 0.0;
    while nominal_s < last_s {
        let error_s = cycle.jitter_s * rng.sample::<f64, _>(StandardNormal);
        let start_s = nominal_s + error_s;
        bursts.push(OnAir {
            start_s,
            stop_s: start_s + cycle.on_s,
        });
        number += 1.0;
        nominal_s = if cycle.jitter_adds_up {
            start_s + cycle.period_s
        } else {
            cycle.first_start_s + number * cycle.period_s
        };
    }
    bursts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::{CycleScene, EmissionScene};

    fn transmitter(cycle: Vec<CycleScene>) -> TransmitterScene {
        TransmitterScene {
            name: "t".to_owned(),
            lat_deg: 0.0,
            lon_deg: 0.0,
            frequency_hz: 1e8,
            drift_hz_per_s: 0.0,
            eirp_dbm: 0.0,
            ramp_s: 0.0,
            emission: EmissionScene::Carrier,
            identification: None,
            cycle,
        }
    }

    fn minute(jitter_s: f64, jitter_adds_up: bool) -> CycleScene {
        CycleScene {
            period_s: 60.0,
            on_s: 12.0,
            first_start_s: 7.0,
            jitter_s,
            jitter_adds_up,
        }
    }

    #[test]
    fn bursts_come_once_a_period() {
        let bursts = on_air(&transmitter(vec![minute(0.0, false)]), 1, 70.0, 190.0);
        let starts: Vec<f64> = bursts.iter().map(|b| b.start_s).collect();
        assert_eq!(starts, vec![67.0, 127.0, 187.0]);
        assert!(bursts.iter().all(|b| (b.stop_s - b.start_s - 12.0).abs() < 1e-9));
    }

    #[test]
    fn no_cycle_is_always_on() {
        let bursts = on_air(&transmitter(vec![]), 1, 5.0, 9.0);
        assert_eq!(bursts.len(), 1);
        assert!(bursts[0].start_s <= 5.0 && bursts[0].stop_s >= 9.0);
    }

    #[test]
    fn overlapping_bursts_of_two_cycles_are_one() {
        let mut second = minute(0.0, false);
        second.first_start_s = 15.0;
        let bursts = on_air(&transmitter(vec![minute(0.0, false), second]), 1, 0.0, 60.0);
        assert_eq!(
            bursts,
            vec![OnAir {
                start_s: 7.0,
                stop_s: 27.0
            }]
        );
    }

    #[test]
    fn every_station_hears_the_same_jitter() {
        let t = transmitter(vec![minute(0.5, false)]);
        let all = on_air(&t, 3, 0.0, 6000.0);
        let late = on_air(&t, 3, 3000.0, 6000.0);
        assert_eq!(&all[all.len() - late.len()..], &late[..]);
        assert_ne!(all, on_air(&t, 4, 0.0, 6000.0));
    }

    // Independent errors: a gap's variance is 2 s^2 and the starts stay on the raster; adding up: it is s^2, and they
    // leave it as sqrt(n) s.
    #[test]
    fn jitter_is_as_large_as_asked_for() {
        let gaps = |adds_up| {
            let bursts = on_air(&transmitter(vec![minute(0.5, adds_up)]), 3, 0.0, 120_000.0);
            let gaps: Vec<f64> = bursts
                .windows(2)
                .map(|w| w[1].start_s - w[0].start_s - 60.0)
                .collect();
            (gaps.iter().map(|g| g * g).sum::<f64>() / gaps.len() as f64).sqrt()
        };
        // About 2000 gaps: 2 % standard error.
        assert!((gaps(true) - 0.5).abs() < 0.04);
        assert!((gaps(false) - 0.5 * 2_f64.sqrt()).abs() < 0.06);
    }
}
