"""Writes tests/data/edf_pyedflib.edf with pyEDFlib, for tests/tests/edf_of_another_program.rs.

Run with the versions of requirements-exchange.txt:  python tests/reference/make_edf.py

Four sites at 2 Hz for 30 s, levels in dBm by a formula that the test knows, one signal in another unit, two annotations.
"""
import datetime
import pathlib

import numpy as np
import pyedflib

FILE = pathlib.Path(__file__).parent.parent / "data" / "edf_pyedflib.edf"
SITES = ["epigastric", "left-lumbar", "right-lumbar", "hypogastric"]


def header(label, unit, low, high):
    return {
        "label": label, "dimension": unit, "sample_frequency": 2, "physical_min": low, "physical_max": high,
        "digital_min": -32768, "digital_max": 32767, "transducer": "", "prefilter": "",
    }


def main():
    k = np.arange(60)
    levels = [-60.0 - 0.5 * site - 0.25 * (k % 40) for site in range(4)]
    with pyedflib.EdfWriter(str(FILE), 5, file_type=pyedflib.FILETYPE_EDFPLUS) as writer:
        headers = [header(site, "dBm", -200.0, 100.0) for site in SITES]
        headers.append(header("Temp body", "degC", 30.0, 45.0))
        writer.setSignalHeaders(headers)
        writer.setStartdatetime(datetime.datetime(2026, 3, 2, 8, 14, 0))
        writer.setAdmincode("invented-7")
        writer.writeSamples(levels + [37.0 + 0.01 * k])
        writer.writeAnnotation(3.5, -1, "swallow")
        writer.writeAnnotation(21.25, 2, "cough")


main()
