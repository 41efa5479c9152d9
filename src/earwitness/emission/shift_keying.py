"""Is a constant envelope's frequency keyed between two or four values, and how fast?

Candidates for the symbol rate come from three places (times of crossings, a line in the squared track,
the pair of lines that squaring the signal gives at h = 1/2); each is judged by what the frequency does at
symbol centres. Voice, tones and audio-frequency keying on an FM carrier give candidates too, but not the
picture of held levels with power down to 0 Hz that direct keying has.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile
from earwitness.emission.burst import moving_mean
from earwitness.emission.features import KEYING_CORE, Features, running_sum
from earwitness.emission.levels import Levels, flatness, levels
from earwitness.emission.lines import LineSpectrum

# Rates in use that a weak clock is tried at (Bd): telegraphy, paging, trunking, packet, marine, land mobile.
USUAL_RATES = (
    45.45,
    50,
    75,
    100,
    150,
    200,
    300,
    512,
    600,
    1200,
    1600,
    2400,
    3200,
    3600,
    4800,
    6400,
    9600,
    19200,
)
FOUR_LEVEL_RATES = (1600.0, 2400.0, 3200.0, 4800.0, 6400.0, 9600.0)
LEAST_SYMBOLS = 24
LEAST_ELEMENTS, LEAST_HELD = 16, 8
LEAST_EXPLAINED = 0.45  # of the track's variance, by a reading that is any use
SLOW = 2.5  # inverse widths that an element of slow keying lasts, at least
FASTEST = 310.0  # Bd of telegraphy
SHORTEST_ELEMENT, LONGEST_ELEMENT = 0.0032, 0.06  # seconds: start-stop telegraphy has up to 300 Bd
COHERENT = 0.6  # mean cosine of what runs are over multiples of an element
NEARLY = 0.85  # of the best one, that will do for a longer element
SLOW_ALTERNATION = 0.36  # data read at a multiple of their rate change less often than this
MOST_PARTS = 9
BESIDE = 0.01  # rates so near each other are one
CODE_BITS, MOSTLY_REPEATS = 23, 0.9  # of a digital squelch's word, and the share that is as one word before
MOST_ALTERNATION = 0.8  # of a code's symbols differ from the one before
SURE_SNR = 3.0  # power ratio from which lines of the squared signal may stand for clean levels
# Not the quarters themselves: a quarter of four clean levels is the step between two of them.
QUANTILES = (0.1, 0.2, 0.8, 0.9)
# Of all values: four levels have 0.83 and more in any noise, 0.81 in a few dozen symbols; FM voice has 0.79 to 0.815.
FLAT_AS_FOUR, FLAT_AS_FEW, MANY_VALUES = 0.817, 0.805, 8000
PHASES = np.arange(0.05, 1, 0.1)
PLACES = np.arange(0.1, 1, 0.2)  # within a symbol, where values are compared by likelihood
MOST_COMPARED = 400
DOUBTFUL = 0.3  # scatter of a reading from which on its number of levels is asked for by likelihood ...
MIXED = 0.45  # ... and has to be shown: four levels without noise, read as two, scatter by 0.5
# Natural logarithm of likelihood ratios that are evidence; voice, tones, audio keying stay below it ...
LIKELIER = 3.0
NOT_BY_CHANCE = 6.0
OPEN_EYE = 0.13  # ... of the centre of a symbol over its rim, for each symbol: tones have up to 0.09, voice has no levels
BLURRED = 0.75  # half steps of scatter from which on levels are none


@dataclass(frozen=True, slots=True)
class Keying:
    """Frequency keying seen: `spread` is the scatter round the levels in units of half a level step."""

    levels: int
    rate_hz: float
    rate_uncertainty_hz: float
    deviation_hz: float  # from the centre to the outermost level
    center_hz: float  # middle of the levels, relative to the burst's centre
    spread: float
    raw_spread: float  # the same with the noise in it
    explained: float  # share of the track's variance that held levels explain, noise taken out
    low_share: float  # share of the track's variance left by a mean over 8 symbols; 1/8 for random data
    singles: float  # share of runs of equal symbols that are one symbol long; 0.5 for random data
    divisor: int  # largest number that divides nearly all runs
    alternation: float  # share of symbols that differ from the one before
    repeats: int  # symbols after which the sequence repeats (idle, phasing); 0 when it does not
    clock_db: float  # height of the clock line it was found by
    symbols: int


class _Track:
    """A burst's frequency track, and what it is judged by at every rate; each is computed once."""

    def __init__(self, features: Features, width_hz: float, start: float):
        self.features = features
        self.width_hz = width_hz
        self.start = start  # where to begin between two levels
        # A mean over a window is a phase difference: its noise comes from the two end points.
        self.noise = features.burst.width_hz / (2 * np.pi) / np.sqrt(features.burst.snr)
        self._matched: dict[float, np.ndarray] = {}

    @cached_property
    def total(self) -> np.ndarray:
        """The track's running sum, float64 (n + 1,), starting with 0."""
        return running_sum(self.features.track)

    @cached_property
    def variance(self) -> float:
        """Variance of the smoothed track where it is good."""
        return masked_variance(self.features.smooth_track, self.features.good)

    @cached_property
    def _spectrum(self) -> tuple[np.ndarray, float, int]:
        track = self.features.track
        middle = quantile(track, 0.5)
        size = fft.good_size(len(track))
        return fft.forward_real(track - np.float32(middle), size), middle, size

    def matched(self, rate: float) -> np.ndarray:
        """Give the running sum of the track through a root-raised-cosine low-pass of roll-off 0.2.

        That is what half-Nyquist shaping asks for; float64 (n + 1,).
        """
        if rate not in self._matched:
            values, middle, size = self._spectrum
            step = self.features.rate_hz / size / rate
            last = min(int(0.6 / step) + 1, len(values))
            shape = np.cos(np.pi / 2 * np.clip((np.arange(last) * step - 0.4) / 0.2, 0, 1))
            shaped = np.zeros_like(values)
            shaped[:last] = values[:last] * shape.astype(np.float32)
            low = fft.inverse_real(shaped, size)[: len(self.features.track)]
            self._matched[rate] = running_sum(low + np.float32(middle))
        return self._matched[rate]


