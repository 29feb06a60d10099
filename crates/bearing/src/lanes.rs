//! A Kalman filter over the readings, for several supposed level errors side by side.
//!
//! All lanes share the readings and the direction; each has its own level error and memory. Side by side they keep the
//! processor's vector units busy, where one after the other would wait for its own last result.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

/// Suppositions worked out side by side.
pub(crate) const LANES: usize = 8;
/// One number for each lane.
pub(crate) type Lanes = [f64; LANES];

/// Standard deviation of a burst's level around its fit before the readings are weighed: wide.
pub(crate) const LEVEL_PRIOR_NATS: f64 = 1.5;
/// Factors multiplied before the logarithm is taken: each lies within 1e-6 and 1e6 or so.
const FACTORS: u32 = 24;

/// Where the next reading stands to the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Link {
    /// It is the first.
    First,
    /// Same burst; an index into the list of distances.
    Step(usize),
    /// Another burst, whose level is counted from a fit that lies this much off; the level error starts anew.
    Burst(f64),
}

/// A reading made linear, as the filter takes it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Item {
    pub(crate) link: Link,
    /// Measured less expected, in nats.
    pub(crate) nu: f64,
    /// Change with the burst's level.
    pub(crate) d: f64,
    /// Share of the signal: change with the level error.
    pub(crate) h: f64,
    /// Variance of the noise.
    pub(crate) v: f64,
    /// Only a lower limit.
    pub(crate) censored: bool,
    /// Port of a switched antenna, from 0.
    pub(crate) port: usize,
}

/// Several suppositions, one a lane.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    /// Variance of the level error.
    pub(crate) error_var: Lanes,
    /// Variance of its independent part.
    pub(crate) nugget_var: Lanes,
    /// Variance of the change of level from burst to burst.
    pub(crate) tie_var: Lanes,
    /// Variance that the noise power's error gains from reading to reading.
    pub(crate) noise_walk_var: Lanes,
    /// Density of a reading left unexplained, times its share.
    pub(crate) background: Lanes,
    /// Top of a normal density of unit variance, times the share that the model explains.
    pub(crate) peak_density: Lanes,
    /// For each distance: transition `[xx, xy, yx, yy]` and added variances `[xx, xy, yy]` of the level error.
    pub(crate) transitions: Vec<[Lanes; 7]>,
}

/// What is common to all lanes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Common {
    pub(crate) noise_var: f64,
    pub(crate) port_var: f64,
    pub(crate) unexplained_share: f64,
}

/// States that explain the readings one after the other.
pub(crate) trait Filter {
    fn new(group: &Group, common: &Common) -> Self;
    /// Goes on to the next reading of the same burst.
    fn advance(&mut self, transition: &[Lanes; 7], group: &Group);
    /// Goes on to the next burst: its level is counted from a fit that lies `shift` off, and the level error starts
    /// anew.
    fn next_burst(&mut self, shift: f64, group: &Group);
    /// Takes a reading in, and gives its density.
    fn step(&mut self, item: &Item, group: &Group, common: &Common) -> Lanes;
}

/// Natural logarithm of the density of all readings for each lane.
///
/// A reading that the model may not explain moves the states by its probability of being explained (probabilistic
/// data association: Bar-Shalom & Tse, *Automatica* 11, 1975, 451-460).
#[inline(always)]
pub(crate) fn run<F: Filter>(items: &[Item], group: &Group, common: &Common) -> Lanes {
    let mut filter = F::new(group, common);
    let (mut ln, mut product) = ([0.0; LANES], [1.0; LANES]);
    let mut held = 0;
    for item in items {
        match item.link {
            Link::First => {}
            Link::Step(step) => filter.advance(&group.transitions[step], group),
            Link::Burst(shift) => filter.next_burst(shift, group),
        }
        let total = filter.step(item, group, common);
        for k in 0..LANES {
            product[k] *= total[k];
        }
        held += 1;
        if held == FACTORS {
            held = 0;
            for k in 0..LANES {
                ln[k] += product[k].max(1e-300).ln();
                product[k] = 1.0;
            }
        }
    }
    for k in 0..LANES {
        ln[k] += product[k].max(1e-300).ln();
    }
    ln
}

/// How a reading moves the states.
pub(crate) struct Weighed {
    /// Mean moves by the states' covariance with the reading times this.
    pub(crate) pull: Lanes,
    /// Covariance shrinks by that covariance squared times this.
    pub(crate) shrink: Lanes,
    /// Density of the reading.
    pub(crate) total: Lanes,
}

#[inline(always)]
pub(crate) fn weigh<const FMA: bool>(
    off: &Lanes,
    var: &Lanes,
    censored: bool,
    group: &Group,
    common: &Common,
) -> Weighed {
    if censored {
        return weigh_censored(off, var, common);
    }
    let (mut pull, mut shrink, mut total) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    for k in 0..LANES {
        let inverse = 1.0 / var[k];
        let x2 = off[k] * off[k] * inverse;
        let fits = group.peak_density[k] * exp::<FMA>(-0.5 * x2) * inverse.sqrt();
        total[k] = fits + group.background[k];
        let p = fits / total[k];
        pull[k] = p * off[k] * inverse;
        shrink[k] = (p - p * (1.0 - p) * x2) * inverse;
    }
    Weighed { pull, shrink, total }
}

