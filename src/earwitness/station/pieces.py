"""Short bursts keyed between far tones, of which the detector finds the tones one by one."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Collection, Iterable
from dataclasses import replace

import numpy as np

from earwitness.core.types import Detection, Samples
from earwitness.emission.burst import cut
from earwitness.emission.features import Features
from earwitness.station.excerpts import Stream
from earwitness.station.trains import is_beside, is_together

LONGEST_S, WIDEST_HZ, UNLIKE_DB = 0.05, 400e3, 6.0
SWING = 0.4  # share of the band that its frequency goes over
CONSTANT = 0.12  # relative variance of the power; that of two emissions 6 dB apart is 0.3


class Pieces:
    """Joins them in one stretch."""

    def __init__(self, stream: Stream):
        self._stream = stream
        self._joined: deque[Detection] = deque(maxlen=64)

    def joined(self, detections: Iterable[Detection], followed: Collection[int]) -> list[Detection]:
        """Give detections with those joined to one that are pieces of one short burst; not those that are `followed`.

        A burst of a few rows does not show the detector that its tones take turns. They begin and end together, and
        what is between them all has a constant envelope, which no two emissions have that are on at once.
        """
        rate = self._stream.rate_hz
        out: list[Detection] = []
        short: list[Detection] = []
        for found in detections:
            alone = found.open or found.number in followed or found.part_of is not None or found.artefact
            (out if alone or found.stop - found.start > LONGEST_S * rate else short).append(found)
        short.sort(key=lambda item: item.start)
        reach = 2 * LONGEST_S * rate
        taken: set[int] = set()
        for first in sorted(short, key=lambda item: item.level_dbfs, reverse=True):
            if first.number in taken or any(is_beside(first, whole, rate) for whole in self._joined):
                continue  # came later: the narrower a piece, the longer the detector waits for more of it
            begin, end = (
                bisect_left(short, first.start + by, key=lambda item: item.start) for by in (-reach, reach)
            )
            near = [
                item
                for item in short[begin:end]
                if item.number not in taken and is_together(first, item, rate)
            ]
            whole, numbers = _spanned(first, near)
            if len(numbers) > 1 and self._is_constant(whole):
                taken |= numbers
                self._joined.append(whole)
                out.append(whole)
            else:
                out.append(first)
        return out

    def _is_constant(self, found: Detection) -> bool:
        """Tell whether all that is in the band of a short burst has a constant envelope and goes over most of the band."""
        stream = self._stream
        margin = round(LONGEST_S / 4 * stream.rate_hz)
        start = max(found.start - margin, 0)
        data = stream.read(start, found.stop - start + margin)
        samples = Samples(data, stream.rate_hz, stream.center_hz, start, stream.epoch_ns, found.noise_dbfs_hz)
        burst = cut(samples, found, stream.rate_hz)
        if burst is None:
            return False
        features = Features(burst)
        low, high = np.quantile(features.smooth_track, (0.1, 0.9))
        swings = high - low > SWING * (found.high_hz - found.low_hz)
        return bool(swings and features.envelope_variation < CONSTANT)


def _spanned(first: Detection, near: list[Detection]) -> tuple[Detection, set[int]]:
    """Give the band that the strongest piece and those near it span, and their numbers.

    Tones are of like level; then what their slopes were taken for, within half a width.
    """
    whole, numbers = first, {first.number}

    def take(pieces: list[Detection], reach_hz: float) -> None:
        nonlocal whole
        least_hz, most_hz = whole.low_hz - reach_hz, whole.high_hz + reach_hz
        for piece in pieces:
            low, high = min(whole.low_hz, piece.low_hz), max(whole.high_hz, piece.high_hz)
            if least_hz < piece.low_hz and piece.high_hz < most_hz and high - low < WIDEST_HZ:
                whole = replace(whole, low_hz=low, high_hz=high, center_hz=(low + high) / 2)
                numbers.add(piece.number)

    take([item for item in near if item.level_dbfs >= first.level_dbfs - UNLIKE_DB], WIDEST_HZ)
    take(near, (whole.high_hz - whole.low_hz) / 2 if len(numbers) > 1 else 0.0)
    return whole, numbers
