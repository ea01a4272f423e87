"""Makes tests/data/dayplan_zoneinfo.csv: moments of the usual day over time zones and clock changes, by Python's zoneinfo.

    python dayplan_reference.py > ../data/dayplan_zoneinfo.csv

Time zone rules come from the package tzdata of requirements.txt alone. Elapsed steps are added in UTC; midday the day before is
the earlier reading where the clock skips it or shows it twice.
"""

import os
import random

os.environ["PYTHONTZPATH"] = ""

from datetime import datetime, time, timedelta, timezone  # noqa: E402
from importlib.metadata import version  # noqa: E402
from zoneinfo import ZoneInfo, available_timezones  # noqa: E402

UTC = timezone.utc
CASES = 240
STEPS_H = {"fast_s": -10.0, "last_medicines_s": -2.0, "snack_s": 4.0, "end_s": 11.75}


def changes(zone, year):
    """The hours of a year after which the offset is another."""
    start = datetime(year, 1, 1, tzinfo=UTC)
    hours = [start + timedelta(hours=hour) for hour in range(24 * 366)]
    offsets = [hour.astimezone(zone).utcoffset() for hour in hours]
    return [hours[i] for i in range(1, len(hours)) if offsets[i] != offsets[i - 1]]


def midday_before(swallow, zone):
    day = swallow.astimezone(zone).date() - timedelta(days=1)
    both = [datetime.combine(day, time(12), tzinfo=zone).replace(fold=fold) for fold in (0, 1)]
    return min(int(moment.timestamp()) for moment in both)


def main():
    chance = random.Random(4)
    zones = sorted(available_timezones())
    print(f"# dayplan_reference.py, tzdata {version('tzdata')}; seconds since 1970 in UTC, of the step's moment")
    print("zone,swallow_s,last_solids_s," + ",".join(STEPS_H))
    made = 0
    while made < CASES:
        name = chance.choice(zones)
        zone = ZoneInfo(name)
        at = changes(zone, chance.randint(1971, 2036))
        if not at and chance.random() < 0.9:
            continue
        base = chance.choice(at) if at else datetime(2026, 3, 2, tzinfo=UTC)
        swallow = base + timedelta(minutes=chance.randint(-600, 1800))
        swallow_s = int(swallow.timestamp())
        solids_s = midday_before(swallow, zone)
        if solids_s > swallow_s - 36000:
            continue
        steps = [str(swallow_s + int(3600 * hours)) for hours in STEPS_H.values()]
        print(f"{name},{swallow_s},{solids_s},{','.join(steps)}")
        made += 1


if __name__ == "__main__":
    main()
