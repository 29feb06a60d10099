//! Kalman filters over the readings: with and without a memory of the level error.

use crate::levels::Linear;
use crate::likelihood::Transition;

/// Standard deviation of a burst's level around its fit before the readings are weighed: wide.
const LEVEL_PRIOR_NATS: f64 = 1.5;

/// A reading as the states foresee it.
pub(crate) struct Seen<G> {
    /// Covariance of each state with the reading.
    gain: G,
    /// Measured less foreseen.
    pub(crate) off: f64,
    /// Variance of `off`.
    pub(crate) var: f64,
}

/// States that explain the readings one after the other.
pub(crate) trait Filter {
    /// A number for each state.
    type Gain;
    /// Goes on to the next reading of the same burst.
    fn advance(&mut self, transition: &Transition);
    /// Goes on to the next burst: its level is counted from a fit that lies `-shift` off, and the level error starts
    /// anew.
    fn next_burst(&mut self, shift: f64, tie_var: f64);
    /// Foresees a reading.
    fn see(&self, l: &Linear, nu: f64, noise_var: f64) -> Seen<Self::Gain>;
    /// Takes it in: mean moved by `gain * pull`, covariance less `shrink * gain gain'`.
    fn take(&mut self, seen: &Seen<Self::Gain>, pull: f64, shrink: f64);
}

/// States: level and noise error.
pub(crate) struct White {
    level: f64,
    noise: f64,
    ll: f64,
    ln: f64,
    nn: f64,
}

impl White {
    pub(crate) fn new(noise_var: f64) -> Self {
        Self {
            level: 0.0,
            noise: 0.0,
            ll: LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS,
            ln: 0.0,
            nn: noise_var,
        }
    }
}

impl Filter for White {
    type Gain = [f64; 2];

    #[inline]
    fn advance(&mut self, _: &Transition) {}

    fn next_burst(&mut self, shift: f64, tie_var: f64) {
        self.level += shift;
        self.ll += tie_var;
    }

    #[inline]
    fn see(&self, l: &Linear, nu: f64, noise_var: f64) -> Seen<[f64; 2]> {
        let n = 1.0 - l.h;
        let gain = [self.ll * l.d + self.ln * n, self.ln * l.d + self.nn * n];
        Seen {
            off: nu - (l.d * self.level + n * self.noise),
            var: l.d * gain[0] + n * gain[1] + noise_var,
            gain,
        }
    }

    #[inline]
    fn take(&mut self, seen: &Seen<[f64; 2]>, pull: f64, shrink: f64) {
        let [l, n] = seen.gain;
        self.level += l * pull;
        self.noise += n * pull;
        self.ll -= shrink * l * l;
        self.ln -= shrink * l * n;
        self.nn -= shrink * n * n;
    }
}

/// States: level, level error `x`, its rate `y`, noise error.
pub(crate) struct Coloured {
    error_var: f64,
    mean: [f64; 4],
    ll: f64,
    lx: f64,
    ly: f64,
    ln: f64,
    xx: f64,
    xy: f64,
    xn: f64,
    yy: f64,
    yn: f64,
    nn: f64,
}

impl Coloured {
    pub(crate) fn new(error_var: f64, noise_var: f64) -> Self {
        Self {
            error_var,
            mean: [0.0; 4],
            ll: LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS,
            lx: 0.0,
            ly: 0.0,
            ln: 0.0,
            xx: error_var,
            xy: 0.0,
            xn: 0.0,
            yy: error_var,
            yn: 0.0,
            nn: noise_var,
        }
    }
}

impl Filter for Coloured {
    type Gain = [f64; 4];

    #[inline]
    fn advance(&mut self, t: &Transition) {
        let [a, b, c, d] = t.a;
        let s2 = self.error_var;
        let turn = |x: f64, y: f64| (a * x + b * y, c * x + d * y);
        (self.mean[1], self.mean[2]) = turn(self.mean[1], self.mean[2]);
        (self.lx, self.ly) = turn(self.lx, self.ly);
        (self.xn, self.yn) = turn(self.xn, self.yn);
        let (xx, xy, yy) = (self.xx, self.xy, self.yy);
        self.xx = a * a * xx + 2.0 * a * b * xy + b * b * yy + s2 * t.q[0];
        self.xy = a * c * xx + (a * d + b * c) * xy + b * d * yy + s2 * t.q[1];
        self.yy = c * c * xx + 2.0 * c * d * xy + d * d * yy + s2 * t.q[2];
    }

    fn next_burst(&mut self, shift: f64, tie_var: f64) {
        self.mean[0] += shift;
        self.ll += tie_var;
        let anew = Transition {
            a: [0.0; 4],
            q: [1.0, 0.0, 1.0],
        };
        self.advance(&anew);
    }

    #[inline]
    fn see(&self, l: &Linear, nu: f64, noise_var: f64) -> Seen<[f64; 4]> {
        let (d, h, n) = (l.d, l.h, 1.0 - l.h);
        let gain = [
            self.ll * d + self.lx * h + self.ln * n,
            self.lx * d + self.xx * h + self.xn * n,
            self.ly * d + self.xy * h + self.yn * n,
            self.ln * d + self.xn * h + self.nn * n,
        ];
        Seen {
            off: nu - (d * self.mean[0] + h * self.mean[1] + n * self.mean[3]),
            var: d * gain[0] + h * gain[1] + n * gain[3] + noise_var,
            gain,
        }
    }

    #[inline]
    fn take(&mut self, seen: &Seen<[f64; 4]>, pull: f64, shrink: f64) {
        for (mean, gain) in self.mean.iter_mut().zip(seen.gain) {
            *mean += gain * pull;
        }
        let [l, x, y, n] = seen.gain;
        let [sl, sx, sy, sn] = seen.gain.map(|g| shrink * g);
        self.ll -= sl * l;
        self.lx -= sl * x;
        self.ly -= sl * y;
        self.ln -= sl * n;
        self.xx -= sx * x;
        self.xy -= sx * y;
        self.xn -= sx * n;
        self.yy -= sy * y;
        self.yn -= sy * n;
        self.nn -= sn * n;
    }
}
