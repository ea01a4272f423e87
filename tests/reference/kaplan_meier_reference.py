"""Product-limit estimates by lifelines, for tests/tests/kaplan_meier_against_lifelines.rs.

Run with the versions of requirements-audit.txt:  python tests/reference/kaplan_meier_reference.py

Writes tests/data/kaplan_meier_observations.csv, four invented samples (many ties; many censored; none censored; two alone), and
tests/data/kaplan_meier_lifelines.csv: at each time at which something happened the estimate with its 95 % interval from
log(-log S), and a row a sample for the median and its limits.
"""
import pathlib

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter, __version__
from lifelines.utils import median_survival_times

DATA = pathlib.Path(__file__).parent.parent / "data"


def samples(rng):
    ties = np.round(rng.exponential(30.0, 60)) + 1.0
    yield "ties", ties, rng.uniform(size=60) < 0.8
    slow = rng.weibull(1.5, 40) * 700.0
    end = rng.uniform(200.0, 720.0, 40)
    yield "censored", np.round(np.minimum(slow, end), 3), slow <= end
    yield "all-passed", np.round(rng.lognormal(3.0, 0.8, 25), 3), np.ones(25, bool)
    yield "two", np.array([5.0, 9.0]), np.array([True, False])


def main():
    observations, rows = [], []
    for name, time, passed in samples(np.random.default_rng(20261125)):
        observations += [(name, t, int(p)) for t, p in zip(time, passed)]
        fitter = KaplanMeierFitter().fit(time, passed)
        band = fitter.confidence_interval_
        for t in fitter.event_table.index[1:]:
            if fitter.event_table.loc[t, "observed"] == 0:
                continue
            rows.append((name, "step", t, fitter.survival_function_.loc[t].iloc[0], *band.loc[t]))
        limits = median_survival_times(band).iloc[0]
        rows.append((name, "median", "", fitter.median_survival_time_, limits.iloc[0], limits.iloc[1]))
    head = f"# lifelines {__version__}, by tests/reference/kaplan_meier_reference.py\n"
    with open(DATA / "kaplan_meier_observations.csv", "w") as out:
        out.write(head)
        pd.DataFrame(observations, columns=["sample", "time", "passed"]).to_csv(out, index=False)
    with open(DATA / "kaplan_meier_lifelines.csv", "w") as out:
        out.write(head)
        table = pd.DataFrame(rows, columns=["sample", "kind", "time", "value", "low", "high"])
        table.to_csv(out, index=False, float_format="%.12g")


main()
