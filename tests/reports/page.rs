//! Reports as a page for a browser: whole, harmless, checkable, and nothing from outside.

use std::collections::BTreeSet;

use bandwright::filter::{QMeaning, Shape};
use bandwright::inspection::inspect;
use bandwright::job::{Outcome, TypedQ};
use bandwright::measurement::judge::Settings;
use bandwright::report::figures::made::{Input, Made};
use bandwright::report::figures::{self, card};
use bandwright::report::picture::fit::fit_picture;
use bandwright::report::{PAGE_BEGINNING, page, text};

use crate::report_plot::check_xml;
use crate::support::{option_names, outcomes, units};

fn made() -> Made {
    Made {
        command: "bandwright fit left.csv --target flat".to_owned(),
        inputs: vec![Input {
            name: "left.csv".to_owned(),
            sha256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855".to_owned(),
        }],
    }
}

fn fit_page(outcome: &Outcome) -> String {
    page(
        &[figures::fit::page(outcome, &[], &made())],
        option_names::typed,
    )
}

fn all() -> Vec<(&'static str, String)> {
    let inspections = units::NAMES.map(units::inspected);
    vec![
        ("realistic", fit_page(&outcomes::realistic())),
        ("flat", fit_page(&outcomes::flat())),
        ("wild", fit_page(&outcomes::wild())),
        (
            "inspect",
            page(
                &figures::inspect::pages(&inspections, &made()),
                option_names::typed,
            ),
        ),
    ]
}

/// All that stands between two marks.
fn between<'a>(text: &'a str, from: &str, to: &str) -> Vec<&'a str> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(start) = rest.find(from) {
        let tail = &rest[start + from.len()..];
        let end = tail.find(to).unwrap();
        found.push(&tail[..end]);
        rest = &tail[end..];
    }
    found
}

#[test]
fn nothing_is_loaded_from_outside() {
    for (name, html) in all() {
        assert!(html.starts_with(PAGE_BEGINNING), "{name}");
        let html = html.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for mark in [
            "://", "src=", "href=", "@import", "<link", "<iframe", "<img",
        ] {
            assert!(!html.contains(mark), "{name}: {mark}");
        }
        for target in between(&html, "url(", ")") {
            assert!(target.starts_with("#picture-"), "{name}: {target}");
        }
    }
}

#[test]
fn names_within_a_page_are_its_own_and_lead_somewhere() {
    for (name, html) in all() {
        let ids = between(&html, " id=\"", "\"");
        let different: BTreeSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), different.len(), "{name}");
        let mut references = between(&html, "url(#", ")");
        for labelled in between(&html, "aria-labelledby=\"", "\"") {
            references.extend(labelled.split(' '));
        }
        assert!(references.len() >= 2, "{name}");
        for reference in references {
            assert!(different.contains(reference), "{name}: {reference}");
        }
    }
}

#[test]
fn every_picture_is_xml_with_a_title_a_description_and_its_numbers() {
    for (name, html) in all() {
        let pictures = between(&html, "<figure>", "</figure>");
        assert!(!pictures.is_empty(), "{name}");
        for picture in pictures {
            let svg = between(picture, "<svg", "</svg>");
            check_xml(&format!("<svg{}</svg>", svg[0]));
            assert!(svg[0].contains("<title ") && svg[0].contains("<desc "));
            let tables = between(picture, "<table>", "</table>");
            let panels = svg[0].matches("data-per-db=").count();
            assert!(tables.len() >= panels && panels > 0, "{name}");
        }
    }
}

#[test]
fn a_picture_by_itself_names_program_unit_target_and_files_in_short() {
    let file = |name: &str, digit: &str| Input {
        name: format!("takes/{name}"),
        sha256: digit.repeat(64),
    };
    let note = |inputs: Vec<Input>| {
        let made = Made {
            command: String::new(),
            inputs,
        };
        figures::made::note(&made, "Wren toward flat").replace('\u{A0}', " ")
    };
    let program = concat!("Made by bandwright ", env!("CARGO_PKG_VERSION"));
    assert_eq!(note(Vec::new()), format!("{program}: Wren toward flat."));
    let two = vec![file("left.csv", "a"), file("r\u{e9}.csv", "b")];
    assert_eq!(
        note(two),
        format!(
            "{program}: Wren toward flat. Read, each with the first digits of its SHA-256: left.csv aaaaaaaa, r?.csv bbbbbbbb."
        )
    );
    let many = |last: &str| {
        let names = ["1", "2", "3", "4", "5", "6", "7", "8"].map(|name| file(name, name));
        note(names.into_iter().chain([file("9", last)]).collect())
    };
    assert!(many("9").contains("5 55555555, 4 more "), "{}", many("9"));
    // The digest of the others depends on each of them.
    assert_ne!(many("9"), many("8"));
    let svg = fit_picture(&outcomes::flat(), &outcomes::grid())
        .noted(many("9"))
        .to_svg();
    check_xml(&svg);
    assert!(svg.contains(&format!("{program}: Wren")));
}

