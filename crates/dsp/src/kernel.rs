//! The inner loops in single precision, written over fixed lanes so that they vectorise, and compiled a second time
//! for AVX2 with FMA, which is chosen at run time.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

use pulp::{Arch, Simd, WithSimd};

/// Single-precision lanes of an accumulator: four complex samples.
pub(crate) const LANES: usize = 8;

/// Taps laid out for interleaved complex samples: each value twice, zero padded to whole lanes.
#[derive(Debug, Clone)]
pub(crate) struct Taps {
    re: Vec<[f32; LANES]>,
    /// Empty where the taps are real.
    im: Vec<[f32; LANES]>,
}

impl Taps {
    /// Takes complex taps; `real` leaves out their imaginary parts.
    pub(crate) fn new(taps: &[num_complex::Complex<f64>], real: bool) -> Self {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "the filter runs in single precision"
        )]
        let lay = |part: &dyn Fn(&num_complex::Complex<f64>) -> f64| {
            let mut flat: Vec<f32> = taps.iter().flat_map(|t| [part(t) as f32; 2]).collect();
            flat.resize(flat.len().next_multiple_of(LANES), 0.0);
            flat.as_chunks::<LANES>().0.to_vec()
        };
        Self {
            re: lay(&|t| t.re),
            im: if real { Vec::new() } else { lay(&|t| t.im) },
        }
    }

    /// Complex samples under the taps, padding included.
    pub(crate) fn window(&self) -> usize {
        self.re.len() * LANES / 2
    }
}

/// Filters interleaved complex samples: output `m` is the sum over the window that starts at complex sample `m *
/// decimation` of `x`; as many outputs as `out` holds.
pub(crate) fn fir(arch: Arch, x: &[f32], taps: &Taps, decimation: usize, out: &mut [f32]) {
    struct Run<'a>(&'a [f32], &'a Taps, usize, &'a mut [f32]);
    impl WithSimd for Run<'_> {
        type Output = ();
        #[inline(always)]
        fn with_simd<S: Simd>(self, _: S) {
            // A scalar fused multiply-add without the instruction is a library call.
            if S::F32_LANES == 8 {
                run::<true>(self.0, self.1, self.2, self.3);
            } else {
                run::<false>(self.0, self.1, self.2, self.3);
            }
        }
    }
    #[inline(always)]
    fn run<const FMA: bool>(x: &[f32], taps: &Taps, decimation: usize, out: &mut [f32]) {
        if taps.im.is_empty() {
            all_outputs::<FMA, false>(x, taps, decimation, out);
        } else {
            all_outputs::<FMA, true>(x, taps, decimation, out);
        }
    }
    arch.dispatch(Run(x, taps, decimation, out));
}

#[inline(always)]
fn all_outputs<const FMA: bool, const COMPLEX: bool>(
    x: &[f32],
    taps: &Taps,
    decimation: usize,
    out: &mut [f32],
) {
    let stride = 2 * decimation;
    let (fours, rest) = out.as_chunks_mut::<8>();
    let mut at = 0;
    for four in fours {
        outputs::<FMA, COMPLEX, 4>(x, at, stride, taps, four);
        at += 4 * stride;
    }
    for one in rest.as_chunks_mut::<2>().0 {
        outputs::<FMA, COMPLEX, 1>(x, at, stride, taps, one);
        at += stride;
    }
}

/// `N` neighbouring outputs: each in the same order of operations whatever `N` is.
#[inline(always)]
fn outputs<const FMA: bool, const COMPLEX: bool, const N: usize>(
    x: &[f32],
    at: usize,
    stride: usize,
    taps: &Taps,
    out: &mut [f32],
) {
    let count = taps.re.len();
    let windows: [&[[f32; LANES]]; N] =
        std::array::from_fn(|n| &x[at + n * stride..][..count * LANES].as_chunks::<LANES>().0[..count]);
    let mut re = [[0.0_f32; LANES]; N];
    let mut im = [[0.0_f32; LANES]; N];
    let re_taps = &taps.re[..count];
    let im_taps = if COMPLEX { &taps.im[..count] } else { re_taps };
    for k in 0..count {
        for n in 0..N {
            let v = &windows[n][k];
            for l in 0..LANES {
                re[n][l] = multiply_add::<FMA>(v[l], re_taps[k][l], re[n][l]);
            }
            if COMPLEX {
                for l in 0..LANES {
                    im[n][l] = multiply_add::<FMA>(v[l], im_taps[k][l], im[n][l]);
                }
            }
        }
    }
    for n in 0..N {
        let mut sum = re[n];
        if COMPLEX {
            for l in 0..LANES / 2 {
                sum[2 * l] -= im[n][2 * l + 1];
                sum[2 * l + 1] += im[n][2 * l];
            }
        }
        let half: [f32; 4] = std::array::from_fn(|l| sum[l] + sum[l + 4]);
        out[2 * n] = half[0] + half[2];
        out[2 * n + 1] = half[1] + half[3];
    }
}

#[inline(always)]
fn multiply_add<const FMA: bool>(a: f32, b: f32, c: f32) -> f32 {
    if FMA { a.mul_add(b, c) } else { a * b + c }
}
