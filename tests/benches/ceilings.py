#!/usr/bin/env python3
"""Fits under ceilings of loudness and gain, against scipy's SLSQP from five starts under the same constraints.

    cargo build --release && python3 tests/benches/ceilings.py [--cases N] [--refusals N]

Needs numpy and scipy only. Without economy term, which SLSQP does not have. The limits are continuous, at 44.1 kHz. SLSQP has the same shapes and ranges, exact
derivatives of the objective, and the ceiling at every point of the curves and of what is heard. It starts from random
sections, from the free answer, and from the free answer with all gains halved. Both answers are judged by the formulas
here. With --refusals: so many fits with little preamp under both guards; each refusal is printed.
"""

import argparse
import csv
import json
import subprocess
import sys
import tempfile
import types
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.signal import lfilter

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "benches"))
from rivals import Problem  # noqa: E402  (it also keeps numpy to one thread)

PROGRAM = ROOT / "target" / "release" / "bandwright"
RATE_HZ = 44_100
DB = 10 / np.log(10)
RANGES = {"low-shelf": (0.4, 1.0), "peaking": (0.3, 6.0), "high-shelf": (0.4, 1.0)}
MOST = {"low-shelf": 1, "peaking": 6, "high-shelf": 1}


def limits(sections=8, more="", preamp_min=-60):
    return f"""format = 1
name = "continuous"
sections = {sections}
rates_hz = [{RATE_HZ}]
preamp_db = {{ min = {preamp_min}, max = 0{", step = 0.01" if preamp_min else ""} }}
f0_hz = {{ min = 20, max = 20000 }}
gain_db = {{ min = -12, max = 6 }}
q = {{ min = 0.3, max = 6 }}
shelf_q = {{ min = 0.4, max = 1 }}
{more}
[shapes]
low-shelf = 1
peaking = 6
high-shelf = 1
"""


def run(folder, curve, target, text, *options):
    path = folder / "cont.limits.toml"
    path.write_text(text)
    command = [PROGRAM, "fit", *curve, "--target", target, "--limits", path, "--this-ear", "--as-good", "0"]
    command += ["--sections", "all", "--economy", "0"]
    done = subprocess.run([*command, "--json", *options], capture_output=True, text=True, check=False)
    if done.returncode:
        return None, done.stderr
    return json.loads(done.stdout), ""


def a_db(f):
    low, b, c, high = 20.6, 107.7, 737.9, 12194.0
    one = lambda f: (
        high**2 * f**4 / ((f**2 + low**2) * np.sqrt((f**2 + b**2) * (f**2 + c**2)) * (f**2 + high**2))
    )
    return 20 * np.log10(one(f) / one(1000.0))


def diffuse_db(f, table):
    rows = [r for r in csv.reader(open(ROOT / "src/cost/field_to_eardrum.csv")) if r[0] == table]
    hz, db = np.array([[float(r[1]), float(r[3])] for r in rows]).T
    return np.interp(np.log(f), np.log(hz), db)


