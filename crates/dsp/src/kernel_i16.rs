//! The first stage for 8-bit samples in whole numbers: exact, so every way of computing it gives the same result.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

use num_complex::Complex;
use pulp::Arch;

/// Whole-number lanes: eight complex samples.
const LANES: usize = 16;

/// Scales tried for the rounding of the taps.
const SCALES: u32 = 12;

/// Complex taps as whole numbers, zero padded to whole lanes, in the two orders that give a product's parts:
/// `re` holds `a, -b` and `im` holds `b, a` for each tap `a + jb`.
#[derive(Debug, Clone)]
pub(crate) struct IntTaps {
    re: Vec<[i16; LANES]>,
    im: Vec<[i16; LANES]>,
    /// What an output must be multiplied by.
    scale: f32,
    /// Largest error of the response from rounding the taps, relative to a gain of 1.
    pub(crate) response_error: f64,
}

impl IntTaps {
    /// Rounds complex taps; `full_scale` is the whole number that stands for an input of 1.0.
    ///
    /// `None` where the sums could leave 32 bits.
    pub(crate) fn new(taps: &[Complex<f64>], full_scale: f64, largest_input: f64) -> Option<Self> {
        let top = taps
            .iter()
            .fold(0.0_f64, |m, t| m.max(t.re.abs()).max(t.im.abs()));
        // Which scale rounds best is a matter of luck: some are tried.
        (0..SCALES)
            .filter_map(|i| {
                let factor = 32_767.0 / top * (1.0 - 0.3 * f64::from(i) / f64::from(SCALES));
                Self::scaled(taps, factor, full_scale, largest_input)
            })
            .min_by(|a, b| a.response_error.total_cmp(&b.response_error))
    }

    fn scaled(taps: &[Complex<f64>], factor: f64, full_scale: f64, largest_input: f64) -> Option<Self> {
        let rounded: Vec<Complex<f64>> = taps
            .iter()
            .map(|t| Complex::new((t.re * factor).round(), (t.im * factor).round()))
            .collect();
        let sum: f64 = rounded.iter().map(|t| t.re.abs() + t.im.abs()).sum();
        if !sum.is_finite() || sum * largest_input >= 2_147_483_647.0 {
            return None;
        }
        let error: Vec<Complex<f64>> = taps.iter().zip(&rounded).map(|(t, r)| r / factor - t).collect();
        #[expect(clippy::cast_possible_truncation, reason = "rounded and within 16 bits")]
        let lay = |parts: &dyn Fn(&Complex<f64>) -> [f64; 2]| {
            let mut flat: Vec<i16> = rounded.iter().flat_map(|t| parts(t).map(|p| p as i16)).collect();
            flat.resize(flat.len().next_multiple_of(LANES), 0);
            flat.as_chunks::<LANES>().0.to_vec()
        };
        #[expect(clippy::cast_possible_truncation, reason = "a factor in single precision")]
        let scale = (1.0 / (factor * full_scale)) as f32;
        Some(Self {
            re: lay(&|t| [t.re, -t.im]),
            im: lay(&|t| [t.im, t.re]),
            scale,
            response_error: largest_response(&error),
        })
    }

    /// Complex samples under the taps, padding included.
    pub(crate) fn window(&self) -> usize {
        self.re.len() * LANES / 2
    }
}

fn largest_response(taps: &[Complex<f64>]) -> f64 {
    let points = 8 * taps.len();
    (0..points)
        .map(|i| {
            let turns = i as f64 / points as f64;
            let sum: Complex<f64> = taps
                .iter()
                .enumerate()
                .map(|(k, t)| t * Complex::cis(-2.0 * std::f64::consts::PI * (turns * k as f64).fract()))
                .sum();
            sum.norm()
        })
        .fold(0.0, f64::max)
}

/// Filters interleaved complex whole numbers: output `m` is the sum over the window that starts at complex sample
/// `m * decimation` of `x`, scaled; as many outputs as `out` holds.
pub(crate) fn fir_i16(arch: Arch, x: &[i16], taps: &IntTaps, decimation: usize, out: &mut [f32]) {
    match arch {
        #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
        Arch::V3(simd) => avx2::fir(simd, x, taps, decimation, out),
        _ => plain(x, taps, decimation, out),
    }
}

