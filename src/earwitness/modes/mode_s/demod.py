"""From complex samples around 1090 MHz to Mode S frames.

The stream is worked through in chunks on a fixed grid from its first sample, so the cuts between blocks do
not matter. Above 4 MS/s it is first brought down by a whole number. A chunk is kept with what came before
it, because a strong reply may have to be taken away to read a weaker one that began earlier.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from functools import lru_cache
from operator import attrgetter

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.mode import Mode
from earwitness.core.quick import maker
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.filters import lowpass
from earwitness.modes.mode_s import pulse, reading, replies, search, sequence, tangle

CARRIER_HZ = 1090e6
CHUNK = 65536
TOP_RATE_HZ = 4.0e6
SNR_BANDWIDTH_HZ = 2.4e6
PREAMBLE_NS = 8000
CERTAIN = "24-bit parity"
OVERLAID = "24-bit parity overlaid with an address or code"
MOST_REPLIES = 512  # known at a time: a chunk of 16 to 33 ms
_WORD = (1 << 64) - 1
_frame = maker(Frame)
_pair = tuple.__new__  # half the cost of calling a named tuple's class


@lru_cache(8)  # a survey of many stretches has one rate
def _tables(rate_hz: float) -> tuple[tuple[np.ndarray, ...], float]:
    """Give the tables that `replies.receive` takes, in its order, and the energy of a pulse of height one."""
    shapes = pulse.template_table(rate_hz)
    envelopes = tangle.envelope_tables(rate_hz)
    tables = (
        pulse.matched_table(rate_hz),
        pulse.pulse_spread(rate_hz),
        sequence.pulse_response(rate_hz),
        shapes,
        envelopes,
        tangle.pair_tables(envelopes),
        pulse.window_weights(rate_hz),
        pulse.pulse_places(rate_hz),
        pulse.quiet_places(rate_hz),
    )
    return tables, float((shapes**2).sum(1).mean())


class Demodulator:
    """Reads every reply and squitter in a stretch of samples of 2 to 25 MS/s."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self._rate_hz = 0.0
        self._pending: list[Frame] = []

    def _begin(self, samples: Samples) -> None:
        if not 1.99e6 <= samples.rate_hz <= 25e6:
            raise ParameterError(f"mode-s needs 2 to 25 MS/s; got {samples.rate_hz / 1e6:g} MS/s")
        self._rate_hz = samples.rate_hz
        self._by = max(1, int(np.ceil(samples.rate_hz / TOP_RATE_HZ - 1e-6)))
        self._work_hz = samples.rate_hz / self._by
        self._us = self._work_hz * 1e-6
        self._center_hz = samples.center_hz
        self._origin = samples.clock()
        self._taps = np.ones(1, np.float32)
        if self._by > 1:
            self._taps = lowpass(self._work_hz / 2, self._work_hz * 0.4, self._rate_hz, stop_db=40)
        self._fill = 0
        self._tables, self._energy = _tables(self._work_hz)
        self._sample_ns = 1e9 / self._work_hz
        # noise power of the working samples over noise density
        self._snr_share = SNR_BANDWIDTH_HZ / (self._rate_hz * float((self._taps**2).sum()))
        self._before = int(280 * self._us)
        self._after = int(
            300 * self._us
        )  # a reply, one that begins at its end, and what is looked at after that
        self._x = np.zeros(self._before + self._after + CHUNK, np.complex64)
        self._power = np.zeros(len(self._x), np.float32)
        # new samples go straight to their place, or to a buffer of their own where they are brought down
        self._new = self._x[self._before + self._after :]
        if self._by > 1:
            self._new = np.zeros(CHUNK * self._by + len(self._taps) - 1, np.complex64)
        self._at = -(self._before + self._after) - CHUNK  # working sample number of self._x[0]
        self._groups = np.zeros(CHUNK // search.GROUP, np.float32)
        self._noise = 0.0
        self._found = np.zeros((MOST_REPLIES, reading.COLUMNS))
        self._bits = np.zeros((MOST_REPLIES, 112), np.uint8)
        self._whole = np.zeros((11, MOST_REPLIES), np.int64)
        self._figures = np.zeros((3, MOST_REPLIES))
        self._count = 0

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples; gives the frames that are complete, in time order."""
        if self._rate_hz == 0.0:
            self._begin(samples)
        data = samples.data
        out: list[Frame] = []
        at = 0
        while at < len(data):
            if self._by == 1 and self._fill == 0 and len(data) - at >= CHUNK and data.flags.carray:
                out += self._chunk(given=data[at : at + CHUNK])  # a whole chunk needs no gathering
                at += CHUNK
                continue
            part = data[at : at + len(self._new) - self._fill]
            self._new[self._fill : self._fill + len(part)] = part
            self._fill += len(part)
            at += len(part)
            if self._fill == len(self._new):
                out += self._chunk()
        return out

    def close(self) -> Iterable[Frame]:
        """Read what is left."""
        if self._rate_hz == 0.0:
            return []
        out: list[Frame] = []
        for _ in range(2):  # the second lets the last reply run out
            held = max(0, (self._fill - len(self._taps) + 1) // self._by)
            self._new[self._fill :] = 0
            out += self._chunk(held)
        out += self._pending
        self._pending = []
        self._rate_hz = 0.0
        return out

    def _chunk(self, held: int = CHUNK, given: np.ndarray | None = None) -> list[Frame]:
        """Work through the buffer, `held` samples of it new (the rest silence), and begin the next.

        The new samples are `given`, or gathered already.
        """
        keep = self._before + self._after
        self._at += CHUNK
        new = self._x[keep:]
        if self._by > 1:
            search.decimate(self._new, self._taps, self._by, new)
        self._fill = len(self._taps) - 1
        if self._fill:
            self._new[: self._fill] = self._new[CHUNK * self._by :].copy()
        held -= held % search.GROUP
        new[held:] = 0
        self._power[keep + held :] = 0
        if held:
            fresh_groups = self._groups[: held // search.GROUP]
            raw = new[:held] if given is None else given
            search.take(raw, new[:held], self._power[keep : keep + held], fresh_groups)
            groups = fresh_groups[fresh_groups > 0]
            # the quarter of the groups lowest in power holds no replies; 0.916 is where the first quartile
            # of a mean of 64 exponentials lies
            if len(groups) > 8:
                self._noise = (
                    float(np.partition(groups, len(groups) // 4)[len(groups) // 4]) / search.GROUP / 0.916
                )
        count = replies.pass_on(self._found, self._bits, self._count, CHUNK, 3 * self._us)
        self._count = replies.receive(
            self._x,
            self._power,
            self._before,
            self._before + CHUNK,
            self._us,
            *self._tables,
            np.float32(max(self._noise, 1e-14)),
            self._found,
            self._bits,
            count,
        )
        fresh = self._frames(count)
        self._x[:keep] = self._x[CHUNK:].copy()
        self._power[:keep] = self._power[CHUNK:].copy()
        # one that began before this chunk may still turn up in the next: hold the newest back
        limit = self._time_ns(self._at + CHUNK)
        both = sorted(self._pending + fresh, key=attrgetter("time_ns"))
        settled = bisect_left(both, limit, key=attrgetter("time_ns"))
        self._pending = both[settled:]
        return both[:settled]

    def _time_ns(self, at: float) -> int:
        return self._origin.time_ns(at * self._by + (len(self._taps) - 1) / 2)

    def _frames(self, first: int) -> list[Frame]:
        """Put the rows of the result table from `first` on into frames."""
        count = self._count - first
        if count <= 0:
            return []
        replies.tell(
            self._found,
            self._bits,
            first,
            self._count,
            self._sample_ns,
            self._energy,
            self._snr_share,
            self._whole,
            self._figures,
        )
        origin_ns = self._time_ns(self._at) + PREAMBLE_NS
        center_hz = self._center_hz
        out = []
        for (
            at_ns,
            low,
            high,
            size,
            df,
            fixed,
            remainder,
            plain,
            w0,
            w1,
            w2,
            snr_db,
            level_dbfs,
            offset_hz,
        ) in zip(*self._whole[:, :count].tolist(), *self._figures[:, :count].tolist(), strict=True):
            time_ns = origin_ns + at_ns
            extra: dict[str, object] = {"remainder": remainder}
            certain = 17 <= df <= 19 or (df == 11 and remainder == 0)
            if not certain:
                if df == 11:
                    extra["plain_code"] = plain > 0
                elif plain == reading.GARBLED:
                    extra["garbled"] = True
                extra["weak_bits"] = tuple(place for place in (w0, w1, w2) if place >= 0)
            out.append(
                _frame(
                    "mode-s",
                    time_ns,
                    time_ns + size * 1000,
                    _pair(Bits, (high << 64 | low & _WORD if size > 64 else low, size)),
                    "corrected" if fixed else "pass" if certain else None,
                    fixed,
                    CERTAIN if certain else OVERLAID,
                    extra,
                    snr_db,
                    level_dbfs,
                    center_hz + offset_hz,
                )
            )
        return out
