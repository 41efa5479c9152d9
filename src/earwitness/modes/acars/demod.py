"""A channel or demodulated audio in, ACARS frames out: pattern gate, carrier, matched filter, block check.

The way of a burst:

1. The input is resampled to six samples a bit through one low-pass (flat to +-5.4 kHz).
2. Gate: the audio (of I/Q its envelope, which needs no carrier) goes through the bit pulse's matched filter
   and is correlated with the last ones of the pre-key, `+ * SYN SYN SOH`.
3. Carrier: the strongest line around the pattern; smoothed over 20 ms it follows fading and drift. The keyed
   tone has no power near the carrier, so it takes nothing from the signal. The part in phase with it is the audio:
   near the limit this beats the envelope by about 1 dB (benchmarks/bench_acars.py).
4. Bits: a loop steered by decisions follows the audio's phase, which is the bit clock; then clock error and start
   are fitted to the whole burst and the bits decided anew.
5. The block is read to its end character; parity of every character and the block check must be right. Where
   few characters fail their parity, their least certain bits are reversed; what then passes all checks is marked
   "corrected".
6. A decoded burst is rebuilt and taken out of the samples, and weaker ones that lay beneath it are looked for.

All work runs on a grid of output samples fixed by the first sample, so block lengths cannot change the outcome.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.aligned import FixedBlocks, Resampler
from earwitness.dsp.filters import convolve_valid
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import vertex
from earwitness.modes.acars.msk import BIT_RATE_HZ, MIDDLE_HZ, NEAR, keyed_tone, pulse_table
from earwitness.payloads.acars_block import (
    DEL,
    ETB,
    ETX,
    HEAD,
    MOST_OCTETS,
    SOH,
    SYN,
    WITH_PARITY,
    Block,
    build,
    parity_errors,
    parse,
)

OS = 6  # samples per bit
RATE_HZ = OS * BIT_RATE_HZ
RAW_BLOCK = 2048  # input samples taken at a time
SUB = 16  # matched-filter positions per sample
TABLE = pulse_table(OS, SUB)
TURN = 2 * np.pi * MIDDLE_HZ / RATE_HZ  # audio phase per sample of timing error
ONES = 9  # pre-key bits in the pattern
MOST_BITS = 8 * (MOST_OCTETS + 1) + 8
SMOOTH = 289  # samples (20 ms) the carrier is smoothed over
FADE = 577  # samples (40 ms) a burst's amplitude is smoothed over when it is taken out
PRE_KEY = 160  # bits before the head of a burst that may be its pre-key
MOST_DEPTH = 2  # bursts taken off one another
SAME_NS = 2_000_000  # two readings of one burst start within this
SPAN = 60 * OS  # either side of the pattern's end, where the carrier is looked for
LEAD = SPAN + SMOOTH  # wanted before a block's first bit
TAIL = MOST_BITS * OS + SMOOTH + 4 * OS  # and after it
REACH_HZ = 2700.0
GATE = 0.4  # squared correlation; noise alone reaches 0.4 less than once a day
PEAK = 12 * OS  # a gate peak outranks others this near
SEARCH = OS  # either side of a peak, where the pattern is looked for again in the coherent audio
MOST_FLIPS = 3
FLIP_LARGEST = 0.7  # a bit of nominal size 1 further out than this is not doubted


HEADING = bytes(WITH_PARITY[c] for c in (ord("+"), ord("*"), SYN, SYN, SOH))


def _bits(octets: bytes, ones: int) -> np.ndarray:
    """Give ones, then the bits of octets as sent, uint8."""
    bits = np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")
    return np.concatenate([np.ones(ones, np.uint8), bits])


KNOWN = (2.0 * _bits(HEADING, ONES) - 1).astype(np.float32)
# What the matched filter gives for them; the first and last have a neighbour that is not known.
MODEL = (KNOWN[1:-1] + 1j * NEAR * (KNOWN[2:] - KNOWN[:-2])).astype(np.complex64)
# From the end of the first modelled bit to the start of the block.
BACK = len(MODEL) * OS


@kernel("void(float32[::1], complex64[::1], complex64[::1], float32[::1], complex64[::1])", fastmath=True)
def _gate(
    audio: np.ndarray, taps: np.ndarray, model: np.ndarray, score: np.ndarray, sums: np.ndarray
) -> None:
    """Score every start: squared correlation 0..1 of the matched filter's output with the pattern.

    Entry n has its first modelled bit end at audio[n + OS].
    """
    count = len(score)
    z = np.empty(count + len(model) * OS, np.complex64)
    for n in range(len(z)):
        re = np.float32(0)
        im = np.float32(0)
        for i in range(len(taps)):
            re += taps[i].real * audio[n + i]
            im += taps[i].imag * audio[n + i]
        z[n] = complex(re, im)
    whole = np.float32(0)
    for k in range(len(model)):
        whole += model[k].real ** 2 + model[k].imag ** 2
    for n in range(count):
        re = np.float32(0)
        im = np.float32(0)
        power = np.float32(1e-20)
        for k in range(len(model)):
            v = z[n + k * OS]
            m = model[k]
            re += v.real * m.real + v.imag * m.imag
            im += v.imag * m.real - v.real * m.imag
            power += v.real * v.real + v.imag * v.imag
        score[n] = (re * re + im * im) / (whole * power)
        sums[n] = complex(re, im) / whole


@kernel("complex128(float32[::1], complex64[:, ::1], float64)", fastmath=True)
def _matched(audio: np.ndarray, table: np.ndarray, mid: float) -> complex:
    rows, taps = table.shape
    whole = int(np.floor(mid))
    row = int((mid - whole) * rows + 0.5)
    if row == rows:
        row = 0
        whole += 1
    base = whole - taps // 2
    re = np.float32(0)
    im = np.float32(0)
    if base >= 0 and base + taps <= len(audio):
        weights = table[row]
        part = audio[base : base + taps]
        for i in range(taps):
            re += weights[i].real * part[i]
            im += weights[i].imag * part[i]
    return complex(re, im)


@kernel("void(float32[::1], complex64[:, ::1], float64, float64, complex128, complex64[::1])")
def _all_bits(
    audio: np.ndarray, table: np.ndarray, start: float, step: float, turn: complex, z: np.ndarray
) -> None:
    """Give matched-filter outputs of the bits from sample `start` on, `step` samples each, times `turn`."""
    for k in range(len(z)):
        z[k] = _matched(audio, table, start + (k + 1) * step) * turn


@kernel("void(float32[::1], complex64[:, ::1], float64, complex128, float64, float64, float64[::1])")
def _follow(
    audio: np.ndarray,
    table: np.ndarray,
    start: float,
    turn: complex,
    near: float,
    per: float,
    ends: np.ndarray,
) -> None:
    """First pass: decide bits under a second-order timing loop; gives where each bit ends, in samples.

    `turn` takes out the audio's phase and scales its amplitude to 1; `per` is the audio phase per sample.
    """
    at = start
    step = float(OS)
    last = np.zeros(3)  # decisions: now, before, and the one before that
    last[1] = -1.0  # SOH ends in zeros
    last[2] = -1.0
    held = 0j
    amplitude = 1.0
    for k in range(len(ends)):
        at += step
        z = _matched(audio, table, at) * turn
        last[0] = 1.0 if z.real > 0 else -1.0
        if k > 0:
            b = last[1]
            cross = held.imag * b - amplitude * near * (last[0] - last[2]) * b
            error = max(-0.7, min(0.7, cross / amplitude)) / per
            at -= 0.08 * error
            step -= 0.002 * error
            step = max(OS * 0.999, min(OS * 1.001, step))
            amplitude += (max(held.real * b, 0.0) - amplitude) / 64
            amplitude = max(amplitude, 0.05)
        ends[k] = at
        held = z
        last[2] = last[1]
        last[1] = last[0]


@dataclass(frozen=True, slots=True)
class Reading:
    """A block read from bits: what it says, how many bits it took (block check and DEL included), what was reversed."""

    block: Block
    bits: int
    flips: tuple[int, ...]


def read_block(soft: np.ndarray) -> Reading | None:
    """Give the block that soft bits (n,) of nominal size 1 begin with, the mode character's first bit first."""
    octets = np.packbits(soft > 0, bitorder="little").tobytes()
    ends = _ends(octets)
    for end in ends:
        block = parse(octets[: end + 3])
        if block:
            return Reading(block, 8 * (end + 4), ())
    for end in ends:
        found = _repaired(octets[: end + 3], soft)
        if found:
            return found
    return None


