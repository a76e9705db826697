"""Where things lie, the command, and simulated recordings."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

import tickseam

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="session")
def command() -> str:
    """The `tickseam` command: TICKSEAM_COMMAND, else built here."""
    given = os.environ.get("TICKSEAM_COMMAND")
    if given:
        return given
    subprocess.run(["cargo", "build", "--release", "--locked", "--quiet", "-p", "tickseam-cli"], cwd=ROOT, check=True)
    target = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return str(target / "release" / "tickseam")


def run(command: str, *words: str) -> None:
    subprocess.run([command, *words], check=True, stdout=subprocess.DEVNULL)


# Two streams, exchanges, markers, a host clock that is set and a reboot: what a replay over
# packets alone would miss.
EVENTFUL = """
duration_s = 400.0

[exchanges]
period_s = 20.0

[markers]
period_s = 45.0

[[stream]]
name = "scalp"
rate_hz = 250.0
samples_per_packet = 5

[[stream]]
name = "motion"
rate_hz = 50.0
samples_per_packet = 5

[[fault]]
kind = "host-step"
at_s = 150.0
step_s = 3.0

[[fault]]
kind = "reboot"
at_s = 280.0
off_s = 3.0
"""


@pytest.fixture(scope="session", params=["demonstration", "002-five-to-ten", "eventful"])
def replayed_by_command(
    request: pytest.FixtureRequest, command: str, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Path]:
    """A recording folder and the folder of what the command made of it."""
    folder = tmp_path_factory.mktemp("recording")
    results = tmp_path_factory.mktemp("results")
    if request.param == "demonstration":
        tickseam._native.write_demonstration(str(folder))
    else:
        scenario = ROOT / "tests" / "scenarios" / f"{request.param}.toml"
        if request.param == "eventful":
            scenario = tmp_path_factory.mktemp("scenario") / "eventful.toml"
            scenario.write_text(EVENTFUL)
        run(command, "simulate", str(scenario), "--out", str(folder))
    run(command, "replay", str(folder), "--out", str(results))
    return folder, results
