//! WAV files: two channels are I and Q, one is real samples.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

use hound::{WavIntoSamples, WavReader, WavSpec};
use lobewright_types::{SampleFormat, SampleIndex, Scalar};

use crate::layout::{Layout, Step};
use crate::open::{assemble, file_name, io_error, plain_meta};
use crate::recording::{Input, Recording};
use crate::{OpenError, OpenOptions, SourceWarning, overrides};

/// Bytes read from the file at a time.
const BUFFER_BYTES: usize = 1 << 18;

/// Opens a WAV file.
///
/// 16-bit samples are handed on as `ci16_le` or `ri16_le`, all others as `cf32_le` or `rf32_le`.
pub(crate) fn open_wav(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let file = File::open(path).map_err(io_error(path))?;
    let file_bytes = file.metadata().map_err(io_error(path))?.len();
    let reader =
        WavReader::new(BufReader::with_capacity(BUFFER_BYTES, file)).map_err(|source| OpenError::Wav {
            path: path.to_owned(),
            source,
        })?;
    let spec = reader.spec();
    let format = wav_format(path, spec)?;
    let stated_rate_hz = f64::from(spec.sample_rate);
    if spec.sample_rate == 0 && options.rate_hz.is_none() {
        return Err(layout_error(
            path,
            "a sample rate of 0".to_owned(),
            "a rate above 0",
        ));
    }
    let frames = u64::from(reader.len() / u32::from(spec.channels));
    let mut warnings = rate_warnings(options, stated_rate_hz);
    refuse_layout_options(options, format)?;
    if frames == 0 {
        warnings.push(SourceWarning::Empty);
        // 44 bytes: the shortest header. A recorder that was killed leaves a length of 0 in it.
        if file_bytes > 44 {
            warnings.push(SourceWarning::Long {
                bytes: file_bytes - 44,
                by: "the length of 0 in its header".to_owned(),
            });
        }
    }
    let meta = plain_meta(format, 1, options.rate_hz.unwrap_or(stated_rate_hz), options);
    let layout = Layout {
        steps: vec![Step::Read {
            start: SampleIndex(0),
            byte: None,
            samples: Some(frames),
        }],
        captures: meta.captures.clone(),
        annotations: Vec::new(),
        length: frames,
        warnings: Vec::new(),
    };
    let input = Input::Stream(Box::new(WavBytes::new(reader)));
    assemble(
        &file_name(path),
        &meta,
        layout,
        Some(frames),
        warnings,
        input,
        options,
    )
}

fn layout_error(path: &Path, found: String, needed: &'static str) -> OpenError {
    OpenError::WavLayout {
        path: path.to_owned(),
        found,
        needed,
    }
}

fn wav_format(path: &Path, spec: WavSpec) -> Result<SampleFormat, OpenError> {
    if !(1..=2).contains(&spec.channels) {
        let found = format!("{} channels", spec.channels);
        return Err(layout_error(path, found, "two (I and Q) or one (real samples)"));
    }
    let scalar = match (spec.sample_format, spec.bits_per_sample) {
        (hound::SampleFormat::Int, 16) => Scalar::I16,
        (hound::SampleFormat::Int, 8 | 24 | 32) | (hound::SampleFormat::Float, 32) => Scalar::F32,
        (kind, bits) => {
            let found = format!("{bits}-bit {kind:?} samples");
            return Err(layout_error(
                path,
                found,
                "8, 16, 24 or 32-bit integers, or 32-bit floats",
            ));
        }
    };
    Ok(SampleFormat {
        complex: spec.channels == 2,
        scalar,
        big_endian: false,
    })
}

fn rate_warnings(options: &OpenOptions, stated_hz: f64) -> Vec<SourceWarning> {
    let differs = options.rate_hz.filter(|r| (r - stated_hz).abs() > 0.0);
    differs
        .map(|rate_hz| SourceWarning::Overridden {
            field: "sample rate".to_owned(),
            file: stated_hz.to_string(),
            option: rate_hz.to_string(),
        })
        .into_iter()
        .collect()
}

