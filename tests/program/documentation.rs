//! README.md and DEVELOPERS.md against the program: commands, output, options, files, keys.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use bandwright::knob::Knob;
use bandwright::wanted::library;
use tempfile::TempDir;

use crate::support::{impulses, option_names};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn page(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap()
}

/// Contents of the fenced blocks of a language.
fn blocks(page: &str, language: &str) -> Vec<String> {
    let mut blocks = Vec::new();
    let mut inside: Option<(bool, String)> = None;
    for line in page.lines() {
        match (&mut inside, line.strip_prefix("```")) {
            (None, Some(opened)) => inside = Some((opened.trim() == language, String::new())),
            (Some(_), Some(_)) => {
                let (wanted, text) = inside.take().unwrap();
                blocks.extend(wanted.then_some(text));
            }
            (Some((_, text)), None) => text.extend([line, "\n"]),
            (None, None) => {}
        }
    }
    assert!(inside.is_none(), "a block is not closed");
    blocks
}

/// A line of a page that runs this program: its arguments, and the exit status that a comment behind it tells, or 0.
fn command_line(line: &str) -> Option<(Vec<String>, i32)> {
    let typed = ["cargo run --release -- ", "bandwright "]
        .into_iter()
        .find_map(|start| line.strip_prefix(start))?;
    let (typed, status) = match typed.split_once(" # exit status ") {
        Some((typed, status)) => (typed, status.parse().unwrap()),
        None => (typed, 0),
    };
    Some((words(typed), status))
}

/// The arguments and the exit status of every command line of a page that runs this program.
fn command_lines_and_statuses(page: &str) -> Vec<(Vec<String>, i32)> {
    let shell = blocks(page, "sh").concat();
    shell.lines().filter_map(command_line).collect()
}

/// The arguments of every command line of a page that runs this program.
fn command_lines(page: &str) -> Vec<Vec<String>> {
    let lines = command_lines_and_statuses(page);
    lines.into_iter().map(|(arguments, _)| arguments).collect()
}

/// Words as a shell splits them, as far as these pages need: blanks and double quotes.
fn words(typed: &str) -> Vec<String> {
    assert!(
        !typed.contains(['\'', '\\', '$', '>', '|', '*']),
        "this test's reading of a command line is too simple for {typed}"
    );
    let mut words = Vec::new();
    let mut word: Option<String> = None;
    let mut quoted = false;
    for c in typed.chars() {
        match c {
            '"' => {
                quoted = !quoted;
                word.get_or_insert_default();
            }
            ' ' if !quoted => words.extend(word.take()),
            c => word.get_or_insert_default().push(c),
        }
    }
    assert!(!quoted, "{typed}");
    words.extend(word);
    words
}

/// Whether the word at `index` names an output.
fn is_output(arguments: &[String], index: usize) -> bool {
    index > 0 && ["-o", "--output", "--plot"].contains(&arguments[index - 1].as_str())
}

/// Writes what a command line reads and an earlier one writes: the sheets in cargo's folder.
fn write_first(folder: &Path, lines: &[Vec<String>], arguments: &[String]) {
    for (index, word) in arguments.iter().enumerate() {
        if word.starts_with("target/") && !is_output(arguments, index) {
            // A line that writes it, or into its folder.
            let folder_of = word.rsplit_once('/').map_or("", |(folder, _)| folder);
            let writes = |line: &&Vec<String>| {
                let mut places = line.iter().enumerate();
                places.any(|(index, other)| {
                    (other == word || other == folder_of) && is_output(line, index)
                })
            };
            let writer = lines.iter().find(writes);
            run(
                folder,
                writer.unwrap_or_else(|| panic!("nothing writes {word}")),
            );
        }
    }
}

/// A folder as a checkout has it: the demo's files and cargo's folder.
fn checkout() -> TempDir {
    fn copy(from: &Path, to: &Path) {
        fs::create_dir(to).unwrap();
        for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
            let to = to.join(entry.file_name());
            if entry.file_type().unwrap().is_dir() {
                copy(&entry.path(), &to);
            } else {
                fs::copy(entry.path(), to).unwrap();
            }
        }
    }
    let folder = TempDir::new().unwrap();
    copy(&root().join("demo-data"), &folder.path().join("demo-data"));
    fs::create_dir(folder.path().join("target")).unwrap();
    folder
}

