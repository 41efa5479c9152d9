"""A channel or demodulated audio in, frames out: each symbol rate has a lane, asleep until its clock line stands out.

A lane that wakes holds what it hears until the line is gone, then cuts symbols from the whole stretch
(`dsp.burst_symbols`) and looks for every sync word at once: as sent, behind the packet radio scrambler, and, at twice
the symbol rate, in fast frequency-shift keying, where each bit is half a period of one tone or a period of another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.coding.scramble import descramble
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.aligned import FixedBlocks
from earwitness.dsp.burst_symbols import symbol_places, two_level
from earwitness.dsp.centred import Centred
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import finite
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import hann, mean_power
from earwitness.dsp.swept import slid
from earwitness.dsp.thin import Thin
from earwitness.modes.fsk_frames import chip, flagged, golay_length, mobitex
from earwitness.modes.fsk_frames.framing import Found, find_words

BAUDS_HZ = (19_200.0, 9600.0, 4800.0, 2400.0, 1200.0)
LEAST_PER = 4.4  # samples a symbol of a lane, up to twice that
WINDOW = 2048  # samples of a lane that its clock line is looked for in
CLOCK_ERROR = 0.01
BESIDE = 48  # bins either side that a line is compared with
AWAKE = (11.0, 13.0, 15.0)  # power of a clock line over the mean beside it, summed over so many windows
CLIPPED = np.float32(2.0)  # times the mean change, which clean symbols do not pass
KEPT = 3  # windows before the one that wakes a lane
PATIENCE = 2  # windows without a line that end a stretch
MOST_WINDOWS = 144  # of a stretch; a longer one is cut with CARRIED windows in common
CARRIED = 36
AVERAGE = 100  # symbols that the clock's phase is a mean over
CUTOFF, ROLL = 0.62, 0.8  # of a lane's filter, in symbol rates
EDGES_HZ = {
    19_200.0: 17_000.0,
    9600.0: 9000.0,
    4800.0: 6000.0,
    2400.0: 3500.0,
    1200.0: 2200.0,
}  # -6 dB, before the discriminator of a rate
CENTRED_HZ, CENTRED_PIECE = 400.0, 8192  # carriers within are left where they are; samples looked at together
LEAST_DOUBLED = 2.4  # samples a symbol of audio that is interpolated to twice as many
BINS = 256  # that show where a signal lies and how wide it is
TUNED_SHARE = 0.985  # of its power over the noise below the upper and above the lower edge
TUNED_ROOM, TUNED_LEAST = 1.0, 0.5  # -6 dB edge of its filter: times half that width; at least, symbol rates
LARGEST = 1e6
LEVEL_S, LEVELS_KEPT = 0.01, 9000  # a stretch at the slowest rate lasts most of a minute
FFSK_HZ = 9600.0  # half symbols of fast frequency-shift keying at 4800 Bd


@kernel("void(float32[::1], int64, float32[:,::1])", fastmath=True)
def _changes(y: np.ndarray, half: int, out: np.ndarray) -> None:
    """Give squared changes over half a symbol in rows (m, n) of y; the clicks of a discriminator are cut off in each."""
    size = out.shape[1]
    for row in range(len(out)):
        part, made = y[row * size :], out[row]
        total = np.float32(0)
        for n in range(size):
            step = part[n + half] - part[n]
            made[n] = step * step
            total += made[n]
        most = CLIPPED * total / np.float32(max(size, 1))
        for n in range(size):
            made[n] = min(made[n], most)


@dataclass(frozen=True, slots=True)
class _Heard:
    """A frame, when it was since the first sample, and the mean level of the discriminator at the lane's rate."""

    found: Found
    baud: float
    start_s: float
    stop_s: float
    level: float
    lane_hz: float


