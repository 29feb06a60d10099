//! Questions, and answers from a person or a file of lines.

use std::io::{BufRead, Write as _};

use super::answers;
use super::place::{Place, Places};
use super::visit::{Reading, SIGMA_DEG, Settings, Visit, default_north};
use crate::fault::Fault;
use crate::output::print;

/// What can be said where a place is asked for.
pub(super) const HELP: &str = "\
place: coordinates in any form, the name of an earlier place, or @last. An empty answer takes what stands in brackets.\n\
Or: note WORDS   undo [ENTRY]   list   where   transmitter [LABEL]   help   quit";

/// Where answers come from.
pub(super) struct Answers<R> {
    input: R,
    terminal: bool,
    line: u64,
}

/// What is to be done next.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Command {
    Place(Place),
    Note(String),
    Undo(Option<u64>),
    Transmitter(Option<String>),
    List,
    Where,
    Help,
    Quit,
}

impl<R: BufRead> Answers<R> {
    /// `terminal`: a person answers; questions are shown, and a wrong answer is asked for again.
    pub(super) fn new(input: R, terminal: bool) -> Self {
        Self {
            input,
            terminal,
            line: 0,
        }
    }

    /// The next line; nothing at the end.
    fn next(&mut self, question: &str, default: &str) -> Result<Option<String>, Fault> {
        if self.terminal {
            let mut out = std::io::stdout().lock();
            if default.is_empty() {
                write!(out, "{question}: ")?;
            } else {
                write!(out, "{question} [{default}]: ")?;
            }
            out.flush()?;
        }
        let mut bytes = Vec::new();
        if self.input.read_until(b'\n', &mut bytes)? == 0 {
            return Ok(None);
        }
        self.line += 1;
        let text = String::from_utf8_lossy(&bytes).trim().to_owned();
        Ok(Some(if text.is_empty() { default.to_owned() } else { text }))
    }

    /// Asks until the answer will do; nothing at the end of the answers.
    fn ask<T>(
        &mut self,
        question: &str,
        default: &str,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> Result<Option<T>, Fault> {
        loop {
            let Some(text) = self.next(question, default)? else {
                return Ok(None);
            };
            match check(&text) {
                Ok(answer) => return Ok(Some(answer)),
                Err(words) if self.terminal => print(&words)?,
                Err(words) => return Err(self.wrong(&words)),
            }
        }
    }

    /// As [`Answers::ask`], inside an entry: it must go on.
    fn must<T>(
        &mut self,
        question: &str,
        default: &str,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Fault> {
        self.ask(question, default, check)?.ok_or_else(|| {
            Fault::Input(anyhow::anyhow!(
                "the answers end in the middle of an entry, at `{question}`; nothing of it was kept"
            ))
        })
    }

    fn wrong(&self, words: &str) -> Fault {
        Fault::Input(anyhow::anyhow!("line {} of the answers: {words}", self.line))
    }

    /// Tells a person what went wrong; for lines of a file it is the end.
    pub(super) fn complain(&self, fault: &Fault) -> Result<(), Fault> {
        let words = match fault {
            Fault::Input(e) | Fault::Failure(e) => e.to_string(),
        };
        if self.terminal {
            print(&words)
        } else {
            Err(self.wrong(&words))
        }
    }
}

/// Asks for a place or a command.
pub(super) fn command<R: BufRead>(answers: &mut Answers<R>, places: &Places) -> Result<Command, Fault> {
    let default = if places.has_last() { "@last" } else { "" };
    let found = answers.ask("place", default, |text| {
        let (word, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        let rest = rest.trim();
        Ok(match word.to_lowercase().as_str() {
            "" => return Err("give coordinates such as `-41.3, 174.1` or `RE78br`, or `quit`".to_owned()),
            "quit" | "exit" if rest.is_empty() => Command::Quit,
            "help" | "?" if rest.is_empty() => Command::Help,
            "list" if rest.is_empty() => Command::List,
            "where" if rest.is_empty() => Command::Where,
            "note" if !rest.is_empty() => Command::Note(rest.to_owned()),
            "transmitter" => Command::Transmitter(Some(rest.to_owned()).filter(|r| !r.is_empty())),
            "undo" if rest.is_empty() => Command::Undo(None),
            "undo" => Command::Undo(Some(rest.trim_start_matches('#').parse().map_err(|_| {
                format!("`{rest}` is no entry; give its number such as 7, or `undo` alone for the last")
            })?)),
            _ => Command::Place(places.find(text)?),
        })
    })?;
    Ok(found.unwrap_or(Command::Quit))
}

/// Asks what was read at a place; nothing where nothing was.
pub(super) fn visit<R: BufRead>(
    answers: &mut Answers<R>,
    settings: &Settings,
    places: &Places,
    mut place: Place,
) -> Result<Option<Visit>, Fault> {
    if !place.known {
        place.name = answers.must("name of this place", &place.name, |text| places.check_name(text))?;
    }
    let maybe = |check: fn(&str) -> Result<f64, String>| {
        move |text: &str| {
            if text == "-" {
                Ok(None)
            } else {
                check(text).map(Some)
            }
        }
    };
    let reading = answers.must(
        "compass reading in degrees, - for none",
        "-",
        maybe(answers::reading_deg),
    )?;
    let compass = match reading {
        Some(reading_deg) => Some(compass(answers, settings, &place, reading_deg)?),
        None => None,
    };
    let meter = meter(answers, compass.is_none())?;
    Ok((compass.is_some() || meter.is_some()).then_some(Visit {
        place,
        compass,
        meter,
    }))
}

fn compass<R: BufRead>(
    answers: &mut Answers<R>,
    settings: &Settings,
    place: &Place,
    reading_deg: f64,
) -> Result<Reading, Fault> {
    let (north, warning) = answers.must(
        "which north (magnetic, true, grid)",
        default_north(settings),
        |text| {
            let north = answers::north(text)?;
            Ok((north, Visit::check_north(place, north, settings.time())?))
        },
    )?;
    if let Some(warning) = warning {
        print(&format!("warning: {warning}"))?;
    }
    let sure = settings.args.sure.unwrap_or(SIGMA_DEG).to_string();
    let sigma_deg = answers.must(
        "how sure, one standard deviation in degrees",
        &sure,
        answers::sigma_deg,
    )?;
    Ok(Reading::Compass {
        reading_deg,
        north,
        sigma_deg,
    })
}

/// What the meter said.
enum Heard {
    Level(f64),
    Nothing,
    NotRead,
}

fn meter<R: BufRead>(answers: &mut Answers<R>, may_be_silent: bool) -> Result<Option<Reading>, Fault> {
    let question = if may_be_silent {
        "meter reading in dB, - for none, `nothing` if it was on and not heard"
    } else {
        "meter reading in dB, - for none"
    };
    let heard = answers.must(question, "-", |text| match text.to_lowercase().as_str() {
        "-" => Ok(Heard::NotRead),
        "nothing" if may_be_silent => Ok(Heard::Nothing),
        "nothing" => Err(
            "a bearing was read here, so something was heard; answer - or what the meter showed".to_owned(),
        ),
        _ => answers::meter_db(text).map(Heard::Level),
    })?;
    Ok(match heard {
        Heard::NotRead => None,
        Heard::Level(reading_db) => Some(Reading::Meter {
            reading_db,
            attenuation_db: answers.must("attenuation in line in dB", "0", answers::attenuation_db)?,
        }),
        Heard::Nothing => Some(Reading::Nothing {
            limit_db: answers.must(
                "weakest level that would have been heard, on the meter in dB",
                "0",
                answers::meter_db,
            )?,
        }),
    })
}
