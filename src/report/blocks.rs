//! What a report consists of, before anyone lays it out: texts, rows of names and values, tables, files. Nothing here
//! knows of columns, padding or line ends.

use std::ops::Add;

use super::files::WrittenFile;
use super::picture::Picture;
use crate::caution::Caution;
use crate::knob::Knob;

/// A report on one subject.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// The subject; empty if the parts name it themselves.
    pub title: Text,
    /// What to know before anything else, each a sentence or two.
    pub cautions: Vec<Text>,
    /// Its parts, in order.
    pub parts: Vec<Part>,
}

/// Blocks that belong together.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What stands above them.
    pub head: Option<Text>,
    /// True where it goes on with what the part before is about.
    pub continues: bool,
    /// True where it is left out unless everything is asked for.
    pub is_detail: bool,
    /// The blocks, in order.
    pub blocks: Vec<Block>,
}

/// The smallest piece that is laid out by itself.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Names, each with what belongs to it.
    Rows(Vec<Row>),
    /// Figures and words in columns, one record a row.
    Table {
        /// The columns, as long as each other.
        columns: Vec<Column>,
        /// True: one line for each column, records side by side, as suits many short records. False: one line for each
        /// record.
        across: bool,
    },
    /// Running text.
    Paragraph {
        /// What it begins with.
        lead: Lead,
        /// The text.
        text: Text,
    },
    /// Files that were written.
    Files(Vec<WrittenFile>),
    /// Lines that are typed elsewhere, as they are.
    Card(Vec<String>),
    /// A picture; text draws its panels in characters.
    Picture(Box<Picture>),
}

/// What a paragraph begins with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lead {
    /// Nothing.
    None,
    /// What it is about.
    Name(&'static str),
    /// A word that it is a caution.
    Caution,
    /// A mark that it is something to do.
    Step,
}

/// A name and what belongs to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The name.
    pub name: String,
    /// How many rows above it contain it: 0, or 1 for a part of the row above.
    pub depth: usize,
    /// What belongs to it; a row without is left out.
    pub value: Text,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its head; empty where none is needed.
    pub head: String,
    /// What it holds.
    pub kind: ColumnKind,
    /// Indent of its head: 0, or 1 more than the column of which it is a part.
    pub depth: usize,
    /// One cell for each record.
    pub cells: Vec<String>,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    /// Words.
    Words,
    /// Names of files, of which the end tells most.
    FileNames,
    /// Numbers.
    Numbers,
    /// Sentences.
    Sentences,
}

/// Words, and settings by whatever name the reader knows them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Text(Vec<Span>);

#[derive(Debug, Clone, PartialEq)]
enum Span {
    Words(String),
    ProgramSetting(ProgramSetting),
    Caution(Caution),
}

/// A setting in a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ProgramSetting {
    /// Which.
    pub knob: Knob,
    /// The task it belongs to, where that is another than the one reported on.
    pub task: Option<&'static str>,
    /// What to set it to.
    pub value: Option<&'static str>,
}

/// How a reader knows a setting.
pub type Naming = fn(&ProgramSetting) -> String;

impl ProgramSetting {
    /// A setting of another task.
    #[must_use]
    pub fn of(task: &'static str, knob: Knob) -> Self {
        Self {
            task: Some(task),
            ..knob.into()
        }
    }

    /// A setting and what to set it to.
    #[must_use]
    pub fn to(knob: Knob, value: &'static str) -> Self {
        Self {
            value: Some(value),
            ..knob.into()
        }
    }
}

impl From<Knob> for ProgramSetting {
    fn from(knob: Knob) -> Self {
        Self {
            knob,
            task: None,
            value: None,
        }
    }
}

impl Text {
    /// In words, with the settings by their names.
    #[must_use]
    pub fn in_words(&self, naming: Naming) -> String {
        let words = |span: &Span| match span {
            Span::Words(words) => words.clone(),
            Span::ProgramSetting(setting) => naming(setting),
            Span::Caution(caution) => caution.worded(&|knob| naming(&knob.into())),
        };
        self.0.iter().map(words).collect()
    }
}

impl From<&str> for Text {
    fn from(words: &str) -> Self {
        Self::from(words.to_owned())
    }
}