/// Runs the program, which succeeds; gives what it printed.
fn run(folder: &Path, arguments: &[String]) -> String {
    run_to(folder, arguments, 0)
}

/// Runs the program, which ends with that exit status; gives what it printed.
fn run_to(folder: &Path, arguments: &[String], status: i32) -> String {
    let assert = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(arguments)
        .current_dir(folder)
        .assert()
        .code(status);
    String::from_utf8(assert.get_output().stdout.clone()).unwrap()
}

fn files_under(folder: &Path) -> BTreeSet<PathBuf> {
    let mut files = BTreeSet::new();
    for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
        if entry.file_type().unwrap().is_dir() {
            files.extend(files_under(&entry.path()));
        } else {
            files.insert(entry.path());
        }
    }
    files
}

#[test]
fn every_command_line_runs_and_writes_what_it_names_and_nothing_else() {
    for (name, fewest) in [("README.md", 12), ("demo-data/README.md", 8)] {
        let lines = command_lines_and_statuses(&page(name));
        assert!(lines.len() >= fewest, "{name}: {lines:?}");
        // In their order: later ones may use what earlier ones wrote.
        let folder = checkout();
        for (arguments, status) in lines {
            let named: BTreeSet<PathBuf> = arguments
                .windows(2)
                .filter(|pair| ["-o", "--output", "--plot"].contains(&pair[0].as_str()))
                .map(|pair| folder.path().join(&pair[1]))
                .collect();
            for file in named.iter().filter(|file| file.is_file()) {
                fs::remove_file(file).unwrap();
            }
            let before = files_under(folder.path());
            let printed = run_to(folder.path(), &arguments, status);
            let json = arguments.iter().any(|a| a == "--json");
            assert!(
                !json || serde_json::from_str::<serde_json::Value>(&printed).is_ok(),
                "{arguments:?}"
            );
            let written = files_under(folder.path());
            let new: BTreeSet<PathBuf> = written.difference(&before).cloned().collect();
            match named.iter().find(|place| place.is_dir()) {
                Some(folder) => assert!(new.iter().all(|file| file.parent() == Some(folder))),
                None => assert_eq!(new, named, "{name}: {arguments:?}"),
            }
            assert!(!new.is_empty() || named.is_empty(), "{name}: {arguments:?}");
            assert!(new.iter().all(|file| fs::metadata(file).unwrap().len() > 0));
        }
    }
}

#[test]
fn the_main_command_leaves_the_checkout_clean() {
    let lines = command_lines(&page("README.md"));
    let outputs: Vec<&str> = lines[0]
        .iter()
        .map(String::as_str)
        .filter(|word| word.ends_with(".sheet.toml") || word.ends_with(".svg"))
        .collect();
    assert_eq!(outputs.len(), 2);
    assert!(outputs.iter().all(|path| path.starts_with("target/")));
    assert!(page(".gitignore").lines().any(|line| line == "/target"));
}

/// Every `text` block of a page with the command line that stands last before it.
fn shown_outputs(page: &str) -> Vec<(Vec<String>, i32, String)> {
    let mut outputs = Vec::new();
    let mut last = None;
    let mut shown: Option<String> = None;
    for line in page.lines() {
        match (&mut shown, line) {
            (None, "```text") => shown = Some(String::new()),
            (None, _) => last = command_line(line).or(last),
            (Some(_), "```") => {
                let (arguments, status) = last.clone().expect("no command before this output");
                outputs.push((arguments, status, shown.take().unwrap()));
            }
            (Some(text), line) => text.extend([line, "\n"]),
        }
    }
    outputs
}

/// The output as it is shown: `...` stands for one or more lines, everything else is there in its order.
fn assert_shown(shown: &str, printed: &str) {
    let lines: Vec<&str> = printed.lines().collect();
    let mut at = 0;
    let mut skips = false;
    let parts: Vec<&str> = shown.split_inclusive('\n').collect();
    for part in parts.split(|line| *line == "...\n") {
        let part: Vec<&str> = part
            .iter()
            .map(|line| line.trim_end_matches('\n'))
            .collect();
        let found = if skips {
            (at + 1..=lines.len()).find(|&start| lines[start..].starts_with(&part))
        } else {
            lines[at..].starts_with(&part).then_some(at)
        };
        let found = found.unwrap_or_else(|| {
            panic!(
                "shown is\n{}\nbut this is printed:\n{printed}",
                part.join("\n")
            )
        });
        at = found + part.len();
        skips = true;
    }
    let ends_open = shown.ends_with("...\n");
    assert!(
        ends_open || at == lines.len(),
        "more is printed than is shown:\n{printed}"
    );
}

