//! One page that says it all, for a screen and for paper.

use std::fmt::Write;

use lobewright_types::{Bearing, BearingOutcome, BearingVerdict, FixOutcome, Timestamp};

use crate::geo::{fix_of, verdict_of};
use crate::kml_file::escape;
use crate::words::{
    azimuth_with_doubt, flags_line, human_arcs, human_fix, kind_words, other_forms, other_modes,
};

const STYLE: &str = include_str!("report/style.css");

/// General cautions for whoever goes out with an antenna; common practice, no source.
const CAUTIONS: [(&str, &str); 5] = [
    (
        "Masts and power lines.",
        "Keep every antenna, mast and pole well away from power lines, above all when it is raised, turned or carried; nobody should put up a mast alone.",
    ),
    (
        "Lightning.",
        "Stop and take the antenna down before a thunderstorm is near. A high place with an antenna in hand is the worst one.",
    ),
    (
        "Driving.",
        "The driver drives. Read, turn and type only as a passenger or in a parked vehicle.",
    ),
    (
        "Radio-frequency exposure.",
        "Close to a transmitter keep the distance that the exposure limits ask for, and do not touch its antenna.",
    ),
    (
        "Private land.",
        "A position is no permission to enter. Ask first, and leave what is found to whoever is entitled to act on it.",
    ),
];

/// The pictures of one station.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StationPictures {
    /// Name of the station.
    pub station: String,
    /// Polar plot, as the text of an SVG file.
    pub polar_svg: Option<String>,
    /// Spectrogram, as the text of an SVG file.
    pub spectrogram_svg: Option<String>,
    /// Lines to be printed above the pictures.
    pub notes: Vec<String>,
}

/// What a report holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// The title.
    pub title: String,
    /// When it was made, where that is to be said.
    pub made_utc: Option<Timestamp>,
    /// Name and version of the program.
    pub version: String,
    /// The position, or why there is none; absent where none was asked for.
    pub fix: Option<FixOutcome>,
    /// Map, as the text of an SVG file.
    pub map_svg: Option<String>,
    /// Bearings, in the order of the table.
    pub bearings: Vec<BearingOutcome>,
    /// Pictures of each station.
    pub stations: Vec<StationPictures>,
    /// Settings as name and value; names carry their units.
    pub settings: Vec<(String, String)>,
    /// Further lines, such as warnings about the input.
    pub notes: Vec<String>,
}

/// Writes a report as one HTML page that holds its style and pictures, runs no script and loads nothing.
///
/// All text is escaped. A picture that is not plain SVG (one with a script, an event handler or foreign content) is
/// left out, and that is said in its place.
pub fn report_html(r: &Report) -> String {
    let mut out = String::new();
    let title = if r.title.is_empty() {
        "Direction finding report"
    } else {
        &r.title
    };
    let _ = write!(
        out,
        concat!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n",
            "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n",
            "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n",
            "<title>{title}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<h1>{title}</h1>\n"
        ),
        title = escape(title),
        style = STYLE
    );
    if let Some(time) = r.made_utc {
        let _ = writeln!(out, "<p class=\"made\">Made {time} (UTC)</p>");
    }
    write_position(&mut out, r);
    write_figure(&mut out, "Map", r.map_svg.as_deref());
    write_bearings(&mut out, r);
    write_list(&mut out, "Notes", &r.notes);
    for station in &r.stations {
        write_station(&mut out, station);
    }
    write_cautions(&mut out);
    write_settings(&mut out, r);
    out.push_str("</body>\n</html>\n");
    out
}

fn write_position(out: &mut String, r: &Report) {
    let Some(fix) = &r.fix else { return };
    out.push_str("<section class=\"position\">\n");
    let mut lines = human_fix(fix);
    if let Some(found) = fix_of(fix) {
        lines.insert(1, other_forms(found));
    }
    for line in lines {
        let _ = writeln!(out, "<p>{}</p>", escape(&line));
    }
    out.push_str("</section>\n");
}

