//! Reports as one HTML page that stands by itself: nothing is loaded, no script is needed to read it, it is light or dark
//! as the reader's system is, prints on A4, and reads at the width of a phone.
//!
//! Pictures stand in it as SVG, each with its numbers in a table below. A small script, where one runs, reads values at
//! the pointer and switches curves.

mod numbers;

use std::fmt::Write as _;

use super::blocks::{Block, Column, ColumnKind, Lead, Naming, Part, Report, Row, Text};
use super::files::WrittenFile;
use super::picture::svg::push_escaped;
use super::picture::{Look, Picture};
use super::words::true_minus;

/// How every page begins, so that one is known again.
pub const PAGE_BEGINNING: &str = "<!doctype html>\n<html lang=\"en\" class=\"bandwright-page\">";

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");

/// Most records beside each other: more are too wide for paper.
const BESIDE: usize = 10;

/// The page of reports, in full, with settings as `naming` has them.
#[must_use]
pub fn page(reports: &[Report], naming: Naming) -> String {
    let titles = reports.iter().map(|report| report.title.in_words(naming));
    let titles: Vec<String> = titles.filter(|title| !title.is_empty()).collect();
    let mut page = Page {
        html: String::new(),
        naming,
        pictures: 0,
    };
    page.push(PAGE_BEGINNING);
    page.push("\n<head>\n<meta charset=\"utf-8\">\n");
    page.push("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    page.element("title", "", &titles.join("; "));
    page.push(&format!("<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n"));
    for report in reports {
        page.report(report);
    }
    page.push(&format!("</main>\n<script>\n{SCRIPT}</script>\n</body>\n</html>\n"));
    page.html
}

/// A page that grows.
struct Page {
    html: String,
    naming: Naming,
    pictures: usize,
}

impl Page {
    fn push(&mut self, html: &str) {
        self.html.push_str(html);
    }

    /// An element with words in it; `attributes` are written as they are.
    fn element(&mut self, name: &str, attributes: &str, words: &str) {
        let gap = if attributes.is_empty() { "" } else { " " };
        let _ = writeln!(self.html, "<{name}{gap}{attributes}>{}</{name}>", escaped(words));
    }

    fn words(&self, text: &Text) -> String {
        text.in_words(self.naming)
    }

    fn report(&mut self, report: &Report) {
        self.push("<article>\n");
        let title = self.words(&report.title);
        if !title.is_empty() {
            self.element("h1", "dir=\"auto\"", &title);
        }
        for caution in &report.cautions {
            self.paragraph(Lead::Caution, caution);
        }
        for part in &report.parts {
            self.part(part);
        }
        self.push("</article>\n");
    }

    fn part(&mut self, part: &Part) {
        let name = if part.continues { "div" } else { "section" };
        let _ = writeln!(self.html, "<{name}>");
        if let Some(head) = &part.head {
            let head = self.words(head);
            self.element("h2", "dir=\"auto\"", &head);
        }
        for block in &part.blocks {
            self.block(block);
        }
        let _ = writeln!(self.html, "</{name}>");
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Rows(rows) => self.rows(rows),
            Block::Table { columns, across: true } => self.table_across(columns),
            Block::Table { columns, .. } => self.table(columns),
            Block::Paragraph { lead, text } => self.paragraph(*lead, text),
            Block::Files(files) => self.files(files),
            Block::Card(lines) => self.card(lines),
            Block::Picture(picture) => self.picture(picture),
        }
    }

    fn paragraph(&mut self, lead: Lead, text: &Text) {
        let text = self.words(text);
        match lead {
            Lead::None => self.element("p", "dir=\"auto\"", &text),
            Lead::Name(name) => self.element("p", "dir=\"auto\"", &format!("{name}: {text}")),
            Lead::Caution => {
                self.element("p", "class=\"caution\" dir=\"auto\"", &format!("Caution: {text}"));
            }
            Lead::Step => self.element("p", "class=\"step\" dir=\"auto\"", &text),
        }
    }

    fn rows(&mut self, rows: &[Row]) {
        self.push("<dl>\n");
        for row in rows {
            let class = if row.depth > 0 { "class=\"part\"" } else { "" };
            self.element("dt", class, &row.name);
            let value = self.words(&row.value);
            self.element("dd", "dir=\"auto\"", &value);
        }
        self.push("</dl>\n");
    }

    /// A line for each record.
    fn table(&mut self, columns: &[Column]) {
        self.open_table();
        if columns.iter().any(|column| !column.head.is_empty()) {
            self.push("<thead><tr>");
            for column in columns {
                self.cell("th scope=\"col\"", column.kind, &column.head);
            }
            self.push("</tr></thead>\n");
        }
        self.push("<tbody>\n");
        let records = columns.iter().map(|column| column.cells.len()).max();
        for record in 0..records.unwrap_or(0) {
            self.push("<tr>");
            for column in columns {
                let cell = column.cells.get(record).map_or("", String::as_str);
                self.cell("td", column.kind, cell);
            }
            self.push("</tr>\n");
        }
        self.push("</tbody>\n</table></div>\n");
    }

    /// A line for each column, in several tables where there are many records.
    fn table_across(&mut self, columns: &[Column]) {
        let records = columns.iter().map(|column| column.cells.len()).max();
        for first in (0..records.unwrap_or(0)).step_by(BESIDE) {
            self.records_across(columns, first);
        }
    }

    fn records_across(&mut self, columns: &[Column], first: usize) {
        let cells = |column: &Column| -> Vec<String> {
            column.cells.iter().skip(first).take(BESIDE).cloned().collect()
        };
        self.open_table();
        let mut rest = columns;
        // A first line without a name holds the names of the records.
        if let [names, others @ ..] = columns
            && names.head.is_empty()
        {
            self.push("<thead><tr><td></td>");
            for name in cells(names) {
                self.cell("th scope=\"col\"", ColumnKind::Numbers, &name);
            }
            self.push("</tr></thead>\n");
            rest = others;
        }
        self.push("<tbody>\n");
        for column in rest {
            let class = if column.depth > 0 {
                " class=\"part\""
            } else {
                ""
            };
            let _ = write!(
                self.html,
                "<tr><th scope=\"row\"{class}>{}</th>",
                escaped(&column.head)
            );
            for cell in cells(column) {
                self.cell("td", ColumnKind::Numbers, &cell);
            }
            self.push("</tr>\n");
        }
        self.push("</tbody>\n</table></div>\n");
    }

    /// A table wider than the page scrolls by itself, by keys too.
    fn open_table(&mut self) {
        self.push("<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"table\"><table>\n");
    }

    /// A cell; `tag` is its name with attributes.
    fn cell(&mut self, tag: &str, kind: ColumnKind, words: &str) {
        let name = tag.split(' ').next().unwrap_or(tag);
        let (class, words) = match kind {
            ColumnKind::Numbers => (" class=\"number\"", true_minus(words)),
            ColumnKind::FileNames => (" class=\"name\" dir=\"auto\"", words.to_owned()),
            ColumnKind::Words | ColumnKind::Sentences => (" dir=\"auto\"", words.to_owned()),
        };
        let _ = write!(self.html, "<{tag}{class}>{}</{name}>", escaped(&words));
    }

    fn files(&mut self, files: &[WrittenFile]) {
        self.push("<dl>\n");
        for file in files {
            self.element("dt", "", file.kind.name());
            self.element("dd", "dir=\"auto\"", &file.path);
        }
        self.push("</dl>\n");
    }

    /// Lines that are typed elsewhere, as they are.
    fn card(&mut self, lines: &[String]) {
        let lines: Vec<String> = lines.iter().map(|line| escaped(line)).collect();
        let _ = writeln!(
            self.html,
            "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"card\"><pre class=\"card\">{}</pre></div>",
            lines.join("\n")
        );
    }

    fn picture(&mut self, picture: &Picture) {
        self.pictures += 1;
        self.push(
            "<figure>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"picture\">\n",
        );
        let prefix = format!("picture-{}-", self.pictures);
        self.push(&picture.to_svg_as(Look::default(), &prefix));
        self.push("</div>\n<details><summary>The numbers of this picture</summary>\n");
        for (heading, columns) in numbers::tables(picture) {
            self.element("p", "dir=\"auto\"", &heading);
            self.table(&columns);
        }
        self.push("</details>\n</figure>\n");
    }
}

fn escaped(words: &str) -> String {
    let mut out = String::new();
    push_escaped(&mut out, words);
    out
}
