//! What a fit shows: sections, preamp, what was gained, loudness, what it costs, cautions that change what to do, files;
//! as details: headroom, reach, how sure.

use crate::caution::Caution;
use crate::cost::Cost;
use crate::cost::heard::HeardChange;
use crate::filter::{Section, Shape};
use crate::fit::{Effort, Freedom};
use crate::headroom::{Guard, Protection};
use crate::job::{
    BeforeAfter, Channel, Enough, LevelDifference, LoudnessWish, Outcome, SearchReport, Shared, TakeResidual,
};
use crate::knob::Knob;
use crate::measurement::grid;
use crate::measurement::takes::Side;
use crate::report::blocks::ColumnKind::{FileNames, Numbers, Words};
use crate::report::blocks::{Block, Column, Lead, Part, Report, Row, ProgramSetting, Text};
use crate::report::figures::made::{self, Made};
use crate::report::figures::{card, cost};
use crate::report::files::WrittenFile;
use crate::report::picture::fit::fit_picture;
use crate::report::picture::sections::sections_picture;
use crate::report::picture::takes::takes_picture;
use crate::report::words::{self, count, decimals, decimals_up_to, signed_decimals_up_to};

/// A residual at another rate is worth a line when it differs by this much, dB.
const NOTABLE_RATE_DIFFERENCE_DB: f64 = 0.1;

/// Decimals of a q as it is typed.
const TYPED_Q_DECIMALS: usize = 4;

/// A difference in level from here on is worth a line, dB.
const NOTABLE_DIFFERENCE_DB: f64 = 0.05;

/// A rise of the unweighted residual is named from here on, dB.
const WORSE_DB: f64 = 0.005;

/// The report of a fit, with what each channel costs where that was asked; `files` is what was written.
#[must_use]
pub fn report(outcome: &Outcome, costs: &[Cost], files: &[WrittenFile]) -> Report {
    let mut report = Report {
        parts: parts(outcome, costs),
        ..Report::new(title(outcome))
    };
    if files.is_empty() {
        let next_step = Text::from("No file was written; ")
            + ProgramSetting::to(Knob::Output, "FILE.sheet.toml")
            + " writes the preset.";
        report.parts.push(Part::without_head([Block::paragraph(next_step)]));
    }
    report.with_files(files)
}

/// The same for a page: what is typed, pictures, everything else, and how it was made.
#[must_use]
pub fn page(outcome: &Outcome, costs: &[Cost], made: &Made) -> Report {
    let pictures = std::iter::once(fit_picture(outcome, grid::frequency_hz()));
    let pictures = pictures.chain(sections_picture(outcome)).map(Box::new);
    let mut all = card::parts(outcome);
    all.push(Part::without_head(pictures.map(Block::Picture).collect::<Vec<_>>()));
    all.extend(parts(outcome, costs));
    all.extend(by_take(outcome));
    all.push(made::part(made));
    Report {
        parts: all,
        ..Report::new(title(outcome))
    }
}

fn title(outcome: &Outcome) -> String {
    let kind = match is_per_side(outcome) {
        true => ", one EQ for each side",
        false => "",
    };
    format!("{} toward {}{kind}", outcome.shared.unit, outcome.shared.target)
}

/// Everything but what was written.
fn parts(outcome: &Outcome, costs: &[Cost]) -> Vec<Part> {
    let Outcome { shared, channels } = outcome;
    let mut parts: Vec<Part> = channels
        .iter()
        .map(|channel| sections(shared, channel))
        .collect();
    parts.extend(preamp(outcome));
    parts.push(residual(outcome));
    if outcome.has_sections() {
        let heard = louder_or_quieter(shared.heard);
        parts.push(Part::without_head([Block::paragraph(heard)]));
    }
    parts.extend(shared.loudness_wish.as_ref().map(trade_off));
    let costs = channels.iter().zip(costs);
    parts.extend(costs.map(|(channel, cost)| cost::part(cost, channel.side)));
    parts.extend(cautions(outcome));
    parts.extend(details(outcome).into_iter().map(Part::detail));
    parts
}

