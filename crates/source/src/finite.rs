//! Finds float samples that are not finite without decoding them.

use lobewright_types::{SampleFormat, Scalar};

/// Which bits of a component are its exponent: all of them set means infinity or not a number (IEEE 754, 6.2).
///
/// The masks are for two consecutive 32-bit words loaded little endian; a word that holds no exponent has the
/// mask 0 and a target that a masked word never equals.
#[derive(Clone, Copy)]
struct Exponent {
    mask: [u32; 2],
    target: [u32; 2],
    component_bytes: usize,
}

fn exponent(format: SampleFormat) -> Option<Exponent> {
    const NEVER: u32 = u32::MAX;
    let (mask, target, component_bytes) = match (format.scalar, format.big_endian) {
        (Scalar::F32, false) => ([0x7f80_0000; 2], [0x7f80_0000; 2], 4),
        (Scalar::F32, true) => ([0x0000_807f; 2], [0x0000_807f; 2], 4),
        (Scalar::F64, false) => ([0, 0x7ff0_0000], [NEVER, 0x7ff0_0000], 8),
        (Scalar::F64, true) => ([0x0000_f07f, 0], [0x0000_f07f, NEVER], 8),
        _ => return None,
    };
    Some(Exponent {
        mask,
        target,
        component_bytes,
    })
}

fn word(bytes: &[u8]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}

/// Whether every component is a finite number; always so for integers.
///
/// `bytes` are whole components.
pub(crate) fn all_finite(format: SampleFormat, bytes: &[u8]) -> bool {
    let Some(e) = exponent(format) else {
        return true;
    };
    // Blocks short enough that a bad sample is found soon, long enough for vector instructions.
    bytes.chunks(4096).all(|part| {
        let pairs = part.chunks_exact(8);
        let rest = pairs.remainder();
        let mut hits = u32::from(rest.len() == 4 && word(rest) & e.mask[0] == e.target[0]);
        for pair in pairs {
            hits |= u32::from(word(pair) & e.mask[0] == e.target[0])
                | u32::from(word(&pair[4..]) & e.mask[1] == e.target[1]);
        }
        hits == 0
    })
}

/// How many frames at the start of `bytes` are alike in being finite, and whether they are.
///
/// A frame with one bad component is bad. Gives `(0, true)` for no frame.
pub(crate) fn leading_run(format: SampleFormat, frame_bytes: usize, bytes: &[u8]) -> (usize, bool) {
    let Some(e) = exponent(format) else {
        return (bytes.len() / frame_bytes, true);
    };
    let good = |frame: &[u8]| {
        frame.chunks_exact(e.component_bytes).all(|component| {
            component
                .chunks_exact(4)
                .zip(e.mask.iter().zip(&e.target))
                .all(|(w, (mask, target))| word(w) & mask != *target)
        })
    };
    let mut frames = bytes.chunks_exact(frame_bytes).map(good);
    match frames.next() {
        None => (0, true),
        Some(first) => (1 + frames.take_while(|&g| g == first).count(), first),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BAD: [f64; 3] = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];
    const GOOD: [f64; 6] = [0.0, -0.0, 1.0, -1.0e-40, 3.4e38, -3.4e38];

    // The plain way: decode each component.
    fn plain(format: SampleFormat, bytes: &[u8]) -> bool {
        bytes
            .chunks_exact(format.scalar.bytes())
            .all(|c| format.decode_component(c).is_finite())
    }

    fn floats() -> impl Iterator<Item = SampleFormat> {
        SampleFormat::all().filter(|f| matches!(f.scalar, Scalar::F32 | Scalar::F64))
    }

    #[test]
    fn a_single_bad_component_is_found_wherever_it_stands() {
        for format in floats() {
            for bad in BAD {
                for at in 0..1030 {
                    let mut bytes = Vec::new();
                    for i in 0..1030 {
                        let value = if i == at { bad } else { GOOD[i % GOOD.len()] };
                        format.encode_component(value, &mut bytes);
                    }
                    assert!(!all_finite(format, &bytes), "{format} {bad} at {at}");
                    assert!(!plain(format, &bytes));
                }
            }
        }
    }

    #[test]
    fn finite_numbers_pass_and_so_does_an_odd_count() {
        for format in floats() {
            let mut bytes = Vec::new();
            for i in 0..1031 {
                format.encode_component(GOOD[i % GOOD.len()], &mut bytes);
            }
            assert!(all_finite(format, &bytes), "{format}");
            assert!(plain(format, &bytes));
        }
    }

    #[test]
    fn integers_are_always_finite() {
        assert!(all_finite(SampleFormat::CI16_LE, &[0xff; 64]));
        assert_eq!(leading_run(SampleFormat::CI16_LE, 4, &[0xff; 64]), (16, true));
    }

    #[test]
    fn runs_end_where_the_frames_change() {
        for format in floats().filter(|f| f.complex) {
            let mut bytes = Vec::new();
            for value in [1.0, 2.0, 3.0, f64::NAN, f64::INFINITY, 0.0, 1.0, 1.0] {
                format.encode_component(value, &mut bytes);
            }
            let frame = format.bytes_per_sample();
            assert_eq!(leading_run(format, frame, &bytes), (1, true));
            assert_eq!(leading_run(format, frame, &bytes[frame..]), (2, false));
            assert_eq!(leading_run(format, frame, &bytes[3 * frame..]), (1, true));
            assert_eq!(leading_run(format, frame, &[]), (0, true));
        }
    }
}
