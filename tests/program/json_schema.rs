//! The schemas of `--json`: each is the file of its name in `golden/schema/`, and real documents follow them, key by key.
//!
//! To write the files anew:
//!
//! ```sh
//! GOLDEN=write cargo test --test program json_schema
//! ```

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use bandwright::report::documents::schema::{Document, schema};
use bandwright::report::to_json;
use serde_json::Value;
use tempfile::TempDir;

use crate::support::impulses;

fn golden() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden")
}

fn schema_of(document: Document) -> Value {
    schema(document).to_value()
}

/// Which document it is, by what it says of itself.
fn kind(value: &Value) -> Document {
    let word = |key: &str| value[key].as_str().unwrap_or_default();
    match (word("verb"), word("task")) {
        _ if value.get("error").is_some() => Document::Error,
        ("inspect", _) => Document::Inspect,
        ("target", "list") => Document::TargetList,
        ("target", "show" | "build") => Document::Target,
        ("target", "diff") => Document::TargetDiff,
        ("fit", _) if value.get("sides").is_some() => Document::FitPerSide,
        ("fit", _) => Document::Fit,
        ("compare", _) => Document::Compare,
        ("listen", _) if value.get("signal").is_some() => Document::Signal,
        ("listen", _) if value.get("sweep_hz").is_some() => Document::Sweeps,
        ("listen", _) if value.get("sweeps").is_some() => Document::Peak,
        ("listen", _) if value.get("right").is_some() => Document::Score,
        ("listen", _) => Document::Listen,
        ("check", _) => Document::Check,
        ("export", _) if value.get("files").is_some() => Document::Export,
        ("export", _) => Document::ExportFile,
        other => panic!("{other:?}"),
    }
}

/// Where a value breaks a schema. A keyword that is not tested here is an error of this test, so that none goes unheeded.
fn faults(root: &Value, schema: &Value, value: &Value, at: &str) -> Vec<String> {
    let mut found = Vec::new();
    let Value::Object(keywords) = schema else {
        // `true` allows everything, `false` nothing.
        return match schema {
            Value::Bool(true) => found,
            _ => vec![format!("{at}: nothing is allowed here")],
        };
    };
    let number = |bound: &Value| bound.as_f64().unwrap();
    for (keyword, content) in keywords {
        let holds = match keyword.as_str() {
            "$schema" | "$defs" | "title" | "description" | "format" => true,
            "$ref" => {
                let pointer = content.as_str().unwrap().strip_prefix('#').unwrap();
                found.extend(faults(root, root.pointer(pointer).unwrap(), value, at));
                true
            }
            "type" => match content {
                Value::Array(types) => types.iter().any(|name| is_of(value, name)),
                name => is_of(value, name),
            },
            "const" => same(content, value),
            "enum" => content.as_array().unwrap().iter().any(|c| same(c, value)),
            "minimum" => value.as_f64().is_none_or(|x| x >= number(content)),
            "maximum" => value.as_f64().is_none_or(|x| x <= number(content)),
            "minItems" => value
                .as_array()
                .is_none_or(|items| items.len() as f64 >= number(content)),
            "maxItems" => value
                .as_array()
                .is_none_or(|items| items.len() as f64 <= number(content)),
            "items" => {
                let first = keywords.get("prefixItems").and_then(Value::as_array);
                let items = value.as_array().into_iter().flatten().enumerate();
                for (i, item) in items.skip(first.map_or(0, Vec::len)) {
                    found.extend(faults(root, content, item, &format!("{at}/{i}")));
                }
                true
            }
            "prefixItems" => {
                let items = value.as_array().into_iter().flatten();
                for (i, (schema, item)) in content.as_array().unwrap().iter().zip(items).enumerate()
                {
                    found.extend(faults(root, schema, item, &format!("{at}/{i}")));
                }
                true
            }
            "properties" => {
                for (key, schema) in content.as_object().unwrap() {
                    if let Some(field) = value.get(key) {
                        found.extend(faults(root, schema, field, &format!("{at}/{key}")));
                    }
                }
                true
            }
            "required" => {
                let lacks = |key: &&Value| value.get(key.as_str().unwrap()).is_none();
                let missing = content.as_array().unwrap().iter().filter(lacks);
                found.extend(
                    missing
                        .filter(|_| value.is_object())
                        .map(|key| format!("{at}: lacks {key}")),
                );
                true
            }
            "additionalProperties" => {
                assert_eq!(content, &Value::Bool(false));
                let known = keywords["properties"].as_object().unwrap();
                let strangers = value
                    .as_object()
                    .into_iter()
                    .flat_map(|fields| fields.keys());
                found.extend(
                    strangers
                        .filter(|key| !known.contains_key(*key))
                        .map(|key| format!("{at}: does not know {key}")),
                );
                true
            }
            "anyOf" | "oneOf" => {
                let fits = |schema: &&Value| faults(root, schema, value, at).is_empty();
                let fitting = content.as_array().unwrap().iter().filter(fits).count();
                fitting == 1 || (keyword == "anyOf" && fitting > 0)
            }
            _ => panic!("{at}: `{keyword}` is not tested"),
        };
        if !holds {
            found.push(format!("{at}: {value} against {keyword} {content}"));
        }
    }
    found
}

