"""From soft line symbols to frames: NRZI, the scrambler when there is one, flags, FCS, repair of weak symbols.

Changes of level carry the bits, so the polarity of the line does not matter. Under the scrambler one wrong line
symbol spoils three levels and six bits, all of them known: repair reverses line symbols and follows them through.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from earwitness.coding.hdlc import Deframer, HdlcFrame, frame_at, nrzi_decode
from earwitness.coding.scramble import PACKET_TAPS, descramble
from earwitness.dsp.jit import kernel
from earwitness.modes.ax25.frame import LEAST_OCTETS, MOST_OCTETS, odd_head, parse

# the second: where the level before a burst was what a change of level would have made
FLAG, FIRST_FLAG = 0x7E, 0xFE
LATE = 16  # of these that are remembered
KEPT = 8 * (MOST_OCTETS + 2) * 6 // 5 + 64  # line symbols held back for repair: a frame with its stuffing
LEAST_BITS = 8 * (LEAST_OCTETS + 2)
SUSPECTS = 10
TRIALS = 40
DOUBT = 0.6  # of the typical size: symbols surer than this are not reversed
ODD_HEAD = 2  # octets of a damaged frame's addresses that may be wrong before repair is tried
LAGS = tuple(sorted({0, 1, *(lag + step for lag in PACKET_TAPS for step in (0, 1))}))


@dataclass(frozen=True, slots=True)
class Hit:
    """A frame with the places of its first bit and of its end."""

    octets: bytes
    start: float
    stop: float
    flips: int
    quality: float  # typical size of its soft symbols


@kernel("int64(uint8[:], int64, int64, int64[:])")
def _flags(bits: np.ndarray, begin: int, word: int, out: np.ndarray) -> int:
    """Note the index after each `word` of eight bits that ends at or after bits[begin]; gives how many."""
    count = 0
    register = 0
    for i in range(max(begin - 7, 0), len(bits)):
        register = (register << 1 | bits[i]) & 0xFF
        if register == word and i >= begin:
            out[count] = i + 1
            count += 1
    return count


class FrameHunter:
    """Finds frames in one line of soft symbols, scrambled or not."""

    def __init__(self, *, scrambled: bool):
        self.scrambled = scrambled
        self._deframer = Deframer(min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS)
        self._soft = np.zeros(0, np.float32)
        self._places = np.zeros(0)
        self._base = 0  # symbol index of _soft[0]
        self._bits = np.zeros(0, np.uint8)
        self._flag = -1  # symbol index after the latest flag
        self._late: list[int] = []  # the same of what may be a burst's only flag

    def feed(self, soft: np.ndarray, places: np.ndarray) -> list[Hit]:
        """Take soft symbols float32 (n,) and where they are; give the frames that end in them."""
        old = len(self._soft)
        self._soft = np.concatenate([self._soft, soft])
        self._places = np.concatenate([self._places, places])
        context = min(old, max(LAGS))
        levels = (self._soft[old - context :] > 0).astype(np.uint8)
        if self.scrambled:
            levels = descramble(levels)
        fresh = nrzi_decode(levels)[context:]
        self._bits = np.concatenate([self._bits, fresh])
        out, good = [], set()
        for frame in self._deframer.feed(fresh):
            good.add(frame.stop)
            if parse(frame.octets) is not None:
                out.append(self._hit(frame.octets, frame.start - self._base, frame.stop - self._base, 0))
        ends = np.empty(len(fresh) // 7 + 2, np.int64)
        count = int(_flags(self._bits, old, FIRST_FLAG, ends))
        self._late = [*self._late, *(ends[:count] + self._base).tolist()][-LATE:]
        count = int(_flags(self._bits, old, FLAG, ends))
        for end in (ends[:count] + self._base).tolist():
            stop = end - 8
            out += self._begun_late(stop)
            if stop not in good and LEAST_BITS <= stop - self._flag <= KEPT and self._flag >= self._base:
                out += self._repair(self._flag - self._base, stop - self._base)
            self._flag = end
        drop = len(self._soft) - KEPT
        if drop > 0:
            self._soft, self._places, self._bits = self._soft[drop:], self._places[drop:], self._bits[drop:]
            self._base += drop
        return out

    def _hit(self, octets: bytes, start: int, stop: int, flips: int) -> Hit:
        quality = float(np.median(np.abs(self._soft[max(start, 0) : stop + 1])))
        first, last = self._places[max(start, 0)], self._places[min(stop, len(self._places) - 1)]
        return Hit(octets, float(first), float(last), flips, quality)

    def _begun_late(self, stop: int) -> list[Hit]:
        """Try what began with a flag whose first bit is lost, as there was nothing before it, and ends at `stop`."""
        late, self._late = self._late, []
        for start in late:
            if start <= max(self._flag, self._base) or not LEAST_BITS <= stop - start <= KEPT:
                continue
            found = frame_at(
                self._bits[: stop + 8 - self._base],
                start - self._base,
                min_octets=LEAST_OCTETS,
                max_octets=MOST_OCTETS,
            )
            parsed = parse(found.octets) if found is not None else None
            if found is not None and parsed is not None and not parsed.odd and not parsed.unshifted:
                return [self._hit(found.octets, start - self._base, found.stop, 0)]
        return []

    def _repair(self, start: int, stop: int) -> list[Hit]:
        """Try to bring a frame between two flags right by reversing its least certain line symbols."""
        if odd_head(self._bits, start, stop) > ODD_HEAD:
            return []
        reach = max(LAGS) if self.scrambled else 1
        low = max(start - reach, 0)
        size = np.abs(self._soft[low : stop + 8])
        order = np.argsort(size, kind="stable")[:SUSPECTS]
        limit = DOUBT * float(np.median(size))
        weak = [int(k) for k in order if size[k] < limit]
        sets = [flips for count in (1, 2) for flips in combinations(weak, count)]
        sets.sort(key=lambda flips: float(sum(size[k] for k in flips)))
        lags = LAGS if self.scrambled else (0, 1)
        work = self._bits[low : stop + 8].copy()
        for flips in sets[:TRIALS]:
            touched = [k + lag for k in flips for lag in lags if k + lag < len(work)]
            for k in touched:
                work[k] ^= 1
            found: HdlcFrame | None = frame_at(
                work, start - low, min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS
            )
            for k in touched:
                work[k] ^= 1
            if found is not None:
                parsed = parse(found.octets)
                if parsed is not None and not parsed.odd and not parsed.unshifted:
                    return [self._hit(found.octets, start, low + found.stop, len(flips))]
        return []
