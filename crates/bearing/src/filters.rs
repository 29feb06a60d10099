//! The filters for a rotated antenna: with and without a memory of the level error.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

use crate::lanes::{Common, Filter, Group, Item, LANES, LEVEL_PRIOR_NATS, Lanes, fma, weigh};

const NONE: Lanes = [0.0; LANES];

/// States: level and noise error; a level error without memory is part of the noise.
pub(crate) struct White<const FMA: bool> {
    level: Lanes,
    noise: Lanes,
    ll: Lanes,
    ln: Lanes,
    nn: Lanes,
}

impl<const FMA: bool> Filter for White<FMA> {
    #[inline(always)]
    fn new(_: &Group, common: &Common) -> Self {
        Self {
            level: NONE,
            noise: NONE,
            ll: [LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS; LANES],
            ln: NONE,
            nn: [common.noise_var; LANES],
        }
    }

    #[inline(always)]
    fn advance(&mut self, _: &[Lanes; 7], group: &Group) {
        for k in 0..LANES {
            self.nn[k] += group.noise_walk_var[k];
        }
    }

    #[inline(always)]
    fn next_burst(&mut self, shift: f64, group: &Group) {
        for k in 0..LANES {
            self.level[k] += shift;
            self.ll[k] += group.tie_var[k];
        }
    }

    #[inline(always)]
    fn step(&mut self, item: &Item, group: &Group, common: &Common) -> Lanes {
        let (d, h, n) = (item.d, item.h, 1.0 - item.h);
        let (mut gl, mut gn, mut off, mut var) = (NONE, NONE, NONE, NONE);
        for k in 0..LANES {
            gl[k] = fma::<FMA>(self.ll[k], d, self.ln[k] * n);
            gn[k] = fma::<FMA>(self.ln[k], d, self.nn[k] * n);
            // To second order in the level error: mean and variance of ln(1 + rho e^x).
            let bend = h * n * group.error_var[k];
            let extra = fma::<FMA>(0.5 * bend, bend, fma::<FMA>(group.error_var[k], h * h, item.v));
            off[k] = fma::<FMA>(-0.5, bend, item.nu) - fma::<FMA>(d, self.level[k], n * self.noise[k]);
            var[k] = fma::<FMA>(d, gl[k], fma::<FMA>(n, gn[k], extra));
        }
        let w = weigh::<FMA>(&off, &var, item.censored, group, common);
        for k in 0..LANES {
            self.level[k] = fma::<FMA>(gl[k], w.pull[k], self.level[k]);
            self.noise[k] = fma::<FMA>(gn[k], w.pull[k], self.noise[k]);
            let (sl, sn) = (w.shrink[k] * gl[k], w.shrink[k] * gn[k]);
            self.ll[k] = fma::<FMA>(-sl, gl[k], self.ll[k]);
            self.ln[k] = fma::<FMA>(-sl, gn[k], self.ln[k]);
            self.nn[k] = fma::<FMA>(-sn, gn[k], self.nn[k]);
        }
        w.total
    }
}

/// States: level, level error `x`, its rate `y`, noise error.
pub(crate) struct Coloured<const FMA: bool> {
    level: Lanes,
    error: Lanes,
    rate: Lanes,
    noise: Lanes,
    ll: Lanes,
    lx: Lanes,
    ly: Lanes,
    ln: Lanes,
    xx: Lanes,
    xy: Lanes,
    xn: Lanes,
    yy: Lanes,
    yn: Lanes,
    nn: Lanes,
}

impl<const FMA: bool> Filter for Coloured<FMA> {
    #[inline(always)]
    fn new(group: &Group, common: &Common) -> Self {
        Self {
            level: NONE,
            error: NONE,
            rate: NONE,
            noise: NONE,
            ll: [LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS; LANES],
            lx: NONE,
            ly: NONE,
            ln: NONE,
            xx: group.error_var,
            xy: NONE,
            xn: NONE,
            yy: group.error_var,
            yn: NONE,
            nn: [common.noise_var; LANES],
        }
    }

