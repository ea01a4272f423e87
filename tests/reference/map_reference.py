"""The most likely trajectory by scipy.optimize.least_squares, for crates/alvine/src/trajectory/against_scipy.rs.

Run with the versions of requirements.txt:  python tests/reference/map_reference.py > tests/data/map_scipy.csv

150 knots 8 s apart with one reading of each of the default eight sites at each, nothing censored, Gaussian throughout: the
least of half the sum of squares of readings, moves, levels, biases and what is known of the first state. Biases go on
unforgotten but for a variance of 1e-6 dB^2 a step. Law and layout are those of fix_reference.py; 2 dB of noise.

With `--time LEVELS ENDS` it solves the problem whose readings (dBm, one column a site, a row a knot) are in the first file,
writes the places to the second (x, y, z in mm a row), and prints SciPy's version and the seconds that the quickest of three
solutions took: benches/src/bin/map_against_scipy.rs runs it so. Ends with 3 where SciPy is missing.
"""
import sys
import time

try:
    import numpy as np
    import scipy
    from scipy.optimize import least_squares
    from scipy.sparse import csr_matrix
except ImportError:
    sys.exit(3)

A, B = 165.0, 115.0
L0, D0, N, POWER = 47.14, 50.0, 4.26, -20.0
NOISE, SHADOWING = 2.0, 4.0
KNOTS, STEP = 150, 8.0
SPEED, MEMORY = 1.0, 20.0
SLOW, FAST = (0.5, 20000.0), (0.5, 90.0)
LEAST_VARIANCE = 1e-6
SITES = [(-90, 115), (0, 115), (90, 115), (-130, 0), (130, 0), (-90, -90), (0, -90), (90, -90)]
SIZE = 8 + len(SITES)
START = np.array([0.0, 115.0, 40.0])


def layout():
    columns = {90: A * 6.0 / 11.0, 130: A * 26.0 / 33.0, 0: 0.0}
    xz = [(np.sign(x) * columns[abs(x)], float(z)) for x, z in SITES]
    return np.array([(x, B * (1.0 - np.sqrt(1.0 - (x / A) ** 2)), z) for x, z in xz])


ANTENNAS = layout()


def motion():
    """Transition and covariance of (position, velocity) over a step, velocity mean-reverting."""
    density = 2.0 * SPEED**2 / MEMORY
    kept = np.exp(-STEP / MEMORY)
    gone, twice = 1.0 - kept, 1.0 - kept**2
    transition = np.array([[1.0, MEMORY * gone], [0.0, kept]])
    position = MEMORY**2 * (STEP - 2.0 * MEMORY * gone + 0.5 * MEMORY * twice)
    cross = 0.5 * MEMORY**2 * gone**2
    return transition, density * np.array([[position, cross], [cross, 0.5 * MEMORY * twice]])


def wander(spread, memory):
    """What is kept over a step, and the spread that is new."""
    kept = np.exp(-STEP / memory)
    return kept, np.sqrt(max(spread**2 * (1.0 - kept**2), LEAST_VARIANCE))


