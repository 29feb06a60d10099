//! Tables for people.

use std::fmt::Write as _;

use lobewright_geodesy::CoordinateForm;
use lobewright_station::{RecordingSummary, Sides};
use lobewright_types::{Bearing, BearingOutcome, Burst, Fix, FixOutcome, Position};

/// Lays out rows under a header; columns named in `right` are set to the right.
pub(crate) fn lay_out(header: &[&str], rows: &[Vec<String>], right: &[usize]) -> String {
    let mut widths: Vec<usize> = header.iter().map(|h| h.chars().count()).collect();
    for row in rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let line = |cells: &mut dyn Iterator<Item = &str>| {
        let mut text = String::new();
        for (i, cell) in cells.enumerate() {
            let pad = " ".repeat(widths[i] - cell.chars().count());
            let _ = if right.contains(&i) {
                write!(text, "{pad}{cell}  ")
            } else {
                write!(text, "{cell}{pad}  ")
            };
        }
        text.trim_end().to_owned() + "\n"
    };
    let mut text = line(&mut header.iter().copied());
    for row in rows {
        text += &line(&mut row.iter().map(String::as_str));
    }
    text
}

/// Bursts with their times, levels and offsets.
pub(crate) fn bursts(bursts: &[Burst]) -> String {
    let rows: Vec<Vec<String>> = bursts
        .iter()
        .enumerate()
        .map(|(i, b)| {
            vec![
                (i + 1).to_string(),
                format!("{:.4}", b.start_s),
                format!("{:.4}", b.stop_s),
                format!("{:.4}", b.length_s()),
                format!("{:.1}", b.level.0),
                format!("{:.1}", b.snr_db),
                format!("{:+.0}", b.carrier_offset_hz),
                format!("{:.0}", b.bandwidth_hz),
                words(&b.flags),
            ]
        })
        .collect();
    let header = [
        "burst",
        "start s",
        "stop s",
        "length s",
        "level dBFS",
        "S/N dB",
        "offset Hz",
        "width Hz",
        "remarks",
    ];
    lay_out(&header, &rows, &[0, 1, 2, 3, 4, 5, 6, 7])
}

/// What the letters stand for, below a table that has them.
const CLASS_LEGEND: &str =
    "class A, B, C: 95 % within 2°, 5°, 10° of the bearing; D: wider, or a second mode over 5 %\n";

/// One line a place: its bearing, or why there is none.
pub(crate) fn bearings(
    outcomes: &[BearingOutcome],
    sides: &[Option<Sides>],
    fix: Option<&FixOutcome>,
) -> String {
    let rows: Vec<Vec<String>> = outcomes
        .iter()
        .enumerate()
        .map(|(i, outcome)| match outcome {
            BearingOutcome::Bearing(b) => bearing_row(b, sides.get(i).copied().flatten(), fix),
            BearingOutcome::NoBearing(n) => {
                let mut row = vec![n.id.clone(), n.station.clone(), format!("none: {}", n.reason)];
                row.resize(8, String::new());
                row
            }
        })
        .collect();
    let header = [
        "id",
        "place",
        "bearing",
        "95 % arc (true)",
        "class",
        "2nd mode",
        "S/N dB",
        "remarks",
    ];
    let mut text = lay_out(&header, &rows, &[6]);
    if outcomes.iter().any(|o| matches!(o, BearingOutcome::Bearing(_))) {
        text += CLASS_LEGEND;
    }
    text
}

fn bearing_row(b: &Bearing, sides: Option<Sides>, fix: Option<&FixOutcome>) -> Vec<String> {
    let mut remarks = Vec::new();
    if let Some(s) = sides {
        remarks.push(format!(
            "{} (left {:.0} %, right {:.0} %)",
            s.word(),
            100.0 * s.left_probability,
            100.0 * s.right_probability
        ));
    }
    if let Some(FixOutcome::Fix(fix)) = fix
        && let Some(v) = fix.verdicts.iter().find(|v| v.id == b.id)
        && v.reflected_probability >= 0.5
    {
        remarks.push(format!("reflected ({:.0} %)", 100.0 * v.reflected_probability));
    }
    let flags = words(&b.flags);
    if !flags.is_empty() {
        remarks.push(flags);
    }
    vec![
        b.id.clone(),
        b.station.clone(),
        lobewright_export::azimuth_with_doubt(b.azimuth, b.sigma_deg),
        lobewright_export::human_arcs(&b.arcs95),
        b.class.to_string(),
        if b.modes.len() > 1 {
            lobewright_export::human_other_modes(b)
        } else {
            "none".to_owned()
        },
        b.snr_db
            .map_or_else(|| "unknown".to_owned(), |s| format!("{s:.1}")),
        remarks.join("; "),
    ]
}

