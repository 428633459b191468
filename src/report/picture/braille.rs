//! The drawing of a picture's panels as characters for a terminal. A character of braille (Unicode, U+2800 to U+28FF)
//! holds two dots across and four down; a curve sets the dots on its way. Takes and areas are left out: in so few dots they
//! would hide the curves. Several curves are told apart by how many of their dots are set, and by labels where they end.

use super::chart::{self, LevelAxis};
use super::palette::Ink;
use super::{Guard, Line, Panel, Picture};
use crate::report::words::{columns, decimals_up_to, fitted_columns, printable, wrap};

/// Columns of the widest line.
const WIDTH: usize = 80;
/// Columns of the levels beside a panel.
const LEVELS: usize = 5;
/// Columns and rows of characters of a panel, and its rows where there are several panels.
const COLUMNS: usize = 51;
const ROWS: usize = 13;
const ROWS_OF_SEVERAL: usize = 8;
/// Columns of the piece of line before a label.
const SAMPLE: usize = 5;
/// Columns of a label: what is left beside levels, frame, panel, sample and two blanks.
const LABEL: usize = WIDTH - LEVELS - 1 - COLUMNS - SAMPLE - 2;

/// Dots across and down a character.
const ACROSS: usize = 2;
const DOWN: usize = 4;
/// The bit of each dot in a character, by row and column (Unicode, Braille Patterns).
const BITS: [[u8; ACROSS]; DOWN] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];
/// Curves further outside than so many dots are bent to there: a bound on the work.
const FARTHEST: f64 = 2000.0;

/// Characters of the frequency axis: believed, within the coupler's resonance, not believed.
const TRUSTED: char = '─';
const RESONANCE: char = '▒';
const DOUBTFUL: char = '░';

/// Of the dots on the way of a curve, the first `set` of each `of` are set.
#[derive(Clone, Copy)]
struct Dashes {
    set: usize,
    of: usize,
}

impl Dashes {
    const SOLID: Self = Self { set: 1, of: 1 };

    /// Those of an ink; None for what is not drawn in characters.
    fn of(ink: Ink) -> Option<Self> {
        let (set, of) = match ink {
            Ink::Equalised | Ink::Average | Ink::Difference => (1, 1),
            Ink::EqualisedRight => (8, 12),
            Ink::Target | Ink::Right => (4, 7),
            Ink::OtherTarget => (2, 4),
            Ink::Measured | Ink::Left => (1, 3),
            Ink::MeasuredRight => (1, 5),
            _ => return None,
        };
        Some(Self { set, of })
    }

    fn sets(self, dot: usize) -> bool {
        dot % self.of < self.set
    }
}

impl Picture {
    /// The panels as lines of text, at most 80 columns wide; figures and notes have no place in it.
    #[must_use]
    pub fn to_braille(&self) -> Vec<String> {
        let rows = if self.panels.len() > 1 { ROWS_OF_SEVERAL } else { ROWS };
        let mut lines = Vec::new();
        for panel in &self.panels {
            lines.extend(wrap(&printable(&panel.heading), WIDTH as f64, |c| columns(c) as f64));
            lines.extend(panel_rows(panel, rows));
            lines.push(self.frequency_axis());
            lines.push(frequency_labels());
        }
        let axis = self.frequency_axis();
        let marks = [
            (RESONANCE, "coupler resonance"),
            (DOUBTFUL, "not trusted, not judged or not measured"),
        ];
        let marks = marks.into_iter().filter(|(mark, _)| axis.contains(*mark));
        let key: Vec<String> = marks.map(|(mark, words)| format!("{mark} {words}")).collect();
        if !key.is_empty() && !self.panels.is_empty() {
            lines.push(format!("{:LEVELS$} {}", "", key.join("   ")));
        }
        lines
    }

    /// The lower edge of a panel, which tells what is believed at each column.
    fn frequency_axis(&self) -> String {
        let mut axis = format!("{:LEVELS$}└", "");
        for column in 0..COLUMNS {
            let middle_hz = hz_of((column * ACROSS) as f64 + 0.5);
            let within = |(low_hz, high_hz): (f64, f64)| (low_hz..high_hz).contains(&middle_hz);
            let ground_hz = |guard: &Guard| guard.ground_hz(&self.doubtful_hz);
            let in_guard = self.guard.as_ref().is_some_and(|guard| within(ground_hz(guard)));
            axis.push(match self.doubtful_hz.iter().any(|range| within(*range)) {
                true => DOUBTFUL,
                false if in_guard => RESONANCE,
                false => TRUSTED,
            });
        }
        axis
    }
}

/// The dot, counted from the left, where a frequency lies: 20 Hz at the first, 20 kHz at the last.
fn x_of(hz: f64) -> f64 {
    let share = (hz / chart::LOWEST_HZ).ln() / (chart::HIGHEST_HZ / chart::LOWEST_HZ).ln();
    share * (COLUMNS * ACROSS - 1) as f64
}

/// The frequency at a dot.
fn hz_of(x: f64) -> f64 {
    let share = x / (COLUMNS * ACROSS - 1) as f64;
    chart::LOWEST_HZ * (chart::HIGHEST_HZ / chart::LOWEST_HZ).powf(share)
}

/// The dot, counted from the top of `rows`, where a level lies: the highest at the first, the lowest at the last.
fn y_of(axis: &LevelAxis, rows: usize, db: f64) -> f64 {
    let range = axis.range;
    (range.high_db - db) / (range.high_db - range.low_db) * (rows * DOWN - 1) as f64
}

