"""Bluetooth logs to test `tickseam unpack` with, made by programs that know nothing of it.

    pip install scapy numpy            # 2.8.0 and 2.4.6 made the files that are committed
    apt-get install wireshark-common   # editcap, which writes btsnoop and pcapng
    python make_captures.py            # into captures/ beside this file

The packets are built by scapy's Bluetooth layers, the pcap files are written by scapy, the btsnoop and pcapng files by editcap
from pcap files, the expected arrays by numpy.save, the expected packets.csv by this script from the numbers that it put in. For each log NAME
there is a folder captures/NAME with the log, a layout.toml and what has to come out. The same numbers every time.
"""

import csv
import pathlib
import random
import struct
import subprocess
import tempfile

import numpy as np
from scapy.layers.bluetooth import (
    ATT_Handle_Value_Indication, ATT_Handle_Value_Notification, ATT_Hdr,
    HCI_ACL_Hdr, HCI_Event_Disconnection_Complete, HCI_Event_Hdr, HCI_Event_LE_Meta, HCI_Hdr,
    HCI_LE_Meta_Connection_Complete, HCI_LE_Meta_Connection_Update_Complete, HCI_LE_Meta_Enhanced_Connection_Complete,
    HCI_Mon_Pcap_Hdr, HCI_PHDR_Hdr, L2CAP_Hdr,
)
from scapy.packet import Raw
from scapy.utils import RawPcapWriter

HERE = pathlib.Path(__file__).resolve().parent / "captures"
START_US = 1_790_000_000_000_000  # a day in September 2026
HEADSET = "c0:ff:ee:00:00:01"
WRISTBAND = "c0:ff:ee:00:00:02"


def complete(handle, address, interval, enhanced=False):
    kind = HCI_LE_Meta_Enhanced_Connection_Complete if enhanced else HCI_LE_Meta_Connection_Complete
    # 3 is a random identity address that the controller resolved, 1 a random address as it was sent.
    body = kind(connection_handle=handle, peer_addr_type=3 if enhanced else 1, peer_addr=address, interval=interval)
    return HCI_Hdr(type=4) / HCI_Event_Hdr() / HCI_Event_LE_Meta() / body


def updated(handle, interval):
    body = HCI_LE_Meta_Connection_Update_Complete(connection_handle=handle, interval=interval)
    return HCI_Hdr(type=4) / HCI_Event_Hdr() / HCI_Event_LE_Meta() / body


def disconnected(handle):
    return HCI_Hdr(type=4) / HCI_Event_Hdr() / HCI_Event_Disconnection_Complete(connection_handle=handle, reason=8)


def acl(handle, packet, boundary=2, pieces=None):
    """The ACL packets of one L2CAP packet, cut at the places given."""
    whole = bytes(packet)
    cuts = [0, *(pieces or []), len(whole)]
    return [
        HCI_Hdr(type=2) / HCI_ACL_Hdr(connection_handle=handle, PB=boundary if begin == 0 else 1) / Raw(whole[begin:end])
        for begin, end in zip(cuts, cuts[1:])
    ]


def att(packet, cid=4):
    return L2CAP_Hdr(cid=cid) / ATT_Hdr() / packet


def notification(attribute, value):
    return att(ATT_Handle_Value_Notification(gatt_handle=attribute, value=value))


def indication(attribute, value):
    return att(ATT_Handle_Value_Indication(gatt_handle=attribute, value=value))


def several(pairs):
    body = b"".join(struct.pack("<HH", attribute, len(value)) + value for attribute, value in pairs)
    return L2CAP_Hdr(cid=4) / Raw(b"\x23" + body)


