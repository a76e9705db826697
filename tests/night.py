"""What a replay of a long recording takes, with everything that it writes, beside what `pandas.read_csv` takes on the same packets.csv.

    tickseam simulate tests/scenarios/003-night.toml --out night
    python tests/night.py night [--command tickseam] [--runs 5]

The two take turns; the least time of each is told, and the largest memory of the command. Needs pandas.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas


# A process counts among its own memory what its parent held when it was made: the command's parent is one that holds little.
SMALL_PARENT = """
import os, subprocess, sys, time
began = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, usage = os.wait4(child.pid, 0)
print(time.perf_counter() - began, usage.ru_maxrss / 1024, status)
"""


def main() -> int:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folder", type=Path, help="a recording folder")
    arguments.add_argument("--command", default="tickseam", help="the command")
    arguments.add_argument("--runs", type=int, default=5)
    given = arguments.parse_args()
    replay_s, memory_mib, read_s, written = [], [], [], {}
    for _ in range(given.runs):
        with tempfile.TemporaryDirectory() as results:
            words = [sys.executable, "-c", SMALL_PARENT, given.command, "replay", str(given.folder), "--out", results]
            told = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout.split()
            if told[2] != "0":
                return 1
            replay_s.append(float(told[0]))
            memory_mib.append(float(told[1]))
            written = {path.name: path.stat().st_size for path in sorted(Path(results).iterdir())}
        began = time.perf_counter()
        rows = len(pandas.read_csv(given.folder / "packets.csv"))
        read_s.append(time.perf_counter() - began)
    print(f"{rows} packets, least of {given.runs} runs each")
    print(f"replay, everything written:  {min(replay_s):.2f} s, {max(memory_mib):.0f} MiB")
    print(f"pandas.read_csv alone:       {min(read_s):.2f} s; the replay takes {min(replay_s) / min(read_s):.2f} times that")
    for name, size in written.items():
        print(f"{name:<28} {size / 1e6:.2f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
