"""placements.parquet and packets.parquet as pyarrow and pandas read them; recordings that pyarrow and pandas write.

The files are held to events.tsv cell by cell, to packets.csv, and to the formula of the clock maps of alignment.json; the budget to the
root sum of squares of JCGM 100:2008, 5.1.2 (the link's bounds and holdover add first, see the library's `Budget`).
"""

import hashlib
import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from support import EVENTFUL, PLAIN, done, refused, rows, simulated, tickseam

DECIMALS = {"onset": 9, "live_onset": 9, "duration": 6, "sample": 6, "u95_ms": 6, "live_u95_ms": 6}
BUDGET = ["link", "statistics", "lattice", "curvature", "holdover", "fixed_delay", "resolution", "latency"]
PACKET_TYPES = {
    "host_ns": pa.int64(),
    "stream": pa.string(),
    "sequence": pa.uint32(),
    "tick": pa.uint64(),
    "samples": pa.uint16(),
    "segment": pa.uint32(),
    "index": pa.int64(),
    "first_sample_s": pa.float64(),
    "delay_ms": pa.float64(),
}


def as_text(column: str, value: object) -> str:
    """A cell as events.tsv writes it."""
    if value is None:
        return "n/a"
    if isinstance(value, float):
        return f"{value:.{DECIMALS.get(column, 6)}f}"
    return str(value) or "n/a"


def check_placements(results: Path, plain: bool) -> int:
    table = pq.read_table(results / "placements.parquet")
    tsv = rows(results / "events.tsv", "\t")
    columns = list(tsv[0])
    assert table.column_names == columns + [f"budget_{line}_ms" for line in BUDGET], table.column_names
    assert table.num_rows == len(tsv) > 100
    whole = {"host_ns": pa.int64(), "segment": pa.uint32()}
    texts = {"trial_type", "status", "excludes"}
    for name in table.column_names:
        expected = pa.string() if name in texts else whole.get(name, pa.float64())
        assert table.schema.field(name).type == expected, name
    cells = 0
    for name in columns:
        for row, value in zip(tsv, table[name].to_pylist(), strict=True):
            assert as_text(name, value) == row[name], f"{name}: {value!r} against {row[name]}"
            cells += 1
    frame = pd.read_parquet(results / "placements.parquet").set_index("host_ns")
    line = {name: frame[f"budget_{name}_ms"] for name in BUDGET}
    known = frame["u95_ms"].notna()
    assert (line["link"].notna() == known).all() and known.sum() > 100
    parts = line["statistics"] + line["lattice"] + line["curvature"]
    assert np.allclose(parts[known], line["link"][known], rtol=1e-12, atol=1e-12)
    if plain:
        rest = sum(line[name] ** 2 for name in ["fixed_delay", "resolution", "latency"])
        combined = np.sqrt((line["link"] + line["holdover"]) ** 2 + rest)
        assert np.allclose(combined[known], frame["u95_ms"][known], rtol=1e-12)
    return cells


