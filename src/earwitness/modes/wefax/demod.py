"""From a channel, or audio, to charts.

Searching: every other second the last ten are asked whether the frequency repeats line by line at one of the four
speeds, with a steady envelope (`dsp.raster.line_period`). Twice in agreement means a chart: noise, voice and
data do not do that. Start and stop tones alone never make a picture; they say what it is and where it ends.

Receiving: from up to half a minute before it was found, the signal is filtered around its middle and its
frequency kept (16 kB a second, at most half an hour), until the stop tone, the next start tone, or its loss.

Drawing: the exact line period from the whole chart, the left edge from the phasing lines or, when the
beginning is missing, from the plainest upright strip; black and white from the levels met.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Picture, Samples
from earwitness.dsp import fft
from earwitness.dsp.aligned import AlignedFir
from earwitness.dsp.filters import lowpass
from earwitness.dsp.raster import Raster, line_period, refine, sharpen_period
from earwitness.dsp.subcarrier import MIDDLE_HZ, TRACK_HZ, FrequencyTrack, Subcarrier, unsteadiness

LINES_PER_MINUTE = (240, 120, 90, 60)
TONES = {300.0: "start, IOC 576", 675.0: "start, IOC 288", 450.0: "stop"}
IOC_OF_TONE = {300.0: 576, 675.0: 288}
TONE_SHARE = 0.15  # of the frequency's variance that must lie within 8 Hz of a tone; a square wave has 0.81,
# noise 0.004
SECOND = round(TRACK_HZ)
TENTH = SECOND // 10
HANN = np.hanning(SECOND)
LOOK_S = 10  # what is searched for lines, every other second
HELD_S = 30  # kept before a chart is found
LONGEST_S = 1800
LOST_S = 12  # without a steady envelope
LIKENESS = 0.12  # of the frequency track with itself a line later; noise 0.01, voice and data below 0.05
AGREE = 4e-4
STEADY = 1.8
SLACK = 4  # samples per second a decimated track is searched at: 2 kHz
LEAST_LINES = 12
STEP = 0.25  # Hz a unit of the stored track
SHARPEST_HZ = 1_150.0
WIDEST_HZ = 950.0  # from black to white
PHASING_LINES = 250  # at the most: a minute at the highest speed
LAID = 5  # lines laid over each other to see phasing in noise
UNEVEN = 0.025  # of black to white, by which a phasing line may vary beside its pulse
PLAIN = 0.012  # the same for the mean of many


@dataclass(slots=True)
class _Chart:
    """A chart being received."""

    begin: int  # sample of the receiver where `track` begins
    nominal: float
    period: float
    center_hz: float
    track: list[np.ndarray]
    steady: list[float]  # unsteadiness of each tenth of a second
    fir: AlignedFir
    follow: FrequencyTrack
    mixed: int
    ioc: int | None = None
    start_tone_end: int | None = None
    quiet: int = 0
    stop: int | None = None


class Demodulator:
    """Feeds on complex channel samples, or audio, of at least 8 kHz; gives a Picture for each chart."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self.clock: Samples | None = None

    def feed(self, samples: Samples) -> Iterable[Picture]:
        """Take the next samples."""
        if self.clock is None:
            self.clock = samples.clock()
            self._audio = not np.iscomplexobj(samples.data)
            self._front = Subcarrier(samples.rate_hz, from_audio=self._audio)
            self._begin_search(0)
            self._at = 0
            self._tones: list[tuple[int, float]] = []  # (second's first sample, tone)
        out: list[Picture] = []
        for block in self._front.feed(samples.data):
            out += self._second(block)
        return out

    def close(self) -> Iterable[Picture]:
        """Say that no more samples come."""
        if self.clock is None:
            return []
        out: list[Picture] = []
        for block in self._front.close():
            out += self._second(block)
        if self._chart:
            out += self._finish(self._at)
        self.clock = None
        return out

    # -- one second at a time --------------------------------------------------------------------------

    def _begin_search(self, at: int) -> None:
        self._held: list[np.ndarray] = []
        self._held_at = at
        self._wide: list[np.ndarray] = []
        self._steady: list[float] = []
        self._follow = FrequencyTrack()
        self._seen: float | None = None
        self._chart: _Chart | None = None

    def _second(self, iq: np.ndarray) -> list[Picture]:
        begin = self._at
        self._at += len(iq)
        if self._chart is None:
            self._search(iq, begin)
            return []
        return self._receive(iq, begin)

    def _search(self, iq: np.ndarray, begin: int) -> None:
        self._held.append(iq)
        track = self._follow.feed(iq)
        self._wide.append(_decimated(track))
        self._steady.append(unsteadiness(iq))
        tone = tone_of(track)
        if tone in IOC_OF_TONE and self._steady[-1] < STEADY:
            self._tones = [*self._tones[-30:], (begin, tone)]
        while len(self._held) > HELD_S:
            self._held_at += len(self._held.pop(0))
            self._wide.pop(0)
            self._steady.pop(0)
        if len(self._wide) < 4 or np.median(self._steady[-LOOK_S:]) > STEADY:
            self._seen = None
            return
        if begin // SECOND % 2:
            return
        found = look(np.concatenate(self._wide[-LOOK_S:]))
        if found is None:
            self._seen = None
            return
        nominal, period = found
        if self._seen is None or abs(period / self._seen - 1) > AGREE:
            self._seen = period
            return
        self._open(nominal, period)

    def _open(self, nominal: float, period: float) -> None:
        """A chart was found: go back to where it may have begun and receive it from there."""
        held, at = self._held, self._held_at
        steady = self._steady
        first = len(held) - 1
        while first > 0 and steady[first - 1] < STEADY + 0.1:
            first -= 1
        begin = at + sum(len(block) for block in held[:first])
        iq = np.concatenate(held[first:])
        tracked = FrequencyTrack().feed(iq)
        black, white, _ = levels(tracked[-LOOK_S * SECOND :])
        center_hz = 0.5 * (black + white)
        self._chart = _Chart(
            begin, nominal, period, center_hz, [], [], AlignedFir(lowpass(SHARPEST_HZ, 500.0, TRACK_HZ, stop_db=50.0)),
            FrequencyTrack(), begin,
        )  # fmt: skip
        tones = [(where, tone) for where, tone in self._tones if where >= begin - SECOND]
        if len(tones) >= 2 and tones[-1][1] == tones[-2][1]:
            last, tone = tones[-1]
            self._chart.ioc = IOC_OF_TONE[tone]
            near = tracked[max(last - begin - SECOND, 0) : last - begin + 2 * SECOND]
            self._chart.start_tone_end = max(last - begin - SECOND, 0) + tone_span(near, tone)[1]
        self._tones = []
        self._held, self._wide = [], []
        self._take(iq)

    def _take(self, iq: np.ndarray) -> np.ndarray:
        """Filter around the chart's middle and keep the frequency; gives what was kept."""
        chart = self._chart
        if chart is None:
            return np.zeros(0, np.float32)
        at = np.arange(chart.mixed, chart.mixed + len(iq))
        chart.mixed += len(iq)
        chart.steady += [unsteadiness(iq[k : k + TENTH]) for k in range(0, len(iq), TENTH)]
        mixed = (iq * np.exp(-2j * np.pi * (chart.center_hz / TRACK_HZ * at % 1.0))).astype(np.complex64)
        track = chart.follow.feed(chart.fir.feed(mixed))
        chart.track.append(np.clip(track / STEP, -32000, 32000).astype(np.int16))
        return track

    def _receive(self, iq: np.ndarray, begin: int) -> list[Picture]:
        chart = self._chart
        if chart is None:
            return []
        track = self._take(iq)
        steady = unsteadiness(iq)
        chart.quiet = chart.quiet + 1 if steady > STEADY + 0.1 else 0
        tone = tone_of(track) if steady < STEADY else None
        self._tones = [*self._tones[-4:], (begin, tone)] if tone else []
        if len(self._tones) >= 2 and self._tones[-2][1] == tone:  # two seconds running
            where = self._tones[-2][0]
            while len(self._tones) >= 3 and self._tones[-3][1] == tone:
                where = self._tones.pop(-3)[0]
            out = self._finish(where, tone)
            if tone in IOC_OF_TONE:
                self._tones = [(where, tone), (begin, tone)]
            return out
        if chart.quiet >= LOST_S:
            return self._finish(self._at - chart.quiet * SECOND)
        if self._at - chart.begin >= LONGEST_S * SECOND:
            return self._finish(self._at, continues=True)
        return []

    # -- a whole chart -----------------------------------------------------------------------------------

    def _finish(self, stop: int, tone: float | None = None, *, continues: bool = False) -> list[Picture]:
        chart, clock = self._chart, self.clock
        tones = self._tones
        self._begin_search(self._at)
        self._tones = tones if continues else []
        if chart is None or clock is None:
            return []
        self._chart = None
        track = np.concatenate(chart.track).astype(np.float32) * np.float32(STEP)
        track = track[: max(stop - chart.begin + (SECOND if tone else 0), 0)]
        if tone is not None:
            edge = max(len(track) - 2 * SECOND, 0)
            track = track[: edge + tone_span(track[edge:], tone)[0]]
        begin, end = _alive(chart.steady)
        track = track[: end * TENTH]
        chart.start_tone_end = max(chart.start_tone_end or 0, begin * TENTH)
        drawn = draw(track, chart)
        if drawn is None:
            return []
        scale = clock.rate_hz / TRACK_HZ
        start, end = (clock.time_ns((chart.begin + place) * scale) for place in (drawn.start, drawn.stop))
        middle_hz = chart.center_hz + drawn.middle_hz
        frequency_hz = MIDDLE_HZ + middle_hz if self._audio else clock.center_hz + middle_hz
        facts = {
            "ioc": drawn.ioc,
            "ioc_from": "start tone" if chart.ioc else "the speed, assumed",
            "lines_per_minute": round(60 * TRACK_HZ / chart.nominal),
            "slant_ppm": round((float(drawn.period) / chart.nominal - 1) * 1e6, 1),
            "shift_hz": round(drawn.shift_hz),
            "begins": "start tone" if chart.ioc else "phasing" if drawn.phased else "found in the middle",
            "ends": "stop tone"
            if tone == 450.0
            else "start tone"
            if tone
            else "longest kept"
            if continues
            else "lost",
            "left_edge": "phasing" if drawn.phased else "plainest strip, assumed",
        }
        picture = Picture(self.mode.name, start, end, drawn.pixels, float(frequency_hz), facts)
        clean = monochrome(drawn.pixels)
        if clean is None:
            return [picture]
        return [picture, replace(picture, pixels=clean, extra=facts | {"rendering": "monochrome"})]


