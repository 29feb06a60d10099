//! Bursts that may be a stronger one's image or leak.

use lobewright_types::{Burst, BurstFlag};

/// Share of a burst that the stronger one must have been on for.
const SHARED_TIME: f64 = 0.8;

/// Flags bursts during which another channel was stronger by `excess_db` or more.
///
/// Carrier leaks, images about the tuned centre and spill-over come and go with the transmission that makes them, some
/// 25 to 60 dB under it. Two transmitters that send at the same time are flagged alike: a flag is a doubt, not a verdict.
///
/// # Inputs
/// - `bursts`: of all channels of one recording or of the last while, any order.
/// - `excess_db`: level difference (dB, full bursts' mean levels) from which on the weaker one is doubted, such as 20.
///
/// # Method
/// Common practice, no source: at least 80 % of the weaker burst's time shared.
pub fn mark_suspects(bursts: &mut [Burst], excess_db: f64) {
    let suspect: Vec<bool> = bursts
        .iter()
        .map(|weak| bursts.iter().any(|strong| overshadows(strong, weak, excess_db)))
        .collect();
    for (burst, suspect) in bursts.iter_mut().zip(suspect) {
        if suspect && !burst.flags.contains(&BurstFlag::Suspect) {
            burst.flags.push(BurstFlag::Suspect);
            burst.flags.sort_unstable();
        }
    }
}

fn overshadows(strong: &Burst, weak: &Burst, excess_db: f64) -> bool {
    let shared_s = strong.stop_s.min(weak.stop_s) - strong.start_s.max(weak.start_s);
    strong.channel != weak.channel
        && (strong.level - weak.level).0 >= excess_db
        && shared_s >= SHARED_TIME * weak.length_s()
}

#[cfg(test)]
mod tests {
    use lobewright_types::{Dbfs, SampleIndex};

    use super::*;

    fn burst(channel: usize, start: u64, stop: u64, level_dbfs: f64) -> Burst {
        Burst {
            channel,
            start: SampleIndex(start),
            stop: SampleIndex(stop),
            start_s: start as f64 / 1000.0,
            stop_s: stop as f64 / 1000.0,
            start_utc: None,
            edge_sigma_s: 0.001,
            level: Dbfs(level_dbfs),
            noise: Dbfs(-90.0),
            snr_db: level_dbfs + 90.0,
            carrier_offset_hz: 0.0,
            carrier_offset_sigma_hz: None,
            bandwidth_hz: 100.0,
            clip_fraction: 0.0,
            flags: vec![],
        }
    }

    #[test]
    fn only_a_weaker_burst_at_the_same_time_in_another_channel_is_flagged() {
        use BurstFlag::{Clipped, Suspect};
        let mut bursts = vec![
            burst(0, 1000, 2000, -20.0),
            burst(1, 1010, 1990, -52.0),
            burst(1, 1900, 3000, -52.0),
            burst(2, 1000, 2000, -35.0),
            burst(0, 1200, 1300, -50.0),
        ];
        bursts[1].flags.push(BurstFlag::Clipped);
        mark_suspects(&mut bursts, 20.0);
        mark_suspects(&mut bursts, 20.0);
        let flags: Vec<_> = bursts.iter().map(|b| b.flags.clone()).collect();
        assert_eq!(flags, [vec![], vec![Clipped, Suspect], vec![], vec![], vec![]]);
    }
}
