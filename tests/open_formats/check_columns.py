"""Logs with other column names, units and delimiters replay to the bytes of the recording that they are."""

import shutil
from decimal import Decimal
from pathlib import Path

import pandas as pd

from support import PLAIN, done, refused, rows, simulated, tickseam


def table(path: Path, header: list[str], lines: list[list[str]], delimiter: str) -> None:
    text = [delimiter.join(line) for line in [header, *lines]]
    path.write_text("\n".join(text) + "\n", encoding="utf-8")


def scaled(ns: str, exponent: int) -> str:
    """Nanoseconds in another unit, exactly: by decimal arithmetic, and with all its decimals."""
    return format(Decimal(ns).scaleb(-exponent), "f")


def main() -> None:
    with simulated(PLAIN) as folder:
        recording, results = folder / "recording", folder / "results"
        done("replay", recording, "--out", results)
        expected = [(results / name).read_bytes() for name in ["events.tsv", "gaps.csv"]]
        packets, events = rows(recording / "packets.csv"), rows(recording / "events.csv")
        other = folder / "other"
        tried = 0

        def same(*names: str) -> None:
            words = [word for name in names for word in ("--columns", name)]
            done("replay", other, "--out", folder / "found", *words)
            found = [(folder / "found" / name).read_bytes() for name in ["events.tsv", "gaps.csv"]]
            assert found == expected, names

        for unit, exponent in [("s", 9), ("ms", 6), ("us", 3), ("ns", 0)]:
            for delimiter in [",", ";", "\t"]:
                shutil.rmtree(other, ignore_errors=True)
                other.mkdir()
                shutil.copy(recording / "recording.toml", other)
                # No column for the stream, which is the only one, nor for samples, which are the usual ones.
                lines = [[row["tick"], "x", scaled(row["host_ns"], exponent), row["sequence"]] for row in packets]
                table(other / "packets.csv", ["count", "note", "t (rx)", "n"], lines, delimiter)
                lines = [[row["label"], scaled(row["host_ns"], 9), row.get("duration_ms", "")] for row in events]
                table(other / "events.csv", ["code", "time", "length"], lines, delimiter)
                of_packets = f"host_ns=t (rx):{unit},sequence=n,tick=count"
                of_events = "events.host_ns=time:s,label=code,duration_ms=length"
                same(of_packets, of_events)
                same(f"{of_packets},{of_events}")
                tried += 1
        frame = pd.DataFrame(
            {
                "arrival": [int(row["host_ns"]) for row in packets],
                "n": [int(row["sequence"]) for row in packets],
                "count": pd.array([int(row["tick"]) for row in packets], dtype="Int64"),
            }
        )
        (other / "packets.csv").unlink()
        frame.to_parquet(other / "packets.parquet")
        same("host_ns=arrival,sequence=n,tick=count", of_events)
        print_notes = done("replay", other, "--out", folder / "found", "--columns", of_events, "--columns",
                           "host_ns=arrival,sequence=n,tick=count")
        assert "no column for the samples" in print_notes, print_notes

        # As somebody would get it wrong.
        form = "expected OURS=THEIRS or OURS=THEIRS:UNIT, such as host_ns=arrival:us"
        refused(2, f'--columns: found "arrival", {form}', "replay", other, "--columns", "arrival")
        refused(
            2,
            '--columns: found the unit "min", expected ns, us, ms or s (a name with a colon in it goes into double quotes)',
            "replay", other, "--columns", "host_ns=arrival:min",
        )
        refused(
            2,
            "--columns: found packets.host_ns a second time, expected each column once",
            "replay", other, "--columns", "host_ns=a", "--columns", "packets.host_ns=b",
        )
        refused(
            1,
            'packets.parquet: found the columns "arrival,n,count", expected a column "arrived" among them',
            "replay", other, "--columns", f"host_ns=arrived,sequence=n,tick=count,{of_events}",
        )
        # Wrong by a factor of a thousand: instants that no recording of ours has.
        refused(
            1,
            f'packets.parquet row 1, column "arrival": found "{frame["arrival"][0]}", expected a number of seconds whose '
            "nanoseconds fit 64 bits",
            "replay", other, "--columns", f"host_ns=arrival:s,sequence=n,tick=count,{of_events}",
        )
        run = tickseam("replay", "--columns", "host_ns=arrival")
        assert run.returncode == 2 and "FOLDER" in run.stderr and not run.stdout, run.stderr
        assert not (folder / "other-aligned").exists()
        help_text = done("replay", "--help")
        assert "--columns" in help_text and max(map(len, help_text.splitlines())) <= 80
        print(f"check_columns: {tried} units and delimiters, by text and by Parquet")


main()
