//! Round numbers for axes and scale bars.

/// The largest of 1, 2, 5 times a power of ten that is not above `limit`; `None` unless that is positive and finite.
pub(crate) fn nice_below(limit: f64) -> Option<f64> {
    if !(limit.is_finite() && limit > 0.0) {
        return None;
    }
    let decade = 10_f64.powf(limit.log10().floor());
    // One part in 1e9 above, so that 5.0 is found for a limit of 5.0 in spite of rounding.
    let ratio = limit / decade * (1.0 + 1e-9);
    let factor = [5.0, 2.0, 1.0].into_iter().find(|f| *f <= ratio).unwrap_or(0.5);
    Some(factor * decade)
}

/// The smallest of 1, 2, 5 times a power of ten that cuts `span` into at most `count` steps.
pub(crate) fn nice_step(span: f64, count: usize) -> Option<f64> {
    let least = span / count.max(1) as f64;
    let below = nice_below(least)?;
    let enough = below * (1.0 + 1e-9) >= least;
    if enough {
        return Some(below);
    }
    // 1 -> 2 -> 5 -> 10: the next round number is at most 2.5 times larger.
    nice_below(below * 2.5 * (1.0 + 1e-6))
}

/// Multiples of `step` from `from` to `to`, ends included; at most 1000.
pub(crate) fn multiples(from: f64, to: f64, step: f64) -> Vec<f64> {
    if !(from.is_finite() && to.is_finite() && step > 0.0 && step.is_finite()) {
        return Vec::new();
    }
    let slack = step * 1e-9;
    let first = ((from - slack) / step).ceil();
    (0..1000_u32)
        .map(|i| (first + f64::from(i)) * step)
        .take_while(|value| *value <= to + slack)
        .map(|value| if value.abs() < slack { 0.0 } else { value })
        .collect()
}

/// Ticks at round numbers, at most `count + 1`.
pub(crate) fn ticks(from: f64, to: f64, count: usize) -> (Vec<f64>, f64) {
    match nice_step(to - from, count) {
        Some(step) => (multiples(from, to, step), step),
        None => (Vec::new(), 1.0),
    }
}

/// Decimals that a multiple of `step` needs.
pub(crate) fn decimals(step: f64) -> usize {
    if !(step.is_finite() && step > 0.0) {
        return 0;
    }
    let digits = -(step * (1.0 + 1e-9)).log10().floor();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0 to 12 first"
    )]
    let digits = digits.clamp(0.0, 12.0) as usize;
    digits
}

/// A number with the true minus sign (U+2212), which is as wide as a digit sign should be.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A probability in percent, held between 0 and 100; a question mark where it is no number.
pub(crate) fn percent(probability: f64) -> String {
    if probability.is_nan() {
        return "? %".to_owned();
    }
    format!("{:.0} %", probability.clamp(0.0, 1.0) * 100.0)
}

/// An azimuth with its standard deviation in two digits, such as `212.4° ± 1.8°`; without one where it is not known.
pub(crate) fn with_doubt(azimuth_deg: f64, sigma_deg: f64) -> String {
    if !azimuth_deg.is_finite() {
        return "not known".to_owned();
    }
    if !(sigma_deg.is_finite() && sigma_deg > 0.0) {
        return format!("{azimuth_deg:.1}°");
    }
    let digits = match sigma_deg {
        s if s >= 9.95 => 0,
        s if s >= 0.995 => 1,
        s if s >= 0.0995 => 2,
        _ => 3,
    };
    // 359.96 must not be printed as 360.0.
    let scale = 10_f64.powf(digits as f64);
    let azimuth = lobewright_types::wrap_degrees((azimuth_deg * scale).round() / scale);
    format!("{azimuth:.digits$}° ± {sigma_deg:.digits$}°")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_numbers_are_one_two_or_five() {
        for (limit, expected) in [
            (1.0, 1.0),
            (1.9, 1.0),
            (2.0, 2.0),
            (4.99, 2.0),
            (5.0, 5.0),
            (999.0, 500.0),
            (0.03, 0.02),
        ] {
            let found = nice_below(limit).unwrap();
            assert!((found - expected).abs() < 1e-9 * expected, "{limit}: {found}");
        }
        assert_eq!(nice_below(f64::NAN), None);
        assert_eq!(nice_below(0.0), None);
    }

    #[test]
    fn a_step_cuts_into_no_more_than_was_asked() {
        for span in [0.37, 1.0, 7.3, 99.0, 100.0, 1234.5] {
            for count in 1..12 {
                let step = nice_step(span, count).unwrap();
                assert!(
                    span / step <= count as f64 * (1.0 + 1e-6),
                    "{span} {count} {step}"
                );
                assert!(span / step > count as f64 / 2.6, "{span} {count} {step}");
            }
        }
    }

    #[test]
    fn multiples_hold_both_ends_and_a_clean_zero() {
        assert_eq!(multiples(-0.2, 0.2, 0.1).len(), 5);
        assert_eq!(multiples(-0.2, 0.2, 0.1)[2].to_bits(), 0.0_f64.to_bits());
        assert!(multiples(0.0, f64::NAN, 1.0).is_empty());
        assert_eq!(multiples(0.0, 1e12, 1.0).len(), 1000);
    }

    #[test]
    fn decimals_follow_the_step() {
        assert_eq!(
            [
                decimals(5.0),
                decimals(1.0),
                decimals(0.5),
                decimals(0.1),
                decimals(0.002)
            ],
            [0, 0, 1, 1, 3]
        );
        assert_eq!(signed(-3.0, 1), "\u{2212}3.0");
        assert_eq!(signed(-0.01, 1), "0.0");
    }

    #[test]
    fn a_share_is_a_number_of_percent() {
        assert_eq!(percent(0.971), "97 %");
        assert_eq!(percent(f64::INFINITY), "100 %");
        assert_eq!(percent(f64::NAN), "? %");
    }

    #[test]
    fn a_doubt_has_two_digits() {
        assert_eq!(with_doubt(212.43, 1.84), "212.4° ± 1.8°");
        assert_eq!(with_doubt(212.43, 12.4), "212° ± 12°");
        assert_eq!(with_doubt(359.98, 1.0), "0.0° ± 1.0°");
        assert_eq!(with_doubt(5.0, 0.234), "5.00° ± 0.23°");
        assert_eq!(with_doubt(f64::NAN, 1.0), "not known");
    }
}
