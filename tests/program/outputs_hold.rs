//! Outputs and inputs under hostile circumstances: full disks, closed folders, killed runs, files that a person changed,
//! pipes that nobody writes to. What was there before is never lost, and nothing stays behind.

#![cfg(unix)]

use std::fs::{self, File, Permissions};
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::os::unix::net::UnixListener;
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use bandwright::digest::Digest;
use bandwright::sheet;
use rand_xoshiro::SplitMix64;
use rand_xoshiro::rand_core::{RngCore as _, SeedableRng as _};
use tempfile::TempDir;

const BANDWRIGHT: &str = env!("CARGO_BIN_EXE_bandwright");

/// Far beyond any run: only a hang takes so long.
const HANG: Duration = Duration::from_secs(60);

/// A private folder with `unit.csv`, a curve that needs more bass.
struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        let bench = Self(TempDir::new().unwrap());
        let rows = (0..100).map(|i| {
            let f_hz = 20.0 * 1000_f64.powf(f64::from(i) / 99.0);
            format!("{f_hz},{}\n", 90.0 + 3.0 * (f_hz / 300.0).ln().sin())
        });
        bench.put("unit.csv", rows.collect::<String>());
        bench
    }

    fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join(name)
    }

    fn put(&self, name: impl AsRef<Path>, content: impl AsRef<[u8]>) {
        fs::write(self.path(name), content).unwrap();
    }

    fn read(&self, name: impl AsRef<Path>) -> Vec<u8> {
        fs::read(self.path(name)).unwrap()
    }

    fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.0.path()).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    fn command(&self, line: &str) -> Command {
        let mut command = Command::new(BANDWRIGHT);
        command
            .current_dir(self.0.path())
            .args(line.split_whitespace())
            .stdin(Stdio::null());
        command
    }

    fn run(&self, line: &str) -> Output {
        self.command(line).output().unwrap()
    }

    fn done(&self, line: &str) {
        let run = self.run(line);
        assert!(run.status.success(), "{line}: {}", stderr(&run));
    }

    /// Exit status 2 and a message that contains `found`.
    fn refused(&self, line: &str, found: &str) {
        let run = self.run(line);
        assert_eq!(run.status.code(), Some(2), "{line}");
        assert!(stderr(&run).contains(found), "{line}: {}", stderr(&run));
    }

    fn script(&self, line: &str) -> Output {
        Command::new("bash")
            .current_dir(self.0.path())
            .env("bandwright", BANDWRIGHT)
            .args(["-o", "pipefail", "-c", line])
            .output()
            .unwrap()
    }

    /// A script with mounts of its own, as root.
    fn with_mounts(&self, script: &str) -> Output {
        Command::new("unshare")
            .args(["--mount", "bash", "-euo", "pipefail", "-c", script])
            .current_dir(self.0.path())
            .env("bandwright", BANDWRIGHT)
            .output()
            .unwrap()
    }
}

fn stderr(run: &Output) -> String {
    String::from_utf8_lossy(&run.stderr).into_owned()
}

// Files that a person changed.

#[test]
fn a_sheet_that_was_changed_by_hand_is_replaced_only_with_overwrite() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --quiet -o my.sheet.toml";
    bench.done(line);
    assert_eq!(Digest::of(&bench.read("my.sheet.toml")), Digest::Intact);
    bench.done(line);
    let text = String::from_utf8(bench.read("my.sheet.toml")).unwrap();
    let windows = text.replace('\n', "\r\n");
    bench.put("my.sheet.toml", &windows);
    // Line ends are no change that anyone made by hand.
    bench.done(line);
    let without = text.lines().filter(|line| !line.starts_with("# Digest"));
    let without: String = without.map(|line| format!("{line}\n")).collect();
    for (changed, found) in [
        (text.replacen("q = 0.6", "q = 0.7", 1), "that was changed"),
        (format!("{text}# my favourite\n"), "that was changed"),
        (
            format!("# Equaliser sheet\n{}", &text[1..]),
            "that was changed",
        ),
        (without, "a sheet without a digest"),
    ] {
        bench.put("my.sheet.toml", &changed);
        bench.refused(line, found);
        assert_eq!(bench.read("my.sheet.toml"), changed.as_bytes());
        bench.done(&format!("{line} --overwrite"));
        assert_eq!(bench.read("my.sheet.toml"), text.as_bytes());
    }
    bench.put("my.sheet.toml", "Dear all");
    bench.refused(&format!("{line} --overwrite"), "did not write");
}