/// The position, its regions and what must be said beside it; places in degrees with decimals.
pub(crate) fn fix(outcome: &FixOutcome) -> String {
    fix_in(outcome, CoordinateForm::Decimal)
}

/// The same with places in a form of coordinates.
pub(crate) fn fix_in(outcome: &FixOutcome, form: CoordinateForm) -> String {
    match outcome {
        FixOutcome::Fix(fix) => position(fix, form),
        FixOutcome::NoFix { statements } => {
            let mut text = "no position\n".to_owned();
            for s in statements {
                let _ = writeln!(text, "  {s}");
            }
            text
        }
    }
}

/// A place and what the form is called.
fn place(fix: &Fix, at: Position, form: CoordinateForm) -> (String, &'static str) {
    let kind = match form {
        // The table has always had five decimals, about a metre.
        CoordinateForm::Decimal => {
            let text = format!("{:.5}, {:.5}", at.lat_deg, at.lon_deg);
            return (text, "latitude, longitude");
        }
        CoordinateForm::Minutes | CoordinateForm::Seconds => "latitude, longitude",
        CoordinateForm::Utm => "UTM",
        CoordinateForm::Mgrs => "MGRS",
        CoordinateForm::Locator => "Maidenhead locator",
    };
    (lobewright_export::human_fix_place(fix, at, form), kind)
}

fn position(fix: &Fix, form: CoordinateForm) -> String {
    let (words, kind) = place(fix, fix.position, form);
    let mut text = format!("position   {words} (WGS 84, {kind})\n");
    for region in [&fix.region50, &fix.region95] {
        let _ = writeln!(
            text,
            "{:.0} % region  {} km²{}",
            100.0 * region.probability,
            significant(region.area_km2),
            if region.polygons.len() > 1 {
                format!(" in {} parts", region.polygons.len())
            } else {
                String::new()
            }
        );
    }
    if let Some(e) = &fix.ellipse95 {
        let _ = writeln!(
            text,
            "ellipse    {:.0} m by {:.0} m semi-axes ({:.0} %), long axis {:.0}° true",
            e.semi_major_m,
            e.semi_minor_m,
            100.0 * e.probability,
            e.major_azimuth.degrees()
        );
    }
    for mode in fix.modes.iter().skip(1) {
        let _ = writeln!(
            text,
            "or ({:.0} %)  {}",
            100.0 * mode.probability,
            place(fix, mode.position, form).0
        );
    }
    for s in &fix.statements {
        let _ = writeln!(text, "note       {s}");
    }
    text
}

/// Two significant digits and no exponent, for areas from square metres to thousands of square kilometres.
pub(crate) fn significant(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    #[expect(clippy::cast_possible_truncation, reason = "a logarithm is small")]
    let digits = (1 - value.log10().floor() as i32).max(0);
    format!("{value:.*}", usize::try_from(digits).unwrap_or(0))
}

/// What was read and dropped.
pub(crate) fn summary(name: &str, s: &RecordingSummary) -> String {
    let center = s.recording_center_hz.map_or_else(
        || "centre unknown".to_owned(),
        |hz| format!("{:.6} MHz", hz / 1e6),
    );
    let mut text = format!(
        "{name}: {} at {} S/s, {center}, {} samples, {:.3} s\n  channel {:+.0} Hz, {:.0} S/s, noise bandwidth {:.0} Hz",
        s.format,
        s.rate_hz,
        s.samples,
        s.seconds,
        s.channel_offset_hz,
        s.channel_rate_hz,
        s.noise_bandwidth_hz
    );
    if let Some(noise) = s.noise_dbfs {
        let _ = write!(text, ", noise {noise:.1} dBFS");
    }
    if s.gaps > 0 {
        let _ = write!(text, "\n  {} gaps, {} samples missing", s.gaps, s.missing_samples);
    }
    for w in &s.warnings {
        let _ = write!(text, "\n  warning: {w}");
    }
    text + "\n"
}

/// Flags in words, from their names in files.
pub(crate) fn words<F: serde::Serialize>(flags: &[F]) -> String {
    let texts: Vec<String> = flags
        .iter()
        .filter_map(|f| serde_json::to_value(f).ok())
        .filter_map(|v| v.as_str().map(|s| s.replace('_', " ")))
        .collect();
    texts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let rows = vec![
            vec!["a".to_owned(), "1".to_owned()],
            vec!["long".to_owned(), "22".to_owned()],
        ];
        assert_eq!(
            lay_out(&["name", "n"], &rows, &[1]),
            "name   n\na      1\nlong  22\n"
        );
    }

    #[test]
    fn areas_keep_two_digits() {
        assert_eq!(significant(0.01234), "0.012");
        assert_eq!(significant(123.4), "123");
        assert_eq!(significant(1.26), "1.3");
    }
}
