"""EDF+ and BDF+ files of the command, read back by an independent library (pyedflib) and, record by record, as the specification says.

TICKSEAM_COMMAND names the command. Requirements: requirements-edf.txt. Ends with status 0 where everything holds.
"""

import csv
import os
import pathlib
import subprocess
import sys
import tempfile

import numpy
import pyedflib

COMMAND = os.environ["TICKSEAM_COMMAND"]

# A pulse at each event's true onset: a Gaussian of 12 ms, narrow enough that its centre says when it was, and no noise.
SCENARIO = """
duration_s = 240
[host]
loss = {loss}
duplicates = 0.01
reordering = 0.01
[device]
offset_ppm = 40.0
[[stream]]
name = "scalp"
rate_hz = {rate}
samples_per_packet = {samples}
[trials]
interval_s = [1.0, 1.5]
stimulus = [{{ label = "tone", response_probability = 0.0 }}]
[response.tone]
amplitude_uv = 100.0
latency_ms = 0.0
width_ms = 12.0
[background]
channels = 2
white_uv = 0.0
{fault}
"""

FAULTS = {
    "plain": "",
    "silence": '[[fault]]\nkind = "disconnection"\nat_s = 100.0\noff_s = 7.3\n',
    "reboot": '[[fault]]\nkind = "reboot"\nat_s = 120.0\noff_s = 5.0\n',
}


def run(*arguments):
    return subprocess.run([COMMAND, *arguments], check=True, capture_output=True, text=True).stdout


