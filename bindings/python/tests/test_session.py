"""The live session and its clock maps."""

from __future__ import annotations

import copy
import pickle
import re
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from test_arguments import COUNT, KNOWN, packets

import tickseam
from tickseam import Disposition, Knowledge, Refusal, Sighting

HEADER = Path(__file__).resolve().parents[3] / "include" / "tickseam.h"


def fed(count: int = COUNT) -> tickseam.Session:
    session = tickseam.Session(KNOWN)
    session.observe_packets(packets(count))
    return session


def test_an_event_is_placed_within_its_interval_and_back_again() -> None:
    session = fed()
    placed = session.place(22_000_000_000)
    assert abs(placed.device_s - 15.0) * 1e6 < placed.u95_us < 10_000.0 and not placed.excludes_fixed_delay
    assert placed.sample == placed.device_s * 250.0
    back = session.host_at(placed.device_s)
    assert abs(back.host_ns - 22_000_000_000) < 1_000 and back.u95_us > back.u_us > 0.0
    later = session.place(22_000_000_000, latency_us=2_000.0, latency_u_us=50.0)
    assert abs(later.device_s - placed.device_s - 0.002) < 1e-6
    # Link and holdover add up, the others in root sum of squares (tickseam.h, tickseam_placement).
    line = later.budget
    rest = [line["fixed_delay"], line["resolution"], line["latency"]]
    assert np.isclose(np.hypot(line["link"] + line["holdover"], np.sqrt(np.square(rest).sum())), later.u95_us, rtol=1e-12)
    parts = line["statistics"] + line["lattice"] + line["curvature"]
    assert np.isclose(parts, line["link"], rtol=1e-12) and later.lattice_us > 0.0


def test_nothing_is_placed_before_two_packets() -> None:
    session = tickseam.Session(KNOWN)
    assert session.knowledge == Knowledge.KNOWS_NOTHING and session.state().newest_s is None
    for ask in (lambda: session.place(0), session.map, lambda: session.host_at(0.0)):
        with pytest.raises(tickseam.NotYetError, match="expected at least two"):
            ask()
    assert session.observe_marker(7_000_000_000, 0) == Sighting.TOO_EARLY
    session.observe_packets({name: array[:2] for name, array in packets().items()})
    assert session.knowledge == Knowledge.COLD
    assert fed().knowledge == Knowledge.TRACKING and fed().state().timeline_segment == 0


def test_gaps_dispositions_and_counters() -> None:
    session = tickseam.Session(KNOWN)
    rows = packets(30)
    keep = [n for n in range(30) if n not in (10, 11, 20)]
    for n in keep:
        row = {name: int(array[n]) for name, array in rows.items()}
        answer = session.observe_packet(**row)
        assert answer.has_place and answer.index == n
        if n == 12:
            assert answer.disposition == Disposition.OPENS_GAP
            assert (answer.missing_from, answer.missing_count) == (10, 2)
    assert [(gap.first_index, gap.packets, gap.samples) for gap in session.gaps()] == [(10, 2, 10), (20, 1, 5)]
    late = session.observe_packet(int(rows["host_ns"][29]), 20, int(rows["tick"][20]), 5)
    assert late.disposition == Disposition.CLOSES_GAP and session.next_gap(0, 12) is None
    again = session.observe_packet(int(rows["host_ns"][29]), 20, int(rows["tick"][20]), 5)
    assert again.disposition == Disposition.DUPLICATE
    refused = session.observe_packet(8_000_000_000, 70_000, None, 5)
    assert (refused.disposition, refused.refusal, refused.index) == (Disposition.REJECTED, Refusal.SEQUENCE, None)
    assert session.observe_packet(8_000_000_000, 5, None, 5, stream=3).refusal == Refusal.UNKNOWN_STREAM
    counters = session.counters()
    assert (counters.opens_gap, counters.closes_gap, counters.duplicate, counters.unknown_stream) == (2, 1, 1, 1)
    names = list(counters.to_dict())
    assert sum(counters.to_dict()[name] for name in names[: names.index("count_overflow") + 1]) == len(keep) + 4
    assert session.state().missing_packets == [2]


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"sequence": -1}, tickseam.ArgumentError, r"sequence: found -1, expected a whole number from 0 to 2\*\*64 - 1"),
        ({"host_ns": 2**63}, tickseam.ArgumentError, "host_ns: found 9223372036854775808"),
        ({"host_ns": 1.5}, TypeError, "host_ns: found 1.5"),
        ({"host_ns": None}, TypeError, "host_ns: found None"),
        ({"tick": 2**64}, tickseam.ArgumentError, "tick: found"),
        ({"samples": 2**32}, tickseam.ArgumentError, "samples: found"),
        ({"stream": -1}, tickseam.ArgumentError, "stream: found -1"),
    ],
)
def test_what_is_no_packet_is_refused_and_changes_nothing(change: dict[str, Any], error: type, message: str) -> None:
    session = fed(100)
    before = session.counters()
    packet: dict[str, Any] = {"host_ns": 10_000_000_000, "sequence": 100, "tick": 65_536, "samples": 5, **change}
    with pytest.raises(error, match=message):
        session.observe_packet(**packet)
    assert session.counters() == before


