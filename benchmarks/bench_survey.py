"""Whole survey on one core: multiples of real time and resident memory, against the bare FFT passes it needs.

Twelve busy narrow channels (eight of voice, four of packets) in 2.4 and in 20 MS/s. The limit named is the
time of the two transforms a survey cannot do without: the windowed FFT of the detector (half overlapped)
and the forward FFT of the channels (one quarter overlapped).
Then memory and speed with one signal like noise over 60 % of the span.
Each survey runs in a process of its own, so that the memory printed is a survey's.
Usage: python benchmarks/bench_survey.py [SECONDS, default 60]
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from earwitness.channel.bank import block_size
from earwitness.dsp import fft
from earwitness.scene.describe import load_scene
from earwitness.scene.synthesise import render
from earwitness.station.run import survey_file

HEAD = """
[scene]
name = "busy"
centre_hz = 162.0e6
rate_hz = {rate}
duration_s = {seconds}
seed = 5
sample_type = "cu8"
"""
VOICE = """
[[emission]]
mode = "fm"
frequency_hz = {hz}
start_s = {start}
snr_db = 20
item = {{duration_s = {length}, seed = {seed}, ctcss_hz = 103.5}}
"""
PACKETS = """
[[emission]]
mode = "ais"
frequency_hz = {hz}
start_s = {start}
snr_db = 18
examples = true
repeat = {{times = {times}, every_s = 0.5}}
"""


def scene_text(rate, seconds):
    parts = [HEAD.format(rate=rate, seconds=seconds)]
    for n in range(8):
        parts.append(VOICE.format(hz=161.2e6 + n * 87_500, start=0.1 + 0.05 * n, length=seconds - 1, seed=n))
    for n, hz in enumerate((161.975e6, 162.025e6, 162.475e6, 162.7e6)):
        parts.append(PACKETS.format(hz=hz, start=0.2 + 0.1 * n, times=int(seconds * 2) - 1))
    return "\n".join(parts)


def noise_like(rate, seconds, path):
    """Write a signal like noise over 60 % of the span, 15 dB over the noise, as cs8."""
    rng = np.random.default_rng(1)
    size = 1 << 18
    inside = np.abs(np.fft.fftfreq(size)) < 0.3
    with open(path, "wb") as file:
        for _ in range(0, int(rate * seconds), size):
            wide, noise = (rng.standard_normal((size, 2)).view(complex)[:, 0] for _ in range(2))
            x = 20 * np.fft.ifft(inside * wide, norm="ortho") + 3 * noise
            np.clip(np.rint(np.stack([x.real, x.imag], 1)), -127, 127).astype(np.int8).tofile(file)
    return path


def bare_passes(rate, seconds):
    """Seconds that the two unavoidable transforms take on this many samples."""
    rng = np.random.default_rng(0)
    x = rng.standard_normal(1 << 17).astype(np.float32).view(np.complex64)
    total = 0.0
    for size, overlap in ((1024, 2.0), (block_size(rate), 4 / 3)):
        data = x[: len(x) // size * size].reshape(-1, size)
        fft.forward(data)
        began = time.process_time()
        for _ in range(200):
            fft.forward(data)
        total += (time.process_time() - began) / 200 / data.size * rate * seconds * overlap
    return total


def peak_mb():
    """Resident memory at its highest. (What getrusage tells of a process holds its parent's, too.)"""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def surveyed(recording, home, **declared):
    """Seconds of the processor, peak memory in MB, and what a survey counted."""
    survey_file(str(recording), home / "warm", **declared)  # imports and caches
    began = time.process_time()
    outcome = survey_file(str(recording), home / "station", **declared)
    took = time.process_time() - began
    return took, peak_mb(), outcome.counts


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    for rate, length, goal in ((2.4e6, seconds, 10.0), (20e6, max(3.0, seconds / 6), 1.5)):
        with (
            tempfile.TemporaryDirectory() as folder,
            multiprocessing.get_context("spawn").Pool(1) as process,
        ):
            home = Path(folder)
            text = home / "busy.toml"
            text.write_text(scene_text(rate, length))
            made = render(load_scene(text), home / "recording")
            took, peak, counts = process.apply(surveyed, (made, home))
            limit = bare_passes(rate, length)
            print(
                f"{rate / 1e6:g} MS/s, 12 channels: {length / took:.1f} x real time of one core (asked: {goal:g}); "
                f"bare transforms {length / limit:.1f} x, ratio {took / limit:.2f}; "
                f"peak {peak:.0f} MB (asked: 400); {counts}"
            )

    for rate in (2.4e6, 20e6):
        with (
            tempfile.TemporaryDirectory() as folder,
            multiprocessing.get_context("spawn").Pool(1) as process,
        ):
            home, length = Path(folder), 4.0
            made = noise_like(rate, length, home / "wide.cs8")
            declared = {"rate_hz": rate, "centre_hz": 500e6}
            took, peak, counts = process.apply(surveyed, (made, home), declared)
            print(
                f"{rate / 1e6:g} MS/s, one signal over 60 % of it: {length / took:.1f} x real time of one core; "
                f"peak {peak:.0f} MB (asked: 400); {counts}"
            )


if __name__ == "__main__":
    main()
