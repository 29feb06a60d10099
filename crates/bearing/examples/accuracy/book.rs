//! The book as it grows: chapters of rows, and pages that others write.

use std::fmt::{self, Write};
use std::sync::OnceLock;
use std::time::Instant;

use crate::case::{Case, Chapter};
use crate::score::Score;
use crate::table;

/// What the command line asks for.
#[derive(Debug, Clone)]
pub(crate) struct Options {
    /// Rows whose name holds this text, in any case.
    pub(crate) only: Option<String>,
    pub(crate) trials: usize,
    pub(crate) threads: usize,
}

static OPTIONS: OnceLock<Options> = OnceLock::new();

/// The options, for chapters that get nothing but the page. Those of the whole book where nobody set them.
pub(crate) fn options() -> &'static Options {
    OPTIONS.get_or_init(Options::default)
}

/// Sets the options, once and before the first use.
pub(crate) fn set_options(options: Options) {
    assert!(OPTIONS.set(options).is_ok(), "options are set once");
}

impl Default for Options {
    fn default() -> Self {
        Self {
            only: None,
            trials: 300,
            threads: std::thread::available_parallelism().map_or(1, usize::from),
        }
    }
}

impl Options {
    /// Whether a row, or a chapter, is asked for.
    pub(crate) fn wants(&self, name: &str) -> bool {
        self.only
            .as_ref()
            .is_none_or(|only| name.to_lowercase().contains(&only.to_lowercase()))
    }
}

/// The page and its rows.
#[derive(Default)]
pub(crate) struct Book {
    pub(crate) text: String,
    rows: Vec<(String, Score)>,
}

impl Book {
    pub(crate) fn new() -> Result<Self, fmt::Error> {
        let mut book = Self::default();
        table::head(&mut book.text, options().trials)?;
        Ok(book)
    }

    /// A heading, a text below it, and a table of the rows that are asked for.
    pub(crate) fn chapter(&mut self, chapter: &Chapter) -> fmt::Result {
        let wanted: Vec<&Case> = chapter
            .cases
            .iter()
            .filter(|c| options().wants(&c.name))
            .collect();
        if wanted.is_empty() {
            return Ok(());
        }
        writeln!(self.text, "\n## {}\n", chapter.title)?;
        if !chapter.text.is_empty() {
            writeln!(self.text, "{}\n", chapter.text)?;
        }
        table::table_head(&mut self.text)?;
        for case in wanted {
            assert!(
                self.rows.iter().all(|(name, _)| *name != case.name),
                "two rows share the name and the seed of `{}`",
                case.name
            );
            let start = Instant::now();
            let score = case.run(options().trials, options().threads);
            let each_ms = 1000.0 * start.elapsed().as_secs_f64() / options().trials as f64;
            eprintln!(
                "{}: {each_ms:.2} ms a trial, {} threads",
                case.name,
                options().threads
            );
            table::row(&mut self.text, &case.name, &score)?;
            self.rows.push((case.name.clone(), score));
        }
        Ok(())
    }

    /// Ends the page with the verdict.
    pub(crate) fn finish(mut self) -> Result<String, fmt::Error> {
        table::verdict(&mut self.text, &self.rows)?;
        Ok(self.text)
    }
}