impl From<String> for Text {
    fn from(words: String) -> Self {
        Self(vec![Span::Words(words)])
    }
}

impl From<&String> for Text {
    fn from(words: &String) -> Self {
        Self::from(words.clone())
    }
}

impl From<&Caution> for Text {
    fn from(caution: &Caution) -> Self {
        Self(vec![Span::Caution(caution.clone())])
    }
}

impl From<ProgramSetting> for Text {
    fn from(setting: ProgramSetting) -> Self {
        Self(vec![Span::ProgramSetting(setting)])
    }
}

impl From<Knob> for Text {
    fn from(knob: Knob) -> Self {
        Self::from(ProgramSetting::from(knob))
    }
}

impl<T: Into<Self>> Add<T> for Text {
    type Output = Self;

    fn add(mut self, more: T) -> Self {
        self.0.extend(more.into().0);
        self
    }
}

impl Report {
    /// A report without cautions and parts so far.
    #[must_use]
    pub fn new(title: impl Into<Text>) -> Self {
        Self {
            title: title.into(),
            cautions: Vec::new(),
            parts: Vec::new(),
        }
    }

    /// Adds a part with pictures before the others.
    #[must_use]
    pub fn with_pictures(mut self, pictures: Vec<Picture>) -> Self {
        let pictures = pictures.into_iter().map(Box::new).map(Block::Picture);
        let pictures: Vec<Block> = pictures.collect();
        if !pictures.is_empty() {
            self.parts.insert(0, Part::without_head(pictures));
        }
        self
    }

    /// Adds a part that names the files, where there are any.
    #[must_use]
    pub fn with_files(mut self, files: &[WrittenFile]) -> Self {
        if !files.is_empty() {
            let files = Block::Files(files.to_vec());
            self.parts.push(Part::new("Written", [files]));
        }
        self
    }
}

impl Part {
    /// Blocks with a head.
    #[must_use]
    pub fn new(head: impl Into<Text>, blocks: impl Into<Vec<Block>>) -> Self {
        Self {
            head: Some(head.into()),
            continues: false,
            is_detail: false,
            blocks: blocks.into(),
        }
    }

    /// The part, left out unless everything is asked for.
    #[must_use]
    pub fn detail(self) -> Self {
        Self {
            is_detail: true,
            ..self
        }
    }

    /// Blocks without one.
    #[must_use]
    pub fn without_head(blocks: impl Into<Vec<Block>>) -> Self {
        Self {
            head: None,
            continues: false,
            is_detail: false,
            blocks: blocks.into(),
        }
    }
}

impl Block {
    /// Records below each other.
    #[must_use]
    pub fn table(columns: impl Into<Vec<Column>>) -> Self {
        Self::Table {
            columns: columns.into(),
            across: false,
        }
    }

    /// Records beside each other.
    #[must_use]
    pub fn table_across(columns: impl Into<Vec<Column>>) -> Self {
        Self::Table {
            columns: columns.into(),
            across: true,
        }
    }

    /// A paragraph.
    #[must_use]
    pub fn paragraph(text: impl Into<Text>) -> Self {
        Self::led(Lead::None, text)
    }

    /// A paragraph that begins with `lead`.
    #[must_use]
    pub fn led(lead: Lead, text: impl Into<Text>) -> Self {
        let text = text.into();
        Self::Paragraph { lead, text }
    }

    /// A paragraph about `name`.
    #[must_use]
    pub fn about(name: &'static str, text: impl Into<Text>) -> Self {
        Self::led(Lead::Name(name), text)
    }
}

impl Row {
    /// A name and what belongs to it.
    #[must_use]
    pub fn new(name: impl Into<String>, value: impl Into<Text>) -> Self {
        Self {
            name: name.into(),
            depth: 0,
            value: value.into(),
        }
    }
}

impl Column {
    /// A column of a kind.
    #[must_use]
    pub fn new(kind: ColumnKind, head: &str, cells: impl IntoIterator<Item = String>) -> Self {
        Self {
            head: head.to_owned(),
            kind,
            depth: 0,
            cells: cells.into_iter().collect(),
        }
    }
}
