"""How often the 90 % intervals of `alvine compare` hold the true difference of two simulated examinations.

    python compare_coverage.py ALVINE FOLDER [--radio usual] [--pairs 30] [--seed 71000] [--rate-hz 0.5]

Simulates twice as many studies of 12 h (scenario `default`), sets each second one beside the one before it, and counts for each
duration the pairs whose difference is told and true, and those of them whose interval holds the truth. A study that is there in
FOLDER already is not made again. Standard library only.
"""
import argparse
import json
import subprocess
from pathlib import Path

SPANS = {
    "gastric transit": ("cardia", "pylorus"),
    "small-bowel transit": ("pylorus", "ileocaecal-valve"),
    "swallow to pylorus": ("swallow", "pylorus"),
    "swallow to valve": ("swallow", "ileocaecal-valve"),
}


def true_length_s(study, span):
    landmarks = json.loads((study / "truth.json").read_text())["landmarks"]
    times = {landmark["kind"]: landmark["time_s"] for landmark in landmarks}
    begin, end = (times.get(kind) for kind in span)
    return None if begin is None or end is None else end - begin


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("alvine")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--radio", default="usual")
    parser.add_argument("--pairs", type=int, default=30)
    parser.add_argument("--seed", type=int, default=71000)
    parser.add_argument("--rate-hz", type=float, default=0.5)
    args = parser.parse_args()
    args.folder.mkdir(exist_ok=True)
    scenario = args.folder / "pair.toml"
    scenario.write_text(
        f'format = 1\nname = "pair"\nbase = "default"\nradio = "{args.radio}"\nseed = {args.seed}\nrate_hz = {args.rate_hz}\n'
    )
    studies = args.folder / "studies"
    cohort = ["simulate", "--cohort", scenario, "--count", str(2 * args.pairs), "--out", studies, "--quiet"]
    subprocess.run([args.alvine, *cohort], check=True)
    told, held = dict.fromkeys(SPANS, 0), dict.fromkeys(SPANS, 0)
    for seed in range(args.seed, args.seed + 2 * args.pairs, 2):
        pair = [studies / f"phantom-pair-{seed + k}" for k in range(2)]
        found = subprocess.run([args.alvine, "compare", *pair, "--json"], check=True, capture_output=True).stdout
        for row in json.loads(found)["pairs"][0]["durations"]:
            if row["name"] not in SPANS or row["difference"]["kind"] != "known":
                continue
            first_s, second_s = (true_length_s(study, SPANS[row["name"]]) for study in pair)
            if first_s is None or second_s is None:
                continue
            low_s, high_s = row["difference"]["interval90_s"]
            told[row["name"]] += 1
            held[row["name"]] += low_s <= second_s - first_s <= high_s
    for name in SPANS:
        print(f"{name}: {held[name]} of {told[name]} in the 90 % interval")


if __name__ == "__main__":
    main()
