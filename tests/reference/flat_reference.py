"""Fixes in the flat by SciPy and a track by filterpy, for tests/tests/fix_on_real_signals.rs.

Run with the versions of requirements.txt:  python tests/reference/flat_reference.py > tests/data/flat_scipy.csv

The law is fitted to datasets/rss-flat/calibration.csv by numpy.linalg.lstsq, one level a site. Each row of robot.csv is
then fixed in the plane at the tag's height: the least sum of squares in dB over a circle that holds the whole flat, from
the best of a grid of 0.1 m by scipy.optimize.least_squares, or along the edge where that leaves the circle. The same is
done inside the flat's own walls, for what knowing them is worth. Errors go to the notes on top.
"""
import csv
import pathlib

import filterpy
import numpy as np
import scipy
from filterpy.kalman import KalmanFilter, rts_smoother
from scipy.optimize import least_squares, minimize_scalar

FLAT = pathlib.Path(__file__).parent.parent.parent / "datasets" / "rss-flat"
WIDTH, LENGTH, HEIGHT = 9.07, 7.10, 1.3
MIDDLE = np.array([WIDTH / 2, LENGTH / 2])
RADIUS = 0.985 * 0.450 * 14.0
DENSITY = 0.2


def columns(name, keys):
    with open(FLAT / name) as file:
        rows = list(csv.DictReader(file))
    return np.array([[float(row[k]) if row[k] else np.nan for k in keys] for row in rows])


ANTENNAS = columns("anchors.csv", ["x_mm", "y_mm", "z_mm"]) / 1e3
SITES = [f"a{i}" for i in range(1, 7)]


def law():
    places = columns("calibration.csv", ["x_mm", "y_mm", "z_mm"]) / 1e3
    levels = columns("calibration.csv", SITES).astype(np.float32).astype(float)
    x = 10 * np.log10(np.linalg.norm(places[:, None] - ANTENNAS, axis=2))
    keep = ~np.isnan(levels)
    site = np.tile(np.arange(6), (len(levels), 1))[keep]
    design = np.c_[np.eye(6)[site], -x[keep]]
    found = np.linalg.lstsq(design, levels[keep], rcond=None)[0]
    spread = np.sqrt(np.sum((levels[keep] - design @ found) ** 2) / (len(design) - 7))
    return found[:6], found[6], spread


LEVELS, EXPONENT, SPREAD = law()


def residuals(p, z):
    d = np.linalg.norm(np.append(p, HEIGHT) - ANTENNAS, axis=1)
    r = z - (LEVELS - 10 * EXPONENT * np.log10(d))
    return r[~np.isnan(z)]


def jacobian(p, z):
    offset = np.append(p, HEIGHT) - ANTENNAS
    rows = 10 * EXPONENT / np.log(10) * offset[:, :2] / np.sum(offset**2, axis=1, keepdims=True)
    return rows[~np.isnan(z)]


GRID = np.array([(x, y) for x in np.arange(-2.0, 11.2, 0.1) for y in np.arange(-3.0, 10.2, 0.1)])
GRID_MEANS = LEVELS - 10 * EXPONENT * np.log10(
    np.linalg.norm(np.c_[GRID, np.full(len(GRID), HEIGHT)][:, None] - ANTENNAS, axis=2))


def edge(angle):
    return MIDDLE + RADIUS * np.array([np.cos(angle), np.sin(angle)])


