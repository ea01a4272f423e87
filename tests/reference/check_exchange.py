"""Reads with other programs what `alvine convert` and `alvine export` write of the demo study.

    python check_exchange.py FOLDER      # with demo.edf, demo.json, and recording.csv of the study

Run by the test `other_programs_read_what_is_exchanged` where ALVINE_EXCHANGE_PYTHON names an interpreter with the packages of
requirements-exchange.txt. The models of fhirclient are those of FHIR R4 (4.0.1) and are checked strictly. Ends with status 1 and
a reason at the first fault.
"""
import csv
import datetime
import json
import sys
from pathlib import Path

import numpy as np
import pyedflib
from fhirclient.models.bundle import Bundle


def check(holds, what):
    if not holds:
        raise SystemExit(f"{what}")


def edf(folder):
    rows = list(csv.reader((folder / "recording.csv").open()))
    sites = [name for name in rows[0][1:] if not name.startswith("aux_")]
    levels = np.array([[float(cell) if cell else np.nan for cell in row[1 : 1 + len(sites)]] for row in rows[1:]])
    times = np.array([float(row[0]) for row in rows[1:]])
    with pyedflib.EdfReader(str(folder / "demo.edf")) as reader:
        check(reader.signals_in_file == len(sites), f"{reader.signals_in_file} signals")
        check(reader.getStartdatetime() == datetime.datetime(2026, 3, 2, 8, 14), f"{reader.getStartdatetime()}")
        check(reader.getPatientName() == "X" and reader.getSex() == "", "the patient is named")
        for k, site in enumerate(sites):
            check(reader.getTransducer(k) == f"antenna at {site}", reader.getTransducer(k))
            check(reader.getPhysicalDimension(k) == "dBm", reader.getPhysicalDimension(k))
            step_s = (times[-1] - times[0]) / (len(times) - 1)
            check(abs(reader.getSampleFrequency(k) * step_s - 1.0) < 1e-9, f"{reader.getSampleFrequency(k)} Hz")
            found = reader.readSignal(k)[: len(times)]
            found = np.where(found < -327.675, np.nan, found)
            check(np.array_equal(np.isnan(found), np.isnan(levels[:, k])), f"{site}: other packets")
            check(np.nanmax(np.abs(found - levels[:, k])) < 0.005 + 1e-9, f"{site}: other levels")
        onsets, _, texts = reader.readAnnotations()
        check("swallow" in list(texts), f"no swallow in {list(texts)}")
        check(abs(onsets[list(texts).index("swallow")] - 412.0) < 1e-6, "another time of the swallow")


def fhir(folder):
    bundle = Bundle(json.loads((folder / "demo.json").read_text()), strict=True)
    resources = [entry.resource for entry in bundle.entry]
    kinds = [resource.resource_type for resource in resources]
    check(kinds[0] == "DiagnosticReport" and set(kinds[1:]) == {"Observation"}, f"{kinds}")
    urls = {entry.fullUrl for entry in bundle.entry}
    check(len(urls) == len(kinds), "entries of one name")
    check({result.reference for result in resources[0].result} == urls - {bundle.entry[0].fullUrl}, "results elsewhere")
    for seen in resources[1:]:
        valued = seen.valueQuantity or seen.valueCodeableConcept
        check(bool(valued) != bool(seen.dataAbsentReason), f"{seen.code.text}: a value and a reason, or neither")
    check(bundle.as_json() == json.loads((folder / "demo.json").read_text()), "the models keep not all of it")


edf(Path(sys.argv[1]))
fhir(Path(sys.argv[1]))
