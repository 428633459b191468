//! The answer of a verb: files, then a document or text on standard output; where standard output fails, no file stays.

use std::path::Path;

use bandwright::error::Result;
use bandwright::report::blocks::Report;
use bandwright::report::{self, FileKind, WrittenFile};

use super::console;
use super::files::{self, Content, Kind, Place, Staged};
use super::groups::OutputStyle;
use super::option_names;

/// What is to be written.
#[derive(Default)]
pub(super) struct Answer {
    outputs: Vec<(Place, Content)>,
    written: Vec<WrittenFile>,
}

impl Answer {
    /// Adds a file.
    pub(super) fn add(&mut self, place: Place, kind: FileKind, bytes: impl Into<Vec<u8>>) {
        self.written.push(WrittenFile {
            kind,
            path: place.shown(),
        });
        self.outputs.push((place, Content::Bytes(bytes.into())));
    }

    /// Adds a file whose content is on the disk already.
    pub(super) fn add_staged(&mut self, place: Place, kind: FileKind, staged: Staged) {
        self.written.push(WrittenFile {
            kind,
            path: place.shown(),
        });
        self.outputs.push((place, Content::Staged(staged)));
    }

    /// The place of one more file, apart from those before and from `inputs`.
    pub(super) fn place(
        &self,
        path: &Path,
        kind: Kind,
        overwrite: bool,
        inputs: &[&Path],
    ) -> Result<Place> {
        let others: Vec<&Place> = self.outputs.iter().map(|(place, _)| place).collect();
        Place::new(path, kind, overwrite, inputs, &others)
    }

    /// Writes the files, and prints in the style that was asked for; both are told what was written.
    pub(super) fn deliver(
        self,
        style: OutputStyle,
        document: impl FnOnce(&[WrittenFile]) -> String,
        reports: impl FnOnce(&[WrittenFile]) -> Vec<Report>,
    ) -> Result<()> {
        let text = match style {
            OutputStyle { json: true, .. } => document(&self.written),
            OutputStyle { quiet: true, .. } => String::new(),
            OutputStyle { verbose: true, .. } => {
                report::text_in_full(&reports(&self.written), option_names::typed)
            }
            _ => report::text(&reports(&self.written), option_names::typed),
        };
        files::write_all(self.outputs, || console::print(&text))
    }
}
