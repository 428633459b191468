//! From a place in a text to its line and column.

/// Where the lines of a text begin, found once, so that each look-up is a binary search.
pub(crate) struct Lines<'a> {
    text: &'a str,
    starts: Vec<usize>,
}

impl<'a> Lines<'a> {
    pub(crate) fn of(text: &'a str) -> Self {
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        let starts = std::iter::once(0).chain(ends.map(|(at, _)| at + 1));
        Self {
            text,
            starts: starts.collect(),
        }
    }

    /// Line of a byte, counted from 1; a line end belongs to the line that it ends.
    pub(crate) fn line(&self, byte: usize) -> usize {
        self.starts.partition_point(|start| *start <= byte)
    }

    /// Character of a byte in its line, counted from 1.
    pub(crate) fn column(&self, byte: usize) -> usize {
        let start = self.start(self.line(byte));
        let before = self.text.get(start..byte.min(self.text.len()));
        1 + before.unwrap_or_default().chars().count()
    }

    /// The first byte of a line, counted from 1.
    pub(crate) fn start(&self, line: usize) -> usize {
        self.starts[line.clamp(1, self.starts.len()) - 1]
    }

    /// A line, counted from 1, without its end.
    pub(crate) fn content(&self, line: usize) -> &'a str {
        self.text[self.start(line)..]
            .split('\n')
            .next()
            .unwrap_or_default()
            .trim_end_matches('\r')
    }
}
