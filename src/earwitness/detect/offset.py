"""The receiver's constant offset: known for certain, it is taken out of the rows, so that it neither joins nor hides.

A constant under the window's three terms fills just five bins. A station's carrier at the very centre looks the same,
but fades, is modulated, or comes on later; one that does none of it cannot be told from the offset.
"""

from __future__ import annotations

import numpy as np

from earwitness.detect.artefacts import StretchStatistics, Traces, constant_share
from earwitness.detect.follow import Emission
from earwitness.spectrum.stft import Plan

REACH = 2  # bins on either side of the middle one
_FROM_START = 2.0  # rows: what is there from the first on, and stays, is no station's
_KNOWN_S = 0.5
_UNSTEADY = 0.1  # relative variance of its power from row to row
_CONSTANT, _MOST = 0.9, 0.1  # share of its power at least, amplitude at most
_BEFORE = 0.3  # of a constant, at least, that was there before or is known already
_BEFORE_ROWS = 64
_OVER = 4.0  # times its power: somebody else's


def is_offset(e: Emission, of: Plan, seen: StretchStatistics) -> bool:
    """Tell whether what stands at the centre is the receiver's for certain."""
    t = e.traces
    if e.start > _FROM_START or e.rows * of.row_s < _KNOWN_S or seen.offset > _MOST:
        return False
    unsteady = t.power_squared / t.rows / (t.power / t.rows) ** 2 - 1
    return unsteady < _UNSTEADY and constant_share(t, of) > _CONSTANT


def is_station(t: Traces, seen: StretchStatistics, known: Traces | None) -> bool:
    """Tell whether the constant seen with an emission speaks of no offset: there was none before, or it is `known`.

    `seen` is the stretch so far, `known` what was seen with the offset.
    """
    own = abs(t.dc) / t.rows
    others = seen.rows - t.rows
    if others >= _BEFORE_ROWS and abs(seen.dc - t.dc) / others < _BEFORE * own:
        return True
    return known is not None and abs(t.dc / t.rows - known.dc / known.rows) < _BEFORE * own


def take_out(offset: Emission, power: np.ndarray) -> None:
    """Take the offset out of rows, float32 (rows, bins); what stands far above it stays.

    Elsewhere there is what the quieter side has.
    """
    middle = power.shape[1] // 2
    low, high = middle - REACH, middle + REACH + 1
    own = offset.excess[low:high] / offset.rows
    here = power[:, low:high]
    sides = np.minimum(power[:, low - 2 : low].mean(axis=1), power[:, high : high + 2].mean(axis=1))
    here[:] = np.where(here > _OVER * own + sides[:, None], here - own, sides[:, None])
