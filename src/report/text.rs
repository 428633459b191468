//! Reports as plain text for a terminal, at most 100 columns wide; only a path may be longer, which must stay whole to be
//! copied. Numbers to be typed elsewhere have an ASCII hyphen for a minus and no idle zeros.
//!
//! A blank line stands between parts; what has a head is indented below it.

use std::iter;

use super::blocks::{Block, Column, ColumnKind, Lead, Naming, Part, Report, Row, Text};
use super::files::WrittenFile;
use super::words::{columns, printable, wrap};

/// Widest line, columns.
pub const WIDTH: usize = 100;

/// Columns by which what belongs to something stands further to the right.
const STEP: usize = 2;

/// Columns before the values of rows, at least: so rows of different parts stand in line.
const NAME_COLUMNS: usize = 16;

/// Columns that file names have at least; of longer ones the end is shown.
const FILE_NAME_COLUMNS: usize = 12;

/// Columns that kinds of files have at least.
const FILE_KIND_COLUMNS: usize = 5;

/// Columns that running text has at least, however much stands before it.
const TEXT_COLUMNS: usize = 20;

/// Blanks between neighbours, as a rule.
const GAP: usize = 3;

/// Blanks between neighbours where room is short.
const NARROW_GAP: usize = 2;

/// From so many columns on, room is short.
const MANY_COLUMNS: usize = 7;

/// The reports, one below the other, with settings as `naming` has them, without details.
#[must_use]
pub fn text(reports: &[Report], naming: Naming) -> String {
    laid_out(reports, naming, false)
}

/// The same with all details.
#[must_use]
pub fn text_in_full(reports: &[Report], naming: Naming) -> String {
    laid_out(reports, naming, true)
}

fn laid_out(reports: &[Report], naming: Naming, in_full: bool) -> String {
    let mut page = Page::new(naming, in_full);
    for report in reports {
        page.report(report);
    }
    page.text
}

/// A text that grows.
struct Page {
    text: String,
    naming: Naming,
    in_full: bool,
    indent: usize,
}

impl Page {
    fn new(naming: Naming, in_full: bool) -> Self {
        Self {
            text: String::new(),
            naming,
            in_full,
            indent: 0,
        }
    }

    fn report(&mut self, report: &Report) {
        self.gap();
        self.paragraph("", &report.title);
        if !report.cautions.is_empty() {
            self.gap();
        }
        for caution in &report.cautions {
            self.paragraph(&lead_words(Lead::Caution), caution);
        }
        let shown = |part: &&Part| self.in_full || !part.is_detail;
        let parts: Vec<&Part> = report.parts.iter().filter(shown).collect();
        for part in parts {
            if !part.continues {
                self.gap();
            }
            self.part(part);
        }
    }

