//! KML 2.2 (OGC 07-147r2), for earth viewers.

use std::fmt::Write;

use lobewright_types::{Bearing, BearingOutcome, Fix, FixOutcome, PolygonDeg, Position, Region};

use crate::geo::{
    CutPolygon, GeoOptions, bearing_line, cut_polygons, ellipse_ring, fix_of, found, line_length_m, on_earth,
    stations, verdict_of,
};
use crate::words::{human_bearing_line, human_fix_in};

/// Colours are alpha, blue, green, red. No style names an icon: that would need the network.
const STYLES: [(&str, &str); 8] = [
    (
        "region95",
        "<LineStyle><color>ff6c7d2f</color><width>1.5</width></LineStyle><PolyStyle><color>50a1b35f</color></PolyStyle>",
    ),
    (
        "region50",
        "<LineStyle><color>ff6c7d2f</color><width>2.5</width></LineStyle><PolyStyle><color>90a1b35f</color></PolyStyle>",
    ),
    (
        "ellipse",
        "<LineStyle><color>ff2b88e0</color><width>2</width></LineStyle><PolyStyle><fill>0</fill></PolyStyle>",
    ),
    (
        "fix",
        "<IconStyle><color>ff1e26b3</color><scale>1.3</scale></IconStyle>",
    ),
    (
        "mode",
        "<IconStyle><color>ff6f7bd8</color><scale>0.9</scale></IconStyle>",
    ),
    (
        "station",
        "<IconStyle><color>ff7d4714</color><scale>1</scale></IconStyle>",
    ),
    (
        "bearing",
        "<LineStyle><color>ff7d4714</color><width>2.5</width></LineStyle>",
    ),
    (
        "reflected",
        "<LineStyle><color>ff6f3da1</color><width>1.5</width></LineStyle>",
    ),
];

/// Writes a position with its regions, and the stations and bearings it rests on, as one KML document.
///
/// Folders: position, stations, bearings. Coordinates are longitude, latitude; nothing crosses the 180th meridian;
/// lines and areas lie on the ground. Elements stand in the order of the standard's schema.
pub fn fix_kml(fix: &FixOutcome, bearings: &[BearingOutcome], options: &GeoOptions) -> String {
    let name = if options.title.is_empty() {
        "Transmitter position"
    } else {
        &options.title
    };
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    out.push_str("<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n<Document>\n");
    let _ = writeln!(out, "<name>{}</name>\n<open>1</open>", escape(name));
    let _ = writeln!(
        out,
        "<description>{}</description>",
        escape(&human_fix_in(fix, options.coordinates).join("\n"))
    );
    for (id, style) in STYLES {
        let _ = writeln!(out, "<Style id=\"{id}\">{style}</Style>");
    }
    let found_fix = fix_of(fix);
    let mut positions = found_fix
        .map(|fix| fix_placemarks(fix, options))
        .unwrap_or_default();
    if let Some(truth) = options.truth.filter(|place| on_earth(*place)) {
        positions.push(placemark("Transmitter (known)", "", "fix", "", &point(truth)));
    }
    folder(&mut out, "Position", &positions);
    let stations: Vec<String> = stations(bearings)
        .into_iter()
        .map(|(name, place)| placemark(name, "", "station", "", &point(place)))
        .collect();
    folder(&mut out, "Stations", &stations);
    let lines: Vec<String> = found(bearings)
        .filter_map(|bearing| bearing_placemark(bearing, found_fix, options))
        .collect();
    folder(&mut out, "Bearings", &lines);
    out.push_str("</Document>\n</kml>\n");
    out
}

fn folder(out: &mut String, name: &str, placemarks: &[String]) {
    if placemarks.is_empty() {
        return;
    }
    let _ = writeln!(out, "<Folder>\n<name>{name}</name>");
    for placemark in placemarks {
        out.push_str(placemark);
    }
    out.push_str("</Folder>\n");
}

/// One placemark, its elements in the order of the schema; `extra` stands between `description` and `styleUrl`.
fn placemark(name: &str, description: &str, style: &str, extra: &str, geometry: &str) -> String {
    let description = if description.is_empty() {
        String::new()
    } else {
        format!("<description>{}</description>\n", escape(description))
    };
    format!(
        "<Placemark>\n<name>{}</name>\n{description}{extra}<styleUrl>#{style}</styleUrl>\n{geometry}</Placemark>\n",
        escape(name)
    )
}