@kernel("float64(float32[::1], boolean[::1])")
def masked_variance(values: np.ndarray, good: np.ndarray) -> float:
    """Give the variance of the values that are good, 0 when none is."""
    count = 0
    mean = 0.0
    for i in range(len(values)):
        if good[i]:
            mean += values[i]
            count += 1
    if count == 0:
        return 0.0
    mean /= count
    square = 0.0
    for i in range(len(values)):
        if good[i]:
            square += (values[i] - mean) ** 2
    return square / count


@kernel("float32[::1](float32[::1], float32, float32)")
def crossing_train(track: np.ndarray, middle: float, hysteresis: float) -> np.ndarray:
    """Give float32 shape (n,): unit impulses, split over two samples, where the track crosses the middle.

    A crossing counts once the track has gone `hysteresis` beyond the middle on the other side.
    """
    out = np.zeros(len(track), np.float32)
    side = 0
    place = np.float32(-1.0)
    for i in range(1, len(track)):
        a = track[i - 1] - middle
        b = track[i] - middle
        if (a < 0) != (b < 0):
            place = np.float32(i - 1) + a / (a - b)
        now = 1 if b > hysteresis else (-1 if b < -hysteresis else side)
        if now != side:
            if side != 0 and place >= 0:
                whole = int(place)
                part = place - np.float32(whole)
                out[whole] += 1 - part
                if whole + 1 < len(out):
                    out[whole + 1] += part
            side = now
    return out


@kernel("void(float64[::1], boolean[::1], float64, int64, float64, float32[::1])")
def gather(
    total: np.ndarray, good: np.ndarray, period: float, length: int, phase: float, out: np.ndarray
) -> None:
    """Fill `out` with the track's mean over `length` samples centred on (k + phase) periods, NaN where not good.

    `total` is the cumulative sum of the track, starting with 0; places between samples are interpolated.
    """
    n = len(total) - 1
    for k in range(len(out)):
        place = (k + phase) * period - 0.5 * (length - 1)
        low = int(np.floor(place))
        part = place - low
        if low < 0 or low + length + 1 > n or not good[min(int(place + 0.5 * length), n - 1)]:
            out[k] = np.nan
            continue
        here = total[low + length] - total[low]
        after = total[low + length + 1] - total[low + 1]
        out[k] = (here + part * (after - here)) / length