#[test]
fn the_numbers_of_a_picture_are_those_of_its_curves() {
    let outcome = outcomes::realistic();
    let html = fit_page(&outcome);
    let figure = between(&html, "<figure>", "</figure>")[0];
    let table = between(figure, "<table>", "</table>")[0];
    let rows = between(table, "<tr>", "</tr>");
    let cells = |row: &str| -> Vec<String> {
        between(row, "<td", "</td>")
            .iter()
            .map(|cell| cell.split_once('>').unwrap().1.replace('\u{2212}', "-"))
            .collect()
    };
    let row = rows
        .iter()
        .find(|row| cells(row).first().is_some_and(|cell| cell == "1 kHz"));
    let row = cells(row.unwrap());
    let curves = &outcome.channels[0].curves;
    let grid = outcomes::grid();
    let nearest = (0..grid.len())
        .min_by(|a, b| {
            (grid[*a] - 1000.0)
                .abs()
                .total_cmp(&(grid[*b] - 1000.0).abs())
        })
        .unwrap();
    for (cell, curve) in [
        (1, &curves.measured_db),
        (2, &curves.equalised_db),
        (3, &curves.target_db),
    ] {
        let shown: f64 = row[cell].parse().unwrap();
        assert!(
            (shown - curve[nearest]).abs() < 0.2,
            "{row:?} {}",
            curve[nearest]
        );
    }
}

#[test]
fn strange_names_are_whole_and_harmless() {
    let long = format!(
        "{}<script>alert(\"1\")</script> & 'x' \u{5d0}\u{5d1}\u{5d2}",
        "n".repeat(200)
    );
    let mut outcome = outcomes::realistic();
    outcome.shared.unit.clone_from(&long);
    outcome.shared.target = "</title><b>".to_owned();
    let mut made = made();
    made.command = "bandwright fit '</dd><i>.csv'".to_owned();
    let html = page(
        &[figures::fit::page(&outcome, &[], &made)],
        option_names::typed,
    );
    // The page's own script is the only one.
    assert_eq!(html.matches("<script>").count(), 1);
    assert!(!html.contains("<b>") && !html.contains("<i>"));
    let whole = format!(
        "{}&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt; &amp; 'x' \u{5d0}\u{5d1}\u{5d2}",
        "n".repeat(200)
    );
    let heading = between(&html, "<h1 dir=\"auto\">", "</h1>")[0];
    assert_eq!(heading, format!("{whole} toward &lt;/title&gt;&lt;b&gt;"));
    assert!(between(&html, "<pre", "</pre>")[0].contains(&whole));
    assert!(html.contains("&lt;/dd&gt;&lt;i&gt;.csv"));
}

#[test]
fn a_page_is_the_same_twice_and_small_for_sixteen_takes() {
    let mut unit = units::opened("dunlin");
    let more: Vec<_> = unit.takes.iter().take(6).cloned().collect();
    for (number, mut take) in more.into_iter().enumerate() {
        take.take.name = format!("again-{number}.txt");
        // Not copies: those are set aside at once.
        for (i, db) in take.take.on_grid.level_db.iter_mut().enumerate() {
            *db += 0.02 * ((i * (number + 3)) as f64).sin();
        }
        unit.takes.push(take);
    }
    assert_eq!(unit.takes.len(), 16);
    let inspection = inspect(&unit, &Settings::default()).unwrap();
    let html = || {
        let pages = figures::inspect::pages(std::slice::from_ref(&inspection), &made());
        page(&pages, option_names::typed)
    };
    assert_eq!(html(), html());
    assert!(html().len() < 400_000, "{} bytes", html().len());
}

#[test]
fn a_card_has_a_line_for_each_section_with_the_q_that_is_typed() {
    let mut outcome = outcomes::realistic();
    let channel = &mut outcome.channels[0];
    channel.typed_q[0] = Some(TypedQ {
        q: 0.7321,
        meaning: QMeaning::BandwidthOctaves,
    });
    let first = channel.sections[0];
    let sections = channel.sections.len();
    let lines = text(&[card::report(&outcome)], option_names::typed);
    let lines: Vec<&str> = lines.lines().collect();
    assert_eq!(lines.len(), sections + 2);
    assert_eq!(
        lines[0],
        format!("{} toward {}", outcome.shared.unit, outcome.shared.target)
    );
    let words: Vec<&str> = lines[1].split_whitespace().collect();
    assert_eq!(words[0], first.shape.name());
    assert_eq!(words[1].parse::<f64>().unwrap(), first.f0_hz);
    assert_eq!(words[3].parse::<f64>().unwrap(), first.gain_db);
    assert_eq!(&words[5..], ["q", "0.7321"]);
    assert_eq!(
        Shape::ALL.len(),
        3,
        "a new shape needs a name that fits the card"
    );
    let last = lines[sections + 1];
    let gain: f64 = between(last, "Gain before them: ", " dB.")[0]
        .parse()
        .unwrap();
    assert_eq!(gain, outcome.shared.headroom.preamp_db);
    // A card of few lines stays narrow enough for a postcard.
    assert!(lines[1..].iter().all(|line| line.len() <= 48), "{lines:?}");
}