fn fix_placemarks(fix: &Fix, options: &GeoOptions) -> Vec<String> {
    let mut placemarks = Vec::new();
    if on_earth(fix.position) {
        let words = human_fix_in(&FixOutcome::Fix(Box::new(fix.clone())), options.coordinates).join("\n");
        placemarks.push(placemark(
            "Most probable position",
            &words,
            "fix",
            "",
            &point(fix.position),
        ));
    }
    for mode in fix.modes.iter().skip(1).filter(|mode| on_earth(mode.position)) {
        let name = format!("Other position, {:.0} %", mode.probability * 100.0);
        placemarks.push(placemark(&name, "", "mode", "", &point(mode.position)));
    }
    placemarks.extend(region_placemark(&fix.region50, "region50"));
    placemarks.extend(region_placemark(&fix.region95, "region95"));
    if let Some(ellipse) = &fix.ellipse95 {
        let polygon = PolygonDeg {
            outer: ellipse_ring(ellipse),
            holes: Vec::new(),
        };
        let name = format!("{:.0} % error ellipse", ellipse.probability * 100.0);
        placemarks.extend(multi_polygon(&[polygon]).map(|g| placemark(&name, "", "ellipse", "", &g)));
    }
    placemarks
}

fn region_placemark(region: &Region, style: &str) -> Option<String> {
    let name = format!("{:.0} % region", region.probability * 100.0);
    let words = format!("area {} km²", region.area_km2);
    multi_polygon(&region.polygons).map(|geometry| placemark(&name, &words, style, "", &geometry))
}

fn bearing_placemark(bearing: &Bearing, fix: Option<&Fix>, options: &GeoOptions) -> Option<String> {
    let verdict = verdict_of(fix, &bearing.id);
    let lines: Vec<String> = bearing_line(bearing, line_length_m(options, verdict))
        .iter()
        .map(|part| {
            let places: Vec<(f64, f64)> = part.iter().map(|p| (p.lon_deg, p.lat_deg)).collect();
            format!(
                "<LineString><tessellate>1</tessellate><coordinates>{}</coordinates></LineString>\n",
                coordinates(&places)
            )
        })
        .collect();
    let geometry = match lines.as_slice() {
        [] => return None,
        [line] => line.clone(),
        _ => format!("<MultiGeometry>\n{}</MultiGeometry>\n", lines.concat()),
    };
    let reflected = verdict.filter(|v| v.reflected_probability >= 0.5);
    let mut words = human_bearing_line(&BearingOutcome::Bearing(Box::new(bearing.clone())));
    if let Some(verdict) = reflected {
        let _ = write!(
            words,
            "\nreflection {:.0} %",
            verdict.reflected_probability * 100.0
        );
    }
    let time = bearing.time_utc.map_or_else(String::new, |time| {
        format!("<TimeStamp><when>{time}</when></TimeStamp>\n")
    });
    let style = if reflected.is_some() {
        "reflected"
    } else {
        "bearing"
    };
    let name = format!("{} {}", bearing.station, bearing.id);
    Some(placemark(&name, &words, style, &time, &geometry))
}

fn point(place: Position) -> String {
    format!(
        "<Point><coordinates>{}</coordinates></Point>\n",
        coordinates(&[(place.lon_deg, place.lat_deg)])
    )
}

fn multi_polygon(polygons: &[PolygonDeg]) -> Option<String> {
    let ring = |ring: &[(f64, f64)]| {
        format!(
            "<LinearRing><coordinates>{}</coordinates></LinearRing>",
            coordinates(ring)
        )
    };
    let parts: Vec<String> = cut_polygons(polygons)
        .iter()
        .map(|CutPolygon { outer, holes }| {
            let holes: Vec<String> = holes
                .iter()
                .map(|hole| format!("<innerBoundaryIs>{}</innerBoundaryIs>", ring(hole)))
                .collect();
            format!(
                "<Polygon><tessellate>1</tessellate><outerBoundaryIs>{}</outerBoundaryIs>{}</Polygon>\n",
                ring(outer),
                holes.concat()
            )
        })
        .collect();
    (!parts.is_empty()).then(|| format!("<MultiGeometry>\n{}</MultiGeometry>\n", parts.concat()))
}

/// Longitude, latitude pairs to 1e-7 degrees, separated by blanks.
fn coordinates(places: &[(f64, f64)]) -> String {
    let words: Vec<String> = places
        .iter()
        .map(|(lon, lat)| format!("{lon:.7},{lat:.7}"))
        .collect();
    words.join(" ")
}

/// Text as XML content; characters that XML 1.0 does not allow are dropped.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            c if c < ' ' || c == '\u{fffe}' || c == '\u{ffff}' => {}
            c => out.push(c),
        }
    }
    out
}