/// What each take is left with, where there are several.
fn by_take(outcome: &Outcome) -> Option<Part> {
    let picture = Block::Picture(Box::new(takes_picture(outcome)?));
    let all = || outcome.channels.iter().flat_map(|channel| &channel.take_residuals);
    let numbers = |head: &str, of: fn(&TakeResidual) -> String| Column::new(Numbers, head, all().map(of));
    let table = Block::table([
        Column::new(FileNames, "take", all().map(|take| take.take.clone())),
        numbers("before (dB)", |take| decimals(take.before_db, 2)),
        numbers("after (dB)", |take| decimals(take.after_db, 2)),
        numbers("most (dB)", |take| signed_decimals_up_to(take.worst_db, 1)),
        numbers("at", |take| words::frequency(take.worst_hz)),
    ]);
    Some(Part::new("Residual of each take, weighted as in the fit", [picture, table]))
}

/// What changes what to do now, safety first; the takes that were set aside in one.
fn cautions(outcome: &Outcome) -> Option<Part> {
    let urgent = outcome.shared.cautions.iter();
    let urgent = urgent.filter(|caution| changes_what_to_do(caution, outcome));
    let mut blocks = Vec::new();
    let mut aside = Vec::new();
    for caution in urgent {
        match caution {
            Caution::TakeSetAside { take, finding } => aside.push(format!("{take} {finding}")),
            _ => blocks.push(Block::led(Lead::Caution, caution)),
        }
    }
    if !aside.is_empty() {
        let text = Text::from(format!("set aside: {}. Measure again; ", aside.join("; ")))
            + ProgramSetting::to(Knob::Takes, "all")
            + " counts such takes nevertheless.";
        blocks.push(Block::led(Lead::Caution, text));
    }
    (!blocks.is_empty()).then(|| Part::without_head(blocks))
}

/// How the figures came about, and how sure they are.
fn details(outcome: &Outcome) -> Vec<Part> {
    let mut parts: Vec<Part> = headroom(outcome).into_iter().collect();
    parts.extend(reach(outcome));
    parts.push(certainty(outcome));
    parts
}

fn is_per_side(outcome: &Outcome) -> bool {
    outcome.channels.len() > 1
}

/// True for cautions about using the preset; the others say how sure the figures are.
fn changes_what_to_do(caution: &Caution, outcome: &Outcome) -> bool {
    match caution {
        Caution::Seal => boosts_bass(outcome),
        Caution::TakeSetAside { .. }
        | Caution::NoSoundTake { .. }
        | Caution::TakesContradict { .. }
        | Caution::SideLosesBass { .. }
        | Caution::EardrumTarget
        | Caution::Covers { .. }
        | Caution::Boost { .. }
        | Caution::HarmfulLevel { .. }
        | Caution::Quieter { .. }
        | Caution::BoostOnceTurnedUp { .. }
        | Caution::PreampLeftOut { .. }
        | Caution::PreampBound { .. }
        | Caution::LoudnessBound { .. }
        | Caution::PreampFromUnknown { .. }
        | Caution::SectionsOppose { .. }
        | Caution::SourceBends { .. }
        | Caution::NoImprovement { .. }
        | Caution::BeyondLimits { .. }
        | Caution::RateDiffers { .. }
        | Caution::LargeResidual { .. }
        | Caution::SideLargeResidual { .. } => true,
        Caution::BeyondEq { .. }
        | Caution::OtherEars { .. }
        | Caution::OwnEar { .. }
        | Caution::GainsWithoutWidth { .. }
        | Caution::SpreadUnknown
        | Caution::TargetTable { .. } => false,
    }
}

/// Whether anything below 100 Hz is boosted beside what is heard of the whole: a leak looks like missing bass.
fn boosts_bass(outcome: &Outcome) -> bool {
    const BASS_HZ: f64 = 100.0;
    const BOOST_DB: f64 = 1.0;
    let heard_db = outcome.shared.heard.sections_db;
    let boosts = |channel: &Channel| {
        let points = grid::frequency_hz().iter().zip(&channel.curves.sections_db);
        let mut bass = points.take_while(|(f_hz, _)| **f_hz < BASS_HZ);
        bass.any(|(_, gain_db)| gain_db - heard_db > BOOST_DB)
    };
    outcome.channels.iter().any(boosts)
}

/// The preamp, as it is typed.
fn preamp(outcome: &Outcome) -> Option<Part> {
    let shared = &outcome.shared;
    let preamp = words::typed(shared.headroom.preamp_db);
    let where_to = match is_per_side(outcome) {
        true => "before the sections, the same on both sides, or the image moves",
        false => "before the sections",
    };
    let text = format!("Gain {where_to}: {preamp} dB");
    outcome.has_sections().then(|| Part {
        continues: !is_per_side(outcome),
        ..Part::without_head([Block::paragraph(text)])
    })
}

