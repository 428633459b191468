//! Units of the demo, opened as the program opens them.

use std::fs;
use std::path::{Path, PathBuf};

use bandwright::inspection::{Inspection, inspect};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::Side;
use bandwright::measurement::unit_file::{OpenedUnit, parse_unit_file, read_take};

/// The units of the demo.
pub const NAMES: [&str; 3] = ["fieldfare-wool", "fieldfare-mesh", "dunlin"];

/// The folder of the demo.
pub fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

/// A unit of the demo.
pub fn opened(name: &str) -> OpenedUnit {
    let folder = demo().join(name);
    let file = format!("{name}.unit.toml");
    let entry = parse_unit_file(&fs::read(folder.join(&file)).unwrap(), &file)
        .unwrap()
        .remove(0);
    let read = |file: &str, side: Side| {
        read_take(&fs::read(folder.join(file)).unwrap(), file, side, None).unwrap()
    };
    OpenedUnit {
        name: entry.name.clone(),
        rig: Some(Rig::Iec60318_4),
        takes: entry
            .takes
            .iter()
            .map(|take| read(&take.file.file, take.side))
            .collect(),
        entry: Some((entry, folder)),
    }
}

/// A unit of the demo, judged.
#[allow(dead_code, reason = "not every test needs it")]
pub fn inspected(name: &str) -> Inspection {
    inspect(&opened(name), &Settings::default()).unwrap()
}

/// Some takes of a unit of the demo, judged.
#[allow(dead_code, reason = "not every test needs it")]
pub fn inspected_some(name: &str, files: &[&str]) -> Inspection {
    let mut unit = opened(name);
    unit.takes
        .retain(|take| files.contains(&take.take.name.as_str()));
    assert_eq!(unit.takes.len(), files.len());
    inspect(&unit, &Settings::default()).unwrap()
}
