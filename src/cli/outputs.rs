//! The kinds of files that the verbs write: their endings, and what tells such a file from a stranger's.

use std::path::Path;

use bandwright::error::Result;
use bandwright::export::{Form, WAV_END, matrix, response};
use bandwright::listen::wav::SOUND_END;
use bandwright::listen::{answers, find_peak};
use bandwright::report::figures::{self, made::Made};
use bandwright::report::picture::{Look, Picture};
use bandwright::report::{
    COMPARE_CSV_BEGINNING, PAGE_BEGINNING, PLOT_BEGINNING, PNG_END, export_json_beginning,
};
use bandwright::wanted::{library::CURVE_BEGINNING, recipe};

use super::files::{Kind, Place};
use super::groups::PlotLook;

/// A preset.
pub(super) const SHEET: Kind =
    Kind::beginning("a sheet", &[".toml"], bandwright::sheet::BEGINNING).with_digest();
/// A picture as SVG.
const SVG: Kind = Kind::beginning("a picture", &[".svg", ".png"], PLOT_BEGINNING);
/// A picture as PNG.
const PNG: Kind = Kind::ending("a picture", &[".svg", ".png"], PNG_END);
/// A report as a page.
pub(super) const PAGE: Kind = Kind::beginning("a report", &[".html"], PAGE_BEGINNING);
/// A target's recipe.
pub(super) const RECIPE: Kind =
    Kind::beginning("a recipe", &[".toml"], recipe::BEGINNING).with_digest();
/// A target as a curve.
pub(super) const TARGET_CURVE: Kind = Kind::beginning("a curve", &[".csv"], CURVE_BEGINNING);
/// Figures of a comparison.
pub(super) const FIGURES: Kind =
    Kind::beginning("figures of a comparison", &[".csv"], COMPARE_CSV_BEGINNING);
/// Sound.
pub(super) const SOUND: Kind = Kind::ending("a sound", &[".wav"], SOUND_END);
/// Times of the loudest parts of sweeps.
pub(super) const TIMES: Kind = Kind::beginning("times of sweeps", &[".toml"], find_peak::BEGINNING);
/// Answers to a blind trial.
pub(super) const ANSWERS: Kind =
    Kind::beginning("answers to a blind trial", &[".toml"], answers::BEGINNING);
/// An impulse response.
pub(super) const IMPULSE: Kind = Kind::ending("an impulse response", &[".wav"], WAV_END);

/// Filters as a document.
pub(super) fn export_json(form: Form) -> Kind {
    Kind::beginning("a document", &[".json"], export_json_beginning(form))
}

/// Filters as a table.
pub(super) fn export_csv(form: Form) -> Kind {
    let beginning = match form {
        Form::Coefficients => matrix::COEFFICIENTS_BEGINNING,
        Form::Response => response::RESPONSE_BEGINNING,
        Form::Sos | Form::Impulse => matrix::SOS_BEGINNING,
    };
    Kind::beginning("a table", &[".csv"], beginning)
}

fn is_png(path: &Path) -> bool {
    let ending = path.extension().map(|ending| ending.to_ascii_lowercase());
    ending.is_some_and(|ending| ending == "png")
}

/// A picture, in the form that its name asks for.
pub(super) fn plot(path: &Path) -> Kind {
    if is_png(path) { PNG } else { SVG }
}

/// The bytes of a picture with a note of how it was made, in the form that the name of its place asks for.
pub(super) fn drawn(
    place: &Place,
    picture: Picture,
    look: PlotLook,
    made: &Made,
) -> Result<Vec<u8>> {
    let note = figures::made::note(made, &picture.title);
    let picture = picture.noted(note);
    let look = Look {
        theme: look.theme,
        width: look.size,
    };
    match is_png(Path::new(&place.shown())) {
        true => picture
            .to_png(look)
            .map_err(|error| error.about(place.shown())),
        false => Ok(picture.to_svg_as(look, "").into_bytes()),
    }
}
