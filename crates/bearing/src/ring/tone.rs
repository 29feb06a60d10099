//! The classic way: the tone that the switching puts on an FM discriminator.

use lobewright_types::{Azimuth, True};
use num_complex::Complex;

use super::kalman::wrap;
use super::{RingBurst, RingConfig, check};

/// Steps in which the tone's phase is looked up round the circle.
const STEP_DEG: f64 = 0.05;

/// Bearing by the phase of the tone of the switching rate in an FM discriminator's output, against the switch's clock.
///
/// For comparison only: it uses one harmonic of the phase steps and no level, has no error to state, and modulation
/// near the switching rate goes straight into it. The method is common practice, no source. `None` where the schedule
/// is no cycle with a known start, or the burst gives no tone.
///
/// The tone's phase is turned into an azimuth by the manifold, so coupling between the elements does no harm.
pub fn tone_bearing(burst: &RingBurst<'_>, config: &RingConfig) -> Option<Azimuth<True>> {
    check(config).ok()?;
    let schedule = &config.schedule;
    let (period_s, start_s) = (schedule.period_s()?, schedule.start_s()?);
    let usable = burst.rate_hz > 0.0 && burst.rate_hz.is_finite() && burst.start_s.is_finite();
    if !usable || burst.samples.len() < 3 {
        return None;
    }
    let turn = |time_s: f64| Complex::cis(-std::f64::consts::TAU * (time_s - start_s) / period_s);
    // Whole cycles only, and the carrier's own frequency, a constant, is taken off.
    let cycles = (burst.samples.len() as f64 / burst.rate_hz / period_s).floor();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "at most the number of samples"
    )]
    let n = ((cycles * period_s * burst.rate_hz) as usize).min(burst.samples.len());
    let discriminated: Vec<f64> = burst.samples[..n]
        .windows(2)
        .map(|w| {
            let product = w[1] * w[0].conj();
            f64::from(product.im).atan2(f64::from(product.re))
        })
        .collect();
    if discriminated.is_empty() || discriminated.iter().any(|d| !d.is_finite()) {
        return None;
    }
    let mean = discriminated.iter().sum::<f64>() / discriminated.len() as f64;
    let tone: Complex<f64> = discriminated
        .iter()
        .enumerate()
        .map(|(k, d)| turn(burst.start_s + (k as f64 + 0.5) / burst.rate_hz) * (d - mean))
        .sum();
    let steps = schedule.steps();
    let ports: Option<Vec<usize>> = steps.iter().map(|s| s.port.map(usize::from)).collect();
    let ports = ports?;
    let mut response = vec![Complex::new(0.0, 0.0); config.manifold.ports()];
    let mut best = (f64::NEG_INFINITY, 0.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "7200")]
    let count = (360.0 / STEP_DEG) as u32;
    for i in 0..count {
        let azimuth_deg = f64::from(i) * STEP_DEG;
        config.manifold.response(azimuth_deg, &mut response);
        let (mut at_s, mut predicted) = (0.0, Complex::new(0.0, 0.0));
        for (k, step) in steps.iter().enumerate() {
            let before = response[ports[(k + ports.len() - 1) % ports.len()]];
            let jump = (response[ports[k]] * before.conj()).arg();
            predicted += turn(start_s + at_s) * wrap(jump);
            at_s += step.dwell_s * schedule.clock_ratio();
        }
        let match_ = (tone * predicted.conj()).re / predicted.norm().max(1e-300);
        if match_ > best.0 {
            best = (match_, azimuth_deg);
        }
    }
    (tone.norm() > 0.0).then(|| Azimuth::from_degrees(best.1 + config.heading.degrees()))
}
