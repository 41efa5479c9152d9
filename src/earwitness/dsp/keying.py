"""On-off keying by hand or machine, read as Morse: carrier track, key-down likelihood, best timing.

All of one stretch at once: the line is followed by dynamic programming over short spectra, turned to zero
frequency, and the log-likelihood ratio of key down over key up is taken at about 200 Hz. A semi-Markov search
then finds the sequence of dots, dashes and gaps of best total likelihood for each of a row of speeds; the
best speed wins. So nothing is thresholded before the timing is known, and fading only lowers the weight of
what it hides. Crashes of static, which are as strong beside the line, are left out first and say nothing either way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel

STEP_HZ = 200.0  # rate of the key-down likelihood
SEARCH_WIDTH_HZ = 50.0  # one filter for all speeds, so that their likelihoods compare
SMEAR = 0.1  # of the level: what a filter leaves of a mark in the gaps beside it
LEVELS = ((1.0, 0.6), (0.7, 0.2), (0.5, 0.12), (0.35, 0.08))  # shares of the level around, how often
# of the noise: weaker marks are none, shares are weighed, the filter may be wide
LEAST_LEVEL, CLEAR_LEVEL, STRONG_LEVEL = 1.6, 4.0, 8.0
FADE_S, FADE_DB_S = 0.7, 40.0
STEADY_S, STEADY = 1.2, 0.8
CRASH, CRASH_S, BESIDE_HZ, KEY_DOWN = 14.0, 0.003, 60.0, 0.8
SPEEDS_WPM = tuple(float(x) for x in np.geomspace(5.0, 45.0, 24))


@dataclass(frozen=True, slots=True)
class Element:
    """One key-down element and the gap after it. Times in seconds from the start of the stretch."""

    start_s: float
    stop_s: float
    dash: bool
    gap: int  # after it: 0 inside a character, 1 between characters, 2 between words or the end


@dataclass(frozen=True, slots=True)
class KeyingFind:
    """The best reading of a stretch as Morse."""

    elements: tuple[Element, ...]
    dot_s: float
    captured: float  # share of all key-down evidence that the reading explains, 0..1
    spoiled: float  # evidence against key down inside its marks, over the evidence for
    spread: float  # standard deviation of ln(length / ideal) over marks, as measured on the envelope
    evidence: float  # log-likelihood ratio per element
    frequency_hz: float
    snr_db: float  # key-down power over noise in 100 Hz


def track_line(iq: np.ndarray, rate_hz: float, *, reach_hz: float) -> tuple[np.ndarray, float, float]:
    """Give the line's frequency every 0.25 s in Hz, the spacing in samples, and the noise density.

    Spectra of 0.5 s (Hann), 1 Hz apart; the path of most power that moves at most 4 Hz a step.
    """
    size = round(0.5 * rate_hz)
    hop = size // 2
    points = fft.good_size(round(rate_hz))
    padded = np.pad(iq, (hop, size))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    power = np.abs(fft.forward((frames * np.hanning(size)).astype(np.complex64), points)) ** 2
    bin_hz = rate_hz / points
    reach = int(reach_hz / bin_hz)
    near = np.concatenate([power[:, -reach:], power[:, : reach + 1]], axis=1)
    noise = float(np.median(near)) / np.log(2) + 1e-30
    score = np.log1p(near / noise)
    best = score[0]
    steps = np.zeros(near.shape, np.int8)
    for i in range(1, len(score)):
        padded_best = np.pad(best, 4, constant_values=-1e9)
        options = np.stack([padded_best[d : d + len(best)] - 0.3 * abs(d - 4) for d in range(9)])
        choice = options.argmax(axis=0)
        steps[i] = choice - 4
        best = options[choice, np.arange(len(best))] + score[i]
    path = np.empty(len(score), int)
    path[-1] = int(best.argmax())
    for i in range(len(score) - 1, 0, -1):
        path[i - 1] = path[i] + steps[i, path[i]]
    # smoothed by what each spectrum shows of the line, so that it does not wander where the key is up
    weight = np.minimum(near[np.arange(len(path)), path] / noise, 200.0) + 0.1
    smooth = np.convolve(path * weight, np.ones(5), "same") / np.convolve(weight, np.ones(5), "same")
    density = noise / float(np.sum(np.hanning(size) ** 2)) / rate_hz  # power per Hz
    return (smooth - reach) * bin_hz, float(hop), density


@dataclass(frozen=True, slots=True)
class _Envelope:
    """A stretch behind a key filter, about STEP_HZ samples a second."""

    low: np.ndarray  # complex (n,), the line at 0 Hz
    step_hz: float
    noise: float  # its mean power
    level: np.ndarray  # key-down amplitude (n,)
    independent: float  # independent samples per sample
    heard: np.ndarray  # share of what the filter takes that is no crash (n,)

    def ratio(self) -> np.ndarray:
        """Give the log-likelihood ratio of key down by magnitude only: Rice, of a level not known well, against Rayleigh.

        Against it stands noise and what the filter smears of the marks around.
        """
        noise = self.noise + (SMEAR * self.level) ** 2
        size = np.abs(self.low)
        likely, known = np.zeros(len(size)), np.zeros(len(size))
        for share, weight in LEVELS:
            a = share * self.level
            x = 2 * a * size / noise
            ratio = x - a * a / noise - 0.5 * np.log1p(2 * np.pi * x * x / (1 + x))  # ln I0(x), nearly
            clear = (a > CLEAR_LEVEL * np.sqrt(self.noise)) | (share == 1.0)
            likely += np.where(clear, weight * np.exp(np.minimum(ratio, 30.0)), 0.0)
            known += np.where(clear, weight, 0.0)
        return self._weighed(np.log(likely / known + 1e-12))

    def _weighed(self, ratio: np.ndarray) -> np.ndarray:
        return np.clip(ratio, -12, 12) * (self.independent * self.heard)

    def faded(self, down: np.ndarray) -> _Envelope:
        """Give the same with the level that key-down samples have close by, as far as a first reading has any."""
        window = self._window(FADE_S)
        weight = np.convolve(down.astype(float), window, "same")
        power = np.convolve(np.abs(self.low) ** 2 * down, window, "same") / np.maximum(weight, 1e-9)
        own = np.sqrt(np.maximum(power - self.noise, 0.0))
        known = weight / (weight + 0.03 * window.sum())
        level = known * own + (1 - known) * self.level
        return replace(self, level=np.maximum(level, LEAST_LEVEL * np.sqrt(self.noise)))

    def _window(self, seconds: float) -> np.ndarray:
        return np.hanning(min(round(seconds * self.step_hz), len(self.low) - 1) | 1)

    def coherent_ratio(self, down: np.ndarray) -> tuple[np.ndarray, float]:
        """Give the ratio with the carrier's phase taken from a first reading, and how steady that phase is.

        `down` (n,) marks key down in that reading. Half the noise falls away where the phase holds for a
        second.
        """
        window = self._window(STEADY_S)
        weight = np.convolve(down.astype(float), window, "same")
        carrier = np.convolve(self.low * down, window, "same") / np.maximum(weight, 0.05 * window.sum())
        steady = float(np.sum(np.abs(carrier[down]) ** 2) / (np.sum(self.level[down] ** 2) + 1e-30))
        size = np.maximum(np.abs(carrier), 0.5 * self.level)
        carrier = carrier / np.maximum(np.abs(carrier), 1e-30) * size
        ratio = (2 * (self.low * np.conj(carrier)).real - size**2) / self.noise
        return self._weighed(ratio), steady


def crashes(iq: np.ndarray, rate_hz: float, line_hz: float) -> np.ndarray:
    """Give which samples static spoils, bool (n,): far above the usual, and as strong as the line, where that has no power."""
    spectrum = fft.forward(iq.astype(np.complex64), fft.good_size(len(iq)))
    off_hz = np.fft.fftfreq(len(spectrum), 1 / rate_hz) - line_hz
    spectrum[np.abs(off_hz) < BESIDE_HZ] = 0
    rest = fft.inverse(spectrum)[: len(iq)]
    beside, line = np.abs(rest) ** 2, np.abs(iq - rest) ** 2
    around = np.ones(2 * round(CRASH_S * rate_hz) + 1)
    high = beside > max(CRASH * float(np.median(beside)), float(np.quantile(line, KEY_DOWN)))
    return np.asarray(np.convolve(high, around, "same") > 0.5)


def _envelope(
    iq: np.ndarray,
    rate_hz: float,
    line_hz: np.ndarray,
    hop: float,
    density: float,
    heard: np.ndarray,
    *,
    width_hz: float,
) -> _Envelope:
    """Turn the line to 0 Hz and filter it. Samples that were not `heard` are zero already: what the filter takes of the rest is raised for them."""
    from scipy.signal import upfirdn

    freq_hz = np.interp(np.arange(len(iq)), np.arange(len(line_hz)) * hop, line_hz)
    turned = iq * np.exp(-2j * np.pi * np.cumsum(freq_hz) / rate_hz)
    down = max(round(rate_hz / STEP_HZ), 1)
    taps = lowpass(width_hz / 2, width_hz / 2, rate_hz, stop_db=40.0)
    half = len(taps) // 2
    low = upfirdn(taps, np.pad(turned, (half, half)), 1, down)[2 * half // down :][: len(iq) // down]
    whole = np.abs(taps)
    share = upfirdn(whole / whole.sum(), np.pad(heard, (half, half), constant_values=1.0), 1, down)
    share = np.clip(share[2 * half // down :][: len(low)], 0.0, 1.0)
    low = low / np.maximum(share, 0.3)
    noise = density * rate_hz * float(np.sum(taps.astype(np.float64) ** 2))
    step_hz = rate_hz / down
    level = _key_level(np.abs(low), noise, step_hz)
    return _Envelope(low, step_hz, noise, level, min(1.0, width_hz / step_hz), share**2)


@kernel("float64[::1](float64[::1], float64)")
def _highest_near(size: np.ndarray, fall: float) -> np.ndarray:
    """Give the highest value near each, one `n` steps away times `fall` to the power of n."""
    out = size.copy()
    for i in range(1, len(out)):
        out[i] = max(out[i], fall * out[i - 1])
    for i in range(len(out) - 2, -1, -1):
        out[i] = max(out[i], fall * out[i + 1])
    return out


def _key_level(size: np.ndarray, noise: float, step_hz: float) -> np.ndarray:
    """Give the key-down amplitude around each step: that of the highest close by, which fades as fast as the air does."""
    high = 0.85 * _highest_near(size.astype(np.float64), 10 ** (-FADE_DB_S / 20 / step_hz))
    return np.maximum(np.sqrt(np.maximum(high**2 - 0.5 * noise, 0.0)), LEAST_LEVEL * np.sqrt(noise))


@kernel("Tuple((float64, int64[:,::1]))(float64[::1], float64, float64[::1], float64[::1])")
def _best_timing(
    ratio: np.ndarray, dot: float, means: np.ndarray, widths: np.ndarray
) -> tuple[float, np.ndarray]:
    """Give the best total log-likelihood and its runs (start, stop, kind), latest first.

    Kinds: 0 dot, 1 dash, 2 gap inside, 3 gap between characters, 4 gap between words (any longer length).
    Lengths are log-normal about means[kind] dots with deviation widths[kind].
    """
    n = len(ratio)
    total = np.zeros(n + 1)
    for i in range(n):
        total[i + 1] = total[i] + ratio[i]
    marked = np.full(n + 1, -1e18)  # best score with a mark ending here
    spaced = np.full(n + 1, -1e18)  # best score with a gap ending here (a mark may start)
    from_mark = np.zeros(n + 1, np.int64)
    kind_mark = np.zeros(n + 1, np.int64)
    from_space = np.zeros(n + 1, np.int64)
    kind_space = np.zeros(n + 1, np.int64)
    prior = np.log(np.array([0.5, 0.5, 0.62, 0.28, 0.1]))
    lows = np.empty(5, np.int64)
    highs = np.empty(5, np.int64)
    for k in range(5):
        lows[k] = max(1, int(np.floor(means[k] * dot * np.exp(-2.7 * widths[k]))))
        highs[k] = max(lows[k] + 1, int(np.ceil(means[k] * dot * np.exp(2.7 * widths[k]))))
    cost = np.full((4, highs[:4].max() + 1), -1e18)
    for k in range(4):
        for d in range(lows[k], highs[k] + 1):
            x = np.log(d / (means[k] * dot)) / widths[k]
            cost[k, d] = prior[k] - 0.5 * x * x - np.log(d * widths[k] * 2.5066)
    word_low = max(1, int(np.floor(means[4] * dot * 0.62)))
    word_cost = prior[4] - np.log(7.0 * dot * 2.0)
    best_old = -1e18  # best mark end at least word_low ago
    best_old_at = 0
    for t in range(n + 1):
        # leading silence of any length
        spaced[t] = 0.0
        from_space[t] = -1
        for k in range(2, 4):
            for d in range(lows[k], min(highs[k], t) + 1):
                value = marked[t - d] + cost[k, d]
                if value > spaced[t]:
                    spaced[t] = value
                    from_space[t] = t - d
                    kind_space[t] = k
        old = t - word_low
        if old >= 0 and marked[old] > best_old:
            best_old = marked[old]
            best_old_at = old
        if best_old + word_cost > spaced[t]:
            spaced[t] = best_old + word_cost
            from_space[t] = best_old_at
            kind_space[t] = 4
        for k in range(2):
            for d in range(lows[k], min(highs[k], t) + 1):
                value = spaced[t - d] + cost[k, d] + total[t] - total[t - d]
                if value > marked[t]:
                    marked[t] = value
                    from_mark[t] = t - d
                    kind_mark[t] = k
    end = 0
    for t in range(n + 1):
        if marked[t] > marked[end]:
            end = t
    runs = np.zeros((2 * n + 2, 3), np.int64)
    count = 0
    score = marked[end]
    if score <= 0:
        return 0.0, runs[:0]
    t = end
    while True:
        runs[count, 0] = from_mark[t]
        runs[count, 1] = t
        runs[count, 2] = kind_mark[t]
        count += 1
        t = from_mark[t]
        if from_space[t] < 0:
            break
        runs[count, 0] = from_space[t]
        runs[count, 1] = t
        runs[count, 2] = kind_space[t]
        count += 1
        t = from_space[t]
    return score, runs[:count]


COHERENT_WIDER = 2.5  # with the phase known the filter may be wider than the keying
_MEANS = np.array([1.0, 3.0, 1.0, 3.0, 7.0])
_WIDTHS = np.array([0.22, 0.16, 0.28, 0.28, 0.4])


def read_keying(iq: np.ndarray, rate_hz: float, *, reach_hz: float = 150.0) -> KeyingFind | None:
    """Read a stretch of complex channel samples (n,) as Morse; None when there is no keying at all."""
    if len(iq) < rate_hz * 0.5 or not np.any(iq):
        return None
    line_hz, hop, density = track_line(iq, rate_hz, reach_hz=reach_hz)
    spoilt = crashes(iq, rate_hz, float(np.median(line_hz)))
    if spoilt.any():
        iq = np.where(spoilt, 0, iq).astype(np.complex64)
        line_hz, hop, density = track_line(iq, rate_hz, reach_hz=reach_hz)
    heard = 1.0 - spoilt
    best: tuple[float, float] | None = None
    envelope = _envelope(iq, rate_hz, line_hz, hop, density, heard, width_hz=SEARCH_WIDTH_HZ)
    ratio = envelope.ratio()
    for speed in SPEEDS_WPM:
        score, runs = _best_timing(ratio, 1.2 / speed * envelope.step_hz, _MEANS, _WIDTHS)
        if len(runs) and (best is None or score > best[0]):
            best = score, speed
    if best is None:
        return None
    speed = best[1]
    means = _MEANS.copy()
    down: np.ndarray | None = None
    for _ in range(3):  # settle speed, carrier phase and the sender's own weights
        envelope = _envelope(iq, rate_hz, line_hz, hop, density, heard, width_hz=_width_hz(speed))
        ratio = envelope.ratio()
        if down is not None:
            sharp = _envelope(
                iq, rate_hz, line_hz, hop, density, heard, width_hz=COHERENT_WIDER * _width_hz(speed)
            )
            sharp = sharp.faded(down)
            clear = np.median(sharp.level) > STRONG_LEVEL * np.sqrt(sharp.noise)
            envelope = sharp if clear else envelope.faded(down)
            ratio = envelope.ratio()
            coherent, steady = sharp.coherent_ratio(down)
            if steady > STEADY:
                ratio = coherent
        dot = 1.2 / speed * envelope.step_hz
        score, runs = _best_timing(ratio, dot, means, _WIDTHS)
        if not len(runs):
            return None
        lengths = runs[:, 1] - runs[:, 0]
        units = np.where(runs[:, 2] == 1, 3, 1)
        marks = runs[:, 2] < 2
        used = marks | (runs[:, 2] == 2)
        dot = float(lengths[used].sum() / units[used].sum())
        speed = float(np.clip(1.2 * envelope.step_hz / dot, 4.0, 50.0))
        down = np.zeros(len(ratio), bool)
        for start, stop, _ in runs[marks]:
            down[start:stop] = True
        for kind in range(4):
            chosen = runs[:, 2] == kind
            if chosen.sum() >= 4:
                mean = float(np.median(lengths[chosen])) / dot
                means[kind] = np.clip(mean, 0.75 * _MEANS[kind], 1.35 * _MEANS[kind])
    return _find(runs[::-1], ratio, envelope, score, line_hz, density, means)


def _width_hz(speed: float) -> float:
    """Give the filter for a speed: 1.6 over the dot, one of a few so that they are shared."""
    wanted = 1.6 * speed / 1.2
    return min((20.0, 28.0, 40.0, 56.0, 80.0), key=lambda width: abs(np.log(width / wanted)))


def _find(
    runs: np.ndarray,
    ratio: np.ndarray,
    envelope: _Envelope,
    score: float,
    line_hz: np.ndarray,
    density: float,
    means: np.ndarray,
) -> KeyingFind:
    step_hz, level = envelope.step_hz, envelope.level
    marks = runs[runs[:, 2] < 2]
    gaps = runs[runs[:, 2] >= 2]
    down = np.zeros(len(ratio), bool)
    for start, stop, _ in marks:
        down[start:stop] = True
    positive = np.maximum(ratio, 0)
    span = slice(int(marks[0, 0]), int(marks[-1, 1]))
    captured = float(positive[span][down[span]].sum() / (positive[span].sum() + 1e-9))
    spoiled = float(np.maximum(-ratio, 0)[down].sum() / (positive[down].sum() + 1e-9))
    after = [int(kind) - 2 for kind in gaps[:, 2]] + [2]
    elements = tuple(
        Element(start / step_hz, stop / step_hz, bool(kind == 1), after[i])
        for i, (start, stop, kind) in enumerate(marks.tolist())
    )
    lengths = marks[:, 1] - marks[:, 0]
    ideal = means[marks[:, 2]]
    dot = float(lengths.sum() / ideal.sum())
    spread = float(np.std(np.log(lengths / (ideal * dot))))
    power = float(np.mean(level[down] ** 2))
    return KeyingFind(
        elements,
        dot / step_hz,
        captured,
        spoiled,
        spread,
        score / len(marks),
        float(np.median(line_hz)),
        float(10 * np.log10(power / (density * 100.0))),
    )
