//! Stations, bearings and the position that follows from them.

mod content;
mod course;
mod furniture;
mod next;
mod panel;
mod view;

use lobewright_types::{ArcDeg, Fix, Mode, Position};

use crate::axes;
use crate::backend;
use crate::canvas::Frame;
use crate::labels::Labels;
use crate::{PlotError, Size};
use view::View;

pub use course::{CaptionedMap, CoursePicture, CourseStep, course, maps};

/// A place from which bearings were taken.
#[derive(Debug, Clone, PartialEq)]
pub struct MapStation {
    /// Its name.
    pub name: String,
    /// Where it stands.
    pub position: Position,
}

/// A bearing to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct MapBearing {
    /// Index into the stations.
    pub station: usize,
    /// Best value, in degrees from true north.
    pub azimuth_true_deg: f64,
    /// Standard deviation.
    pub sigma_deg: f64,
    /// Arcs that hold 95 %.
    pub arcs95: Vec<ArcDeg>,
    /// Length of the line; to the edge of the picture where absent.
    pub length_m: Option<f64>,
    /// Probability that it does not point at the transmitter, 0 to 1.
    pub reflected_probability: f64,
    /// Modes of its density, most probable first; those after the first are drawn thin.
    pub modes: Vec<Mode>,
}

/// A place from which the next bearing may be taken.
#[derive(Debug, Clone, PartialEq)]
pub struct MapNextPlace {
    /// Where it is. The mark on the map has the place's number in the list, from 1.
    pub position: Position,
    /// Its name, where it has one, for the list beside the map.
    pub name: String,
    /// What a bearing from there is worth, in a few words.
    pub worth: String,
}

/// What a map shows.
#[derive(Debug, Clone, PartialEq)]
pub struct MapPicture<'a> {
    /// Width and height.
    pub size: Size,
    /// The title.
    pub title: String,
    /// Stations.
    pub stations: Vec<MapStation>,
    /// Bearings.
    pub bearings: Vec<MapBearing>,
    /// The position, where there is one.
    pub fix: Option<&'a Fix>,
    /// Where the transmitter is, where that is known (simulations and trials).
    pub truth: Option<Position>,
    /// Magnetic declination at the centre, east positive.
    pub declination_deg: Option<f64>,
}

/// Draws a map: true north up at its centre, azimuthal equidistant around it, so that lines and areas hold on both
/// sides of the 180th meridian and near the poles.
///
/// Bearings are geodesics. A bearing with `reflected_probability` of a half or more is dashed and labelled.
///
/// # Errors
/// [`PlotError`] where there is neither a station nor a position, a place is not on earth, or a bearing names a
/// station that is not there.
pub fn map(p: &MapPicture) -> Result<String, PlotError> {
    map_with_next(p, &[])
}

/// Draws [`map`] and, numbered in their order, the places from which the next bearing is best taken, with their lines to
/// the position.
///
/// # Errors
/// As [`map`]; also where such a place is not on earth.
pub fn map_with_next(p: &MapPicture, next: &[MapNextPlace]) -> Result<String, PlotError> {
    let (width, height) = p.size.checked()?;
    check(p)?;
    for (index, place) in next.iter().enumerate() {
        check_place(
            &format!("the position of next place {}", index + 1),
            place.position,
        )?;
    }
    let panel_width = (width * 0.27).clamp(110.0, 300.0);
    let frame = Frame {
        x: 62.0,
        y: 48.0,
        width: width - panel_width - 62.0,
        height: height - 48.0 - 36.0,
    };
    let sheet = backend::sheet(width, height, &p.title);
    let view = View::of(&sheet, p, next, frame);
    axes::title(&mut sheet.borrow_mut(), &p.title, width);
    let mut labels = Labels::new(frame);
    furniture::draw_graticule(&view)?;
    sheet.borrow_mut().begin_clipped(frame, "map");
    next::draw_lines(&view, p, next)?;
    content::draw(&view, p, &mut labels)?;
    next::draw_marks(&view, next, &mut labels);
    let mut canvas = sheet.borrow_mut();
    furniture::draw_scale_bar(&mut canvas, &view, &mut labels);
    content::draw_labels(&mut canvas, &view, p, &mut labels);
    canvas.end_group();
    axes::border(&mut canvas, frame);
    panel::draw(
        &mut canvas,
        p,
        next,
        frame.right() + 18.0,
        panel_width - 34.0,
        height,
    );
    Ok(canvas.finish())
}

fn check(p: &MapPicture) -> Result<(), PlotError> {
    if p.stations.is_empty() && p.fix.is_none() {
        return Err(PlotError::Empty {
            picture: "map",
            missing: "stations and no position",
        });
    }
    for (index, station) in p.stations.iter().enumerate() {
        check_place(
            &format!("the position of station {index} `{}`", station.name),
            station.position,
        )?;
    }
    if let Some(fix) = p.fix {
        check_place("the position of the fix", fix.position)?;
    }
    if let Some(truth) = p.truth {
        check_place("the true position", truth)?;
    }
    let count = p.stations.len();
    match p.bearings.iter().enumerate().find(|(_, b)| b.station >= count) {
        Some((bearing, b)) => Err(PlotError::NoSuchStation {
            bearing,
            station: b.station,
            count,
        }),
        None => Ok(()),
    }
}

fn check_place(field: &str, place: Position) -> Result<(), PlotError> {
    if !on_earth(place) {
        let found = if (-90.0..=90.0).contains(&place.lat_deg) {
            place.lon_deg
        } else {
            place.lat_deg
        };
        return Err(PlotError::NotFinite {
            field: format!("{field} (latitude -90 to 90, longitude -180 to 360)"),
            found,
        });
    }
    Ok(())
}

/// Whether a place can be drawn.
fn on_earth(place: Position) -> bool {
    (-90.0..=90.0).contains(&place.lat_deg) && (-180.0..=360.0).contains(&place.lon_deg)
}

/// Whether a bearing was judged to point elsewhere.
fn is_reflected(bearing: &MapBearing) -> bool {
    bearing.reflected_probability >= 0.5
}
