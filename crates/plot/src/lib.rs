//! Pictures: spectrogram, spectrum, polar plot and map, as SVG and PNG.
//!
//! Every picture is a pure function from a description to the text of one self-contained SVG file: no script, no
//! link, no font file needed. [`svg_to_png`] turns it into a PNG with the font that is built into the binary, so that
//! the pixels do not depend on the fonts of the machine. The same description gives the same bytes.
//!
//! Angles are degrees clockwise from true north, positions WGS 84, levels dBFS or dB against the value named.

#![warn(clippy::disallowed_methods)]

mod axes;
mod backend;
mod canvas;
mod error;
mod labels;
mod map;
mod path;
mod plane;
mod polar;
mod raster;
mod spectrogram;
mod spectrum;
mod style;
mod ticks;

pub use error::PlotError;
pub use map::{
    CaptionedMap, CoursePicture, CourseStep, MapBearing, MapNextPlace, MapPicture, MapStation, course, map,
    map_with_next, maps,
};
pub use polar::{PolarPicture, PolarReading, PolarReflection, polar};
pub use raster::svg_to_png;
pub use spectrogram::{BurstMark, SpectrogramPicture, spectrogram};
pub use spectrum::{SpectrumMark, SpectrumPicture, spectrum};

/// Width and height of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    /// Width in CSS pixels (96 to the inch), from [`Size::MIN_PX`] to [`Size::MAX_PX`].
    pub width_px: u32,
    /// Height in CSS pixels, same range.
    pub height_px: u32,
}

impl Size {
    /// The smallest side that still holds axes and labels.
    pub const MIN_PX: u32 = 320;
    /// The largest side.
    pub const MAX_PX: u32 = 10_000;

    /// Checks the range and unwraps to coordinates.
    fn checked(self) -> Result<(f64, f64), PlotError> {
        let good = Self::MIN_PX..=Self::MAX_PX;
        if good.contains(&self.width_px) && good.contains(&self.height_px) {
            Ok((f64::from(self.width_px), f64::from(self.height_px)))
        } else {
            Err(PlotError::Size {
                width_px: self.width_px,
                height_px: self.height_px,
            })
        }
    }
}

impl Default for Size {
    fn default() -> Self {
        Self {
            width_px: 1000,
            height_px: 720,
        }
    }
}
