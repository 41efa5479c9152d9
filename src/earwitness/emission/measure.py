"""Measure one emission: centre, occupied and x-dB bandwidth, level, SNR, deviation, depth.

Noise is taken out of every figure, and every figure says how it was come by (`methods`) and how far to
trust it: the occupied bandwidth by the beta/2 method needs the integrated noise to be known to a part of
half a per cent of the power, so below that the x-dB width is given in its place.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from earwitness.core.types import Detection, Measurement, Samples
from earwitness.dsp import fft
from earwitness.emission.burst import Burst, cut, moving_mean
from earwitness.emission.features import CLEAR_SNR, CORE, Features, Spectrum, noise_free_peak, track_of
from earwitness.emission.occupied import FLOOR_ERROR, occupied

LEVEL_ERROR_DB = 0.1  # of the receiver path's flatness inside a channel
XDB = 26.0
LEAST_AM_HZ = 250.0  # narrower, there is no room for sound
LEAST_SOUND = 0.0025  # of the carrier's power that speech at a third of full depth has in its sidebands
QUIET_SOUND = 0.0004  # the same of a tenth and an eighth, where it is no hum
# of Features.sound; bare carriers have up to 3.5, half a second of them up to 5.5
MAYBE_SOUND, SURE_SOUND = 3.5, 6.0
WIDER_HZ = 3000.0  # than telegraphy
SAME_SHARE = 0.99  # of a carrier's share of the power in part of an emission, that it has in all of it
LEAST_DEPTH_ERROR = 0.02  # of the depth
CLEAR_DEVIATION = 30.0  # power ratio
RARE_BEYOND = 0.12  # of the width, by which the peaks of speech may reach out of what is seen of it in noise
DEVIATION_PIECES = 16  # of a long burst, as many samples as its core has
LEAST_ACCOUNT = 0.6  # share of the power that carrier and sidebands account for
AM_WIDTH_HZ = 60_000.0  # no sound is wider; wider along one phase is pulses

SIDEBAND_GAP_HZ = 40.0  # of sound, from its carrier
LEAST_SIDEBAND_BINS = 24
LOWER = 0.95  # of the bins, and their mean as a share of that of all where powers are exponential
LOWER_MEAN = (1 - (1 - LOWER) * (1 - np.log(1 - LOWER))) / LOWER


def measure(channel: Samples, detection: Detection, *, span_hz: float) -> Measurement:
    """Give the figures of the emission that `detection` means in `channel`.

    `channel` is complex64 I/Q around it; `span_hz` is the rate that detection.start and .stop count at.
    When nothing but noise is left, the detector's own figures come back and `methods` says so.
    """
    burst = cut(channel, detection, span_hz)
    return measure_burst(Features(burst)) if burst else from_detection(detection)


def from_detection(detection: Detection) -> Measurement:
    """Give the detector's own figures, for an emission too weak or short to measure."""
    width = max(detection.high_hz - detection.low_hz, 1.0)
    return Measurement(
        center_hz=detection.center_hz,
        center_uncertainty_hz=width / 2,
        occupied_bandwidth_hz=None,
        occupied_bandwidth_uncertainty_hz=None,
        xdb_bandwidth_hz=None,
        xdb=XDB,
        level_dbfs=detection.level_dbfs,
        level_uncertainty_db=3.0,
        noise_dbfs_hz=detection.noise_dbfs_hz,
        snr_db=detection.snr_db,
        snr_uncertainty_db=3.0,
        methods={"all": "the detector's figures: too weak or too short to measure"},
    )


def xdb_edges(spectrum: Spectrum, noise_hz: float, xdb: float) -> tuple[float, float]:
    """Give the outermost frequencies in Hz where the net density is `xdb` below its peak, interpolated."""
    net = np.maximum(spectrum.density - noise_hz, 0)
    if spectrum.looks < 30:
        net = moving_mean(net, 3)
    level = net.max() * 10 ** (-xdb / 10)
    above = np.flatnonzero(net >= level)
    first, last = int(above[0]), int(above[-1])

    def cross(inside: int, outside: int) -> float:
        if not 0 <= outside < len(net):
            return float(spectrum.frequency_hz[inside])
        a = np.log(net[inside])
        b = np.log(max(net[outside], level * 1e-2))
        part = (a - np.log(level)) / max(a - b, 1e-12)
        return float(
            spectrum.frequency_hz[inside]
            + part * (spectrum.frequency_hz[outside] - spectrum.frequency_hz[inside])
        )

    return cross(first, first - 1), cross(last, last + 1)


