"""Complex channel in, AIS frames out: training-sequence gate, coherent detection, FCS.

The way of a burst:

1. The channel is resampled to four samples a symbol through one low-pass (flat to +-8 kHz).
2. Gate: the known 24 training bits and start flag, as products of samples one symbol apart, which no
   carrier offset can hide. Where they stand out, a coherent fit of the known waveform over time and
   frequency confirms and measures them. Noise rarely comes this far, so it costs little.
3. Detection: Laurent's first pulse as matched filter, a phase-locked loop steered by decisions, then two
   passes that estimate carrier, amplitude and timing from all decided neighbours of each symbol but
   itself, and take the known interference of neighbours away. With h = 0.5 and BT = 0.4 this detects
   each symbol on its own within about 0.1 dB of the sequence bound.
4. Frames: NRZI makes bit k the product of pulse symbols k and k - 2. The frame is read from the start flag;
   when its FCS fails, a discriminator (which bears a wrong deviation) has a try, and last the few least
   certain symbols are reversed; the result of that must be plausible and is marked "corrected".

Hypotheses that give the same bits at the same time are one frame. All work runs on a grid of output
samples fixed by the first sample, so block lengths cannot change the outcome.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from earwitness.coding.hdlc import FLAG, HdlcFrame, frame_at, hard_bits, nrzi_encode, repairs
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.jit import kernel
from earwitness.modes.ais.gmsk import SYMBOL_RATE_HZ, main_pulse, modulate
from earwitness.modes.ais.messages import legal, plausible

OS = 4  # samples per symbol
RATE_HZ = OS * SYMBOL_RATE_HZ
HOP = 4096  # resampled samples worked on at a time
TRAINING = 32  # known bits: 24 of training, 8 of flag
MOST_BITS = 1290  # start of training to end flag of five slots, stuffing included
TAIL = (MOST_BITS + 16) * OS  # samples wanted after a burst's start before it is decoded
LEAD = 8 * OS  # and before it
GATE = 0.40  # normalised product sum; noise alone passes about 20 times a second
FIT = 0.33  # squared coherent correlation; noise alone passes less than once a minute
REACH_HZ = 3700.0  # carrier offsets looked at
SKIP = 2  # first training bits left out of the fit: ramps of real transmitters reach into them
PHASES = 128  # sub-sample positions of the resampler
PULSE_GRID = 64  # main pulse samples per symbol
REPAIR_TRIALS = 12
REPAIR_LARGEST = 0.45  # a symbol of nominal size 1 further out than this is not doubted
REPAIR_LEAST_RATIO = 2.5  # signal to residual below which nothing is repaired
LEAST_OCTETS, MOST_OCTETS = 5, 132  # message lengths looked at: 1008 bits and some padding at most
LEAST_BITS = 8 * LEAST_OCTETS + 16
PEAK = 3 * OS  # a gate peak outranks others this near
SAME_NS = 5_000_000  # two hypotheses of one burst start within this


def _known_bits() -> np.ndarray:
    return np.concatenate([np.tile(np.array([0, 1], np.uint8), 12), FLAG])


KNOWN_LEVELS = nrzi_encode(_known_bits(), 1)
KNOWN_SIGNS = (2.0 * KNOWN_LEVELS - 1).astype(np.float32)
PULSE = main_pulse(PULSE_GRID).astype(np.float32)
_G = [float(np.dot(PULSE[n * PULSE_GRID :], PULSE[: len(PULSE) - n * PULSE_GRID])) for n in range(3)]
NEAR = np.float32(_G[1] / _G[0])  # neighbour's share in quadrature
FAR = np.float32(_G[2] / _G[0])  # second neighbour's share, in phase and negative
SUB = 4  # template positions per resampled sample


def _templates() -> np.ndarray:
    """Give the known waveform from bit SKIP on at SUB fractions of a sample, complex64 (SUB, samples)."""
    fine = modulate(KNOWN_LEVELS, RATE_HZ * SUB)
    count = (TRAINING - SKIP) * OS - OS // 2
    return np.array(
        [fine[SKIP * OS * SUB + SUB - 1 - j :: SUB][:count] for j in range(SUB)], np.complex64
    )  # row j: burst starts (SUB - 1 - j) / SUB of a sample before the first sample used


TEMPLATES = _templates()


@kernel("void(complex64[:], float64, float64, float32[:,:], complex64[:])", fastmath=True)
def _resample(x: np.ndarray, first: float, step: float, table: np.ndarray, out: np.ndarray) -> None:
    """Interpolate: out[m] is x, filtered, at first + m * step; row p of `table` delays by p / rows."""
    rows, taps = table.shape
    half = taps // 2
    for m in range(len(out)):
        at = first + m * step
        whole = int(np.floor(at))
        p = int((at - whole) * rows + 0.5)
        if p == rows:
            p = 0
            whole += 1
        re = np.float32(0)
        im = np.float32(0)
        base = whole - half + 1
        for k in range(taps):
            v = x[base + k]
            re += v.real * table[p, k]
            im += v.imag * table[p, k]
        out[m] = complex(re, im)


def _resample_table(rate_hz: float) -> np.ndarray:
    """Give low-pass taps (rows: sub-sample positions): flat to 8 kHz, 60 dB down from 15 kHz."""
    half = int(np.ceil(rate_hz / 48_000 * 16))
    k = np.arange(2 * half) - half + 1
    t = k[None, :] - np.arange(PHASES)[:, None] / PHASES
    window = np.i0(5.6 * np.sqrt(np.clip(1 - (t / half) ** 2, 0, None))) / np.i0(5.6)
    taps = 2 * 11_500 / rate_hz * np.sinc(2 * 11_500 / rate_hz * t) * window
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)


@kernel("void(complex64[:], float32[:], float32[:])", fastmath=True)
def _gate(y: np.ndarray, signs: np.ndarray, out: np.ndarray) -> None:
    """Score every start: |sum of signed one-symbol products| over their mean power, 0..1.

    out[n] is for a burst whose bit 0 starts at y[n].
    """
    count = len(signs)
    n_out = len(out)
    d = np.empty(n_out + count * OS, np.complex64)
    e = np.empty(n_out + count * OS, np.float32)
    for n in range(len(d)):
        a = y[n]
        b = y[n + OS]
        d[n] = complex(b.real * a.real + b.imag * a.imag, b.imag * a.real - b.real * a.imag)
        e[n] = (a.real * a.real + a.imag * a.imag + b.real * b.real + b.imag * b.imag) * np.float32(0.5)
    for n in range(n_out):
        re = np.float32(0)
        im = np.float32(0)
        p = np.float32(1e-20)
        for k in range(count):
            s = signs[k]
            v = d[n + k * OS]
            re += s * v.real
            im += s * v.imag
            p += e[n + k * OS]
        out[n] = np.sqrt(re * re + im * im) / p


@kernel("void(complex64[:], int64, complex64[:,:], float64, float64, float64[:])")
def _fit(
    y: np.ndarray, start: int, templates: np.ndarray, carrier: float, sign: float, best: np.ndarray
) -> None:
    """Search time +-1.5 samples and carrier +-240 Hz for the template (conjugated when sign < 0).

    best: squared correlation 0..1, start in samples, carrier in rad/sample.
    """
    rows, count = templates.shape
    group = 2 * OS
    groups = count // group
    sums = np.zeros(groups, np.complex128)
    tries = 9
    step = 2 * np.pi * 60.0 / 38400.0
    score = np.zeros((4 * rows, tries))
    for shift in range(4 * rows):
        whole = shift // rows - 2
        row = shift % rows
        base = start + whole + 2 * OS + 1  # SKIP bits on, one sample after the nominal instant
        power = 1e-30
        for g in range(groups):
            acc = 0j
            for i in range(g * group, (g + 1) * group):
                v = y[base + i]
                t = templates[row, i]
                acc += v * complex(t.real, -sign * t.imag) * np.exp(-1j * carrier * (i - count * 0.5))
                power += v.real * v.real + v.imag * v.imag
            sums[g] = acc
        for j in range(tries):
            turn = step * (j - tries // 2)
            total = 0j
            for g in range(groups):
                total += sums[g] * np.exp(-1j * turn * ((g + 0.5) * group - count * 0.5))
            score[shift, j] = (total.real**2 + total.imag**2) / (power * groups * group)
    top = np.argmax(score)
    at, bin_ = top // tries, top % tries
    fine_t = 0.0
    fine_f = 0.0
    if 0 < at < 4 * rows - 1:
        a, b, c = score[at - 1, bin_], score[at, bin_], score[at + 1, bin_]
        if a - 2 * b + c < 0:
            fine_t = 0.5 * (a - c) / (a - 2 * b + c)
    if 0 < bin_ < tries - 1:
        a, b, c = score[at, bin_ - 1], score[at, bin_], score[at, bin_ + 1]
        if a - 2 * b + c < 0:
            fine_f = 0.5 * (a - c) / (a - 2 * b + c)
    best[0] = score[at, bin_]
    # Row j's template starts (rows - 1 - j) / rows samples into the bit, so the bit began that much earlier.
    best[1] = start + at // rows - 2 + 1 - (rows - 1 - at % rows + 0.0) / rows + fine_t / rows
    best[2] = carrier + step * (bin_ - tries // 2 + fine_f)


@kernel("void(complex64[:], float64, float64, float64, float32[:], complex64[:])", fastmath=True)
def _matched(
    y: np.ndarray, start: float, drift: float, carrier: float, pulse: np.ndarray, z: np.ndarray
) -> None:
    """Give matched-filter outputs z[k] (derotated by j^-k and the carrier) for symbols from `start` on.

    `drift` stretches the symbol clock (relative). Scaled so that an amplitude of 1 gives about 1.
    """
    grid = 64
    per = 4
    half = (len(pulse) - 1) // 2
    reach = half / grid * per
    gain = np.float32(0)
    for k in range(0, len(pulse), grid // per):
        gain += pulse[k] * pulse[k]
    scale = np.float32(1) / gain
    for k in range(len(z)):
        mid = start + (k + 1) * per * (1 + drift)
        low = max(int(np.ceil(mid - reach)), 0)
        high = min(int(np.floor(mid + reach)), len(y) - 1)
        re = np.float32(0)
        im = np.float32(0)
        # The carrier is turned back by recurrence from the first sample of the window.
        angle = -carrier * (low - start)
        c = np.float32(np.cos(angle))
        s = np.float32(np.sin(angle))
        dc = np.float32(np.cos(carrier))
        ds = np.float32(-np.sin(carrier))
        for m in range(low, high + 1):
            p = pulse[int((m - mid) / per * grid + half + 0.5)]
            v = y[m]
            re += p * (v.real * c - v.imag * s)
            im += p * (v.real * s + v.imag * c)
            c, s = c * dc - s * ds, c * ds + s * dc
        re *= scale
        im *= scale
        turn = k & 3
        if turn == 0:
            z[k] = complex(re, im)
        elif turn == 1:
            z[k] = complex(im, -re)
        elif turn == 2:
            z[k] = complex(-re, -im)
        else:
            z[k] = complex(-im, re)


@kernel("int64(complex64[:], float32[:], float32, float32[:], complex64[:])")
def _loop(z: np.ndarray, known: np.ndarray, near: float, decided: np.ndarray, track: np.ndarray) -> int:
    """First pass: decide symbols under a second-order loop started on the known ones.

    Gives the number of symbols until the burst's amplitude falls away; `track` becomes the complex
    amplitude the loop had at each symbol.
    """
    count = len(z)
    lead = len(known)
    # Least squares of the known part, neighbours' quadrature share included.
    total = 0j
    power = 0.0
    for k in range(4, lead - 1):
        model = complex(known[k], near * (known[k + 1] - known[k - 1]))
        total += z[k] * model.conjugate()
        power += model.real**2 + model.imag**2
    total /= power
    amplitude = abs(total)
    angle = np.arctan2(total.imag, total.real)
    turn = 0.0
    short = amplitude
    for k in range(lead):
        decided[k] = known[k]
        track[k] = total
    for k in range(lead, count):
        angle += turn
        c = np.cos(angle)
        s = np.sin(angle)
        v = z[k]
        re = v.real * c + v.imag * s
        decided[k] = 1.0 if re > 0 else -1.0
        track[k] = amplitude * complex(c, s)
        # The symbol before now has both neighbours decided: its phase error without their share.
        w = z[k - 1]
        b = decided[k - 1]
        c1 = np.cos(angle - turn)
        s1 = np.sin(angle - turn)
        in_phase = (w.real * c1 + w.imag * s1) * b
        cross = (w.imag * c1 - w.real * s1) * b - amplitude * near * (decided[k] - decided[k - 2]) * b
        error = max(-0.7, min(0.7, cross / (amplitude + 1e-20)))
        angle += 0.10 * error
        turn += 0.003 * error
        amplitude += (in_phase - amplitude) / 64
        short += (in_phase - short) / 12
        if short < 0.5 * amplitude or amplitude <= 0:
            return k
    return count


@kernel("float64(complex64[:], float32, float32, float32[:], complex64[:], float32[:], float32[:])")
def _smooth(
    z: np.ndarray,
    near: float,
    far: float,
    decided: np.ndarray,
    track: np.ndarray,
    soft: np.ndarray,
    rest: np.ndarray,
) -> float:
    """Later pass: each symbol against the complex amplitude its neighbours give, without itself.

    Updates `decided` and `track`; `soft` is nominally +-1, `rest` what power each symbol leaves
    unexplained. Gives the carrier error in rad/symbol.
    """
    count = len(z)
    reach = 14
    clean = np.empty(count, np.complex64)
    u = np.empty(count, np.complex64)
    for k in range(count):
        b = decided[k]
        after = decided[k + 1] if k + 1 < count else b
        before = decided[k - 1] if k > 0 else b
        after2 = decided[k + 2] if k + 2 < count else np.float32(0)
        before2 = decided[k - 2] if k > 1 else np.float32(0)
        other = complex(-far * (after2 + before2), near * (after - before))
        clean[k] = z[k] - track[k] * other
        u[k] = clean[k] * b
    # Mean turn per symbol, from sums of 8 taken 8 apart.
    turn_sum = 0j
    for k in range(8, count - 8, 4):
        a = 0j
        c = 0j
        for i in range(8):
            a += u[k - 8 + i]
            c += u[k + i]
        turn_sum += c * a.conjugate()
    turn = np.arctan2(turn_sum.imag, turn_sum.real) / 8 if abs(turn_sum) > 0 else 0.0
    power = 0.0
    rotor = np.exp(-1j * turn * np.arange(-reach, reach + 1))
    for k in range(count):
        total = 0j
        weight = 0.0
        for i in range(-reach, reach + 1):
            j = k + i
            if i == 0 or j < 0 or j >= count:
                continue
            w = 1.0 - abs(i) / (reach + 1.0)
            total += w * u[j] * rotor[i + reach]
            weight += w
        track[k] = total / weight if weight > 0 else 0j
        p = track[k].real ** 2 + track[k].imag ** 2
        power += p
        v = clean[k]
        soft[k] = (v.real * track[k].real + v.imag * track[k].imag) / (p + 1e-30)
        left = v - track[k] * decided[k]
        rest[k] = left.real**2 + left.imag**2
    mean = power / max(count, 1)
    for k in range(count):
        # Weight by strength, so that a faded symbol counts as uncertain.
        p = track[k].real ** 2 + track[k].imag ** 2
        soft[k] *= np.sqrt(p / (mean + 1e-30))
        decided[k] = 1.0 if soft[k] > 0 else -1.0
    return turn


@kernel("float64(complex64[:], float32[:], complex64[:])", fastmath=True)
def _agreement(z: np.ndarray, decided: np.ndarray, track: np.ndarray) -> float:
    total = np.float32(0)
    for k in range(len(z)):
        total += (z[k].real * track[k].real + z[k].imag * track[k].imag) * decided[k]
    return float(total)


@kernel("void(complex64[:], float64, float64, int64, float32[:])")
def _discriminate(y: np.ndarray, start: float, carrier: float, count: int, out: np.ndarray) -> None:
    """Give the phase step over each symbol in units of pi/2, positive for the upper frequency.

    Samples are smoothed over three quarters of a symbol first; the steps run from edge to edge.
    """
    per = 4
    before = 0j
    for k in range(-1, count):
        at = start + (k + 1) * per
        whole = int(np.floor(at))
        part = at - whole
        acc = 0j
        for m in range(-2, 4):
            i = whole + m
            if i < 0 or i >= len(y):
                continue
            w = np.exp(-0.5 * ((m - part) / 1.1) ** 2)
            acc += w * y[i] * np.exp(-1j * carrier * (i - start))
        if k >= 0:
            step = acc * before.conjugate()
            out[k] = np.arctan2(step.imag, step.real) / (np.pi / 2)
        before = acc


@dataclass(frozen=True, slots=True)
class _Found:
    """A frame with the figures of its burst, positions in resampled samples."""

    frame: HdlcFrame
    start: float
    carrier: float
    power: float
    noise: float  # residual power in one symbol's bandwidth


def air_bits(octets: bytes) -> Bits:
    """Give the message bits of HDLC octets: each octet was sent least significant bit first."""
    return Bits(int.from_bytes(octets, "big"), 8 * len(octets))


class Demodulator:
    """Frames of one AIS channel. `Frame.time_ns` is the first message bit, after the start flag."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None  # the first block without its data, for times
        self._noise: float | None = None
        self._pieces: list[np.ndarray] = []
        self._held = 0  # samples in the pieces
        self._raw_at = 0  # index of the first held sample, counted from the first block
        self._y = np.zeros(LEAD, np.complex64)
        self._y_at = -LEAD  # resampled index of _y[0]
        self._made = 0  # resampled samples made
        self._scored = 0  # starts scored by the gate
        self._scores = np.zeros(2 * PEAK, np.float32)  # the last of them
        self._starts: list[int] = []  # candidate starts waiting for their tail
        self._reported: list[Frame] = []

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames some 0.25 s after their burst began."""
        if self._first is None:
            self._first = replace(samples, data=samples.data[:0])
            self._table = _resample_table(samples.rate_hz)
            self._step = samples.rate_hz / RATE_HZ
            self._half = self._table.shape[1] // 2
            self._pieces = [np.zeros(self._half, np.complex64)]
            self._held, self._raw_at = self._half, -self._half
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        data = np.asarray(samples.data, np.complex64)
        if not np.isfinite(data).all():
            data = np.where(np.isfinite(data), data, 0).astype(np.complex64)
        self._pieces.append(data)
        self._held += len(data)
        out: list[Frame] = []
        while self._raw_at + self._held >= self._needed():
            out += self._hop()
        return out

    def close(self) -> list[Frame]:
        """Decode what is still waiting."""
        if self._first is None:
            return []
        last = int((self._raw_at + self._held) / self._step)
        out: list[Frame] = []
        while self._scored < last or self._starts:
            lack = self._needed() - (self._raw_at + self._held)
            self._pieces.append(np.zeros(max(lack, 0), np.complex64))
            self._held += max(lack, 0)
            out += self._hop()
        self._first = None
        return out

    def _needed(self) -> int:
        """Give how many input samples the next hop wants."""
        return int((self._made + HOP) * self._step) + self._half + 2

    def _hop(self) -> list[Frame]:
        """Resample HOP more samples, score starts, decode the candidates that are whole."""
        raw = np.concatenate(self._pieces)
        fresh = np.empty(HOP, np.complex64)
        _resample(raw, self._made * self._step - self._raw_at, self._step, self._table, fresh)
        self._made += HOP
        drop = max(int(self._made * self._step) - self._half - self._raw_at, 0)
        self._pieces, self._held, self._raw_at = [raw[drop:]], len(raw) - drop, self._raw_at + drop
        self._y = np.concatenate([self._y, fresh])
        self._score()
        ready = [start for start in self._starts if start + TAIL <= self._made]
        self._starts = self._starts[len(ready) :]
        frames = [frame for start in ready for frame in self._decode(start)]
        keep = min([*self._starts[:1], self._scored - 2 * PEAK]) - LEAD
        if keep > self._y_at:
            self._y, self._y_at = self._y[keep - self._y_at :], keep
        return frames

    def _score(self) -> None:
        """Run the gate over starts not yet scored and note its peaks."""
        out = np.empty(self._made - self._scored - (TRAINING + 1) * OS, np.float32)
        _gate(self._y[self._scored - self._y_at :], KNOWN_SIGNS, out)
        scores = np.concatenate([self._scores, out])
        base = self._scored - 2 * PEAK
        for n in np.flatnonzero(scores[PEAK:-PEAK] > GATE) + PEAK:
            # The first of equals, so that a plateau gives one peak.
            if scores[n] >= scores[n - PEAK : n + PEAK + 1].max() and scores[n] > scores[n - PEAK : n].max():
                self._starts.append(base + int(n))
        self._scores = scores[-2 * PEAK :]
        self._scored += len(out)

    def _decode(self, start: int) -> Iterator[Frame]:
        """Give the frame of a burst whose first training bit begins near resampled index `start`."""
        y = self._y[start - LEAD - self._y_at : start + TAIL - self._y_at]
        for burst in _fits(y):
            found = _detect(y, burst)
            if found:
                frame = self._frame(found, start - LEAD)
                if not any(
                    frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                    for other in self._reported
                ):
                    self._reported = [*self._reported[-7:], frame]
                    yield frame
                return

    def _frame(self, found: _Found, base: int) -> Frame:
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
        begin = base + found.start + found.frame.start * OS
        end = base + found.start + (found.frame.stop + 8) * OS
        level = 10 * np.log10(found.power + 1e-30)
        if self._noise is not None:
            snr = level - self._noise - 10 * np.log10(self._mode.bandwidth_hz)
        else:
            ratio = found.power / (found.noise + 1e-30)
            snr = 10 * np.log10(ratio * SYMBOL_RATE_HZ / self._mode.bandwidth_hz)
        octets = len(found.frame.octets)
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(begin * self._step),
            stop_ns=first.time_ns(end * self._step),
            bits=air_bits(found.frame.octets),
            check="corrected" if found.frame.flips else "pass",
            corrected_bits=len(found.frame.flips),
            check_name=f"HDLC CRC-16 over {8 * octets} bits",
            snr_db=float(snr),
            level_dbfs=float(level),
            frequency_hz=first.center_hz + found.carrier * RATE_HZ / (2 * np.pi),
        )


@dataclass(frozen=True, slots=True)
class _Burst:
    """A start of burst that fits: position and carrier in resampled samples, sign of the levels."""

    score: float
    start: float
    carrier: float
    sign: float


def _fits(y: np.ndarray) -> list[_Burst]:
    """Give the ways the known waveform fits at y[LEAD], the best first; none when it is not there.

    Products of samples a symbol apart cannot tell a carrier from one half a symbol rate off with the
    levels inverted, so both are tried where both lie in reach.
    """
    product = y[LEAD + OS : LEAD + (TRAINING + 1) * OS : OS] * y[LEAD : LEAD + TRAINING * OS : OS].conj()
    total = complex(np.dot(KNOWN_SIGNS, product))
    out = []
    best = np.empty(3)
    for sign in (1.0, -1.0):
        carrier = float(np.angle(total * -1j * sign)) / OS
        if abs(carrier) * RATE_HZ < 2 * np.pi * REACH_HZ:
            _fit(y, LEAD, TEMPLATES, carrier, sign, best)
            if best[0] > FIT:
                out.append(_Burst(float(best[0]), float(best[1]), float(best[2]), sign))
    return sorted(out, key=lambda burst: -burst.score)


def _detect(y: np.ndarray, burst: _Burst) -> _Found | None:
    """Detect the symbols of a burst and give its frame, if any reading of it holds."""
    start, carrier = burst.start, burst.carrier
    z = np.empty(MOST_BITS, np.complex64)
    decided = np.empty(MOST_BITS, np.float32)
    track = np.empty(MOST_BITS, np.complex64)
    _matched(y, start, 0.0, carrier, PULSE, z)
    count = int(_loop(z, np.cumprod(burst.sign * KNOWN_SIGNS).astype(np.float32), NEAR, decided, track))
    if count < TRAINING + LEAST_BITS:
        return None
    z, decided, track = z[:count], decided[:count], track[:count]
    soft = np.empty(count, np.float32)
    rest = np.empty(count, np.float32)
    drift = 0.0
    turn = _smooth(z, NEAR, FAR, decided, track, soft, rest)
    for _ in range(2):
        late, stretch = _timing(y, start, drift, carrier, decided, track)
        start, drift = start + late, drift + stretch
        _matched(y, start, drift, carrier, PULSE, z)
        turn = _smooth(z, NEAR, FAR, decided, track, soft, rest)

    def found(frame: HdlcFrame) -> _Found:
        burst = slice(3, frame.stop + 6)  # the outermost lack a decided neighbour
        power = float(np.mean(np.abs(track[burst]) ** 2))
        return _Found(frame, start, carrier + turn / OS, power, float(np.mean(rest[burst])))

    bits = hard_bits(soft, 2)
    frame = _read(bits)
    if frame is None:
        steps = np.empty(count, np.float32)
        _discriminate(y, start, carrier + turn / OS, count, steps)
        frame = _read(hard_bits(steps, 1))
    if frame:
        return found(frame)
    if np.mean(np.abs(track) ** 2) < REPAIR_LEAST_RATIO * np.mean(rest):
        return None
    for frame in repairs(
        soft,
        TRAINING,
        lag=2,
        suspects=8,
        trials=REPAIR_TRIALS,
        largest=REPAIR_LARGEST,
        min_octets=LEAST_OCTETS,
        max_octets=MOST_OCTETS,
    ):
        if plausible(air_bits(frame.octets)):
            return found(frame)
    return None


def _timing(
    y: np.ndarray, start: float, drift: float, carrier: float, decided: np.ndarray, track: np.ndarray
) -> tuple[float, float]:
    """Give how much later the burst starts than thought, and how much slower its clock is (relative).

    Early and late matched filters against the decided symbols; the clock only where a burst of several
    slots lets it be seen.
    """
    count = len(decided)
    z = np.empty((3, count), np.complex64)
    for row, shift in enumerate((-1.0, 0.0, 1.0)):
        _matched(y, start + shift, drift, carrier, PULSE, z[row])

    def peak(low: int, high: int) -> float:
        a, b, c = (_agreement(z[row, low:high], decided[low:high], track[low:high]) for row in range(3))
        bend = a - 2 * b + c
        return float(np.clip(0.5 * (a - c) / bend, -1, 1)) if bend < 0 else 0.0

    if count < 400:
        return peak(0, count), 0.0
    first, second = peak(0, count // 2), peak(count // 2, count)
    slope = (second - first) / (count // 2 * OS)
    return first - slope * count / 4 * OS, slope


def _read(bits: np.ndarray) -> HdlcFrame | None:
    """Give the frame after the start flag: where it should be, or where else near there a flag stands."""
    places = [TRAINING]
    for at in range(TRAINING - 20, TRAINING + 9):
        if at != TRAINING and np.array_equal(bits[at - 8 : at], FLAG):
            places.append(at)
    for at in places:
        frame = frame_at(bits, at, min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS)
        if frame and legal(air_bits(frame.octets)):
            return frame
    return None
