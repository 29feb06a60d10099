//! The compact text of a density: its size, its accuracy, and what its reader makes of any bytes.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

use lobewright_types::{
    Azimuth, COMPACT_MAX_BYTES, CircleDensity, CompactError, CompactLoss, True, wrap_signed_degrees,
};
use proptest::prelude::*;

fn az(deg: f64) -> Azimuth<True> {
    Azimuth::from_degrees(deg)
}

/// Azimuth and sigma in degrees, share of the probability.
type Peak = (f64, f64, f64);

/// Normal peaks on a flat floor that holds `floor`.
fn peaks(parts: &[Peak], floor: f64) -> CircleDensity {
    let ln = |a: f64| {
        let sum: f64 = parts
            .iter()
            .map(|&(at, sigma, share)| {
                let d = wrap_signed_degrees(a - at);
                let one = |d: f64| (-0.5 * (d / sigma).powi(2)).exp();
                share * (one(d) + one(d - 360.0) + one(d + 360.0))
                    / sigma
                    / (2.0 * std::f64::consts::PI).sqrt()
            })
            .sum();
        (sum + floor / 360.0).max(1e-300).ln()
    };
    let centres: Vec<f64> = parts
        .iter()
        .flat_map(|&(at, sigma, _)| [-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0].map(|k| at + k * sigma))
        .collect();
    CircleDensity::from_ln_fn(ln, &centres, 0.01).unwrap()
}

/// What must hold for any density; the loss is measured again, by the test's own sums.
fn check_any(density: &CircleDensity) -> (String, CompactLoss) {
    let (text, loss) = density.to_compact_with_loss();
    assert!(text.len() <= COMPACT_MAX_BYTES, "{} bytes", text.len());
    assert!(
        text.bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b)),
        "{text}"
    );
    let back = CircleDensity::from_compact(&text).unwrap();
    assert_eq!(back.to_compact(), text, "a second writing changes nothing");
    assert_eq!(density.to_compact(), text);
    assert_eq!(
        CircleDensity::from_compact_bytes(&density.to_compact_bytes()).unwrap(),
        back
    );
    let measured = distance_by_sums(density, &back);
    assert!(
        (measured - loss.total_variation).abs() < 0.05 * measured + 2e-4,
        "measured {measured}, stated {}",
        loss.total_variation
    );
    (text, loss)
}

/// Half the integral of the absolute difference, by sums over forty parts between any two knots of either.
fn distance_by_sums(a: &CircleDensity, b: &CircleDensity) -> f64 {
    let mut at: Vec<f64> = a.azimuths_deg().iter().chain(b.azimuths_deg()).copied().collect();
    at.sort_by(f64::total_cmp);
    at.push(at[0] + 360.0);
    let mut sum = 0.0;
    for pair in at.windows(2) {
        let h = (pair[1] - pair[0]) / 40.0;
        for k in 0..40 {
            let middle = az(pair[0] + (f64::from(k) + 0.5) * h);
            sum += h * (a.density_per_deg(middle) - b.density_per_deg(middle)).abs();
        }
    }
    sum / 2.0
}

/// The promise, against the density itself.
fn check_promise(density: &CircleDensity) -> usize {
    let (text, loss) = check_any(density);
    assert!(loss.is_within_promise(), "{loss:?} in {} bytes", text.len());
    let back = CircleDensity::from_compact(&text).unwrap();
    for mode in density.modes(0.05) {
        let nearest = back
            .modes(0.02)
            .iter()
            .map(|m| m.azimuth.turn_to(mode.azimuth).abs())
            .fold(f64::INFINITY, f64::min);
        assert!(nearest <= 0.02 * mode.sigma_deg, "{nearest} of {mode:?}");
    }
    text.len()
}

#[test]
fn one_peak_of_any_width_takes_two_hundred_bytes() {
    for sigma in [0.005, 0.01, 0.1, 1.0, 5.0, 20.0, 60.0, 150.0] {
        for at in [0.0, 0.0012, 123.456_789, 359.999] {
            let size = check_promise(&CircleDensity::normal(az(at), sigma));
            assert!(size <= 220, "sigma {sigma} at {at}: {size} bytes");
        }
    }
}

#[test]
fn nasty_densities_keep_the_promise() {
    let cases: [(&[Peak], f64); 9] = [
        (&[(77.7, 0.005, 1.0)], 0.0),
        (&[(10.0, 0.005, 0.6), (10.1, 0.005, 0.4)], 0.0),
        (&[(0.0, 0.01, 0.5), (180.0, 0.01, 0.5)], 0.0),
        (
            &[
                (20.0, 0.02, 0.4),
                (110.0, 0.3, 0.3),
                (200.0, 4.0, 0.2),
                (290.0, 25.0, 0.1),
            ],
            0.0,
        ),
        (
            &[
                (0.0, 0.005, 0.25),
                (90.0, 0.005, 0.25),
                (180.0, 0.005, 0.25),
                (270.0, 0.005, 0.25),
            ],
            0.0,
        ),
        (&[(30.0, 0.005, 0.97)], 0.03),
        (&[(30.0, 0.5, 0.7)], 0.3),
        (&[(359.99, 0.03, 0.45), (0.4, 0.03, 0.45)], 0.1),
        (&[(100.0, 2.0, 0.5), (107.0, 2.0, 0.3), (115.0, 1.0, 0.15)], 0.05),
    ];
    for (parts, floor) in cases {
        let size = check_promise(&peaks(parts, floor));
        println!("{parts:?} + {floor}: {size} bytes");
    }
}

