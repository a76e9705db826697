"""A fleet of workers answers what the command answers."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from distributed import Client, LocalCluster

import tickseam
from conftest import run
from test_replay import same_as_files

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
sys.path.insert(0, str(EXAMPLES))

from fleet_dask import replay_all  # noqa: E402

SCENARIO = """
duration_s = 90.0
[host]
loss = 0.01
[exchanges]
period_s = 20.0
"""
NAMES = ["site 1/a", "site 1/b", "site 2/a", "c"]


@pytest.fixture(scope="module")
def study(command: str, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A folder of recordings, and the folder of what the command makes of them, one by one."""
    home = tmp_path_factory.mktemp("study")
    scenario = home / "scenario.toml"
    scenario.write_text(SCENARIO)
    for seed, name in enumerate(NAMES):
        folder = home / "study" / name
        run(command, "simulate", str(scenario), "--out", str(folder), "--seed", str(seed + 40))
        run(command, "replay", str(folder), "--out", str(home / "results" / name))
    return home / "study", home / "results"


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster) as client:
        yield client


def test_two_workers_give_what_the_command_writes(study: tuple[Path, Path], client: Client) -> None:
    recordings, results = study
    folders = [recordings / name for name in NAMES]
    found, failed = replay_all(client, folders)
    assert not failed and list(found) == folders
    for name in NAMES:
        answer = found[recordings / name]
        same_as_files(answer, results / name)
        assert answer.summary == json.loads((results / name / "alignment.json").read_text())
        # What comes over the network has every bit of what this process finds.
        here = tickseam.replay(recordings / name)
        for column, cells in here.event_arrays.items():
            there = answer.event_arrays[column]
            assert there == cells if isinstance(cells, list) else there.tobytes() == cells.tobytes(), column
    # Both had something to do.
    counts = client.run(lambda dask_worker: dask_worker.state.executed_count)
    assert len(counts) == 2 and all(count > 0 for count in counts.values()), counts


def test_one_that_fails_is_told_and_does_not_stop_the_others(study: tuple[Path, Path], client: Client, tmp_path: Path) -> None:
    recordings, _ = study
    broken = tmp_path / "broken"
    shutil.copytree(recordings / "c", broken)
    (broken / "packets.csv").write_text("host_ns,stream,sequence,tick,samples\nx,eeg,1,2,5\n")
    found, failed = replay_all(client, [broken, recordings / "c"])
    assert list(found) == [recordings / "c"]
    error = failed[broken]
    assert isinstance(error, tickseam.RecordingError) and "packets.csv line 2" in str(error)


def test_the_example_runs_as_its_docstring_says(study: tuple[Path, Path], tmp_path: Path) -> None:
    recordings, results = study
    out = tmp_path / "events.csv"
    words = [sys.executable, str(EXAMPLES / "fleet_dask.py"), str(recordings), str(out)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.count("events placed, u95") == len(NAMES)
    with open(out, newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    assert header[:2] == ["recording", "onset"]
    for name in NAMES:
        with open(results / name / "events.tsv", newline="", encoding="utf-8") as file:
            expected = [row["host_ns"] for row in csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE)]
        assert [row[header.index("host_ns")] for row in rows if row[0] == name] == expected