#[test]
fn a_recipe_that_was_changed_by_hand_is_replaced_only_with_overwrite() {
    let bench = Bench::new();
    let line = "target build --bass 2 --quiet -o mine.target.toml";
    bench.done(line);
    bench.done(line);
    let text = String::from_utf8(bench.read("mine.target.toml")).unwrap();
    let changed = text.replacen("gain_db = 2", "gain_db = 4", 1);
    assert_ne!(text, changed);
    bench.put("mine.target.toml", &changed);
    bench.refused(line, "a recipe that was changed");
    assert_eq!(bench.read("mine.target.toml"), changed.as_bytes());
    bench.done(&format!("{line} --overwrite"));
    assert_eq!(bench.read("mine.target.toml"), text.as_bytes());
}

#[test]
fn a_file_that_is_protected_from_writing_is_kept_and_modes_stay() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --quiet -o my.sheet.toml --plot my.svg";
    bench.done(line);
    let mode = |name: &str| fs::metadata(bench.path(name)).unwrap().permissions().mode() & 0o777;
    let set = |name: &str, mode| {
        fs::set_permissions(bench.path(name), Permissions::from_mode(mode)).unwrap();
    };
    set("my.sheet.toml", 0o600);
    set("my.svg", 0o640);
    bench.done(line);
    assert_eq!((mode("my.sheet.toml"), mode("my.svg")), (0o600, 0o640));
    for name in ["my.sheet.toml", "my.svg"] {
        set(name, 0o444);
        bench.refused(line, "protected from writing");
        bench.done(&format!("{line} --overwrite"));
        assert_eq!(mode(name), 0o444);
        set(name, 0o644);
    }
}

#[test]
fn names_of_other_kinds_of_files_are_refused() {
    let bench = Bench::new();
    for (line, found) in [
        (
            "fit unit.csv --bass 3 --plot p.jpg",
            "the ending .jpg; expected NAME.svg or NAME.png",
        ),
        (
            "fit unit.csv --bass 3 --plot p",
            "a name without an ending; expected NAME.svg",
        ),
        (
            "fit unit.csv --bass 3 -o x.csv",
            "the ending .csv; expected NAME.toml",
        ),
        (
            "inspect unit.csv --plot p.jpg",
            "the ending .jpg; expected NAME.svg",
        ),
        (
            "target show flat --plot p.pdf",
            "the ending .pdf; expected NAME.svg",
        ),
    ] {
        bench.refused(line, found);
    }
    assert_eq!(bench.names(), ["unit.csv"]);
    bench.done("fit unit.csv --bass 3 --quiet -o X.TOML --plot P.SVG");
}

#[test]
fn a_png_is_written_over_a_png_of_this_program_and_over_nothing_else() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --quiet --plot p.PNG";
    bench.done(line);
    let first = std::fs::read(bench.path("p.PNG")).unwrap();
    bench.done(line);
    assert_eq!(std::fs::read(bench.path("p.PNG")).unwrap(), first);
    // Without its last chunks it may be anyone's.
    std::fs::write(bench.path("p.PNG"), &first[..first.len() - 20]).unwrap();
    bench.refused(line, "did not write");
    assert_eq!(
        std::fs::read(bench.path("p.PNG")).unwrap().len(),
        first.len() - 20
    );
}

#[test]
fn a_page_is_written_over_a_page_of_this_program_and_over_nothing_else() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --quiet --report p.html";
    bench.done(line);
    let first = std::fs::read(bench.path("p.html")).unwrap();
    bench.done(line);
    assert_eq!(std::fs::read(bench.path("p.html")).unwrap(), first);
    let page = String::from_utf8(first).unwrap();
    // The command, the file and its digest are told, and no folder of this machine.
    assert!(page.contains("bandwright fit unit.csv --bass 3 --quiet --report p.html"));
    assert!(page.contains("unit.csv</td>"));
    assert!(!page.contains(&bench.path("").to_string_lossy().into_owned()));
    std::fs::write(bench.path("p.html"), "<!doctype html>\n<html>").unwrap();
    bench.refused(line, "did not write");
}

// All or none.

