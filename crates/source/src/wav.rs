//! WAV files: two channels are I and Q, one is real samples.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use hound::{WavReader, WavSpec};
use lobewright_types::{SampleFormat, SampleIndex, Scalar};

use crate::layout::{Layout, Step};
use crate::open::{assemble, file_name, io_error, plain_meta};
use crate::recording::{Input, Recording};
use crate::{OpenError, OpenOptions, SourceWarning, overrides};

/// Components that are converted at a time.
const CONVERTED: usize = 16_384;
/// Bytes of the shortest header there can be.
const LEAST_HEADER_BYTES: u64 = 44;

/// Opens a WAV file.
///
/// 16-bit samples are handed on as `ci16_le` or `ri16_le`, all others as `cf32_le` or `rf32_le`.
pub(crate) fn open_wav(path: &Path, options: &OpenOptions) -> Result<Recording, OpenError> {
    let mut wav = read_header(path)?;
    let format = wav_format(path, wav.spec, wav.container_bytes)?;
    let stated_rate_hz = f64::from(wav.spec.sample_rate);
    if wav.spec.sample_rate == 0 && options.rate_hz.is_none() {
        return Err(layout_error(
            path,
            "a sample rate of 0".to_owned(),
            "a rate above 0",
        ));
    }
    refuse_layout_options(options, format)?;
    let mut warnings = rate_warnings(options, stated_rate_hz);
    let frames = present_frames(&wav, &mut warnings);
    let meta = plain_meta(format, 1, options.rate_hz.unwrap_or(stated_rate_hz), options);
    let as_stored = wav.spec.bits_per_sample == 16 || wav.spec.sample_format == hound::SampleFormat::Float;
    let input = if as_stored {
        Input::File {
            file: wav.file,
            base: wav.data_byte,
            at: u64::MAX,
        }
    } else {
        wav.file
            .seek(SeekFrom::Start(wav.data_byte))
            .map_err(io_error(path))?;
        Input::Stream(Box::new(Converted::new(wav.file, wav.container_bytes)))
    };
    let layout = Layout {
        steps: vec![Step::Read {
            start: SampleIndex(0),
            byte: as_stored.then_some(0),
            samples: Some(frames),
        }],
        captures: meta.captures.clone(),
        annotations: Vec::new(),
        length: frames,
        warnings: Vec::new(),
    };
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

/// What a WAV header says, and the file behind it.
struct Header {
    file: File,
    spec: WavSpec,
    /// Bytes that one component takes.
    container_bytes: u64,
    /// First byte of the samples.
    data_byte: u64,
    /// Bytes of samples, by the header.
    data_bytes: u64,
    file_bytes: u64,
}

fn read_header(path: &Path) -> Result<Header, OpenError> {
    let file = File::open(path).map_err(io_error(path))?;
    let file_bytes = file.metadata().map_err(io_error(path))?.len();
    let reader = WavReader::new(BufReader::new(file)).map_err(|source| OpenError::Wav {
        path: path.to_owned(),
        source,
    })?;
    let (spec, components) = (reader.spec(), u64::from(reader.len()));
    let mut buffered = reader.into_inner();
    let data_byte = buffered.stream_position().map_err(io_error(path))?;
    let mut file = buffered.into_inner();
    // The length of the samples stands right before them; hound gives it only as a count.
    let mut length = [0; 4];
    file.seek(SeekFrom::Start(data_byte.saturating_sub(4)))
        .and_then(|_| file.read_exact(&mut length))
        .map_err(io_error(path))?;
    let data_bytes = u64::from(u32::from_le_bytes(length));
    let container_bytes = data_bytes
        .checked_div(components)
        .unwrap_or_else(|| u64::from(spec.bits_per_sample.div_ceil(8)));
    Ok(Header {
        file,
        spec,
        container_bytes,
        data_byte,
        data_bytes,
        file_bytes,
    })
}

/// The whole frames that are there, with a warning where the header says otherwise.
fn present_frames(wav: &Header, warnings: &mut Vec<SourceWarning>) -> u64 {
    let frame_bytes = wav.container_bytes * u64::from(wav.spec.channels);
    let present = wav.file_bytes.saturating_sub(wav.data_byte).min(wav.data_bytes);
    if wav.spec.channels == 1 {
        warnings.push(SourceWarning::OneChannel);
    }
    let expected = wav.data_bytes / frame_bytes;
    let found = present / frame_bytes;
    if !present.is_multiple_of(frame_bytes) {
        warnings.push(SourceWarning::PartFrame {
            bytes: present % frame_bytes,
            frame_bytes: usize::try_from(frame_bytes).unwrap_or(usize::MAX),
        });
    }
    if found < expected {
        warnings.push(SourceWarning::Short {
            found,
            expected,
            by: "the file's header".to_owned(),
        });
    }
    if found == 0 {
        warnings.push(SourceWarning::Empty);
    }
    // A recorder that was killed leaves a length of 0 in the header.
    if wav.data_bytes == 0 && wav.file_bytes > LEAST_HEADER_BYTES {
        warnings.push(SourceWarning::Long {
            bytes: wav.file_bytes - LEAST_HEADER_BYTES,
            by: "the length of 0 in its header".to_owned(),
        });
    }
    found
}

fn layout_error(path: &Path, found: String, needed: &'static str) -> OpenError {
    OpenError::WavLayout {
        path: path.to_owned(),
        found,
        needed,
    }
}

fn wav_format(path: &Path, spec: WavSpec, container_bytes: u64) -> Result<SampleFormat, OpenError> {
    // Whether padding stands above or below the value is told differently by different writers.
    if container_bytes * 8 != u64::from(spec.bits_per_sample) {
        let found = format!("{}-bit samples in {container_bytes} bytes", spec.bits_per_sample);
        return Err(layout_error(path, found, "samples without padding"));
    }
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

/// Gives the integers of a WAV file as the bytes of little-endian single-precision numbers.
struct Converted<R> {
    reader: R,
    container_bytes: usize,
    stored: Vec<u8>,
    ready: Vec<u8>,
    /// Bytes of `ready` that are handed on.
    taken: usize,
}

impl<R: Read> Converted<R> {
    fn new(reader: R, container_bytes: u64) -> Self {
        Self {
            reader,
            // Checked against the formats that are read: 1, 3 or 4.
            container_bytes: usize::try_from(container_bytes).unwrap_or(1),
            stored: Vec::new(),
            ready: Vec::new(),
            taken: 0,
        }
    }

    fn refill(&mut self) -> io::Result<()> {
        let limit = (CONVERTED * self.container_bytes) as u64;
        self.stored.clear();
        self.reader.by_ref().take(limit).read_to_end(&mut self.stored)?;
        self.ready.clear();
        self.taken = 0;
        let whole = self.stored.chunks_exact(self.container_bytes);
        match self.container_bytes {
            // 8-bit samples are the only ones that WAV stores without a sign.
            1 => convert(whole, 8, &mut self.ready, |c| i32::from(c[0]) - 128),
            3 => convert(whole, 24, &mut self.ready, |c| {
                i32::from_le_bytes([0, c[0], c[1], c[2]]) >> 8
            }),
            _ => convert(whole, 32, &mut self.ready, |c| {
                i32::from_le_bytes([c[0], c[1], c[2], c[3]])
            }),
        }
        Ok(())
    }
}

/// Takes integers to full scale 1.0. The largest code is given as 1.0, so that clipping at it still shows once the
/// integer range is gone; it is off by one step there, where the true value was at least as large anyway.
fn convert<'a>(
    stored: impl Iterator<Item = &'a [u8]>,
    bits: u32,
    ready: &mut Vec<u8>,
    value: impl Fn(&[u8]) -> i32,
) {
    let half = 2_f64.powi(i32::try_from(bits).unwrap_or(32) - 1);
    let top = half - 1.0;
    for bytes in stored {
        let value = f64::from(value(bytes));
        let unit = if value >= top { 1.0 } else { value / half };
        #[expect(
            clippy::cast_possible_truncation,
            reason = "samples are single precision by design"
        )]
        ready.extend_from_slice(&(unit as f32).to_le_bytes());
    }
}

impl<R: Read> Read for Converted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.taken == self.ready.len() {
            self.refill()?;
        }
        let count = buffer.len().min(self.ready.len() - self.taken);
        buffer[..count].copy_from_slice(&self.ready[self.taken..self.taken + count]);
        self.taken += count;
        Ok(count)
    }
}