/// What decides the preamp, and what it protects from.
fn headroom(outcome: &Outcome) -> Option<Part> {
    let shared = &outcome.shared;
    let headroom = &shared.headroom;
    let together = match is_per_side(outcome) {
        true => "On the worse side the sections",
        false => "Together the sections",
    };
    if !outcome.has_sections() {
        return None;
    }
    let peak = signed_decimals_up_to(headroom.peak_gain_db, 2);
    let peak = if peak.starts_with('+') {
        format!(
            "reach {peak} dB {} ({})",
            words::at_frequency(headroom.peak_hz),
            words::rate(headroom.peak_rate_hz)
        )
    } else {
        "boost nowhere".to_owned()
    };
    // A bound must not be shown below itself.
    let bound_db = (headroom.any_signal_gain_db * 100.0).ceil() / 100.0;
    let bound = if bound_db >= 0.0 {
        format!(
            "no signal of any kind can rise by more than {} dB",
            decimals_up_to(bound_db, 2)
        )
    } else {
        format!(
            "every signal falls by {} dB or more",
            decimals_up_to(-bound_db, 2)
        )
    };
    let blocks = [
        format!("{together} {peak}; {bound}."),
        protected(&shared.protection),
    ];
    Some(Part::new("Headroom", blocks.map(Block::paragraph)))
}

/// What the preamp is good for.
fn protected(protection: &Protection) -> String {
    let guarded = match protection.guard {
        Guard::Sine => "The gain before them keeps steady tones from clipping",
        Guard::AnySignal => "The gain before them keeps every signal from clipping",
    };
    match protection.true_peak_margin_db {
        0.0 => format!("{guarded}, sample by sample."),
        margin_db => format!(
            "{guarded}, with {} dB to spare for the curve between the samples.",
            decimals_up_to(margin_db, 2)
        ),
    }
}

/// How loud it plays with preamp and sections.
fn louder_or_quieter(heard: HeardChange) -> String {
    let figure = decimals(heard.total_db.abs(), 1);
    let change = match (figure.as_str(), heard.total_db < 0.0) {
        ("0.0", _) => "as loud as without EQ".to_owned(),
        (_, true) => {
            format!(
                "{figure} dB quieter than without EQ: to compare, turn what has none down by as much"
            )
        }
        (_, false) => {
            format!("{figure} dB louder than without EQ: turn down by as much to compare")
        }
    };
    format!("With both, pink noise is {change} (A-weighted, through this unit).")
}

/// What more loss of loudness would buy.
fn trade_off(wish: &LoudnessWish) -> Part {
    let points = wish.trade_off.iter();
    let loss = points.clone().map(|p| decimals(p.loudness_loss_db, 1));
    let residual = points.map(|p| decimals(p.residual_db, 2));
    let table = Block::table_across([
        Column::new(Numbers, "quieter by (dB)", loss),
        Column::new(Numbers, "residual (dB)", residual),
    ]);
    let head = "Loudness against residual (quick fits between, none beaten in both)";
    Part::new(head, [table])
}

fn sections(shared: &Shared, channel: &Channel) -> Part {
    let how = match shared.start {
        None => "fitted",
        Some(Freedom::AsIs) => "as they are",
        Some(Freedom::Gains) => "gains polished",
        Some(Freedom::All) => "polished",
    };
    let rate = shared.rates_hz.first().map_or(String::new(), |&hz| {
        format!(", {how} at {}", words::rate(hz))
    });
    let head = match channel.side {
        None => "Sections".to_owned(),
        Some(side) => format!("{} side: sections", words::side_name(side)),
    };
    let head = format!("{head} within \"{}\"{rate}", shared.limits);
    if channel.sections.is_empty() {
        let none = "none: no section was found that brings the curve closer to the target";
        return Part::new(head, [Block::paragraph(none)]);
    }
    let mut blocks = vec![table(channel)];
    let notes = [
        only_shelf(&channel.sections),
        meanings(channel),
        kept(channel),
        idle_bands(&channel.idle_bands_hz),
    ];
    blocks.extend(notes.into_iter().flatten().map(Block::paragraph));
    Part::new(head, blocks)
}

