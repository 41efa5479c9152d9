"""Pulses grouped to detections: those of one place, closer together than 10 ms, are one train."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from earwitness.core.types import Detection
from earwitness.detect.pulses import Pulse, PulseFinder
from earwitness.detect.rows import spread
from earwitness.spectrum.stft import Plan, quick_plan

_TRAIN_S = 0.010


class _Train:
    """Pulses of one place; times in quick rows of the stretch."""

    def __init__(self, number: int, bands: int):
        self.number = number
        self.first = 0
        self.last = -1
        self.rows = 0
        self.energy = np.zeros(bands)  # over the steady level, summed over rows
        self.noise = np.zeros(bands)

    def add(self, pulse: Pulse, steady: np.ndarray) -> None:
        """Take one more pulse."""
        if self.last < 0:
            self.first = pulse.first
        self.last = max(self.last, pulse.last)
        count = pulse.last - pulse.first
        self.rows += count
        self.energy[pulse.low : pulse.high] += pulse.excess * count
        self.noise += steady * count

    def meets(self, pulse: Pulse) -> bool:
        """Tell whether a pulse lies where these are."""
        return bool(self.energy[pulse.low : pulse.high].sum() > 0.01 * self.energy.sum())


class Trains:
    """Finds pulses in quick rows and gives their trains as detections.

    `number` gives the next detection's number; `start` is the sample index of the first quick row.
    """

    def __init__(self, of: Plan, center_hz: float, per_hour: float, number: Callable[[], int], start: int):
        self._plan = of
        self._center_hz = center_hz
        self._finder = PulseFinder(of, per_hour)
        self._number = number
        self._start = start
        self._open: list[_Train] = []
        self._patience = _TRAIN_S * of.rate_hz / of.quick_hop

    def feed(self, quick: list[np.ndarray]) -> tuple[list[Detection], np.ndarray | None]:
        """Take quick rows; give trains that grew or closed, and the power of pulses in each fine row's cells.

        The latter, float32 (fine rows, bins) over noise, is None where there are no pulses.
        """
        pulses, claims = self._finder.feed(quick)
        found = self._follow(pulses)
        if claims is None:
            return found, None
        of = self._plan
        joined = np.concatenate(quick, axis=1)
        steady = self._finder.steady
        return found, spread(joined, claims, steady, of.row // of.quick_hop, of.size // of.quick_bands)

    def close(self) -> list[Detection]:
        """End the stream and all trains."""
        out = {d.number: d for d in self._follow(self._finder.close())}
        out.update((train.number, self._detection(train, still_open=False)) for train in self._open)
        self._open = []
        return list(out.values())

    def _follow(self, pulses: list[Pulse]) -> list[Detection]:
        out: dict[int, Detection] = {}
        for pulse in sorted(pulses, key=lambda p: p.first):
            for train in self._open:
                if train.meets(pulse) and pulse.first - train.last <= self._patience:
                    break
            else:
                train = _Train(self._number(), self._plan.quick_bands)
                self._open.append(train)
            train.add(pulse, self._finder.steady)
        for train in list(self._open):
            if self._finder.settled - train.last > self._patience:
                self._open.remove(train)
                out[train.number] = self._detection(train, still_open=False)
            else:
                out[train.number] = self._detection(train, still_open=True)
        return list(out.values())

    def _detection(self, train: _Train, *, still_open: bool) -> Detection:
        p = self._plan
        energy = np.maximum(train.energy, 0)
        share = np.concatenate([[0.0], np.cumsum(energy)]) / max(float(energy.sum()), 1e-30)
        edges = np.arange(len(share))
        low = float(np.interp(0.005, share, edges))
        high = float(np.interp(0.995, share, edges))
        middle = float((energy * (edges[:-1] + 0.5)).sum() / max(float(energy.sum()), 1e-30))
        band_hz = p.rate_hz / p.quick_bands
        coarse = quick_plan(p)
        enbw = coarse.enbw_hz / coarse.bin_hz
        level = max(float(energy.sum()) / train.rows / enbw, 1e-30)
        density = max(float(train.noise.mean()) / train.rows / enbw / band_hz, 1e-30)
        bottom = self._center_hz - p.rate_hz / 2 - coarse.bin_hz / 2
        return Detection(
            number=train.number,
            start=self._start + train.first * p.quick_hop,
            stop=self._start + train.last * p.quick_hop,
            low_hz=bottom + low * band_hz,
            high_hz=bottom + high * band_hz,
            center_hz=bottom + middle * band_hz,
            level_dbfs=10 * float(np.log10(level)),
            noise_dbfs_hz=10 * float(np.log10(density)),
            snr_db=10 * float(np.log10(level / (density * max(high - low, 0.1) * band_hz))),
            open=still_open,
        )
