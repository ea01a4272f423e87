"""Reads the tables of an audit with two other engines, and computes again what the page says.

    python check_audit.py FOLDER      # an audit in two parts, with its audit.json

Run by the test `other_engines_read_the_tables_with_types_units_and_all_parts_as_one` where ALVINE_AUDIT_PYTHON names an
interpreter with the packages of requirements-audit.txt. Ends with status 1 and a reason at the first fault.
"""
import json
import sys
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds
from lifelines import KaplanMeierFitter


def check(holds, what):
    if not holds:
        raise SystemExit(f"{what}")


def schemas(folder):
    studies = ds.dataset(folder / "studies", format="parquet")
    for name, kind, unit in [
        ("study", pa.string(), None),
        ("started", pa.timestamp("us", tz="UTC"), None),
        ("duration_s", pa.float64(), b"s"),
        ("instants", pa.int64(), b"1"),
        ("gastric_transit_censored", pa.bool_(), None),
        ("prior", pa.string(), None),
        ("median_radius90_mm", pa.float64(), b"mm"),
    ]:
        field = studies.schema.field(name)
        check(field.type == kind, f"{name} is {field.type}; expected {kind}")
        check(field.metadata.get(b"unit") == unit, f"{name} has metadata {field.metadata}")
        check(field.metadata[b"meaning"], f"{name} says not what it is")
    check(not studies.schema.field("study").nullable, "study may be null")
    sites = ds.dataset(folder / "sites", format="parquet")
    check(sites.schema.field("median_dbm").metadata[b"unit"] == b"dB[mW]", "median_dbm has another unit")
    return studies


def answers(folder):
    found = json.loads((folder / "audit.json").read_text())
    audit = found["audit"]
    query = f"""select count(*) filter (fault is null), count(*) filter (completeness = 'complete'), count(*)
                from '{folder}/studies/*.parquet'"""
    counted = duckdb.sql(query).fetchall()[0]
    complete = audit["completion"]["complete"]
    check(counted == (audit["analysed"], complete["count"], audit["studies"]), f"counts differ: {counted}")
    query = f"""select site, count(*), count(*) filter (missing >= 0.5), avg(heard + saturated)
                from '{folder}/sites/*.parquet' group by site"""
    by_site = {site: (of, off, heard) for site, of, off, heard in duckdb.sql(query).fetchall()}
    check(len(by_site) == len(audit["sites"]), "other sites")
    for site in audit["sites"]:
        of, off, heard = by_site[site["site"]]
        check((of, off) == (site["off"]["of"], site["off"]["count"]), f"{site['site']}: other counts")
        check(abs(heard - site["mean_heard"]) < 1e-12, f"{site['site']}: another mean")


def curves(folder, studies):
    found = json.loads((folder / "audit.json").read_text())
    rows = studies.to_table().to_pandas()
    for transit in found["audit"]["transits"]:
        column = transit["name"].replace("-", "_") + "_transit"
        known = rows[rows[f"{column}_s"].notna()]
        check(len(known) == transit["curve"]["observations"], f"{column}: other observations")
        if len(known) == 0:
            continue
        fitter = KaplanMeierFitter().fit(known[f"{column}_s"], ~known[f"{column}_censored"].astype(bool))
        for step in transit["curve"]["steps"]:
            value = fitter.survival_function_.loc[step["time_s"]].iloc[0]
            check(abs(value - step["remaining"]) < 1e-12, f"{column}: another curve at {step['time_s']} s")


def main():
    folder = Path(sys.argv[1])
    studies = schemas(folder)
    check(studies.count_rows() == 6, "the parts are not read as one")
    answers(folder)
    curves(folder, studies)


main()
