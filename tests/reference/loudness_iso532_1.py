#!/usr/bin/env python3
"""Holds the stated change of what is heard against a loudness model: how many dB quieter or louder an EQ plays.

  loudness_iso532_1.py PROGRAM [FOLDER]    runs 24 fits of the demo units by PROGRAM; keeps their documents in FOLDER

The program states the change of the A-weighted level, of pink noise, in the diffuse field that sounds like what the
earphone plays (src/cost/heard.rs). The model is the loudness of stationary sounds by ISO 532-1:2017 (Zwicker's
method) in a diffuse field, as the Python package mosqito 1.2.1 (Apache-2.0) computes it from a spectrum by
`loudness_zwst_freq`; the document itself was not seen.

- What is heard is the programme, plus the earphone's response at the eardrum, less that of a diffuse field at the
  eardrum by ITU-T P.58 (06/21) (src/cost/field_to_eardrum.csv): the earphone takes the place of the ear's own
  response to the field.
- Level: the unequalised sound has 60 dB a third octave on average over 500 Hz to 1 kHz, for the steeper programme too.
- The change by the model is the number of dB by which the unequalised sound must be changed to be as loud in sone as
  the equalised one with its preamp; that is what "plays x dB quieter" means.
- Programmes: pink noise, for which the program states its change, and noise that falls 3 dB an octave faster. Of that the
  program states nothing; the same quantity is computed for it here, by a formula that must first give what is stated
  for pink noise. Without a limit it is also told how far the change stated for pink noise is off for that programme.

Needs numpy, scipy, matplotlib and mosqito. Exit status 1 where a difference is above its limit.
"""

import csv
import json
import pathlib
import subprocess
import sys

import numpy as np
from mosqito.sq_metrics import loudness_zwst_freq
from scipy.interpolate import PchipInterpolator

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
WOOL = "demo-data/fieldfare-wool/fieldfare-wool.unit.toml"
MESH = "demo-data/fieldfare-mesh/fieldfare-mesh.unit.toml"
DUNLIN = "demo-data/dunlin/dunlin.unit.toml"
FITS = [
    f"{WOOL} --target flat",
    f"{WOOL} --target diffuse-field",
    f"{WOOL} --target diffuse-field-iso-532-2",
    f"{WOOL} --target long-listening",
    f"{WOOL} --target gentle-slope",
    f"{WOOL} --target spoken-word",
    f"{WOOL} --bass 6",
    f"{WOOL} --treble -4",
    "demo-data/fieldfare-wool/average.csv --target demo-data/music-shows.target.toml",
    f"{MESH} --target flat",
    f"{MESH} --target diffuse-field",
    f"{MESH} --target diffuse-field-mean",
    f"{MESH} --target long-listening",
    f"{MESH} --target gentle-slope",
    f"{MESH} --target spoken-word",
    f"{MESH} --bass 6",
    "demo-data/fieldfare-mesh/average.csv --target demo-data/long-shifts.target.toml",
    f"{DUNLIN} --target flat",
    f"{DUNLIN} --target diffuse-field",
    f"{DUNLIN} --target long-listening",
    f"{DUNLIN} --target gentle-slope",
    f"{DUNLIN} --target spoken-word",
    f"{DUNLIN} --slope -1",
    "demo-data/dunlin/left-1.txt --target diffuse-field --this-ear --sections 8",
]

# Name, fall in dB an octave beyond pink, most rms and most worst difference in dB.
PROGRAMMES = [("pink noise", 0.0, 0.7, 1.5), ("3 dB an octave steeper", 3.0, None, 1.9)]
# Most by which the formula here may differ from what is stated: sums over 479 points instead of 4097, and the document's
# rounding.
SAME_DB = 0.05

LEVEL_DB = 60.0
REFERENCE_PA = 2e-5
# Lines 1 Hz apart, as the package wants them: up to 24 kHz.
LINES_HZ = np.arange(24001.0)
# Changes for which the loudness of the unequalised sound is computed; between them it is interpolated. The largest
# change of a fit must lie within.
STEPS_DB = np.arange(-24.0, 6.01, 0.5)


def diffuse_field_db(frequency_hz):
    """Diffuse field to eardrum by ITU-T P.58, interpolated in log frequency, held beyond the table."""
    with open(ROOT / "src/cost/field_to_eardrum.csv", encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file) if row[0] == "p58"]
    table_hz, table_db = (np.array([float(row[i]) for row in rows]) for i in (1, 3))
    inside = np.clip(frequency_hz, table_hz[0], table_hz[-1])
    return PchipInterpolator(np.log(table_hz), table_db)(np.log(inside))


def lines_db(grid_hz, level_db):
    """A curve of the document's grid at the lines, held beyond the grid."""
    return np.interp(np.log(np.maximum(LINES_HZ, 1.0)), np.log(grid_hz), level_db)


def sone(columns_db):
    """Loudness of spectra, one a column, by level of each line in dB SPL."""
    pascal = REFERENCE_PA * 10 ** (columns_db / 20)
    pascal[0] = 0.0
    return np.atleast_1d(loudness_zwst_freq(pascal, LINES_HZ, field_type="diffuse")[0])


