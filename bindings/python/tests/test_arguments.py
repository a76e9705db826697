"""What is accepted as it lies, what is converted, what is refused and how."""

from __future__ import annotations

import contextlib
import copy
import pickle
import threading
import time
from typing import Any

import numpy as np
import pandas as pd
import pytest

import tickseam
from tickseam import _columns

COUNT = 2_000
KNOWN: dict[str, Any] = {
    "device_clock": {"tick_hz": 32_768.0, "tick_bits": 32, "tolerance_ppm": 50.0},
    "link": {"fixed_delay_ms": 18.0, "fixed_delay_u_ms": 0.2},
    "stream": [{"name": "scalp", "rate_hz": 250.0, "samples_per_packet": 5, "sequence_bits": 16}],
}
DTYPES = {"host_ns": "int64", "stream": "uint8", "sequence": "uint32", "tick": "uint64", "samples": "uint16"}


def packets(count: int = COUNT) -> dict[str, Any]:
    """A headset whose clock began at host time 7 s and agrees with the host's, over a grid of 15 ms."""
    n = np.arange(count, dtype=np.int64)
    return {
        "host_ns": 7_000_000_000 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000,
        "stream": np.zeros(count, np.uint8),
        "sequence": (n % 65_536).astype(np.uint32),
        "tick": (n * 32_768 // 50).astype(np.uint64),
        "samples": np.full(count, 5, np.uint16),
    }


EVENTS = {"host_ns": [12_000_000_000, 27_000_000_000], "label": ["tone", "tap"]}


def test_events_are_placed_within_their_intervals() -> None:
    found = tickseam.replay(KNOWN, packets(), events=EVENTS).event_arrays
    # By construction an event at host time t fell on device time t - 7 s.
    assert np.all(np.abs(found["onset"] - [5.0, 20.0]) * 1e3 < found["u95_ms"])
    assert found["status"] == ["placed", "placed"] and np.all(found["u95_ms"] < 10.0)


@pytest.mark.parametrize("name", DTYPES)
def test_arrays_of_the_exact_type_are_used_where_they_lie(name: str) -> None:
    arrays = packets()
    for array in arrays.values():
        array.flags.writeable = False
    described = tickseam.Description.from_dict(KNOWN)
    lent = _columns.packets(described.__dict__["_native"], arrays)
    place = ["host_ns", "stream", "sequence", "tick", None, "samples"].index(name)
    assert np.shares_memory(lent[place], arrays[name]) and lent[place].dtype == DTYPES[name]
    frame = pd.DataFrame(arrays, copy=False)
    from_frame = _columns.packets(described.__dict__["_native"], frame)
    assert np.shares_memory(from_frame[place], frame[name].to_numpy())
    masked = _columns.packets(described.__dict__["_native"], {**arrays, "tick": np.ma.MaskedArray(arrays["tick"], mask=False)})
    assert np.shares_memory(masked[3], arrays["tick"])
    tickseam.replay(KNOWN, arrays, events=EVENTS)


def test_other_types_strides_byte_orders_and_alignments_give_the_same() -> None:
    arrays = packets()
    expected = tickseam.replay(KNOWN, arrays, events=EVENTS)
    raw = np.zeros(8 * COUNT + 1, np.uint8)
    unaligned = raw[1:].view(np.int64)
    unaligned[:] = arrays["host_ns"]
    assert not unaligned.flags.aligned
    others: list[dict[str, Any]] = [
        {"host_ns": np.repeat(arrays["host_ns"], 2)[::2]},
        {"host_ns": arrays["host_ns"][::-1].copy()[::-1]},
        {"host_ns": unaligned},
        {"host_ns": arrays["host_ns"].astype(">i8")},
        {"host_ns": arrays["host_ns"].tolist()},
        {"host_ns": arrays["host_ns"].astype(float)},
        {"sequence": arrays["sequence"].astype(np.int64)},
        {"tick": arrays["tick"].astype(np.int64)},
        {"samples": arrays["samples"].tolist()},
        {"samples": None},
        {"stream": None},
        {"stream": ["scalp"] * COUNT},
        {"stream": np.array(["scalp"] * COUNT)},
        {"stream": pd.Series(["scalp"] * COUNT)},
        {"stream": pd.Series(["scalp"] * COUNT, dtype="category")},
        {"stream": arrays["stream"].astype(np.int64)},
    ]
    for other in others:
        found = tickseam.replay(KNOWN, {**arrays, **other}, events=EVENTS)
        assert found.events.equals(expected.events) and found.summary == expected.summary, other


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("host_ns", 1.5, r"array host_ns, row 3: found 1\.5, expected a whole number from -9223372036854775808 to"),
        ("host_ns", float("nan"), r"array host_ns, row 3: found nothing"),
        ("host_ns", float("inf"), r"array host_ns, row 3: found inf"),
        ("host_ns", 2.0**63, r"array host_ns, row 3: found 9\.223"),
        ("sequence", -1, r"array sequence, row 3: found -1, expected a whole number from 0 to 4294967295"),
        ("sequence", 65_536, r"array sequence, row 3: found 65536, expected a whole number from 0 to 65535"),
        ("sequence", 2**40, r"array sequence, row 3: found 1099511627776"),
        ("tick", -1, r"array tick, row 3: found -1"),
        ("tick", 2**32, r"array tick, row 3: found 4294967296, expected a whole number from 0 to 4294967295, or none"),
        ("tick", 0.5, r"array tick, row 3: found 0\.5"),
        ("samples", 0, r"array samples, row 3: found 0, expected a whole number from 1 to 65535"),
        ("samples", 65_536, r"array samples, row 3: found 65536"),
        ("stream", 1, r"array stream, row 3: found 1, expected the place of a stream"),
        ("stream", 256, r"array stream, row 3: found 256"),
    ],
)
def test_values_that_do_not_fit_are_refused_with_array_and_row(name: str, value: float, message: str) -> None:
    arrays = packets()
    changed = arrays[name].astype(type(value) if isinstance(value, float) else np.int64)
    changed[3] = value
    with pytest.raises(tickseam.ArgumentError, match=message):
        tickseam.replay(KNOWN, {**arrays, name: changed}, events=EVENTS)
    as_list = arrays[name].tolist()
    as_list[3] = value
    with pytest.raises(tickseam.ArgumentError, match=f"array {name}, row 3: found"):
        tickseam.replay(KNOWN, {**arrays, name: as_list}, events=EVENTS)