class Problem:
    """Residuals and their Jacobian; the linear ones are a constant matrix."""

    def __init__(self, levels):
        self.levels = levels
        self.knots = len(levels)
        transition, covariance = motion()
        root = np.linalg.cholesky(np.linalg.inv(covariance)).T
        rows, columns, values = [], [], []
        self.linear = 0

        def add(entries):
            for column, value in entries:
                rows.append(self.linear), columns.append(column), values.append(value)
            self.linear += 1

        for index in range(3, SIZE):
            spread = SPEED if index < 6 else SLOW[0] if index == 6 else FAST[0] if index == 7 else SHADOWING
            add([(index, 1.0 / spread)])
        scalars = [wander(*SLOW), wander(*FAST)] + [(1.0, np.sqrt(LEAST_VARIANCE))] * len(SITES)
        for knot in range(1, self.knots):
            here, last = knot * SIZE, (knot - 1) * SIZE
            for axis in range(3):
                for row in root:
                    back = row @ transition
                    ends = [(here, row), (last, -back)]
                    add([(end + axis + 3 * i, of[i]) for end, of in ends for i in range(2)])
            for index, (kept, spread) in enumerate(scalars):
                add([(here + 6 + index, 1.0 / spread), (last + 6 + index, -kept / spread)])
        shape = (self.linear, self.knots * SIZE)
        self.matrix = csr_matrix((values, (rows, columns)), shape=shape)
        count = self.knots * len(SITES)
        knot, site = np.divmod(np.arange(count), len(SITES))
        self.reading_rows = np.repeat(np.arange(count), 6)
        base = knot[:, None] * SIZE
        self.reading_columns = np.hstack([base + [0, 1, 2], base + [6, 7], base + 8 + site[:, None]]).ravel()

    def offsets(self, x):
        states = x.reshape(self.knots, SIZE)
        return states, states[:, None, :3] - ANTENNAS

    def residuals(self, x):
        states, offsets = self.offsets(x)
        distance = np.linalg.norm(offsets, axis=2)
        mean = POWER + states[:, 6:7] + states[:, 7:8] + states[:, 8:] - L0 - 10.0 * N * np.log10(distance / D0)
        return np.concatenate([((self.levels - mean) / NOISE).ravel(), self.matrix @ x])

    def jacobian(self, x):
        _, offsets = self.offsets(x)
        place = 10.0 * N / np.log(10.0) / NOISE * offsets / np.sum(offsets**2, axis=2, keepdims=True)
        others = np.full(place.shape, -1.0 / NOISE)
        values = np.concatenate([place, others], axis=2).ravel()
        shape = (self.knots * len(SITES), self.knots * SIZE)
        return scipy.sparse.vstack([csr_matrix((values, (self.reading_rows, self.reading_columns)), shape=shape), self.matrix]).tocsr()

    def solve(self):
        start = np.zeros((self.knots, SIZE))
        start[:, :3] = START
        return least_squares(self.residuals, start.ravel(), self.jacobian, method="trf", x_scale="jac", tr_solver="lsmr",
                             tr_options={"atol": 1e-12, "btol": 1e-12, "maxiter": 20000}, ftol=1e-12, xtol=1e-12, gtol=1e-10,
                             max_nfev=400)


def readings():
    rng = np.random.default_rng(20260302)
    turn = np.arange(KNOTS) * STEP / 250.0
    path = np.c_[60.0 * np.sin(turn), 95.0 + 25.0 * np.cos(0.7 * turn), 30.0 + 50.0 * np.cos(turn)]
    distance = np.linalg.norm(path[:, None] - ANTENNAS, axis=2)
    bias = rng.normal(0.0, SHADOWING, len(SITES))
    levels = POWER + bias - L0 - 10.0 * N * np.log10(distance / D0) + rng.normal(0.0, NOISE, distance.shape)
    return levels.astype(np.float32).astype(float)


def main():
    if len(sys.argv) == 4 and sys.argv[1] == "--time":
        problem = Problem(np.loadtxt(sys.argv[2], delimiter=","))
        best = np.inf
        for _ in range(3):
            start = time.perf_counter()
            found = problem.solve()
            best = min(best, time.perf_counter() - start)
        np.savetxt(sys.argv[3], found.x.reshape(-1, SIZE)[:, :3], delimiter=",", fmt="%.6f")
        print(scipy.__version__, f"{best:.6f}")
        return
    levels = readings()
    found = Problem(levels).solve()
    states = found.x.reshape(KNOTS, SIZE)
    print(f"# numpy {np.__version__}, scipy {scipy.__version__}; see tests/reference/map_reference.py")
    print(f"# {found.message} {found.nfev} evaluations, optimality {found.optimality:.1e}", file=sys.stderr)
    print("time_s,cost," + ",".join(f"rssi{site}_dbm" for site in range(len(SITES))) + ",x_mm,y_mm,z_mm")
    for knot, (row, state) in enumerate(zip(levels, states)):
        cells = [f"{knot * STEP:.1f}", f"{found.cost:.12e}"] + [f"{level:.9g}" for level in row] + [f"{place:.6f}" for place in state[:3]]
        print(",".join(cells))


main()