    fn part(&mut self, part: &Part) {
        if let Some(head) = &part.head {
            self.paragraph("", head);
            self.indent = STEP;
        }
        for block in &part.blocks {
            self.block(block);
        }
        self.indent = 0;
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Rows(rows) => self.rows(rows),
            Block::Table { columns, across } if *across => self.table_across(columns),
            Block::Table { columns, .. } => self.table(columns),
            Block::Paragraph { lead, text } => self.paragraph(&lead_words(*lead), text),
            Block::Files(files) => self.files(files),
            Block::Card(lines) => lines.iter().for_each(|line| self.line(&printable(line))),
            Block::Picture(picture) => picture.to_braille().iter().for_each(|line| self.line(line)),
        }
    }

    /// An empty line before what follows, but not at the top.
    fn gap(&mut self) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
    }

    fn line(&mut self, text: &str) {
        let text = format!("{:indent$}{text}", "", indent = self.indent);
        self.text.push_str(text.trim_end());
        self.text.push('\n');
    }

    /// `text` with `lead` before its first line and blanks of that width before the others.
    fn paragraph(&mut self, lead: &str, text: &Text) {
        let room = WIDTH
            .saturating_sub(self.indent + wide(lead))
            .max(TEXT_COLUMNS);
        let text = printable(&text.in_words(self.naming));
        let mut lead = lead.to_owned();
        for line in wrap(&text, room as f64, |c| columns(c) as f64) {
            self.line(&format!("{lead}{line}"));
            lead = " ".repeat(wide(&lead));
        }
    }

    fn rows(&mut self, rows: &[Row]) {
        let names = rows.iter().map(|row| below(row.depth, &row.name));
        let names: Vec<String> = names.collect();
        let longest = widest(&names);
        let width = NAME_COLUMNS.saturating_sub(self.indent).max(longest + GAP);
        for (name, row) in names.iter().zip(rows) {
            self.paragraph(&left(name, width), &row.value);
        }
    }

    /// A line for each record, below the heads where there are any.
    fn table(&mut self, columns: &[Column]) {
        let is_text = |column: &&Column| column.kind == ColumnKind::Sentences;
        let text = columns.iter().find(is_text);
        let columns: Vec<&Column> = columns.iter().filter(|c| !is_text(c)).collect();
        let gap = if text.is_some() || columns.len() >= MANY_COLUMNS {
            NARROW_GAP
        } else {
            GAP
        };
        let mut laid: Vec<Vec<String>> = columns.iter().map(|c| aligned(c, WIDTH)).collect();
        for (k, column) in columns.iter().enumerate() {
            if column.kind == ColumnKind::FileNames {
                let others = laid.iter().enumerate().filter(|(other, _)| *other != k);
                let taken: usize = others.map(|(_, cells)| widest(cells) + gap).sum();
                let room = WIDTH.saturating_sub(self.indent + taken);
                laid[k] = aligned(column, room.max(FILE_NAME_COLUMNS));
            }
        }
        let has_heads = columns.iter().any(|column| !column.head.is_empty());
        let lines = laid.iter().map(Vec::len).max().unwrap_or(0);
        let cell = |cells: &Vec<String>, line: usize| cells.get(line).cloned().unwrap_or_default();
        for line in usize::from(!has_heads)..lines {
            let cells: Vec<String> = laid.iter().map(|cells| cell(cells, line)).collect();
            let cells = cells.join(&" ".repeat(gap));
            let sentence = text.and_then(|text| match line.checked_sub(1) {
                Some(record) => text.cells.get(record),
                None => Some(&text.head),
            });
            match sentence.filter(|sentence| !sentence.trim().is_empty()) {
                Some(sentence) => self.paragraph(&(cells + &" ".repeat(gap)), &sentence.into()),
                None => self.line(&cells),
            }
        }
    }

    /// A line for each column, as many records beside each other as fit.
    fn table_across(&mut self, columns: &[Column]) {
        let heads: Vec<String> = columns.iter().map(|c| below(c.depth, &c.head)).collect();
        let cells = || columns.iter().flat_map(|column| &column.cells);
        // Cells of several words need more between them than there is within.
        let gap = if cells().any(|cell| cell.contains(' ')) {
            GAP
        } else {
            NARROW_GAP
        };
        let head_width = widest(&heads);
        let width = gap + cells().map(|cell| wide(cell)).max().unwrap_or(0);
        let beside = (WIDTH.saturating_sub(self.indent + head_width) / width).max(1);
        let records = columns.iter().map(|column| column.cells.len()).max();
        for first in (0..records.unwrap_or(0)).step_by(beside) {
            for (head, column) in heads.iter().zip(columns) {
                let cells = column.cells.iter().skip(first).take(beside);
                let cells: String = cells.map(|cell| right(&printable(cell), width)).collect();
                self.line(&(left(head, head_width) + &cells));
            }
        }
    }

    fn files(&mut self, files: &[WrittenFile]) {
        let kinds: Vec<&str> = files.iter().map(|file| file.kind.name()).collect();
        let width = widest(&kinds).max(FILE_KIND_COLUMNS) + GAP;
        for file in files {
            self.line(&(left(file.kind.name(), width) + &printable(&file.path)));
        }
    }
}

/// How a paragraph begins.
fn lead_words(lead: Lead) -> String {
    match lead {
        Lead::None => String::new(),
        Lead::Name(name) => format!("{name}: "),
        Lead::Caution => "Caution: ".to_owned(),
        Lead::Step => "- ".to_owned(),
    }
}

/// A head and its cells, none wider than `most`, all padded to one width; numbers with their decimal points in line.
fn aligned(column: &Column, most: usize) -> Vec<String> {
    let numbers = column.kind == ColumnKind::Numbers;
    let fraction = |cell: &str| cell.find('.').map_or(0, |point| cell.len() - point);
    let longest = column.cells.iter().map(|cell| fraction(cell)).max();
    let cells = column.cells.iter().map(|cell| match column.kind {
        ColumnKind::Numbers => left(cell, wide(cell) + longest.unwrap_or(0) - fraction(cell)),
        ColumnKind::FileNames => end_of(&printable(cell), most),
        ColumnKind::Words | ColumnKind::Sentences => printable(cell),
    });
    let cells: Vec<String> = iter::once(printable(&column.head)).chain(cells).collect();
    let width = widest(&cells);
    let pad = if numbers { right } else { left };
    cells.iter().map(|cell| pad(cell, width)).collect()
}

/// Of a long name the end, where the number is.
fn end_of(name: &str, room: usize) -> String {
    let length = name.chars().count();
    if length <= room {
        return name.to_owned();
    }
    let end: String = name.chars().skip(length - (room - 3)).collect();
    format!("...{end}")
}

/// A name that belongs to one above it.
fn below(depth: usize, name: &str) -> String {
    " ".repeat(depth * STEP) + &printable(name)
}

fn left(text: &str, width: usize) -> String {
    text.to_owned() + &" ".repeat(width.saturating_sub(wide(text)))
}

fn right(text: &str, width: usize) -> String {
    " ".repeat(width.saturating_sub(wide(text))) + text
}

/// Columns that the widest takes.
fn widest(texts: &[impl AsRef<str>]) -> usize {
    let wide = |text: &_| wide(AsRef::<str>::as_ref(text));
    texts.iter().map(wide).max().unwrap_or(0)
}

fn wide(text: &str) -> usize {
    text.chars().map(columns).sum()
}
