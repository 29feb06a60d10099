//! Half-power edges of a burst in its averaged power.

/// Ratio to the largest average within which averages belong to the plateau: 8 dB.
const PLATEAU_RANGE: f64 = 6.309_573_444_801_933;
/// Standard deviations between half power and both plateaus that a shortened average must leave.
const CLEARANCE: f64 = 4.0;

/// Where the power rises from the noise to a burst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Edge {
    /// Hops from the profile's start to the half-power point.
    pub position: f64,
    /// Standard deviation of `position`.
    pub sigma: f64,
    /// The power was up from the profile's first hop.
    pub at_border: bool,
    /// Mean power of the plateau, signal and noise.
    pub plateau: f64,
}

/// Finds the first point where the averaged power passes half of the burst's, the noise taken off both.
///
/// # Inputs
/// - `profile`: mean power of each hop, noise first; for a trailing edge, back to front.
/// - `window`: hops in an integration window.
/// - `noise`: noise power.
/// - `independent_in_hop`: independent samples in a hop.
///
/// # Method
/// The plateau is the median of the averages within 8 dB of the largest. The average is shortened to a quarter
/// where the burst is strong enough for that. A centred average passes half way exactly at a sharp edge.
pub(crate) fn rising_edge(profile: &[f64], window: usize, noise: f64, independent_in_hop: f64) -> Edge {
    let plateau = plateau(&averages(profile, window));
    let signal = (plateau - noise).max(f64::MIN_POSITIVE);
    let width = shortest_clear_width(window, signal, noise, independent_in_hop).min(profile.len().max(1));
    let fine = averages(profile, width);
    let target = noise + 0.5 * signal;
    let half_width = width as f64 / 2.0;
    let found = fine.iter().position(|&p| p >= target);
    let (position, at_border) = match found {
        Some(0) => (0.0, true),
        Some(i) => {
            let step = (target - fine[i - 1]) / (fine[i] - fine[i - 1]);
            ((i - 1) as f64 + step + half_width, false)
        }
        None => (index_of_largest(&fine) as f64, false),
    };
    // At the edge half of the average is noise, half is signal and noise.
    let spread = ((signal * noise + noise * noise) / (independent_in_hop * width as f64)).sqrt();
    let jitter = (width as f64 * spread / signal).min(window as f64);
    let slow = if at_border {
        0.0
    } else {
        extra_rise(&fine, noise, signal, width) / 2.0
    };
    Edge {
        position,
        sigma: (jitter * jitter + 1.0 / 12.0 + slow * slow).sqrt(),
        at_border,
        plateau,
    }
}

/// How much longer the power takes from 1/4 to 3/4 than the average alone would, in hops: a slow transmitter.
fn extra_rise(fine: &[f64], noise: f64, signal: f64, width: usize) -> f64 {
    let passes = |share: f64| fine.iter().position(|&p| p >= noise + share * signal);
    match (passes(0.25), passes(0.75)) {
        (Some(low), Some(high)) => ((high - low) as f64 - width as f64 / 2.0).max(0.0),
        _ => 0.0,
    }
}

fn shortest_clear_width(window: usize, signal: f64, noise: f64, independent_in_hop: f64) -> usize {
    [window / 4, window / 2]
        .into_iter()
        .filter(|&w| w > 0)
        .find(|&w| {
            let spread = ((2.0 * signal * noise + noise * noise) / (w as f64 * independent_in_hop)).sqrt();
            signal / 2.0 >= CLEARANCE * spread
        })
        .unwrap_or(window)
}

/// Averages of `width` neighbours, the first over the first `width`; one average of all for a shorter profile.
pub(crate) fn averages(profile: &[f64], width: usize) -> Vec<f64> {
    let width = width.clamp(1, profile.len().max(1));
    profile
        .windows(width)
        .map(|w| w.iter().sum::<f64>() / width as f64)
        .collect()
}

fn plateau(averages: &[f64]) -> f64 {
    let largest = averages.iter().copied().fold(0.0, f64::max);
    let mut high: Vec<f64> = averages
        .iter()
        .copied()
        .filter(|&p| p * PLATEAU_RANGE >= largest)
        .collect();
    high.sort_by(f64::total_cmp);
    high.get(high.len() / 2).copied().unwrap_or(0.0)
}

fn index_of_largest(values: &[f64]) -> usize {
    values
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map_or(0, |(i, _)| i)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharp_edge_is_found_between_the_hops() {
        let profile: Vec<f64> = (0..200)
            .map(|i| match i {
                0..100 => 1.0,
                100 => 1.0 + 0.25 * 1000.0,
                _ => 1001.0,
            })
            .collect();
        let edge = rising_edge(&profile, 16, 1.0, 4.0);
        assert!((edge.position - 100.75).abs() < 0.01, "{edge:?}");
        assert!(!edge.at_border);
    }

    #[test]
    fn power_from_the_first_hop_is_at_the_border() {
        let edge = rising_edge(&[50.0; 100], 16, 1.0, 4.0);
        assert!(edge.at_border);
        assert!(edge.position.abs() < 1e-12);
    }

    #[test]
    fn empty_and_single_profiles_give_finite_edges() {
        for profile in [&[][..], &[1.0][..], &[0.0; 3][..]] {
            let edge = rising_edge(profile, 16, 1.0, 4.0);
            assert!(edge.position.is_finite() && edge.plateau.is_finite());
        }
    }
}
