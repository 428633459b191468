//! The drawing of a picture as SVG.

use super::chart::{self, LevelAxis};
use super::palette::Ink;
use super::svg::{Path, Svg, Value};
use super::label::{self, LABEL_SIZE, Label, SAMPLE};
use super::{
    Area, EDGE, FREQUENCY, Guard, Line, Look, NOTE_LINE, NOTE_SIZE, Panel, Picture, SUBTITLE_SIZE, TITLE_SIZE,
    Theme, WIDTH, within_panels,
};
use crate::report::words::{decimals_up_to, true_minus};

pub(super) const HEADING_SIZE: f64 = 12.5;
pub(super) const TICK_SIZE: f64 = 11.5;
/// Height of the mark of a band of the equaliser.
const BAND_MARK: f64 = 7.0;
const FONT: &str = "Inter, system-ui, sans-serif";

impl Picture {
    /// The picture as SVG text. Its colours are those for light paper; where the reader prefers dark and
    /// the viewer knows style sheets, those for dark.
    #[must_use]
    pub fn to_svg(&self) -> String {
        self.to_svg_as(Look::default(), "")
    }

    /// The same with another look, and with `prefix` before the names of its parts, so that several can stand in one page.
    #[must_use]
    pub fn to_svg_as(&self, look: Look, prefix: &str) -> String {
        let mut svg = Svg::new();
        let scale = look.width.map_or(1.0, |width| f64::from(width) / WIDTH);
        let id = |name: &str| format!("{prefix}{name}");
        let (title_id, description_id) = (id("title"), id("description"));
        let labelled = format!("{title_id} {description_id}");
        let height = self.height();
        let view = format!("0 0 {WIDTH} {}", decimals_up_to(height, 2));
        svg.open(
            "svg",
            &[
                // First, so that a file can be told by its beginning.
                ("class", "bandwright-plot".into()),
                ("xmlns", "http://www.w3.org/2000/svg".into()),
                ("width", (scale * WIDTH).into()),
                ("height", (scale * height).into()),
                ("viewBox", (&view).into()),
                ("role", "img".into()),
                ("aria-labelledby", (&labelled).into()),
                ("lang", "en".into()),
                ("font-family", FONT.into()),
                ("data-left", FREQUENCY.left.into()),
                ("data-right", FREQUENCY.right.into()),
                ("data-low", chart::LOWEST_HZ.into()),
                ("data-high", chart::HIGHEST_HZ.into()),
            ],
        );
        svg.words("title", &[("id", (&title_id).into())], &self.title);
        svg.words("desc", &[("id", (&description_id).into())], &self.description);
        match look.theme {
            Theme::Auto => svg.words("style", &[], &dark_for_dark_readers()),
            Theme::Light => {}
            Theme::Dark => svg.words("style", &[], &dark_style()),
        }
        self.definitions(&mut svg, prefix);
        svg.empty(
            "rect",
            &[
                ("width", WIDTH.into()),
                ("height", height.into()),
                ("class", "fill-paper".into()),
                ("fill", Ink::Paper.light().into()),
            ],
        );
        self.head(&mut svg);
        for (number, panel) in self.panels.iter().enumerate() {
            self.panel(&mut svg, panel, &clip_name(prefix, number), prefix);
        }
        for chart in &self.figures {
            chart.draw(&mut svg);
        }
        self.foot(&mut svg);
        svg.finish()
    }

    fn definitions(&self, svg: &mut Svg, prefix: &str) {
        let doubt = doubt_name(prefix);
        svg.open("defs", &[]);
        svg.open(
            "pattern",
            &[
                ("id", (&doubt).into()),
                ("width", 7.0.into()),
                ("height", 7.0.into()),
                ("patternUnits", "userSpaceOnUse".into()),
                ("patternTransform", "rotate(45)".into()),
            ],
        );
        svg.empty(
            "rect",
            &[
                ("width", 7.0.into()),
                ("height", 7.0.into()),
                ("class", "fill-doubt".into()),
                ("fill", Ink::Doubt.light().into()),
            ],
        );
        stroke(
            svg,
            Ink::Hatch,
            1.2,
            &[("x1", 3.5), ("y1", 0.0), ("x2", 3.5), ("y2", 7.0)],
        );
        svg.close();
        for (number, panel) in self.panels.iter().enumerate() {
            svg.open("clipPath", &[("id", (&clip_name(prefix, number)).into())]);
            panel_rect(svg, panel, &[]);
            svg.close();
        }
        svg.close();
    }

