//! What is fuzzed: one function a subject, each going through the library as the command line does.
//!
//! A subject takes any bytes. It panics where something holds that must not: a panic of the library, a figure that is no
//! number, an error that points outside the file, a text that would steer a terminal, or a promise that is broken (what is
//! written reads back as it was, a fit keeps its limits, and so on).
//!
//! `targets/` runs these under a fuzzer, `../odd_inputs.rs` runs them over the files of `corpus/` and `samples/`.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use bandwright::cost::drive::WishedLevel;
use bandwright::cost::exposure::{Field, FieldTable};
use bandwright::cost::loudness::loudness_change;
use bandwright::cost::programme::{Programme, ProgrammeLevel};
use bandwright::cost::source::{Source, parse_source};
use bandwright::cost::{Cost, CostRequest, cost};
use bandwright::error::{Error, ErrorKind, Result};
use bandwright::export::{self, Export, Form};
use bandwright::files;
use bandwright::filter::{QMeaning, Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::space::boxes::{self, Believed};
use bandwright::headroom::{Guard, Protection};
use bandwright::inspection::{beyond_eq, inspect};
use bandwright::job::cost::{Circumstances, cost_of};
use bandwright::job::{AS_GOOD_DB, ECONOMY, FitBand, Measured, Prepared, Residual, Wish};
use bandwright::limits::{Limits, Setting, library as limits_library};
use bandwright::measurement::distorted::{DistortionCurve, read_distortion};
use bandwright::measurement::grid::{self, OnGrid, POINTS};
use bandwright::measurement::impedance::{ImpedanceByFrequency, read_impedance};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::parse::{header_notes, parse_curve, parse_weight};
use bandwright::measurement::smooth::{Width, smooth};
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::unit_file::{
    DistortionEntry, Drive, FileEntry, Impedance, OpenedTake, OpenedUnit, RigEntry, Sensitivity,
    UnitEntry, parse_unit_file, read_take, read_trust,
};
use bandwright::measurement::{Curve, Rig};
use bandwright::report::blocks::{ProgramSetting, Report};
use bandwright::report::words::printable;
use bandwright::report::{self, figures};
use bandwright::sheet::{self, Sheet};
use bandwright::verify::remeasured::TOLERANCE_DB;
use bandwright::verify::sheet_check::{LimitsFrom, Outcome};
use bandwright::verify::{Remeasurement, check_sheet, remeasured as judge_promise};
use bandwright::wanted::recipe::{parse_recipe, write_recipe};
use bandwright::wanted::shown::{OCTAVES_HZ, THIRD_OCTAVES_HZ, compared, shown};
use bandwright::wanted::{Contour, ContourEntry, Reference, Target, library};

/// A name, which is that of the target, the dictionary and the folders, and what it does with the bytes.
pub type Subject = (&'static str, fn(&[u8]));

/// Every subject.
pub const SUBJECTS: [Subject; 12] = [
    ("curve", curve),
    ("wav", wav),
    ("unit", unit),
    ("unit_tables", unit_tables),
    ("recipe", recipe),
    ("limits", limits),
    ("source", source),
    ("programme", programme),
    ("weight", weight),
    ("sheet", sheet),
    ("remeasured", remeasured),
    ("fit", fit),
];

/// The rate at which single figures are computed, hertz.
const RATE_HZ: f64 = 48_000.0;
/// No message is longer, in characters: it would fill a screen.
const LONGEST_MESSAGE: usize = 4000;

/// A curve file: as the take of a unit, as a target that is written and read again, smoothed in all ways.
pub fn curve(bytes: &[u8]) {
    const NAME: &str = "left.csv";
    told(NAME, bytes, header_notes(bytes, NAME));
    let Some(curve) = told(NAME, bytes, parse_curve(bytes, NAME)) else {
        return;
    };
    let increasing = curve
        .frequency_hz()
        .windows(2)
        .all(|pair| 0.0 < pair[0] && pair[0] < pair[1]);
    assert!(increasing && all_finite(curve.level_db()), "{curve:?}");
    let Some(on_grid) = told(NAME, bytes, grid::resample(&curve)) else {
        return;
    };
    assert_sound(&on_grid);
    for width in [Width::Octaves(2.0), Width::Octaves(1.0 / 6.0), Width::Erb] {
        let smoothed = smooth(&on_grid, width);
        assert_sound(&smoothed);
        assert_eq!(smoothed.support, on_grid.support);
    }

    let target = Target::of_curve("a curve", "a file", on_grid.clone());
    let text = library::write_curve(&target, RATE_HZ);
    let again = parse_curve(text.as_bytes(), NAME).and_then(|curve| grid::resample(&curve));
    assert_eq!(again.map(|again| again.support), Ok(on_grid.support));

    if let Some(take) = told(NAME, bytes, read_take(bytes, NAME, Side::Left, None)) {
        inspected(bytes, unit_of(vec![take]));
    }
}

/// A WAV file, in its only channel and in a named one.
pub fn wav(bytes: &[u8]) {
    const NAME: &str = "left.wav";
    if let Some(take) = told(NAME, bytes, read_take(bytes, NAME, Side::Left, Some(2))) {
        assert_sound(&take.take.on_grid);
    }
    if let Some(take) = told(NAME, bytes, read_take(bytes, NAME, Side::Left, None)) {
        assert_sound(&take.take.on_grid);
        if let Some(impulse) = &take.impulse {
            assert!(impulse.flight_time_s.is_finite());
            assert!(impulse.window_s.0 < impulse.window_s.1);
            assert!(!impulse.tail_db.is_nan());
            assert!(all_finite(&impulse.excess.group_delay_s));
            assert!(all_finite(&impulse.excess.minimum_phase_deg));
        }
        inspected(bytes, unit_of(vec![take]));
    }
}

/// A unit file: its units opened, judged and used as targets; the files that it names are the few of [`file`].
pub fn unit(bytes: &[u8]) {
    const NAME: &str = "kit/odd.unit.toml";
    /// Judging goes with the square of the takes, and what a hundred do ten do as well.
    const MOST_TAKES: usize = 10;
    let Some(units) = told(NAME, bytes, parse_unit_file(bytes, NAME)) else {
        return;
    };
    assert!(!units.is_empty());
    for entry in units.iter().take(3) {
        assert!(!entry.takes.is_empty());
        if entry.takes.len() > MOST_TAKES {
            continue;
        }
        if let Some(opened) = told(NAME, bytes, open(entry)) {
            inspected(bytes, opened);
        }
        for side in [None, Some(Side::Left)] {
            let reference = Reference {
                side,
                variant: Some(entry.name.clone()),
                ..Reference::new(NAME)
            };
            let read = |path: &Path| file(&files::shown(path), NAME, bytes);
            let target = library::resolve_reference(&reference, &read);
            if let Some(target) = told(NAME, bytes, target) {
                shows_target(bytes, &target);
            }
        }
    }
}

/// The tables that a unit file names: trust, impedance, distortion.
pub fn unit_tables(bytes: &[u8]) {
    const NAME: &str = "table.csv";
    if let Some(rig) = told(NAME, bytes, read_trust(bytes, NAME)) {
        assert!(rig.trust_on_grid().iter().all(|t| (0.0..=1.0).contains(t)));
        let band_hz = rig.trusted_band_hz(&(0..POINTS));
        assert!(band_hz.is_none_or(|(low_hz, high_hz)| low_hz <= high_hz));
    }
    let known = known();
    if let Some(impedance) = told(NAME, bytes, read_impedance(bytes, NAME)) {
        for f_hz in [1.0, 20.0, 1000.0, 20_000.0, 1e6] {
            assert!(impedance.ohm_at(f_hz).is_none_or(|ohm| ohm > 0.0));
            assert!(impedance.phase_deg_at(f_hz).is_none_or(f64::is_finite));
        }
        costs(
            bytes,
            Some(&impedance),
            Some(&known.source),
            &[],
            &known.programme,
        );
    }
    for side in [Side::Unknown, Side::Right] {
        let entry = DistortionEntry {
            file: FileEntry {
                file: NAME.to_owned(),
                line: 1,
                key: "distortion[1].file".to_owned(),
            },
            level_db_spl: 94.0,
            side,
        };
        if let Some(curve) = told(NAME, bytes, read_distortion(bytes, NAME, &entry)) {
            let (low_hz, high_hz) = curve.band_hz();
            assert!(0.0 < low_hz && low_hz <= high_hz);
            costs(
                bytes,
                Some(&known.impedance),
                Some(&known.source),
                &[curve],
                &known.programme,
            );
        }
    }
}

/// A recipe: written and read again, resolved on the few files of [`file`], shown, compared and gone toward; and a contour
/// as an option has it.
pub fn recipe(bytes: &[u8]) {
    const NAME: &str = "kit/odd.target.toml";
    if let Ok(text) = std::str::from_utf8(bytes)
        && let Some(ContourEntry::Contour(contour)) =
            told("contour", bytes, ContourEntry::parse(text))
    {
        assert!(all_finite(
            &contour.levels_db(RATE_HZ, grid::frequency_hz())
        ));
    }
    let Some(recipe) = told(NAME, bytes, parse_recipe(bytes, NAME)) else {
        return;
    };
    let again = parse_recipe(write_recipe(&recipe).as_bytes(), NAME);
    assert_eq!(again.map(without_lines), Ok(without_lines(recipe)));

    let read = |path: &Path| file(&files::shown(path), NAME, bytes);
    if let Some(target) = told(NAME, bytes, library::resolve(NAME, &read)) {
        shows_target(bytes, &target);
    }
}

/// Limits: written and read again, with fewer sections, their knobs' values, the sections that they allow, what is left
/// beside those, and what the fit may search.
pub fn limits(bytes: &[u8]) {
    const NAME: &str = "odd.limits.toml";
    let Some(limits) = told(NAME, bytes, Limits::parse(bytes, NAME)) else {
        return;
    };
    assert_eq!(
        Limits::parse(limits.to_toml().as_bytes(), NAME).as_ref(),
        Ok(&limits),
        "{}",
        limits.to_toml()
    );
    let available = limits.available();
    for sections in [0, available + 1] {
        assert!(limits.with_sections(sections).is_err());
    }
    for sections in [1, available] {
        let fewer = limits
            .with_sections(sections)
            .map(|limits| limits.available());
        assert_eq!(fewer, Ok(sections));
    }
    check_knob(&limits.preamp_db);
    let _ = limits.lowest_preamp_db();
    for shape in Shape::ALL {
        for slot in limits.places(shape).take(4) {
            let knobs = limits.knobs(shape, slot);
            knobs.into_iter().for_each(check_knob);
            let meaning = limits.rules.meaning_of(shape);
            for (f0_hz, gain_db, q) in [(100.0, 3.0, 0.7), (3000.0, -6.0, 2.0), (9e9, 9e9, 9e9)] {
                let [f0_hz, gain_db, device_q] = [f0_hz, gain_db, q]
                    .into_iter()
                    .zip(knobs)
                    .map(|(x, knob)| knob.nearest(x))
                    .collect::<Vec<_>>()
                    .try_into()
                    .expect("three knobs");
                let rate_hz = limits.rates_hz[0];
                let Some(q) = meaning.to_cookbook(device_q, f0_hz, gain_db, rate_hz) else {
                    continue;
                };
                let section = Section {
                    shape,
                    f0_hz,
                    gain_db,
                    q,
                };
                let _ = limits.typed_q(&section);
                if told(NAME, bytes, limits.allows(&[section])).is_some() {
                    let beside = told(NAME, bytes, limits.beside(&[&[section]]));
                    assert!(beside.is_none_or(|left| left.available() < available.max(2)));
                }
            }
        }
    }
    let in_part = Believed {
        peaking_to_hz: 10_000.0,
        shelves_to_hz: 5000.0,
        gentle_hz: vec![(300.0, 400.0), (6000.0, 9000.0)],
    };
    for believed in [Believed::EVERYTHING, in_part] {
        let space = boxes::space(&limits, (20.0, 20_000.0), &believed);
        assert!(space.capacity() <= available);
        let used = space.boxes.iter().flatten();
        for ranges in used.filter(|ranges| !ranges.is_empty()) {
            let ends = [&ranges.f0_hz, &ranges.gain_db, &ranges.q];
            assert!(
                ends.iter()
                    .all(|range| all_finite(&[*range.start(), *range.end()]))
            );
        }
    }
}

/// A source, and what it makes of a known earphone.
pub fn source(bytes: &[u8]) {
    const NAME: &str = "odd.source.toml";
    let Some(source) = told(NAME, bytes, parse_source(bytes, NAME)) else {
        return;
    };
    let known = known();
    let distortion = std::slice::from_ref(&known.distortion);
    for impedance in [&known.impedance, &ImpedanceByFrequency::Ohm(0.1)] {
        costs(
            bytes,
            Some(impedance),
            Some(&source),
            distortion,
            &known.programme,
        );
    }
}

/// A programme's bands, and how loud it plays.
pub fn programme(bytes: &[u8]) {
    const NAME: &str = "programme.csv";
    let bands = told(NAME, bytes, parse_curve(bytes, NAME));
    let programme = bands.and_then(|bands| told(NAME, bytes, Programme::from_bands(&bands)));
    let Some(programme) = programme else {
        return;
    };
    let known = known();
    for rate_hz in [8000.0, RATE_HZ, 768_000.0] {
        let Some(spectrum) = told(NAME, bytes, programme.spectrum(rate_hz)) else {
            continue;
        };
        let total: f64 = spectrum.share.iter().sum();
        assert!((total - 1.0).abs() < 1e-9, "shares add to {total}");
        let sections = known.sections_below(rate_hz);
        let change = loudness_change(&sections, rate_hz, -3.0, &programme);
        let change = change.expect("a programme with a spectrum has a loudness");
        assert!(
            all_finite(&[change.sections_lu, change.total_lu]),
            "{change:?}"
        );
        let level = ProgrammeLevel::of_loudness(-23.0, None, &spectrum);
        assert!(told(NAME, bytes, level).is_none_or(|level| level.rms_db.is_finite()));
    }
    costs(
        bytes,
        Some(&known.impedance),
        Some(&known.source),
        &[],
        &programme,
    );
}

/// A weight.
pub fn weight(bytes: &[u8]) {
    const NAME: &str = "weight.csv";
    if let Some(weight) = told(NAME, bytes, parse_weight(bytes, NAME)) {
        let on_grid = weight.on_grid();
        assert!(all_finite(&on_grid) && on_grid.iter().all(|weight| *weight >= 0.0));
        assert!(on_grid.iter().any(|weight| *weight > 0.0));
    }
}

/// A sheet: tested, exported in every form, kept, written and read again.
pub fn sheet(bytes: &[u8]) {
    const NAME: &str = "odd.sheet.toml";
    for limits in known_limits() {
        if let Some(kept) = told(NAME, bytes, sheet::read_kept(bytes, NAME, limits)) {
            for sections in kept {
                assert_eq!(limits.allows(&sections), Ok(()));
            }
        }
    }
    for stand in [true, false] {
        let limits = known_limits().iter().map(Some);
        for named in std::iter::once(None).chain(limits) {
            if let Some(given) = told(NAME, bytes, sheet::read_given(bytes, NAME, named, stand)) {
                assert_eq!(given.limits.check(), Ok(()));
                let allowed = |sections: &Vec<_>| given.limits.allows(sections) == Ok(());
                assert!(!stand || given.sections.iter().all(allowed));
            }
        }
    }
    let Some(sheet) = told(NAME, bytes, sheet::read(bytes, NAME)) else {
        return;
    };
    for limits in [None, Some((&known_limits()[0], LimitsFrom::File))] {
        let check = check_sheet(&sheet, limits);
        assert_eq!(check.passes(), check.count(Outcome::Fail) == 0);
        shows(bytes, &text_of(figures::check::report(&check, None, &[])));
        let _ = report::to_json(&report::check_document(NAME, &check, None, &[]));
    }
    for preamp_included in [true, false] {
        let request = export::Request {
            rates_hz: if preamp_included {
                vec![]
            } else {
                vec![sheet.rates_hz[0]]
            },
            unlisted_rates: false,
            side: None,
            preamp_included,
        };
        if let Some(export) = told(NAME, bytes, Export::of(&sheet, &request)) {
            exported(bytes, &export);
        }
    }
    let text = sheet::write(&sheet).expect("a sheet that was read can be written");
    assert_eq!(sheet::read(text.as_bytes(), NAME), Ok(sheet), "{text}");
}

/// Takes of before and after with cut-offs, levels, sides and counts from the bytes, against one of a few sheets.
pub fn remeasured(bytes: &[u8]) {
    let choices = &mut Choices(bytes);
    let sheets = known_sheets();
    let sheet = &sheets[choices.below(sheets.len())];
    let same_level = choices.flag();
    let rate_hz = match choices.below(3) {
        0 => None,
        1 => sheet.rates_hz.last().copied(),
        _ => Some(96_001.0),
    };
    let rig = rig(choices);
    let leak_threshold_db = [1.2, 0.1, 60.0][choices.below(3)];
    // What plays: nothing, the sheet, or more or less than that.
    let times = [1.0, 0.0, 2.0, -1.0, 0.5][choices.below(5)];
    let sides = [Side::Left, Side::Right, Side::Unknown];
    let mut session = |name: &str, times: f64| {
        let mut takes = Vec::new();
        for side in sides {
            for number in 0..choices.below(4) {
                let channel = sheet
                    .channels
                    .iter()
                    .find(|c| c.side.is_none_or(|of| of == side));
                let sections = channel.map_or(&[][..], |channel| &channel.sections);
                let played_db = |f_hz: f64| {
                    let f_hz = f_hz.min(0.49 * sheet.rates_hz[0]);
                    times * cascade::level_db(sections, sheet.rates_hz[0], f_hz)
                };
                let name = format!("{name} {} {number}", side.words());
                takes.extend(invented_take(choices, &name, side, played_db));
            }
        }
        takes
    };
    let request = Remeasurement {
        before: session("before", 0.0),
        after: session("after", times),
        judging: Settings {
            leak_threshold_db,
            keep_all: false,
            rig,
            resonance_hz: None,
        },
        rate_hz,
        same_level,
        tolerance_db: TOLERANCE_DB,
        impedance: None,
    };
    let Some(promise) = told("", bytes, judge_promise(sheet, &request)) else {
        return;
    };
    let shares = promise.explanations.iter().map(|ranked| ranked.share);
    assert!(
        shares
            .clone()
            .all(|share| (0.0..=1.0 + 1e-9).contains(&share))
    );
    assert!(shares.sum::<f64>() <= 1.0 + 1e-9);
    for change in &promise.changes {
        let figures = [
            change.rms_db,
            change.worst_db,
            change.worst_hz,
            change.worst_error_db,
        ];
        assert!(all_finite(&figures), "{figures:?}");
        assert!(change.support.end <= POINTS);
    }
    let bound_db = promise.bound_db.unwrap_or(0.0);
    let figures = [promise.spread_db, bound_db, promise.judged_hz.0];
    assert!(all_finite(&figures), "{figures:?}");
    let check = check_sheet(sheet, None);
    shows(
        b"",
        &text_of(figures::check::report(&check, Some(&promise), &[])),
    );
    shows(b"", &report::check_plot(&check, &promise));
    let _ = report::to_json(&report::check_document(
        "a sheet",
        &check,
        Some(&promise),
        &[],
    ));
}

/// A fit at quick effort with one to three sections: curve, limits, target and options from the bytes.
pub fn fit(bytes: &[u8]) {
    let choices = &mut Choices(bytes);
    let text = invented_limits(choices);
    let Some(limits) = told(
        "",
        bytes,
        Limits::parse(text.as_bytes(), "invented.limits.toml"),
    ) else {
        return;
    };
    let by_side = choices.below(4) == 0;
    let counts = match by_side {
        true => [
            1 + choices.below(2),
            1 + choices.below(2),
            choices.below(8) / 7,
        ],
        false => [choices.below(3), choices.below(3), choices.below(2)],
    };
    let mut takes = Vec::new();
    for (side, count) in Side::ALL.into_iter().zip(counts) {
        for number in 0..count {
            let name = format!("{} {number}", side.words());
            takes.extend(invented_take(choices, &name, side, |_| 0.0));
        }
    }
    let target = match choices.below(4) {
        0 => None,
        1 => Some("flat"),
        2 => Some("diffuse-field"),
        _ => Some("spoken-word"),
    };
    let no_files = |path: &Path| file(&files::shown(path), "", b"");
    let target = target.map(|name| library::resolve(name, &no_files));
    let contours = [
        Contour::bass(choices.between(-12.0, 12.0)),
        Contour::slope(choices.between(-3.0, 3.0)),
    ];
    let kept = match choices.below(8) {
        0 => vec![Section {
            shape: Shape::Peaking,
            f0_hz: limits.f0_hz.nearest(500.0),
            gain_db: limits.gain_db.nearest(2.0),
            q: limits.q.nearest(1.0),
        }],
        _ => Vec::new(),
    };
    let measured = Measured {
        judging: Settings {
            leak_threshold_db: 1.2,
            keep_all: choices.flag(),
            rig: rig(choices),
            resonance_hz: choices.flag().then_some(8100.0),
        },
        smoothing: [None, Some(Width::Erb), Some(Width::Octaves(1.0))][choices.below(3)],
        weight: match choices.below(4) {
            0 => told(
                "",
                bytes,
                parse_weight(b"20,0\n900,0\n1000,5\n4000,1e-3\n", "weight.csv"),
            ),
            _ => None,
        },
        ..Measured::new("an invented unit", takes)
    };
    let wish = Wish {
        target: target.and_then(|target| told("", bytes, target)),
        contours: contours
            .into_iter()
            .filter_map(|contour| told("", bytes, contour))
            .collect(),
        per_side: by_side,
        kept: [kept.clone(), kept],
        start: None,
        band: FitBand::default(),
        this_ear: choices.below(2) == 1,
        ear_peak_hz: None,
        as_good_db: [AS_GOOD_DB, 0.0, 10.0][choices.below(3)],
        least_gain_db: [None, Some(0.0), Some(0.5)][choices.below(3)],
        economy: [ECONOMY, 0.0, 1000.0][choices.below(3)],
        protection: Protection {
            guard: Guard::ALL[choices.below(2)],
            true_peak_margin_db: [0.0, 1.0, 20.0][choices.below(3)],
        },
        // A limit of loudness takes some ten fits instead of one, and so does a preamp that does not reach.
        most_loudness_loss_db: (choices.below(32) == 31 && limits.sections == 1 && !by_side)
            .then_some(2.0),
    };
    let Some(prepared) = told("", bytes, Prepared::new(measured)) else {
        return;
    };
    let fitted = prepared.fit(&wish, &limits, Effort::Quick, &Stop::default());
    let Some(outcome) = told("", bytes, fitted) else {
        return;
    };
    let shared = &outcome.shared;
    for channel in &outcome.channels {
        keeps_limits(&limits, &channel.sections, shared.headroom.preamp_db);
    }
    improves(shared.residual.before, shared.residual.after);
    assert!(shared.headroom.preamp_db <= 0.0);
    assert!(shared.headroom.preamp_db + shared.headroom.peak_gain_db <= 1e-9);
    holds_as_sheet(Sheet::from_outcome(&outcome, &limits));
    let known = known();
    let circumstances = Circumstances {
        sensitivity: Some(known.sensitivity),
        impedance: Some(known.impedance.clone()),
        source: Some(known.source.clone()),
        distortion: vec![known.distortion.clone()],
        wished: Some(WishedLevel {
            level_db: 75.0,
            a_weighted: true,
        }),
        ..Circumstances::default()
    };
    let costs = told("", bytes, cost_of(&outcome, &circumstances)).unwrap_or_default();
    shows(b"", &text_of(figures::fit::report(&outcome, &costs, &[])));
    shows(b"", &report::fit_plot(&outcome, grid::frequency_hz()));
    let _ = report::fit_json(&outcome, &costs, &[], plain);
}

// What must hold of any result.

/// The value, where there is one. An error says something, at a line that the file has: `bytes` are the file of that name.
fn told<T>(name: &str, bytes: &[u8], result: Result<T>) -> Option<T> {
    let error = match result {
        Ok(value) => return Some(value),
        Err(error) => error,
    };
    if error.place.source == name
        && let Some(line) = error.place.line
    {
        let ends = bytes.iter().filter(|b| matches!(b, b'\n' | b'\r')).count();
        assert!((1..=ends + 1).contains(&line), "{ends} line ends: {error}");
    }
    let parts = [&error.found(), &error.expected(), &error.next_step()];
    assert!(
        parts.iter().all(|part| !part.trim().is_empty()),
        "{error:?}"
    );
    let length = error.to_string().chars().count();
    assert!(length <= LONGEST_MESSAGE, "{length} characters: {error}");
    None
}

/// Settings by their plain words.
fn plain(setting: &ProgramSetting) -> String {
    setting.knob.to_string()
}

fn text_of(report: Report) -> String {
    report::text(&[report], plain)
}

/// A text for people: nothing in it steers a terminal, and all numbers are numbers. `bytes` are where its names come from,
/// which may be called as they like.
fn shows(bytes: &[u8], text: &str) {
    let steering = text.lines().find(|line| printable(line) != *line);
    assert_eq!(steering, None);
    let word = |bytes: &[u8], word: &[u8]| {
        let mut windows = bytes.windows(word.len());
        windows.any(|window| window.eq_ignore_ascii_case(word))
    };
    if word(bytes, b"nan") || word(bytes, b"inf") {
        return;
    }
    let no_number = text
        .split(|c: char| !c.is_alphanumeric())
        .find(|word| ["NaN", "inf"].contains(word));
    assert_eq!(no_number, None, "{text}");
}

fn all_finite(numbers: &[f64]) -> bool {
    numbers.iter().all(|number| number.is_finite())
}

fn assert_sound(curve: &OnGrid) {
    assert_eq!(curve.level_db.len(), POINTS);
    let Range { start, end } = curve.support;
    assert!(start < end && end <= POINTS, "{start}..{end}");
    assert!(all_finite(&curve.level_db[start..end]), "{curve:?}");
}

/// A target: shown, compared with the library's, half gone toward, drawn, written.
fn shows_target(bytes: &[u8], target: &Target) {
    let measured = &known().measured;
    let target = &target.clone().over(measured);
    assert_sound(&target.level_on_grid(RATE_HZ));
    if let Some(shown) = told(
        "",
        bytes,
        shown(target, RATE_HZ, &THIRD_OCTAVES_HZ, Some(1000.0)),
    ) {
        shows(bytes, &text_of(figures::target::shown(&shown, &[])));
        shows(bytes, &report::target_plot(&shown));
        let _ = report::to_json(&report::target_document("show", &shown, &[]));
    }
    let flat = library::resolve("gentle-slope", &|path: &Path| {
        file(&files::shown(path), "", b"")
    });
    let flat = flat.expect("a target of the library");
    if let Some(compared) = told("", bytes, compared(target, &flat, RATE_HZ, &OCTAVES_HZ)) {
        shows(bytes, &text_of(figures::target::difference(&compared, &[])));
        shows(bytes, &report::target_diff_plot(&compared));
    }
    if let Some(half) = told("", bytes, target.clone().toward(0.5)) {
        assert_sound(&half.over(measured).level_on_grid(RATE_HZ));
    }
    let text = library::write_curve(target, RATE_HZ);
    let read = library::resolve("a.csv", &|_: &Path| Ok(text.clone().into_bytes()));
    assert!(read.is_ok(), "{read:?}\n{text}");
}

/// A unit: judged, told, drawn.
fn inspected(bytes: &[u8], unit: OpenedUnit) {
    let _ = beyond_eq(&unit.takes);
    let settings = Settings {
        rig: unit.rig.clone().unwrap_or_default(),
        resonance_hz: unit.resonance_hz(),
        ..Settings::default()
    };
    let Some(inspection) = told("", bytes, inspect(&unit, &settings)) else {
        return;
    };
    shows(bytes, &report::inspect_plot(&inspection));
    let inspections = std::slice::from_ref(&inspection);
    for report in figures::inspect::reports(inspections, &[]) {
        shows(bytes, &text_of(report));
    }
    let _ = report::to_json(&report::inspect_document(inspections, &[], plain));
}

/// An export in every form.
fn exported(bytes: &[u8], export: &Export) {
    let impulse = told("", bytes, export::impulse(export));
    if let Some(impulse) = &impulse {
        let wav = export::wav(impulse, export);
        assert!(wav.ends_with(export::WAV_END));
    }
    for text in [
        export::sos_csv(export),
        export::coefficients_csv(export),
        export::response_csv(export),
    ] {
        shows(bytes, &text);
    }
    for form in [Form::Sos, Form::Coefficients, Form::Response, Form::Impulse] {
        let of_form = impulse.as_ref().filter(|_| form == Form::Impulse);
        if form == Form::Impulse && of_form.is_none() {
            continue;
        }
        let _ = report::to_json(&report::filters_document(export, form, of_form));
        shows(
            bytes,
            &text_of(figures::export::report(export, form, of_form, &[])),
        );
    }
}

/// A knob: its values are within its ends and are values of it, and rounding goes the right way.
fn check_knob(knob: &Setting) {
    let (min, max) = (knob.min(), knob.max());
    assert!(min <= max);
    if let Some(values) = knob.len() {
        for k in [0, 1, values / 2, values - 1] {
            let value = knob.value(k.min(values - 1));
            assert!(
                (min..=max).contains(&value) && knob.contains(value),
                "{knob:?}: {value}"
            );
            assert_eq!(knob.nearest(value), value, "{knob:?}");
        }
    }
    for x in [min, max, 0.5 * (min + max), 0.0, 0.7, 1000.0, -1e9, 1e9] {
        let nearest = knob.nearest(x);
        assert!((min..=max).contains(&nearest), "{knob:?}: {nearest}");
        let (below, above) = (knob.at_or_below(x), knob.at_or_above(x));
        assert!(
            below.is_none_or(|below| below <= x),
            "{knob:?}: {below:?} <= {x}"
        );
        assert!(
            above.is_none_or(|above| above >= x),
            "{knob:?}: {above:?} >= {x}"
        );
        assert!(below.or(above).is_some(), "{knob:?}: {x}");
    }
}

fn keeps_limits(limits: &Limits, sections: &[Section], preamp_db: f64) {
    assert_eq!(limits.allows(sections), Ok(()));
    assert!(limits.preamp_db.contains(preamp_db), "{preamp_db} dB");
}

fn improves(before: Residual, after: Residual) {
    assert!(
        after.weighted_db < before.weighted_db,
        "{before:?} {after:?}"
    );
}

/// The sheet of a fit passes its own test, and reads back as it was written.
fn holds_as_sheet(sheet: Result<Sheet>) {
    let sheet = sheet.expect("every fit has a sheet");
    let check = check_sheet(&sheet, None);
    let fails: Vec<_> = check
        .points
        .iter()
        .filter(|point| point.outcome != Outcome::Pass)
        .collect();
    assert!(fails.is_empty(), "{fails:?}");
    let text = sheet::write(&sheet).expect("every sheet can be written");
    assert_eq!(
        sheet::read(text.as_bytes(), "a.sheet.toml"),
        Ok(sheet),
        "{text}"
    );
}

/// What some sections cost a known earphone, told.
fn costs(
    bytes: &[u8],
    impedance: Option<&ImpedanceByFrequency>,
    source: Option<&Source>,
    distortion: &[DistortionCurve],
    programme: &Programme,
) {
    let known = known();
    for (field, table) in [
        (Field::Diffuse, FieldTable::Iso532_2),
        (Field::Free, FieldTable::P58),
    ] {
        let request = CostRequest {
            heard: None,
            sections: &known.sections,
            rate_hz: RATE_HZ,
            preamp_db: -6.0,
            programme,
            level: ProgrammeLevel::usual(),
            response: &known.measured,
            sensitivity: Some(known.sensitivity),
            impedance,
            source,
            wished: Some(WishedLevel {
                level_db: 75.0,
                a_weighted: true,
            }),
            field,
            table,
            distortion,
            side: None,
            listening_db_spl: None,
        };
        let cost: Option<Cost> = told("", bytes, cost(&request));
        if let Some(cost) = cost {
            let mut report = Report::new("");
            report.parts.push(figures::cost::part(&cost, None));
            shows(bytes, &text_of(report));
            let _ = report::to_json(&cost);
        }
    }
}

/// A recipe's references know the lines that they stood in, which writing changes.
fn without_lines(mut recipe: bandwright::wanted::Recipe) -> bandwright::wanted::Recipe {
    let plain = |reference: &Reference| Reference {
        side: reference.side,
        variant: reference.variant.clone(),
        ..Reference::new(&reference.name)
    };
    recipe.base = plain(&recipe.base);
    if let Some(blend) = &mut recipe.blend {
        blend.with = plain(&blend.with);
    }
    for contour in &mut recipe.contours {
        if let ContourEntry::Table { line, .. } = contour {
            *line = None;
        }
    }
    recipe
}

// What the bytes meet: files, sheets, an earphone and a source that are known. All invented.

/// The files that odd files can name: what is at `path`, or `main` at its own.
fn file(path: &str, main: &str, bytes: &[u8]) -> Result<Vec<u8>> {
    if path == main {
        return Ok(bytes.to_vec());
    }
    let text = match path.rsplit('/').next().unwrap_or_default() {
        "left.csv" | "l.csv" => LEFT,
        "right.csv" | "r.csv" => RIGHT,
        "part.csv" => "frequency_hz,level_db\n300,90\n1000,93\n2500,88\n",
        "phase.csv" => {
            "frequency_hz,level_db,phase_deg\n20,80,90\n200,90,0\n2000,95,-400\n20000,70,-9000\n"
        }
        "change.csv" => "20,3\n200,0\n20000,-60\n",
        "trust.csv" => "20,1\n8000,1\n16000,0.3\n",
        "impedance.csv" => IMPEDANCE,
        "distortion.csv" => DISTORTION,
        "two.unit.toml" => {
            "format = 1\nname = \"two\"\n[[take]]\nside = \"left\"\nfile = \"left.csv\"\n[[take]]\nside = \"right\"\nfile = \"right.csv\"\n"
        }
        "shelf.target.toml" => {
            "source = \"invented\"\nbase = \"flat\"\n[[contour]]\nshape = \"low-shelf\"\nf0_hz = 90\ngain_db = 3\nq = 0.6\n"
        }
        "back.target.toml" => "source = \"invented\"\nbase = \"odd.target.toml\"\n",
        _ => {
            return Err(Error::new(
                ErrorKind::File,
                path,
                "no such file",
                "a file that can be read",
                "check the path and its permissions",
            ));
        }
    };
    Ok(text.as_bytes().to_vec())
}

const LEFT: &str = "frequency_hz,level_db\n20,104\n60,103.5\n150,101\n400,98\n1000,97\n2000,101\n3000,107\n4500,102\n7000,99\n8000,106\n9500,98\n16000,88\n20000,80\n";
const RIGHT: &str = "frequency_hz,level_db\n20,103\n60,103\n150,101\n400,98\n1000,97.5\n2000,101\n3000,106\n4500,102\n7000,98\n8200,106\n9500,98\n16000,86\n20000,79\n";
const IMPEDANCE: &str = "frequency_hz,impedance_ohm\n20,32\n100,48\n1000,32\n20000,40\n";
const DISTORTION: &str = "frequency_hz,distortion_percent\n20,2\n100,0.5\n1000,0.1\n6000,0.05\n";

/// An earphone and what feeds it.
struct Known {
    measured: OnGrid,
    sections: Vec<Section>,
    sensitivity: Sensitivity,
    impedance: ImpedanceByFrequency,
    distortion: DistortionCurve,
    source: Source,
    programme: Programme,
}

impl Known {
    /// The sections that a rate can play.
    fn sections_below(&self, rate_hz: f64) -> Vec<Section> {
        let mut sections = self.sections.clone();
        sections.retain(|section| section.is_playable_at(rate_hz));
        sections
    }
}

fn known() -> &'static Known {
    static KNOWN: OnceLock<Known> = OnceLock::new();
    KNOWN.get_or_init(|| {
        let entry = DistortionEntry {
            file: FileEntry {
                file: "distortion.csv".to_owned(),
                line: 1,
                key: "distortion[1].file".to_owned(),
            },
            level_db_spl: 94.0,
            side: Side::Unknown,
        };
        let section = |shape, f0_hz, gain_db, q| Section {
            shape,
            f0_hz,
            gain_db,
            q,
        };
        let read = || -> Result<Known> {
            Ok(Known {
                measured: grid::resample(&parse_curve(LEFT.as_bytes(), "left.csv")?)?,
                sections: vec![
                    section(Shape::LowShelf, 90.0, 5.0, 0.6),
                    section(Shape::Peaking, 3000.0, -6.0, 2.0),
                    section(Shape::HighShelf, 9000.0, -3.0, 0.7),
                ],
                sensitivity: Sensitivity {
                    db_spl: 108.5,
                    per: Drive::Milliwatt,
                    at_hz: 1000.0,
                },
                impedance: read_impedance(IMPEDANCE.as_bytes(), "impedance.csv")?,
                distortion: read_distortion(DISTORTION.as_bytes(), "distortion.csv", &entry)?,
                source: Source {
                    name: "an invented amplifier".to_owned(),
                    max_voltage_v: 0.8,
                    output_ohm: 4.0,
                    full_scale_v: 0.06,
                },
                programme: Programme::pink(),
            })
        };
        read().expect("files of our own")
    })
}

fn known_limits() -> &'static [Limits] {
    static LIMITS: OnceLock<Vec<Limits>> = OnceLock::new();
    LIMITS.get_or_init(|| {
        let named = |name: &&str| {
            let read = |path: &Path| file(&files::shown(path), "", b"");
            limits_library::resolve(Path::new(name), &read).expect("limits of the library")
        };
        let library = limits_library::names();
        std::iter::once(Limits::standard())
            .chain(library.iter().map(named))
            .collect()
    })
}

