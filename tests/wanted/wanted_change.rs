//! Contours, recipes, and the wanted change.

use crate::support::hang::ends;
use bandwright::error::value::{NameOf, OutOfRange, Quantity, ValueFault};
use bandwright::error::{Error, ErrorKind, Knob, Source};
use bandwright::filter::{Section, Shape, biquad::Biquad};
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::wanted::recipe::parse_recipe;
use bandwright::wanted::{Contour, ContourEntry, Target, wanted_change};
use proptest::prelude::*;

const RATE_HZ: f64 = 48_000.0;

fn flat(level: f64) -> OnGrid {
    OnGrid {
        level_db: vec![level; POINTS],
        support: 0..POINTS,
    }
}

/// Level of a digital filter from its coefficients, the long way.
fn from_coefficients(section: &Section, rate_hz: f64, f_hz: f64) -> f64 {
    let c = Biquad::new(section, rate_hz).unwrap();
    let w = 2.0 * std::f64::consts::PI * f_hz / rate_hz;
    let power = |b: [f64; 3]| {
        let re = b[0] + b[1] * w.cos() + b[2] * (2.0 * w).cos();
        let im = b[1] * w.sin() + b[2] * (2.0 * w).sin();
        re * re + im * im
    };
    10.0 * (power([c.b0, c.b1, c.b2]) / power([1.0, c.a1, c.a2])).log10()
}

#[test]
fn a_contour_is_exactly_what_an_equaliser_with_that_section_plays() {
    let text = "shape=peaking,f0_hz=3000,gain_db=-2.5,q=1.2";
    let section = Section {
        shape: Shape::Peaking,
        f0_hz: 3000.0,
        gain_db: -2.5,
        q: 1.2,
    };
    let contour = Contour::parse(text).unwrap();
    assert_eq!(contour, Contour::Section(section));
    for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        for f_hz in [50.0, 1000.0, 3000.0, 9000.0, 19_000.0] {
            let played = from_coefficients(&section, rate_hz, f_hz);
            assert!((contour.level_db(rate_hz, f_hz) - played).abs() < 1e-9);
        }
    }
}

#[test]
fn bass_treble_and_slope_are_the_stated_ones() {
    let shelf = |shape, f0_hz, gain_db, q| {
        Contour::Section(Section {
            shape,
            f0_hz,
            gain_db,
            q,
        })
    };
    assert_eq!(
        Contour::bass(3.0).unwrap(),
        shelf(Shape::LowShelf, 90.0, 3.0, 0.6)
    );
    assert_eq!(
        Contour::treble(-2.0).unwrap(),
        shelf(Shape::HighShelf, 6000.0, -2.0, 0.5)
    );
    // A shelf has half its gain at f0.
    assert!((Contour::bass(3.0).unwrap().level_db(RATE_HZ, 90.0) - 1.5).abs() < 1e-9);
    let slope = Contour::slope(-0.5).unwrap();
    for (f_hz, db) in [
        (1000.0, 0.0),
        (2000.0, -0.5),
        (500.0, 0.5),
        (16_000.0, -2.0),
    ] {
        assert!((slope.level_db(RATE_HZ, f_hz) - db).abs() < 1e-12);
    }
    let pivot = Contour::parse("shape = slope, db_per_octave = 1, pivot_hz = 500").unwrap();
    assert!((pivot.level_db(RATE_HZ, 2000.0) - 2.0).abs() < 1e-12);
}

#[test]
fn a_contour_stays_finite_where_a_rate_cannot_have_it() {
    let contour = Contour::parse("shape=high-shelf,f0_hz=23000,gain_db=6,q=0.7").unwrap();
    for rate_hz in [8000.0, 32_000.0, 44_100.0, 46_000.0] {
        for f_hz in frequency_hz() {
            assert!((-1e-9..6.5).contains(&contour.level_db(rate_hz, *f_hz)));
        }
    }
}

