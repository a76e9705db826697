"""Time of a replay of 1.44 million packets in Python, against the command's own, on one machine in one run.

    tickseam simulate tests/scenarios/003-night.toml --out night
    python bindings/python/speed.py night [--command tickseam] [--limit 1.2]

Reading the folder, replaying, and making the tables of events and gaps, against `tickseam replay night`, which also writes them. The two take
turns; the least of each is compared. Ends with status 1 above the limit.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time

import tickseam


def main() -> int:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folder", help="a recording folder")
    arguments.add_argument("--command", default="tickseam", help="the command")
    arguments.add_argument("--runs", type=int, default=5)
    arguments.add_argument("--limit", type=float, default=None, help="largest ratio")
    given = arguments.parse_args()
    by_command, by_python, by_arrays = [], [], []
    recording = tickseam.read(given.folder)
    packets, events = recording.packet_arrays, recording.event_arrays
    for _ in range(given.runs):
        with tempfile.TemporaryDirectory() as results:
            began = time.perf_counter()
            words = [given.command, "replay", given.folder, "--out", results]
            subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
            by_command.append(time.perf_counter() - began)
        began = time.perf_counter()
        found = tickseam.replay(given.folder)
        assert len(found.events) == len(events["label"]) and found.gaps is not None
        by_python.append(time.perf_counter() - began)
        began = time.perf_counter()
        tickseam.replay(recording.description, packets, events=events)
        by_arrays.append(time.perf_counter() - began)
    session, many = tickseam.Session(recording.description), 100_000
    rows = list(zip(*(packets[name][:many].tolist() for name in ("host_ns", "sequence", "tick", "samples"))))
    began = time.perf_counter()
    for row in rows:
        session.observe_packet(*row)
    one_by_one = (time.perf_counter() - began) / len(rows)
    session = tickseam.Session(recording.description)
    began = time.perf_counter()
    session.observe_packets(packets)
    in_arrays = (time.perf_counter() - began) / len(packets["host_ns"])
    ratio = min(by_python) / min(by_command)
    print(f"{len(packets['host_ns'])} packets, least of {given.runs} runs")
    print(f"command, folder in, files out:         {min(by_command):.3f} s")
    print(f"Python, folder in, DataFrames out:     {min(by_python):.3f} s, {ratio:.2f} times the command")
    print(f"Python, arrays in (no reading):        {min(by_arrays):.3f} s")
    print(f"a packet observed, one by one:         {one_by_one * 1e9:.0f} ns")
    print(f"a packet observed, in arrays:          {in_arrays * 1e9:.0f} ns")
    return int(given.limit is not None and ratio > given.limit)


if __name__ == "__main__":
    sys.exit(main())
