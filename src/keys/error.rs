//! What can be at fault with a TOML file and its keys.

use crate::error::fault::{Show, faults};
use crate::message::excerpt;

/// What a file read here should be.
const TOML: &str = "a TOML file in UTF-8";

/// What to do about a file that is none.
const CHECK: &str = "check that this is the file you meant";

faults! { KeysFault, names;
    /// More bytes than any such file has; the most.
    TooLarge(most_bytes: usize) => Format,
        (format!("more than {} MB", most_bytes >> 20)),
        (TOML),
        (CHECK);
    /// Bytes that are no UTF-8.
    NotUtf8 => Format,
        "bytes that are not UTF-8",
        (TOML),
        (CHECK);
    /// A quotation mark of a word processor.
    TypographicQuote(quote: char) => Format,
        "the typographic quotation mark {quote}",
        "a plain quotation mark, \"",
        "type the quotation marks anew: a word processor has changed them";
    /// A character that looks like a blank and is none.
    Invisible(c: char) => Format,
        (format!("an invisible character that is no plain blank (U+{:04X})", u32::from(*c))),
        "plain blanks",
        "type this line anew: such characters come from a document it was copied from";
    /// A line with one quotation mark.
    LoneQuote(line: String) => Format,
        "one quotation mark alone: `{line}`",
        "a quotation mark before and after the text, on one line",
        "add the missing one";
    /// A backslash in a text.
    Backslash => Format,
        "a backslash in a text",
        "a slash, two backslashes, or single quotation marks around the text",
        "write folders like folder/file.csv";
    /// A number with a decimal comma.
    DecimalComma(value: String) => Format,
        "`{value}`",
        "a decimal point, not a comma",
        "write numbers like 3.5";
    /// A bracket that is not closed, and the one that would close it.
    OpenBracket(opening: char, closing: char) => Format,
        "`{opening}` that is not closed",
        "`{closing}` at its end",
        "add the missing bracket";
    /// The head of a table with too few brackets.
    Head(head: String) => Format,
        "`{head}`",
        "as many brackets after the name as before it, such as [knowledge] or [[section]]",
        "add the missing bracket";
    /// A key without `=`, and what stands after it.
    NoEquals(word: String, after: Option<char>) => Format,
        (format!("`{}` without `=`{}", excerpt(word), match after {
            Some('\t') => ", but a tab after it",
            Some(':') => ", but a colon after it",
            _ => "",
        })),
        "KEY = VALUE",
        "write `=` between key and value; or check that this is the file you meant";
    /// A key without a value.
    NoValue(line: String) => Format,
        "`{line}` without a value",
        "KEY = VALUE",
        "write the value behind `=`, or remove the line";
    /// A number with its unit.
    NumberWithUnit(value: String) => Format,
        "`{value}`",
        "the number alone",
        "leave the unit out: the key names it";
    /// A word without quotation marks.
    Unquoted(value: String) => Format,
        "`{value}` without quotation marks",
        "a text in quotation marks, a number, true or false",
        "put words into quotation marks: \"...\"";
    /// Any other line that is no TOML: what the parser found, and expected.
    NotToml(found: String, expected: String) => Format,
        (&**found),
        (&**expected),
        "correct this line; words stand in quotes, numbers do not";
    /// A key given twice, and the line of the first.
    Twice(key: String, line: usize) => Format,
        "`{key}` again, after line {line}",
        "each key once in its table",
        "remove one of the two, or put the second into a table of its own";
    /// A key typed twice.
    TypedTwice(key: String) => Setting,
        "`{key}` twice",
        "each key once",
        "remove one";
    /// A part of what was typed that is no `KEY=VALUE`.
    NoPair(part: String) => Setting,
        "`{part}`",
        "KEY=VALUE, separated by commas, with decimal points",
        "write it like shape=peaking,f0_hz=3000,gain_db=-2,q=1.2";
    /// A key that is not there.
    Missing(key: String) => Format,
        "no such key",
        "a value for `{key}`",
        "add the key";
    /// The number of a format that is not known.
    Format(number: u64) => Format,
        "format {number}",
        "format 1, the only one this version knows",
        "use a version that knows that format, or write the file anew";
    /// A value that is no number, and what it should be.
    NotANumber(given: Given, expected: Type) => Number,
        "{given}",
        "{expected}",
        "correct the value";
    /// A value of another type, and what it should be.
    WrongType(given: Given, expected: Type) => Format,
        "{given}",
        "{expected}",
        "correct the value";
    /// More of something than there may be: how many, what, and the most.
    TooMany(count: usize, what: &'static str, most: usize) => Setting,
        "{count} {what}",
        "at most {most}",
        "remove some, or check that this is the file you meant";
    /// A text that names nothing.
    NoName => Setting,
        "an empty text, or one with control characters",
        "a name",
        "write a name on one line";
    /// The number of an item that is not two numbers, and what two such numbers are.
    NoPairOfNumbers(number: usize, expected: Type) => Format,
        "point {number}, which is not two numbers",
        "{expected}",
        "correct this point";
}

/// A value of a TOML file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Given {
    /// A text.
    Text(String),
    /// A number, as written.
    Number(String),
    /// True or false.
    Boolean(bool),
    /// A date or time.
    Date,
    /// An array.
    Array,
    /// A table.
    Table,
}

impl Show for Given {
    fn show(&self) -> String {
        match self {
            Self::Text(text) => format!("the text \"{}\"", excerpt(text)),
            Self::Number(number) => format!("the number {}", excerpt(number)),
            Self::Boolean(value) => value.to_string(),
            Self::Date => "a date".to_owned(),
            Self::Array => "an array".to_owned(),
            Self::Table => "a table".to_owned(),
        }
    }
}

/// What a value should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Type {
    /// A number, not hexadecimal or the like.
    Decimal,
    /// A number that is not infinite.
    Finite,
    /// A whole number, 0 or more.
    Whole,
    /// The values that a knob of an equaliser can take.
    Setting,
    /// True or false.
    Boolean,
    /// A text.
    Text,
    /// An array.
    Array,
    /// A table.
    Table,
    /// Points of frequency and level.
    Points,
    /// Points of frequency and trust.
    TrustPoints,
}

impl Show for Type {
    fn show(&self) -> String {
        match self {
            Self::Decimal => "a decimal number",
            Self::Finite => "a finite number",
            Self::Whole => "a whole number, 0 or more",
            Self::Setting => "a number, { min, max }, { min, max, step } or { allowed = [...] }",
            Self::Boolean => "true or false",
            Self::Text => "a text in quotes",
            Self::Array => "an array",
            Self::Table => "a table",
            Self::Points => {
                "points of frequency in Hz and level in dB, such as [[100, 1.5], [1000, 0]]"
            }
            Self::TrustPoints => "frequency in Hz and trust, such as [8000, 1.0]",
        }
        .to_owned()
    }
}