fn plain(x: &[i16], taps: &IntTaps, decimation: usize, out: &mut [f32]) {
    for (m, pair) in out.as_chunks_mut::<2>().0.iter_mut().enumerate() {
        let window = &x[2 * m * decimation..][..taps.re.len() * LANES];
        let dot = |taps: &[[i16; LANES]]| {
            let mut acc = [0_i32; LANES / 2];
            for (v, t) in window.as_chunks::<LANES>().0.iter().zip(taps) {
                for l in 0..LANES / 2 {
                    acc[l] += i32::from(v[2 * l]) * i32::from(t[2 * l])
                        + i32::from(v[2 * l + 1]) * i32::from(t[2 * l + 1]);
                }
            }
            acc.iter().sum::<i32>()
        };
        *pair = [dot(&taps.re), dot(&taps.im)].map(|sum| to_f32(sum) * taps.scale);
    }
}

#[inline(always)]
fn to_f32(sum: i32) -> f32 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "24 of up to 31 bits are what single precision keeps"
    )]
    {
        sum as f32
    }
}

#[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
mod avx2 {
    use pulp::x86::V3;
    use pulp::{NullaryFnOnce, cast, i16x16, i32x4, i32x8};

    use super::{IntTaps, LANES, to_f32};

    struct Run<'a> {
        simd: V3,
        x: &'a [i16],
        taps: &'a IntTaps,
        decimation: usize,
        out: &'a mut [f32],
    }

    impl NullaryFnOnce for Run<'_> {
        type Output = ();

        #[inline(always)]
        fn call(self) {
            let stride = 2 * self.decimation;
            let mut at = 0;
            let (fours, rest) = self.out.as_chunks_mut::<8>();
            for four in fours {
                let sums = sums::<4>(self.simd, self.x, at, stride, self.taps);
                for (l, o) in four.iter_mut().enumerate() {
                    *o = to_f32(sums[l / 4][l % 4]) * self.taps.scale;
                }
                at += 4 * stride;
            }
            for one in rest.as_chunks_mut::<2>().0 {
                let sums = sums::<1>(self.simd, self.x, at, stride, self.taps);
                for l in 0..2 {
                    one[l] = to_f32(sums[0][l]) * self.taps.scale;
                }
                at += stride;
            }
        }
    }

    /// Sums of `N` (1 or 4) outputs as `re, im` pairs, two outputs to a row.
    #[inline(always)]
    fn sums<const N: usize>(simd: V3, x: &[i16], at: usize, stride: usize, taps: &IntTaps) -> [[i32; 4]; 2] {
        let count = taps.re.len();
        let windows: [&[[i16; LANES]]; N] =
            std::array::from_fn(|n| &x[at + n * stride..][..count * LANES].as_chunks::<LANES>().0[..count]);
        let zero = simd.splat_i32x8(0);
        let mut re = [zero; 4];
        let mut im = [zero; 4];
        let (re_taps, im_taps) = (&taps.re[..count], &taps.im[..count]);
        for k in 0..count {
            let (t_re, t_im): (i16x16, i16x16) = (cast(re_taps[k]), cast(im_taps[k]));
            for n in 0..N {
                let v: i16x16 = cast(windows[n][k]);
                re[n] = simd.wrapping_add_i32x8(re[n], simd.multiply_wrapping_add_adjacent_i16x16(v, t_re));
                im[n] = simd.wrapping_add_i32x8(im[n], simd.multiply_wrapping_add_adjacent_i16x16(v, t_im));
            }
        }
        [
            reduce(simd, re[0], im[0], re[1], im[1]),
            reduce(simd, re[2], im[2], re[3], im[3]),
        ]
    }

    #[inline(always)]
    fn reduce(simd: V3, re0: i32x8, im0: i32x8, re1: i32x8, im1: i32x8) -> [i32; 4] {
        let first = simd.horizontal_add_pack_i32x8(re0, im0);
        let second = simd.horizontal_add_pack_i32x8(re1, im1);
        let [low, high]: [i32x4; 2] = cast(simd.horizontal_add_pack_i32x8(first, second));
        cast(simd.wrapping_add_i32x4(low, high))
    }

    pub(super) fn fir(simd: V3, x: &[i16], taps: &IntTaps, decimation: usize, out: &mut [f32]) {
        simd.vectorize(Run {
            simd,
            x,
            taps,
            decimation,
            out,
        });
    }
}
