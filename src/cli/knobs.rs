//! What settings are called on a command line.

use bandwright::knob::Knob;
use bandwright::report::blocks::Setting;

/// As it is typed: `--source`, `--effort deep`; with backquotes where it is an option of another verb.
pub(super) fn typed(setting: &Setting) -> String {
    let option = match setting.knob {
        Knob::Output => "-o".to_owned(),
        knob => format!("--{}", knob.name()),
    };
    let verb = setting.task.map(|verb| format!("{verb} "));
    let value = setting.value.map(|value| format!(" {value}"));
    let words = [verb.unwrap_or_default(), option, value.unwrap_or_default()].concat();
    match setting.task {
        Some(_) => format!("`{words}`"),
        None => words,
    }
}