    fn head(&self, svg: &mut Svg) {
        let (titles, subtitles) = (self.title_lines(), self.subtitle_lines());
        // Second lines take the room above, for the panels stay where they are.
        let more = |lines: &[String]| lines.len().saturating_sub(1) as f64;
        let mut baseline = 42.0 - 10.0 * more(&titles) - 6.0 * more(&subtitles);
        for line in &titles {
            let title = TextPlacement {
                size: TITLE_SIZE,
                bold: true,
                ..TextPlacement::at(EDGE, baseline)
            };
            title.write(svg, line);
            baseline += 24.0;
        }
        for line in &subtitles {
            let subtitle = TextPlacement {
                size: SUBTITLE_SIZE,
                ink: Ink::Faint,
                ..TextPlacement::at(EDGE, baseline)
            };
            subtitle.write(svg, line);
            baseline += 17.0;
        }
    }

    fn panel(&self, svg: &mut Svg, panel: &Panel, clip_name: &str, prefix: &str) {
        let (axis, top, bottom) = (&panel.axis, panel.axis.top, panel.axis.bottom());
        let heading = TextPlacement {
            size: HEADING_SIZE,
            bold: true,
            ..TextPlacement::at(FREQUENCY.left, top - 12.0)
        };
        heading.write(svg, &panel.heading);

        if let Some(guard) = &self.guard {
            draw_guard(svg, guard, guard.ground_hz(&self.doubtful_hz), (top, bottom));
        }
        let hatched = format!("url(#{})", doubt_name(prefix));
        for &(low_hz, high_hz) in &self.doubtful_hz {
            let (left, right) = (FREQUENCY.x(low_hz), FREQUENCY.x(high_hz));
            let look = [("fill", (&hatched).into())];
            draw_rect(svg, (left, right), (top, bottom), &look);
        }
        draw_grid(svg, panel);
        let clip = format!("url(#{clip_name})");
        svg.open(
            "g",
            &[
                ("clip-path", (&clip).into()),
                ("data-top", top.into()),
                ("data-bottom", bottom.into()),
                ("data-top-db", axis.range.high_db.into()),
                ("data-per-db", axis.per_db.into()),
            ],
        );
        for area in &panel.areas {
            draw_area(svg, area, axis);
        }
        for line in &panel.lines {
            draw_line(svg, line, axis);
        }
        svg.close();
        panel_rect(
            svg,
            panel,
            &[
                ("fill", "none".into()),
                ("class", "stroke-rule".into()),
                ("stroke", Ink::Rule.light().into()),
            ],
        );
        for hz in &self.bands_hz {
            let x = FREQUENCY.x(*hz);
            if (FREQUENCY.left..=FREQUENCY.right).contains(&x) {
                let ends = [("x1", x), ("y1", bottom - BAND_MARK), ("x2", x), ("y2", bottom)];
                stroke(svg, Ink::Text, 1.6, &ends);
            }
        }
        for label in panel.labels() {
            draw_label(svg, &label);
        }
    }

    fn foot(&self, svg: &mut Svg) {
        let bottom = self.panels_bottom();
        let middle = (FREQUENCY.left + FREQUENCY.right) / 2.0;
        let name = TextPlacement {
            anchor: "middle",
            ..TextPlacement::small(middle, bottom + 35.0)
        };
        name.write(svg, "Frequency, Hz");
        for (i, line) in self.note_lines().iter().enumerate() {
            let note = TextPlacement {
                size: NOTE_SIZE,
                ink: Ink::Faint,
                ..TextPlacement::at(EDGE, self.foot_top() + 8.0 + NOTE_LINE * i as f64)
            };
            note.write(svg, line);
        }
    }
}

/// Runs of points that are finite, mapped to pixels. The bound keeps far levels from being written out
/// in hundreds of digits; the clip hides them anyway.
fn runs<P: Copy>(
    points: &[P],
    axis: &LevelAxis,
    levels: impl Fn(P) -> (f64, f64, f64),
) -> Vec<Vec<(f64, f64, f64)>> {
    let y = |db: f64| axis.y(db).clamp(-10_000.0, 10_000.0);
    let levels: Vec<_> = points.iter().map(|&point| levels(point)).collect();
    levels
        .split(|(hz, one, other)| {
            !(*hz > 0.0 && hz.is_finite() && one.is_finite() && other.is_finite())
        })
        .map(|run| {
            run.iter()
                .map(|&(hz, one, other)| (FREQUENCY.x(hz), y(one), y(other)))
                .collect()
        })
        .collect()
}

fn draw_line(svg: &mut Svg, line: &Line, axis: &LevelAxis) {
    let mut path = Path::default();
    for run in runs(&line.points, axis, |(hz, db)| (hz, db, db)) {
        path.line(run.iter().map(|&(x, y, _)| (x, y)));
    }
    let style = line.ink.stroke();
    let class = format!("stroke-{}", line.ink.name());
    let mut attributes = vec![
        ("d", path.as_str().into()),
        ("fill", "none".into()),
        ("class", (&class).into()),
        ("stroke", line.ink.light().into()),
        ("stroke-width", style.width.into()),
        ("stroke-linejoin", "round".into()),
    ];
    attributes.extend(
        style
            .dashes
            .map(|dashes| ("stroke-dasharray", Value::Text(dashes))),
    );
    if !line.name.is_empty() {
        attributes.push(("data-curve", (&line.name).into()));
    }
    svg.empty("path", &attributes);
}

