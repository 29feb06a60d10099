//! Why a file could not be read or written.

use std::path::PathBuf;

/// Why bearings could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The input could not be read.
    #[error("{name}, line {line}: the input cannot be read")]
    Io {
        /// Name of the input.
        name: String,
        /// Line, from 1.
        line: usize,
        /// Why.
        source: std::io::Error,
    },
    /// A line is not one bearing record in JSON.
    #[error("{name}, line {line}, column {column}: not a bearing record: {reason}")]
    Record {
        /// Name of the input.
        name: String,
        /// Line, from 1.
        line: usize,
        /// Byte in the line, from 1; 0 where it cannot be told.
        column: usize,
        /// What is wrong.
        reason: String,
    },
    /// A value is out of range.
    #[error("{name}, line {line}: `{field}` is {found}; it must be {needed}")]
    Value {
        /// Name of the input.
        name: String,
        /// Line, from 1.
        line: usize,
        /// The field.
        field: String,
        /// What was found.
        found: f64,
        /// What would be right.
        needed: &'static str,
    },
    /// Two bearings have one name, so that no verdict could tell them apart.
    #[error(
        "{name}, line {line}: the id `{id}` was used in line {first_line} already; give each bearing its own"
    )]
    DuplicateId {
        /// Name of the input.
        name: String,
        /// Line, from 1.
        line: usize,
        /// The name used twice.
        id: String,
        /// Where it was used first.
        first_line: usize,
    },
}

/// Why a file could not be written; an older file of that name is still whole.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The path does not end in a file name.
    #[error("`{path}` does not end in the name of a file")]
    NoFileName {
        /// The path given.
        path: PathBuf,
    },
    /// The temporary file beside it could not be made or written.
    #[error("cannot write `{temporary}`, the temporary file for `{path}`")]
    Temporary {
        /// The path given.
        path: PathBuf,
        /// The temporary file.
        temporary: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The temporary file could not take the name.
    #[error("cannot rename `{temporary}` to `{path}`")]
    Rename {
        /// The path given.
        path: PathBuf,
        /// The temporary file.
        temporary: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}