    #[inline(always)]
    fn advance(&mut self, t: &[Lanes; 7], group: &Group) {
        let [ta, tb, tc, td, qx, qxy, qy] = t;
        for k in 0..LANES {
            let (a, b, c, d) = (ta[k], tb[k], tc[k], td[k]);
            let s2 = group.error_var[k];
            let (x, y) = (self.error[k], self.rate[k]);
            self.error[k] = fma::<FMA>(a, x, b * y);
            self.rate[k] = fma::<FMA>(c, x, d * y);
            let (x, y) = (self.lx[k], self.ly[k]);
            self.lx[k] = fma::<FMA>(a, x, b * y);
            self.ly[k] = fma::<FMA>(c, x, d * y);
            let (x, y) = (self.xn[k], self.yn[k]);
            self.xn[k] = fma::<FMA>(a, x, b * y);
            self.yn[k] = fma::<FMA>(c, x, d * y);
            let (xx, xy, yy) = (self.xx[k], self.xy[k], self.yy[k]);
            let (ax, ay) = (fma::<FMA>(a, xx, b * xy), fma::<FMA>(a, xy, b * yy));
            let (cx, cy) = (fma::<FMA>(c, xx, d * xy), fma::<FMA>(c, xy, d * yy));
            self.xx[k] = fma::<FMA>(a, ax, fma::<FMA>(b, ay, s2 * qx[k]));
            self.xy[k] = fma::<FMA>(c, ax, fma::<FMA>(d, ay, s2 * qxy[k]));
            self.yy[k] = fma::<FMA>(c, cx, fma::<FMA>(d, cy, s2 * qy[k]));
            self.nn[k] += group.noise_walk_var[k];
        }
    }

    #[inline(always)]
    fn next_burst(&mut self, shift: f64, group: &Group) {
        for k in 0..LANES {
            self.level[k] += shift;
            self.ll[k] += group.tie_var[k];
        }
        let mut anew = [NONE; 7];
        anew[4] = [1.0; LANES];
        anew[6] = [1.0; LANES];
        self.advance(&anew, group);
    }

    #[inline(always)]
    fn step(&mut self, item: &Item, group: &Group, common: &Common) -> Lanes {
        let (d, h, n) = (item.d, item.h, 1.0 - item.h);
        let (mut gl, mut gx, mut gy, mut gn) = (NONE, NONE, NONE, NONE);
        let (mut off, mut var) = (NONE, NONE);
        for k in 0..LANES {
            gl[k] = fma::<FMA>(self.ll[k], d, fma::<FMA>(self.lx[k], h, self.ln[k] * n));
            gx[k] = fma::<FMA>(self.lx[k], d, fma::<FMA>(self.xx[k], h, self.xn[k] * n));
            gy[k] = fma::<FMA>(self.ly[k], d, fma::<FMA>(self.xy[k], h, self.yn[k] * n));
            gn[k] = fma::<FMA>(self.ln[k], d, fma::<FMA>(self.xn[k], h, self.nn[k] * n));
            let bend = h * n * group.error_var[k];
            let extra = fma::<FMA>(0.5 * bend, bend, fma::<FMA>(group.nugget_var[k], h * h, item.v));
            let foreseen = fma::<FMA>(d, self.level[k], fma::<FMA>(h, self.error[k], n * self.noise[k]));
            off[k] = fma::<FMA>(-0.5, bend, item.nu) - foreseen;
            var[k] = fma::<FMA>(d, gl[k], fma::<FMA>(h, gx[k], fma::<FMA>(n, gn[k], extra)));
        }
        let w = weigh::<FMA>(&off, &var, item.censored, group, common);
        for k in 0..LANES {
            let (l, x, y, n) = (gl[k], gx[k], gy[k], gn[k]);
            self.level[k] = fma::<FMA>(l, w.pull[k], self.level[k]);
            self.error[k] = fma::<FMA>(x, w.pull[k], self.error[k]);
            self.rate[k] = fma::<FMA>(y, w.pull[k], self.rate[k]);
            self.noise[k] = fma::<FMA>(n, w.pull[k], self.noise[k]);
            let (sl, sx) = (w.shrink[k] * l, w.shrink[k] * x);
            let (sy, sn) = (w.shrink[k] * y, w.shrink[k] * n);
            self.ll[k] = fma::<FMA>(-sl, l, self.ll[k]);
            self.lx[k] = fma::<FMA>(-sl, x, self.lx[k]);
            self.ly[k] = fma::<FMA>(-sl, y, self.ly[k]);
            self.ln[k] = fma::<FMA>(-sl, n, self.ln[k]);
            self.xx[k] = fma::<FMA>(-sx, x, self.xx[k]);
            self.xy[k] = fma::<FMA>(-sx, y, self.xy[k]);
            self.xn[k] = fma::<FMA>(-sx, n, self.xn[k]);
            self.yy[k] = fma::<FMA>(-sy, y, self.yy[k]);
            self.yn[k] = fma::<FMA>(-sy, n, self.yn[k]);
            self.nn[k] = fma::<FMA>(-sn, n, self.nn[k]);
        }
        w.total
    }
}
