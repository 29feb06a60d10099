//! Second-order filter sections for the modulating signals.

use std::f64::consts::TAU;
use std::ops::{Add, Mul, Sub};

/// A second-order section in transposed direct form II, for real or complex samples.
#[derive(Debug, Clone)]
pub(crate) struct Section<T> {
    b: [f64; 3],
    a: [f64; 2],
    state: [T; 2],
}

/// Quality factors of the two sections of a fourth-order Butterworth filter: `1 / (2 cos(pi/8))` and `1 / (2
/// cos(3 pi/8))` (S. Butterworth, *On the theory of filter amplifiers*, 1930).
const BUTTERWORTH_4: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_6];

impl<T> Section<T>
where
    T: Copy + Default + Add<Output = T> + Sub<Output = T> + Mul<f64, Output = T>,
{
    fn new(b: [f64; 3], a0: f64, a: [f64; 2]) -> Self {
        Self {
            b: b.map(|v| v / a0),
            a: a.map(|v| v / a0),
            state: [T::default(); 2],
        }
    }

    /// Bilinear transform of a second-order low-pass, corner at `corner` cycles a sample.
    pub(crate) fn low_pass(corner: f64, quality: f64) -> Self {
        let k = (TAU * corner / 2.0).tan();
        let (k2, kq) = (k * k, k / quality);
        Self::new(
            [k2, 2.0 * k2, k2],
            1.0 + kq + k2,
            [2.0 * (k2 - 1.0), 1.0 - kq + k2],
        )
    }

    /// Bilinear transform of a second-order high-pass.
    pub(crate) fn high_pass(corner: f64, quality: f64) -> Self {
        let k = (TAU * corner / 2.0).tan();
        let (k2, kq) = (k * k, k / quality);
        Self::new([1.0, -2.0, 1.0], 1.0 + kq + k2, [2.0 * (k2 - 1.0), 1.0 - kq + k2])
    }

    /// Fourth-order Butterworth low-pass.
    pub(crate) fn butterworth_low_pass(corner: f64) -> [Self; 2] {
        BUTTERWORTH_4.map(|q| Self::low_pass(corner, q))
    }

    /// Fourth-order Butterworth high-pass.
    pub(crate) fn butterworth_high_pass(corner: f64) -> [Self; 2] {
        BUTTERWORTH_4.map(|q| Self::high_pass(corner, q))
    }

    /// A resonator of gain 1 at its centre, both in cycles a sample.
    pub(crate) fn resonator(center: f64, bandwidth: f64) -> Self {
        let k = (TAU * center / 2.0).tan();
        let (k2, kq) = (k * k, k * bandwidth / center);
        Self::new([kq, 0.0, -kq], 1.0 + kq + k2, [2.0 * (k2 - 1.0), 1.0 - kq + k2])
    }

    /// Moves a resonator and keeps what it holds, so that vowels run into each other.
    pub(crate) fn retune(&mut self, center: f64, bandwidth: f64) {
        let state = self.state;
        *self = Self::resonator(center, bandwidth);
        self.state = state;
    }

    pub(crate) fn push(&mut self, x: T) -> T {
        let y = x * self.b[0] + self.state[0];
        self.state[0] = x * self.b[1] - y * self.a[0] + self.state[1];
        self.state[1] = x * self.b[2] - y * self.a[1];
        y
    }
}

/// Third-order interpolation through four neighbours of a sequence that is made as it is needed.
#[derive(Debug, Clone)]
pub(crate) struct Interpolator<T> {
    window: [T; 4],
    /// Index of `window[1]`.
    at: f64,
}

impl<T> Interpolator<T>
where
    T: Copy + Default + Add<Output = T> + Mul<f64, Output = T>,
{
    /// Takes the first elements of the sequence from `next`.
    pub(crate) fn new(mut next: impl FnMut() -> T) -> Self {
        let window = std::array::from_fn(|_| next());
        Self { window, at: 1.0 }
    }

    /// The sequence at a position (from 1, never running backwards).
    pub(crate) fn value(&mut self, position: f64, mut next: impl FnMut() -> T) -> T {
        while position >= self.at + 1.0 {
            self.window.rotate_left(1);
            self.window[3] = next();
            self.at += 1.0;
        }
        let u = position - self.at;
        // Lagrange polynomial through -1, 0, 1 and 2 (Abramowitz and Stegun 25.2.13).
        let w = [
            -u * (u - 1.0) * (u - 2.0) / 6.0,
            (u * u - 1.0) * (u - 2.0) / 2.0,
            -u * (u + 1.0) * (u - 2.0) / 2.0,
            u * (u * u - 1.0) / 6.0,
        ];
        self.window[0] * w[0] + self.window[1] * w[1] + self.window[2] * w[2] + self.window[3] * w[3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain_db(sections: &mut [Section<f64>], frequency: f64) -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..200_000 {
            let impulse = if n == 0 { 1.0 } else { 0.0 };
            let y = sections.iter_mut().fold(impulse, |x, s| s.push(x));
            let phase = TAU * frequency * f64::from(n);
            re += y * phase.cos();
            im -= y * phase.sin();
        }
        20.0 * re.hypot(im).log10()
    }

    // Butterworth: 3.01 dB down at the corner and 24 dB an octave; the bilinear transform bends the octave a little at
    // a corner of 1/16 of the rate.
    #[test]
    fn butterworth_sections_have_their_corner() {
        let mut low = Section::butterworth_low_pass(1.0 / 16.0);
        assert!((gain_db(&mut low, 1.0 / 16.0) + 3.0103).abs() < 1e-3);
        let mut low = Section::butterworth_low_pass(1.0 / 160.0);
        assert!((gain_db(&mut low, 2.0 / 160.0) + 24.1).abs() < 0.3);
        let mut high = Section::butterworth_high_pass(1.0 / 160.0);
        assert!((gain_db(&mut high, 1.0 / 160.0) + 3.0103).abs() < 1e-3);
        let mut peak = [Section::resonator(0.1, 0.01)];
        assert!(gain_db(&mut peak, 0.1).abs() < 1e-3);
    }

    #[test]
    fn interpolation_is_exact_for_cubics() {
        let cubic = |x: f64| 1.0 + x - 0.5 * x * x + 0.1 * x * x * x;
        let mut n = -1.0;
        let mut next = || {
            n += 1.0;
            cubic(n)
        };
        let mut track = Interpolator::new(&mut next);
        for position in [1.0, 1.3, 1.99, 2.0, 5.75, 17.1] {
            let error = track.value(position, &mut next) - cubic(position);
            assert!(error.abs() < 1e-9, "{position}: {error}");
        }
    }
}