/// One EQ for both sides, one for each, one with slots.
fn known_sheets() -> &'static [Sheet] {
    static SHEETS: OnceLock<Vec<Sheet>> = OnceLock::new();
    SHEETS.get_or_init(|| {
        let texts = [
            include_str!("corpus/sheet/two-sections.sheet.toml"),
            include_str!("corpus/sheet/one-eq-for-each-side.sheet.toml"),
            include_str!("corpus/sheet/graphic-three-bands.sheet.toml"),
        ];
        let read = |text: &str| {
            sheet::read(text.as_bytes(), "known.sheet.toml").expect("a sheet of our own")
        };
        texts.map(read).into()
    })
}

/// A unit of curves without a unit file.
fn unit_of(takes: Vec<OpenedTake>) -> OpenedUnit {
    OpenedUnit {
        name: "an odd unit".to_owned(),
        rig: None,
        takes,
        entry: None,
    }
}

/// A unit of a unit file, its files read, as far as they are among those of [`file`].
fn open(entry: &UnitEntry) -> Result<OpenedUnit> {
    let read = |named: &FileEntry| file(&named.file, "", b"");
    let mut takes = Vec::new();
    for take in &entry.takes {
        let name = &take.file.file;
        takes.push(read_take(
            &read(&take.file)?,
            name,
            take.side,
            take.channel,
        )?);
    }
    if let Some(Impedance::File(named)) = &entry.impedance {
        read_impedance(&read(named)?, &named.file)?;
    }
    for distortion in &entry.distortion {
        read_distortion(&read(&distortion.file)?, &distortion.file.file, distortion)?;
    }
    let rig = match &entry.rig {
        None => None,
        Some(RigEntry::Rig(rig)) => Some(rig.clone()),
        Some(RigEntry::File(named)) => Some(read_trust(&read(named)?, &named.file)?),
    };
    Ok(OpenedUnit {
        name: entry.name.clone(),
        rig,
        takes,
        entry: Some((entry.clone(), PathBuf::from("kit"))),
    })
}

