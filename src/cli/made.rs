//! What a report says of how it was made.

use std::path::Path;

use bandwright::files::{Recorded, without_machine};
use bandwright::report::figures::made::{Input, Made};

/// The command as it was typed and the files it read, without paths of the machine.
pub fn made(files: &Recorded<'_>) -> Made {
    let words = std::env::args_os().skip(1).map(|word| {
        let word = word.to_string_lossy();
        let shown = match word.split_once('=') {
            Some((option, value)) if option.starts_with("--") => {
                format!("{option}={}", without_machine(Path::new(value)))
            }
            _ => without_machine(Path::new(&*word)),
        };
        match shown.contains(|c: char| !(c.is_alphanumeric() || "-_./=,:+%".contains(c))) {
            true => format!("'{}'", shown.replace('\'', "'\\''")),
            false => shown,
        }
    });
    let words: Vec<String> = std::iter::once("bandwright".to_owned())
        .chain(words)
        .collect();
    let input = |(name, sha256)| Input { name, sha256 };
    Made {
        command: words.join(" "),
        inputs: files.inputs().into_iter().map(input).collect(),
    }
}
