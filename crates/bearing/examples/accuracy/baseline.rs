//! Directions found without a model, from the same readings.

use lobewright_types::{LevelReading, Pointing, wrap_signed_degrees};

/// The farthest that the neighbours of the highest reading may lie from each other.
const NEIGHBOURS_DEG: f64 = 100.0;

fn boresight_deg(reading: &LevelReading) -> f64 {
    match reading.pointing {
        Pointing::Boresight { azimuth, .. } => azimuth.degrees(),
        Pointing::Port(_) => f64::NAN,
    }
}

fn highest_index(readings: &[LevelReading]) -> usize {
    let power = |i: &usize| readings[*i].power_lin;
    (0..readings.len())
        .max_by(|a, b| power(a).total_cmp(&power(b)))
        .unwrap_or(0)
}

/// Where the antenna pointed when the level was highest.
pub(crate) fn highest_deg(readings: &[LevelReading]) -> f64 {
    boresight_deg(&readings[highest_index(readings)])
}

/// Vertex of the parabola through the level in dB of the highest reading and of its two neighbours in azimuth, those
/// across north too; at the end of a sweep the highest reading itself.
pub(crate) fn parabola_deg(readings: &[LevelReading]) -> f64 {
    let top = highest_index(readings);
    let at = boresight_deg(&readings[top]);
    let mut left: Option<(f64, f64)> = None;
    let mut right: Option<(f64, f64)> = None;
    for r in readings.iter().filter(|r| r.burst == readings[top].burst) {
        let x = wrap_signed_degrees(boresight_deg(r) - at);
        let level = 10.0 * r.power_lin.log10();
        if x < 0.0 && left.is_none_or(|l| x > l.0) {
            left = Some((x, level));
        } else if x > 0.0 && right.is_none_or(|l| x < l.0) {
            right = Some((x, level));
        }
    }
    let (Some((xl, yl)), Some((xr, yr))) = (left, right) else {
        return at;
    };
    if xr - xl > NEIGHBOURS_DEG {
        return at;
    }
    let y = 10.0 * readings[top].power_lin.log10();
    // y + b x + a x^2 through both neighbours; both lie lower, so it opens downwards and its vertex lies between them.
    let (sl, sr) = ((yl - y) / xl, (yr - y) / xr);
    let a = (sr - sl) / (xr - xl);
    let b = sl - a * xl;
    if a < 0.0 {
        at - (0.5 * b / a).clamp(-xr, -xl)
    } else {
        at
    }
}

/// Direction of the sum of the boresights as vectors, each as long as its power.
pub(crate) fn centroid_deg(readings: &[LevelReading]) -> f64 {
    let (mut north, mut east) = (0.0, 0.0);
    for r in readings {
        let (sin, cos) = boresight_deg(r).to_radians().sin_cos();
        north += r.power_lin * cos;
        east += r.power_lin * sin;
    }
    east.atan2(north).to_degrees()
}
