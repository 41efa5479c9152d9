"""The interleaved variant of LRPT: 72 coded symbols, spread over 36 branches, behind every eight-bit unique word.

After the convolutional code, symbol k of a row of 36 is delayed by 2048 k rows; two rows follow each unique word
00100111, so that 72 000 become 80 000 symbols a second on two rails (LRPT/AHRPT global specification CGMS 04, from
memory: no recording or document was at hand to check it). The unique word also tells how the rails are turned.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from earwitness.coding.ccsds import BlockCode
from earwitness.coding.ccsds_lanes import PAIRINGS, Coded, Found

WORD = np.array([0, 0, 1, 0, 0, 1, 1, 1], np.float32) * 2 - 1
BRANCHES = 36
DELAY = 2048  # rows
PERIOD = 80
HELD = (BRANCHES - 1) * DELAY
ROWS = (PERIOD - len(WORD)) // BRANCHES
LEAST_LIKENESS = 0.3  # of the unique words with what was received; noise 0.1, 0.6 at an Es/N0 of 1 dB
LEAST_PERIODS = 48
SCALE = 32.0


def interleave(symbols: np.ndarray) -> np.ndarray:
    """Give uint8 symbols (n,) spread over the branches, unique words between, chance symbols where there are none."""
    rng = np.random.default_rng(len(symbols))
    rows = rng.integers(0, 2, (-(-len(symbols) // BRANCHES) + HELD, BRANCHES)).astype(np.uint8)
    out = rows[::-1].copy()
    rows.reshape(-1)[: len(symbols)] = symbols
    for branch in range(BRANCHES):
        lag = branch * DELAY
        out[lag:, branch] = rows[: len(rows) - lag, branch]
    out = out[: len(out) // ROWS * ROWS].reshape(-1, ROWS * BRANCHES)
    words = np.broadcast_to((WORD > 0).astype(np.uint8), (len(out), len(WORD)))
    return np.concatenate([words, out], axis=1).reshape(-1)


class InterleavedLanes:
    """Takes soft rails, finds the unique words, undoes the interleaving, decodes."""

    def __init__(self, *, offset: bool, codes: tuple[BlockCode, ...]):
        self._offset = offset
        self._coded = Coded(codes)
        self._rails = np.zeros((0, 2), np.float32)
        self._places = np.zeros(0)
        self._phase: int | None = None  # of the next period in the flat stream held
        self._rows = np.zeros((HELD, BRANCHES), np.int8)
        self._row_places = np.zeros(HELD)
        self._blank = HELD  # rows of the history that hold nothing yet

    def feed(self, rails: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        """Take soft rails float32 (n, 2) and the places of the symbols."""
        self._rails = np.concatenate([self._rails, rails])
        self._places = np.concatenate([self._places, places])
        if len(self._rails) < LEAST_PERIODS * PERIOD // 2 + PERIOD:
            return
        best = (0.0, 0, self._rails[:0, 0])
        for first, second in PAIRINGS:
            late = int(self._offset and first[0] == 1)
            flat = np.empty((len(self._rails) - 1, 2), np.float32)
            flat[:, 0] = self._rails[: len(flat), first[0]] * first[1]
            flat[:, 1] = self._rails[late : len(flat) + late, second[0]] * second[1]
            likeness, phase = _likeness(flat.reshape(-1))
            if abs(likeness) > abs(best[0]):
                best = (likeness, phase, flat.reshape(-1))
        likeness, phase, flat_best = best
        if abs(likeness) < LEAST_LIKENESS:
            if self._phase is None:
                self._keep(len(self._rails) - PERIOD)
                return
            phase, flat_best = self._phase % PERIOD, np.zeros(2 * (len(self._rails) - 1), np.float32)
        if (
            self._phase is not None
        ):  # the place that is nearest to where it must be, should a slip have moved it
            phase = self._phase + (phase - self._phase + PERIOD // 2) % PERIOD - PERIOD // 2
            if phase < 0:
                phase += PERIOD
        count = (len(flat_best) - phase) // PERIOD
        if count <= 0:
            return
        part = flat_best[phase : phase + count * PERIOD].reshape(count, PERIOD)[:, len(WORD) :]
        spots = self._places[(phase + PERIOD * np.arange(count)) // 2]
        self._phase = phase + count * PERIOD
        turned = np.clip(part * np.float32(SCALE if likeness >= 0 else -SCALE), -127, 127).astype(np.int8)
        self._keep(self._phase // 2)
        yield from self._take(turned.reshape(-1, BRANCHES), np.repeat(spots, ROWS))

    def close(self) -> Iterator[Found]:
        """Give what is still delayed."""
        last = float(self._row_places[-1])
        for _ in range(BRANCHES - 1):
            yield from self._take(np.zeros((DELAY, BRANCHES), np.int8), np.full(DELAY, last))
        yield from self._coded.close()

    def _keep(self, drop: int) -> None:
        drop = max(drop - 1, 0)
        self._rails, self._places = self._rails[drop:], self._places[drop:]
        if self._phase is not None:
            self._phase -= 2 * drop

    def _take(self, rows: np.ndarray, spots: np.ndarray) -> Iterator[Found]:
        joined = np.concatenate([self._rows, rows])
        where = np.concatenate([self._row_places, spots])
        out = np.empty((len(rows), BRANCHES), np.float32)
        for branch in range(BRANCHES):
            lag = (BRANCHES - 1 - branch) * DELAY
            out[:, branch] = joined[HELD - lag : HELD - lag + len(rows), branch]
        # the place of a row on the air is where its first branch went out
        places = where[: len(rows)]
        self._rows, self._row_places = joined[len(rows) :], where[len(rows) :]
        skip = min(self._blank, len(rows))
        self._blank -= skip
        if len(rows) > skip:
            flat = out[skip:].reshape(-1)
            yield from self._coded.feed(flat, np.repeat(places[skip:], BRANCHES // 2))


def _likeness(flat: np.ndarray) -> tuple[float, int]:
    """Give how alike the unique word and what stands at its best place in a period are, -1 to 1, and that place."""
    count = len(flat) // PERIOD - 1
    rows = flat[: (count + 1) * PERIOD]
    total = np.zeros(PERIOD, np.float32)
    for k, sign in enumerate(WORD):
        total += sign * rows[k : k + count * PERIOD].reshape(count, PERIOD).sum(axis=0)
    score = total / (len(WORD) * count * float(np.mean(np.abs(rows))) + 1e-30)
    place = int(np.argmax(np.abs(score)))
    return float(score[place]), place