def check_packets(recording: Path, results: Path) -> int:
    table = pq.read_table(results / "packets.parquet")
    assert dict(zip(table.column_names, table.schema.types, strict=True)) == PACKET_TYPES
    csv = rows(recording / "packets.csv")
    for name in ["host_ns", "stream", "sequence", "tick", "samples"]:
        for row, value in zip(csv, table[name].to_pylist(), strict=True):
            assert ("" if value is None else str(value)) == row[name], name
    frame = pd.read_parquet(results / "packets.parquet")
    placed = frame["segment"].notna()
    alignment = json.loads((results / "alignment.json").read_text())
    counted = alignment["streams"]
    assert (~placed).sum() == sum(stream["duplicates"] + stream["rejected"] for stream in counted) > 0
    assert placed.sum() == sum(stream["packets_received"] for stream in counted)
    for name in ["index", "first_sample_s", "delay_ms"]:
        assert (frame[name].notna() == placed).all(), name
    assert (frame["index"][placed] % 65536 == frame["sequence"][placed]).all()
    reference = frame[placed & (frame["stream"] == counted[0]["name"])]
    tick_hz = tomllib.loads((recording / "recording.toml").read_text())["device_clock"]["tick_hz"]
    maps = 0
    for segment in alignment["segments"]:
        packets = reference[reference["segment"] == segment["segment"]].sort_values("index")
        # By the counter alone: differences of ticks, modulo its 32 bits, at its nominal rate.
        ticks = packets["tick"].astype("int64").to_numpy()
        since_s = np.concatenate([[0], np.cumsum(np.diff(ticks) % 2**32)]) / tick_hz
        # A tick is the counter rounded down.
        assert np.abs(since_s - packets["first_sample_s"]).max() < 1 / tick_hz
        # Waits for a connection event each 15 ms, or a few where packets are sent again; the beat leaves out some of the shortest.
        assert -1.0 < packets["delay_ms"].quantile(0.01) < 5.5 < packets["delay_ms"].median() < 15
        for clock in segment["maps"]:
            assert segment["clock"] == "sample", "counts are of samples, five in a packet"
            origin_s = (clock["device_origin"] - 5 * packets["index"].min()) / segment["clock_hz"]
            near = packets.iloc[(packets["first_sample_s"] - origin_s).abs().argmin()]
            scale = 1e9 / (1 + clock["drift_ppm"] * 1e-6)
            host_ns = clock["host_origin_ns"] + (near["first_sample_s"] - origin_s) * scale
            delay_ms = (near["host_ns"] - host_ns) / 1e6 - segment["fixed_delay_ms"]
            assert abs(delay_ms - near["delay_ms"]) < 0.001, f"{delay_ms} against {near['delay_ms']}"
            maps += 1
    # A further stream's packets lie on the reference stream's timeline, and wait as that one's do.
    further = frame[placed & (frame["stream"] != counted[0]["name"])]
    if len(further):
        assert -1.0 < further["delay_ms"].quantile(0.01) < 5.5 < further["delay_ms"].median() < 15
    assert maps >= 4
    return len(frame)


def check_metadata(recording: Path, results: Path) -> None:
    alignment = json.loads((results / "alignment.json").read_text())
    for name in ["placements", "packets"]:
        schema = pq.read_schema(results / f"{name}.parquet")
        said = {key.decode(): value.decode() for key, value in schema.metadata.items()}
        assert said["tickseam.table"] == name
        assert said["tickseam.version"] == alignment["tickseam"]
        assert int(said["tickseam.numerics_revision"]) == alignment["numerics_revision"]
        inputs = json.loads(said["tickseam.inputs"])
        assert inputs == alignment["inputs"] and len(inputs) >= 3
        for one in inputs:
            content = (recording / one["file"]).read_bytes()
            assert (one["bytes"], one["sha256"]) == (len(content), hashlib.sha256(content).hexdigest())
        units = json.loads(said["tickseam.units"])
        assert set(units) == set(schema.names)
        for column, unit in units.items():
            suffix = column.rsplit("_", 1)[-1]
            if suffix in {"ns", "ms", "s"}:
                assert unit == suffix, column


