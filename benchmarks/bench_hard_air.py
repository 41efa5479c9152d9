"""Detection on air that is not kind: fades, speech pauses, stuck receivers, clock lines, sweeps, weak bursts.

The signals are made here from textbook formulas, not by `earwitness.scene`, so that no receiver is judged by its own
transmitter. Each line gives what should be found and what was.
Usage: python benchmarks/bench_hard_air.py [fades] [pauses] [stuck] [clock] [sweeps] [weak] [keyed] [survey] [crowded [SCENE ...]]
"""

import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from earwitness.core.types import Samples
from earwitness.detect.clock import clock_fraction, clock_words, is_clock_line
from earwitness.detect.detector import Detector
from earwitness.spectrum.stft import Spectrum, plan

DENSITY_DBFS_HZ = -100.0


def noise(rng, count, rate_hz, density_dbfs_hz=DENSITY_DBFS_HZ):
    scale = np.sqrt(10 ** (density_dbfs_hz / 10) * rate_hz / 2)
    return (rng.standard_normal(2 * count, np.float32) * np.float32(scale)).view(np.complex64)


def level(snr_db, width_hz, density_dbfs_hz=DENSITY_DBFS_HZ):
    """Amplitude of a signal with this SNR in its width."""
    return 10 ** ((snr_db + density_dbfs_hz + 10 * np.log10(width_hz)) / 20)


def speech(rng, seconds, rate_hz, pauses=()):
    """Speech-like sound, peak about 1: pulses at a moving pitch through three formants, in syllables.

    The source-filter model of voice (textbook); `pauses` are (begin, length) in seconds.
    """
    rate = 8000
    count = int(seconds * rate)
    t = np.arange(count) / rate
    knots = np.arange(0, seconds + 0.5, 0.18)
    pitch = np.interp(t, knots, rng.uniform(95, 150, len(knots)))
    phase = np.cumsum(pitch) / rate
    source = np.diff(np.floor(phase), prepend=0) + 0.02 * rng.standard_normal(count)
    out = source
    for centre, spread, width in ((500, 180, 90), (1500, 450, 120), (2500, 250, 180)):
        hz = np.interp(t, knots, centre + rng.uniform(-spread, spread, len(knots)))
        r = np.exp(-np.pi * width / rate)
        a = 2 * r * np.cos(2 * np.pi * hz / rate)
        y = np.zeros(count)
        y1 = y2 = 0.0
        for n in range(count):
            y0 = out[n] * (1 - r) + a[n] * y1 - r * r * y2
            y[n] = y0
            y1, y2 = y0, y1
        out = y if centre == 500 else out * 0.3 + y
    syllables = np.interp(t, np.arange(0, seconds + 0.3, 0.09), np.clip(rng.uniform(-0.25, 1.3, int(seconds / 0.09) + 5), 0.0, 1)[: len(np.arange(0, seconds + 0.3, 0.09))])  # fmt: skip
    out = out * syllables
    for begin, length in pauses:
        out[(t >= begin) & (t < begin + length)] = 0
    spectrum = np.fft.rfft(out)
    hz = np.fft.rfftfreq(count, 1 / rate)
    spectrum[(hz < 300) | (hz > 2700)] = 0
    out = np.fft.irfft(spectrum, count)
    out /= np.quantile(np.abs(out), 0.999)
    big = np.arange(int(seconds * rate_hz)) / rate_hz
    return np.interp(big, t, np.clip(out, -1, 1))


