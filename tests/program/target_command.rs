//! `bandwright target`, and the targets of `bandwright fit`, as they are run: exit status, documents, files, bad input.

use std::fs;
use std::path::Path;

use bandwright::wanted::library::names;
use serde_json::Value;
use tempfile::TempDir;

struct Run {
    status: i32,
    stdout: String,
    stderr: String,
}

/// `bandwright` in `folder` with the words of `line`, split at blanks; `DEMO` is the demo's folder.
fn run(folder: &Path, line: &str) -> Run {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let words = line
        .split_whitespace()
        .map(|word| word.replace("DEMO", &demo.to_string_lossy()));
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .current_dir(folder)
        .args(words)
        .output()
        .unwrap();
    Run {
        status: output.status.code().unwrap(),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}

fn done(folder: &Path, line: &str) -> String {
    let run = run(folder, line);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{line}");
    run.stdout
}

fn document(folder: &Path, line: &str) -> Value {
    serde_json::from_str(&done(folder, line)).unwrap()
}

fn folder() -> TempDir {
    TempDir::new().unwrap()
}

const WOOL: &str = "DEMO/fieldfare-wool/fieldfare-wool.unit.toml";
const MESH: &str = "DEMO/fieldfare-mesh/fieldfare-mesh.unit.toml";

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}

#[test]
fn the_list_tells_source_range_and_licence_of_every_target() {
    let folder = folder();
    let text = done(folder.path(), "target list");
    let listed = document(folder.path(), "target list --json");
    let listed = listed["targets"].as_array().unwrap();
    assert_eq!(listed.len(), names().len());
    for (target, name) in listed.iter().zip(names()) {
        assert_eq!(target["name"], name);
        assert!(text.lines().any(|line| line == name));
        for key in ["source", "support", "licence", "level"] {
            assert!(target[key].as_str().unwrap().len() > 3, "{name} {key}");
        }
        let support_hz = numbers(&target["support_hz"]);
        assert!(support_hz[0] <= 20.0 && support_hz[1] > 19_000.0);
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100));
    assert_eq!(done(folder.path(), "target list --quiet"), "");
}

#[test]
fn a_target_is_shown_by_figures_that_its_curve_has() {
    let folder = folder();
    let line = "target show DEMO/music-shows.target.toml";
    let shown = document(
        folder.path(),
        &format!("{line} --points octave --plot x.svg --json"),
    );
    let target = &shown["target"];
    assert_eq!(
        (&shown["task"], &target["name"]),
        (&Value::from("show"), &Value::from("music shows"))
    );
    assert_eq!(numbers(&target["points"]["frequency_hz"]).len(), 10);
    assert_eq!(numbers(&target["curve"]["level_db"]).len(), 479);
    assert!(
        target["warnings"][0]
            .as_str()
            .unwrap()
            .contains("several dB")
    );
    assert!(
        fs::read_to_string(folder.path().join("x.svg"))
            .unwrap()
            .starts_with("<svg class=\"bandwright-plot\"")
    );
    assert_eq!(shown["files"][0]["path"], "x.svg");
    // The shelf's 8 dB and the slope's, on a base of 0 dB: close to both below 100 Hz.
    let low_db = numbers(&target["points"]["level_db"])[0];
    assert!((low_db - (0.9 * 5.0 + 8.0)).abs() < 0.7, "{low_db}");
    let aligned = document(
        folder.path(),
        &format!("{line} --points octave --align-hz 500 --json"),
    );
    let at = |shown: &Value, i: usize| numbers(&shown["target"]["points"]["level_db"])[i];
    assert!(at(&aligned, 4).abs() < 1e-3, "{}", at(&aligned, 4));
    assert!((at(&aligned, 8) - (at(&shown, 8) - at(&shown, 4))).abs() < 2e-3);
    let text = done(folder.path(), line);
    for part in [
        "music shows",
        "Source ",
        "Range ",
        "Contours ",
        "low-shelf +8 dB",
        "  20000\n",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100));
    let side = document(
        folder.path(),
        &format!("target show {MESH} --side left --json"),
    );
    assert_eq!(side["target"]["name"], "Fieldfare, mesh insert, left side");
}

