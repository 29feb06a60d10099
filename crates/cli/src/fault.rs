//! How a command ends: what is printed and which exit code it has.

use std::fmt::Write as _;
use std::io::Write as _;
use std::process::ExitCode;

/// Ran, found nothing.
pub(crate) const EXIT_NOTHING: u8 = 1;
/// Wrong input: a file or a value in it.
const EXIT_INPUT: u8 = 3;
/// The work itself failed.
const EXIT_FAILURE: u8 = 4;

/// A command that ended well.
pub(crate) enum Done {
    /// With a result.
    Found,
    /// Without one, for a reason that was printed.
    Nothing,
}

/// Why a command ended badly.
pub(crate) enum Fault {
    /// The input is wrong.
    Input(anyhow::Error),
    /// The input may be right, but the work failed.
    Failure(anyhow::Error),
}

/// What every command gives back.
pub(crate) type Outcome = Result<Done, Fault>;

impl Fault {
    /// An input fault from any error.
    pub(crate) fn input(error: impl Into<anyhow::Error>) -> Self {
        Self::Input(error.into())
    }

    /// A failure from any error.
    pub(crate) fn failure(error: impl Into<anyhow::Error>) -> Self {
        Self::Failure(error.into())
    }

    /// Prints the chain of causes, each once, and gives the exit code. A closed pipe is no fault.
    pub(crate) fn report(&self) -> ExitCode {
        let (error, code) = match self {
            Self::Input(e) => (e, EXIT_INPUT),
            Self::Failure(e) => (e, EXIT_FAILURE),
        };
        if is_closed_pipe(error) {
            return ExitCode::SUCCESS;
        }
        let mut text = format!("error: {error}\n");
        let mut said = error.to_string();
        for cause in error.chain().skip(1) {
            let cause = cause.to_string();
            // A transparent wrapper says the same again.
            if cause != said {
                let _ = writeln!(text, "  caused by: {cause}");
            }
            said = cause;
        }
        let _ = std::io::stderr().write_all(text.as_bytes());
        ExitCode::from(code)
    }
}

impl From<anyhow::Error> for Fault {
    fn from(error: anyhow::Error) -> Self {
        Self::Failure(error)
    }
}

impl From<std::io::Error> for Fault {
    fn from(error: std::io::Error) -> Self {
        Self::Failure(error.into())
    }
}

fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        cause
            .downcast_ref::<std::io::Error>()
            .is_some_and(|io| io.kind() == std::io::ErrorKind::BrokenPipe)
    })
}