#[test]
fn the_readme_shows_what_its_commands_print() {
    let readme = page("README.md");
    let outputs = shown_outputs(&readme);
    let verbs: BTreeSet<&str> = outputs.iter().map(|(line, ..)| line[0].as_str()).collect();
    assert_eq!(
        verbs,
        BTreeSet::from([
            "inspect", "target", "fit", "compare", "listen", "check", "export"
        ])
    );
    let (lines, folder) = (command_lines(&readme), checkout());
    for (arguments, status, shown) in outputs {
        write_first(folder.path(), &lines, &arguments);
        assert_shown(&shown, &run_to(folder.path(), &arguments, status));
    }
}

#[test]
fn the_readme_shows_what_matters_of_the_output() {
    let outputs = shown_outputs(&page("README.md"));
    let shown_with = |word: &str| {
        let shown = outputs
            .iter()
            .find(|(line, ..)| line.iter().any(|w| w == word));
        &shown.unwrap().2
    };
    let main = &outputs[0].2;
    for needed in [
        "Caution: ",
        "Gain before the sections:",
        "peaking",
        "Residual",
        "sheet   target/",
    ] {
        assert!(main.contains(needed), "{needed}");
    }
    assert!(shown_with("inspect").contains("What to do next"));
    assert!(shown_with("diff").contains("The one minus the other"));
    // Where it is about hearing, its cautions are.
    let cost = shown_with("--source");
    assert!(cost.contains("Caution: ") && cost.contains("Hearing"));
}

#[test]
fn the_readme_names_the_command_that_runs_these_tests() {
    let readme = page("README.md");
    assert!(blocks(&readme, "sh").iter().any(|b| b == "cargo test\n"));
}

/// An option as the help has it.
#[derive(Debug)]
struct Opt {
    /// Its long name.
    name: String,
    /// What stands for its value; empty for a switch.
    value: String,
    /// All that is told of it, in one line.
    told: String,
}

fn options_of_help(verb: &str) -> Vec<Opt> {
    let help = run(root(), &words(&format!("{verb} --help")));
    let mut options: Vec<Opt> = Vec::new();
    let mut inside = false;
    for line in help.lines() {
        let head = line.trim_start();
        if head.starts_with('-') && line.len() - head.len() < 8 {
            // Short helps tell it in the same line.
            let (head, told) = head.split_once("  ").unwrap_or((head, ""));
            let long = head.split([' ', ',']).find(|word| word.starts_with("--"));
            let value = head.split_once('<').map_or("", |(_, value)| value);
            options.push(Opt {
                name: long.unwrap().to_owned(),
                value: value.trim_end_matches(['>', '.']).to_owned(),
                told: told.trim().to_owned(),
            });
            inside = true;
        } else if !line.is_empty() && !line.starts_with("        ") {
            inside = false;
        } else if let Some(option) = options.last_mut().filter(|_| inside) {
            option.told.extend([" ", head]);
        }
    }
    options
}

/// Cells of the rows of the tables in a page whose first cell starts with a code word.
fn table_rows(page: &str) -> Vec<Vec<String>> {
    page.lines()
        .filter(|line| line.starts_with("| "))
        .map(|line| {
            let cells = line.trim_matches('|').split('|');
            cells.map(|cell| cell.trim().to_owned()).collect()
        })
        .collect()
}