#[test]
fn contours_out_of_range_or_misspelt_are_refused_by_key() {
    for (text, kind, key, says) in [
        ("", ErrorKind::Setting, None, "shape=peaking"),
        ("peaking", ErrorKind::Setting, None, "shape=peaking"),
        (
            "f0_hz=3,gain_db=1,q=1",
            ErrorKind::Format,
            Some("shape"),
            "`shape`",
        ),
        (
            "shape=peeking,f0_hz=300,gain_db=1,q=1",
            ErrorKind::Name,
            Some("shape"),
            "did you mean `peaking`?",
        ),
        (
            "shape=peaking,f0=300,gain_db=1,q=1",
            ErrorKind::Name,
            Some("f0"),
            "did you mean `f0_hz`?",
        ),
        (
            "shape=slope,gain_db=3",
            ErrorKind::Name,
            Some("gain_db"),
            "db_per_octave",
        ),
        (
            "shape=peaking,gain_db=1,q=1",
            ErrorKind::Format,
            Some("f0_hz"),
            "`f0_hz`",
        ),
        (
            "shape=peaking,f0_hz=0.5,gain_db=1,q=1",
            ErrorKind::Setting,
            Some("f0_hz"),
            "from 1 to 24000",
        ),
        (
            "shape=peaking,f0_hz=24001,gain_db=1,q=1",
            ErrorKind::Setting,
            Some("f0_hz"),
            "24001",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=61,q=1",
            ErrorKind::Setting,
            Some("gain_db"),
            "from -60 to 60",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=NaN,q=1",
            ErrorKind::Number,
            Some("gain_db"),
            "nan",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=1,q=inf",
            ErrorKind::Number,
            Some("q"),
            "inf",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=1,q=0",
            ErrorKind::Setting,
            Some("q"),
            "from 0.01 to 100",
        ),
        (
            "shape=slope,db_per_octave=-25",
            ErrorKind::Setting,
            Some("db_per_octave"),
            "from -24 to 24",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=much,q=1",
            ErrorKind::Number,
            Some("gain_db"),
            "\"much\"",
        ),
        (
            "shape=peaking,f0_hz=300,gain_db=1,5,q=1",
            ErrorKind::Setting,
            None,
            "decimal points",
        ),
        (
            "shape=peaking,f0_hz=300,f0_hz=400,gain_db=1,q=1",
            ErrorKind::Setting,
            Some("f0_hz"),
            "twice",
        ),
        (
            "shape=3",
            ErrorKind::Format,
            Some("shape"),
            "a text in quotes",
        ),
    ] {
        let error = Contour::parse(text).unwrap_err();
        assert_eq!(
            (error.kind, error.place.key.as_deref()),
            (kind, key),
            "{text}: {error}"
        );
        assert!(error.to_string().contains(says), "{text}: {error}");
    }
    for bad in [60.5, -61.0, f64::NAN, f64::INFINITY] {
        assert_eq!(Contour::bass(bad).unwrap_err().kind, ErrorKind::Setting);
        assert_eq!(Contour::treble(bad).unwrap_err().kind, ErrorKind::Setting);
        assert_eq!(Contour::slope(bad).unwrap_err().kind, ErrorKind::Setting);
    }
}

const RECIPE: &str = "\
# a comment
format = 1
name = \"more bass\"
source = \"our own choice\"
base = \"diffuse-field\"

[[contour]]
shape = \"low-shelf\"
f0_hz = 90
gain_db = 3.5
q = 0.6

[[contour]]
shape = \"slope\"
db_per_octave = -0.4
";

fn recipe_error(text: &str) -> Error {
    *parse_recipe(text.as_bytes(), "my.target.toml").unwrap_err()
}

