"""The rows that every language answers with the same bits: bindings/vectors/live.csv, written by the core through the C interface."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np

import tickseam

VECTORS = Path(__file__).resolve().parents[2] / "vectors" / "live.csv"


def number(word: str) -> float:
    return float.fromhex(word) if "0x" in word else float(word)


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


def described(cells: list[str]) -> dict[str, Any]:
    tick_hz, tick_bits, tolerance, step_us, delay_us, delay_u_us, interval_us, rate, samples, sequence_bits = cells
    assert number(interval_us) == 0.0
    return {
        "device_clock": {"tick_hz": number(tick_hz), "tick_bits": int(tick_bits), "tolerance_ppm": number(tolerance)},
        "host_clock": {"resolution_ns": number(step_us) * 1e3},
        "link": {"fixed_delay_ms": number(delay_us) / 1e3, "fixed_delay_u_ms": number(delay_u_us) / 1e3},
        "stream": [
            {
                "name": "scalp",
                "rate_hz": number(rate),
                "samples_per_packet": int(samples),
                "sequence_bits": int(sequence_bits),
            }
        ],
    }


def check_place(session: tickseam.Session, cells: list[str]) -> None:
    placed = session.place(int(cells[0]), number(cells[1]), number(cells[2]))
    known = session.map()
    assert placed.segment == int(cells[3])
    found = (placed.device_s, placed.u_us, placed.u95_us, placed.link_us, known.offset_us, known.rate_ppm)
    assert [bits(value) for value in found] == [bits(number(cell)) for cell in cells[4:10]]
    assert session.host_at(placed.device_s).host_ns == int(cells[10])


def test_every_row_has_the_same_bits() -> None:
    counts = dict.fromkeys(("packet", "exchange", "place"), 0)
    session: tickseam.Session | None = None
    for line in VECTORS.read_text().splitlines():
        if line.startswith("#"):
            continue
        kind, *cells = line.split(",")
        if kind == "config":
            session = tickseam.Session(described(cells))
            continue
        assert session is not None
        counts[kind] += 1
        if kind == "packet":
            host_ns, sequence, tick, samples, disposition = map(int, cells)
            assert session.observe_packet(host_ns, sequence, tick, samples).disposition.value == disposition
        elif kind == "exchange":
            origin, receive, transmit, destination, sighted = map(int, cells)
            assert session.observe_exchange(origin, receive, transmit, destination).value == sighted
        else:
            check_place(session, cells)
    assert counts["packet"] > 2000 and counts["exchange"] > 0 and counts["place"] > 50


def test_packets_handed_over_in_arrays_give_the_same_bits() -> None:
    session: tickseam.Session | None = None
    waiting: list[list[int]] = []
    places = 0
    for line in VECTORS.read_text().splitlines():
        if line.startswith("#"):
            continue
        kind, *cells = line.split(",")
        if kind == "config":
            session = tickseam.Session(described(cells))
        elif kind == "packet":
            waiting.append([int(cell) for cell in cells])
        assert session is not None
        if kind in ("exchange", "place") and waiting:
            host_ns, sequence, tick, samples, disposition = (list(column) for column in zip(*waiting))
            answers = session.observe_packets(
                host_ns=np.array(host_ns, np.int64),
                sequence=np.array(sequence, np.uint32),
                tick=np.array(tick, np.uint64),
                samples=np.array(samples, np.uint16),
            )
            assert answers.dtype == np.uint8 and answers.tolist() == disposition
            waiting = []
        if kind == "exchange":
            session.observe_exchange(*map(int, cells[:4]))
        elif kind == "place":
            check_place(session, cells)
            places += 1
    assert places > 50
