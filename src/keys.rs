//! A TOML file read key by key, so that every error can name its line, its key and the nearest spelling.

mod lines;
mod syntax;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::{Error, ErrorKind, Result, nearest_spelling};
use crate::message::excerpt;
pub(crate) use lines::Lines;
pub(crate) use syntax::parse;

/// No file read through here needs to be larger; anything that is, is another kind of file.
pub(crate) const LARGEST_BYTES: usize = 4 << 20;

/// What some programs put before a text, and some twice.
pub(crate) const BYTE_ORDER_MARK: char = '\u{feff}';

/// The file that places are counted in.
#[derive(Clone, Copy)]
struct Origin<'a> {
    source: &'a str,
    lines: &'a Lines<'a>,
}

impl Origin<'_> {
    fn line(self, byte: usize) -> usize {
        self.lines.line(byte)
    }
}

/// Parses `bytes` and hands the top table, which may hold the `known` keys and no others, to `read`.
pub(crate) fn read_file<T>(
    bytes: &[u8],
    source: &str,
    known: &[&'static str],
    read: impl FnOnce(&Table) -> Result<T>,
) -> Result<T> {
    let not_ours = |found: String| {
        Error::new(
            ErrorKind::Format,
            source,
            found,
            "a TOML file in UTF-8",
            "check that this is the file you meant",
        )
    };
    if bytes.len() > LARGEST_BYTES {
        return Err(not_ours(format!("more than {} MB", LARGEST_BYTES >> 20)));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let before = &bytes[..error.valid_up_to()];
        not_ours("bytes that are not UTF-8".into())
            .at_line(1 + before.iter().filter(|&&b| b == b'\n').count())
    })?;
    let text = text.trim_start_matches(BYTE_ORDER_MARK);
    let lines = Lines::of(text);
    let map = parse(text, source, &lines)?;
    let table = Table {
        origin: Origin {
            source,
            lines: &lines,
        },
        path: String::new(),
        start: 0,
        map: map.get_ref(),
    };
    table.deny_all_but(known)?;
    read(&table)
}

/// A table and the place where it begins.
pub(crate) struct Table<'a> {
    origin: Origin<'a>,
    path: String,
    start: usize,
    map: &'a DeTable<'a>,
}

impl<'a> Table<'a> {
    /// The value of `key`, where there is one.
    pub(crate) fn optional(&self, key: &str) -> Option<Value<'a>> {
        self.map.get(key).map(|value| Value {
            origin: self.origin,
            key: self.path_to(key),
            value,
        })
    }

    /// The value of `key`.
    pub(crate) fn required(&self, key: &str) -> Result<Value<'a>> {
        self.optional(key).ok_or_else(|| {
            Error::new(
                ErrorKind::Format,
                self.origin.source,
                "no such key",
                format!("a value for `{key}`"),
                "add the key",
            )
            .at_line(self.origin.line(self.start))
            .at_key(self.path_to(key))
        })
    }

    /// Requires `format = 1`.
    pub(crate) fn format_1(&self) -> Result<()> {
        let format = self.required("format")?;
        match format.whole()? {
            1 => Ok(()),
            other => Err(format.error(
                ErrorKind::Format,
                format!("format {other}"),
                "format 1, the only one this version knows",
                "use a version that knows that format, or write the file anew",
            )),
        }
    }

    fn deny_all_but(&self, known: &[&'static str]) -> Result<()> {
        // Of several strangers the first in the file: the map itself is sorted by name.
        let stranger = self
            .map
            .iter()
            .filter(|(key, _)| !known.contains(&key.get_ref().as_ref()))
            .min_by_key(|(key, _)| key.span().start);
        let Some((key, _)) = stranger else {
            return Ok(());
        };
        let name = excerpt(key.get_ref());
        Err(Error::new(
            ErrorKind::Name,
            self.origin.source,
            format!("an unknown key `{name}`"),
            format!("one of {}", known.join(", ")),
            match nearest_spelling(&name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "remove or rename it".to_owned(),
            },
        )
        .at_line(self.origin.line(key.span().start))
        .at_key(self.path_to(&name)))
    }

    /// The same error, at the line and full path of its key, which is given relative to this table.
    pub(crate) fn placed(&self, mut error: Box<Error>) -> Box<Error> {
        let key = error.place.key.take().unwrap_or_default();
        self.origin.source.clone_into(&mut error.place.source);
        let line = self.origin.line(self.start_of(&key));
        error.at_line(line).at_key(self.path_to(&key))
    }

    /// Where the deepest part of `path` that the file has begins, for paths like `gain_db.step` or `section[2].q`.
    fn start_of(&self, path: &str) -> usize {
        let mut start = self.start;
        let mut map = Some(self.map);
        for part in path.split('.') {
            let (name, index) = match part.strip_suffix(']').and_then(|p| p.split_once('[')) {
                Some((name, index)) => (name, index.parse::<usize>().ok()),
                None => (part, None),
            };
            let Some((key, value)) = map.and_then(|map| map.get_key_value(name)) else {
                break;
            };
            let item = match (value.get_ref(), index) {
                (DeValue::Array(items), Some(index)) => items.get(index.saturating_sub(1)),
                _ => None,
            };
            start = item.map_or(key.span(), Spanned::span).start;
            map = match item.unwrap_or(value).get_ref() {
                DeValue::Table(map) => Some(map),
                _ => None,
            };
        }
        start
    }

    fn path_to(&self, key: &str) -> String {
        match (self.path.is_empty(), key.is_empty()) {
            (true, _) => key.to_owned(),
            (false, true) => self.path.clone(),
            (false, false) => format!("{}.{key}", self.path),
        }
    }
}

