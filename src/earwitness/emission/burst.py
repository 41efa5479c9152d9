"""One emission cut clean out of its channel: band found, neighbours removed, on and off found.

Measuring and identifying both start here. One forward FFT of the channel serves three things: the band
is grown outwards from the detector's edges while there is power over the noise, everything else is
removed, and the inverse FFT resamples to a rate that is a fixed multiple of the width, so that all that
follows works on signals that look alike whatever their bandwidth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.core.types import Detection, Samples
from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile

LEAST_SAMPLES = 16
LONGEST = 200_000  # channel samples looked at
OVERSAMPLE = 4  # samples per pass-band width
SKIRT = 0.0015  # density relative to the band's middle where a band ends at the latest
SURE_STEPS = 3  # of a twentieth of the width
SHRINK_CELLS = 20  # a band that a detector saw too wide is looked at in so many parts
LEAST_SHRINK_BINS = 8
MOST_SHRINKS = 3
SHRINK_NOISE = 0.02  # relative error of the noise density allowed for
LOOKS = 32  # independent looks in the smoothed power that finds on and off
TAIL_STEPS = 30  # looked at beyond the band for what is too weak to be seen step by step


@dataclass(frozen=True, slots=True)
class Tails:
    """Net power in steps of `step_hz` outwards from the band's two edges, up to the next emission.

    `noise` is the noise power of a step that has been taken out, `looks` how many independent looks it rests on.
    """

    below: np.ndarray
    above: np.ndarray
    step_hz: float
    noise: float
    looks: float


@dataclass(frozen=True, slots=True)
class Burst:
    """A cleaned emission; powers are linear with full scale 1.0.

    `iq` is complex64 shape (n,), 0 Hz at `center_hz`, flat over +-`width_hz`/2, empty beyond.
    `noise` is the noise power in it, `power` the emission's mean power from first to last sample.
    """

    iq: np.ndarray
    rate_hz: float
    center_hz: float
    width_hz: float
    low_hz: float  # band where power was seen, relative to center_hz
    high_hz: float
    noise: float
    power: float
    noise_hz: float  # noise power per Hz
    start: float  # channel sample where it begins
    stop: float
    tails: Tails

    @property
    def snr(self) -> float:
        """Give the ratio of signal to noise power in the pass band."""
        return self.power / self.noise


@kernel("void(float32[::1], int64, float32[::1])", "void(float64[::1], int64, float32[::1])")
def _box(x: np.ndarray, length: int, out: np.ndarray) -> None:
    """Fill out with the moving sum over i - length // 2 ... of x, divided by how many there are."""
    n = len(x)
    half = length // 2
    ahead = length - half
    total = 0.0
    for i in range(min(ahead - 1, n)):
        total += x[i]
    for i in range(n):
        if i + ahead - 1 < n:
            total += x[i + ahead - 1]
        if i - half - 1 >= 0:
            total -= x[i - half - 1]
        out[i] = total / (min(i + ahead, n) - max(i - half, 0))


@kernel("void(complex64[::1], float32[::1])")
def _squares(x: np.ndarray, out: np.ndarray) -> None:
    for i in range(len(x)):
        out[i] = x[i].real * x[i].real + x[i].imag * x[i].imag


def squares(x: np.ndarray) -> np.ndarray:
    """Give the power of each sample of complex64 (n,), float32 (n,)."""
    out = np.empty(len(x), np.float32)
    _squares(x, out)
    return out


def moving_mean(x: np.ndarray, length: int) -> np.ndarray:
    """Give the centred moving mean of x (n,), float32 or complex64 (n,); shorter windows at the ends."""
    if length <= 1 or len(x) == 0:
        return x
    if np.iscomplexobj(x):
        out = np.empty(len(x), np.complex64)
        parts = np.empty((2, len(x)), np.float32)
        _box(np.ascontiguousarray(x.real), length, parts[0])
        _box(np.ascontiguousarray(x.imag), length, parts[1])
        out.real, out.imag = parts
        return out
    flat = np.empty(len(x), np.float32)
    _box(np.ascontiguousarray(x), length, flat)
    return flat


