"""A replay in Python is that of the command, cell by cell."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import tickseam

DECIMALS = {"onset": 9, "live_onset": 9, "duration": 6, "sample": 6, "u95_ms": 6, "live_u95_ms": 6}


def written(name: str, value: Any) -> str:
    """A value as events.tsv writes it."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return "n/a"
    if isinstance(value, float):
        text = f"{value:.{DECIMALS.get(name, 6)}f}"
        return text.lstrip("-") if float(text) == 0.0 else text
    return str(value)


def same_as_files(found: tickseam.Replayed, results: Path) -> None:
    with open(results / "events.tsv", newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file, delimiter="\t", quoting=csv.QUOTE_NONE)
    events = found.events
    assert list(events.columns) == header and len(events) == len(rows) > 0
    for name, cells in zip(header, zip(*rows)):
        assert [written(name, value) for value in events[name].tolist()] == list(cells), name
    with open(results / "gaps.csv", newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    gaps = found.gaps
    assert list(gaps.columns) == header and len(gaps) == len(rows)
    for name, cells in zip(header, zip(*rows)):
        texts = [
            f"{value:.9f}" if isinstance(value, float) and not math.isnan(value) else written(name, value)
            for value in gaps[name].tolist()
        ]
        assert [text.replace("n/a", "") for text in texts] == list(cells), name


def test_a_folder_gives_what_the_command_writes(replayed_by_command: tuple[Path, Path]) -> None:
    folder, results = replayed_by_command
    found = tickseam.replay(folder)
    same_as_files(found, results)
    assert found.summary == json.loads((results / "alignment.json").read_text())


def test_a_table_and_arrays_give_what_the_command_writes(replayed_by_command: tuple[Path, Path]) -> None:
    folder, results = replayed_by_command
    recording = tickseam.read(folder)
    tables = {"events": recording.events, "exchanges": recording.exchanges, "markers": recording.markers}
    by_table = tickseam.replay(recording.description, recording.packets, **tables)
    same_as_files(by_table, results)
    # The same folder as other programs read it: names of streams as text, ticks as floats or integers.
    read = pd.read_csv(folder / "packets.csv")
    by_csv = tickseam.replay(tickseam.Description.read(folder / "recording.toml"), read, **tables)
    same_as_files(by_csv, results)
    by_arrays = tickseam.replay(recording.description.to_dict(), **recording.packet_arrays, **tables)
    same_as_files(by_arrays, results)
    whole = json.loads((results / "alignment.json").read_text())
    for name in ("streams", "segments", "events", "words"):
        assert by_arrays.summary[name] == whole[name]
    assert by_arrays.summary["inputs"] == [] and by_arrays.summary["error_against_truth"] is None


def test_the_eventful_recording_is_one(replayed_by_command: tuple[Path, Path]) -> None:
    folder, results = replayed_by_command
    recording = tickseam.read(folder)
    if len(recording.marker_arrays["tick"]) == 0:
        pytest.skip("another recording")
    summary = json.loads((results / "alignment.json").read_text())
    assert len(summary["segments"]) == 2 and len(recording.exchange_arrays["origin_ns"]) > 0
    assert any("host-clock" in change["cause"] for segment in summary["segments"] for change in segment["changes"])


def test_single_ticks_may_be_absent(replayed_by_command: tuple[Path, Path]) -> None:
    recording = tickseam.read(replayed_by_command[0])
    arrays = dict(recording.packet_arrays)
    tick = np.ma.getdata(arrays.pop("tick")).copy()
    absent = np.arange(len(tick)) % 7 == 3
    # Nonsense where none is said to be, which must not be looked at.
    tick[absent] = 5
    number = tick.astype(float)
    number[absent] = np.nan
    forms = [
        np.ma.MaskedArray(tick, mask=absent),
        number,
        pd.array(pd.Series(tick.astype("int64")).where(~absent), dtype="UInt64"),
        [None if gone else int(value) for value, gone in zip(tick, absent)],
    ]
    found = [tickseam.replay(recording.description, **arrays, tick=form, events=recording.events) for form in forms]
    looked_at = tickseam.replay(recording.description, **arrays, tick=tick, events=recording.events)
    assert not found[0].events.equals(looked_at.events)
    for other in found[1:]:
        assert other.events.equals(found[0].events) and other.summary == found[0].summary
    whole = tickseam.replay(recording.description, **arrays, events=recording.events)
    all_masked = np.ma.MaskedArray(tick, mask=True)
    masked = tickseam.replay(recording.description, **arrays, tick=all_masked, events=recording.events)
    assert masked.events.equals(whole.events) and whole.summary["segments"][0]["clock"] == "sample"


def test_a_recording_that_cannot_be_read_is_refused_with_its_place(tmp_path: Path) -> None:
    with pytest.raises(tickseam.RecordingError, match="expected a recording folder"):
        tickseam.read(tmp_path / "nowhere")
    tickseam._native.write_demonstration(str(tmp_path))
    path = tmp_path / "packets.csv"
    lines = path.read_text().splitlines()
    lines[16] = lines[16].replace("scalp", "scarf").replace("optical", "scarf")
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(tickseam.RecordingError, match=r'packets\.csv line 17, column "stream" \(2\): found "scarf"'):
        tickseam.replay(tmp_path)
