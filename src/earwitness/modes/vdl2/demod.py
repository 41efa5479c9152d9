"""Complex channel in, AVLC frames out: unique-word gate, coherent detection, header, Reed-Solomon, FCS.

The way of a burst:

1. The channel is resampled to four samples a symbol through one low-pass (flat to +-11.6 kHz).
2. Gate: the sixteen known phase steps, as products of samples one symbol apart, which no carrier offset can
   hide. Where they stand out, the received symbols of the unique word are fitted over time and carrier.
3. Detection: a phase and a timing loop steered by decisions give a first reading, then passes in which every
   symbol is held against the complex amplitude of its neighbours, without itself. Bits are still the steps
   between symbols, so that a slip of the loop costs one symbol.
4. The header says how long the burst is; then all of it is detected, corrected row by row with the least
   certain octets erased where that helps, and its frames are taken out.

A frame needs a right FCS and the address octets' extension bits in their places, whatever the Reed-Solomon
code said. All work runs on a grid of output samples fixed by the first sample, so block lengths cannot change
the outcome.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from earwitness.coding.hdlc import Deframer, HdlcFrame
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import peaks, vertex
from earwitness.dsp.resample import Resampler
from earwitness.modes.vdl2 import burst
from earwitness.modes.vdl2.avlc import LEAST_OCTETS, MOST_OCTETS, proper
from earwitness.modes.vdl2.d8psk import SPAN, SYMBOL_RATE_HZ, receive_pulse

OS = 4  # samples per symbol
RATE_HZ = OS * SYMBOL_RATE_HZ
HOP = 4096  # resampled samples worked on at a time
KNOWN = (
    len(burst.UNIQUE_STEPS) + 1
)  # known symbols: the last of the ramp, then the unique word less its first
GATE = 0.66  # normalised product sum; noise alone passes a few times a second
FIT = 0.72  # squared coherent correlation of the unique word
REACH_HZ = 4_600.0  # carrier offsets looked at
PEAK = 4 * OS  # a gate peak outranks others this near
EARLY = (SPAN + 2) * OS  # samples kept before a burst's first known symbol
HEADER_SYMBOLS = 9
RUN_ON = 4  # symbols detected after the last wanted one, so that it has neighbours
LEAST_BITS = 8 * (LEAST_OCTETS + 2) + 16
SUB_PULSE = 32  # receive-filter positions per resampled sample
PULSE_REACH = SPAN * OS
REACH = 20  # neighbours either side in the later passes
WEIGHTS = 1 - np.abs(np.arange(-REACH, REACH + 1)) / (REACH + 1.0)  # of neighbours by distance
WEIGHTS[REACH] = 0
ROOT_BETTER = 0.7  # a root-shaped pulse is believed when it leaves so much less unexplained
TRIES = 24  # combinations of row readings looked at
SAME = 6 * OS  # two hypotheses of one burst start within this

KNOWN_PHASES = np.exp(2j * np.pi / 8 * np.concatenate([[0], np.cumsum(burst.UNIQUE_STEPS) % 8])).astype(
    np.complex64
)
UNIQUE_TURNS = np.exp(-2j * np.pi / 8 * burst.UNIQUE_STEPS).astype(np.complex64)


def _pulse_table(root: bool) -> np.ndarray:
    """Give receive-filter taps, float32 (SUB_PULSE, n): row r for a middle r / SUB_PULSE past a sample."""
    t = (np.arange(2 * PULSE_REACH + 2) - PULSE_REACH)[None, :] - np.arange(SUB_PULSE)[:, None] / SUB_PULSE
    taps = receive_pulse(t / OS, root=root)
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)


PULSES = (_pulse_table(False), _pulse_table(True))


@kernel("void(complex64[::1], complex64[::1], float32[::1])", fastmath=True)
def _gate(y: np.ndarray, turns: np.ndarray, out: np.ndarray) -> None:
    """Score every start: |sum of one-symbol products, known steps turned out| over their mean power, 0..1.

    out[n] is for a burst whose first known symbol stands at y[n].
    """
    count = len(turns)
    span = len(out) + count * OS
    dr = np.empty(span, np.float32)
    di = np.empty(span, np.float32)
    e = np.empty(span, np.float32)
    for n in range(span):
        a = y[n]
        b = y[n + OS]
        dr[n] = b.real * a.real + b.imag * a.imag
        di[n] = b.imag * a.real - b.real * a.imag
        e[n] = (a.real * a.real + a.imag * a.imag + b.real * b.real + b.imag * b.imag) * np.float32(0.5)
    re = np.zeros(len(out), np.float32)
    im = np.zeros(len(out), np.float32)
    p = np.full(len(out), np.float32(1e-20))
    for k in range(count):
        c = turns[k].real
        s = turns[k].imag
        for n in range(len(out)):
            vr = dr[n + k * OS]
            vi = di[n + k * OS]
            re[n] += c * vr - s * vi
            im[n] += c * vi + s * vr
            p[n] += e[n + k * OS]
    for n in range(len(out)):
        out[n] = np.sqrt(re[n] * re[n] + im[n] * im[n]) / p[n]


@kernel("complex128(complex64[::1], float64, float32[:, ::1])", fastmath=True)
def _at(y: np.ndarray, where: float, table: np.ndarray) -> complex:
    """Give the receive filter's output at y[where], fractions allowed; 0 where y does not reach."""
    rows, taps = table.shape
    whole = int(np.floor(where))
    row = int((where - whole) * rows + 0.5)
    if row == rows:
        row = 0
        whole += 1
    base = whole - PULSE_REACH
    re = np.float32(0)
    im = np.float32(0)
    if base >= 0 and base + taps <= len(y):
        weights = table[row]
        part = y[base : base + taps]
        for i in range(taps):
            re += weights[i] * part[i].real
            im += weights[i] * part[i].imag
    return complex(re, im)