@kernel("Tuple((float64, float64, float64, int64))(float32[::1], float64)")
def two_levels(values: np.ndarray, middle: float) -> tuple[float, float, float, int]:
    """Give (scatter over half distance, half distance, middle, count) of two clusters; NaN are left out.

    `middle` is where to begin. Scatter is 1 when the values do not fall into two.
    """
    half = 0.0
    count = 0
    for _ in range(4):
        high = low = 0.0
        highs = lows = 0
        for v in values:
            if v > middle:
                high += v
                highs += 1
            elif v <= middle:
                low += v
                lows += 1
        count = highs + lows
        if highs * 8 < count or lows * 8 < count or count < 8:
            return 1.0, 0.0, middle, count
        half = (high / highs - low / lows) / 2
        middle = (high / highs + low / lows) / 2
    mean = square = 0.0
    for v in values:
        if not np.isnan(v):
            d = abs(v - middle)
            mean += d
            square += d * d
    mean /= count
    if half <= 0:
        return 1.0, 0.0, middle, count
    return np.sqrt(max(square / count - mean * mean, 0.0)) / half, half, middle, count


@kernel("Tuple((float64, float64, float64, float64))(float32[::1], float64)")
def four_levels(values: np.ndarray, middle: float) -> tuple[float, float, float, float]:
    """Give (scatter over half a step, outermost level, least share of a level, middle) of four even levels.

    NaN are left out; `middle` is where to begin.
    """
    step = 0.0
    count = 0
    for v in values:
        if not np.isnan(v):
            step += abs(v - middle)
            count += 1
    if count < 8:
        return 1.0, 0.0, 0.0, middle
    step /= 2 * count
    filled = np.zeros(4)
    error = 0.0
    for turn in range(5):
        if step <= 0:
            return 1.0, 0.0, 0.0, middle
        filled[:] = 0
        sum_l = sum_ll = sum_v = sum_lv = error = 0.0
        for v in values:
            if not np.isnan(v):
                place = min(max(int(np.floor((v - middle) / (2 * step))) + 2, 0), 3)
                level = 2.0 * place - 3
                filled[place] += 1
                sum_l += level
                sum_ll += level * level
                sum_v += v
                sum_lv += level * v
                error += (v - middle - step * level) ** 2
        if turn < 4:
            spread = sum_ll / count - (sum_l / count) ** 2
            if spread <= 0:
                return 1.0, 0.0, 0.0, middle
            step = (sum_lv / count - sum_l / count * sum_v / count) / spread
            middle = sum_v / count - step * sum_l / count
    return np.sqrt(error / count) / step, 3 * step, filled.min() / count, middle


@kernel(
    "Tuple((float64, float64, float64, int64, int64))"
    "(float64[::1], boolean[::1], float64, int64, float64[::1], float64, float32[:, ::1])"
)
def _two(
    sums: np.ndarray,
    good: np.ndarray,
    period: float,
    length: int,
    phases: np.ndarray,
    start: float,
    values: np.ndarray,
) -> tuple[float, float, float, int, int]:
    """Fill values (phases, symbols) by `gather`; give what `two_levels` says of the best phase, and which it is."""
    best = (np.inf, 0.0, 0.0, 0, 0)
    for row in range(len(phases)):
        gather(sums, good, period, length, phases[row], values[row])
        spread, half, middle, count = two_levels(values[row], start)
        if spread < best[0]:
            best = (spread, half, middle, count, row)
    return best


@kernel("Tuple((float64, float64, float64, float64, int64))(float32[:, ::1], float64)")
def _four(values: np.ndarray, middle: float) -> tuple[float, float, float, float, int]:
    """Give what `four_levels` says of the best row of values, and which it is."""
    best = (np.inf, 0.0, 0.0, 0.0, 0)
    for row in range(len(values)):
        spread, outer, filled, found = four_levels(values[row], middle)
        if spread < best[0]:
            best = (spread, outer, filled, found, row)
    return best


