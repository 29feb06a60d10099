//! Sample formats as SigMF names them, and their decoding.

use std::fmt;
use std::str::FromStr;

use num_complex::Complex;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::Sample;

/// How one component (I or Q) of a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scalar {
    /// Unsigned 8 bit, offset binary; zero lies at 127.5.
    U8,
    /// Signed 8 bit.
    I8,
    /// Unsigned 16 bit, offset binary; zero lies at 32767.5.
    U16,
    /// Signed 16 bit.
    I16,
    /// Unsigned 32 bit, offset binary; zero lies at 2147483647.5.
    U32,
    /// Signed 32 bit.
    I32,
    /// IEEE 754 single precision, full scale 1.0.
    F32,
    /// IEEE 754 double precision, full scale 1.0.
    F64,
}

impl Scalar {
    /// Bytes of one component.
    pub fn bytes(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::U8 => "u8",
            Self::I8 => "i8",
            Self::U16 => "u16",
            Self::I16 => "i16",
            Self::U32 => "u32",
            Self::I32 => "i32",
            Self::F32 => "f32",
            Self::F64 => "f64",
        }
    }
}

/// A sample format: `core:datatype` of the SigMF specification v1.2, such as `cu8` or `ri16_be`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct SampleFormat {
    /// Whether a sample has I and Q (I first), or is real.
    pub complex: bool,
    /// How one component is stored.
    pub scalar: Scalar,
    /// Byte order; of no meaning for 8-bit formats, where it is `false`.
    pub big_endian: bool,
}

/// The text is no sample format.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is no sample format; one is r or c, then f32, f64, i16, i32, u16 or u32 with _le or _be, or i8 or u8, for example cu8 or ci16_le"
)]
pub struct ParseFormatError(
    /// What was found.
    pub String,
);

impl SampleFormat {
    /// Complex unsigned 8 bit, as the cheapest receivers give.
    pub const CU8: Self = Self {
        complex: true,
        scalar: Scalar::U8,
        big_endian: false,
    };
    /// Complex signed 8 bit.
    pub const CI8: Self = Self {
        complex: true,
        scalar: Scalar::I8,
        big_endian: false,
    };
    /// Complex signed 16 bit, little endian.
    pub const CI16_LE: Self = Self {
        complex: true,
        scalar: Scalar::I16,
        big_endian: false,
    };
    /// Complex single precision, little endian.
    pub const CF32_LE: Self = Self {
        complex: true,
        scalar: Scalar::F32,
        big_endian: false,
    };

    /// Bytes of one sample of one channel.
    pub fn bytes_per_sample(self) -> usize {
        self.scalar.bytes() * if self.complex { 2 } else { 1 }
    }

    /// Every format of the specification, 28 in number.
    pub fn all() -> impl Iterator<Item = Self> {
        let scalars = [
            Scalar::U8,
            Scalar::I8,
            Scalar::U16,
            Scalar::I16,
            Scalar::U32,
            Scalar::I32,
            Scalar::F32,
            Scalar::F64,
        ];
        [true, false].into_iter().flat_map(move |complex| {
            scalars.into_iter().flat_map(move |scalar| {
                [false, true]
                    .into_iter()
                    .filter(move |&big| scalar.bytes() > 1 || !big)
                    .map(move |big_endian| Self {
                        complex,
                        scalar,
                        big_endian,
                    })
            })
        })
    }

    /// Decodes one component to full scale 1.0.
    ///
    /// Signed integers are divided by two to the power of their width less one, unsigned ones have half their
    /// range taken off first: `(v - 127.5) / 127.5` for 8 bit. Floats are taken as they are.
    ///
    /// # Panics
    /// Where `bytes` is not [`Scalar::bytes`] long.
    pub fn decode_component(self, bytes: &[u8]) -> f64 {
        macro_rules! get {
            ($t:ty) => {{
                let raw: [u8; size_of::<$t>()] = bytes.try_into().expect("one component of bytes");
                if self.big_endian {
                    <$t>::from_be_bytes(raw)
                } else {
                    <$t>::from_le_bytes(raw)
                }
            }};
        }
        match self.scalar {
            Scalar::U8 => (f64::from(bytes[0]) - 127.5) / 127.5,
            Scalar::I8 => f64::from(get!(i8)) / 128.0,
            Scalar::U16 => (f64::from(get!(u16)) - 32_767.5) / 32_767.5,
            Scalar::I16 => f64::from(get!(i16)) / 32_768.0,
            Scalar::U32 => (f64::from(get!(u32)) - 2_147_483_647.5) / 2_147_483_647.5,
            Scalar::I32 => f64::from(get!(i32)) / 2_147_483_648.0,
            Scalar::F32 => f64::from(get!(f32)),
            Scalar::F64 => get!(f64),
        }
    }

    /// Whether a component stands at the end of its integer range, as it does when the converter clips.
    ///
    /// Floats count from a magnitude of 1.0 up.
    pub fn is_full_scale(self, bytes: &[u8]) -> bool {
        // Limits in steps of the converter: only the two end codes of the range count.
        let end = match self.scalar {
            Scalar::F32 | Scalar::F64 | Scalar::U8 | Scalar::U16 | Scalar::U32 => 1.0,
            Scalar::I8 => 127.0 / 128.0,
            Scalar::I16 => 32_767.0 / 32_768.0,
            Scalar::I32 => 2_147_483_647.0 / 2_147_483_648.0,
        };
        self.decode_component(bytes).abs() >= end
    }

