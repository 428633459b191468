//! What every verb prints and writes, whole: each command of `golden/commands.txt` beside its file in `golden/`, to the byte.
//!
//! A change of output shows in review as the change of these files. To write them anew:
//!
//! ```sh
//! GOLDEN=write cargo test --test program golden_files
//! ```

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

/// One line of the list.
struct Line {
    name: String,
    words: Vec<String>,
    /// Whether files that it writes are kept.
    keeps_files: bool,
}

fn lines(folder: &Path) -> Vec<Line> {
    let text = fs::read_to_string(folder.join("commands.txt")).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            let (name, words) = line.split_once(':').expect("NAME: words");
            let words = words.trim();
            let (keeps_files, words) = match words.strip_prefix('>') {
                Some(words) => (true, words),
                None => (false, words),
            };
            let path = |word: &str| match word.split_once('/') {
                Some(("D", rest)) => format!("demo-data/{rest}"),
                Some(("O", rest)) => format!("odd/{rest}"),
                _ => word.to_owned(),
            };
            Line {
                name: name.to_owned(),
                words: words.split_whitespace().map(path).collect(),
                keeps_files,
            }
        })
        .collect()
}

/// The files of a folder itself, without hidden ones.
fn outputs(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).unwrap().map(Result::unwrap);
    entries
        .filter(|entry| entry.file_type().unwrap().is_file())
        .map(|entry| entry.file_name().into_string().unwrap())
        .filter(|name| !name.starts_with('.'))
        .collect()
}

/// What a command printed, how it ended, and what it wrote.
fn run(line: &Line, folder: &Path) -> String {
    let before = outputs(folder);
    let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .current_dir(folder)
        .args(&line.words)
        .output()
        .unwrap();
    let mut told = format!("$ bandwright {}\n", line.words.join(" "));
    let _ = writeln!(told, "exit status {}", output.status.code().unwrap());
    for (stream, bytes) in [("output", output.stdout), ("errors", output.stderr)] {
        if !bytes.is_empty() {
            let text = String::from_utf8(bytes).unwrap();
            let _ = write!(told, "----- {stream}\n{text}");
        }
    }
    for new in outputs(folder).difference(&before) {
        assert!(line.keeps_files, "{} wrote {new}", line.name);
        let text = content(&folder.join(new));
        let _ = write!(told, "----- {new}\n{text}");
    }
    told
}

/// A text, or of sound its length: its samples depend on the sines of the machine in their last digits.
fn content(path: &Path) -> String {
    match path.extension().is_some_and(|ending| ending == "wav") {
        true => format!("{} bytes\n", fs::metadata(path).unwrap().len()),
        false => fs::read_to_string(path).unwrap(),
    }
}

/// A folder with the inputs.
fn prepared(root: &Path) -> TempDir {
    let folder = TempDir::new().unwrap();
    for (from, to) in [("demo-data", "demo-data"), ("tests/golden/odd", "odd")] {
        copy(&root.join(from), &folder.path().join(to));
    }
    folder
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// The first line in which two texts differ.
fn difference(kept: &str, now: &str) -> String {
    let (mut kept, mut now) = (kept.lines(), now.lines());
    for number in 1.. {
        match (kept.next(), now.next()) {
            (None, None) => break,
            (kept, now) if kept != now => {
                let cut = |line: Option<&str>| {
                    line.map_or("(end)".to_owned(), |line| line.chars().take(200).collect())
                };
                return format!("line {number}\n  kept: {}\n  now:  {}", cut(kept), cut(now));
            }
            _ => {}
        }
    }
    "line ends".to_owned()
}

#[test]
fn every_verb_prints_and_writes_what_its_golden_file_says() {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let golden = root.join("tests/golden");
    let write = std::env::var("GOLDEN").is_ok_and(|word| word == "write");
    let folder = prepared(&root);
    let lines = lines(&golden);
    let mut differences = Vec::new();
    let mut known = BTreeSet::new();
    for line in &lines {
        let now = run(line, folder.path());
        let file = format!("{}.txt", line.name);
        let path = golden.join(&file);
        if write {
            fs::write(&path, &now).unwrap();
        }
        match fs::read_to_string(&path) {
            Ok(kept) if kept == now => {}
            Ok(kept) => differences.push(format!("{file}: {}", difference(&kept, &now))),
            Err(error) => differences.push(format!("{file}: {error}")),
        }
        assert!(known.insert(file), "`{}` is there twice", line.name);
    }
    assert!(known.len() >= 60, "{} commands", known.len());
    known.insert("commands.txt".to_owned());
    let strangers: Vec<String> = outputs(&golden).difference(&known).cloned().collect();
    assert!(strangers.is_empty(), "no command gives {strangers:?}");
    assert!(
        differences.is_empty(),
        "{} of {} differ:\n{}\nIf that is meant: GOLDEN=write cargo test --test program golden_files",
        differences.len(),
        lines.len(),
        differences.join("\n")
    );
}
