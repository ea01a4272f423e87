"""Times scipy.optimize.least_squares on the readings of benches/src/bin/fix_against_scipy.rs, which runs this.

    python scipy_fix.py SITES LEVELS ENDS

SITES: x, y, z in mm a row; LEVELS: dBm, one column a site, a row an instant; ENDS is written: x, y, z in mm a row. Prints
SciPy's version and the time a fix in microseconds, the quickest of three runs. Ends with 3 where SciPy is missing.

Levenberg and Marquardt's method (MINPACK), an analytic Jacobian, unknowns scaled to 50 mm, default tolerances, one start in
the middle of the torso. Law and spread are those of alvine-benches: 47.14 dB at 50 mm, n = 4.26, -20 dBm, 4 dB.
"""
import sys
import time

try:
    import numpy as np
    import scipy
    from scipy.optimize import least_squares
except ImportError:
    sys.exit(3)

RUNS = 3
START = np.array([0.0, 115.0, 40.0])
SCALE = np.array([50.0, 50.0, 50.0])


def main(sites_path, levels_path, ends_path):
    sites = np.loadtxt(sites_path, delimiter=",")
    levels = np.loadtxt(levels_path, delimiter=",")
    per_log = 42.6 / np.log(10.0)

    def residuals(p, z):
        offset = p - sites
        return (z + 67.14 + 0.5 * per_log * np.log(np.einsum("ij,ij->i", offset, offset) / 2500.0)) / 4.0

    def jacobian(p, z):
        offset = p - sites
        return offset * (per_log / 4.0 / np.einsum("ij,ij->i", offset, offset))[:, None]

    best = np.inf
    for _ in range(RUNS):
        start = time.perf_counter()
        ends = [least_squares(residuals, START, jacobian, method="lm", x_scale=SCALE, args=(z,)).x for z in levels]
        best = min(best, time.perf_counter() - start)
    np.savetxt(ends_path, np.array(ends), delimiter=",", fmt="%.6f")
    print(scipy.__version__, f"{1e6 * best / len(levels):.3f}")


main(*sys.argv[1:])