#[test]
fn a_recipe_that_was_built_serves_from_its_own_folder() {
    let folder = folder();
    fs::create_dir_all(folder.path().join("in")).unwrap();
    fs::create_dir_all(folder.path().join("out/deep")).unwrap();
    fs::write(
        folder.path().join("in/base.csv"),
        "20,90\n200,92\n2000,88\n20000,80\n",
    )
    .unwrap();
    fs::write(folder.path().join("in/more.csv"), "20,3\n200,0\n20000,-1\n").unwrap();
    let built = document(
        folder.path(),
        "target build --base in/base.csv --between diffuse-field --between-share 0.25 --bass 2 \
         --contour shape=table,file=in/more.csv --name mine -o out/deep/mine.target.toml --json",
    );
    assert_eq!(built["files"][0]["kind"], "recipe");
    let text = fs::read_to_string(folder.path().join("out/deep/mine.target.toml")).unwrap();
    for part in [
        "base = \"../../in/base.csv\"",
        "file = \"../../in/more.csv\"",
        "with = \"diffuse-field\"",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let elsewhere = folder.path().join("out");
    let shown = document(&elsewhere, "target show deep/mine.target.toml --json");
    assert_eq!(shown["target"]["curve"], built["target"]["curve"]);
    assert_eq!(shown["target"]["name"], "mine");
    // As a curve it stands alone.
    done(
        &elsewhere,
        "target build --base deep/mine.target.toml -o alone.csv --quiet",
    );
    let alone = document(
        &elsewhere,
        "target diff alone.csv deep/mine.target.toml --json",
    );
    assert!(alone["difference"]["rms_db"].as_f64().unwrap() < 1e-3);
    // What was built is built anew over itself, from what it does not stand on.
    done(
        &elsewhere,
        "target build --base flat --bass 1 -o alone.csv --quiet",
    );
}

#[test]
fn an_output_never_replaces_what_it_was_made_of() {
    let folder = folder();
    done(folder.path(), "target build --bass 1 -o base.csv --quiet");
    done(
        folder.path(),
        "target build --base base.csv --slope -1 -o on.target.toml --quiet",
    );
    let before = fs::read(folder.path().join("base.csv")).unwrap();
    for line in [
        "target build --base base.csv --bass 2 -o base.csv",
        "target build --base on.target.toml --bass 2 -o base.csv",
        "target build --base flat --between on.target.toml -o ./base.csv",
        "target build --contour shape=table,file=base.csv -o base.csv",
        "target build --base on.target.toml --treble 1 -o on.target.toml",
        "target show base.csv --plot base.csv",
        "target build --bass 1 -o new.csv --plot new.csv",
    ] {
        let run = run(folder.path(), line);
        assert_eq!(run.status, 2, "{line}: {}", run.stderr);
        assert!(
            run.stderr.contains("the same file as"),
            "{line}: {}",
            run.stderr
        );
    }
    assert_eq!(fs::read(folder.path().join("base.csv")).unwrap(), before);
    // Nor what this program did not write.
    fs::write(folder.path().join("theirs.csv"), "20,1\n200,1\n2000,1\n").unwrap();
    let run = run(folder.path(), "target build --bass 1 -o theirs.csv");
    assert_eq!(run.status, 2);
    assert!(run.stderr.contains("did not write"), "{}", run.stderr);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
}

#[test]
fn two_targets_are_apart_by_what_lies_between_them_whatever_their_levels() {
    let folder = folder();
    fs::write(
        folder.path().join("loud.csv"),
        "20,100\n1000,100\n20000,100\n",
    )
    .unwrap();
    fs::write(
        folder.path().join("falling.target.toml"),
        "source = \"a slope\"\nbase = \"diffuse-field\"\n[[contour]]\nshape = \"slope\"\ndb_per_octave = -0.6\n",
    )
    .unwrap();
    let apart = document(
        folder.path(),
        "target diff falling.target.toml diffuse-field --plot d.svg --json",
    );
    // A slope of 0.6 dB per octave over 478 steps of 1/48 octave: its rms about its mean.
    let expected_db = 0.6 * ((479.0f64.powi(2) - 1.0) / 12.0).sqrt() / 48.0;
    let rms_db = apart["difference"]["rms_db"].as_f64().unwrap();
    assert!(
        (rms_db - expected_db).abs() < 1e-3,
        "{rms_db} {expected_db}"
    );
    assert!(
        (apart["difference"]["worst_db"].as_f64().unwrap().abs() - 0.6 * 478.0 / 96.0).abs() < 1e-3
    );
    assert_eq!(apart["files"][0]["kind"], "plot");
    let same = document(folder.path(), "target diff loud.csv flat --json");
    assert_eq!(
        (
            &same["difference"]["rms_db"],
            &same["difference"]["level_db"]
        ),
        (&Value::from(0.0), &Value::from(100.0))
    );
    // Of what was measured the band that the rig knows is told apart.
    assert_eq!(same["difference"]["trusted"], Value::Null);
    let unit = document(folder.path(), &format!("target diff {WOOL} flat --json"));
    let (all, trusted) = (&unit["difference"], &unit["difference"]["trusted"]);
    let end_hz = numbers(&trusted["support_hz"])[1];
    assert!((10_500.0..11_000.0).contains(&end_hz), "{end_hz}");
    assert!(trusted["worst_hz"].as_f64().unwrap() <= end_hz);
    assert!(trusted["rms_db"].as_f64().unwrap() < all["rms_db"].as_f64().unwrap());
    let text = done(
        folder.path(),
        "target diff gentle-slope diffuse-field --points octave",
    );
    for part in [
        "gentle-slope minus diffuse-field",
        "dB rms",
        "The one minus the other, dB",
        "16000",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100));
}

