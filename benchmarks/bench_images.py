"""Charts and slow-scan pictures in figures: fidelity against SNR, how often they are found, false ones, speed.

Run `python benchmarks/bench_images.py [part ...]`; parts: wefax sstv false speed. SNR is in 3 kHz for single
sideband, in 16 kHz for FM. The limit for noise in a pixel is that of a discriminator above its threshold:
frequency noise of density f^2 N0/C, through the same filter, smoothing and pixel averaging as ours, held to
black and white. The project's own
transmitters send (no independent recording of these modes is at hand); "finds" counts pictures given of five.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator

import numpy as np

from earwitness.core.mode import get_mode, registry
from earwitness.core.types import Picture, Samples
from earwitness.dsp.filters import lowpass
from earwitness.dsp.speech import speech_like

RUNS = 5


def noisy(iq: np.ndarray, rate_hz: float, snr_db: float, width_hz: float, seed: int) -> np.ndarray:
    """Add noise for an SNR in width_hz, with 1 s of noise before and after."""
    rng = np.random.default_rng(seed)
    pad = np.zeros(round(rate_hz), np.complex64)
    iq = np.concatenate([pad, iq, pad])
    scale = np.sqrt(0.5 * rate_hz / width_hz * 10 ** (-snr_db / 10))
    noise = rng.standard_normal(len(iq), np.float32) + 1j * rng.standard_normal(len(iq), np.float32)
    return (0.05 * (iq + scale * noise)).astype(np.complex64)


def run(name: str, data: np.ndarray, rate_hz: float) -> list[Picture]:
    """Give the pictures of one mode on one channel, renderings left out."""
    demod = get_mode(name).demodulator()
    found: list[Picture] = []
    step = round(10 * rate_hz)
    for at in range(0, len(data), step):
        found += demod.feed(Samples(data[at : at + step], rate_hz, 8e6, at, 0))
    found += demod.close()
    return [one for one in found if "rendering" not in one.extra]


def compare(sent: np.ndarray, got: np.ndarray) -> tuple[float, float]:
    """Give (correlation, PSNR in dB) at the best shift of up to three rows and any number of columns."""
    best = (0.0, 0.0)
    if sent.shape[1] != got.shape[1]:
        return best
    for down in range(-3, 4):
        a = sent[max(-down, 0) :].astype(float)
        b = got[max(down, 0) :].astype(float)
        rows = min(len(a), len(b))
        a, b = a[:rows], b[:rows]
        spectra = [np.fft.fft(each - each.mean(), axis=1) for each in (a, b)]
        overlap = np.fft.ifft(
            (spectra[1] * spectra[0].conj()).reshape(rows, a.shape[1], -1).sum(axis=(0, 2))
        ).real
        a = np.roll(a, int(overlap.argmax()), axis=1)
        alike = float(np.corrcoef(a.ravel(), b.ravel())[0, 1])
        if alike > best[0]:
            best = alike, float(10 * np.log10(255**2 / np.mean((a - b) ** 2)))
    return best


def limit_psnr_db(quiet: np.ndarray, cn0_db: float, pixel_hz: float, half_hz: float, fall_hz: float) -> float:
    """Give the PSNR that noise leaves above threshold, black to white being 800 Hz, held to black and white.

    `half_hz` and `fall_hz` are the filter's before the discriminator.
    """
    f = np.arange(1.0, 4_000.0)
    taps = lowpass(half_hz, fall_hz, 8_000.0, stop_db=50.0)
    before = np.abs(np.exp(-2j * np.pi * np.outer(f, np.arange(len(taps))) / 8_000.0) @ taps) ** 2
    shape = before * np.cos(np.pi * f / 8_000.0) ** 4 * np.sinc(f / 8_000.0) ** 2 * np.sinc(f / pixel_hz) ** 2
    deviation = np.sqrt(10 ** (-cn0_db / 10) * float(np.sum(f**2 * shape))) * 255 / 800
    noise = np.random.default_rng(0).standard_normal(quiet.shape) * deviation
    error = np.clip(quiet + noise, 0, 255) - quiet
    return float(10 * np.log10(255**2 / np.mean(error**2)))


def fidelity(
    name: str,
    item: dict,
    rate_hz: float,
    width_hz: float,
    levels: range,
    pixel: tuple[float, float, float] | None,
) -> None:
    """Print found, correlation and PSNR, all and of noise alone, at each SNR."""
    synth = get_mode(name).part("synth")
    clean = synth.transmit(item, rate_hz)
    sent = synth.pictures(item)[0]
    [quiet] = run(name, noisy(clean, rate_hz, 60.0, width_hz, 0), rate_hz)
    print(f"-- {name} {item}; without noise: correlation {compare(sent, quiet.pixels)[0]:.3f}")
    for snr_db in levels:
        figures = []
        for seed in range(RUNS):
            found = run(name, noisy(clean, rate_hz, snr_db, width_hz, seed), rate_hz)
            if found:
                one = max(found, key=lambda each: each.pixels.size)
                figures.append(
                    (*compare(sent, one.pixels), compare(quiet.pixels, one.pixels)[1], one.extra["slant_ppm"])
                )
        line = f"{snr_db:4d} dB  finds {len(figures)}/{RUNS}"
        if figures:
            alike, psnr, noise, _ = np.mean(figures, axis=0)
            slant = np.abs(np.array(figures)[:, 3] - item.get("clock_ppm", 0)).max()
            line += f"  correlation {alike:.3f}  PSNR {psnr:5.1f} dB  slant off by up to {slant:4.1f} ppm"
            if pixel:
                limit = limit_psnr_db(quiet.pixels, snr_db + 10 * np.log10(width_hz), *pixel)
                line += f"  noise alone {noise:5.1f} dB, limit {limit:5.1f}, short of it {limit - noise:4.1f}"
        print(line, flush=True)


def wefax() -> None:
    """Fidelity of charts."""
    item = {"lines": 160, "seed": 5, "phasing_s": 15, "clock_ppm": 40}
    fidelity("wefax", item, 8_400.0, 3_000.0, range(0, 22, 3), (3_619.1, 1_150.0, 500.0))
    fidelity(
        "wefax",
        item | {"phasing_s": 0, "start_s": 0, "photo": True},
        8_400.0,
        3_000.0,
        range(0, 22, 3),
        (3_619.1, 1_150.0, 500.0),
    )


def sstv() -> None:
    """Fidelity of slow-scan pictures; three colours at 320 pixels a line."""
    pixel = (320 / 0.146432, 850.0, 450.0)
    fidelity(
        "sstv",
        {"format": "Martin 1", "lines": 80, "clock_ppm": 25},
        24_600.0,
        3_000.0,
        range(0, 22, 3),
        pixel,
    )
    item = {"format": "Martin 1", "lines": 80, "clock_ppm": 25, "vis": False}
    fidelity("sstv", item, 24_600.0, 3_000.0, range(0, 22, 3), pixel)
    item = {"format": "Robot 36", "lines": 200, "via": "fm"}
    fidelity("sstv", item, 24_600.0, 16_000.0, range(3, 19, 3), None)


def hostile(rate_hz: float, seconds: float) -> Iterator[tuple[str, np.ndarray]]:
    """Give signals that are no picture, each `seconds` long, at 20 dB unless noise."""
    rng = np.random.default_rng(4)
    count = round(seconds * rate_hz)
    noise = (rng.standard_normal(count) + 1j * rng.standard_normal(count)).astype(np.complex64)
    yield "noise", 0.02 * noise
    yield "noise as audio", 0.02 * noise.real
    audio = speech_like(seconds, 8_000.0, 3)
    yield (
        "speech as audio",
        np.interp(np.arange(count) / rate_hz, np.arange(len(audio)) / 8_000.0, audio).astype(np.float32),
    )
    for mode in registry().values():
        if mode.wideband or mode.name in ("wefax", "sstv"):
            continue
        synth = mode.part("synth")
        parts = [np.zeros(round(0.3 * rate_hz))]
        while sum(len(part) for part in parts) < count:
            for item in synth.examples():
                times = max(1, int(np.ceil(mode.rate_hz / rate_hz)))
                wave = synth.transmit(item, times * rate_hz)
                parts += [wave[::times], np.zeros(int(rng.integers(0, round(0.5 * rate_hz))))]
        joined = np.concatenate(parts)[:count] * np.exp(0.3j)
        yield mode.name, (0.1 * (joined + 0.1 * noise)).astype(np.complex64)
    time_s = np.arange(count) / rate_hz
    for baud in (45.45, 50, 75, 100, 300, 600, 1200):
        for what in ("data", "idle"):
            bits = (
                rng.integers(0, 2, int(seconds * baud) + 2)
                if what == "data"
                else np.arange(int(seconds * baud) + 2) & 1
            )
            hz = (bits[(time_s * baud).astype(int)] - 0.5) * 400.0
            yield (
                f"keying {baud} Bd, {what}",
                (0.1 * (np.exp(2j * np.pi * np.cumsum(hz) / rate_hz) + 0.1 * noise)).astype(np.complex64),
            )
    for tone_hz in (300.0, 450.0, 675.0):
        hz = 400 * np.sign(np.sin(2 * np.pi * tone_hz * time_s))
        yield (
            f"start or stop tone {tone_hz:.0f} Hz",
            np.exp(2j * np.pi * np.cumsum(hz) / rate_hz).astype(np.complex64),
        )
    ticks = ((time_s % 1.0) < 0.1) + 0.1
    yield "time ticks", (ticks * np.exp(2j * np.pi * 440 * time_s) + 0.05 * noise).astype(np.complex64)


def false() -> None:
    """Pictures given in ten minutes of what is none."""
    for name in ("wefax", "sstv"):
        rate_hz = get_mode(name).rate_hz * 1.05
        total = seconds = 0
        for what, data in hostile(rate_hz, 600.0):
            found = run(name, data, rate_hz)
            total, seconds = total + len(found), seconds + 600
            if found:
                print(f"{name}: {len(found)} false in {what}: {dict(found[0].extra)}", flush=True)
        print(f"{name}: {total} false pictures in {seconds / 60:.0f} minutes of other signals; limit 0")


def speed() -> None:
    """Times real time on one core, of a channel with a picture and one without."""
    for name, rate_hz, item in (
        ("wefax", 8_400.0, {"lines": 400}),
        ("sstv", 24_600.0, {"format": "Martin 1", "lines": 200}),
    ):
        with_picture = noisy(get_mode(name).part("synth").transmit(item, rate_hz), rate_hz, 15.0, 3_000.0, 1)
        without = noisy(np.zeros(len(with_picture), np.complex64), rate_hz, 0.0, 3_000.0, 1)
        audio = speech_like(len(without) / rate_hz + 1, 8_000.0, 3)
        audio = np.interp(np.arange(len(without)) / rate_hz, np.arange(len(audio)) / 8_000.0, audio)
        voice = np.exp(2j * np.pi * 2_500.0 / rate_hz * np.cumsum(audio)) + 2 * without
        for what, data, limit in (
            ("picture", with_picture, 20),
            ("noise", without, 300),
            ("FM voice", voice.astype(np.complex64), 300),
        ):
            run(name, data[: round(20 * rate_hz)], rate_hz)
            begin = time.process_time()
            run(name, data, rate_hz)
            times = len(data) / rate_hz / (time.process_time() - begin)
            print(f"{name:6s} {what:8s} {times:6.0f} x real time  limit {limit}  ratio {times / limit:.1f}")


PARTS: dict[str, Callable[[], None]] = {"wefax": wefax, "sstv": sstv, "false": false, "speed": speed}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
