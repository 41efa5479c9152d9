"""Is the emission switched on and off (Morse, on-off keying, pulses), and in what times?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.emission.burst import moving_mean, squares
from earwitness.emission.features import Features

LOOK_NOISE, MEAN_NOISE = 8.0, 3.6  # times the mean of noise
WEAK, HAND_HZ = 10.0, 900.0  # power ratio in a band no wider than hand keying with its clicks
SHORTEST_DOT_S, ONE_LINE = 0.012, 0.25  # of 100 words a minute; share of the power
LEFT_ON = 0.35  # of a band's power, while its line is off, that noise and its scatter may leave
BLIP = 0.03  # of the energy of long runs: less is noise


@dataclass(frozen=True, slots=True)
class Switching:
    """On-off switching seen. Times in seconds; `contrast_db` is on over off power, noise taken out."""

    on_share: float
    runs: int
    contrast_db: float
    on_variation: float  # relative variance of the power inside the on times
    short_on_s: float
    short_off_s: float
    long_on_s: float
    separation: float  # between-class share of the amplitude's variance (1 two clean levels)


def switching(features: Features) -> Switching | None:
    """Give the on-off switching of the envelope, None when it never goes off."""
    burst = features.burst
    if burst.snr < WEAK and burst.width_hz < HAND_HZ and features.carrier.share > ONE_LINE:
        found = _about_line(features)
        if found is not None:
            return found
    # Enough averaging for the noise, finer when the signal is strong.
    length = max(round(features.look * (4 if burst.snr < 10 else 1)), 1)
    seen = _switched(
        features, moving_mean(features.power, length), length, length / features.look, burst.noise
    )
    return seen[0] if seen else None


def _about_line(features: Features) -> Switching | None:
    """Give the switching of a weak line: averaged before the power is taken, what noise lies further off than a dot needs stays out.

    None where the rest of the band is on while it is off: another keyed frequency.
    """
    burst = features.burst
    turn = np.exp(
        -2j * np.pi * features.carrier.frequency_hz / features.rate_hz * np.arange(len(features.iq))
    )
    length = round(max(4 * features.look, SHORTEST_DOT_S * features.rate_hz, 1))
    power = squares(moving_mean((features.iq * turn).astype(np.complex64), length))
    seen = _switched(features, power, length, 1.0, burst.noise * features.look / length)
    if seen is None:
        return None
    found, on = seen
    whole_on = float(features.power[on].mean()) - burst.noise
    whole_off = float(features.power[~on].mean()) - burst.noise if not on.all() else 0.0
    return found if whole_off < LEFT_ON * whole_on else None


def _switched(
    features: Features, power: np.ndarray, length: int, looks: float, noise: float
) -> tuple[Switching, np.ndarray] | None:
    """Give the switching of a power averaged over `length` samples, and when it is on, bool (n,)."""
    rate = features.rate_hz
    high = float(np.quantile(power, 0.97))
    if high < 4 * noise:
        return None
    amplitude = np.sqrt(power)
    # Fading moves the on level: compare with the largest of the surroundings.
    block = max(len(power) // 24, 8 * length)
    peaks = [float(power[i : i + 2 * block].max()) for i in range(0, len(power), block)]
    level = np.interp(np.arange(len(power)), np.arange(len(peaks)) * block + block / 2, peaks)
    level = np.maximum(level, 0.05 * high)
    # Of single looks at noise one in three thousand is so high, of means of four as well.
    least = min((LOOK_NOISE if looks < 4 else MEAN_NOISE) * noise, 0.3 * high)
    threshold = np.maximum(0.3 * level, least)
    on = power > threshold
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.view(np.int8), [0]])))
    starts, stops = edges[::2], edges[1::2]
    if len(starts) < 4:
        return None
    # Runs shorter than the smoothing are noise.
    gaps = starts[1:] - stops[:-1]
    joined = gaps > max(length, 1)
    starts, stops = starts[np.concatenate([[True], joined])], stops[np.concatenate([joined, [True]])]
    lengths = stops - starts
    sums = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
    energies = sums[stops] - sums[starts]
    keep = (lengths > max(length // 2, 1)) & (energies > BLIP * np.quantile(energies, 0.9))
    starts, stops, lengths = starts[keep], stops[keep], lengths[keep]
    if len(lengths) < 4:
        return None
    mask = np.zeros(len(power) + 1, np.int32)
    np.add.at(mask, starts, 1)
    np.add.at(mask, stops, -1)
    on = np.cumsum(mask[:-1]) > 0
    gaps = starts[1:] - stops[:-1]
    inner = np.zeros(len(power), bool)
    rim = max(int(0.15 * np.median(lengths)), length)
    for first, last in zip(starts[:400], stops[:400], strict=True):
        if last - first > 2 * rim + 1:
            inner[first + rim : last - rim] = True
    if inner.sum() < 8:
        inner = on
    on_power = float(power[on].mean()) - noise
    # Of each gap alike, however long: modulation that touches zero is no switching because it also pauses.
    quarter = gaps // 4
    begin, end = stops[:-1] + quarter, starts[1:] - quarter
    off_power = float(np.median((sums[end] - sums[begin]) / (end - begin))) - noise
    # Against the fading level: keying always comes up to it, speech hardly ever.
    reached = power[inner] / level[inner]
    on_noise = noise * min(1 / looks, 1.0) / on_power
    on_variation = float(np.var(reached) / np.mean(reached) ** 2) - 2 * on_noise - on_noise**2
    a_on, a_off = amplitude[on], amplitude[~on]
    between = on.mean() * (1 - on.mean()) * (a_on.mean() - a_off.mean()) ** 2 if (~on).any() else 0.0
    found = Switching(
        on_share=float(on.mean()),
        runs=len(lengths),
        contrast_db=float(10 * np.log10(on_power / max(off_power, 0.02 * noise, 1e-6 * on_power))),
        on_variation=on_variation,
        short_on_s=float(np.quantile(lengths, 0.2)) / rate,
        short_off_s=float(np.quantile(gaps, 0.2)) / rate if len(gaps) else 0.0,
        long_on_s=float(np.quantile(lengths, 0.9)) / rate,
        separation=float(between / max(np.var(amplitude), 1e-30)),
    )
    return found, on