/// A value that knows where it stands.
pub(crate) struct Value<'a> {
    origin: Origin<'a>,
    key: String,
    value: &'a Spanned<DeValue<'a>>,
}

impl<'a> Value<'a> {
    /// An error about this value.
    pub(crate) fn error(
        &self,
        kind: ErrorKind,
        found: impl Into<String>,
        expected: impl Into<String>,
        next_step: impl Into<String>,
    ) -> Box<Error> {
        Error::new(kind, self.origin.source, found, expected, next_step)
            .at_line(self.origin.line(self.value.span().start))
            .at_key(&self.key)
    }

    fn wrong_type(&self, kind: ErrorKind, expected: &str) -> Box<Error> {
        let found = match self.value.get_ref() {
            DeValue::String(text) => format!("the text \"{}\"", excerpt(text)),
            DeValue::Integer(number) => format!("the number {}", excerpt(&number.to_string())),
            DeValue::Float(number) => format!("the number {}", excerpt(number.as_str())),
            DeValue::Boolean(value) => value.to_string(),
            DeValue::Datetime(_) => "a date".to_owned(),
            DeValue::Array(_) => "an array".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        };
        self.error(kind, found, expected, "correct the value")
    }

    /// True for a table.
    pub(crate) fn is_table(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::Table(_))
    }

    /// True for an array.
    pub(crate) fn is_array(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::Array(_))
    }

    /// True for a text.
    pub(crate) fn is_string(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::String(_))
    }

    /// Its full path, such as `take[2].file`.
    pub(crate) fn key(&self) -> &str {
        &self.key
    }

    /// Its line, counted from 1.
    pub(crate) fn line(&self) -> usize {
        self.origin.line(self.value.span().start)
    }

    /// A finite number, whole or not.
    pub(crate) fn number(&self) -> Result<f64> {
        let text = match self.value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str(),
            DeValue::Float(number) => number.as_str(),
            _ => return Err(self.wrong_type(ErrorKind::Number, "a decimal number")),
        };
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.wrong_type(ErrorKind::Number, "a finite number")),
        }
    }

    /// A whole number, 0 or more.
    pub(crate) fn whole(&self) -> Result<u64> {
        match self.value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
            _ => None,
        }
        .ok_or_else(|| self.wrong_type(ErrorKind::Number, "a whole number, 0 or more"))
    }

    /// True or false.
    pub(crate) fn boolean(&self) -> Result<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(value) => Ok(*value),
            _ => Err(self.wrong_type(ErrorKind::Format, "true or false")),
        }
    }

    /// A text.
    pub(crate) fn string(&self) -> Result<String> {
        match self.value.get_ref() {
            DeValue::String(text) => Ok(text.clone().into_owned()),
            _ => Err(self.wrong_type(ErrorKind::Format, "a text in quotes")),
        }
    }

    /// The items of an array; their keys are `key[1]`, `key[2]` and so on.
    pub(crate) fn items(&self) -> Result<Vec<Value<'a>>> {
        let DeValue::Array(items) = self.value.get_ref() else {
            return Err(self.wrong_type(ErrorKind::Format, "an array"));
        };
        Ok(items
            .iter()
            .enumerate()
            .map(|(index, value)| Value {
                origin: self.origin,
                key: format!("{}[{}]", self.key, index + 1),
                value,
            })
            .collect())
    }

    /// Refuses an array of more than `most` of `what`.
    pub(crate) fn at_most(&self, most: usize, what: &str) -> Result<()> {
        match self.value.get_ref() {
            DeValue::Array(items) if items.iter().count() > most => Err(self.error(
                ErrorKind::Setting,
                format!("{} {what}", items.iter().count()),
                format!("at most {most}"),
                "remove some, or check that this is the file you meant",
            )),
            _ => Ok(()),
        }
    }

    /// An array of finite numbers.
    pub(crate) fn numbers(&self) -> Result<Vec<f64>> {
        self.items()?.iter().map(Value::number).collect()
    }

    /// An array of texts.
    pub(crate) fn strings(&self) -> Result<Vec<String>> {
        self.items()?.iter().map(Value::string).collect()
    }

    /// Reads a table, which may hold the `known` keys and no others.
    pub(crate) fn table<T>(
        &self,
        known: &[&'static str],
        read: impl FnOnce(&Table<'a>) -> Result<T>,
    ) -> Result<T> {
        let DeValue::Table(map) = self.value.get_ref() else {
            return Err(self.wrong_type(ErrorKind::Format, "a table"));
        };
        let table = Table {
            origin: self.origin,
            path: self.key.clone(),
            start: self.value.span().start,
            map,
        };
        table.deny_all_but(known)?;
        read(&table)
    }

    /// Reads every table of an array.
    pub(crate) fn tables<T>(
        &self,
        known: &[&'static str],
        mut read: impl FnMut(&Table<'a>) -> Result<T>,
    ) -> Result<Vec<T>> {
        self.items()?
            .iter()
            .map(|item| item.table(known, &mut read))
            .collect()
    }
}
