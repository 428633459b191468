//! What a stranger writes who has files in memory and no disk: two units, each judged once and fitted toward two targets within
//! two limits; one fit is cancelled.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::thread;
use std::time::Duration;

use bandwright::error::{ErrorKind, Result};
use bandwright::fit::{Effort, Stop};
use bandwright::job::{Prepared, Request};
use bandwright::report::{figures, text};

fn reports(files: &BTreeMap<PathBuf, Vec<u8>>) -> Result<Vec<String>> {
    let mut reports = Vec::new();
    for unit in ["one/left.csv", "two/left.csv"] {
        let asked = |target: &str, limits: &str| Request {
            curves: vec![unit.into()],
            target: Some(target.into()),
            limits: Some(limits.into()),
            ..Request::default()
        };
        let first = asked("gentle-slope", "eight-section-pocket").open(files)?;
        let prepared = Prepared::new(first.measured)?;
        for target in ["gentle-slope", "flat"] {
            for limits in ["eight-section-pocket", "my.limits.toml"] {
                let opened = asked(target, limits).open(files)?;
                let (wish, limits) = (opened.wish, opened.limits);
                let outcome = prepared.fit(&wish, &limits, Effort::Quick, &Stop::default())?;
                let report = figures::fit::report(&outcome, &[], &[]);
                reports.push(text(&[report], |setting| setting.knob.to_string()));
            }
        }
        let (stop, wish) = (Stop::default(), first.wish);
        let cancelled = thread::scope(|scope| {
            let fit = scope.spawn(|| prepared.fit(&wish, &first.limits, Effort::Deep, &stop));
            thread::sleep(Duration::from_millis(1));
            stop.ask();
            fit.join().expect("no panic")
        });
        assert_eq!(cancelled.unwrap_err().kind, ErrorKind::Stopped);
    }
    Ok(reports)
}

#[test]
fn two_units_in_memory_are_fitted_and_a_fit_is_cancelled() {
    let curve = |level_db: fn(f64) -> f64| {
        let rows = (0..480).map(|i| {
            let f_hz = 20.0 * (f64::from(i) / 48.0).exp2();
            format!("{f_hz},{}\n", level_db(f_hz.log2()))
        });
        rows.collect::<String>().into_bytes()
    };
    let limits = b"format = 1\nname = \"mine\"\nsections = 3\nrates_hz = [48000]\n\
        preamp_db = { min = -20, max = 0 }\nf0_hz = { min = 20, max = 20000 }\n\
        gain_db = { min = -12, max = 12 }\nq = { min = 0.3, max = 4 }\n[shapes]\npeaking = 3\n";
    let files = BTreeMap::from([
        (
            "one/left.csv".into(),
            curve(|x| 90.0 + 3.0 * (1.3 * x).sin()),
        ),
        (
            "two/left.csv".into(),
            curve(|x| 80.0 + 4.0 * (0.9 * x + 1.0).sin()),
        ),
        ("my.limits.toml".into(), limits.to_vec()),
    ]);
    let reports = reports(&files).unwrap();
    assert_eq!(reports.len(), 8);
    for (index, report) in reports.iter().enumerate() {
        assert!(report.contains(" dB after"), "{report}");
        let limits = ["Eight-section pocket", "mine"][index % 2];
        assert!(
            report.to_lowercase().contains(&limits.to_lowercase()),
            "{report}"
        );
    }
    // The same takes, judged once or anew, give the same answer.
    let again = self::reports(&files).unwrap();
    assert_eq!(reports, again);
}
