"""The longest integration: what stays below every limit within a batch, sought over a second or two."""

from __future__ import annotations

import numpy as np

from earwitness.detect.limits import limits
from earwitness.detect.scan import BATCH, Scanner
from earwitness.spectrum.stft import Plan

_DEEPEST = 16  # batches


class SlowScan:
    """Keeps the mean of each batch's unclaimed cells and looks for boxes 2 to 16 batches long."""

    def __init__(self, of: Plan, per_hour: float, spread: float, widest: int):
        found = limits(of, per_hour, spread, _DEEPEST, widest, 1, BATCH * of.frames)
        self._scanner = Scanner(found, shallowest=1)
        self._means = np.ones((_DEEPEST, of.size), np.float32)

    def feed(self, ratio: np.ndarray, known: np.ndarray) -> np.ndarray | None:
        """Take a batch's cells over noise, claimed ones set to 1, float32 (64, bins).

        `known` tells the bins that lie in open emissions. Gives for each bin how many batches back what was
        found in it reaches, int (bins,), or None.
        """
        self._means[:-1] = self._means[1:]
        self._means[-1] = _column_means(ratio)
        self._means[-1, known] = 1
        mask = np.zeros(self._means.shape, np.uint8)
        if not self._scanner.scan(self._means, mask, _DEEPEST - 1):
            return None
        back = np.where(mask.any(axis=0), _DEEPEST - np.argmax(mask == 1, axis=0), 0)
        return np.where(mask[-2:].any(axis=0), back, 0)


def _column_means(ratio: np.ndarray) -> np.ndarray:
    return np.add.reduce(ratio, axis=0, dtype=np.float32) / np.float32(len(ratio))
