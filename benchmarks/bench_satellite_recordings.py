"""Surveys the recordings of satellites (demodulated audio) and prints what each is and what was read from it.

Needs the folder of shared recordings beside the project; says so and ends when it is absent. Of each: the symbol
clock (strongest line in the size of the audio's changes, low-passed for each rate tried), the carrier of phase
reversals (line of the squared audio), and the log's messages beside ax25_frames.csv, whose frames were found by
a throw-away script of others. docs/satellite_recordings.md is written from it.

    python benchmarks/bench_satellite_recordings.py [NAME ...]
"""

import csv
import sys
import tempfile
import time
import wave
from collections import Counter
from pathlib import Path

import numpy as np

from earwitness.dsp.filters import convolve_valid, lowpass
from earwitness.log.store import Log
from earwitness.station.run import survey_file

FOLDER = Path(__file__).parents[1] / ".." / "shared" / "recordings" / "satellite-audio"
RATES_HZ = (300.0, 500.0, 600.0, 625.0, 1000.0, 1200.0, 2000.0, 2400.0, 3600.0, 4000.0, 4800.0, 5000.0, 9600.0, 19200.0)  # fmt: skip
TOLERANCE = 0.004
WINDOW_S = 0.4  # a burst may be short: the strongest of such windows counts


def sound_of(path):
    with wave.open(str(path)) as file:
        data = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(np.float32) / 32768
        return data, float(file.getframerate())


def line(x, rate_hz, low_hz, high_hz):
    """The strongest line of real or complex x between two frequencies: (Hz, dB over the median beside it)."""
    count = max(round(WINDOW_S * rate_hz), 1)
    best = (0.0, 0.0)
    for at in range(0, max(len(x) - count, 0) + 1, count // 2):
        part = x[at : at + count]
        size = 4 * len(part)
        power = np.abs(np.fft.rfft((part - part.mean()) * np.hanning(len(part)), size)) ** 2
        f = np.fft.rfftfreq(size, 1 / rate_hz)
        inside = (f >= low_hz) & (f <= high_hz)
        around = (f >= 0.9 * low_hz) & (f <= 1.1 * high_hz)
        top = np.flatnonzero(inside)[np.argmax(power[inside])]
        level = 10 * np.log10(power[top] / (np.median(power[around]) + 1e-30))
        best = max(best, (float(level), float(f[top])))
    return best[1], best[0]


def clocks(x, rate_hz):
    """Symbol clocks that stand out: [(rate, measured Hz, dB)], the strongest first."""
    out = []
    for baud in RATES_HZ:
        if 1.2 * baud > 0.5 * rate_hz:
            continue
        low = convolve_valid(x, lowpass(0.6 * baud, 0.4 * baud, rate_hz))
        half = max(round(rate_hz / baud / 2), 1)
        change = (low[half:] - low[:-half]) ** 2
        hz, level = line(change, rate_hz, baud * (1 - TOLERANCE), baud * (1 + TOLERANCE))
        out.append((baud, hz, level))
    return sorted(out, key=lambda row: -row[2])


def listed():
    rows = {}
    with (FOLDER / "ax25_frames.csv").open() as file:
        for row in csv.DictReader(file):
            rows.setdefault(row["file"], set()).add(row["frame_hex_without_fcs"].upper())
    return rows


def main():
    if not FOLDER.is_dir():
        print("the shared recordings are not here; nothing to survey")
        return
    truth = listed()
    found = wanted = 0
    more = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for path in sorted(FOLDER.glob("*.wav")):
            if sys.argv[1:] and path.stem not in sys.argv[1:]:
                continue
            x, rate_hz = sound_of(path)
            began = time.process_time()
            survey_file(str(path), Path(folder) / path.stem)
            took = time.process_time() - began
            with Log.open(Path(folder) / path.stem) as log:
                messages = list(log.messages())
                classes = Counter(row["class"] for row in log.emissions() if row["artefact"] is None)
            hexes = {row["payload_hex"] for row in messages if row["mode"] == "ax25"}
            named = truth.get(path.name, set())
            found, wanted = found + len(named & hexes), wanted + len(named)
            kinds = Counter()
            for row in messages:
                fields = row["fields"]
                how = f"{fields.get('modulation', '')}{' scrambled' if fields.get('scrambled') else ''}"
                kinds[f"{row['mode']} {how}".strip()] += 1
            for kind in {row["mode"] for row in messages}:
                more[kind] += sum(row["mode"] == kind and row["payload_hex"] not in named for row in messages)
            shown = ", ".join(
                f"{baud:.0f} ({hz:.1f} Hz, {level:.0f} dB)" for baud, hz, level in clocks(x, rate_hz)[:2]
            )
            carrier, strength = line(x * x, rate_hz, 1400.0, 6000.0)
            print(
                f"{path.stem:15} {len(x) / rate_hz:5.1f} s  clock {shown}  squares {carrier / 2:.0f} Hz {strength:.0f} dB"
            )
            print(f"{'':15} read {dict(kinds) or 'nothing'}; of the list {len(named & hexes)}/{len(named)};"
                  f" classes {dict(classes)}; {len(x) / rate_hz / took:.1f} x real time", flush=True)  # fmt: skip
    print(f"frames of the list {found} of {wanted}; messages that are not in it: {dict(more)}")


if __name__ == "__main__":
    main()
