"""The spectrogram of a whole stretch in bounded memory: rows are merged as it grows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.dsp.jit import kernel

if TYPE_CHECKING:
    from earwitness.spectrum.stft import SpectrumBlock

MAX_ROWS = 1024
MAX_BINS = 1024


@kernel("void(float32[:, ::1], int64, float32[:, ::1])", fastmath=True)
def _fold(power: np.ndarray, fold: int, out: np.ndarray) -> None:
    """Write the highest of every `fold` bins of each row."""
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            top = power[row, column * fold]
            for k in range(column * fold + 1, (column + 1) * fold):
                top = max(top, power[row, k])
            out[row, column] = top


class Overview:
    """Collects spectrum rows into at most 1024 rows of at most 1024 bins, the highest level kept.

    A burst shorter than a row of the picture stays visible because rows and bins are merged by maximum.
    """

    def __init__(self) -> None:
        self._rows: list[np.ndarray] = []
        self._merge = 1  # spectrum rows a picture row stands for
        self._partial: np.ndarray | None = None
        self._partial_count = 0
        self.low_hz = 0.0
        self.high_hz = 0.0
        self.row_s = 0.0
        self._block_row_s = 0.0

    def feed(self, block: SpectrumBlock) -> None:
        """Take the next spectrum rows."""
        power = block.power
        fold = -(-power.shape[1] // MAX_BINS)
        folded = np.empty((len(power), power.shape[1] // fold), np.float32)
        _fold(power, fold, folded)
        half = block.rate_hz / 2
        self.low_hz, self.high_hz = block.center_hz - half, block.center_hz + half
        self._block_row_s = block.hop / block.rate_hz
        for row in folded:
            self._partial = row if self._partial is None else np.maximum(self._partial, row)
            self._partial_count += 1
            if self._partial_count == self._merge:
                self._rows.append(self._partial)
                self._partial, self._partial_count = None, 0
                if len(self._rows) == MAX_ROWS:
                    self._halve()

    def _halve(self) -> None:
        self._rows = [np.maximum(a, b) for a, b in zip(self._rows[::2], self._rows[1::2], strict=True)]
        self._merge *= 2

    def picture(self) -> tuple[np.ndarray, float]:
        """Give levels in dBFS float32 (rows, bins), frequencies ascending, and seconds per row."""
        rows = [*self._rows, self._partial] if self._partial is not None else self._rows
        if not rows:
            return np.zeros((0, 0), np.float32), 0.0
        levels = 10 * np.log10(np.maximum(np.stack(rows), 1e-20))
        return levels.astype(np.float32), self._merge * self._block_row_s
