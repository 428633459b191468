//! What an EQ costs as one record: in words, as a document, and what it says where inputs are missing.

use crate::support::{printed, units};

use bandwright::cost::drive::WishedLevel;
use bandwright::cost::exposure::{AllowedTime, Field, FieldTable};
use bandwright::cost::heard::Heard;
use bandwright::cost::programme::{Programme, ProgrammeLevel};
use bandwright::cost::source::{Source, parse_source};
use bandwright::cost::{Cost, CostRequest, cost};
use bandwright::filter::{Section, Shape};
use bandwright::measurement::distorted::{DistortionCurve, read_distortion};
use bandwright::measurement::impedance::{ImpedanceByFrequency, read_impedance};
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::Side;
use bandwright::measurement::unit_file::{
    DistortionEntry, FileEntry, Impedance, Sensitivity, UnitEntry,
};
use bandwright::report::blocks::Report;
use bandwright::report::figures;
use bandwright::report::text::WIDTH;
use proptest::prelude::*;
use serde_json::Value;

/// A unit of the demo with an invented amplifier, impedance curve and distortion.
struct Bench {
    entry: UnitEntry,
    response: bandwright::measurement::OnGrid,
    sections: Vec<Section>,
    impedance: Option<ImpedanceByFrequency>,
    source: Option<Source>,
    distortion: Vec<DistortionCurve>,
    sensitivity: Option<Sensitivity>,
    wished: Option<WishedLevel>,
    programme: Programme,
}

impl Bench {
    fn new() -> Self {
        let unit = units::opened("fieldfare-wool");
        let (entry, _) = unit.entry.clone().unwrap();
        let source = "format = 1\nname = \"pocket amplifier\"\nmax_voltage_v = 1.0\noutput_ohm = 5\nfull_scale_v = 0.25\n";
        let impedance = "frequency_hz,ohm\n20,18\n500,18\n1000,18\n3000,30\n8000,22\n20000,40\n";
        let distorted = |percent: f64, level_db_spl| {
            let text = format!("Hz,THD (%)\n20,{percent}\n1000,0.05\n20000,0.05\n");
            let entry = DistortionEntry {
                file: FileEntry {
                    file: "d.csv".to_owned(),
                    line: 1,
                    key: String::new(),
                },
                level_db_spl,
                side: Side::Left,
            };
            read_distortion(text.as_bytes(), "d.csv", &entry).unwrap()
        };
        Self {
            sensitivity: entry.sensitivity,
            entry,
            response: unit.takes[0].take.on_grid.clone(),
            sections: vec![
                Section {
                    shape: Shape::LowShelf,
                    f0_hz: 90.0,
                    gain_db: 4.0,
                    q: 0.6,
                },
                Section {
                    shape: Shape::Peaking,
                    f0_hz: 3000.0,
                    gain_db: -3.0,
                    q: 1.5,
                },
            ],
            impedance: Some(read_impedance(impedance.as_bytes(), "z.csv").unwrap()),
            source: Some(parse_source(source.as_bytes(), "p.source.toml").unwrap()),
            distortion: vec![distorted(0.4, 94.0), distorted(1.2, 104.0)],
            wished: Some(WishedLevel {
                level_db: 85.0,
                a_weighted: true,
            }),
            programme: Programme::pink(),
        }
    }

    fn cost(&self) -> Cost {
        cost(&self.request()).unwrap()
    }

    /// The same as it is heard through the unit.
    fn heard_cost(&self) -> Cost {
        let heard = Heard::new(&self.response, &Rig::default(), &self.programme, 48_000.0).unwrap();
        let heard = heard.change(&[&self.sections], 48_000.0, -4.1);
        let request = CostRequest {
            heard: Some(heard),
            ..self.request()
        };
        cost(&request).unwrap()
    }

    fn request(&self) -> CostRequest<'_> {
        CostRequest {
            heard: None,
            sections: &self.sections,
            rate_hz: 48_000.0,
            preamp_db: -4.1,
            programme: &self.programme,
            level: ProgrammeLevel::usual(),
            response: &self.response,
            sensitivity: self.sensitivity,
            impedance: self.impedance.as_ref(),
            source: self.source.as_ref(),
            wished: self.wished,
            field: Field::Diffuse,
            table: FieldTable::Iso532_2,
            distortion: &self.distortion,
            side: None,
            listening_db_spl: None,
        }
    }
}

fn cost_text(cost: &Cost) -> String {
    let mut report = Report::new("");
    report.parts.push(figures::cost::part(cost, None));
    printed(report)
}