/// One row a section. A q that is typed otherwise than the cookbook's has a column of its own.
fn table(channel: &Channel) -> Block {
    let all = channel.sections.iter();
    let mut columns = vec![
        Column::new(
            Words,
            "shape",
            all.clone().map(|s| s.shape.name().to_owned()),
        ),
        Column::new(
            Numbers,
            "f0 (Hz)",
            all.clone().map(|s| words::typed(s.f0_hz)),
        ),
        Column::new(
            Numbers,
            "gain (dB)",
            all.clone().map(|s| words::signed_typed(s.gain_db)),
        ),
        Column::new(Numbers, "q", all.clone().map(|s| words::typed(s.q))),
    ];
    if channel.typed_q.iter().any(Option::is_some) {
        let typed = all.zip(&channel.typed_q).map(|(section, typed)| {
            let q = typed.map_or(section.q, |typed| typed.q);
            decimals_up_to(q, TYPED_Q_DECIMALS)
        });
        columns.push(Column::new(Numbers, "typed q", typed));
    }
    Block::table(columns)
}

/// What this equaliser calls q.
fn meanings(channel: &Channel) -> Option<String> {
    let mut said: Vec<String> = Vec::new();
    for (section, typed) in channel.sections.iter().zip(&channel.typed_q) {
        let kind = if section.shape.is_shelf() {
            "shelves"
        } else {
            "peaking sections"
        };
        let meaning = typed.map_or("the same q", |typed| typed.meaning.words());
        let words = format!("for {kind} {meaning}");
        if !said.contains(&words) {
            said.push(words);
        }
    }
    channel.typed_q.iter().any(Option::is_some).then(|| {
        format!(
            "Type in the last column: what this equaliser calls q is {}. The column before is the cookbook's Q.",
            said.join(", ")
        )
    })
}

fn kept(channel: &Channel) -> Option<String> {
    let at = |index: &usize| words::frequency(channel.sections[*index].f0_hz);
    let kept: Vec<String> = channel.kept.iter().map(at).collect();
    (!kept.is_empty()).then(|| format!("Kept as they were: those at {}.", kept.join(", ")))
}

/// Bands of a graphic equaliser without a section.
fn idle_bands(idle_hz: &[f64]) -> Option<String> {
    let bands: Vec<String> = idle_hz.iter().map(|&hz| words::typed(hz)).collect();
    let bands = bands.join(", ");
    (!idle_hz.is_empty()).then(|| format!("Bands that stay at 0 dB: {bands} Hz."))
}

/// Why there are no more sections.
fn enough_words(enough: &Enough) -> Block {
    let sections = match enough.sections {
        1 => "1 section is".to_owned(),
        number => format!("{number} sections are"),
    };
    Block::paragraph(format!(
        "{sections} enough: more would lower the residual by less than {} dB each.",
        decimals(enough.least_gain_db, 2),
    ))
}

/// What a single falling shelf might as well be.
fn only_shelf(all: &[Section]) -> Option<String> {
    let [section] = all else { return None };
    let mirror = match section.shape {
        Shape::HighShelf => Shape::LowShelf,
        _ => Shape::HighShelf,
    };
    (section.shape.is_shelf() && section.gain_db < 0.0).then(|| {
        format!(
            "It does what a {mirror} of {} dB does, {} dB lower in level, so it needs no preamp.",
            words::signed_typed(-section.gain_db),
            words::typed(-section.gain_db),
        )
    })
}

/// What was gained: the residual before and after, and in the worst take.
fn residual(outcome: &Outcome) -> Part {
    let Outcome { shared, channels } = outcome;
    let mut rows = vec![weighted_row("weighted as in the fit", &shared.residual)];
    for channel in channels {
        rows.extend(channel.side.map(|side| Row {
            depth: 1,
            ..weighted_row(side.words(), &channel.residual)
        }));
    }
    rows.push(trusted_row(shared.trusted_band_hz, &shared.residual));
    rows.extend(worst_take(channels));
    rows.extend(rate_rows(
        &shared.rates_hz,
        &shared.residual_by_rate_db,
        shared.residual.after.weighted_db,
    ));
    let mut blocks = vec![Block::Rows(rows)];
    let difference = shared.level_difference.as_ref();
    blocks.extend(difference.and_then(level_difference).map(Block::paragraph));
    let level = match is_per_side(outcome) {
        true => "one free level for both sides",
        false => "level-free",
    };
    let head = format!("Residual (equalised minus target, {level}, rms)");
    Part::new(head, blocks)
}

/// The take that is left with most, where there are several.
fn worst_take(channels: &[Channel]) -> Option<Row> {
    let all = || channels.iter().flat_map(|channel| &channel.take_residuals);
    let worst = all().max_by(|a, b| a.after_db.total_cmp(&b.after_db))?;
    let figures = format!(
        "{} dB before, {} dB after, most at {} ({} dB)",
        decimals(worst.before_db, 2),
        decimals(worst.after_db, 2),
        words::frequency(worst.worst_hz),
        signed_decimals_up_to(worst.worst_db, 1),
    );
    (all().count() > 1).then(|| Row::new(format!("worst take, {}", worst.take), figures))
}