@kernel("void(complex64[::1], float64)")
def _turn(y: np.ndarray, carrier: float) -> None:
    """Turn the carrier (rad/sample) out of y, in place."""
    now = 1.0 + 0j
    rotor = np.exp(-1j * carrier)
    for i in range(len(y)):
        y[i] = y[i] * now
        now *= rotor
        if i & 1023 == 0:
            now /= abs(now)


@kernel("void(complex64[::1], float64, complex64[::1], float32[:, ::1], float64[::1])")
def _fit(y: np.ndarray, start: float, known: np.ndarray, table: np.ndarray, best: np.ndarray) -> None:
    """Fit the known symbols around y[start] (carrier nearly out) over +-0.75 symbol and +-150 Hz.

    best: squared correlation 0..1, start in samples, carrier left in rad/sample.
    """
    shifts = 13
    tries = 11
    count = len(known)
    z = np.empty(count, np.complex128)
    scores = np.empty((shifts, tries))
    step = 2 * np.pi * 30.0 / SYMBOL_RATE_HZ
    for j in range(shifts):
        power = 1e-30
        for k in range(count):
            z[k] = _at(y, start + (j - shifts // 2) * 0.5 + k * OS, table) * known[k].conjugate()
            power += z[k].real ** 2 + z[k].imag ** 2
        for f in range(tries):
            total = 0j
            for k in range(count):
                total += z[k] * np.exp(-1j * step * (f - tries // 2) * k)
            scores[j, f] = (total.real**2 + total.imag**2) / (power * count)
    top = np.argmax(scores)
    at, bin_ = top // tries, top % tries
    fine_t = 0.0
    fine_f = 0.0
    if 0 < at < shifts - 1:
        fine_t = vertex(scores[at - 1, bin_], scores[at, bin_], scores[at + 1, bin_])
    if 0 < bin_ < tries - 1:
        fine_f = vertex(scores[at, bin_ - 1], scores[at, bin_], scores[at, bin_ + 1])
    best[0] = scores[at, bin_]
    best[1] = start + (at - shifts // 2 + fine_t) * 0.5
    best[2] = step * (bin_ - tries // 2 + fine_f) / OS


@kernel(
    "void(complex64[::1], float64, complex64[::1], float32[:, ::1], int64[::1], complex64[::1], float64[::1])"
)
def _loop(
    y: np.ndarray,
    start: float,
    known: np.ndarray,
    table: np.ndarray,
    phases: np.ndarray,
    track: np.ndarray,
    times: np.ndarray,
) -> None:
    """First pass: decide symbols (eighths of a turn) under loops for phase and time, started on the known.

    `track` becomes the complex amplitude and `times` the place in samples that each symbol was read with.
    """
    total = 0j
    for k in range(len(known)):
        total += _at(y, start + k * OS, table) * known[k].conjugate()
    total /= len(known)
    amplitude = abs(total) + 1e-20
    angle = np.arctan2(total.imag, total.real)
    turn = 0.0
    where = start
    stretch = 0.0
    for k in range(len(phases)):
        z = _at(y, where, table) * np.exp(-1j * angle)
        if k < len(known):
            ideal = complex(known[k])
            phases[k] = int(np.round(np.arctan2(ideal.imag, ideal.real) * 4 / np.pi)) & 7
        else:
            phases[k] = int(np.round(np.arctan2(z.imag, z.real) * 4 / np.pi)) & 7
        ideal = np.exp(0.25j * np.pi * phases[k])
        track[k] = amplitude * np.exp(1j * angle)
        times[k] = where
        slope = _at(y, where + 1.0, table) - _at(y, where - 1.0, table)
        slope = slope * np.exp(-1j * angle) * ideal.conjugate()
        v = z * ideal.conjugate()
        error = max(-0.5, min(0.5, v.imag / amplitude))
        late = max(-0.5, min(0.5, slope.real / amplitude))
        amplitude += (v.real - amplitude) / 32
        amplitude = max(amplitude, 1e-20)
        angle += turn + 0.14 * error
        turn += 0.005 * error
        stretch += 0.0002 * late
        where += OS + stretch + 0.03 * late


@kernel("void(complex64[::1], float64, float64, float32[:, ::1], complex64[::1])")
def _symbols(y: np.ndarray, start: float, per: float, table: np.ndarray, z: np.ndarray) -> None:
    """Read the symbols at start, start + per, ..."""
    for k in range(len(z)):
        z[k] = _at(y, start + k * per, table)


@kernel("float64(complex64[::1], int64[::1], int64, complex64[::1], float32[::1])", fastmath=True)
def _smooth(z: np.ndarray, phases: np.ndarray, known: int, track: np.ndarray, rest: np.ndarray) -> float:
    """Later pass: decide each symbol against the complex amplitude its neighbours give, without itself.

    Updates `phases` from `known` on, and `track`; `rest` is the power each symbol leaves unexplained. Gives the
    carrier error in rad/symbol.
    """
    count = len(z)
    u = np.empty(count, np.complex128)
    for k in range(count):
        u[k] = z[k] * np.exp(-0.25j * np.pi * phases[k])
    total = 0j
    for k in range(8, count - 8, 2):
        a = 0j
        b = 0j
        for i in range(8):
            a += u[k - 8 + i]
            b += u[k + i]
        total += b * a.conjugate()
    turn = np.arctan2(total.imag, total.real) / 8 if abs(total) > 0 else 0.0
    # With the turn taken out first the neighbours' weights are real, so that each sum runs on whole vectors.
    re = np.zeros(count + 2 * REACH)
    im = np.zeros(count + 2 * REACH)
    there = np.zeros(count + 2 * REACH)
    for k in range(count):
        v = u[k] * complex(np.cos(turn * k), -np.sin(turn * k))
        re[REACH + k] = v.real
        im[REACH + k] = v.imag
        there[REACH + k] = 1.0
    for k in range(count):
        part_re = re[k : k + 2 * REACH + 1]
        part_im = im[k : k + 2 * REACH + 1]
        part = there[k : k + 2 * REACH + 1]
        x = 0.0
        y = 0.0
        weight = 0.0
        for i in range(2 * REACH + 1):
            x += WEIGHTS[i] * part_re[i]
            y += WEIGHTS[i] * part_im[i]
            weight += WEIGHTS[i] * part[i]
        track[k] = complex(x, y) * complex(np.cos(turn * k), np.sin(turn * k)) / weight if weight > 0 else 0j
    for k in range(count):
        if k >= known:
            v = z[k] * np.conj(track[k])
            phases[k] = int(np.round(np.arctan2(v.imag, v.real) * 4 / np.pi)) & 7
        left = z[k] - track[k] * np.exp(0.25j * np.pi * phases[k])
        rest[k] = left.real**2 + left.imag**2
    return turn


@kernel("void(complex64[::1], complex64[::1], float64, uint8[::1], float32[::1])")
def _soft(z: np.ndarray, track: np.ndarray, noise: float, words: np.ndarray, out: np.ndarray) -> None:
    """Give three soft bits for each step between symbols: differences of the best pairs of phases.

    words[d]: the bits of a step of d eighths.
    """
    before = np.zeros(8, np.float32)
    now = np.zeros(8, np.float32)
    steps = np.empty(8, np.float32)
    for k in range(len(z)):
        v = z[k] * np.conj(track[k]) * (2 / noise)
        for s in range(8):
            now[s] = v.real * np.cos(0.25 * np.pi * s) + v.imag * np.sin(0.25 * np.pi * s)
        if k > 0:
            for d in range(8):
                top = np.float32(-1e30)
                for s in range(8):
                    m = before[s] + now[(s + d) & 7]
                    top = max(top, m)
                steps[d] = top
            for b in range(3):
                one = np.float32(-1e30)
                zero = np.float32(-1e30)
                for d in range(8):
                    if words[d] >> (2 - b) & 1:
                        one = max(one, steps[d])
                    else:
                        zero = max(zero, steps[d])
                out[3 * (k - 1) + b] = one - zero
        before[:] = now


@dataclass(frozen=True, slots=True)
class _Start:
    """A unique word: place of its first known symbol and carrier, in resampled samples."""

    at: float
    carrier: float  # rad/sample


@dataclass(frozen=True, slots=True)
class _Job:
    """A burst, or one of the lengths its header may mean, waiting for its last sample."""

    start: _Start
    length: int | None  # data bits; None: the header is still to be read
    need: int  # resampled samples that must be there
    root: bool = False  # the transmitter split its pulse shape


@dataclass(frozen=True, slots=True)
class _Heard:
    """The symbols of a burst as detected."""

    soft: np.ndarray  # float32, descrambled bits after the unique word
    start: float  # of the first known symbol, in samples of the part looked at
    per: float  # samples a symbol
    carrier: float  # rad/sample
    power: float
    noise: float  # residual power in one symbol rate


class Demodulator:
    """Frames of one channel. `Frame.time_ns` is the first bit after the frame's opening flag."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None  # the first block without its data, for times
        self._noise: float | None = None

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames once their burst has ended."""
        if self._first is None:
            self._first = samples.clock()
            self._resampler = Resampler(samples.rate_hz, RATE_HZ, HOP, pass_hz=11_600.0, stop_hz=15_600.0)
            self._y = np.zeros(2 * EARLY, np.complex64)
            self._y_at = -2 * EARLY  # resampled index of _y[0]
            self._made = 0  # resampled samples made
            self._scored = 0  # starts scored by the gate
            self._scores = np.zeros(2 * PEAK, np.float32)  # the last of them
            self._jobs: list[_Job] = []
            self._done: list[float] = []  # starts of the bursts last read
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        out: list[Frame] = []
        for hop in self._resampler.feed(samples.data):
            out += self._hop(hop)
        return out

    def close(self) -> list[Frame]:
        """Decode what is still waiting."""
        if self._first is None:
            return []
        out: list[Frame] = []
        for hop in self._resampler.rest():
            out += self._hop(hop)
        out += self._hop(np.zeros(HOP, np.complex64))
        while self._jobs:  # bursts cut short: their frames before the cut may still be whole
            out += self._hop(np.zeros(max(job.need for job in self._jobs) - self._made, np.complex64))
        self._first = None
        return out

    def _hop(self, fresh: np.ndarray) -> list[Frame]:
        """Score the starts in more samples, work on the bursts that are whole."""
        self._made += len(fresh)
        self._y = np.concatenate([self._y, fresh])
        count = self._made - self._scored - (KNOWN + 1) * OS - EARLY
        if count > 0:
            out = np.empty(count, np.float32)
            _gate(self._y[self._scored - self._y_at :], UNIQUE_TURNS, out)
            scores = np.concatenate([self._scores, out])
            for n in peaks(scores, GATE, PEAK):
                self._begin(self._scored - 2 * PEAK + n)
            self._scores = scores[-2 * PEAK :]
            self._scored += count
        frames: list[Frame] = []
        while ready := [job for job in self._jobs if job.need <= self._made]:
            self._jobs = [job for job in self._jobs if job.need > self._made]
            for job in ready:
                frames += self._work(job)
        keep = min([self._scored - 2 * PEAK, *(int(job.start.at) for job in self._jobs)]) - 2 * EARLY
        if keep > self._y_at:
            self._y, self._y_at = self._y[keep - self._y_at :], keep
        return frames

    def _begin(self, at: int) -> None:
        """Look whether a unique word begins about a resampled sample; note it if so."""
        low = max(at - 2 * EARLY, self._y_at)
        part = self._y[low - self._y_at : at + (KNOWN + 1) * OS + EARLY - self._y_at].copy()
        at -= low
        known = part[at : at + KNOWN * OS : OS]
        carrier = float(np.angle(np.sum(known[1:] * known[:-1].conj() * UNIQUE_TURNS))) / OS
        if abs(carrier) > 2 * np.pi * REACH_HZ / RATE_HZ:
            return
        _turn(part, carrier)
        best = np.empty(3)
        _fit(part, float(at), KNOWN_PHASES, PULSES[0], best)
        if best[0] < FIT:
            return
        start = _Start(low + float(best[1]), carrier + float(best[2]))
        self._jobs.append(_Job(start, None, _needed(start, HEADER_SYMBOLS)))

    def _work(self, job: _Job) -> Iterator[Frame]:
        """Read a header and note what it may mean, or read a burst."""
        if any(abs(job.start.at - done) < SAME for done in self._done):
            return
        if job.length is None:
            heard, root = (self._hear(job.start, HEADER_SYMBOLS, table) for table in PULSES)
            is_root = _badness(root) < ROOT_BETTER * _badness(heard)
            if is_root:
                heard = root
            for length in burst.lengths(heard.soft[: burst.HEADER_BITS]):
                if length >= LEAST_BITS:
                    count = burst.HEADER_BITS + 8 * len(burst.layout(length).order)
                    need = _needed(job.start, -(-count // 3))
                    self._jobs.append(_Job(job.start, length, need, is_root))
            return
        shape = burst.layout(job.length)
        symbols = -(-(burst.HEADER_BITS + 8 * len(shape.order)) // 3)
        heard = self._hear(job.start, symbols, PULSES[job.root])
        frames = _frames(heard.soft[burst.HEADER_BITS :][: 8 * len(shape.order)], shape)
        if frames:
            self._done = [*self._done[-7:], job.start.at]
        for found in frames:
            yield self._frame(found, heard, shape)

    def _hear(self, start: _Start, symbols: int, table: np.ndarray) -> _Heard:
        """Detect the known symbols of a burst and so many after them."""
        low = int(start.at) - EARLY
        part = self._y[low - self._y_at : _needed(start, symbols) - self._y_at].copy()
        _turn(part, start.carrier)
        count = KNOWN + symbols + RUN_ON
        phases = np.empty(count, np.int64)
        track = np.empty(count, np.complex64)
        times = np.empty(count)
        _loop(part, start.at - low, KNOWN_PHASES, table, phases, track, times)
        # The clock is steady over a burst, so its line through the loop's places is the better one.
        places = np.arange(count)
        per = _slope(times) if count > 100 else float(OS)
        first = float(np.mean(times - per * places))
        z = np.empty(count, np.complex64)
        _symbols(part, first, per, table, z)
        rest = np.empty(count, np.float32)
        turn = 0.0
        for _ in range(3):
            turn = _smooth(z, phases, KNOWN, track, rest)
        used = KNOWN + symbols
        noise = float(np.mean(rest[:used])) + 1e-30
        soft = np.empty(3 * (used - 1), np.float32)
        _soft(z[:used], track[:used], noise, burst.STEP_TO_BITS, soft)
        soft = soft[3 * (KNOWN - 1) :]
        soft *= burst.signs(len(soft))
        power = float(np.mean(np.abs(track[:used]) ** 2))
        return _Heard(soft, low + first, per, start.carrier + turn / OS, power, noise)

    def _frame(self, found: _Found, heard: _Heard, shape: burst.Layout) -> Frame:
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
        level = 10 * np.log10(heard.power + 1e-30)
        density = self._noise
        if density is None:
            density = 10 * np.log10(heard.noise / SYMBOL_RATE_HZ)
        octets = found.frame.octets
        code = "" if found.changed is None else "RS(255,249) and "
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(_place(found.frame.start, heard, shape) * self._resampler.step),
            stop_ns=first.time_ns(
                _place(found.frame.stop + 7, heard, shape, end=True) * self._resampler.step
            ),
            bits=Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
            check="corrected" if found.changed else "pass",
            corrected_bits=found.changed or 0,
            check_name=f"{code}HDLC CRC-16 over {8 * len(octets)} bits",
            snr_db=float(level - density - 10 * np.log10(self._mode.bandwidth_hz)),
            level_dbfs=float(level),
            frequency_hz=first.center_hz + heard.carrier * RATE_HZ / (2 * np.pi),
        )


@dataclass(frozen=True, slots=True)
class _Found:
    """A frame with the number of bits corrected in its octets; None when the code did not agree there."""

    frame: HdlcFrame
    changed: int | None


def _needed(start: _Start, symbols: int) -> int:
    """Give the resampled samples wanted to detect so many symbols after the known ones."""
    count = KNOWN + symbols + RUN_ON
    return int(start.at + count * OS * 1.0002) + EARLY


def _slope(y: np.ndarray) -> float:
    """Give the slope of the line nearest to y (n,) over its indices."""
    x = np.arange(len(y)) - (len(y) - 1) / 2
    return float(x @ y / (x @ x))


def _badness(heard: _Heard) -> float:
    return heard.noise / (heard.power + 1e-30)


def _place(bit: int, heard: _Heard, shape: burst.Layout, *, end: bool = False) -> float:
    """Give the resampled place at which a data bit is sent: half a symbol before its symbol's middle."""
    octet, within = divmod(min(bit, shape.length - 1), 8)
    row, column = divmod(octet, burst.ROW)
    sent = int(np.flatnonzero(shape.order == row * 255 + column)[0])
    symbol = (burst.HEADER_BITS + 8 * sent + within + end) / 3
    return heard.start + heard.per * (KNOWN - 0.5 + symbol)


def _frames(soft: np.ndarray, shape: burst.Layout) -> list[_Found]:
    """Give the frames of a burst: those of the combination of row readings that holds most of them."""
    readings = burst.readings(soft, shape)
    best: list[_Found] = []
    for rows in _combinations(readings):
        found = _deframe(rows, soft, shape)
        if len(found) > len(best):
            best = found
        if best and all(row is reading[0] for row, reading in zip(rows, readings, strict=True)):
            break
    return best


def _combinations(readings: list[list[burst.Row]]) -> Iterator[list[burst.Row]]:
    """Give at most TRIES choices of one reading a row; bursts of many rows get the likeliest only."""
    if sum(len(rows) > 1 for rows in readings) > 2:
        yield [rows[0] for rows in readings]
        return
    for n, choice in enumerate(product(*readings)):
        if n == TRIES:
            return
        yield list(choice)


def _deframe(rows: list[burst.Row], soft: np.ndarray, shape: burst.Layout) -> list[_Found]:
    octets = b"".join(row.octets for row in rows)
    bits = np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")[: shape.length]
    grid = np.zeros(shape.rows * 255, np.uint8)
    grid[shape.order] = np.packbits((soft > 0).astype(np.uint8), bitorder="little")
    received = np.unpackbits(
        grid.reshape(-1, 255)[:, : burst.ROW].reshape(-1), bitorder="little"
    )[: shape.length]  # fmt: skip
    out = []
    for frame in Deframer(min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS).feed(bits):
        if not proper(frame.octets):
            continue
        covered = slice(frame.start, frame.stop)
        trusted = all(
            row.changed is not None
            for row in rows[frame.start // (8 * burst.ROW) : (frame.stop - 1) // (8 * burst.ROW) + 1]
        )
        changed = int(np.count_nonzero(bits[covered] != received[covered]))
        out.append(_Found(frame, changed if trusted else None))
    return out