// What the bytes choose.

/// Choices made by the bytes, one after the other; 0 where they have run out.
struct Choices<'a>(&'a [u8]);

impl Choices<'_> {
    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else {
            return 0;
        };
        self.0 = rest;
        *first
    }

    /// One of `0..end`; `end` is at most 256.
    fn below(&mut self, end: usize) -> usize {
        usize::from(self.byte()) % end
    }

    fn flag(&mut self) -> bool {
        self.below(2) == 1
    }

    /// One of 256 values from `low` to `high`, both included.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * f64::from(self.byte()) / 255.0
    }

    /// The same, evenly spread in the logarithm.
    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }
}

fn rig(choices: &mut Choices) -> Rig {
    match choices.below(4) {
        0 | 1 => Rig::Iec60318_4,
        2 => Rig::Flat,
        _ => {
            let points = vec![
                (20.0, choices.between(0.0, 1.0)),
                (
                    choices.log_between(21.0, 19_000.0),
                    choices.between(0.0, 1.0),
                ),
            ];
            Rig::table(points).unwrap_or_default()
        }
    }
}

/// A take over a band that the bytes choose, with a form and a roughness of their own; none where that is no curve.
fn invented_take(
    choices: &mut Choices,
    name: &str,
    side: Side,
    played_db: impl Fn(f64) -> f64,
) -> Option<Take> {
    let (low_hz, high_hz) = match choices.below(3) {
        0 => (20.0, 20_000.0),
        1 => (choices.log_between(5.0, 2000.0), 20_000.0),
        _ => (
            choices.log_between(5.0, 2000.0),
            choices.log_between(200.0, 40_000.0),
        ),
    };
    let count = [40, 12, 4, 200][choices.below(4)];
    let level_db = choices.between(-20.0, 130.0);
    let tilt_db = choices.between(-3.0, 3.0);
    let (bump_hz, bump_db) = (
        choices.log_between(20.0, 20_000.0),
        choices.between(-20.0, 20.0),
    );
    let rough_db = [0.0, 0.1, 1.0, 30.0][choices.below(4)];
    // A few bytes make the roughness of all points, so that short inputs make whole takes.
    let roughness: Vec<f64> = (0..8).map(|_| choices.between(-1.0, 1.0)).collect();
    let f_hz: Vec<f64> = (0..count)
        .map(|i| low_hz * (high_hz / low_hz).powf(i as f64 / (count - 1) as f64))
        .collect();
    let db = f_hz.iter().enumerate().map(|(i, f_hz)| {
        let bump = bump_db * (-4.0 * (f_hz / bump_hz).log2().powi(2)).exp();
        let rough = rough_db * roughness[(i * i + i / 7) % roughness.len()];
        level_db + tilt_db * (f_hz / 1000.0).log2() + bump + rough + played_db(*f_hz)
    });
    let db = db.collect();
    let curve = Curve::new(name, f_hz, db, None).ok()?;
    Some(Take {
        name: name.to_owned(),
        side,
        on_grid: grid::resample(&curve).ok()?,
    })
}

