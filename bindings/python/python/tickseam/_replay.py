"""Recordings and their replay."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from . import _columns, _native
from ._description import Description, native
from ._errors import ArgumentError

if TYPE_CHECKING:
    import pandas as pd

Table = Mapping[str, Any]


def _frame(columns: Mapping[str, Any], nullable: Mapping[str, str] | None = None) -> pd.DataFrame:
    try:
        import pandas
    except ImportError as error:
        raise ImportError("a DataFrame needs pandas (pip install pandas); the arrays are there without it") from error
    out = pandas.DataFrame(dict(columns))
    for name, dtype in (nullable or {}).items():
        out[name] = pandas.array(list(columns[name]), dtype=dtype)
    return out


@dataclass(frozen=True, kw_only=True)
class Recording:
    """All that a recording folder holds, samples apart, as read() gives it.

    description: what is known of clocks, link and streams.
    packet_arrays: host_ns int64 ns, stream uint8 (place in description.stream), sequence uint32, tick uint64 (a masked array where some
    have none, None where none has one), samples uint16; shape (packets,) each, in the order of reception.
    event_arrays: host_ns int64 ns, label (list of str), duration_ms float64 ms, NaN where unsaid; shape (events,).
    exchange_arrays: origin_ns, receive_tick, transmit_tick, destination_ns; int64 ns and uint64; shape (exchanges,).
    marker_arrays: host_ns int64 ns, tick uint64; shape (markers,).
    truth_arrays: where simulated events truly fell: host_ns, label, segment uint32, onset_s float64 s; None in a real recording.
    notes: sentences about what was passed over while reading. inputs: name, bytes and SHA-256 of each file.
    """

    description: Description
    packet_arrays: dict[str, Any]
    event_arrays: dict[str, Any]
    exchange_arrays: dict[str, Any]
    marker_arrays: dict[str, Any]
    truth_arrays: dict[str, Any] | None = None
    notes: list[str] = field(default_factory=list)
    inputs: list[tuple[str, int, str]] = field(default_factory=list)

    @property
    def packets(self) -> pd.DataFrame:
        """The packets as a DataFrame with the columns of packets.csv; stream by name, tick UInt64 with NA. A copy; needs pandas."""
        import pandas

        arrays = self.packet_arrays
        names = [stream.name for stream in self.description.stream]
        tick = arrays["tick"]
        count = len(arrays["host_ns"])
        absent = np.ones(count, bool) if tick is None else np.ma.getmaskarray(tick)
        values = np.zeros(count, np.uint64) if tick is None else np.ma.getdata(tick)
        return pandas.DataFrame(
            {
                "host_ns": arrays["host_ns"],
                "stream": pandas.Categorical.from_codes(arrays["stream"], categories=names),
                "sequence": arrays["sequence"],
                "tick": pandas.arrays.IntegerArray(values.copy(), absent.copy()),
                "samples": arrays["samples"],
            }
        )

    @property
    def events(self) -> pd.DataFrame:
        """The events as a DataFrame: host_ns, label, duration_ms (NaN where unsaid). Needs pandas."""
        return _frame(self.event_arrays)

    @property
    def exchanges(self) -> pd.DataFrame:
        """The exchanges as a DataFrame: origin_ns, receive_tick, transmit_tick, destination_ns. Needs pandas."""
        return _frame(self.exchange_arrays)

    @property
    def markers(self) -> pd.DataFrame:
        """The markers as a DataFrame: host_ns, tick. Needs pandas."""
        return _frame(self.marker_arrays)

    @property
    def truth(self) -> pd.DataFrame | None:
        """Where simulated events truly fell, as a DataFrame: host_ns, label, segment, onset_s; None in a real recording. Needs pandas."""
        return None if self.truth_arrays is None else _frame(self.truth_arrays)


class Replayed:
    """What a replay found.

    event_arrays: the columns of events.tsv by name, shape (events,) each, in full precision: onset, duration float64 s; trial_type list
    of str (the labels as given; the file replaces tabs and quotes in them); sample float64; host_ns int64 ns; segment int64, -1 for
    none; u95_ms float64 ms; status list of "placed", "in-gap", "outside" or "unplaced"; live_onset float64 s, live_u95_ms float64 ms;
    sample_NAME float64 for each further stream; excludes list of "fixed-delay" or None. NaN where the file says n/a.
    gap_arrays: the columns of gaps.csv by name, shape (gaps,) each.
    summary: what alignment.json holds, as a dict; None for null. Its `inputs` is empty where no folder was read.
    """

    def __init__(self, event_arrays: dict[str, Any], gap_arrays: dict[str, Any], summary: dict[str, Any]) -> None:
        self.event_arrays = event_arrays
        self.gap_arrays = gap_arrays
        self.summary = summary

    @cached_property
    def events(self) -> pd.DataFrame:
        """One row for each event, in their order, with the columns of events.tsv; NaN or NA where it says n/a. Needs pandas."""
        segment = [None if number < 0 else int(number) for number in self.event_arrays["segment"]]
        out = _frame({**self.event_arrays, "segment": segment}, {"segment": "Int64"})
        return out

    @cached_property
    def gaps(self) -> pd.DataFrame:
        """One row for each stretch of samples that never came, with the columns of gaps.csv. Needs pandas."""
        return _frame(self.gap_arrays, {"host_before_ns": "Int64", "host_after_ns": "Int64"})

    def __repr__(self) -> str:
        events = self.summary["events"]
        return f"<Replayed: {events['placed']} of {events['total']} events placed, {len(self.gap_arrays['stream'])} gaps>"


def read(folder: str | os.PathLike[str]) -> Recording:
    """Reads a recording folder, without the interpreter's lock.

    Raises RecordingError with file, line, column, what was found and what was expected. A last line that breaks off is left out and noted.
    """
    found = _native.read(os.fspath(folder))
    packets = found["packets"]
    without = packets.pop("without_tick")
    if without is not None:
        packets["tick"] = np.ma.MaskedArray(packets["tick"], mask=without)
    return Recording(
        description=Description._of(found["description"]),
        packet_arrays=packets,
        event_arrays=found["events"],
        exchange_arrays=found["exchanges"],
        marker_arrays=found["markers"],
        truth_arrays=found["truth"],
        notes=found["notes"],
        inputs=found["inputs"],
    )


def replay(
    source: Recording | Description | Mapping[str, Any] | str | os.PathLike[str],
    packets: Table | pd.DataFrame | None = None,
    *,
    host_ns: Any = None,
    stream: Any = None,
    sequence: Any = None,
    tick: Any = None,
    samples: Any = None,
    events: Table | pd.DataFrame | None = None,
    exchanges: Table | pd.DataFrame | None = None,
    markers: Table | pd.DataFrame | None = None,
) -> Replayed:
    """Replays a whole recording: places its events, lists its gaps. The same numbers as the command `tickseam replay`, bit for bit.

    source: a Recording, or a folder (read first); or a Description, or a dict with the keys of recording.toml, and then the tables:

    packets: a DataFrame or a mapping of arrays, or the arrays by keyword, shape (packets,) each, in the order of reception:
        host_ns   int64   host clock at the stamp, ns
        stream    uint8   place of the stream in the description, or its name; left out: all of the first
        sequence  uint32  sequence number as sent
        tick      uint64  device counter at the packet's first sample, as sent; left out: none; None, NaN, NA or masked: that packet none
        samples   uint16  samples in the packet; left out: the usual number
      Arrays of exactly these types in one piece are used where they lie, read-only ones too; others are converted, which is a copy. Do not
      write to them while this runs.
    events: host_ns (int64, ns), label (str), and, if known, duration_ms (float, ms); shape (events,).
    exchanges: origin_ns, receive_tick, transmit_tick, destination_ns; T1 to T4 of RFC 5905. markers: host_ns, tick.

    The interpreter's lock is released while it works; two threads do.

    Raises ArgumentError, naming array and row, for values that do not fit; DescriptionError; RecordingError for a folder.
    """
    if isinstance(source, (str, os.PathLike)):
        source = read(source)
    keywords = {"host_ns": host_ns, "stream": stream, "sequence": sequence, "tick": tick, "samples": samples}
    tables = {"packets": packets, "events": events, "exchanges": exchanges, "markers": markers}
    truth: tuple[Any, ...] | None = None
    notes: Sequence[str] = ()
    inputs: Sequence[tuple[str, int, str]] = ()
    if isinstance(source, Recording):
        further = [name for name, value in {**tables, **keywords}.items() if value is not None]
        if further:
            raise ArgumentError(f"replay: found a recording and also {', '.join(further)}, expected a recording alone")
        described = native(source.description)
        lent = _columns.packets(described, source.packet_arrays)
        events, exchanges, markers = source.event_arrays, source.exchange_arrays, source.marker_arrays
        notes, inputs = source.notes, source.inputs
        if source.truth_arrays is not None:
            known = source.truth_arrays
            truth = (
                _columns.exact("truth, array host_ns", known["host_ns"], "int64"),
                _columns.texts("truth, array label", known["label"]),
                _columns.exact("truth, array segment", known["segment"], "uint32"),
                _columns.exact("truth, array onset_s", known["onset_s"], "float64"),
            )
    else:
        described = native(source)
        lent = _columns.packets(described, packets, **keywords)
    found = _native.align(
        described, lent, _events(events), _exchanges(exchanges), _markers(markers), truth, list(inputs), list(notes)
    )
    return Replayed(found["events"], found["gaps"], json.loads(found["summary"]))


def _events(table: Any) -> tuple[NDArray[np.int64], list[str], NDArray[np.float64]]:
    if table is None:
        return np.empty(0, np.int64), [], np.empty(0)
    found = _columns.columns("events", table, ("host_ns", "label"), ("duration_ms",))
    host_ns = _columns.exact("events, array host_ns", found["host_ns"], "int64")
    labels = _columns.texts("events, array label", found["label"])
    durations: NDArray[Any] = np.full(len(host_ns), np.nan)
    if "duration_ms" in found:
        durations, absent = _columns.exact_or_absent("events, array duration_ms", found["duration_ms"], "float64")
        if absent is not None:
            durations = np.where(absent, np.nan, durations)
    return host_ns, labels, durations


def _exchanges(table: Any) -> tuple[NDArray[Any], ...]:
    types = {"origin_ns": "int64", "receive_tick": "uint64", "transmit_tick": "uint64", "destination_ns": "int64"}
    return _exact_table("exchanges", table, types)


def _markers(table: Any) -> tuple[NDArray[Any], ...]:
    return _exact_table("markers", table, {"host_ns": "int64", "tick": "uint64"})


def _exact_table(name: str, table: Any, types: dict[str, str]) -> tuple[NDArray[Any], ...]:
    if table is None:
        return tuple(np.empty(0, dtype) for dtype in types.values())
    found = _columns.columns(name, table, tuple(types), ())
    return tuple(_columns.exact(f"{name}, array {key}", found[key], dtype) for key, dtype in types.items())
