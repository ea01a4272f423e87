"""Opens map.h5 as netCDF, through both engines, and checks what a user would see against map.csv.

    python check_map.py FOLDER     # with map.h5 and map.csv of `alvine layout evaluate`

Run by the test `netcdf_readers_open_the_maps` where ALVINE_PYTHON names an interpreter with the packages of
requirements.txt. Ends with status 1 and a reason at the first fault.
"""

import csv
import sys
from pathlib import Path

import numpy as np
import xarray as xr


def check(holds, what):
    if not holds:
        raise SystemExit(f"{what}")


def main():
    folder = Path(sys.argv[1])
    with open(folder / "map.csv") as file:
        rows = list(csv.DictReader(file))
    for engine in ["h5netcdf", "netcdf4"]:
        with xr.open_dataset(folder / "map.h5", engine=engine).load() as data:
            check(data.attrs["Conventions"] == "CF-1.11", f"{engine}: {data.attrs}")
            error = data["rmse_mm"]
            check(error.dims == ("z_mm", "y_mm", "x_mm"), f"{engine}: {error.dims}")
            check(error.attrs["units"] == "mm", f"{engine}: {error.attrs}")
            check(int(np.isfinite(error).sum()) == len(rows), f"{engine}: {int(np.isfinite(error).sum())} of {len(rows)}")
            check(data["organs"].attrs["flag_meanings"].split()[3] == "ileocaecal", f"{engine}: {data['organs'].attrs}")
            check(list(data["site_name"].values)[1] == "epigastric", f"{engine}: {data['site_name'].values}")
            check(data.sizes["site"] == 8, f"{engine}: {data.sizes}")
            for row in rows[::997]:
                at = {f"{axis}_mm": float(row[f"{axis}_mm"]) for axis in "xyz"}
                found = data.sel(at)
                for name in ["rmse_mm", "rmse_in_torso_mm", "dilution", "four_heard", "rival_mistaken"]:
                    told = float(row[name]) if row[name] else np.nan
                    value = float(found[name])
                    same = np.isnan(value) if np.isnan(told) else abs(value - told) < 1e-4
                    check(same, f"{engine}: {name} at {at} is {value}, in map.csv {row[name]}")
                bits = int(found["organs"])
                names = data["organs"].attrs["flag_meanings"].split()
                told = row["organs"].split()
                check([n for k, n in enumerate(names) if bits >> k & 1] == told, f"{engine}: organs at {at}")
    print(f"{len(rows)} places as in map.csv, by both engines")


if __name__ == "__main__":
    main()
