//! What targets show: the library's, one, and two compared.

use crate::knob::Knob;
use crate::measurement::grid::OnGrid;
use crate::report::blocks::ColumnKind::Numbers;
use crate::report::blocks::{Block, Column, Part, Report, Row, ProgramSetting, Text};
use crate::report::documents::target::ListedTarget;
use crate::report::figures::made::{self, Made};
use crate::report::files::WrittenFile;
use crate::report::picture::target::target_picture;
use crate::report::words::{self, band, decimals, signed_decimals, signed_decimals_up_to};
use crate::wanted::difference::Difference;
use crate::wanted::shown::{Compared, Shown};

/// The library's targets.
#[must_use]
pub fn list(targets: &[ListedTarget]) -> Report {
    let mut report = Report::new(
        Text::from("Targets that come with the program. ")
            + ProgramSetting::of("fit", Knob::Target)
            + " also takes a curve, a recipe (NAME.target.toml) or another unit (NAME.unit.toml).",
    );
    report.parts.extend(targets.iter().map(|target| {
        let rows = vec![
            Row::new("Source", &target.source),
            Row::new("Range", &target.support),
            Row::new("Level", &target.level),
            Row::new("Licence", &target.licence),
            Row::new("Caution", target.warnings.join(" ")),
        ];
        Part::new(&target.name, [Block::Rows(rows)])
    }));
    report
}

/// A target; `files` is what was written.
#[must_use]
pub fn shown(target: &Shown, files: &[WrittenFile]) -> Report {
    let rows = vec![
        Row::new("Source", &target.source),
        Row::new("Range", range(&target.curve)),
        Row::new("Contours", target.contours.join("; ")),
        Row::new("Level", words::level_of_target(target)),
        Row::new("Sample rate", rate_in_words(target.rate_hz)),
    ];
    let levels = table(&target.points, |db| decimals(db, 2));
    Report {
        title: (&target.name).into(),
        cautions: target.warnings.iter().map(Text::from).collect(),
        parts: vec![
            Part::without_head([Block::Rows(rows)]),
            Part::new("Level, dB", [levels]),
        ],
    }
    .with_files(files)
}

/// A target for a page, with its picture and how that was made.
#[must_use]
pub fn page(target: &Shown, made: &Made) -> Report {
    let mut page = shown(target, &[]).with_pictures(vec![target_picture(target)]);
    page.parts.push(made::part(made));
    page
}

/// Two targets; `files` is what was written.
#[must_use]
pub fn difference(compared: &Compared, files: &[WrittenFile]) -> Report {
    let (one, other, difference) = (&compared.one, &compared.other, &compared.difference);
    let more = other.warnings.iter();
    let more = more.filter(|warning| !one.warnings.contains(warning));
    let trusted = compared.trusted.as_ref().map(|trusted| {
        format!(
            "{}; {}, its own level taken out",
            difference_in_words(trusted),
            range(&trusted.by_frequency)
        )
    });
    let level = format!(
        "free: the mean of the difference over the octaves, {} dB, is taken out{}",
        signed_decimals_up_to(difference.level_db, 2),
        if one.relative == other.relative {
            ""
        } else {
            ". One of the two is relative to what a unit has, which counts as flat here"
        }
    );
    let rows = vec![
        Row::new("The one", &one.source),
        Row::new("The other", &other.source),
        Row::new("Range", range(&difference.by_frequency)),
        Row::new("Difference", difference_in_words(difference)),
        Row::new("Trusted band", trusted.unwrap_or_default()),
        Row::new("Level", level),
        Row::new("Sample rate", rate_in_words(one.rate_hz)),
    ];
    let differences = table(&compared.points, |db| signed_decimals(db, 2));
    Report {
        title: format!("{} minus {}", one.name, other.name).into(),
        cautions: one.warnings.iter().chain(more).map(Text::from).collect(),
        parts: vec![
            Part::without_head([Block::Rows(rows)]),
            Part::new("The one minus the other, dB", [differences]),
        ],
    }
    .with_files(files)
}

/// Frequencies and levels.
fn table(points: &[(f64, f64)], level: impl Fn(f64) -> String) -> Block {
    let hz = points.iter().map(|(hz, _)| words::decimals_up_to(*hz, 1));
    let db = points.iter().map(|(_, db)| level(*db));
    Block::table_across([
        Column::new(Numbers, "Hz", hz),
        Column::new(Numbers, "dB", db),
    ])
}

fn range(curve: &OnGrid) -> String {
    let (low_hz, high_hz) = curve.band_hz();
    band(low_hz, high_hz)
}

fn difference_in_words(difference: &Difference) -> String {
    format!(
        "{} dB rms; {} dB at most, at {}",
        decimals(difference.rms_db, 2),
        signed_decimals_up_to(difference.worst_db, 2),
        words::frequency(difference.worst_hz)
    )
}

fn rate_in_words(rate_hz: f64) -> String {
    format!(
        "contours as an equaliser at {} plays them",
        words::rate(rate_hz)
    )
}
