//! What can be wrong with a scene, said with file, line and field.

use std::fmt::Display;

use toml::de::{DeTable, DeValue};

/// A scene file cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SceneError {
    /// The text is no scene: broken TOML, an unknown or missing key, a value of the wrong type.
    #[error("{file}:{line}: `{field}`: {problem}")]
    Syntax {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The key, with the tables around it.
        field: String,
        /// What is wrong and what is expected.
        problem: String,
    },
    /// A value is out of its range.
    #[error("{file}:{line}: `{field}` is {found} but must be {wanted}")]
    Value {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The key, with the tables around it.
        field: String,
        /// What stands there.
        found: String,
        /// What would be right.
        wanted: String,
    },
    /// An antenna pattern is not to be had.
    #[error("{file}:{line}: `{field}`: no antenna pattern `{pattern}`: {problem}")]
    Pattern {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The key, with the tables around it.
        field: String,
        /// Name of the pattern.
        pattern: String,
        /// Why there is none.
        problem: String,
    },
    /// There is no station of this number.
    #[error("station {index} of {count}: stations are counted from 0")]
    NoSuchStation {
        /// The number asked for.
        index: usize,
        /// How many stations the scene has.
        count: usize,
    },
}

/// The text of a scene and its name, to say where something is wrong.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    pub(crate) text: &'a str,
    pub(crate) file: &'a str,
}

impl Source<'_> {
    /// Restates an error of the TOML reader.
    pub(crate) fn syntax(&self, error: &toml::de::Error) -> SceneError {
        let at = error.span().map_or(0, |span| span.start);
        let field = DeTable::parse(self.text)
            .ok()
            .map(|table| path_at(table.get_ref(), at))
            .filter(|path| !path.is_empty())
            .unwrap_or_else(|| self.key_at(at));
        SceneError::Syntax {
            file: self.file.to_owned(),
            line: self.line_at(at),
            field,
            problem: error.message().trim().replace('\n', ", "),
        }
    }

    /// Reports a value that is out of range.
    pub(crate) fn value(
        &self,
        field: &str,
        found: &(impl Display + ?Sized),
        wanted: impl Into<String>,
    ) -> SceneError {
        SceneError::Value {
            file: self.file.to_owned(),
            line: self.line_of(field),
            field: field.to_owned(),
            found: found.to_string(),
            wanted: wanted.into(),
        }
    }

    /// The line where a field stands, or the table that it would stand in.
    pub(crate) fn line_of(&self, field: &str) -> usize {
        DeTable::parse(self.text).map_or(1, |table| self.line_at(locate(table.get_ref(), field).0))
    }

    /// Whether a field stands in the text.
    pub(crate) fn has(&self, field: &str) -> bool {
        DeTable::parse(self.text).is_ok_and(|table| locate(table.get_ref(), field).1)
    }

    fn line_at(&self, at: usize) -> usize {
        self.text.bytes().take(at).filter(|&byte| byte == b'\n').count() + 1
    }

    /// The word before the equals sign, for text that does not parse at all.
    fn key_at(&self, at: usize) -> String {
        let line = self.text.lines().nth(self.line_at(at) - 1).unwrap_or_default();
        line.split('=').next().unwrap_or_default().trim().to_owned()
    }
}

/// Walks down a path such as `station[1].receiver.rate_hz` as far as it goes: byte offset of what was reached, and whether that is
/// the end of the path.
fn locate(table: &DeTable<'_>, field: &str) -> (usize, bool) {
    let mut at = 0;
    let mut table = table;
    let mut steps = field.split('.').peekable();
    while let Some(step) = steps.next() {
        let (key, index) = match step.split_once('[') {
            Some((key, rest)) => (key, rest.trim_end_matches(']').parse::<usize>().ok()),
            None => (step, None),
        };
        let Some((name, value)) = table.iter().find(|(name, _)| name.get_ref() == key) else {
            return (at, false);
        };
        at = name.span().start;
        let mut value = value;
        if let Some(element) = index.and_then(|i| value.get_ref().get(i)) {
            at = element.span().start;
            value = element;
        }
        match value.get_ref() {
            DeValue::Table(inner) => table = inner,
            _ => return (at, steps.peek().is_none()),
        }
    }
    (at, true)
}

/// The path of the innermost key or value around a byte offset.
fn path_at(table: &DeTable<'_>, at: usize) -> String {
    let mut best = String::new();
    for (name, value) in table {
        if name.span().contains(&at) {
            return name.get_ref().to_string();
        }
        let inner = path_in(name.get_ref(), value.get_ref(), value.span().contains(&at), at);
        if !inner.is_empty() {
            best = inner;
        }
    }
    best
}

fn path_in(name: &str, value: &DeValue<'_>, inside: bool, at: usize) -> String {
    let own = || if inside { name.to_owned() } else { String::new() };
    match value {
        DeValue::Table(table) => {
            let inner = path_at(table, at);
            if inner.is_empty() {
                own()
            } else {
                format!("{name}.{inner}")
            }
        }
        DeValue::Array(array) => {
            for (index, element) in array.iter().enumerate() {
                let element_name = format!("{name}[{index}]");
                let inside = element.span().contains(&at);
                let inner = path_in(&element_name, element.get_ref(), inside, at);
                if !inner.is_empty() {
                    return inner;
                }
            }
            own()
        }
        _ => own(),
    }
}