fn draw_area(svg: &mut Svg, area: &Area, axis: &LevelAxis) {
    let mut path = Path::default();
    for run in runs(&area.points, axis, |point| point) {
        let there = run.iter().map(|&(x, one, _)| (x, one));
        let back = run.iter().rev().map(|&(x, _, other)| (x, other));
        path.polygon(there.chain(back));
    }
    let class = format!("fill-{}", area.ink.name());
    svg.empty(
        "path",
        &[
            ("d", path.as_str().into()),
            ("class", (&class).into()),
            ("fill", area.ink.light().into()),
            ("fill-opacity", area.opacity.into()),
        ],
    );
}

/// A thread from the curve's end, a piece of the curve's own style, and its name.
pub(super) fn draw_label(svg: &mut Svg, label: &Label) {
    let (end_x, end_y) = label.from;
    let mut thread = Path::default();
    thread.line([
        (end_x, end_y),
        (FREQUENCY.right, end_y),
        (SAMPLE.0 - 2.0, label.middle),
    ]);
    let class = format!("stroke-{}", label.ink.name());
    svg.empty(
        "path",
        &[
            ("d", thread.as_str().into()),
            ("fill", "none".into()),
            ("class", (&class).into()),
            ("stroke", label.ink.light().into()),
            ("stroke-width", 0.8.into()),
            ("stroke-dasharray", "1.5 2.5".into()),
        ],
    );
    let line = Ink::stroke(label.ink);
    if let Some(opacity) = label.area_opacity {
        let class = format!("fill-{}", label.ink.name());
        svg.empty(
            "rect",
            &[
                ("x", SAMPLE.0.into()),
                ("y", (label.middle - 5.0).into()),
                ("width", (SAMPLE.1 - SAMPLE.0).into()),
                ("height", 10.0.into()),
                ("class", (&class).into()),
                ("fill", label.ink.light().into()),
                ("fill-opacity", opacity.into()),
            ],
        );
    } else {
        let mut sample = Path::default();
        sample.line([(SAMPLE.0, label.middle), (SAMPLE.1, label.middle)]);
        let mut attributes = vec![
            ("d", sample.as_str().into()),
            ("class", (&class).into()),
            ("stroke", label.ink.light().into()),
            ("stroke-width", line.width.into()),
        ];
        attributes.extend(
            line.dashes
                .map(|dashes| ("stroke-dasharray", Value::Text(dashes))),
        );
        svg.empty("path", &attributes);
    }
    write_label(svg, &label.lines, label.ink, label.middle);
}

/// The words of a label, about a middle.
pub(super) fn write_label(svg: &mut Svg, lines: &[String], ink: Ink, middle: f64) {
    let first = middle - label::LINE * lines.len().saturating_sub(1) as f64 / 2.0;
    for (number, line) in lines.iter().enumerate() {
        let words = TextPlacement {
            ink,
            ..TextPlacement::at(label::LEFT, first + label::LINE * number as f64 + 0.35 * LABEL_SIZE)
        };
        words.write(svg, line);
    }
}