def check_inputs(folder: Path) -> int:
    recording, results = folder / "recording", folder / "results"
    expected = [(results / name).read_bytes() for name in ["events.tsv", "gaps.csv"]]
    packets = pd.read_csv(recording / "packets.csv")
    events = pd.read_csv(recording / "events.csv", dtype={"label": str})
    arrow = pa.Table.from_pandas(packets, preserve_index=False)
    dictionary = arrow.set_column(1, "stream", arrow["stream"].dictionary_encode())
    narrow = dictionary.set_column(2, "sequence", arrow["sequence"].cast(pa.uint16()))

    def by_pandas(path: Path) -> None:
        packets.to_parquet(path)

    def with_ticks_as_floats(path: Path) -> None:
        packets.astype({"tick": "float64"}).to_parquet(path, compression="gzip", index=True)

    def narrow_dictionary_zstd(path: Path) -> None:
        pq.write_table(narrow, path, compression="zstd", row_group_size=1000, version="1.0")

    def pages_of_version_2(path: Path) -> None:
        encodings = {"host_ns": "DELTA_BINARY_PACKED", "stream": "DELTA_BYTE_ARRAY"}
        pq.write_table(
            arrow, path, compression="lz4", data_page_version="2.0", use_dictionary=False, column_encoding=encodings
        )

    def as_timestamps(path: Path) -> None:
        packets.assign(host_ns=pd.to_datetime(packets["host_ns"], utc=True)).to_parquet(path)

    def as_we_wrote_it(path: Path) -> None:
        shutil.copy(results / "packets.parquet", path)

    ways = [
        by_pandas,
        with_ticks_as_floats,
        narrow_dictionary_zstd,
        pages_of_version_2,
        as_timestamps,
        as_we_wrote_it,
    ]
    for way in ways:
        other = folder / way.__name__
        shutil.copytree(recording, other)
        (other / "packets.csv").unlink()
        (other / "events.csv").unlink()
        way(other / "packets.parquet")
        events.to_parquet(other / "events.parquet")
        done("replay", other, "--out", folder / "other")
        found = [(folder / "other" / name).read_bytes() for name in ["events.tsv", "gaps.csv"]]
        assert found == expected, way.__name__
        hashed = json.loads((folder / "other" / "alignment.json").read_text())["inputs"]
        assert {"packets.parquet", "events.parquet"} < {one["file"] for one in hashed}
    return len(ways)


def check_refusals(folder: Path) -> None:
    recording, other = folder / "recording", folder / "refused"
    shutil.copytree(recording, other)
    packets = pd.read_csv(recording / "packets.csv")
    packets.to_parquet(other / "packets.parquet")
    refused(
        1,
        f"{other}: found both packets.csv and packets.parquet, expected one of them: remove the .parquet file to have the "
        "text read, or the .csv file to have the Parquet one read",
        "replay", other,
    )
    (other / "packets.csv").unlink()
    packets.loc[16, "samples"] = 0
    packets.to_parquet(other / "packets.parquet")
    expected = 'packets.parquet row 17, column "samples": found "0", expected a whole number from 1 to 65535'
    refused(1, expected, "replay", other)
    packets.to_parquet(other / "packets.parquet", compression="brotli")
    expected = 'packets.parquet, column "host_ns": found cells compressed by '
    run = tickseam("replay", other)
    assert run.returncode == 1 and expected in run.stderr and "ZSTD" in run.stderr, run.stderr
    packets.drop(columns="sequence").to_parquet(other / "packets.parquet")
    expected = 'packets.parquet: found the columns "host_ns,stream,tick,samples", expected a column "sequence" among them'
    refused(1, expected, "replay", other)
    # A file of which a part was lost, at many places: refused in one line, and never by a crash.
    packets["samples"] = 5
    packets.to_parquet(other / "packets.parquet")
    whole = (other / "packets.parquet").read_bytes()
    random = np.random.default_rng(5)
    for _ in range(60):
        spoiled = bytearray(whole)
        begin = int(random.integers(len(whole)))
        spoiled[begin : begin + 64] = random.bytes(min(64, len(whole) - begin))
        (other / "packets.parquet").write_bytes(spoiled)
        run = tickseam("replay", other)
        assert run.returncode in (0, 1) and "panicked" not in run.stderr, run.stderr
        if run.returncode == 1:
            assert run.stderr.startswith("tickseam: packets.parquet") and run.stderr.count("\n") == 1, run.stderr
            assert not run.stdout
        shutil.rmtree(folder / "refused-aligned", ignore_errors=True)


def main() -> None:
    cells = packets = ways = 0
    for scenario in [PLAIN, EVENTFUL]:
        with simulated(scenario) as folder:
            recording, results = folder / "recording", folder / "results"
            done("replay", recording, "--out", results)
            done("replay", recording, "--out", folder / "again")
            for name in ["placements.parquet", "packets.parquet"]:
                assert (results / name).read_bytes() == (folder / "again" / name).read_bytes(), name
            cells += check_placements(results, scenario is PLAIN)
            packets += check_packets(recording, results)
            check_metadata(recording, results)
            ways += check_inputs(folder)
            if scenario is PLAIN:
                check_refusals(folder)
    print(f"check_parquet: {cells} cells, {packets} packets, {ways} recordings written in other ways")


main()
