"""Opens the HDF5 files that alvine-study writes as netCDF, through both engines, and checks what a user would see.

    python check_cf.py FOLDER     # with dated.h5, fraction.h5, undated.h5 (tracks) and study.h5

Run by the test `netcdf_readers_open_tracks_and_studies_with_named_dimensions` where ALVINE_PYTHON names an
interpreter with the packages of requirements.txt. Ends with status 1 and a reason at the first fault.
"""

import sys
from pathlib import Path

import h5py
import netCDF4
import numpy as np
import xarray as xr

STARTS = {
    "dated": np.datetime64("2026-03-02T07:14:00"),
    "fraction": np.datetime64("2026-03-03T08:44:00.250"),
    "undated": None,
}
COVARIANCES = ["xx_mm2", "xy_mm2", "xz_mm2", "yy_mm2", "yz_mm2", "zz_mm2"]


def check(holds, what):
    if not holds:
        raise SystemExit(f"{what}")


def near(found, expected):
    return abs(found - expected) < np.timedelta64(1, "us")


def check_track(path, engine):
    start = STARTS[path.stem]
    with xr.open_dataset(path, engine=engine) as data:
        name = f"{path.name} by {engine}"
        check(dict(data.sizes) == {"time": data.sizes["time"]}, f"{name}: dimensions {dict(data.sizes)}")
        check(data.sizes["time"] == 17143, f"{name}: {data.sizes['time']} points")
        check(data.attrs["Conventions"] == "CF-1.11", f"{name}: {data.attrs}")
        check(data.attrs["featureType"] == "trajectory", f"{name}: {data.attrs}")
        check(data["trajectory"].attrs["cf_role"] == "trajectory_id", f"{name}: no trajectory_id")
        check(data["trajectory"].item() == "small-01 é", f"{name}: trajectory {data['trajectory'].item()!r}")
        for axis in "xyz":
            attributes = data[f"{axis}_mm"].attrs
            check(attributes["axis"] == axis.upper(), f"{name}: {axis} has no axis")
            check(attributes["units"] == "mm", f"{name}: {axis} in {attributes['units']}")
            check(f"{axis}_mm" in data.coords, f"{name}: {axis}_mm is no coordinate")
        for entry in COVARIANCES:
            check(data[entry].attrs["units"] == "mm2", f"{name}: {entry} has no unit")
            check(data[entry].dims == ("time",), f"{name}: {entry} over {data[entry].dims}")
        check(abs(data["yz_mm2"].values[5] - 1 / 3) < 1e-15, f"{name}: yz {data['yz_mm2'].values[5]}")
        flags = data["flags"]
        masks = np.atleast_1d(flags.attrs["flag_masks"])
        meanings = flags.attrs["flag_meanings"].split()
        check(len(masks) == len(meanings) == 9, f"{name}: {len(masks)} masks for {meanings}")
        check(masks.dtype == flags.dtype, f"{name}: masks of type {masks.dtype} for flags of type {flags.dtype}")
        check(masks[meanings.index("clock-jump")] == 64, f"{name}: {masks}")
        time = data["time"]
        if start is None:
            check(time.attrs.get("units") == "s" or time.dtype.kind == "m", f"{name}: time {time}")
        else:
            check(time.dtype.kind == "M", f"{name}: times are not decoded: {time.dtype}")
            check(near(time.values[0], start), f"{name}: starts at {time.values[0]}, not {start}")
            check(near(time.values[6], start + np.timedelta64(1166667, "us")), f"{name}: {time.values[6]}")


def check_study(path, engine):
    name = f"{path.name} by {engine}"
    with xr.open_datatree(path, engine=engine) as tree:
        check(tree["/recording/rssi_dbm"].dims == ("time_s", "site"), f"{name}: {tree['/recording/rssi_dbm'].dims}")
        check(tree["/recording/rssi_dbm"].attrs["units"] == "dBm", f"{name}: levels have no unit")
        check(tree["/layout/position_mm"].dims == ("site", "axis"), f"{name}: {tree['/layout/position_mm'].dims}")
        check(list(tree["/layout/name"].values)[:2] == ["epigastric", "right-lumbar"], f"{name}: names")
        check(np.isnan(tree["/recording/rssi_dbm"].values[1, 2]), f"{name}: a missing level has a value")
        check(tree["/propagation"].attrs["model"] == "log-distance", f"{name}: {tree['/propagation'].attrs}")
        check(list(tree["/landmark/kind"].values) == ["pylorus"], f"{name}: landmarks")


def check_scales(path):
    with h5py.File(path) as file:
        check(file["time"].is_scale, f"{path.name}: time is no dimension scale")
        for name, dataset in file.items():
            if dataset.ndim and name != "time":
                check(dataset.dims[0][0] == file["time"], f"{path.name}: {name} is not over time")
                check(dataset.compression == "gzip" and dataset.shuffle, f"{path.name}: {name} is not packed")
    with netCDF4.Dataset(path) as file:
        check(file["flags"].dimensions == ("time",), f"{path.name}: flags over {file['flags'].dimensions}")
        check(file.dimensions["time"].isunlimited(), f"{path.name}: time has an end")


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    opened = 0
    for engine in ["h5netcdf", "netcdf4"]:
        for stem in STARTS:
            check_track(folder / f"{stem}.h5", engine)
            opened += 1
        check_study(folder / "study.h5", engine)
        opened += 1
    for stem in STARTS:
        check_scales(folder / f"{stem}.h5")
    print(f"{opened} files opened as named")