/// One line, as a search for words needs it.
fn unwrapped(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn with_all_inputs_everything_is_told() {
    let bench = Bench::new();
    assert!(matches!(bench.entry.impedance, Some(Impedance::File(_))));
    let cost = bench.cost();
    assert!((-3.0..4.0).contains(&cost.loudness.sections_lu));
    let drive = cost.drive.known().unwrap();
    // 108.5 dB SPL at 1 mW into 18 ohm.
    assert!((drive.sensitivity_db_per_v - 125.947).abs() < 1e-3);
    assert!(drive.source_margin_db.unwrap() > 10.0);
    assert!(cost.output_bend.known().unwrap().range_db > 0.5);
    let in_use = cost.exposure.known().unwrap();
    let wished = cost.exposure_as_wished.known().unwrap();
    assert!((wished.eardrum_dba - 85.0).abs() < 1e-9);
    let turn_up_db = drive.wished.unwrap().turn_up_db;
    assert!((in_use.eardrum_dba + turn_up_db - 85.0).abs() < 1e-9);
    assert!((in_use.eardrum_dba - drive.after.level_dba).abs() < 1e-9);
    let distortion = cost.distortion.known().unwrap();
    assert_eq!(distortion.turn_up_db, -cost.loudness.sections_lu);
    assert!(!distortion.sides[0].points.is_empty());

    let text = cost_text(&cost);
    let words = unwrapped(&text);
    for part in [
        "What it costs",
        "LU quieter than without EQ",
        "To compare, turn down by",
        "ITU-R BS.1770",
        "\"pocket amplifier\"",
        "mA rms",
        "dB left",
        "Wished: for 85 dBA at the eardrum",
        "bends the response by",
        "Caution: These times are estimates",
        "Local rules and a hearing professional come first",
        "Hearing in use as loud wished",
        "in a diffuse field (dBA), by ISO 532-2",
        "in a diffuse field (dBA), by ITU-T P.58",
        "As loud: turned up to sound as loud as without EQ",
        "adults, WHO-ITU H.870",
        "children, WHO-ITU H.870",
        "NIOSH 1998",
        "Distortion: left side",
    ] {
        assert!(words.contains(part), "{part}\n{text}");
    }
    assert!(!words.contains("Not told"), "{text}");
    assert!(text.find("Caution").unwrap() < text.find("Hearing").unwrap());
    let as_loud = cost.exposure_as_loud.known().unwrap();
    let louder_db = as_loud.eardrum_dba - in_use.eardrum_dba;
    assert!((louder_db + cost.loudness.total_lu).abs() < 1e-9);
    for line in text.lines() {
        assert!(line.chars().count() <= WIDTH, "{line}");
    }
}

#[test]
fn what_is_missing_is_named_once_and_loudness_is_always_told() {
    let mut bench = Bench::new();
    bench.sensitivity = None;
    bench.impedance = None;
    bench.source = None;
    bench.distortion.clear();
    bench.wished = None;
    let cost = bench.cost();
    assert!(cost.drive.known().is_none() && cost.exposure.known().is_none());
    let words = unwrapped(&cost_text(&cost));
    assert!(words.contains("Loudness:"), "{words}");
    assert!(
        words.contains("Not told: level and drive (no unit file gives a sensitivity)"),
        "{words}"
    );
    assert!(
        words.contains("distortion (no unit file gives a [[distortion]])"),
        "{words}"
    );
    assert!(!words.contains("H.870"), "{words}");
}

#[test]
fn without_a_source_the_hearing_is_told_at_the_wished_level_only() {
    let mut bench = Bench::new();
    bench.source = None;
    let cost = bench.cost();
    assert!(cost.exposure.missing().unwrap().contains("source"));
    assert!((cost.exposure_as_wished.known().unwrap().eardrum_dba - 85.0).abs() < 1e-9);
    let words = unwrapped(&cost_text(&cost));
    assert!(words.contains("no source is known"), "{words}");
    assert!(words.contains("Hearing wished at the eardrum"), "{words}");
    assert!(!words.contains("in use"), "{words}");
    assert!(cost.exposure_as_loud.missing().unwrap().contains("source"));
}

#[test]
fn what_is_heard_through_the_unit_decides_how_far_one_turns_up() {
    let bench = Bench::new();
    let (as_signal, heard) = (bench.cost(), bench.heard_cost());
    let change = heard.heard.unwrap();
    assert_eq!(heard.loudness, as_signal.loudness);
    assert!((change.total_db - heard.loudness.total_lu).abs() > 0.2);
    assert_eq!(heard.as_loud_db(), -change.total_db);
    assert_eq!(as_signal.as_loud_db(), -as_signal.loudness.total_lu);
    // Turned up by that, it stands as high in the field as without EQ, which the change as a signal misses.
    let at_db = |cost: &Cost| cost.exposure_as_loud.known().unwrap().field_dba;
    let apart = heard.as_loud_db() - as_signal.as_loud_db();
    assert!((at_db(&heard) - at_db(&as_signal) - apart).abs() < 1e-9);
    let most_up_db = |cost: &Cost| cost.distortion.known().unwrap().turn_up_db;
    assert!((most_up_db(&heard) + change.sections_db).abs() < 1e-12);
    assert!(
        cost_text(&heard).contains("A-weighted, through this unit; as a signal, by ITU-R BS.1770")
    );
}

#[test]
fn with_an_eq_for_each_side_loudness_is_that_of_both_and_distortion_that_of_its_own() {
    let mut bench = Bench::new();
    let other = vec![Section {
        shape: Shape::LowShelf,
        f0_hz: 90.0,
        gain_db: 9.0,
        q: 0.6,
    }];
    let (left, right) = (bench.sections.clone(), other);
    let of = |bench: &Bench, side, others: &[Section]| {
        cost(&CostRequest {
            side: Some((side, others)),
            ..bench.request()
        })
        .unwrap()
    };
    let of_left = of(&bench, Side::Left, &right);
    let alone = bench.cost();
    bench.sections.clone_from(&right);
    let of_right = of(&bench, Side::Right, &left);
    assert!((of_left.loudness.total_lu - of_right.loudness.total_lu).abs() < 1e-12);
    assert!(of_left.loudness.total_lu > alone.loudness.total_lu + 0.1);
    // Level and drive are each side's own.
    assert_eq!(
        of_left.drive.known().unwrap().after,
        alone.drive.known().unwrap().after
    );
    assert_ne!(of_left.drive, of_right.drive);
    // The bench measured the left side's distortion.
    assert!(of_left.distortion.known().is_some());
    assert_eq!(
        of_right.distortion.missing(),
        Some("no unit file gives a [[distortion]] of the right side")
    );
}

#[test]
fn quiet_listening_is_never_said_to_be_safe_without_end() {
    let mut bench = Bench::new();
    bench.wished = Some(WishedLevel {
        level_db: 60.0,
        a_weighted: true,
    });
    bench.source = None;
    let cost = bench.cost();
    let exposure = cost.exposure_as_wished.known().unwrap();
    assert_eq!(exposure.adults_per_week, AllowedTime::NotLimited);
    let text = cost_text(&cost);
    let words = unwrapped(&text);
    let no_limit = |line: &&str| line.ends_with("no limit");
    assert_eq!(text.lines().filter(no_limit).count(), 5, "{text}");
    assert!(words.contains("No limit: the rule sets none within the day or the week"));
    assert!(words.contains("that does not mean harmless"), "{text}");
    assert!(!words.contains(" h ") && !words.contains(" min "), "{text}");
}

#[test]
fn the_document_has_all_its_fields_and_the_same_figures() {
    let cost = Bench::new().cost();
    let value = serde_json::to_value(&cost).unwrap();
    for name in [
        "drive",
        "output_bend",
        "exposure",
        "exposure_as_loud",
        "exposure_as_wished",
        "distortion",
    ] {
        assert!(value[name]["figures"].is_object(), "{name}");
        assert_eq!(value[name]["missing"], Value::Null);
    }
    let time = &value["exposure_as_wished"]["figures"]["adults_per_week"];
    let hours = time["hours"].as_f64().unwrap();
    let AllowedTime::Hours(exact) = cost.exposure_as_wished.known().unwrap().adults_per_week else {
        panic!("{time}")
    };
    assert!(hours <= exact && hours > exact - 1e-3);
    assert_eq!(time["kind"], "hours");
    assert_eq!(value["exposure"]["figures"]["table"], "iso-532-2");
    assert_eq!(
        value["exposure"]["figures"]["cautions"]
            .as_array()
            .unwrap()
            .len(),
        3
    );
    let mut without = Bench::new();
    without.sensitivity = None;
    let value = serde_json::to_value(without.cost()).unwrap();
    assert_eq!(value["drive"]["figures"], Value::Null);
    assert_eq!(
        value["drive"]["missing"],
        "no unit file gives a sensitivity"
    );
}

/// Places of `null` in a document.
fn nulls(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Null => found.push(path.to_owned()),
        Value::Array(items) => items.iter().for_each(|item| nulls(item, path, found)),
        Value::Object(fields) => fields
            .iter()
            .for_each(|(key, value)| nulls(value, &format!("{path}.{key}"), found)),
        _ => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_figure_is_a_number_whatever_the_sections(
        sections in prop::collection::vec(
            (0..3usize, 20.0..20_000.0f64, -30.0..30.0f64, 0.1..40.0f64)
                .prop_map(|(shape, f0_hz, gain_db, q)| Section { shape: Shape::ALL[shape], f0_hz, gain_db, q }),
            0..10,
        ),
        level_db in 20.0..150.0f64,
    ) {
        let mut bench = Bench::new();
        bench.sections = sections;
        bench.wished = Some(WishedLevel { level_db, a_weighted: false });
        let cost = bench.heard_cost();
        let mut found = Vec::new();
        nulls(&serde_json::to_value(&cost).unwrap(), "", &mut found);
        // These are null where nothing is missing, no limit is given, and a value is an interpolation.
        found.retain(|path| !["missing", "hours", "outside"].iter().any(|end| path.ends_with(end)));
        prop_assert_eq!(found, Vec::<String>::new());
        let text = cost_text(&cost);
        prop_assert!(!text.contains("unknown") && !text.contains("NaN") && !text.contains("inf"));
        for line in text.lines() {
            prop_assert!(line.chars().count() <= WIDTH);
        }
    }
}
