//! Why a picture could not be drawn.

use crate::Size;

/// Why a picture could not be drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlotError {
    /// A side is out of range.
    #[error(
        "a picture of {width_px} by {height_px} pixels is out of range: each side must be from {min} to {max}",
        min = Size::MIN_PX,
        max = Size::MAX_PX
    )]
    Size {
        /// Width asked for.
        width_px: u32,
        /// Height asked for.
        height_px: u32,
    },
    /// There is nothing to draw.
    #[error("the {picture} has no {missing}, so there is nothing to draw")]
    Empty {
        /// Which picture.
        picture: &'static str,
        /// What it lacks.
        missing: &'static str,
    },
    /// Rows or lists differ in length.
    #[error("{field} has {found} values where {expected} are needed")]
    Length {
        /// Which list, with its index.
        field: String,
        /// Its length.
        found: usize,
        /// The length it must have.
        expected: usize,
    },
    /// The two ends of a range are not two finite numbers in ascending order.
    #[error("{field} runs from {from} to {to}; it must be two finite numbers in ascending order")]
    Range {
        /// Which range.
        field: &'static str,
        /// Its lower end.
        from: f64,
        /// Its upper end.
        to: f64,
    },
    /// A value that must be finite is not.
    #[error("{field} is {found}; it must be a finite number")]
    NotFinite {
        /// Which value.
        field: String,
        /// What was found.
        found: f64,
    },
    /// A bearing names a station that is not in the list.
    #[error("bearing {bearing} names station {station}, but there are {count} stations, counted from 0")]
    NoSuchStation {
        /// Index of the bearing.
        bearing: usize,
        /// The station it names.
        station: usize,
        /// How many there are.
        count: usize,
    },
    /// The drawing library gave up.
    #[error("the picture could not be drawn: {reason}")]
    Drawing {
        /// Why.
        reason: String,
    },
    /// The text is not an SVG file that can be rendered.
    #[error("the SVG text cannot be rendered: {reason}")]
    Svg {
        /// What is wrong with it.
        reason: String,
    },
    /// The pixels could not be allocated or written.
    #[error("a PNG of {width_px} by {height_px} pixels cannot be made: {reason}")]
    Png {
        /// Width in pixels.
        width_px: u64,
        /// Height in pixels.
        height_px: u64,
        /// Why.
        reason: String,
    },
}

/// Refuses a range that is not two finite numbers in ascending order.
pub(crate) fn checked_range(field: &'static str, range: (f64, f64)) -> Result<(), PlotError> {
    let (from, to) = range;
    if from.is_finite() && to.is_finite() && from < to {
        Ok(())
    } else {
        Err(PlotError::Range { field, from, to })
    }
}