fn write_figure(out: &mut String, what: &str, svg: Option<&str>) {
    match svg.map(plain_svg) {
        None => {}
        Some(Some(svg)) => {
            let _ = writeln!(out, "<figure aria-label=\"{}\">\n{svg}</figure>", escape(what));
        }
        Some(None) => {
            let _ = writeln!(
                out,
                "<p>{}: left out, since it is not a plain SVG picture.</p>",
                escape(what)
            );
        }
    }
}

/// The picture where it can stand in a page: SVG, with nothing that runs or loads.
fn plain_svg(svg: &str) -> Option<&str> {
    let start = svg.find("<svg")?;
    let picture = &svg[start..];
    let small = picture.to_ascii_lowercase();
    let active = ["<script", "<foreignobject", "<iframe", "javascript:", "<!"];
    let runs = active.iter().any(|word| small.contains(word)) || has_event_handler(&small);
    (!runs && small.trim_end().ends_with("</svg>")).then_some(picture)
}

/// Whether the name of any attribute begins with `on`, as those of event handlers do.
fn has_event_handler(small: &str) -> bool {
    let mut in_tag = false;
    let mut quote = None;
    let mut name = String::new();
    let mut name_ended = false;
    for c in small.chars() {
        if !in_tag {
            in_tag = c == '<';
        } else if quote.is_some() {
            if quote == Some(c) {
                quote = None;
            }
        } else if c == '=' {
            if name.starts_with("on") {
                return true;
            }
            name.clear();
        } else if c.is_ascii_whitespace() || c == '/' {
            name_ended = true;
        } else {
            if name_ended || matches!(c, '"' | '\'' | '>') {
                name.clear();
            }
            name_ended = false;
            match c {
                '"' | '\'' => quote = Some(c),
                '>' => in_tag = false,
                c => name.push(c),
            }
        }
    }
    false
}

fn write_bearings(out: &mut String, r: &Report) {
    if r.bearings.is_empty() {
        return;
    }
    let fix = r.fix.as_ref().and_then(fix_of);
    out.push_str("<h2>Bearings</h2>\n<div class=\"scroll\"><table>\n<thead><tr>");
    for heading in [
        "id",
        "station",
        "bearing",
        "95 % arc, true",
        "class",
        "S/N",
        "kind",
        "doubts",
        "verdict",
    ] {
        let _ = write!(out, "<th>{heading}</th>");
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for outcome in &r.bearings {
        match outcome {
            BearingOutcome::Bearing(bearing) => write_row(out, bearing, verdict_of(fix, &bearing.id)),
            BearingOutcome::NoBearing(none) => {
                let _ = writeln!(
                    out,
                    "<tr><td>{}</td><td>{}</td><td colspan=\"7\">no bearing, because {}</td></tr>",
                    escape(&none.id),
                    escape(&none.station),
                    escape(&none.reason.to_string())
                );
            }
        }
    }
    out.push_str("</tbody>\n</table></div>\n");
}

fn write_row(out: &mut String, bearing: &Bearing, verdict: Option<&BearingVerdict>) {
    let reflected = verdict.is_some_and(|v| v.reflected_probability >= 0.5);
    let class = if reflected { " class=\"reflected\"" } else { "" };
    let mut azimuth = azimuth_with_doubt(bearing.azimuth, bearing.sigma_deg);
    let others = other_modes(bearing);
    if !others.is_empty() {
        let _ = write!(azimuth, ", {others}");
    }
    let snr = bearing
        .snr_db
        .filter(|snr| snr.is_finite())
        .map_or_else(|| "–".to_owned(), |snr| format!("{snr:.0} dB"));
    let cells = [
        bearing.id.clone(),
        bearing.station.clone(),
        azimuth,
        human_arcs(&bearing.arcs95),
        bearing.class.to_string(),
        snr,
        kind_words(bearing.kind).to_owned(),
        flags_line(bearing),
        verdict.map_or_else(|| "–".to_owned(), verdict_words),
    ];
    let _ = write!(out, "<tr{class}>");
    for cell in cells {
        let _ = write!(out, "<td>{}</td>", escape(&cell));
    }
    out.push_str("</tr>\n");
}

fn verdict_words(verdict: &BearingVerdict) -> String {
    let chance = verdict.reflected_probability * 100.0;
    if verdict.reflected_probability >= 0.5 {
        format!("reflection {chance:.0} %")
    } else {
        format!(
            "used, {:+.1}° off (reflection {chance:.0} %)",
            verdict.residual_deg
        )
    }
}

fn write_station(out: &mut String, station: &StationPictures) {
    let _ = writeln!(out, "<h2>{}</h2>", escape(&station.station));
    for note in &station.notes {
        let _ = writeln!(out, "<p>{}</p>", escape(note));
    }
    write_figure(out, "Polar plot", station.polar_svg.as_deref());
    write_figure(out, "Spectrogram", station.spectrogram_svg.as_deref());
}

fn write_list(out: &mut String, heading: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "<h2>{}</h2>\n<ul>", escape(heading));
    for line in lines {
        let _ = writeln!(out, "<li>{}</li>", escape(line));
    }
    out.push_str("</ul>\n");
}