    /// Decodes channel `channel` of `channels` interleaved channels and appends it to `out`.
    ///
    /// A real sample becomes a complex one with no imaginary part. Bytes that do not fill a whole frame are left
    /// out; the caller keeps them for the next block.
    pub fn decode(self, bytes: &[u8], channel: usize, channels: usize, out: &mut Vec<Sample>) {
        let size = self.bytes_per_sample();
        let width = self.scalar.bytes();
        for frame in bytes.chunks_exact(size * channels) {
            let one = &frame[channel * size..(channel + 1) * size];
            #[expect(
                clippy::cast_possible_truncation,
                reason = "samples are single precision by design"
            )]
            let component = |b: &[u8]| self.decode_component(b) as f32;
            let im = if self.complex {
                component(&one[width..])
            } else {
                0.0
            };
            out.push(Complex::new(component(&one[..width]), im));
        }
    }

    /// Encodes a component given at full scale 1.0, rounding to nearest and clipping at the ends of the range,
    /// and appends it to `out`.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "casts from float saturate"
    )]
    pub fn encode_component(self, value: f64, out: &mut Vec<u8>) {
        macro_rules! put {
            ($v:expr) => {{
                let v = $v;
                out.extend_from_slice(&if self.big_endian {
                    v.to_be_bytes()
                } else {
                    v.to_le_bytes()
                });
            }};
        }
        match self.scalar {
            Scalar::U8 => out.push((value * 127.5 + 127.5).round() as u8),
            Scalar::I8 => put!((value * 128.0).round() as i8),
            Scalar::U16 => put!((value * 32_767.5 + 32_767.5).round() as u16),
            Scalar::I16 => put!((value * 32_768.0).round() as i16),
            Scalar::U32 => put!((value * 2_147_483_647.5 + 2_147_483_647.5).round() as u32),
            Scalar::I32 => put!((value * 2_147_483_648.0).round() as i32),
            Scalar::F32 => put!(value as f32),
            Scalar::F64 => put!(value),
        }
    }
}

impl fmt::Display for SampleFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.complex { "c" } else { "r" })?;
        f.write_str(self.scalar.name())?;
        if self.scalar.bytes() > 1 {
            f.write_str(if self.big_endian { "_be" } else { "_le" })?;
        }
        Ok(())
    }
}

impl FromStr for SampleFormat {
    type Err = ParseFormatError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::all()
            .find(|format| format.to_string() == text)
            .ok_or_else(|| ParseFormatError(text.to_owned()))
    }
}

impl Serialize for SampleFormat {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for SampleFormat {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_of_the_grammar_parses_to_itself() {
        let names: Vec<String> = SampleFormat::all().map(|f| f.to_string()).collect();
        assert_eq!(names.len(), 28);
        for name in names {
            assert_eq!(name.parse::<SampleFormat>().unwrap().to_string(), name);
        }
    }

    #[test]
    fn names_outside_the_grammar_are_refused() {
        for text in ["cf32", "cu8_le", "ci16_lex", "", "CU8", "xf32_le"] {
            assert!(text.parse::<SampleFormat>().is_err(), "{text}");
        }
    }

    #[test]
    fn what_is_encoded_decodes_within_half_a_step() {
        for format in SampleFormat::all() {
            for value in [-0.99, -0.3, 0.0, 0.25, 0.98] {
                let mut bytes = Vec::new();
                format.encode_component(value, &mut bytes);
                assert_eq!(bytes.len(), format.scalar.bytes());
                let step = match format.scalar.bytes() {
                    1 => 1.0 / 127.5,
                    2 => 1.0 / 32_767.5,
                    _ => 1e-7,
                };
                assert!(
                    (format.decode_component(&bytes) - value).abs() <= step / 2.0 + 1e-12,
                    "{format} {value}"
                );
            }
        }
    }

    #[test]
    fn only_the_ends_of_the_range_are_full_scale() {
        for (format, end, near) in [
            ("cu8", vec![255_u8], vec![254_u8]),
            ("cu8", vec![0], vec![1]),
            ("ci8", vec![127], vec![126]),
            ("ci8", vec![128], vec![130]),
            ("ci16_le", vec![0xff, 0x7f], vec![0xfe, 0x7f]),
            ("ci16_be", vec![0x7f, 0xff], vec![0x7f, 0xfe]),
            ("ru16_le", vec![0xff, 0xff], vec![0xfe, 0xff]),
        ] {
            let format: SampleFormat = format.parse().unwrap();
            assert!(format.is_full_scale(&end), "{format}");
            assert!(!format.is_full_scale(&near), "{format}");
        }
    }

    #[test]
    fn one_channel_of_two_is_taken_out() {
        let mut out = Vec::new();
        "ci8"
            .parse::<SampleFormat>()
            .unwrap()
            .decode(&[64, 0, 0, 64, 32, 0, 0, 32, 9], 1, 2, &mut out);
        assert_eq!(out, vec![Complex::new(0.0, 0.5), Complex::new(0.0, 0.25)]);
    }
}
