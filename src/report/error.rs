//! What can be at fault with what people see.

use crate::error::fault::faults;

faults! { ReportFault, names;
    /// Characters that the font of PNG pictures does not have.
    NoGlyph(characters: String) => Setting,
        (format!("characters that the font of PNG pictures does not have: {characters}")),
        "Latin, Greek or Cyrillic letters",
        "write the picture as SVG (NAME.svg), for which the viewer's own fonts serve, or give the unit another name";
    /// A picture too large to be drawn.
    Undrawn => Coverage,
        "a picture too large to be drawn as PNG",
        "one that fits into memory",
        "write it as SVG (NAME.svg), or show fewer units";
}