#[test]
fn where_standard_output_is_full_every_file_is_as_it_was() {
    let bench = Bench::new();
    let run =
        bench.script("$bandwright fit unit.csv --bass 3 -o a.sheet.toml --plot a.svg > /dev/full");
    assert_eq!(run.status.code(), Some(2));
    assert!(
        stderr(&run).contains("standard output: found a full disk"),
        "{}",
        stderr(&run)
    );
    assert_eq!(bench.names(), ["unit.csv"]);
    bench.done("fit unit.csv --bass 3 --quiet -o a.sheet.toml --plot a.svg");
    let before = (bench.read("a.sheet.toml"), bench.read("a.svg"));
    for line in [
        "$bandwright fit unit.csv --bass 5 -o a.sheet.toml --plot a.svg > /dev/full",
        "$bandwright fit unit.csv --bass 5 --json -o a.sheet.toml --plot a.svg > /dev/full",
        "$bandwright target build --bass 5 -o new.target.toml > /dev/full",
        "$bandwright export a.sheet.toml --form impulse --rate-hz 48000 -o new.wav > /dev/full",
        "$bandwright inspect unit.csv --plot new.svg > /dev/full",
    ] {
        assert_eq!(bench.script(line).status.code(), Some(2), "{line}");
        assert_eq!(
            (bench.read("a.sheet.toml"), bench.read("a.svg")),
            before,
            "{line}"
        );
        assert_eq!(
            bench.names(),
            ["a.sheet.toml", "a.svg", "unit.csv"],
            "{line}"
        );
    }
}

#[test]
fn help_that_cannot_be_printed_is_a_failure() {
    let bench = Bench::new();
    for words in ["--help", "fit --help", "--version"] {
        let run = bench.script(&format!("$bandwright {words} > /dev/full"));
        assert_eq!(run.status.code(), Some(2), "{words}");
        assert!(stderr(&run).contains("a full disk"), "{words}");
    }
}

// Interrupted runs.

#[test]
fn what_a_dead_run_left_is_removed_and_what_a_living_one_holds_is_not() {
    let bench = Bench::new();
    let (dead, held) = (
        ".bandwright-aaaaaaaaaaaa.part",
        ".bandwright-bbbbbbbbbbbb.part",
    );
    let strangers = [
        ".bandwright-notes.part",
        ".bandwright-aaaaaaaaaaaa.txt",
        "bandwright.part",
    ];
    for name in [dead, held].iter().chain(&strangers) {
        bench.put(name, "half a sheet");
    }
    let lock = File::open(bench.path(held)).unwrap();
    lock.lock().unwrap();
    bench.done("fit unit.csv --bass 3 --quiet -o my.sheet.toml");
    let names = bench.names();
    assert!(!names.iter().any(|name| name == dead));
    for kept in strangers.iter().chain(&[held, "my.sheet.toml"]) {
        assert!(names.iter().any(|name| name == kept), "{kept} in {names:?}");
    }
    drop(lock);
    bench.done("fit unit.csv --bass 3 --quiet -o my.sheet.toml");
    assert!(!bench.names().iter().any(|name| name == held));
}

#[test]
fn runs_that_are_killed_at_any_moment_leave_whole_files_and_block_no_later_run() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --effort quick --quiet -o my.sheet.toml --plot my.svg";
    let start = Instant::now();
    bench.done(line);
    let whole_run = start.elapsed();
    let mut chance = SplitMix64::seed_from_u64(7);
    for _ in 0..30 {
        let mut run = bench.command(line).spawn().unwrap();
        sleep(whole_run.mul_f64((chance.next_u32() % 120) as f64 / 100.0));
        let _ = run.kill();
        run.wait().unwrap();
        let text = bench.read("my.sheet.toml");
        assert_eq!(Digest::of(&text), Digest::Intact);
        sheet::read(&text, "my.sheet.toml").unwrap();
        assert!(bench.read("my.svg").ends_with(b"</svg>\n"));
    }
    bench.done(line);
    assert_eq!(bench.names(), ["my.sheet.toml", "my.svg", "unit.csv"]);
}