def measure_burst(features: Features) -> Measurement:
    """Give the figures of a cleaned emission."""
    burst = features.burst
    spectrum = features.spectrum
    methods = {
        "level": "mean power from first to last sample, noise subtracted",
        "center": "power centroid of the noise-corrected spectrum",
        "snr": "signal power over noise power in the occupied bandwidth",
    }
    noise_hz = burst.noise_hz
    band = occupied(features)
    lower, upper, width_error = band.lower_hz, band.upper_hz, band.uncertainty_hz
    width = upper - lower
    # Noise and its scatter limit how far below the peak a width can be read.
    pick = (spectrum.frequency_hz >= burst.low_hz) & (spectrum.frequency_hz <= burst.high_hz)
    peak = float(np.max(spectrum.density[pick])) - noise_hz
    floor = noise_hz * (4 / np.sqrt(spectrum.looks) + 3 * FLOOR_ERROR)
    reach = 10 * np.log10(max(peak / max(floor, 1e-30), 1.0))
    xdb = float(min(XDB, np.floor(reach)))
    xdb_width = None
    if xdb >= 3:
        x_low, x_high = xdb_edges(spectrum, noise_hz, xdb)
        xdb_width = x_high - x_low
        methods["xdb_bandwidth"] = f"outermost points {xdb:g} dB below the peak of the averaged spectrum"
    if band.told:
        methods["occupied_bandwidth"] = "99 % power, beta/2 method after SM.443, noise subtracted"
    else:
        methods["occupied_bandwidth"] = (
            "between what surely holds less than 99 % of the power and how far it may reach:"
            " noise forbids the beta/2 method at this SNR"
        )

    inside = (spectrum.frequency_hz >= lower - spectrum.bin_hz) & (
        spectrum.frequency_hz <= upper + spectrum.bin_hz
    )
    net = spectrum.density[inside] - noise_hz
    offsets = spectrum.frequency_hz[inside]
    share = net / max(net.sum(), 1e-30)
    centroid = float(np.sum(share * offsets)) if net.sum() > 0 else (lower + upper) / 2
    moments = (spectrum.parts[:, inside] - noise_hz / len(spectrum.parts)) @ (offsets - centroid)
    if len(moments) > 2:  # the scatter between parts of the burst holds noise and unbalanced data alike
        random = float(np.sum(moments**2)) * len(moments) / (len(moments) - 1)
    else:
        random = float(np.sum((spectrum.density[inside] * (offsets - centroid)) ** 2)) * 1.5 / spectrum.looks
    statistical = np.sqrt(random) / max(net.sum(), 1e-30)
    skew = centroid - (lower + upper) / 2
    core = features.core
    line = core.carrier
    amplitude = is_am(core)
    if (line.share > 0.9 or amplitude) and line.carrier_snr > 10:
        centroid, statistical = core.carrier_peak
        skew = 0.0
        methods["center"] = "frequency of its carrier line"
    # The middle of the band is a centre as well: both are meant to lie within twice the uncertainty.
    center_error = float(np.sqrt(statistical**2 + skew**2 / 3 + 0.01**2))

    independent = max(burst.width_hz * features.duration_s, 1.0)
    ratio = burst.noise / burst.power
    # Speech and keying do not keep one level: how far their mean is known, their own parts say.
    uneven = _uneven(spectrum.parts.sum(axis=1))
    level_error = 4.34 * np.sqrt(
        (2 * ratio + ratio**2) / independent + (FLOOR_ERROR * ratio) ** 2 + uneven**2
    )
    level = 10 * np.log10(burst.power)
    noise_power = noise_hz * max(width, 1 / features.duration_s)
    snr_error = np.sqrt(
        level_error**2 + (4.34 * FLOOR_ERROR) ** 2 + (4.34 * width_error / max(width, 1e-9)) ** 2
    )

    deviation = deviation_error = depth = depth_error = None
    if amplitude:
        methods["modulation_depth"] = (
            "half the swing along the carrier's phase, from its moments or 0.5 to 99.5 %, noise removed"
        )
        heard = features.carrier  # all of it: sound has its peaks here and there
        if heard.share < SAME_SHARE * line.share:  # it drifts too far for so long a look
            heard = line
        depth = 100 * min(heard.depth or 0.0, 1.5)
        depth_error = max(100 * heard.depth_error, 1.0, LEAST_DEPTH_ERROR * depth)
    elif core.envelope_variation < 0.2 and line.share < 0.9 and burst.snr > 2:
        deviation, deviation_error = peak_deviation(features)
        methods["deviation"] = "99.8 % of the absolute instantaneous frequency about its mean, noise removed"
    return Measurement(
        center_hz=burst.center_hz + centroid,
        center_uncertainty_hz=center_error,
        occupied_bandwidth_hz=float(width),
        occupied_bandwidth_uncertainty_hz=float(width_error),
        xdb_bandwidth_hz=xdb_width,
        xdb=xdb if xdb_width is not None else XDB,
        level_dbfs=float(level),
        level_uncertainty_db=float(np.hypot(level_error, LEVEL_ERROR_DB)),
        noise_dbfs_hz=float(10 * np.log10(noise_hz)),
        snr_db=float(10 * np.log10(burst.power / noise_power)),
        snr_uncertainty_db=float(min(snr_error, 10.0)),
        deviation_hz=deviation,
        deviation_uncertainty_hz=deviation_error,
        modulation_depth_pct=depth,
        modulation_depth_uncertainty_pct=depth_error,
        methods=methods,
    )


