"""Makes the empty HDF5 files that alvine-study fills: templates/track.h5, templates/study.h5 and templates/map.h5.

netCDF-4 dimensions are HDF5 dimension scales, which the C library marks with null-terminated fixed strings. The
templates hold every dataset at length zero, unlimited, with its scales attached; alvine resizes and fills them.

    python make_templates.py ../../crates/alvine-study/templates

Versions: requirements.txt. The same versions make the same bytes.
"""

import sys
from pathlib import Path

import h5py
import numpy as np

TEXT = h5py.string_dtype("utf-8")
CONVENTIONS = "CF-1.11"
# UDUNITS has no decibel; this is its spelling of one.
DECIBEL = "0.1 lg(re 1)"
# Bit k of the flags is the k-th of these, as in alvine::Flags::NAMED.
FLAGS = [
    "few-sites",
    "edge",
    "ambiguous",
    "bridged",
    "saturated",
    "unsettled",
    "clock-jump",
    "loose-site",
    "outlier",
]

# Bit k of the organs is the k-th of these, as in alvine::siting::OrganRegion::ALL.
ORGANS = [
    "stomach",
    "proximal-small-bowel",
    "distal-small-bowel",
    "ileocaecal",
    "ascending-colon",
    "transverse-colon",
    "descending-colon",
    "rectosigmoid",
]


def create(path):
    """An empty file that every HDF5 since 1.8 reads and whose parts keep their order, as netCDF-4 wants."""
    file = h5py.File(path, "w", libver="earliest", track_order=True)
    attribute(file, Conventions=CONVENTIONS)
    return file


def attribute(owner, **attributes):
    """Text as fixed characters, which every netCDF reader knows, anything else as it is."""
    for name, value in attributes.items():
        owner.attrs.create(name, np.bytes_(value) if isinstance(value, str) else value)


def empty(group, name, dtype, chunk, fixed=(), fill=None, **attributes):
    """A chunked dataset of length zero; numbers are shuffled and deflated. `fixed` are the lengths that stay."""
    dimensions = len(chunk)
    shape = (0,) * (dimensions - len(fixed)) + tuple(fixed)
    most = (None,) * (dimensions - len(fixed)) + tuple(fixed)
    packed = {} if dtype is TEXT else {"shuffle": True, "compression": "gzip", "compression_opts": 1}
    dataset = group.create_dataset(
        name, shape, dtype, maxshape=most, chunks=chunk, fillvalue=fill, track_order=True, track_times=False, **packed
    )
    if fill is not None:
        attributes["_FillValue"] = np.array(fill, dtype)
    attribute(dataset, **attributes)
    return dataset


def scale(dataset, name):
    """Makes a dataset the dimension of a name."""
    dataset.make_scale(name)
    return dataset


def attach(dataset, *scales):
    for dimension, dimension_scale in enumerate(scales):
        dataset.dims[dimension].attach_scale(dimension_scale)


def track(path):
    with create(path) as file:
        attribute(file, featureType="trajectory", title="Track of a capsule through the gut")
        chunk = (8192,)
        time = empty(file, "time", "<f8", chunk, long_name="time", axis="T")
        scale(time, "time")
        trajectory = file.create_dataset("trajectory", (), TEXT, track_order=True, track_times=False)
        attribute(trajectory, cf_role="trajectory_id", long_name="pseudonym of the study")
        for axis, towards in zip("xyz", ["the left", "posterior", "superior"]):
            dataset = empty(
                file,
                f"{axis}_mm",
                "<f8",
                chunk,
                units="mm",
                axis=axis.upper(),
                long_name=f"position of the capsule towards {towards} from the skin at the umbilicus",
            )
            attach(dataset, time)
        coordinates = "time x_mm y_mm z_mm trajectory"
        for pair in ["xx", "xy", "xz", "yy", "yz", "zz"]:
            long_name = f"covariance of {pair[0]} and {pair[1]}" if pair[0] != pair[1] else f"variance of {pair[0]}"
            dataset = empty(
                file, f"{pair}_mm2", "<f8", chunk, units="mm2", long_name=long_name, coordinates=coordinates
            )
            attach(dataset, time)
        dataset = empty(
            file, "sites_used", "<u2", chunk, units="1", long_name="sites that made the fix", coordinates=coordinates
        )
        attach(dataset, time)
        dataset = empty(
            file,
            "flags",
            "<u2",
            chunk,
            long_name="what was unusual",
            flag_masks=np.array([1 << bit for bit in range(len(FLAGS))], "<u2"),
            flag_meanings=" ".join(FLAGS),
            coordinates=coordinates,
        )
        attach(dataset, time)
        dataset = empty(
            file,
            "instant",
            "<u4",
            chunk,
            units="1",
            long_name="index of the instant in the recording, from 0",
            coordinates=coordinates,
        )
        attach(dataset, time)


