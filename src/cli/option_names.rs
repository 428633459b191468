//! What the command line calls the settings that the library names.

use bandwright::knob::Knob;
use bandwright::report::blocks::ProgramSetting;

/// The option of a setting.
pub fn option(knob: Knob) -> String {
    match knob {
        Knob::After => "--after",
        Knob::AlignHz => "--align-hz",
        Knob::AsGood => "--as-good",
        Knob::AsIs => "--as-is",
        Knob::Blind => "--blind",
        Knob::Base => "--base",
        Knob::Bass => "--bass",
        Knob::Before => "--before",
        Knob::Between => "--between",
        Knob::BetweenShare => "--between-share",
        Knob::Contour => "--contour",
        Knob::EarPeakHz => "--ear-peak-hz",
        Knob::Economy => "--economy",
        Knob::Effort => "--effort",
        Knob::From => "--from",
        Knob::FromHz => "--from-hz",
        Knob::HighestHz => "--highest-hz",
        Knob::LeakThreshold => "--leak-threshold",
        Knob::LeastGain => "--least-gain",
        Knob::Left => "--left",
        Knob::LevelDb => "--level-db",
        Knob::Limits => "--limits",
        Knob::MaxLoudnessLoss => "--max-loudness-loss",
        Knob::Name => "--name",
        Knob::Output => "--output",
        Knob::PerSide => "--per-side",
        Knob::PlayAt => "--play-at",
        Knob::Plot => "--plot",
        Knob::Polish => "--polish",
        Knob::RateHz => "--rate-hz",
        Knob::Rig => "--rig",
        Knob::Right => "--right",
        Knob::SameLevel => "--same-level",
        Knob::Sections => "--sections",
        Knob::Side => "--side",
        Knob::Slope => "--slope",
        Knob::Smooth => "--smooth",
        Knob::Source => "--source",
        Knob::Takes => "--takes",
        Knob::Target => "--target",
        Knob::ToHz => "--to-hz",
        Knob::ToleranceDb => "--tolerance-db",
        Knob::Toward => "--toward",
        Knob::Treble => "--treble",
        Knob::TruePeakMargin => "--true-peak-margin",
        Knob::Unit => "--unit",
        Knob::Unmatched => "--unmatched",
        Knob::UnlistedRate => "--unlisted-rate",
        Knob::Variant => "--variant",
        Knob::WithoutPreamp => "--without-preamp",
    }
    .to_owned()
}

/// As it is typed: `--source`, `--effort deep`; with backquotes where it is an option of another verb.
pub fn typed(setting: &ProgramSetting) -> String {
    let option = match setting.knob {
        Knob::Output => "-o".to_owned(),
        knob => option(knob),
    };
    let verb = setting.task.map(|verb| format!("{verb} "));
    let value = setting.value.map(|value| format!(" {value}"));
    let words = [verb.unwrap_or_default(), option, value.unwrap_or_default()].concat();
    match setting.task {
        Some(_) => format!("`{words}`"),
        None => words,
    }
}