fn is_of(value: &Value, name: &Value) -> bool {
    match name.as_str().unwrap() {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        other => panic!("type {other}"),
    }
}

fn same(one: &Value, other: &Value) -> bool {
    one == other || one.as_f64().is_some_and(|x| other.as_f64() == Some(x))
}

fn assert_follows(value: &Value, what: &str) {
    let schema = schema_of(kind(value));
    let found = faults(&schema, &schema, value, "");
    assert!(found.is_empty(), "{what}:\n{}", found.join("\n"));
}

/// What the golden files with `--json` have printed, by the file's name.
fn golden_documents() -> Vec<(String, Value)> {
    let mut documents = Vec::new();
    for entry in fs::read_dir(golden()).unwrap().map(Result::unwrap) {
        let name = entry.file_name().into_string().unwrap();
        if !entry.file_type().unwrap().is_file() || !name.ends_with(".txt") {
            continue;
        }
        let text = fs::read_to_string(entry.path()).unwrap();
        let command = text.lines().next().unwrap_or_default();
        if !command.split(' ').any(|word| word == "--json") {
            continue;
        }
        let (_, printed) = text.split_once("----- output\n").unwrap();
        let end = printed.find("\n----- ").unwrap_or(printed.len());
        documents.push((name, serde_json::from_str(&printed[..end]).unwrap()));
    }
    documents.sort_by(|one, other| one.0.cmp(&other.0));
    documents
}

#[test]
fn every_schema_is_what_its_golden_file_says() {
    let folder = golden().join("schema");
    let write = std::env::var("GOLDEN").is_ok_and(|word| word == "write");
    if write {
        fs::create_dir_all(&folder).unwrap();
    }
    let mut known = BTreeSet::new();
    for document in Document::ALL {
        let file = format!("{}.json", document.name());
        let path = folder.join(&file);
        let now = to_json(&schema(document));
        if write {
            fs::write(&path, &now).unwrap();
        }
        let kept = fs::read_to_string(&path).unwrap();
        assert!(
            kept == now,
            "{file} differs. If that is meant: GOLDEN=write cargo test --test program json_schema"
        );
        assert!(known.insert(file), "{document:?} is there twice");
    }
    let entries = fs::read_dir(&folder).unwrap().map(Result::unwrap);
    let names: BTreeSet<String> = entries
        .map(|entry| entry.file_name().into_string().unwrap())
        .collect();
    assert_eq!(names, known);
}

#[test]
fn documents_of_the_golden_files_have_the_keys_and_values_of_their_schemas() {
    let documents = golden_documents();
    assert!(documents.len() >= 11, "{}", documents.len());
    let mut met = Vec::new();
    for (name, document) in &documents {
        assert_follows(document, name);
        met.push(kind(document));
    }
    // Of a NAME.json there is none in the golden files; the next test writes one.
    for document in Document::ALL {
        assert!(
            met.contains(&document) || document == Document::ExportFile,
            "{document:?}"
        );
    }
}

