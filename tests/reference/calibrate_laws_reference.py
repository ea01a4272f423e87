"""Laws beside each other by NumPy and SciPy, for tests/tests/calibrate_laws_against_scipy.rs.

Run with the versions of requirements.txt:  python tests/reference/calibrate_laws_reference.py

Writes tests/data/calibrate_survey.csv, levels of the default eight sites of a torso of 330 mm x 230 mm at 40 random places, each
read twice (exponent 3, absorption 1 dB/cm, -60 dBm at 50 mm and a gain a site; shadowing of 4 dB, exponentially correlated over
40 mm, one field a site; noise of 2 dB), and tests/data/calibrate_laws_scipy.csv, three laws fitted to them.

Without a floor: least squares by numpy.linalg.lstsq. Variances of shadowing and noise and the correlation length from products of
residuals by classes of distance, expected values from dense matrices M C M', by scipy.optimize.nnls; noise from repeats; errors from the dense sandwich
(X'X)^-1 X' C X (X'X)^-1. With a floor: the most likely law by scipy.optimize.minimize and Newton's steps on differences of the
gradient.
"""
import numpy as np
import scipy
from scipy.optimize import minimize, nnls
from scipy.stats import norm

from calibrate_reference import DATA, GAINS, REFERENCE_MM, antennas

PLACES, REPEATS = 40, 2
SHARES = [0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.25, 0.4, 0.6, 1.0]
LENGTHS = 14


def simulate(rng):
    places = np.round(np.column_stack([rng.uniform(-120, 120, PLACES), rng.uniform(40, 190, PLACES), rng.uniform(-120, 150, PLACES)]), 1)
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    shadowing = 4.0 * np.linalg.cholesky(np.exp(-apart / 40.0)) @ rng.normal(size=(PLACES, 8))
    d = np.linalg.norm(places[:, None, :] - antennas()[None], axis=2)
    median = -60.0 + GAINS - 30.0 * np.log10(d / REFERENCE_MM) - 0.1 * (d - REFERENCE_MM)
    rows = np.repeat(np.arange(PLACES), REPEATS)
    levels = (median + shadowing)[rows] + 2.0 * rng.normal(size=(len(rows), 8))
    return places[rows], np.round(levels, 2)


def design(places, levels, law):
    """Site by site: the matrix of levels and slopes, levels less what the law gives, and floors' shifts."""
    d = np.linalg.norm(places[:, None, :] - antennas()[None], axis=2).T.ravel()
    x = 10.0 * np.log10(d / REFERENCE_MM)
    z = levels.astype(np.float32).astype(float).T.ravel()
    groups = np.kron(np.eye(8), np.ones((len(places), 1)))
    slopes = {"log-distance": [-x], "distance-and-tissue": [-x, -(d - REFERENCE_MM) / 10.0], "free-space": []}[law]
    shift = 2.0 * x if law == "free-space" else np.zeros_like(x)
    return np.column_stack([groups, *slopes]), z + shift, shift


def criteria(log_likelihood, unknowns, readings):
    aicc = -2 * log_likelihood + 2 * unknowns + 2 * unknowns * (unknowns + 1) / (readings - unknowns - 1)
    return [log_likelihood, aicc, -2 * log_likelihood + unknowns * np.log(readings)]