@pytest.mark.parametrize("name", DTYPES)
def test_arrays_that_are_none_and_lengths_that_differ_are_refused(name: str) -> None:
    arrays = packets()
    with pytest.raises(tickseam.ArgumentError, match="rows, expected"):
        tickseam.replay(KNOWN, {**arrays, name: arrays[name][:-1]})
    for wrong in ("text", arrays[name].reshape(2, -1), 5, arrays[name] > 2, arrays[name].astype("M8[ns]"), [object()] * COUNT):
        with pytest.raises(tickseam.ArgumentError, match=name):
            tickseam.replay(KNOWN, {**arrays, name: wrong})
    if name in ("host_ns", "sequence"):
        with pytest.raises(tickseam.ArgumentError, match=f"found no array {name}"):
            tickseam.replay(KNOWN, {other: array for other, array in arrays.items() if other != name})


def test_huge_whole_numbers_in_lists_are_not_rounded() -> None:
    arrays = packets()
    known = {**KNOWN, "device_clock": {"tick_hz": 32_768.0, "tick_bits": 64, "tolerance_ppm": 50.0}}
    high = [2**64 - 5_000_000 + int(tick) for tick in arrays["tick"]]
    by_list = tickseam.replay(known, {**arrays, "tick": high}, events=EVENTS)
    by_array = tickseam.replay(known, {**arrays, "tick": np.array(high, np.uint64)}, events=EVENTS)
    assert by_list.events.equals(by_array.events)
    with pytest.raises(tickseam.ArgumentError, match=f"row 0: found {2**64}"):
        tickseam.replay(known, {**arrays, "tick": [2**64] + high[1:]})


