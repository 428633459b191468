#!/usr/bin/env python3
"""An independent reader of exported filters: `export_reader.py BANDWRIGHT SHEET...` lets the program export every sheet
in every form and reads the files as a stranger would.

Second-order sections go through scipy.signal.sosfreqz and must agree within 1e-9 dB with filters built from the
sheet's own coefficients, and with ones built from the sections' numbers by the Audio EQ Cookbook (as written down in
sheet_reader.py; at very high rates within four roundings of the coefficients, which count more there); and with the
checkpoints as far as those have decimals. Bare coefficients must be the same numbers. The transform of the
impulse response, read by scipy.io.wavfile, must agree within 0.01 dB at every point of the common grid, its phase
within 0.1 degrees, and its zeros must lie inside the unit circle. The table of gain and phase must agree with the
sections within its decimals. All with and without the preamp.
Prints one line a sheet; exits with 1 if one disagrees. Needs Python 3.11, numpy and scipy.
"""

import csv
import json
import math
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import numpy as np
from scipy.io import wavfile
from scipy.signal import freqz, sosfreqz

from sheet_reader import chains, cookbook

SOS_DB = 1e-9
CHECKPOINT_DB = 0.5e-4 + 1e-9
TABLE = 2e-6
WAV_DB = 0.01
WAV_DEG = 0.1
GRID_HZ = np.array([20 * 2 ** (i / 48) for i in range(479)])


def read_table(path):
    """Comment lines and rows by column name."""
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    return comments, list(csv.DictReader(line for line in lines if not line.startswith("#")))


def response(rows, frequency_hz, rate_hz):
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    return sosfreqz(np.array(rows), worN=2 * np.pi * frequency_hz / rate_hz)[1]


def db(response):
    return 20 * np.log10(np.abs(response))


def rounding_db(rows, frequency_hz, rate_hz):
    """What four roundings of every coefficient can change: more than 1e-9 dB only far below a very high rate."""
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz) / rate_hz)
    parts = [part for row in np.array(rows, dtype=float) for part in (row[:3], row[3:])]
    relative = sum(np.abs(p).sum() / np.abs(p[0] + p[1] * z + p[2] * z**2) for p in parts)
    return 20 / math.log(10) * 4 * 2.0**-53 * relative


