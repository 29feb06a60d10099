//! Colours, type and the widths of letters.
//!
//! Light paper with dark ink, so that a print uses little toner. Colours that mean something differ in lightness as
//! well as in hue, so that they can be told apart with colour-blind eyes (tested below) and mostly in a grey copy.

use plotters::style::RGBColor;

/// Fonts in the order in which a viewer should try them; the last is the generic family that every viewer has.
pub(crate) const FONT_FAMILY: &str = "DejaVu Sans, Verdana, Arial, sans-serif";

pub(crate) const PAPER: RGBColor = RGBColor(0xfc, 0xfb, 0xf7);
pub(crate) const INK: RGBColor = RGBColor(0x20, 0x29, 0x2e);
pub(crate) const MUTED: RGBColor = RGBColor(0x5e, 0x68, 0x6d);
pub(crate) const GRID: RGBColor = RGBColor(0xd8, 0xd6, 0xcc);
pub(crate) const FRAME: RGBColor = RGBColor(0x9a, 0xa0, 0x9f);
/// What was measured: readings, bearings, levels.
pub(crate) const MEASURED: RGBColor = RGBColor(0x14, 0x47, 0x7d);
/// What the model says of it: fitted pattern, error ellipse.
pub(crate) const FITTED: RGBColor = RGBColor(0xe0, 0x88, 0x2b);
/// How probable a place or direction is.
pub(crate) const PROBABLE: RGBColor = RGBColor(0x5f, 0xb3, 0xa1);
/// The edge of a region of that.
pub(crate) const PROBABLE_EDGE: RGBColor = RGBColor(0x2f, 0x7d, 0x6c);
/// What points elsewhere: reflections, readings that the model does not explain.
pub(crate) const ASTRAY: RGBColor = RGBColor(0xa1, 0x3d, 0x6f);
/// The answer: the fix.
pub(crate) const ANSWER: RGBColor = RGBColor(0xb3, 0x26, 0x1e);

/// Stops of the level scale, weak to strong: paper to near black, lightness falling all the way.
const LEVEL_STOPS: [[u8; 3]; 7] = [
    [0xfc, 0xfb, 0xf7],
    [0xe9, 0xe3, 0xc4],
    [0xb9, 0xd0, 0xa2],
    [0x63, 0xae, 0x9e],
    [0x2c, 0x7c, 0x92],
    [0x1e, 0x49, 0x77],
    [0x18, 0x12, 0x36],
];

/// The colour of a level, 0 for the weakest to 1 for the strongest; values outside are held at the ends.
pub(crate) fn level_colour(share: f64) -> [u8; 3] {
    let last = LEVEL_STOPS.len() - 1;
    let place = if share.is_nan() {
        0.0
    } else {
        share.clamp(0.0, 1.0)
    } * last as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0 to 6 above"
    )]
    let index = (place.floor() as usize).min(last - 1);
    let part = place - index as f64;
    let (low, high) = (LEVEL_STOPS[index], LEVEL_STOPS[index + 1]);
    std::array::from_fn(|i| {
        let value = f64::from(low[i]) + part * (f64::from(high[i]) - f64::from(low[i]));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between two bytes"
        )]
        let byte = value.round() as u8;
        byte
    })
}

/// Widths of U+0020 to U+007E in `DejaVu Sans` 2.37, in thousandths of the type size (its `hmtx` table).
const ADVANCE: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636,
    636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295,
    295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838,
    500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521,
    392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];
/// The width taken for any other letter: that of the plus sign, wider than most.
const OTHER_ADVANCE: u16 = 838;

/// The width of a text in pixels, without kerning.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    let thousandths: u32 = text
        .chars()
        .map(|c| {
            let index = u32::from(c).checked_sub(0x20).map(|i| i as usize);
            let advance = match c {
                '°' => 500,
                'σ' => 634,
                '·' => 318,
                _ => index
                    .and_then(|i| ADVANCE.get(i).copied())
                    .unwrap_or(OTHER_ADVANCE),
            };
            u32::from(advance)
        })
        .sum();
    f64::from(thousandths) / 1000.0 * size
}

/// Cuts a text at the end, with an ellipsis, until it fits into `width` pixels.
pub(crate) fn fitted(text: &str, size: f64, width: f64) -> String {
    if text_width(text, size) <= width {
        return text.to_owned();
    }
    let mut short: String = text.to_owned();
    while short.pop().is_some() {
        let candidate = format!("{}…", short.trim_end());
        if text_width(&candidate, size) <= width {
            return candidate;
        }
    }
    String::new()
}