#[test]
fn a_recipe_is_read_whole() {
    let recipe = parse_recipe(RECIPE.as_bytes(), "my.target.toml").unwrap();
    assert_eq!(
        (recipe.name.as_str(), recipe.source.as_str()),
        ("more bass", "our own choice")
    );
    assert_eq!(
        (recipe.base.name.as_str(), recipe.base.lines),
        ("diffuse-field", [Some(5), None, None])
    );
    let shelf = Section {
        shape: Shape::LowShelf,
        f0_hz: 90.0,
        gain_db: 3.5,
        q: 0.6,
    };
    assert_eq!(
        recipe.contours,
        [Contour::Section(shelf), Contour::slope(-0.4).unwrap()].map(ContourEntry::Contour)
    );
    let windows = format!("\u{feff}{}", RECIPE.replace('\n', "\r\n"));
    assert_eq!(
        parse_recipe(windows.as_bytes(), "my.target.toml")
            .unwrap()
            .contours,
        recipe.contours
    );
    let least = parse_recipe(b"source = \"x\"\nbase = \"flat\"", "dir/my.target.toml").unwrap();
    assert_eq!(
        (
            least.name.as_str(),
            least.base.name.as_str(),
            least.contours.len()
        ),
        ("my", "flat", 0)
    );
}

#[test]
fn a_recipe_is_refused_by_line_and_key() {
    for (from, to, kind, line, key, says) in [
        (
            "gain_db = 3.5",
            "gain = 3.5",
            ErrorKind::Name,
            10,
            Some("contour.gain"),
            "`gain_db`",
        ),
        (
            "gain_db = 3.5",
            "gain_db = 99",
            ErrorKind::Setting,
            10,
            Some("contour.gain_db"),
            "from -60 to 60",
        ),
        (
            "gain_db = 3.5",
            "gain_db = \"3.5\"",
            ErrorKind::Number,
            10,
            Some("contour.gain_db"),
            "a decimal number",
        ),
        (
            "gain_db = 3.5",
            "gain_db = nan",
            ErrorKind::Number,
            10,
            Some("contour.gain_db"),
            "nan",
        ),
        (
            "gain_db = 3.5",
            "gain_db = [3]",
            ErrorKind::Number,
            10,
            Some("contour.gain_db"),
            "array",
        ),
        (
            "gain_db = 3.5",
            "gain_db = 3,5",
            ErrorKind::Format,
            10,
            None,
            "a decimal point, not a comma",
        ),
        (
            "gain_db = 3.5\n",
            "",
            ErrorKind::Format,
            7,
            Some("contour.gain_db"),
            "`gain_db`",
        ),
        (
            "\"low-shelf\"",
            "\"lowshelf\"",
            ErrorKind::Name,
            8,
            Some("contour.shape"),
            "`low-shelf`",
        ),
        (
            "base =",
            "bass =",
            ErrorKind::Name,
            5,
            Some("bass"),
            "`base`",
        ),
        (
            "base = \"diffuse-field\"\n",
            "",
            ErrorKind::Format,
            1,
            Some("base"),
            "`base`",
        ),
        (
            "source = \"our own choice\"\n",
            "",
            ErrorKind::Format,
            1,
            Some("source"),
            "`source`",
        ),
        (
            "name = \"more bass\"",
            "name = 7",
            ErrorKind::Format,
            3,
            Some("name"),
            "a text in quotes",
        ),
        (
            "format = 1",
            "format = 2",
            ErrorKind::Format,
            2,
            Some("format"),
            "format 1",
        ),
        (
            "[[contour]]\nshape = \"slope\"",
            "[[countour]]\nshape = \"slope\"",
            ErrorKind::Name,
            13,
            Some("countour"),
            "`contour`",
        ),
        (
            "base =",
            "contour = 3\nbase =",
            ErrorKind::Format,
            0,
            None,
            "",
        ),
    ] {
        let text = RECIPE.replacen(from, to, 1);
        assert_ne!(text, RECIPE);
        let error = recipe_error(&text);
        assert_eq!(error.kind, kind, "{to}: {error}");
        assert!(error.to_string().contains(says), "{to}: {error}");
        if line > 0 {
            assert_eq!(
                (error.place.line, error.place.key.as_deref()),
                (Some(line), key),
                "{to}: {error}"
            );
        }
    }
    assert_eq!(
        recipe_error("source=\"x\"\nbase=\"flat\"\ncontour = 3\n")
            .place
            .line,
        Some(3)
    );
    assert_eq!(
        recipe_error("source=\"x\"\nbase=\"flat\"\n[contour]\nshape=\"slope\"\n")
            .place
            .line,
        Some(3)
    );
    assert_eq!(recipe_error("").kind, ErrorKind::Format);
    assert_eq!(
        recipe_error(&"[[contour]]\n".repeat(1000)).kind,
        ErrorKind::Setting
    );
    let deep = format!("source = {}", "[".repeat(100_000));
    assert_eq!(recipe_error(&deep).kind, ErrorKind::Format);
}

