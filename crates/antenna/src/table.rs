//! Reading of small CSV tables with errors that name line and field.

use std::io::Read;

/// A CSV table: header names and rows of text with their line numbers.
pub(crate) struct Table {
    pub(crate) columns: Vec<String>,
    pub(crate) rows: Vec<(u64, Vec<String>)>,
}

impl Table {
    pub(crate) fn read(reader: impl Read) -> Result<Self, csv::Error> {
        let mut csv = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(reader);
        // Some programs write a byte order mark before the first name.
        let columns = csv
            .headers()?
            .iter()
            .map(|h| h.trim_start_matches('\u{feff}').to_owned())
            .collect();
        let mut rows = Vec::new();
        for record in csv.records() {
            let record = record?;
            let line = record.position().map_or(0, csv::Position::line);
            rows.push((line, record.iter().map(str::to_owned).collect()));
        }
        Ok(Self { columns, rows })
    }

    pub(crate) fn column(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| c == name)
    }

    pub(crate) fn found(&self) -> String {
        self.columns.join(",")
    }
}

/// A finite number, or nothing.
pub(crate) fn finite(text: &str) -> Option<f64> {
    text.parse::<f64>().ok().filter(|v| v.is_finite())
}
