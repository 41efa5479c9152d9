"""What can be seen in a cleaned emission whatever it is: envelope, carrier line, frequency track, spectrum.

Every figure has the receiver noise taken out, so that thresholds do not move with the SNR.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile
from earwitness.dsp.spectra import hann
from earwitness.emission.burst import Burst, moving_mean, squares
from earwitness.emission.lines import LineSpectrum

CORE = 49_152  # samples: 12 000 times the inverse of the width
GROUPS = 8
KEYING_CORE = 20_480  # enough for a symbol clock
# variance of the peak of a Hann-windowed transform over the bound: (w^2 t^2) / (w t^2)^2 / 12
HANN_COST = 2.34
GAPPED, MOSTLY = 0.75, 0.9  # shares of the time that an emission is on in what is looked at
NO_LINE = 0.2  # share of the power below which a line is not looked at closer
CLEAR_SNR = 1.6  # power ratio below which a line may be all there is to see
SOUND_CELL_S = 0.06
# Where speech and music have most of their power (common practice, no source).
LEAST_SOUND_CELL_HZ, MOST_SOUND_CELL_HZ = 50.0, 1000.0
LEAST_CELLS = 300
# above the mains' third harmonic at 50 Hz in full wave, and what speech has most of
HUM_HZ, MOSTLY_HIGHER = 320.0, 0.3
BUSY_S = 0.5
BUSY, BUSIER, LINE_BINS = 0.02, 4.0, 3  # of the power beside a line, times the least of other parts
# Fourth moment over the squared second, and squared peak over the second: square wave, sine, triangle, two tones.
PEAKED, PEAK_SQUARES = (1.0, 1.5, 1.8, 2.25), (1.0, 2.0, 3.0, 4.0)
# r.m.s. values, and how far from that the peak may be
MOST_PEAKED_ERROR, HIDDEN_PEAK, HIDDEN_DOUBT = 0.6, 3.0, 0.5
CUBE_VARIANCE = 684.0  # of the cubes of powers that are exponential with mean 1: 6! - 3!^2


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Averaged power spectrum of the burst, ascending frequency relative to its centre, noise included."""

    frequency_hz: np.ndarray
    density: np.ndarray  # power per Hz
    bin_hz: float
    looks: float
    parts: (
        np.ndarray
    )  # the same of up to GROUPS successive parts of the burst: what their scatter says is known


@dataclass(frozen=True, slots=True)
class CarrierTest:
    """The burst seen from its strongest line: shares are of the line's power, noise removed."""

    frequency_hz: float  # relative to the burst's centre
    share: float  # line power over total power
    in_phase: float  # power along the carrier's phase beside the line itself
    quadrature: float
    uncertainty: float  # one-sigma of in_phase and quadrature from noise
    carrier_snr: float  # line power over noise power in the line filter
    depth: float | None  # peak modulation depth 0..1 along the phase
    depth_error: float = 0.0


@kernel("Tuple((float64, float64))(Array(float32, 1, 'A'))")
def _moments(values: np.ndarray) -> tuple[float, float]:
    """Give the second and fourth central moment."""
    mean = 0.0
    for value in values:
        mean += value
    mean /= len(values)
    second = fourth = 0.0
    for value in values:
        square = (value - mean) ** 2
        second += square
        fourth += square * square
    return second / len(values), fourth / len(values)


class Peak(NamedTuple):
    """Half a range, its standard uncertainty, and whether the peaks are rare, as those of speech and music are."""

    half: float
    uncertainty: float
    rare: bool