/// A clipped reading says only that the true level is at least as high.
#[inline(never)]
fn weigh_censored(off: &Lanes, var: &Lanes, common: &Common) -> Weighed {
    let share = common.unexplained_share;
    let (mut pull, mut shrink, mut total) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    for k in 0..LANES {
        let sigma = var[k].sqrt();
        let t = off[k] / sigma;
        let above = upper_tail(t);
        let ratio = (-0.5 * t * t).exp() / std::f64::consts::TAU.sqrt() / above.max(1e-300);
        let ratio = if t > 30.0 { t } else { ratio };
        total[k] = (1.0 - share) * above + share * 0.5;
        let p = (1.0 - share) * above / total[k];
        pull[k] = p * ratio / sigma;
        shrink[k] = p * (ratio * (ratio - t)).clamp(0.0, 1.0) / var[k];
    }
    Weighed { pull, shrink, total }
}

/// Probability that a standard normal number lies above `t`.
fn upper_tail(t: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(t / std::f64::consts::SQRT_2)
}

/// Exponential of a number that is not positive, to a few parts in 10^13, in a form that the compiler can do in several
/// lanes at once: `2^k e^r` with `|r| <= ln 2 / 2`, the second by its Taylor series.
#[inline(always)]
fn exp<const FMA: bool>(x: f64) -> f64 {
    // Adding this leaves the nearest whole number in the lowest bits.
    // Nothing beside any background, and far from numbers so small that the processor works them out slowly.
    const LEAST: f64 = -100.0;
    const MAGIC: f64 = 6_755_399_441_055_744.0;
    const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
    const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    const SERIES: [f64; 9] = [
        1.0 / 362_880.0,
        1.0 / 40_320.0,
        1.0 / 5040.0,
        1.0 / 720.0,
        1.0 / 120.0,
        1.0 / 24.0,
        1.0 / 6.0,
        0.5,
        1.0,
    ];
    let x = if x > LEAST { x } else { LEAST };
    let shifted = fma::<FMA>(x, std::f64::consts::LOG2_E, MAGIC);
    let whole = shifted - MAGIC;
    let r = fma::<FMA>(-whole, LN_2_LOW, fma::<FMA>(-whole, LN_2_HIGH, x));
    let mut sum = 1.0 / 3_628_800.0;
    for term in SERIES {
        sum = fma::<FMA>(sum, r, term);
    }
    sum = fma::<FMA>(sum, r, 1.0);
    let scale = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1023 << 52));
    sum * scale
}

/// Natural logarithm of a positive number to a few parts in 10^14 of its distance from 1, in a form that the compiler can
/// do in several lanes at once: exponent and `2 artanh((m - 1) / (m + 1))` of the mantissa, by its series.
#[inline(always)]
pub(crate) fn ln<const FMA: bool>(x: f64) -> f64 {
    const TWO_52: u64 = 0x4330_0000_0000_0000;
    const MANTISSA: u64 = 0x000f_ffff_ffff_ffff;
    const ONE: u64 = 0x3ff0_0000_0000_0000;
    const SERIES: [f64; 8] = [
        1.0 / 15.0,
        1.0 / 13.0,
        1.0 / 11.0,
        1.0 / 9.0,
        1.0 / 7.0,
        1.0 / 5.0,
        1.0 / 3.0,
        1.0,
    ];
    let bits = x.to_bits();
    let exponent = f64::from_bits((bits >> 52) | TWO_52) - (4_503_599_627_370_496.0 + 1023.0);
    let mantissa = f64::from_bits((bits & MANTISSA) | ONE);
    let large = mantissa > std::f64::consts::SQRT_2;
    let m = if large { 0.5 * mantissa } else { mantissa };
    let e = if large { exponent + 1.0 } else { exponent };
    let s = (m - 1.0) / (m + 1.0);
    let s2 = s * s;
    let mut sum = 1.0 / 17.0;
    for term in SERIES {
        sum = fma::<FMA>(sum, s2, term);
    }
    fma::<FMA>(e, std::f64::consts::LN_2, 2.0 * s * sum)
}

/// `a b + c`, by the one instruction where there is one.
#[inline(always)]
pub(crate) fn fma<const FMA: bool>(a: f64, b: f64, c: f64) -> f64 {
    if FMA { a.mul_add(b, c) } else { a * b + c }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithm_agrees_with_the_library() {
        for i in 1..5000 {
            let x = 1e-20 * (0.02 * f64::from(i)).exp();
            assert!(
                (ln::<false>(x) - x.ln()).abs() < 1e-13 * (1.0 + x.ln().abs()),
                "{x}"
            );
        }
    }

    #[test]
    fn exponential_agrees_with_the_library() {
        for i in 0..990 {
            let x = -0.1 * f64::from(i) + 1e-3;
            if x <= 0.0 {
                assert!((exp::<false>(x) / x.exp() - 1.0).abs() < 1e-12, "{x}");
            }
        }
        assert!((exp::<false>(0.0) - 1.0).abs() < 1e-15 && exp::<false>(-1e9) < 1e-43);
    }
}
