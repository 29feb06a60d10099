//! Why a recording cannot be opened, read or written.

use std::io;
use std::path::PathBuf;

use lobewright_types::SampleIndex;

/// A recording cannot be opened, or its metadata cannot be trusted.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The operating system refuses.
    #[error("cannot read `{}`", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The metadata is not JSON.
    #[error("`{file}` is not JSON at line {line}, column {column}")]
    Json {
        /// Which file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What the parser says.
        source: serde_json::Error,
    },
    /// The metadata is so large that it cannot be what it claims.
    #[error("metadata `{file}` has more than {limit_bytes} bytes, the most that is read")]
    MetaTooLarge {
        /// Which file.
        file: String,
        /// The limit.
        limit_bytes: u64,
    },
    /// A field that is needed is not there.
    #[error("`{field}` is missing in `{file}`; {needed}")]
    Missing {
        /// Which file.
        file: String,
        /// Which field, with its path.
        field: String,
        /// What would be right.
        needed: String,
    },
    /// A field holds something it must not.
    #[error("`{field}` in `{file}` is {found}, but must be {needed}")]
    Field {
        /// Which file.
        file: String,
        /// Which field, with its path.
        field: String,
        /// What was found.
        found: String,
        /// What would be right.
        needed: String,
    },
    /// The recording needs an extension that is not known here.
    #[error(
        "`{file}` says that it cannot be read without the extension `{extension}`, which is not supported"
    )]
    Extension {
        /// Which file.
        file: String,
        /// Name and version.
        extension: String,
    },
    /// The file with the samples is not there.
    #[error("`{}`, which holds the samples of `{file}`, does not exist or is not a plain file", data.display())]
    NoData {
        /// The metadata file.
        file: String,
        /// The file that was looked for.
        data: PathBuf,
    },
    /// Sample data without the metadata that explain them.
    #[error(
        "`{}` has no metadata `{}` beside it; give the format and the rate to read it as raw samples",
        data.display(),
        meta.display()
    )]
    NoMeta {
        /// The data file.
        data: PathBuf,
        /// The metadata file that was looked for.
        meta: PathBuf,
    },
    /// Raw samples do not say how they are stored.
    #[error("`{file}` is read as raw samples, which need {option}; give {example}")]
    RawNeeds {
        /// Which file.
        file: String,
        /// Which option is missing.
        option: &'static str,
        /// What would be right.
        example: &'static str,
    },
    /// An option has a value that cannot work.
    #[error("option {option} is {found}, but must be {needed}")]
    Option {
        /// Which option.
        option: &'static str,
        /// What was given.
        found: String,
        /// What would be right.
        needed: &'static str,
    },
    /// The archive is damaged or is no tar file.
    #[error("`{}` is not a whole SigMF archive (an uncompressed tar file)", path.display())]
    Archive {
        /// Which file.
        path: PathBuf,
        /// What the reader says.
        source: io::Error,
    },
    /// The archive does not hold the recording.
    #[error("archive `{}` holds no recording{wanted}; it holds {found}", path.display())]
    NotInArchive {
        /// Which file.
        path: PathBuf,
        /// Empty, or the name asked for, quoted, with a space before it.
        wanted: String,
        /// The recordings there.
        found: String,
    },
    /// The WAV file cannot be understood.
    #[error("cannot read the WAV header of `{}`", path.display())]
    Wav {
        /// Which file.
        path: PathBuf,
        /// What the reader says.
        source: hound::Error,
    },
    /// The WAV file holds something that is not a recording of I/Q or real samples.
    #[error("WAV file `{}` has {found}, but must have {needed}", path.display())]
    WavLayout {
        /// Which file.
        path: PathBuf,
        /// What was found.
        found: String,
        /// What would be right.
        needed: &'static str,
    },
}

/// Reading samples fails on the way.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The operating system refuses.
    #[error("cannot read `{file}` at sample {}", at.0)]
    Io {
        /// Which file.
        file: String,
        /// Where in the stream.
        at: SampleIndex,
        /// Why.
        source: io::Error,
    },
}

/// A recording cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The operating system refuses.
    #[error("cannot write `{}`", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file is there already.
    #[error("`{}` exists already; choose another name or allow overwriting", path.display())]
    Exists {
        /// Which file.
        path: PathBuf,
    },
    /// A value may not stand in a recording.
    #[error("{field} is {found}, but must be {needed}")]
    Value {
        /// Which one.
        field: String,
        /// What was given.
        found: String,
        /// What would be right.
        needed: String,
    },
    /// A sample is not a finite number.
    #[error("sample {index} (counted over all channels) is not a finite number")]
    NotFinite {
        /// Which sample written, from 0.
        index: u64,
    },
    /// The bytes do not fill the last frame.
    #[error("{bytes} bytes were written, which is not a whole number of frames of {frame_bytes} bytes")]
    PartFrame {
        /// Bytes written.
        bytes: u64,
        /// Bytes of one sample of every channel.
        frame_bytes: usize,
    },
    /// An earlier write failed, so what is on disk is not whole.
    #[error("`{}` cannot be finished, since an earlier write to it failed", path.display())]
    Poisoned {
        /// The data file.
        path: PathBuf,
    },
    /// The recording to pack cannot be read.
    #[error("cannot read the recording to pack")]
    Source(#[from] OpenError),
}