class _Lane:
    """One symbol rate of a real stream of levels."""

    def __init__(self, baud: float, rate_hz: float):
        self.baud = baud
        self.rate_hz = rate_hz
        self.per = rate_hz / baud
        self._filter = Thin(lowpass(CUTOFF * baud, ROLL * baud, rate_hz, stop_db=40.0), 1, np.float32)
        self._half = round(self.per / 2)
        self._raw = np.zeros(0, np.float32)
        self._iq: np.ndarray | None = None  # the same stretch where the lane has a channel
        self._kept_iq: list[np.ndarray] = []
        self._at = 0  # of _raw[0], in samples of the lane
        middle = WINDOW / self.per
        self._low = int(middle * (1 - CLOCK_ERROR)) - 1
        self._high = int(np.ceil(middle * (1 + CLOCK_ERROR))) + 2
        # of the latest windows, the last of them last
        self._lines = np.zeros((len(AWAKE) - 1, self._high - self._low), np.float32)
        self._kept: list[np.ndarray] = []  # the windows of the stretch
        self._awake = False
        self._quiet = 0
        self._from = 0.0  # frames that begin before this sample were given

    def feed(self, x: np.ndarray, iq: np.ndarray | None = None) -> list[_Heard]:
        """Take levels (n,) at the lane's rate, and the channel they are of where there is one."""
        if iq is not None:
            self._iq = iq if self._iq is None else np.concatenate([self._iq, iq])
        self._raw = np.concatenate([self._raw, self._filter.feed(x)])
        return self._look()

    def close(self) -> list[_Heard]:
        """Give what is still held."""
        out = self.feed(np.zeros(self._filter.half, np.float32))
        self._raw = np.pad(self._raw, (0, WINDOW + self._half - len(self._raw)))
        if self._iq is not None:
            self._iq = np.pad(self._iq, (0, max(WINDOW - len(self._iq), 0)))
        out += self._look()
        return out + (self._read(final=True) if self._awake else [])

    def _look(self) -> list[_Heard]:
        """Take the windows that are whole."""
        count = max(len(self._raw) - self._half, 0) // WINDOW
        out: list[_Heard] = []
        for k, heard in enumerate(self._lines_heard(count) if count else ()):
            part = slice(k * WINDOW, (k + 1) * WINDOW)
            self._kept.append(self._raw[part].copy())
            if self._iq is not None:
                self._kept_iq.append(self._iq[part].copy())
            self._at += WINDOW
            out += self._judged(heard)
        self._raw = self._raw[count * WINDOW :]
        if self._iq is not None:
            self._iq = self._iq[count * WINDOW :]
        return out

    def _lines_heard(self, count: int) -> list[bool]:
        """Tell for each of the next windows whether a clock line stands out of it, or of it and those before it."""
        change = np.empty((count, WINDOW), np.float32)
        _changes(self._raw, self._half, change)
        change *= hann(WINDOW)
        first = max(self._low - BESIDE, 1)
        spectra = fft.forward_real(change)[:, first : self._high + BESIDE]
        beside = spectra.real**2 + spectra.imag**2
        inside = beside[:, self._low - first : self._high - first]
        others = max(beside.shape[1] - inside.shape[1], 1)
        rest = (beside.sum(axis=1) - inside.sum(axis=1)) / others
        lines = np.concatenate([self._lines, inside / np.maximum(rest, 1e-30)[:, None]])
        self._lines = lines[count:]
        heard = np.zeros(count, np.bool_)
        total = np.zeros_like(inside)
        for k, least in enumerate(AWAKE):
            total += lines[len(AWAKE) - 1 - k :][:count]
            heard |= total.max(axis=1) > least
        return heard.tolist()

    def _judged(self, heard: bool) -> list[_Heard]:
        """Keep the latest window or not; read what is kept once that is over, or as much as may be kept."""
        if not self._awake:
            self._awake, self._quiet = heard, 0
            if not heard:
                self._kept, self._kept_iq = self._kept[-KEPT:], self._kept_iq[-KEPT:]
            return []
        self._quiet = 0 if heard else self._quiet + 1
        if self._quiet >= PATIENCE:
            return self._read(final=True)
        return self._read(final=False) if len(self._kept) >= MOST_WINDOWS else []

    def _read(self, *, final: bool) -> list[_Heard]:
        """Cut symbols from the stretch and look for frames; what may not be whole waits for the next look."""
        x = np.concatenate(self._kept)
        origin = self._at - len(x)
        keep = KEPT if final else CARRIED
        limit = np.inf if final else self._at - CARRIED * WINDOW
        shift = 0.0
        if self._kept_iq:
            tuned, shift = self._tuned(np.concatenate(self._kept_iq))
            x = tuned
        self._kept, self._kept_iq = self._kept[-keep:], self._kept_iq[-keep:]
        self._awake = not final
        change = np.zeros((1, len(x) - self._half), np.float32)
        _changes(x, self._half, change)
        places, per = symbol_places(
            np.pad(change[0], (0, self._half)),
            self.per,
            tolerance=CLOCK_ERROR,
            average=AVERAGE,
            loud_is_noise=True,
        )
        places = places + 0.5 * (self._half + per)
        places = places[(places > 4 * per) & (places < len(x) - 4 * per)]
        soft = two_level(x, places, per)
        if not len(soft):
            return []
        places = places + origin
        out = []
        for found, each in frames_in(soft, ffsk=self.baud == FFSK_HZ):
            start = float(places[min(found.start * each, len(places) - 1)])
            if not self._from <= start < limit:
                continue
            stop = float(places[min(found.stop * each, len(places) - 1)])
            part = x[int(start - origin) : int(stop - origin) + 1]
            rate = self.rate_hz
            level = shift + (float(np.mean(part)) if len(part) else 0.0)
            out.append(_Heard(found, rate / per / each, start / rate, stop / rate, level, rate))
        self._from = 0.0 if final else limit
        return out

    def _tuned(self, iq: np.ndarray) -> tuple[np.ndarray, float]:
        """Give levels behind a filter about the signal and no wider than it, and the turn a sample taken out.

        Noise that gets into a discriminator decides where its threshold lies, and a carrier is seldom where it should
        be.
        """
        rows = iq[: len(iq) // BINS * BINS].reshape(-1, BINS)
        power = mean_power(fft.forward(rows * hann(BINS), overwrite=True))
        over = np.maximum(power - 2 * np.partition(power, BINS // 4)[BINS // 4], 0)
        share = np.cumsum(over) / max(float(over.sum()), 1e-30)
        low, high = np.searchsorted(share, (1 - TUNED_SHARE, TUNED_SHARE))
        shift = 2 * np.pi * (0.5 * (low + high) / BINS - 0.5)
        half = 0.5 * (high - low + 1) * self.rate_hz / BINS
        edge = min(max(TUNED_ROOM * half, TUNED_LEAST * self.baud), 0.45 * self.rate_hz)
        taps = lowpass(edge, min(0.5 * self.baud, edge), self.rate_hz, stop_db=45.0)
        return self._levels(iq, taps, float(shift) / (2 * np.pi)), float(shift)

    def _levels(self, iq: np.ndarray, taps: np.ndarray, cycles: float) -> np.ndarray:
        """Give levels (n,) of iq (n,) turned back by so many cycles a sample, behind taps; in pieces that stay in cache."""
        narrow = Thin(taps, 1, np.complex64)
        smooth = Thin(self._filter.taps, 1, np.float32)
        before, turns = np.complex64(1), 0.0
        out = []
        padded = np.concatenate([iq, np.zeros(narrow.half + smooth.half, np.complex64)])
        for at in range(0, len(padded), CENTRED_PIECE):
            piece = padded[at : at + CENTRED_PIECE]
            turned = np.empty(len(piece), np.complex64)
            turns = slid(piece, turns, cycles, 0.0, turned)
            turned = narrow.feed(turned)
            out.append(smooth.feed(phase_steps(turned, before)))
            before = turned[-1] if len(turned) else before
        return np.concatenate(out)


def frames_in(soft: np.ndarray, *, ffsk: bool) -> list[tuple[Found, int]]:
    """Give the frames in soft symbols float32 (n,), positive one, each with how many of them its symbols take."""
    out = [(found, 1) for found in _plain(soft)]
    if ffsk:
        for phase in (0, 1):
            pairs = soft[phase : phase + (len(soft) - phase) // 2 * 2].reshape(-1, 2)
            alike = np.sign(pairs[:, 0] * pairs[:, 1]) * np.abs(pairs).min(axis=1)
            for found in _plain(np.ascontiguousarray(alike, np.float32)):
                out.append((replace(found, extra={**found.extra, "keying": "FFSK"}), 2))
    return out


MOST_PACKET = 32 + 8 * 2048
MOST_SYMBOLS = mobitex.CALLED_BITS + mobitex.MOST_BLOCKS * mobitex.BLOCK_BITS
AS_SENT = (*mobitex.WORDS, golay_length.FLAGGED, chip.FIXED, *chip.WORDS, *chip.SHORT, *chip.OPEN)


def _plain(soft: np.ndarray) -> list[Found]:
    bits = (soft > 0).astype(np.uint8)
    out: list[Found] = []
    for at, which, inverted in find_words(bits, AS_SENT):
        word = AS_SENT[which]
        sign = np.float32(-1 if inverted else 1)
        if word in mobitex.WORDS:
            found = mobitex.read(sign * soft[at : at + MOST_SYMBOLS])
        elif word in chip.WORDS:
            found = chip.repaired(
                sign * soft[at : at + 2200], chip.read, chip.length(bits[at : at + 40] ^ np.uint8(inverted))
            )
        elif word in chip.SHORT or word in chip.OPEN:
            if not chip.after_preamble(bits, at):
                continue
            part = bits[at : at + MOST_PACKET] ^ np.uint8(inverted)
            found = chip.read_short(part, 0, word) if word in chip.SHORT else chip.read_open(part, 0, word)
        elif word is chip.FIXED:
            found = golay_length.read_unflagged(sign * soft[at : at + 2200], 0)
            found = found or chip.repaired(sign * soft[at : at + 600], chip.read_fixed, 8 * chip.FIXED_OCTETS)
        else:
            found = golay_length.read(sign * soft[at : at + 2200], 0)
        if found is not None:
            out.append(replace(found, start=at, stop=at + found.stop))
    clear = descramble(bits)
    for at, _, inverted in find_words(clear, (golay_length.SCRAMBLED,)):
        found = golay_length.read_octet_length(clear[at : at + 2200] ^ np.uint8(inverted), 0)
        if found is not None:
            out.append(replace(found, start=at, stop=at + found.stop))
    return out + flagged.convolved(soft) + flagged.plain(bits) + flagged.words(bits)


@dataclass(slots=True)
class _Stage:
    """From the stage before to a lane: thinned, and discriminated where the channel is still I/Q."""

    thin: Thin
    lane: _Lane
    discriminated: bool
    doubled: bool = False  # audio of too few samples a symbol; the next stage takes what this one was fed
    before: complex = 1 + 0j

    def feed(self, x: np.ndarray) -> tuple[list[_Heard], np.ndarray]:
        """Take samples of the stage before; give what the lane heard, and the samples for the stage after."""
        if self.doubled:
            wide = np.zeros(2 * len(x), np.float32)
            wide[::2] = 2 * x
            return self.lane.feed(self.thin.feed(wide)), x
        x = self.thin.feed(x)
        if not self.discriminated:
            return self.lane.feed(x), x
        levels = np.zeros(0, np.float32)
        if len(x):
            levels = np.asarray(phase_steps(x, np.complex64(self.before)))
            self.before = x[-1]
        return self.lane.feed(levels, x), x


def _stages(rate_hz: float, audio: bool) -> list[_Stage]:
    """Give what leads to each lane, the quickest first, each fed by the one before.

    I/Q is discriminated for each lane behind a filter of its own.
    """
    out: list[_Stage] = []
    rate = rate_hz
    for baud in BAUDS_HZ:
        if rate_hz / baud < LEAST_PER * 0.9:
            if audio and rate_hz / baud >= LEAST_DOUBLED:
                taps = lowpass(0.25 * rate_hz * 2, 0.1 * rate_hz * 2, 2 * rate_hz, stop_db=40.0)
                out.append(_Stage(Thin(taps, 1, np.float32), _Lane(baud, 2 * rate_hz), False, doubled=True))
            continue
        step = 1
        while rate / step / baud >= 2 * LEAST_PER:
            step *= 2
        if not audio:
            taps = lowpass(EDGES_HZ[baud], min(6000.0, EDGES_HZ[baud]), rate, stop_db=40.0)
        elif step > 1:
            taps = lowpass(0.31 * rate / step, 0.3 * rate / step, rate, stop_db=45.0)
        else:
            taps = np.ones(1, np.float32)
        thin = Thin(taps, step, np.float32 if audio else np.complex64)
        rate /= step
        out.append(_Stage(thin, _Lane(baud, rate), not audio))
    return out


class _Levels:
    """Mean power of a channel in steps of LEVEL_S, for the latest LEVELS_KEPT of them."""

    def __init__(self, rate_hz: float):
        self._size = max(round(LEVEL_S * rate_hz), 1)
        self._rate_hz = rate_hz
        self._rest = np.zeros(0, np.float32)
        self._power = np.zeros(0, np.float32)
        self._at = 0  # of the first of them

    def note(self, x: np.ndarray) -> None:
        """Take the next samples."""
        power = np.concatenate([self._rest, x.real**2 + x.imag**2])
        whole = len(power) // self._size * self._size
        self._rest = power[whole:]
        means = power[:whole].reshape(-1, self._size).mean(axis=1)
        self._power = np.concatenate([self._power, means])
        drop = max(len(self._power) - LEVELS_KEPT, 0)
        self._power, self._at = self._power[drop:], self._at + drop

    def between(self, start_s: float, stop_s: float) -> float:
        """Give the mean power between two times since the first sample."""
        step = self._size / self._rate_hz
        first = min(max(int(start_s / step) - self._at, 0), max(len(self._power) - 1, 0))
        part = self._power[first : max(int(stop_s / step) - self._at, first + 1)]
        return float(part.mean()) if len(part) else 0.0


class Demodulator:
    """Frames of one channel, or of one recording of demodulated audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._noise: float | None = None

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; frames come when their stretch is over."""
        audio = not np.iscomplexobj(samples.data)
        if self._first is None:
            self._first = samples.clock()
            self._stages = _stages(samples.rate_hz, audio)
            self._levels = _Levels(samples.rate_hz)
            self._centred = Centred(samples.rate_hz, CENTRED_HZ)
            self._blocks = FixedBlocks(CENTRED_PIECE)
        x = samples.data
        x = np.where(np.abs(x) < LARGEST, x, 0).astype(np.float32) if audio else finite(x)
        x = x.astype(np.float32 if audio else np.complex64, copy=False)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        self._levels.note(x)
        if audio:
            return self._frames(self._heard(x))
        return self._frames(
            [item for piece in self._blocks.feed(x) for item in self._heard(self._centred.feed(piece))]
        )

    def _heard(self, x: np.ndarray) -> list[_Heard]:
        out: list[_Heard] = []
        for stage in self._stages:
            found, x = stage.feed(x)
            out += found
        return out

    def close(self) -> list[Frame]:
        """Give what the last stretch held."""
        if self._first is None:
            return []
        rest = self._blocks.rest()
        heard = self._heard(self._centred.feed(rest)) if len(rest) else []
        out = self._frames(heard + [item for stage in self._stages for item in stage.lane.close()])
        self._first = None
        return out

    def _frames(self, heard: list[_Heard]) -> list[Frame]:
        first = self._first
        if first is None:
            return []
        out = []
        for item in sorted(heard, key=lambda item: item.start_s):
            found = item.found
            carrier_hz = None
            if np.iscomplexobj(first.data):
                carrier_hz = self._centred.shift_hz(0.5 * (item.start_s + item.stop_s) * first.rate_hz)
                carrier_hz += first.center_hz + item.level * item.lane_hz / (2 * np.pi)
            power = self._levels.between(item.start_s, item.stop_s)
            snr_db = None
            if self._noise is not None and np.iscomplexobj(first.data):
                density = 10 ** (self._noise / 10)
                power = max(power - density * first.rate_hz, 1e-3 * power)
                snr_db = 10 * float(np.log10(power / density / self._mode.bandwidth_hz + 1e-30))
            out.append(
                Frame(
                    self._mode.name,
                    first.time_ns(item.start_s * first.rate_hz),
                    first.time_ns(item.stop_s * first.rate_hz),
                    Bits(int.from_bytes(found.octets, "big"), 8 * len(found.octets)),
                    "corrected" if found.corrected else "pass",
                    found.corrected,
                    found.check_name,
                    {"framing": found.framing, "symbol_rate_hz": round(item.baud, 1), **found.extra},
                    snr_db=snr_db,
                    level_dbfs=10 * float(np.log10(power + 1e-30)),
                    frequency_hz=carrier_hz,
                )
            )
        return out