/// Rows of a panel: levels, curves, labels.
fn panel_rows(panel: &Panel, rows: usize) -> Vec<String> {
    let mut cells = vec![[0_u8; COLUMNS]; rows];
    let mut ends: Vec<(f64, &Line, Dashes)> = Vec::new();
    let mut drawn: Vec<(&Line, Dashes)> = Vec::new();
    for line in &panel.lines {
        drawn.extend(Dashes::of(line.ink).map(|dashes| (line, dashes)));
    }
    if let [(_, dashes)] = &mut drawn[..] {
        *dashes = Dashes::SOLID;
    }
    for (line, dashes) in drawn {
        if let Some(end_y) = draw(&mut cells, line, dashes, &panel.axis) {
            ends.push((end_y, line, dashes));
        }
    }
    let mut levels = vec![None; rows];
    for db in panel.axis.ticks_db() {
        let row = y_of(&panel.axis, rows, db).round() as usize / DOWN;
        levels[row.min(rows - 1)] = Some(decimals_up_to(db, 1));
    }
    let mut labels = labels(ends, rows);
    let row = |(place, cells): (usize, &[u8; COLUMNS])| {
        let (level, edge) = match &levels[place] {
            Some(level) => (level.as_str(), '┤'),
            None => ("", '│'),
        };
        let curves: String = cells.iter().map(|bits| character(*bits)).collect();
        let label = labels[place].take().unwrap_or_default();
        let text = format!("{level:>LEVELS$}{edge}{curves} {label}");
        text.trim_end().to_owned()
    };
    cells.iter().enumerate().map(row).collect()
}

fn character(bits: u8) -> char {
    match bits {
        0 => ' ',
        _ => char::from_u32(0x2800 + u32::from(bits)).unwrap_or(' '),
    }
}

/// Sets the dots of a curve, and tells the row of dots where it ends; None for a curve without a finite point.
fn draw(cells: &mut [[u8; COLUMNS]], line: &Line, dashes: Dashes, axis: &LevelAxis) -> Option<f64> {
    let rows = cells.len();
    let at = |&(hz, db): &(f64, f64)| {
        let y = y_of(axis, rows, db).clamp(-FARTHEST, FARTHEST);
        (hz > 0.0 && hz.is_finite() && db.is_finite()).then(|| (x_of(hz), y))
    };
    let (mut before, mut last_dot, mut end_y, mut passed) = (None, None, None, 0);
    for point in line.points.iter().map(at) {
        let Some((x, y)) = point else {
            before = None;
            continue;
        };
        let (from_x, from_y): (f64, f64) = before.unwrap_or((x, y));
        // Half a dot at a time, so that none on the way is missed.
        let steps = (2.0 * (x - from_x).abs().max((y - from_y).abs())).ceil().clamp(1.0, 4.0 * FARTHEST);
        for step in 0..=steps as usize {
            let share = step as f64 / steps;
            let dot = ((from_x + share * (x - from_x)).round(), (from_y + share * (y - from_y)).round());
            if last_dot == Some(dot) {
                continue;
            }
            last_dot = Some(dot);
            if dashes.sets(passed) {
                set(cells, dot);
            }
            passed += 1;
        }
        before = point;
        end_y = Some(y);
    }
    end_y
}

/// Sets a dot, unless it lies outside.
fn set(cells: &mut [[u8; COLUMNS]], (x, y): (f64, f64)) {
    if x < 0.0 || y < 0.0 {
        return;
    }
    let (x, y) = (x as usize, y as usize);
    let row = cells.get_mut(y / DOWN);
    if let Some(cell) = row.and_then(|row| row.get_mut(x / ACROSS)) {
        *cell |= BITS[y % DOWN][x % ACROSS];
    }
}

/// The labels by rows of characters, each near the end of its curve.
fn labels(mut ends: Vec<(f64, &Line, Dashes)>, rows: usize) -> Vec<Option<String>> {
    let last = (rows - 1) as f64;
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wanted: Vec<f64> = ends.iter().map(|(y, ..)| (y / DOWN as f64).floor().clamp(0.0, last)).collect();
    let places = chart::apart(&wanted, &vec![1.0; wanted.len()], 0.0, last);
    let mut labels = vec![None; rows];
    let mut free = 0;
    for ((_, line, dashes), place) in ends.into_iter().zip(places) {
        let row = (place.round() as usize).max(free);
        free = row + 1;
        if let Some(label) = labels.get_mut(row).filter(|_| !line.name.is_empty()) {
            *label = Some(format!("{} {}", sample(dashes), fitted_columns(&printable(&line.name), LABEL)));
        }
    }
    labels
}

/// A piece of line.
fn sample(dashes: Dashes) -> String {
    const ROW: usize = 1;
    let bit = |dot: usize, side: usize| if dashes.sets(dot) { BITS[ROW][side] } else { 0 };
    (0..SAMPLE).map(|k| character(bit(k * ACROSS, 0) | bit(k * ACROSS + 1, 1))).collect()
}

/// The labelled frequencies, each below its place, as far as there is room.
fn frequency_labels() -> String {
    let left = LEVELS + 1;
    let mut text = String::new();
    for (hz, name) in chart::FREQUENCY_LABELS {
        let middle = left + x_of(hz).round() as usize / ACROSS;
        let start = middle.saturating_sub(name.len() / 2);
        if text.is_empty() || start > text.len() {
            text.push_str(&" ".repeat(start - text.len()));
            text.push_str(name);
        }
    }
    text + " Hz"
}