def looked_at(
    start: int, count: int, rate_hz: float, detection: Detection, span_hz: float | None
) -> tuple[int, int]:
    """Give the samples [first, last) that `cut` looks at, of `count` of a channel the first of which is its number `start`."""
    first, last = 0, count
    if span_hz:
        begin = detection.start / span_hz * rate_hz - start
        end = detection.stop / span_hz * rate_hz - start
        # Half a short burst at most, so that the next pulse train stays out.
        slack = int(0.05 * (end - begin) + min(0.003 * rate_hz, max(0.5 * (end - begin), 5e-5 * rate_hz)))
        first = min(max(int(begin) - slack, 0), last)
        last = max(min(int(end) + slack + 1, last), first)
    return max(first, last - LONGEST), last  # the newest: what was a carrier may be talking by now


def cut(
    channel: Samples, detection: Detection, span_hz: float | None = None, *, least_hz: float = 0.0
) -> Burst | None:
    """Give the emission that `detection` means, or None when the channel holds nothing to look at.

    With `span_hz`, the rate that detection.start and .stop count at, only that stretch (with some slack
    for imperfect edges) is considered; without it, the strongest stretch of the channel.
    The band is at least `least_hz` wide.
    """
    rate = channel.rate_hz
    first, last = looked_at(channel.start, len(channel.data), rate, detection, span_hz)
    data = channel.data[first:last]
    if len(data) < 32 or not np.isfinite(data).all():
        return None
    level = channel.noise_dbfs_hz if channel.noise_dbfs_hz is not None else detection.noise_dbfs_hz
    noise_hz = max(10 ** (level / 10), 1e-30)

    size = fft.good_size(len(data))
    spectrum = fft.forward(data, size)
    bin_hz = rate / size
    noise_bin = noise_hz * rate * len(data)
    band = _grow(spectrum, bin_hz, noise_bin, channel, detection, least_hz)
    low, high, free_low, free_high = band.low_hz, band.high_hz, band.free_low_hz, band.free_high_hz
    width = high - low
    # Flat a little beyond the band, but not into a neighbour.
    pass_low, pass_high = low - min(0.1 * width, 0.5 * free_low), high + min(0.1 * width, 0.5 * free_high)
    center_bin = round((pass_low + pass_high) / 2 / bin_hz)
    half_pass = min((pass_high - pass_low) / 2 / bin_hz, size / 2 - 1)
    taper = min(0.15 * half_pass, 0.5 * min(free_low, free_high) / bin_hz)
    half_stop = min(int(half_pass + taper) + 2, size // 2 - 1)
    oversample = OVERSAMPLE if size * 2 * half_pass * OVERSAMPLE < size * 1.3 * LONGEST else 2.5
    out_size = fft.good_size(max(int(2 * half_pass * oversample), 2 * half_stop + 2, 64))
    picked = _ring(spectrum, center_bin - half_stop, center_bin + half_stop + 1)
    distance = np.abs(np.arange(-half_stop, half_stop + 1))
    edge = np.clip((half_stop - distance) / max(half_stop - half_pass, 1.0), 0, 1)
    # Bins beyond the channel's own edges would wrap round: they do not exist.
    inside = np.abs(np.arange(center_bin - half_stop, center_bin + half_stop + 1)) < size // 2
    shape = (np.sin(np.pi / 2 * edge) * inside).astype(np.float32)
    picked = picked * shape
    folded = np.zeros(out_size, np.complex64)
    folded[: half_stop + 1] = picked[half_stop:]
    folded[-half_stop:] = picked[:half_stop]
    iq = fft.inverse(folded, overwrite=True)
    iq *= np.float32(out_size / size)
    out_rate = rate * out_size / size
    iq = iq[: max(int(len(data) * out_size / size), 32)]

    noise = noise_hz * bin_hz * float(np.sum(shape.astype(np.float64) ** 2))
    span = _active(iq, out_rate / (2 * half_pass * bin_hz), noise)
    if span is None or span[1] - span[0] < LEAST_SAMPLES:
        return None
    iq = iq[span[0] : span[1]]
    power = float(np.vdot(iq, iq).real / len(iq)) - noise
    if power <= 0:
        return None
    scale = rate / out_rate
    # A bin's power is spread over all samples; the emission's is that of the stretch it is on.
    share = band.step / (size * scale * len(iq))
    center_hz = channel.center_hz + center_bin * bin_hz
    shift = channel.center_hz - center_hz
    return Burst(
        iq=iq,
        rate_hz=out_rate,
        center_hz=center_hz,
        width_hz=2 * half_pass * bin_hz,
        low_hz=low + shift,
        high_hz=high + shift,
        noise=noise,
        power=power,
        noise_hz=noise_hz,
        start=first + span[0] * scale,
        stop=first + span[1] * scale,
        tails=Tails(
            below=(band.below - noise_bin) * share,
            above=(band.above - noise_bin) * share,
            step_hz=band.step * bin_hz,
            noise=noise_bin * share,
            looks=band.step * len(data) / size,
        ),
    )


@kernel("void(complex64[::1], int64, int64, int64, float64[::1])")
def _step_powers(spectrum: np.ndarray, start: int, sign: int, step: int, out: np.ndarray) -> None:
    """Fill out with the mean power of so many steps of a ring of bins outwards from `start`."""
    n = len(spectrum)
    for k in range(len(out)):
        total = 0.0
        for i in range(k * step, (k + 1) * step):
            value = spectrum[(start + sign * i) % n]
            total += value.real * value.real + value.imag * value.imag
        out[k] = total / step


def _ring(values: np.ndarray, first: int, last: int) -> np.ndarray:
    """Give values[first:last] of a ring: places below 0 and beyond the end come round."""
    n = len(values)
    if first >= 0 and last <= n:
        return values[first:last]
    if -n <= first < 0 < last <= n:
        return np.concatenate([values[first:], values[:last]])
    return values[np.arange(first, last) % n]


@dataclass(frozen=True, slots=True)
class _Band:
    """A band relative to the channel's centre, the space beyond it, and the mean power of a bin in steps of that."""

    low_hz: float
    high_hz: float
    free_low_hz: float
    free_high_hz: float
    below: np.ndarray
    above: np.ndarray
    step: int


def _grow(
    spectrum: np.ndarray,
    bin_hz: float,
    noise_bin: float,
    channel: Samples,
    detection: Detection,
    least_hz: float,
) -> _Band:
    """Give the band with its edges moved out to the noise, and what lies beyond.

    The space ends where another emission begins.
    """
    size = len(spectrum)
    edge = 0.48 * channel.rate_hz
    low = max(detection.low_hz - channel.center_hz, -edge)
    high = min(detection.high_hz - channel.center_hz, edge)
    low, high = _shrink(spectrum, bin_hz, noise_bin, low, high, least_hz)
    # Enough independent samples to judge a bare carrier by.
    least = min(max(64 * bin_hz, 4e-3 * channel.rate_hz, least_hz), 2 * edge)
    if high - low < least:
        middle = min(max((low + high) / 2, -edge + least / 2), edge - least / 2)
        low, high = middle - least / 2, middle + least / 2
    width = high - low
    step = max(round(width / 20 / bin_hz), 2)
    # Weak outer sidebands of speech lie far outside what a detector sees.
    limit = int(max(0.4 * width, min(2000.0, width)) / bin_hz / step) + 1
    need = noise_bin * (1 + 5 / np.sqrt(step)) + 1e-30
    first, last = round(low / bin_hz), round(high / bin_hz)
    # Skirts far below the band hold no power worth their noise. Median: lines do not raise it.
    inside = spectrum[np.arange(first, last + 1, max((last - first) // 2000, 1)) % size]
    need = max(need, SKIRT * (quantile(squares(inside), 0.5) / np.log(2) - noise_bin))

    def steps(start: int, sign: int) -> tuple[int, int, np.ndarray]:
        """Give how many steps the band goes on, how many more are free, and the power of those beyond."""
        reached = 0
        before = np.inf
        most = min(limit + TAIL_STEPS - 1, max(int((edge / bin_hz - sign * start) / step), 0))
        powers = np.empty(most)
        _step_powers(spectrum, start, sign, step, powers)
        seen = 0
        for count, power in enumerate(powers.tolist(), 1):
            # Power that rises again is a neighbour's, unless so near that the detector's edge may be short.
            if power > 10 * max(before, need) and count > SURE_STEPS:
                break
            before = min(before, power)
            # A null or a gap between sidebands is bridged.
            if power >= need and count <= min(limit, reached + 1 + SURE_STEPS):
                reached = count
            seen = count
        return reached, max(min(seen, limit + 4) - reached, 0), powers[reached:seen]

    down, free_down, below = steps(first, -1)
    up, free_up, above = steps(last, 1)
    step_hz = step * bin_hz
    return _Band(
        low_hz=low - down * step_hz,
        high_hz=high + up * step_hz,
        free_low_hz=free_down * step_hz,
        free_high_hz=free_up * step_hz,
        below=below,
        above=above,
        step=step,
    )


def _shrink(
    spectrum: np.ndarray, bin_hz: float, noise_bin: float, low: float, high: float, least_hz: float
) -> tuple[float, float]:
    """Give a band's edges moved in to where there is power over the noise, when that is less than half of it."""
    for _ in range(MOST_SHRINKS):
        first = round(low / bin_hz)
        step = int((high - low) / bin_hz) // SHRINK_CELLS
        if step < LEAST_SHRINK_BINS:
            break
        cells = _ring(spectrum, first, first + SHRINK_CELLS * step).reshape(SHRINK_CELLS, step)
        power = np.mean(cells.real**2 + cells.imag**2, axis=1)
        seen = np.flatnonzero(power > noise_bin * (1 + 5 / np.sqrt(step)))
        if len(seen) == 0:
            break
        inner_low = (first + max(int(seen[0]) - 2, 0) * step) * bin_hz
        inner_high = (first + min(int(seen[-1]) + 3, SHRINK_CELLS) * step) * bin_hz
        if not least_hz <= inner_high - inner_low <= (high - low) / 2:
            break
        # Weak sidebands are seen only all together.
        outside = np.delete(power, np.arange(max(int(seen[0]) - 2, 0), min(int(seen[-1]) + 3, SHRINK_CELLS)))
        if np.mean(outside) > noise_bin * (1 + SHRINK_NOISE + 1 / np.sqrt(len(outside) * step)):
            break
        low, high = inner_low, inner_high
    return low, high


def _active(iq: np.ndarray, looks_length: float, noise: float) -> tuple[int, int] | None:
    """Give the first and past-last sample of the stretch with power over the noise."""
    length = max(int(LOOKS * looks_length), 4)
    length = min(length, max(len(iq) // 4, 1))
    # Beyond the ends is noise: over what lies inside alone a mean would not see an emission begin near them.
    beside = np.full(length, noise, np.float32)
    padded = np.concatenate([beside, squares(iq), beside])
    power = moving_mean(padded, length)[length : length + len(iq)]
    peak = float(power.max())
    over = peak - noise
    if over < 3 * noise / np.sqrt(LOOKS):
        return None
    first, last = _outer(power, noise + max(0.12 * over, min(5 * noise / np.sqrt(LOOKS), 0.5 * over)))
    # Where it really begins and ends the mean has come to half of what it is a window further in.
    inner = min(length, (last - first) // 2)
    begin = first + int((power[first:last] >= (power[first + inner] + noise) / 2).argmax())
    end = last - int((power[first:last][::-1] >= (power[last - 1 - inner] + noise) / 2).argmax())
    return (begin, end) if end - begin >= max(inner, LOOKS) else (first, last)


@kernel("Tuple((int64, int64))(float32[::1], float64)")
def _outer(power: np.ndarray, threshold: float) -> tuple[int, int]:
    """Give where the first run above the threshold begins and the last ends; runs of little energy left out."""
    total = most = 0.0
    for i in range(len(power)):
        total = total + power[i] if power[i] > threshold else 0.0
        most = max(most, total)
    first = -1
    last = begin = 0
    total = 0.0
    for i in range(len(power) + 1):
        if i < len(power) and power[i] > threshold:
            if total == 0.0:
                begin = i
            total += power[i]
        elif total > 0.0:
            if total > 0.02 * most:
                first = begin if first < 0 else first
                last = i
            total = 0.0
    return first, last
