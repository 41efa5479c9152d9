"""A channel in, VCDUs and pictures out.

Acquisition asks a fifth of a second for its clock and carrier lines; loops follow from its middle back and on
(`dsp.carrier`) and coast through fades, until a fresh look finds the signal elsewhere. All turns and swaps of
the rails go through the Viterbi decoder side by side (`coding.ccsds_lanes`), so that a slip of the carrier costs
the one frame it falls in.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.coding.ccsds import BlockCode
from earwitness.coding.ccsds_lanes import Found, PairLanes
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Picture, Samples
from earwitness.dsp import carrier
from earwitness.dsp.aligned import FixedBlocks
from earwitness.dsp.carrier import Start, Tracker, acquire, follow
from earwitness.dsp.framed import finite
from earwitness.modes.lrpt.channels import Drawn, PictureChannels
from earwitness.modes.lrpt.interleave import InterleavedLanes

SYMBOL_RATE_HZ = 72_000.0
INTERLEAVED_RATE_HZ = 80_000.0
ROLL_OFF = 0.6  # practice of Meteor-M (from memory)
KINDS = {carrier.QPSK: "QPSK", carrier.OQPSK: "OQPSK"}
SEARCHED = [(kind, rate_hz) for rate_hz in (SYMBOL_RATE_HZ, INTERLEAVED_RATE_HZ) for kind in KINDS]
CODES = (BlockCode(4, dual=False), BlockCode(4, dual=True))
BLOCK = 1 << 15
CARRIER_WIDTH, CLOCK_WIDTH = 0.004, 0.002
NEIGHBOURS = 0.08  # correlation of neighbouring samples below which a block is as good as white
LOCKED = 0.05  # mean fourth power over mean power squared; 0.14 at 0 dB, noise 0.01
QUIET = 1.05
LOST_BLOCKS = 30  # without lock until the keying is looked for anew: some five seconds


def lock(symbols: np.ndarray, kind: int) -> float:
    """Give how well symbols complex64 (n, 2), as a tracker gives them, stand on the diagonals: 1 without noise."""
    return float(carrier.most_locked(symbols, kind, len(symbols)))


class Demodulator:
    """Fed one channel around a satellite's carrier."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._noise: float | None = None
        self._channels = PictureChannels()
        self._blocks = FixedBlocks(BLOCK)
        self._before = np.zeros(0, np.complex64)
        self._at = 0  # samples taken
        self._tracker: Tracker | None = None
        self._lanes: PairLanes | InterleavedLanes | None = None
        self._rate_hz = SYMBOL_RATE_HZ
        self._kind = carrier.QPSK
        self._offset = 0  # sample index of the tracker's place 0
        self._missed = 0
        self._level = 0.0

    def feed(self, samples: Samples) -> list[Frame | Picture]:
        """Take the next samples; a frame comes a few hundredths of a second after its end, pictures at the end."""
        if self._first is None:
            self._first = samples.clock()
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz if self._noise is None else self._noise
        return [item for block in self._blocks.feed(finite(samples.data)) for item in self._block(block)]

    def close(self) -> list[Frame | Picture]:
        """Give what is still held, and the pictures."""
        if self._first is None:
            return []
        rest = self._blocks.rest().astype(np.complex64)
        out = self._block(np.pad(rest, (0, BLOCK - len(rest))))
        out += self._ended()
        out += [self._picture(drawn) for drawn in self._channels.close()]
        self._first = None
        return out

    def _ended(self) -> list[Frame | Picture]:
        lanes, self._lanes, self._tracker = self._lanes, None, None
        return self._frames(lanes.close()) if lanes is not None else []

    def _block(self, block: np.ndarray) -> list[Frame | Picture]:
        out: list[Frame | Picture] = []
        self._level = float(np.vdot(block, block).real) / len(block)
        if self._tracker is None:
            out += self._seek(block)
        else:
            symbols, places = self._tracker.feed(block)
            rails = self._rails(symbols)
            if len(rails) and lock(symbols, self._kind) < LOCKED:
                self._missed += 1
                again = self._again(block)
                if again is not None:
                    rails, places = again
            else:
                self._missed = 0
            out += self._lane(rails, places)
            if self._missed > LOST_BLOCKS:
                out += self._ended()
        self._before = block
        self._at += len(block)
        return out

    def _rails(self, symbols: np.ndarray) -> np.ndarray:
        """Give the two rails, float32 (n, 2), of symbols complex64 (n, 2)."""
        late = int(self._kind == carrier.OQPSK)
        return np.stack([symbols[:, 0].real, symbols[:, late].imag], axis=1)

    def _per(self) -> float:
        return (self._first.rate_hz if self._first else 0.0) / self._rate_hz

    def _reach(self) -> float:
        return min(self._mode.offset_ok_hz * 1.6 / (self._rate_hz * self._per()), 0.2)

    def _worth(self, block: np.ndarray) -> bool:
        """Tell whether a block may hold a signal as wide as this."""
        if self._level < 1e-20:
            return False
        rate_hz = self._first.rate_hz if self._first is not None else 0.0
        if self._noise is not None and self._level < QUIET * rate_hz * 10 ** (self._noise / 10):
            return False
        near = abs(complex(np.vdot(block[:-1], block[1:]))) / len(block)
        return bool(near > NEIGHBOURS * self._level)

    def _seek(self, block: np.ndarray) -> list[Frame | Picture]:
        if not self._worth(block):
            return []
        best: tuple[float, int, float, Start | None] = (LOCKED, carrier.QPSK, SYMBOL_RATE_HZ, None)
        for (
            self._kind,
            self._rate_hz,
        ) in SEARCHED:  # the unique words of one rate look like a clock of the other
            found = self._followed(block)
            if found is not None and found[0] > best[0]:
                best = (found[0], self._kind, self._rate_hz, found[1])
        _, self._kind, self._rate_hz, start = best
        if start is None:
            return []
        joined = np.concatenate([self._before, block])
        start = replace(start, place=start.place + len(self._before))
        self._tracker, half, spots = follow(
            self._kind, joined, start, roll_off=ROLL_OFF, carrier_width=CARRIER_WIDTH, clock_width=CLOCK_WIDTH
        )
        count = len(half) // 2
        self._missed, self._offset = 0, self._at - len(self._before)
        lanes = PairLanes if self._rate_hz == SYMBOL_RATE_HZ else InterleavedLanes
        self._lanes = lanes(offset=self._kind == carrier.OQPSK, codes=CODES)
        return self._lane(self._rails(half[: 2 * count].reshape(count, 2)), spots[: 2 * count : 2])

    def _followed(self, block: np.ndarray) -> tuple[float, Start, Tracker, np.ndarray, np.ndarray] | None:
        """Give lock, start, tracker, rails and places of a block as the present keying and rate have it."""
        start = acquire(self._kind, block, self._per(), roll_off=ROLL_OFF, reach=self._reach())
        if start is None:
            return None
        tracker, half, spots = follow(
            self._kind, block, start, roll_off=ROLL_OFF, carrier_width=CARRIER_WIDTH, clock_width=CLOCK_WIDTH
        )
        count = len(half) // 2
        symbols = half[: 2 * count].reshape(count, 2)
        if not count:
            return None
        return lock(symbols, self._kind), start, tracker, self._rails(symbols), spots[: 2 * count : 2]

    def _again(self, block: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        """Look for the signal anew in a block that the loops have not held; None when it is not there."""
        if not self._worth(block):
            return None
        found = self._followed(block)
        if found is None or found[0] < LOCKED:
            return None
        _, _, self._tracker, rails, places = found
        self._missed, self._offset = 0, self._at
        return rails, places

    def _lane(self, rails: np.ndarray, places: np.ndarray) -> list[Frame | Picture]:
        if self._lanes is None or not len(rails):
            return []
        return self._frames(self._lanes.feed(rails, places + self._offset))

    def _frames(self, found: object) -> list[Frame | Picture]:
        out: list[Frame | Picture] = []
        first = self._first
        items: list[Found] = list(found)  # type: ignore[call-overload]
        for item in items:
            if first is None:
                break
            block = item.block
            if block.code is None:
                continue
            turn = self._tracker.turn if self._tracker is not None else 0.0
            snr = None
            if self._noise is not None:
                density = 10 ** (self._noise / 10)
                signal = max(self._level - density * first.rate_hz, 1e-30)
                snr = float(10 * np.log10(signal / density / self._mode.bandwidth_hz))
            frame = Frame(
                mode=self._mode.name,
                time_ns=first.time_ns(block.start),
                stop_ns=first.time_ns(block.stop),
                bits=Bits(int.from_bytes(block.frame, "big"), 8 * len(block.frame)),
                check="corrected" if block.corrected else "pass",
                corrected_bits=block.corrected,
                check_name=block.check_name(),
                extra={
                    "modulation": KINDS[self._kind],
                    "symbol_rate_hz": self._rate_hz,
                    "interleaved": self._rate_hz == INTERLEAVED_RATE_HZ,
                    "line_code": item.line_code,
                    "sync_errors": block.sync_errors,
                    "chance_log10": block.chance_log10,
                },
                snr_db=snr,
                level_dbfs=float(10 * np.log10(self._level + 1e-30)),
                frequency_hz=first.center_hz + turn / (2 * np.pi) * self._rate_hz,
            )
            out.append(frame)
            out += [self._picture(drawn) for drawn in self._channels.feed(block.frame, frame.time_ns)]
        return out

    def _picture(self, drawn: Drawn) -> Picture:
        center = self._first.center_hz if self._first is not None else 0.0
        return Picture(
            self._mode.name,
            drawn.start_ns,
            max(drawn.stop_ns, drawn.start_ns + 1),
            drawn.pixels,
            center,
            drawn.facts,
        )
