"""Makes tests/data/egg_2hz.csv and tests/data/egg_scipy.csv: a real gastric rhythm, and its spectra by SciPy.

    python3 tests/reference/rhythm_reference.py EGG_CSV

EGG_CSV is the table of the Python package gastropy 0.1.2 (sub-01_ses-0003_task-rest_physio; MIT; Micah Allen's group): eight skin
electrodes over the stomach of one person at rest, 10 Hz, microvolts, the first 10 s left out. Five samples are averaged into
one. SciPy: a Hann window of 200 s every 100 s, a straight line taken off each, twice the length by zeros, averaged.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.signal import detrend, periodogram

DATA = Path(__file__).parents[1] / "data"
STEP_S = 0.5
SAMPLES = 400


def main():
    with open(sys.argv[1]) as file:
        table = np.array([[float(cell) for cell in row] for row in list(csv.reader(file))[1:]])
    whole = len(table) // 5 * 5
    slow = table[:whole, 1:].reshape(-1, 5, 8).mean(axis=1)
    slow = np.round(slow, 2)
    with open(DATA / "egg_2hz.csv", "w") as file:
        file.write("# eight skin electrodes over the stomach, microvolts, 2 Hz; gastropy 0.1.2, MIT; see rhythm_reference.py\n")
        file.write(",".join(f"ch{k}_uv" for k in range(1, 9)) + "\n")
        for row in slow:
            file.write(",".join(f"{value:.2f}" for value in row) + "\n")
    with open(DATA / "egg_scipy.csv", "w") as file:
        file.write("# power of each channel, uV^2/Hz both-sided; SciPy 1.17.1, see rhythm_reference.py\n")
        file.write("per_minute," + ",".join(f"ch{k}" for k in range(1, 9)) + "\n")
        mean = []
        for channel in range(8):
            spectra = []
            for first in range(0, len(slow) - SAMPLES + 1, SAMPLES // 2):
                values = detrend(slow[first : first + SAMPLES, channel])
                lines, power = periodogram(
                    values, 1 / STEP_S, window="hann", nfft=2 * SAMPLES, detrend=False, return_onesided=False
                )
                spectra.append(power[: SAMPLES + 1])
            mean.append(np.mean(spectra, axis=0))
        for line in range(41):
            cells = [f"{60 * abs(lines[line]):.6f}"] + [f"{mean[channel][line]:.9e}" for channel in range(8)]
            file.write(",".join(cells) + "\n")
        per_minute = 60 * np.abs(lines[: SAMPLES + 1])
        band = (per_minute >= 2) & (per_minute <= 4)
        peaks = [per_minute[band][np.argmax(mean[channel][band])] for channel in range(8)]
        print("peaks", np.round(peaks, 2), "median", np.median(peaks))


if __name__ == "__main__":
    main()
