#!/usr/bin/env python3
"""Made pchip_scipy.csv with scipy 1.17.1: python3 make_pchip_scipy.py > pchip_scipy.csv"""

import numpy
import scipy
from scipy.interpolate import PchipInterpolator

CASES = {
    "two-points": ([0.0, 2.0], [1.0, 5.0]),
    "monotone": ([0.0, 1.0, 2.5, 4.0, 4.25, 7.0], [0.0, 0.5, 3.0, 3.1, 9.0, 9.0]),
    "peaks": ([-3.0, -1.0, 0.0, 0.1, 2.0, 5.0, 6.0], [2.0, -7.5, 12.0, 11.0, 11.0, -60.0, -59.5]),
    "steep-ends": ([0.0, 1.0, 1.5, 3.0], [0.0, 0.1, 8.0, -20.0]),
    "log-frequency": (
        numpy.log([20.0, 31.5, 63.0, 125.0, 1000.0, 1010.0, 8000.0, 20000.0]).tolist(),
        [-3.25, 0.5, 1.0, 0.75, 0.0, 0.25, 9.5, -14.0],
    ),
}

print(f"# PCHIP values by scipy.interpolate.PchipInterpolator, scipy {scipy.__version__}; made by make_pchip_scipy.py")
print("case,kind,x,y")
for name, (x, y) in CASES.items():
    for pair in zip(x, y):
        print(f"{name},knot,{pair[0]!r},{pair[1]!r}")
    interpolant = PchipInterpolator(x, y)
    inner = numpy.concatenate([numpy.linspace(a, b, 6)[1:-1] for a, b in zip(x, x[1:])])
    for at in inner.tolist():
        print(f"{name},value,{at!r},{float(interpolant(at))!r}")