#[test]
fn bad_input_is_refused_with_what_to_do() {
    let folder = folder();
    fs::write(
        folder.path().join("bad.target.toml"),
        "source = \"x\"\nbase = \"flat\"\n[[contour]]\nshape = \"peeking\"\n",
    )
    .unwrap();
    fs::write(
        folder.path().join("lost.target.toml"),
        "source = \"x\"\n\nbase = \"moon.csv\"\n",
    )
    .unwrap();
    fs::write(folder.path().join("moor.csv"), "20,1\n200,1\n2000,1\n").unwrap();
    for (line, says) in [
        ("target show difuse-field", "did you mean `diffuse-field`?"),
        ("target show mor.csv", "did you mean `moor.csv`?"),
        (
            "target show bad.target.toml",
            "bad.target.toml:4: contour.shape",
        ),
        ("target show bad.target.toml", "did you mean `peaking`?"),
        ("target show lost.target.toml", "lost.target.toml:3: base"),
        ("target show lost.target.toml", "did you mean `moor.csv`?"),
        ("target show flat --rate-hz 100", "--rate-hz"),
        ("target show flat --align-hz 5", "--align-hz"),
        ("target show flat --side left", "no unit"),
        ("target show no-such.csv", "no such file"),
        ("target diff flat", "OTHER"),
        ("target build -o x.csv", "nothing to build with"),
        ("target build --bass 1 -o x.txt", "--output"),
        ("target build --bass 1", "--output"),
        ("target build --bass 99 -o x.csv", "--bass"),
        ("target build --base no.csv -o x.csv", "--base"),
        (
            "target build --base flat --between flt -o x.csv",
            "--between",
        ),
        (
            "target build --base flat --between diffuse-field --between-share 2 -o x.csv",
            "--between-share",
        ),
        ("target build --contour shape=peaking -o x.csv", "--contour"),
        (
            "target build --contour shape=table,file=no.csv -o x.csv",
            "--contour",
        ),
        (
            "target build --base measured --bass 2 -o x.csv",
            "NAME.target.toml",
        ),
        ("target build --bass 1 --name= -o x.csv", "--name"),
        ("target fly", "fly"),
        ("fit moor.csv --between flat", "--target"),
        (
            "fit DEMO/fieldfare-wool/average.csv --target flat --toward 0",
            "--toward",
        ),
        (
            "fit DEMO/fieldfare-wool/average.csv --target flat --toward 1.2",
            "--toward",
        ),
        (
            "fit DEMO/fieldfare-wool/average.csv --target flat --between gentle-slope --between-share -1",
            "--between-share",
        ),
        (
            "fit DEMO/fieldfare-wool/average.csv --target flat --align-hz 5 --effort quick",
            "--align-hz",
        ),
        (
            "fit DEMO/fieldfare-wool/average.csv --target moor.csv --between moor.csv --plot moor.csv",
            "the same file",
        ),
    ] {
        let run = run(folder.path(), line);
        assert_eq!(
            (run.status, run.stdout.as_str()),
            (2, ""),
            "{line}: {}",
            run.stderr
        );
        assert!(run.stderr.contains(says), "{line}: {}", run.stderr);
    }
    let failed = run(folder.path(), "target show difuse-field --json");
    let failed: Value = serde_json::from_str(&failed.stdout).unwrap();
    assert_eq!(
        (&failed["verb"], &failed["error"]["kind"]),
        (&Value::from("target"), &Value::from("name"))
    );
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
}