def moments(places, columns, residuals, sigma):
    """Variances in units of sigma squared and length, from products of residuals of one site."""
    rows, sites = len(places), 8
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    distances = np.sort(apart[np.tril_indices(rows, -1)])
    distances = distances[distances > 1.0]
    edges = np.array([distances[int(np.ceil(share * (len(distances) - 1)))] for share in SHARES])
    classes = np.where(apart <= 1.0, 1, 2 + np.minimum(np.searchsorted(edges, apart, side="left"), len(SHARES) - 1))
    np.fill_diagonal(classes, 0)
    masks = [classes == k for k in range(12)]
    maker = np.eye(len(residuals)) - columns @ np.linalg.inv(columns.T @ columns) @ columns.T
    blocks = [slice(site * rows, (site + 1) * rows) for site in range(sites)]

    def sums(matrix):
        return np.array([sum(matrix[block, block][mask].sum() for block in blocks) for mask in masks])

    def expected(correlation):
        return sums(maker @ np.kron(np.eye(sites), correlation) @ maker.T)

    weights = 1.0 / np.sqrt(np.maximum(sums(np.ones((len(residuals),) * 2)), 1.0))
    found = sums(np.outer(residuals, residuals)) / sigma**2
    noise = expected(np.eye(rows))
    least, most = max(0.01 * distances[-1], 1.0), 0.5 * distances[-1]
    # Noise from the places that were read again, about the mean of site and place.
    shape = (sites, rows // REPEATS, REPEATS)
    again = (residuals / sigma).reshape(shape)
    variance = np.sum((again - again.mean(axis=2, keepdims=True)) ** 2) / (sites * rows // REPEATS * (REPEATS - 1))
    best = None
    for length in least * (most / least) ** (np.arange(LENGTHS) / (LENGTHS - 1)):
        shadowing = expected(np.exp(-apart / length))
        alone, misfit = nnls((shadowing * weights)[:, None], (found - variance * noise) * weights)
        if best is None or misfit < best[0]:
            best = (misfit, (alone[0], variance), length)
    return best[1], best[2], apart


def least_squares(places, levels, law):
    columns, z, _ = design(places, levels, law)
    found, *_ = np.linalg.lstsq(columns, z, rcond=None)
    residuals = z - columns @ found
    n, k = columns.shape
    sigma = np.sqrt(np.mean(residuals**2))
    (shadowing, noise), length, apart = moments(places, columns, residuals, sigma)
    share = shadowing / (shadowing + noise)
    correlation = share * np.exp(-apart / length) + (1 - share) * np.eye(len(places))
    spread = sigma * np.sqrt(shadowing + noise)
    inverse = np.linalg.inv(columns.T @ columns)
    robust = spread**2 * inverse @ columns.T @ np.kron(np.eye(8), correlation) @ columns @ inverse
    independent = spread**2 * inverse
    log_likelihood = norm.logpdf(residuals, scale=sigma).sum()
    effective = n**2 / (8 * np.sum(correlation**2))
    return [*found, *np.sqrt(np.diag(robust)), *np.sqrt(np.diag(independent))], k, [
        spread * np.sqrt(share), spread * np.sqrt(1 - share), length, effective, *criteria(log_likelihood, k + 1, n)]


def most_likely(places, levels, law, floor):
    columns, z, shift = design(places, levels, law)
    below = z - shift <= floor
    z = np.where(below, floor + shift, z)

    def value(p):
        s = np.exp(p[-1])
        r = (z - columns @ p[:-1]) / s
        return -np.sum(norm.logpdf(r[~below]) - np.log(s)) - np.sum(norm.logcdf(r[below]))

    def gradient(p):
        s = np.exp(p[-1])
        r = (z - columns @ p[:-1]) / s
        by_r = np.where(below, -np.exp(norm.logpdf(r) - norm.logcdf(r)), r)
        return np.append(-columns.T @ by_r / s, -np.sum(by_r * r) + np.sum(~below))

    best = minimize(value, np.append(np.linalg.lstsq(columns, z, rcond=None)[0], np.log(5.0)), jac=gradient, method="BFGS").x
    for _ in range(6):
        steps = 1e-5 * np.eye(len(best))
        second = np.array([(gradient(best + e) - gradient(best - e)) / 2e-5 for e in steps])
        best = best - np.linalg.solve(0.5 * (second + second.T), gradient(best))
    assert np.max(np.abs(gradient(best))) < 1e-7
    n, k = columns.shape
    return list(best[:-1]), k, [np.exp(best[-1]), *criteria(-value(best), k + 1, n)]


def main():
    rng = np.random.default_rng(20260411)
    places, levels = simulate(rng)
    origin = f"# numpy {np.__version__}, scipy {scipy.__version__}; see tests/reference/calibrate_laws_reference.py\n"
    with open(DATA / "calibrate_survey.csv", "w") as out:
        out.write(origin + "x_mm,y_mm,z_mm," + ",".join(f"rssi{i}_dbm" for i in range(8)) + "\n")
        for place, row in zip(places, levels):
            out.write(",".join([*map(repr, map(float, place)), *(repr(float(v)) for v in row)]) + "\n")
    parts = ["level0_dbm", "exponent", "attenuation_db_per_cm"]
    head = ["law", "floor_dbm", *parts, *(f"{part}_error" for part in parts), *(f"{part}_independent_error" for part in parts),
            "spread_db", "shadowing_db", "noise_db", "correlation_mm", "effective_readings", "ln_likelihood", "aicc", "bic"]
    with open(DATA / "calibrate_laws_scipy.csv", "w") as out:
        out.write(origin + ",".join(head) + "\n")
        for law in ("log-distance", "distance-and-tissue", "free-space"):
            for floor in (None, -84.0):
                found, k, rest = least_squares(places, levels, law) if floor is None else most_likely(places, levels, law, floor)

                def three(of):
                    return [of[0], *of[8:k], *([""] * (10 - k))]

                if floor is None:
                    errors = three(found[k:2 * k]) + three(found[2 * k:])
                    rest = ["", *rest]
                else:
                    errors, rest = [""] * 6, [rest[0], *([""] * 4), *rest[1:]]
                cells = [law, "" if floor is None else floor, *three(found[:k]), *errors, *rest]
                out.write(",".join(cell if isinstance(cell, str) else repr(float(cell)) for cell in cells) + "\n")


main()