#[test]
fn what_knows_nothing_is_said_in_a_few_characters() {
    let uniform = CircleDensity::uniform();
    let (text, loss) = check_any(&uniform);
    assert!(loss.total_variation < 1e-15 && text.len() < 25, "{text}");
    assert_eq!(CircleDensity::from_compact(&text).unwrap(), uniform);
}

#[test]
fn edges_flat_tops_and_saws_stay_within_the_size() {
    let saw = |n: u32, depth: f64| {
        let azimuths = (0..n).map(|i| f64::from(i) * 360.0 / f64::from(n)).collect();
        let values = (0..n).map(|i| -depth * f64::from(i % 7) / 7.0).collect();
        CircleDensity::from_knots(azimuths, values).unwrap()
    };
    let box_car = CircleDensity::from_knots(
        vec![0.0, 99.999_999, 100.0, 140.0, 140.000_001],
        vec![-80.0, -80.0, 0.0, 1e-9, -80.0],
    )
    .unwrap();
    let (_, loss) = check_any(&box_car);
    assert!(loss.total_variation < 0.005, "{loss:?}");
    for (n, depth) in [(360, 0.5), (2000, 4.0), (997, 59.0)] {
        let (text, loss) = check_any(&saw(n, depth));
        println!("saw of {n} teeth, {depth} nepers: {} bytes, {loss:?}", text.len());
    }
    let close: Vec<f64> = (0..500).map(|i| 200.0 + 1e-9 * f64::from(i)).collect();
    check_any(&CircleDensity::from_knots(close, (0..500).map(|i| f64::from(i % 3)).collect()).unwrap());
}

fn error(text: &str) -> String {
    CircleDensity::from_compact(text).unwrap_err().to_string()
}

/// Bytes with the checksum that they need.
fn sealed(body: &[u8]) -> Vec<u8> {
    [body, &crc32fast::hash(body).to_be_bytes()].concat()
}

#[test]
fn errors_say_what_is_wrong() {
    let text = CircleDensity::uniform().to_compact();
    assert!(error("").contains("begins with `cd1.`"));
    assert!(error("cd2.AAAA").contains("this begins with `cd2.`"));
    assert!(error(&format!("cd1.{}", "A".repeat(2000))).contains("2004 characters"));
    assert_eq!(
        error("cd1.AA+A"),
        "character 7 is not as base64url without padding (RFC 4648, section 5) has it"
    );
    assert!(error("cd1.").contains("end within the checksum"));
    let other = if text.as_bytes()[9] == b'A' { "B" } else { "A" };
    let bent = format!("{}{other}{}", &text[..9], &text[10..]);
    assert!(error(&bent).contains("damaged on its way"), "{}", error(&bent));
    let of = |body: &[u8]| CircleDensity::from_compact_bytes(&sealed(body)).unwrap_err();
    assert_eq!(of(&[]), CompactError::Truncated("the version"));
    assert_eq!(of(&[9, 0]), CompactError::Version(9));
    assert_eq!(of(&[1]), CompactError::Truncated("the unit of azimuth"));
    assert!(of(&[1, 8]).to_string().contains("from 0 to 7"));
    assert_eq!(of(&[1, 0]), CompactError::Truncated("the number of knots"));
    assert!(of(&[1, 0, 100, 1]).to_string().contains("byte 2: more knots"));
    assert!(
        of(&[1, 0, 0x83, 0, 1, 1, 1, 0, 0, 0])
            .to_string()
            .contains("longer than it needs")
    );
    assert!(
        of(&[1, 0, 3, 0, 0, 1, 0, 0, 0])
            .to_string()
            .contains("byte 4: two knots")
    );
    assert!(
        of(&[1, 0, 3, 1, 1, 0xe6, 0x02, 0, 0, 0])
            .to_string()
            .contains("byte 5: a knot at 360")
    );
    assert!(
        of(&[1, 0, 3, 1, 1, 1, 0, 1, 0])
            .to_string()
            .contains("byte 7: a depth")
    );
    assert_eq!(of(&[1, 0, 3, 1, 1, 1, 2, 0, 0]), CompactError::NoTop);
    assert_eq!(of(&[1, 0, 3, 1, 1, 1, 0, 0, 0, 0]), CompactError::LeftOver(1));
    assert!(
        of(&[1, 1, 3, 10, 10, 10, 0, 0, 0])
            .to_string()
            .contains("finer than")
    );
    assert!(of(&[1, 0, 2, 1, 1, 0, 0]).to_string().contains("three knots"));
}

