//! What the caller's options change in what a file says of itself.

use std::fmt::Display;

use crate::meta::{MAX_CHANNELS, MAX_HZ, Meta};
use crate::{OpenError, OpenOptions, SourceWarning};

/// Most bytes that one block may take.
const MAX_BLOCK_BYTES: usize = 1 << 30;

/// Checks the options by themselves.
pub(crate) fn check(options: &OpenOptions) -> Result<(), OpenError> {
    let wrong = |option, found: String, needed| {
        Err(OpenError::Option {
            option,
            found,
            needed,
        })
    };
    match options.rate_hz {
        Some(rate) if !(rate > 0.0 && rate <= MAX_HZ) => {
            return wrong(
                "rate_hz",
                rate.to_string(),
                "above 0 and at most 1e12 samples a second",
            );
        }
        _ => {}
    }
    match options.center_hz {
        Some(center) if !(-MAX_HZ..=MAX_HZ).contains(&center) => {
            return wrong("center_hz", center.to_string(), "a number from -1e12 to 1e12 Hz");
        }
        _ => {}
    }
    match options.channels {
        Some(n) if !(1..=MAX_CHANNELS).contains(&n) => {
            return wrong("channels", n.to_string(), "a whole number from 1 to 4096");
        }
        _ => {}
    }
    if options.block_samples == 0 {
        return wrong("block_samples", "0".to_owned(), "at least 1");
    }
    Ok(())
}

/// Checks that a block fits in memory.
pub(crate) fn check_block(options: &OpenOptions, frame_bytes: usize) -> Result<(), OpenError> {
    match options.block_samples.checked_mul(frame_bytes) {
        Some(bytes) if bytes <= MAX_BLOCK_BYTES => Ok(()),
        _ => Err(OpenError::Option {
            option: "block_samples",
            found: format!("{} of {frame_bytes} bytes each", options.block_samples),
            needed: "so small that a block takes at most 1 GiB",
        }),
    }
}

/// Puts the options in the place of what the file says: silently where it says nothing, else with a warning.
pub(crate) fn apply(options: &OpenOptions, meta: &mut Meta) -> Vec<SourceWarning> {
    let mut warnings = Vec::new();
    let mut differs = |field: &str, file: &dyn Display, option: &dyn Display| {
        warnings.push(SourceWarning::Overridden {
            field: field.to_owned(),
            file: file.to_string(),
            option: option.to_string(),
        });
    };
    if let Some(format) = options.format
        && format != meta.format
    {
        differs("core:datatype", &meta.format, &format);
        meta.format = format;
    }
    if let Some(channels) = options.channels
        && channels != meta.channels
    {
        differs("core:num_channels", &meta.channels, &channels);
        meta.channels = channels;
    }
    if let Some(rate_hz) = options.rate_hz {
        if let Some(stated) = meta.rate_hz.filter(|r| (r - rate_hz).abs() > 0.0) {
            differs("core:sample_rate", &stated, &rate_hz);
        }
        meta.rate_hz = Some(rate_hz);
    }
    if meta.captures.is_empty() && (options.center_hz.is_some() || options.start_utc.is_some()) {
        meta.captures.push(crate::Capture {
            start: lobewright_types::SampleIndex(meta.offset),
            ..crate::Capture::default()
        });
        meta.utc_steps_s.push(0.0);
    }
    if let Some(center_hz) = options.center_hz {
        for capture in &mut meta.captures {
            if let Some(stated) = capture.center_hz.filter(|c| (c - center_hz).abs() > 0.0) {
                differs("core:frequency", &stated, &center_hz);
            }
            capture.center_hz = Some(center_hz);
        }
    }
    if let Some(utc) = options.start_utc {
        for (k, capture) in meta.captures.iter_mut().enumerate() {
            if let Some(stated) = capture.utc.filter(|&t| k > 0 || t != utc) {
                differs("core:datetime", &stated, &utc);
            }
            // Times of later captures belong to the clock that was overruled.
            capture.utc = (k == 0).then_some(utc);
        }
    }
    warnings
}
