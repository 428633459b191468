//! What a person reads of sounds that were made, and of answers to a blind trial.

use crate::file_names::file_name;
use crate::listen::Heard;
use crate::listen::answers::Answers;
use crate::listen::find_peak::{self, PeakFound};
use crate::listen::matched::By;
use crate::listen::signals::Signal;
use crate::listen::trial::Score;
use crate::report::blocks::{Block, Column, ColumnKind, Part, Report, Row};
use crate::report::files::{FileKind, WrittenFile};
use crate::report::words::{decimals, rate, signed_typed, typed};

/// Of fewer answers, not even all right ones are beyond luck: guessing gets four of four in 6 % of trials.
const ENOUGH: usize = 5;
/// Said of signals.
const CARE_OF_SIGNALS: &str = "start at the lowest volume. Steady sines and noise harm hearing sooner than music of the same level, and high ones are louder than they seem";
/// Said of every sound that is written.
const CARE: &str =
    "start at a low volume and leave it there while you compare. Loud sound harms hearing";

/// A report for each piece of music; `sheets` are the names of the sheets.
#[must_use]
pub fn reports(music: &[Heard], sheets: &[String], files: &[WrittenFile]) -> Vec<Report> {
    let mut reports: Vec<Report> = music.iter().map(|heard| report(heard, sheets)).collect();
    let hidden = files.iter().any(|file| file.kind == FileKind::Answers);
    if let Some(first) = reports.first_mut() {
        first.cautions.push(CARE.into());
    }
    if let Some(last) = reports.pop() {
        let sounds: Vec<&str> = files
            .iter()
            .filter(|file| file.kind == FileKind::Sound)
            .map(|file| file.path.as_str())
            .collect();
        // The names of many trials tell nothing.
        let files: Vec<WrittenFile> = match hidden {
            true => files.iter().filter(|file| file.kind == FileKind::Answers).cloned().collect(),
            false => files.to_vec(),
        };
        let mut last = last;
        if let (true, Some(first), Some(end)) = (hidden, sounds.first(), sounds.last()) {
            let text = format!(
                "The order is hidden. Listen to the files from {} to {}, write what you hear into the file below, and let `bandwright listen --answer` tell what it is worth.",
                file_name(first),
                file_name(end)
            );
            last.parts.push(Part::without_head([Block::paragraph(text)]));
        }
        reports.push(last.with_files(&files));
    }
    reports
}

fn report(heard: &Heard, sheets: &[String]) -> Report {
    let matched = match heard.by {
        By::AtTheEar => "at the ear: A-weighted level in the field, through the unit's curve",
        By::Files => {
            "ITU-R BS.1770 of the files; at the ear that can be off by some dB, so name the unit to match there"
        }
        By::Nothing => "no: each sheet as loud as it plays",
    };
    let channels = match heard.channels {
        1 => "one channel",
        _ => "two channels",
    };
    let rows = vec![
        Row::new(
            "Music",
            format!(
                "{} s, {}, {channels}",
                decimals(heard.seconds, 1),
                rate(f64::from(heard.rate_hz))
            ),
        ),
        Row::new("Equally loud", matched),
    ];
    let sounds = || heard.sounds.iter();
    let named = sounds().map(|sound| match sound.sheet {
        None => "untouched".to_owned(),
        Some(place) => sheets.get(place).cloned().unwrap_or_default(),
    });
    let mut columns = vec![
        Column::new(ColumnKind::Words, "Sound", named),
        Column::new(
            ColumnKind::Numbers,
            "Turned by, dB",
            sounds().map(|sound| signed_typed((sound.gain_db * 100.0).round() / 100.0)),
        ),
    ];
    let mut figure = |head: &str, of: fn(&crate::listen::level::Levels) -> Option<f64>| {
        let cell = |db: Option<f64>| db.map_or("unknown".to_owned(), |db| decimals(db, 2));
        if heard.sounds.iter().any(|sound| sound.levels.is_some()) {
            let cells = sounds().map(|sound| cell(sound.levels.as_ref().and_then(of)));
            columns.push(Column::new(ColumnKind::Numbers, head, cells));
        }
    };
    if heard.by == By::AtTheEar {
        figure("At the ear, dB relative", |levels| levels.at_ear_db);
    }
    figure("Loudness, LUFS", |levels| levels.loudness_lufs);
    figure("True peak, dBTP", |levels| levels.true_peak_db);
    let mut report = Report::new(file_name(&heard.music));
    report.parts.push(Part::without_head([Block::Rows(rows)]));
    report.parts.push(Part::without_head([Block::table(columns)]));
    report
}

/// What a signal holds.
#[must_use]
pub fn signal_report(signal: Signal, level_db: f64, files: &[WrittenFile]) -> Report {
    let holds = match signal {
        Signal::PinkNoise => "noise from 20 Hz to 20 kHz with the same power in every third octave; 10 s, repeats without a seam",
        Signal::SteppedSines => "31 sines, a third octave apart from 20 Hz to 20 kHz, half a second each, at one level",
        Signal::LogSweep => "a sine from 20 Hz to 20 kHz, as long in every octave; 10 s",
    };
    let level = format!("{} dB, rms, re a sine of full scale", typed(level_db));
    let mut report = Report::new(signal.name());
    report.cautions.push(CARE_OF_SIGNALS.into());
    report.parts.push(Part::without_head([Block::Rows(vec![
        Row::new("Signal", holds),
        Row::new("Level", level),
    ])]));
    report.with_files(files)
}

