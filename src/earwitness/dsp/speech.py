"""A talker of no one's voice: glottal harmonics through moving formants, for scenes and tests.

Source and filter: voiced sound is a sum of harmonics of a gliding pitch, falling about 4 dB per octave
(glottis and lips together) and weighted by a cascade of formant resonances; consonants are shaped
noise. Built at about 16 kHz, then brought to the asked rate by one FFT.
"""

from __future__ import annotations

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.dsp import fft

# Average formants of men's vowels in Hz (Peterson and Barney 1952, table II; from memory).
_VOWELS = np.array(
    [
        (270, 2290, 3010),
        (390, 1990, 2550),
        (530, 1840, 2480),
        (660, 1720, 2410),
        (730, 1090, 2440),
        (570, 840, 2410),
        (440, 1020, 2240),
        (300, 870, 2240),
        (640, 1190, 2390),
        (490, 1350, 1690),
    ],
    float,
)
_WIDTHS_HZ = (60.0, 90.0, 140.0)  # formant bandwidths, common practice
_BUILD_HZ = 16_000
_TRACK_HZ = 200  # articulators move slowly: one set of targets each 5 ms
_TOP_HZ = 5_000.0


def _articulate(count: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Give the tracks of pitch, voicing, noise and formants, `count` points at _TRACK_HZ."""
    pitch_hz = np.full(count, 110.0)
    voiced = np.zeros(count)
    noise = np.zeros(count)
    noise_hz = np.full(count, 2500.0)
    formants = np.tile(_VOWELS[8], (count, 1))
    base_hz = rng.uniform(95, 150)
    at = int(rng.uniform(0.02, 0.12) * _TRACK_HZ)
    while at < count:
        syllables = int(rng.integers(4, 12))
        for step in range(syllables):
            consonant = int(rng.uniform(0.03, 0.09) * _TRACK_HZ)
            vowel = int(rng.uniform(0.08, 0.2) * _TRACK_HZ)
            shape = _VOWELS[rng.integers(len(_VOWELS))] * rng.uniform(0.93, 1.08)
            sound = rng.random()
            span = slice(at, at + consonant)
            if sound < 0.4:  # fricative
                noise[span] = rng.uniform(0.15, 0.5)
                noise_hz[span] = rng.uniform(2000, 4500)
            elif sound < 0.65:  # stop: silence, then a burst
                noise[at + consonant - 2 : at + consonant] = rng.uniform(0.3, 0.8)
                noise_hz[span] = rng.uniform(1200, 3500)
            else:  # nasal or glide
                voiced[span] = rng.uniform(0.2, 0.5)
            at += consonant
            voiced[at : at + vowel] = rng.uniform(0.6, 1.0)
            formants[at - consonant : at + vowel] = shape
            fall = 1.12 - 0.24 * step / syllables
            pitch_hz[at - consonant : at + vowel] = base_hz * fall * rng.uniform(0.93, 1.08)
            at += vowel
        at += int(rng.uniform(0.2, 0.6) * _TRACK_HZ)

    def glide(track: np.ndarray, seconds: float) -> np.ndarray:
        window = np.hanning(int(seconds * _TRACK_HZ) + 2)[1:-1]
        edge = len(window)
        padded = np.pad(track, edge, mode="edge")
        return np.convolve(padded, window / window.sum(), "same")[edge:-edge]

    return {
        "pitch_hz": glide(pitch_hz, 0.12),
        "voiced": glide(voiced, 0.03),
        "noise": glide(noise, 0.015),
        "noise_hz": glide(noise_hz, 0.03),
        "formants": np.stack([glide(formants[:, n], 0.06) for n in range(3)], axis=1),
    }


def _resonance(freq_hz: np.ndarray, formants: np.ndarray) -> np.ndarray:
    """Give the magnitude of the formant cascade at freq_hz for each row of formants."""
    gain = np.ones(np.broadcast_shapes(freq_hz.shape, formants.shape[:1]))
    for n, width_hz in enumerate(_WIDTHS_HZ):
        centre = formants[:, n]
        gain *= centre**2 / np.hypot(centre**2 - freq_hz**2, freq_hz * width_hz)
    return gain


def speech_like(duration_s: float, rate_hz: float, seed: int) -> np.ndarray:
    """Give speech-like audio with phrases and pauses, float32 shape (round(duration_s * rate_hz),).

    Peak magnitude 1.0, about 15 to 18 dB over its mean power, nothing above 5 kHz; the same seed and
    duration say the same at every rate. ParameterError for a rate or duration that is not positive.
    """
    if not (duration_s > 0 and rate_hz > 0 and np.isfinite(duration_s) and np.isfinite(rate_hz)):
        raise ParameterError(f"speech of {duration_s} s at {rate_hz} Hz: both must be above zero")
    rng = np.random.default_rng(seed)
    count = fft.good_size(max(int(np.ceil(duration_s * _BUILD_HZ)), 64))
    build_hz = count / duration_s
    time_s = np.arange(count) / build_hz
    points_s = np.arange(int(duration_s * _TRACK_HZ) + 2) / _TRACK_HZ
    tracks = _articulate(len(points_s), rng)

    def at_rate(track: np.ndarray) -> np.ndarray:
        return np.interp(time_s, points_s, track)

    pitch_hz = at_rate(tracks["pitch_hz"]) * (1 + 0.01 * np.sin(2 * np.pi * 4.7 * time_s))
    turn = np.exp(2j * np.pi * np.cumsum(pitch_hz) / build_hz)
    voice = np.zeros(count)
    phasor = np.ones(count, complex)
    for harmonic in range(1, int(_TOP_HZ / 80) + 1):
        phasor *= turn
        freq_hz = harmonic * tracks["pitch_hz"]
        level = _resonance(freq_hz, tracks["formants"]) * tracks["voiced"] / harmonic**0.7
        level[freq_hz > _TOP_HZ - 200] = 0.0
        if not level.any():
            break
        voice += at_rate(level) * phasor.imag

    spectrum = fft.forward(rng.standard_normal(count).astype(np.complex64))
    freq_hz = np.abs((np.arange(count) + count // 2) % count - count // 2) * build_hz / count
    for centre_hz in (1500.0, 3000.0, 4200.0):  # three fixed bands, faded between as the tongue moves
        band = fft.inverse(
            spectrum * np.exp(-(((freq_hz - centre_hz) / 600) ** 2)) * (freq_hz < _TOP_HZ)
        ).real
        near = np.exp(-(((tracks["noise_hz"] - centre_hz) / 900) ** 2))
        voice += at_rate(near * tracks["noise"]) * band / (band.std() + 1e-12) * 0.8

    wanted = max(round(duration_s * rate_hz), 1)
    spectrum = fft.forward(voice.astype(np.complex64))
    keep = min(count, wanted) // 2
    out = np.zeros(wanted, np.complex64)
    out[:keep] = spectrum[:keep]
    if keep > 1:
        out[-(keep - 1) :] = spectrum[-(keep - 1) :]
    audio = fft.inverse(out).real.astype(np.float32)
    peak = float(np.max(np.abs(audio)))
    return audio / np.float32(peak) if peak > 0 else audio
