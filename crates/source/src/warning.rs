//! Doubts about a recording that do not stop the work.

use std::fmt;

/// A doubt about a recording; its text says what it may do to the result and what to try.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum SourceWarning {
    /// The file ends within a sample.
    PartFrame {
        /// Bytes left over.
        bytes: u64,
        /// Bytes that one sample of every channel takes.
        frame_bytes: usize,
    },
    /// There are fewer samples than the file says.
    Short {
        /// Samples found.
        found: u64,
        /// Samples announced.
        expected: u64,
        /// What announced them.
        by: String,
    },
    /// There is more data than the file says.
    Long {
        /// Bytes beyond the end.
        bytes: u64,
        /// What sets the end.
        by: String,
    },
    /// There are no samples.
    Empty,
    /// Samples were not finite numbers; counted up to the end of what was read.
    NotFinite {
        /// How many.
        samples: u64,
    },
    /// A field is missing although the standard demands it, or holds what the standard forbids.
    Field {
        /// Which one.
        field: String,
        /// What is wrong and what was assumed.
        problem: String,
    },
    /// An option differs from what the file says.
    Overridden {
        /// Which field.
        field: String,
        /// What the file says.
        file: String,
        /// What the option says and is used.
        option: String,
    },
    /// A WAV file of one channel: real samples, as of an intermediate frequency, and no I/Q.
    OneChannel,
    /// The archive holds more recordings than the one that is read.
    OtherRecordings {
        /// The one that is read.
        taken: String,
        /// How many there are beside it.
        others: usize,
    },
}

impl fmt::Display for SourceWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PartFrame { bytes, frame_bytes } => write!(
                f,
                "the data end with {bytes} bytes of a frame of {frame_bytes}, which are left out: the recording was \
                 cut short or its format is another"
            ),
            Self::Short { found, expected, by } => write!(
                f,
                "only {found} of the {expected} samples announced by {by} are there: the recording was cut short, \
                 and bursts at its end are lost"
            ),
            Self::Long { bytes, by } => write!(
                f,
                "{bytes} bytes lie behind the end set by {by} and are left out: check that header"
            ),
            Self::Empty => f.write_str("the recording holds no sample: check that it was closed properly"),
            Self::NotFinite { samples } => write!(
                f,
                "{samples} samples are not finite numbers and are taken as gaps: no burst spans them; check the \
                 program that made the recording"
            ),
            Self::Field { field, problem } => write!(f, "`{field}`: {problem}"),
            Self::Overridden { field, file, option } => {
                write!(
                    f,
                    "`{field}` is {file} in the file, but {option} is used as asked"
                )
            }
            Self::OneChannel => f.write_str(
                "the file has one channel and is read as real samples at a radio rate, not as I/Q: demodulated audio has \
                 no use here",
            ),
            Self::OtherRecordings { taken, others } => write!(
                f,
                "the archive holds {others} more recordings; `{taken}` is read: name another to read it"
            ),
        }
    }
}
