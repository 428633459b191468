//! Pictures as PNG.

use bandwright::error::ErrorKind;
use bandwright::report::PNG_END;
use bandwright::report::picture::fit::fit_picture;
use bandwright::report::picture::{Look, Picture, Theme};
use resvg::tiny_skia::Pixmap;

use crate::support::outcomes;

fn picture(unit: &str) -> Picture {
    let mut outcome = outcomes::realistic();
    outcome.shared.unit = unit.to_owned();
    fit_picture(&outcome, &outcomes::grid())
}

/// Share of the pixels that are much darker than the paper, in a part of a picture given in its own pixels.
fn inked(png: &[u8], (left, top, right, bottom): (u32, u32, u32, u32)) -> f64 {
    let pixels = Pixmap::decode_png(png).unwrap();
    let mut dark = 0;
    for y in 2 * top..2 * bottom {
        for x in 2 * left..2 * right {
            let pixel = pixels.pixel(x, y).unwrap();
            dark += usize::from(pixel.red() < 128 && pixel.alpha() == 255);
        }
    }
    dark as f64 / f64::from(4 * (right - left) * (bottom - top))
}

#[test]
fn a_png_is_twice_the_picture_with_its_words_in_it_and_the_same_each_time() {
    let picture = picture("Fieldfare");
    let png = picture.to_png(Look::default()).unwrap();
    let pixels = Pixmap::decode_png(&png).unwrap();
    assert_eq!(pixels.width(), 1920);
    assert_eq!(f64::from(pixels.height()), (2.0 * picture.height()).ceil());
    // Title, frequencies and notes are letters, which without a font would be missing.
    let bottom = picture.panels_bottom() as u32;
    for words in [
        (24, 20, 300, 50),
        (50, bottom + 6, 780, bottom + 20),
        (24, bottom + 56, 500, bottom + 72),
    ] {
        let share = inked(&png, words);
        assert!((0.01..0.5).contains(&share), "{words:?}: {share}");
    }
    assert_eq!(inked(&png, (24, 2, 900, 16)), 0.0);
    assert!(png.ends_with(PNG_END));
    assert_eq!(png, picture.to_png(Look::default()).unwrap());
}

#[test]
fn latin_greek_and_cyrillic_are_drawn_and_other_letters_are_named() {
    for unit in ["Öresund Ł", "Αηδόνι", "Соловей"] {
        assert!(picture(unit).to_png(Look::default()).is_ok(), "{unit}");
    }
    let error = picture("\u{5d0}\u{5d1} and \u{4e00}")
        .to_png(Look::default())
        .unwrap_err();
    assert_eq!(error.kind, ErrorKind::Setting);
    let words = error.to_string();
    for missing in ["\u{5d0}", "\u{5d1}", "\u{4e00}", "NAME.svg"] {
        assert!(words.contains(missing), "{words}");
    }
}

#[test]
fn a_dark_picture_has_dark_paper_and_a_width_is_kept_to_the_pixel() {
    let picture = picture("Fieldfare");
    let paper = |theme| {
        let look = Look {
            theme,
            width: Some(701),
        };
        let pixels = Pixmap::decode_png(&picture.to_png(look).unwrap()).unwrap();
        assert_eq!(pixels.width(), 701);
        pixels.pixel(3, 3).unwrap().red()
    };
    // #fdfcf9 and #14191d.
    assert_eq!(paper(Theme::Auto), 0xfd);
    assert_eq!(paper(Theme::Light), 0xfd);
    assert_eq!(paper(Theme::Dark), 0x14);
    let svg = |theme| picture.to_svg_as(Look { theme, width: None }, "");
    assert!(svg(Theme::Auto).contains("prefers-color-scheme"));
    assert!(!svg(Theme::Light).contains("<style"));
    assert!(!svg(Theme::Dark).contains("prefers-color-scheme"));
    assert_eq!(svg(Theme::Auto), picture.to_svg());
}
