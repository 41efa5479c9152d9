"""Sub-audible signalling under FM voice: continuous tones (CTCSS) and digital coded squelch (CDCSS/DCS)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile

# Standard tones, Hz: EIA/TIA-603 groups with the extra tones radios offer (spec sheet section 6.1; 165.5,
# 171.3 and 177.3 from memory).
# fmt: off
CTCSS_HZ: tuple[float, ...] = (
    62.5, 64.7, 67.0, 69.3, 71.9, 74.4, 77.0, 79.7, 82.5, 85.4, 88.5, 91.5,
    94.8, 97.4, 100.0, 103.5, 107.2, 110.9, 114.8, 118.8, 123.0, 127.3,
    131.8, 136.5, 141.3, 146.2, 151.4, 156.7, 159.8, 162.2, 165.5, 167.9,
    171.3, 173.8, 177.3, 179.9, 183.5, 186.2, 189.9, 192.8, 196.6, 199.5,
    203.5, 206.5, 210.7, 218.1, 225.7, 229.1, 233.6, 241.8, 250.3, 254.1,
)
# fmt: on
LOW_RATE_HZ = 1000.0
DCS_RATE_HZ = 134.4  # bit/s
DCS_WORD_HZ = DCS_RATE_HZ / 23
_TOGETHER = 16  # windows whose spectra are held at a time
_WORD = 184  # alignments tried a word: eight a bit


def sub_audible(audio: np.ndarray, rate_hz: float = 8000.0) -> np.ndarray:
    """Give what lies below 280 Hz of audio (n,) at 8 kHz, at 1 kHz, float32 (about n/8,); same timing."""
    taps = lowpass(300.0, 100.0, rate_hz, stop_db=45.0)
    down = round(rate_hz / LOW_RATE_HZ)
    if not len(audio):
        return np.zeros(0, np.float32)
    return _decimate(np.pad(audio.astype(np.float32), len(taps) // 2, mode="edge"), taps, down)


@kernel("float32[::1](float32[::1], float32[::1], int64)", fastmath=True)
def _decimate(x: np.ndarray, taps: np.ndarray, down: int) -> np.ndarray:
    """Give every `down`-th value of x (n,) through a symmetrical FIR, where the two overlap fully."""
    out = np.empty((len(x) - len(taps)) // down + 1, np.float32)
    for i in range(len(out)):
        first = np.uint64(i * down)
        total = np.float32(0)
        for k in range(np.uint64(len(taps))):
            total += taps[k] * x[first + k]
        out[i] = total
    return out


@kernel("void(complex64[:, ::1], UniTuple(int64, 5), float64[:, ::1])")
def _strongest(spectra: np.ndarray, edges: tuple[int, ...], out: np.ndarray) -> None:
    """Give the strongest line of each spectrum: its bin, the power of those beside it and its own, and its share.

    Edges in bins: it is looked for from the first to the second; its share is that of the bins within the last one
    of it in what there is from the third to the fourth.
    """
    first, last, low, high, reach = edges
    power = np.empty(max(last, high) + reach + 1, np.float32)
    for row in range(len(spectra)):
        for k in range(len(power)):
            power[k] = spectra[row, k].real ** 2 + spectra[row, k].imag ** 2
        peak = first
        for k in range(first, last):
            if power[k] > power[peak]:
                peak = k
        whole = own = 0.0
        for k in range(low, high):
            whole += power[k]
        for k in range(peak - reach, peak + reach + 1):
            own += power[k]
        out[row, 0] = peak
        for d in range(3):
            out[row, 1 + d] = power[peak - 1 + d]
        out[row, 4] = own / (whole + 1e-20)


@kernel("void(float32[::1], float32[::1], int64, float32[:, ::1])", fastmath=True)
def _windowed(x: np.ndarray, shape: np.ndarray, hop: int, out: np.ndarray) -> None:
    """Fill rows with stretches of x each `hop` values, less their mean and times a window; the rest with zeros."""
    size = len(shape)
    for row in range(len(out)):
        some, line = x[row * hop : row * hop + size], out[row]
        mean = np.float32(0)
        for i in range(size):
            mean += some[i]
        mean /= np.float32(size)
        for i in range(size):
            line[i] = (some[i] - mean) * shape[i]
        line[size:] = 0


@dataclass(frozen=True, slots=True)
class ToneFind:
    """A continuous tone found under a stretch."""

    nominal_hz: float
    measured_hz: float
    deviation_hz: float  # amplitude, in the units of the audio
    share: float  # of the windows it was in
    first_s: float  # end of the first window it was in
    stop_s: float  # end of the last window it was in


def find_ctcss(low: np.ndarray) -> ToneFind | None:
    """Find the standard tone in a sub-audible track (n,) at 1 kHz, or None.

    Windows of 250 ms each 62.5 ms: frequency of the strongest line by interpolation (Hann, parabola on
    log power), its power over everything else from 55 to 290 Hz. A tone is there when most windows agree on
    the frequency within 0.7 Hz, it holds most of the power in them, and its amplitude is steady: a voice's
    pitch fails the last two. Neighbouring tones are 2.3 Hz apart; encoders are held to 0.5 % or better.
    """
    size = 250
    if len(low) < size:
        return None
    hop = 62
    points = 1024
    bin_hz = LOW_RATE_HZ / points
    count = (len(low) - size) // hop + 1
    lines = np.empty((count, 5))
    edges = tuple(int(hz / bin_hz) for hz in (60, 260, 55, 290, 8))
    shape = np.hanning(size)
    low, window = np.ascontiguousarray(low, np.float32), shape.astype(np.float32)
    for at in range(0, count, _TOGETHER):
        part = np.empty((min(_TOGETHER, count - at), points), np.float32)
        _windowed(low[at * hop :], window, hop, part)
        _strongest(fft.forward_real(part), edges, lines[at : at + len(part)])
    peak, share = lines[:, 0], lines[:, 4]
    a, b, c = (np.log(lines[:, k] + 1e-20) for k in (1, 2, 3))
    freq_hz = (peak + 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)) * bin_hz
    amplitude = 2 * np.sqrt(lines[:, 2]) / shape.sum()
    strong = share > 0.6
    if strong.sum() < 2:
        return None
    middle = float(np.median(freq_hz[strong]))
    agree = strong & (np.abs(freq_hz - middle) < 0.7)
    least = max(0.45, 1.1 - 0.4 * len(low) / LOW_RATE_HZ)  # a short stretch of voice may hold its pitch
    if (
        agree.sum() < max(2, 0.6 * strong.sum(), min(least, 1.0) * len(strong))
        or np.std(freq_hz[agree]) > 0.35
    ):
        return None
    steady = quantile(amplitude[agree], 0.15) / float(np.median(amplitude[agree]))
    measured = float(np.average(freq_hz[agree], weights=amplitude[agree] ** 2))
    nominal = min(CTCSS_HZ, key=lambda tone: abs(tone - measured))
    if steady < 0.6 or abs(nominal - measured) > max(0.005 * nominal, 0.4):
        return None
    found = np.flatnonzero(agree)
    return ToneFind(
        nominal,
        measured,
        float(np.median(amplitude[agree])),
        float(agree.mean()),
        (found[0] * hop + size) / LOW_RATE_HZ,
        (found[-1] * hop + size) / LOW_RATE_HZ,
    )


@dataclass(frozen=True, slots=True)
class CodeFind:
    """A digital squelch code found under a stretch."""

    code: str  # octal, read with normal polarity when that is a standard code
    inverted: bool
    likeness: float  # correlation with the ideal word, 0..1
    deviation_hz: float
    share: float
    first_s: float
    stop_s: float


def _keep_lines() -> tuple[np.ndarray, np.ndarray]:
    """Give the numbers of the word-rate lines used (1 to 34: up to 200 Hz), and the weight of each.

    The weights are what a 23-bit NRZ word's receiver passes: nothing of the lowest line, since a
    transmitter's audio coupling and the removal of the mean bend it.
    """
    lines = np.arange(1, 35)
    return lines, np.exp(-0.3466 * (lines * DCS_WORD_HZ / 130.0) ** 2)


@lru_cache(maxsize=4)
def _templates(words: tuple[int, ...]) -> np.ndarray:
    """Give the lines of each ideal word, complex64 (words, lines), unit energy."""
    lines, weight = _keep_lines()
    bits = np.array([[1.0 if word >> n & 1 else -1.0 for n in range(23)] for word in words])
    turn = np.exp(-2j * np.pi * lines * np.arange(23)[:, None] / 23)
    spectra = bits @ turn * np.sinc(lines / 23) * weight
    return (spectra / np.linalg.norm(spectra, axis=1, keepdims=True)).astype(np.complex64)


def find_dcs(low: np.ndarray, words: Mapping[str, int]) -> CodeFind | None:
    """Find the digital squelch code in a sub-audible track (n,) at 1 kHz, or None.

    `words` maps each code to its 23-bit word, bit 0 first on the air (coding.golay). The word repeats
    without gap, so its spectrum is lines 5.84 Hz apart: over windows of four words (0.68 s) the lines are the
    word averaged over the window. They are compared with every word at every alignment. A code is
    there when windows agree on it, the likeness is high, and most low-frequency energy is on the lines.
    A word and the inverse of another look the same (023 inverted is 047): it is read as sent upright where
    that is in the list.
    """
    codes = tuple(words)
    size = round(4 * LOW_RATE_HZ / DCS_WORD_HZ)
    hop = size // 4
    if len(low) < size * 3 // 4:
        return None
    if len(low) < size:
        size = size * 3 // 4
    windows = np.lib.stride_tricks.sliding_window_view(low, size)[::hop]
    windows = windows - windows.mean(axis=1, keepdims=True)
    lines, weight = _keep_lines()
    time_s = np.arange(size) / LOW_RATE_HZ
    found = windows @ np.exp(-2j * np.pi * DCS_WORD_HZ * time_s[:, None] * lines) * (2 / size)
    on_lines = (np.abs(found) ** 2).sum(axis=1) / 2
    smooth = np.abs(fft.forward(windows.astype(np.complex64))) ** 2
    reach = int(200.0 * size / LOW_RATE_HZ) + 1
    total = 2 * smooth[:, 1:reach].sum(axis=1) / size**2
    coherent = on_lines / (total + 1e-20)
    likely = coherent > 0.5  # the rest cannot pass: spare them the comparison
    if likely.sum() < min(2, len(likely)):
        return None
    found = found * weight
    energy = np.linalg.norm(found, axis=1)
    upright = np.zeros((len(found), len(codes)), np.float32)
    flipped = np.zeros_like(upright)
    templates = np.conj(_templates(tuple(words.values())))
    chosen = np.flatnonzero(likely)
    for at in range(0, len(chosen), 32):  # in pieces, so that an over of minutes takes no more memory
        part = chosen[at : at + 32]
        padded = np.zeros((len(part), len(codes), _WORD), np.complex64)
        padded[:, :, lines] = templates * found[part, None, :]
        likeness = fft.inverse(padded).real * (_WORD / (energy[part, None, None] + 1e-20))
        upright[part] = likeness.max(axis=2)
        flipped[part] = -likeness.min(axis=2)
    best = upright.argmax(axis=1)
    best_flipped = flipped.argmax(axis=1)
    good = (upright.max(axis=1) > 0.85) & (coherent > 0.5)
    turned = (flipped.max(axis=1) > 0.85) & (coherent > 0.5) & ~good
    for mask, choice, score, inverted in (
        (good, best, upright, False),
        (turned, best_flipped, flipped, True),
    ):
        if mask.sum() < min(2, len(mask)):
            continue
        names, counts = np.unique(choice[mask], return_counts=True)
        winner = int(names[counts.argmax()])
        agree = mask & (choice == winner)
        if agree.sum() < max(min(2, len(mask)), 0.3 * len(mask)):
            continue
        where = np.flatnonzero(agree)
        return CodeFind(
            codes[winner],
            inverted,
            float(np.median(score[agree, winner])),
            float(np.median(np.sqrt(2 * on_lines[agree]))) / np.sqrt(2),
            float(agree.mean()),
            float((where[0] * hop + size) / LOW_RATE_HZ),
            float((where[-1] * hop + size) / LOW_RATE_HZ),
        )
    return None
