//! Latitude and longitude in degrees, minutes and seconds.

use lobewright_types::Position;

use crate::coordinates::{CoordinateError, CoordinateForm, plain_number};

const LATITUDE: &str = "latitude";
const LONGITUDE: &str = "longitude";

/// A latitude and a longitude as they were written.
pub(crate) struct Pair {
    pub(crate) lat_deg: f64,
    pub(crate) lon_deg: f64,
    /// Half a unit of the last digit.
    pub(crate) half_lat_deg: f64,
    pub(crate) half_lon_deg: f64,
    pub(crate) form: CoordinateForm,
}

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Number(String),
    /// Whether it is a minus.
    Sign(bool),
    /// N, S, E or W.
    Hemisphere(char),
    /// What the number before it counts: 0 degrees, 1 minutes, 2 seconds.
    Mark(usize),
    Colon,
    Comma,
}

/// Reads two angles.
pub(crate) fn parse(text: &str) -> Result<Pair, CoordinateError> {
    let tokens = tokens(text)?;
    let (first, second) = halves(text, &tokens)?;
    let (first, second) = (angle(text, first)?, angle(text, second)?);
    let (lat, lon) = match (first.axis, second.axis) {
        (Some(a), Some(b)) if a == b => {
            return Err(unknown(
                text,
                "both hemisphere letters are of the same axis; one must be N or S, the other E or W",
            ));
        }
        (Some(LONGITUDE), _) => (second, first),
        _ => (first, second),
    };
    lat.check(text, LATITUDE)?;
    lon.check(text, LONGITUDE)?;
    Ok(Pair {
        lat_deg: lat.deg,
        lon_deg: lon.deg,
        half_lat_deg: lat.half_unit_deg,
        half_lon_deg: lon.half_unit_deg,
        form: match lat.parts.max(lon.parts) {
            1 => CoordinateForm::Decimal,
            2 => CoordinateForm::Minutes,
            _ => CoordinateForm::Seconds,
        },
    })
}

fn unknown(text: &str, wrong: &'static str) -> CoordinateError {
    CoordinateError::Unknown {
        found: text.to_owned(),
        wrong,
    }
}

fn tokens(text: &str) -> Result<Vec<Token>, CoordinateError> {
    let mut tokens = Vec::new();
    let mut word = String::new();
    let mut number = String::new();
    for c in text.chars().chain([' ']) {
        // The masculine ordinal and the ring look like a degree sign, and phones write them.
        let c = if matches!(c, 'º' | '˚') { '°' } else { c };
        if !(c.is_ascii_digit() || c == '.' || number.is_empty()) {
            tokens.push(Token::Number(std::mem::take(&mut number)));
        }
        if !c.is_alphabetic() && !word.is_empty() {
            tokens.push(of_word(text, &word)?);
            word.clear();
        }
        match c {
            _ if c.is_whitespace() => {}
            _ if c.is_ascii_digit() || c == '.' => number.push(c),
            _ if c.is_alphabetic() => word.extend(c.to_uppercase()),
            '-' | '−' => tokens.push(Token::Sign(true)),
            '+' => tokens.push(Token::Sign(false)),
            '°' => tokens.push(Token::Mark(0)),
            // Two of them are seconds.
            '\'' | '′' | '’' | '´' => match tokens.last_mut() {
                Some(Token::Mark(mark)) if *mark == 1 => *mark = 2,
                _ => tokens.push(Token::Mark(1)),
            },
            '"' | '″' | '”' => tokens.push(Token::Mark(2)),
            ':' => tokens.push(Token::Colon),
            ',' | ';' => tokens.push(Token::Comma),
            _ => {
                return Err(unknown(
                    text,
                    "it has a character that no coordinates have; write them such as `41 18.0 S, 174 06.0 E`",
                ));
            }
        }
    }
    Ok(tokens)
}

fn of_word(text: &str, word: &str) -> Result<Token, CoordinateError> {
    Ok(match word {
        "N" | "NORTH" => Token::Hemisphere('N'),
        "S" | "SOUTH" => Token::Hemisphere('S'),
        "E" | "EAST" => Token::Hemisphere('E'),
        "W" | "WEST" => Token::Hemisphere('W'),
        "D" | "DEG" => Token::Mark(0),
        "M" | "MIN" => Token::Mark(1),
        "SEC" => Token::Mark(2),
        _ => {
            return Err(unknown(
                text,
                "it has the form of no latitude and longitude, UTM, MGRS or locator; write it such as `-41.3, 174.1`, `41 18.0 S 174 06.0 E`, `60 south 257201 5423882`, `60G TV 57201 23881` or `RE78br`",
            ));
        }
    })
}

