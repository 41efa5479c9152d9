"""Confusion matrix of identification over SNR, and its time per channel.

Run `python benchmarks/bench_identify.py [trials] [--write]`. Signals are made from textbook definitions
(tests/emission/emission_signals.py) and handed over as a detector would: centre up to 10 % of the width
off, edges up to 10 %, half of them with an 8-bit receiver. SNR is mean burst power over noise in the 99 %
bandwidth (50 Hz for a bare carrier). `--write` puts the tables into docs/identification.md and .png.
"""

from __future__ import annotations

import struct
import sys
import time
import zlib
from collections import Counter
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "emission"))

import emission_signals as sig  # noqa: E402

from earwitness.emission.identify import examine  # noqa: E402

SNRS_DB = (20, 15, 12, 10, 8, 6, 3, 0)
KINDS = ("carrier", "cw", "am", "ssb", "fm", "fsk2", "fsk4", "psk", "ook", "noise-like", "chirp", "unknown")


def trial(name: str, snr_db: float, seed: int):
    """Give (measurement, identification, seconds of CPU)."""
    make, _, _, seconds = sig.SIGNALS[name]
    rng = np.random.default_rng(seed)
    iq, rate = make(rng, seconds)
    samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, rng, bits=8 if seed % 2 else None)
    begin = time.process_time()
    result = examine(samples, detection, span_hz=span)
    return *result, time.process_time() - begin


def confusion(trials: int) -> dict[int, dict[str, Counter]]:
    """Give, for each SNR and each signal, how often each class was answered."""
    table: dict[int, dict[str, Counter]] = {}
    for snr in SNRS_DB:
        table[snr] = {}
        for name in sig.SIGNALS:
            table[snr][name] = Counter(trial(name, snr, 5000 + k)[1].kind for k in range(trials))
    return table


def false_on_noise(trials: int) -> int:
    """Give how many of so many noise-only channels got a class."""
    wrong = 0
    for k in range(trials):
        rng = np.random.default_rng(k)
        n = 4000
        data = (0.01 * (rng.standard_normal(n) + 1j * rng.standard_normal(n))).astype(np.complex64)
        noise = 10 * np.log10(2e-4 / 48_000)
        detection = sig.Detection(1, 500, 3500, 100e6 - 6e3, 100e6 + 6e3, 100e6, -40, noise, 3, False)
        samples = sig.Samples(data, 48_000.0, 100e6, 0, 0, noise)
        wrong += examine(samples, detection, span_hz=48_000)[1].kind != "unknown"
    return wrong


def text_tables(table: dict[int, dict[str, Counter]], trials: int) -> str:
    """Give the matrices as Markdown."""
    lines = []
    for snr, rows in table.items():
        right = sum(counts[sig.SIGNALS[name][1]] for name, counts in rows.items())
        silent = sum(counts["unknown"] for counts in rows.values())
        total = trials * len(rows)
        lines += [
            f"\n## {snr} dB: {100 * right / total:.0f} % right, {100 * silent / total:.0f} % unknown, "
            f"{100 * (total - right - silent) / total:.1f} % wrong\n",
            "| sent | " + " | ".join(KINDS) + " |",
            "|---" * (len(KINDS) + 1) + "|",
        ]
        for name, counts in rows.items():
            cells = [str(counts[kind] or "") for kind in KINDS]
            lines.append(f"| {name} ({sig.SIGNALS[name][1]}) | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def picture(table: dict[int, dict[str, Counter]], trials: int, path: Path) -> None:
    """Write a PNG: one row per signal, one column per SNR; green right, grey unknown, red wrong."""
    cell = 28
    image = np.full((cell * len(sig.SIGNALS), cell * len(table), 3), 255, np.uint8)
    for x, rows in enumerate(table.values()):
        for y, (name, counts) in enumerate(rows.items()):
            right = counts[sig.SIGNALS[name][1]] / trials
            silent = counts["unknown"] / trials
            colour = right * np.array([46, 139, 87]) + silent * np.array([205, 205, 205])
            colour += (1 - right - silent) * np.array([200, 40, 40])
            image[y * cell + 1 : (y + 1) * cell - 1, x * cell + 1 : (x + 1) * cell - 1] = colour
    height, width, _ = image.shape

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    raw = b"".join(b"\0" + row.tobytes() for row in image)
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(raw))
        + chunk(b"IEND", b"")
    )


def speed() -> list[str]:
    """Give lines of our time, the limit and the ratio."""
    lines = []
    cases = (("1 s of FM at 50 kS/s", "nfm", 1.0, 15.0), ("26 ms GMSK burst", "gmsk", 0.026, 3.0))
    for title, name, seconds, limit_ms in cases:
        rng = np.random.default_rng(1)
        iq, rate = sig.SIGNALS[name][0](rng, seconds)
        width = np.diff(sig.occupied(iq, rate))[0]
        ratio = 50_000 / width if name == "nfm" else 3.0
        samples, detection, span, _, _ = sig.channel(iq, rate, 15, rng, ratio=ratio)
        times = []
        for _ in range(25):
            begin = time.process_time()
            examine(samples, detection, span_hz=span)
            times.append(time.process_time() - begin)
        ours = 1e3 * float(np.median(times[3:]))
        lines.append(
            f"measure and identify, {title}: {ours:.1f} ms, limit {limit_ms:.0f} ms, ratio {ours / limit_ms:.2f}"
        )
    return lines


def main() -> None:
    """Print the tables; write them with --write."""
    numbers = [argument for argument in sys.argv[1:] if argument.isdigit()]
    trials = int(numbers[0]) if numbers else 10
    for line in speed():
        print(line)
    noise = false_on_noise(200)
    print(f"noise alone: {noise} of 200 channels were given a class, limit 0")
    table = confusion(trials)
    body = text_tables(table, trials)
    print(body)
    if "--write" in sys.argv:
        docs = ROOT / "docs"
        docs.mkdir(exist_ok=True)
        intro = (
            "# Identification over SNR\n\n"
            f"Printed by `python benchmarks/bench_identify.py {trials} --write`: {trials} trials a cell, signals from "
            "textbook definitions, detector errors of up to 10 % of the width, every other one through 8 bits. "
            "SNR is mean burst power over noise in the 99 % bandwidth (50 Hz for a bare carrier). "
            "In the picture rows are the signals in the order of the tables, columns the SNRs from "
            f"{SNRS_DB[0]} to {SNRS_DB[-1]} dB; green is right, grey unknown, red wrong.\n\n"
            "![Right, unknown and wrong answers over SNR](identification.png)\n\n"
            f"Of 200 channels of noise alone {noise} were given a class.\n"
        )
        (docs / "identification.md").write_text(intro + body + "\n")
        picture(table, trials, docs / "identification.png")


if __name__ == "__main__":
    main()