@kernel("float64(float32[::1], boolean[::1], float32[::1], float64, float64)")
def held_error(
    track: np.ndarray, good: np.ndarray, decided: np.ndarray, period: float, phase: float
) -> float:
    """Give the mean square of the track less the decided values, each held for a period."""
    error = 0.0
    count = 0
    for i in range(len(track)):
        k = int(np.floor(i / period - phase + 0.5))
        if good[i] and 0 <= k < len(decided) and not np.isnan(decided[k]):
            d = track[i] - decided[k]
            error += d * d
            count += 1
    return error / count if count else np.inf


def frequency_keying(features: Features, width_hz: float) -> Keying | None:
    """Give the most convincing two- or four-level reading of the frequency track, None when there is none.

    `width_hz` is the occupied bandwidth: keying faster than 1.3 times that cannot be in it.
    """
    features = features.middle(KEYING_CORE)
    good = features.good
    if len(features.track) < 96 or good.sum() < 64:
        return None
    values = features.smooth_track[good]
    low, lower, upper, high = (quantile(values, share) for share in QUANTILES)
    middle, half = (low + high) / 2, (high - low) / 2
    if half <= 0:
        return None
    # Four levels fill the range evenly (two: 1, a uniform range 1.33, Gaussian 1.52); speech is peaked (Laplace: 1.76).
    even = bool(high - low < 1.68 * (upper - lower))
    even = even and flatness(values) > (FLAT_AS_FOUR if len(values) > MANY_VALUES else FLAT_AS_FEW)
    track = _Track(features, width_hz, float(middle))
    pair = squared_pair(features)
    readings = []
    for rate, over in _candidates(features, width_hz, np.float32(middle), np.float32(half), pair):
        sure = pair is not None and features.burst.snr > SURE_SNR and abs(pair[0] - rate) < 0.005 * rate
        found = _judge(track, rate, over, sure=sure, even=even)
        if found:
            readings.append(found)
    # All runs multiples of k symbols: the rate is k times too high.
    for item in list(readings):
        if item.divisor > 1 and item.explained > 0.6:
            rate = item.rate_hz / item.divisor
            found = _judge(track, rate, item.clock_db, even=even)
            if found and found.explained > item.explained - 0.15:
                readings.remove(item)
                readings.append(found)
    if (
        even
        and not pair
        and not any(item.singles > 0.1 and item.explained > LEAST_EXPLAINED for item in readings)
    ):
        # Four levels of a narrow filter hardly show their clock: the rates in use are tried all the same.
        for rate in FOUR_LEVEL_RATES:
            if 0.4 * width_hz < rate < 0.95 * width_hz:
                found = _judge(track, rate, 0.0)
                if (not found or found.levels != 4) and _are_four(_compared(track, rate)):
                    found = _judge(track, rate, 0.0, four=True)
                if found and found.levels == 4:
                    readings.append(found)
    if not readings:
        return None
    # Changes on odd places too, and clean levels: half that rate misses some.
    for fast in list(readings):
        if fast.divisor % 2 and fast.spread < 0.15:
            readings = [
                item
                for item in readings
                if abs(fast.rate_hz - 2 * item.rate_hz) > 0.01 * fast.rate_hz
                or item.explained >= fast.explained
            ]
    # A multiple of the true rate explains as much, a fraction of it less: the slowest of the best is right.
    top = max(_merit(item) for item in readings)
    chosen = min((item for item in readings if _merit(item) > top - 0.015), key=lambda item: item.rate_hz)
    # Bursts in slots put lines beside that of their clock.
    chosen = max((item for item in readings if abs(item.rate_hz / chosen.rate_hz - 1) < BESIDE), key=_merit)
    if chosen.levels == 2 and chosen.alternation < SLOW_ALTERNATION:
        for part in range(2, min(int(1.2 / max(chosen.alternation, 0.1)), MOST_PARTS) + 1):
            found = _judge(track, chosen.rate_hz / part, chosen.clock_db, even=even)
            if found:
                readings.append(found)
    slower = [item for item in readings if _is_part(item, chosen)]
    found = _by_elements(features, width_hz, max(slower, key=_merit, default=chosen), half)
    return _by_likelihood(track, found, pair)