def _ends(octets: bytes) -> list[int]:
    """Give where the end character may stand: at most one bit wrong; those that DEL follows come first."""
    found = []
    for i in range(HEAD, min(len(octets) - 2, MOST_OCTETS - 2)):
        wrong = min((octets[i] ^ WITH_PARITY[end]).bit_count() for end in (ETX, ETB))
        if wrong <= 1:
            after = (octets[i + 3] ^ DEL).bit_count() if i + 3 < len(octets) else 8
            found.append((wrong + after, i))
    return [i for _, i in sorted(found)[:4]]


def _repaired(octets: bytes, soft: np.ndarray) -> Reading | None:
    """Reverse the least certain bits of characters whose parity fails, and of the block check; None if none pass."""
    bad = parity_errors(octets)
    if len(bad) > MOST_FLIPS:
        return None
    size = np.abs(soft[: 8 * len(octets)])

    def weakest(first: int, count: int, most: int) -> list[int]:
        places = sorted(range(first, first + count), key=lambda i: size[i])[:most]
        return [int(i) for i in places if size[i] < FLIP_LARGEST]

    check = weakest(8 * (len(octets) - 2), 16, 2)
    extra: list[tuple[int, ...]] = [()]
    for count in range(1, min(MOST_FLIPS - len(bad), len(check)) + 1):
        extra += combinations(check, count)
    choices = [weakest(8 * i, 8, 2) for i in bad]
    trials = [(*picked, *more) for picked in product(*choices) for more in extra]
    for flips in sorted(trials, key=lambda places: sum(size[i] for i in places)):
        trial = bytearray(octets)
        for place in flips:
            trial[place // 8] ^= 1 << place % 8
        block = parse(bytes(trial))
        if block:
            return Reading(block, 8 * (len(octets) + 1), flips)
    return None


def _coherent(y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Give the audio in phase with the carrier, that across it, and the carrier's frequency, for y around LEAD.

    Audio is float32 (n,), in samples of y; at the ends, half of SMOOTH, it is zero.
    """
    part = y[LEAD - SPAN : LEAD + SPAN] * np.hanning(2 * SPAN).astype(np.float32)
    size = 8192
    power = np.abs(fft.forward(part, size)) ** 2
    reach = int(REACH_HZ / RATE_HZ * size)
    power[reach : size - reach] = 0
    top = int(np.argmax(power))
    carrier_hz = (top if top < size // 2 else top - size) / size * RATE_HZ
    turned = _turned(y, -carrier_hz)
    line = np.zeros(len(y), np.complex64)
    half = SMOOTH // 2
    line[half : len(y) - half] = _smooth(turned, SMOOTH)
    upright = turned * line.conj() / np.maximum(np.abs(line), 1e-20)
    near = line[LEAD - SPAN // 2 : LEAD + SPAN]
    left = float(np.angle(np.vdot(near[:-1], near[1:])))
    return upright.real.astype(np.float32), upright.imag, carrier_hz + left * RATE_HZ / (2 * np.pi)


def _turned(y: np.ndarray, shift_hz: float) -> np.ndarray:
    """Give y moved in frequency, complex64; sample 0 keeps its phase."""
    return y * np.exp(2j * np.pi * shift_hz / RATE_HZ * np.arange(len(y))).astype(np.complex64)


def _smooth(x: np.ndarray, size: int) -> np.ndarray:
    """Give x (n,) smoothed by a Hann window of `size`, where it overlaps fully: (n - size + 1,)."""
    window = np.hanning(size + 2)[1:-1]
    return convolve_valid(x, (window / window.sum()).astype(np.float32))


def _rebuilt(y: np.ndarray, block: Block, start: float, step: float, carrier_hz: float) -> np.ndarray:
    """Give the burst of a block whose first bit starts at y[start], rebuilt with the amplitude it has in y.

    The amplitude comes from the keyed tone and the carrier is set by their mean ratio, since the carrier of a
    burst beneath may be too near to be told apart.
    """
    bits = _bits(HEADING + build(block) + bytes([DEL]), PRE_KEY)
    known = PRE_KEY + 8 * len(HEADING)
    at = (np.arange(len(y)) - start) / step + known
    tone = keyed_tone(bits, at).astype(np.float32)
    inside = ((at >= 0) & (at < len(bits))).astype(np.float32)
    turned = _turned(y, -carrier_hz)
    half = FADE // 2

    def smooth(x: np.ndarray) -> np.ndarray:
        return _smooth(np.pad(x, half), FADE)

    swing = smooth(turned * tone) / np.maximum(smooth(tone * tone), 0.05)
    carrier = smooth(turned * inside) / np.maximum(smooth(inside), 0.1)
    whole = at >= known
    power = float(np.sum(np.abs(swing[whole]) ** 2)) + 1e-30
    ratio = float(np.sum((carrier * swing.conj()).real[whole])) / power
    return _turned(swing * (max(1.0, min(ratio, 10.0)) + tone) * inside, carrier_hz).astype(np.complex64)


def _decode(audio: np.ndarray) -> tuple[Reading, float, float] | None:
    """Give reading, start and samples per bit of the block whose first bit is near audio[LEAD]."""
    first = LEAD - BACK - SEARCH - OS
    score = np.empty(2 * SEARCH + 1, np.float32)
    sums = np.empty(len(score), np.complex64)
    _gate(audio[first:], TABLE[0], MODEL, score, sums)
    top = int(np.argmax(score[1:-1])) + 1
    if score[top] < GATE / 2:
        return None
    fine = max(-0.5, min(0.5, vertex(*score[top - 1 : top + 2])))
    start = LEAD - SEARCH + top + fine
    level = complex(sums[top]) * np.exp(1j * TURN * fine)
    turn = 1 / level
    ends = np.empty(MOST_BITS)
    _follow(audio, TABLE, start, turn, NEAR, TURN, ends)
    z = np.empty(MOST_BITS, np.complex64)
    for k, at in enumerate(ends):
        z[k] = _matched(audio, TABLE, at) * turn
    best = read_block(z.real)
    if best and not best.flips:
        return best, start, OS
    octets = np.packbits(z.real > 0, bitorder="little").tobytes()
    for end in _ends(octets):
        count = 8 * (end + 4)
        line = np.polyfit(np.arange(count), ends[:count], 1)
        step, begin = float(line[0]), float(line[1] - line[0])
        part = np.empty(count, np.complex64)
        for _ in range(2):
            _all_bits(audio, TABLE, begin, step, turn, part)
            begin, step = _retimed(part, begin, step)
        _all_bits(audio, TABLE, begin, step, turn, part)
        found = read_block(part.real / np.float32(np.median(np.abs(part.real)) + 1e-20))
        if found and (best is None or len(found.flips) < len(best.flips)):
            return found, begin, step
    return (best, start, OS) if best else None


def _retimed(z: np.ndarray, begin: float, step: float) -> tuple[float, float]:
    """Give start and samples per bit that take out the phase left in matched-filter outputs z (n,)."""
    b = np.where(z.real > 0, 1.0, -1.0)
    model = b.astype(np.complex128)
    model[1:-1] += 1j * NEAR * (b[2:] - b[:-2])
    left = (z * model.conj())[1:-1]
    k = np.arange(1, len(z) - 1)
    phase = np.clip(left.imag / (np.mean(np.abs(left)) + 1e-20), -0.7, 0.7)
    slope, offset = np.polyfit(k, phase, 1)
    return begin - (offset - slope) / TURN, step - slope / TURN


def _peaks(score: np.ndarray, first: int) -> list[int]:
    """Give the starts, the first of which has score[0], that pass the gate and that none within PEAK outranks."""
    found = []
    for n in np.flatnonzero(score > GATE).tolist():
        before = score[max(n - PEAK, 0) : n]
        # the first of equals, so that a plateau gives one peak
        if score[n] >= score[n : n + PEAK + 1].max() and (before < score[n]).all():
            found.append(n + first)
    return found


class Demodulator:
    """Frames of one ACARS channel, or of audio. `Frame.time_ns` is the first bit of the mode character."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None  # the first block without its data, for times
        self._noise: float | None = None
        self._held = np.zeros(LEAD, np.complex64)  # resampled input that is still wanted
        self._held_at = -LEAD  # index of its first sample
        self._scored = 0  # starts judged by the gate
        self._starts: list[tuple[int, int]] = []  # where blocks may begin, waiting for their tail; and depth
        self._reported: list[Frame] = []  # the last ones

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives a frame some 0.8 s after its block began."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        data = np.asarray(samples.data)
        good = np.isfinite(data) & (np.abs(data) < 1e9)
        if not good.all():
            data = np.where(good, data, 0).astype(data.dtype)
        out: list[Frame] = []
        for block in self._blocks.feed(data):
            out += self._take(block)
        return out

    def close(self) -> list[Frame]:
        """Decode what is still waiting."""
        if self._first is None:
            return []
        out = self._take(self._blocks.rest())
        missing = LEAD + TAIL + BACK + 2 * PEAK
        pad = int(missing * self._first.rate_hz / RATE_HZ) + self._resamplers[0].half + 2
        dtype = np.float32 if self._is_audio else np.complex64
        out += self._take(np.zeros(pad, dtype))
        self._first = None
        return out

    def _begin(self, samples: Samples) -> None:
        self._first = samples.clock()
        self._is_audio = not np.iscomplexobj(samples.data)
        self._blocks = FixedBlocks(RAW_BLOCK)
        rate = samples.rate_hz
        cutoff, width = min(6200.0, 0.43 * rate), min(1600.0, 0.12 * rate)
        self._resamplers = [
            Resampler(rate, RATE_HZ, cutoff_hz=cutoff, width_hz=width)
            for _ in range(1 if self._is_audio else 2)
        ]

    def _take(self, block: np.ndarray) -> list[Frame]:
        """Resample a block, score the starts it completes, decode the candidates that are whole."""
        if self._is_audio:
            fresh = self._resamplers[0].feed(block.astype(np.float32)).astype(np.complex64)
        else:
            parts = np.ascontiguousarray(block, np.complex64).view(np.float32)
            real = self._resamplers[0].feed(parts[0::2].copy())
            fresh = (real + 1j * self._resamplers[1].feed(parts[1::2].copy())).astype(np.complex64)
        self._held = np.concatenate([self._held, fresh])
        self._score()
        out = self._work()
        wanted = min([start for start, _ in self._starts[:1]] + [self._scored]) - TAIL - LEAD - BACK - PEAK
        if wanted > self._held_at:
            self._held, self._held_at = self._held[wanted - self._held_at :], wanted
        return out

    def _score(self) -> None:
        """Run the gate over starts not yet judged and note its peaks.

        The start of a block is judged when PEAK more starts are there, by those around it.
        """
        end = self._held_at + len(self._held) - OS - 1  # starts before this can be scored
        count = end - self._scored
        if count < 3 * PEAK:
            return
        first = self._scored - PEAK
        stop = end - PEAK
        score = self._judge(first, end)
        self._starts += [(n, 0) for n in _peaks(score, first) if self._scored <= n < stop]
        self._scored = stop

    def _judge(self, first: int, end: int) -> np.ndarray:
        """Give the gate's score of the starts first..end, float32."""
        begin = first - BACK - OS - self._held_at
        part = self._held[max(begin, 0) : end + OS + 1 - self._held_at]
        audio = part.real if self._is_audio else np.abs(part)
        audio = np.concatenate([np.zeros(max(-begin, 0), np.float32), audio])
        score = np.empty(end - first, np.float32)
        _gate(audio, TABLE[0], MODEL, score, np.empty(len(score), np.complex64))
        return score

    def _work(self) -> list[Frame]:
        """Decode the candidates whose tails are there."""
        out: list[Frame] = []
        while self._starts and self._starts[0][0] + TAIL <= self._held_at + len(self._held):
            start, depth = self._starts.pop(0)
            begin = start - LEAD - self._held_at
            y = self._held[begin : begin + LEAD + TAIL]
            carrier_hz = 0.0
            if self._is_audio:
                audio = across = np.ascontiguousarray(y.real)
            else:
                audio, across, carrier_hz = _coherent(y)
            found = _decode(audio)
            if found is None:
                continue
            frame = self._frame(found, y, across, carrier_hz, start - LEAD)
            if not any(
                frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                for other in self._reported
            ):
                self._reported = [*self._reported[-7:], frame]
                out.append(frame)
            if not self._is_audio and depth < MOST_DEPTH:
                self._uncover(found, carrier_hz, start, depth)
        return out

    def _uncover(self, found: tuple[Reading, float, float], carrier_hz: float, at: int, depth: int) -> None:
        """Take a decoded burst out of the samples and note starts of weaker ones beneath it."""
        reading, start, step = found
        start += at - LEAD
        stop = start + reading.bits * step
        low = max(int(start - (PRE_KEY + 8 * len(HEADING)) * step), self._held_at)
        part = self._held[low - self._held_at : int(stop) + 1 - self._held_at]
        part -= _rebuilt(part, reading.block, start - low, step, carrier_hz)
        first = max(low - MOST_BITS * OS, self._held_at + LEAD + BACK + OS)
        end = min(int(stop) + BACK, self._scored)
        if end <= first:
            return
        fresh = {n: depth + 1 for n in _peaks(self._judge(first, end), first) if abs(n - start) > PEAK}
        self._starts = sorted({**fresh, **dict(self._starts)}.items())

    def _frame(
        self,
        found: tuple[Reading, float, float],
        y: np.ndarray,
        across: np.ndarray,
        carrier_hz: float,
        base: int,
    ) -> Frame:
        """Give the frame of what was found in y; sample `base` of the stream is y[0]."""
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
        reading, start, step = found
        stop = start + step * reading.bits
        burst = slice(max(int(start) - SPAN, 0), int(stop))
        snr_db = frequency_hz = None
        power = float(np.mean(np.abs(y[burst]) ** 2))
        if not self._is_audio:
            frequency_hz = first.center_hz + carrier_hz
            noise = self._noise_density(across[burst])
            power = max(power - noise * 2 * 6200, power / 100)
            snr_db = float(10 * np.log10(power / (noise * self._mode.bandwidth_hz + 1e-30)))
        level_dbfs = float(10 * np.log10(power + 1e-30))
        text = len(reading.block.characters())
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns((base + start) * first.rate_hz / RATE_HZ),
            stop_ns=first.time_ns((base + stop) * first.rate_hz / RATE_HZ),
            bits=reading.block.bits(),
            check="corrected" if reading.flips else "pass",
            corrected_bits=len(reading.flips),
            check_name=f"block check (CRC-16) and {text + 1} character parities",
            extra={"more": reading.block.more},
            snr_db=snr_db,
            level_dbfs=level_dbfs,
            frequency_hz=frequency_hz,
        )

    def _noise_density(self, across: np.ndarray) -> float:
        """Give the noise power in 1 Hz: as measured around the emission, or in quadrature to the carrier."""
        if self._noise is not None:
            return float(10 ** (self._noise / 10))
        return float(np.mean(across**2)) / 6200