def test_unknown_names_and_tables_are_refused() -> None:
    arrays = packets()
    names = ["scalp"] * COUNT
    names[9] = "scarf"
    with pytest.raises(tickseam.ArgumentError, match="row 9: found 'scarf', expected a stream of the description: scalp"):
        tickseam.replay(KNOWN, {**arrays, "stream": names})
    with pytest.raises(tickseam.ArgumentError, match="found a list, expected a DataFrame"):
        tickseam.replay(KNOWN, [1, 2])  # type: ignore[arg-type]
    with pytest.raises(tickseam.ArgumentError, match="found a table and also tick"):
        tickseam.replay(KNOWN, arrays, tick=arrays["tick"])
    with pytest.raises(tickseam.ArgumentError, match="events: found no array label"):
        tickseam.replay(KNOWN, arrays, events={"host_ns": [1]})
    with pytest.raises(tickseam.ArgumentError, match="label, row 0: found 5, expected text"):
        tickseam.replay(KNOWN, arrays, events={"host_ns": [1], "label": [5]})
    with pytest.raises(tickseam.ArgumentError, match="events, array label: found 1 rows, expected 2"):
        tickseam.replay(KNOWN, arrays, events={"host_ns": [1, 2], "label": ["a"]})
    with pytest.raises(tickseam.ArgumentError, match="duration_ms, row 0: found -1"):
        tickseam.replay(KNOWN, arrays, events={"host_ns": [1], "label": ["a"], "duration_ms": [-1.0]})
    with pytest.raises(tickseam.ArgumentError, match="markers, array tick, row 0: found 4294967296"):
        tickseam.replay(KNOWN, arrays, markers={"host_ns": [1], "tick": [2**32]})
    no_ticks = {"stream": KNOWN["stream"]}
    bare = {name: array for name, array in arrays.items() if name != "tick"}
    with pytest.raises(tickseam.ArgumentError, match="markers: found ticks, expected tick_hz"):
        tickseam.replay(no_ticks, bare, markers={"host_ns": [1], "tick": [1]})
    with pytest.raises(tickseam.ArgumentError, match="array tick, row 0: found 0, expected none"):
        tickseam.replay(no_ticks, arrays)


def test_nothing_received_is_no_error() -> None:
    none: dict[str, Any] = {name: np.empty(0, dtype) for name, dtype in DTYPES.items()}
    found = tickseam.replay(KNOWN, none, events=EVENTS)
    assert found.event_arrays["status"] == ["unplaced"] * 2 and found.events["segment"].isna().all()
    assert tickseam.replay(KNOWN, host_ns=[], sequence=[]).summary["events"]["total"] == 0
    assert tickseam.Session(KNOWN).observe_packets(none).shape == (0,)