def _by_likelihood(track: _Track, keying: Keying, pair: tuple[float, float, float] | None) -> Keying | None:
    """Give a reading with the number of levels that its values make likelier, None when it is neither."""
    halved = pair is not None and abs(pair[0] - keying.rate_hz) < 0.01 * keying.rate_hz
    if keying.raw_spread < DOUBTFUL or (halved and keying.levels == 2):
        return keying
    seen = _compared(track, keying.rate_hz)
    if seen is None:
        return keying
    if keying.levels == 4:
        shown = seen.four_over_two > -LIKELIER if keying.clock_db > 0 else _are_four(seen)
        return keying if shown else None
    if seen.four_over_two < (-LIKELIER if keying.raw_spread > MIXED else LIKELIER):
        return keying
    if not _are_four(seen):
        return None
    return _judge(track, keying.rate_hz, keying.clock_db, four=True)


def _compared(track: _Track, rate: float) -> Levels | None:
    """Give what the values at a rate say for four levels: through the filter of narrow keying."""
    features = track.features
    period = features.rate_hz / rate
    count = min(int(len(features.track) / period), MOST_COMPARED)
    if period < 2.4 or count < LEAST_SYMBOLS:
        return None
    total = track.matched(rate)
    values = np.empty((len(PLACES), count), np.float32)
    for row, place in zip(values, PLACES, strict=True):
        gather(total, features.good, period, 1, place, row)
    return levels(values)


def _are_four(seen: Levels | None) -> bool:
    """Tell whether values lie on four levels at symbols' centres, and only there."""
    return (
        seen is not None
        and seen.four_over_two > LIKELIER
        and seen.four_over_none > NOT_BY_CHANCE
        and seen.eye > OPEN_EYE * seen.symbols
        and seen.spread < BLURRED
    )


def _by_elements(features: Features, width_hz: float, keying: Keying, half: float) -> Keying:
    """Give a slow two-level reading with the rate that its shortest elements have, where that is another.

    Start-stop teleprinters rest between characters for a unit and a half, or as they like, so no clock runs through;
    the rate in baud is the inverse of the shortest element (textbook of telegraphy).
    """
    # Data change every other element on average, at whatever multiple of their rate they are read.
    if keying.levels != 2 or 2 * keying.rate_hz * keying.alternation > FASTEST:
        return keying
    best: tuple[float, float, float] | None = None
    for looks in (1.5, 3.0):  # noise clicks part elements in two, unless smoothed away
        track = moving_mean(features.track - np.float32(keying.center_hz), round(looks * features.look))
        train = crossing_train(track * features.good, np.float32(0), np.float32(0.3 * half))
        first = np.flatnonzero((train > 0) & (np.concatenate([[0], train[:-1]]) == 0))
        places = (first + train[np.minimum(first + 1, len(train) - 1)]) / features.rate_hz
        found = _element(
            np.diff(places),
            1.2 * looks / width_hz,
            max(SLOW / width_hz, 0.8 / keying.rate_hz, SHORTEST_ELEMENT),
        )
        if found and (best is None or found[2] > best[2]):
            best = found
    if best is None or abs(keying.rate_hz * best[0] - 1) < 0.025:
        return keying
    return replace(keying, rate_hz=1 / best[0], rate_uncertainty_hz=2 * best[1] / best[0] ** 2)