class Case:
    """One wanted change, what is heard, and the ceilings."""

    def __init__(self, document, table):
        curves = {k: np.array(v) for k, v in document["curves"].items() if v is not None}
        self.f_hz = curves["frequency_hz"]
        weight = curves["weight"]
        self.wanted_db = curves["target_db"] - curves["expected_db"]
        self.heard_hz = np.geomspace(20, 20000, 481)
        unit_db = np.interp(np.log(self.heard_hz), np.log(self.f_hz), curves["expected_db"])
        power = 10 ** ((unit_db - diffuse_db(self.heard_hz, table) + a_db(self.heard_hz)) / 10)
        power[[0, -1]] /= 2
        self.heard = power / power.sum()
        self.fit = self._on(self.f_hz, weight, self.wanted_db)
        self.all_hz = np.geomspace(5, 20000, 200)
        self.over = self._on(self.all_hz, np.ones(200), np.zeros(200))
        self.hear = self._on(self.heard_hz, np.ones(481), np.zeros(481))

    @staticmethod
    def _on(f_hz, weight, wanted_db):
        problem = types.SimpleNamespace()
        problem.rate_hz, problem.wanted_db = RATE_HZ, wanted_db
        problem.phi = np.sin(np.pi * f_hz / RATE_HZ) ** 2
        problem.weight = weight / np.sqrt(np.sum(weight**2))
        problem.levels = types.MethodType(Problem.levels, problem)
        problem.project = types.MethodType(Problem.project, problem)
        return problem

    def residual_db(self, x, shapes):
        level = self.fit.levels(x, shapes).sum(0)
        return np.linalg.norm(self.fit.project(level - self.wanted_db))

    def square(self, x, shapes):
        level, slopes = self.fit.levels(x, shapes, True)
        rest = self.fit.project(level.sum(0) - self.wanted_db)
        return rest @ rest, 2 * self.fit.project(slopes) @ rest

    def gains(self, x, shapes):
        level, slopes = self.over.levels(x, shapes, True)
        return level.sum(0), slopes.reshape(len(x), -1)

    def heard_change(self, x, shapes):
        level, slopes = self.hear.levels(x, shapes, True)
        shares = self.heard * 10 ** (level.sum(0) / 10)
        total = shares.sum()
        return DB * np.log(total), slopes.reshape(len(x), -1) @ (shares / total)

    def loss_db(self, x, shapes):
        return max(0.0, self.gains(x, shapes)[0].max()) - self.heard_change(x, shapes)[0]

    def any_signal_db(self, x, shapes):
        signal = np.zeros(8192)
        signal[0] = 1
        for shape, (f0, gain, q) in zip(shapes, x.reshape(-1, 3)):
            signal = lfilter(*coefficients(shape, np.exp(f0), gain, np.exp(q)), signal)
        return 20 * np.log10(np.abs(signal).sum())

    def constraints(self, kind, most, shapes):
        if kind == "loss":

            def value(x):
                gains, (heard, _) = self.gains(x, shapes)[0], self.heard_change(x, shapes)
                return np.append(most - (gains - heard), most + heard)

            def slope(x):
                slopes, heard = self.gains(x, shapes)[1], self.heard_change(x, shapes)[1]
                return np.vstack([(heard[:, None] - slopes).T, heard])

            return {"type": "ineq", "fun": value, "jac": slope}
        if kind == "gain":
            return {
                "type": "ineq",
                "fun": lambda x: most - self.gains(x, shapes)[0],
                "jac": lambda x: -self.gains(x, shapes)[1].T,
            }
        return {"type": "ineq", "fun": lambda x: most - self.any_signal_db(x, shapes)}


def coefficients(shape, f0_hz, gain_db, q):
    """The cookbook's biquads (R. Bristow-Johnson)."""
    a, w = 10 ** (gain_db / 40), 2 * np.pi * f0_hz / RATE_HZ
    cos, alpha = np.cos(w), np.sin(w) / (2 * q)
    if shape == "peaking":
        return [1 + alpha * a, -2 * cos, 1 - alpha * a], [1 + alpha / a, -2 * cos, 1 - alpha / a]
    sign, beta = (1 if shape == "low-shelf" else -1), 2 * np.sqrt(a) * alpha
    p, m = a + 1, sign * (a - 1)
    num = [a * (p - m * cos + beta), 2 * a * (m - p * cos), a * (p - m * cos - beta)]
    den = [p + m * cos + beta, -2 * (m + p * cos), p + m * cos - beta]
    return num, den


def typed(document):
    sections = document["sections"]
    shapes = [s["shape"] for s in sections]
    x = np.array([[np.log(s["f0_hz"]), s["gain_db"], np.log(s["q"])] for s in sections]).ravel()
    return x, shapes


def full(x, shapes):
    """The sections with idle ones added, so that the rival has all shapes."""
    have = {shape: [x.reshape(-1, 3)[i] for i, s in enumerate(shapes) if s == shape] for shape in MOST}
    rows, kinds = [], []
    spare = iter(np.geomspace(60, 12000, 8))
    for shape, most in MOST.items():
        rows += have[shape] + [np.array([np.log(next(spare)), 0.1, np.log(0.7)])] * (most - len(have[shape]))
        kinds += [shape] * most
    return np.concatenate(rows), kinds


def rival(case, kind, most, free, seed):
    rng = np.random.default_rng(seed)
    free_x, shapes = full(*free)
    f_low, f_high = np.log(max(20.0, case.f_hz[0])), np.log(case.f_hz[-1])
    bounds = []
    for shape in shapes:
        bounds += [(f_low, f_high), (-12, 6), tuple(np.log(RANGES[shape]))]
    low, high = np.array(bounds).T
    halved = free_x.copy()
    halved[1::3] /= 2
    starts = [free_x, halved]
    for _ in range(3):
        start = rng.uniform(low, high)
        start[1::3] = rng.uniform(-4, 2, len(shapes))
        starts.append(start)
    best = (np.inf, None)
    constraint = case.constraints(kind, most, shapes)
    for start in starts:
        found = minimize(
            lambda x: case.square(x, shapes), np.clip(start, low, high), jac=True, bounds=bounds, method="SLSQP",
            constraints=[constraint], options={"maxiter": 400, "ftol": 1e-9},
        )
        x = np.clip(found.x, low, high)
        if np.min(constraint["fun"](x)) > -0.003 and case.residual_db(x, shapes) < best[0]:
            best = (case.residual_db(x, shapes), x)
    return best[0]


