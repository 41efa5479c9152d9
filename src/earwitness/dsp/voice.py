"""Whether audio is speech: what every voice mode asks before it keeps an over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.audio import AUDIO_RATE_HZ
from earwitness.dsp.jit import kernel
from earwitness.dsp.noise_reduction import power_of, reduce_noise, windows
from earwitness.dsp.quantile import quantile

_SHAPES = 64  # frames of which the spectra are held at a time, in a near cache


@dataclass(frozen=True, slots=True)
class SpeechFacts:
    """What tells speech from data, tones and noise; figures of one stretch of 300 to 3000 Hz audio."""

    likelihood: float  # 0..1
    active_s: float  # time in 20 ms frames 6 dB over the stretch's quiet level
    envelope_db: float  # standard deviation of the 20 ms level
    syllabic: float  # share of the envelope's 1 to 16 Hz power that lies in 2 to 8 Hz
    kurtosis: float  # of the amplitude: 1.5 a tone, 3 noise, above that speech
    voiced: float  # share of active frames with a pitch of 70 to 350 Hz
    flux_db: float  # change of spectral shape between active frames three apart
    two_lines: float  # share of an active frame's power in its two strongest lines, median


def speech_facts(audio: np.ndarray) -> SpeechFacts:
    """Judge audio (n,) at 8 kHz, band-passed and with its high notes tilted down 6 dB an octave.

    Frames of 32 ms that stand 6 dB out of the quiet ones are judged: most must have a pitch (normalised
    autocorrelation over 0.6 at 70 to 350 Hz), the spectral shape must change, and more than two lines must
    carry it. Steady-level data has no such frames at all. Where noise hides the speech the judgement is
    repeated with the noise turned down, with stricter limits; then the amplitude before must also not
    be bunched as that of data and tones (kurtosis 1.5 to 2.5; noise 3, speech more). Limits were set between
    measured speech and measured data bursts (AFSK, FSK, GMSK, MSK, off air), tones and noise;
    benchmarks/bench_voice.py measures what it confuses.
    """
    plain = _facts(audio)
    likelihood = (
        _rising(plain.voiced, 0.42, 0.05)
        * _rising(plain.flux_db, 2.65, 0.12)
        * _rising(plain.active_s, 0.1, 0.02)
        * _rising(-plain.two_lines, -0.98, 0.006)
    )
    if likelihood < 0.5 and plain.kurtosis > 2.5:
        clean = _facts(reduce_noise(audio, floor_db=-20.0))
        under_noise = (
            _rising(clean.voiced, 0.58, 0.04)
            * _rising(clean.flux_db, 4.3, 0.2)
            * _rising(clean.active_s, 0.3, 0.03)
            * _rising(plain.kurtosis, 2.7, 0.05)
            * _rising(-plain.two_lines, -0.94, 0.006)
        )
        likelihood = max(likelihood, under_noise)
    return replace(plain, likelihood=likelihood)


def _rising(value: float, middle: float, width: float) -> float:
    return float(1 / (1 + np.exp(np.clip((middle - value) / width, -50, 50))))


def _facts(audio: np.ndarray) -> SpeechFacts:
    """Give the figures, without the likelihood."""
    if len(audio) < 256:
        audio = np.pad(audio, (0, 256 - len(audio)))
    size, hop = 256, 160
    frames = windows(np.ascontiguousarray(audio, np.float32), size, hop)
    level_db = 10 * np.log10(np.einsum("ij,ij->i", frames, frames) / size + 1e-12)
    loud_db = quantile(level_db, 0.95)
    level_db = np.maximum(level_db, loud_db - 40)
    quiet_db = quantile(level_db, 0.1)
    active = level_db > max(quiet_db + 6, loud_db - 25)
    envelope_db = float(np.std(level_db))
    spread = fft.forward(
        (level_db - level_db.mean()).astype(np.complex64) * np.hanning(len(level_db) + 2)[1:-1]
    )
    freq_hz = np.arange(len(level_db)) * (AUDIO_RATE_HZ / hop / len(level_db))
    power = np.abs(spread) ** 2
    span = power[(freq_hz >= 1) & (freq_hz < 16)].sum()
    syllabic = float(power[(freq_hz >= 2) & (freq_hz < 8)].sum() / span) if span > 0 else 0.0
    kurtosis = float(_kurtosis(np.ascontiguousarray(audio, np.float32)))
    voiced = flux_db = two_lines = 0.0
    if active.sum() >= 3:
        places = np.flatnonzero(active)
        parts = [_shapes(frames[places[at : at + _SHAPES]]) for at in range(0, len(places), _SHAPES)]
        lags, bands, lines = (np.concatenate(each) for each in zip(*parts, strict=True))
        voiced = float(np.mean(lags > 0.6))
        flux_db = float(np.mean(np.abs(bands[3:] - bands[:-3]))) if len(bands) > 3 else 0.0
        two_lines = float(np.median(lines))
    active_s = float(active.sum() * hop / AUDIO_RATE_HZ)
    return SpeechFacts(0.0, active_s, envelope_db, syllabic, kurtosis, voiced, flux_db, two_lines)


def _shapes(frames: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give how strong the pitch of frames (n, 256) is, their level in eleven bands, dB, and the share of two lines."""
    padded = np.zeros((len(frames), 512), np.float32)
    np.multiply(frames, _HANN, out=padded[:, :256])
    shape = power_of(fft.forward_real(padded))
    correlation = fft.inverse_real(shape.astype(np.complex64), 512)
    bands = np.empty((len(shape), 11), np.float32)
    lags = np.empty(len(shape), np.float32)
    _pitch_and_bands(shape, correlation, _WINDOW_LIFT, lags, bands)
    return lags, 10 * np.log10(bands), _two_lines(shape)