def test_latencies_times_and_streams_out_of_range_are_refused() -> None:
    session = fed()
    for latency in (float("nan"), float("inf"), 4e9):
        with pytest.raises(tickseam.ArgumentError, match="at most an hour"):
            session.place(22_000_000_000, latency)
    with pytest.raises(tickseam.ArgumentError, match="at most an hour"):
        session.place(22_000_000_000, 0.0, -1.0)
    with pytest.raises(tickseam.ArgumentError, match="device_s: found nan, expected a finite number"):
        session.host_at(float("nan"))
    for stream in (1, -1, 2**40):
        with pytest.raises(tickseam.ArgumentError, match=f"stream: found {stream}"):
            session.gaps(stream)
    five = [{**KNOWN["stream"][0], "name": f"s{n}"} for n in range(5)]
    with pytest.raises(tickseam.DescriptionError, match="found 5 of them, expected at most 4"):
        tickseam.Session({**KNOWN, "stream": five})
    with pytest.raises(tickseam.DescriptionError, match="found a int, expected a Description or a dict"):
        tickseam.Session(5)


def test_exchanges_and_markers_bound_the_clock() -> None:
    session = tickseam.Session({**KNOWN, "link": {}})
    session.observe_packets(packets())
    assert session.place(22_000_000_000).excludes_fixed_delay
    ms, tick = 1_000_000, lambda at_ms: at_ms * 32_768 // 1_000
    begin = 7_000 * ms
    sighted = session.observe_exchange(begin + 19_990 * ms, tick(19_995), tick(19_996), begin + 20_001 * ms)
    assert sighted == Sighting.USED and session.link().rests_on_sightings
    assert session.observe_marker(begin + 20_010 * ms, tick(20_010)) == Sighting.USED
    assert session.observe_marker(begin + 20_010 * ms, tick(25_010)) == Sighting.FAR_OFF
    backwards = session.observe_exchange(begin + 20_001 * ms, tick(19_995), tick(19_996), begin + 19_990 * ms)
    assert backwards == Sighting.BACKWARDS
    placed = session.place(begin + 20_000 * ms)
    assert abs(placed.device_s - 20.0) * 1e6 < placed.u95_us < 5_000.0 and not placed.excludes_fixed_delay


def test_a_map_is_a_value_both_ways_for_numbers_and_arrays() -> None:
    session = fed()
    known = session.map()
    at = known.device_at(27_000_000_000)
    assert abs(at.device_s - 20.0) * 1e6 < at.u95_us
    stamps = np.arange(8, 40, dtype=np.int64) * 1_000_000_000
    many = known.device_at(stamps)
    assert many.device_s[19] == at.device_s and many.u95_us[19] == at.u95_us and many.u_us.shape == stamps.shape
    back = known.host_at(many.device_s)
    assert np.max(np.abs(back.host_ns - stamps)) <= 1_000
    assert back.host_ns[3] == known.host_at(float(many.device_s[3])).host_ns
    for other in (stamps.tolist(), pd.Series(stamps), stamps.astype(float)):
        assert np.array_equal(known.device_at(other).device_s, many.device_s)
    assert known.device_at(stamps[19]) == at and session.place(stamps[14]) == session.place(int(stamps[14]))
    session.observe_packets({name: array[:10] for name, array in packets().items()})
    assert known.device_at(27_000_000_000) == at
    assert pickle.loads(pickle.dumps(known)) == known == tickseam.ClockMap(**known.to_dict())
    around = known.chain(known.invert())
    assert abs(around.host_at(10.0).host_ns - 10_000_000_000) <= 1_000
    assert around.half_width_us > known.half_width_us
    # Positive drift: the headset's clock runs fast; host seconds gained are its negative.
    assert known.drift_ppm * known.rate_ppm < 0.0 and abs(known.drift_ppm + known.rate_ppm) < 1e-3
    with pytest.raises(tickseam.ArgumentError, match="device_s, row 1: found NaN"):
        known.host_at([0.0, float("nan")])
    with pytest.raises(tickseam.ArgumentError, match="host_ns, row 0: found 1.5"):
        known.device_at([1.5])
    for wrong in ({"counts_per_s": 0.0}, {"at_s": float("inf")}, {"rate_ppm": -6e5}):
        with pytest.raises(tickseam.ArgumentError, match=next(iter(wrong))):
            tickseam.ClockMap(**{**known.to_dict(), **wrong})
    with pytest.raises(AttributeError):
        known.at_s = 5.0  # type: ignore[misc]


