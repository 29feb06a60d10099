//! The pattern as a table of power gains, quick to look up.

use lobewright_antenna::Pattern;

use crate::config::EstimatorConfig;
use crate::prepare::Obs;

const STEPS_PER_DEG: f64 = 4.0;
const STEPS: usize = 1440;
/// Values beyond both ends that the cubic reaches: one before, two behind and one more where an angle rounds up to 360.
const PADDED: usize = STEPS + 4;
/// A turn below this moves the gain by less than any level error.
const TURN_COUNTS_DEG: f64 = 0.5;

/// Power gain relative to the peak on a quarter-degree raster, cubic (Catmull-Rom) in between.
#[derive(Debug, Clone)]
pub(crate) struct GainTable {
    value: Vec<f64>,
    /// Real and imaginary part of the voltage against the peak's, where the pattern has phases.
    voltage: Option<[Vec<f64>; 2]>,
}

impl GainTable {
    pub(crate) fn new(pattern: &Pattern) -> Self {
        let raster = |i: usize| ((i + STEPS - 1) % STEPS) as f64 / STEPS_PER_DEG;
        let column = |f: &dyn Fn(f64) -> f64| (0..PADDED).map(|i| f(raster(i))).collect();
        let voltage = pattern.phase_deg(0.0).is_some().then(|| {
            let part = |side: &dyn Fn(f64) -> f64| {
                column(&|off| {
                    let phase = pattern.phase_deg(off).unwrap_or(0.0).to_radians();
                    pattern.gain_rel_lin(off).sqrt() * side(phase)
                })
            };
            [part(&f64::cos), part(&f64::sin)]
        });
        Self {
            value: column(&|off| pattern.gain_rel_lin(off)),
            voltage,
        }
    }

    /// Gain at an angle from boresight.
    pub(crate) fn at(&self, off_deg: f64) -> f64 {
        cubic(&self.value, off_deg).max(1e-9)
    }

    /// Voltage at an angle from boresight; real where the pattern has no phases.
    pub(crate) fn voltage(&self, off_deg: f64) -> [f64; 2] {
        match &self.voltage {
            Some([re, im]) => [cubic(re, off_deg), cubic(im, off_deg)],
            None => [self.at(off_deg).sqrt(), 0.0],
        }
    }

    /// Gain averaged over a turn of the antenna that is centred on `boresight_deg`, for a source at `azimuth_deg`
    /// (three-point Gauss-Legendre rule).
    pub(crate) fn over_turn(&self, azimuth_deg: f64, boresight_deg: f64, turn_deg: f64) -> f64 {
        let off = azimuth_deg - boresight_deg;
        if turn_deg.abs() < TURN_COUNTS_DEG {
            return self.at(off);
        }
        let reach = 0.5 * 0.6_f64.sqrt() * turn_deg;
        (5.0 * (self.at(off - reach) + self.at(off + reach)) + 8.0 * self.at(off)) / 18.0
    }
}

/// A padded raster over the circle, cubic in between.
fn cubic(value: &[f64], off_deg: f64) -> f64 {
    let turns = off_deg / 360.0;
    // A cast and not `floor`: that is a call into the mathematics library on older processors.
    #[expect(clippy::cast_possible_truncation, reason = "a few turns at most")]
    let whole = turns as i64 as f64;
    let part = turns - whole;
    let x = if part < 0.0 { part + 1.0 } else { part } * STEPS as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to STEPS"
    )]
    let i = (x as usize).min(STEPS);
    let t = x - i as f64;
    let [a, b, c, d] = value[i..i + 4] else {
        return 0.0;
    };
    b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
}

/// The gain of whatever antenna a reading was taken with: one turned pattern, or one for each port.
#[derive(Debug, Clone)]
pub(crate) struct Gains {
    tables: Vec<GainTable>,
    /// Directions that the ports' patterns are counted from.
    boresights_deg: Vec<f64>,
    /// Against the strongest port.
    factors: Vec<f64>,
}

impl Gains {
    pub(crate) fn new(config: &EstimatorConfig) -> Self {
        if config.ports.is_empty() {
            return Self {
                tables: vec![GainTable::new(&config.pattern)],
                boresights_deg: vec![0.0],
                factors: vec![1.0],
            };
        }
        let peak_dbi = |p: &crate::config::PortAntenna| p.pattern.peak_gain_dbi();
        let strongest = config
            .ports
            .iter()
            .map(peak_dbi)
            .fold(f64::NEG_INFINITY, f64::max);
        Self {
            tables: config.ports.iter().map(|p| GainTable::new(&p.pattern)).collect(),
            boresights_deg: config.ports.iter().map(|p| p.boresight.degrees()).collect(),
            factors: config
                .ports
                .iter()
                .map(|p| 10_f64.powf((peak_dbi(p) - strongest) / 10.0))
                .collect(),
        }
    }

    /// Whether the readings change with direction: not so where all patterns are round.
    pub(crate) fn have_direction(config: &EstimatorConfig) -> bool {
        if config.ports.is_empty() {
            return config.pattern.is_directional();
        }
        config.ports.iter().any(|p| p.pattern.is_directional())
    }

    /// Voltage of a reading's middle for a source at an azimuth from the mounting's zero mark.
    #[inline]
    pub(crate) fn voltage_of(&self, o: &Obs, azimuth_deg: f64) -> [f64; 2] {
        let boresight = o.azimuth_mount_deg + self.boresights_deg[o.port];
        let factor = self.factors[o.port].sqrt();
        self.tables[o.port]
            .voltage(azimuth_deg - boresight)
            .map(|v| factor * v)
    }

    /// Power gain of a reading for a source at an azimuth from the mounting's zero mark.
    #[inline]
    pub(crate) fn of(&self, o: &Obs, azimuth_deg: f64) -> f64 {
        let boresight = o.azimuth_mount_deg + self.boresights_deg[o.port];
        self.factors[o.port] * self.tables[o.port].over_turn(azimuth_deg, boresight, o.turn_deg)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_follows_the_pattern() {
        for name in ["cardioid", "figure-eight", "yagi-3"] {
            let pattern = Pattern::builtin(name).unwrap();
            let table = GainTable::new(&pattern);
            for i in -500..500 {
                let off = f64::from(i) * 0.873;
                let error = table.at(off) - pattern.gain_rel_lin(off);
                assert!(error.abs() < 1e-6, "{name} {off} {error}");
            }
        }
    }

    // Mean of cos^2 over an arc T centred at a: 1/2 + sin(T) cos(2a) / (2T).
    #[test]
    fn a_turn_averages_the_power() {
        let table = GainTable::new(&Pattern::builtin("figure-eight").unwrap());
        for (azimuth, turn) in [(10.0_f64, 20.0_f64), (80.0, -15.0), (300.0, 8.0)] {
            let arc = turn.to_radians();
            let mean = 0.5 + arc.sin() * (2.0 * (azimuth - 30.0).to_radians()).cos() / (2.0 * arc);
            assert!((table.over_turn(azimuth, 30.0, turn) - mean).abs() < 1e-6);
        }
    }
}
