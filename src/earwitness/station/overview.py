"""The spectrogram of a whole stretch in bounded memory: rows are merged as it grows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.dsp.jit import kernel

if TYPE_CHECKING:
    from earwitness.spectrum.stft import SpectrumBlock

MAX_ROWS = 1024
MAX_BINS = 1024


@kernel(
    "UniTuple(int64, 2)(float32[:, ::1], int64, int64, int64, float32[::1], float32[:, ::1])", fastmath=True
)
def _merge(
    power: np.ndarray, fold: int, merge: int, count: int, partial: np.ndarray, out: np.ndarray
) -> tuple[int, int]:
    """Write the highest of every `fold` bins of every `merge` rows; gives the rows written and those begun.

    `partial` holds the highest, bin by bin, of the `count` rows of an unfinished one.
    """
    done = 0
    for row in range(power.shape[0]):
        line = power[row]
        if count == 0:
            for k in range(len(partial)):
                partial[k] = line[k]
        else:
            for k in range(len(partial)):
                partial[k] = max(partial[k], line[k])
        count += 1
        if count == merge:
            for column in range(out.shape[1]):
                top = partial[column * fold]
                for k in range(column * fold + 1, (column + 1) * fold):
                    top = max(top, partial[k])
                out[done, column] = top
            done += 1
            count = 0
    return done, count


class Overview:
    """Collects spectrum rows into at most 1024 rows of at most 1024 bins, the highest level kept.

    A burst shorter than a row of the picture stays visible because rows and bins are merged by maximum.
    """

    def __init__(self) -> None:
        self._rows: list[np.ndarray] = []
        self._merge = 1  # spectrum rows a picture row stands for
        self._fold = 1  # spectrum bins that a picture column stands for
        self._partial = np.empty(0, np.float32)  # bin by bin, of the rows of the next one so far
        self._partial_count = 0
        self.low_hz = 0.0
        self.high_hz = 0.0
        self.row_s = 0.0
        self._block_row_s = 0.0

    def feed(self, block: SpectrumBlock) -> None:
        """Take the next spectrum rows."""
        power = block.power
        self._fold = fold = -(-power.shape[1] // MAX_BINS)
        half = block.rate_hz / 2
        self.low_hz, self.high_hz = block.center_hz - half, block.center_hz + half
        self._block_row_s = block.hop / block.rate_hz
        columns = power.shape[1] // fold
        if len(self._partial) != columns * fold:
            self._partial = np.empty(columns * fold, np.float32)
        for first in range(0, len(power), MAX_ROWS // 2):  # `_merge` may change between these
            rows = power[first : first + MAX_ROWS // 2]
            out = np.empty((len(rows) // self._merge + 1, columns), np.float32)
            done, self._partial_count = _merge(
                rows, fold, self._merge, self._partial_count, self._partial, out
            )
            self._rows += list(out[:done])
            while len(self._rows) >= MAX_ROWS:
                self._halve()

    def _halve(self) -> None:
        if len(self._rows) % 2:  # the odd one begins the next
            last = np.repeat(self._rows.pop(), self._fold)
            self._partial = np.maximum(self._partial, last) if self._partial_count else last.copy()
            self._partial_count += self._merge
        self._rows = [np.maximum(a, b) for a, b in zip(self._rows[::2], self._rows[1::2], strict=True)]
        self._merge *= 2

    def picture(self) -> tuple[np.ndarray, float]:
        """Give levels in dBFS float32 (rows, bins), frequencies ascending, and seconds per row."""
        rows = list(self._rows)
        if self._partial_count:
            rows.append(self._partial.reshape(-1, self._fold).max(axis=1))
        if not rows:
            return np.zeros((0, 0), np.float32), 0.0
        levels = 10 * np.log10(np.maximum(np.stack(rows), 1e-20))
        return levels.astype(np.float32), self._merge * self._block_row_s
