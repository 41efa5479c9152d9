"""APT pictures in figures: error of greys and lines found against SNR, false pictures, speed.

Run `python benchmarks/bench_apt.py [part ...]`; parts: fidelity audio false speed. SNR is in 40 kHz. The limit is an
FM discriminator's noise above its threshold, frequency noise of density f^2 N0 / C, through coherent detection
of the sub-carrier in the band we use and the mean over a word. The project's own transmitter sends (no recording
of a satellite is at hand), with 40 ppm of clock error and as much Doppler drift.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from earwitness.core.mode import get_mode
from earwitness.core.types import Picture, Samples
from earwitness.dsp.speech import speech_like
from earwitness.modes.apt import synth
from earwitness.modes.apt.line import CHANNEL, DEVIATION_HZ, LEAST, SPACE, SYNC, VIDEO

RATE_HZ, CENTER_HZ = 53_500.0, 137.1e6
ITEM = {"lines": 240, "seed": 4, "first_line": 70, "clock_ppm": 40, "drift_ppm": 40}
RUNS = 3


def run(data: np.ndarray, rate_hz: float) -> list[Picture]:
    """Give the pictures in one channel or sound."""
    demod = get_mode("apt").demodulator()
    found: list[Picture] = []
    step = round(10 * rate_hz)
    for at in range(0, len(data), step):
        found += demod.feed(Samples(data[at : at + step], rate_hz, CENTER_HZ, at, 0))
    return found + list(demod.close())


def noisy(iq: np.ndarray, rate_hz: float, snr_db: float, width_hz: float, seed: int) -> np.ndarray:
    """Add noise for an SNR in width_hz, with two seconds of noise before and after."""
    rng = np.random.default_rng(seed)
    pad = np.zeros(round(2 * rate_hz), np.complex64)
    iq = np.concatenate([pad, iq, pad])
    scale = np.sqrt(0.5 * rate_hz / width_hz * 10 ** (-snr_db / 10))
    noise = rng.standard_normal(len(iq), np.float32) + 1j * rng.standard_normal(len(iq), np.float32)
    return (0.05 * (iq + scale * noise)).astype(np.complex64)


def compare(sent: np.ndarray, got: np.ndarray) -> tuple[float, int]:
    """Give (rms error of the video's greys, lines in common) at the best place of one beside the other."""
    video = np.r_[
        SYNC + SPACE : SYNC + SPACE + VIDEO, CHANNEL + SYNC + SPACE : CHANNEL + SYNC + SPACE + VIDEO
    ]
    best = (255.0, 0)
    for down in range(-6, 7):
        a, b = sent[max(-down, 0) :, video].astype(float), got[max(down, 0) :, video].astype(float)
        rows = min(len(a), len(b))
        error = float(np.sqrt(np.mean((a[:rows] - b[:rows]) ** 2)))
        if error < best[0]:
            best = error, rows
    return best


def limit(snr_db: float) -> float:
    """Give the rms error of a grey (0..255) that the discriminator's noise leaves."""
    cn0 = 10 ** (snr_db / 10) * 40e3
    u = np.arange(-2_080.0, 2_080.0)
    density = ((2_400 + u) ** 2 + (2_400 - u) ** 2) / (2 * cn0)
    fall = np.clip((2_300.0 - np.abs(u)) / 400.0, 0.0, 1.0)
    shape = (0.5 - 0.5 * np.cos(np.pi * fall)) ** 2 * np.sinc(u / 4_160.0) ** 2
    return float(np.sqrt(np.sum(density * shape)) / DEVIATION_HZ * 255 / (1 - LEAST))


def fidelity() -> None:
    """Error and lines at each SNR."""
    clean = synth.transmit(ITEM, RATE_HZ)
    clean = clean * np.exp(2j * np.pi * 3_000.0 / RATE_HZ * np.arange(len(clean)))
    sent = synth.pictures(ITEM)[0]
    [quiet] = run(noisy(clean, RATE_HZ, 60.0, 40e3, 0), RATE_HZ)
    floor, _ = compare(sent, quiet.pixels)
    print(f"-- {ITEM}; rms error without noise {floor:.2f} of 255 (the transmitter's and our filters)")
    for snr_db in (0, 3, 5, 7, 9, 12, 16, 20, 25):
        figures = []
        for seed in range(RUNS):
            for one in run(noisy(clean, RATE_HZ, snr_db, 40e3, seed), RATE_HZ)[:1]:
                error, lines = compare(sent, one.pixels)
                alone, _ = compare(quiet.pixels, one.pixels)
                figures.append(
                    (error, alone, lines / len(sent), one.extra["lines_with_sync"], one.extra["slant_ppm"])
                )
        line = f"{snr_db:4d} dB  finds {len(figures)}/{RUNS}"
        if figures:
            error, alone, lines, sync, slant = np.mean(figures, axis=0)
            expected = limit(snr_db)
            line += (
                f"  rms error {error:5.1f}, of noise alone {alone:5.1f}, limit {expected:5.1f}, short of it "
                f"{20 * np.log10(alone / expected):4.1f} dB; lines {lines:.2f}, with sync {sync:.2f}; slant {slant:5.1f} ppm"
            )
        print(line, flush=True)


def audio() -> None:
    """The same from audio recordings of several rates, noise in proportion to the sub-carrier's peak."""
    sent = synth.pictures(ITEM)[0]
    for rate_hz in (8_000.0, 11_025.0, 22_050.0, 48_000.0):
        clean = synth.sound(ITEM, rate_hz)
        noise = np.random.default_rng(1).standard_normal(len(clean)) * 0.05 * np.sqrt(rate_hz / 11_025)
        found = run((0.3 * (clean + noise)).astype(np.float32), rate_hz)
        for one in found[:1]:
            error, lines = compare(sent, one.pixels)
            print(
                f"audio at {rate_hz:.0f} Hz: rms error {error:.1f}, lines {lines} of {len(sent)}", flush=True
            )
        if not found:
            print(f"audio at {rate_hz:.0f} Hz: nothing found")


def false() -> None:
    """Pictures in ten minutes of what is none."""
    rng = np.random.default_rng(2)

    def noise(seconds: float, rate_hz: float) -> np.ndarray:
        count = round(seconds * rate_hz)
        return (0.05 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))).astype(np.complex64)

    total = 0
    speech = np.concatenate([speech_like(60.0, 8_000.0, seed) for seed in range(10)]).astype(np.float32)
    time_s = np.arange(round(600 * 8_000.0)) / 8_000.0
    tone = np.sin(2 * np.pi * 2_400 * time_s)
    keyed = tone * (0.5 + 0.4 * np.sign(np.sin(2 * np.pi * 1_040 * time_s)))
    ticks = tone * (time_s % 0.5 < 0.03)
    for what, data, rate_hz in (
        ("noise", noise(600, RATE_HZ), RATE_HZ),
        ("noise as audio", noise(600, 8_000.0).real.copy(), 8_000.0),
        ("speech as audio", speech, 8_000.0),
        ("a tone of 2400 Hz", tone.astype(np.float32), 8_000.0),
        ("a tone of 2400 Hz keyed at 1040 Hz", keyed.astype(np.float32), 8_000.0),
        ("ticks of 2400 Hz, two a second", ticks.astype(np.float32), 8_000.0),
    ):
        found = run(data, rate_hz)
        total += len(found)
        print(f"{what}: {len(found)} false pictures in 10 minutes; limit 0", flush=True)
    print(f"{total} false pictures in an hour")


def speed() -> None:
    """Times real time on one core (CPU time)."""
    clean = synth.transmit(ITEM, RATE_HZ)
    sound = synth.sound(ITEM, 11_025.0).astype(np.float32)
    run(noisy(clean, RATE_HZ, 15.0, 40e3, 1)[:200_000], RATE_HZ)
    for what, data, rate_hz in (
        ("picture", noisy(clean, RATE_HZ, 15.0, 40e3, 1), RATE_HZ),
        ("noise", noisy(0 * clean, RATE_HZ, 0.0, 40e3, 1), RATE_HZ),
        ("picture as audio", sound, 11_025.0),
        ("speech as audio", speech_like(120.0, 11_025.0, 1).astype(np.float32), 11_025.0),
    ):
        begin = time.process_time()
        run(data, rate_hz)
        times = len(data) / rate_hz / (time.process_time() - begin)
        print(f"{what:18s} {times:6.0f} x real time  limit 20  ratio {times / 20:.1f}", flush=True)


PARTS = {"fidelity": fidelity, "audio": audio, "false": false, "speed": speed}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
