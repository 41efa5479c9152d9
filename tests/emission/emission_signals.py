"""Signals of every class from their textbook definitions, and channels as a detector would hand them over.

Independent of the program's own transmitters: what is measured and identified here was made here.
"""

from __future__ import annotations

import numpy as np

from earwitness.core.types import Detection, Samples
from earwitness.dsp.speech import speech_like

PRE_S = 0.04


def shifted(iq, hz, rate):
    return iq * np.exp(2j * np.pi * hz / rate * np.arange(len(iq)))


def frequency_modulated(track_hz, rate):
    return np.exp(2j * np.pi * np.cumsum(track_hz) / rate)


def held(symbols, sps):
    count = int(len(symbols) * sps)
    return symbols[np.minimum((np.arange(count) / sps).astype(int), len(symbols) - 1)]


def shaped(symbols, sps, pulse):
    """Sum of pulses at k * sps for integer sps."""
    out = np.zeros(len(symbols) * sps, complex if np.iscomplexobj(symbols) else float)
    out[::sps] = symbols
    return np.convolve(out, pulse, "same")


def rrc(alpha, sps, span=8):
    """Root raised cosine by the inverse transform of its frequency response."""
    n = 2 * span * sps + 1
    t = (np.arange(n) - n // 2) / sps
    f = np.linspace(-(1 + alpha) / 2, (1 + alpha) / 2, 2001)
    edge = np.clip((np.abs(f) - (1 - alpha) / 2) / alpha, 0, 1)
    h = np.cos(np.pi / 2 * edge)
    pulse = (h[None, :] * np.cos(2 * np.pi * t[:, None] * f[None, :])).sum(axis=1)
    return pulse / np.sqrt((pulse**2).sum())


def gaussian_track(bits, sps, bt):
    t = (np.arange(-3 * sps, 3 * sps + 1)) / sps
    pulse = np.exp(-2 * (np.pi * bt * t) ** 2 / np.log(2))
    square = np.convolve(np.repeat(bits, sps), pulse / pulse.sum(), "same")
    return square


def audio(seconds, rate, rng, low=300.0, high=3000.0):
    wave = np.asarray(speech_like(seconds, rate, seed=int(rng.integers(1 << 31))), float)
    spectrum = np.fft.rfft(wave)
    f = np.fft.rfftfreq(len(wave), 1 / rate)
    spectrum[(f < low) | (f > high)] = 0
    wave = np.fft.irfft(spectrum, len(wave))
    return wave / (np.quantile(np.abs(wave), 0.995) + 1e-9)


def analytic(wave):
    spectrum = np.fft.fft(wave)
    spectrum[len(wave) // 2 :] = 0
    return np.fft.ifft(spectrum) * 2


def carrier(rng, seconds):
    rate = 12_000
    return np.ones(int(seconds * rate), complex), rate


def cw(rng, seconds, wpm=None):
    """Morse of random letters, dot = 1.2 s / wpm (PARIS convention), 5 ms raised-cosine edges."""
    rate = 12_000
    dot = 1.2 / (wpm or rng.uniform(14, 28))
    code = {
        "A": ".-",
        "K": "-.-",
        "R": ".-.",
        "S": "...",
        "O": "---",
        "E": ".",
        "N": "-.",
        "D": "-..",
        "5": ".....",
    }
    key = []
    while len(key) * dot < seconds + 1:
        for mark in code[rng.choice(list(code))]:
            key += [1] * (1 if mark == "." else 3) + [0]
        key += [0, 0]
    wave = held(np.array(key, float), dot * rate)[: int(max(seconds, 2.5) * rate)]
    ramp = np.hanning(int(0.005 * rate) + 2)
    return np.convolve(wave, ramp / ramp.sum(), "same") + 0j, rate


def am(rng, seconds):
    rate = 24_000
    return 1 + 0.8 * np.clip(audio(seconds, rate, rng), -1, 1) + 0j, rate


def am_data(rng, seconds):
    """2400 bit/s MSK on 1200/2400 Hz tones on an AM carrier (ARINC 618 style)."""
    rate = 24_000
    bits = rng.integers(0, 2, int(seconds * 2400))
    tones = np.where(np.repeat(bits, 10) > 0, 2400, 1200)
    return 1 + 0.85 * np.cos(2 * np.pi * np.cumsum(tones) / rate) + 0j, rate


def usb(rng, seconds):
    rate = 12_000
    return analytic(audio(seconds, rate, rng)), rate


def lsb(rng, seconds):
    iq, rate = usb(rng, seconds)
    return np.conj(iq), rate


def nfm(rng, seconds):
    rate = 48_000
    return frequency_modulated(
        rng.choice([2500, 4500]) * np.clip(audio(seconds, rate, rng), -1, 1), rate
    ), rate


def fm_afsk(rng, seconds):
    """1200 Bd, 1200/2200 Hz tones on FM with 3 kHz peak deviation."""
    rate = 48_000
    bits = rng.integers(0, 2, int(seconds * 1200))
    tones = np.where(np.repeat(bits, 40) > 0, 1200, 2200)
    return frequency_modulated(3000 * np.sin(2 * np.pi * np.cumsum(tones) / rate), rate), rate


def fm_ffsk(rng, seconds):
    """1200 Bd fast FSK, 1200/1800 Hz, on FM with 2.5 kHz deviation."""
    rate = 48_000
    bits = rng.integers(0, 2, int(seconds * 1200))
    tones = np.where(np.repeat(bits, 40) > 0, 1200, 1800)
    return frequency_modulated(2500 * np.sin(2 * np.pi * np.cumsum(tones) / rate), rate), rate


def wfm(rng, seconds):
    """Broadcast FM: sum signal, 19 kHz pilot at 7.5 kHz, 75 kHz peak (ITU-R BS.450)."""
    rate = 600_000
    seconds = min(seconds, 0.2)
    n = int(seconds * rate)
    t = np.arange(n) / rate
    left = np.interp(
        t * 48_000,
        np.arange(int(seconds * 48_000) + 1),
        audio(seconds + 1e-4, 48_000, rng, 50, 12_000)[: int(seconds * 48_000) + 1],
    )
    pilot = np.sin(2 * np.pi * 19_000 * t)
    return frequency_modulated(
        60_000 * left + 7_500 * pilot + 15_000 * left * np.sin(4 * np.pi * 19_000 * t), rate
    ), rate


def fsk(rng, seconds, baud, deviation, rate):
    bits = 2.0 * rng.integers(0, 2, int(seconds * baud) + 1) - 1
    return frequency_modulated(deviation * held(bits, rate / baud), rate), rate


def navtex(rng, seconds):
    return fsk(rng, max(seconds, 1.5), 100, 85, 12_000)


def pocsag(rng, seconds):
    return fsk(rng, max(seconds, 0.3), rng.choice([512, 1200, 2400]), 4500, 48_000)


def gmsk(rng, seconds):
    bits = 2.0 * rng.integers(0, 2, int(seconds * 9600)) - 1
    return frequency_modulated(2400 * gaussian_track(bits, 5, 0.4), 48_000), 48_000


def gfsk(rng, seconds):
    bits = 2.0 * rng.integers(0, 2, int(seconds * 9600)) - 1
    return frequency_modulated(3000 * gaussian_track(bits, 10, 0.5), 96_000), 96_000


def c4fm(rng, seconds):
    """4800 Bd, +-600/+-1800 Hz: raised cosine 0.2 and inverse sinc ahead of the modulator (TIA-102.BAAA)."""
    rate, sps = 48_000, 10
    symbols = rng.choice([-3.0, -1, 1, 3], int(seconds * 4800))
    n = len(symbols) * sps
    train = np.zeros(n)
    train[::sps] = symbols * sps
    f = np.abs(np.fft.fftfreq(n, 1 / rate))
    h = np.where(f < 1920, 1.0, np.where(f < 2880, 0.5 + 0.5 * np.cos(2 * np.pi * f / 1920), 0.0))
    p = 1 / np.sinc(np.minimum(f, 2880) / 4800)
    return frequency_modulated(600 * np.fft.ifft(np.fft.fft(train) * h * p).real, rate), rate


def dmr(rng, seconds):
    """4800 Bd, +-648/+-1944 Hz, root raised cosine 0.2 (ETSI TS 102 361-1)."""
    symbols = rng.choice([-3.0, -1, 1, 3], int(seconds * 4800))
    pulse = rrc(0.2, 10)
    return frequency_modulated(648 * shaped(symbols, 10, pulse / pulse.max() * 1.0), 48_000), 48_000


def psk(rng, seconds, baud, order, alpha, turn=0.0, sps=6):
    count = int(seconds * baud)
    phase = 2 * np.pi / order * rng.integers(0, order, count) + turn * np.arange(count)
    return shaped(np.exp(1j * phase), sps, rrc(alpha, sps)), baud * sps


def bpsk(rng, seconds):
    return psk(rng, max(seconds, 0.3), 1200, 2, 0.5)


def qpsk(rng, seconds):
    return psk(rng, seconds, 9600, 4, 0.35)


def pi4qpsk(rng, seconds):
    return psk(rng, seconds, 18_000, 4, 0.35, np.pi / 4)


def d8psk(rng, seconds):
    return psk(rng, max(seconds, 0.1), 10_500, 8, 0.6)


def ppm(rng, seconds):
    """Mode S reply: 8 us preamble, 112 bits of 1 us, half-microsecond pulses."""
    rate = 20_000_000
    chips = np.zeros(240)
    chips[[0, 2, 7, 9]] = 1
    bits = rng.integers(0, 2, 112)
    chips[16::2] = bits
    chips[17::2] = 1 - bits
    wave = np.repeat(chips, 10)
    return np.convolve(wave, np.ones(3) / 3, "same") + 0j, rate


def ook(rng, seconds):
    rate = 48_000
    bits = rng.integers(0, 2, int(max(seconds, 0.1) * 2000)).astype(float)
    wave = np.convolve(np.repeat(bits, 24), np.ones(6) / 6, "same")
    return wave + 0j, rate


def ofdm(rng, seconds):
    rate, size, prefix, used = 96_000, 256, 64, 100
    parts = []
    for _ in range(int(seconds * rate / (size + prefix))):
        grid = np.zeros(size, complex)
        grid[np.r_[1 : used // 2 + 1, -used // 2 : 0]] = np.exp(1j * np.pi / 2 * rng.integers(0, 4, used))
        part = np.fft.ifft(grid)
        parts += [part[-prefix:], part]
    return np.concatenate(parts), rate


def noise(rng, seconds):
    """Complex Gaussian noise, 12 kHz wide."""
    rate = 48_000
    n = int(seconds * rate)
    spectrum = np.fft.fft(rng.standard_normal(n) + 1j * rng.standard_normal(n))
    spectrum[np.abs(np.fft.fftfreq(n, 1 / rate)) > 6000] = 0
    return np.fft.ifft(spectrum), rate


def sweep(rng, seconds):
    """20 kHz swept 50 times a second, as by a radar that sends all the time (textbook)."""
    rate = 96_000
    t = np.arange(int(seconds * rate)) / rate
    return frequency_modulated(20_000 * ((50 * t + rng.uniform()) % 1 - 0.5), rate), rate


def spread(rng, seconds):
    """Chirps over 125 kHz begun at one of 512 places, 4.1 ms each, after eight that begin at the lower end."""
    rate, length = 500_000, 2048
    values = np.concatenate([np.zeros(8), rng.integers(0, 512, max(int(seconds * rate / length) - 8, 8))])
    place = (np.arange(length)[None, :] / length + values[:, None] / 512) % 1
    return frequency_modulated((place.ravel() - 0.5) * 125_000, rate), rate


# name: (generator, class, variants that are right (None: not asked), default length in s)
SIGNALS = {
    "carrier": (carrier, "carrier", None, 1.0),
    "cw": (cw, "cw", None, 3.0),
    "am": (am, "am", None, 1.5),
    "am-data": (am_data, "am", None, 0.2),
    "usb": (usb, "ssb", "usb", 2.5),
    "lsb": (lsb, "ssb", "lsb", 2.5),
    "nfm": (nfm, "fm", "nfm", 1.0),
    "fm-afsk": (fm_afsk, "fm", "nfm", 0.4),
    "fm-ffsk": (fm_ffsk, "fm", "nfm", 0.15),
    "wfm": (wfm, "fm", "wfm", 0.2),
    "navtex": (navtex, "fsk2", None, 3.0),
    "pocsag": (pocsag, "fsk2", None, 1.0),
    "gmsk": (gmsk, "fsk2", "gmsk", 0.026),
    "gfsk": (gfsk, "fsk2", None, 0.1),
    "c4fm": (c4fm, "fsk4", None, 0.2),
    "dmr": (dmr, "fsk4", None, 0.0275),
    "bpsk": (bpsk, "psk", "bpsk", 1.0),
    "qpsk": (qpsk, "psk", "qpsk", 0.1),
    "pi4-qpsk": (pi4qpsk, "psk", "pi4-qpsk", 0.1),
    "8psk": (d8psk, "psk", "8psk", 0.2),
    "ppm": (ppm, "ook", "ppm", 120e-6),
    "ook": (ook, "ook", None, 0.15),
    "ofdm": (ofdm, "noise-like", "ofdm", 0.2),
    "noise": (noise, "noise-like", None, 0.3),
    "sweep": (sweep, "chirp", "sweep", 0.5),
    "spread": (spread, "chirp", "spread", 0.2),
}


def occupied(iq, rate):
    """Lower and upper edge of the 99 % band of a clean signal, by its periodogram."""
    power = np.abs(np.fft.fftshift(np.fft.fft(iq))) ** 2
    f = (np.arange(len(iq)) - len(iq) // 2) * rate / len(iq)
    run = np.cumsum(power) / power.sum()
    return float(f[np.searchsorted(run, 0.005)]), float(f[min(np.searchsorted(run, 0.995), len(f) - 1)])


def channel(
    iq, rate, snr_db, rng, *, offset=0.1, edges=0.1, pre_s=PRE_S, ratio=3.0, neighbour_db=None, bits=None
):
    """Wrap a clean burst as the program would cut it: (Samples, Detection, span rate, occupied band, truth offset).

    `snr_db` is mean burst power over noise in the 99 % bandwidth. `offset` and `edges` are the greatest
    relative errors of the detector's centre and edges; `neighbour_db` adds a carrier beside the band.
    """
    iq = np.asarray(iq, complex) / np.sqrt(np.mean(np.abs(iq) ** 2))
    low, high = occupied(iq, rate)
    width = high - low
    out_rate = ratio * max(width, 3000.0)
    pre_s = min(pre_s, 40 * len(iq) / rate)
    pad = round(pre_s * rate)
    n = len(iq) + 2 * pad
    # Resample in one piece by cutting or widening the spectrum, centred where the detector says.
    error = offset * width * rng.uniform(-1, 1)
    centre = (low + high) / 2 + error
    spectrum = np.fft.fft(np.concatenate([np.zeros(pad), iq, np.zeros(pad)]))
    step = rate / n
    take = int(out_rate / step) // 2 * 2
    where = np.arange(-take // 2, take // 2) + round(centre / step)
    picked = np.where(np.abs(where) < n // 2, spectrum[where % n], 0)
    clean = np.fft.ifft(np.fft.ifftshift(picked)) * take / n
    out_rate = take * step
    density = 10 ** (-snr_db / 10) / max(width, 50.0)
    level = np.sqrt(density * out_rate / 2)
    noisy = clean + level * (rng.standard_normal(take) + 1j * rng.standard_normal(take))
    if neighbour_db is not None:
        place = width * 1.1 + 300
        if place < 0.49 * out_rate:
            noisy += 10 ** (neighbour_db / 20) * np.exp(2j * np.pi * place / out_rate * np.arange(take))
    noisy *= 0.05
    density *= 0.05**2
    if bits:
        scale = 2 ** (bits - 1) - 0.5
        noisy = (
            np.round(noisy.real * scale - 0.5) + 0.5 + 1j * (np.round(noisy.imag * scale - 0.5) + 0.5)
        ) / scale
    base = 100e6
    noise_db = 10 * np.log10(density)
    samples = Samples(
        noisy.astype(np.complex64), out_rate, base + round(centre / step) * step, 0, 0, noise_db
    )
    det_low = base + low + edges * width * rng.uniform(-1, 1) + error * 0.5
    det_high = base + high + edges * width * rng.uniform(-1, 1) + error * 0.5
    detection = Detection(
        1, pad, pad + len(iq), det_low, det_high, (det_low + det_high) / 2, -26.0, noise_db, snr_db, False
    )
    return samples, detection, rate, (base + low, base + high), base
