"""Spectrum and detection: time against the bare transforms, false alarms, and sensitivity against the bound.

    python benchmarks/bench_detection.py [speed] [alarms] [sensitivity]

Bound: the energy detector for a box of just the signal's width and duration, at the chance of a false alarm per box
that the stated rate leaves when place and shape are unknown (`limits.box_chance`). Threshold and detection
probability are those of gamma and non-central chi-square distributed sums (textbook). Also printed is the loss
against a detector that knows the shape, and so need not look for any other.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from earwitness.core.types import Detection, Samples
from earwitness.detect.detector import Detector
from earwitness.detect.limits import box_chance
from earwitness.dsp import fft
from earwitness.spectrum.stft import Plan, Spectrum, plan, quick_plan

PER_HOUR = 1.0


def noise(rng: np.random.Generator, count: int) -> np.ndarray:
    """Give complex noise of unit power, complex64 (count,)."""
    pairs = rng.standard_normal(2 * count, np.float32) * np.float32(np.sqrt(0.5))
    return pairs.view(np.complex64)


def survey(blocks, rate_hz: float, per_hour: float = PER_HOUR) -> list[Detection]:
    """Run spectrum and detector over blocks of samples; give every detection's last state."""
    spectrum, detector = Spectrum(rate_hz, 0.0), Detector(rate_hz, 0.0, false_alarms_per_hour=per_hour)
    last: dict[int, Detection] = {}
    start = 0
    for data in blocks:
        block = spectrum.feed(Samples(data, rate_hz, 0.0, start, 0))
        start += len(data)
        if block is not None:
            last.update((d.number, d) for d in detector.feed(block))
    block = spectrum.close()
    if block is not None:
        last.update((d.number, d) for d in detector.feed(block))
    last.update((d.number, d) for d in detector.close())
    return list(last.values())


