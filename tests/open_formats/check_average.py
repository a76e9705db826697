"""The command's average against one made by NumPy alone: its own way to samples between samples, its own low-pass, its own mean.

Each trial's stretch of samples is tapered at both ends and shifted by a fraction of a sample in the frequency domain, so that its middle is
the band-limited interpolation itself. Onsets come from trials.csv; the rest is read from the recording. TICKSEAM_COMMAND names the command.
"""

import csv
import json
import os
import pathlib
import subprocess
import sys
import tempfile

import numpy

COMMAND = os.environ["TICKSEAM_COMMAND"]
SCENARIO = """
duration_s = 600
[host]
duplicates = 0.01
reordering = 0.01
[[stream]]
name = "scalp"
[response.target]
gains = [1.0, -0.5]
[background]
channels = 2
white_uv = 6.0
rhythm_uv = 5.0
"""
RATE = 250.0
HALF_HZ = 20.0


def run(*arguments):
    subprocess.run([COMMAND, *arguments], check=True, capture_output=True)


def timeline(session):
    """Samples in the device's order; lost ones not a number. 16 bits of sequence, 5 samples a packet."""
    with open(session / "packets.csv", newline="") as file:
        sequence = numpy.array([int(row["sequence"]) for row in csv.DictReader(file)])
    turns = numpy.unwrap(sequence * (2 * numpy.pi / 65536)) * (65536 / (2 * numpy.pi))
    index = numpy.rint(turns).astype(int)
    index -= index.min()
    packets = numpy.load(session / "scalp.npy").astype(float)
    samples = numpy.full((index.max() + 1, *packets.shape[1:]), numpy.nan)
    samples[index] = packets
    return samples.reshape(-1, packets.shape[2])


def cut(samples, onset, points):
    """Values at onset (in samples) + points (whole), by the frequency domain and a Gaussian low-pass."""
    whole = int(numpy.floor(onset))
    reach = 150
    first, last = whole + points[0] - reach, whole + points[-1] + reach + 1
    if first < 0 or last > len(samples):
        return None
    stretch = samples[first:last]
    if numpy.isnan(stretch).any():
        return None
    taper = numpy.ones(len(stretch))
    ramp = 0.5 - 0.5 * numpy.cos(numpy.pi * (numpy.arange(100) + 0.5) / 100)
    taper[:100], taper[-100:] = ramp, ramp[::-1]
    frequency = numpy.fft.rfftfreq(len(stretch), 1 / RATE)
    # exp(-2 pi^2 f^2 s^2) is one half at the half-amplitude frequency.
    gaussian = numpy.exp(-numpy.log(2) * (frequency / HALF_HZ) ** 2)
    shift = numpy.exp(2j * numpy.pi * frequency * (onset - whole) / RATE)
    spectrum = numpy.fft.rfft(stretch * taper[:, None], axis=0) * (gaussian * shift)[:, None]
    shifted = numpy.fft.irfft(spectrum, len(stretch), axis=0)
    return shifted[reach:-reach]


def main():
    folder = pathlib.Path(tempfile.mkdtemp())
    (folder / "s.toml").write_text(SCENARIO)
    session, out = folder / "session", folder / "average"
    run("simulate", str(folder / "s.toml"), "--out", str(session), "--seed", "6")
    run("average", str(session), "--label", "target", "--low-pass", f"{HALF_HZ}Hz", "--out", str(out))
    samples = timeline(session)
    points = numpy.arange(-50, 201)
    trials = []
    with open(out / "trials.csv", newline="") as file:
        for row in csv.DictReader(file):
            if row["verdict"] == "used":
                trial = cut(samples, float(row["sample"]), points)
                if trial is None:
                    continue
                trials.append(trial - trial[:51].mean(axis=0))
    used = json.loads((out / "average.json").read_text())["trials"]["used"]
    average = numpy.load(out / "average.npy")
    error = numpy.load(out / "standard_error.npy")
    trials = numpy.array(trials)
    theirs = trials.mean(axis=0)
    their_error = trials.std(axis=0, ddof=1) / numpy.sqrt(len(trials))
    print(f"{used} trials, {len(trials)} made here; largest difference {abs(average - theirs).max():.2e} of {abs(theirs).max():.2f} uV")
    # Nothing was lost, so both have the same trials.
    assert used > 50 and len(trials) == used
    assert abs(average - theirs).max() < 5e-4, abs(average - theirs).max()
    assert abs(error - their_error).max() < 5e-4
    return 0


if __name__ == "__main__":
    sys.exit(main())
