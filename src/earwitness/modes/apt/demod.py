"""From a channel's I/Q, or a receiver's audio, to pictures.

Each second the band around the 2400 Hz sub-carrier is taken by a transform; where the sub-carrier does not stand
out, that transform is all it costs. Else the level is detected against the sub-carrier's own phase and watched for
both synchronisations. A picture runs from the sub-carrier's first appearance until neither was found for a while.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Picture, Samples
from earwitness.dsp import fft
from earwitness.dsp.circle import centre
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.modes.apt.drawing import OVER, draw, look
from earwitness.modes.apt.line import CYCLES, DEVIATION_HZ, SUBCARRIER_HZ, WORDS

LEVEL_HZ = OVER * WORDS * 2  # two samples a word, nearly
FLAT_HZ, STOP_HZ = 1_900.0, 2_300.0  # either side of the sub-carrier
CARRIER_HZ = 40.0  # what of it is taken to be the bare sub-carrier
AWAY_HZ = 15.0  # a recorder may be that wrong
THERE = 0.05  # of the band's power that the sub-carrier must hold; noise has 0.003
LOOK_S = 8
HELD_S = 30
GONE_S = 20  # without synchronisation: the pass is over
LONGEST_S = 1_200
AGREE = 6  # samples by which two looks may differ


@dataclass(slots=True)
class _Pass:
    """What is being heard; `begin` counts seconds of the receiver."""

    begin: int
    levels: list[np.ndarray] = field(default_factory=list)
    turns: list[float] = field(default_factory=list)  # sub-carrier cycles in each second
    found: bool = False
    last_seen: int = 0  # seconds of it until the last look that saw lines
    place: float | None = None


class Demodulator(FramedReceiver):
    """Feeds on complex samples of an FM channel, at least 50 kHz, or audio of at least 8 kHz."""

    block_frames = 100

    def __init__(self, mode: Mode):
        super().__init__(mode)
        self._audio: bool | None = None
        self._now: _Pass | None = None
        self._seconds = 0
        self._last = 1 + 0j
        self._constant = 0j
        self._before: np.ndarray | None = None

    def feed(self, samples: Samples) -> Iterable[Picture]:
        """Take the next samples."""
        if self._audio is None:
            self._audio = not np.iscomplexobj(samples.data)
        if self._audio:
            samples = replace(samples, data=samples.data.astype(np.complex64))
        return super().feed(samples)

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter."""
        size = self.frame * self.block_frames
        self._size_in = size
        self._size_out = 2 * round(LEVEL_HZ * size / rate_hz / 2)
        self._level_hz = self._size_out * rate_hz / size
        bins = np.arange(-self._size_out, self._size_out)
        hz = np.abs(bins) * (rate_hz / (2 * size))
        fall = np.clip((STOP_HZ - hz) / (STOP_HZ - FLAT_HZ), 0.0, 1.0)
        self._shape = (0.5 - 0.5 * np.cos(np.pi * fall)).astype(np.float32)
        self._bin_hz = rate_hz / (2 * size)
        self._middle = round(SUBCARRIER_HZ / self._bin_hz)
        if self._audio:
            return np.ones(1, np.float32)
        return lowpass(min(21_000.0, 0.46 * rate_hz), 4_000.0, rate_hz, stop_db=45.0)

    def block(self, iq: np.ndarray) -> list[Picture]:
        """Take a second."""
        if self._audio:
            heard = iq.real.copy()
        else:
            # in a fade the receiver's own constant would be the stronger of the two, and be seen no better than before
            found = centre(iq)
            self._constant = self._constant if found is None else found
            iq = iq - np.complex64(self._constant)
            heard = discriminate(iq, rate_hz=self.rate_hz, before=self._last) / np.float32(DEVIATION_HZ)
            self._last = complex(iq[-1])
        before = np.zeros_like(heard) if self._before is None else self._before
        self._before = heard
        self._seconds += 1
        spectrum = fft.forward_real(np.concatenate([before, heard]))
        level = self._detect(spectrum)
        if level is None:
            return self._without()
        return self._with(*level)

    def finish(self) -> list[Picture]:
        """Give the picture still open."""
        out = self._end()
        self._audio = None
        self._before = None
        self._seconds = 0
        self._last = 1 + 0j
        self._constant = 0j
        return out

    # -- one second at a time ----------------------------------------------------------------------------

    def _detect(self, spectrum: np.ndarray) -> tuple[np.ndarray, float] | None:
        """Give the level over the middle second of two and the sub-carrier's cycles in it, or None without one."""
        size = self._size_out
        low, high = self._middle - size, self._middle + size
        band = np.zeros(2 * size, np.complex64)
        first, last = max(low, 1), min(high, len(spectrum))
        band[first - low : last - low] = spectrum[first:last]
        band *= self._shape
        power = np.abs(band) ** 2
        total = float(power.sum())
        if total <= 0:
            return None
        away = int(AWAY_HZ / self._bin_hz)
        near = power[size - away : size + away + 1]
        top = size - away + int(near.argmax())
        if float(power[top - 2 : top + 3].sum()) < THERE * total:
            return None
        bare = np.zeros_like(band)
        reach = int(CARRIER_HZ / self._bin_hz)
        bare[top - reach : top + reach + 1] = (
            band[top - reach : top + reach + 1] * np.hanning(2 * reach + 3)[1:-1]
        )
        scale = 2 * size / (2 * self._size_in) * 2
        signal, carrier = (
            fft.inverse(np.fft.ifftshift(part))[size // 2 : size // 2 + size] * np.float32(scale)
            for part in (band, bare)
        )
        turn = np.sum(carrier[1:] * np.conj(carrier[:-1]))
        base_hz = self._middle * self._bin_hz
        hz = base_hz + float(np.angle(turn)) / (2 * np.pi) * self._level_hz
        level = (signal * np.conj(carrier)).real / (np.abs(carrier) + 1e-12)
        return np.clip(level, -6e4, 6e4).astype(np.float16), hz * size / self._level_hz

    def _without(self) -> list[Picture]:
        now = self._now
        if now is None or not now.found:
            self._now = None
            return []
        now.levels.append(np.zeros(self._size_out, np.float16))
        now.turns.append(float(np.median(now.turns)))
        return self._over()

    def _with(self, level: np.ndarray, turns: float) -> list[Picture]:
        if self._now is None:
            self._now = _Pass(self._seconds - 1)
        now = self._now
        now.levels.append(level)
        now.turns.append(turns)
        if not now.found and len(now.levels) > HELD_S:
            now.levels.pop(0)
            now.turns.pop(0)
            now.begin += 1
            now.place = None if now.place is None else now.place - self._size_out
        return self._over()

    def _over(self) -> list[Picture]:
        now = self._now
        if now is None:
            return []
        count = len(now.levels)
        if count >= LOOK_S and (not now.found or count % 4 == 0):
            period = CYCLES * self._size_out / float(np.median(now.turns[-LOOK_S:]))
            seen = look(np.concatenate(now.levels[-LOOK_S:]).astype(np.float32), period)
            place = None if seen is None else (count - LOOK_S) * self._size_out + seen[0]
            if place is not None and now.place is not None:
                off = (place - now.place + period / 2) % period - period / 2
                if now.found or abs(off) <= AGREE:
                    now.found = True
                    now.last_seen = count
            if not now.found or place is not None:
                now.place = place
        if now.found and (count - now.last_seen >= GONE_S or count >= LONGEST_S):
            return self._end()
        return []

    def _end(self) -> list[Picture]:
        now, self._now = self._now, None
        if now is None or not now.found or self.clock is None:
            return []
        keep = now.last_seen + 2
        level = np.concatenate(now.levels[:keep]).astype(np.float32)
        turns = np.array(now.turns[:keep])
        usual = np.array([np.median(turns[max(n - 7, 0) : n + 8]) for n in range(len(turns))])
        lines_at = np.concatenate([[0.0], np.cumsum(usual)]) / CYCLES
        drawn = draw(level, lines_at)
        if drawn is None:
            return []
        scale = self._size_in / self._size_out
        start, stop = (
            self.time_ns(max((now.begin - 0.5) * self._size_in + place * scale, 0.0))
            for place in (drawn.start, drawn.stop)
        )
        slant = (drawn.period * scale / self.rate_hz * 2 - 1) * 1e6
        facts = drawn.facts | {
            "slant_ppm": round(slant, 1),
            "over": "audio" if self._audio else "FM",
            "subcarrier_hz": round(float(np.median(turns)) * self._level_hz / self._size_out, 2),
        }
        hz = SUBCARRIER_HZ if self._audio else self.clock.center_hz
        return [Picture(self.mode.name, start, stop, drawn.pixels, float(hz), facts)]