def study(path):
    with create(path) as file:
        attribute(file, format=np.int64(1), title="Recording of one passage of a swallowed capsule")
        site = empty(file, "site", "<i4", (64,), units="1", long_name="number of the site, from 1")
        scale(site, "site")
        axis = file.create_dataset("axis", data=np.array(["x", "y", "z"], object), dtype=TEXT, track_order=True)
        attribute(axis, long_name="towards the left, posterior, superior from the skin at the umbilicus")
        scale(axis, "axis")

        for name in ["study", "transmitter", "receiver", "propagation", "torso"]:
            file.create_group(name, track_order=True)

        layout = file.create_group("layout", track_order=True)
        attach(empty(layout, "name", TEXT, (64,), long_name="name of the site"), site)
        position = empty(
            layout, "position_mm", "<f8", (64, 3), fixed=(3,), units="mm", long_name="position of the site"
        )
        attach(position, site, axis)
        gain = empty(layout, "gain_db", "<f8", (64,), units=DECIBEL, long_name="gain of antenna and cable")
        attach(gain, site)

        recording = file.create_group("recording", track_order=True)
        time = empty(recording, "time_s", "<f8", (8192,), long_name="time of the instant", axis="T")
        scale(time, "time_s")
        levels = empty(
            recording,
            "rssi_dbm",
            "<f4",
            (4096, 8),
            fill=np.float32(np.nan),
            units="dBm",
            long_name="received signal strength; no value where no packet came",
        )
        attach(levels, time, site)
        heading = empty(recording, "auxiliary_name", TEXT, (16,), long_name="heading of the auxiliary column")
        scale(heading, "auxiliary_name")
        cells = empty(recording, "auxiliary", TEXT, (4096, 1), long_name="cells that alvine keeps and ignores")
        attach(cells, time, heading)

        landmark = file.create_group("landmark", track_order=True)
        kind = scale(empty(landmark, "kind", TEXT, (16,), long_name="landmark that a reader placed"), "kind")
        attach(empty(landmark, "time_s", "<f8", (16,), units="s", long_name="time since the recording began"), kind)
        spread = empty(
            landmark,
            "spread_s",
            "<f8",
            (16,),
            fill=np.nan,
            units="s",
            long_name="standard deviation of the time; no value where the reader gave none",
        )
        attach(spread, kind)

        finding = file.create_group("finding", track_order=True)
        name = scale(empty(finding, "id", TEXT, (64,), long_name="name of the finding"), "id")
        attach(empty(finding, "time_s", "<f8", (64,), units="s", long_name="time since the recording began"), name)
        attach(empty(finding, "note", TEXT, (64,), long_name="the reader's words; empty where there are none"), name)


def layout_map(path):
    with create(path) as file:
        attribute(file, title="What a layout of antennas can do at each place of the abdomen")
        scales = {}
        for axis, towards in zip("zyx", ["superior", "posterior", "the left"]):
            name = f"{axis}_mm"
            scales[axis] = empty(
                file,
                name,
                "<f8",
                (256,),
                units="mm",
                axis=axis.upper(),
                long_name=f"position towards {towards} from the skin at the umbilicus",
            )
            scale(scales[axis], name)
        root = "least root-mean-square error of a fix"
        for name, units, long_name in [
            ("rmse_mm", "mm", f"{root}, the level known to a prior (Cramer-Rao bound)"),
            ("rmse_level_known_mm", "mm", f"{root}, the level known (Cramer-Rao bound)"),
            ("rmse_level_unknown_mm", "mm", f"{root}, the level unknown (Cramer-Rao bound)"),
            ("rmse_in_torso_mm", "mm", f"{root}, the level known to a prior, within the torso"),
            ("dilution", "1", "error of the place for each unit of error in the ranges"),
            ("sites_above_floor", "1", "sites whose median level is above the floor"),
            ("sites_expected", "1", "sites to be heard on average"),
            ("four_heard", "1", "probability that at least four sites are heard"),
            ("rival_mistaken", "1", "probability to be taken for the distant place most like it"),
            ("mirror_mistaken", "1", "probability to be taken for its mirror image in the plane of the sites"),
        ]:
            dataset = empty(
                file, name, "<f4", (16, 32, 32), fill=np.float32(np.nan), units=units, long_name=long_name
            )
            attach(dataset, *scales.values())
        organs = empty(
            file,
            "organs",
            "u1",
            (16, 32, 32),
            long_name="organs that usually lie there",
            flag_masks=np.array([1 << bit for bit in range(len(ORGANS))], "u1"),
            flag_meanings=" ".join(ORGANS),
        )
        attach(organs, *scales.values())
        site = scale(empty(file, "site", "<i4", (64,), units="1", long_name="number of the site, from 1"), "site")
        attach(empty(file, "site_name", TEXT, (64,), long_name="name of the site"), site)
        for axis in "xyz":
            dataset = empty(file, f"site_{axis}_mm", "<f8", (64,), units="mm", long_name=f"{axis} of the site")
            attach(dataset, site)


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    track(folder / "track.h5")
    study(folder / "study.h5")
    layout_map(folder / "map.h5")