/// The worked example of the schema page.
#[test]
fn the_example_of_the_schema_page_is_what_the_page_says() {
    let page = include_str!("../../../docs/schema.md");
    let section = page
        .split("## Compact density")
        .nth(1)
        .unwrap()
        .split("\n## ")
        .next()
        .unwrap();
    let section = section
        .split("For example")
        .nth(1)
        .unwrap()
        .split("In JSON")
        .next()
        .unwrap();
    let text = section
        .split('`')
        .find(|word| word.starts_with("cd1.") && word.len() > 4)
        .unwrap();
    let density = CircleDensity::from_compact(text).unwrap();
    assert_eq!(density.to_compact(), text);
    // Rows: | bytes in hexadecimal | meaning |
    let mut bytes: Vec<u8> = Vec::new();
    let mut knots: Vec<(f64, f64)> = Vec::new();
    for line in section.lines().filter(|l| l.starts_with("| `")) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        bytes.extend(
            cells[0]
                .trim_matches('`')
                .split(' ')
                .map(|hex| u8::from_str_radix(hex, 16).unwrap()),
        );
    }
    assert_eq!(bytes, density.to_compact_bytes());
    for line in section.lines().filter(|l| l.starts_with("| knot ")) {
        let cells: Vec<f64> = line
            .trim_matches('|')
            .split('|')
            .skip(1)
            .map(|c| c.trim().parse().unwrap())
            .collect();
        knots.push((cells[0], cells[1]));
    }
    assert_eq!(knots.len(), density.azimuths_deg().len());
    for (i, (azimuth, ln)) in knots.iter().enumerate() {
        // The page gives azimuths as they are and log densities to four decimals.
        assert!((density.azimuths_deg()[i] - azimuth).abs() < 1e-12, "{azimuth}");
        assert!((density.ln_per_deg()[i] - ln).abs() < 5.1e-5, "{ln}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn mixtures_keep_the_promise(
        parts in prop::collection::vec((0.0..360.0_f64, -2.3..1.7_f64, 0.05..1.0_f64), 1..5),
        floor in 0.0..0.04_f64,
    ) {
        let total: f64 = parts.iter().map(|p| p.2).sum();
        let parts: Vec<(f64, f64, f64)> = parts
            .iter()
            .map(|&(at, power, share)| (at, 10_f64.powf(power), share * (1.0 - floor) / total))
            .collect();
        check_promise(&peaks(&parts, floor));
    }

    #[test]
    fn any_knots_fit_and_come_back(
        knots in prop::collection::btree_map(0_u32..3_600_000, 0.0..70.0_f64, 3..400),
        depth in 0.001..1.0_f64,
    ) {
        let (azimuths, values) = knots.iter().map(|(a, v)| (f64::from(*a) / 1e4, -v * depth)).unzip();
        check_any(&CircleDensity::from_knots(azimuths, values).unwrap());
    }

    #[test]
    fn any_bytes_are_read_without_panic(body in prop::collection::vec(any::<u8>(), 0..40), text in "\\PC{0,40}") {
        let _ = CircleDensity::from_compact_bytes(&body);
        let _ = CircleDensity::from_compact(&text);
        let _ = CircleDensity::from_compact(&format!("cd1.{text}"));
        let mut body = body;
        if let Some(first) = body.first_mut() {
            *first = 1;
        }
        if let Some(unit) = body.get_mut(1) {
            *unit %= 8;
        }
        let bytes = sealed(&body);
        if let Ok(density) = CircleDensity::from_compact_bytes(&bytes) {
            // Whatever is accepted is the only way to say it.
            prop_assert_eq!(density.to_compact_bytes(), bytes);
        }
    }

    #[test]
    fn any_lattice_is_its_own_text(
        steps in prop::collection::vec((1_u64..40_000, 0_i64..15_361), 3..60),
        unit in 3_u8..8,
    ) {
        let mut body = vec![1, unit, u8::try_from(steps.len()).unwrap()];
        let mut put = |mut v: u64| {
            while v >= 128 {
                body.push(0x80 | (v % 128) as u8);
                v /= 128;
            }
            body.push(u8::try_from(v).unwrap());
        };
        for (i, s) in steps.iter().enumerate() {
            put(if i == 0 { s.0 | 1 } else { s.0.min(5000) });
        }
        let mut last = 0;
        for (i, s) in steps.iter().enumerate() {
            let depth = if i == 1 { 0 } else { s.1 };
            let d = depth - last;
            put(d.unsigned_abs() * 2 - u64::from(d < 0));
            last = depth;
        }
        let bytes = sealed(&body);
        match CircleDensity::from_compact_bytes(&bytes) {
            Ok(density) => prop_assert_eq!(density.to_compact_bytes(), bytes),
            Err(other) => prop_assert!(matches!(other, CompactError::Unit(_)), "{}", other),
        }
    }
}
