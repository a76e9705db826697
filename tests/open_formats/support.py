"""The command, and recordings to try it on."""

from __future__ import annotations

import csv
import os
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

COMMAND = os.environ["TICKSEAM_COMMAND"]

# One stream, losses and packets that come twice.
PLAIN = """
duration_s = 300.0
[host]
loss = 0.01
duplicates = 0.01
"""

# Two streams, exchanges, markers, packets that come twice and a reboot: two segments, and a stream beside the reference stream.
EVENTFUL = """
duration_s = 400.0
[host]
duplicates = 0.01
[exchanges]
period_s = 20.0
[markers]
period_s = 45.0
[[stream]]
name = "scalp"
[[stream]]
name = "motion"
rate_hz = 50.0
samples_per_packet = 5
[[fault]]
kind = "reboot"
at_s = 260.0
off_s = 8.0
"""


def tickseam(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([COMMAND, *map(str, words)], capture_output=True, text=True, check=False)


def done(*words: object) -> str:
    """Runs the command, which has to end well; what it prints."""
    run = tickseam(*words)
    assert run.returncode == 0, f"{words}: status {run.returncode}: {run.stderr}"
    return run.stdout


def refused(status: int, message: str, *words: object) -> None:
    """Runs the command, which has to refuse in these words and no others."""
    run = tickseam(*words)
    said = run.stderr.removeprefix("tickseam: ").rstrip("\n")
    assert (run.returncode, run.stdout) == (status, ""), f"{words}: status {run.returncode}: {run.stderr}"
    assert said == message, f"{words} said\n  {said}\nand not\n  {message}"


@contextmanager
def simulated(scenario: str):
    """A folder that holds `recording`, and room beside it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "scenario.toml").write_text(scenario)
        done("simulate", folder / "scenario.toml", "--out", folder / "recording", "--seed", 11)
        yield folder


def rows(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        quoting = csv.QUOTE_NONE if delimiter == "\t" else csv.QUOTE_MINIMAL
        return list(csv.DictReader(file, delimiter=delimiter, quoting=quoting))
