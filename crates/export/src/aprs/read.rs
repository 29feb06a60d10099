//! APRS reports as bearings.

use std::fmt;
use std::io::Read;

use lobewright_types::{Azimuth, Bearing, BearingClass, BearingKind, CircleDensity, Position};

use super::{DF_SYMBOL, QUALITY_DEG};

/// Standard deviation in degrees where number 0 says that the quality means nothing: a direction, hardly more (this project's choice).
const UNKNOWN_SIGMA_DEG: f64 = 30.0;
/// No bearing has a larger one.
const MAX_SIGMA_DEG: f64 = 90.0;
/// Standard deviation of a satellite position beyond the digits that the report has (common practice, no source).
const POSITION_SIGMA_M: f64 = 10.0;
/// Metres of a minute of latitude.
const MINUTE_M: f64 = 1_852.0;
/// Standard deviations within which a normal distribution has 95 % (any table of it).
const TWO_SIDED_95: f64 = 1.959_964;

/// Why reports were refused.
#[derive(Debug, thiserror::Error)]
pub enum AprsError {
    /// The input could not be read.
    #[error("cannot read APRS reports `{name}`")]
    Io {
        /// The input's name.
        name: String,
        /// Why.
        source: std::io::Error,
    },
    /// A line that is no APRS.
    #[error(
        "`{name}` line {line}: `{found}` is no APRS report; a direction-finding report is such as `=4903.50N/07201.75W\\088/036/270/729`, with `CALL>PATH:` before it or without"
    )]
    NoReport {
        /// The input's name.
        name: String,
        /// Line, from 1.
        line: usize,
        /// What was found.
        found: String,
    },
    /// A part of a report that is wrong.
    #[error("`{name}` line {line}: {field} is `{found}`; it must be {wanted}")]
    Field {
        /// The input's name.
        name: String,
        /// Line, from 1.
        line: usize,
        /// Which part.
        field: &'static str,
        /// What was found.
        found: String,
        /// What would be right.
        wanted: &'static str,
    },
}

/// What was left out or taken with a doubt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AprsWarning {
    /// Reports that are APRS but carry no bearing.
    PassedOver {
        /// How many.
        count: usize,
    },
    /// Quality 0: the sender calls the bearing useless, and it was left out.
    Useless {
        /// Line, from 1.
        line: usize,
        /// Who sent it.
        station: String,
    },
    /// Number 0: the quality means nothing.
    NoQuality {
        /// Line, from 1.
        line: usize,
        /// Who sent it.
        station: String,
    },
    /// The station was on the move, and senders differ in what they count a bearing from then.
    Moving {
        /// Line, from 1.
        line: usize,
        /// Who sent it.
        station: String,
        /// Its course in degrees.
        course_deg: u16,
    },
}

impl fmt::Display for AprsWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PassedOver { count } => {
                write!(f, "{count} APRS lines carry no bearing and were passed over")
            }
            Self::Useless { line, station } => write!(
                f,
                "line {line}: `{station}` calls its bearing useless (quality 0); it was left out"
            ),
            Self::NoQuality { line, station } => write!(
                f,
                "line {line}: `{station}` states no quality (number 0); its bearing was taken with {UNKNOWN_SIGMA_DEG:.0}° (1σ)"
            ),
            Self::Moving {
                line,
                station,
                course_deg,
            } => write!(
                f,
                "line {line}: `{station}` was moving (course {course_deg}°); its bearing was taken as counted from true north, which is wrong if it was counted from the course"
            ),
        }
    }
}