pub(super) fn stroke(svg: &mut Svg, ink: Ink, width: f64, ends: &[(&'static str, f64)]) {
    let class = format!("stroke-{}", ink.name());
    let mut attributes: Vec<_> = ends
        .iter()
        .map(|&(key, place)| (key, place.into()))
        .collect();
    attributes.extend([
        ("class", Value::from(&class)),
        ("stroke", ink.light().into()),
        ("stroke-width", width.into()),
    ]);
    svg.empty("line", &attributes);
}

/// Lines of frequency and level, each with its number.
fn draw_grid(svg: &mut Svg, panel: &Panel) {
    let (axis, top, bottom) = (&panel.axis, panel.axis.top, panel.axis.bottom());
    for hz in chart::frequency_lines_hz() {
        let labelled = chart::FREQUENCY_LABELS
            .iter()
            .any(|(label_hz, _)| *label_hz == hz);
        let ink = if labelled { Ink::Rule } else { Ink::Grid };
        let x = FREQUENCY.x(hz);
        stroke(
            svg,
            ink,
            0.8,
            &[("x1", x), ("y1", top), ("x2", x), ("y2", bottom)],
        );
    }
    for db in axis.ticks_db() {
        let y = axis.y(db);
        let zero = db == 0.0 && panel.marks_zero;
        let (ink, width) = if zero {
            (Ink::Faint, 1.2)
        } else {
            (Ink::Grid, 0.8)
        };
        stroke(
            svg,
            ink,
            width,
            &[
                ("x1", FREQUENCY.left),
                ("y1", y),
                ("x2", FREQUENCY.right),
                ("y2", y),
            ],
        );
        let tick = TextPlacement {
            anchor: "end",
            ..TextPlacement::small(FREQUENCY.left - 8.0, y + 0.35 * TICK_SIZE)
        };
        tick.write(svg, &true_minus(&decimals_up_to(db, 1)));
    }
    for (hz, text) in chart::FREQUENCY_LABELS {
        let tick = TextPlacement {
            anchor: "middle",
            ..TextPlacement::small(FREQUENCY.x(hz), bottom + 17.0)
        };
        tick.write(svg, text);
    }
}

/// Under grid and curves, so that these stay readable; its name stands outside the panel.
fn draw_guard(svg: &mut Svg, guard: &Guard, ground_hz: (f64, f64), (top, bottom): (f64, f64)) {
    let look = [
        ("class", "fill-doubt".into()),
        ("fill", Ink::Doubt.light().into()),
    ];
    draw_rect(svg, within_panels(ground_hz), (top, bottom), &look);
    let (left, right) = guard.edges();
    for x in [left, right] {
        svg.empty(
            "line",
            &[
                ("x1", x.into()),
                ("y1", top.into()),
                ("x2", x.into()),
                ("y2", bottom.into()),
                ("class", "stroke-faint".into()),
                ("stroke", Ink::Faint.light().into()),
                ("stroke-width", 1.0.into()),
                ("stroke-dasharray", "4 3".into()),
            ],
        );
    }
    let name = TextPlacement {
        anchor: "middle",
        ..TextPlacement::small((left + right) / 2.0, top - 6.0)
    };
    name.write(svg, &guard.name);
}

fn panel_rect(svg: &mut Svg, panel: &Panel, look: &[(&'static str, Value)]) {
    let across = (FREQUENCY.left, FREQUENCY.right);
    draw_rect(svg, across, (panel.axis.top, panel.axis.bottom()), look);
}

/// A rectangle from left to right and from top to bottom, pixels.
pub(super) fn draw_rect(
    svg: &mut Svg,
    (left, right): (f64, f64),
    (top, bottom): (f64, f64),
    look: &[(&'static str, Value)],
) {
    let mut attributes: Vec<(&'static str, Value)> = vec![
        ("x", left.into()),
        ("y", top.into()),
        ("width", (right - left).into()),
        ("height", (bottom - top).into()),
    ];
    attributes.extend(look);
    svg.empty("rect", &attributes);
}

fn clip_name(prefix: &str, number: usize) -> String {
    format!("{prefix}panel-{}", number + 1)
}

fn doubt_name(prefix: &str) -> String {
    format!("{prefix}doubt")
}

fn dark_for_dark_readers() -> String {
    format!("@media screen and (prefers-color-scheme: dark){{{}}}", dark_style())
}

/// The dark colours, which stand before the light ones that the elements name.
fn dark_style() -> String {
    let mut style = String::new();
    for ink in Ink::ALL {
        let (name, colour) = (ink.name(), ink.dark());
        style.push_str(&format!(
            ".fill-{name}{{fill:{colour}}}.stroke-{name}{{stroke:{colour}}}"
        ));
    }
    style
}

/// How and where a line of words is written.
#[derive(Clone, Copy)]
pub(super) struct TextPlacement {
    pub(super) x: f64,
    pub(super) baseline: f64,
    pub(super) size: f64,
    pub(super) ink: Ink,
    pub(super) anchor: &'static str,
    pub(super) bold: bool,
}

impl TextPlacement {
    pub(super) fn at(x: f64, baseline: f64) -> Self {
        Self {
            x,
            baseline,
            size: LABEL_SIZE,
            ink: Ink::Text,
            anchor: "start",
            bold: false,
        }
    }

    pub(super) fn small(x: f64, baseline: f64) -> Self {
        Self {
            size: TICK_SIZE,
            ink: Ink::Faint,
            ..Self::at(x, baseline)
        }
    }

    pub(super) fn write(self, svg: &mut Svg, text: &str) {
        let class = format!("fill-{}", self.ink.name());
        svg.words(
            "text",
            &[
                ("x", self.x.into()),
                ("y", self.baseline.into()),
                ("font-size", self.size.into()),
                ("font-weight", if self.bold { "600" } else { "400" }.into()),
                ("text-anchor", self.anchor.into()),
                ("class", (&class).into()),
                ("fill", self.ink.light().into()),
            ],
            text,
        );
    }
}