def bare_s(of: Plan, data: np.ndarray, block: int) -> tuple[float, float]:
    """Give the seconds of the windowed transforms alone, fine and quick, over `data` in blocks."""
    out = []
    windows = [(of.window, of.hop)]
    if of.quick_size:
        windows.append((quick_plan(of).window, of.quick_hop))
    for window, hop in windows:
        frames = np.empty((block // hop - len(window) // hop + 1, len(window)), np.complex64)
        began = time.process_time()
        for first in range(0, len(data) - block + 1, block):
            views = np.lib.stride_tricks.sliding_window_view(data[first : first + block], len(window))[::hop]
            np.multiply(views, window, out=frames)
            fft.forward(frames, overwrite=True)
        out.append(time.process_time() - began)
    return out[0], (out[1] if len(out) > 1 else 0.0)


def speed() -> None:
    """Print the time of spectrum and detection on a quiet band against the bare passes."""
    rng = np.random.default_rng(1)
    print("speed, quiet band (ns per sample of processor time, best of 4)")
    for rate_hz, seconds in ((2.4e6, 6.0), (20e6, 1.2)):
        of = plan(rate_hz)
        block = 65536
        data = noise(rng, int(rate_hz * seconds) // block * block) * np.float32(0.02)
        blocks = [data[i : i + block] for i in range(0, len(data), block)]
        fine, quick, whole = [], [], []
        for _ in range(4):
            a, b = bare_s(of, data, block)
            fine.append(a)
            quick.append(b)
            began = time.process_time()
            survey(blocks, rate_hz)
            whole.append(time.process_time() - began)
        scale = 1e9 / len(data)
        needed = min(fine) + min(quick)
        print(
            f"  {rate_hz / 1e6:4.1f} MS/s  bare fine {min(fine) * scale:5.1f} + quick {min(quick) * scale:4.1f}"
            f"  ours {min(whole) * scale:5.1f}  ratio {min(whole) / needed:.2f} (limit 2.00)"
            f"  = {seconds / min(whole):.0f} x real time"
        )


def alarms() -> None:
    """Print the false alarms on noise, at a rate high enough to count and at the default."""
    print("false alarms on noise alone")
    for rate_hz, per_hour, seconds in (
        (48e3, 3600.0, 600),
        (48e3, PER_HOUR, 3600),
        (133e3, 3600.0, 300),
        (2.4e6, 3600.0, 60),
        (2.4e6, PER_HOUR, 120),
    ):
        rng = np.random.default_rng(2)
        count = int(rate_hz * 0.25)
        blocks = (noise(rng, count) * np.float32(0.05) for _ in range(int(seconds * 4)))
        found = survey(blocks, rate_hz, per_hour)
        allowed = per_hour * seconds / 3600
        print(
            f"  {rate_hz / 1e6:6.3f} MS/s  {seconds:5.0f} s  stated {per_hour:6.0f} per hour: "
            f"{len(found)} found, {allowed:.2f} allowed, ratio {len(found) / allowed:.2f}"
        )


def bound_db(chance: float, duration_s: float, width_hz: float, *, tone: bool) -> float:
    """Give the SNR in the signal's own box at which the ideal detector reaches 0.9."""
    from scipy.optimize import brentq
    from scipy.stats import gamma, ncx2

    looks = max(1.0, duration_s * width_hz)
    limit = gamma.isf(chance, looks)
    if tone:
        return float(
            brentq(lambda db: ncx2.sf(2 * limit, 2 * looks, 2 * looks * 10 ** (db / 10)) - 0.9, -40, 40)
        )
    return float(10 * np.log10(limit / gamma.isf(0.9, looks) - 1))


def shaped(rng: np.random.Generator, count: int, width_hz: float, rate_hz: float) -> np.ndarray:
    """Give a noise-like signal of unit power that fills just `width_hz`."""
    spectrum = np.zeros(count, np.complex64)
    half = max(1, round(count * width_hz / rate_hz / 2))
    index = np.arange(-half, half)
    spectrum[index] = noise(rng, 2 * half)
    signal = fft.inverse(spectrum)
    return signal / np.sqrt(np.mean(np.abs(signal) ** 2))


def trial(
    rng: np.random.Generator,
    rate_hz: float,
    duration_s: float,
    width_hz: float,
    snr_db: float,
    shots: int,
    tone: bool,
) -> float:
    """Give the share of `shots` signals that were detected."""
    length = round(duration_s * rate_hz)
    gap = max(0.15, 1.2 * duration_s)
    lead = 3.0
    total = int((lead + shots * (duration_s + gap)) * rate_hz)
    data = noise(rng, total)
    amplitude = np.sqrt(10 ** (snr_db / 10) * width_hz / rate_hz)
    places = []
    for shot in range(shots):
        first = int((lead + shot * (duration_s + gap) + rng.uniform(0, 0.5 * gap)) * rate_hz)
        freq = rng.uniform(-0.42, 0.42) * rate_hz
        freq = np.sign(freq) * max(abs(freq), width_hz / 2 + 0.02 * rate_hz)
        if abs(freq) + width_hz / 2 > 0.48 * rate_hz:
            freq = np.sign(freq) * (0.48 * rate_hz - width_hz / 2)
        turn = np.exp(2j * np.pi * freq / rate_hz * np.arange(length) + 2j * np.pi * rng.uniform())
        wave = turn if tone else shaped(rng, length, width_hz, rate_hz) * turn
        data[first : first + length] += (amplitude * wave).astype(np.complex64)
        places.append((first, first + length, freq))
    data *= np.float32(0.03)
    block = 1 << 18
    found = survey((data[i : i + block] for i in range(0, total, block)), rate_hz)
    margin = plan(rate_hz).row
    hits = 0
    for first, last, freq in places:
        half = max(width_hz / 2, 2 * plan(rate_hz).bin_hz)
        hits += any(
            d.start < last + margin
            and d.stop > first - margin
            and d.low_hz < freq + half
            and d.high_hz > freq - half
            and not d.artefact
            for d in found
        )
    return hits / shots


def sensitivity() -> None:
    """Print where we reach a detection probability of 0.9, against the bound."""
    print(f"sensitivity at {PER_HOUR:.0f} false alarm per hour: SNR for a detection probability of 0.9")
    enbw = {r: plan(r).enbw_hz for r in (48e3, 2.4e6)}
    cases = (
        ("tone 1 s", 48e3, 1.0, enbw[48e3], True, 30),
        ("tone 0.2 s", 48e3, 0.2, enbw[48e3], True, 50),
        ("noise-like 3 kHz, 0.5 s", 48e3, 0.5, 3e3, False, 30),
        ("tone 0.1 s", 2.4e6, 0.1, enbw[2.4e6], True, 40),
        ("noise-like 25 kHz, 20 ms", 2.4e6, 0.02, 25e3, False, 50),
        ("noise-like 25 kHz, 1 s", 2.4e6, 1.0, 25e3, False, 10),
        ("noise-like 200 kHz, 0.1 s", 2.4e6, 0.1, 200e3, False, 30),
        ("burst 1 MHz, 1 ms", 2.4e6, 1e-3, 1e6, False, 50),
        ("burst 2 MHz, 120 us", 2.4e6, 120e-6, 2e6, False, 50),
        ("burst 1 MHz, 100 us", 2.4e6, 100e-6, 1e6, False, 50),
    )
    for name, rate_hz, duration_s, width_hz, tone, shots in cases:
        disjoint = 3600 / duration_s * rate_hz / width_hz
        detector = Detector(rate_hz, 0.0, false_alarms_per_hour=PER_HOUR)
        bound = bound_db(box_chance(detector.share_per_shape / disjoint), duration_s, width_hz, tone=tone)
        knowing = bound_db(PER_HOUR / disjoint, duration_s, width_hz, tone=tone)
        rng = np.random.default_rng(3)
        over, rate = -1.0, 0.0
        shares: list[tuple[float, float]] = []
        while over < 6 and rate < 0.97:
            rate = trial(rng, rate_hz, duration_s, width_hz, bound + over, shots, tone)
            shares.append((over, rate))
            over += 0.5
        reached = next((o for o, r in shares if r >= 0.9), float("nan"))
        if len(shares) > 1 and shares[0][1] < 0.9:
            reached = float(
                np.interp(0.9, np.maximum.accumulate([r for _, r in shares]), [o for o, _ in shares])
            )
        print(
            f"  {name:27s} {rate_hz / 1e6:6.3f} MS/s  bound {bound:6.2f} dB  ours {bound + reached:6.2f} dB"
            f"  loss {reached:4.2f} dB (limit 1.00; {bound + reached - knowing:4.2f} if it knew the shape)   "
            + " ".join(f"{r:.2f}" for _, r in shares),
            flush=True,
        )


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["speed", "alarms", "sensitivity"]
    for part in (speed, alarms, sensitivity):
        if part.__name__ in wanted:
            part()