#[test]
fn documents_with_what_the_golden_files_lack_follow_their_schemas_too() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    // An all-pass has a delay that no equaliser undoes, so that phase, impulse and bands beyond EQ are there.
    let cascade = [impulses::all_pass(500.0, 5.0, 48e3)];
    let wav = impulses::wav_float(&impulses::played(&cascade, 100, 24_000), 1, 48_000);
    fs::write(at("left.wav"), wav).unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let run = |typed: &str| -> Value {
        let words = typed.split(' ').map(|word| match word.strip_prefix("D/") {
            Some(rest) => demo.join(rest).into_os_string(),
            None => word.into(),
        });
        let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
            .args(words)
            .arg("--json")
            .current_dir(folder.path())
            .output()
            .unwrap();
        let document = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|error| panic!("{typed}: {error}"));
        assert_follows(&document, typed);
        document
    };

    let inspected = run("inspect left.wav --plot left.svg");
    assert!(inspected["units"][0]["takes"][0]["impulse"].is_object());
    assert!(inspected["units"][0]["takes"][0]["phase"]["beyond_eq"][0].is_object());
    assert_eq!(inspected["files"][0]["kind"], "plot");
    let leaking =
        run("inspect D/dunlin/dunlin.unit.toml D/fieldfare-mesh/fieldfare-mesh.unit.toml");
    let takes = |unit: usize| leaking["units"][unit]["takes"].as_array().unwrap();
    assert!(
        (0..2)
            .flat_map(takes)
            .any(|take| take["verdict"] == "outlier")
    );

    assert_eq!(
        run("target build --bass 1 -o mine.csv")["files"][0]["kind"],
        "curve"
    );

    let wished = run(
        "fit D/fieldfare-wool/average.csv --target gentle-slope --max-loudness-loss 4 --effort quick",
    );
    assert!(wished["loudness_wish"]["trade_off"][0].is_object());
    let few = run(
        "fit D/fieldfare-wool/average.csv --target gentle-slope --sections auto --effort quick",
    );
    assert!(few["enough"].is_object());
    let idle = run(
        "fit D/fieldfare-wool/average.csv --target gentle-slope --limits octave-graphic --effort quick",
    );
    assert!(idle["sections"].is_array());
    let sides = run(
        "fit D/dunlin/dunlin.unit.toml --target diffuse-field --per-side --cost --effort quick -o s.sheet.toml",
    );
    assert!(sides["sides"][1]["cost"]["loudness"].is_object());
    // Sections with sides ask for an EQ for each by themselves.
    let given = run(
        "fit D/dunlin/dunlin.unit.toml --target diffuse-field --as-is s.sheet.toml --polish all --effort quick -o p.sheet.toml",
    );
    assert_eq!(given["start"], "all");
    let residual_db = |document: &Value| {
        document["residual"]["after"]["weighted_db"]
            .as_f64()
            .unwrap()
    };
    assert!(residual_db(&given) <= residual_db(&sides));
    assert_eq!(run("check p.sheet.toml")["sections_edited"], false);
    let sheet = fs::read_to_string(at("p.sheet.toml")).unwrap();
    let gain = sheet
        .lines()
        .find(|line| line.starts_with("gain_db = -"))
        .unwrap();
    fs::write(
        at("e.sheet.toml"),
        sheet.replacen(gain, "gain_db = -1.5", 1),
    )
    .unwrap();
    assert_eq!(run("check e.sheet.toml")["sections_edited"], true);
    let anew = run(
        "fit D/dunlin/dunlin.unit.toml --target diffuse-field --as-is e.sheet.toml -o n.sheet.toml",
    );
    assert_eq!(anew["start"], "as-is");
    assert_eq!(run("check n.sheet.toml")["passes"], true);

    for form in ["coefficients", "impulse", "response"] {
        let exported = run(&format!(
            "export s.sheet.toml --form {form} --rate-hz 48000"
        ));
        assert!(!exported["chains"][0][form].is_null(), "{form}");
    }
    let left_out =
        run("export s.sheet.toml --form sos --rate-hz 48000 --without-preamp -o s.sos.json");
    assert!(left_out["caution"].is_string());
    let written: Value = serde_json::from_slice(&fs::read(at("s.sos.json")).unwrap()).unwrap();
    assert_eq!(kind(&written), Document::ExportFile);
    assert_follows(&written, "s.sos.json");

    // Another insert is no sheet: the promise was not kept, and explanations have figures.
    let checked = run(
        "check s.sheet.toml --before D/fieldfare-wool/left-1.csv D/fieldfare-wool/left-2.csv \
         --after D/fieldfare-mesh/left-1.csv D/fieldfare-mesh/left-3.csv --same-level --plot k.svg"
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
            .as_str(),
    );
    assert!(checked["promise"]["level"].is_object());

    let unknown = run("fitt");
    assert_eq!(kind(&unknown), Document::Error);
    assert!(unknown["verb"].is_null());
}

