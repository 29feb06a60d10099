//! Typed access to JSON fields, with errors that name file, field, what was found and what would be right.

use serde_json::{Map, Value};

use crate::OpenError;

/// The specification's largest integer, 2^63 - 1.
const MAX_COUNT: u64 = i64::MAX as u64;
/// Longest piece of a wrong value that a message quotes, in characters.
const QUOTE_CHARS: usize = 60;

/// An object of the metadata and the way to it.
#[derive(Clone)]
pub(crate) struct Object<'a> {
    file: &'a str,
    path: String,
    map: &'a Map<String, Value>,
}

/// Parses text as JSON.
pub(crate) fn parse(bytes: &[u8], file: &str) -> Result<Value, OpenError> {
    // A byte order mark is no part of JSON, but editors leave it there.
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    serde_json::from_slice(text).map_err(|source| OpenError::Json {
        file: file.to_owned(),
        line: source.line(),
        column: source.column(),
        source,
    })
}

/// A value as a message quotes it.
pub(crate) fn quote(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().count() <= QUOTE_CHARS {
        return text;
    }
    let head: String = text.chars().take(QUOTE_CHARS).collect();
    format!("{head}...")
}

impl<'a> Object<'a> {
    /// The top of a file.
    pub(crate) fn top(value: &'a Value, file: &'a str) -> Result<Self, OpenError> {
        let map = value.as_object().ok_or_else(|| OpenError::Field {
            file: file.to_owned(),
            field: "(whole file)".to_owned(),
            found: quote(value),
            needed: "an object with `global`, `captures` and `annotations`".to_owned(),
        })?;
        Ok(Self {
            file,
            path: String::new(),
            map,
        })
    }

    /// What messages call the file.
    pub(crate) fn file(&self) -> &'a str {
        self.file
    }

    /// The field's name with the way to it.
    pub(crate) fn name(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// The error for a field that holds the wrong thing.
    pub(crate) fn wrong(&self, key: &str, needed: impl Into<String>) -> OpenError {
        OpenError::Field {
            file: self.file.to_owned(),
            field: self.name(key),
            found: self.map.get(key).map_or_else(|| "missing".to_owned(), quote),
            needed: needed.into(),
        }
    }

    /// The error for a field that is not there.
    pub(crate) fn missing(&self, key: &str, needed: impl Into<String>) -> OpenError {
        OpenError::Missing {
            file: self.file.to_owned(),
            field: self.name(key),
            needed: needed.into(),
        }
    }

    pub(crate) fn get(&self, key: &str) -> Option<&'a Value> {
        self.map.get(key)
    }

    pub(crate) fn text(&self, key: &str) -> Result<Option<&'a str>, OpenError> {
        self.get(key)
            .map(|v| v.as_str().ok_or_else(|| self.wrong(key, "text")))
            .transpose()
    }

    pub(crate) fn owned_text(&self, key: &str) -> Result<Option<String>, OpenError> {
        Ok(self.text(key)?.map(str::to_owned))
    }

    pub(crate) fn flag(&self, key: &str) -> Result<Option<bool>, OpenError> {
        self.get(key)
            .map(|v| v.as_bool().ok_or_else(|| self.wrong(key, "true or false")))
            .transpose()
    }

    /// A number from `low` to `high`.
    pub(crate) fn number(&self, key: &str, low: f64, high: f64) -> Result<Option<f64>, OpenError> {
        self.get(key)
            .map(|v| {
                v.as_f64()
                    .filter(|n| (low..=high).contains(n))
                    .ok_or_else(|| self.wrong(key, format!("a number from {low:?} to {high:?}")))
            })
            .transpose()
    }

    /// A whole number from 0 to 2^63 - 1; `3.0` counts as whole, as JSON has one kind of number.
    pub(crate) fn count(&self, key: &str) -> Result<Option<u64>, OpenError> {
        self.get(key)
            .map(|v| {
                whole(v)
                    .filter(|&n| n <= MAX_COUNT)
                    .ok_or_else(|| self.wrong(key, "a whole number from 0 to 9223372036854775807"))
            })
            .transpose()
    }

    pub(crate) fn object(&self, key: &str) -> Result<Option<Object<'a>>, OpenError> {
        self.get(key)
            .map(|v| {
                v.as_object()
                    .map(|map| Object {
                        file: self.file,
                        path: self.name(key),
                        map,
                    })
                    .ok_or_else(|| self.wrong(key, "an object"))
            })
            .transpose()
    }

    pub(crate) fn array(&self, key: &str) -> Result<Option<&'a [Value]>, OpenError> {
        self.get(key)
            .map(|v| {
                v.as_array()
                    .map(Vec::as_slice)
                    .ok_or_else(|| self.wrong(key, "an array"))
            })
            .transpose()
    }

    /// The objects of an array.
    pub(crate) fn objects(&self, key: &str) -> Result<Option<Vec<Object<'a>>>, OpenError> {
        let Some(items) = self.array(key)? else {
            return Ok(None);
        };
        let objects = items.iter().enumerate().map(|(i, item)| {
            let path = format!("{}[{i}]", self.name(key));
            match item.as_object() {
                Some(map) => Ok(Object {
                    file: self.file,
                    path,
                    map,
                }),
                None => Err(OpenError::Field {
                    file: self.file.to_owned(),
                    field: path,
                    found: quote(item),
                    needed: "an object".to_owned(),
                }),
            }
        });
        objects.collect::<Result<Vec<_>, _>>().map(Some)
    }
}

fn whole(value: &Value) -> Option<u64> {
    if let Some(n) = value.as_u64() {
        return Some(n);
    }
    // 2^53: above it a float no longer holds every whole number.
    let n = value.as_f64()?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked to be whole and in range"
    )]
    ((0.0..=9_007_199_254_740_992.0).contains(&n) && n.fract() == 0.0).then_some(n as u64)
}