/// Breaks a text between words into lines of at most `width` pixels; a word that is too long is cut.
pub(crate) fn wrapped(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let joined = match lines.last() {
            Some(line) => format!("{line} {word}"),
            None => word.to_owned(),
        };
        match lines.last_mut() {
            Some(line) if text_width(&joined, size) <= width => *line = joined,
            _ => lines.push(fitted(word, size, width)),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(colour: RGBColor) -> [f64; 3] {
        [colour.0, colour.1, colour.2].map(linear_byte)
    }

    // IEC 61966-2-1, the sRGB transfer function.
    fn linear_byte(byte: u8) -> f64 {
        let c = f64::from(byte) / 255.0;
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    }

    fn times(m: [[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| (0..3).map(|j| m[i][j] * v[j]).sum())
    }

    // CIE 1976 L*a*b* from linear sRGB, white D65 (CIE 15, section 8.2.1).
    fn lab(rgb: [f64; 3]) -> [f64; 3] {
        let xyz = times(
            [
                [0.4124, 0.3576, 0.1805],
                [0.2126, 0.7152, 0.0722],
                [0.0193, 0.1192, 0.9505],
            ],
            rgb,
        );
        let f = |t: f64| {
            if t > 216.0 / 24389.0 {
                t.cbrt()
            } else {
                (24389.0 / 27.0 * t + 16.0) / 116.0
            }
        };
        let [x, y, z] = [f(xyz[0] / 0.9505), f(xyz[1]), f(xyz[2] / 1.089)];
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    // Vienot, Brettel, Mollon, "Digital video colourmaps for checking the legibility of displays by dichromats",
    // Color Research and Application 24 (1999) 243; the coefficients are given from memory.
    fn dichromat(rgb: [f64; 3], protan: bool) -> [f64; 3] {
        let to_lms = [
            [17.8824, 43.5161, 4.11935],
            [3.45565, 27.1554, 3.86714],
            [0.029_956_6, 0.184_309, 1.46709],
        ];
        let [mut l, mut m, s] = times(to_lms, rgb);
        if protan {
            l = 2.02344 * m - 2.52581 * s;
        } else {
            m = 0.494_207 * l + 1.24827 * s;
        }
        let to_rgb = [
            [0.080_944_447_9, -0.130_504_409, 0.116_721_066],
            [-0.010_248_533_5, 0.054_019_326_6, -0.113_614_708],
            [-0.000_365_296_938, -0.004_121_614_69, 0.693_511_405],
        ];
        times(to_rgb, [l, m, s]).map(|c| c.clamp(0.0, 1.0))
    }

    #[test]
    fn colours_differ_for_every_pair_of_eyes() {
        let colours = [INK, MEASURED, FITTED, PROBABLE, ASTRAY, ANSWER, PAPER];
        for (i, a) in colours.iter().enumerate() {
            for b in &colours[..i] {
                for view in 0..3 {
                    let see = |colour: RGBColor| match view {
                        0 => lab(linear(colour)),
                        kind => lab(dichromat(linear(colour), kind == 1)),
                    };
                    let (p, q) = (see(*a), see(*b));
                    let distance = (0..3).map(|k| (p[k] - q[k]).powi(2)).sum::<f64>().sqrt();
                    // About 2.3 can just be told apart; ten and more is plain to see side by side.
                    assert!(distance > 15.0, "{a:?} and {b:?}, view {view}: {distance:.1}");
                }
            }
        }
    }

    #[test]
    fn a_stronger_level_is_always_darker() {
        let lightness = |share| lab(level_colour(share).map(linear_byte))[0];
        for i in 0..60 {
            let (weak, strong) = (lightness(f64::from(i) / 60.0), lightness(f64::from(i + 1) / 60.0));
            assert!(strong < weak - 0.2, "step {i}: {weak:.1} to {strong:.1}");
        }
        assert_eq!(level_colour(f64::NAN), level_colour(0.0));
        assert_eq!(level_colour(9.0), level_colour(1.0));
    }

    // 5 digits of 636 thousandths.
    #[test]
    fn widths_are_those_of_the_font() {
        assert!((text_width("12345", 10.0) - 31.8).abs() < 1e-9);
    }

    #[test]
    fn long_texts_are_cut_and_wrapped() {
        assert_eq!(fitted("short", 10.0, 100.0), "short");
        let cut = fitted("a very long station name", 10.0, 60.0);
        assert!(cut.ends_with('…') && text_width(&cut, 10.0) <= 60.0);
        let lines = wrapped("one two three four five", 10.0, 60.0);
        assert!(lines.len() > 1);
        assert_eq!(lines.join(" "), "one two three four five");
        assert!(wrapped("", 10.0, 60.0).is_empty());
    }
}
