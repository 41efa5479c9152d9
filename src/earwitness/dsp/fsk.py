"""Two-tone keying without phase: soft bits from samples, at any number of samples a symbol.

Marine telegraphy (100 Bd, 170 Hz apart) comes over minutes with fading, a carrier some tens of hertz off
and drifting, and as audio with its tones anywhere. `FskReceiver` works on blocks of one second and decides
nothing from one alone: centre and clock of a block come from it and its neighbours on both sides, so it
needs no acquisition and no loop, and the first bits are as good as the last.

A symbol's energy at each tone is a difference of a running sum of the mixed signal, linearly interpolated
between samples.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Samples
from earwitness.dsp import fft
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import vertex

STFT_S = 0.024  # window of the spectra in which the pair of tones is looked for
STFT_STEP_S = 0.006
PHASES = 16  # symbol clock phases compared
CENTER_WEIGHTS = (1.0, 2.0, 3.0, 2.0, 1.0)  # of a block and its neighbours
CLOCK_WEIGHTS = (1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0)
BLOCK_S = 1.0
DELAY_BLOCKS = len(CENTER_WEIGHTS) // 2 + len(CLOCK_WEIGHTS) // 2 + 1  # until a block's bits come out
AMPLITUDE_SYMBOLS = 9  # over which a symbol's amplitude is taken from its neighbours
MOST = 20.0  # no bit is surer than this
AUDIO_HZ = (500.0, 2500.0)


@kernel("complex128[::1](complex64[::1], float64)")
def running_tone(iq: np.ndarray, turn: float) -> np.ndarray:
    """Give the running sum of iq (n,) times exp(-1j * turn * sample), shape (n + 1,), starting with 0."""
    out = np.empty(len(iq) + 1, np.complex128)
    step = complex(np.cos(turn), -np.sin(turn))
    rotor = complex(1.0, 0.0)
    total = complex(0.0, 0.0)
    out[0] = total
    for i in range(len(iq)):
        total += iq[i] * rotor
        out[i + 1] = total
        rotor *= step
    return out


@kernel("complex128[::1](complex128[::1], float64, float64, float64, int64)")
def symbol_sums(total: np.ndarray, first: float, period: float, length: float, count: int) -> np.ndarray:
    """Give sums over `length` samples from first + k * period on, shape (count,), from a running sum.

    Places lie between samples; what is outside counts as silence.
    """
    out = np.empty(count, np.complex128)
    last = len(total) - 1
    for k in range(count):
        ends = complex(0.0, 0.0)
        for side in range(2):
            place = first + k * period + side * length
            place = min(max(place, 0.0), float(last))
            low = min(int(place), last - 1) if last > 0 else 0
            value = total[low]
            if last > 0:
                value += (place - low) * (total[low + 1] - total[low])
            ends = value - ends
        out[k] = ends
    return out


def log_i0(x: np.ndarray) -> np.ndarray:
    """Give ln I0(x) of non-negative x: the likelihood of an envelope in noise."""
    return np.where(x < 500.0, np.log(np.i0(np.minimum(x, 500.0))), x - 0.5 * np.log(2 * np.pi * np.maximum(x, 1.0)))  # fmt: skip


@dataclass(frozen=True, slots=True)
class SoftBits:
    """A run of soft bits: positive means the higher tone."""

    llr: np.ndarray  # float32 (n,): natural logarithm of the odds
    starts: np.ndarray  # float64 (n,): first sample of each, counted from the receiver's first
    center_hz: float  # middle of the tones
    signal: float  # power of the tones, full scale squared
    noise: float  # noise density, full scale squared per Hz


@dataclass(slots=True)
class _Block:
    iq: np.ndarray
    spectrum: np.ndarray
    center_hz: float = 0.0
    clock: complex = 0j


class FskReceiver:
    """Gives soft bits of two-tone keying somewhere in a range of centre frequencies.

    Fed blocks of equal length, about a second; bits of a block come `DELAY_BLOCKS` blocks later, so feed as
    many of zeros at the end.
    """

    def __init__(self, rate_hz: float, *, baud: float, shift_hz: float, low_hz: float, high_hz: float):
        self.rate_hz = rate_hz
        self.period = rate_hz / baud
        self.shift_hz = shift_hz
        self.range_hz = (low_hz, high_hz)
        self._window = np.hanning(round(STFT_S * rate_hz)).astype(np.float32)
        self._bins = fft.good_size(round(rate_hz / 4.0))
        self._blocks: list[_Block] = []
        self._size = 0
        self._at = 0  # number of the first block held
        self._next = -1.0  # where the next bit should start
        self._noise = 0.0

    def feed(self, iq: np.ndarray) -> list[SoftBits]:
        """Take the next block, complex64 (n,)."""
        if not self._blocks:
            self._size = len(iq)
            silent = np.zeros(len(iq), np.complex64)
            self._blocks = [_Block(silent, np.zeros(self._bins)) for _ in range(DELAY_BLOCKS + 2)]
            self._at = -len(self._blocks)
        self._blocks.append(_Block(iq, self._spectrum(iq)))
        half = len(CENTER_WEIGHTS) // 2
        place = len(self._blocks) - 1 - half
        self._find_center(place)
        self._find_clock(place)
        out = self._read(place - len(CLOCK_WEIGHTS) // 2)
        if len(self._blocks) > 2 * DELAY_BLOCKS + 4:
            del self._blocks[0]
            self._at += 1
        return [out] if out is not None else []

    def _spectrum(self, iq: np.ndarray) -> np.ndarray:
        """Give the mean power spectrum of a block, float64 (bins,) in FFT order."""
        if not np.any(iq) or len(iq) < len(self._window):
            return np.zeros(self._bins)
        step = max(1, round(STFT_STEP_S * self.rate_hz))
        windows = np.lib.stride_tricks.sliding_window_view(iq, len(self._window))[::step]
        power = np.abs(fft.forward(windows * self._window, self._bins)) ** 2
        return np.asarray(power.mean(axis=0), float)

    def _find_center(self, place: int) -> None:
        """Set a block's centre: where two tones the shift apart have most power between them."""
        half = len(CENTER_WEIGHTS) // 2
        total = np.zeros(self._bins)
        for k, weight in enumerate(CENTER_WEIGHTS):
            total += weight * self._blocks[place - half + k].spectrum
        bin_hz = self.rate_hz / self._bins
        centers = np.arange(np.ceil(self.range_hz[0] / bin_hz), self.range_hz[1] / bin_hz)
        total = np.maximum(total - np.median(total[centers.astype(int)]) if np.any(total) else total, 0)
        pair = np.ones(len(centers))
        for side in (-0.5, 0.5):
            places = centers + side * self.shift_hz / bin_hz
            low = np.floor(places).astype(int)
            part = places - low
            pair *= (1 - part) * total[low % self._bins] + part * total[(low + 1) % self._bins]
        pair = np.sqrt(pair)
        best = int(np.argmax(pair))
        shift = 0.0
        if 0 < best < len(pair) - 1:
            shift = vertex(*pair[best - 1 : best + 2])
        self._blocks[place].center_hz = float((centers[best] + shift) * bin_hz)

    def _tones(self, place: int, center_hz: float) -> tuple[np.ndarray, np.ndarray, int]:
        """Give running sums at both tones over a block and two symbols each side, and where they start."""
        reach = int(2 * self.period) + 2
        iq = np.concatenate(
            [
                self._blocks[place - 1].iq[-reach:],
                self._blocks[place].iq,
                self._blocks[place + 1].iq[:reach],
            ]
        )
        turn = 2 * np.pi / self.rate_hz
        low = running_tone(iq, turn * (center_hz - self.shift_hz / 2))
        high = running_tone(iq, turn * (center_hz + self.shift_hz / 2))
        return low, high, (self._at + place) * self._size - reach

    def _find_clock(self, place: int) -> None:
        """Set a block's clock: the phasor of how far apart the tones are, over the clock's phases."""
        block = self._blocks[place]
        low, high, origin = self._tones(place, block.center_hz)
        first = np.ceil((origin + 2 * self.period) / self.period) * self.period - origin
        count = int(self._size / self.period) * PHASES
        step = self.period / PHASES
        apart = np.abs(
            np.abs(symbol_sums(low, first, step, self.period, count)) ** 2
            - np.abs(symbol_sums(high, first, step, self.period, count)) ** 2
        )
        folded = apart.reshape(-1, PHASES).sum(axis=0)
        scale = folded.sum()
        if scale > 0:
            # bounded by the share of what it may be, so that a strong neighbour in time does not rule
            block.clock = complex(folded @ np.exp(-2j * np.pi * np.arange(PHASES) / PHASES) / np.sqrt(scale))

    def _read(self, place: int) -> SoftBits | None:
        """Give the bits that start in a block."""
        number = self._at + place
        if number < 0:
            return None
        half = len(CLOCK_WEIGHTS) // 2
        clock = sum(weight * self._blocks[place - half + k].clock for k, weight in enumerate(CLOCK_WEIGHTS))
        phase = (-np.angle(clock) / (2 * np.pi)) % 1.0 * self.period
        begin, end = number * self._size, (number + 1) * self._size
        # a clock a little earlier than a block before goes on with the next bit, though that began in that block
        least = self._next - 0.5 * self.period if self._next >= 0 else float(begin)
        first = np.ceil((least - phase) / self.period) * self.period + phase
        count = int(np.ceil((end - first) / self.period))
        if count <= 0:
            return None
        self._next = first + count * self.period
        block = self._blocks[place]
        low, high, origin = self._tones(place, block.center_hz)
        # neighbours on both sides, for amplitudes
        beside = 1
        places = first - beside * self.period - origin
        off = np.abs(symbol_sums(low, places, self.period, self.period, count + 2 * beside)) / self.period
        on = np.abs(symbol_sums(high, places, self.period, self.period, count + 2 * beside)) / self.period
        return self._soft(off, on, beside, first + np.arange(count) * self.period, block.center_hz)

    def _soft(
        self, off: np.ndarray, on: np.ndarray, beside: int, starts: np.ndarray, center_hz: float
    ) -> SoftBits:
        """Give the bits of amplitudes at both tones; `beside` more of them at each end."""
        more, less = np.maximum(on, off) ** 2, np.minimum(on, off) ** 2
        heard = less[more > 1e-6 * more.max()] if more.max() > 0 else less  # not the silence after the end
        noise = max(float(np.mean(np.minimum(heard, 6 * np.median(heard)))), 0.3 * self._noise, 1e-30)
        self._noise = noise
        window = np.ones(AMPLITUDE_SYMBOLS)
        level = np.convolve(more, window, "same") / np.convolve(np.ones(len(more)), window, "same")
        # two paths fade the tones apart: each has the strength of the symbols in which it is the stronger one
        odds = []
        for own, other in ((on, off), (off, on)):
            mine = (own > other).astype(float)
            share = np.convolve(own**2 * mine, window, "same") + level
            strength = share / (np.convolve(mine, window, "same") + 1.0)
            power = np.maximum(strength - noise, 0.1 * strength)
            odds.append(log_i0(2 * np.sqrt(power) / noise * own) - power / noise)
        llr = np.clip(odds[0] - odds[1], -MOST, MOST)
        inner = slice(beside, len(llr) - beside)
        return SoftBits(
            llr[inner].astype(np.float32),
            starts,
            center_hz,
            max(float(np.mean(more[inner])) - noise, 0.0),
            noise * self.period / self.rate_hz,
        )


