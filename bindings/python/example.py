"""From a radio's callback to a placed tone, and the same recording replayed into a DataFrame.

An invented session: beekeepers listen to hive sounds for two minutes. The headset sends 5 samples at 250 Hz every 20 ms, over a link that
lets packets through on a grid of 15 ms and loses one in two hundred.
"""

from __future__ import annotations

import random

import numpy as np

import tickseam

HEADSET = tickseam.Description(
    device_clock=tickseam.DeviceClock(tick_hz=32_768.0, tick_bits=32, tolerance_ppm=50.0),
    link=tickseam.Link(fixed_delay_ms=18.0, fixed_delay_u_ms=0.2, connection_interval_ms=15.0),
    stream=[tickseam.Stream(name="scalp", rate_hz=250.0, samples_per_packet=5, sequence_bits=16)],
    event_latency={"hum": tickseam.EventLatency(latency_ms=4.0, latency_u_ms=0.1)},
)
BEGAN_NS = 7_000_000_000
MS = 1_000_000


def received() -> list[tuple[int, int, int]]:
    """Host stamp, sequence number and tick of each packet that came."""
    chance = random.Random(20)
    packets = []
    for n in range(6_000):
        if chance.random() < 0.005:
            continue
        ready_ms = n * 20 * (1 + 12e-6)  # A crystal that is 12 ppm slow: its 20 ms are longer.
        left_ms = -(-ready_ms // 15) * 15
        stamp_ns = BEGAN_NS + round((left_ms + 18) * MS) + chance.randrange(200_000)
        packets.append((stamp_ns, n % 65_536, n * 32_768 // 50))
    return packets


def live(packets: list[tuple[int, int, int]]) -> tickseam.Placement:
    """Feeds a session packet by packet, as the radio's callback would, and places one sound."""
    session = tickseam.Session(HEADSET)
    for host_ns, sequence, tick in packets:
        answer = session.observe_packet(host_ns, sequence, tick, samples=5)
        if answer.disposition == tickseam.Disposition.OPENS_GAP and answer.missing_count > 1:
            print(f"{answer.missing_count} packets are missing from {answer.missing_from} on")
    return session.place(BEGAN_NS + 100_000 * MS, latency_us=4_000.0, latency_u_us=100.0)


def replayed(packets: list[tuple[int, int, int]]) -> tickseam.Replayed:
    """The same packets as arrays, with all sounds."""
    host_ns, sequence, tick = (list(column) for column in zip(*packets))
    sounds = np.arange(5, 115) * 1_000 * MS + BEGAN_NS
    return tickseam.replay(
        HEADSET,
        host_ns=np.array(host_ns),
        sequence=np.array(sequence, np.uint32),
        tick=np.array(tick, np.uint64),
        events={"host_ns": sounds, "label": ["hum"] * len(sounds)},
    )


def main() -> None:
    packets = received()
    sound = live(packets)
    print(f"live: the hum fell on sample {sound.sample:.3f}, give or take {sound.u95_us / 1e3:.3f} ms")
    for line, half_width_us in sound.budget.items():
        print(f"  {line:12} {half_width_us / 1e3:8.3f} ms")
    result = replayed(packets)
    print(result.events[["onset", "trial_type", "sample", "u95_ms", "status"]].head())
    print(result.summary["words"][0])


if __name__ == "__main__":
    main()
