//! From stored bytes to numbers, and the count of samples at full scale.

use std::collections::VecDeque;

use lobewright_types::{SampleFormat, Scalar};

/// Float samples from here up, and those that are no numbers, break the stream: sums of them could overflow.
const LARGEST_USABLE: f32 = 1e15;

/// Picks one of several interleaved channels; `size` is the bytes of one sample.
pub(crate) fn extract(bytes: &[u8], size: usize, channel: usize, channels: usize, out: &mut Vec<u8>) {
    out.clear();
    for frame in bytes.chunks_exact(size * channels) {
        out.extend_from_slice(&frame[channel * size..][..size]);
    }
}

/// Appends 8-bit complex samples as whole numbers: `2 b - 255` for unsigned (zero lies between two codes).
pub(crate) fn append_i16(scalar: Scalar, bytes: &[u8], out: &mut Vec<i16>) {
    if scalar == Scalar::U8 {
        out.extend(bytes.iter().map(|&b| 2 * i16::from(b) - 255));
    } else {
        out.extend(bytes.iter().map(|&b| i16::from(b.cast_signed())));
    }
}

/// What stands for 1.0 in [`append_i16`], and the largest value it gives.
pub(crate) fn i16_scale(scalar: Scalar) -> (f64, f64) {
    if scalar == Scalar::U8 {
        (255.0, 255.0)
    } else {
        (128.0, 128.0)
    }
}

/// Appends samples as interleaved complex single precision; real samples get no imaginary part.
pub(crate) fn append_f32(format: SampleFormat, bytes: &[u8], out: &mut Vec<f32>) {
    if !format.complex {
        append_components(format, bytes, |re| {
            out.push(re);
            out.push(0.0);
        });
        return;
    }
    match (format.scalar, format.big_endian) {
        (Scalar::U8, _) => out.extend(bytes.iter().map(|&b| f32::from(2 * i16::from(b) - 255) / 255.0)),
        (Scalar::I8, _) => out.extend(bytes.iter().map(|&b| f32::from(b.cast_signed()) / 128.0)),
        (Scalar::I16, false) => out.extend(
            bytes
                .as_chunks::<2>()
                .0
                .iter()
                .map(|&b| f32::from(i16::from_le_bytes(b)) / 32_768.0),
        ),
        (Scalar::F32, false) => out.extend(bytes.as_chunks::<4>().0.iter().map(|&b| f32::from_le_bytes(b))),
        _ => append_components(format, bytes, |v| out.push(v)),
    }
}

fn append_components(format: SampleFormat, bytes: &[u8], mut put: impl FnMut(f32)) {
    for component in bytes.chunks_exact(format.scalar.bytes()) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "the filter runs in single precision"
        )]
        put(format.decode_component(component) as f32);
    }
}

/// Whether a sample is a number that the filters can take.
fn usable(format: SampleFormat, sample: &[u8]) -> bool {
    sample.chunks_exact(format.scalar.bytes()).all(|c| {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "the filter runs in single precision"
        )]
        let v = format.decode_component(c) as f32;
        v.abs() < LARGEST_USABLE
    })
}

/// The lengths in samples of the leading usable stretch and of the unusable one behind it.
pub(crate) fn usable_then_not(format: SampleFormat, bytes: &[u8]) -> (usize, usize) {
    let size = format.bytes_per_sample();
    let samples = bytes.len() / size;
    let all = match format.scalar {
        Scalar::F32 if !format.big_endian => bytes.as_chunks::<4>().0.iter().fold(true, |all, &b| {
            all & (f32::from_le_bytes(b).abs() < LARGEST_USABLE)
        }),
        Scalar::F32 | Scalar::F64 => false,
        _ => true,
    };
    if all {
        return (samples, 0);
    }
    let good = bytes.chunks_exact(size).take_while(|s| usable(format, s)).count();
    let bad = bytes[good * size..]
        .chunks_exact(size)
        .take_while(|s| !usable(format, s))
        .count();
    (good, bad)
}

/// A range of codes, wrapping, that stands for full scale.
struct EndCodes<T> {
    from: T,
    width: T,
}

fn end_codes_8(scalar: Scalar) -> EndCodes<u8> {
    match scalar {
        // 255 and 0 follow each other when counting wraps.
        Scalar::U8 => EndCodes { from: 255, width: 1 },
        // 127, -128 and -127 do.
        _ => EndCodes { from: 127, width: 2 },
    }
}

fn end_codes_16(scalar: Scalar) -> EndCodes<u16> {
    match scalar {
        Scalar::U16 => EndCodes {
            from: 65_535,
            width: 1,
        },
        _ => EndCodes {
            from: 32_767,
            width: 2,
        },
    }
}

