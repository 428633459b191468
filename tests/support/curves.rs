//! The curves of a picture, read back from its SVG.

use bandwright::report::picture::{FREQUENCY, Picture};

/// The text of an attribute of an element.
fn attribute<'a>(element: &'a str, name: &str) -> &'a str {
    let key = format!("{name}=\"");
    let from = element.find(&key).unwrap() + key.len();
    element[from..].split('"').next().unwrap()
}

/// The points of a path, pixels.
fn pixels(path: &str) -> Vec<(f64, f64)> {
    let ends = attribute(path, " d").trim_end_matches('Z');
    let pairs = ends.split(['M', 'L']).filter(|pair| !pair.is_empty());
    let number = |text: &str| text.parse::<f64>().unwrap();
    pairs
        .map(|pair| {
            let (x, y) = pair.split_once(' ').unwrap();
            (number(x), number(y))
        })
        .collect()
}

/// Panics unless every line and area of every panel, which must be finite, is drawn within 0.05 dB of its data, and at its
/// frequency; tells how many curves there were.
pub fn lead_back(picture: &Picture) -> usize {
    let svg = picture.to_svg();
    let groups: Vec<&str> = svg
        .match_indices("<g ")
        .map(|(start, _)| svg[start..].split("</g>").next().unwrap())
        .collect();
    assert_eq!(groups.len(), picture.panels.len());
    let mut curves = 0;
    for (group, panel) in groups.iter().zip(&picture.panels) {
        let number = |name: &str| attribute(group, name).parse::<f64>().unwrap();
        let (top, top_db, per_db) = (
            number("data-top"),
            number("data-top-db"),
            number("data-per-db"),
        );
        let drawn: Vec<Vec<(f64, f64)>> = group
            .split("<path")
            .skip(1)
            .map(|path| {
                let data = pixels(path).into_iter().map(|(x, y)| {
                    let decades = (x - FREQUENCY.left) / FREQUENCY.decade();
                    (20.0 * 10f64.powf(decades), top_db - (y - top) / per_db)
                });
                data.collect()
            })
            .collect();
        let areas = panel.areas.iter().map(|area| {
            let there = area.points.iter().map(|&(hz, one, _)| (hz, one));
            let back = area.points.iter().rev().map(|&(hz, _, other)| (hz, other));
            (area.name.as_str(), there.chain(back).collect())
        });
        let lines = panel
            .lines
            .iter()
            .map(|line| (line.name.as_str(), line.points.clone()));
        let data: Vec<(&str, Vec<(f64, f64)>)> = areas.chain(lines).collect();
        assert_eq!(drawn.len(), data.len(), "{}", panel.heading);
        for (drawn, (name, points)) in drawn.iter().zip(&data) {
            let place = format!("{}, {}: {name}", picture.title, panel.heading);
            assert_eq!(drawn.len(), points.len(), "{place}");
            for ((hz, db), (at_hz, level_db)) in drawn.iter().zip(points) {
                assert!(
                    (db - level_db).abs() < 0.05,
                    "{place}: {db} dB for {level_db}"
                );
                assert!(
                    (hz / at_hz).log2().abs() < 1e-3,
                    "{place}: {hz} Hz for {at_hz}"
                );
            }
            curves += usize::from(!points.is_empty());
        }
    }
    curves
}