/// What stands between backticks.
fn code_words(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

/// Every verb, and every task of `target`, with a number of options that it has at least.
const VERBS: [(&str, usize); 9] = [
    ("fit", 40),
    ("inspect", 9),
    ("check", 11),
    ("export", 9),
    ("listen", 15),
    ("target list", 3),
    ("target show", 9),
    ("target build", 18),
    ("target diff", 6),
];

#[test]
fn the_help_tells_of_every_option_its_unit_its_range_and_its_default() {
    for (verb, fewest) in VERBS {
        let options = options_of_help(verb);
        assert!(options.len() >= fewest, "{verb} has {}", options.len());
        for Opt { name, value, told } in &options {
            let says = |words: &[&str]| words.iter().any(|word| told.contains(word));
            let told_at_all = told.split_whitespace().count() >= 2;
            assert!(told_at_all, "{verb} {name}: {told}");
            let unit: &[&str] = match value.as_str() {
                "DB" | "DBA" => &["dB"],
                "HZ" => &["Hz", "frequency"],
                _ => &[""],
            };
            assert!(says(unit), "{verb} {name} has no unit: {told}");
            let range: &[&str] = match (name.as_str(), value.as_str()) {
                // A frequency or rate of what was measured or written.
                ("--align-hz", _) => &["this frequency"],
                ("--rate-hz", _) => &["one of the sheet's", "every rate of the sheet", "8000 to"],
                (_, "DB" | "DBA" | "X" | "N") => &[" to ", "more than 0"],
                _ => &[""],
            };
            assert!(says(range), "{verb} {name} has no range: {told}");
            let chosen = told.contains("Possible values:");
            // What is needed, and what chooses another task, has no default.
            let needed = ["--form", "--signal", "--blind"].contains(&name.as_str());
            assert!(
                !chosen || needed || says(&["[default: "]),
                "{verb} {name}: {told}"
            );
        }
    }
}

#[test]
fn the_program_refuses_what_lies_outside_the_ranges_of_the_help() {
    let unit = "demo-data/fieldfare-wool/fieldfare-wool.unit.toml";
    let between = "--between diffuse-field";
    let folder = checkout();
    let number = |word: &str| word.trim_matches([',', ':', ';', '.']).parse::<f64>().ok();
    let mut tried = 0;
    for (verb, given) in [
        ("fit", format!("fit {unit} --target flat {between}")),
        (
            "target build",
            format!("target build {between} -o target/never.csv"),
        ),
        ("inspect", format!("inspect {unit}")),
    ] {
        for Opt { name, value, told } in options_of_help(verb) {
            if !["DB", "DBA", "X", "N"].contains(&value.as_str()) {
                continue;
            }
            let told: Vec<&str> = told.split_whitespace().collect();
            let range = told.windows(3).find_map(|three| {
                let ends = (number(three[0])?, number(three[2])?);
                (three[1] == "to").then_some(ends)
            });
            let beyond = match range {
                Some((least, most)) => [least - 1.0, most + 1.0],
                // More than 0.
                None => [0.0, -1.0],
            };
            for value in beyond {
                let typed = format!("{given} {name}={value}");
                let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
                    .args(words(&typed))
                    .current_dir(folder.path())
                    .output()
                    .unwrap();
                assert_eq!(output.status.code(), Some(2), "{typed}");
                let refusal = String::from_utf8(output.stderr).unwrap().replace(' ', "-");
                assert!(refusal.contains(name.trim_start_matches('-')), "{refusal}");
                tried += 1;
            }
        }
    }
    assert!(tried >= 30, "{tried}");
}

#[test]
fn exit_statuses_are_those_of_the_readme() {
    let curve = "demo-data/fieldfare-wool/average.csv";
    let status = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bandwright"));
        let output = command.args(arguments).current_dir(root()).output();
        output.unwrap().status.code()
    };
    assert_eq!(status(&["fit", curve, "--bass", "1", "--quiet"]), Some(0));
    // The earphone has what is wanted already, so no section can bring it closer.
    assert_eq!(status(&["fit", curve, "--target", curve]), Some(1));
    assert_eq!(status(&["fit", "no-such-file.csv", "--bass", "1"]), Some(2));
    assert_eq!(status(&["fit", curve]), Some(2));
    let readme = page("README.md");
    for (code, words) in [
        ("0", "done"),
        ("1", "the answer is no"),
        ("2", "bad usage or bad input"),
    ] {
        let row = table_rows(&readme).into_iter().find(|row| row[0] == code);
        assert!(row.unwrap()[1].contains(words));
    }
}