/// Reads the bearings out of APRS reports, one a line.
///
/// # Inputs
/// Lines as a packet monitor shows them (`CALL>PATH:information`) or the information alone; `name` is the input's name in messages and in the
/// bearings' identities (`name:line`). Blank lines and lines that start with `#` are passed over, and so is, counted, everything that is APRS but no
/// direction-finding report (symbol `/\` with bearing and number/range/quality).
///
/// # Result
/// Bearings of kind `Remote`, in order, and doubts. The station is the sender's callsign, else the comment. The standard deviation
/// is the quality's degrees over 1.96 and the rounding to whole degrees; 30 degrees where number 0 says that the quality means nothing; quality 0 is
/// left out. Blanks in a position (its ambiguity) make it the middle of what they leave open, with that much more doubt. The time is not
/// kept: it has no month.
///
/// # Errors
/// [`AprsError`], which names the line and the part, and what would be right.
///
/// # Method
/// APRS Protocol Reference 1.0.1 (2000), chapters 6 to 8. What it leaves open: see the module's head.
///
/// # Example
/// ```
/// let (bearings, warnings) =
///     lobewright_export::read_aprs_bearings(r"W1ABC>APRS:=4903.50N/07201.75W\000/000/270/729".as_bytes(), "heard.aprs")?;
/// assert_eq!((bearings[0].station.as_str(), bearings[0].azimuth.degrees()), ("W1ABC", 270.0));
/// assert!(warnings.is_empty() && bearings[0].sigma_deg < 1.0);
/// # Ok::<(), lobewright_export::AprsError>(())
/// ```
pub fn read_aprs_bearings(
    mut reader: impl Read,
    name: &str,
) -> Result<(Vec<Bearing>, Vec<AprsWarning>), AprsError> {
    let mut bytes = Vec::new();
    reader.read_to_end(&mut bytes).map_err(|source| AprsError::Io {
        name: name.to_owned(),
        source,
    })?;
    let (mut bearings, mut warnings, mut passed_over) = (Vec::new(), Vec::new(), 0);
    for (index, line) in bytes.split(|&b| b == b'\n').enumerate() {
        // Comments may hold bytes of any code; blanks at the end may be part of a field.
        let text = String::from_utf8_lossy(line.strip_suffix(b"\r").unwrap_or(line));
        if text.trim().is_empty() || text.starts_with('#') {
            continue;
        }
        let at = At {
            name,
            line: index + 1,
            text: &text,
        };
        match at.report()? {
            Some(report) => bearings.extend(report.bearing(&at, &mut warnings)),
            None => passed_over += 1,
        }
    }
    if passed_over > 0 {
        warnings.push(AprsWarning::PassedOver { count: passed_over });
    }
    Ok((bearings, warnings))
}

/// A line and where it stands.
struct At<'a> {
    name: &'a str,
    line: usize,
    text: &'a str,
}

/// The parts of a direction-finding report.
struct Report {
    station: Option<String>,
    position: Position,
    position_sigma_m: f64,
    course_deg: Option<u16>,
    bearing_deg: u16,
    number: u8,
    quality: u8,
}