class Expected:
    """What has to come out."""

    def __init__(self, name):
        self.folder = HERE / name
        self.folder.mkdir(parents=True, exist_ok=True)
        self.rows, self.arrays = [], {}

    def packet(self, ns, stream, sequence, tick, samples):
        self.rows.append([ns, stream, sequence, "" if tick is None else tick, len(samples)])
        self.arrays.setdefault(stream, []).append(np.asarray(samples))

    def write(self, layout, types):
        (self.folder / "layout.toml").write_text(layout)
        with open(self.folder / "packets.csv", "w", newline="") as file:
            out = csv.writer(file, lineterminator="\n")
            out.writerow(["host_ns", "stream", "sequence", "tick", "samples"])
            out.writerows(self.rows)
        for stream, packets in self.arrays.items():
            most = max(len(packet) for packet in packets)
            full = np.full((len(packets), most, packets[0].shape[1]), np.nan)
            for place, packet in enumerate(packets):
                full[place, : len(packet)] = packet
            np.save(self.folder / f"{stream}.npy", full.astype(types[stream]))


def phone():
    """A phone's btsnoop log: two devices with the same attribute handle, fragments that interleave, a reconnection."""
    draw, expected, log = random.Random(1), Expected("phone"), []

    def put(at_us, packets, received=True):
        for place, packet in enumerate(packets):
            log.append((START_US + at_us + 40 * place, HCI_PHDR_Hdr(direction=int(received)) / packet))

    def eeg(sequence, tick):
        samples = [[draw.randrange(-(1 << 23), 1 << 23) for _ in range(2)] for _ in range(5)]
        packed = b"".join(value.to_bytes(3, "big", signed=True) for sample in samples for value in sample)
        return samples, struct.pack("<HI", sequence % 65536, tick % 2**32) + packed

    def motion(sequence):
        samples = [[draw.randrange(-(1 << 15), 1 << 15) for _ in range(3)] for _ in range(4)]
        planar = b"".join(struct.pack("<h", samples[place][axis]) for axis in range(3) for place in range(4))
        return samples, bytes([sequence % 256]) + planar

    put(0, [complete(0x40, HEADSET, 12)])
    put(1_000, [complete(0x41, WRISTBAND, 36)])
    handle = 0x40
    for number in range(60):
        at_us = 100_000 + 20_000 * number
        if number == 30:
            put(at_us - 9_000, [disconnected(0x40)])
            put(at_us - 8_000, [complete(0x43, HEADSET, 12, enhanced=True)])
            handle = 0x43
        # The device counts on while it is away; numbers wrap in the middle.
        sequence, tick = 65_500 + number, 2**32 - 20_000 + number * 655
        samples, value = eeg(sequence, tick)
        packet = notification(0x12, value)
        if number % 7 == 3:
            # In three pieces, the wristband's packet and one of another channel between them.
            first, second, third = acl(handle, packet, pieces=[9, 27])
            put(at_us, [first])
            put(at_us + 100, acl(0x41, notification(0x12, b"not an eeg"), pieces=[6])[:1])
            put(at_us + 200, [second])
            put(at_us + 300, acl(0x41, notification(0x12, b"not an eeg"), pieces=[6])[1:])
            put(at_us + 350, acl(handle, notification(0x12, b"sent"), boundary=0), received=False)
            put(at_us + 400, [third])
            stamp_us = at_us + 400
        elif number % 7 == 5:
            # Cut within the header of L2CAP.
            pieces = acl(handle, packet, pieces=[2])
            put(at_us, pieces)
            stamp_us = at_us + 40
        else:
            put(at_us, acl(handle, packet))
            stamp_us = at_us
        expected.packet((START_US + stamp_us) * 1000, "eeg", sequence % 65536, tick % 2**32, samples)
        if number % 4 == 1:
            samples, value = motion(number // 4 + 250)
            put(at_us + 1_000, acl(handle, indication(0x15, value)))
            expected.packet((START_US + at_us + 1_000) * 1000, "motion", (number // 4 + 250) % 256, None, samples)
        if number % 10 == 9:
            put(at_us + 2_000, acl(handle, notification(0x15, b"\x00\x01")))
            put(at_us + 3_000, acl(handle, L2CAP_Hdr(cid=5) / Raw(b"signalling")))
    expected.write(
        '''format = 1

[device_clock]
tick_hz = 32768.0
tick_bits = 32
tolerance_ppm = 50.0

[[stream]]
name = "eeg"
rate_hz = 250.0
samples_per_packet = 5
sequence_bits = 16

[stream.packet]
handle = 0x12
bytes = 36
sequence = { at = 0 }
tick = { at = 2 }

[stream.packet.samples]
at = 6
bits = 24
kind = "signed"
order = "big"
channels = 2

[[stream]]
name = "motion"
rate_hz = 50.0
samples_per_packet = 4
sequence_bits = 8

[stream.packet]
handle = 0x15
bytes = 25
sequence = { at = 0 }

[stream.packet.samples]
at = 1
bits = 16
kind = "signed"
channels = 3
arrangement = "planar"
''',
        {"eeg": "<i4", "motion": "<i2"},
    )
    with tempfile.TemporaryDirectory() as folder:
        made = pathlib.Path(folder) / "phone.pcap"
        write_pcap(made, 201, log)
        subprocess.run(["editcap", "-F", "btsnoop", made, expected.folder / "phone.btsnoop"], check=True)


def write_pcap(path, link_type, log, **more):
    writer = RawPcapWriter(str(path), linktype=link_type, **more)
    writer.write_header(None)
    for at, packet in log:
        per_s = 1_000_000_000 if more.get("nano") else 1_000_000
        writer.write_packet(bytes(packet), sec=at // per_s, usec=at % per_s)
    writer.close()


def desk():
    """A desktop's pcapng log with direction: both streams in one packet, 12 bits packed, as many samples as there is room for."""
    draw, expected, log = random.Random(2), Expected("desk"), []

    def put(at_us, packets):
        log.extend((START_US + at_us, HCI_PHDR_Hdr(direction=1) / packet) for packet in packets)

    put(0, [complete(0x01, HEADSET, 24, enhanced=True)])
    put(50_000, [updated(0x01, 16)])
    for number in range(40):
        at_us = 100_000 + 32_000 * number
        count = (8, 7, 9)[number % 3]
        samples = [[draw.randrange(4096)] for _ in range(count)]
        bits = sum(sample[0] << (12 * place) for place, sample in enumerate(samples))
        value = struct.pack(">BH", 0xA0, number) + bits.to_bytes((12 * count + 7) // 8, "little")
        light = [[draw.randrange(65536)] for _ in range(2)]
        other = struct.pack("<IHH", number, light[0][0], light[1][0])
        put(at_us, acl(0x01, several([(0x21, value), (0x24, other)]), pieces=[12] if number % 5 == 2 else None))
        ns = (START_US + at_us) * 1000 + 789
        expected.packet(ns, "ecg", number, None, np.asarray(samples) * 0.5 - 1024.0)
        expected.packet(ns, "light", number, None, light)
        if number % 6 == 0:
            # Something else by the same handle, told apart by its first byte.
            put(at_us + 500, acl(0x01, notification(0x21, bytes([0xB0, 1, 2, 3, 4, 5, 6]))))
    expected.write(
        '''format = 1

[link]
fixed_delay_ms = 31.5
fixed_delay_u_ms = 0.5

[[stream]]
name = "ecg"
rate_hz = 250.0
samples_per_packet = 8
sequence_bits = 16

[stream.packet]
handle = 33
when = { at = 0, bit = 4, bits = 4, is = 10 }
sequence = { at = 1, order = "big" }
count = "rest"

[stream.packet.samples]
at = 3
bits = 12
kind = "unsigned"
zero = 2048
scale = 0.5
unit = "uV"

[[stream]]
name = "light"
rate_hz = 62.5
samples_per_packet = 2
sequence_bits = 16

[stream.packet]
handle = 36
sequence = { at = 0, bits = 32 }

[stream.packet.samples]
at = 4
bits = 16
kind = "unsigned"
''',
        {"ecg": "<f4", "light": "<u2"},
    )
    with tempfile.TemporaryDirectory() as folder:
        made = pathlib.Path(folder) / "desk.pcap"
        write_pcap(made, 201, [(at_us * 1000 + 789, packet) for at_us, packet in log], nano=True)
        subprocess.run(["editcap", "-F", "pcapng", made, expected.folder / "desk.pcapng"], check=True)


def wire():
    """A tap on the controller's UART: no direction, in nanoseconds, begun in mid-connection."""
    draw, expected, log = random.Random(3), Expected("wire"), []
    for number in range(40):
        at_ns = START_US * 1000 + 100_000_000 + 20_000_000 * number + draw.randrange(1_000_000)
        samples = np.asarray([[draw.gauss(0, 50) for _ in range(3)] for _ in range(4)], dtype="<f4")
        tick = (0xFFFF00 + number * 80) % 2**24
        value = bytes([5, number % 256]) + tick.to_bytes(3, "big") + samples.T.astype("<f4").tobytes()
        packets = acl(0x0E01, notification(0x0033, value), pieces=[20, 41] if number % 3 == 1 else None)
        if number % 3 == 1:
            # What the host sends meanwhile begins with 00, what the controller hands on with 10.
            packets[1:1] = acl(0x0E01, notification(0x0033, value), boundary=0)
        for place, packet in enumerate(packets):
            log.append((at_ns + 1_000 * place, packet))
        expected.packet(at_ns + 1_000 * (len(packets) - 1), "eeg", number % 256, tick, samples)
    expected.write(
        '''format = 1

[device_clock]
tick_hz = 4000.0
tick_bits = 24
tolerance_ppm = 50.0

[link]
connection_interval_ms = 7.5

[[stream]]
name = "eeg"
rate_hz = 200.0
samples_per_packet = 4
sequence_bits = 8

[stream.packet]
handle = 0x0033
bytes = 53
sequence = { at = 1 }
tick = { at = 2, order = "big" }

[stream.packet.samples]
at = 5
bits = 32
kind = "float"
channels = 3
arrangement = "planar"
''',
        {"eeg": "<f4"},
    )
    write_pcap(expected.folder / "wire.pcap", 187, log, nano=True)


def monitor():
    """The Linux monitor, big-endian, two adapters that use the same connection handle; packets that say how many samples they have."""
    draw, expected, log = random.Random(4), Expected("monitor"), []

    def put(at_us, adapter, packets):
        for packet in packets:
            opcode = {4: 3, 2: 5}[packet.type]
            log.append((START_US + at_us, HCI_Mon_Pcap_Hdr(adapter_id=adapter, opcode=opcode) / Raw(bytes(packet)[1:])))

    put(0, 0, [complete(0x40, HEADSET, 24)])
    put(100, 1, [complete(0x40, WRISTBAND, 24)])
    for number in range(40):
        at_us = 100_000 + 40_000 * number
        count = 10 + number % 3 - 1
        samples = [[draw.randrange(-(2**31), 2**31)] for _ in range(count)]
        value = struct.pack(">IBQ", number, count, 2**40 - 100 + number * 40_000)
        value += b"".join(struct.pack(">i", sample[0]) for sample in samples)
        put(at_us, 0, acl(0x40, notification(0x50, value), pieces=[23]))
        put(at_us, 1, acl(0x40, notification(0x51, b"pulse"), pieces=[5]))
        expected.packet((START_US + at_us) * 1000, "eeg", number, (2**40 - 100 + number * 40_000), samples)
    expected.write(
        '''format = 1

[device_clock]
tick_hz = 1e6
tick_bits = 48
tolerance_ppm = 50.0

[link]
connection_interval_ms = 40.0

[[stream]]
name = "eeg"
rate_hz = 250.0
samples_per_packet = 10
sequence_bits = 32

[stream.packet]
handle = 0x0050
sequence = { at = 0, order = "big" }
count = { at = 4, bits = 8 }
tick = { at = 5, bits = 64, order = "big" }

[stream.packet.samples]
at = 13
bits = 32
kind = "signed"
order = "big"
''',
        {"eeg": "<f8"},
    )
    write_pcap(expected.folder / "monitor.pcap", 254, log, endianness=">")


if __name__ == "__main__":
    phone()
    desk()
    wire()
    monitor()