@pytest.mark.parametrize("seed", range(40))
def test_no_nonsense_makes_it_panic(seed: int) -> None:
    chance = np.random.default_rng(seed)
    arrays = packets(300)
    for name, array in arrays.items():
        info = np.iinfo(array.dtype)
        rows = chance.random(300) < (0.0 if name == "stream" else 0.2)
        extremes = np.array([info.min, info.max, info.max // 2, 1], array.dtype)
        array[rows] = chance.choice(extremes, rows.sum())
    arrays["samples"][arrays["samples"] == 0] = 1
    arrays["sequence"] &= 0xFFFF
    arrays["tick"] &= 0xFFFF_FFFF
    if seed % 2:
        arrays = {name: array[chance.permutation(300)] for name, array in arrays.items()}
    stamps = np.array([np.iinfo(np.int64).min, np.iinfo(np.int64).max, 0, 12_000_000_000])
    ticks = np.array([0, 2**32 - 1, 7, 9], np.uint64)
    # A panic would come as an exception that is no Exception, and fail here.
    found = tickseam.replay(
        KNOWN,
        arrays,
        events={"host_ns": stamps, "label": ["a"] * 4},
        exchanges={"origin_ns": stamps, "receive_tick": ticks, "transmit_tick": ticks, "destination_ns": stamps[::-1]},
        markers={"host_ns": stamps, "tick": ticks},
    )
    assert found.summary["events"]["total"] == 4 and len(found.events) == 4
    session = tickseam.Session(KNOWN)
    assert len(session.observe_packets(arrays)) == 300
    assert session.counters().in_order > 0
    for stamp in stamps.tolist():
        session.observe_marker(stamp, 7)
        session.observe_exchange(stamp, 7, 9, stamp)
        if session.knowledge != tickseam.Knowledge.KNOWS_NOTHING:
            clock = session.map()
            clock.device_at(stamp), clock.host_at(1e300)
            # Wild stamps set the host's clock often. By its present one an event has a place; of some earlier ones nothing is known any more.
            assert session.place(clock.host_at(clock.at_s).host_ns).u95_us > 0.0
            for ask in (lambda: session.place(stamp), lambda: session.host_at(-1e300)):
                with contextlib.suppress(tickseam.NotYetError):
                    assert ask().u95_us > 0.0


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"device_clock": {"tick_hz": 32_768.0}}, "device_clock.tick_bits"),
        ({"device_clock": {"tick_hz": -1.0, "tick_bits": 32}}, "device_clock.tick_hz"),
        ({"device_clock": {"tick_hz": 1.0, "tick_bits": 2**70}}, "device_clock.tick_bits"),
        ({"device_clock": {"tolerance_ppm": float("nan")}}, "device_clock.tolerance_ppm"),
        ({"device_clock": {"tolerance_ppm": "50"}}, "device_clock.tolerance_ppm"),
        ({"device_clock": {"tolerance_ppm": object()}}, "device_clock.tolerance_ppm"),
        ({"link": {"fixed_delay_ms": -1.0}}, "link.fixed_delay_ms"),
        ({"stream": []}, "stream"),
        ({"stream": KNOWN["stream"] * 2}, "stream.name"),
        ({"event_latency": {"tone": {"latency_ms": 1.0}}}, "event_latency.tone.latency_u_ms"),
        ({"links": {}}, "links"),
    ],
)
def test_a_description_that_cannot_be_is_refused_with_its_key(change: dict[str, Any], key: str) -> None:
    with pytest.raises(tickseam.DescriptionError, match=f'"{key}"'):
        tickseam.Description.from_dict({**KNOWN, **change})
    with pytest.raises(tickseam.DescriptionError, match=f'"{key}"'):
        tickseam.Session({**KNOWN, **change})


def test_a_description_is_the_same_by_dict_by_text_and_by_classes() -> None:
    by_dict = tickseam.Description.from_dict(KNOWN)
    by_classes = tickseam.Description(
        device_clock=tickseam.DeviceClock(tick_hz=32_768.0, tick_bits=32, tolerance_ppm=50.0),
        link=tickseam.Link(fixed_delay_ms=18.0, fixed_delay_u_ms=0.2),
        stream=[tickseam.Stream(name="scalp", rate_hz=250.0, samples_per_packet=5, sequence_bits=16)],
    )
    assert by_dict == by_classes == tickseam.Description.from_toml(by_dict.to_toml())
    assert tickseam.Description.from_dict(by_classes.to_dict()) == by_dict
    assert pickle.loads(pickle.dumps(by_dict)) == by_dict == copy.deepcopy(by_dict)
    with pytest.raises(tickseam.DescriptionError, match="recording.toml line 2"):
        tickseam.Description.from_toml("format = 1\nstream = 5\n")
    assert issubclass(tickseam.DescriptionError, tickseam.Error) and issubclass(tickseam.ArgumentError, ValueError)


def test_other_threads_go_on_during_a_long_replay() -> None:
    arrays = packets(600_000)

    def watch(work: Any) -> float:
        """The longest time for which this thread did not get its turn while another one worked, s."""
        thread = threading.Thread(target=work)
        thread.start()
        longest, last = 0.0, time.perf_counter()
        while thread.is_alive():
            time.sleep(0.001)
            now = time.perf_counter()
            longest, last = max(longest, now - last), now
        return longest

    began = time.perf_counter()
    gap = watch(lambda: tickseam.replay(KNOWN, arrays, events=EVENTS))
    taken = time.perf_counter() - began
    assert taken > 0.1 and gap < taken / 2, (gap, taken)
    session = tickseam.Session(KNOWN)
    began = time.perf_counter()
    gap = watch(lambda: session.observe_packets(arrays))
    taken = time.perf_counter() - began
    assert taken > 0.03 and gap < taken / 2, (gap, taken)