def _uneven(powers: np.ndarray) -> float:
    """Give the relative standard error of the mean of powers (n,) of successive parts.

    As parts scatter, or longer ones: syllables, elements and fading outlast one, so that neighbours are alike.
    """
    error = 0.0
    for together in (1, 2, 4):
        count = len(powers) // together
        if count < 2:
            break
        means = powers[: count * together].reshape(count, together).mean(axis=1)
        error = max(error, float(np.std(means) / max(np.mean(means), 1e-30)) / np.sqrt(count - 1))
    return error


def is_am(features: Features) -> bool:
    """Tell whether the emission is a carrier with modulation along its phase only.

    The power of such a one varies by four times what lies along the phase. That of keyed frequency does not: seen from
    the frequency it rests on, what it goes to is more along the phase than across, for as often as it rests.
    """
    line = features.carrier
    varies = features.envelope_variation
    if (
        features.burst.width_hz > WIDER_HZ
    ):  # tones of 30 Hz are slower there than what the envelope is seen about
        varies += features.power_variation
    if features.burst.snr > CLEAR_SNR and varies < line.in_phase:
        return False
    return bool(
        (line.in_phase > LEAST_SOUND or (line.in_phase > QUIET_SOUND and features.speech_band > SURE_SOUND))
        and line.share * (1 + line.in_phase + max(line.quadrature, 0.0)) > LEAST_ACCOUNT
        and line.share > 0.3
        and line.in_phase < 0.6
        and LEAST_AM_HZ < features.burst.width_hz < AM_WIDTH_HZ
        and line.carrier_snr > 20
        and line.quadrature < 0.25 * line.in_phase + 2 * line.uncertainty
        and (line.in_phase > 4 * line.uncertainty or features.sound > SURE_SOUND)
    )


def peak_deviation(features: Features) -> tuple[float, float]:
    """Give (peak deviation in Hz, uncertainty): 99.8 % quantile of |f - mean f|, noise removed.

    The track is averaged over one look, which keeps modulation up to about a third of the width, or half of one where
    noise lets it. Of a long burst pieces from all of it are looked at: sound has its peaks here and there.
    """
    burst: Burst = features.burst
    looks_each = 0.5 if burst.snr > CLEAR_DEVIATION else 1.0
    length = max(round(looks_each * features.look), 1)
    n = len(features.iq)
    size = n if n <= CORE else CORE // DEVIATION_PIECES
    starts = np.linspace(0, n - size, DEVIATION_PIECES).astype(int).tolist() if size < n else [0]
    pieces = []
    for first in starts:
        part = slice(first, first + size)
        track = features.track if size == n else track_of(features.iq[part], burst)
        pieces.append(moving_mean(track, length)[features.good[part]])
    track = np.concatenate(pieces)
    if len(track) < 50:
        return 0.0, burst.width_hz
    # The mean over one look is a phase difference: its noise comes from the two end points.
    sigma = burst.width_hz / (2 * np.pi * looks_each * np.sqrt(burst.snr))
    looks = len(track) / features.look
    peak = noise_free_peak(track, float(sigma), 0.001, looks)
    # Rare peaks reach out of the band in which power was seen over the noise.
    unseen = RARE_BEYOND * burst.width_hz if peak.rare and looks_each == 1 else 0.0
    error = np.hypot(peak.uncertainty, unseen)
    return peak.half, float(max(0.08 * peak.half, error, sigma * looks_each, burst.width_hz / 200))