/// Calls `with` for every object in a value, by its pointer.
fn objects(value: &Value, at: &str, with: &mut impl FnMut(&str)) {
    match value {
        Value::Object(fields) => {
            with(at);
            for (key, field) in fields {
                objects(field, &format!("{at}/{key}"), with);
            }
        }
        // One of many alike is enough.
        Value::Array(items) => {
            if let Some(item) = items.first() {
                objects(item, &format!("{at}/0"), with);
            }
        }
        _ => {}
    }
}

#[test]
fn a_key_too_many_or_too_few_is_found_in_every_object() {
    let mut tried = 0;
    for (name, document) in golden_documents() {
        let schema = schema_of(kind(&document));
        objects(&document, "", &mut |at| {
            let mut changed = document.clone();
            let fields = changed.pointer_mut(at).unwrap().as_object_mut().unwrap();
            let first = fields.keys().next().unwrap().clone();
            fields.insert("stranger".to_owned(), Value::Null);
            assert!(
                !faults(&schema, &schema, &changed, "").is_empty(),
                "{name}: a stranger at {at}"
            );
            let fields = changed.pointer_mut(at).unwrap().as_object_mut().unwrap();
            fields.remove("stranger");
            fields.remove(&first);
            assert!(
                !faults(&schema, &schema, &changed, "").is_empty(),
                "{name}: {first} is gone at {at}"
            );
            tried += 1;
        });
    }
    assert!(tried > 100, "{tried}");
}

/// Calls `with` for every field that a schema knows, with the object that has it.
fn fields(schema: &Value, with: &mut impl FnMut(&Value, &str, &Value)) {
    match schema {
        Value::Object(keywords) => {
            for (keyword, content) in keywords {
                if let ("properties", Value::Object(properties)) = (keyword.as_str(), content) {
                    properties
                        .iter()
                        .for_each(|(name, field)| with(schema, name, field));
                }
                fields(content, with);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| fields(item, with)),
        _ => {}
    }
}

#[test]
fn every_field_is_described_with_its_unit_and_when_it_is_null() {
    let mut described = 0;
    for document in Document::ALL {
        fields(&schema_of(document), &mut |object, name, field| {
            let text = field["description"].as_str().unwrap_or_default();
            assert!(text.ends_with('.'), "{document:?}: {name}: `{text}`");
            let units = [
                ("_hz", "Hz"),
                ("_db", "dB"),
                ("_db2", "dB^2"),
                ("_dba", "dBA"),
                ("_db_spl", "dB SPL"),
                ("_lu", "LU"),
                ("_mm", "mm"),
                ("_ma", "mA"),
                ("_v", "V"),
                ("_s", " s"),
                ("_deg", "degrees"),
                ("_octaves", "octaves"),
                ("_ohm", "ohm"),
            ];
            for (ending, unit) in units {
                assert!(
                    !name.ends_with(ending) || text.contains(unit),
                    "{document:?}: {name}: `{text}` does not say {unit}"
                );
            }
            // What may be null says when, or its object does for all of its fields.
            let null = |schema: &Value| schema["type"] == "null";
            let any_of = field["anyOf"].as_array();
            let may_be_null = field["type"]
                .as_array()
                .is_some_and(|types| types.contains(&"null".into()))
                || any_of.is_some_and(|any| any.iter().any(null));
            let about = object["description"].as_str().unwrap_or_default();
            assert!(
                !may_be_null || text.contains("`null`") || about.contains("`null`"),
                "{document:?}: {name}: `{text}` does not say when it is null"
            );
            described += 1;
        });
    }
    assert!(described > 300, "{described}");
}
