"""From a channel, or the audio of a receiver, to beacon messages.

I/Q: a burst shows itself by its steady carrier, which loses four fifths of its power when the message begins.
About that carrier the preamble is sought, clock and phase are fitted to the whole burst, and the bits are read.

Audio: a frequency discriminator gives the phase's slope, one with de-emphasis nearly the phase itself; both are
tried, and the preamble must stand out more, since no carrier is there to announce it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.carrier import mixed
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import vertex
from earwitness.modes.beacon406.burst import (
    BIT_RATE,
    BITS,
    CARRIER_S,
    DEVIATION_RAD,
    Place,
    Reading,
    Sums,
    carrier_phase,
    find_preambles,
    read_bits,
    refine,
)

WINDOW_S, HOP_S = 0.08, 0.04
LATER = (4, 5)  # hops from the carrier into the message
CLEAR = 16.0  # a carrier's power over the mean of noise in a window
FALLS = (1.9, 20.0)  # by what the carrier falls; 4.9 as transmitted
MOST_CARRIERS = 3
# blocks after the first that a steady line is alike in until it is taken out; unlike, until no more
STANDS, MISSED = 2, 5
ALIKE, SLOW = 0.3, 0.2  # by how much it may differ, and is followed
WIDE_HZ, NARROW_HZ = 1_200.0, 30.0
BESIDE = 1.6  # power near a carrier over its own: what speaks has more
APART_HZ = 200.0
TRIES = 4  # places of the preamble tried
LIKE, LIKE_SOUND = 0.62, 0.78  # of the known bits to what was received
# bits that may be wrong where no carrier spoke for it; none where no second field does, either
SOUND_CORRECTED = 2
SAME_S, SAME_HZ = 0.05, 100.0


class Demodulator:
    """Feeds on complex channel samples or float audio; gives one Frame for each burst."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self._way: CarrierWay | SoundWay | None = None

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if self._way is None:
            self._way = CarrierWay(self.mode) if np.iscomplexobj(samples.data) else SoundWay(self.mode)
        return self._way.feed(samples)

    def close(self) -> Iterable[Frame]:
        """Say that no more samples come."""
        out = list(self._way.close()) if self._way else []
        self._way = None
        return out


class _Way(FramedReceiver):
    """What both have in common: blocks of 0.2 s, and bursts that begin in one of those held."""

    block_frames = 20
    held = 4  # the longest burst and what may precede it in the first block

    def __init__(self, mode: Mode):
        super().__init__(mode)
        self.flush_blocks = self.held - 1
        self._held: list[np.ndarray] = []
        self._blocks = 0
        self._density: float | None = None
        self._known: list[tuple[float, float]] = []  # start and frequency of the last bursts

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if samples.noise_dbfs_hz is not None:
            self._density = 10 ** (samples.noise_dbfs_hz / 10)
        return super().feed(samples)

    def block(self, iq: np.ndarray) -> list[Frame]:
        """Take 0.2 s."""
        self._held.append(iq)
        self._blocks += 1
        if len(self._held) < self.held:
            return []
        joined = np.concatenate(self._held)
        del self._held[0]
        begin = (self._blocks - self.held) * len(iq)
        return self.seek(joined, begin)

    def seek(self, joined: np.ndarray, begin: int) -> list[Frame]:
        """Give the bursts of the blocks held; the first sample is the channel's number `begin`."""
        raise NotImplementedError

    def finish(self) -> list[Frame]:
        """Give nothing: the blocks of silence have brought all out."""
        return []

    def is_new(self, start: float, offset_hz: float) -> bool:
        """Tell whether a burst was not met before, and remember it."""
        if any(
            abs(start - at) < SAME_S * self.rate_hz and abs(offset_hz - hz) < SAME_HZ
            for at, hz in self._known
        ):
            return False
        self._known = [*self._known[-7:], (start, offset_hz)]
        return True

    def frame_of(
        self,
        reading: Reading,
        place: Place,
        begin: int,
        *,
        offset_hz: float | None,
        level: float | None,
        noise: float | None,
    ) -> Frame:
        """Give the frame of a reading; it begins with its carrier, so that its samples can be read again."""
        start = begin + place.start
        count = 24 + reading.bits.size if not reading.second_failed else BITS
        snr_db = level_db = None
        if level is not None:
            level_db = round(float(10 * np.log10(level + 1e-30)), 1)
            if noise:
                snr_db = round(level_db - 10 * float(np.log10(noise * self.mode.bandwidth_hz)), 1)
        center_hz = self.clock.center_hz if self.clock else 0.0
        return Frame(
            mode=self.mode.name,
            time_ns=self.time_ns(max(start - CARRIER_S * self.rate_hz, 0.0)),
            stop_ns=self.time_ns(start + 2 * count * place.half),
            bits=reading.bits,
            check="corrected" if reading.corrected else "pass",
            corrected_bits=reading.corrected,
            check_name=_check_name(reading),
            extra={"self_test": reading.self_test},
            snr_db=snr_db,
            level_dbfs=level_db,
            frequency_hz=None if offset_hz is None else round(center_hz + offset_hz, 1),
        )


