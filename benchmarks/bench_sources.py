"""Reading samples: conversion and whole reads against copying the same samples in memory.

The limit of a stage is np.copyto of its complex64 output on the same machine in the same run; for whole
reads it is a bare positioned read of the file plus that copy.
"""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from earwitness.sources import open_source
from earwitness.sources.sample_type import sample_type

BLOCK = 65536
RNG = np.random.default_rng(0)


def best_s(work: Callable[[], object], rounds: int = 60) -> float:
    """Give the shortest time of `work` in seconds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def octets(name: str, count: int) -> np.ndarray:
    """Give random samples of a type as uint8."""
    noise = RNG.uniform(-0.9, 0.9, 2 * count).astype(np.float32).view(np.complex64)
    return sample_type(name).quantise(noise)


def main() -> None:
    """Print ours, the limit and the ratio of every stage."""
    here, there = np.ones(BLOCK, np.complex64), np.empty(BLOCK, np.complex64)
    copy = BLOCK / best_s(lambda: np.copyto(there, here)) / 1e6
    print(f"{'stage (blocks of 65536)':40} {'ours':>8} {'limit':>8} MS/s  ours/limit")
    for name in ("cu8", "cs8", "cs16", "cs16_be", "cs32", "cf32", "cf64"):
        kind, data = sample_type(name), octets(name, BLOCK)
        ours = BLOCK / best_s(lambda k=kind, d=data: k.convert(k.native(d))) / 1e6
        print(f"{name + ' -> complex64':40} {ours:8.0f} {copy:8.0f}       {ours / copy:.2f}")
    with tempfile.TemporaryDirectory() as folder:
        for name in ("cu8", "cs16", "cf32"):
            path = Path(folder) / f"band.{name}"
            total = 8_000_000
            octets(name, total).tofile(path)
            stretch = open_source(path, rate_hz=2.4e6, centre_hz=1e8).stretches[0]

            def whole(s: object = stretch) -> None:
                for _ in s.blocks(BLOCK):
                    pass

            def bare(p: Path = path, each: int = sample_type(name).frame_bytes) -> None:
                buffer = np.empty(BLOCK * each, np.uint8)
                with open(p, "rb", buffering=0) as file:
                    while file.readinto(buffer.data):
                        np.copyto(there, here)

            ours, limit = total / best_s(whole, 5) / 1e6, total / best_s(bare, 5) / 1e6
            print(f"{name + ' file, all blocks':40} {ours:8.0f} {limit:8.0f}       {ours / limit:.2f}")
        path = Path(folder) / "long.cu8"
        with open(path, "wb") as file:
            file.truncate(20 << 30)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.perf_counter()
        stretch = open_source(path, rate_hz=2.4e6, centre_hz=1e8).stretches[0]
        opened = time.perf_counter() - start
        for n, _ in enumerate(stretch.blocks(BLOCK)):
            if n == 20_000:
                break
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        print(
            f"20 GB file: opened in {opened * 1e3:.0f} ms; 2.6 GB of it read, memory grew by {grown:.0f} MB"
        )


if __name__ == "__main__":
    main()
