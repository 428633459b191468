#!/usr/bin/env python3
"""scipy's general-purpose solvers on the problems that `cargo bench --bench rivals` left in target/rivals.

    python3 tests/benches/rivals.py [--all] [--cases N] [--draws N]

Needs numpy and scipy only. CPU times are of one thread. The level is free: weighted residuals are
projected. `least_squares` starts plainly (sections evenly spread in octaves, gains 0.1 dB, q 1);
`differential_evolution` runs on three cases. On the random equalisers the rival adds the section that
correlates best with what is left and polishes all of them, one section after another; our numbers are
rounded to what one types, so ours are shown before that, too. --all runs everything on everything.
"""

import os

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"

import argparse
import json
from pathlib import Path
from time import process_time

import numpy as np
from scipy.optimize import differential_evolution, least_squares

FOLDER = Path(__file__).resolve().parents[2] / "target" / "rivals"
FLOOR_DB = 0.01  # residuals below this count as this
DB = 10 / np.log(10)


class Problem:
    """Weighted, level-free residuals of sections (ln f0, gain in dB, ln q) and their derivatives."""

    def __init__(self, folder, name, whole):
        frequency_hz, weight, self.wanted_db = np.loadtxt(
            folder / f"{name}.csv", delimiter=",", skiprows=1, unpack=True
        )
        self.name, self.rate_hz, self.ours = name, whole["rate_hz"], whole["answers"][name]
        self.phi = np.sin(np.pi * frequency_hz / self.rate_hz) ** 2
        self.weight = weight / np.sqrt(np.sum(weight**2))
        self.kinds = [s for s in whole["shapes"] for _ in range(s["most"])]
        self.shapes = [s["shape"] for s in self.kinds]

    def box(self, kinds=None):
        ends = lambda s: [np.log(s["f0_hz"]), np.array(s["gain_db"]), np.log(s["q"])]
        return np.concatenate([ends(s) for s in (self.kinds if kinds is None else kinds)]).T

    def levels(self, x, shapes, derivatives=False):
        """The cookbook's magnitudes: levels, sections by points, and their derivatives, dB."""
        f0_hz, gain_db, q = x.reshape(-1, 3).T[:, :, None]
        f0_hz, q = np.exp(f0_hz), np.exp(q)
        half = np.pi * f0_hz / self.rate_hz
        phi0 = np.sin(half) ** 2
        u, v = self.phi * (1 - phi0), (1 - self.phi) * phi0
        warp = 4 * half / np.sin(2 * half)  # d(u/v)/d(ln f0) = -(u/v) warp
        peaking = np.array([s == "peaking" for s in shapes])[:, None]
        sign = np.where([s == "high-shelf" for s in shapes], -1.0, 1.0)[:, None]
        a = 10 ** (sign * gain_db / 40)
        width = u * v / q**2
        wide = np.where(peaking, a * a, a) * width
        narrow = np.where(peaking, width / a**2, wide)
        num_edge, den_edge = np.where(peaking, v - u, a * v - u), np.where(peaking, v - u, a * u - v)
        num, den = num_edge**2 + wide, den_edge**2 + narrow
        level = np.where(peaking, 0, 0.5 * gain_db) + DB * np.log(num / den)
        if not derivatives:
            return level
        # d/d(ln f0) with u and v divided by sqrt(u v), so that only their ratio moves.
        shelf_num, shelf_den = a * a * v * v - u * u, v * v - a * a * u * u
        by_f0 = DB * warp * np.where(
            peaking, (v * v - u * u) * (1 / num - 1 / den), shelf_num / num - shelf_den / den
        )
        cross = wide - 2 * a * u * v
        shelf = 0.25 * ((2 * (a * v) ** 2 + cross) / num - (2 * (a * u) ** 2 + cross) / den)
        by_gain = np.where(peaking, 0.5 * (wide / num + narrow / den), 0.5 + sign * shelf)
        by_q = 2 * DB * (narrow / den - wide / num)
        return level, np.stack([by_f0, by_gain, by_q], 1).reshape(len(x), -1)

    def project(self, rows):
        rows = rows * self.weight
        return rows - np.multiply.outer(rows @ self.weight, self.weight)

    def residual(self, x, shapes=None):
        shapes = self.shapes if shapes is None else shapes
        return self.project(self.levels(x, shapes).sum(0) - self.wanted_db)

    def jacobian(self, x, shapes=None):
        shapes = self.shapes if shapes is None else shapes
        return self.project(self.levels(x, shapes, True)[1]).T

    def rms_db(self, x, shapes=None):
        return np.linalg.norm(self.residual(x, shapes))

    def check(self):
        """This file's formulas agree with our own, in value and slope."""
        for answer in self.ours.values():
            shapes = [s["shape"] for s in answer["sections"]]
            x = np.array([[np.log(s["f0_hz"]), s["gain_db"], np.log(s["q"])] for s in answer["sections"]]).ravel()
            assert abs(self.rms_db(x, shapes) - answer["rms_db"]) < 1e-6, self.name
            step = 1e-5 * np.eye(len(x))
            slope = np.array([self.residual(x + h, shapes) - self.residual(x - h, shapes) for h in step]) / 2e-5
            assert np.allclose(slope.T, self.jacobian(x, shapes), atol=1e-6), self.name


def read(which):
    whole = json.loads((FOLDER / f"{which}.json").read_text())
    problems = [Problem(FOLDER / which, name, whole) for name in whole["answers"]]
    problems[0].check()
    return problems


def plain_start(problem):
    low, high = np.log(problem.kinds[0]["f0_hz"])
    count = len(problem.shapes)
    return np.array([[low + (k + 0.5) / count * (high - low), 0.1, 0.0] for k in range(count)]).ravel()


