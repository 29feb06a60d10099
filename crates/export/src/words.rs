//! Results in words, for a terminal, a report or a radio.

use lobewright_geodesy::{CoordinateForm, format_position};
use lobewright_types::{
    ArcDeg, Azimuth, Bearing, BearingFlag, BearingKind, BearingOutcome, Fix, FixOutcome, Position, True,
    wrap_degrees,
};

/// Decimals that leave two digits of a doubt, 0 to 6.
fn decimals_of(doubt: f64) -> usize {
    if !(doubt.is_finite() && doubt > 0.0) {
        return 1;
    }
    // 0.0996 is printed with the digits of 0.10, hence the half unit.
    let digits = 1.0 - (doubt * 1.005).log10().floor();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0 to 6 first"
    )]
    let digits = digits.clamp(0.0, 6.0) as usize;
    digits
}

/// An azimuth with its doubt in two digits, such as `212.4° ± 1.8° (1σ, true)`.
///
/// # Example
/// ```
/// use lobewright_types::Azimuth;
/// assert_eq!(
///     lobewright_export::azimuth_with_doubt(Azimuth::from_degrees(212.43), 1.84),
///     "212.4° ± 1.8° (1σ, true)"
/// );
/// ```
pub fn azimuth_with_doubt(azimuth: Azimuth<True>, sigma_deg: f64) -> String {
    let digits = decimals_of(sigma_deg);
    let scale = 10_f64.powf(digits as f64);
    // 359.98 must not be printed as 360.0.
    let deg = wrap_degrees((azimuth.degrees() * scale).round() / scale);
    if sigma_deg.is_finite() && sigma_deg > 0.0 {
        format!("{deg:.digits$}° ± {sigma_deg:.digits$}° (1σ, true)")
    } else {
        format!("{deg:.digits$}° true, its error not known")
    }
}

/// A doubt in words.
pub(crate) fn flag_words(flag: BearingFlag) -> &'static str {
    match flag {
        BearingFlag::Clipped => "clipped",
        BearingFlag::FewReadings => "few readings",
        BearingFlag::PartialCircle => "part of the circle only",
        BearingFlag::BadFit => "does not fit the pattern",
        BearingFlag::Reflection => "second arrival",
        BearingFlag::Ambiguous => "ambiguous",
        BearingFlag::SameSectorEachBurst => "same sector in each burst",
        BearingFlag::TrackEndedEarly => "azimuth track too short",
        BearingFlag::Weak => "weak",
    }
}

pub(crate) fn kind_words(kind: BearingKind) -> &'static str {
    match kind {
        BearingKind::Automatic => "automatic",
        BearingKind::Hand => "by hand",
        BearingKind::Remote => "from another station",
    }
}

pub(crate) fn flags_line(bearing: &Bearing) -> String {
    let words: Vec<&str> = bearing.flags.iter().map(|flag| flag_words(*flag)).collect();
    words.join(", ")
}

/// An azimuth with the digits that its doubt leaves, without words: `61.0°`.
fn azimuth_digits(azimuth_deg: f64, doubt_deg: f64) -> String {
    let digits = decimals_of(doubt_deg);
    let scale = 10_f64.powf(digits as f64);
    // 359.98 must not be printed as 360.0.
    let deg = wrap_degrees((azimuth_deg * scale).round() / scale);
    format!("{deg:.digits$}°")
}

/// The directions after the first, most probable first, such as `61.0° (12 %)`; empty where there is none over 5 %.
pub fn human_other_modes(bearing: &Bearing) -> String {
    let words: Vec<String> = bearing
        .modes
        .iter()
        .skip(1)
        .map(|mode| {
            let azimuth = azimuth_digits(mode.azimuth.degrees(), mode.sigma_deg);
            format!("{azimuth} ({:.0} %)", mode.probability * 100.0)
        })
        .collect();
    words.join(", ")
}

/// The directions after the first as a part of a sentence: `or 61.0° true (12 %)`.
pub(crate) fn other_modes(bearing: &Bearing) -> String {
    let words: Vec<String> = bearing
        .modes
        .iter()
        .skip(1)
        .map(|mode| {
            let azimuth = azimuth_digits(mode.azimuth.degrees(), mode.sigma_deg);
            format!("or {azimuth} true ({:.0} %)", mode.probability * 100.0)
        })
        .collect();
    words.join(", ")
}

