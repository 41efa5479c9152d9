"""The rows being judged: a batch and the history before it, in rings that hold their power, ratio and claims."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from earwitness.detect.artefacts import ReceiverRows
from earwitness.detect.rows import band
from earwitness.detect.scan import BATCH, HISTORY
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.stft import Plan

_ROOM = 2  # batches in the rings besides the history


class Rows(NamedTuple):
    """Rows not yet judged."""

    power: np.ndarray
    quick: np.ndarray
    receiver: ReceiverRows

    def part(self, first: int, last: int) -> Rows:
        """Give rows [first, last)."""
        per = self.quick.shape[1] // max(1, len(self.power))
        return Rows(
            self.power[first:last], self.quick[:, first * per : last * per], self.receiver.part(first, last)
        )


class Window:
    """History and batch, both (rows, bins), and the floor under them.

    `base` is the row that stands first behind the history; `hidden` tells the batch's cells that pulses cover.
    """

    def __init__(self, of: Plan, floor: NoiseFloor):
        self.plan = of
        self._bins = of.size
        self._floor = floor
        # A window of history and one batch moves along these, and back to the start when it reaches the end.
        rows = HISTORY + _ROOM * BATCH
        self._rings = (
            np.ones((rows, of.size), np.float32),
            np.ones((rows, of.size), np.float32),
            np.zeros((rows, of.size), np.uint8),
        )
        self.hidden = np.zeros((BATCH, of.size), bool)
        self.clear()

    def clear(self) -> None:
        """Begin anew at row 0."""
        self.base = self.row = 0  # `row`: rows taken so far
        self._at = 0
        self.power, self.ratio, self.mask = (ring[: HISTORY + BATCH] for ring in self._rings)
        power, ratio, mask = self._rings
        power[:], ratio[:], mask[:] = 1, 1, 0
        self._pieces: list[Rows] = []
        self._told: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None

    def take(self, pieces: list[Rows]) -> None:
        """Move on by one batch, made of these rows; what they leave of it holds the floor."""
        count = sum(len(rows.power) for rows in pieces)
        self.base = self.row
        self.row += count
        self._at += BATCH
        if self._at + HISTORY + BATCH > len(self._rings[0]):
            for ring in self._rings:
                ring[:HISTORY] = ring[self._at : self._at + HISTORY]
            self._at = 0
        window = slice(self._at, self._at + HISTORY + BATCH)
        self.power, self.ratio, self.mask = (ring[window] for ring in self._rings)
        power = self.power[HISTORY:]
        np.concatenate([rows.power for rows in pieces], out=power[:count])
        power[count:] = self.level
        self.mask[HISTORY:] = 0
        self._pieces = pieces
        self._told = None

    @property
    def level(self) -> np.ndarray:
        """Give the noise floor, float32 (bins,)."""
        return self._floor.level

    def bins(self, low: float, high: float) -> tuple[int, int]:
        """Give the bins [first, last) of a band, at least one."""
        a, b, size = round(low), round(high), self._bins
        if a < 0 or a >= size:
            a = min(max(a, 0), size - 1)
        return a, a + 1 if b <= a else b if b <= size else size

    def series(self, low: float, high: float) -> tuple[np.ndarray, float, np.ndarray]:
        """Give a band's power over the floor, per row of history and batch, the floor's, and the claimed rows."""
        a, b = self.bins(low, high)
        series = np.empty(len(self.power))
        claimed = np.empty(len(self.power), bool)
        noise = band(self.power, self.mask, self.level, a, b, series, claimed)
        return series, noise, claimed

    def receiver(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give the offset, the clipped samples and all the power of this batch's rows, joined when first asked for."""
        if self._told is None:
            rows = [piece.receiver for piece in self._pieces]
            self._told = (
                np.concatenate([r.dc for r in rows]),
                np.concatenate([r.clipped for r in rows]),
                np.concatenate([r.total for r in rows]),
            )
        return self._told

    def mirror(self, low: int, high: int) -> tuple[np.ndarray, int]:
        """Give the mirror product of bins [low, high) in this batch's rows, and how far from the centre it begins."""
        middle = self.plan.size // 2
        nearest = max(0, low - middle, middle - high + 1)
        farthest = max(high - 1 - middle, middle - low)
        return np.concatenate([p.receiver.mirror[:, nearest : farthest + 1] for p in self._pieces]), nearest