def analytic(x):
    spectrum = np.fft.fft(x)
    spectrum[len(x) // 2 :] = 0
    return 2 * np.fft.ifft(spectrum)


def fm(sound, rate_hz, deviation_hz=2500):
    return np.exp(2j * np.pi * deviation_hz / rate_hz * np.cumsum(sound))


def am(sound, depth=0.8):
    return 1 + depth * sound + 0j


def usb(sound):
    return analytic(sound)


def at(wave, rate_hz, hz, begin_s, count):
    out = np.zeros(count, np.complex64)
    first = round(begin_s * rate_hz)
    wave = wave[: count - first]
    out[first : first + len(wave)] = wave * np.exp(2j * np.pi * hz / rate_hz * np.arange(len(wave)))
    return out


def null(t, middle_s, gap_s, snr_db):
    """Envelope of a fade by two paths that cancel: |t| about the null, in noise for `gap_s`."""
    slope = 10 ** (-(snr_db + 3) / 20) / (gap_s / 2)
    return np.minimum(np.abs(t - middle_s) * slope, 1)


def jakes(rng, t, doppler_hz):
    """Rayleigh fading, mean power 1: sum of paths from all round (Clarke's model, textbook)."""
    paths = 24
    angle = rng.uniform(0, 2 * np.pi, paths)
    phase = rng.uniform(0, 2 * np.pi, paths)
    total = sum(np.exp(1j * (2 * np.pi * doppler_hz * np.cos(a) * t + p)) for a, p in zip(angle, phase, strict=True))  # fmt: skip
    return total / np.sqrt(paths)


def find(data, rate_hz, *, block=65536, center_hz=0.0):
    """Every detection's last state, ascending in time."""
    spectrum, detector = Spectrum(rate_hz, center_hz), Detector(rate_hz, center_hz)
    last = {}
    for start in range(0, len(data), block):
        rows = spectrum.feed(Samples(data[start : start + block], rate_hz, center_hz, start, 0))
        last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    rows = spectrum.close()
    last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    last.update((d.number, d) for d in detector.close())
    return sorted(last.values(), key=lambda d: d.start)


def told(found, rate_hz, most=6):
    text = ", ".join(
        f"{d.start / rate_hz:.2f}-{d.stop / rate_hz:.2f}s {d.center_hz / 1e3:.2f}k/{(d.high_hz - d.low_hz) / 1e3:.2f}k {d.snr_db:.0f}dB"
        + (f" [{d.artefact.split(':')[0]}]" if d.artefact else "")
        for d in found[:most]
    )
    return text + (" ..." if len(found) > most else "")


def line(name, wanted, found, rate_hz):
    mark = "  " if len(found) == wanted else "! "
    print(f"  {mark}{name:44s} {wanted} wanted, {len(found)} found: {told(found, rate_hz)}", flush=True)


KINDS = {"fm": (fm, 10e3), "am": (am, 5.4e3), "ssb": (usb, 2.4e3)}


def voice(kind, rng, seconds, rate_hz, snr_db, pauses=()):
    """One voice transmission, complex, at baseband."""
    make, width_hz = KINDS[kind]
    sound = speech(rng, seconds, rate_hz, pauses)
    wave = make(sound) if kind != "fm" else fm(sound, rate_hz)
    if kind == "ssb":
        return wave * level(snr_db, width_hz) / np.sqrt(np.mean(np.abs(wave) ** 2))
    return wave * level(snr_db, width_hz) / np.sqrt(np.mean(np.abs(wave) ** 2))


def fades():
    print("one transmission that fades: two paths cancel for the time given; Rayleigh fading")
    for rate_hz in (250e3, 2.4e6):
        for kind in ("fm", "am"):
            for gap_s in (0.2, 0.4, 0.8):
                rng = np.random.default_rng(11)
                seconds = 7.0
                count = int((seconds + 2) * rate_hz)
                wave = voice(kind, rng, seconds, rate_hz, 18)
                t = np.arange(len(wave)) / rate_hz
                wave = wave * null(t, 3.5, gap_s, 18)
                data = noise(rng, count, rate_hz) + at(wave, rate_hz, 40e3, 1.0, count)
                line(f"{rate_hz / 1e6:g} MS/s {kind} a null of {gap_s} s", 1, find(data, rate_hz), rate_hz)
    for kind in ("fm", "am", "ssb"):
        for doppler_hz, snr_db in ((0.3, 15), (1.0, 15), (1.0, 8), (5.0, 10)):
            rate_hz = 250e3 if kind != "ssb" else 48e3
            rng = np.random.default_rng(12)
            seconds = 12.0
            count = int((seconds + 2) * rate_hz)
            wave = voice(kind, rng, seconds, rate_hz, snr_db)
            wave = wave * jakes(rng, np.arange(len(wave)) / rate_hz, doppler_hz)
            data = noise(rng, count, rate_hz) + at(wave, rate_hz, 10e3, 1.0, count)
            line(f"{kind} Rayleigh {doppler_hz} Hz at {snr_db} dB", 1, find(data, rate_hz), rate_hz)


def pauses():
    print("speech with pauses, and two stations that answer each other")
    for snr_db in (6, 12, 20):
        for seed in range(3):
            rate_hz = 48e3
            rng = np.random.default_rng(20 + seed)
            gaps = [(1.1, 0.3), (2.4, 0.7), (4.2, 1.0), (6.5, 1.5), (9.0, 0.5)]
            count = int(14 * rate_hz)
            wave = voice("ssb", rng, 12.0, rate_hz, snr_db, gaps)
            data = noise(rng, count, rate_hz) + at(wave, rate_hz, 5e3, 1.0, count)
            line(f"ssb pauses to 1.5 s at {snr_db} dB", 1, find(data, rate_hz), rate_hz)
    for kind, rate_hz in (("ssb", 48e3), ("am", 250e3), ("fm", 250e3), ("fm", 2.4e6)):
        for gap_s in (0.25, 0.5, 1.0):
            for change_db, offset_hz in ((-8, 300), (8, -300), (-12, 20)):
                rng = np.random.default_rng(30)
                count = int(10 * rate_hz)
                one = voice(kind, rng, 3.5, rate_hz, 14)
                two = voice(kind, rng, 3.5, rate_hz, 14 + change_db)
                data = noise(rng, count, rate_hz) + at(one, rate_hz, 7e3, 1.0, count)
                data = data + at(two, rate_hz, 7e3 + offset_hz, 4.5 + gap_s, count)
                line(f"{rate_hz / 1e6:g} {kind} answer after {gap_s} s {change_db:+d} dB {offset_hz:+d} Hz", 2, find(data, rate_hz), rate_hz)  # fmt: skip


def stuck():
    print("a receiver that is stuck: nothing, or artefacts alone")
    for rate_hz in (48e3, 2.4e6):
        count = int(3 * rate_hz)
        rng = np.random.default_rng(40)
        same = np.full(count, 0.1 - 0.2j, np.complex64)
        held = noise(rng, count, rate_hz)
        held[count // 3 : 2 * count // 3] = held[count // 3]
        zeros = noise(rng, count, rate_hz)
        zeros[count // 3 : 2 * count // 3] = 0
        for name, data in (
            ("all zero", np.zeros(count, np.complex64)),
            ("one value for ever", same),
            ("noise, one value for a second, noise", held),
            ("noise, zeros for a second, noise", zeros),
        ):
            found = find(data, rate_hz)
            real = [d for d in found if not d.artefact]
            line(f"{rate_hz / 1e6:g} MS/s {name}", 0, real, rate_hz)


def clock():
    print("lines at a third of the sample clock, weak and strong, and carriers beside it")
    rate_hz = 1.2e6
    for snr_db in (-6, 0, 6, 20):  # in one bin
        for off_hz in (0.0, 3.0, 10.0, 40.0, 200.0):
            rng = np.random.default_rng(50)
            count = int(14 * rate_hz)
            t = np.arange(count)
            amplitude = level(snr_db, plan(rate_hz).enbw_hz)
            data = noise(rng, count, rate_hz)
            data += (amplitude * np.exp(2j * np.pi * (t / 3 + off_hz / rate_hz * t))).astype(np.complex64)
            found = [
                replace(d, artefact=clock_words(1, 3))
                if is_clock_line(
                    lambda start, count, data=data: data[start : start + count], d, rate_hz, 1, 3
                )
                else replace(d, artefact=None)
                for d in find(data, rate_hz, center_hz=124e6)
                if clock_fraction(d, rate_hz, 124e6, plan(rate_hz).bin_hz)
            ]
            line(f"{snr_db} dB in a bin, {off_hz:g} Hz beside it", 1, found, rate_hz)


def sweeps():
    print("sweeps across narrow emissions: those stay what they are")
    rate_hz = 2.4e6
    for speed_hz_s in (100e3, 300e3, 1e6, 3e6, 10e6):
        rng = np.random.default_rng(60)
        seconds = 4.0
        count = int(seconds * rate_hz)
        data = noise(rng, count, rate_hz)
        places = (-400e3, -100e3, 250e3)
        for n, hz in enumerate(places):
            wave = voice(("fm", "am", "fm")[n], rng, seconds - 0.4, rate_hz, 20)
            data = data + at(wave, rate_hz, hz, 0.2, count)
        t = np.arange(count) / rate_hz
        span = 1.6e6
        length = min(span / speed_hz_s, seconds - 1.0)
        inside = (t > 0.7) & (t < 0.7 + length)
        hz = -min(0.8e6, speed_hz_s * length / 2) + speed_hz_s * (t - 0.7)
        sweep = level(20, 10e3) * inside * np.exp(2j * np.pi * np.cumsum(hz) / rate_hz)
        found = find(data + sweep.astype(np.complex64), rate_hz)
        kept = [
            min((d for d in found if abs(d.center_hz - hz) < 3e3 and d.high_hz - d.low_hz < 25e3),
                key=lambda d: d.start - d.stop, default=None) for hz in places
        ]  # fmt: skip
        whole = sum(d is not None and d.stop - d.start > 0.9 * (seconds - 0.4) * rate_hz for d in kept)
        print(f"  {speed_hz_s / 1e6:g} MHz/s: {whole} of 3 kept, {len(found)} rows; {told(found, rate_hz, 9)}", flush=True)  # fmt: skip


def weak():
    print("weak bursts stay whole; a drifting FM with a tone is one emission")
    for rate_hz in (250e3, 2.4e6):
        for width_hz in (10e3, 25e3):
            for length_s in (0.02, 0.1, 0.4):
                shots, pieces, missed = 20, 0, 0
                rng = np.random.default_rng(70)
                pitch_s = length_s + 0.4
                count = int((1 + shots * pitch_s) * rate_hz)
                data = noise(rng, count, rate_hz)
                first = []
                for n in range(shots):
                    size = int(length_s * rate_hz)
                    spectrum = np.zeros(size, complex)
                    half = round(size * width_hz / rate_hz / 2)
                    spectrum[np.arange(-half, half)] = rng.standard_normal(2 * half) + 1j * rng.standard_normal(2 * half)  # fmt: skip
                    wave = np.fft.ifft(spectrum)
                    wave *= level(3, width_hz) / np.sqrt(np.mean(np.abs(wave) ** 2))
                    first.append(0.8 + n * pitch_s)
                    data = data + at(wave, rate_hz, 40e3, first[-1], count)
                found = find(data, rate_hz)
                for begin in first:
                    hits = [d for d in found if d.start < (begin + length_s) * rate_hz and d.stop > begin * rate_hz]  # fmt: skip
                    missed += not hits
                    pieces += max(0, len(hits) - 1)
                print(f"  {rate_hz / 1e6:g} MS/s {width_hz / 1e3:g} kHz {1e3 * length_s:g} ms: {missed} of {shots} missed, {pieces} pieces too many", flush=True)  # fmt: skip
    for rate_hz in (250e3, 2.4e6):
        for tone_hz, deviation_hz in ((1000, 2500), (1000, 5000), (1750, 3000), (2400, 3000), (600, 4000)):
            for drift_hz_s in (0, 200, 1500):
                rng = np.random.default_rng(71)
                count = int(6 * rate_hz)
                t = np.arange(int(5 * rate_hz)) / rate_hz
                phase = 2 * np.pi * (drift_hz_s * t**2 / 2) + deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * t)  # fmt: skip
                data = noise(rng, count, rate_hz) + at(level(18, 10e3) * np.exp(1j * phase), rate_hz, 40e3, 0.5, count)  # fmt: skip
                line(f"{rate_hz / 1e6:g} MS/s tone {tone_hz} Hz dev {deviation_hz} drift {drift_hz_s} Hz/s", 1, find(data, rate_hz), rate_hz)  # fmt: skip


def keyed():
    print("bursts keyed between two tones: each is one emission")
    for rate_hz, baud, deviation_hz, length_s, snr_db in (
        (2.4e6, 50e3, 25e3, 0.05, 10), (2.4e6, 4800, 25e3, 0.1, 15), (1.0e6, 10e3, 20e3, 0.1, 20),
        (1.0e6, 40e3, 25e3, 0.03, 20), (1.0e6, 2000, 10e3, 0.1, 20),
    ):  # fmt: skip
        rng = np.random.default_rng(90)
        shots, size = 24, int(length_s * rate_hz)
        count = int((1 + shots * (length_s + 0.3)) * rate_hz)
        data = noise(rng, count, rate_hz)
        spans = []
        for n in range(shots):
            symbols = rng.choice([-1.0, 1.0], int(length_s * baud) + 1)
            track = deviation_hz * symbols[(np.arange(size) * baud / rate_hz).astype(int)]
            wave = np.exp(2j * np.pi * np.cumsum(track) / rate_hz) * level(snr_db, 2 * deviation_hz + baud)
            begin_s = 0.6 + n * (length_s + 0.3) + rng.uniform(0, 0.1)
            data = data + at(wave, rate_hz, (n % 8 - 4) * rate_hz / 10 + 7e3, begin_s, count)
            spans.append((begin_s * rate_hz, begin_s * rate_hz + size))
        found = [d for d in find(data, rate_hz) if d.part_of is None]
        each = [sum(d.start < stop and d.stop > start for d in found) for start, stop in spans]
        print(
            f"  {rate_hz / 1e6:g} MS/s {baud:g} Bd +-{deviation_hz / 1e3:g} kHz {1e3 * length_s:g} ms {snr_db} dB:"
            f" {each.count(0)} of {shots} missed, {sum(n > 1 for n in each)} parted",
            flush=True,
        )


def write(folder, name, data, rate_hz, center_hz):
    data.astype(np.complex64).tofile(folder / f"{name}.sigmf-data")
    meta = {
        "global": {"core:datatype": "cf32_le", "core:sample_rate": rate_hz, "core:version": "1.0.0"},
        "captures": [
            {"core:sample_start": 0, "core:frequency": center_hz, "core:datetime": "2026-01-01T00:00:00Z"}
        ],
        "annotations": [],
    }
    (folder / f"{name}.sigmf-meta").write_text(json.dumps(meta))
    return folder / f"{name}.sigmf-meta"


def logged(name, data, rate_hz, center_hz, wanted):
    from earwitness.log.store import Log
    from earwitness.station.run import survey_file

    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        outcome = survey_file(str(write(folder, "air", data, rate_hz, center_hz)), folder / "log")
        with Log.open(folder / "log") as log:
            emissions, overs = list(log.emissions()), list(log.overs())
    rows = ", ".join(f"{e['frequency_hz'] / 1e6:.4f} {e['class']}/{e['mode']}" + (f" [{e['artefact'].split(':')[0]}]" if e["artefact"] else "") for e in emissions[:8])  # fmt: skip
    kinds = ", ".join(str(over["mode"]) for over in overs[:8])
    print(f"  {name:30s} {wanted}: {len(emissions)} rows, {len(overs)} overs ({kinds}); {rows}; {outcome}")


def survey():
    print("the same through a whole survey: rows and overs")
    for kind, center_hz, rate_hz in (("fm", 145.5e6, 250e3), ("am", 121e6, 250e3), ("ssb", 7.1e6, 48e3)):
        rng = np.random.default_rng(80)
        count = int(14 * rate_hz)
        gaps = [(2.0, 0.7), (5.0, 1.2), (8.0, 0.5)] if kind == "ssb" else []
        wave = voice(kind, rng, 11.0, rate_hz, 18, gaps)
        t = np.arange(len(wave)) / rate_hz
        if kind != "ssb":
            wave = wave * null(t, 3.7, 0.3, 18) * null(t, 8.0, 0.8, 18)
        data = noise(rng, count, rate_hz) + at(wave, rate_hz, 10e3, 1.0, count)
        logged(f"{kind} with fades or pauses", data, rate_hz, center_hz, "1 row, 1 over")
        one, two = voice(kind, rng, 4.0, rate_hz, 18), voice(kind, rng, 4.0, rate_hz, 10)
        data = noise(rng, count, rate_hz) + at(one, rate_hz, 10e3, 1.0, count)
        data = data + at(two, rate_hz, 10.3e3, 5.5, count)
        logged(f"{kind} two stations, 0.5 s between", data, rate_hz, center_hz, "2 rows, 2 overs")
    for value in (0.1 - 0.2j,):
        logged("one value for ever", np.full(240_000, value, np.complex64), 48e3, 7e6, "0 or artefact")
        logged("one value for ever, 2.4 MS/s", np.full(7_200_000, value, np.complex64), 2.4e6, 145e6, "0 or artefact")  # fmt: skip


def crowded():
    import crowded_air

    print("crowded bands and cheap receivers: what the log says beside what was sent")
    crowded_air.run(sys.argv[2:])


if __name__ == "__main__":
    names = sys.argv[1:] or [
        "fades",
        "pauses",
        "stuck",
        "clock",
        "sweeps",
        "weak",
        "keyed",
        "survey",
        "crowded",
    ]
    for part in (fades, pauses, stuck, clock, sweeps, weak, keyed, survey, crowded):
        if part.__name__ in names:
            part()