/// What of the residual is no more than a difference in level.
fn level_difference(difference: &LevelDifference) -> Option<String> {
    let largest_db = difference.before_db.abs().max(difference.after_db.abs());
    if largest_db < NOTABLE_DIFFERENCE_DB {
        return None;
    }
    let signed = |db: f64| {
        let (louder, softer) = if db < 0.0 {
            ("right", "left")
        } else {
            ("left", "right")
        };
        match decimals(db.abs(), 2).as_str() {
            "0.00" => "none".to_owned(),
            figure => format!("{louder} is {figure} dB louder than {softer}"),
        }
    };
    Some(format!(
        "In level (weighted mean, beside what is wanted): {} before, {} after. {} dB of the residual after is that. Sections mend a difference in level badly: a balance control does it better.",
        signed(difference.before_db),
        signed(difference.after_db),
        decimals(0.5 * difference.after_db.abs(), 2),
    ))
}

fn weighted_row(name: &str, residual: &BeforeAfter) -> Row {
    let figures = format!(
        "{} dB before, {} dB after",
        decimals(residual.before.weighted_db, 2),
        decimals(residual.after.weighted_db, 2)
    );
    Row::new(name, figures)
}

fn trusted_row(trusted_band_hz: Option<(f64, f64)>, residual: &BeforeAfter) -> Row {
    match (
        trusted_band_hz,
        residual.before.trusted_band_db,
        residual.after.trusted_band_db,
    ) {
        (Some((lowest_hz, highest_hz)), Some(before_db), Some(after_db)) => Row::new(
            format!(
                "trusted band, {} to {}",
                words::frequency(lowest_hz),
                words::frequency(highest_hz)
            ),
            format!(
                "{} dB before, {} dB after{}",
                decimals(before_db, 2),
                decimals(after_db, 2),
                // Only weights that count other frequencies more can do this.
                if after_db > before_db + WORSE_DB
                    && residual.after.weighted_db < residual.before.weighted_db
                {
                    ": worse, by the choice of weights"
                } else {
                    ""
                }
            ),
        ),
        _ => Row::new("trusted band", "none: no frequency is trusted"),
    }
}

/// Rates at which the residual is notably another.
fn rate_rows(rates_hz: &[f64], residual_by_rate_db: &[f64], after_db: f64) -> Vec<Row> {
    let others = rates_hz.iter().zip(residual_by_rate_db).skip(1);
    others
        .filter(|(_, db)| (*db - after_db).abs() >= NOTABLE_RATE_DIFFERENCE_DB)
        .map(|(&rate_hz, &db)| {
            Row::new(
                format!("weighted, at {}", words::rate(rate_hz)),
                format!("{} dB after", decimals(db, 2)),
            )
        })
        .collect()
}

/// The residual with fewer sections, up to the count after which nothing is gained; one row for each channel.
fn reach(outcome: &Outcome) -> Option<Part> {
    let channels = &outcome.channels;
    let more = match is_per_side(outcome) {
        true => " a side",
        false => "",
    };
    /// What two decimals cannot show is no gain.
    const SHOWN_DB: f64 = 0.005;
    let name = |channel: &Channel| match channel.side {
        None => "residual (dB)",
        Some(Side::Right) => "right (dB)",
        Some(_) => "left (dB)",
    };
    let rows_db: Vec<(&str, Vec<f64>)> = channels
        .iter()
        .map(|channel| {
            let points = channel.reach.iter().map(|point| point.residual_db);
            (name(channel), points.collect())
        })
        .collect();
    // Curves begin with the kept sections.
    let first = channels[0].reach.first().map_or(0, |point| point.sections);
    let all = rows_db.first().map_or(0, |(_, row)| row.len());
    let enough = rows_db
        .iter()
        .map(|(_, row)| {
            let least_db = row.last().copied().unwrap_or(0.0);
            let place = row.iter().position(|db| *db < least_db + SHOWN_DB);
            place.map_or(row.len(), |place| place + 1)
        })
        .max()
        .unwrap_or(0);
    if enough < 2 {
        return None;
    }
    let steps = if all > enough {
        ", and no less with more"
    } else {
        ""
    };
    let head = format!(
        "Reach (weighted residual with at most so many sections{more}, before steps{steps})"
    );
    let numbers = (first..first + enough).map(|number| number.to_string());
    let mut columns = vec![Column::new(Numbers, "sections", numbers)];
    columns.extend(rows_db.iter().map(|(name, row)| {
        let cells = row.iter().take(enough).map(|db| decimals(*db, 2));
        Column::new(Numbers, name, cells)
    }));
    let mut blocks = vec![Block::table_across(columns)];
    blocks.extend(outcome.shared.enough.as_ref().map(enough_words));
    Some(Part::new(head, blocks))
}