impl At<'_> {
    /// The report, or nothing where the line is APRS of another kind.
    fn report(&self) -> Result<Option<Report>, AprsError> {
        let (source, information) = self.header();
        let rest = match information.chars().next() {
            Some('!' | '=') => &information[1..],
            // Day, hour and minute, or hour, minute and second.
            Some('/' | '@') => match information.get(1..8) {
                Some(time) if is_time(time) => &information[8..],
                _ => {
                    return Err(self.wrong(
                        "the time",
                        information.get(1..).unwrap_or("").chars().take(7).collect(),
                        "six figures and `z`, `/` or `h`",
                    ));
                }
            },
            _ if source.is_some() => return Ok(None),
            _ => {
                return Err(AprsError::NoReport {
                    name: self.name.to_owned(),
                    line: self.line,
                    found: self.text.chars().take(60).collect(),
                });
            }
        };
        let bytes = rest.as_bytes();
        // A compressed position begins with the symbol table, which is no figure.
        if !bytes.first().is_some_and(|b| b.is_ascii_digit() || *b == b' ') {
            return Ok(None);
        }
        if bytes.get(8).copied() != Some(DF_SYMBOL.0) || bytes.get(18).copied() != Some(DF_SYMBOL.1) {
            return if bytes.len() < 19 || !rest.is_char_boundary(19) {
                Err(self.wrong("the position", rest.chars().take(19).collect(), POSITION_SHAPE))
            } else {
                Ok(None)
            };
        }
        self.fields(source, rest).map(Some)
    }

    /// Sender and information.
    fn header(&self) -> (Option<String>, &str) {
        let Some((head, information)) = self.text.split_once(':') else {
            return (None, self.text);
        };
        match head.split_once('>') {
            Some((source, _))
                if !source.is_empty() && source.len() <= 9 && source.bytes().all(is_callsign) =>
            {
                (Some(source.to_owned()), information)
            }
            _ => (None, self.text),
        }
    }

    fn fields(&self, source: Option<String>, rest: &str) -> Result<Report, AprsError> {
        let part = |range: std::ops::Range<usize>| rest.get(range).unwrap_or("");
        let (lat_deg, lat_half_deg) = self.angle("the latitude", part(0..8), 2, ['N', 'S'])?;
        let (lon_deg, lon_half_deg) = self.angle("the longitude", part(9..18), 3, ['E', 'W'])?;
        let position = Position::from_lat_lon(lat_deg, lon_deg)
            .ok()
            .filter(|_| lon_deg <= 180.0)
            .ok_or_else(|| {
                self.wrong(
                    "the position",
                    part(0..18).to_owned(),
                    "at most 90 and 180 degrees",
                )
            })?;
        let extension = part(19..34);
        let bytes = extension.as_bytes();
        if bytes.len() < 15 || bytes[3] != b'/' || bytes[7] != b'/' || bytes[11] != b'/' {
            return Err(self.wrong(
                "course, speed, bearing and number/range/quality",
                rest.get(19..).unwrap_or("").chars().take(15).collect(),
                "such as `088/036/270/729`, or `000/000/270/729` for a station that stands",
            ));
        }
        let course_deg = match &extension[..3] {
            "..." | "   " => None,
            text => Some(self.degrees("the course", text)?),
        };
        let digit = |index: usize| bytes.get(index).filter(|b| b.is_ascii_digit()).map(|b| b - b'0');
        let (Some(number), Some(_range), Some(quality)) = (digit(12), digit(13), digit(14)) else {
            return Err(self.wrong(
                "number/range/quality",
                extension[12..].to_owned(),
                "three figures",
            ));
        };
        let comment = rest.get(34..).unwrap_or("").trim();
        let half_m = MINUTE_M * 60.0 * lat_half_deg.hypot(lon_half_deg * lat_deg.to_radians().cos());
        Ok(Report {
            station: source.or_else(|| (!comment.is_empty()).then(|| comment.to_owned())),
            position,
            // Half the cell: uniform in it on each axis, root mean square of both.
            position_sigma_m: POSITION_SIGMA_M.hypot(half_m / 6.0_f64.sqrt()),
            course_deg: course_deg.filter(|&course| course != 0),
            bearing_deg: self.degrees("the bearing", &extension[8..11])?,
            number,
            quality,
        })
    }

    /// Degrees and half of what the blanks leave open.
    fn angle(
        &self,
        field: &'static str,
        text: &str,
        degree_figures: usize,
        sides: [char; 2],
    ) -> Result<(f64, f64), AprsError> {
        let wrong = || self.wrong(field, text.to_owned(), POSITION_SHAPE);
        let bytes = text.as_bytes();
        let (Some(&side), Some(figures)) = (bytes.last(), text.get(..text.len().saturating_sub(1))) else {
            return Err(wrong());
        };
        let minus = match char::from(side) {
            c if c == sides[0] => false,
            c if c == sides[1] => true,
            _ => return Err(wrong()),
        };
        if figures.as_bytes().get(degree_figures + 2) != Some(&b'.') {
            return Err(wrong());
        }
        let figures: String = figures.replacen('.', "", 1);
        // Blanks may only stand at the end, and not for degrees.
        let known = figures.trim_end_matches(' ');
        let open = figures.len() - known.len();
        let all_figures = known.bytes().all(|b| b.is_ascii_digit());
        if figures.len() != degree_figures + 4 || open > 4 || !all_figures {
            return Err(wrong());
        }
        let filled: f64 = format!("{known}{}", "0".repeat(open))
            .parse()
            .map_err(|_| wrong())?;
        let degrees = (filled / 10_000.0).floor();
        let minutes = (filled - 10_000.0 * degrees) / 100.0;
        if minutes >= 60.0 {
            return Err(wrong());
        }
        // Hundredths, tenths, minutes, tens of minutes, a degree.
        let unit_minutes = [0.01, 0.1, 1.0, 10.0, 60.0][open];
        // All figures: the place is rounded. Blanks: it lies somewhere in what they leave open.
        let middle = if open > 0 { unit_minutes / 2.0 } else { 0.0 };
        let deg = degrees + (minutes + middle) / 60.0;
        Ok((if minus { -deg } else { deg }, unit_minutes / 120.0))
    }

    fn degrees(&self, field: &'static str, text: &str) -> Result<u16, AprsError> {
        let all_figures = text.bytes().all(|b| b.is_ascii_digit());
        text.parse()
            .ok()
            .filter(|deg| all_figures && *deg <= 360)
            .ok_or_else(|| self.wrong(field, text.to_owned(), "three figures from 000 to 360"))
    }

    fn wrong(&self, field: &'static str, found: String, wanted: &'static str) -> AprsError {
        AprsError::Field {
            name: self.name.to_owned(),
            line: self.line,
            field,
            found,
            wanted,
        }
    }
}

