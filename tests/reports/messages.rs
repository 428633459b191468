//! How messages show texts and numbers that come from outside.

use bandwright::message::{Number, excerpt, one_line, printable};
use bandwright::report::words;
use proptest::prelude::*;

#[test]
fn a_long_text_is_cut_to_eighty_characters() {
    assert_eq!(excerpt(&"k".repeat(80)), "k".repeat(80));
    assert_eq!(excerpt(&"k".repeat(81)), format!("{}…", "k".repeat(80)));
    let cut = excerpt(&"é".repeat(1000));
    assert_eq!(cut.chars().count(), 81);
}

#[test]
fn numbers_beyond_a_million_to_either_side_have_an_exponent() {
    for (number, words) in [
        (0.0, "0"),
        (-0.0, "0"),
        (3.5, "3.5"),
        (-0.000_001, "-0.000001"),
        (0.000_000_9, "9e-7"),
        (999_999_999.0, "999999999"),
        (1e9, "1e9"),
        (-1e300, "-1e300"),
        (1e-300, "1e-300"),
        (f64::INFINITY, "inf"),
        (f64::NAN, "NaN"),
    ] {
        assert_eq!(Number(number).to_string(), words);
    }
    assert_eq!(format!("{:+}", Number(2.5)), "+2.5");
    assert_eq!(format!("{:+}", Number(-2.5)), "-2.5");
    assert_eq!(format!("{:.2}", Number(2.346)), "2.35");
    assert_eq!(format!("{:+.2}", Number(1e300)), "+1.00e300");
    assert_eq!(words::typed(1e300), "1e300");
    assert_eq!(words::decimals(-1e12, 1), "-1.0e12");
    assert_eq!(words::decimals_up_to(1e9, 3), "1e9");
}

proptest! {
    #[test]
    fn every_number_is_short_and_reads_back_as_itself(bits in any::<u64>()) {
        let number = f64::from_bits(bits);
        let words = Number(number).to_string();
        prop_assert!(words.len() <= 30, "{}", words);
        if number.is_finite() {
            prop_assert_eq!(words.parse::<f64>().unwrap(), number);
        }
        for decimals in 0..7 {
            prop_assert!(words::decimals(number, decimals).len() <= 30);
            prop_assert!(words::decimals_up_to(number, decimals).len() <= 30);
        }
        prop_assert!(words::typed(number).len() <= 30);
    }

    #[test]
    fn no_excerpt_steers_a_terminal(text in any::<String>()) {
        let shown = excerpt(&text);
        prop_assert!(!shown.chars().any(char::is_control));
        prop_assert!(shown.chars().count() <= 81);
        prop_assert_eq!(printable(&shown), shown);
    }
}

#[test]
fn what_becomes_a_comment_is_one_line_of_text() {
    assert_eq!(
        one_line("  a\tname\r\nwith \u{0} all\u{85}of it "),
        "a name with all of it"
    );
    assert_eq!(one_line("\n \u{7}"), "");
}
