"""Feeds `alvine watch` a simulated examination faster than life, kills it at random instants and holds its events to an unbroken run.

    python watch_feed.py ALVINE FOLDER [--hours 10] [--rate-hz 2] [--speed 100] [--kills 8] [--seed 1] [--scenario NAME]

Four feeds of the same rows run at once, at `--speed` times the pace of life: a file that grows and is never left alone for a
kill (memory over time is read from this one), and a file that grows, standard input and a socket, each of whose watchers are
killed (SIGKILL) at `--kills` instants drawn from `--seed` and started anew. The file and the pipe are cut wherever the kill finds
them, within a row too. The pipe's new watcher gets the recording from its beginning, the socket's from where its greeting says.

Expected: every events file equals, byte by byte, that of one run over the finished recording (`--once`), but for the remark
`row-refused` of a row that a broken feed cut off; the recordings kept of pipe and socket equal the one that was fed. Ends with 1
where anything differs. FOLDER must not exist yet. Standard library only; memory needs Linux's /proc.
"""
import argparse
import random
import shutil
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

TICK_S = 0.05


class Pace:
    """Which bytes of a recording are due by now: rows begin when their time has come, `speed` times sooner than in life."""

    def __init__(self, recording, speed):
        self.recording = recording
        lines = recording.splitlines(keepends=True)
        self.header = lines[0]
        self.ends, self.times = [len(lines[0])], [0.0]
        for line in lines[1:]:
            self.ends.append(self.ends[-1] + len(line))
            self.times.append(float(line.split(b",", 1)[0]))
        self.first_s = self.times[1]
        self.speed = speed
        self.begun = time.monotonic()
        self.at = 0

    def length_s(self):
        return (self.times[-1] - self.first_s) / self.speed

    def due(self):
        """How many bytes are due, and whether that is all of them."""
        now_s = self.first_s + (time.monotonic() - self.begun) * self.speed
        while self.at + 1 < len(self.times) and self.times[self.at + 1] <= now_s:
            self.at += 1
        return self.ends[self.at], self.at + 1 == len(self.times)

    def start_after(self, time_s):
        """Where the first row after an instant begins."""
        for end, next_s in zip(self.ends, self.times[1:]):
            if next_s > time_s:
                return end
        return self.ends[-1]


def resident_kb(pid):
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    return None


class Feed(threading.Thread):
    """One way of feeding, from the first row to the last."""

    def __init__(self, name, args, folder, recording, kills_s, told):
        super().__init__()
        self.name, self.folder, self.told = name, folder, told
        self.args, self.kills_s = args, sorted(kills_s)
        self.recording = recording
        self.memory, self.fault, self.killed = [], None, []
        self.study = folder / name
        self.study.mkdir()
        shutil.copy(folder / "whole/study.toml", self.study / "study.toml")
        self.kept = self.study / "recording.csv"
        self.events = folder / f"{name}.jsonl"

    def start_watcher(self, source=()):
        piped = subprocess.PIPE if source else None
        return subprocess.Popen(
            [self.args.alvine, "watch", self.study, "--events", self.events, "--quiet", *source],
            stdin=piped if source == ("--from", "-") else subprocess.DEVNULL,
            stderr=piped if source and source != ("--from", "-") else None,
        )

    def run(self):
        try:
            getattr(self, f"feed_{self.name.split('-')[0]}")()
        except Exception as error:  # A thread's failure is told by the main one.
            self.fault = repr(error)

    def kill_is_due(self, pace):
        if self.kills_s and time.monotonic() - pace.begun >= self.kills_s[0]:
            self.killed.append(pace.first_s + self.kills_s.pop(0) * pace.speed)
            return True
        return False

    def kill(self, watcher):
        watcher.kill()
        watcher.wait()

    def look(self, pace, watcher):
        self.memory.append((pace.times[pace.at], resident_kb(watcher.pid)))

    def wait_for_the_rest(self, watcher):
        """Waits until the events are as long as the expected ones, and then ends the watcher."""
        patience = time.monotonic() + 60
        while time.monotonic() < patience and len(without_refused(self.events.read_bytes())) < len(self.told):
            time.sleep(TICK_S)
        time.sleep(0.5)
        self.kill(watcher)

    def feed_file(self):
        pace, written, over = Pace(self.recording, self.args.speed), 0, False
        watcher = self.start_watcher()
        with open(self.kept, "wb", buffering=0) as out:
            while not over:
                due, over = pace.due()
                # The end of what is there may lie anywhere within a row.
                due = len(self.recording) if over else max(written, due - random.Random(due).randrange(40))
                out.write(self.recording[written:due])
                written = due
                self.look(pace, watcher)
                if self.kill_is_due(pace):
                    self.kill(watcher)
                    watcher = self.start_watcher()
                time.sleep(TICK_S)
        self.wait_for_the_rest(watcher)

    def feed_pipe(self):
        pace, sent, over = Pace(self.recording, self.args.speed), 0, False
        watcher = self.start_watcher(("--from", "-"))
        while not over:
            due, over = pace.due()
            watcher.stdin.write(self.recording[sent:due])
            watcher.stdin.flush()
            sent = due
            self.look(pace, watcher)
            if self.kill_is_due(pace):
                watcher.stdin.write(self.recording[sent : sent + 17])
                watcher.stdin.flush()
                self.kill(watcher)
                watcher, sent, over = self.start_watcher(("--from", "-")), 0, False
            time.sleep(TICK_S)
        watcher.stdin.close()
        if watcher.wait(60) != 0:
            raise RuntimeError(f"ended with {watcher.returncode}")

    def feed_socket(self):
        pace, over = Pace(self.recording, self.args.speed), False
        watcher, stream, sent = self.connect(pace)
        while not over:
            due, over = pace.due()
            stream.sendall(self.recording[sent:due])
            sent = max(sent, due)
            self.look(pace, watcher)
            if self.kill_is_due(pace):
                self.kill(watcher)
                stream.close()
                watcher, stream, sent = self.connect(pace)
                over = False
            time.sleep(TICK_S)
        self.wait_for_the_rest(watcher)

    def connect(self, pace):
        watcher = self.start_watcher(("--from", "tcp:127.0.0.1:0"))
        address = watcher.stderr.readline().decode().strip().removeprefix("listening at ")
        host, port = address.rsplit(":", 1)
        stream = socket.create_connection((host, int(port)))
        last = stream.makefile().readline().strip().removeprefix("last ")
        if last == "none":
            return watcher, stream, 0
        stream.sendall(pace.header)
        return watcher, stream, pace.start_after(float(last))


