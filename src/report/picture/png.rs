//! A picture as PNG: its SVG, drawn with the font that is compiled in.
//!
//! The font is Inter (SIL Open Font License 1.1, `fonts/OFL.txt`), cut down to Latin, Greek and Cyrillic letters and what
//! stands in numbers. A character that it does not have would be missing without a word, so it is refused.

use std::collections::BTreeSet;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};
use skrifa::{FontRef, MetadataProvider as _};

use super::{Look, Picture};
use crate::error::{Error, Result, Source};
use crate::report::error::ReportFault;

const REGULAR: &[u8] = include_bytes!("fonts/inter-regular.otf");
const SEMIBOLD: &[u8] = include_bytes!("fonts/inter-semibold.otf");

/// Usual width of the file, pixels: two for one of the picture, sharp where a screen has two for one.
const USUAL_WIDTH: u32 = 1920;

/// How every such file ends, so that one is known again: a text chunk that names the program, and the end of the image
/// (PNG, ISO/IEC 15948).
pub const PNG_END: &[u8] = b"\x00\x00\x00\x13tEXtSoftware\x00bandwright\x7b\x1b\x4b\x8e\x00\x00\x00\x00IEND\xae\x42\x60\x82";

/// Length of the end of an image in that.
const IEND: usize = 12;

impl Picture {
    /// The picture as a PNG file, on light paper unless dark was asked for.
    ///
    /// # Errors
    /// `Setting` for characters that the font does not have.
    pub fn to_png(&self, look: Look) -> Result<Vec<u8>> {
        let look = Look {
            width: look.width.or(Some(USUAL_WIDTH)),
            ..look
        };
        let svg = self.to_svg_as(look, "");
        refuse_without_glyph(&svg)?;
        let mut options = Options {
            font_family: "Inter".to_owned(),
            ..Options::default()
        };
        for font in [REGULAR, SEMIBOLD] {
            options.fontdb_mut().load_font_data(font.to_vec());
        }
        let undrawn = || Error::of(ReportFault::Undrawn, Source::name("picture"));
        let tree = Tree::from_str(&svg, &options).map_err(|_| undrawn())?;
        let size = tree.size().to_int_size();
        let mut pixels = Pixmap::new(size.width(), size.height()).ok_or_else(undrawn)?;
        resvg::render(&tree, Transform::identity(), &mut pixels.as_mut());
        let mut png = pixels.encode_png().map_err(|_| undrawn())?;
        png.truncate(png.len() - IEND);
        png.extend_from_slice(PNG_END);
        Ok(png)
    }
}

fn refuse_without_glyph(svg: &str) -> Result<()> {
    let fonts = [REGULAR, SEMIBOLD].map(FontRef::new);
    let has = |c: char| {
        let mut fonts = fonts.iter().flatten();
        fonts.all(|font| font.charmap().map(c).is_some())
    };
    let missing: BTreeSet<char> = svg.chars().filter(|c| *c != '\n' && !has(*c)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let missing: String = missing.into_iter().collect();
    Err(Error::of(ReportFault::NoGlyph(missing), Source::name("picture")))
}
