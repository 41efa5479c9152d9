"""A channel or demodulated audio in, frames out: carrier from the squares, clock from the power, sync by correlation.

The stream is worked on in long pieces that overlap by a frame. Where the squared signal shows no line in
several looks, nothing more is done. Else the carrier is followed as a smooth curve through the lines, the
symbols are cut (`dsp.burst_symbols`), made upright by their squares' mean phase and compared each with the one before.
"""

from __future__ import annotations

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.burst_symbols import symbol_places
from earwitness.dsp.filters import convolve_valid, lowpass, root_raised_cosine
from earwitness.dsp.framed import finite
from earwitness.dsp.thin import Thin
from earwitness.modes.ao40 import code

BAUD_HZ = 1200.0
LEAST_HZ = 7200.0  # of the complex stream worked on
AUDIO_MIDDLE_HZ, AUDIO_HALF_HZ = 1650.0, 1500.0
HOP_S, FRAMES_HELD = 4.6, 2  # a piece is as many hops; a frame lasts 4.33 s
LOOK = 2048  # samples of a look for the carrier
LINE = 18.0  # power of a line in the squares over their median that is a carrier
LEAST_LOOKS = 5
STRAY_HZ = 12.0  # of a look from the curve
CLOCK_ERROR, CLOCK_SYMBOLS = 0.006, 300
UPRIGHT = 33  # symbols that tell the phase
SYNC_SIGMA = 4.2
MOST_TRIED = 8  # places of sync a piece
LARGEST = 1e6


