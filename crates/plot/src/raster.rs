//! Pixels: PNG files out of SVG text, and rasters that go into an SVG file.

use std::sync::{Arc, OnceLock};

use resvg::{tiny_skia, usvg};

use crate::PlotError;
use crate::style::level_colour;

/// The font `DejaVu Sans` 2.37; licence in `fonts/LICENSE-DejaVuSans.txt`.
static FONT: &[u8] = include_bytes!("../fonts/DejaVuSans.ttf");
/// Upper limit of a PNG's sides: a picture of the largest size at a scale of 2.
const MAX_SIDE_PX: f64 = 20_000.0;

fn fonts() -> Arc<usvg::fontdb::Database> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut fonts = usvg::fontdb::Database::new();
            fonts.load_font_data(FONT.to_vec());
            for set in [
                usvg::fontdb::Database::set_sans_serif_family,
                usvg::fontdb::Database::set_serif_family,
                usvg::fontdb::Database::set_monospace_family,
            ] {
                set(&mut fonts, "DejaVu Sans");
            }
            Arc::new(fonts)
        })
        .clone()
}

/// Renders an SVG file as PNG.
///
/// # Inputs
/// `svg`: the text of an SVG file, such as this crate writes. `scale`: pixels of the PNG for one of the SVG, above
/// 0; 2 is good for screens, 4 for print. All text is set in the built-in `DejaVu Sans`; letters that it lacks come
/// out as empty boxes. Links to files are not followed.
///
/// # Errors
/// [`PlotError::Svg`] where the text is no SVG file, [`PlotError::NotFinite`] for a scale that is not above 0,
/// [`PlotError::Png`] where the result has a side above 20 000 pixels.
pub fn svg_to_png(svg: &str, scale: f32) -> Result<Vec<u8>, PlotError> {
    if !(scale.is_finite() && scale > 0.0) {
        return Err(PlotError::NotFinite {
            field: "the scale (which must be above 0)".to_owned(),
            found: f64::from(scale),
        });
    }
    let options = usvg::Options {
        fontdb: fonts(),
        font_family: "DejaVu Sans".to_owned(),
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: usvg::ImageHrefResolver::default_data_resolver(),
            // Only images inside the file: a picture must not read the disk.
            resolve_string: Box::new(|_, _| None),
        },
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| PlotError::Svg {
        reason: e.to_string(),
    })?;
    let width = (f64::from(tree.size().width()) * f64::from(scale)).ceil();
    let height = (f64::from(tree.size().height()) * f64::from(scale)).ceil();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the casts saturate, and the limit is checked below"
    )]
    let (width_px, height_px) = (width as u64, height as u64);
    let fail = |reason: &str| PlotError::Png {
        width_px,
        height_px,
        reason: reason.to_owned(),
    };
    if width > MAX_SIDE_PX || height > MAX_SIDE_PX {
        return Err(fail("each side must be at most 20000; take a smaller scale"));
    }
    let side = |px: u64| u32::try_from(px).unwrap_or(u32::MAX).max(1);
    let mut pixels = tiny_skia::Pixmap::new(side(width_px), side(height_px))
        .ok_or_else(|| fail("there is no memory for it"))?;
    let transform = tiny_skia::Transform::from_scale(scale, scale);
    resvg::render(&tree, transform, &mut pixels.as_mut());
    pixels.encode_png().map_err(|e| fail(&e.to_string()))
}

/// A raster in the colours of the level scale, as a PNG with a palette.
///
/// `shares` holds `height` rows of `width` values, top row first, each 0 for weakest to 1 for strongest.
pub(crate) fn level_png(width: usize, height: usize, shares: &[f32]) -> Result<Vec<u8>, PlotError> {
    let fail = |reason: String| PlotError::Png {
        width_px: width as u64,
        height_px: height as u64,
        reason,
    };
    let side = |px: usize| u32::try_from(px).map_err(|e| fail(e.to_string()));
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, side(width)?, side(height)?);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    let palette: Vec<u8> = (0..=u8::MAX)
        .flat_map(|i| level_colour(f64::from(i) / 255.0))
        .collect();
    encoder.set_palette(palette);
    let indices: Vec<u8> = shares.iter().map(|share| palette_index(*share)).collect();
    let mut writer = encoder.write_header().map_err(|e| fail(e.to_string()))?;
    writer
        .write_image_data(&indices)
        .map_err(|e| fail(e.to_string()))?;
    writer.finish().map_err(|e| fail(e.to_string()))?;
    Ok(out)
}

fn palette_index(share: f32) -> u8 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to a byte; a non-number becomes 0"
    )]
    let index = (share.clamp(0.0, 1.0) * 255.0).round() as u8;
    index
}

/// Base64 with padding (RFC 4648, section 4).
pub(crate) fn base64(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let group = (0..3).fold(0_u32, |sum, i| {
            (sum << 8) | u32::from(chunk.get(i).copied().unwrap_or(0))
        });
        for i in 0..4_usize {
            if i <= chunk.len() {
                let six = (group >> (18 - 6 * i)) & 63;
                out.push(char::from(ALPHABET[six as usize]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 4648, section 10, test vectors.
    #[test]
    fn base64_follows_the_published_vectors() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn bad_svg_and_bad_scales_are_refused() {
        assert!(matches!(
            svg_to_png("no picture", 1.0),
            Err(PlotError::Svg { .. })
        ));
        let svg = r#"<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"/>"#;
        assert!(matches!(svg_to_png(svg, 0.0), Err(PlotError::NotFinite { .. })));
        assert!(matches!(
            svg_to_png(svg, f32::NAN),
            Err(PlotError::NotFinite { .. })
        ));
        assert!(matches!(svg_to_png(svg, 1e5), Err(PlotError::Png { .. })));
    }

    fn decoded(png_bytes: &[u8]) -> (png::OutputInfo, Vec<u8>) {
        let mut decoder = png::Decoder::new(std::io::Cursor::new(png_bytes));
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info().unwrap();
        let mut buffer = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut buffer).unwrap();
        (info, buffer)
    }

    #[test]
    fn text_is_set_without_fonts_of_the_machine() {
        let svg = r#"<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20"><rect width="40" height="20" fill="white"/><text x="2" y="16" font-size="16" font-family="Unknown, sans-serif">Hmi</text></svg>"#;
        let (info, pixels) = decoded(&svg_to_png(svg, 2.0).unwrap());
        assert_eq!((info.width, info.height), (80, 40));
        let dark = pixels.chunks_exact(4).filter(|p| p[0] < 64).count();
        assert!(dark > 100, "{dark} dark pixels");
    }

    #[test]
    fn a_raster_has_the_colours_of_its_levels() {
        let (info, pixels) = decoded(&level_png(2, 1, &[0.0, 1.0]).unwrap());
        assert_eq!((info.width, info.height), (2, 1));
        assert_eq!(pixels, [level_colour(0.0), level_colour(1.0)].concat());
        assert_eq!(palette_index(f32::NAN), 0);
    }
}
