//! The filter with a fixed gain error for each port of a switched antenna.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]
#![expect(
    clippy::needless_range_loop,
    reason = "loops over lanes that index several arrays at once are what the compiler vectorises"
)]

use crate::lanes::{Common, Filter, Group, Item, LANES, LEVEL_PRIOR_NATS, Lanes, fma, weigh};

const LEVEL: usize = 0;
const ERROR: usize = 1;
const RATE: usize = 2;
const NOISE: usize = 3;
/// First of the ports' own gain errors.
pub(crate) const FIRST_PORT: usize = 4;

/// States: level, level error, its rate, noise error, and the ports' gain errors.
pub(crate) struct Ported<const N: usize, const FMA: bool> {
    mean: [Lanes; N],
    /// Upper triangle.
    cov: [[Lanes; N]; N],
}

/// A reading as the states foresee it.
struct Seen<const N: usize> {
    /// Covariance of each state with the reading.
    gain: [Lanes; N],
    /// Measured less foreseen.
    off: Lanes,
    /// Variance of `off`.
    var: Lanes,
}

impl<const N: usize, const FMA: bool> Ported<N, FMA> {
    /// Covariance of two states, whichever order.
    #[inline(always)]
    fn at(&mut self, i: usize, j: usize) -> &mut Lanes {
        &mut self.cov[i.min(j)][i.max(j)]
    }

    #[inline(always)]
    fn see(&mut self, item: &Item, group: &Group) -> Seen<N> {
        let mut weight = [0.0; N];
        weight[LEVEL] = item.d;
        weight[ERROR] = item.h;
        weight[NOISE] = 1.0 - item.h;
        if FIRST_PORT + item.port < N {
            weight[FIRST_PORT + item.port] = item.h;
        }
        let mut gain = [[0.0; LANES]; N];
        let (mut off, mut var) = ([0.0; LANES], [0.0; LANES]);
        let bend_share = item.h * (1.0 - item.h);
        for k in 0..LANES {
            // To second order in the level error: mean and variance of ln(1 + rho e^x).
            let bend = bend_share * group.error_var[k];
            off[k] = item.nu - 0.5 * bend;
            var[k] = item.v + group.nugget_var[k] * item.h * item.h + 0.5 * bend * bend;
        }
        for j in 0..N {
            // The rate is not seen.
            if j == RATE {
                continue;
            }
            for (i, gain) in gain.iter_mut().enumerate() {
                let cov = self.cov[i.min(j)][i.max(j)];
                for k in 0..LANES {
                    gain[k] = fma::<FMA>(weight[j], cov[k], gain[k]);
                }
            }
            for k in 0..LANES {
                off[k] = fma::<FMA>(-weight[j], self.mean[j][k], off[k]);
            }
        }
        for j in 0..N {
            if j == RATE {
                continue;
            }
            for k in 0..LANES {
                var[k] = fma::<FMA>(weight[j], gain[j][k], var[k]);
            }
        }
        Seen { gain, off, var }
    }

    /// Takes a reading in: mean moved by `gain * pull`, covariance less `shrink * gain gain'`.
    #[inline(always)]
    fn take(&mut self, seen: &Seen<N>, pull: &Lanes, shrink: &Lanes) {
        for i in 0..N {
            let mut scaled = [0.0; LANES];
            for k in 0..LANES {
                self.mean[i][k] = fma::<FMA>(seen.gain[i][k], pull[k], self.mean[i][k]);
                scaled[k] = shrink[k] * seen.gain[i][k];
            }
            for j in i..N {
                for k in 0..LANES {
                    self.cov[i][j][k] = fma::<FMA>(-scaled[k], seen.gain[j][k], self.cov[i][j][k]);
                }
            }
        }
    }
}

impl<const N: usize, const FMA: bool> Filter for Ported<N, FMA> {
    #[inline(always)]
    fn new(group: &Group, common: &Common) -> Self {
        let mut state = Self {
            mean: [[0.0; LANES]; N],
            cov: [[[0.0; LANES]; N]; N],
        };
        state.cov[LEVEL][LEVEL] = [LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS; LANES];
        state.cov[ERROR][ERROR] = group.error_var;
        state.cov[RATE][RATE] = group.error_var;
        state.cov[NOISE][NOISE] = [common.noise_var; LANES];
        for port in FIRST_PORT..N {
            state.cov[port][port] = [common.port_var; LANES];
        }
        state
    }

    /// Goes on to the next reading of the same burst.
    #[inline(always)]
    fn advance(&mut self, t: &[Lanes; 7], group: &Group) {
        let [a, b, c, d, q0, q1, q2] = t;
        for k in 0..LANES {
            let (x, y) = (self.mean[ERROR][k], self.mean[RATE][k]);
            self.mean[ERROR][k] = fma::<FMA>(a[k], x, b[k] * y);
            self.mean[RATE][k] = fma::<FMA>(c[k], x, d[k] * y);
        }
        for other in 0..N {
            if other == ERROR || other == RATE {
                continue;
            }
            let (xs, ys) = (*self.at(ERROR, other), *self.at(RATE, other));
            let (mut nx, mut ny) = ([0.0; LANES], [0.0; LANES]);
            for k in 0..LANES {
                nx[k] = fma::<FMA>(a[k], xs[k], b[k] * ys[k]);
                ny[k] = fma::<FMA>(c[k], xs[k], d[k] * ys[k]);
            }
            *self.at(ERROR, other) = nx;
            *self.at(RATE, other) = ny;
        }
        for k in 0..LANES {
            let (xx, xy, yy) = (
                self.cov[ERROR][ERROR][k],
                self.cov[ERROR][RATE][k],
                self.cov[RATE][RATE][k],
            );
            let (a, b, c, d, s2) = (a[k], b[k], c[k], d[k], group.error_var[k]);
            let (ax, ay) = (fma::<FMA>(a, xx, b * xy), fma::<FMA>(a, xy, b * yy));
            let (cx, cy) = (fma::<FMA>(c, xx, d * xy), fma::<FMA>(c, xy, d * yy));
            self.cov[ERROR][ERROR][k] = fma::<FMA>(a, ax, fma::<FMA>(b, ay, s2 * q0[k]));
            self.cov[ERROR][RATE][k] = fma::<FMA>(c, ax, fma::<FMA>(d, ay, s2 * q1[k]));
            self.cov[NOISE][NOISE][k] += group.noise_walk_var[k];
            self.cov[RATE][RATE][k] = fma::<FMA>(c, cx, fma::<FMA>(d, cy, s2 * q2[k]));
        }
    }

    #[inline(always)]
    fn next_burst(&mut self, shift: f64, group: &Group) {
        for k in 0..LANES {
            self.mean[LEVEL][k] += shift;
            self.cov[LEVEL][LEVEL][k] += group.tie_var[k];
        }
        let mut anew = [[0.0; LANES]; 7];
        anew[4] = [1.0; LANES];
        anew[6] = [1.0; LANES];
        self.advance(&anew, group);
    }

    #[inline(always)]
    fn step(&mut self, item: &Item, group: &Group, common: &Common) -> Lanes {
        let seen = self.see(item, group);
        let weighed = weigh::<FMA>(&seen.off, &seen.var, item.censored, group, common);
        self.take(&seen, &weighed.pull, &weighed.shrink);
        weighed.total
    }
}
