"""events.tsv and events.json inside a data set, under the validator of the Brain Imaging Data Structure (BIDS)."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

from support import EVENTFUL, done, rows, simulated

VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
# About the experiment, which no alignment knows.
OF_THE_EXPERIMENT = {("SIDECAR_KEY_RECOMMENDED", "StimulusPresentation")}


def issues(dataset: Path) -> list[dict[str, str]]:
    run = subprocess.run(
        [VALIDATOR, dataset, "--format", "json", "--max-rows", "-1"], capture_output=True, text=True, check=False
    )
    assert run.stdout.startswith("{"), f"the validator said {run.stdout[:200]} {run.stderr}"
    found = json.loads(run.stdout)
    assert found["summary"]["subjects"] == ["01"], found["summary"]
    return found["issues"]["issues"]


def about_events(found: list[dict[str, str]]) -> set[tuple[str, str]]:
    named = [one for one in found if "_events." in one.get("location", "")]
    return {(one["code"], one.get("subCode", "")) for one in named} - OF_THE_EXPERIMENT


def main() -> None:
    with simulated(EVENTFUL) as folder:
        done("replay", folder / "recording", "--out", folder / "results")
        results, dataset = folder / "results", folder / "dataset"
        eeg = dataset / "sub-01/eeg"
        eeg.mkdir(parents=True)
        about = {
            "Name": "Placed events",
            "BIDSVersion": "1.10.0",
            "DatasetType": "raw",
            "License": "CC0",
            "Authors": ["A", "B"],
        }
        (dataset / "dataset_description.json").write_text(json.dumps(about))
        (dataset / "README").write_text("A data set of one simulated recording, to be validated.\n" * 4)
        # A restart begins a new timeline, and BIDS has one timeline in a run: each segment is a run of its own.
        header, *lines = (results / "events.tsv").read_text().splitlines(keepends=True)
        segment = header.split("\t").index("segment")
        for run in ["0", "1"]:
            events = eeg / f"sub-01_task-oddball_run-{run}_events.tsv"
            events.write_text(header + "".join(line for line in lines if line.split("\t")[segment] == run))
            shutil.copy(results / "events.json", events.with_suffix(".json"))
        sidecar = events.with_suffix(".json")
        found = issues(dataset)
        errors = [one for one in found if one["severity"] == "error"]
        assert not errors, errors
        assert not about_events(found), about_events(found)

        # What is there is what the table has, in its order, and the levels are all its values.
        described = json.loads(sidecar.read_text())
        table = rows(results / "events.tsv", "\t")
        assert list(described) == list(table[0]), list(described)
        for name, column in described.items():
            assert column["LongName"] and column["Description"], name
            if "Levels" in column:
                assert {row[name] for row in table} - {"n/a"} <= set(column["Levels"]), name
        assert described["status"]["Levels"].keys() == {"placed", "in-gap", "outside", "unplaced"}
        assert described["u95_ms"]["Units"] == "ms" and described["onset"]["Units"] == "s"

        # The validator does look: a column without a text, and an onset that is no number.
        del described["u95_ms"]
        sidecar.write_text(json.dumps(described))
        assert ("TSV_ADDITIONAL_COLUMNS_UNDEFINED", "u95_ms") in about_events(issues(dataset))
        shutil.copy(results / "events.json", sidecar)
        text = events.read_text()
        events.write_text(text.replace(rows(events, "\t")[3]["onset"], "soon", 1))
        errors = [one for one in issues(dataset) if one["severity"] == "error"]
        assert any("_events.tsv" in one["location"] for one in errors), errors
        print(f"check_bids: {len(table)} events, {len(table[0])} columns")


main()