class FskChannel(FramedReceiver):
    """Soft bits from a channel or from audio, whatever the blocks it comes in.

    In I/Q the pair of tones is looked for within `reach_hz` of the channel's centre, in audio from 500 to 2500 Hz.
    """

    flush_blocks = DELAY_BLOCKS

    def __init__(self, mode: Mode, *, baud: float, shift_hz: float, reach_hz: float):
        super().__init__(mode)
        self._keying = (baud, shift_hz)
        self._reach_hz = reach_hz
        self._sound = False

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter."""
        baud, shift_hz = self._keying
        low_hz, high_hz = AUDIO_HZ if self._sound else (-self._reach_hz, self._reach_hz)
        self._receiver = FskReceiver(
            rate_hz / self.block_frames, baud=baud, shift_hz=shift_hz, low_hz=low_hz, high_hz=high_hz
        )
        cut_hz = self._edge_hz() + baud
        return lowpass(min(cut_hz, 0.49 * rate_hz), 2.0 * baud, rate_hz, stop_db=50.0)

    def feed(self, samples: Samples) -> Iterable[SoftBits]:
        """Take the next samples."""
        if self.clock is None:
            self._sound = not np.iscomplexobj(samples.data)
            # one sample in so many is kept; a block is a whole number of those
            self.block_frames = max(1, int(samples.rate_hz / (2 * self._edge_hz() + 4 * self._keying[0])))
            self.frame_s = BLOCK_S / self.block_frames
        if self._sound:
            samples = replace(samples, data=samples.data.astype(np.complex64))
        return super().feed(samples)

    def block(self, iq: np.ndarray) -> list[SoftBits]:
        """Take a block."""
        return [
            replace(bits, starts=bits.starts * self.block_frames)
            for bits in self._receiver.feed(np.ascontiguousarray(iq[:: self.block_frames]))
        ]

    def finish(self) -> list[SoftBits]:
        """Give nothing: the blocks of silence have brought all out."""
        return []

    def _edge_hz(self) -> float:
        """Give the highest frequency wanted."""
        baud, shift_hz = self._keying
        return (AUDIO_HZ[1] if self._sound else self._reach_hz) + 0.5 * shift_hz + baud