#[test]
#[ignore = "needs root and the program unshare"]
fn runs_with_one_process_number_that_are_killed_block_no_later_run() {
    let bench = Bench::new();
    // Each run is number 1 of a space of its own, as in a container.
    let run = bench.script(
        "set -e
        fit=(unshare --pid --fork --kill-child \"$bandwright\" fit unit.csv --bass 3 --effort quick --quiet -o my.sheet.toml --plot my.svg)
        \"${fit[@]}\"
        for i in $(seq 100); do
            \"${fit[@]}\" & run=$!
            sleep 0.0$((RANDOM % 10))$((RANDOM % 10))
            kill -KILL $run 2>/dev/null || true
            wait $run 2>/dev/null || true
        done
        \"${fit[@]}\"
        ls -A",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    assert_eq!(
        String::from_utf8_lossy(&run.stdout),
        "my.sheet.toml\nmy.svg\nunit.csv\n"
    );
}

#[test]
fn a_signal_ends_the_run_with_its_number_and_leaves_nothing() {
    let bench = Bench::new();
    for (signal, number) in [("HUP", 1), ("INT", 2), ("TERM", 15)] {
        let line = "fit unit.csv --target diffuse-field --effort deep --economy 0 --quiet -o my.sheet.toml";
        let run = bench.command(line).spawn().unwrap();
        sleep(Duration::from_millis(200));
        let kill = format!("kill -{signal} {}", run.id());
        assert!(bench.script(&kill).status.success());
        let start = Instant::now();
        let status = run.wait_with_output().unwrap().status;
        assert!(start.elapsed() < HANG);
        // Where this test itself was started with the signal ignored (in the background of a script), so is the run.
        if status.success() {
            fs::remove_file(bench.path("my.sheet.toml")).unwrap();
            assert!(is_ignored(number), "SIG{signal} was not heard");
        } else {
            assert_eq!(
                (status.code(), status.signal()),
                (Some(128 + number), None),
                "SIG{signal}"
            );
        }
        assert_eq!(bench.names(), ["unit.csv"], "SIG{signal}");
    }
}

/// Whether this process ignores a signal, as Linux tells.
fn is_ignored(number: i32) -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.map_or(0, |mask| u64::from_str_radix(mask.trim(), 16).unwrap());
    mask >> (number - 1) & 1 == 1
}