/// A limits file of one to three sections.
fn invented_limits(choices: &mut Choices) -> String {
    let sections = 1 + choices.below(3);
    let rates = [
        "48000",
        "44100, 48000, 96000",
        "8000",
        "96000, 22050",
        "768000",
    ][choices.below(5)];
    let preamp_min = choices.between(-40.0, 0.0).round();
    let preamp_step = ["", ", step = 0.5", ", step = 0.1", ", step = 3"][choices.below(4)];
    let highest_hz = if rates.contains("8000") && rates.len() < 5 {
        3900
    } else {
        11_000
    };
    let f0 = match choices.below(5) {
        0 => format!("{{ min = 20, max = {highest_hz} }}"),
        1 => format!("{{ min = 20, max = {highest_hz}, step = 1 }}"),
        2 => format!("{{ min = 20, max = {highest_hz}, step_octaves = 0.3333333333 }}"),
        3 => "{ allowed = [63, 250, 1000, 3800] }".to_owned(),
        _ => format!("{}", choices.log_between(20.0, 3900.0).round()),
    };
    let gain_max = choices.below(25);
    let gain_min = choices.below(25);
    let gain = match choices.below(4) {
        0 => format!("{{ min = -{gain_min}, max = {gain_max} }}"),
        1 => format!("{{ min = -{gain_min}, max = {gain_max}, step = 0.5 }}"),
        2 => format!("{{ min = -{gain_min}, max = {gain_max}, step = 3 }}"),
        _ => "{ allowed = [-6, -1, 0, 4] }".to_owned(),
    };
    let q = match choices.below(5) {
        0 => "{ min = 0.3, max = 8 }",
        1 => "{ min = 0.3, max = 8, step = 0.1 }",
        2 => "1.41",
        3 => "{ allowed = [0.5, 1, 2, 50] }",
        _ => "{ min = 0.01, max = 1000 }",
    };
    let shelf_q = [
        "0.7",
        "{ min = 0.4, max = 1.2, step = 0.1 }",
        "{ min = 0.1, max = 3 }",
    ][choices.below(3)];
    let mut text = format!(
        "format = 1\nname = \"invented\"\nsections = {sections}\nrates_hz = [{rates}]\npreamp_db = {{ min = {preamp_min}, max = 0{preamp_step} }}\n\
         f0_hz = {f0}\ngain_db = {gain}\nq = {q}\nshelf_q = {shelf_q}\n"
    );
    for (key, shape) in [
        ("q_meaning", Shape::Peaking),
        ("shelf_q_meaning", Shape::LowShelf),
    ] {
        let meanings = QMeaning::of(shape);
        text += &format!("{key} = \"{}\"\n", meanings[choices.below(meanings.len())]);
    }
    if choices.below(4) == 1 {
        text += &format!("boost_q_max = {}\n", choices.log_between(0.05, 8.0));
    }
    if choices.below(8) == 1 {
        text += "cut_only = true\n";
    }
    if choices.below(4) == 1 {
        text += &format!("total_boost_max_db = {}\n", choices.between(0.0, 12.0));
    }
    let slots = if choices.below(3) == 1 {
        1 + choices.below(sections)
    } else {
        0
    };
    if choices.below(4) == 1 {
        let from_hz = choices.log_between(20.0, 20_000.0);
        text += &format!(
            "gain_limit = [{{ from_hz = {from_hz}, max_db = {} }}]\n",
            choices.between(-3.0, 6.0)
        );
    }
    if slots == 0 {
        let counts = [choices.below(2), choices.below(4), choices.below(2)];
        text += "[shapes]\n";
        for (shape, count) in Shape::ALL.into_iter().zip(counts) {
            text += &format!("{shape} = {count}\n");
        }
    }
    for _ in 0..slots {
        let shape = [
            "\"peaking\"",
            "\"low-shelf\"",
            "[\"low-shelf\", \"peaking\"]",
            "[\"peaking\", \"high-shelf\"]",
        ][choices.below(4)];
        text += &format!("[[slot]]\nshape = {shape}\n");
        if choices.flag() {
            text += &format!("f0_hz = {}\n", choices.log_between(20.0, 3900.0).round());
        }
        if choices.flag() {
            text += "gain_db = { min = -3, max = 3, step = 0.25 }\n";
        }
        if choices.flag() {
            text += "q = 1\n";
        }
    }
    text
}
