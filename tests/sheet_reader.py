#!/usr/bin/env python3
"""An independent reader of equaliser sheets: checks every sheet named on the command line from its text alone.

The filters are built twice: from the sections' numbers, by the Audio EQ Cookbook (R. Bristow-Johnson; W3C Group
Note, 2021) as written down here, and from the sheet's coefficients. Both must agree with every checkpoint within
0.001 dB, and the stated largest gain and the preamp must be true on a dense grid and at its refined maxima; the change
of loudness is integrated anew. Where
sections name a side, left and right are two chains with one preamp: all this must hold of each, and the largest gain is
that of the worse one.
Prints one line a sheet; exits with 1 if one disagrees. Needs Python 3.11, numpy and scipy.
"""

import math
import sys
import tomllib

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.signal import sosfreqz

TOLERANCE_DB = 0.001
CLIP_TOLERANCE_DB = 1e-6


def cookbook(section, rate_hz):
    """One row b0 b1 b2 1 a1 a2 as scipy wants it."""
    a = 10 ** (section["gain_db"] / 40)
    w0 = 2 * math.pi * section["f0_hz"] / rate_hz
    cos = math.cos(w0)
    alpha = math.sin(w0) / (2 * section["q"])
    root = 2 * math.sqrt(a) * alpha
    match section["shape"]:
        case "peaking":
            row = [1 + alpha * a, -2 * cos, 1 - alpha * a, 1 + alpha / a, -2 * cos, 1 - alpha / a]
        case "low-shelf":
            row = [
                a * ((a + 1) - (a - 1) * cos + root),
                2 * a * ((a - 1) - (a + 1) * cos),
                a * ((a + 1) - (a - 1) * cos - root),
                (a + 1) + (a - 1) * cos + root,
                -2 * ((a - 1) + (a + 1) * cos),
                (a + 1) + (a - 1) * cos - root,
            ]
        case "high-shelf":
            row = [
                a * ((a + 1) + (a - 1) * cos + root),
                -2 * a * ((a - 1) + (a + 1) * cos),
                a * ((a + 1) + (a - 1) * cos - root),
                (a + 1) - (a - 1) * cos + root,
                2 * ((a - 1) - (a + 1) * cos),
                (a + 1) - (a - 1) * cos - root,
            ]
        case other:
            raise ValueError(f"shape {other!r}")
    return [x / row[3] for x in row]


def gain_db(rows, frequency_hz, rate_hz):
    """Gain of all rows together."""
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    if not rows:
        return np.zeros_like(frequency_hz)
    _, response = sosfreqz(np.array(rows), worN=2 * np.pi * frequency_hz / rate_hz)
    return 20 * np.log10(np.abs(response))


def largest_gain_db(rows, sections, rate_hz):
    """Over 0 Hz to half the rate: a dense grid, finer around every f0, and a search beside its best points."""
    half = rate_hz / 2
    parts = [np.linspace(0, half, 20001), np.geomspace(1, half, 20001)]
    for section in sections:
        width = section["f0_hz"] / section["q"]
        parts.append(section["f0_hz"] + width * np.linspace(-3, 3, 2001))
    grid = np.unique(np.clip(np.concatenate(parts), 0, half))
    level = gain_db(rows, grid, rate_hz)
    best = level.max()
    for i in np.argsort(level)[-20:]:
        lo, hi = grid[max(i - 1, 0)], grid[min(i + 1, len(grid) - 1)]
        found = minimize_scalar(
            lambda f: -gain_db(rows, [f], rate_hz)[0], bounds=(lo, hi), method="bounded", options={"xatol": 1e-9}
        )
        best = max(best, -found.fun)
    return best