def without_refused(events):
    return b"".join(line for line in events.splitlines(keepends=True) if b'"row-refused"' not in line)


def verdict(feed, told):
    found = feed.events.read_bytes()
    refused = len(found) - len(without_refused(found))
    faults = [feed.fault] if feed.fault else []
    if without_refused(found) != told:
        faults.append("events differ")
    if feed.name.startswith("file") and refused:
        faults.append("a row of the file was refused")
    if feed.kept.read_bytes() != feed.recording:
        faults.append("the recording that was kept differs")
    remarks = found.count(b'"row-refused"')
    at = ", ".join(f"{killed:.0f}" for killed in feed.killed)
    print(f"{feed.name}: {len(feed.killed)} kills at {at or '-'} s of the recording; {remarks} cut rows remarked; "
          f"{'; '.join(faults) or 'events and recording identical'}")
    return not faults


def memory(feed):
    """Resident memory by tenths of the recording."""
    length = feed.memory[-1][0] or 1.0
    tenths = [[] for _ in range(10)]
    for time_s, kb in feed.memory:
        if kb:
            tenths[min(9, int(10 * time_s / length))].append(kb)
    print(f"{feed.name}: resident, MB, greatest in each tenth:", *(f"{max(tenth) / 1024:.1f}" for tenth in tenths if tenth))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("alvine")
    parser.add_argument("folder", type=Path)
    for name, kind, usual in [("hours", float, 10), ("rate-hz", float, 2), ("speed", float, 100), ("kills", int, 8), ("seed", int, 1)]:
        parser.add_argument(f"--{name}", type=kind, default=usual)
    parser.add_argument("--scenario", default="default")
    args = parser.parse_args()
    args.folder.mkdir()
    whole = args.folder / "whole"
    simulated = ["--hours", str(args.hours), "--rate-hz", str(args.rate_hz), "--seed", str(args.seed), "--scenario", args.scenario]
    subprocess.run([args.alvine, "simulate", *simulated, "--out", whole, "--quiet"], check=True)
    recording = (whole / "recording.csv").read_bytes()
    told = subprocess.run([args.alvine, "watch", whole, "--once", "--events", "-"], check=True, capture_output=True).stdout
    pace = Pace(recording, args.speed)
    events = len(told.splitlines())
    print(f"{len(pace.times) - 1} rows of {args.hours:g} h in {pace.length_s():.0f} s; {events} events expected", flush=True)
    chance = random.Random(args.seed)
    feeds = []
    for name, kills in [("file-unbroken", 0), ("file", args.kills), ("pipe", args.kills), ("socket", args.kills)]:
        instants = [chance.uniform(0.02, 0.98) * pace.length_s() for _ in range(kills)]
        feeds.append(Feed(name, args, args.folder, recording, instants, told))
    for feed in feeds:
        feed.start()
    for feed in feeds:
        feed.join()
    for feed in feeds:
        memory(feed)
    sys.exit(0 if all([verdict(feed, told) for feed in feeds]) else 1)


if __name__ == "__main__":
    main()