/// Code words that look like a path into this repository: no placeholders, no outputs.
fn paths(prose: &str) -> Vec<&str> {
    let endings = [".md", ".rs", ".py", ".csv", ".toml", ".txt", "/", "/run"];
    code_words(prose)
        .into_iter()
        .filter(|word| endings.iter().any(|end| word.ends_with(end)))
        .filter(|word| !word.contains([' ', '\n', '=', '{', '<']))
        .filter(|word| !word.starts_with("NAME.") && !word.starts_with("target/"))
        .filter(|word| *word != "mod.rs")
        .collect()
}

/// A page without its fenced blocks, whose backticks are not code words.
fn prose(page: &str) -> String {
    let mut fenced = false;
    let lines = page.lines().filter(|line| {
        let fence = line.starts_with("```");
        fenced ^= fence;
        !fenced && !fence
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn every_file_that_is_named_exists() {
    for (name, fewest) in [
        ("README.md", 4),
        ("DEVELOPERS.md", 50),
        ("tests/benches/RESULTS.md", 5),
    ] {
        let text = prose(&page(name));
        let named = paths(&text);
        assert!(named.len() >= fewest, "{name}: {named:?}");
        for path in named {
            let found = [root().join(path), root().join("src").join(path)];
            assert!(
                found.iter().any(|path| path.exists()),
                "{name} names {path}, which does not exist"
            );
        }
    }
}

#[test]
fn every_file_of_the_reference_data_has_its_provenance_and_the_reverse() {
    let folder = root().join("tests/reference");
    let provenance = page("tests/reference/PROVENANCE.md");
    let named: BTreeSet<&str> = code_words(&provenance)
        .into_iter()
        .filter(|word| word.ends_with(".csv") || word.ends_with(".py"))
        .filter(|word| !word.contains(' '))
        .collect();
    for file in files_under(&folder) {
        let path = file.strip_prefix(&folder).unwrap();
        let name = path.to_str().unwrap().replace('\\', "/");
        let ours = name.starts_with("__pycache__") || name == "PROVENANCE.md";
        assert!(
            ours || named.contains(name.as_str()),
            "{name} has no provenance"
        );
    }
    for name in named {
        assert!(
            folder.join(name).exists() || root().join(name).exists(),
            "{name} is listed and does not exist"
        );
    }
}

#[test]
fn every_folder_and_file_of_the_source_has_its_place() {
    let developers = page("DEVELOPERS.md");
    let stages = table_rows(&developers);
    for entry in fs::read_dir(root().join("src"))
        .unwrap()
        .map(Result::unwrap)
    {
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_dir() {
            let folder = format!("`src/{name}/`");
            assert!(
                stages.iter().any(|row| row[0].contains(&folder)),
                "{folder} is not in the stage map"
            );
        } else {
            assert!(developers.contains(&format!("`src/{name}`")), "src/{name}");
        }
    }
}

/// All Rust files under a folder.
fn source_files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap();
    let paths = entries.map(|entry| entry.unwrap().path());
    paths
        .flat_map(|path| match path.is_dir() {
            true => source_files(&path),
            false => vec![path],
        })
        .collect()
}

#[test]
fn the_library_names_no_option() {
    for path in source_files(&root().join("src")) {
        let name = path.strip_prefix(root().join("src")).unwrap();
        if name.starts_with("cli") || name.starts_with("report") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        for line in text
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"))
        {
            let named = line.match_indices("--").any(|(at, _)| {
                let option =
                    line[at + 2..].starts_with(|c: char| c.is_ascii_lowercase() || c == '{');
                option && line[..at].ends_with(['"', '`', ' ', '(']) && line[..at].contains('"')
            });
            assert!(!named, "{}: {line}", name.display());
        }
    }
}

#[test]
fn every_test_file_is_listed() {
    let developers = page("DEVELOPERS.md");
    for entry in fs::read_dir(root().join("tests"))
        .unwrap()
        .map(Result::unwrap)
    {
        let name = entry.file_name().into_string().unwrap();
        let is_dir = entry.file_type().unwrap().is_dir();
        let named = format!("`tests/{name}{}`", if is_dir { "/" } else { "" });
        assert!(
            developers.contains(&named) || name.starts_with("__pycache__"),
            "{named} is not in DEVELOPERS.md"
        );
    }
}

#[test]
fn every_target_of_the_library_is_in_the_readme() {
    let readme = page("README.md");
    let rows = table_rows(&readme);
    for name in library::names() {
        let cell = format!("`{name}`");
        assert!(rows.iter().any(|row| row[0] == cell), "{name}");
    }
}

/// Part of a page under a heading of the second level.
fn chapter<'a>(page: &'a str, heading: &str) -> &'a str {
    let start = page.find(&format!("\n## {heading}\n")).unwrap() + 1;
    let rest = &page[start..];
    let end = rest[1..].find("\n## ").map_or(rest.len(), |end| end + 1);
    &rest[..end]
}

