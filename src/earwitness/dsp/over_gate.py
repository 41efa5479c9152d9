"""Squelch of voice channels: frames that open and hold, and the stretches of audio between.

Frames of about 10 ms are counted from the first sample of a channel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.audio import AUDIO_RATE_HZ
from earwitness.dsp.jit import kernel

HANG_S = 0.5
LONGEST_S = 45.0  # an over is cut here, which bounds memory to 1.5 MB a channel


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch the squelch was open: frames [start, stop), their features, and the audio under them."""

    start: int
    stop: int
    features: np.ndarray  # float32 (frames, columns); column 0 is the level as linear power
    held: np.ndarray  # bool (frames,): the frame held the squelch
    audio: np.ndarray  # float32 (n,) at AUDIO_RATE_HZ
    cut: bool  # the squelch did not close: the transmission goes on in the next segment

    def pieces(self, gap_s: float, least_s: float, frame_s: float) -> list[Segment]:
        """Give the parts between gaps of at least `gap_s` in which no frame held; parts all over `least_s`.

        Gives the segment itself when there is no such gap: what to make of them, fades or several
        senders close upon each other, is for the mode to say.
        """
        at = np.flatnonzero(self.held)
        if not len(at):
            return [self]
        breaks = np.flatnonzero(np.diff(at) > gap_s / frame_s)
        starts = [0, *at[breaks + 1].tolist()]
        stops = [*(at[breaks] + 1).tolist(), len(self.held)]
        if min(stop - start for start, stop in zip(starts, stops, strict=True)) < least_s / frame_s:
            return [self]
        return [
            self.between(self.start + start, self.start + stop)
            for start, stop in zip(starts, stops, strict=True)
        ]

    def between(self, start: int, stop: int) -> Segment:
        """Give the part of frames [start, stop), numbered as this segment's own."""
        scale = len(self.audio) / max(len(self.held), 1)
        first, last = start - self.start, stop - self.start
        return Segment(
            start,
            stop,
            self.features[first:last],
            self.held[first:last],
            self.audio[round(first * scale) : round(last * scale)],
            self.cut and stop == self.stop,
        )

    def held_samples(self) -> np.ndarray:
        """Give which audio samples lie in frames that held, bool (n,), three frames of grace each side."""
        grown = np.convolve(self.held, np.ones(7), "same") > 0
        return np.asarray(_spread(grown, len(self.audio))) if len(grown) else np.zeros(0, bool)


@kernel("boolean[::1](boolean[::1], int64)")
def _spread(frames: np.ndarray, count: int) -> np.ndarray:
    """Give what is told of frames for each of `count` samples that lie evenly in them."""
    out = np.empty(count, np.bool_)
    step = len(frames) / max(count, 1)
    for i in range(count):
        out[i] = frames[int(i * step)]
    return out


class OverGate:
    """Squelch with hysteresis and hang over frames; keeps the audio of what is open, and of a little before.

    A frame that `opens` three times running opens it; it stays while a frame `holds` at least every
    HANG_S; start and stop are then refined to the frame where the level crosses half way (in dB) between
    before and after.
    """

    def __init__(self, frame_s: float, *, hang_s: float = HANG_S, longest_s: float = LONGEST_S):
        self.frame_s = frame_s
        self._hang = round(hang_s / frame_s)
        self._longest = round(longest_s / frame_s)
        self._before = 20
        self._frame = 0  # number of the next frame
        self._base = 0  # number of the first frame kept
        self._features: list[np.ndarray] = []
        self._holds: list[np.ndarray] = []
        self._audio: list[np.ndarray] = []
        self._audio_base = 0
        self._run = 0
        self._open_at: int | None = None
        self._floor = 0  # no segment starts before this frame
        self._good = 0  # last frame that held

    def feed(
        self, opens: np.ndarray, holds: np.ndarray, features: np.ndarray, audio: np.ndarray
    ) -> list[Segment]:
        """Take frames: bool (n,), bool (n,), float32 (n, columns), and the next audio; give what closed."""
        done: list[Segment] = []
        self._features.append(features)
        self._holds.append(holds)
        self._audio.append(audio)
        last = self._frame + len(holds)
        if self._open_at is not None and last - self._open_at < self._longest and holds.all():
            self._frame, self._good = last, last - 1  # nothing changes
            self._forget()
            return done
        for opening, holding in zip(opens.tolist(), holds.tolist(), strict=True):
            at = self._frame
            self._frame += 1
            if self._open_at is None:
                self._run = self._run + 1 if opening else 0
                if self._run >= 3:
                    self._open_at, self._good = at - 2, at
            elif holding:
                self._good = at
                if at + 1 - self._open_at >= self._longest:
                    done.append(self._segment(self._start(), at + 1, cut=True))
                    self._open_at = self._floor = at + 1
            elif at - self._good >= self._hang:
                done += self._close()
        self._forget()
        return done

    def close(self) -> list[Segment]:
        """Give what is still open."""
        return self._close() if self._open_at is not None and self._good >= self._open_at else []

    def _close(self) -> list[Segment]:
        start, stop = self._start(), self._stop()
        self._open_at, self._run = None, 0
        self._floor = max(stop, start)
        return [self._segment(start, stop, cut=False)] if stop > start else []

    def _levels(self, first: int, last: int) -> np.ndarray:
        kept = np.concatenate(self._features)[:, 0]
        return kept[max(first - self._base, 0) : max(last - self._base, 0)]

    def _start(self) -> int:
        at = self._open_at or 0
        if at <= self._floor:
            return self._floor
        edge = _edge(
            self._levels(at - 16, at - 5), self._levels(at - 5, at + 2), self._levels(at + 2, at + 8)
        )
        return max(self._floor, at - 2 if edge is None else at + 2 - edge, 0)

    def _stop(self) -> int:
        at = self._good
        edge = _edge(
            self._levels(at + 6, at + 17), self._levels(at - 1, at + 6)[::-1], self._levels(at - 7, at - 1)
        )
        return min(at + 3 if edge is None else at - 1 + edge, self._frame)

    def _segment(self, start: int, stop: int, *, cut: bool) -> Segment:
        features = np.concatenate(self._features)[start - self._base : stop - self._base]
        rate = self.frame_s * AUDIO_RATE_HZ
        first, last = (max(round(at * rate) - self._audio_base, 0) for at in (start, stop))
        held = np.concatenate(self._holds)[start - self._base : stop - self._base]
        return Segment(start, stop, features, held, np.concatenate(self._audio)[first:last], cut)

    def _forget(self) -> None:
        wanted = (self._frame if self._open_at is None else self._open_at) - self._before
        while len(self._features) > 1 and self._base + len(self._features[0]) <= wanted:
            self._base += len(self._features.pop(0))
            self._holds.pop(0)
        wanted_audio = int(wanted * self.frame_s * AUDIO_RATE_HZ)
        while len(self._audio) > 1 and self._audio_base + len(self._audio[0]) <= wanted_audio:
            self._audio_base += len(self._audio.pop(0))


def _edge(outside: np.ndarray, across: np.ndarray, inside: np.ndarray) -> int | None:
    """Give how many of the last frames of `across` belong inside; None when there is no step to see.

    `across` runs from outside to inside.
    """
    if not len(inside):
        return None
    high = float(np.median(inside))
    low = float(np.median(outside)) if len(outside) else 0.0
    if high <= 1.4 * low:
        return None
    threshold = max(np.sqrt(low * high), 0.25 * high)
    below = np.flatnonzero(across < threshold)
    return len(across) - 1 - int(below[-1]) if len(below) else len(across)