class Reader:
    def __init__(self, program, path, folder):
        self.program, self.path, self.folder = program, path, folder
        with open(path, "rb") as file:
            self.sheet = tomllib.load(file)
        self.rates_hz = self.sheet["equaliser"]["rates_hz"]
        self.preamp_db = self.sheet["level"]["preamp_db"]
        self.by_side, self.findings = chains(self.sheet)
        self.worst = {}

    def export(self, form, ending, *options):
        output = self.folder / f"{form}{ending}"
        command = [self.program, "export", self.path, "--form", form, "--quiet", "-o", output, *options]
        subprocess.run(command, check=True)
        return output

    def expect(self, what, found, expected, tolerance):
        deviation = np.abs(np.asarray(found) - np.asarray(expected))
        self.worst[what] = max(self.worst.get(what, 0.0), float(np.max(deviation, initial=0.0)))
        # Written so that NaN is a finding, too.
        if not np.all(deviation <= tolerance):
            self.findings.append(f"{what}: {np.max(deviation):.3g} off")

    def check(self):
        for options, preamp_db in ([], self.preamp_db), (["--without-preamp"], 0.0):
            self.check_matrix(options, preamp_db)
            self.check_table(options, preamp_db)
            for rate_hz in self.rates_hz:
                self.check_wav(rate_hz, options, preamp_db)
        return self.findings

    def chain(self, side):
        return self.by_side[None if side == "both" else side]

    def check_matrix(self, options, preamp_db):
        comments, rows = read_table(self.export("sos", ".csv", *options))
        word = "NOT included" if options else "included"
        if not any(f"preamp: {self.preamp_db} dB, {word}" in line for line in comments):
            self.findings.append("the preamp is not told")
        names = ["b0", "b1", "b2", "a0", "a1", "a2"]
        matrices = {}
        for row in rows:
            matrices.setdefault((row["side"], float(row["rate_hz"])), []).append([float(row[name]) for name in names])
        if set(matrices) != {(side or "both", float(rate)) for side in self.by_side for rate in self.rates_hz}:
            self.findings.append(f"matrices for {sorted(matrices)}")

        document = json.loads(self.export("sos", ".json", *options).read_text(encoding="utf-8"))
        same = {(chain["side"], chain["rate_hz"]): chain["sos"] for chain in document["chains"]}
        if same != matrices or document["preamp_included"] is bool(options):
            self.findings.append("NAME.json is not NAME.csv")
        _, bare = read_table(self.export("coefficients", ".csv", *options))
        if [[row[name] for name in names if name != "a0"] for row in bare] != [
            [row[name] for name in names if name != "a0"] for row in rows
        ]:
            self.findings.append("coefficients are not those of the matrix")

        for (side, rate_hz), matrix in matrices.items():
            sections, checkpoints, coefficients = self.chain(side)
            own = [cookbook(section, rate_hz) for section in sections] or [[1.0, 0, 0, 1, 0, 0]]
            stated = next(c["section"] for c in coefficients if c["rate_hz"] == rate_hz)
            stated = [[c["b0"], c["b1"], c["b2"], 1.0, c["a1"], c["a2"]] for c in stated] or own
            point = next(c for c in checkpoints if c["rate_hz"] == rate_hz)
            at_hz = np.concatenate([point["frequency_hz"], GRID_HZ[GRID_HZ < rate_hz / 2]])
            tolerance = np.maximum(SOS_DB, rounding_db(own, at_hz, rate_hz))
            found = db(response(matrix, at_hz, rate_hz)) - preamp_db
            self.expect("sos, cookbook (dB)", found, db(response(own, at_hz, rate_hz)), tolerance)
            self.expect("sos, sheet (dB)", found, db(response(stated, at_hz, rate_hz)), SOS_DB)
            self.expect("checkpoints (dB)", found[: len(point["gain_db"])], point["gain_db"], CHECKPOINT_DB)

    def check_table(self, options, preamp_db):
        _, rows = read_table(self.export("response", ".csv", *options))
        points = {}
        for row in rows:
            point = [float(row[name]) for name in ("frequency_hz", "gain_db", "phase_deg")]
            points.setdefault((row["side"], float(row["rate_hz"])), []).append(point)
        for (side, rate_hz), table in points.items():
            frequency_hz, gain_db, phase_deg = np.array(table).T
            sections, _, _ = self.chain(side)
            own = np.array([response([cookbook(s, rate_hz)], frequency_hz, rate_hz) for s in sections])
            self.expect("table, frequency (Hz)", frequency_hz, GRID_HZ[GRID_HZ < rate_hz / 2], 1e-6)
            self.expect("table, gain (dB)", gain_db - preamp_db, db(own).sum(axis=0), TABLE)
            self.expect("table, phase (degrees)", phase_deg, np.degrees(np.angle(own)).sum(axis=0), TABLE)

    def check_wav(self, rate_hz, options, preamp_db):
        stated_hz, samples = wavfile.read(self.export("impulse", ".wav", "--rate-hz", str(rate_hz), *options))
        samples = np.atleast_2d(samples.T).astype(float)
        if stated_hz != rate_hz or len(samples) != len(self.by_side):
            self.findings.append(f"WAV of {stated_hz} Hz with {len(samples)} channels")
        grid_hz = GRID_HZ[GRID_HZ < rate_hz / 2]
        for (sections, _, _), channel in zip(self.by_side.values(), samples):
            _, found = freqz(channel, worN=2 * np.pi * grid_hz / rate_hz)
            own = np.array([response([cookbook(s, rate_hz)], grid_hz, rate_hz) for s in sections] or [np.ones(len(grid_hz))])
            self.expect("WAV (dB)", db(found) - preamp_db, db(own).sum(axis=0), WAV_DB)
            turn = found / np.exp(1j * np.angle(own).sum(axis=0))
            self.expect("WAV, phase (degrees)", np.degrees(np.angle(turn)), 0.0, WAV_DEG)
        zeros = [abs(z) for sections, _, _ in self.by_side.values() for s in sections for z in np.roots(cookbook(s, rate_hz)[:3])]
        if not max(zeros, default=0.0) < 1:
            self.findings.append("not minimum phase")


def main(program, paths):
    if not paths:
        print("usage: export_reader.py BANDWRIGHT SHEET...", file=sys.stderr)
        return 2
    failed = False
    for path in paths:
        with tempfile.TemporaryDirectory() as folder:
            try:
                reader = Reader(program, path, Path(folder))
                findings = reader.check()
                summary = ", ".join(f"{what} {worst:.1e}" for what, worst in reader.worst.items())
            except (OSError, subprocess.CalledProcessError, KeyError, StopIteration, ValueError) as error:
                findings, summary = [f"{type(error).__name__}: {error}"], ""
        failed |= bool(findings)
        print(f"{path}: " + ("DISAGREES: " + "; ".join(findings) if findings else "agrees: " + summary))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "", sys.argv[2:]))