def _check_name(reading: Reading) -> str:
    if reading.second_failed:
        return "BCH(82,61) of the first field; the second field failed BCH(38,26)"
    return "BCH(82,61)" + (" and BCH(38,26)" if reading.bits.size == 120 else "; six last bits unchecked")


class Standing:
    """Takes a steady line (the receiver's own offset, a spur) out of blocks of 0.2 s, once three of them had it alike.

    A burst is too short for that. While one hides the line, it is taken out as it was.
    """

    def __init__(self, rate_hz: float):
        self._rate_hz = rate_hz
        self._hz: float | None = None
        self._line = 0j  # of the latest block that had it, at the block's first sample
        self._alike = self._unlike = 0

    def feed(self, iq: np.ndarray) -> np.ndarray:
        """Take the next block, complex64 (n,); give it without the line."""
        turns = 0.0
        if self._hz is not None:
            turns = self._hz / self._rate_hz
            self._line *= np.exp(2j * np.pi * ((turns * len(iq)) % 1.0))
            now = complex(mixed(iq, turns).mean())
            if abs(now - self._line) < ALIKE * abs(self._line):
                # what the phase went further tells the frequency better
                more = float(np.angle(now / self._line)) if self._alike < STANDS else 0.0
                self._hz += more / (2 * np.pi) * self._rate_hz / len(iq)
                self._line += (1.0 if self._alike < STANDS else SLOW) * (now - self._line)
                self._alike, self._unlike = self._alike + 1, 0
            else:
                self._unlike += 1
                if self._alike < STANDS or self._unlike > MISSED:
                    self._hz = None
        if self._hz is None:
            self._look(iq)
            return iq
        if self._alike < STANDS:
            return iq
        wave = np.exp(2j * np.pi * ((self._hz / self._rate_hz * np.arange(len(iq))) % 1.0))
        return (iq - self._line * wave).astype(np.complex64)

    def _look(self, iq: np.ndarray) -> None:
        self._alike = self._unlike = 0
        spectrum = np.abs(fft.forward(iq, fft.good_size(2 * len(iq)))) ** 2
        top = int(spectrum.argmax())
        if spectrum[top] < CLEAR * float(np.median(spectrum)) / np.log(2.0) or not np.any(iq):
            return
        hz = (top if top < len(spectrum) // 2 else top - len(spectrum)) * self._rate_hz / len(spectrum)
        self._hz = hz + _fine_hz(mixed(iq, hz / self._rate_hz), self._rate_hz)
        self._line = complex(mixed(iq, self._hz / self._rate_hz).mean())


class CarrierWay(_Way):
    """Bursts in I/Q."""

    def block(self, iq: np.ndarray) -> list[Frame]:
        """Take 0.2 s."""
        return super().block(self._standing.feed(iq))

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter."""
        self._window = round(WINDOW_S * rate_hz)
        self._fft = fft.good_size(2 * self._window)
        self._known_powers: list[np.ndarray] = []
        self._next_begin = 0
        self._standing = Standing(rate_hz)
        return lowpass(min(self.mode.offset_ok_hz + 2_000.0, 0.46 * rate_hz), 1_000.0, rate_hz, stop_db=50.0)

    def seek(self, joined: np.ndarray, begin: int) -> list[Frame]:
        """Look for carriers that begin in the first block, and read what follows them."""
        block = len(joined) // self.held
        hops = round(block / (HOP_S * self.rate_hz))
        if not np.any(joined[:block]):
            return []
        starts = np.round(np.arange(hops + LATER[-1]) * block / hops).astype(int)
        # the first of these windows were the last of those before
        known = self._known_powers if begin == self._next_begin else []
        rows = np.stack([joined[at : at + self._window] for at in starts[len(known) :]])
        spectra = fft.forward(rows, self._fft)
        power = [*known, *(spectra.real**2 + spectra.imag**2)]
        self._known_powers, self._next_begin = power[hops:], begin + block
        out: list[Frame] = []
        for n in range(hops):
            for offset_hz in self._carriers(power[n], 0.5 * (power[n + LATER[0]] + power[n + LATER[1]])):
                if any(self._inside(begin + starts[n], offset_hz, frame) for frame in out):
                    continue
                frame = self._read(joined, begin, int(starts[n]), offset_hz)
                if frame is not None:
                    out.append(frame)
        return out

    def _inside(self, at: float, offset_hz: float, frame: Frame) -> bool:
        center_hz = self.clock.center_hz if self.clock else 0.0
        here = self.time_ns(float(at))
        near = abs((frame.frequency_hz or 0.0) - center_hz - offset_hz) < SAME_HZ
        return near and frame.time_ns - 10**8 < here < frame.stop_ns

    def _carriers(self, now: np.ndarray, later: np.ndarray) -> list[float]:
        """Give the frequencies of carriers in one window's power that have fallen in a later one's."""
        bin_hz = self.rate_hz / self._fft
        reach = min(int((self.mode.offset_ok_hz + 1_000.0) / bin_hz), self._fft // 2 - 1)
        inside = np.concatenate([now[: reach + 1], now[-reach:]])
        floor = max(float(np.median(inside)) / np.log(2.0), 1e-6 * float(inside.max()))
        if floor <= 0:
            return []
        places = np.empty(2 * reach, np.int64)
        wide, narrow = int(WIDE_HZ / bin_hz), max(int(NARROW_HZ / bin_hz), 1)
        most = int((self.mode.offset_ok_hz + 500.0) / bin_hz)
        places = places[: _fallen(now, later, floor, min(most, reach), wide, narrow, places)]
        found: list[float] = []
        for hz in (places[np.argsort(-now[places])] * bin_hz).tolist():
            if all(abs(hz - other) > APART_HZ for other in found):
                found.append(hz)
            if len(found) == MOST_CARRIERS:
                break
        return found

    def _read(self, joined: np.ndarray, begin: int, at: int, offset_hz: float) -> Frame | None:
        rate, nominal = self.rate_hz, 0.5 * self.rate_hz / BIT_RATE
        offset_hz += _fine_hz(mixed(joined[at : at + self._window], offset_hz / rate), rate)
        level = mixed(joined, offset_hz / rate)
        sums = Sums(level)
        for found in find_preambles(
            sums, at + 0.5 * self._window, at + (CARRIER_S + 0.02) * rate, nominal, count=TRIES
        ):
            if found.likeness < LIKE:
                return None
            place = refine(sums, found, nominal)
            carrier_at = max(place.start - 0.95 * CARRIER_S * rate, 0.0)
            spans = np.array([carrier_at, place.start - 0.2 * place.half])
            if spans[1] - spans[0] < 0.3 * CARRIER_S * rate:
                continue
            # a carrier's frequency over all of it, then its phase where the message begins
            first, last = int(spans[0]), int(spans[1])
            more_hz = _fine_hz(level[first:last], rate)
            exact = Sums(mixed(level, more_hz / rate, -last))
            before = complex(np.diff(exact.to(spans))[0])
            halves = exact.halves(place.start, place.half, 2 * BITS)
            carrier, data = halves[::2] + halves[1::2], halves[::2] - halves[1::2]
            phase = carrier_phase(carrier, data, before)
            reading = read_bits((data * np.exp(-1j * phase)).imag)
            if reading is None:
                continue
            start = begin + place.start
            if not self.is_new(start, offset_hz + more_hz):
                return None
            whole = np.cos(DEVIATION_RAD) * carrier * np.exp(-1j * phase)
            drive = np.sin(DEVIATION_RAD) * np.abs((data * np.exp(-1j * phase)).imag)
            used = slice(0, 24 + 82)
            amplitude = float((whole.real + drive)[used].mean()) / (2 * place.half)
            drift_hz = (
                float(np.polyfit(np.arange(106), np.unwrap(phase[used]), 1)[0]) * BIT_RATE / (2 * np.pi)
            )
            return self.frame_of(
                reading,
                place,
                begin,
                offset_hz=offset_hz + more_hz + drift_hz,
                level=amplitude**2,
                noise=self._density,
            )
        return None


def _fine_hz(iq: np.ndarray, rate_hz: float) -> float:
    """Give the frequency of a carrier near 0 Hz: the highest of a padded transform, between its bins."""
    if len(iq) < 16:
        return 0.0
    size = fft.good_size(8 * len(iq))
    spectrum = np.abs(fft.forward(iq.astype(np.complex64), size))
    reach = max(int(25.0 * size / rate_hz), 2)
    near = np.concatenate([spectrum[-reach:], spectrum[: reach + 1]])
    top = int(near.argmax())
    shift = 0.0
    if 0 < top < len(near) - 1:
        shift = vertex(*near[top - 1 : top + 2])
    return float((top - reach + shift) * rate_hz / size)


@kernel("int64(float32[::1], float32[::1], float64, int64, int64, int64, int64[::1])")
def _fallen(
    now: np.ndarray, later: np.ndarray, floor: float, reach: int, wide: int, narrow: int, out: np.ndarray
) -> int:
    """Note the places, -reach to reach, of carriers in a power spectrum that have fallen in a later one; gives how many."""
    size = len(now)
    made = 0
    for at in range(-reach, reach + 1):
        top = now[at % size]
        if top <= CLEAR * floor or top < now[(at - 1) % size] or top < now[(at + 1) % size]:
            continue
        near = max(later[at % size], later[(at - 1) % size], later[(at + 1) % size])
        if top <= FALLS[0] * near or top >= FALLS[1] * near:
            continue
        own = 0.0
        whole = 0.0
        for k in range(-wide, wide + 1):
            value = now[(at + k) % size]
            whole += value
            if abs(k) <= narrow:
                own += value
        if whole - floor * (2 * wide + 1) < BESIDE * own and made < len(out):
            out[made] = at
            made += 1
    return made


class SoundWay(_Way):
    """Bursts in audio: the phase, or its slope, without the carrier."""

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter."""
        return lowpass(min(2_400.0, 0.45 * rate_hz), 800.0, rate_hz, stop_db=40.0)

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        return super().feed(replace(samples, data=samples.data.astype(np.complex64)))

    def seek(self, joined: np.ndarray, begin: int) -> list[Frame]:
        """Look for preambles that begin in the second block."""
        block = len(joined) // self.held
        if not np.any(joined[block : 2 * block]):
            return []
        nominal = 0.5 * self.rate_hz / BIT_RATE
        total = np.concatenate([[0.0], np.cumsum(joined.real, dtype=np.float64)])
        reach = round(6 * nominal)
        padded = np.pad(total[1:], reach, mode="edge")
        mean = np.convolve(padded, np.full(2 * reach + 1, 1 / (2 * reach + 1)), "valid")
        for signal in (joined.real, total[1:] - mean):
            sums = Sums(signal)
            for found in find_preambles(sums, block, 2 * block, nominal, count=TRIES):
                if found.likeness < LIKE_SOUND:
                    break
                place = refine(sums, found, nominal)
                halves = sums.halves(place.start, place.half, 2 * BITS).real
                reading = read_bits(halves[::2] - halves[1::2])
                if reading is None or reading.corrected > SOUND_CORRECTED * reading.second_agrees:
                    continue
                if self.is_new(begin + place.start, 0.0):
                    return [self.frame_of(reading, place, begin, offset_hz=None, level=None, noise=None)]
                return []
        return []