def unequalised_db(document, steeper_db):
    """Level of each line, dB SPL, of the sound that is heard without EQ, in terms of a diffuse field."""
    grid_hz = np.array(document["curves"]["frequency_hz"])
    heard_db = np.array(document["curves"]["expected_db"]) - diffuse_field_db(grid_hz)
    octaves = np.log2(np.maximum(LINES_HZ, 1.0) / 1000)
    # Of pink noise a line 1 Hz wide has 1/f of an octave's power.
    lines = lines_db(grid_hz, heard_db) - 10 * np.log10(np.maximum(LINES_HZ, 1.0)) - steeper_db * octaves
    third_db = [
        10 * np.log10(np.sum(10 ** (lines[(LINES_HZ >= f / 2 ** (1 / 6)) & (LINES_HZ < f * 2 ** (1 / 6))] / 10)))
        for f in (500, 630, 800, 1000)
    ]
    audible = (LINES_HZ >= 20) & (LINES_HZ <= 20000)
    return np.where(audible, lines - np.mean(third_db) + LEVEL_DB, -200.0)


def changes_db(documents, steeper_db):
    """The change by the model, for each document."""
    tables, changes = {}, []
    for document in documents:
        before = unequalised_db(document, steeper_db)
        key = before.tobytes()
        if key not in tables:
            table = sone(before[:, None] + STEPS_DB[None, :])
            assert np.all(np.diff(table) > 0), "loudness does not grow with level"
            tables[key] = np.log(table)
        sections = document["sections_curve"]
        gain_db = lines_db(np.array(sections["frequency_hz"]), np.array(sections["gain_db"]))
        after = np.log(sone((before + gain_db + document["headroom"]["preamp_db"])[:, None])[0])
        assert tables[key][0] < after < tables[key][-1], "a change beyond the steps"
        changes.append(float(np.interp(after, tables[key], STEPS_DB)))
    return np.array(changes)


def a_weighting_db(f):
    """IEC 61672-1 by its poles (from memory), relative."""
    low, high = (f * f + 107.65**2) * (f * f + 737.86**2), (f * f + 20.6**2) * (f * f + 12194.2**2)
    return 20 * np.log10(f**4 / (np.sqrt(low) * high))


def weighted_change_db(document, steeper_db):
    """The change of the A-weighted level in the diffuse field: what the program states for pink noise."""
    grid_hz = np.array(document["curves"]["frequency_hz"])
    heard_db = np.array(document["curves"]["expected_db"]) - diffuse_field_db(grid_hz) + a_weighting_db(grid_hz)
    before = 10 ** ((heard_db - steeper_db * np.log2(grid_hz / 1000)) / 10)
    gain = 10 ** (np.array(document["sections_curve"]["gain_db"]) / 10)
    # The grid is even in log frequency: the trapezoidal rule.
    width = np.ones(len(grid_hz))
    width[[0, -1]] = 0.5
    return 10 * np.log10(np.sum(width * before * gain) / np.sum(width * before)) + document["headroom"]["preamp_db"]


def fitted(program, number, line, folder):
    arguments = [program, "fit", *line.split(), "--effort", "quick", "--json"]
    text = subprocess.run(arguments, check=True, capture_output=True, text=True, cwd=ROOT).stdout
    if folder:
        (pathlib.Path(folder) / f"{number}.json").write_text(text, encoding="utf-8")
    return json.loads(text)


def check_the_model():
    """A tone of 1 kHz and 40 dB from the front is 1 sone, by definition; within 2 % with the package's filters."""
    tone = np.zeros(len(LINES_HZ))
    tone[1000] = REFERENCE_PA * 10 ** (40 / 20)
    found = float(loudness_zwst_freq(tone, LINES_HZ, field_type="free")[0])
    assert abs(found - 1) < 0.02, f"{found} sone"


def main():
    check_the_model()
    program = str(pathlib.Path(sys.argv[1]).resolve())
    folder = sys.argv[2] if len(sys.argv) > 2 else None
    documents = [fitted(program, number, line, folder) for number, line in enumerate(FITS, 1)]
    stated = np.array([document["heard"]["total_db"] for document in documents])
    weighted = [np.array([weighted_change_db(d, steeper_db) for d in documents]) for _, steeper_db, _, _ in PROGRAMMES]
    off = np.max(np.abs(weighted[0] - stated))
    assert off <= SAME_DB, f"the formula here is {off:.3f} dB from what is stated"
    # Were little to be stated, nothing would be shown.
    assert np.max(np.abs(stated)) > 4, "the fits change too little to show anything"
    model = [changes_db(documents, steeper_db) for _, steeper_db, _, _ in PROGRAMMES]
    differences = [stated - model[0], weighted[1] - model[1]]
    print("Change stated for pink noise, dB; how far it is above ISO 532-1's; the same of the steeper programme; fit")
    for i, line in enumerate(FITS):
        print(f"{stated[i]:+7.2f}  " + "  ".join(f"{d[i]:+5.2f}" for d in differences) + f"  {line}")
    failed = False
    for (name, _, most_rms, most_worst), difference in zip(PROGRAMMES, differences):
        rms, worst = np.sqrt(np.mean(difference**2)), np.max(np.abs(difference))
        limits = [f"rms at most {most_rms}" if most_rms else None, f"worst at most {most_worst}"]
        print(f"{name}: rms {rms:.2f} dB, worst {worst:.2f} dB ({', '.join(filter(None, limits))})")
        failed |= worst > most_worst or (most_rms is not None and rms > most_rms)
    other = stated - model[1]
    print(f"stated for pink noise, heard of the steeper programme: rms {np.sqrt(np.mean(other**2)):.2f} dB, ", end="")
    print(f"worst {np.max(np.abs(other)):.2f} dB (no limit)")
    if failed:
        sys.exit("the stated change of loudness is farther from ISO 532-1 than it may be")


if __name__ == "__main__":
    main()