/// Whether any component stands at full scale; quick where none does.
pub(crate) fn any_full_scale(format: SampleFormat, bytes: &[u8]) -> bool {
    match format.scalar {
        Scalar::U8 | Scalar::I8 => {
            let ends = end_codes_8(format.scalar);
            let (blocks, rest) = bytes.as_chunks::<32>();
            let mut least = [u8::MAX; 32];
            for block in blocks {
                for l in 0..32 {
                    least[l] = least[l].min(block[l].wrapping_sub(ends.from));
                }
            }
            least.iter().any(|&v| v <= ends.width)
                || rest.iter().any(|&b| b.wrapping_sub(ends.from) <= ends.width)
        }
        Scalar::U16 | Scalar::I16 if !format.big_endian => {
            let ends = end_codes_16(format.scalar);
            bytes.as_chunks::<2>().0.iter().fold(false, |any, &b| {
                any | (u16::from_le_bytes(b).wrapping_sub(ends.from) <= ends.width)
            })
        }
        Scalar::F32 if !format.big_endian => bytes
            .as_chunks::<4>()
            .0
            .iter()
            .fold(false, |any, &b| any | (f32::from_le_bytes(b).abs() >= 1.0)),
        _ => bytes
            .chunks_exact(format.scalar.bytes())
            .any(|c| format.is_full_scale(c)),
    }
}

/// Counts the samples with a component at full scale.
pub(crate) fn count_full_scale(format: SampleFormat, bytes: &[u8]) -> u32 {
    let per_sample = if format.complex { 2 } else { 1 };
    match format.scalar {
        Scalar::U8 | Scalar::I8 => {
            let ends = end_codes_8(format.scalar);
            let at_end = |b: u8| b.wrapping_sub(ends.from) <= ends.width;
            if format.complex {
                bytes
                    .as_chunks::<2>()
                    .0
                    .iter()
                    .map(|&[i, q]| u32::from(at_end(i) | at_end(q)))
                    .sum()
            } else {
                bytes.iter().map(|&b| u32::from(at_end(b))).sum()
            }
        }
        Scalar::U16 | Scalar::I16 if !format.big_endian => {
            let ends = end_codes_16(format.scalar);
            let at_end = |b: [u8; 2]| u16::from_le_bytes(b).wrapping_sub(ends.from) <= ends.width;
            bytes
                .as_chunks::<2>()
                .0
                .chunks_exact(per_sample)
                .map(|s| u32::from(s.iter().fold(false, |any, &c| any | at_end(c))))
                .sum()
        }
        _ => bytes
            .chunks_exact(format.bytes_per_sample())
            .map(|s| {
                u32::from(
                    s.chunks_exact(format.scalar.bytes())
                        .any(|c| format.is_full_scale(c)),
                )
            })
            .sum(),
    }
}

/// Counts of input samples at full scale, one for each channel sample not yet handed on.
///
/// Input sample `s` of a segment belongs to channel sample `(s + decimation / 2) / decimation`.
#[derive(Debug, Clone)]
pub(crate) struct ClipCounts {
    decimation: u64,
    /// Input samples taken.
    seen: u64,
    /// Channel samples handed on.
    taken: u64,
    counts: VecDeque<u32>,
}

impl ClipCounts {
    pub(crate) fn new(decimation: usize) -> Self {
        Self {
            decimation: decimation as u64,
            seen: 0,
            taken: 0,
            counts: VecDeque::new(),
        }
    }

    /// Channel samples whose share of the input has been seen whole.
    pub(crate) fn complete(&self) -> u64 {
        (self.seen + self.decimation / 2) / self.decimation
    }

    /// Channel samples that own at least one of the input samples seen.
    pub(crate) fn begun(&self) -> u64 {
        if self.seen == 0 {
            0
        } else {
            (self.seen - 1 + self.decimation / 2) / self.decimation + 1
        }
    }

    /// Takes the next samples; `any` tells whether one of them stands at full scale.
    pub(crate) fn push(&mut self, format: SampleFormat, bytes: &[u8], any: bool) {
        let size = format.bytes_per_sample() as u64;
        let mut rest = bytes;
        while any && !rest.is_empty() {
            let owner = (self.seen + self.decimation / 2) / self.decimation;
            let owner_ends = (owner + 1) * self.decimation - self.decimation / 2;
            let here = (owner_ends - self.seen).min(rest.len() as u64 / size);
            let (now, later) = rest.split_at(to_usize(here * size));
            self.extend_to(owner + 1);
            let count = count_full_scale(format, now);
            self.counts[to_usize(owner - self.taken)] += count;
            self.seen += here;
            rest = later;
        }
        self.seen += rest.len() as u64 / size;
        self.extend_to(self.begun());
    }

    fn extend_to(&mut self, channel_samples: u64) {
        let wanted = to_usize(channel_samples.saturating_sub(self.taken));
        if wanted > self.counts.len() {
            self.counts.resize(wanted, 0);
        }
    }

    /// Hands on the counts of the next `count` channel samples.
    pub(crate) fn take(&mut self, count: usize) -> Vec<u32> {
        self.taken += count as u64;
        self.counts.drain(..count).collect()
    }
}

/// Lengths of buffers in memory always fit.
pub(crate) fn to_usize(x: u64) -> usize {
    usize::try_from(x).expect("a length in memory")
}