#[test]
fn a_fit_goes_a_fraction_of_the_way_between_two_targets_and_shows_curves_where_they_are_pinned() {
    let folder = folder();
    let fit = |more: &str| {
        document(
            folder.path(),
            &format!("fit {WOOL} {more} --effort quick --json"),
        )
    };
    let whole = fit("--target diffuse-field --bass 2");
    let part = fit("--target diffuse-field --bass 2 --toward 0.5");
    let before = |fit: &Value| fit["residual"]["before"]["weighted_db"].as_f64().unwrap();
    assert!((before(&part) - 0.5 * before(&whole)).abs() < 1e-3);
    assert!(
        part["target"]["name"]
            .as_str()
            .unwrap()
            .ends_with(", 50 % of the way")
    );
    // Between a target and itself nothing changes.
    let same = fit("--target diffuse-field --between diffuse-field --between-share 0.3 --bass 2");
    assert_eq!(same["sections"], whole["sections"]);
    let between = fit(&format!("--target diffuse-field --between {MESH}"));
    let name = between["target"]["name"].as_str().unwrap();
    assert_eq!(name, "diffuse-field, 50 % toward Fieldfare, mesh insert");
    let pinned = fit("--target diffuse-field --bass 2 --align-hz 1000");
    assert_eq!(pinned["aligned_at_hz"], 1000.0);
    assert_eq!(whole["aligned_at_hz"], Value::Null);
    for key in ["sections", "residual", "headroom"] {
        assert_eq!(pinned[key], whole[key], "{key}");
    }
    let f_hz = numbers(&pinned["curves"]["frequency_hz"]);
    let at = f_hz.partition_point(|f| *f < 1000.0);
    for key in ["measured_db", "equalised_db"] {
        let off_db =
            numbers(&pinned["curves"][key])[at] - numbers(&pinned["curves"]["target_db"])[at];
        assert!(off_db.abs() < 0.1, "{key} {off_db}");
    }
    // A recipe on what the unit has is taste.
    done(
        folder.path(),
        "target build --base measured --bass 3 -o taste.target.toml --quiet",
    );
    let taste = fit("--target taste.target.toml");
    assert_eq!(taste["sections"], fit("--bass 3")["sections"]);
    // A whole unit is a target.
    let unit = fit(&format!("--target {MESH}"));
    assert!(
        unit["cautions"]
            .as_array()
            .unwrap()
            .iter()
            .any(|c| c["text"].as_str().unwrap().contains("takes of the target"))
    );
}