/// Arcs clockwise from end to end, in degrees from true north, with the digits that their width leaves.
///
/// # Example
/// ```
/// use lobewright_types::{ArcDeg, Azimuth};
/// let arc = |from, width_deg| ArcDeg { from: Azimuth::from_degrees(from), width_deg };
/// assert_eq!(lobewright_export::human_arcs(&[arc(350.0, 20.0)]), "350.0° to 10.0°");
/// assert_eq!(lobewright_export::human_arcs(&[arc(212.37, 0.06)]), "212.370° to 212.430°");
/// assert_eq!(lobewright_export::human_arcs(&[arc(0.0, 360.0)]), "all round");
/// ```
pub fn human_arcs(arcs: &[ArcDeg]) -> String {
    let words: Vec<String> = arcs
        .iter()
        .map(|arc| {
            if arc.width_deg >= 359.95 {
                return "all round".to_owned();
            }
            // An arc of 95 % is some four sigma wide; a tenth of a degree is enough for any wide one.
            let doubt = (arc.width_deg / 4.0).min(1.0);
            let from = arc.from.degrees();
            format!(
                "{} to {}",
                azimuth_digits(from, doubt),
                azimuth_digits(from + arc.width_deg, doubt)
            )
        })
        .collect();
    words.join(", ")
}

/// One bearing as one line: `Hill: 212.4° ± 1.8° (1σ, true), 95 % from 208.9° to 215.9°, class B, S/N 21 dB, 3 bursts`.
pub fn human_bearing_line(outcome: &BearingOutcome) -> String {
    let bearing = match outcome {
        BearingOutcome::Bearing(bearing) => bearing,
        BearingOutcome::NoBearing(none) => {
            return format!("{}: no bearing, because {}", none.station, none.reason);
        }
    };
    let mut parts = vec![azimuth_with_doubt(bearing.azimuth, bearing.sigma_deg)];
    let others = other_modes(bearing);
    if !others.is_empty() {
        parts.push(others);
    }
    if !bearing.arcs95.is_empty() {
        let arcs = human_arcs(&bearing.arcs95).replace(", ", " and from ");
        let from = if arcs.starts_with("all") { "" } else { "from " };
        parts.push(format!("95 % {from}{arcs}"));
    }
    parts.push(format!("class {}", bearing.class));
    if let Some(snr_db) = bearing.snr_db {
        parts.push(format!("S/N {snr_db:.0} dB"));
    }
    if bearing.kind == BearingKind::Automatic {
        let plural = if bearing.bursts == 1 { "" } else { "s" };
        parts.push(format!("{} burst{plural}", bearing.bursts));
    }
    let flags = flags_line(bearing);
    if !flags.is_empty() {
        parts.push(flags);
    }
    format!("{}: {}", bearing.station, parts.join(", "))
}