class Demodulator:
    """Frames of one channel, or of one recording of demodulated audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None

    def _begin(self, samples: Samples) -> None:
        self._first = samples.clock()
        self._audio = not np.iscomplexobj(samples.data)
        rate = samples.rate_hz
        self._divide = max(int(rate // LEAST_HZ) if not self._audio else int(rate // 9600.0), 1)
        self._rate_hz = rate / self._divide
        half = AUDIO_HALF_HZ if self._audio else min(0.42 * self._rate_hz, 3000.0)
        self._thin = Thin(lowpass(half, 1000.0, rate, stop_db=45.0), self._divide, np.complex64)
        self._mixed = 0
        self._hop = int(HOP_S * self._rate_hz)
        self._held = np.zeros(0, np.complex64)
        self._at = 0  # of _held[0]
        self._from = 0.0  # frames that begin before this were given

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; frames come up to nine seconds late."""
        if self._first is None:
            self._begin(samples)
        x = samples.data
        if self._audio:
            x = np.where(np.abs(x) < LARGEST, x, 0).astype(np.float32)
            turns = (self._mixed + np.arange(len(x))) * (AUDIO_MIDDLE_HZ / samples.rate_hz) % 1.0
            self._mixed += len(x)
            x = x * np.exp(-2j * np.pi * turns)
        z = self._thin.feed(finite(x.astype(np.complex64)))
        return self._take(z)

    def close(self) -> list[Frame]:
        """Give what the last piece held."""
        if self._first is None:
            return []
        out = self._take(self._thin.feed(np.zeros(self._thin.half, np.complex64)))
        out += self._piece(self._held, np.inf)
        self._first = None
        return out

    def _take(self, z: np.ndarray) -> list[Frame]:
        self._held = np.concatenate([self._held, z])
        out: list[Frame] = []
        while len(self._held) >= FRAMES_HELD * self._hop:
            out += self._piece(self._held[: FRAMES_HELD * self._hop], self._at + self._hop)
            self._held = self._held[self._hop :]
            self._at += self._hop
        return out

    def _piece(self, z: np.ndarray, limit: float) -> list[Frame]:
        """Give the frames of a piece that begin before `limit` and that no piece before gave."""
        first = self._first
        if first is None or len(z) < code.SYMBOLS * self._rate_hz / BAUD_HZ:
            return []
        curve = self._carrier(z)
        if curve is None:
            return []
        time_s = np.arange(len(z)) / self._rate_hz
        turned = z * np.exp(-2j * np.pi * np.polyval(np.polyint(curve), time_s)).astype(np.complex64)
        per = self._rate_hz / BAUD_HZ
        taps = root_raised_cosine(0.5, per, 4)
        smooth = convolve_valid(np.pad(turned, len(taps) // 2), (taps / np.sum(taps)).astype(np.float32))
        energy = (smooth.real**2 + smooth.imag**2).astype(np.float32)
        places, per = symbol_places(
            energy, per, tolerance=CLOCK_ERROR, average=CLOCK_SYMBOLS, loud_is_noise=False
        )
        soft = _compared(np.interp(places, np.arange(len(z)), smooth))
        out = []
        for at in sorted(_syncs(soft)):
            start = float(places[at]) + self._at
            if not self._from <= start < limit:
                continue
            got = code.decode(soft[at : at + code.SYMBOLS])
            if got is None:
                continue
            stop = float(places[at + code.SYMBOLS - 1]) + per + self._at
            middle_s = float(places[at + code.SYMBOLS // 2]) / self._rate_hz
            out.append(self._frame(first, got, start, stop, float(np.polyval(curve, middle_s))))
            self._from = start + 0.5 * code.SYMBOLS * per
        if np.isfinite(limit):
            self._from = max(self._from, limit)
        return out

    def _carrier(self, z: np.ndarray) -> np.ndarray | None:
        """Give the carrier in Hz as a polynomial of seconds since z[0]; None when too few looks show one."""
        count = len(z) // LOOK
        rows = (z[: count * LOOK] ** 2).reshape(count, LOOK) * np.hanning(LOOK).astype(np.float32)
        power = np.abs(fft.forward(rows.astype(np.complex64))) ** 2
        tops = np.argmax(power, axis=1)
        levels = power[np.arange(count), tops] / (np.median(power, axis=1) + 1e-30)
        good = levels > LINE
        if good.sum() < LEAST_LOOKS:
            return None
        seconds = (np.arange(count) + 0.5) * LOOK / self._rate_hz
        hertz = 0.5 * ((tops + LOOK // 2) % LOOK - LOOK // 2) * self._rate_hz / LOOK
        seconds, hertz = seconds[good], hertz[good]
        kept = np.abs(hertz - np.median(hertz)) < 30 * STRAY_HZ
        curve = np.array([0.0, 0.0, float(np.median(hertz))])
        for _ in range(4):
            if kept.sum() < LEAST_LOOKS:
                return None
            degree = 2 if kept.sum() >= 12 else 1
            curve = np.polyfit(seconds[kept], hertz[kept], degree)
            stray = np.abs(np.polyval(curve, seconds) - hertz)
            kept = stray < max(STRAY_HZ, 2 * float(np.median(stray)))
        return curve

    def _frame(
        self, first: Samples, got: tuple[bytes, list[int], float], start: float, stop: float, hertz: float
    ) -> Frame:
        data, wrong, agreement = got
        extra = {
            "octets_corrected": wrong,
            "path_agreement": round(agreement, 3),
            "carrier_hz": round(hertz + (AUDIO_MIDDLE_HZ if self._audio else 0.0), 1),
        }
        return Frame(
            self._mode.name,
            first.time_ns(start * self._divide),
            first.time_ns(stop * self._divide),
            Bits(int.from_bytes(data, "big"), 8 * len(data)),
            "corrected" if any(wrong) else "pass",
            sum(wrong),
            "Reed-Solomon (160,128), 2 of 2 words, after the convolutional code",
            extra,
            frequency_hz=None if self._audio else first.center_hz + hertz,
        )


def _compared(z: np.ndarray) -> np.ndarray:
    """Give soft symbols float32, positive no change, of reversals complex (m,) with the phase of their carrier."""
    if len(z) < UPRIGHT:
        return np.zeros(0, np.float32)
    squares = np.convolve(z**2 / (np.abs(z) + 1e-12), np.ones(UPRIGHT), "same")
    upright = (z * np.exp(-0.5j * np.unwrap(np.angle(squares)))).real
    before = np.concatenate([[0.0], upright[:-1]])
    soft = np.sign(upright * before) * np.minimum(np.abs(upright), np.abs(before))
    return np.asarray(soft / (np.sqrt(np.mean(soft**2)) + 1e-12), np.float32)


def _syncs(soft: np.ndarray) -> list[int]:
    """Give where the sync column stands out, the likeliest first."""
    count = len(soft) - code.SYMBOLS + 1
    if count <= 0:
        return []
    total = np.zeros(count, np.float32)
    size = np.zeros(count, np.float32)
    for row, bit in enumerate(code.sync_bits().tolist()):
        part = np.clip(soft[row * code.COLUMNS : row * code.COLUMNS + count], -2, 2)
        total += part if bit else -part
        size += part * part
    sigma = total / np.sqrt(size + 1e-9)
    order = np.argsort(-sigma)[:MOST_TRIED]
    return [int(at) for at in order if sigma[at] > SYNC_SIGMA]
