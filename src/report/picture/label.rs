//! Direct labels: the names of curves beside their ends, in two lines where one is too short, apart from each other. Pixels.

use super::palette::Ink;
use super::{FREQUENCY, WIDTH, chart};

/// Size of the direct labels.
pub const LABEL_SIZE: f64 = 13.0;
/// From one line of a label to the next.
pub(super) const LINE: f64 = 13.5;
/// Height kept free for a label of one line.
const HEIGHT: f64 = 17.0;
/// More lines than so many are cut.
const MOST_LINES: usize = 2;
/// The piece of line before a label: from, to.
pub(super) const SAMPLE: (f64, f64) = (FREQUENCY.right + 14.0, FREQUENCY.right + 40.0);
/// Left edge of the words.
pub(super) const LEFT: f64 = SAMPLE.1 + 6.0;
/// Free room at the right edge of the picture.
const EDGE: f64 = 8.0;

/// A direct label in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Its words, cut to fit.
    pub text: String,
    /// The same, a line each.
    pub lines: Vec<String>,
    /// The colour of what it names.
    pub ink: Ink,
    /// Opacity of the area it names; None for a line.
    pub area_opacity: Option<f64>,
    /// Where the curve ends.
    pub from: (f64, f64),
    /// Left edge of the words.
    pub left: f64,
    /// Middle of the words.
    pub middle: f64,
    /// Estimated width of the words.
    pub width: f64,
    /// Height kept free for them.
    pub height: f64,
}

/// What is named, and where it ends.
pub(super) struct Named<'a> {
    pub(super) name: &'a str,
    pub(super) ink: Ink,
    pub(super) area_opacity: Option<f64>,
    pub(super) end: (f64, f64),
}

/// A name in the lines that it takes.
#[must_use]
pub fn lines(name: &str) -> Vec<String> {
    chart::lines_within(name, LABEL_SIZE, WIDTH - EDGE - LEFT, MOST_LINES)
}

/// The labels between `top` and `bottom`, from top to bottom, as near as possible to the ends.
pub(super) fn placed(mut all: Vec<Named>, top: f64, bottom: f64) -> Vec<Label> {
    all.retain(|named| !named.name.is_empty());
    // Above before below, also where both ends are clamped to the same edge.
    all.sort_by(|a, b| a.end.1.total_cmp(&b.end.1));
    let label = |named: &Named| {
        let lines = lines(named.name);
        let widths = lines.iter().map(|line| chart::text_width(line, LABEL_SIZE));
        Label {
            text: lines.join(" "),
            width: widths.fold(0.0, f64::max),
            height: HEIGHT + LINE * lines.len().saturating_sub(1) as f64,
            lines,
            ink: named.ink,
            area_opacity: named.area_opacity,
            from: (named.end.0.min(FREQUENCY.right), named.end.1.clamp(top, bottom)),
            left: LEFT,
            middle: 0.0,
        }
    };
    let mut labels: Vec<Label> = all.iter().map(label).collect();
    let wanted: Vec<f64> = labels.iter().map(|label| label.from.1).collect();
    let halves: Vec<f64> = labels.iter().map(|label| label.height / 2.0).collect();
    let distances: Vec<f64> = halves.windows(2).map(|pair| pair[0] + pair[1]).collect();
    let half = |half: Option<&f64>| half.copied().unwrap_or_default();
    let (low, high) = (top + half(halves.first()), bottom - half(halves.last()));
    for (label, place) in labels.iter_mut().zip(chart::apart(&wanted, &distances, low, high)) {
        label.middle = place;
    }
    labels
}