/// The tokens of the first angle and those of the second.
fn halves<'a>(text: &str, tokens: &'a [Token]) -> Result<(&'a [Token], &'a [Token]), CoordinateError> {
    let at = |wanted: fn(&Token) -> bool| -> Vec<usize> {
        tokens
            .iter()
            .enumerate()
            .filter(|(_, token)| wanted(token))
            .map(|(i, _)| i)
            .collect()
    };
    let commas = at(|t| *t == Token::Comma);
    let letters = at(|t| matches!(t, Token::Hemisphere(_)));
    let numbers = at(|t| matches!(t, Token::Number(_)));
    if letters.len() == 1 {
        return Err(unknown(
            text,
            "only one hemisphere letter was found; give both, or none and minus signs for south and west",
        ));
    }
    if letters.len() > 2 {
        return Err(unknown(
            text,
            "more than two hemisphere letters were found; write the marks of seconds as \" and not as s",
        ));
    }
    if commas.len() > 1 {
        return Err(unknown(
            text,
            "it has more than one comma; write a decimal point, not a decimal comma, and one comma between latitude and longitude",
        ));
    }
    let split = match (commas.as_slice(), letters.as_slice()) {
        (&[comma], _) => return Ok((&tokens[..comma], &tokens[comma + 1..])),
        (_, &[0, second]) => second,
        (_, &[first, _]) => first + 1,
        _ => split_without_letters(text, tokens, &numbers)?,
    };
    Ok(tokens.split_at(split))
}

/// Where the second angle begins: at the second degree mark's number, or after half of the numbers.
fn split_without_letters(text: &str, tokens: &[Token], numbers: &[usize]) -> Result<usize, CoordinateError> {
    let marked: Vec<usize> = numbers
        .iter()
        .copied()
        .filter(|&i| tokens.get(i + 1) == Some(&Token::Mark(0)))
        .collect();
    let number = match (marked.as_slice(), numbers.len()) {
        (&[_, second], _) => second,
        (_, 2 | 4 | 6) => numbers[numbers.len() / 2],
        (_, 0 | 1) => {
            return Err(unknown(
                text,
                "a latitude and a longitude are needed; write them such as `-41.3, 174.1`",
            ));
        }
        _ => {
            return Err(unknown(
                text,
                "it cannot be told where the latitude ends; put a comma after it, or hemisphere letters",
            ));
        }
    };
    let signed = number > 0 && matches!(tokens[number - 1], Token::Sign(_));
    Ok(if signed { number - 1 } else { number })
}

struct Angle {
    deg: f64,
    half_unit_deg: f64,
    /// What the hemisphere letter says, if there is one.
    axis: Option<&'static str>,
    parts: usize,
}

impl Angle {
    fn check(&self, text: &str, axis: &'static str) -> Result<(), CoordinateError> {
        let good = match axis {
            LATITUDE => self.deg.abs() <= 90.0,
            // From 180 to 360 only without a letter, as in tables that count round the earth.
            _ if self.axis.is_none() => (-180.0..=360.0).contains(&self.deg),
            _ => self.deg.abs() <= 180.0,
        };
        if good {
            return Ok(());
        }
        let wrong = match axis {
            _ if self.deg.abs() > 360.0 => {
                "degrees are larger than any angle; where degrees and minutes are run together, write them apart, such as `41 18.5 S`"
            }
            LATITUDE => {
                "a latitude is from -90 to 90 degrees and stands first where there are no hemisphere letters"
            }
            _ => "a longitude is from -180 to 180 degrees, or 0 to 360 without a hemisphere letter",
        };
        Err(CoordinateError::Angle {
            found: text.to_owned(),
            axis,
            wrong,
        })
    }
}