def _element(lengths: np.ndarray, click_s: float, least_s: float) -> tuple[float, float, float] | None:
    """Give the element in s that alternate runs (n,) are multiples of, its error, and how well they are: None if not.

    Rests are longer as they like, but those of one kind only: the others alone are asked. The longest element is right
    for which the runs come round to the same phase; half of it would do as well, but noise turns that twice as far.
    """
    if len(lengths) < LEAST_ELEMENTS:
        return None
    if least_s > LONGEST_ELEMENT / 2:
        return None
    tried = least_s * np.exp(np.arange(0, np.log(LONGEST_ELEMENT / least_s), 0.01))
    sides: list[tuple[float, float]] = []
    for side in (0, 1):
        some = lengths[side::2]
        some = some[some > click_s]
        if len(some) < LEAST_ELEMENTS // 2:
            continue
        near = some[:, None] < 7.5 * tried
        heights = np.where(near, np.cos(2 * np.pi * some[:, None] / tried), 0).sum(axis=0)
        heights = np.where(near.sum(axis=0) * 2 > len(some), heights / np.maximum(near.sum(axis=0), 1), 0)
        top = float(heights.max())
        if top <= 0:
            continue
        at = int(np.flatnonzero(heights > NEARLY * top)[-1])
        while at > 0 and heights[at - 1] > heights[at]:
            at -= 1
        sides.append((float(tried[at]), float(heights[at])))
    height = max((item[1] for item in sides), default=0.0)
    if height < COHERENT:
        return None
    # Stops of one and a half make multiples of half an element: the longer is right unless much worse.
    element_s = max(item[0] for item in sides if item[1] > NEARLY * height)
    # Marks come out longer where the middle was taken too low, and spaces shorter: one figure for both.
    kinds = np.where(np.arange(len(lengths)) % 2, 1.0, -1.0)
    for _ in range(2):
        counts = np.round(lengths / element_s)
        fit = (counts > 0) & (counts < 7) & (np.abs(lengths / element_s - counts) < 0.25)
        if fit.sum() < LEAST_ELEMENTS // 2:
            return None
        (element_s, skew), *_ = np.linalg.lstsq(
            np.stack([counts[fit], kinds[fit]], axis=1), lengths[fit], rcond=None
        )
    off = lengths[fit] - counts[fit] * element_s - kinds[fit] * skew
    error = float(np.std(off) / np.sqrt(np.sum(counts[fit] ** 2)))
    return float(element_s), max(error, 1e-4 * float(element_s)), height


def _is_part(slow: Keying, fast: Keying) -> bool:
    """Tell whether `fast` is a multiple of a rate at which symbols come and go like data, and are held as cleanly.

    Random data differ from symbol to symbol half of the time; read k times too fast, half of that k-th.
    """
    times = fast.rate_hz / slow.rate_hz
    return (
        slow.levels == fast.levels
        and times > 1.5
        and abs(times - round(times)) < 0.01 * times
        and fast.alternation < SLOW_ALTERNATION
        and slow.alternation > SLOW_ALTERNATION
        and slow.singles > fast.singles
        and slow.raw_spread < 1.1 * fast.raw_spread
        and slow.explained > fast.explained - 0.17
    )


def _merit(keying: Keying) -> float:
    """Rank readings: clean levels that explain the track."""
    return keying.explained - 0.5 * keying.raw_spread


def _candidates(
    features: Features,
    width: float,
    middle: np.float32,
    half: np.float32,
    pair: tuple[float, float, float] | None,
) -> list[tuple[float, float]]:
    """Give (rate, line height in dB) of symbol rates worth a look, best first, at most six."""
    rate_hz = features.rate_hz
    least = max(LEAST_SYMBOLS / features.duration_s, 20.0)
    most = min(1.3 * width, rate_hz / 2.6)
    found: list[tuple[float, float]] = []

    def add(rate: float, over: float) -> None:
        for i, (known, height) in enumerate(found):
            if abs(known - rate) < 1.5 / features.duration_s:
                if over > height:
                    found[i] = (rate, over)
                return
        found.append((rate, over))

    centred = (features.smooth_track - middle) * features.good
    train = crossing_train(centred, np.float32(0), np.float32(0.3) * half)
    spectra = []
    if train.sum() >= 8:
        spectra.append(LineSpectrum(train - train.mean(), rate_hz))
        _comb(spectra[0], least, most, 12.0, add)
    reach = max(round(features.look), 1)
    jump = np.zeros_like(centred)
    jump[reach:-reach] = np.abs(centred[2 * reach :] - centred[: -2 * reach])
    jump = np.minimum(jump, 4 * half)
    spectrum = LineSpectrum(jump - jump.mean(), rate_hz)
    _comb(spectrum, least, most, 13.0, add)
    spectra.append(spectrum)
    squared = np.minimum(centred**2, np.float32(9) * half**2)
    spectrum = LineSpectrum(squared - squared.mean(), rate_hz)
    spectra.append(spectrum)
    for line in spectrum.strongest(max(least, width / 8), most, 2):
        if line.over_db > 13:
            add(line.frequency_hz, line.over_db)
    for usual in USUAL_RATES:
        if least < usual < most:
            for spectrum in spectra:
                weak = spectrum.at(usual, 1.0 / features.duration_s, 8.5 if usual > width / 8 else 10.5)
                if weak:
                    add(weak.frequency_hz, weak.over_db)
    if pair and least < pair[0] < most:
        add(pair[0], pair[2])
    # Of lines beyond doubt the slower are the likelier fundamentals.
    found.sort(key=lambda item: (-min(item[1], 20.0), item[0]))
    return found[:7]