@kernel("void(float32[:, ::1], float32[:, ::1], float32[::1], float32[::1], float32[:, ::1])", fastmath=True)
def _pitch_and_bands(
    shape: np.ndarray, correlation: np.ndarray, lift: np.ndarray, lags: np.ndarray, bands: np.ndarray
) -> None:
    """Give the largest autocorrelation at lags of 23 and more, and the share of eleven bands of sixteen bins each."""
    for row in range(len(shape)):
        line = correlation[row]
        best = np.float32(0)
        for k in range(len(lift)):
            best = max(best, line[23 + k] * lift[k])
        lags[row] = best / (line[0] + np.float32(1e-20))
        whole = np.float32(1e-20)
        for band in range(bands.shape[1]):
            total = np.float32(0)
            some = shape[row, 16 + 16 * band : 32 + 16 * band]
            for k in range(16):
                total += some[k]
            bands[row, band] = total / np.float32(16)
            whole += bands[row, band] / np.float32(bands.shape[1])
        for band in range(bands.shape[1]):
            bands[row, band] = bands[row, band] / whole + np.float32(1e-3)


@kernel("float64(float32[::1])")
def _kurtosis(audio: np.ndarray) -> float:
    second = fourth = 0.0
    for value in audio:
        power = float(value) ** 2
        second += power
        fourth += power * power
    second /= len(audio)
    return fourth / len(audio) / (second + 1e-20) ** 2


@kernel("int64(float32[::1], int64, int64)", fastmath=True)
def _largest(line: np.ndarray, begin: int, end: int) -> int:
    """Give the first place of the largest value in [begin, end), or -1: the value first, in whole vectors."""
    if begin >= end:
        return -1
    most = line[begin]
    for i in range(begin, end):
        most = max(most, line[i])
    for i in range(begin, end):
        if line[i] == most:
            return i
    return begin


@kernel("float64[::1](float32[:, ::1])", fastmath=True)
def _two_lines(power: np.ndarray) -> np.ndarray:
    """Give the share of each spectrum (rows, bins of 15.6 Hz, Hann) that lies in its two strongest lines."""
    rows, bins = power.shape
    out = np.empty(rows)
    for row in range(rows):
        line = power[row]
        total = np.float32(1e-20)
        for i in range(bins):
            total += line[i]
        first = _largest(line, 0, bins)
        before, after = max(first - 5, 0), min(first + 6, bins)
        second = _largest(line, 0, before)
        other = _largest(line, after, bins)
        if second < 0 or (other >= 0 and line[other] > line[second]):
            second = other
        taken = np.float32(0)
        for i in range(before, after):
            taken += line[i]
        for i in range(max(second - 5, 0), min(second + 6, bins)):
            taken += np.float32(0) if before <= i < after else line[i]
        out[row] = taken / total
    return out


def _fade() -> np.ndarray:
    window = np.hanning(256)
    own = np.correlate(window, window, "full")[255:]
    return np.maximum(own[23:115] / own[0], 0.2).astype(np.float32)


_WINDOW_LIFT = (
    1 / _fade()
)  # makes good what the window takes from the autocorrelation at lags of 23 to 114 samples
_HANN = np.hanning(256).astype(np.float32)
