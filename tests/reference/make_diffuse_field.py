#!/usr/bin/env python3
"""Derives targets/diffuse-field-mean.csv from the tables beside this script. Plain Python, no packages.

  make_diffuse_field.py          writes the file
  make_diffuse_field.py --check  exit status 1 when the committed file is not what the derivation gives
"""

import csv
import math
import pathlib
import sys

HERE = pathlib.Path(__file__).resolve().parent
OUTPUT = HERE.parent.parent / "targets" / "diffuse-field-mean.csv"

# Weight of the KEMAR average beside the two tables' 1 each, by nominal third octave. Its usable range is
# 345 Hz to 16 kHz; the 400 Hz and 12.5 kHz bands are the outermost that lie wholly within.
KEMAR_WEIGHT = {400: 0.5, 12500: 0.5}
KEMAR_WHOLE = range(500, 10001)
# The KEMAR level is arbitrary: it is set to the tables' mean over these bands.
ALIGNMENT_HZ = (500, 630, 800, 1000)

HEADER = """\
# name: diffuse-field-mean
# source: mean in dB of the diffuse-field responses at the eardrum of ITU-T P.58 (06/21) and ANSI S3.4-2007 and of a KEMAR average computed from W. G. Gardner and K. D. Martin, "HRTF measurements of a KEMAR dummy-head microphone", MIT Media Lab Perceptual Computing Technical Report 280, 1994
# licence: KEMAR data: "This data is Copyright 1994 by the MIT Media Laboratory. It is provided free with no restrictions on use, provided the authors are cited when the data is used in any research or commercial application." The standards' numbers are from transcriptions, the standards themselves were not seen; the combination is ours, MIT or Apache-2.0
# support: 20 Hz to 20 kHz; below 100 Hz extended at 0 dB, as the diffuse-field table of ISO 532-2 has it; KEMAR counts from 400 Hz to 12.5 kHz, half at these two, so 16 and 20 kHz rest on the two tables alone
# level: 0 dB at low frequencies (100 Hz and below), diffuse field to eardrum
# warning: published diffuse-field tables differ by several dB at 2.5-10 kHz (by 5.5 dB at 10 kHz); take this target as one reasonable mean, not as a reference
# derivation: KEMAR as the power average over each third octave (bands of 1000 Hz * 10^(n/10)), shifted to the tables' mean over 500-1000 Hz; then the weighted mean in dB; tests/reference/make_diffuse_field.py
# place: eardrum
frequency_hz,level_db
"""


def rows(name):
    with open(HERE / name, encoding="utf-8", newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def kemar_weight(nominal_hz):
    return KEMAR_WEIGHT.get(nominal_hz, 1.0 if nominal_hz in KEMAR_WHOLE else 0.0)


def third_octave_db(kemar, nominal_hz):
    centre_hz = 10 ** (round(10 * math.log10(nominal_hz)) / 10)
    low_hz, high_hz = centre_hz * 10**-0.05, centre_hz * 10**0.05
    inside = [row for row in kemar if low_hz <= row["frequency_hz"] < high_hz]
    assert inside and all(row["support"] == 2 for row in inside), nominal_hz
    return 10 * math.log10(sum(10 ** (row["level_db"] / 10) for row in inside) / len(inside))


def derive():
    kemar = rows("ear/kemar_diffuse_field.csv")
    tables = {
        int(row["frequency_hz"]): (row["p58_diffuse_db"] + row["s34_diffuse_db"]) / 2
        for row in rows("tables/eardrum_field_responses.csv")
    }
    shift_db = sum(tables[f] - third_octave_db(kemar, f) for f in ALIGNMENT_HZ) / len(ALIGNMENT_HZ)
    levels = {
        row["frequency_hz"]: row["diffuse_field_db"]
        for row in rows("tables/iso532_2_field_to_eardrum.csv")
        if row["frequency_hz"] < 100
    }
    for frequency_hz, table_db in tables.items():
        weight = kemar_weight(frequency_hz)
        kemar_db = third_octave_db(kemar, frequency_hz) + shift_db if weight else 0.0
        levels[frequency_hz] = (2 * table_db + weight * kemar_db) / (2 + weight)
    lines = [f"{frequency_hz:g},{level_db:.2f}\n" for frequency_hz, level_db in sorted(levels.items())]
    return HEADER + "".join(lines)


def main():
    text = derive()
    if "--check" in sys.argv[1:]:
        if OUTPUT.read_text(encoding="utf-8") != text:
            sys.exit(f"{OUTPUT.name} is not what the derivation gives")
    else:
        OUTPUT.write_text(text, encoding="utf-8")


main()