def noise_free_peak(values: np.ndarray, sigma: float, tail: float, looks: float) -> Peak:
    """Give half the range of `values` (less `tail` at each end) that is not noise of deviation `sigma`.

    What dwells at its peaks is known by its moments, whatever the noise: a square wave's peak squared is its variance,
    a sine's twice, a triangle's three times, that of two tones four times. To the peaks of speech and music noise adds
    as squares at the most; the rarer they are the less: the peak lies between what that leaves and what is seen.
    Where noise of so many `looks` hides the shape the peak is what lies between a sine's and speech's.
    """
    values = values[:: max(len(values) // 8192, 1)]
    second, fourth = _moments(values.astype(np.float32, copy=False))
    square = max(second - sigma**2, 1e-30)
    peaked = (fourth - 6 * square * sigma**2 - 3 * sigma**4) / square**2
    count = max(min(float(len(values)), looks), 1.0)
    square_error = np.sqrt(2 / count) * sigma * np.sqrt(sigma**2 + 2 * square)
    # Of the fourth moment of normal noise: (8! / (2^4 4!) - 3^2) sigma^8; what it does to the signal's own comes on top.
    peaked_error = (
        np.sqrt((96 * sigma**8 + 72 * square * sigma**6 + 144 * square**2 * sigma**4) / count) / square**2
    )
    reach = {0.005: 2.58, 0.001: 3.09}[tail]
    most = (quantile(values, 1 - tail) - quantile(values, tail)) / 2
    least = float(np.sqrt(max(most**2 - (reach * sigma) ** 2, 0.0)))
    middle = HIDDEN_PEAK * float(np.sqrt(square))
    if peaked_error > MOST_PEAKED_ERROR and least < (1 + HIDDEN_DOUBT) * middle:
        error = np.hypot(HIDDEN_DOUBT * middle, HIDDEN_PEAK * square_error / np.sqrt(square) / 2)
        return Peak(middle, float(error), True)
    if peaked_error < MOST_PEAKED_ERROR and peaked < PEAKED[-1]:
        factors = np.interp((peaked, peaked - peaked_error, peaked + peaked_error), PEAKED, PEAK_SQUARES)
        peak = float(np.sqrt(factors[0] * square))
        doubt = max(factors[2] - factors[0], factors[0] - factors[1])
        relative = np.hypot(square_error / square / 2, doubt / factors[0] / 2)
        return Peak(peak, float(peak * relative), False)
    return Peak((least + most) / 2, float(np.hypot(sigma / 2, (most - least) / np.sqrt(12))), True)


@kernel("float64[::1](float32[::1])")
def running_sum(values: np.ndarray) -> np.ndarray:
    """Give the sums of the first 0, 1, ... n values (n,), float64 (n + 1,)."""
    out = np.empty(len(values) + 1)
    total = 0.0
    out[0] = 0.0
    for i in range(len(values)):
        total += values[i]
        out[i + 1] = total
    return out


@kernel("Tuple((int64, float64, float64, float64))(float32[::1], float32[::1], boolean[::1], float64)")
def _variation(
    power: np.ndarray, local: np.ndarray, good: np.ndarray, noise: float
) -> tuple[int, float, float, float]:
    """Give (samples that are good, mean square of power about local, mean of signal, mean of its square)."""
    count = 0
    spread = signal = square = 0.0
    for i in range(len(power)):
        if good[i]:
            count += 1
            spread += (power[i] - local[i]) ** 2
            s = max(local[i] - noise, 0.0)
            signal += s
            square += s * s
    most = max(count, 1)
    return count, spread / most, signal / most, square / most


def track_of(iq: np.ndarray, burst: Burst) -> np.ndarray:
    """Give the instantaneous frequency in Hz of samples complex64 (n,) of a burst, float32 (n,), noise included."""
    steps = discriminate(iq, rate_hz=burst.rate_hz, before=complex(iq[0]))
    limit = np.float32(burst.width_hz * 0.6)
    return np.clip(steps, -limit, limit, out=steps)


@cache
def _periodic_hann(size: int) -> np.ndarray:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)).astype(np.float32)


