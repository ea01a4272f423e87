"""Reads the calendars that `alvine dayplan` writes with an independent reader, and checks what a calendar would show.

    python check_calendar.py FOLDER     # with dayplan.ics, dayplan-unit.ics and dayplan.json

Run by the test `an_independent_reader_finds_every_step_and_reminder` where ALVINE_PYTHON names an interpreter with the packages of
requirements.txt. Ends with status 1 and a reason at the first fault.
"""

import json
import sys
from datetime import datetime, timedelta
from pathlib import Path

from icalendar import Calendar


def check(holds, what):
    if not holds:
        raise SystemExit(what)


def alarms(event):
    """When each reminder rings, the repeated ones too."""
    rings = []
    for alarm in event.walk("VALARM"):
        check(alarm["ACTION"] == "DISPLAY" and alarm["DESCRIPTION"], "an alarm without action or words")
        first = event.decoded("DTSTART") + alarm.decoded("TRIGGER")
        rings.append(first)
        if "REPEAT" in alarm:
            apart = alarm.decoded("DURATION")
            rings += [first + apart * (again + 1) for again in range(int(alarm["REPEAT"]))]
    return rings


def expected_rings(step, start, end):
    if step["remind_s"] is not None:
        return [start - timedelta(seconds=step["remind_s"])]
    rings = []
    if step["repeat_s"]:
        ring = start + timedelta(seconds=step["repeat_s"])
        while ring < end:
            rings.append(ring)
            ring += timedelta(seconds=step["repeat_s"])
    return rings


def check_calendar(path, steps):
    calendar = Calendar.from_ical(path.read_bytes())
    check(not calendar.errors, f"{path.name}: {calendar.errors}")
    check(calendar["VERSION"] == "2.0" and calendar["PRODID"], f"{path.name}: no version or maker")
    events = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
    check(len(events) == len(steps), f"{path.name}: {len(events)} events for {len(steps)} steps")
    for step in steps:
        found = [event for uid, event in events.items() if uid.endswith(f"-{step['id']}@dayplan.alvine.invalid")]
        check(len(found) == 1, f"{path.name}: {len(found)} events for {step['id']}")
        event = found[0]
        check(not event.errors, f"{path.name}: {step['id']}: {event.errors}")
        start = datetime.fromisoformat(step["start"])
        end = datetime.fromisoformat(step["end"]) if step["end"] else None
        check(event.decoded("DTSTART") == start, f"{path.name}: {step['id']} starts {event.decoded('DTSTART')}")
        if end and end > start:
            check(event.decoded("DTEND") == end, f"{path.name}: {step['id']} ends {event.decoded('DTEND')}")
        check(str(event["SUMMARY"]).startswith(step["title"]), f"{path.name}: {event['SUMMARY']}")
        check(step["words"] in str(event["DESCRIPTION"]), f"{path.name}: {step['id']}: {event['DESCRIPTION']}")
        rings = alarms(event)
        check(rings == expected_rings(step, start, end), f"{path.name}: {step['id']} rings {rings}")
    return len(events)


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    steps = json.loads((folder / "dayplan.json").read_text())["steps"]
    total = sum(
        check_calendar(folder / name, [step for step in steps if step["who"] == who])
        for name, who in [("dayplan.ics", "patient"), ("dayplan-unit.ics", "unit")]
    )
    print(f"{total} events as planned")