def density_beside(
    samples: Samples, band_hz: tuple[float, float], taken_hz: Iterable[tuple[float, float]]
) -> tuple[float, int]:
    """Give the power density over a band without some parts of it, power per Hz, and how many bins it rests on.

    Without its strongest twentieth, so that a line of something else there does not count. One Hann-windowed transform over all samples (n,); a part is left out with four bins each side, where the window's
    side lobes lie 50 dB down (Harris 1978).
    """
    x, rate = samples.data, samples.rate_hz
    window = np.hanning(len(x) + 2)[1:-1].astype(np.float32)
    spectrum = fft.forward(x * window)
    power = spectrum.real**2 + spectrum.imag**2
    at_hz = samples.center_hz + np.fft.fftfreq(len(x), 1 / rate)
    kept = (at_hz >= band_hz[0]) & (at_hz <= band_hz[1])
    margin = 4 * rate / max(len(x), 1)
    for low, high in taken_hz:
        kept &= (at_hz < low - margin) | (at_hz > high + margin)
    count = int(kept.sum())
    if count == 0:
        return 0.0, 0
    lower = np.sort(power[kept])[: max(round(LOWER * count), 1)]
    return float(lower.mean()) / LOWER_MEAN / (float(np.sum(window**2)) * rate), count


def is_sideband(
    samples: Samples,
    band_hz: tuple[float, float],
    carrier_band_hz: tuple[float, float],
    noise_dbfs_hz: float,
) -> bool:
    """Tell whether what lies in a band is modulation along the phase of the strongest line of another band.

    An AM station's sidebands mirror each other, so that all they hold lies along the carrier's phase; what another
    station sends beside the carrier lies as much across it. Mixed down to the carrier, as its mean over some
    hundredths of a second has it, and compared in the band's distances from it, but for the samples' first and last
    0.05 s. Samples complex64 (n,).
    """
    x, rate = samples.data, samples.rate_hz
    low, high = band_hz[0] - samples.center_hz, band_hz[1] - samples.center_hz
    size = fft.good_size(len(x))
    spectrum = fft.forward(x, size)
    bin_hz = rate / size
    first, last = ((edge - samples.center_hz) / bin_hz for edge in carrier_band_hz)
    places = np.arange(int(first), int(last) + 2) % size
    carrier = int(places[np.argmax(np.abs(spectrum[places]))])
    line_hz = (carrier - size if carrier > size // 2 else carrier) * bin_hz
    far = max(abs(low - line_hz), abs(high - line_hz))
    near = max(0.0 if low < line_hz < high else min(abs(low - line_hz), abs(high - line_hz)), SIDEBAND_GAP_HZ)
    half = int(1.1 * far / bin_hz)
    if near > 0.9 * far or 2 * half + 1 > size:
        return False
    count = 2 * half + 1
    z = fft.inverse(np.fft.ifftshift(spectrum[np.arange(carrier - half, carrier + half + 1) % size])) * (
        count / size
    )
    z = z[: int(len(x) * count / size)].astype(np.complex64)
    low_rate = rate * count / size
    length = max(round(low_rate / SIDEBAND_GAP_HZ), 3)
    steady = moving_mean(moving_mean(z, length), length)
    strength = np.abs(steady)
    good = strength > 0.5 * np.sqrt(np.mean(strength**2))
    good[: 2 * length] = good[len(good) - 2 * length :] = False
    side = np.where(good, z * np.conj(steady) / np.maximum(strength, 1e-20), 0)
    side.real -= strength * good
    looked = np.fft.rfftfreq(len(side), 1 / low_rate)
    inside = (looked >= near) & (looked <= far)
    bins = int(inside.sum()) * float(good.mean())
    if bins < LEAST_SIDEBAND_BINS:
        return False
    along, across = (
        float(np.sum(np.abs(fft.forward_real(part)[inside]) ** 2)) for part in (side.real, side.imag)
    )
    noise = 10 ** (noise_dbfs_hz / 10) * low_rate / 2 * float(good.sum()) * float(inside.sum())
    scatter = 1 / np.sqrt(bins)
    return along - across > 4 * scatter * np.hypot(along, across) and across - noise < 0.2 * (
        along - noise
    ) + 2 * scatter * max(noise, across)
