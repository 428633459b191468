//! Every file of the fuzzers' corpora, and every input that one of them once found fault with, through what they fuzz.

use std::fs;
use std::panic::catch_unwind;
use std::path::{Path, PathBuf};

#[path = "../fuzz/subjects.rs"]
mod subjects;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz")
}

/// The files of a folder, sorted; none where there is no such folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

/// Runs a subject over its corpus and its samples; names all files that it finds fault with.
fn replay(name: &str) {
    let (_, run) = subjects::SUBJECTS
        .iter()
        .find(|(of, _)| *of == name)
        .unwrap();
    let corpus = files(&folder().join("corpus").join(name));
    assert!(corpus.len() >= 4, "{name}: {} files", corpus.len());
    let samples = files(&folder().join("samples").join(name));
    let fails = |file: &&PathBuf| {
        let bytes = fs::read(file).unwrap();
        catch_unwind(|| run(&bytes)).is_err()
    };
    let failing: Vec<&PathBuf> = corpus.iter().chain(&samples).filter(fails).collect();
    assert!(failing.is_empty(), "{failing:#?}");
}

#[test]
fn odd_curves_are_read_or_refused() {
    replay("curve");
}

#[test]
fn odd_impulse_responses_are_read_or_refused() {
    replay("wav");
}

#[test]
fn odd_unit_files_are_read_or_refused() {
    replay("unit");
}

#[test]
fn odd_tables_of_units_are_read_or_refused() {
    replay("unit_tables");
}

#[test]
fn odd_recipes_are_read_or_refused() {
    replay("recipe");
}

#[test]
fn odd_limits_are_read_or_refused() {
    replay("limits");
}

#[test]
fn odd_sources_are_read_or_refused() {
    replay("source");
}

#[test]
fn odd_programmes_are_read_or_refused() {
    replay("programme");
}

#[test]
fn odd_weights_are_read_or_refused() {
    replay("weight");
}

#[test]
fn odd_sheets_are_read_or_refused() {
    replay("sheet");
}

#[test]
fn odd_re_measurements_are_judged_or_refused() {
    replay("remeasured");
}

#[test]
fn odd_requests_are_fitted_or_refused() {
    replay("fit");
}

#[test]
fn every_subject_has_its_target_dictionary_and_small_corpus() {
    let manifest = fs::read_to_string(folder().join("Cargo.toml")).unwrap();
    let mut names: Vec<&str> = subjects::SUBJECTS.iter().map(|(name, _)| *name).collect();
    for name in &names {
        let target = format!("name = \"{name}\"\npath = \"targets/{name}.rs\"");
        assert!(manifest.contains(&target), "{name}");
        let calls = fs::read_to_string(folder().join(format!("targets/{name}.rs"))).unwrap();
        assert!(
            calls.contains(&format!("subjects::{name}(bytes)")),
            "{calls}"
        );
        assert!(
            folder().join(format!("dictionaries/{name}.dict")).exists(),
            "{name}"
        );
        let corpus = files(&folder().join("corpus").join(name));
        assert!(
            (4..=20).contains(&corpus.len()),
            "{name}: {} files",
            corpus.len()
        );
        for file in corpus {
            let length = fs::metadata(&file).unwrap().len();
            assert!(length <= 4096, "{}: {length} bytes", file.display());
        }
    }
    names.sort_unstable();
    for kind in ["corpus", "samples"] {
        for of in files(&folder().join(kind)) {
            let of = of.file_name().unwrap().to_str().unwrap();
            assert!(
                names.binary_search(&of).is_ok(),
                "{kind}/{of} belongs to no subject"
            );
        }
    }
    assert_eq!(files(&folder().join("targets")).len(), names.len());
}
