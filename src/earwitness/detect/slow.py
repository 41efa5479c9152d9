"""The longest integration: what stays below every limit within a batch, sought over a second or two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.detect.limits import limits
from earwitness.detect.scan import Scanner
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.spectrum.stft import Plan

UNIT = 32  # rows averaged to one
_DEEPEST = 32  # units
# Of the floor, where anything is on the air: flanks, images and filters are known no better.
_LEAST_EXCESS = 0.1
_LEAST = 2  # boxes of 4 units and more: shorter ones are found in the batch itself


@dataclass(slots=True)
class Found:
    """Bins [low, high) in which something weak has been on for `rows` rows up to now.

    `excess` float32 (units, bins) is its power over noise less 1, unit by unit.
    """

    low: int
    high: int
    rows: int
    excess: np.ndarray


@kernel(
    "void(float32[:,::1], int64, boolean[::1], float32[:,::1], float32[:,::1], uint8[:,::1])", fastmath=True
)
def _move_on(
    ratio: np.ndarray, unit: int, known: np.ndarray, units: np.ndarray, trial: np.ndarray, mask: np.ndarray
) -> None:
    """Take means over `unit` rows as the newest of `units`, 1 where `known`; give a copy of all, and an empty mask."""
    count, bins = ratio.shape[0] // unit, ratio.shape[1]
    kept = len(units) - count
    scale = np.float32(1 / unit)
    for u in range(len(units)):
        line = units[u]
        if u < kept:
            line[:] = units[u + count]
        else:
            line[:] = 0
            for r in range((u - kept) * unit, (u - kept) * unit + unit):
                for b in range(bins):
                    line[b] += ratio[r, b]
            for b in range(bins):
                line[b] = np.float32(1) if known[b] else line[b] * scale
        trial[u] = line
        mask[u] = 0


class SlowScan:
    """Keeps means over 32 rows of what was not claimed and looks for boxes of 4 to 32 of them."""

    def __init__(self, of: Plan, per_hour: float, spread: float, widest: int):
        found = limits(
            of, per_hour, spread, _DEEPEST, widest, batch_rows=_DEEPEST, row_frames=UNIT * of.frames
        )
        self._scanner = Scanner(found, shallowest=_LEAST)
        self._units = np.ones((_DEEPEST, of.size), np.float32)
        self._trial = np.empty_like(self._units)
        self._mask = np.zeros(self._units.shape, np.uint8)

    def feed(self, ratio: np.ndarray, known: np.ndarray) -> list[Found]:
        """Take a batch's cells over noise, claimed ones set to 1, float32 (64, bins): whole units.

        `known` tells the bins that lie in open emissions and their slopes: nothing is sought there.
        """
        count = len(ratio) // UNIT
        mask = self._mask
        _move_on(ratio, UNIT, known, self._units, self._trial, mask)
        if not self._scanner.scan(self._trial, mask, 0):
            return []
        busy = bool(known.any())
        recent = mask[-count:].any(axis=0)
        out = []
        for low, high in runs(np.asarray(recent)):
            first = int(np.argmax(mask[:, low:high].any(axis=1))) // count * count
            excess = self._units[first:, low:high] - 1
            if busy and excess.mean() < _LEAST_EXCESS:
                continue
            out.append(Found(low, high, (_DEEPEST - first) * UNIT, excess))
        return out