fn angle(text: &str, tokens: &[Token]) -> Result<Angle, CoordinateError> {
    let (letter, tokens) = match tokens {
        [Token::Hemisphere(letter), rest @ ..] | [rest @ .., Token::Hemisphere(letter)] => {
            (Some(*letter), rest)
        }
        _ => (None, tokens),
    };
    let (sign, tokens) = match tokens {
        [Token::Sign(minus), rest @ ..] => (Some(*minus), rest),
        _ => (None, tokens),
    };
    if letter.is_some() && sign.is_some() {
        return Err(unknown(
            text,
            "it has a sign and a hemisphere letter for one angle; give one of them",
        ));
    }
    let parts = parts(text, tokens)?;
    let (mut deg, mut half_unit_deg) = (0.0, 0.0);
    let mut unit = 1.0;
    for (i, part) in parts.iter().enumerate() {
        let Some(number) = plain_number(part) else {
            return Err(unknown(text, "a number has more than one point, or no figure"));
        };
        if i > 0 && number.value >= 60.0 {
            return Err(unknown(text, "minutes and seconds must be below 60"));
        }
        if i + 1 < parts.len() && part.contains('.') {
            return Err(unknown(
                text,
                "only the last part of an angle may have decimals; write `41 18.5` or `41.3083`, not `41.3 18.5`",
            ));
        }
        deg += number.value / unit;
        half_unit_deg = number.half_unit / unit;
        unit *= 60.0;
    }
    let south_or_west = letter.map_or(sign == Some(true), |l| matches!(l, 'S' | 'W'));
    Ok(Angle {
        deg: if south_or_west { -deg } else { deg },
        half_unit_deg,
        axis: letter.map(|l| {
            if matches!(l, 'N' | 'S') {
                LATITUDE
            } else {
                LONGITUDE
            }
        }),
        parts: parts.len(),
    })
}

/// The numbers of an angle, their marks checked.
fn parts<'a>(text: &str, tokens: &'a [Token]) -> Result<Vec<&'a str>, CoordinateError> {
    let mut parts: Vec<&str> = Vec::new();
    let mut before: Option<&Token> = None;
    for token in tokens {
        match token {
            Token::Number(number) => parts.push(number),
            Token::Mark(mark) if matches!(before, Some(Token::Number(_))) && parts.len() == mark + 1 => {}
            Token::Colon if matches!(before, Some(Token::Number(_))) => {}
            _ => {
                return Err(unknown(
                    text,
                    "signs, marks and letters stand in an order that no angle has; write it such as `41° 18' 30\" S, 174° 06' 00\" E`",
                ));
            }
        }
        before = Some(token);
    }
    match parts.len() {
        1..=3 => Ok(parts),
        0 => Err(unknown(
            text,
            "a latitude and a longitude are needed; write them such as `-41.3, 174.1`",
        )),
        _ => Err(unknown(
            text,
            "an angle has at most three numbers: degrees, minutes and seconds",
        )),
    }
}

/// Degrees and minutes with hemisphere letters.
pub(crate) fn minutes(position: Position, digits: usize) -> String {
    written(position, |deg| {
        let unit = 10_f64.powi(i32::try_from(digits).unwrap_or(0));
        // Rounded before it is taken apart, so that 59.99 minutes become a degree and not 60.0 minutes.
        let all = (deg * 60.0 * unit).round();
        let whole = (all / (60.0 * unit)).floor();
        let minutes = (all - whole * 60.0 * unit) / unit;
        format!("{whole:02.0}° {minutes:0width$.digits$}'", width = width(digits))
    })
}

/// Degrees, minutes and seconds with hemisphere letters.
pub(crate) fn seconds(position: Position, digits: usize) -> String {
    written(position, |deg| {
        let unit = 10_f64.powi(i32::try_from(digits).unwrap_or(0));
        let all = (deg * 3600.0 * unit).round();
        let whole = (all / (3600.0 * unit)).floor();
        let rest = all - whole * 3600.0 * unit;
        let minutes = (rest / (60.0 * unit)).floor();
        let seconds = (rest - minutes * 60.0 * unit) / unit;
        format!(
            "{whole:02.0}° {minutes:02.0}' {seconds:0width$.digits$}\"",
            width = width(digits)
        )
    })
}

/// Characters of a number below 60 with two figures before its point.
fn width(digits: usize) -> usize {
    if digits == 0 { 2 } else { 3 + digits }
}

fn written(position: Position, angle: impl Fn(f64) -> String) -> String {
    let side = |deg: f64, letters: [char; 2]| letters[usize::from(deg < 0.0)];
    format!(
        "{} {}, {} {}",
        angle(position.lat_deg.abs()),
        side(position.lat_deg, ['N', 'S']),
        angle(position.lon_deg.abs()),
        side(position.lon_deg, ['E', 'W'])
    )
}