def events_of(folder):
    """Rows of events.tsv that have a place."""
    with open(folder / "events.tsv", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t"))
    return [row for row in rows if row["status"] in ("placed", "in-gap")]


def raw_records(path):
    """Start, samples and annotations of every record, by the specification alone: for discontinuous files, which pyedflib refuses."""
    data = path.read_bytes()
    width = 3 if data[0] == 0xFF else 2
    header_bytes, records, signals = int(data[184:192]), int(data[236:244]), int(data[252:256])
    kind = data[192:197].decode()
    length = float(data[244:252])

    def fields(offset, size):
        start = 256 + offset * signals
        return [data[start + i * size : start + (i + 1) * size].decode().strip() for i in range(signals)]

    low, high = [[float(x) for x in fields(o, 8)] for o in (104, 112)]
    least, greatest = [[float(x) for x in fields(o, 8)] for o in (120, 128)]
    counts = [int(x) for x in fields(216, 8)]
    assert header_bytes == 256 * (signals + 1)
    assert len(data) == header_bytes + records * sum(counts) * width, "a whole number of records"
    found, annotations = [], []
    at = header_bytes
    for _ in range(records):
        values = []
        for signal, count in enumerate(counts[:-1]):
            raw = numpy.frombuffer(data, numpy.uint8, count * width, at).reshape(count, width).astype(numpy.int64)
            number = sum(raw[:, byte] << (8 * byte) for byte in range(width))
            number = numpy.where(number >= 1 << (8 * width - 1), number - (1 << (8 * width)), number)
            gain = (high[signal] - low[signal]) / (greatest[signal] - least[signal])
            values.append(low[signal] + (number - least[signal]) * gain)
            at += count * width
        text = data[at : at + counts[-1] * width]
        at += counts[-1] * width
        lists = [part for part in text.split(b"\x00") if part]
        stamps = [part.split(b"\x14") for part in lists]
        assert stamps[0][1] == b"" and b"\x15" not in stamps[0][0], "the first list tells when the record begins"
        found.append((float(stamps[0][0]), numpy.array(values)))
        for stamp in stamps:
            onset, _, duration = stamp[0].partition(b"\x15")
            for words in stamp[1:-1]:
                if words:
                    annotations.append((float(onset), float(duration) if duration else None, words.decode()))
    return kind, length, found, annotations


def check(name, loss, rate, samples, fault, extension, extra=()):
    folder = pathlib.Path(tempfile.mkdtemp())
    (folder / "s.toml").write_text(SCENARIO.format(loss=loss, rate=rate, samples=samples, fault=FAULTS[fault]))
    run("simulate", str(folder / "s.toml"), "--out", str(folder / "session"), "--seed", "3")
    run("replay", str(folder / "session"), "--out", str(folder / "aligned"))
    run("export", str(folder / "session"), "--out", str(folder / f"out.{extension}"), "--unit", "uV", *extra)
    files = sorted(folder.glob(f"out*.{extension}"))
    assert len(files) == (2 if fault == "reboot" else 1), files
    checked = 0
    for segment, path in enumerate(files):
        kind, length, records, annotations = raw_records(path)
        per_record = records[0][1].shape[1]
        assert per_record == length * rate
        for place, (start, _) in enumerate(records):
            assert start >= place * length - 1e-9 and abs(start / length - round(start / length)) < 1e-9
        whole = all(abs(start - place * length) < 1e-9 for place, (start, _) in enumerate(records))
        assert whole == ("--discontinuous" not in extra)
        assert kind == f"{extension.upper()}+"[:4] + ("C" if whole else "D"), kind
        gaps = [(onset, duration) for onset, duration, words in annotations if words == "gap"]
        tones = [(onset, duration) for onset, duration, words in annotations if words == "tone"]
        rows = [row for row in events_of(folder / "aligned") if int(row["segment"]) == segment]
        last = records[-1][0] + length - sum(d for o, d in gaps if o + d > records[-1][0] + length - 1e-6)
        rows = [row for row in rows if 0 <= float(row["onset"]) < last - 0.1]
        assert abs(len(tones) - len(rows)) <= 1, (len(tones), len(rows))
        start_of = {round(start / length): values for start, values in records}
        for row, (onset, duration) in zip(rows, sorted(tones)):
            assert abs(duration - float(row["duration"])) < 1e-9
            # The pulse around the annotation, where none of its samples was lost.
            centre = round(onset * rate)
            reach = round(0.06 * rate)
            indices = numpy.arange(centre - reach, centre + reach + 1)
            times = indices / rate
            if any(o < times[-1] + 1 / rate and o + d > times[0] for o, d in gaps) or indices[0] < 0:
                continue
            if any(index // per_record not in start_of for index in indices):
                continue
            pulse = numpy.array([start_of[i // per_record][0][i % per_record] for i in indices])
            if pulse.max() < 50:
                continue
            found = (pulse * times).sum() / pulse.sum()
            off_ms = abs(found - onset) * 1e3
            assert off_ms <= float(row["u95_ms"]) + 0.02, (name, row["onset"], off_ms, row["u95_ms"])
            checked += 1
        if not whole:
            # The library that reads the others says plainly that it does not take discontinuous files.
            continue
        with pyedflib.EdfReader(str(path)) as file:
            assert file.signals_in_file == 2
            assert file.getPhysicalDimension(0) == "uV" and file.getSampleFrequency(0) == rate
            assert file.getSignalLabels() == ["scalp 0", "scalp 1"]
            signal = file.readSignal(0)
            ours = numpy.concatenate([values[0] for _, values in records])
            assert numpy.allclose(signal, ours, atol=1e-9)
            onsets, durations, words = file.readAnnotations()
            theirs = sorted((o, w) for o, w in zip(onsets, words))
            mine = sorted((o, w) for o, _, w in annotations)
            assert len(theirs) == len(mine) and all(
                abs(a[0] - b[0]) < 1e-6 and a[1] == b[1] for a, b in zip(theirs, mine)
            )
            # Values against the samples themselves, where a stretch is whole: the largest value of the file is a pulse's.
            samples_there = numpy.load(folder / "session" / "scalp.npy")
            step = (file.getPhysicalMaximum(0) - file.getPhysicalMinimum(0)) / (
                file.getDigitalMaximum(0) - file.getDigitalMinimum(0)
            )
            if fault == "plain":
                assert abs(signal.max() - numpy.nanmax(samples_there)) <= step
            assert file.getStartdatetime().year == (2026 if extra and "--start" in extra else 1985)
    least = 60
    assert checked >= least, f"{name}: {checked} pulses looked at, expected {least} or more"
    print(f"{name}: {len(files)} files, {checked} pulses within u95 of their annotations")


def check_whole_numbers():
    """Whole numbers come back as they are: 16 bits in EDF, 24 in BDF."""
    folder = pathlib.Path(tempfile.mkdtemp())
    (folder / "s.toml").write_text(SCENARIO.format(loss=0.0, rate=250, samples=5, fault=""))
    run("simulate", str(folder / "s.toml"), "--out", str(folder / "session"), "--seed", "4")
    path = folder / "session" / "scalp.npy"
    shape = numpy.load(path).shape
    random = numpy.random.default_rng(1)
    for extension, bits in (("edf", 16), ("bdf", 24)):
        counts = random.integers(-(1 << (bits - 1)), 1 << (bits - 1), shape).astype(">i4")
        numpy.save(path, counts)
        said = run("export", str(folder / "session"), "--out", str(folder / f"whole.{extension}"))
        assert "whole numbers, kept as they are" in " ".join(said.split()), said
        with pyedflib.EdfReader(str(folder / f"whole.{extension}")) as file:
            for channel in range(2):
                read = file.readSignal(channel, digital=True)[: shape[0] * shape[1]]
                # No packet is lost or out of order here, so that rows of the array are the timeline.
                with open(folder / "session" / "packets.csv", newline="") as packets:
                    sequence = [int(row["sequence"]) for row in csv.DictReader(packets)]
                first = {}
                for row, number in enumerate(sequence):
                    first.setdefault(number, row)
                start = sequence[0]
                order = [first[(start + step) % 65536] for step in range(len(first))]
                expected = counts[order, :, channel].reshape(-1)
                assert numpy.array_equal(read[: len(expected)], expected)
        print(f"whole numbers of {bits} bits: {shape[0] * shape[1]} samples of 2 channels as they were")


def main():
    check("continuous EDF", 0.0, 250, 5, "plain", "edf")
    check("EDF with short gaps", 0.004, 250, 5, "plain", "edf", ("--start", "2026-03-01T21:30:00"))
    check("BDF of another rate", 0.004, 256, 8, "plain", "bdf")
    check("EDF with a gap of seconds", 0.002, 250, 5, "silence", "edf")
    check("discontinuous EDF", 0.002, 250, 5, "silence", "edf", ("--discontinuous",))
    check("BDF of two segments", 0.002, 250, 5, "reboot", "bdf")
    check_whole_numbers()
    print("EDF+ and BDF+: all as they should be")
    return 0


if __name__ == "__main__":
    sys.exit(main())
