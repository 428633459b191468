//! Takes are judged: leaks, outliers, match, resonance; the demo's units, and seeded sets with what was planted.

use std::fs;
use std::path::Path;

use bandwright::measurement::judge::{Judged, JudgedTake, Settings, Verdict, judge};
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::{grid, parse};
use serde::Deserialize;

#[derive(Deserialize)]
struct Planted {
    unit: Vec<PlantedUnit>,
}

#[derive(Deserialize)]
struct PlantedUnit {
    folder: String,
    take: Vec<PlantedTake>,
}

#[derive(Deserialize)]
struct PlantedTake {
    side: String,
    file: String,
    resonance_hz: f64,
    leak_at_30_hz_db: Option<f64>,
    leak_corner_hz: Option<f64>,
    really_of: Option<String>,
}

fn demo_units() -> Vec<(PlantedUnit, Vec<Take>)> {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let planted: Planted =
        toml::from_str(&fs::read_to_string(demo.join("planted.toml")).unwrap()).unwrap();
    let load = |unit: PlantedUnit| {
        let take = |take: &PlantedTake| {
            let bytes = fs::read(demo.join(&unit.folder).join(&take.file)).unwrap();
            let curve = parse::parse_curve(&bytes, &take.file).unwrap();
            Take {
                name: take.file.clone(),
                side: if take.side == "left" { Side::Left } else { Side::Right },
                on_grid: grid::resample(&curve).unwrap(),
            }
        };
        let takes = unit.take.iter().map(take).collect();
        (unit, takes)
    };
    planted.unit.into_iter().map(load).collect()
}

#[test]
fn explore() {
    for (unit, takes) in demo_units() {
        let judged = judge(&takes, &Settings::default()).unwrap();
        println!("{}", unit.folder);
        for (p, t) in unit.take.iter().zip(&judged.takes) {
            println!("{} {:?} {:?} {:?} | {:?} lvl {:?} d {:?} seal {:?}", t.name, p.leak_at_30_hz_db, p.leak_corner_hz, p.really_of, t.verdict, t.level_db, t.distance_db, t.seal.map(|s| s.loss_at_30_hz_db));
            let r = t.resonance.unwrap();
            println!("    res {:.0} planted {:.0} {:+.2}%  h {:.1} w {:.3} deeper {:.2}", r.frequency_hz, p.resonance_hz, 100.0*(r.frequency_hz/p.resonance_hz-1.0), r.height_db, r.width_octaves, t.deeper_mm.unwrap());
        }
        for s in &judged.sides { println!("{:?} {:?} {:?} ref {:?} {:?} {}/{}", s.side, s.agreement, s.seal, s.reference, s.sound_takes_lose, s.kept, s.takes); }
        let m = judged.matching.as_ref().unwrap();
        println!("match {} {} {} {}", m.level_db, m.rms_db, m.worst_db, m.worst_hz);
        println!("{:?} {:?}", judged.resonance, judged.set_aside);
    }
}
