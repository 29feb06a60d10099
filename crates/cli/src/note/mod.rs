//! `note`: keeps the log of a hunt, by questions and answers or one entry at a time.

mod answers;
mod dialogue;
mod next;
mod place;
mod state;
mod visit;

use std::io::IsTerminal as _;

use lobewright_export::{HuntFact, HuntWriter};
use lobewright_types::Timestamp;

use crate::args::{NoteArgs, Undo};
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, remark};
use dialogue::{Answers, Command};
use place::Places;
use visit::{Settings, Visit};

/// Said once, before the first question.
const CAUTIONS: &str = "\
Before you begin: do not read, type or look at this while driving; stop first. Look before you step, keep off private land \
and tracks without leave, climb no mast, tower or roof, and keep clear of power lines and of strong transmitting antennas. \
Listen only: Lobewright never transmits, and finding a transmitter gives no right to touch it.";

/// Keeps the log.
pub(crate) fn note(args: &NoteArgs, quiet: bool) -> Outcome {
    // A wrong option is said before a log is begun.
    let one = one_entry(args)?;
    let mut writer = HuntWriter::open(&args.log, args.time.unwrap_or_else(now), args.title.as_deref())
        .map_err(|e| match e {
            lobewright_export::HuntLogError::NotALog { .. }
            | lobewright_export::HuntLogError::InUse { .. } => Fault::input(e),
            e => Fault::failure(e),
        })?;
    crate::hunt::sources::say_aside(writer.log(), &args.log.display().to_string(), quiet);
    let settings = Settings::of(args);
    match one {
        Some(one) => enter(one, &mut writer, &settings),
        None => converse(&mut writer, &settings, quiet),
    }
}

/// The time by this machine's clock, to the millisecond.
fn now() -> Timestamp {
    let since = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap_or_default();
    let ms = i64::try_from(since.as_millis()).unwrap_or(i64::MAX);
    Timestamp::from_unix_ns(ms.saturating_mul(1_000_000))
}

/// An entry that was given by options.
enum One {
    Visit,
    Note(String),
    Undo(Option<u64>),
}

fn one_entry(args: &NoteArgs) -> Result<Option<One>, Fault> {
    let reading = args.bearing.is_some() || args.meter.is_some() || args.nothing_over.is_some();
    if reading && args.place.is_none() {
        return Err(Fault::Input(anyhow::anyhow!(
            "a reading needs --place: coordinates, the name of an earlier place, or @last"
        )));
    }
    if args.place.is_some() && !reading && args.text.is_none() {
        return Err(Fault::Input(anyhow::anyhow!(
            "--place needs what was read there: --bearing, --meter, --nothing-over or --text"
        )));
    }
    Ok(match (&args.undo, &args.text) {
        (Some(Undo::Last), _) => Some(One::Undo(None)),
        (Some(Undo::Entry(id)), _) => Some(One::Undo(Some(*id))),
        (None, _) if reading => Some(One::Visit),
        (None, Some(text)) => Some(One::Note(text.clone())),
        (None, None) => None,
    })
}

/// Writes what the options say.
fn enter(one: One, writer: &mut HuntWriter, settings: &Settings) -> Outcome {
    match one {
        One::Undo(id) => undo(writer, settings, id)?,
        One::Note(text) => keep_note(writer, settings, &text)?,
        One::Visit => {
            let visit = Visit::of_options(settings, &Places::of(writer.log()))
                .map_err(|words| Fault::Input(anyhow::anyhow!(words)))?;
            keep_visit(writer, settings, &visit)?;
            if let Some(text) = &settings.args.text {
                keep_note(writer, settings, text)?;
            }
        }
    }
    print(&state::words(writer.log(), settings))?;
    Ok(Done::Found)
}

/// Questions and answers until the end of the answers.
fn converse(writer: &mut HuntWriter, settings: &Settings, quiet: bool) -> Outcome {
    let stdin = std::io::stdin();
    let terminal = stdin.is_terminal();
    if terminal {
        remark(quiet, CAUTIONS);
        remark(quiet, dialogue::HELP);
        print(&state::words(writer.log(), settings))?;
    }
    let mut settings = settings.clone();
    let mut answers = Answers::new(stdin.lock(), terminal);
    loop {
        let places = Places::of(writer.log());
        match dialogue::command(&mut answers, &places)? {
            Command::Quit => return Ok(Done::Found),
            Command::Help => print(dialogue::HELP)?,
            Command::Where => print(&state::words(writer.log(), &settings))?,
            Command::List => print(&state::list(writer.log()))?,
            Command::Transmitter(label) => {
                print(&match &label {
                    Some(label) => format!("from here on: transmitter {label}"),
                    None => "from here on: no label".to_owned(),
                })?;
                settings.transmitter = label;
            }
            Command::Note(text) => keep_note(writer, &settings, &text)?,
            Command::Undo(id) => {
                if let Err(fault) = undo(writer, &settings, id) {
                    answers.complain(&fault)?;
                    continue;
                }
                print(&state::words(writer.log(), &settings))?;
            }
            Command::Place(place) => {
                let Some(visit) = dialogue::visit(&mut answers, &settings, &places, place)? else {
                    print("nothing was read here, so nothing is kept")?;
                    continue;
                };
                keep_visit(writer, &settings, &visit)?;
                print(&state::words(writer.log(), &settings))?;
            }
        }
    }
}

/// Writes an entry and says so once it is on the disk.
fn keep(writer: &mut HuntWriter, settings: &Settings, fact: HuntFact) -> Result<u64, Fault> {
    let entry = writer.append(settings.time(), fact).map_err(Fault::failure)?;
    print(&format!(
        "kept as entry {}: {}",
        entry.id,
        crate::hunt::course::words_of_entry(&entry).unwrap_or_default()
    ))?;
    Ok(entry.id)
}

fn keep_visit(writer: &mut HuntWriter, settings: &Settings, visit: &Visit) -> Result<(), Fault> {
    for reading in visit.readings() {
        let fact = visit
            .fact(reading, writer.next_id(), settings)
            .map_err(|words| Fault::Input(anyhow::anyhow!(words)))?;
        keep(writer, settings, fact)?;
    }
    Ok(())
}

fn keep_note(writer: &mut HuntWriter, settings: &Settings, text: &str) -> Result<(), Fault> {
    let fact = HuntFact::Note {
        text: text.to_owned(),
        position: None,
        place: None,
    };
    keep(writer, settings, fact).map(drop)
}

/// Takes an entry back: the one named, or the last that stands.
fn undo(writer: &mut HuntWriter, settings: &Settings, id: Option<u64>) -> Result<(), Fault> {
    let log = writer.log();
    let of = match id {
        Some(id) => {
            if id == 0 || log.count_to(id).is_none() {
                return Err(Fault::Input(anyhow::anyhow!(
                    "there is no entry {id} to take back; `list` shows them"
                )));
            }
            if !log.stands(id) {
                return Err(Fault::Input(anyhow::anyhow!("entry {id} is taken back already")));
            }
            id
        }
        None => log
            .standing()
            .last()
            .map(|e| e.id)
            .ok_or_else(|| Fault::Input(anyhow::anyhow!("there is no entry to take back")))?,
    };
    let reason = settings.args.reason.clone();
    keep(writer, settings, HuntFact::Retraction { of, reason }).map(drop)
}