# The two filters of K weighting at 48 kHz: ITU-R BS.1770-5, tables 1 and 2.
K_WEIGHTING = [
    [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
    [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
]
LOUDNESS_TOLERANCE_LU = 0.001


def loudness_change_lu(sides, rate_hz, preamp_db):
    """How much louder pink noise from 20 Hz to 20 kHz plays through the sections of all sides and the preamp."""
    frequency_hz = np.geomspace(20, min(20000, 0.9999 * rate_hz / 2), 40001)
    k_power = 10 ** (gain_db(K_WEIGHTING, frequency_hz, 48000) / 10)
    # Pink noise has the same power in every octave, so the means over log frequency are the powers.
    power = lambda weight: np.trapezoid(weight, np.log(frequency_hz))
    played = [
        power(k_power * 10 ** (gain_db([cookbook(s, rate_hz) for s in sections], frequency_hz, rate_hz) / 10))
        for sections in sides
    ]
    return 10 * math.log10(sum(played) / len(played) / power(k_power)) + preamp_db


def chains(sheet):
    """Sections, checkpoints and coefficients of both sides together (None), or of each; findings about the sides."""
    parts = [sheet.get("section", []), sheet["checkpoint"], sheet["coefficients"]]
    named = {part.get("side") for entries in parts for part in entries}
    sides = [None] if named == {None} else ["left", "right"]
    findings = [] if named <= set(sides) else [f"sides {sorted(map(str, named))}"]
    of_side = lambda entries, side: [entry for entry in entries if entry.get("side") == side]
    return {side: [of_side(entries, side) for entries in parts] for side in sides}, findings


def check_chain(sections, checkpoint, coefficients, rates_hz):
    """The findings about one chain, how many gains were compared, their largest deviation, the peak."""
    findings = []
    checkpoints = {c["rate_hz"]: c for c in checkpoint}
    coefficients = {c["rate_hz"]: c["section"] for c in coefficients}
    if not rates_hz or set(checkpoints) != set(rates_hz) or set(coefficients) != set(rates_hz):
        return ["checkpoints or coefficients are not those of rates_hz"], 0, 0.0, -math.inf

    compared, worst, peak_db = 0, 0.0, -math.inf
    for rate_hz in rates_hz:
        typed = [cookbook(section, rate_hz) for section in sections]
        ready = [[c["b0"], c["b1"], c["b2"], 1.0, c["a1"], c["a2"]] for c in coefficients[rate_hz]]
        if len(ready) != len(typed):
            findings.append(f"{len(ready)} sets of coefficients for {len(typed)} sections at {rate_hz} Hz")
        point = checkpoints[rate_hz]
        frequency_hz, stated_db = point["frequency_hz"], np.array(point["gain_db"], dtype=float)
        missing = {s["f0_hz"] for s in sections} - set(frequency_hz)
        if missing or len(frequency_hz) != len(stated_db) or len(frequency_hz) < 7:
            findings.append(f"checkpoint at {rate_hz} Hz is not whole")
            continue
        for name, rows in (("sections", typed), ("coefficients", ready)):
            deviation = np.abs(gain_db(rows, frequency_hz, rate_hz) - stated_db)
            compared += len(deviation)
            worst = max(worst, deviation.max())
            # Written so that NaN is a finding, too.
            if not deviation.max() <= TOLERANCE_DB:
                at = frequency_hz[int(deviation.argmax())]
                findings.append(f"{name} at {rate_hz} Hz: {deviation.max():.4f} dB off at {at} Hz")
        peak_db = max(peak_db, largest_gain_db(typed, sections, rate_hz))
    return findings, compared, worst, peak_db


def check(path):
    """The findings about one sheet, and a line that says what was compared."""
    with open(path, "rb") as file:
        sheet = tomllib.load(file)
    rates_hz = sheet["equaliser"]["rates_hz"]
    by_side, findings = chains(sheet)
    if sheet["format"] != 1:
        findings.append(f"format {sheet['format']}")
    compared, worst, peak_db = 0, 0.0, -math.inf
    for side, parts in by_side.items():
        found, count, deviation, peak = check_chain(*parts, rates_hz)
        findings += [f"{side} {finding}" if side else finding for finding in found]
        compared, worst, peak_db = compared + count, max(worst, deviation), max(peak_db, peak)
    if compared == 0:
        return findings, ""

    level = sheet["level"]
    if not abs(level["peak_gain_db"] - peak_db) <= TOLERANCE_DB:
        findings.append(f"peak_gain_db {level['peak_gain_db']}, found {peak_db:.5f}")
    if not level["any_signal_gain_db"] >= peak_db - CLIP_TOLERANCE_DB:
        findings.append(f"any_signal_gain_db {level['any_signal_gain_db']} below the peak of {peak_db:.5f}")
    louder_lu = loudness_change_lu([parts[0] for parts in by_side.values()], rates_hz[0], level["preamp_db"])
    if not abs(level["loudness_change_lu"] - louder_lu) <= LOUDNESS_TOLERANCE_LU:
        findings.append(f"loudness_change_lu {level['loudness_change_lu']}, found {louder_lu:.5f}")
    # The any-signal gain itself is the sheet's own word here: no dense grid shows it.
    guarded_db = peak_db if level["guard"] == "sine" else level["any_signal_gain_db"]
    needed_db = guarded_db + level.get("true_peak_margin_db", 0.0)
    if not (level["preamp_db"] <= 0 and level["preamp_db"] + needed_db <= CLIP_TOLERANCE_DB):
        findings.append(f"preamp_db {level['preamp_db']} where the guard needs {-needed_db:.6f} dB")
    return findings, (
        f"{' + '.join(str(len(parts[0])) for parts in by_side.values())} sections, {len(rates_hz)} rates, {compared} gains within {worst:.5f} dB, "
        f"peak {peak_db:.4f} dB, preamp {level['preamp_db']} dB, {louder_lu:+.2f} LU"
    )


def main(paths):
    if not paths:
        print("usage: sheet_reader.py SHEET...", file=sys.stderr)
        return 2
    failed = False
    for path in paths:
        try:
            findings, summary = check(path)
        except (OSError, tomllib.TOMLDecodeError, KeyError, TypeError, ValueError, ArithmeticError) as error:
            findings, summary = [f"{type(error).__name__}: {error}"], ""
        failed |= bool(findings)
        print(f"{path}: " + ("DISAGREES: " + "; ".join(findings) if findings else "agrees: " + summary))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