class Features:
    """Lazy figures of one burst; each is computed once, when first asked for."""

    def __init__(self, burst: Burst):
        self.burst = burst
        self.iq = burst.iq
        self.rate_hz = burst.rate_hz
        self.duration_s = len(burst.iq) / burst.rate_hz
        # Samples per 1/width, the time after which noise is new.
        self.look = burst.rate_hz / burst.width_hz
        self._middles: dict[int, Features] = {}
        # what lies beside the carrier, and from how far off
        self._beside: tuple[np.ndarray, float] | None = None

    @cached_property
    def core(self) -> Features:
        """The middle of a long burst, enough to tell what it is."""
        return self.middle(CORE)

    def middle(self, length: int) -> Features:
        """Give the features of the middle `length` samples, or of others that hold no such gap as those."""
        extra = len(self.iq) - length
        if extra <= 0:
            return self
        if length not in self._middles:
            first = extra // 2
            if np.count_nonzero(self.good[first : first + length]) < GAPPED * length:
                starts = np.linspace(0, extra, 17).astype(int)
                sums = np.concatenate([[0], np.cumsum(self.good)])
                on = sums[starts + length] - sums[starts]
                # What comes and goes in slots does so everywhere.
                if on.max() > MOSTLY * length:
                    first = int(starts[np.argmax(on)])
            part = np.ascontiguousarray(self.iq[first : first + length])
            self._middles[length] = Features(replace(self.burst, iq=part))
        return self._middles[length]

    @cached_property
    def power(self) -> np.ndarray:
        """Instantaneous power, float32 shape (n,)."""
        return squares(self.iq)

    @cached_property
    def local(self) -> np.ndarray:
        """Power averaged over 16 looks: follows fading and keying, not modulation."""
        return moving_mean(self.power, max(int(16 * self.look), 3))

    @cached_property
    def good(self) -> np.ndarray:
        """Bool shape (n,): where the emission is on and not faded away."""
        high = quantile(self.local[:: max(len(self.local) // 2048, 1)], 0.9)
        good = self.local > max(0.2 * high, min(2.5 * self.burst.noise, 0.6 * high))
        # The average reaches half its height where the burst really begins and ends.
        sure = self.local > 0.5 * high
        good[: int(sure.argmax())] = False
        good[len(sure) - int(sure[::-1].argmax()) :] = False
        return good

    @cached_property
    def envelope_variation(self) -> float:
        """Relative variance of the power within 16 looks: 0 constant envelope, 1 complex Gaussian noise."""
        noise = self.burst.noise
        count, spread, signal, square = _variation(self.power, self.local, self.good, noise)
        if count == 0:
            return 1.0
        # E (p - E p)^2 = var(s) + 2 P noise + noise^2; averaging over 16 looks takes 1/16 of it away.
        excess = spread * 16 / 15 - 2 * signal * noise - noise**2
        return excess / max(square, 1e-30)

    @cached_property
    def power_variation(self) -> float:
        """Relative variance of the 16-look power over the burst: fading, syllables, keying."""
        mean = float(np.mean(self.local)) - self.burst.noise
        return float(np.var(self.local)) / max(mean, 1e-30) ** 2

    @cached_property
    def spectrum(self) -> Spectrum:
        """Hann-windowed half-overlapping averaged spectrum, about 60 bins across the width or finer."""
        n = len(self.iq)
        size = 64
        while size < 4096 and size * 2 <= n // 8 and (size < 256 or size * 16 <= n // 8):
            size *= 2
        size = min(size, max(n, 16))
        window = _periodic_hann(size)
        step = max(size // 2, 1)
        count = (n - size) // step + 1
        frames = np.lib.stride_tricks.as_strided(
            self.iq, (count, size), (self.iq.strides[0] * step, self.iq.strides[0]), writeable=False
        )
        bounds = [round(count * i / GROUPS) for i in range(GROUPS + 1)] if count >= GROUPS else [0, count]
        parts = np.zeros((len(bounds) - 1, size))
        for row, first, last in zip(parts, bounds, bounds[1:], strict=False):
            for begin in range(first, last, 64):
                part = fft.forward(frames[begin : min(begin + 64, last)] * window)
                row += np.sum(part.real**2 + part.imag**2, axis=0)
        # The ends get half the weight of the middle; the burst's mean power is kept exactly.
        parts = np.concatenate([parts[:, size // 2 :], parts[:, : size // 2]], axis=1)
        bin_hz = self.rate_hz / size
        parts *= (self.burst.power + self.burst.noise) / max(parts.sum() * bin_hz, 1e-30)
        frequency = (np.arange(size) - size // 2) * bin_hz
        return Spectrum(frequency, parts.sum(axis=0), bin_hz, 0.95 * max(count, 1), parts)

    @cached_property
    def lines(self) -> LineSpectrum:
        """Full-length periodogram of the burst itself."""
        return LineSpectrum(self.iq, self.rate_hz)

    @cached_property
    def squared_lines(self) -> LineSpectrum:
        """The line spectrum of the squared signal, faded and silent parts left out."""
        return LineSpectrum(self.iq * self.iq * self.good, self.rate_hz)

    @cached_property
    def carrier(self) -> CarrierTest:
        """Look from the strongest line: what lies along its phase (AM) and across it (FM, noise, all else)."""
        burst = self.burst
        n = len(self.iq)
        # A coarse search (about 60 Hz or a 300th of the width) so that fading and drift stay in one cell.
        cell = max(3 / self.duration_s, min(40.0, burst.width_hz / 40), burst.width_hz / 300)
        per = max(round(cell / self.lines.bin_hz), 1)
        half = (self.lines.size + 1) // 2
        shifted = np.concatenate([self.lines.power[half:], self.lines.power[:half]])
        smooth = moving_mean(shifted, per)
        top = int(np.argmax(smooth))
        around = np.arange(max(top - per, 0), min(top + per + 1, self.lines.size))
        weight = shifted[around]
        line_hz = (float(np.sum(around * weight) / np.sum(weight)) - self.lines.size // 2) * self.lines.bin_hz
        # The main lobe of the line filter below holds at most this share: no question begins below a quarter.
        share = float(np.sum(weight)) / self.lines.total * (1 + burst.noise / burst.power)
        if share < NO_LINE and burst.snr > CLEAR_SNR:
            return CarrierTest(line_hz, share, 1.0, 1.0, 1.0, 0.0, None)
        turn = np.exp(-2j * np.pi * line_hz / self.rate_hz * np.arange(n)).astype(np.complex64)
        z = self.iq * turn
        length = min(max(int(self.rate_hz / cell), 3), n)
        carrier = moving_mean(moving_mean(z, length), length)
        strength = np.abs(carrier)
        noise = burst.noise
        carrier_noise = noise * 0.67 * self.look / length
        carrier_power = max(float(np.mean(strength**2)) - carrier_noise, 1e-30)
        strong = strength > 0.5 * np.sqrt(carrier_power)  # whatever the noise adds: no bias
        # Where the means do not reach full length, and the burst's own ramps, nothing is known.
        rim = min(length + int(16 * self.look), n // 4)
        strong[:rim] = False
        strong[n - rim :] = False
        weight = strength**2 * strong
        total = float(weight.sum())
        if total <= 0:
            return CarrierTest(line_hz, 0.0, 1.0, 1.0, 1.0, 0.0, None)
        side = z * np.conj(carrier) / np.maximum(strength, 1e-20)
        # A carrier that drifts away from the line comes out of the means weaker than it is: no modulation yet.
        steady = moving_mean(moving_mean(side.real, length), length)
        self._beside = (side - steady)[rim : n - rim] * strong[rim : n - rim], 1.5 * cell
        # Weighted as the carrier's power: faded parts say little.
        mean_power = float(np.sum(weight * strength**2)) / total
        in_phase = float(np.sum(weight * (side.real - steady) ** 2)) / total
        quadrature = float(np.sum(weight * side.imag**2)) / total
        # The means that carrier and steady part are taken by take some of the noise with them.
        beside = noise / 2 * (1 - 1.33 * self.look / length)
        independent = max(total**2 / float(np.sum(weight**2)) / self.look, 1.0)
        spread = noise / 2 * np.sqrt(2 / independent) / mean_power
        depth, depth_error = None, 0.0
        swing = (side.real / np.maximum(np.abs(steady), 1e-20) - 1)[strong]
        if len(swing) > 100:
            sigma = float(np.sqrt(noise / 2 / mean_power))
            peak = noise_free_peak(swing, sigma, 0.005, len(swing) / self.look)
            depth, depth_error = peak.half, peak.uncertainty
        return CarrierTest(
            frequency_hz=line_hz,
            share=min(carrier_power / burst.power, 1.0),
            in_phase=(in_phase - beside) / mean_power,
            quadrature=(quadrature - beside) / mean_power,
            uncertainty=float(spread),
            carrier_snr=carrier_power / carrier_noise,
            depth=depth,
            depth_error=depth_error,
        )

    @cached_property
    def _cells(self) -> tuple[np.ndarray, np.ndarray, float] | None:
        """Power in cells of time and frequency along the carrier's phase and across it, and the first cell's number.

        None where there are too few of them to tell anything.
        """
        _ = self.carrier
        if self._beside is None:
            return None
        side, least_hz = self._beside
        length = max(int(SOUND_CELL_S * self.rate_hz), 1)
        count = len(side) // length
        first = int(max(least_hz, LEAST_SOUND_CELL_HZ) * length / self.rate_hz) + 1
        last = int(min(self.burst.width_hz / 2, MOST_SOUND_CELL_HZ) * length / self.rate_hz) + 1
        if count * (last - first) < LEAST_CELLS:
            return None
        values = fft.forward(side[: count * length].reshape(count, length))
        above, below = values[:, first:last], np.conj(values[:, -first:-last:-1])
        along, across = above + below, above - below
        louder = (along.real**2 + along.imag**2).astype(np.float64)
        other = (across.real**2 + across.imag**2).astype(np.float64)
        return louder, other, first * self.rate_hz / length

    def _louder(self, least_hz: float) -> float:
        if self._cells is None:
            return 0.0
        along, across, first_hz = self._cells
        skip = max(int((least_hz - first_hz) * SOUND_CELL_S), 0)
        louder, other = along[:, skip:], across[:, skip:]
        if louder.size < LEAST_CELLS or (louder - other).sum() < MOSTLY_HIGHER * (along - across).sum():
            return 0.0
        mean = max(float(other.mean()), 1e-30)
        louder, other = (louder / mean) ** 3, (other / mean) ** 3
        variance = max(float(other.var()), CUBE_VARIANCE)
        return float((louder.mean() - other.mean()) / np.sqrt(2 * variance / other.size))

    @cached_property
    def sound(self) -> float:
        """By how many standard deviations cells of time and frequency are louder along the carrier's phase than across.

        Sound gathers in few of them: cubes of their power tell it where its whole is lost in the noise. Noise, other
        emissions and what lies across the phase give no more on one side than on the other. 0 where that cannot be told.
        """
        return self._louder(0.0)

    @cached_property
    def speech_band(self) -> float:
        """The same of sound that is higher than hum, 0 where most is lower."""
        return self._louder(HUM_HZ)

    @cached_property
    def busiest(self) -> Features | None:
        """The part of the burst, of a quarter or half a second, whose strongest line holds least of the power.

        None where that is no less than elsewhere: modulation that begins late, or pauses.
        """
        shape, burst = self.spectrum, self.burst
        count = len(shape.parts)
        if count < GROUPS:
            return None
        inside = (shape.frequency_hz >= burst.low_hz) & (shape.frequency_hz <= burst.high_hz)
        peak = int(np.argmax(np.where(inside, shape.density, 0)))
        inside[max(peak - LINE_BINS, 0) : peak + LINE_BINS + 1] = False
        off = shape.parts[:, inside].sum(axis=1) * shape.bin_hz * count
        noise = burst.noise_hz * shape.bin_hz * float(inside.sum())
        error = noise * np.sqrt(1.5 * count / max(shape.looks * inside.sum(), 1.0))
        together = min(max(int(np.ceil(BUSY_S / self.duration_s * count)), count // 4), count)
        runs = np.convolve(off - noise, np.ones(together) / together, "valid")
        at = int(np.argmax(runs))
        if together == count or runs[at] < max(BUSY * burst.power, 6 * error, BUSIER * (off - noise).min()):
            return None
        n = len(self.iq)
        part = self.iq[n * at // count : n * (at + together) // count]
        return Features(replace(burst, iq=np.ascontiguousarray(part)))

    @cached_property
    def steadiest(self) -> Features | None:
        """The part, half as long as the core, whose envelope varies least; None where the core is all there is."""
        length = CORE // 2
        if len(self.iq) <= CORE:
            return None
        starts = np.linspace(0, len(self.iq) - length, 17).astype(int)
        spread, level = running_sum((self.power - self.local) ** 2), running_sum(self.local**2)
        varies = (spread[starts + length] - spread[starts]) / (level[starts + length] - level[starts])
        first = int(starts[np.argmin(varies)])
        return Features(replace(self.burst, iq=np.ascontiguousarray(self.iq[first : first + length])))

    @cached_property
    def carrier_peak(self) -> tuple[float, float]:
        """Frequency of the carrier line relative to the burst's centre, and its standard uncertainty, in Hz.

        From the highest bin of the Hann-windowed transform by Newton's steps to its peak. The uncertainty is Rife and
        Boorstyn's bound (1974) for that window, and what drift spreads over more than one bin.
        """
        n, lines, line = len(self.iq), self.lines, self.carrier
        slack_hz = max(40.0, 2 * lines.resolution_hz)
        first = int(np.floor((line.frequency_hz - slack_hz) / lines.bin_hz))
        bins = np.arange(first, first + int(np.ceil(2 * slack_hz / lines.bin_hz)) + 2)
        found = float(bins[int(lines.power[bins % lines.size].argmax())]) * lines.bin_hz
        place = (np.arange(n) - (n - 1) / 2) / self.rate_hz
        shaped = self.iq * hann(n)
        for _ in range(3):
            turned = shaped * np.exp(-2j * np.pi * found * place)
            flat = turned.sum()
            # Of ln |X|^2 with X' = -2 pi i sum(t x) and X'' = -4 pi^2 sum(t^2 x).
            mean, square = np.vdot(place, turned) / flat, np.vdot(place**2, turned) / flat
            slope = 4 * np.pi * mean.imag
            bend = 8 * np.pi**2 * (abs(mean) ** 2 - square.real) - slope**2
            if bend >= 0 or abs(slope / bend) > lines.resolution_hz:
                break
            found -= float(slope / bend)
        energy = max(line.share, 1e-6) * self.burst.snr * n / self.look
        bound = np.sqrt(6 * HANN_COST / energy) * lines.resolution_hz / (2 * np.pi)
        near = lines.at(found, lines.bin_hz)
        smeared = max(line.share - (near.share if near else 0.0), 0.0)
        return found, float(np.hypot(bound, smeared * lines.resolution_hz / 4))

    @cached_property
    def track(self) -> np.ndarray:
        """Instantaneous frequency in Hz relative to the burst's centre, float32 shape (n,), noise included."""
        return track_of(self.iq, self.burst)

    @cached_property
    def smooth_track(self) -> np.ndarray:
        """The frequency track averaged over one look."""
        return moving_mean(self.track, max(round(self.look), 1)).astype(np.float32, copy=False)