/// A WAV file's header says how its samples are stored; an option that says otherwise cannot be followed.
fn refuse_layout_options(options: &OpenOptions, format: SampleFormat) -> Result<(), OpenError> {
    let wrong = |option, found: String, needed| {
        Err(OpenError::Option {
            option,
            found,
            needed,
        })
    };
    if let Some(asked) = options.format.filter(|&f| f != format) {
        return wrong(
            "format",
            asked.to_string(),
            "left out for a WAV file, whose header gives it",
        );
    }
    if let Some(channels) = options.channels.filter(|&n| n != 1) {
        return wrong("channels", channels.to_string(), "1 or left out for a WAV file");
    }
    overrides::check(options)
}

enum Samples<R> {
    Int(WavIntoSamples<R, i32>, u16),
    Float(WavIntoSamples<R, f32>),
}

/// Gives the samples of a WAV file as the bytes of the format that it is handed on as.
struct WavBytes<R> {
    samples: Samples<R>,
    /// Bytes of a component that did not fit in the caller's buffer.
    left: [u8; 4],
    left_len: usize,
}

impl<R: Read> WavBytes<R> {
    fn new(reader: WavReader<R>) -> Self {
        let spec = reader.spec();
        let samples = match spec.sample_format {
            hound::SampleFormat::Int => Samples::Int(reader.into_samples(), spec.bits_per_sample),
            hound::SampleFormat::Float => Samples::Float(reader.into_samples()),
        };
        Self {
            samples,
            left: [0; 4],
            left_len: 0,
        }
    }

    /// The next component; `None` at the end, also where the file ends before its header says.
    fn next_component(&mut self) -> io::Result<Option<([u8; 4], usize)>> {
        let next = match &mut self.samples {
            Samples::Int(samples, 16) => samples.next().map(|s| s.map(int16)),
            Samples::Int(samples, bits) => {
                let bits = *bits;
                samples
                    .next()
                    .map(|s| s.map(|v| (unit_from_int(v, bits).to_le_bytes(), 4)))
            }
            Samples::Float(samples) => samples.next().map(|s| s.map(|v| (v.to_le_bytes(), 4))),
        };
        match next {
            None => Ok(None),
            Some(Ok(component)) => Ok(Some(component)),
            // hound reports the end of the file in its own words as well as by the system's error.
            Some(Err(hound::Error::IoError(e)))
                if matches!(e.kind(), io::ErrorKind::UnexpectedEof | io::ErrorKind::Other)
                    && e.raw_os_error().is_none() =>
            {
                Ok(None)
            }
            Some(Err(hound::Error::IoError(e))) => Err(e),
            Some(Err(e)) => Err(io::Error::new(io::ErrorKind::InvalidData, e)),
        }
    }
}

/// A 16-bit value in little endian, two bytes long.
fn int16(value: i32) -> ([u8; 4], usize) {
    // hound gives 16-bit values, so the two low bytes hold all of it.
    (value.to_le_bytes(), 2)
}

/// Takes an integer to full scale 1.0. The largest code is given as 1.0, so that clipping at it still shows once
/// the integer range is gone; it is off by one step there, where the true value was at least as large anyway.
fn unit_from_int(value: i32, bits: u16) -> f32 {
    let half = f64::from(1_u32 << (bits - 1));
    if f64::from(value) >= half - 1.0 {
        return 1.0;
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "samples are single precision by design"
    )]
    let unit = (f64::from(value) / half) as f32;
    unit
}

impl<R: Read> Read for WavBytes<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut done = self.left_len.min(buffer.len());
        buffer[..done].copy_from_slice(&self.left[..done]);
        self.left.copy_within(done..self.left_len, 0);
        self.left_len -= done;
        while done < buffer.len() {
            let component = match self.next_component() {
                Ok(Some(component)) => component,
                Err(e) if done == 0 => return Err(e),
                // What was read before an error is handed on first.
                Ok(None) | Err(_) => break,
            };
            let (bytes, len) = component;
            let fits = len.min(buffer.len() - done);
            buffer[done..done + fits].copy_from_slice(&bytes[..fits]);
            self.left[..len - fits].copy_from_slice(&bytes[fits..len]);
            self.left_len = len - fits;
            done += fits;
        }
        Ok(done)
    }
}
