"""Fitted laws by numpy.linalg.lstsq and scipy.optimize.minimize, for tests/tests/calibrate_against_scipy.rs.

Run with the versions of requirements.txt:  python tests/reference/calibrate_reference.py

Writes tests/data/calibrate_readings.csv, levels of the default eight sites at 30 random places on a torso of
330 mm x 230 mm (IEEE 802.15.6 deep-tissue law, -20 dBm, a gain a site, a spread of 5 dB), and
tests/data/calibrate_scipy.csv, the laws fitted to them. Without a floor: least squares, covariance s^2 (X'X)^-1. With a
floor: the most likely level a site, exponent and ln spread of the censored likelihood by Newton-CG and BFGS, the better
end; covariance from second derivatives by central differences of the gradient.
"""
import pathlib

import numpy as np
import scipy
from scipy.optimize import minimize
from scipy.stats import norm

DATA = pathlib.Path(__file__).parent.parent / "data"
A, B = 165.0, 115.0
SITES = [(-90, 115), (0, 115), (90, 115), (-130, 0), (130, 0), (-90, -90), (0, -90), (90, -90)]
REFERENCE_MM = 50.0
GAINS = np.array([1.5, -2.0, 0.5, 3.0, -1.0, -2.5, 0.0, 0.5])


def antennas():
    columns = {90: A * 6.0 / 11.0, 130: A * 26.0 / 33.0, 0: 0.0}
    places = []
    for x, z in SITES:
        x = np.sign(x) * columns[abs(x)]
        places.append((x, B * (1.0 - np.sqrt(1.0 - (x / A) ** 2)), float(z)))
    return np.array(places)


def simulate(rng):
    places = np.round(np.column_stack([rng.uniform(-120, 120, 30), rng.uniform(40, 190, 30), rng.uniform(-150, 200, 30)]), 1)
    d = np.linalg.norm(places[:, None, :] - antennas()[None], axis=2)
    levels = -20.0 + GAINS - 47.14 - 42.6 * np.log10(d / REFERENCE_MM) + rng.normal(0, 5.0, d.shape)
    levels = np.round(levels, 2)
    levels[rng.uniform(size=levels.shape) < 0.05] = np.nan
    return places, levels


def table(places, levels, per_site):
    """Rows of the design matrix (levels, then -x for the exponent) and levels, of what came."""
    d = np.linalg.norm(places[:, None, :] - antennas()[None], axis=2)
    x = 10.0 * np.log10(d / REFERENCE_MM)
    site = np.tile(np.arange(8), (len(places), 1))
    keep = ~np.isnan(levels)
    # Single precision, as levels are stored.
    x, z, site = x[keep], levels[keep].astype(np.float32).astype(float), site[keep]
    groups = np.eye(8)[site] if per_site else np.ones((len(x), 1))
    return np.column_stack([groups, -x]), z


def least_squares(design, z):
    found, _, _, _ = np.linalg.lstsq(design, z, rcond=None)
    freedom = len(z) - design.shape[1]
    spread = np.sqrt(np.sum((z - design @ found) ** 2) / freedom)
    errors = spread * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    return found, errors, spread, spread / np.sqrt(2 * freedom)


def most_likely(design, z, floor):
    below = z <= floor

    def value(p):
        s, r = np.exp(p[-1]), (np.where(below, floor, z) - design @ p[:-1]) / np.exp(p[-1])
        return np.sum(0.5 * r[~below] ** 2) + np.sum(~below) * np.log(s) - np.sum(norm.logcdf(r[below]))

    def gradient(p):
        s, r = np.exp(p[-1]), (np.where(below, floor, z) - design @ p[:-1]) / np.exp(p[-1])
        # d value / d r, and r falls by design / s and by r for a unit of ln s.
        by_r = np.where(below, -np.exp(norm.logpdf(r) - norm.logcdf(r)), r)
        return np.append(-design.T @ by_r / s, -np.sum(by_r * r) + np.sum(~below))

    start = np.append(least_squares(design, z)[0], np.log(5.0))
    ends = [minimize(value, start, jac=gradient, method=m, options=o)
            for m, o in (("BFGS", {"gtol": 1e-9}), ("Newton-CG", {"xtol": 1e-14}))]
    best = min(ends, key=lambda end: end.fun).x

    def second(p):
        steps = 1e-5 * np.eye(len(p))
        rows = np.array([(gradient(p + e) - gradient(p - e)) / 2e-5 for e in steps])
        return 0.5 * (rows + rows.T)

    for _ in range(5):
        best = best - np.linalg.solve(second(best), gradient(best))
    assert np.max(np.abs(gradient(best))) < 1e-8
    errors = np.sqrt(np.diag(np.linalg.inv(second(best))))
    spread = np.exp(best[-1])
    return best[:-1], errors[:-1], spread, spread * errors[-1]


def main():
    rng = np.random.default_rng(20260302)
    places, levels = simulate(rng)
    origin = f"# numpy {np.__version__}, scipy {scipy.__version__}; see tests/reference/calibrate_reference.py\n"
    with open(DATA / "calibrate_readings.csv", "w") as out:
        out.write(origin + "x_mm,y_mm,z_mm," + ",".join(f"rssi{i}_dbm" for i in range(8)) + "\n")
        for place, row in zip(places, levels):
            out.write(",".join([*map(repr, map(float, place)), *("" if np.isnan(v) else repr(float(v)) for v in row)]) + "\n")
    with open(DATA / "calibrate_scipy.csv", "w") as out:
        head = ["site_levels", "floor_dbm", "exponent", "exponent_error", "spread_db", "spread_error_db"]
        head += [f"level{i}_dbm" for i in range(8)] + [f"level{i}_error_db" for i in range(8)]
        out.write(origin + ",".join(head) + "\n")
        for per_site in (True, False):
            for floor in (None, -95.0, -88.0):
                design, z = table(places, levels, per_site)
                found, errors, spread, spread_error = (
                    least_squares(design, z) if floor is None else most_likely(design, z, floor))
                index = np.arange(8) if per_site else np.zeros(8, int)
                cells = [found[-1], errors[-1], spread, spread_error, *found[index], *errors[index]]
                out.write(",".join(["per-site" if per_site else "common", "" if floor is None else repr(floor),
                                    *(repr(float(v)) for v in cells)]) + "\n")


if __name__ == "__main__":
    main()