#[test]
#[cfg(unix)]
fn a_folder_or_a_circle_of_links_given_as_an_input_is_called_that() {
    let folder = folder();
    let path = folder.path();
    std::fs::create_dir(path.join("takes")).unwrap();
    std::os::unix::fs::symlink("one", path.join("other")).unwrap();
    std::os::unix::fs::symlink("other", path.join("one")).unwrap();
    std::fs::write(path.join("take.csv"), "Hz,dB\n20,1\n1000,2\n20000,3\n").unwrap();
    for (name, says) in [
        ("takes", "a folder"),
        ("one", "a link that leads in a circle"),
    ] {
        let recipe = format!("source = \"x\"\nbase = \"{name}\"\n");
        std::fs::write(path.join("on.target.toml"), recipe).unwrap();
        let unit =
            format!("format = 1\nname = \"x\"\n[[take]]\nside = \"left\"\nfile = \"{name}\"\n");
        std::fs::write(path.join("x.unit.toml"), unit).unwrap();
        for line in [
            format!("target show {name}"),
            format!("target show {name} --json"),
            "target show on.target.toml".to_owned(),
            "target show x.unit.toml".to_owned(),
            format!("target build --base {name} --bass 3 -o new.target.toml"),
            format!("target build --base flat --between {name} -o new.target.toml"),
            format!(
                "target build --base flat --contour shape=table,file={name} -o new.target.toml"
            ),
            format!("fit take.csv --target {name}"),
            format!("fit take.csv --target flat --limits {name}"),
            format!("fit take.csv --target flat --weight {name}"),
            format!("fit take.csv --target flat --rig {name}"),
            format!("fit {name} --target flat"),
            "fit x.unit.toml --target flat".to_owned(),
            format!("inspect {name}"),
            format!("check {name}"),
            format!("export {name} --form sos -o new.csv"),
        ] {
            let run = run(path, &line);
            assert_eq!(run.status, 2, "{line}: {}", run.stderr);
            assert!(run.stderr.contains(says), "{line}: {}", run.stderr);
            for guess in ["did you mean", "is looked for", "no such", "one of "] {
                assert!(!run.stderr.contains(guess), "{line}: {}", run.stderr);
            }
        }
    }
    // What is not there still gets a guess, and its place.
    let missing = run(path, "target show tak.csv");
    assert!(
        missing.stderr.contains("did you mean `take.csv`?"),
        "{}",
        missing.stderr
    );
    let missing = run(path, "target show gone-for-good.csv --json");
    let document: Value = serde_json::from_str(&missing.stdout).unwrap();
    assert_eq!(document["error"]["kind"], "missing");
    let missing = run(
        path,
        "target build --base gone-for-good.csv --bass 3 -o new.target.toml",
    );
    assert!(
        missing.stderr.contains("check the path"),
        "{}",
        missing.stderr
    );
}

#[test]
fn no_target_tells_a_number_in_hundreds_of_digits() {
    let folder = folder();
    let path = folder.path();
    let recipe = "source = \"x\"\nbase = \"flat\"\n[[contour]]\nshape = \"slope\"\ndb_per_octave = 1e-300\n\
        [[contour]]\nshape = \"table\"\npoints = [[1e-300, 1], [1e300, 0]]\n";
    std::fs::write(path.join("tiny.target.toml"), recipe).unwrap();
    std::fs::write(
        path.join("take.csv"),
        "Hz,dB\n1e-300,1\n1000,2\n20000,9\n1e300,2\n",
    )
    .unwrap();
    std::fs::write(path.join("high.csv"), "Hz,dB\n1e299,1\n2e299,2\n1e300,3\n").unwrap();
    for line in [
        "target show tiny.target.toml",
        "target build --base tiny.target.toml --slope 1e-300 -o new.target.toml",
        "target build --base flat --slope 1e300 -o new.target.toml",
        "target show take.csv --align-hz 1e300",
        "target show take.csv --rate-hz 1e300",
        "target show high.csv",
        "target build --base flat --contour shape=table,points=1e-300:1/1e300:0 -o other.target.toml",
        "fit take.csv --target tiny.target.toml --slope 1e-300 -o new.sheet.toml",
        "fit take.csv --target flat --economy 1e300",
        "inspect take.csv --leak-threshold 1e300",
    ] {
        let run = run(path, line);
        let told = run.stdout + &run.stderr;
        let longest = told
            .split(|c: char| !c.is_ascii_digit())
            .map(str::len)
            .max();
        assert!(longest < Some(25), "{line}: {told}");
    }
    for file in ["new.target.toml", "other.target.toml", "new.sheet.toml"] {
        let text = std::fs::read_to_string(path.join(file)).unwrap_or_default();
        let longest = text
            .split(|c: char| !c.is_ascii_digit())
            .map(str::len)
            .max();
        assert!(longest < Some(25), "{file}: {text}");
    }
    let built = std::fs::read_to_string(path.join("new.target.toml")).unwrap();
    assert!(built.contains("db_per_octave = 1e-300"), "{built}");
    done(path, "target show new.target.toml");
}
