//! README.md and DEVELOPERS.md against the program: commands, output, options, files, keys.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use bandwright::wanted::library;
use tempfile::TempDir;

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

/// The arguments of every command line of a page that runs this program.
fn command_lines(page: &str) -> Vec<Vec<String>> {
    let lines: Vec<String> = blocks(page, "sh")
        .iter()
        .flat_map(|block| block.lines())
        .map(str::to_owned)
        .collect();
    let arguments = |line: &String| {
        let typed = ["cargo run --release -- ", "bandwright "]
            .into_iter()
            .find_map(|start| line.strip_prefix(start))?;
        Some(words(typed))
    };
    lines.iter().filter_map(arguments).collect()
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

/// Runs the program; gives what it printed.
fn run(folder: &Path, arguments: &[String]) -> String {
    let assert = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(arguments)
        .current_dir(folder)
        .assert()
        .success();
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
    for (name, fewest) in [("README.md", 4), ("demo-data/README.md", 4)] {
        let lines = command_lines(&page(name));
        assert!(lines.len() >= fewest, "{name}: {lines:?}");
        // In their order: later ones may use what earlier ones wrote.
        let folder = checkout();
        for arguments in lines {
            let named: BTreeSet<PathBuf> = arguments
                .windows(2)
                .filter(|pair| ["-o", "--output", "--plot"].contains(&pair[0].as_str()))
                .map(|pair| folder.path().join(&pair[1]))
                .collect();
            for file in named.iter().filter(|file| file.exists()) {
                fs::remove_file(file).unwrap();
            }
            let before = files_under(folder.path());
            let printed = run(folder.path(), &arguments);
            let json = arguments.iter().any(|a| a == "--json");
            assert!(
                !json || serde_json::from_str::<serde_json::Value>(&printed).is_ok(),
                "{arguments:?}"
            );
            let written = files_under(folder.path());
            let new: BTreeSet<PathBuf> = written.difference(&before).cloned().collect();
            assert_eq!(new, named, "{name}: {arguments:?}");
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

#[test]
fn the_readme_shows_what_the_main_command_prints() {
    let readme = page("README.md");
    let shown = &blocks(&readme, "text")[0];
    assert!(shown.contains("Preamp:") && shown.contains("Residual") && shown.contains("peaking"));
    let printed = run(checkout().path(), &command_lines(&readme)[0]);
    // Each run of shown lines must follow the one before; `...` stands for one or more lines.
    let mut parts = shown.split("...\n");
    let mut rest = printed
        .strip_prefix(parts.next().unwrap())
        .unwrap_or_else(|| panic!("README shows\n{shown}\nbut this is printed:\n{printed}"));
    for part in parts {
        let at = rest
            .find(&format!("\n{part}"))
            .unwrap_or_else(|| panic!("README shows\n{part}\nbut this is printed:\n{printed}"));
        rest = &rest[at + 1 + part.len()..];
    }
    assert_eq!(rest, "", "more is printed than README says");
}

#[test]
fn the_readme_shows_what_inspect_prints() {
    let readme = page("README.md");
    let shown = blocks(&readme, "text")
        .into_iter()
        .find(|block| block.contains("What to do next"))
        .unwrap();
    let line = command_lines(&readme)
        .into_iter()
        .find(|line| line[0] == "inspect")
        .unwrap();
    assert_eq!(run(checkout().path(), &line), shown);
}

#[test]
fn the_readme_shows_what_the_difference_of_targets_prints() {
    let readme = page("README.md");
    let line = command_lines(&readme)
        .into_iter()
        .find(|line| line[0] == "target" && line[1] == "diff")
        .unwrap();
    let shown = blocks(&readme, "text")
        .into_iter()
        .find(|block| block.contains("The one minus the other"))
        .unwrap();
    let printed = run(checkout().path(), &line);
    assert!(
        printed.ends_with(&shown),
        "README shows\n{shown}\nbut this is printed:\n{printed}"
    );
}

#[test]
fn the_readme_shows_what_the_cost_is_told_as() {
    let readme = page("README.md");
    let line = command_lines(&readme)
        .into_iter()
        .find(|line| line.iter().any(|word| word == "--source"))
        .unwrap();
    let shown = blocks(&readme, "text")
        .into_iter()
        .find(|block| block.starts_with("What it costs"))
        .unwrap();
    // Where it is about hearing, its cautions are.
    assert!(shown.contains("Caution: ") && shown.contains("Hearing"));
    let printed = run(checkout().path(), &line);
    assert!(
        printed.contains(&format!("\n\n{shown}\nHow sure\n")),
        "README shows\n{shown}\nbut this is printed:\n{printed}"
    );
}

#[test]
fn the_readme_names_the_command_that_runs_these_tests() {
    let readme = page("README.md");
    assert!(blocks(&readme, "sh").iter().any(|b| b == "cargo test\n"));
}

/// An option as the help has it: its names, and the default that the parser fills in.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Opt {
    names: Vec<String>,
    default: Option<String>,
}

fn options_of_help(verb: &str) -> Vec<Opt> {
    let help = run(root(), &words(&format!("{verb} --help")));
    let mut options: Vec<Opt> = Vec::new();
    for line in help.lines() {
        let short = line.strip_prefix("  -").filter(|l| !l.starts_with('-'));
        let names = match (short, line.strip_prefix("      --")) {
            (Some(names), _) => format!("-{names}"),
            (None, Some(name)) if !name.starts_with(' ') => format!("--{name}"),
            _ => {
                if let (Some(text), Some(last)) =
                    (line.trim().strip_prefix("[default: "), options.last_mut())
                {
                    last.default = text.strip_suffix(']').map(str::to_owned);
                }
                continue;
            }
        };
        options.push(Opt {
            names: names
                .split([' ', ','])
                .filter(|word| word.starts_with('-'))
                .map(str::to_owned)
                .collect(),
            default: None,
        });
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

#[test]
fn options_and_defaults_are_those_of_the_help() {
    for (verb, fewest) in [("fit", 15), ("inspect", 8), ("check", 8), ("export", 8)] {
        options_are_those_of_the_help(verb, fewest);
    }
}

fn options_are_those_of_the_help(verb: &str, fewest: usize) {
    let help = options_of_help(verb);
    // The parser fills in nothing for an export.
    assert!(help.len() > fewest && (verb == "export" || help.iter().any(|o| o.default.is_some())));
    let readme = page("README.md");
    let rows: Vec<Vec<String>> = table_rows(chapter(&readme, &format!("Options of `{verb}`")))
        .into_iter()
        .filter(|row| row[0].starts_with("`-"))
        .collect();
    let names_of = |row: &[String]| -> Vec<String> {
        code_words(&row[0]).into_iter().map(str::to_owned).collect()
    };
    let listed: BTreeSet<Vec<String>> = rows.iter().map(|row| names_of(row)).collect();
    let known: BTreeSet<Vec<String>> = help.iter().map(|o| o.names.clone()).collect();
    assert_eq!(listed, known);
    for option in &help {
        let row = rows.iter().find(|row| names_of(row) == option.names);
        let row = row.unwrap();
        assert_eq!(row.len(), 4, "{row:?}");
        if let Some(default) = &option.default {
            assert_eq!(row[2], format!("`{default}`"), "{:?}", option.names);
        }
    }
}

#[test]
fn options_of_the_tasks_of_target_are_those_of_the_help() {
    let readme = page("README.md");
    let rows: Vec<Vec<String>> = table_rows(chapter(&readme, "Options of `target`"))
        .into_iter()
        .filter(|row| row[0].starts_with("`-"))
        .collect();
    assert!(rows.iter().all(|row| row.len() == 5), "{rows:?}");
    for task in ["list", "show", "build", "diff"] {
        let help = options_of_help(&format!("target {task}"));
        assert!(help.len() >= 3);
        let of_task: Vec<&Vec<String>> = rows
            .iter()
            .filter(|row| code_words(&row[1]).contains(&task))
            .collect();
        let listed: BTreeSet<&str> = of_task.iter().flat_map(|row| code_words(&row[0])).collect();
        let known: BTreeSet<&str> = help
            .iter()
            .flat_map(|option| option.names.iter().map(String::as_str))
            .collect();
        assert_eq!(listed, known, "{task}");
        for option in help.iter().filter(|option| option.default.is_some()) {
            let named =
                |row: &&&Vec<String>| code_words(&row[0]).contains(&option.names[0].as_str());
            let row = of_task.iter().find(named).unwrap();
            let default = option.default.as_ref().unwrap();
            assert_eq!(row[3], format!("`{default}`"), "{task} {:?}", option.names);
        }
    }
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
    let of_limits = ["min", "max", "step", "low-shelf", "peaking", "high-shelf"];
    assert!(keys.len() > 40);
    for key in keys.iter().filter(|k| !of_limits.contains(&k.as_str())) {
        let inside = |word: &&str| word.split('.').any(|part| part == key);
        assert!(described.iter().any(inside), "key {key}");
    }
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
fn files_shown_in_the_readme_are_read_by_the_program() {
    let folder = checkout();
    let readme = page("README.md");
    let toml = blocks(&readme, "toml");
    let with = |key: &str| toml.iter().find(|block| block.contains(key)).unwrap();
    let recipe = folder.path().join("shown.target.toml");
    fs::write(recipe, with("base = ")).unwrap();
    let limits = folder.path().join("shown.limits.toml");
    fs::write(limits, with("rates_hz = ")).unwrap();
    let arguments = "fit demo-data/fieldfare-wool/average.csv --target shown.target.toml \
                     --limits shown.limits.toml --effort quick --contour";
    let contours: Vec<&str> = code_words(&readme)
        .into_iter()
        .filter_map(|word| word.strip_prefix("--contour "))
        .collect();
    assert_eq!(contours.len(), 3);
    for contour in contours {
        run(folder.path(), &words(&format!("{arguments} {contour}")));
    }
}

#[test]
fn the_readme_names_the_oldest_toolchain_of_the_manifest() {
    let manifest: toml::Value = toml::from_str(&page("Cargo.toml")).unwrap();
    let version = manifest["package"]["rust-version"].as_str().unwrap();
    assert!(page("README.md").contains(&format!("version {version} or newer")));
}
