"""Voice and Morse in figures: squelch, speech judge, noise reduction, tones and codes, Morse error rate.

Run `python benchmarks/bench_voice.py [part ...]`; parts: reduce ctcss dcs false overs morse speed.
Speech is the project's own speech-like source (no real voice ships); SNR is in 16 kHz for FM (5 kHz
deviation), in 100 Hz for Morse, over the mean power of the transmission.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from earwitness.coding.golay import DCS_CODES, dcs_word
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.dsp.aligned import Resampler
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, de_emphasise
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.noise_reduction import reduce_noise
from earwitness.dsp.speech import speech_like
from earwitness.dsp.tones import CTCSS_HZ, find_ctcss, find_dcs, sub_audible

RATE_HZ = 25_000.0
WORDS = {code: dcs_word(code) for code in DCS_CODES}


def noisy(
    iq: np.ndarray, rate_hz: float, snr_db: float, width_hz: float, rng: np.random.Generator
) -> np.ndarray:
    """Add noise for an SNR over the mean power in width_hz, with 0.3 s of noise before and 0.7 s after."""
    power = float(np.mean(np.abs(iq) ** 2))
    iq = np.concatenate([np.zeros(round(0.3 * rate_hz)), iq, np.zeros(round(0.7 * rate_hz))])
    scale = np.sqrt(0.5 * power * rate_hz / width_hz * 10 ** (-snr_db / 10))
    return (iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))).astype(
        np.complex64
    )


def run(name: str, iq: np.ndarray, rate_hz: float) -> list:
    """Give all results of one mode on one channel."""
    demod = get_mode(name).demodulator()
    return [*demod.feed(Samples(iq, rate_hz, 100e6, 0, 0)), *demod.close()]


def row(what: str, ours: float, limit: float, unit: str, better: str) -> None:
    """Print one figure, its limit and the ratio."""
    ratio = ours / limit if limit else float("nan")
    print(f"{what:58s} {ours:9.3f} {unit:9s} limit {better} {limit:<8g} ratio {ratio:.2f}")


def segmental_snr_db(clean: np.ndarray, got: np.ndarray) -> float:
    """Give the mean over active 32 ms frames of the SNR after best scaling, each held to -10..35 dB."""
    size = 256
    count = min(len(clean), len(got)) // size
    a = clean[: count * size].reshape(count, size)
    b = got[: count * size].reshape(count, size)
    b = b * (np.sum(a * b) / np.sum(b * b))
    level = np.sum(a**2, axis=1)
    active = level > 0.03 * level.mean()
    ratio = 10 * np.log10(level[active] / (np.sum((a - b) ** 2, axis=1)[active] + 1e-12))
    return float(np.mean(np.clip(ratio, -10, 35)))


def bench_reduce() -> None:
    """Noise reduction on FM and on white noise (as AM and SSB have it)."""
    rng = np.random.default_rng(1)
    for snr_db in (20, 12, 8, 5):
        gains, before = [], []
        for seed in range(4):
            audio = band_pass(speech_like(6.0, AUDIO_RATE_HZ, seed))
            hz = np.interp(
                np.arange(round(6.0 * RATE_HZ)) / RATE_HZ, np.arange(len(audio)) / AUDIO_RATE_HZ, audio
            )
            iq = np.exp(2j * np.pi * np.cumsum(hz / np.abs(hz).max() * 4_000) / RATE_HZ)
            scale = np.sqrt(0.5 * RATE_HZ / 16_000 * 10 ** (-snr_db / 10))
            iq = iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
            got = Resampler(RATE_HZ, AUDIO_RATE_HZ, cutoff_hz=3_700.0, width_hz=1_000.0).feed(
                discriminate(iq.astype(np.complex64), rate_hz=RATE_HZ)
            )
            raw = de_emphasise(band_pass(got), 750e-6, AUDIO_RATE_HZ)
            wanted = de_emphasise(band_pass(audio[: len(raw)]), 750e-6, AUDIO_RATE_HZ)
            before.append(segmental_snr_db(wanted, raw))
            gains.append(segmental_snr_db(wanted, reduce_noise(raw)) - before[-1])
        row(
            f"noise reduction, FM at {snr_db} dB: segmental SNR {np.mean(before):.1f} dB, gain",
            float(np.mean(gains)),
            0.0 if snr_db > 15 else 1.0,
            "dB",
            ">=",
        )
    for snr_db in (15, 10, 5, 0):
        gains = []
        for seed in range(4):
            audio = band_pass(speech_like(6.0, AUDIO_RATE_HZ, seed))
            noise = band_pass(rng.standard_normal(len(audio)).astype(np.float32))
            raw = audio + noise * np.float32(audio.std() / noise.std() * 10 ** (-snr_db / 20))
            gains.append(segmental_snr_db(audio, reduce_noise(raw)) - segmental_snr_db(audio, raw))
        row(f"noise reduction, white noise at {snr_db} dB: gain", float(np.mean(gains)), 1.0, "dB", ">=")


def _fm(item: dict, snr_db: float, rng: np.random.Generator) -> np.ndarray:
    return noisy(get_mode("fm").part("synth").transmit(item, RATE_HZ), RATE_HZ, snr_db, 16_000, rng)


def bench_ctcss() -> None:
    """Success and wrong tones over all standard tones, under speech of 2 s, by SNR."""
    rng = np.random.default_rng(2)
    for snr_db in (20, 10, 6):
        right = wrong = none = 0
        for seed, tone in enumerate(CTCSS_HZ):
            overs = run("fm", _fm({"duration_s": 2.0, "seed": seed, "ctcss_hz": tone}, snr_db, rng), RATE_HZ)
            got = [over.tone for over in overs]
            right += got == [{"ctcss_hz": tone}]
            none += not got or got[0] is None
            wrong += bool(got) and got[0] is not None and got[0] != {"ctcss_hz": tone}
        row(
            f"CTCSS under speech of 2 s at {snr_db} dB ({none} none, {wrong} wrong): right",
            right / len(CTCSS_HZ),
            0.9,
            "",
            ">=",
        )
    for length_s in (0.32, 0.4, 0.6):
        right = 0
        for tone in CTCSS_HZ:
            time_s = np.arange(round(length_s * 1000)) / 1000
            low = 500 * np.sin(2 * np.pi * tone * time_s) + 50 * rng.standard_normal(len(time_s))
            found = find_ctcss(low.astype(np.float32))
            right += found is not None and found.nominal_hz == tone
        row(f"CTCSS alone, {length_s} s at 17 dB in 0-500 Hz: right", right / len(CTCSS_HZ), 0.95, "", ">=")


def bench_dcs() -> None:
    """Success and wrong codes over all standard codes, under speech of 2 s, by SNR."""
    rng = np.random.default_rng(3)
    for snr_db in (20, 10, 6):
        right = wrong = none = 0
        for seed, code in enumerate(DCS_CODES):
            overs = run("fm", _fm({"duration_s": 2.0, "seed": seed, "dcs": code}, snr_db, rng), RATE_HZ)
            got = [over.tone for over in overs]
            right += got == [{"dcs": code}]
            none += not got or got[0] is None
            wrong += bool(got) and got[0] is not None and got[0] != {"dcs": code}
        row(
            f"DCS under speech of 2 s at {snr_db} dB ({none} none, {wrong} wrong): right",
            right / len(DCS_CODES),
            0.9,
            "",
            ">=",
        )


def bench_false() -> None:
    """Tones and codes reported where there is none: noise and speech whose pitch lies in the tone band."""
    rng = np.random.default_rng(4)
    tones = codes = count = 0
    for _ in range(1000):
        low = sub_audible(rng.standard_normal(16_000).astype(np.float32))
        tones += find_ctcss(low) is not None
        codes += find_dcs(low, WORDS) is not None
        count += 1
    row(f"tones in {count} x 2 s of white noise: false", tones / count, 0.001, "", "<=")
    row(f"codes in {count} x 2 s of white noise: false", codes / count, 0.001, "", "<=")
    tones = codes = count = 0
    for seed in range(300):
        audio = speech_like(4.0, AUDIO_RATE_HZ, 1000 + seed)
        low = sub_audible(audio)
        for length in (500, 1000, 2000, 4000):
            tones += find_ctcss(low[:length]) is not None
            codes += find_dcs(low[:length], WORDS) is not None
            count += 1
    row(f"tones in {count} x 0.5-4 s of full-band speech: false", tones / count, 0.005, "", "<=")
    row(f"codes in {count} x 0.5-4 s of full-band speech: false", codes / count, 0.001, "", "<=")


def bench_overs() -> None:
    """Overs found by SNR, and false ones in ten minutes of noise and on carriers, data and tones."""
    rng = np.random.default_rng(5)
    for name, rate_hz, width_hz in (
        ("fm", RATE_HZ, 16_000.0),
        ("am", 16_500.0, 6_000.0),
        ("ssb", 9_500.0, 4_000.0),
    ):
        for snr_db in (20, 12, 8, 6, 4):
            found, late = 0, []
            for seed in range(8):
                iq = get_mode(name).part("synth").transmit({"duration_s": 3.0, "seed": seed}, rate_hz)
                if name == "ssb":
                    iq = iq * np.exp(-2j * np.pi * 1_400 / rate_hz * np.arange(len(iq)))
                overs = run(name, noisy(iq, rate_hz, snr_db, width_hz, rng), rate_hz)
                found += len(overs) == 1
                late += [abs(over.start_ns / 1e9 - 0.3) + abs(over.stop_ns / 1e9 - 3.3) for over in overs]
            error_ms = 500 * float(np.median(late)) if late else float("nan")
            row(
                f"{name} over of 3 s at {snr_db} dB (edges {error_ms:.0f} ms): found",
                found / 8,
                0.9,
                "",
                ">=",
            )
        false = 0
        for _ in range(60):
            noise = rng.standard_normal(round(10 * rate_hz)) + 1j * rng.standard_normal(round(10 * rate_hz))
            false += len(run(name, noise.astype(np.complex64), rate_hz))
        row(f"{name}: false overs in ten minutes of noise", false, 0, "", "<=")
    false = 0
    for seed in range(40):
        kind = seed % 4
        time_s = np.arange(round(2 * RATE_HZ)) / RATE_HZ
        if kind == 0:
            hz = np.zeros(len(time_s))
        elif kind == 1:
            hz = 3_000 * np.sin(2 * np.pi * rng.uniform(300, 2_500) * time_s)
        else:
            bits = rng.integers(0, 2, 2 * 9_600) * 2.0 - 1
            baud = (1_200, 2_400)[kind - 2]
            hz = 3_000 * np.interp(time_s * baud, np.arange(len(bits)), bits)
        iq = np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ)
        false += len(run("fm", noisy(iq, RATE_HZ, (20, 8, 5, 12)[seed // 4 % 4], 16_000, rng), RATE_HZ))
    row("fm: false overs on 40 carriers, tones and data bursts", false, 0, "", "<=")


def bench_morse() -> None:
    """Character error rate by SNR in 100 Hz and speed, with 6 % uneven keying; false text in noise."""
    rng = np.random.default_rng(6)
    rate_hz = 2_200.0
    text = "CQ CQ DE LX7QRM TEST MSG 42 AT 0815 = WX FINE ="
    synth = get_mode("morse").part("synth")
    for speed in (8, 12, 20, 32, 40):
        for snr_db in (10, 6, 3, 0):
            errors = 0
            for seed in range(4):
                item = {"text": text, "words_per_minute": speed, "unevenness": 0.06, "seed": seed}
                iq = noisy(synth.transmit(item, rate_hz), rate_hz, snr_db, 100, rng)
                frames = run("morse", iq, rate_hz)
                got = " ".join(f.bits.value.to_bytes(f.bits.size // 8, "big").decode() for f in frames)
                errors += _distance(got, text)
            limit = 0.02 if snr_db >= 6 else 0.1
            row(
                f"Morse at {speed} wpm, {snr_db} dB in 100 Hz: character error rate",
                errors / len(text) / 4,
                limit,
                "",
                "<=",
            )
    false = 0
    for _ in range(60):
        noise = rng.standard_normal(round(10 * rate_hz)) + 1j * rng.standard_normal(round(10 * rate_hz))
        false += len(run("morse", noise.astype(np.complex64), rate_hz))
    row("Morse: false texts in ten minutes of noise", false, 0, "", "<=")


def _distance(got: str, wanted: str) -> int:
    row_before = list(range(len(wanted) + 1))
    for i, a in enumerate(got, 1):
        this = [i]
        for j, b in enumerate(wanted, 1):
            this.append(min(row_before[j] + 1, this[-1] + 1, row_before[j - 1] + (a != b)))
        row_before = this
    return row_before[-1]


def bench_speed() -> None:
    """Processor time per second of channel, open and shut."""
    rng = np.random.default_rng(7)
    for name, rate_hz in (
        ("fm", RATE_HZ),
        ("am", 16_500.0),
        ("ssb", 9_500.0),
        ("broadcast-fm", 250_000.0),
        ("morse", 2_200.0),
    ):
        item = {"duration_s": 25.0, "text": "CQ CQ DE LX7QRM " * 5}
        busy = noisy(get_mode(name).part("synth").transmit(item, rate_hz), rate_hz, 20, 0.6 * rate_hz, rng)
        quiet = (
            rng.standard_normal(round(20 * rate_hz)) + 1j * rng.standard_normal(round(20 * rate_hz))
        ).astype(np.complex64)
        run(name, busy, rate_hz)
        for what, iq, limit in (("open", busy, 8.0), ("shut", quiet, 4.0)):
            start = time.process_time()
            run(name, iq, rate_hz)
            row(
                f"{name} {what}: processor time",
                1e3 * (time.process_time() - start) * rate_hz / len(iq),
                limit,
                "ms/s",
                "<=",
            )


def main() -> None:
    """Run the parts named on the command line, or all."""
    parts = {name[6:]: part for name, part in globals().items() if name.startswith("bench_")}
    for name in sys.argv[1:] or parts:
        print(f"-- {name}")
        parts[name]()


if __name__ == "__main__":
    main()