proptest! {
    #[test]
    fn no_bytes_make_a_recipe_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = parse_recipe(&bytes, "x");
    }

    #[test]
    fn no_damaged_recipe_panics(at in 0..RECIPE.len(), with in "[\\[\\]\"=0-9.,\n a-z#]{0,6}", cut in 0usize..20) {
        let end = (at + cut).min(RECIPE.len());
        let text = format!("{}{with}{}", &RECIPE[..at], &RECIPE[end..]);
        let _ = parse_recipe(text.as_bytes(), "x");
        let _ = Contour::parse(&text);
    }
}

#[test]
fn the_wanted_change_is_target_minus_measured_where_both_are_known() {
    let mut measured = flat(4.0);
    measured.support = 100..400;
    let mut target = flat(1.5);
    target.support = 50..300;
    let wanted = wanted_change(&measured, &target).unwrap();
    assert_eq!(wanted.support, 100..300);
    for (i, change_db) in wanted.change_db.iter().enumerate() {
        assert_eq!(*change_db, if (100..300).contains(&i) { -2.5 } else { 0.0 });
    }
}

#[test]
fn too_little_in_common_is_refused_naming_both_ranges() {
    let mut measured = flat(0.0);
    measured.support = 0..200;
    let mut target = flat(0.0);
    for (support, low, high) in [
        (200..POINTS, "359 Hz", "19897 Hz"),
        (160..POINTS, "202 Hz", "19897 Hz"),
    ] {
        target.support = support;
        let error = wanted_change(&measured, &target).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Coverage);
        for part in [low, high, "20 Hz", "354 Hz"] {
            assert!(error.found().contains(part), "{error}");
        }
    }
}

#[test]
fn taste_alone_wants_exactly_its_contours_and_keeps_the_measured_range() {
    let level_db = frequency_hz().iter().map(|f| (f / 100.0).sin()).collect();
    let measured = OnGrid {
        level_db,
        support: 40..450,
    };
    let bass = Contour::bass(3.0).unwrap();
    let target = Target::relative_to(&measured, vec![bass.clone()]);
    assert!(
        target.name.contains("low-shelf +3 dB at 90 Hz"),
        "{}",
        target.name
    );
    let wanted = wanted_change(&measured, &target.level_on_grid(RATE_HZ)).unwrap();
    assert_eq!(wanted.support, measured.support);
    for i in wanted.support {
        assert!((wanted.change_db[i] - bass.level_db(RATE_HZ, frequency_hz()[i])).abs() < 1e-12);
    }
}

#[test]
fn a_misspelt_key_of_a_recipe_is_named_before_what_is_missing() {
    for (text, line, key, near) in [
        ("souce = \"x\"\nbase = \"flat\"\n", 1, "souce", "`source`"),
        (
            "base = \"flat\"\n[[contour]]\nshap = \"peaking\"\nf0_hz = 9\n",
            3,
            "contour.shap",
            "`shape`",
        ),
        (
            "base = \"flat\"\n[[contour]]\nshape = \"slope\"\n[[contour]]\nshape = \"peaking\"\nfo_hz = 9\n",
            6,
            "contour.fo_hz",
            "`f0_hz`",
        ),
        (
            "source = \"x\"\n[blend]\nwit = \"flat\"\n",
            3,
            "blend.wit",
            "`with`",
        ),
    ] {
        let error = recipe_error(text);
        assert_eq!(
            (error.kind, error.place.line, error.place.key.as_deref()),
            (ErrorKind::Name, Some(line), Some(key)),
            "{error}"
        );
        assert!(error.next_step().contains(near), "{error}");
    }
}

