#[path = "support/outcomes.rs"]
mod outcomes;

use bandwright::report::fit_plot;

/// Writes the pictures into cargo's folder for test files.
#[test]
#[ignore = "for looking at the pictures: writes files and asserts nothing"]
fn pictures_to_look_at() {
    for (name, outcome) in [
        ("realistic", outcomes::realistic()),
        ("flat", outcomes::flat()),
        ("wild", outcomes::wild()),
    ] {
        let path = format!("{}/fit-{name}.svg", env!("CARGO_TARGET_TMPDIR"));
        std::fs::write(path, fit_plot(&outcome, &outcomes::grid())).unwrap();
        println!(
            "{}",
            bandwright::report::fit_text(&outcome, &outcomes::written())
        );
    }
}