def local(problem, jac):
    return least_squares(
        problem.residual, plain_start(problem), jac, problem.box(), method="trf", x_scale="jac", max_nfev=2000
    ).x


def evolution(problem, generations=700):
    """15 individuals a variable; with L-BFGS-B at the end, scipy's default."""
    square = lambda x: np.sum(problem.residual(x) ** 2)
    return differential_evolution(
        square, problem.box().T, maxiter=generations, popsize=15, tol=0, seed=0
    ).x


class Table:
    """Unit sections of 3 dB for the greedy rival, projected."""

    def __init__(self, problem):
        self.entries = []
        for index, (shape, per_octave, qs) in enumerate(
            [("low-shelf", 3, [0.3, 0.5, 0.8]), ("peaking", 6, [0.25, 0.5, 1, 2, 3]), ("high-shelf", 3, [0.3, 0.5, 0.8])]
        ):
            for f0_hz in np.geomspace(20, 20000, 10 * per_octave + 1):
                self.entries += [(index, shape, [np.log(f0_hz), 3.0, np.log(q)]) for q in qs]
        x = np.array([entry[2] for entry in self.entries]).ravel()
        self.rows = problem.project(problem.levels(x, [entry[1] for entry in self.entries]))
        self.rows /= np.maximum(np.linalg.norm(self.rows, axis=1), 1e-9)[:, None] / 3.0
        self.kind = np.array([entry[0] for entry in self.entries])


def greedy(problem, table):
    """The section that correlates best with what is left is added and all are polished, again and again."""
    kinds, x = [], np.empty(0)
    while len(kinds) < len(problem.kinds):
        shapes = [s["shape"] for s in kinds]
        left = -problem.residual(x, shapes) if kinds else problem.project(problem.wanted_db)
        score = table.rows @ left
        full = [shapes.count(s) >= problem.shapes.count(s) for s in ("low-shelf", "peaking", "high-shelf")]
        best = np.argmax(np.where(np.array(full)[table.kind], 0, np.abs(score)))
        _, shape, (ln_f0, _, ln_q) = table.entries[best]
        kinds.append(next(s for s in problem.kinds if s["shape"] == shape))
        gain_db = np.copysign(1.0, score[best])
        shapes.append(shape)
        low, high = problem.box(kinds)
        start = np.clip(np.append(x, [ln_f0, gain_db, ln_q]), low + 1e-9, high - 1e-9)
        last = len(kinds) == len(problem.kinds)
        x = least_squares(
            problem.residual, start, problem.jacobian, (low, high), x_scale="jac",
            max_nfev=200 if last else 15, args=(shapes,),
        ).x  # fmt: skip
    return x, shapes


def timed(work, *arguments):
    start = process_time()
    result = work(*arguments)
    return result, process_time() - start


def row(name, problems, method):
    ratios, seconds, times = [], [], []
    for problem in problems:
        x, spent = timed(method, problem)
        ours = problem.ours["normal"]
        ratios.append(max(problem.rms_db(x), FLOOR_DB) / max(ours["rms_db"], FLOOR_DB))
        seconds.append(spent)
        times.append(1e3 * spent / ours["cpu_ms"])
    print(
        f"| {name}, {len(problems)} cases | {np.median(ratios):.3f} | {np.max(ratios):.2f} "
        f"| {np.median(seconds):.2f} | {np.median(times):.1f} |",
        flush=True,
    )


def draws_rows(which, count):
    problems = read(which)[:count]
    table = Table(problems[0])
    errors, seconds = [], []
    for problem in problems:
        (x, shapes), spent = timed(greedy, problem, table)
        errors.append(problem.rms_db(x, shapes) ** 2)
        seconds.append(spent)
    spent_ms = 1e3 * np.mean(seconds)
    print(f"| {which}, {len(problems)} draws: greedy + least_squares | {np.mean(errors):.2e} | {np.max(errors):.2e} "
          f"| {np.mean(errors):.2e} | {spent_ms:.0f} | |")  # fmt: skip
    for effort in ("quick", "normal"):
        of = lambda key: np.array([problem.ours[effort][key] for problem in problems])
        error, ms = of("rms_db") ** 2, np.mean(of("cpu_ms"))
        print(f"| ours, {effort} | {np.mean(error):.2e} | {np.max(error):.2e} "
              f"| {np.mean(of('unrounded_rms_db') ** 2):.2e} | {ms:.0f} | {spent_ms / ms:.1f} |", flush=True)  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--all", action="store_true", help="all cases for differential evolution, all draws")
    parser.add_argument("--cases", type=int, default=1000, help="so many cases at most")
    parser.add_argument("--draws", type=int, default=20, help="so many random equalisers of each kind")
    options = parser.parse_args()
    cases = read("cases")[: options.cases]
    print("| method | residual / our normal's: median | worst | CPU, median s | time / normal's |")
    print("| --- | --- | --- | --- | --- |")
    row("least_squares, 2-point Jacobian", cases, lambda p: local(p, "2-point"))
    row("least_squares, analytic Jacobian", cases, lambda p: local(p, p.jacobian))
    spread = cases if options.all else cases[:: max(1, len(cases) // 3)][:3]
    row("differential_evolution", spread, evolution)
    print("\n| random equalisers | mean squared error, dB^2 | worst | unrounded, mean | CPU, mean ms | rival's / ours |")
    print("| --- | --- | --- | --- | --- | --- |")
    for which in ("draws-12", "draws-5"):
        draws_rows(which, None if options.all else options.draws)


if __name__ == "__main__":
    main()