#[test]
fn a_hang_up_that_was_to_be_ignored_is_ignored() {
    let bench = Bench::new();
    let run = bench.script(
        "trap '' HUP
        $bandwright fit unit.csv --bass 3 --quiet -o my.sheet.toml & run=$!
        kill -HUP $run; wait $run",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    assert_eq!(bench.names(), ["my.sheet.toml", "unit.csv"]);
}

// Disks and folders.

#[test]
#[ignore = "needs root and the program unshare"]
fn a_disk_that_fills_up_loses_no_file_and_says_so() {
    let bench = Bench::new();
    let run = bench.with_mounts(
        "mkdir small; mount -t tmpfs -o size=96k none small
        $bandwright fit unit.csv --bass 3 --quiet -o small/a.sheet.toml --plot small/a.svg
        cp small/a.sheet.toml small/a.svg .
        dd if=/dev/zero of=small/filler bs=1k status=none 2>/dev/null || true
        set +e
        $bandwright fit unit.csv --bass 5 --quiet -o small/a.sheet.toml --plot small/a.svg; status=$?
        set -e
        test $status = 2
        cmp a.sheet.toml small/a.sheet.toml; cmp a.svg small/a.svg
        test \"$(ls -A small | tr '\\n' ' ')\" = 'a.sheet.toml a.svg filler '
        rm small/filler
        set +e
        $bandwright listen --signal pink-noise --quiet -o small; status=$?
        set -e
        test $status = 2
        test \"$(ls -A small | tr '\\n' ' ')\" = 'a.sheet.toml a.svg '",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    assert_eq!(
        stderr(&run).matches("found a full disk").count(),
        2,
        "{}",
        stderr(&run)
    );
    assert!(
        stderr(&run).contains("small/pink-noise.wav: found"),
        "{}",
        stderr(&run)
    );
    assert!(stderr(&run).contains("free some space"), "{}", stderr(&run));
}

#[test]
#[ignore = "needs root and the program unshare"]
fn a_single_mounted_file_is_written_in_place_and_stays_mounted() {
    let bench = Bench::new();
    let run = bench.with_mounts(
        "mkdir host inside; : > host/mine.sheet.toml; : > inside/mine.sheet.toml
        mount --bind host/mine.sheet.toml inside/mine.sheet.toml
        fit=\"$bandwright fit unit.csv --quiet -o inside/mine.sheet.toml\"
        $fit --bass 3; $fit --bass 3
        $bandwright check host/mine.sheet.toml --quiet
        cp host/mine.sheet.toml before
        # Where what follows fails, the old text is written back.
        $bandwright fit unit.csv --bass 3 --quiet --plot p.svg; cp p.svg p.before
        set +e
        $bandwright fit unit.csv --bass 5 -o inside/mine.sheet.toml --plot p.svg > /dev/full; status=$?
        set -e
        test $status = 2
        cmp host/mine.sheet.toml before; cmp p.svg p.before
        test -z \"$(ls -A ${TMPDIR:-/tmp} | grep '^.bandwright-' || true)\"",
    );
    assert!(run.status.success(), "{}", stderr(&run));
}

#[test]
#[ignore = "needs root and the program unshare"]
fn files_that_may_not_change_do_not_change() {
    let bench = Bench::new();
    let run = bench.with_mounts(
        "fit=\"$bandwright fit unit.csv --quiet\"
        mkdir host inside
        $fit --bass 3 -o host/mine.sheet.toml --plot host/p.svg
        cp host/mine.sheet.toml sheet.before; cp host/p.svg plot.before
        no() { set +e; \"$@\"; status=$?; set -e; test $status = 2; }
        : > inside/mine.sheet.toml
        mount --bind host/mine.sheet.toml inside/mine.sheet.toml
        mount -o remount,ro,bind inside/mine.sheet.toml
        no $fit --bass 5 -o inside/mine.sheet.toml
        no $fit --bass 5 -o inside/mine.sheet.toml --overwrite
        cmp host/mine.sheet.toml sheet.before
        # A folder that is read-only.
        mkdir closed; mount --bind host closed; mount -o remount,ro,bind closed
        no $fit --bass 5 -o closed/mine.sheet.toml
        no $fit --bass 5 -o closed/new.sheet.toml
        cmp host/mine.sheet.toml sheet.before
        # A set whose second file cannot be replaced: the first is put back.
        chattr +i host/p.svg
        no $fit --bass 5 -o host/mine.sheet.toml --plot host/p.svg
        no $fit --bass 5 -o host/mine.sheet.toml --plot host/p.svg --overwrite
        chattr -i host/p.svg
        cmp host/mine.sheet.toml sheet.before; cmp host/p.svg plot.before
        test \"$(ls -A host | tr '\\n' ' ')\" = 'mine.sheet.toml p.svg '",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    let said = stderr(&run);
    assert_eq!(said.matches("read-only").count(), 4, "{said}");
}

#[test]
#[ignore = "needs root and the program setpriv"]
fn without_permission_no_file_is_lost() {
    let bench = Bench::new();
    fs::set_permissions(bench.0.path(), Permissions::from_mode(0o755)).unwrap();
    let run = bench.script(
        "set -e
        program=$(mktemp); cp \"$bandwright\" $program; chmod 755 $program
        nobody() { setpriv --reuid=65534 --regid=65534 --clear-groups \"$@\"; }
        no() { set +e; nobody \"$@\"; status=$?; set -e; test $status = 2; }
        # A folder of somebody else.
        no $program fit unit.csv --bass 3 --quiet -o new.sheet.toml
        # In it a file that may be written to: written in place, as no other file can take its name.
        : > open.sheet.toml; chmod 666 open.sheet.toml
        nobody $program fit unit.csv --bass 3 --quiet -o open.sheet.toml
        $program check open.sheet.toml --quiet
        test $(stat -c %a open.sheet.toml) = 666
        # In it a file that may only be read.
        $program fit unit.csv --bass 3 --quiet -o mine.sheet.toml; cp mine.sheet.toml before
        no $program fit unit.csv --bass 5 --quiet -o mine.sheet.toml
        no $program fit unit.csv --bass 5 --quiet -o mine.sheet.toml --overwrite
        cmp mine.sheet.toml before
        # A limit on processes: no thread can be started, and the search runs on the one there is.
        nobody prlimit --nproc=1 $program fit unit.csv --bass 3 --json > one.json
        $program fit unit.csv --bass 3 --json > many.json
        cmp one.json many.json
        rm $program",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    let said = stderr(&run);
    assert!(
        said.contains("new.sheet.toml: found no permission"),
        "{said}"
    );
    assert!(
        said.contains("mine.sheet.toml: found a file that is protected from writing"),
        "{said}"
    );
}

#[test]
fn any_number_of_threads_may_be_asked_for() {
    let bench = Bench::new();
    let line = "fit unit.csv --bass 3 --target flat --json";
    let usual = bench.run(line).stdout;
    for number in ["1", "100000", "18446744073709551615", "0", "-3", "many", ""] {
        let run = bench
            .command(line)
            .env("RAYON_NUM_THREADS", number)
            .output()
            .unwrap();
        assert_eq!(
            (run.status.code(), stderr(&run).as_str()),
            (Some(0), ""),
            "{number}"
        );
        assert!(run.stdout == usual, "{number}");
    }
}

// Inputs that are no files.

#[test]
fn pipes_sockets_and_devices_are_refused_and_never_waited_for() {
    let bench = Bench::new();
    assert!(bench.script("mkfifo pipe.csv").status.success());
    let _socket = UnixListener::bind(bench.path("socket.csv")).unwrap();
    symlink("one", bench.path("other")).unwrap();
    symlink("other", bench.path("one")).unwrap();
    bench.done("fit unit.csv --bass 3 --quiet -o my.sheet.toml");
    for (name, found) in [
        ("pipe.csv", "a named pipe"),
        ("socket.csv", "a socket"),
        ("/dev/zero", "a device"),
        ("one", "a link that leads in a circle"),
        (".", "a folder"),
    ] {
        for line in [
            "inspect NAME",
            "fit NAME --bass 3",
            "fit unit.csv --target NAME",
            "fit unit.csv --bass 3 --limits NAME",
            "fit unit.csv --bass 3 --weight NAME",
            "fit unit.csv --bass 3 --source NAME",
            "fit unit.csv --bass 3 --programme NAME",
            "fit unit.csv --bass 3 --keep NAME",
            "fit unit.csv --bass 3 --as-is NAME",
            "fit unit.csv --bass 3 --rig ./NAME",
            "target show NAME",
            "check NAME",
            "check my.sheet.toml --before NAME --after unit.csv",
            "export NAME --form sos --json",
        ] {
            let line = line.replace("./NAME", "NAME").replace("NAME", name);
            if line.contains("--rig one") {
                // A word without a point or a slash is the name of a rig.
                continue;
            }
            bench.refused(&line, found);
        }
    }
}

#[test]
fn what_is_piped_in_is_read_once() {
    let bench = Bench::new();
    for line in [
        "cat unit.csv | $bandwright fit - --bass 3 --json",
        "$bandwright fit /dev/stdin --bass 3 --json < unit.csv",
        "$bandwright fit <(cat unit.csv) --bass 3 --json",
        "$bandwright fit /dev/fd/7 --bass 3 --json 7< unit.csv",
    ] {
        let run = bench.script(line);
        assert!(run.status.success(), "{line}: {}", stderr(&run));
        let document: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        assert_eq!(document["sections"].as_array().unwrap().len(), 1);
    }
    let twice = bench.script("cat unit.csv | $bandwright inspect - /dev/stdin");
    assert_eq!(twice.status.code(), Some(2));
    assert!(
        stderr(&twice).contains("a stream that was read already"),
        "{}",
        stderr(&twice)
    );
    let endless = bench.script("yes 1,2,3 | $bandwright inspect -");
    assert!(
        stderr(&endless).contains("more than 16 MB"),
        "{}",
        stderr(&endless)
    );
}

#[test]
fn a_file_whose_name_looks_like_an_option_is_explained() {
    let bench = Bench::new();
    fs::copy(bench.path("unit.csv"), bench.path("-left.csv")).unwrap();
    bench.refused("fit -left.csv --bass 3", "write ./-left.csv");
    let run = bench.run("fit -left.csv --bass 3 --json");
    let document: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert!(
        document["error"]["next_step"]
            .as_str()
            .unwrap()
            .contains("write ./-left.csv")
    );
    bench.done("fit ./-left.csv --bass 3 --quiet");
    // Where there is no such file, nothing is said of it.
    let run = bench.run("fit -right.csv --bass 3");
    assert!(!stderr(&run).contains("./-right.csv"));
}

// What a person sees while it works.

#[test]
#[ignore = "needs the program script"]
fn a_long_search_shows_on_a_terminal_and_only_there() {
    let bench = Bench::new();
    // About three seconds of work on one thread.
    let line = "fit unit.csv --target diffuse-field --effort deep --sections 16 --json";
    let plain = bench.run(line);
    let shown = bench.script(&format!(
        "export RAYON_NUM_THREADS=1; script -qec \"$bandwright {line} > out.json\" /dev/null"
    ));
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert!(shown.contains("bandwright: searching, 1 s"), "{shown:?}");
    assert_eq!(stderr(&plain), "");
    assert!(bench.read("out.json") == plain.stdout);
}

#[test]
fn a_broken_pipe_keeps_the_files() {
    let bench = Bench::new();
    let mut run = bench
        .command("fit unit.csv --bass 3 --json -o my.sheet.toml")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    drop(run.stdout.take());
    assert!(run.wait().unwrap().success());
    assert_eq!(bench.names(), ["my.sheet.toml", "unit.csv"]);
}