fn certainty(outcome: &Outcome) -> Part {
    let takes = outcome.channels.iter().map(|Channel { side, takes, .. }| {
        let number = count(takes.len(), "take", "takes");
        let names = takes.join(", ");
        match side {
            None => format!("{number}: {names}"),
            Some(side) => format!("{}, {number}: {names}", words::side_name(*side)),
        }
    });
    let takes = takes.collect::<Vec<_>>().join(". ");
    let mut blocks = takes_and_notes(&takes, outcome);
    blocks.push(search(outcome));
    blocks.extend(economy(
        outcome.shared.economy_ratio,
        outcome.has_sections(),
    ));
    Part::new("How sure", blocks)
}

/// Takes, spread, notes, source of the target.
fn takes_and_notes(takes: &str, outcome: &Outcome) -> Vec<Block> {
    let cautions = &outcome.shared.cautions;
    let spread = match outcome.spread() {
        Some(spread) => format!("Spread: {}.", words::spread(&spread, "the trusted band")),
        None if cautions.contains(&Caution::SpreadUnknown) => String::new(),
        None => "The spread is not known.".to_owned(),
    };
    let mut blocks = vec![Block::paragraph(format!("{takes}. {spread}"))];
    let notes = cautions.iter().filter(|c| !changes_what_to_do(c, outcome));
    blocks.extend(notes.map(|note| Block::about("Note", note)));
    blocks.push(Block::paragraph(format!(
        "Target: {}",
        outcome.shared.target_source
    )));
    blocks
}

/// Searches that agree are evidence from so many on: two often end at the same wrong place (`tests/benches/RESULTS.md`, "Agreement of searches").
const ENOUGH_TO_TRUST: u64 = 3;

fn search(outcome: &Outcome) -> Block {
    let search = &outcome.shared.search;
    if outcome.shared.start.is_some() {
        return Block::paragraph(format!("No search: {}.", search.stop));
    }
    let answer = match is_per_side(outcome) {
        true => "the answer of their side",
        false => "this answer",
    };
    let number =
        |number: u64, one, many| count(usize::try_from(number).unwrap_or(usize::MAX), one, many);
    let agreement = match (search.searches, search.agreeing) {
        (0, _) => "no independent search had the time to end".to_owned(),
        (searches, agreeing) => format!(
            "{agreeing} of {} ended at {answer}",
            number(searches, "independent search", "independent searches")
        ),
    };
    let is_doubtful = |of: &SearchReport| of.agreeing < ENOUGH_TO_TRUST && !(of.exact || of.enough);
    let any = outcome.channels.iter().any(|c| is_doubtful(&c.search));
    let doubt = match (any, search.effort) {
        (false, _) => Text::default(),
        (true, Effort::Deep) => " A better answer is possible.".into(),
        (true, Effort::Quick | Effort::Normal) => {
            Text::from(" A better answer is possible; ")
                + ProgramSetting::to(Knob::Effort, "deep")
                + " searches longest."
        }
    };
    let found = format!(
        "Search: {agreement} ({}, {}, {}). Stopped: {}.",
        number(search.evaluations, "evaluation", "evaluations"),
        number(search.polishes, "local solution", "local solutions"),
        number(search.restarts, "restart", "restarts"),
        search.stop.trim_end_matches('.'),
    );
    Block::paragraph(Text::from(found) + doubt)
}

fn economy(ratio: f64, any_section: bool) -> Option<Block> {
    (any_section && ratio.is_finite()).then(|| {
        Block::paragraph(format!(
            "Economy ratio {0}: one by one the sections move {0} times what they move together. {1}.",
            decimals(ratio, 2),
            economy_in_words(ratio)
        ))
    })
}

/// Measured answers lie between 1.2 and 1.7, the worst at 2.1.
fn economy_in_words(ratio: f64) -> &'static str {
    match ratio {
        _ if ratio < 1.05 => "They do not work against each other",
        _ if ratio < 1.7 => "They work against each other a little, as is usual",
        _ => "They work against each other more than is usual; fewer sections may do as well",
    }
}