def _comb(
    spectrum: LineSpectrum, least: float, most: float, need: float, add: Callable[[float, float], None]
) -> None:
    """Offer the strongest lines, and what they may be a multiple of."""
    for line in spectrum.strongest(least, most, 3):
        if line.over_db < need:
            continue
        add(line.frequency_hz, line.over_db)
        for part in range(2, 13):
            lower = line.frequency_hz / part
            if lower < least:
                break
            below = spectrum.at(lower, 1.5 * spectrum.resolution_hz, max(need, line.over_db - 12))
            if below:
                add(below.frequency_hz, below.over_db)


def squared_pair(features: Features) -> tuple[float, float, float] | None:
    """Give (rate, carrier relative to the burst's centre, line height dB) from the lines of iq squared.

    With a modulation index of 1/2 the squared signal has index 1 and so lines at twice the two
    frequencies: their distance is the bit rate, their middle twice the carrier.
    """
    spectrum = features.squared_lines
    width = features.burst.width_hz
    lines = spectrum.strongest(-1.3 * width, 1.3 * width, 2, guard=6)
    if len(lines) < 2:
        return None
    distance = abs(lines[0].frequency_hz - lines[1].frequency_hz)
    # Noise hardly puts a second line just as far from the first as a rate in use.
    in_use = any(abs(distance - usual) < 0.003 * usual for usual in USUAL_RATES)
    if lines[1].over_db < (10 if in_use else 12):
        return None
    if not 0.3 * width < distance < 1.4 * width or abs(lines[0].over_db - lines[1].over_db) > 8:
        return None
    return distance, (lines[0].frequency_hz + lines[1].frequency_hz) / 4, lines[1].over_db


