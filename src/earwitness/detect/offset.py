"""The receiver's constant offset: known for certain, it is taken out of the rows, so that it neither joins nor hides.

A constant under the window's three terms fills just five bins. A station's carrier at the very centre looks the same,
but fades, is modulated, or comes on later; one that does none of it cannot be told from the offset.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from earwitness.detect.artefacts import StretchStatistics, Traces
from earwitness.detect.follow import Emission
from earwitness.detect.scan import BATCH
from earwitness.spectrum.stft import Plan, looks

REACH = 2  # bins on either side of the middle one
FROM_START = 2.0  # rows: what is there from the first on, and stays, is no station's
_KNOWN_S, _KNOWN_BATCHES, _WATCHED_S = 0.5, 4, 4.0
_MOVED, _MOSTLY = 0.25, 0.75  # of its amplitude and power, by which a batch may differ; of the batches do not
_CONSTANT, _MOST = 0.9, 0.1  # share of its power at least, amplitude at most
_DOUBT = 0.15  # of its power, that the noise leaves
_BEFORE = 0.3  # of a constant, at least, that was there before or is known already
_BEFORE_ROWS = 64
_OVER = 4.0  # times its power: somebody else's


class Watch:
    """Learns from the first seconds whether what stands at the centre is the receiver's for certain.

    Judged by the medians over rows, and over batches: others' bursts and their slopes are in few of them. What is
    the receiver's is there from the first on, and keeps its phase and its power; `excess` is its power over the
    floor in the middle bins, `constant` its amplitude and phase.
    """

    def __init__(self, of: Plan):
        self._of = of
        self._constants: list[complex] = []
        self._power: list[np.ndarray] = []
        self._noise = 0.0  # of the middle bins
        self._looks = looks(of, 1, 2 * REACH + 1)
        self.excess = np.zeros(2 * REACH + 1, np.float32)
        self.constant = 0j

    def feed(self, power: np.ndarray, level: np.ndarray, dc: np.ndarray) -> bool:
        """Take a batch's rows, its floor (bins,) and the means of its samples; tell whether the offset is known."""
        if len(self._power) * BATCH * self._of.row_s > _WATCHED_S:
            return False
        band = middle_bins(self._of.size)
        over = power[: len(dc), band] - level[band]
        total = over.sum(axis=1)
        self._noise = float(level[band].sum())
        calm = total <= 2 * max(float(np.median(total)), 0.0) + 3 * self._noise / sqrt(self._looks)
        self._power.append(over[calm].mean(axis=0) if calm.any() else np.zeros(len(self.excess)))
        self._constants.append(complex(np.median(dc.real), np.median(dc.imag)))
        if len(self._power) < _KNOWN_BATCHES or len(self._power) * BATCH * self._of.row_s < _KNOWN_S:
            return False
        return self._is_known()

    def _is_known(self) -> bool:
        constants, powers = np.array(self._constants), np.array(self._power)
        constant = complex(np.median(constants.real), np.median(constants.imag))
        totals = powers.sum(axis=1)
        usual = float(np.median(totals))
        if usual <= 0 or abs(constant) > _MOST:
            return False
        ratio = self._noise / usual
        scatter = sqrt((2 * ratio + ratio**2) / (self._looks * BATCH))  # of a batch's power, by the noise
        doubt = scatter / sqrt(len(powers))
        still = np.abs(constants - constant) < _MOVED * abs(constant)
        still &= np.abs(totals / usual - 1) < _MOVED + 2 * scatter
        share = abs(constant) ** 2 / (usual * self._of.bin_hz / self._of.enbw_hz)
        self.excess[:], self.constant = np.median(powers, axis=0), constant
        return bool(still.mean() >= _MOSTLY and share > _CONSTANT - doubt and doubt < _DOUBT)


def middle_bins(size: int) -> slice:
    """Give the bins that a constant fills."""
    return slice(size // 2 - REACH, size // 2 + REACH + 1)


def is_station(t: Traces, seen: StretchStatistics, known: Traces | None) -> bool:
    """Tell whether the constant seen with an emission speaks of no offset: there was none before, or it is `known`.

    `seen` is the stretch so far, `known` what was seen with the offset.
    """
    own = abs(t.dc) / t.rows
    others = seen.rows - t.rows
    if others >= _BEFORE_ROWS and abs(seen.dc - t.dc) / others < _BEFORE * own:
        return True
    return known is not None and abs(t.dc / t.rows - known.dc / known.rows) < _BEFORE * own


def take_out(line: Emission, power: np.ndarray) -> None:
    """Take the offset, or another line that never changes, out of rows, float32 (rows, bins); what stands far above it stays.

    Elsewhere there is what the quieter side has.
    """
    low, high = int(line.least), int(line.most)
    own = line.excess[low:high] / line.rows
    here = power[:, low:high]
    sides = np.minimum(power[:, low - 2 : low].mean(axis=1), power[:, high : high + 2].mean(axis=1))
    here[:] = np.where(here > _OVER * own + sides[:, None], here - own, sides[:, None])
