//! The drawing of charts of figures as SVG.

use super::draw::{HEADING_SIZE, TICK_SIZE, TextPlacement, draw_label, draw_rect, stroke, write_label};
use super::figures::{Content, CountLine, DotRow, FigureChart};
use super::palette::Ink;
use super::svg::{Path, Svg, Value};
use super::label::{self, Label, Named, SAMPLE};
use crate::report::words::decimals_up_to;

/// Radius of a dot.
const DOT: f64 = 4.0;

impl FigureChart {
    pub(super) fn draw(&self, svg: &mut Svg) {
        let heading = TextPlacement {
            size: HEADING_SIZE,
            bold: true,
            ..TextPlacement::at(self.left, self.top - 12.0)
        };
        heading.write(svg, &self.heading);
        match &self.content {
            Content::ByCount { lines, .. } => self.draw_counts(svg, lines),
            Content::Dots { rows, named } => self.draw_dots(svg, rows, *named),
        }
        let look = [
            ("fill", "none".into()),
            ("class", "stroke-rule".into()),
            ("stroke", Ink::Rule.light().into()),
        ];
        draw_rect(svg, (self.left, self.right), (self.top, self.bottom()), &look);
    }

    fn draw_counts(&self, svg: &mut Svg, lines: &[CountLine]) {
        for tick in self.scale.ticks() {
            let y = self.y_of(tick);
            let ends = [("x1", self.left), ("y1", y), ("x2", self.right), ("y2", y)];
            stroke(svg, Ink::Grid, 0.8, &ends);
            let words = TextPlacement {
                anchor: "end",
                ..TextPlacement::small(self.left - 8.0, y + 0.35 * TICK_SIZE)
            };
            words.write(svg, &decimals_up_to(tick, 2));
        }
        let most = lines.iter().map(|line| line.values.len()).max().unwrap_or(0);
        for count in 1..=most {
            let words = TextPlacement {
                anchor: "middle",
                ..TextPlacement::small(self.x_of_count(count, most), self.bottom() + 17.0)
            };
            words.write(svg, &count.to_string());
        }
        for line in lines {
            let at = |(k, value): (usize, &f64)| (self.x_of_count(k + 1, most), self.y_of(*value));
            let points: Vec<(f64, f64)> = line.values.iter().enumerate().map(at).collect();
            let mut path = Path::default();
            path.line(points.iter().copied());
            let class = format!("stroke-{}", line.ink.name());
            let look = line.ink.stroke();
            let mut attributes = vec![
                ("d", path.as_str().into()),
                ("fill", "none".into()),
                ("class", (&class).into()),
                ("stroke", line.ink.light().into()),
                ("stroke-width", look.width.into()),
                ("stroke-linejoin", "round".into()),
            ];
            attributes.extend(look.dashes.map(|dashes| ("stroke-dasharray", Value::Text(dashes))));
            svg.empty("path", &attributes);
            for (x, y) in points {
                dot(svg, line.ink, (x, y), 2.6);
            }
        }
        for label in self.count_labels(lines, most) {
            draw_label(svg, &label);
        }
    }

    /// The names of the lines, apart from each other, at the height of their ends.
    fn count_labels(&self, lines: &[CountLine], most: usize) -> Vec<Label> {
        let end = |line: &CountLine| {
            let value = *line.values.last()?;
            Some((self.x_of_count(line.values.len(), most), self.y_of(value)))
        };
        let ends = lines.iter().filter_map(|line| {
            Some(Named {
                name: &line.name,
                ink: line.ink,
                area_opacity: None,
                end: end(line)?,
            })
        });
        label::placed(ends.collect(), self.top, self.bottom())
    }

    fn draw_dots(&self, svg: &mut Svg, rows: &[DotRow], named: bool) {
        for tick in self.scale.ticks() {
            let x = self.x_of(tick);
            let ends = [("x1", x), ("y1", self.top), ("x2", x), ("y2", self.bottom())];
            stroke(svg, Ink::Grid, 0.8, &ends);
            let words = TextPlacement {
                anchor: "middle",
                ..TextPlacement::small(x, self.bottom() + 17.0)
            };
            words.write(svg, &decimals_up_to(tick, 2));
        }
        for (place, row) in rows.iter().enumerate() {
            let y = self.row_y(place);
            if let Some((low, high)) = row.interval {
                let ends = [("x1", self.x_of(low)), ("y1", y), ("x2", self.x_of(high)), ("y2", y)];
                stroke(svg, row.ink, 2.2, &ends);
            }
            match row.value {
                Some(value) => dot(svg, row.ink, (self.x_of(value), y), DOT),
                None => {
                    let words = TextPlacement::small(self.left + 8.0, y + 0.35 * TICK_SIZE);
                    words.write(svg, "unknown");
                }
            }
            if named {
                dot(svg, row.ink, (f64::midpoint(SAMPLE.0, SAMPLE.1), y), DOT);
                write_label(svg, &label::lines(&row.name), row.ink, y);
            }
        }
    }
}

fn dot(svg: &mut Svg, ink: Ink, (x, y): (f64, f64), radius: f64) {
    let class = format!("fill-{}", ink.name());
    let attributes = [
        ("cx", x.into()),
        ("cy", y.into()),
        ("r", radius.into()),
        ("class", (&class).into()),
        ("fill", ink.light().into()),
    ];
    svg.empty("circle", &attributes);
}
