"""Bounds, coverage, dilution and link budgets by NumPy and SciPy, for tests/tests/layout_against_numpy.rs.

Run with the versions of requirements.txt:  python tests/reference/layout_reference.py

Writes tests/data/layout_numpy.csv: at 40 random places, for the default eight sites on a torso of 330 mm x 230 mm (IEEE
802.15.6 deep-tissue law, -20 dBm), with and without a floor, the Cramer-Rao bound with the level known, known to 2 dB and
unknown; and the chance that four sites are heard, the sites to be expected, and the dilution. Gradients are central
differences of the law; the information of a censored reading is an integral by scipy.integrate.quad; matrices are full
4 x 4 ones with the level as fourth unknown, inverted by numpy.linalg.inv; the chance is a sum over all 2^8 outcomes. Writes
tests/data/link_scipy.csv: the deepest place heard, by scipy.optimize.brentq on the normal law of the shadowing.
"""

import itertools
import pathlib

import numpy as np
import scipy
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

DATA = pathlib.Path(__file__).parent.parent / "data"
A, B = 165.0, 115.0
L0, D0, N, POWER = 47.14, 50.0, 4.26, -20.0
SITES = [(-90, 115), (0, 115), (90, 115), (-130, 0), (130, 0), (-90, -90), (0, -90), (90, -90)]
SPREAD = np.hypot(7.85, 2.0)


def antennas():
    columns = {90: A * 6.0 / 11.0, 130: A * 26.0 / 33.0, 0: 0.0}
    places = []
    for x, z in SITES:
        x = np.sign(x) * columns[abs(x)]
        places.append((x, B * (1.0 - np.sqrt(1.0 - (x / A) ** 2)), float(z)))
    return np.array(places)


ANTENNAS = antennas()


def median(place):
    d = np.linalg.norm(place - ANTENNAS, axis=1)
    return POWER - L0 - 10.0 * N * np.log10(d / D0)


def gradient(place):
    h = 1e-4
    columns = []
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = h
        columns.append((median(place + step) - median(place - step)) / (2.0 * h))
    return np.stack(columns, axis=1)


def information_of_reading(mu, floor):
    """Fisher information of one reading on its mean, 1/dB^2, censored below the floor."""
    if floor is None:
        return 1.0 / SPREAD**2
    z = (floor - mu) / SPREAD
    if z < -8.5:
        return 1.0 / SPREAD**2
    above, _ = quad(lambda t: t * t * norm.pdf(t), z, max(z, 0.0) + 12.0, epsabs=1e-13, epsrel=1e-12, limit=200)
    return (above + np.exp(2.0 * norm.logpdf(z) - norm.logcdf(z))) / SPREAD**2


def bound(place, floor, prior):
    """Root-mean-square error, mm; prior None for a known level, inf for an unknown one."""
    mu, g = median(place), gradient(place)
    jacobian = np.hstack([g, np.ones((8, 1))])
    weights = np.diag([information_of_reading(m, floor) for m in mu])
    full = jacobian.T @ weights @ jacobian
    if prior is None:
        return np.sqrt(np.trace(np.linalg.inv(full[:3, :3])))
    if np.isfinite(prior):
        full[3, 3] += 1.0 / prior**2
    return np.sqrt(np.trace(np.linalg.inv(full)[:3, :3]))


def coverage(place, floor):
    heard = norm.sf(floor, loc=median(place), scale=SPREAD)
    four = sum(
        np.prod([p if yes else 1.0 - p for p, yes in zip(heard, outcome)])
        for outcome in itertools.product([0, 1], repeat=8)
        if sum(outcome) >= 4
    )
    return heard.sum(), four


def dilution(place, floor):
    away = place - ANTENNAS
    units = away / np.linalg.norm(away, axis=1, keepdims=True)
    units = units[median(place) > floor]
    return np.sqrt(np.trace(np.linalg.inv(units.T @ units)))


def maps():
    rng = np.random.default_rng(20)
    rows = []
    for _ in range(40):
        angle, radius = rng.uniform(0, 2 * np.pi), np.sqrt(rng.uniform(0, 0.9))
        place = np.round([A * radius * np.cos(angle), B + B * radius * np.sin(angle), rng.uniform(-170, 250)], 1)
        for floor in (-100.0, -88.0):
            bounds = [bound(place, floor, prior) for prior in (None, 2.0, np.inf)]
            free = [bound(place, None, prior) for prior in (None, 2.0, np.inf)]
            rows.append([*place, floor, *bounds, *free, *coverage(place, floor), dilution(place, floor) if np.sum(median(place) > floor) >= 4 else np.nan])
    with open(DATA / "layout_numpy.csv", "w") as out:
        out.write(f"# numpy {np.__version__}, scipy {scipy.__version__}; see tests/reference/layout_reference.py\n")
        out.write("x_mm,y_mm,z_mm,floor_dbm,known_mm,prior_mm,unknown_mm,known_free_mm,prior_free_mm,unknown_free_mm,expected,four,dilution\n")
        for row in rows:
            out.write(",".join("" if np.isnan(v) else repr(float(v)) for v in row) + "\n")


def links():
    rows = []
    for power, bandwidth_khz, figure, snr, floor, shadowing in [
        (-20.0, 300.0, 8.0, 10.0, -100.0, 7.85),
        (-25.0, 1000.0, 6.0, 12.0, -140.0, 7.85),
        (-10.0, 25.0, 4.0, 8.0, -140.0, 5.0),
        (-35.0, 2000.0, 10.0, 14.0, -95.0, 9.5),
    ]:
        noise = 10.0 * np.log10(scipy.constants.k * 290.0 * bandwidth_khz * 1e3 * 1e3) + figure
        weakest = max(noise + snr, floor)
        depths = []
        for chance in (0.5, 0.9):
            def missing(d, chance=chance):
                return power - L0 - 10.0 * N * np.log10(d / D0) - weakest - shadowing * norm.ppf(chance)
            depths.append(brentq(missing, 1.0, 2000.0, xtol=1e-10))
        rows.append([power, bandwidth_khz, figure, snr, floor, shadowing, noise, weakest, *depths])
    with open(DATA / "link_scipy.csv", "w") as out:
        out.write(f"# numpy {np.__version__}, scipy {scipy.__version__}; see tests/reference/layout_reference.py\n")
        out.write("power_dbm,bandwidth_khz,noise_figure_db,snr_db,floor_dbm,shadowing_db,noise_dbm,weakest_dbm,half_mm,nine_tenths_mm\n")
        for row in rows:
            out.write(",".join(repr(float(v)) for v in row) + "\n")


if __name__ == "__main__":
    maps()
    links()