def _alive(steady: list[float]) -> tuple[int, int]:
    """Give the first tenth of a second with a signal, and the one after the last."""
    smooth = np.convolve(np.pad(steady, 1, mode="edge"), np.full(3, 1 / 3), "valid")
    there = np.flatnonzero(smooth < STEADY)
    return (int(there[0]), int(there[-1]) + 1) if len(there) else (0, 0)


def _decimated(track: np.ndarray) -> np.ndarray:
    whole = len(track) - len(track) % SLACK
    return np.asarray(np.sum([track[k:whole:SLACK] for k in range(SLACK)], axis=0) / np.float32(SLACK))


def tone_of(track: np.ndarray) -> float | None:
    """Give which of the tones a second of frequency track (8000,) alternates with, or None."""
    if len(track) < SECOND // 2:
        return None
    held = np.clip(track - np.median(track), -1_000, 1_000)
    window = HANN if len(held) == SECOND else np.hanning(len(held))
    spectrum = np.abs(fft.forward_real((held * window).astype(np.float32))[: len(held) // 2]) ** 2
    total = float(spectrum[1:].sum())
    bin_hz = TRACK_HZ / len(held)
    for tone_hz in TONES:
        low, high = (round((tone_hz + side * 8.0) / bin_hz) for side in (-1, 1))
        if total > 0 and float(spectrum[low : high + 1].sum()) > TONE_SHARE * total:
            return tone_hz
    return None


def tone_span(track: np.ndarray, tone_hz: float) -> tuple[int, int]:
    """Give where a tone begins and ends in a few seconds of track: samples, to about 10 ms."""
    size = round(0.1 * TRACK_HZ)
    window = np.full(size, 1 / size)
    held = np.clip(track - np.median(track), -1_000, 1_000)
    turn = np.exp(-2j * np.pi * (tone_hz / TRACK_HZ * np.arange(len(held)) % 1.0))
    strength = np.abs(np.convolve(held * turn, window, "same"))
    over = np.flatnonzero(strength > 0.5 * np.quantile(strength, 0.9))
    return (int(over[0]), int(over[-1]) + 1) if len(over) else (0, 0)


def look(track: np.ndarray) -> tuple[float, float] | None:
    """Give (nominal, found) line period in samples at 8 kHz of a decimated track of some seconds, or None."""
    spread = np.quantile(track, (0.02, 0.98))
    if spread[1] - spread[0] < 60.0:
        return None  # a bare carrier
    held = np.clip(track, spread[0] - 200, spread[1] + 200)
    nominal = [60.0 / speed * TRACK_HZ / SLACK for speed in LINES_PER_MINUTE]
    fits = [period for period in nominal if 1.4 * 2.1 * period <= len(held)]
    found = line_period(held, fits, least=LIKENESS) if fits else None
    if found is None:
        return None
    sharp = sharpen_period(held, found.period, reach=2.0)
    return found.nominal * SLACK, sharp * SLACK


def levels(track: np.ndarray) -> tuple[float, float, bool]:
    """Give black and white in Hz, and whether their distance is one that is used (else it was assumed).

    From the 1 % and 99 % levels over a millisecond: fine detail and clicks do not move those.
    """
    smooth = np.convolve(track, np.full(9, 1 / 9), "valid")
    low, high = (float(level) for level in np.quantile(smooth, (0.01, 0.99)))
    if high - low > 910.0:  # widened by noise
        middle = 0.5 * (low + high)
        return middle - 400.0, middle + 400.0, False
    for shift in (800.0, 300.0):
        if abs((high - low) / shift - 1) < 0.14:
            return low, high, True
    shift = 300.0 if high - low < 330.0 else 800.0
    counts, edges = np.histogram(smooth, bins=64, range=(low - 1, high + 1))
    most = float(edges[int(counts.argmax())] + edges[1] - edges[0])
    if most > 0.5 * (low + high):  # most of a chart is white
        return min(most, high) - shift, min(most, high), False
    return most, most + shift, False


@dataclass(frozen=True, slots=True)
class Drawn:
    """A chart as drawn; places in samples of the track."""

    pixels: np.ndarray
    start: float
    stop: float
    period: float
    ioc: int
    middle_hz: float
    shift_hz: float
    phased: bool


def draw(track: np.ndarray, chart: _Chart) -> Drawn | None:
    """Give the chart in a frequency track, or None when what is there is too short or no chart."""
    skip = min(chart.start_tone_end or 0, len(track))
    raster = Raster(np.clip(track, -1_000, 1_000))
    count = int((len(track) - skip) / chart.period)
    if count < LEAST_LINES:
        return None
    period = refine(raster, float(skip), chart.period, nominal=chart.nominal)
    if abs(period / chart.nominal - 1) > 1.5e-3:
        return None
    black, white, _ = levels(track[skip:])
    coarse = raster.rows(float(skip), period, count, 200)
    usual = np.median(coarse, axis=0)
    if usual.max() - usual.min() > WIDEST_HZ:
        return None  # no chart: slow-scan pictures reach from 1200 to 2300 Hz
    coarse = (coarse - black) / (white - black)
    edge, phasing = phasing_edge(coarse)
    if edge is None:
        left = plainest(coarse) * period
        first = skip + left
    else:
        clear = phasing or min(count - 1, PHASING_LINES)
        fine = raster.rows(skip + (edge - 0.06) * period, period, clear, 2_000, share=0.12)
        mean = (np.median(fine, axis=0) - black) / (white - black)
        steps = np.flatnonzero(np.diff((mean > 0.5).astype(np.int8)) != 0)
        near = steps[np.argmin(np.abs(steps - 1_000))] if len(steps) else 1_000
        first = skip + (edge - 0.06 + (near + 1) / 2_000 * 0.12) * period
        first += phasing * period
        if phasing == 0 and first - period >= skip:
            first -= period
    first -= np.floor(first / period) * period if edge is None and first > period + skip else 0
    lines = int((len(track) - first) / period)
    if lines < LEAST_LINES:
        return None
    ioc = chart.ioc or 576
    rows = raster.rows(first, period, lines, round(np.pi * ioc))
    pixels = np.clip((rows - black) * (255 / (white - black)), 0, 255).astype(np.uint8)
    return Drawn(
        pixels,
        first,
        first + lines * period,
        period,
        ioc,
        0.5 * (black + white),
        white - black,
        edge is not None and phasing > 0,
    )


def phasing_edge(rows: np.ndarray) -> tuple[float | None, int]:
    """Give where the phasing pulse begins as a share of the line, and how many lines from the first it ends.

    `rows` (lines, 200), black 0 and white 1. Phasing lines are black but for 5 % in one piece, or the reverse, all at
    the same place: five at a time are laid over each other, so that noise goes and a picture's detail stays. What
    looks so but has detail beside the pulse is a dark picture with a white margin: its edge is that, and no line of
    it is phasing. (None, 0) without either.
    """
    head = np.clip(rows[:PHASING_LINES], -0.5, 1.5)
    count, size = head.shape
    if count < LAID + 3:
        return None, 0
    width = round(0.05 * size)
    # noise of one pixel: from each line to the next no picture changes much
    steps = np.diff(head, axis=0)
    noise = float(np.median(np.median(np.abs(steps), axis=1))) / 0.954
    most = np.hypot(UNEVEN, 1.4 * noise / np.sqrt(LAID))
    laid = np.cumsum(np.concatenate([np.zeros((1, size)), head]), axis=0)
    laid = (laid[LAID:] - laid[:-LAID]) / LAID
    best: tuple[int, int, np.ndarray, float] | None = None
    for page in (laid, 1 - laid):
        ring = np.cumsum(
            np.concatenate([np.zeros((len(page), 1)), page, page[:, : width - 1]], axis=1), axis=1
        )
        inside = (ring[:, width:] - ring[:, :-width]) / width
        places = inside.argmax(axis=1)
        pulse = inside.max(axis=1)
        away = (np.arange(size) - places[:, None]) % size
        beside = (away > width) & (away < size - 2)
        level = np.array([line[mask].mean() for line, mask in zip(page, beside, strict=True)])
        uneven = np.array([line[mask].std() for line, mask in zip(page, beside, strict=True)])
        good = (pulse > 0.7) & (level < 0.25) & (uneven < most)
        numbers = np.flatnonzero(good)
        for number in numbers:
            same = np.abs((places[number : number + 2] - places[number] + size // 2) % size - size // 2) <= 2
            if good[number : number + 2].all() and same.all() and (best is None or number < best[0]):
                typical = float(np.median(uneven[number:]))
                best = int(number), int(places[number]), head if page is laid else 1 - head, typical
                break
    if best is None:
        return None, 0
    first, place, lines, typical = best
    lines = lines.ravel()[place : place + (count - 1) * size].reshape(
        count - 1, size
    )  # each from its pulse on
    known = np.zeros(size)
    known[:width] = 1
    blur = np.full(5, 0.2)
    off = np.array([np.convolve(line - known, blur, "valid") for line in lines])
    off[:, max(width - 6, 0) : width + 2] = 0  # where the pulse ends is known to a pixel or two
    off[:, [0, 1, -2, -1]] = 0
    wrong = (off**2).mean(axis=1)
    usual = wrong[first : first + LAID]
    limit = float(np.median(usual)) + 6 * float(np.median(np.abs(usual - np.median(usual)))) + 1e-3
    last = first + LAID - 1
    while last + 1 < len(wrong) and np.count_nonzero(wrong[last + 1 : last + 6] > limit) < 3:
        last += 1
    while last + 1 < len(wrong) and wrong[last + 1] <= limit:
        last += 1
    if len(rows) - last < LEAST_LINES and typical > np.hypot(PLAIN, 1.2 * noise / np.sqrt(LAID)):
        return place / size, 0  # all of it a dark picture; its margin shows the edge as well
    return place / size, last + 1


def plainest(rows: np.ndarray) -> float:
    """Give the middle of the upright strip, a twentieth of the line wide, that changes least: a share of the line."""
    size = rows.shape[1]
    width = round(0.045 * size)
    rough = rows.std(axis=0) + np.abs(np.diff(np.median(rows, axis=0), append=np.median(rows[:, 0])))
    run = np.convolve(np.concatenate([rough, rough[: width - 1]]), np.full(width, 1 / width), "valid")
    return float((run.argmin() + width / 2) / size % 1.0)


def monochrome(pixels: np.ndarray) -> np.ndarray | None:
    """Give the chart in clean black and white, uint8 0 or 255, or None for one of greys.

    Drawn charts have their pixels near black and white; specks of one pixel go by a median of 3 x 3.
    """
    middle = float(((pixels > 70) & (pixels < 185)).mean())
    if middle > 0.3:
        return None
    from scipy.ndimage import median_filter

    return np.where(median_filter(pixels, 3) > 127, np.uint8(255), np.uint8(0))
