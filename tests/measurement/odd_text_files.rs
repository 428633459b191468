//! Six odd text files that hold one curve, and are read alike, bit for bit.

use bandwright::measurement::Curve;
use bandwright::measurement::parse::parse_curve;
use proptest::prelude::*;

/// Frequency (Hz), level (dB), phase (degrees).
type Row = (f64, f64, f64);

fn rows() -> Vec<Row> {
    vec![
        (20.0, -3.25, 101.5),
        (31.5, -1.0, 64.25),
        (63.0, 0.125, 30.0),
        (1000.0, 0.0, -0.5),
        (2987.654321, 11.2, -97.0625),
        (8123.5, -7.875, 179.999),
        (12_500.0, -120.0, -180.0),
        (19_999.0, 1e-3, 0.1),
    ]
}

fn decimal_commas(rows: &[Row]) -> Vec<u8> {
    let mut text = String::from("Frequenz (Hz);Pegel (dB);Phase (Grad)\n");
    for (f, db, deg) in rows {
        text += &format!("{f};{db};{deg}\n").replace('.', ",");
    }
    text.into_bytes()
}

fn utf_16(rows: &[Row]) -> Vec<u8> {
    let mut text = String::from("\u{feff}Frequency (Hz),Level (dB),Phase (°)\r\n");
    for (f, db, deg) in rows {
        text += &format!("{f},{db},{deg}\r\n");
    }
    text.encode_utf16().flat_map(u16::to_le_bytes).collect()
}

fn latin_1_tabs(rows: &[Row]) -> Vec<u8> {
    let mut bytes = b"Freq. [Hz]\tSPL [dB]\tWinkel [\xb0] f\xfcr links\r\n".to_vec();
    for (f, db, deg) in rows {
        bytes.extend(format!("{f}\t{db}\t{deg} ").bytes());
        bytes.extend(b"\xb0\r\n");
    }
    bytes
}

fn scientific(rows: &[Row]) -> Vec<u8> {
    let mut text = String::from("freq_hz, level_db, phase_deg\n");
    for (f, db, deg) in rows {
        text += &format!("{f:e}, {db:E}, {deg:e}\n");
    }
    text.into_bytes()
}

fn three_header_blocks(rows: &[Row]) -> Vec<u8> {
    let mut text = String::from(
        "* a measurement, 3 headers\n* date: 2026-01-02, 10:20\n\n[settings]\naverages = 8\nwindow = none\n\n\
         Frequency (Hz),Level (dB),Phase (deg)\n",
    );
    for (i, (f, db, deg)) in rows.iter().enumerate() {
        // The writer began anew in the middle.
        if i == rows.len() / 2 {
            text += "\n* continued\nFrequency (Hz),Level (dB),Phase (deg)\n";
        }
        text += &format!("{f},{db},{deg}\n");
    }
    text.into_bytes()
}

fn blanks_with_tails(rows: &[Row]) -> Vec<u8> {
    let mut text = String::from("# f/Hz   level/dB   phase/deg\n# Hz dB deg\n");
    for (i, (f, db, deg)) in rows.iter().enumerate() {
        let tail = [
            "  # a knock, 2.5 s",
            " ; seat 1, 3",
            "  // 7 8 9",
            "",
            " ! 4",
        ][i % 5];
        text += &format!("   {f}    {db}  {deg}{tail}\r");
    }
    text.into_bytes()
}

type Writer = (&'static str, fn(&[Row]) -> Vec<u8>);

const WRITERS: [Writer; 6] = [
    ("decimal commas", decimal_commas),
    ("UTF-16 with a mark", utf_16),
    ("tabs and Latin-1 degrees", latin_1_tabs),
    ("scientific notation", scientific),
    ("three header blocks", three_header_blocks),
    ("blanks with comment tails", blanks_with_tails),
];

fn bits(numbers: &[f64]) -> Vec<u64> {
    numbers.iter().map(|x| x.to_bits()).collect()
}

fn assert_holds(curve: &Curve, rows: &[Row], name: &str) {
    let column = |of: fn(&Row) -> f64| bits(&rows.iter().map(of).collect::<Vec<_>>());
    assert_eq!(bits(curve.frequency_hz()), column(|r| r.0), "{name}");
    assert_eq!(bits(curve.level_db()), column(|r| r.1), "{name}");
    let phase = curve
        .phase_deg()
        .unwrap_or_else(|| panic!("{name}: no phase"));
    assert_eq!(bits(phase), column(|r| r.2), "{name}");
}

#[test]
fn six_odd_files_are_one_curve_bit_for_bit() {
    let curves: Vec<Curve> = WRITERS
        .iter()
        .map(|(name, write)| {
            let curve =
                parse_curve(&write(&rows()), "take").unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_holds(&curve, &rows(), name);
            curve
        })
        .collect();
    assert!(curves.windows(2).all(|pair| pair[0] == pair[1]));
}

#[test]
fn the_six_files_differ_in_every_way_they_claim() {
    let bytes: Vec<Vec<u8>> = WRITERS.iter().map(|(_, write)| write(&rows())).collect();
    assert!(bytes[0].windows(6).any(|w| w == b"31,5;-"));
    assert!(bytes[1].starts_with(b"\xff\xfe") && !bytes[0].contains(&0));
    assert!(bytes[2].contains(&0xb0) && std::str::from_utf8(&bytes[2]).is_err());
    assert!(bytes[3].windows(7).any(|w| w == b"2.98765") && bytes[3].contains(&b'E'));
    assert!(bytes[5].contains(&b'#') && !bytes[5].windows(2).any(|w| w == b"\r\n"));
}

proptest! {
    #[test]
    fn any_curve_survives_the_six_ways(
        points in prop::collection::vec((1.001..1.9_f64, -60.0..60.0_f64, -180.0..180.0_f64), 3..40),
        start_hz in 5.0..50.0_f64,
    ) {
        let mut f_hz = start_hz;
        let mut rows: Vec<Row> = points
            .into_iter()
            .map(|(ratio, db, deg)| {
                f_hz *= ratio;
                (f_hz, db, deg)
            })
            .collect();
        rows.push((f_hz * 2.0 + 200.0, 0.0, 0.0));
        for (name, write) in WRITERS {
            let curve = parse_curve(&write(&rows), "take");
            prop_assert!(curve.is_ok(), "{}: {:?}", name, curve);
            assert_holds(&curve.unwrap(), &rows, name);
        }
    }
}