#[test]
fn every_key_of_the_sheet_is_described() {
    fn toml_keys(value: &toml::Value, keys: &mut BTreeSet<String>) {
        match value {
            toml::Value::Table(fields) => {
                for (key, value) in fields {
                    keys.insert(key.clone());
                    toml_keys(value, keys);
                }
            }
            toml::Value::Array(values) => values.iter().for_each(|v| toml_keys(v, keys)),
            _ => {}
        }
    }
    let developers = page("DEVELOPERS.md");
    let folder = checkout();
    let job = "fit demo-data/fieldfare-wool/fieldfare-wool.unit.toml --bass 3 --effort quick -o target/a.sheet.toml";
    run(folder.path(), &words(job));
    let sheet = fs::read_to_string(folder.path().join("target/a.sheet.toml")).unwrap();
    let mut keys = BTreeSet::new();
    toml_keys(&toml::from_str(&sheet).unwrap(), &mut keys);
    let described = code_words(chapter(&developers, "The sheet"));
    // Of the limits' settings and shapes the README tells.
    let of_limits = [
        "min",
        "max",
        "step",
        "digits",
        "low-shelf",
        "peaking",
        "high-shelf",
    ];
    assert!(keys.len() > 40);
    for key in keys.iter().filter(|k| !of_limits.contains(&k.as_str())) {
        let inside = |word: &&str| word.split('.').any(|part| part == key);
        assert!(described.iter().any(inside), "key {key}");
    }
}

/// The fenced blocks of a language under a heading of the third level.
fn blocks_under(page: &str, heading: &str, language: &str) -> Vec<String> {
    let start = page.find(&format!("\n### {heading}")).unwrap() + 1;
    let rest = &page[start..];
    let end = rest.find("\n### ").unwrap_or(rest.len());
    blocks(&rest[..end], language)
}

#[test]
fn every_verb_that_prints_a_document_says_where_the_schemas_are() {
    let folder = "tests/golden/schema/";
    assert!(root().join(folder).is_dir());
    for verb in ["fit", "inspect", "check", "export", "target build"] {
        let help = run(root(), &words(&format!("{verb} --help")));
        assert!(help.contains(folder), "{verb}");
    }
    assert!(page("DEVELOPERS.md").contains(&format!("`{folder}`")));
}

#[test]
fn developers_md_is_short_enough_to_be_read() {
    let words = page("DEVELOPERS.md").split_whitespace().count();
    assert!(words <= 4500, "{words} words");
}

