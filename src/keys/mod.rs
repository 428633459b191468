//! A TOML file read key by key, so that every error can name its line, its key and the nearest spelling. What is typed as
//! `KEY=VALUE,KEY=VALUE` is read the same way.

pub mod error;
mod lines;
mod syntax;
pub(crate) mod text;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::value::{NameOf, Quantity, ValueFault};
use crate::error::{Error, Fault, Result, Source};
use crate::message::excerpt;
use error::{Given, KeysFault, Type};
use lines::Lines;
use syntax::parse;

/// No file read through here needs to be larger; anything that is, is another kind of file.
pub(crate) const LARGEST_BYTES: usize = 4 << 20;

/// The key of an array of pairs.
const POINTS: &str = "points";

/// What some programs put before a text, and some twice.
pub(crate) const BYTE_ORDER_MARK: char = '\u{feff}';

/// A pair of numbers and its line.
pub(crate) type PairAt = ((f64, f64), Option<usize>);

/// The file that places are counted in; what was typed has no lines.
#[derive(Clone, Copy)]
struct Origin<'a> {
    source: &'a Source,
    lines: Option<&'a Lines<'a>>,
}

impl Origin<'_> {
    fn line(self, byte: usize) -> Option<usize> {
        Some(self.lines?.line(byte))
    }

    fn error(
        self,
        fault: impl Into<Box<dyn Fault>>,
        byte: usize,
        key: impl Into<String>,
    ) -> Box<Error> {
        let error = Error::of(fault, self.source.clone());
        error.at_line(self.line(byte)).at_key(key)
    }
}

/// Parses `bytes` and hands the top table, which may hold the `known` keys and no others, to `read`.
pub(crate) fn read_file<T>(
    bytes: &[u8],
    source: &str,
    known: &[&'static str],
    read: impl FnOnce(&Table) -> Result<T>,
) -> Result<T> {
    if bytes.len() > LARGEST_BYTES {
        return Err(Error::of(KeysFault::TooLarge(LARGEST_BYTES), source));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let before = &bytes[..error.valid_up_to()];
        let line = 1 + before.iter().filter(|&&b| b == b'\n').count();
        Error::of(KeysFault::NotUtf8, source).at_line(line)
    })?;
    read_text(
        text.trim_start_matches(BYTE_ORDER_MARK),
        source,
        known,
        read,
    )
}

