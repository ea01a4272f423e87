"""Constant-velocity Kalman filter and Rauch-Tung-Striebel smoother by filterpy, for tests/tests/smoother_against_filterpy.rs.

Run with the versions of requirements.txt:  python tests/reference/filter_reference.py > tests/data/smoother_filterpy.csv

Irregular steps, one gap, instants without a fix, and a full measurement covariance that changes from instant to instant.
The state is (x, y, z, vx, vy, vz); white noise on acceleration of density 0.7 mm^2/s^3; the first state is the first
fix with no velocity, its covariance that of the fix and 25 mm^2/s^2 a component of velocity.
"""
import filterpy
import numpy as np
from filterpy.kalman import KalmanFilter, rts_smoother

DENSITY = 0.7


def transition(dt):
    f = np.eye(6)
    f[:3, 3:] = dt * np.eye(3)
    q = np.zeros((6, 6))
    q[:3, :3] = dt**3 / 3 * np.eye(3)
    q[:3, 3:] = q[3:, :3] = dt**2 / 2 * np.eye(3)
    q[3:, 3:] = dt * np.eye(3)
    return f, DENSITY * q


def main():
    rng = np.random.default_rng(7)
    n = 60
    steps = rng.uniform(0.2, 3.0, n - 1)
    steps[30] = 45.0
    time = np.concatenate([[0.0], np.cumsum(steps)])
    truth = np.stack([30 * np.sin(time / 20), 90 + 20 * np.cos(time / 31), 60 - 0.8 * time], axis=1)
    kf = KalmanFilter(dim_x=6, dim_z=3)
    kf.H = np.hstack([np.eye(3), np.zeros((3, 3))])
    xs, ps, fs, qs, rows = [], [], [], [], []
    for k in range(n):
        root = rng.normal(0, 4, (3, 3))
        r = root @ root.T + 9 * np.eye(3)
        z = truth[k] + rng.multivariate_normal(np.zeros(3), r)
        heard = not (k in (12, 13, 14, 40) or (k > 0 and rng.uniform() < 0.05))
        if k == 0:
            kf.x = np.append(z, np.zeros(3))
            kf.P = np.zeros((6, 6))
            kf.P[:3, :3] = r
            kf.P[3:, 3:] = 25.0 * np.eye(3)
        else:
            kf.F, kf.Q = transition(time[k] - time[k - 1])
            fs.append(kf.F)
            qs.append(kf.Q)
            kf.predict()
            if heard:
                kf.update(z, R=r)
        xs.append(kf.x.copy())
        ps.append(kf.P.copy())
        rows.append((time[k], heard, z, r))
    # filterpy 2.0 takes, for the step from k to k + 1, the entries k of Fs and Qs.
    smooth, cov, _, _ = rts_smoother(np.array(xs), np.array(ps), np.array(fs), np.array(qs))
    print(f"# filterpy {filterpy.__version__}, numpy {np.__version__}; see tests/reference/filter_reference.py")
    names = ["xx", "xy", "xz", "yy", "yz", "zz"]
    print("time_s,heard,zx_mm,zy_mm,zz_mm," + ",".join(f"r{m}_mm2" for m in names) + ",sx_mm,sy_mm,sz_mm," + ",".join(f"p{m}_mm2" for m in names))
    upper = [(i, j) for i in range(3) for j in range(i, 3)]
    for (t, heard, z, r), s, p in zip(rows, smooth, cov):
        cells = [repr(float(t)), str(int(heard))] + [repr(float(v)) for v in z] + [repr(float(r[i, j])) for i, j in upper]
        cells += [repr(float(v)) for v in s[:3]] + [repr(float(p[i, j])) for i, j in upper]
        print(",".join(cells))


main()