/// Bearings as a table in plain text, one a line below a heading, columns aligned.
pub fn bearing_table(bearings: &[BearingOutcome]) -> String {
    let mut rows: Vec<Vec<String>> = vec![
        [
            "id",
            "station",
            "bearing",
            "95 % arc (true)",
            "class",
            "S/N",
            "doubts",
        ]
        .map(str::to_owned)
        .to_vec(),
    ];
    rows.extend(bearings.iter().map(table_row));
    let columns = rows.first().map_or(0, Vec::len);
    let widths: Vec<usize> = (0..columns)
        .map(|column| {
            rows.iter()
                .map(|row| row[column].chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    let mut out = String::new();
    for row in rows {
        let cells: Vec<String> = row
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell:<width$}"))
            .collect();
        out.push_str(cells.join("  ").trim_end());
        out.push('\n');
    }
    out
}

fn table_row(outcome: &BearingOutcome) -> Vec<String> {
    match outcome {
        BearingOutcome::Bearing(b) => {
            let mut doubts = vec![other_modes(b), flags_line(b)];
            doubts.retain(|words| !words.is_empty());
            vec![
                b.id.clone(),
                b.station.clone(),
                azimuth_with_doubt(b.azimuth, b.sigma_deg),
                human_arcs(&b.arcs95),
                b.class.to_string(),
                b.snr_db.map_or_else(String::new, |snr| format!("{snr:.0} dB")),
                doubts.join(", "),
            ]
        }
        BearingOutcome::NoBearing(none) => vec![
            none.id.clone(),
            none.station.clone(),
            "none".to_owned(),
            String::new(),
            String::new(),
            String::new(),
            none.reason.to_string(),
        ],
    }
}

/// A place with its hemispheres, such as `41.2900° S, 174.7800° E`.
pub fn human_position(place: Position, decimals: usize) -> String {
    let part = |value: f64, hemispheres: [char; 2]| {
        let side = if value >= 0.0 {
            hemispheres[0]
        } else {
            hemispheres[1]
        };
        format!("{:.decimals$}° {side}", value.abs())
    };
    format!(
        "{}, {}",
        part(place.lat_deg, ['N', 'S']),
        part(place.lon_deg, ['E', 'W'])
    )
}

/// A length with two significant digits and the unit that reads best, such as `350 m` or `1.2 km`.
pub fn human_distance(length_m: f64) -> String {
    if !length_m.is_finite() {
        return "an unknown distance".to_owned();
    }
    if length_m < 0.5 {
        return "under 1 m".to_owned();
    }
    let scale = 10_f64.powf(length_m.log10().floor() - 1.0).max(1.0);
    let rounded = (length_m / scale).round() * scale;
    if rounded < 1000.0 {
        format!("{rounded:.0} m")
    } else if rounded < 10_000.0 {
        format!("{:.1} km", rounded / 1000.0)
    } else {
        format!("{:.0} km", rounded / 1000.0)
    }
}

/// A number with two significant digits, never in powers of ten.
fn two_digits(value: f64) -> String {
    if !(value.is_finite() && value > 0.0) {
        return "0".to_owned();
    }
    let scale = 10_f64.powf(value.log10().floor() - 1.0);
    let rounded = (value / scale).round() * scale;
    // Half a unit of the second digit more, so that 9.96 (10) is printed without a decimal.
    let decimals = (1.0 - (rounded * 1.0001).log10().floor()).clamp(0.0, 9.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0 to 9 above"
    )]
    let decimals = decimals as usize;
    format!("{rounded:.decimals$}")
}

/// An area with two significant digits, in square kilometres or, below a hundredth of one, square metres.
pub(crate) fn human_area(area_km2: f64) -> String {
    if !area_km2.is_finite() {
        return "an unknown area".to_owned();
    }
    if area_km2 < 0.01 {
        format!("{} m²", two_digits(area_km2 * 1e6))
    } else {
        format!("{} km²", two_digits(area_km2))
    }
}

/// How far off a position may be with 95 %, in metres: the shorter axis of the ellipse, else the radius of a circle of the region's area.
fn error_m(fix: &Fix) -> f64 {
    fix.ellipse95.map_or_else(
        || (fix.region95.area_km2.max(1e-6) * 1e6 / std::f64::consts::PI).sqrt(),
        |ellipse| ellipse.semi_minor_m,
    )
}

/// Decimals of a degree that show a place to about a tenth of its error.
fn place_decimals(fix: &Fix) -> usize {
    decimals_of(error_m(fix) / 111_000.0).clamp(2, 6)
}

/// A place of a fix in a form of coordinates, with the digits that its error leaves: to a tenth of it, or a metre.
///
/// The error is that of the main mode, 95 %: the shorter axis of the ellipse, else the radius of a circle as large as the region.
pub fn human_fix_place(fix: &Fix, place: Position, form: CoordinateForm) -> String {
    format_position(place, form, (error_m(fix) / 10.0).max(1.0))
}

/// A position in every form of coordinates but decimal degrees, for whoever has a map, a satellite receiver or a radio.
pub(crate) fn other_forms(fix: &Fix) -> String {
    let words = |form| human_fix_place(fix, fix.position, form);
    let grid = words(CoordinateForm::Utm);
    // Near the poles the text says UPS itself.
    let utm = if grid.starts_with("UPS") { "" } else { "UTM " };
    format!(
        "The same place: {}; {utm}{grid}; MGRS {}; locator {}.",
        words(CoordinateForm::Minutes),
        words(CoordinateForm::Mgrs),
        words(CoordinateForm::Locator)
    )
}

/// A position with its error, or why there is none, as sentences; places in degrees with decimals and hemisphere letters.
pub fn human_fix(outcome: &FixOutcome) -> Vec<String> {
    human_fix_in(outcome, None)
}

/// As [`human_fix`], with places in a form of coordinates.
pub fn human_fix_in(outcome: &FixOutcome, form: Option<CoordinateForm>) -> Vec<String> {
    let fix = match outcome {
        FixOutcome::Fix(fix) => fix,
        FixOutcome::NoFix { statements } => {
            let mut lines = vec!["No position.".to_owned()];
            lines.extend(statements.iter().map(|s| sentence(&s.to_string())));
            return lines;
        }
    };
    let place_words = |place: Position| {
        form.map_or_else(
            || human_position(place, place_decimals(fix)),
            |form| human_fix_place(fix, place, form),
        )
    };
    let mut lines = vec![format!("Most probable position: {}.", place_words(fix.position))];
    if let Some(ellipse) = &fix.ellipse95 {
        lines.push(format!(
            "With {:.0} % it lies within {} by {} of the middle (half axes of the error ellipse), the long axis towards {:.0}.",
            ellipse.probability * 100.0,
            human_distance(ellipse.semi_major_m),
            human_distance(ellipse.semi_minor_m),
            ellipse.major_azimuth
        ));
    }
    let parts = fix.region95.polygons.len();
    let pieces = if parts > 1 {
        format!(" in {parts} pieces")
    } else {
        String::new()
    };
    lines.push(format!(
        "The 95 % region covers {}{pieces}, the 50 % region {}.",
        human_area(fix.region95.area_km2),
        human_area(fix.region50.area_km2)
    ));
    for mode in fix.modes.iter().skip(1) {
        lines.push(format!(
            "With {:.0} % it lies near {} instead.",
            mode.probability * 100.0,
            place_words(mode.position)
        ));
    }
    for verdict in fix.verdicts.iter().filter(|v| v.reflected_probability >= 0.5) {
        lines.push(format!(
            "Bearing {} was judged a reflection or a mistake ({:.0} %): it points {:.0}° beside the position.",
            verdict.id,
            verdict.reflected_probability * 100.0,
            verdict.residual_deg.abs()
        ));
    }
    lines.extend(fix.statements.iter().map(|s| sentence(&s.to_string())));
    lines
}

/// Gives a clause a capital and a full stop.
fn sentence(clause: &str) -> String {
    let mut letters = clause.chars();
    let first: String = letters
        .next()
        .map(char::to_uppercase)
        .into_iter()
        .flatten()
        .collect();
    format!("{first}{}.", letters.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn azimuth(deg: f64) -> Azimuth<True> {
        Azimuth::from_degrees(deg)
    }

    #[test]
    fn a_doubt_has_two_digits() {
        for (deg, sigma, words) in [
            (212.43, 1.84, "212.4° ± 1.8° (1σ, true)"),
            (212.43, 12.4, "212° ± 12° (1σ, true)"),
            (212.43, 0.0996, "212.43° ± 0.10° (1σ, true)"),
            (359.98, 1.0, "0.0° ± 1.0° (1σ, true)"),
            (359.6, 57.0, "0° ± 57° (1σ, true)"),
        ] {
            assert_eq!(azimuth_with_doubt(azimuth(deg), sigma), words);
        }
        assert_eq!(
            azimuth_with_doubt(azimuth(10.0), f64::NAN),
            "10.0° true, its error not known"
        );
    }

    #[test]
    fn lengths_and_areas_have_two_digits() {
        assert_eq!(human_distance(347.0), "350 m");
        assert_eq!(human_distance(1234.0), "1.2 km");
        assert_eq!(human_distance(999.0), "1.0 km");
        assert_eq!(human_distance(45_300.0), "45 km");
        assert_eq!(human_distance(0.1), "under 1 m");
        assert_eq!(human_distance(f64::NAN), "an unknown distance");
        assert_eq!(human_area(1.234), "1.2 km²");
        assert_eq!(human_area(0.000_123), "120 m²");
        assert_eq!(human_area(12_345.0), "12000 km²");
        assert_eq!(human_area(0.0), "0 m²");
    }

    #[test]
    fn places_name_their_hemispheres() {
        let place = Position {
            lat_deg: -41.29,
            lon_deg: 174.78,
        };
        assert_eq!(human_position(place, 3), "41.290° S, 174.780° E");
    }

    #[test]
    fn a_fix_is_said_in_any_form_with_the_digits_of_its_error() {
        let region = |probability, area_km2| lobewright_types::Region {
            probability,
            area_km2,
            polygons: Vec::new(),
        };
        let fix = Fix {
            position: Position {
                lat_deg: -41.3,
                lon_deg: 174.1,
            },
            region50: region(0.5, 1.0),
            // A circle of 1 km.
            region95: region(0.95, std::f64::consts::PI),
            ellipse95: None,
            modes: Vec::new(),
            verdicts: Vec::new(),
            station_offsets: Vec::new(),
            path_loss: Vec::new(),
            statements: Vec::new(),
        };
        // GeographicLib's GeoConvert 2.1.2: 60s 257201.23 5423881.94, 60GTV5720123881.
        assert_eq!(
            other_forms(&fix),
            "The same place: 41° 18.00' S, 174° 06.00' E; UTM 60 south 257201 mE 5423882 mN; MGRS 60G TV 572 238; locator RE78bq28aa."
        );
        let lines = human_fix_in(&FixOutcome::Fix(Box::new(fix)), Some(CoordinateForm::Mgrs));
        assert_eq!(lines[0], "Most probable position: 60G TV 572 238.");
    }

    #[test]
    fn a_clause_becomes_a_sentence() {
        assert_eq!(sentence("the bearings cross"), "The bearings cross.");
        assert_eq!(sentence(""), ".");
    }
}
