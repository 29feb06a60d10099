//! The manifold as the coherent estimator sees it.

use std::fmt;

use lobewright_antenna::Manifold;
use num_complex::Complex;

/// Complex response of every channel of an array to a wave from one direction.
///
/// A common complex factor of all channels means nothing; it may differ from direction to direction.
pub trait Steering: fmt::Debug + Send + Sync {
    /// Number of channels.
    fn channels(&self) -> usize;

    /// Writes the response of each channel to a wave from `azimuth_deg`, counted clockwise from the mounting's zero
    /// mark, any size. `out` is `[channel]`, [`Steering::channels`] long.
    fn response(&self, azimuth_deg: f64, out: &mut [Complex<f64>]);
}

impl Steering for Manifold {
    fn channels(&self) -> usize {
        self.ports()
    }

    fn response(&self, azimuth_deg: f64, out: &mut [Complex<f64>]) {
        Manifold::response(self, azimuth_deg, out);
    }
}

impl<S: Steering + ?Sized> Steering for std::sync::Arc<S> {
    fn channels(&self) -> usize {
        (**self).channels()
    }

    fn response(&self, azimuth_deg: f64, out: &mut [Complex<f64>]) {
        (**self).response(azimuth_deg, out);
    }
}