/// What sweeps are for, and what their times mean.
#[must_use]
pub fn sweeps_report(unit: &str, level_db: f64, files: &[WrittenFile]) -> Report {
    const EVERY_S: usize = 3;
    let level = format!("{} dB where it is highest, rms, re a sine of full scale", typed(level_db));
    let rows = vec![
        Row::new(
            "Sweeps",
            "a band of noise between 4 and 14 kHz, twice up and twice down, 30 s each, as loud everywhere for an average ear",
        ),
        Row::new("Level", level),
    ];
    let times: Vec<f64> = (0..=find_peak::SECONDS as usize).step_by(EVERY_S).map(|s| s as f64).collect();
    let hz = |rises: bool| {
        let hz = times.iter().map(move |time_s| find_peak::at_s(rises, *time_s));
        hz.map(|hz| decimals((hz / 10.0).round() * 10.0, 0)).collect::<Vec<String>>()
    };
    let table = Block::table_across([
        Column::new(ColumnKind::Numbers, "s", times.iter().map(|time_s| decimals(*time_s, 0))),
        Column::new(ColumnKind::Numbers, "up, Hz", hz(true)),
        Column::new(ColumnKind::Numbers, "down, Hz", hz(false)),
    ]);
    let mut report = Report::new(format!("Your own ear with {unit}"));
    report.cautions.push(CARE_OF_SIGNALS.into());
    report.parts.push(Part::without_head([Block::Rows(rows)]));
    report.parts.push(Part::new("Times and frequencies", [table]));
    report.parts.push(Part::without_head([Block::paragraph(
        "Note in the file below when each sweep is loudest; `bandwright listen --answer` tells the frequency.",
    )]));
    report.with_files(files)
}

/// What the times of sweeps tell.
#[must_use]
pub fn peak_report(found: &PeakFound) -> Report {
    let hz = |hz: f64| decimals((hz / 10.0).round() * 10.0, 0);
    let answered = || found.sweeps.iter().filter(|sweep| sweep.peak_hz.is_some());
    let table = Block::table([
        Column::new(ColumnKind::FileNames, "Sweep", answered().map(|sweep| sweep.file.clone())),
        Column::new(
            ColumnKind::Numbers,
            "Loudest at, s",
            answered().map(|sweep| sweep.loudest_s.map_or_else(String::new, |s| decimals(s, 1))),
        ),
        Column::new(
            ColumnKind::Numbers,
            "Hz",
            answered().map(|sweep| sweep.peak_hz.map_or_else(String::new, hz)),
        ),
    ]);
    let spread = match found.spread_octaves {
        Some(octaves) => format!("{} octaves", decimals(octaves, 2)),
        None => "unknown: one answer".to_owned(),
    };
    let peak = found.peak_hz.map(hz);
    let rows = vec![
        Row::new("Your peak", peak.as_ref().map_or("unknown".to_owned(), |peak| format!("{peak} Hz"))),
        Row::new("Answers spread", spread),
    ];
    let both_ways = found.up_over_down_octaves.is_some();
    let sentence = match peak {
        None => "The answers do not tell where it lies: listen to all four again.".to_owned(),
        Some(peak) if both_ways => format!("Fit for this ear with `fit --ear-peak-hz {peak}`."),
        Some(peak) => format!(
            "Only sweeps in one direction were answered: who notes times late is off by that. Answer both, or fit with `fit --ear-peak-hz {peak}`."
        ),
    };
    let mut report = Report::new(format!("Your own ear with {}", found.unit));
    report.parts.push(Part::without_head([Block::Rows(rows)]));
    report.parts.push(Part::without_head([table]));
    report.parts.push(Part::without_head([Block::paragraph(sentence)]));
    report
}

/// What answers are worth.
#[must_use]
pub fn score_report(answers: &Answers, score: &Score) -> Report {
    let [one, other] = &answers.compared;
    let mut report = Report::new(format!("{one} against {other}, {}", answers.music));
    let rows = vec![
        Row::new("Right", format!("{} of {}", score.right, score.answered)),
        Row::new("By guessing", format!("{} %, exact, binomial", percent(score.by_guessing))),
    ];
    report.parts.push(Part::without_head([
        Block::Rows(rows),
        Block::paragraph(meaning(score)),
    ]));
    report
}

/// What a score means, in a sentence or two.
#[must_use]
pub fn meaning(score: &Score) -> String {
    let guessing = percent(score.by_guessing);
    let luck = format!(
        "mere guessing gets {} or more of {} right in {guessing} % of such trials",
        score.right, score.answered
    );
    if score.answered < ENOUGH {
        return format!("Too few answers to tell anything: {luck}.");
    }
    if score.is_heard() {
        return format!("A difference was heard: {luck}.");
    }
    let more = match score.trials_to_tell {
        Some(trials) => format!(
            "If {} % is how often you are right, {trials} trials would most likely show it.",
            decimals(100.0 * score.right as f64 / score.answered as f64, 0)
        ),
        None => "At that rate no number of trials would show a difference.".to_owned(),
    };
    format!("This does not tell a difference from luck: {luck}. {more}")
}

/// A probability as a percentage of two digits or more.
fn percent(probability: f64) -> String {
    let percent = 100.0 * probability;
    let places = match percent {
        p if p >= 10.0 => 0,
        p if p >= 1.0 => 1,
        p if p >= 0.1 => 2,
        _ => 4,
    };
    decimals(percent, places)
}