/// As [`read_file`], for a text.
pub(crate) fn read_text<T>(
    text: &str,
    source: &str,
    known: &[&'static str],
    read: impl FnOnce(&Table) -> Result<T>,
) -> Result<T> {
    let (source, lines) = (Source::from(source), Lines::of(text));
    let map = parse(text, &source, &lines)?;
    let table = Table {
        origin: Origin {
            source: &source,
            lines: Some(&lines),
        },
        path: String::new(),
        start: 0,
        map: map.get_ref(),
    };
    table.only(known)?;
    read(&table)
}

/// Reads `KEY=VALUE,KEY=VALUE` as a table: what reads as a number is one, `POINTS` of the form `100:1.5/1000:0` are an
/// array of pairs, and all else is a text.
pub(crate) fn read_typed<T>(
    typed: &str,
    source: impl Into<Source>,
    read: impl FnOnce(&Table) -> Result<T>,
) -> Result<T> {
    let source = source.into();
    let mut keys: Vec<&str> = Vec::new();
    let mut text = String::new();
    for part in typed.split(',') {
        let pair = part.split_once('=').map(|(k, v)| (k.trim(), v.trim()));
        let Some((key, value)) = pair else {
            return Err(Error::of(KeysFault::NoPair(part.to_owned()), source));
        };
        if keys.contains(&key) {
            let fault = KeysFault::TypedTwice(key.to_owned());
            return Err(Error::of(fault, source).at_key(excerpt(key)));
        }
        keys.push(key);
        let points = key == POINTS && value.contains(':');
        let value = match points {
            true => text::array(value.split('/'), typed_point),
            false => typed_value(value),
        };
        text.push_str(&format!("{} = {value}\n", text::string(key)));
    }
    let lines = Lines::of(&text);
    let map = parse(&text, &source, &lines)?;
    read(&Table {
        origin: Origin {
            source: &source,
            lines: None,
        },
        path: String::new(),
        start: 0,
        map: map.get_ref(),
    })
}

fn typed_value(value: &str) -> String {
    match value.parse::<f64>() {
        Ok(number) if number.is_nan() => "nan".to_owned(),
        Ok(number) => text::float(number),
        Err(_) => text::string(value),
    }
}

fn typed_point(point: &str) -> String {
    let pair = point.split_once(':');
    let numbers = pair.map(|(f_hz, db)| [f_hz, db].map(|x| typed_value(x.trim())));
    numbers.map_or_else(|| text::string(point), |pair| text::array(pair, |x| x))
}

/// A table and the place where it begins.
#[derive(Clone)]
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
            let fault = KeysFault::Missing(key.to_owned());
            self.origin.error(fault, self.start, self.path_to(key))
        })
    }

    /// Requires `format = 1`.
    pub(crate) fn format_1(&self) -> Result<()> {
        let format = self.required("format")?;
        match format.whole()? {
            1 => Ok(()),
            other => Err(format.error(KeysFault::Format(other))),
        }
    }

    /// Refuses keys that are not known.
    pub(crate) fn only(&self, known: &[&'static str]) -> Result<()> {
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
        let fault = ValueFault::unknown(NameOf::Key, &name, known);
        let path = self.path_to(&name);
        Err(self.origin.error(fault, key.span().start, path))
    }

    /// The same error, at the line and full path of its key, which is given relative to this table.
    pub(crate) fn placed(&self, mut error: Box<Error>) -> Box<Error> {
        let key = error.place.key.take().unwrap_or_default();
        let line = self.origin.line(self.start_of(&key));
        error
            .about(self.origin.source.clone())
            .at_line(line)
            .at_key(self.path_to(&key))
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
    pub(crate) fn error(&self, fault: impl Into<Box<dyn Fault>>) -> Box<Error> {
        self.origin.error(fault, self.value.span().start, &self.key)
    }

    fn wrong_type(&self, expected: Type) -> Box<Error> {
        let given = match self.value.get_ref() {
            DeValue::String(text) => Given::Text(text.to_string()),
            DeValue::Integer(number) => Given::Number(number.to_string()),
            DeValue::Float(number) => Given::Number(number.as_str().to_owned()),
            DeValue::Boolean(value) => Given::Boolean(*value),
            DeValue::Datetime(_) => Given::Date,
            DeValue::Array(_) => Given::Array,
            DeValue::Table(_) => Given::Table,
        };
        match expected {
            Type::Decimal | Type::Finite | Type::Whole | Type::Setting => {
                self.error(KeysFault::NotANumber(given, expected))
            }
            _ => self.error(KeysFault::WrongType(given, expected)),
        }
    }

    /// The same value under another path, for errors.
    pub(crate) fn called(mut self, path: &str) -> Self {
        path.clone_into(&mut self.key);
        self
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

    /// Its line, counted from 1; none for what was typed.
    pub(crate) fn line(&self) -> Option<usize> {
        self.origin.line(self.value.span().start)
    }

    /// A finite number, whole or not.
    pub(crate) fn number(&self) -> Result<f64> {
        let text = match self.value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str(),
            DeValue::Float(number) => number.as_str(),
            _ => return Err(self.wrong_type(Type::Decimal)),
        };
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.wrong_type(Type::Finite)),
        }
    }

    /// A whole number, 0 or more.
    pub(crate) fn whole(&self) -> Result<u64> {
        match self.value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
            _ => None,
        }
        .ok_or_else(|| self.wrong_type(Type::Whole))
    }

    /// True or false.
    pub(crate) fn boolean(&self) -> Result<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(value) => Ok(*value),
            _ => Err(self.wrong_type(Type::Boolean)),
        }
    }

    /// A text.
    pub(crate) fn string(&self) -> Result<String> {
        match self.value.get_ref() {
            DeValue::String(text) => Ok(text.clone().into_owned()),
            _ => Err(self.wrong_type(Type::Text)),
        }
    }

    /// The items of an array; their keys are `key[1]`, `key[2]` and so on.
    pub(crate) fn items(&self) -> Result<Vec<Value<'a>>> {
        let DeValue::Array(items) = self.value.get_ref() else {
            return Err(self.wrong_type(Type::Array));
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
    pub(crate) fn at_most(&self, most: usize, what: &'static str) -> Result<()> {
        match self.value.get_ref() {
            DeValue::Array(items) if items.len() > most => {
                let fault = KeysFault::TooMany(items.len(), what, most);
                Err(self.error(fault))
            }
            _ => Ok(()),
        }
    }

    /// A number from `min` to `max`, with its unit as it follows a number, such as ` dB`.
    pub(crate) fn within(&self, range: (f64, f64), unit: &'static str) -> Result<f64> {
        let number = self.number()?;
        match (range.0..=range.1).contains(&number) {
            true => Ok(number),
            false => {
                let what = Quantity::Setting(unit);
                Err(self.error(ValueFault::out_of_range(what, number, range)))
            }
        }
    }

    /// A text that names something: not empty, on one line.
    pub(crate) fn name(&self) -> Result<String> {
        let text = self.string()?;
        match text.trim().is_empty() || text.chars().any(char::is_control) {
            true => Err(self.error(KeysFault::NoName)),
            false => Ok(text),
        }
    }

    /// One of a few names.
    pub(crate) fn one_of<T: Copy>(&self, all: &[T], name_of: fn(T) -> &'static str) -> Result<T> {
        self.one_called(NameOf::Word, all, name_of)
    }

    /// As [`Value::one_of`], of names of `what`.
    pub(crate) fn one_called<T: Copy>(
        &self,
        what: NameOf,
        all: &[T],
        name_of: fn(T) -> &'static str,
    ) -> Result<T> {
        let given = self.string()?;
        let found = all.iter().copied().find(|&item| name_of(item) == given);
        found.ok_or_else(|| {
            let names = all.iter().map(|&item| name_of(item));
            self.error(ValueFault::unknown(what, &given, names))
        })
    }

    /// Pairs of numbers, each with its line; `what` they are.
    pub(crate) fn pairs(&self, what: Type) -> Result<Vec<PairAt>> {
        let DeValue::Array(_) = self.value.get_ref() else {
            return Err(self.wrong_type(what));
        };
        let pair = |(index, item): (usize, Value<'a>)| match item.numbers().as_deref() {
            Ok(&[one, other]) => Ok(((one, other), item.line())),
            _ => Err(item.error(KeysFault::NoPairOfNumbers(index + 1, what))),
        };
        self.items()?.into_iter().enumerate().map(pair).collect()
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
        let table = self.as_table()?;
        table.only(known)?;
        read(&table)
    }

    /// The table, whatever keys it holds.
    pub(crate) fn as_table(&self) -> Result<Table<'a>> {
        let DeValue::Table(map) = self.value.get_ref() else {
            return Err(self.wrong_type(Type::Table));
        };
        Ok(Table {
            origin: self.origin,
            path: self.key.clone(),
            start: self.value.span().start,
            map,
        })
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