def test_a_copy_is_a_snapshot() -> None:
    session = fed(500)
    snapshot = copy.copy(session)
    rest = {name: array[500:] for name, array in packets().items()}
    session.observe_packets(rest)
    assert (session.counters().in_order, snapshot.counters().in_order) == (COUNT, 500)
    snapshot.observe_packets(rest)
    assert snapshot.place(22_000_000_000) == session.place(22_000_000_000)


def test_threads_wait_for_each_other_and_nothing_is_lost() -> None:
    session = tickseam.Session(KNOWN)
    arrays = packets(200_000)
    failed: list[BaseException] = []

    def look() -> None:
        try:
            for _ in range(2_000):
                session.counters()
                repr(session)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    session.observe_packets(arrays)
    for thread in threads:
        thread.join()
    assert not failed and session.counters().in_order == 200_000


def test_names_and_numbers_are_those_of_the_header() -> None:
    header = HEADER.read_text()
    prefixes = {Disposition: "", Refusal: "REFUSAL_", Sighting: "SIGHTING_", Knowledge: ""}
    for kind, prefix in prefixes.items():
        names = [name for name in dir(kind) if name.isupper()]
        assert len(names) >= 3
        for name in names:
            item = getattr(kind, name)
            defined = re.search(rf"#define TICKSEAM_{prefix}{name} (\d+)\b", header)
            assert defined and int(defined[1]) == item.value == int(item), name
            assert item.name == name and item.text
    assert len([name for name in dir(Disposition) if name.isupper()]) == 11


def test_a_saved_session_goes_on_with_the_same_bits_and_altered_bytes_are_refused() -> None:
    rows = packets()
    first, second = ({name: array[part] for name, array in rows.items()} for part in (slice(0, 500), slice(500, COUNT)))
    session = tickseam.Session(KNOWN)
    session.observe_packets(first)
    saved = session.save()
    restored = tickseam.Session.restore(KNOWN, saved)
    for one in (session, restored):
        one.observe_packets(second)
    assert session.place(15_000_000_000) == restored.place(15_000_000_000) and session.map() == restored.map()
    assert session.counters() == restored.counters()
    for place in range(len(saved)):
        altered = bytearray(saved)
        altered[place] ^= 1 << place % 8
        with pytest.raises(tickseam.ArgumentError, match="saved: found"):
            tickseam.Session.restore(KNOWN, bytes(altered))
    for wrong in (b"", saved[:-1], saved[:20], b"\0" * len(saved)):
        with pytest.raises(tickseam.ArgumentError, match="saved: found"):
            tickseam.Session.restore(KNOWN, wrong)


def test_a_host_clock_that_was_set_leaves_each_event_to_the_clock_that_stamped_it() -> None:
    for by_ns in (-3_000_000_000, 3_000_000_000):
        rows = packets(6_000)
        real_ns = rows["host_ns"].astype(np.int64)
        set_at_ns = int(real_ns[3_000])
        session = tickseam.Session(KNOWN)
        session.observe_packets({**rows, "host_ns": np.where(real_ns >= set_at_ns, real_ns + by_ns, real_ns)})
        for real in range(7_500_000_000, 115_000_000_000, 130_000_000):
            placed = session.place(real + (by_ns if real >= set_at_ns else 0))
            assert abs(placed.device_s - (real - 7_000_000_000) / 1e9) * 1e6 <= placed.u95_us
            if abs(real - set_at_ns) > 3_800_000_000:
                assert placed.u95_us < 25_000.0
