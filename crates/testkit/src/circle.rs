//! Statistics of directions and of direction errors.

use lobewright_types::wrap_signed_degrees;

/// The direction of the vector sum of azimuths, in `[0, 360)` degrees from the azimuths' own north.
///
/// # Method
/// Mardia & Jupp, *Directional Statistics* (2000), section 2.2.
///
/// # Panics
/// For no azimuths.
pub fn circular_mean_deg(azimuths_deg: &[f64]) -> f64 {
    let (north, east) = vector_mean(azimuths_deg);
    lobewright_types::wrap_degrees(east.atan2(north).to_degrees())
}

/// Length of the mean of unit vectors, 0 (spread evenly) to 1 (all the same).
///
/// # Method
/// Mardia & Jupp, *Directional Statistics* (2000), section 2.3.1.
///
/// # Panics
/// For no azimuths.
pub fn mean_resultant_length(azimuths_deg: &[f64]) -> f64 {
    let (north, east) = vector_mean(azimuths_deg);
    north.hypot(east)
}

fn vector_mean(azimuths_deg: &[f64]) -> (f64, f64) {
    assert!(!azimuths_deg.is_empty(), "no azimuth has no mean");
    let n = azimuths_deg.len() as f64;
    let sum = azimuths_deg.iter().fold((0.0, 0.0), |(north, east), deg| {
        let (sin, cos) = deg.to_radians().sin_cos();
        (north + cos, east + sin)
    });
    (sum.0 / n, sum.1 / n)
}

/// How a set of estimates lies around the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ErrorSummary {
    /// Number of estimates.
    pub count: usize,
    /// Mean signed error, clockwise positive.
    pub bias_deg: f64,
    /// Root of the mean squared error, each error wrapped into (-180, 180] first.
    pub rms_deg: f64,
    /// Largest error without its sign.
    pub max_deg: f64,
    /// Share of errors above the gross limit.
    pub gross_share: f64,
}

/// Sums up pairs of estimate and truth, in degrees from one north.
///
/// The mean signed error is the arithmetic mean of the wrapped errors, which is the circular mean where errors
/// stay well under 90 degrees.
///
/// # Panics
/// For no pairs, or where a number is not finite: a trial that is dropped would flatter the figures.
pub fn error_summary(pairs_deg: &[(f64, f64)], gross_deg: f64) -> ErrorSummary {
    assert!(!pairs_deg.is_empty(), "no estimate has no error");
    let errors: Vec<f64> = pairs_deg
        .iter()
        .map(|&(estimate, truth)| {
            assert!(
                estimate.is_finite() && truth.is_finite(),
                "estimate {estimate}, truth {truth}: not a direction"
            );
            wrap_signed_degrees(estimate - truth)
        })
        .collect();
    let n = errors.len() as f64;
    ErrorSummary {
        count: errors.len(),
        bias_deg: errors.iter().sum::<f64>() / n,
        rms_deg: (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
        max_deg: errors.iter().fold(0.0, |max, e| e.abs().max(max)),
        gross_share: errors.iter().filter(|e| e.abs() > gross_deg).count() as f64 / n,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Mardia & Jupp (2000), example 1.1, the roulette data: mean direction 51 degrees, mean resultant length
    // 0.711, as printed to these digits.
    #[test]
    fn the_roulette_data_have_their_published_mean() {
        let stops = [43.0, 45.0, 52.0, 61.0, 75.0, 88.0, 88.0, 279.0, 357.0];
        assert!((circular_mean_deg(&stops) - 51.0).abs() < 0.5);
        assert!((mean_resultant_length(&stops) - 0.711).abs() < 0.0005);
    }

    #[test]
    fn an_error_across_north_is_small() {
        let summary = error_summary(&[(359.0, 1.0), (3.0, 1.0)], 30.0);
        assert!(summary.bias_deg.abs() < 1e-12);
        assert!((summary.rms_deg - 2.0).abs() < 1e-12);
        assert!((summary.max_deg - 2.0).abs() < 1e-12);
        assert!(summary.gross_share < 1e-12);
    }

    #[test]
    fn gross_errors_are_counted() {
        let summary = error_summary(&[(0.0, 0.0), (31.0, 0.0), (180.0, 0.0), (331.0, 0.0)], 30.0);
        assert!((summary.gross_share - 0.5).abs() < 1e-12);
        assert!((summary.max_deg - 180.0).abs() < 1e-12);
    }
}
