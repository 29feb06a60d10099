//! Why a log could not be read or written, and why a line was put aside.

use std::fmt;
use std::path::PathBuf;

/// Why a log of a hunt could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum HuntLogError {
    /// The file could not be read.
    #[error("{name}, line {line}: the hunt log cannot be read")]
    Read {
        /// Name of the input.
        name: String,
        /// Line, from 1.
        line: u64,
        /// Why.
        source: std::io::Error,
    },
    /// The file is something else.
    #[error(
        "`{name}` is no hunt log: it has no line of kind \"start\" with the format \"lobewright-hunt-log\"; give a log, or a new name to begin one"
    )]
    NotALog {
        /// Name of the input.
        name: String,
    },
    /// It could not be opened or locked.
    #[error("cannot open the hunt log `{path}`")]
    Open {
        /// The path given.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Another program writes it now.
    #[error(
        "the hunt log `{path}` is being written by another program; end that one first, or write a log of your own and give both to `fix`"
    )]
    InUse {
        /// The path given.
        path: PathBuf,
    },
    /// The entry is not known to be on the disk.
    #[error("entry {id} could not be written to the hunt log `{path}`; it does not count as kept")]
    Append {
        /// The path given.
        path: PathBuf,
        /// The entry's number.
        id: u64,
        /// Why.
        source: std::io::Error,
    },
}

/// Why a line was put aside.
#[derive(Debug, Clone, PartialEq)]
pub enum AsideReason {
    /// What an interrupted write left.
    Torn,
    /// Not an entry in JSON.
    Unreadable {
        /// Byte in the line, from 1; 0 where it cannot be told.
        column: usize,
        /// What is wrong.
        reason: String,
    },
    /// A kind that this version does not know.
    UnknownKind {
        /// Its name.
        kind: String,
    },
    /// A value out of range.
    Value {
        /// The field.
        field: String,
        /// What was found.
        found: f64,
        /// What would be right.
        needed: &'static str,
    },
    /// The number was used before.
    DuplicateId {
        /// The number.
        id: u64,
        /// Line of its first use.
        first_line: u64,
    },
    /// A retraction of what is not there before it.
    NothingToRetract {
        /// The number it names.
        of: u64,
    },
}

impl fmt::Display for AsideReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Torn => f.write_str("the rest of a write that was interrupted; it was never confirmed"),
            Self::Unreadable { column, reason } if *column > 0 => {
                write!(f, "column {column}: not an entry: {reason}")
            }
            Self::Unreadable { reason, .. } => write!(f, "not an entry: {reason}"),
            Self::UnknownKind { kind } => write!(
                f,
                "kind `{kind}` is not known to this version; a later one may have written it"
            ),
            Self::Value { field, found, needed } => write!(f, "`{field}` is {found}; it must be {needed}"),
            Self::DuplicateId { id, first_line } => write!(
                f,
                "the number {id} was used in line {first_line} already; each entry has its own"
            ),
            Self::NothingToRetract { of } => {
                write!(f, "takes back entry {of}, which does not stand before it")
            }
        }
    }
}