#[test]
fn every_file_format_that_is_shown_is_read_by_the_program() {
    let formats = page("demo-data/README.md");
    let folder = checkout();
    let shown = |heading: &str, language: &str, name: &str| {
        let text = &blocks_under(&formats, heading, language)[0];
        fs::write(folder.path().join(name), text).unwrap();
    };
    let succeeds = |typed: &str| run(folder.path(), &words(typed));

    // Of a take two rows are shown; more follow.
    let take = &blocks_under(&formats, "Take", "text")[0];
    let (begun, _) = take.split_once("...\n").unwrap();
    fs::write(
        folder.path().join("take.csv"),
        format!("{begun}40,99\n80,99\n1000,95\n"),
    )
    .unwrap();
    assert!(succeeds("inspect take.csv").contains("20 to 987 Hz"));

    shown("Unit", "toml", "shown.unit.toml");
    let wool = folder.path().join("demo-data/fieldfare-wool");
    for file in ["left-1.csv", "distortion-94.csv"] {
        fs::copy(wool.join(file), folder.path().join(file)).unwrap();
    }
    let impulse = impulses::played(&[], 100, 24_000);
    let both: Vec<f64> = impulse.iter().flat_map(|&x| [0.5 * x, x]).collect();
    let wav = impulses::wav_float(&both, 2, 48_000);
    fs::write(folder.path().join("both-sides.wav"), wav).unwrap();
    let judged = succeeds("inspect shown.unit.toml");
    assert!(
        judged.contains("left 1") && judged.contains("right 1"),
        "{judged}"
    );

    shown("Source", "toml", "shown.source.toml");
    shown("Programme", "text", "programme.csv");
    shown("Weight", "text", "weight.csv");
    shown("Recipe", "toml", "shown.target.toml");
    shown("Limits", "toml", "shown.limits.toml");
    let cost = succeeds(
        "fit shown.unit.toml --bass 3 --effort quick --source shown.source.toml --programme programme.csv",
    );
    assert!(
        cost.contains("pocket amplifier") && cost.contains("Distortion: left side, at 94 dB SPL"),
        "{cost}"
    );
    let arguments = "fit demo-data/fieldfare-wool/average.csv --target shown.target.toml \
                     --limits shown.limits.toml --weight weight.csv --effort quick --contour";
    let contours: Vec<&str> = code_words(&formats)
        .into_iter()
        .filter_map(|word| word.strip_prefix("--contour "))
        .collect();
    assert_eq!(contours.len(), 3);
    for contour in contours {
        succeeds(&format!("{arguments} {contour}"));
    }
}

#[test]
fn the_sheet_that_is_shown_is_the_one_that_the_demo_writes() {
    let formats = page("demo-data/README.md");
    let lines = command_lines(&formats);
    let writes = |line: &&Vec<String>| line.iter().any(|word| word == "target/wool.sheet.toml");
    let folder = checkout();
    run(folder.path(), lines.iter().find(writes).unwrap());
    let sheet = fs::read_to_string(folder.path().join("target/wool.sheet.toml")).unwrap();
    let (_, from_format) = sheet.split_once("\nformat = 1\n").unwrap();
    let shown = &blocks_under(&formats, "Sheet", "text")[0];
    assert_shown(shown, &format!("format = 1\n{from_format}"));
}

#[test]
fn every_general_equaliser_and_every_further_key_of_limits_is_described() {
    let formats = page("demo-data/README.md");
    let rows = table_rows(&formats);
    let described: BTreeSet<&str> = rows.iter().flat_map(|row| code_words(&row[0])).collect();
    for name in bandwright::limits::library::names() {
        assert!(described.contains(name), "{name}");
    }
    // The refusal of an unknown key lists the known ones.
    let folder = checkout();
    let limits = format!(
        "colour = 1\n{}",
        blocks_under(&formats, "Limits", "toml")[0]
    );
    fs::write(folder.path().join("odd.limits.toml"), limits).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(words(
            "fit demo-data/fieldfare-wool/average.csv --bass 1 --limits odd.limits.toml",
        ))
        .current_dir(folder.path())
        .output()
        .unwrap();
    let refusal = String::from_utf8(output.stderr).unwrap();
    let (_, known) = refusal.split_once("expected one of ").unwrap();
    let (known, _) = known.split_once(';').unwrap();
    let told = code_words(&formats).join(" ") + &blocks_under(&formats, "Limits", "toml")[0];
    let keys: Vec<&str> = known.split(", ").collect();
    assert!(keys.len() >= 15, "{refusal}");
    for key in keys {
        assert!(told.contains(key), "key {key} of limits");
    }
}

#[test]
fn the_readme_can_be_read_in_ten_minutes() {
    assert!(page("README.md").split_whitespace().count() <= 3000);
}

#[test]
fn the_readme_names_the_oldest_toolchain_of_the_manifest() {
    let manifest: toml::Value = toml::from_str(&page("Cargo.toml")).unwrap();
    let version = manifest["package"]["rust-version"].as_str().unwrap();
    assert!(page("README.md").contains(&format!("version {version} or newer")));
}

#[test]
fn every_setting_that_messages_name_is_an_option_of_some_verb() {
    let options = VERBS.iter().flat_map(|(verb, _)| options_of_help(verb));
    let names: BTreeSet<String> = options.map(|option| option.name).collect();
    for knob in Knob::ALL {
        let option = option_names::option(*knob);
        assert!(names.contains(&option), "{option}");
    }
}
