//! `NAME.source.toml`: what feeds the earphone.
//!
//! ```toml
//! format = 1
//! name = "pocket amplifier"
//! max_voltage_v = 1.0    # rms, the largest undistorted sine without load
//! output_ohm = 2.0
//! full_scale_v = 0.5     # rms without load of a full-scale sine at the volume in use; max_voltage_v where left out
//! ```

use crate::error::Result;
use crate::keys::{self, Table};

const VOLTAGE_V: (f64, f64) = (1e-4, 1000.0);
const OUTPUT_OHM: (f64, f64) = (0.0, 10_000.0);

/// An amplifier or player, as the earphone sees it.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// The largest undistorted sine it can put out without load, volts rms.
    pub max_voltage_v: f64,
    /// Output impedance, ohms; taken as a resistance.
    pub output_ohm: f64,
    /// What a full-scale sine gives without load at the volume in use, volts rms.
    pub full_scale_v: f64,
}

/// Reads a source file.
///
/// # Errors
/// With file, line and key: `Format` for no TOML, another format number, a missing key or a value of another type;
/// `Name` for an unknown key; `Number` and `Setting` for values.
pub fn parse_source(bytes: &[u8], source_name: &str) -> Result<Source> {
    let known = [
        "format",
        "name",
        "max_voltage_v",
        "output_ohm",
        "full_scale_v",
    ];
    keys::read_file(bytes, source_name, &known, |table: &Table| {
        table.format_1()?;
        let name = table.required("name")?.name()?;
        let max_voltage_v = table.required("max_voltage_v")?.within(VOLTAGE_V, " V")?;
        Ok(Source {
            name,
            max_voltage_v,
            output_ohm: table.required("output_ohm")?.within(OUTPUT_OHM, " ohm")?,
            full_scale_v: match table.optional("full_scale_v") {
                Some(value) => value.within(VOLTAGE_V, " V")?,
                None => max_voltage_v,
            },
        })
    })
}
