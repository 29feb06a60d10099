//! Figures read off a pattern.

use crate::Pattern;

const STEP_DEG: f64 = 0.05;

impl Pattern {
    /// Angles of the first -3 dB points counter-clockwise and clockwise of the peak, relative to boresight;
    /// `None` where the gain never falls by 3 dB on one side.
    pub fn half_power_points_deg(&self) -> Option<(f64, f64)> {
        let left = self.first_fall_deg(-1.0)?;
        let right = self.first_fall_deg(1.0)?;
        let peak = self.peak_offset_deg();
        Some((peak - left, peak + right))
    }

    /// Width between the -3 dB points around the peak; `None` where the gain never falls by 3 dB.
    pub fn beamwidth_deg(&self) -> Option<f64> {
        self.half_power_points_deg().map(|(left, right)| right - left)
    }

    /// Peak gain less the gain exactly opposite to the peak, in dB.
    pub fn front_to_back_db(&self) -> f64 {
        self.peak_gain_dbi() - self.gain_dbi(self.peak_offset_deg() + 180.0)
    }

    /// Peak gain less the largest gain in the rear half, 90 degrees and more from the peak, in dB.
    pub fn front_to_rear_db(&self) -> f64 {
        let steps = (180.0 / STEP_DEG).round();
        let mut rear = f64::NEG_INFINITY;
        let mut i = 0.0;
        while i <= steps {
            rear = rear.max(self.gain_dbi(self.peak_offset_deg() + 90.0 + i * STEP_DEG));
            i += 1.0;
        }
        self.peak_gain_dbi() - rear
    }

    /// Peak gain less the gain 90 degrees clockwise (first) and counter-clockwise (second) of the peak, in dB.
    pub fn front_to_side_db(&self) -> (f64, f64) {
        let side = |turn: f64| self.peak_gain_dbi() - self.gain_dbi(self.peak_offset_deg() + turn);
        (side(90.0), side(-90.0))
    }

    /// Root mean square of the slope over the turn, in dB per degree, by central differences of one degree each
    /// way: what decides the bearing error when
    /// readings lie all around.
    pub fn rms_slope_db_per_deg(&self) -> f64 {
        let sum: f64 = (0..360)
            .map(|i| {
                let at = f64::from(i);
                (0.5 * (self.gain_dbi(at + 1.0) - self.gain_dbi(at - 1.0))).powi(2)
            })
            .sum();
        (sum / 360.0).sqrt()
    }

    fn first_fall_deg(&self, side: f64) -> Option<f64> {
        let peak = self.peak_offset_deg();
        let below = |off: f64| self.peak_gain_dbi() - 3.0 - self.gain_dbi(peak + side * off);
        let mut off = STEP_DEG;
        while off <= 360.0 {
            if below(off) >= 0.0 {
                let (a, b) = (below(off - STEP_DEG), below(off));
                return Some(off - STEP_DEG * b / (b - a));
            }
            off += STEP_DEG;
        }
        None
    }
}
