"""Replays the recordings of a whole study on a cluster, by Dask.

    pip install tickseam[pandas] dask distributed
    python fleet_dask.py STUDY OUT.csv                      # two workers on this machine
    python fleet_dask.py STUDY OUT.csv tcp://scheduler:8786 # a cluster that is there: STUDY must have the same path on every worker

STUDY is a folder with recordings (folders that hold a recording.toml) at any depth. OUT.csv gets one row for each event of all
recordings: the columns of events.tsv, with the recording's path in front. The numbers are those of the command `tickseam replay`, bit for
bit, whichever worker they come from.

What goes over the network is a path one way, and events, gaps and summary the other; packets are read where they are replayed. A replay works
in two threads and releases the interpreter's lock, so workers have one thread of Dask's, and need memory for one recording each. One
recording that fails does not stop the others: its message is printed, and the exit status is 1.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
from distributed import Client, LocalCluster, as_completed

import tickseam


def replay_all(client: Client, folders: list[Path]) -> tuple[dict[Path, tickseam.Replayed], dict[Path, Exception]]:
    """What was found in each recording, and why others failed; in the order of the folders."""
    # Not pure: what a path holds may change between two runs.
    futures = client.map(tickseam.replay, folders, pure=False)
    folder_of = dict(zip(futures, folders))
    found, failed = {}, {}
    for future in as_completed(futures):
        if future.status == "finished":
            found[folder_of[future]] = future.result()
        else:
            failed[folder_of[future]] = future.exception()
        future.release()
    return {folder: found[folder] for folder in folders if folder in found}, failed


def main(study: str, out: str, *address: str) -> int:
    folders = sorted(path.parent for path in Path(study).resolve().rglob("recording.toml"))
    cluster = address[0] if address else LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with Client(cluster) as client:
        found, failed = replay_all(client, folders)
    for folder, replayed in found.items():
        events = replayed.summary["events"]
        print(f"{folder.name}: {events['placed']} of {events['total']} events placed, u95 {events['u95_median_ms']:.3f} ms")
    if found:
        tables = {str(folder.relative_to(Path(study).resolve())): replayed.events for folder, replayed in found.items()}
        pd.concat(tables, names=["recording"]).droplevel(1).to_csv(out)
    for folder, error in failed.items():
        print(f"{folder}: {error}", file=sys.stderr)
    return 1 if failed or not found else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
