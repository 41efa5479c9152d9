"""Demodulated audio as a band of its own: the analytic signal, so that one survey path serves both."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import convolve_valid, lowpass

HISS = "hiss: noise between transmissions, as a receiver gives without a squelch"
_TRANSITION = 0.02  # of the filter between band and mirror, of the rate
_WINDOW_S, _WINDOWS, _LEAST_CELLS = 0.01, 8, 64  # of the looks at what may be hiss
_LOWEST_HZ = 100.0
# Gaussian noise has 3, 2 and 1, that of a discriminator 2.5 to 3.6 and up to 4; telegraphy less of the first, speech more of all
_KURTOSIS, _SPREAD, _UNSTEADY = (2.4, 5.0), (1.75, 2.35), 4.0


class AudioStretch(Protocol):
    """A stretch of real samples."""

    rate_hz: float
    epoch_ns: int

    @property
    def count(self) -> int:
        """Samples there are."""

    def read(self, start: int, count: int) -> np.ndarray:
        """Give float32 samples."""


class AnalyticStream:
    """Gives audio of rate R as complex samples of rate R/2 around R/4: frequencies stay audio frequencies.

    Mixed down by a quarter of the rate, low-passed by a half-band filter and every second sample kept.
    """

    kind = "iq"

    def __init__(self, audio: AudioStretch):
        self.audio = audio
        self.rate_hz = audio.rate_hz / 2
        self.center_hz = audio.rate_hz / 4
        self.epoch_ns = audio.epoch_ns
        self.count = audio.count // 2
        # what the filter lets through below 0 Hz comes to lie from here on, at the upper edge of the band
        self.mirrored_hz = self.rate_hz - _TRANSITION / 2 * audio.rate_hz
        # real tones have half their power on each side
        self._taps = 2 * lowpass(0.25, _TRANSITION, 1.0, stop_db=70)

    def read(self, start: int, count: int) -> np.ndarray:
        """Give complex64 samples [start, start + count), fewer at the end."""
        count = max(0, min(count, self.count - start))
        half = len(self._taps) // 2
        begin, end = 2 * start - half, 2 * (start + count) + half
        data = np.zeros(end - begin, np.float32)
        got = self.audio.read(max(0, begin), end - max(0, begin))
        data[max(0, -begin) : max(0, -begin) + len(got)] = got
        turns = np.array([1, -1j, -1, 1j], np.complex64)[(np.arange(begin, end) & 3)]
        mixed = convolve_valid(data * turns, self._taps)
        return np.ascontiguousarray(mixed[: 2 * count : 2], np.complex64)


def audio_of(data: np.ndarray) -> np.ndarray:
    """Give the audio, float32 shape (2 n,), that an `AnalyticStream` made complex samples shape (n,) of.

    Read from an even sample on; from an odd one it comes out upside down. What of the lowest frequencies lies at
    the upper edge of the band is put back: both parts together are what went in.
    """
    count = len(data)
    turned = data.astype(np.complex64)
    turned[1::2] *= -1  # 0 Hz in the first bin
    spectrum = fft.forward(turned)
    reach = min(int(count * _TRANSITION), (count - 1) // 2)
    mirrored = np.conj(spectrum[count - reach :][::-1])
    spectrum[1 : reach + 1] += mirrored
    spectrum[count - reach :] = 0
    spectrum[0] = 2 * spectrum[0].real
    return np.asarray(fft.inverse_real(np.append(spectrum, np.complex64(0)), 2 * count), np.float32)


def is_hiss(audio: np.ndarray, rate_hz: float, low_hz: float, high_hz: float) -> bool:
    """Tell whether what audio, float32 shape (n,), holds between two frequencies is steady noise and no more.

    Its samples, the power in cells of time and frequency, and the power in time must spread as those of noise do.
    What an emission with many carriers sounds like is not told from it.
    """
    count = len(audio)
    size = min(round(_WINDOW_S * rate_hz), count // _WINDOWS)
    if size < 8:
        return False
    spectrum, hz = fft.forward_real(audio), np.arange(count // 2 + 1) * (rate_hz / count)
    spectrum[(hz < max(low_hz, _LOWEST_HZ)) | (hz > high_hz)] = 0
    band = np.asarray(fft.inverse_real(spectrum, count), np.float64)
    power = np.mean(band**2)
    if power <= 0:
        return False
    rows = count // size
    looks = np.abs(np.fft.rfft(band[: rows * size].reshape(rows, size) * np.hanning(size))) ** 2
    hz = np.arange(looks.shape[1]) * (rate_hz / size)
    looks = looks[:, (hz >= max(low_hz, _LOWEST_HZ)) & (hz <= high_hz)]
    if looks.size < _LEAST_CELLS or not looks.mean(axis=0).all():
        return False
    kurtosis = np.mean(band**4) / power**2
    spread = np.mean((looks / looks.mean(axis=0)) ** 2) * (rows + 1) / rows
    total = looks.sum(axis=1)
    share = looks.mean(axis=0) / total.mean()
    unsteady = total.var() / total.mean() ** 2 / np.sum(share**2)
    return bool(
        _KURTOSIS[0] < kurtosis < _KURTOSIS[1] and _SPREAD[0] < spread < _SPREAD[1] and unsteady < _UNSTEADY
    )