#[test]
fn a_long_recipe_is_read_and_its_bounds_are_said() {
    let start = "source = \"x\"\nbase = \"flat\"\n";
    let points = |count: usize| {
        let points: Vec<String> = (1..=count).map(|f| format!("[{f}, 1.25]")).collect();
        format!(
            "[[contour]]\nshape = \"table\"\npoints = [\n{}]\n",
            points.join(",\n")
        )
    };
    let timed =
        |what: &str, text: &str| ends(what, || parse_recipe(text.as_bytes(), "my.target.toml"));
    let full = format!("{start}{}", points(1000).repeat(100));
    assert_eq!(
        timed("all there may be", &full).unwrap().contours.len(),
        100
    );
    let comments = format!("{start}{}", "# a line\n".repeat(400_000));
    timed("comments", &comments).unwrap();
    for (text, bound) in [
        (format!("{start}{}", points(1001)), "at most 1000"),
        (format!("{start}{}", points(100_000)), "at most 1000"),
        (
            format!("{start}{}", "[[contour]]\n".repeat(300_000)),
            "at most 100",
        ),
        (format!("{start}{}", "# a line\n".repeat(600_000)), "4 MB"),
        (
            format!("{start}{} = 1\n", "k".repeat(3_000_000)),
            "an unknown key",
        ),
        (
            format!("{start}name = [{}]\n", "1, ".repeat(1_000_000)),
            "a text in quotes",
        ),
        (
            format!("{start}{}", "q = 1\n".repeat(300_000)),
            "each key once",
        ),
    ] {
        let error = timed(bound, &text).unwrap_err();
        let told = error.to_string();
        assert!(told.contains(bound) && told.len() < 500, "{told}");
    }
}

#[test]
fn a_contour_says_tiny_numbers_with_an_exponent() {
    let slope = Contour::Slope {
        db_per_octave: 1e-300,
        pivot_hz: 1000.0,
    };
    assert_eq!(
        slope.to_string(),
        "slope +1e-300 dB per octave about 1000 Hz"
    );
    let error = recipe_error(&RECIPE.replace("gain_db = 3.5", "gain_db = 1e300"));
    assert!(error.to_string().contains("found 1e300;"), "{error}");
}

#[test]
fn a_number_out_of_range_is_told_with_its_range() {
    let typed = Contour::bass(99.0).unwrap_err();
    let in_a_recipe = recipe_error(&RECIPE.replacen("gain_db = 3.5", "gain_db = 99", 1));
    for error in [&*typed, &in_a_recipe] {
        let told = OutOfRange {
            what: Quantity::Contour,
            found: 99.0,
            min: -60.0,
            max: 60.0,
        };
        assert_eq!(error.out_of_range(), Some(&told), "{error}");
    }
    // A setting is called what whoever prints calls it.
    assert_eq!(typed.place.source, Source::Knob(Knob::Bass));
    assert!(typed.to_string().starts_with("bass: gain_db: found 99;"));
    let printed = typed.worded(&|knob| format!("/{knob}")).to_string();
    assert!(
        printed.starts_with("/bass: gain_db: found 99;"),
        "{printed}"
    );
    let misspelt = recipe_error(&RECIPE.replacen("gain_db", "gian_db", 1));
    assert_eq!(misspelt.out_of_range(), None);
    let Some(ValueFault::Unknown(name)) = misspelt.fault() else {
        panic!("{misspelt}");
    };
    assert_eq!((name.what, name.near()), (NameOf::Key, Some("gain_db")));
}