def cases(folder):
    ears = list(csv.reader(open(ROOT / "tests/reference/ear/kemar_12_ear.csv")))
    for column in range(1, 13):
        path = folder / f"ear-{column}.csv"
        path.write_text("frequency_hz,level_db\n" + "".join(f"{r[0]},{r[column]}\n" for r in ears[1:]))
        yield [path], "diffuse-field" if column % 2 else "flat"
    demo = ROOT / "demo-data"
    for unit in ["dunlin", "fieldfare-mesh", "fieldfare-wool"]:
        for target in ["flat", "diffuse-field", "long-listening"]:
            yield [demo / unit / f"{unit}.unit.toml"], target


def compare(folder, count, table):
    kinds = [("loss", 2.0), ("loss", 4.0), ("loss", 8.0), ("gain", 3.0)]
    kinds += [("sine", 3.0), ("any-signal", 3.0), ("any-signal", 6.0)]
    beaten, total, monotone = [], 0, 0
    for index, (curve, target) in enumerate(list(cases(folder))[:count]):
        free, message = run(folder, curve, target, limits())
        if free is None:
            print(curve, target, message)
            continue
        case = Case(free, table)
        residuals = {}
        for kind, most in kinds:
            if kind == "loss":
                ours, message = run(folder, curve, target, limits(), "--max-loudness-loss", str(most))
            elif kind == "gain":
                ours, message = run(folder, curve, target, limits(more=f"total_boost_max_db = {most}"))
            else:
                ours, message = run(folder, curve, target, limits(preamp_min=-most), "--guard", kind)
            if ours is None:
                print(f"{index} {kind} {most}: refused: {message}")
                beaten.append((index, kind, most))
                continue
            x, shapes = typed(ours)
            own_db = case.residual_db(x, shapes)
            stated = -ours["heard"]["total_db"]
            allowed = most + case.loss_db(x, shapes) - stated if kind == "loss" else most
            name = {"sine": "gain", "any-signal": "any"}.get(kind, kind)
            rival_db = rival(case, name, allowed, typed(free), index)
            residuals[kind, most] = own_db
            bad = own_db > max(1.03 * rival_db, rival_db + 0.01)
            total += 1
            if bad:
                beaten.append((index, kind, most))
            print(
                f"{index:2} {curve[0].name:28.28} {target:14} {kind:10} {most:3} ours {own_db:.3f} rival {rival_db:.3f} dB"
                f" (loss {stated:.2f}, here {case.loss_db(x, shapes):.2f}) {'BEATEN' if bad else ''}", flush=True
            )
        losses = [residuals.get(("loss", most), np.nan) for most in (2.0, 4.0, 8.0)]
        monotone += losses[0] >= losses[1] - 1e-9 >= losses[2] - 2e-9
    print(f"{total} comparisons, beaten {len(beaten)}: {beaten}; monotone {monotone}")


def refusals(folder, count):
    rng = np.random.default_rng(7)
    all_cases = list(cases(folder))
    refused = 0
    for index in range(count):
        curve, target = all_cases[rng.integers(len(all_cases))]
        preamp = [0, 1, 3, 6][index % 4]
        guard = ["sine", "any-signal"][index // 4 % 2]
        sections = int(rng.integers(2, 9))
        text = limits(sections=sections, preamp_min=-preamp)
        document, message = run(folder, curve, target, text, "--guard", guard, "--effort", "quick")
        if document is None:
            refused += 1
            print(f"{curve[0].name} {target} {sections} sections, {preamp} dB, {guard}: {message.strip()[:300]}", flush=True)
    print(f"{count} fits with little preamp: {refused} refused")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=21)
    parser.add_argument("--refusals", type=int, default=0)
    parser.add_argument("--table", default="p58", help="the table of what is heard, as the program's default")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if arguments.refusals:
            refusals(Path(folder), arguments.refusals)
        else:
            compare(Path(folder), arguments.cases, arguments.table)


if __name__ == "__main__":
    main()