def _judge(
    track: _Track, rate: float, over: float, *, sure: bool = False, even: bool = True, four: bool = False
) -> Keying | None:
    """Give what two or four levels at this rate make of the track, None when they do not fit.

    `sure`: the squared signal proves the rate and two levels already, so noisy levels will do.
    `even`: the values are spread so evenly that there may be four levels. `four`: there are, whatever their scatter.
    """
    features = track.features
    period = features.rate_hz / rate
    count = int(len(features.track) / period)
    if period < 2.4 or count < LEAST_SYMBOLS:
        return None
    variance, track_noise = track.variance, track.noise
    net = max(variance - track_noise**2, 0.3 * variance, 1e-9)
    best: Keying | None = None
    for share in (0.0,) if four else (0.5, 0.8, 0.0) if over else (0.8, 0.0):
        if share:
            length = max(round(period * share), 1)
            if length < 2 and share != 0.5:
                continue
            sums = track.total
            noise = features.rate_hz / (2 * np.pi * max(length, features.look)) / np.sqrt(features.burst.snr)
        else:
            # Four levels shaped by half of a Nyquist filter need the other half here.
            narrow = 0.4 * track.width_hz < rate < 0.95 * track.width_hz
            if not four and (best is not None or sure or not even or not narrow):
                continue
            length = 1
            sums = track.matched(rate)
            noise = rate * np.sqrt(rate / features.burst.width_hz / features.burst.snr / 24)
        values = np.empty((len(PHASES), min(count, 600)), np.float32)
        spread, outer, middle, symbols, row = _two(
            sums, features.good, period, length, PHASES, track.start, values
        )
        if symbols < LEAST_SYMBOLS:
            return None
        levels = 2
        clean = np.sqrt(max(spread**2 - (noise / max(outer, 1e-9)) ** 2, 0.25 * spread**2))
        if sure:
            if spread > 0.75 or clean > 0.5:
                continue
        elif four or spread > 0.58 or clean > 0.36:
            if not even:
                continue
            spread, outer, filled, middle, row = _four(values, middle)
            clean = np.sqrt(max(spread**2 - (3 * noise / max(outer, 1e-9)) ** 2, 0.2 * spread**2))
            levels = 4
            if not four and (spread > 0.53 or clean > 0.36 or filled < 0.06):
                continue
        chosen = np.empty(count, np.float32)
        gather(sums, features.good, period, length, PHASES[row], chosen)
        if levels == 2:
            decided = middle + np.where(chosen > middle, outer, -outer)
        else:
            step = outer / 3
            decided = middle + step * np.clip(2 * np.floor((chosen - middle) / (2 * step)) + 1, -3, 3)
        decided = np.where(np.isnan(chosen), np.nan, decided).astype(np.float32)
        error = held_error(features.smooth_track, features.good, decided, period, PHASES[row])
        explained = 1 - max(error - min(track_noise**2, 0.7 * variance), 0.0) / net
        if best is not None and explained - 0.5 * spread <= _merit(best):
            continue
        values_seen = chosen[~np.isnan(chosen)]
        signs = values_seen > middle
        # Shaping keeps what differs from its neighbours from going all the way.
        held = np.flatnonzero((signs[1:-1] == signs[:-2]) & (signs[1:-1] == signs[2:])) + 1
        reach = outer
        if levels == 2 and len(held) >= LEAST_HELD:
            reach = max(outer, float(np.mean(np.abs(values_seen[held] - middle))))
        changes = np.flatnonzero(signs[1:] != signs[:-1])
        slow = moving_mean(features.smooth_track, max(round(8 * period), 2))
        best = Keying(
            levels=levels,
            rate_hz=rate,
            rate_uncertainty_hz=0.1 / features.duration_s + 1e-6 * rate,
            deviation_hz=float(reach),
            center_hz=float(middle),
            spread=float(clean),
            raw_spread=float(spread),
            explained=explained,
            low_share=masked_variance(slow, features.good) / net,
            singles=float(np.mean(np.diff(changes) == 1)) if len(changes) > 2 else 0.0,
            divisor=_divisor(np.diff(changes)),
            alternation=float(np.mean(signs[1:] != signs[:-1])),
            repeats=_repeats(signs),
            clock_db=over,
            symbols=symbols,
        )
    return best


def subaudible_code(features: Features, rate: float) -> bool:
    """Tell whether a slow two-level code at `rate` lies under the modulation (digital squelch), its word again and again."""
    period = features.rate_hz / rate
    count = int(len(features.track) / period)
    if count < LEAST_SYMBOLS:
        return False
    start = quantile(features.smooth_track, 0.5)
    values = np.empty((len(PHASES), count), np.float32)
    total = running_sum(features.track)
    spread, _, middle, _, row = _two(total, features.good, period, round(0.8 * period), PHASES, start, values)
    signs = values[row][~np.isnan(values[row])] > middle
    # A tone of half the rate is no code.
    if spread > 0.3 or len(signs) < 2 * CODE_BITS or np.mean(signs[1:] != signs[:-1]) > MOST_ALTERNATION:
        return False
    return bool(np.mean(signs[CODE_BITS:] == signs[:-CODE_BITS]) > MOSTLY_REPEATS)


def _divisor(runs: np.ndarray) -> int:
    """Give the largest number up to 24 that divides nearly all run lengths."""
    if len(runs) < 12 or np.mean(runs == 1) > 0.2:
        return 1
    return int(_common(runs))


@kernel("int64(int64[::1])")
def _common(runs: np.ndarray) -> int:
    for k in range(24, 1, -1):
        count = 0
        for run in runs:
            count += run % k == 0
        # Noise splits runs of many samples; few are never wrong.
        if count > (0.95 if k < 5 else 0.8) * len(runs):
            return k
    return 1


def _repeats(signs: np.ndarray) -> int:
    """Give the least distance up to 16 at which a sequence agrees with itself, 0 when there is none."""
    if len(signs) < 48:
        return 0
    return int(_period(signs))


@kernel("int64(boolean[::1])")
def _period(signs: np.ndarray) -> int:
    for lag in range(1, 17):
        same = 0
        for i in range(len(signs) - lag):
            same += signs[i] == signs[i + lag]
        if same > 0.95 * (len(signs) - lag):
            return lag
    return 0