fn write_cautions(out: &mut String) {
    out.push_str("<section class=\"cautions\">\n<h2>Cautions</h2>\n<ul>\n");
    for (what, words) in CAUTIONS {
        let _ = writeln!(out, "<li><strong>{what}</strong> {words}</li>");
    }
    out.push_str(
        "</ul>\n<p>Local law and the conditions of radio licences come before anything said here; where they ask for a licence or a professional, leave the work to those who have it. This program only receives: it transmits nothing and steers no transmitter.</p>\n</section>\n",
    );
}

fn write_settings(out: &mut String, r: &Report) {
    if r.settings.is_empty() && r.version.is_empty() {
        return;
    }
    out.push_str("<h2>Settings</h2>\n<dl>\n");
    let version = [("program".to_owned(), r.version.clone())];
    let shown = version.iter().filter(|(_, value)| !value.is_empty());
    for (name, value) in shown.chain(&r.settings) {
        let _ = writeln!(out, "<dt>{}</dt><dd>{}</dd>", escape(name), escape(value));
    }
    out.push_str("</dl>\n");
}

#[cfg(test)]
mod tests {
    use lobewright_types::ArcDeg;

    use super::*;

    #[test]
    fn pictures_that_run_or_load_are_refused() {
        for good in [
            "<?xml version=\"1.0\"?>\n<svg><text class=\"one\">once = twice</text></svg>\n",
            "<svg class='a onload=b'><text>station on the hill</text></svg>",
        ] {
            assert!(plain_svg(good).is_some(), "{good}");
        }
        for bad in [
            "<svg><SCRIPT>x</SCRIPT></svg>",
            "<svg onload=\"x\"></svg>",
            "<svg><a href='x'onclick ='y'/></svg>",
            "<svg x='>'onload='y'></svg>",
            "<svg><!-- --></svg>",
            "<svg><foreignObject/></svg>",
            "<svg><a href=\"javascript:x\"/></svg>",
            "<svg></svg><p>more</p>",
            "no picture",
        ] {
            assert!(plain_svg(bad).is_none(), "{bad}");
        }
    }

    #[test]
    fn arcs_are_said_in_words() {
        let arc = |from, width_deg| ArcDeg {
            from: lobewright_types::Azimuth::from_degrees(from),
            width_deg,
        };
        assert_eq!(human_arcs(&[arc(350.0, 20.0)]), "350.0° to 10.0°");
        assert_eq!(human_arcs(&[arc(0.0, 360.0)]), "all round");
    }
}