const POSITION_SHAPE: &str =
    "degrees and minutes with hundredths, symbol table and symbol, such as `4903.50N/07201.75W\\`";

fn is_callsign(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'-'
}

fn is_time(text: &str) -> bool {
    let (figures, zone) = text.as_bytes().split_at(6);
    figures.iter().all(u8::is_ascii_digit) && matches!(zone, [b'z' | b'/' | b'h'])
}

impl Report {
    fn bearing(self, at: &At<'_>, warnings: &mut Vec<AprsWarning>) -> Option<Bearing> {
        let line = at.line;
        let id = format!("{}:{line}", at.name);
        let station = self.station.unwrap_or_else(|| id.clone());
        let quality_deg = usize::from(self.quality)
            .checked_sub(1)
            .and_then(|index| QUALITY_DEG.get(index).copied());
        let sigma_deg = match (self.number, quality_deg) {
            (0, _) => {
                warnings.push(AprsWarning::NoQuality {
                    line,
                    station: station.clone(),
                });
                UNKNOWN_SIGMA_DEG
            }
            (_, None) => {
                warnings.push(AprsWarning::Useless { line, station });
                return None;
            }
            // A whole number of degrees is off by up to half of one.
            (_, Some(deg)) => (deg / TWO_SIDED_95)
                .hypot(1.0 / 12.0_f64.sqrt())
                .min(MAX_SIGMA_DEG),
        };
        if let Some(course_deg) = self.course_deg {
            warnings.push(AprsWarning::Moving {
                line,
                station: station.clone(),
                course_deg,
            });
        }
        let azimuth = Azimuth::from_degrees(f64::from(self.bearing_deg));
        let density = CircleDensity::normal(azimuth, sigma_deg);
        Some(Bearing {
            id,
            station,
            compass: None,
            transmitter: None,
            time_utc: None,
            position: self.position,
            position_sigma_m: self.position_sigma_m,
            kind: BearingKind::Remote,
            azimuth,
            sigma_deg,
            heading_sigma_deg: 0.0,
            modes: density.modes(0.05),
            arcs50: density.highest_density_arcs(0.5),
            arcs95: density.highest_density_arcs(0.95),
            class: BearingClass::of(&density, azimuth),
            density,
            level: None,
            snr_db: None,
            frequency_hz: None,
            readings: 0,
            bursts: 0,
            fitted: None,
            flags: Vec::new(),
        })
    }
}
