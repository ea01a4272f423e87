"""Landmarks of simulated studies by general libraries, beside benches/src/bin/landmarks.rs, which writes what this reads.

    landmarks -- realistic 48 5000 --features=train;  landmarks -- realistic 208 20000 --features=test
    python landmark_yardsticks.py train test

Each file: swallow, pylorus and valve, s, the latter two empty where they were not passed; then a minute a row: time, place in mm and
liveliness in dB a minute.

Two yardsticks, with numpy 2.4.6, ruptures 1.1.10 and hmmlearn 0.3.3:

- change points: ruptures' exact search (Pelt, least squares) over standardised place and log liveliness; the first change is the
  pylorus, the last one the valve. The penalty is the one of those tried that tells most landmarks of the first directory rightly.
- plain hidden Markov model: three states in order, Gaussian emissions and geometric durations, all from the first directory's true
  labels; a landmark is passed where the state before it is less likely than not.
"""
import pathlib
import sys

import numpy as np
import ruptures
from hmmlearn.hmm import GaussianHMM

PENALTIES = [10, 20, 40, 80, 160, 320, 640]


def read(directory):
    studies = []
    for path in sorted(pathlib.Path(directory).glob("*.csv")):
        head, *rows = path.read_text().splitlines()
        swallow, pylorus, valve = [float(cell) if cell else None for cell in head.split(",")]
        table = np.array([[float(cell) for cell in row.split(",")] for row in rows])
        table = table[table[:, 0] >= swallow]
        features = np.column_stack([table[:, 1:4], np.log(np.maximum(table[:, 4], 0.1))])
        studies.append((path.stem, table[:, 0], features, [pylorus, valve]))
    return studies


def standard(studies):
    every = np.vstack([study[2] for study in studies])
    return every.mean(0), every.std(0)


def change_points(study, scale, penalty):
    _, times, features, _ = study
    signal = (features - scale[0]) / scale[1]
    if len(signal) < 20:
        return [None, None]
    ends = ruptures.Pelt(model="l2", min_size=5, jump=1).fit(signal).predict(pen=penalty)[:-1]
    return [times[ends[0]] if ends else None, times[ends[-1]] if len(ends) > 1 else None]


def labels(study):
    _, times, _, (pylorus, valve) = study
    return sum((times >= passed).astype(int) for passed in (pylorus, valve) if passed is not None) * np.ones(len(times), int)


def learn(studies, scale):
    rows = [np.vstack([(s[2] - scale[0])[labels(s) == state] / scale[1] for s in studies]) for state in range(3)]
    minutes = [np.mean([np.sum(labels(s) == state) for s in studies if np.any(labels(s) == state)]) for state in range(3)]
    model = GaussianHMM(n_components=3, covariance_type="full")
    stay = [1 - 1 / minutes[0], 1 - 1 / minutes[1], 1.0]
    model.startprob_ = np.array([1.0, 0.0, 0.0])
    model.transmat_ = np.array([[stay[0], 1 - stay[0], 0], [0, stay[1], 1 - stay[1]], [0, 0, 1.0]])
    model.means_ = np.array([row.mean(0) for row in rows])
    model.covars_ = np.array([np.cov(row.T) for row in rows])
    return model


def hidden_markov(study, scale, model):
    _, times, features, _ = study
    shares = model.predict_proba((features - scale[0]) / scale[1])
    passed = [1 - shares[:, 0], shares[:, 2]]
    return [times[np.argmax(share > 0.5)] if share[-1] > 0.5 else None for share in passed]


def rightly(studies, told):
    return sum(
        (found is None) == (true is None) and (true is None or abs(found - true) < 1800)
        for study, pair in zip(studies, told)
        for found, true in zip(pair, study[3])
    )


def report(name, studies, told):
    print(f"{name}, {len(studies)} studies")
    for index, landmark in enumerate(["pylorus", "ileocaecal-valve"]):
        pairs = [(pair[index], study[3][index]) for study, pair in zip(studies, told)]
        count = lambda reached, said: sum((true is not None) == reached and (found is not None) == said for found, true in pairs)
        errors = [abs(found - true) / 60 for found, true in pairs if found is not None and true is not None]
        median, most = (np.median(errors), np.quantile(errors, 0.9)) if errors else (np.nan, np.nan)
        print(
            f"  {landmark:<18} reached {count(True, True):>3} told, {count(True, False):>2} not; not reached "
            f"{count(False, False):>3} right, {count(False, True):>2} told   |error| median {median:>6.2f} 90 % {most:>7.1f} min"
        )


def main(train_path, test_path):
    train, test = read(train_path), read(test_path)
    scale = standard(train)
    best = max(PENALTIES, key=lambda p: rightly(train, [change_points(study, scale, p) for study in train]))
    report(f"yardstick: change points, penalty {best}", test, [change_points(study, scale, best) for study in test])
    model = learn(train, scale)
    report("yardstick: plain hidden Markov model", test, [hidden_markov(study, scale, model) for study in test])


if __name__ == "__main__":
    main(*sys.argv[1:])