def in_circle(z):
    """The fix in the circle, and whether it lies at the edge."""
    def cost(p):
        return np.sum(residuals(p, z) ** 2)

    inside = np.hypot(*(GRID - MIDDLE).T) <= RADIUS
    costs = np.nansum((GRID_MEANS - z) ** 2, axis=1)
    order = np.flatnonzero(inside)[np.argsort(costs[inside])]
    starts = [GRID[order[0]]]
    far = order[np.hypot(*(GRID[order] - starts[0]).T) > 1.0]
    starts.append(GRID[far[0]])
    ends = [least_squares(residuals, s, jacobian, method="lm", xtol=1e-12, ftol=1e-12, args=(z,)).x for s in starts]
    ends = [(cost(p), p, False) for p in ends if np.hypot(*(p - MIDDLE)) <= RADIUS]
    angles = np.linspace(0, 2 * np.pi, 721)
    best = angles[np.argmin([cost(edge(a)) for a in angles])]
    along = minimize_scalar(lambda a: cost(edge(a)), bounds=(best - 0.01, best + 0.01), method="bounded",
                            options={"xatol": 1e-9})
    ends.append((along.fun, edge(along.x), True))
    return min(ends, key=lambda end: end[0])[1:]


def in_flat(z):
    inside = (GRID >= 0).all(axis=1) & (GRID[:, 0] <= WIDTH) & (GRID[:, 1] <= LENGTH)
    start = GRID[inside][np.argmin(np.nansum((GRID_MEANS[inside] - z) ** 2, axis=1))]
    bounds = ([0, 0], [WIDTH, LENGTH])
    return least_squares(residuals, np.clip(start, 1e-6, [WIDTH - 1e-6, LENGTH - 1e-6]), jacobian, bounds=bounds, args=(z,)).x


def smoothed(times, fixes, levels):
    kalman = KalmanFilter(dim_x=4, dim_z=2)
    kalman.H = np.eye(2, 4)
    steps = np.diff(times, prepend=times[0])
    noise = [SPREAD**2 * np.linalg.inv(jacobian(p, z).T @ jacobian(p, z)) for p, z in zip(fixes, levels)]
    kalman.x = np.append(fixes[0], [0, 0])
    kalman.P = np.block([[noise[0], np.zeros((2, 2))], [np.zeros((2, 2)), np.eye(2)]])
    xs, ps, fs, qs = [kalman.x.copy()], [kalman.P.copy()], [], []
    for fix, covariance, dt in zip(fixes[1:], noise[1:], steps[1:]):
        f = np.eye(4)
        f[0, 2] = f[1, 3] = dt
        q = DENSITY * np.kron([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]], np.eye(2))
        kalman.predict(F=f, Q=q)
        kalman.update(fix, R=covariance)
        xs.append(kalman.x.copy()), ps.append(kalman.P.copy()), fs.append(f), qs.append(q)
    # rts_smoother takes the transition from instant k to the next at k.
    return rts_smoother(np.array(xs), np.array(ps), [*fs, np.eye(4)], [*qs, np.zeros((4, 4))])[0][:, :2]


def figures(found, truth):
    errors = np.hypot(*(found - truth).T)
    return f"median {np.median(errors):.4f} mean {np.mean(errors):.4f} percentile90 {np.quantile(errors, 0.9):.4f}"


def main():
    robot = columns("robot.csv", ["time_s", "x_mm", "y_mm"])
    times, truth = robot[:, 0], robot[:, 1:] / 1e3
    levels = columns("robot.csv", SITES).astype(np.float32).astype(float)
    fixes, at_edge = zip(*(in_circle(z) for z in levels))
    fixes = np.array(fixes)
    walled = np.array([in_flat(z) for z in levels])
    track = smoothed(times, fixes, levels)
    print(f"# numpy {np.__version__}, scipy {scipy.__version__}, filterpy {filterpy.__version__}; see tests/reference/flat_reference.py")
    print(f"# in the circle, m: {figures(fixes, truth)}; smoothed: {figures(track, truth)}; at its edge {np.sum(at_edge)}")
    print(f"# in the walls, m: {figures(walled, truth)}; smoothed: {figures(smoothed(times, walled, levels), truth)}")
    print("x_mm,y_mm,at_edge,smoothed_x_mm,smoothed_y_mm")
    for fix, mark, point in zip(fixes, at_edge, track):
        print(f"{1e3 * fix[0]:.3f},{1e3 * fix[1]:.3f},{int(mark)},{1e3 * point[0]:.3f},{1e3 * point[1]:.3f}")


main()
