"""Phase reversals: their carrier found and taken out, their symbols turned upright."""

from __future__ import annotations

from typing import Any

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.discriminate import angle_of
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.dsp.symbols.strength import nearby

# Of a carrier's line over the mean of all: 1 hop of noise in 100 has more
CARRIER = 9.0
CARRIER_MARGIN = 4  # hops either side of one with a carrier that are read with it
LAST_HOPS = 4  # of silence after the last samples: what a look and the filters after this reach over
STEADY = 1.12  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise, shaped reversals 1.3 and more
JUMPS = 4  # by a quarter turn and more from sample to sample, in a hop: flags alone reverse eight times
PLAIN = 0.87  # a line of the carrier itself so near that of the squares: flags under NRZI have 0.75


@kernel("float64(complex64[::1], float64, float64[::1], float64, complex64[::1])")
def _turn(z: np.ndarray, angle: float, line: np.ndarray, limit: float, out: np.ndarray) -> float:
    """Turn the carrier out of hops of z; line[h + 1] is hop h's frequency in cycles per sample. Gives the last angle.

    Between the middles of hops the frequency runs straight, unless it jumps by more than `limit`.
    """
    hops = len(line) - 2
    hop = len(z) // hops
    for h in range(hops):
        here = line[h + 1]
        before = line[h] if abs(here - line[h]) < limit else here
        after = line[h + 2] if abs(here - line[h + 2]) < limit else here
        for part in range(2):
            slope = here - before if part == 0 else after - here
            # the turn itself turns from sample to sample by the slope: two products a sample, no sine
            place = (0.5 if part == 0 else hop // 2 + 0.5) / hop - 0.5
            first = -2 * np.pi * (here + place * slope)
            rotor = complex(np.cos(angle + first), np.sin(angle + first))
            step = -2 * np.pi * slope / hop
            turn = complex(np.cos(first + step), np.sin(first + step))
            bend = complex(np.cos(step), np.sin(step))
            begin, end = (0, hop // 2) if part == 0 else (hop // 2, hop)
            for n in range(h * hop + begin, h * hop + end):
                out[n] = z[n] * rotor
                rotor *= turn
                turn *= bend
            count = end - begin
            angle += first * count + step * (count * (count - 1) // 2)
            angle %= 2 * np.pi
    return angle


@kernel("bool_(complex64[::1])", fastmath=True)
def steady(z: np.ndarray) -> bool:
    """Tell whether z has a constant envelope and few jumps of phase: it is modulated in frequency, or a carrier."""
    second = np.float32(0)
    fourth = np.float32(0)
    jumps = 0
    after = z[1:]
    for n in range(len(after)):
        a, b = after[n].real, after[n].imag
        power = a * a + b * b
        second += power
        fourth += power * power
        jumps += a * z[n].real + b * z[n].imag < np.float32(0)
    return bool(fourth * len(z) < STEADY * second * second and jumps < JUMPS)


@kernel("bool_(complex64[::1], float64)", fastmath=True, error_model="numpy")  # no look for zeros
def _plain(z: np.ndarray, line: float) -> bool:
    """Tell whether z is a carrier at `line` without reversals, by its line beside that of its squares."""
    some = 32
    cos = np.empty((2, some), np.float32)
    sin = np.empty((2, some), np.float32)
    for k in range(some):
        for p in range(2):
            cos[p, k] = np.cos(2 * np.pi * line * k * (p + 1))
            sin[p, k] = -np.sin(2 * np.pi * line * k * (p + 1))
    first = 0j
    second = 0j
    for at in range(0, len(z) - some + 1, some):
        part = z[at : at + some]
        a = b = c = d = np.float32(0)
        for k in range(some):
            re, im = part[k].real, part[k].imag
            a += re * cos[0, k] - im * sin[0, k]
            b += re * sin[0, k] + im * cos[0, k]
            size = np.float32(1) / (np.sqrt(re * re + im * im) + np.float32(1e-20))
            x, y = (re * re - im * im) * size, np.float32(2) * re * im * size
            c += x * cos[1, k] - y * sin[1, k]
            d += x * sin[1, k] + y * cos[1, k]
        angle = -2 * np.pi * line * at
        first += complex(a, b) * complex(np.cos(angle), np.sin(angle))
        second += complex(c, d) * complex(np.cos(2 * angle), np.sin(2 * angle))
    return bool(abs(first) > PLAIN * abs(second))


@kernel("void(complex64[::1], complex64[::1])", fastmath=True, error_model="numpy")  # no look for zeros
def _squares(z: np.ndarray, out: np.ndarray) -> None:
    """Sum squares of z, over their size, by runs of len(z) // len(out)."""
    fold = len(z) // max(len(out), 1)
    some = 512 * fold
    re = np.empty(some, np.float32)
    im = np.empty(some, np.float32)
    for first in range(0, len(out), 512):
        count = min(512, len(out) - first)
        part = z[first * fold : (first + count) * fold]
        for n in range(len(part)):
            a = part[n].real
            b = part[n].imag
            size = np.float32(1) / (np.sqrt(a * a + b * b) + np.float32(1e-20))
            re[n] = (a * a - b * b) * size
            im[n] = np.float32(2) * a * b * size
        for k in range(count):
            x = re[k * fold]
            y = im[k * fold]
            for n in range(k * fold + 1, (k + 1) * fold):
                x += re[n]
                y += im[n]
            out[first + k] = complex(x, y)


@kernel("void(complex64[:,::1], float32[:,::1])", fastmath=True)
def _near_zero(spectra: np.ndarray, out: np.ndarray) -> None:
    """Give the power in the bins about the first, lowest frequency first."""
    bins = spectra.shape[1]
    reach = out.shape[1] // 2
    for h in range(len(out)):
        for i in range(2 * reach + 1):
            value = spectra[h, i - reach + (bins if i < reach else 0)]
            out[h, i] = value.real * value.real + value.imag * value.imag


@kernel("void(float32[:,::1], float64[:,::1])", fastmath=True)
def _peaks(powers: np.ndarray, out: np.ndarray) -> None:
    """Give place (bins) and size over the mean of the largest of each three rows' sum, rows around row h + 1."""
    bins = powers.shape[1]
    near = np.empty(bins, np.float32)
    for h in range(len(out)):
        total = np.float32(0)
        top = 0
        for i in range(bins):
            near[i] = powers[h, i] + powers[h + 1, i] + powers[h + 2, i]
            total += near[i]
            if near[i] > near[top]:
                top = i
        fine = 0.0
        if 0 < top < bins - 1:
            a, b, c = np.sqrt(near[top - 1]), np.sqrt(near[top]), np.sqrt(near[top + 1])
            if a - 2 * b + c < 0:
                fine = 0.5 * (a - c) / (a - 2 * b + c)
        out[h, 0] = top + fine
        out[h, 1] = near[top] * bins / (total + np.float32(1e-30))


class ReversalCarrier:
    """Finds the carrier of phase reversals in complex samples and takes it out.

    Fed complex64 (n,), worked on in hops of `hop` samples, a multiple of 2 `fold` near HOP symbols; carriers within
    +-reach (cycles per sample) are looked for in squares summed over `fold` samples (so 2 reach fold < 0.5). Gives
    (samples with the carrier taken out, zero where no hop nearby has one; frequency in cycles per sample of each hop).
    """

    def __init__(self, hop: int, reach: float, fold: int):
        self._hop = hop
        self._fold = fold
        self._size = 2 * self._hop // fold  # window of a look
        self._bins = self._size
        self._reach = min(int(2 * reach * fold * self._bins) + 1, self._bins // 2 - 2)
        self._window = np.hanning(self._size).astype(np.float32)
        self._z = np.zeros(self._hop // 2, np.complex64)  # so that hop 0 has a window about its middle
        self._rest = np.zeros(0, np.complex64)  # samples not yet squared
        # _z begins half a hop before the first hop not given out; the others hold rows of hops
        self._squares = np.zeros(self._hop // 2 // fold, np.complex64)  # of the hops without a look
        self._powers = np.zeros(
            (1, 2 * self._reach + 1), np.float32
        )  # of looks, one before the next to be judged
        self._found = np.zeros(
            (CARRIER_MARGIN, 2)
        )  # place and size from CARRIER_MARGIN before the first not given out
        self._angle = 0.0

    def feed(self, z: np.ndarray, *, last: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples; after the `last` nothing is held back."""
        if last:
            z = np.concatenate([z, np.zeros(LAST_HOPS * self._hop, np.complex64)])
        self._z = np.concatenate([self._z, z])
        z = np.concatenate([self._rest, z])
        whole = len(z) - len(z) % self._fold
        z, self._rest = z[:whole], z[whole:]
        squares = np.empty(len(z) // self._fold, np.complex64)
        _squares(z, squares)
        self._squares = np.concatenate([self._squares, squares])
        self._look()
        if last:  # there is nothing in what would follow
            hops = (len(self._z) - self._hop // 2) // self._hop + 2 * CARRIER_MARGIN
            none = np.tile([self._place(0), 0.0], (max(hops - len(self._found), 0), 1))
            self._found = np.concatenate([self._found, none])
        ready = len(self._found) - 2 * CARRIER_MARGIN
        if ready <= 0:
            return np.empty(0, np.complex64), np.empty(0)
        hop = self._hop
        line = self._found[CARRIER_MARGIN - 1 : CARRIER_MARGIN + ready + 1, 0].copy()  # entry h + 1 is hop h
        limit = 2.56 / hop  # cycles per sample a hop may drift before it is a new carrier
        out = np.zeros(ready * hop, np.complex64)
        middle = hop // 2
        for begin, end in runs(nearby(self._found[:, 1] > CARRIER, CARRIER_MARGIN)):
            part = self._z[middle + begin * hop : middle + end * hop]
            self._angle = float(
                _turn(part, self._angle, line[begin : end + 2], limit, out[begin * hop : end * hop])
            )
        self._z = self._z[ready * hop :].copy()
        self._found = self._found[ready:]
        return out, line[1:-1]

    def _place(self, bins: Any) -> Any:
        """Give the carrier, in cycles per sample, of places in looks."""
        return (bins - self._reach) / (2 * self._bins * self._fold)

    def _look(self) -> None:
        step = self._hop // self._fold
        looks = (len(self._squares) - self._size) // step + 1
        if looks <= 0:
            return
        stride = self._squares.strides[0]
        parts = np.lib.stride_tricks.as_strided(
            self._squares, (looks, self._size), (step * stride, stride), writeable=False
        )
        reach = self._reach
        powers = np.zeros((looks, 2 * reach + 1), np.float32)
        if self._squares.any():
            _near_zero(fft.forward(parts * self._window, overwrite=True), powers)
        self._powers = np.concatenate([self._powers, powers])
        self._squares = self._squares[looks * step :].copy()
        found = np.empty((max(len(self._powers) - 2, 0), 2))
        _peaks(self._powers, found)
        found[:, 0] = self._place(found[:, 0])
        self._powers = self._powers[len(found) :]
        known = len(self._found) - CARRIER_MARGIN  # hops from the next to be given out
        for h in np.flatnonzero(found[:, 1] > CARRIER).tolist():
            begin = self._hop // 2 + (known + h) * self._hop
            part = self._z[begin : begin + self._hop]
            if steady(part) or _plain(part, found[h, 0]):
                found[h, 1] = 0.0
        self._found = np.concatenate([self._found, found])


@kernel(
    "float64(complex64[::1], int64, int64, float64, complex64[::1])", fastmath=True, error_model="numpy"
)  # no look for zeros
def _upright(z: np.ndarray, reach: int, count: int, angle: float, out: np.ndarray) -> float:
    """Give the unit rotors that turn symbols `reach` .. `reach + count` of z upright; `angle` went before."""
    span = 2 * reach + 1
    weight = np.empty(span, np.float32)
    for i in range(span):
        weight[i] = reach + 1 - abs(i - reach)
    res = np.empty(count + 2 * reach, np.float32)
    ims = np.empty(count + 2 * reach, np.float32)
    for k in range(len(res)):
        a, b = z[k].real, z[k].imag
        size = np.float32(1) / (np.sqrt(a * a + b * b) + np.float32(1e-30))
        res[k] = (a * a - b * b) * size
        ims[k] = np.float32(2) * a * b * size
    for k in range(count):
        re, im = res[k : k + span], ims[k : k + span]
        x = np.float32(0)
        y = np.float32(0)
        for i in range(span):
            x += re[i] * weight[i]
            y += im[i] * weight[i]
        step = 0.5 * np.float64(angle_of(y, x)) - angle
        step -= np.pi * np.floor(step / np.pi + 0.5)
        angle += step
        out[k] = complex(np.cos(angle), -np.sin(angle))
    return angle


class Upright:
    """Turns symbols of phase reversals so that they lie on the real axis, by their neighbours' squares."""

    def __init__(self, reach: int, middle: int):
        self._reach = reach
        self._middle = middle  # which of the samples around a symbol is its own
        self._x: np.ndarray | None = None
        self._places = np.zeros(0)
        self._angle = 0.0

    def feed(self, places: np.ndarray, x: np.ndarray, *, last: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Take instants (n,) and complex64 samples (width, n); give those ready, turned: all, after the `last`."""
        if self._x is None:
            self._x = np.zeros((len(x), self._reach), np.complex64)
        rest = np.zeros((len(x), self._reach if last else 0), np.complex64)
        self._x = np.concatenate([self._x, x, rest], axis=1)
        self._places = np.concatenate([self._places, places])
        count = self._x.shape[1] - 2 * self._reach
        if count <= 0:
            return np.empty(0), self._x[:, :0]
        rotors = np.empty(count, np.complex64)
        row = np.ascontiguousarray(self._x[self._middle])
        self._angle = float(_upright(row, self._reach, count, self._angle, rotors))
        out = self._x[:, self._reach : self._reach + count] * rotors
        given, self._places = self._places[:count], self._places[count:]
        self._x = self._x[:, count:].copy()
        return given, out
