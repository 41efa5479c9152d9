"""Crowded bands as the standards fill them, a cheap receiver's faults on them, and the score of a survey.

The signals come from textbook formulas (here and in tests/emission/emission_signals.py), not from `earwitness.scene`.
Each scene knows what was sent; `score` sets the rows of the log against it. Usage: see bench_hard_air.py.
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "emission"))

import emission_signals as sig  # noqa: E402

DENSITY_DBFS_HZ = -100.0


@dataclass
class Sent:
    """One emission as it was sent: a transmission, or a train of bursts on one channel."""

    name: str
    hz: float  # middle of its band, or its carrier
    low_hz: float  # 99 % band
    high_hz: float
    start_s: float
    stop_s: float
    snr_db: float
    kinds: tuple[str, ...]  # classes that are right
    symbols: str  # designators that are right, by their class symbols: any of these, split by "|"
    baud: float | None = None
    deviation_hz: float | None = None
    stop_known: bool = True

    @property
    def width_hz(self):
        return self.high_hz - self.low_hz


# what each signal is: classes, class symbols
KINDS = {
    "nfm": (("fm",), "F3E|F2D|F8E"), "wfm": (("fm",), "F8E|F3E"), "am": (("am",), "A3E|A2D"),
    "ssb": (("ssb",), "J3E"), "cw": (("cw",), "A1A"), "carrier": (("carrier",), "N0N"),
    "fsk2": (("fsk2",), "F1D|F1B"), "fsk4": (("fsk4",), "F1D|F1W|F1E|FXW|F7W"), "tdma4": (("fsk4",), "F1D|F1W|F1E|FXW|FXE|F7W"),
    "psk": (("psk",), "G1D|G1B"), "ook": (("ook",), "A1D|M1D|P0N|A1A|K1D"), "ofdm": (("noise-like",), "W7D|G7D"),
    "chirp": (("chirp", "unknown"), "F0N|FXD|QXD|FXX|F3N|F1D"), "mfsk": (("fsk4", "unknown"), "F1D|F1B"),
    "pulse": (("ook", "pulse", "unknown"), "P0N|M1D|A1D|K1D|V1D"),
    "tick": (("am", "ook", "carrier", "cw"), "A3E|A1D|N0N|A2X|A1A|A2D"),
}  # fmt: skip


class Scene:
    """Signals gathered in one spectrum, so that any rate goes into any span."""

    def __init__(self, name, rate_hz, center_hz, seconds, seed):
        self.name, self.rate_hz, self.center_hz, self.seconds = name, int(rate_hz), center_hz, seconds
        self.rng = np.random.default_rng(seed)
        self.count = int(rate_hz * seconds)
        self.spectrum = np.zeros(self.count, np.complex64)
        self.sent: list[Sent] = []
        self.dropped = 0

    def put(
        self,
        name,
        kind,
        hz,
        snr_db,
        pieces,
        rate,
        *,
        baud=None,
        deviation=None,
        shape=None,
        carrier=0.0,
        tell=True,
    ):
        """Add bursts, a list of (begin, samples) at `rate`, as one emission `hz` from the centre.

        `shape` is an envelope over the whole scene at `rate`; `carrier` where the class's own frequency lies.
        """
        rate = int(rate)
        n = round(rate * self.seconds)
        wave = np.zeros(n, complex)
        first, last, on = n, 0, []
        for begin, iq in pieces:
            a = round(begin * rate)
            iq = np.asarray(iq)[: n - a]
            wave[a : a + len(iq)] += iq
            first, last = min(first, a), max(last, a + len(iq))
            on.append(iq)
        if shape is not None:
            wave *= shape(np.arange(n) / rate)
        iq = np.concatenate(on)
        low, high = sig.occupied(iq[: 1 << 21], rate)
        width = max(high - low, 50.0)
        power = np.mean(np.abs(iq) ** 2)
        wave *= np.sqrt(10 ** ((snr_db + DENSITY_DBFS_HZ) / 10) * width / power)
        part = np.fft.fft(wave) * (self.count / n)
        half = min(n, self.count) // 2
        hz += float(self.rng.uniform(-40, 40))  # no two transmitters' crystals agree
        at = round(hz * self.seconds)
        places = (np.arange(-half, half) + at) % self.count
        own = np.arange(-half, half) % n
        self.spectrum[places] += part[own].astype(np.complex64)
        if tell:
            kinds, symbols = KINDS[kind]
            self.sent.append(
                Sent(name, self.center_hz + hz + carrier, self.center_hz + hz + low, self.center_hz + hz + high,
                     first / rate, last / rate, snr_db, kinds, symbols, baud, deviation)
            )  # fmt: skip

    def data(self, cheap=False):
        """Complex samples in noise; `cheap` as a receiver of eight bits hears them, with what it adds of its own."""
        rng = np.random.default_rng(99)
        x = np.fft.ifft(self.spectrum).astype(np.complex64)
        scale = np.sqrt(10 ** (DENSITY_DBFS_HZ / 10) * self.rate_hz / 2)
        x += (rng.standard_normal(2 * self.count, np.float32) * np.float32(scale)).view(np.complex64)
        if not cheap:
            peak = np.quantile(np.abs(x[::97]), 0.9999)
            return x * np.float32(0.5 / peak)
        f = np.fft.fftfreq(self.count)
        roll = 1 / np.sqrt(1 + (np.abs(f) / 0.47) ** 24)  # the filter before the converter
        x = np.fft.ifft(np.fft.fft(x) * roll).astype(np.complex64)
        x += np.complex64(10 ** (-30 / 20) * np.exp(0.7j)) * np.conj(x)  # image 30 dB down
        n = len(x)
        x[n // 2 :] *= np.float32(10 ** (-3 / 20))  # a step of the gain
        rms = np.sqrt(np.mean(np.abs(x[::97]) ** 2))
        # As high as an automatic gain drives it, and the noise at least over a step of the converter.
        gain = max(0.22 / rms, 1.2 / 127.5 / scale) if rms > 4 * scale else 4 / 127.5 / scale
        x *= np.float32(min(gain, 0.3 / rms))
        t = np.arange(n)
        x += np.complex64(0.004 - 0.006j)  # constant offset
        x += (2e-3 * np.exp(2j * np.pi * t / 8)).astype(np.complex64)  # a line of the clock
        return np.clip(np.round(x.view(np.float32) * 127.5 - 0.5), -128, 127)


def write(folder, scene, cheap):
    data = scene.data(cheap)
    if cheap:
        (data + 128).astype(np.uint8).tofile(folder / "air.sigmf-data")
    else:
        data.astype(np.complex64).tofile(folder / "air.sigmf-data")
    meta = {
        "global": {"core:datatype": "cu8" if cheap else "cf32_le", "core:sample_rate": scene.rate_hz, "core:version": "1.0.0"},
        "captures": [{"core:sample_start": 0, "core:frequency": scene.center_hz, "core:datetime": "2026-01-01T00:00:00Z"}],
        "annotations": [],
    }  # fmt: skip
    (folder / "air.sigmf-meta").write_text(json.dumps(meta))
    return folder / "air.sigmf-meta"


def surveyed(scene, cheap):
    """Give the rows of a survey of the scene with `begin_s` and `end_s`."""
    from earwitness.core.times import parse_time
    from earwitness.log.store import Log
    from earwitness.station.run import survey_file

    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        survey_file(str(write(folder, scene, cheap)), folder / "log")
        with Log.open(folder / "log") as log:
            rows = list(log.emissions())
    epoch = parse_time("2026-01-01T00:00:00Z")
    for row in rows:
        row["begin_s"] = (parse_time(row["start"]) - epoch) / 1e9
        row["end_s"] = (parse_time(row["stop"]) - epoch) / 1e9
    return rows


@dataclass
class Score:
    found: int = 0
    missed: int = 0
    merged: int = 0
    hidden: int = 0  # told as an artefact
    split: int = 0
    invented: int = 0
    misnamed: int = 0
    unnamed: int = 0
    figures: int = 0  # a figure stated wrong
    notes: list[str] = field(default_factory=list)

    def add(self, other):
        for key in (
            "found",
            "missed",
            "merged",
            "hidden",
            "split",
            "invented",
            "misnamed",
            "unnamed",
            "figures",
        ):
            setattr(self, key, getattr(self, key) + getattr(other, key))

    def line(self):
        sent = self.found + self.missed + self.merged + self.hidden
        return (
            f"{self.found} of {sent} found, {self.missed} missed, {self.merged} merged, {self.hidden} taken for artefacts;"
            f" {self.split} split, {self.invented} invented; {self.misnamed} misnamed, {self.unnamed} unknown, {self.figures} figures wrong"
        )


def overlap(row, one):
    return min(row["end_s"], one.stop_s) - max(row["begin_s"], one.start_s)


def score(scene, rows):
    """Set rows against what was sent."""
    out = Score()
    real = [row for row in rows if not row["artefact"]]
    mine: dict[int, list] = {n: [] for n in range(len(scene.sent))}
    left = []
    for row in real:
        best, least = None, 1.0
        width = row["occupied_bandwidth_hz"] or 0.0
        for n, one in enumerate(scene.sent):
            both = overlap(row, one)
            if both <= 0.2 * min(row["end_s"] - row["begin_s"], one.stop_s - one.start_s) - 0.002:
                continue
            reach = max(0.35 * one.width_hz, 150.0)
            middle = (one.low_hz + one.high_hz) / 2
            off = min(abs(row["frequency_hz"] - one.hz), abs(row["frequency_hz"] - middle)) / reach
            if off < least and width < max(2.5 * one.width_hz, 1500.0):
                best, least = n, off
        if best is None:
            left.append(row)
        else:
            mine[best].append(row)
    for n, one in enumerate(scene.sent):
        what = f"{one.name} {one.hz / 1e6:.5f} {one.start_s:.2f}-{one.stop_s:.2f}s {one.snr_db:.0f}dB {one.width_hz / 1e3:.2f}k"
        if not mine[n]:
            over = [
                row for row in left
                if abs(row["frequency_hz"] - one.hz) < max(0.5 * (row["occupied_bandwidth_hz"] or 0), 0.5 * one.width_hz)
                and overlap(row, one) > 0
            ]  # fmt: skip
            false = [r for r in rows if r["artefact"] and abs(r["frequency_hz"] - one.hz) < 0.5 * one.width_hz and overlap(r, one) > 0.5 * (one.stop_s - one.start_s)]  # fmt: skip
            if false:
                out.hidden += 1
                out.notes.append(f"hidden   {what}: {false[0]['artefact'].split(':')[0]}")
            elif over or any(
                abs(row["frequency_hz"] - one.hz) < 0.6 * (row["occupied_bandwidth_hz"] or 0) and overlap(row, one) > 0
                for row in real
            ):  # fmt: skip
                out.merged += 1
                out.notes.append(f"merged   {what}" + (": " + told(over[0]) if over else ""))
            else:
                out.missed += 1
                out.notes.append(f"missed   {what}")
            continue
        out.found += 1
        if len(mine[n]) > 1:
            out.split += len(mine[n]) - 1
            out.notes.append(f"split    {what}: " + "; ".join(told(row) for row in mine[n][:4]))
        row = max(mine[n], key=lambda row: overlap(row, one))
        if row["class"] not in one.kinds:
            out.unnamed += row["class"] == "unknown"
            out.misnamed += row["class"] != "unknown"
            mark = "unknown " if row["class"] == "unknown" else "misnamed"
            out.notes.append(f"{mark} {what}: {told(row)} {(row['reasons'] or [''])[0]}")
        wrong = []
        width, at = row["occupied_bandwidth_hz"], row["frequency_hz"]
        if abs(at - one.hz) > max(0.03 * one.width_hz, 25.0) and abs(at - (one.low_hz + one.high_hz) / 2) > max(0.03 * one.width_hz, 25.0):  # fmt: skip
            wrong.append(f"frequency {at - one.hz:+.0f} Hz")
        if width and one.width_hz > 150 and not 0.7 < width / one.width_hz < 1.4:
            wrong.append(f"width {width / 1e3:.2f}k")
        if len(mine[n]) == 1:
            slack = max(0.03, 0.02 * (one.stop_s - one.start_s))
            if "ssb" in one.kinds or "cw" in one.kinds:
                slack = 0.3
            if abs(row["begin_s"] - one.start_s) > slack:
                wrong.append(f"start {row['begin_s'] - one.start_s:+.2f}s")
            if abs(row["end_s"] - one.stop_s) > slack:
                wrong.append(f"stop {row['end_s'] - one.stop_s:+.2f}s")
        if one.baud and row["class"] in one.kinds and row["symbol_rate_hz"] and abs(row["symbol_rate_hz"] / one.baud - 1) > 0.005:  # fmt: skip
            wrong.append(f"{row['symbol_rate_hz']:.0f} Bd")
        if one.deviation_hz and row["class"] in one.kinds and row["deviation_hz"] and not 0.8 < row["deviation_hz"] / one.deviation_hz < 1.25:  # fmt: skip
            wrong.append(f"deviation {row['deviation_hz']:.0f}")
        if row["class"] in one.kinds and row["designator"] and not any(row["designator"].endswith(s) for s in one.symbols.split("|")):  # fmt: skip
            wrong.append(row["designator"])
        if wrong:
            out.figures += 1
            out.notes.append(f"figures  {what}: {told(row)}: {', '.join(wrong)}")
    for row in left:
        covered = [n for n, one in enumerate(scene.sent) if overlap(row, one) > 0 and abs(one.hz - row["frequency_hz"]) < 0.5 * (row["occupied_bandwidth_hz"] or 0) + 0.5 * one.width_hz]  # fmt: skip
        if not any(not mine[n] for n in covered):
            out.invented += 1
            out.notes.append(f"invented {told(row)}")
    return out


def told(row):
    return (
        f"[{row['begin_s']:.2f}-{row['end_s']:.2f}s {row['frequency_hz'] / 1e6:.5f} {(row['occupied_bandwidth_hz'] or 0) / 1e3:.2f}k"
        f" {row['class']} {row['snr_db']:.0f}dB n{row['burst_count']} {row['designator']}]"
    )


# -- signals ------------------------------------------------------------------------------------------------------


def clip_voice(rng, seconds, rate):
    return np.clip(sig.audio(seconds, rate, rng), -1, 1)


def fm_voice(rng, seconds, deviation=2500, rate=48_000, tone_hz=0.0):
    sound = clip_voice(rng, seconds, rate) * (deviation - (300 if tone_hz else 0))
    if tone_hz:
        sound = sound + 300 * np.sin(2 * np.pi * tone_hz * np.arange(len(sound)) / rate)
    return sig.frequency_modulated(sound, rate)


def am_voice(rng, seconds, rate=24_000, depth=0.8):
    return 1 + depth * np.clip(sig.audio(seconds, rate, rng, 300, 2700), -1, 1) + 0j


def four_level(rng, seconds):
    return sig.dmr(rng, seconds)[0]


def two_slots(rng, seconds, begin=0.0, period=0.06):
    """27.5 ms bursts every 60 ms with 1.25 ms ramps in the guard time (ETSI TS 102 361-1)."""
    out = []
    for k in range(int((seconds - 0.03) / period)):
        iq = four_level(rng, 0.03)[: int(0.03 * 48_000)].copy()
        ramp = np.sin(np.pi / 2 * np.linspace(0, 1, 60)) ** 2
        iq[:60] *= ramp
        iq[-60:] *= ramp[::-1]
        out.append((begin + k * period, iq))
    return out


def music(rng, n, rate):
    x = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / rate)
    x *= np.where((f > 40) & (f < 14_000), 1 / np.sqrt(1 + (f / 800) ** 2), 0)
    wave = np.fft.irfft(x, n)
    t = np.arange(n) / rate
    knots = np.arange(0, n / rate + 0.4, 0.2)
    wave *= np.interp(t, knots, rng.uniform(0.1, 1, len(knots)))
    return wave / np.quantile(np.abs(wave), 0.995)


def broadcast_fm(rng, seconds, rate=300_000, loud=1.0):
    """Stereo, pilot and data at 57 kHz, 75 kHz peak (ITU-R BS.450, IEC 62106)."""
    n = int(seconds * rate)
    t = np.arange(n) / rate
    left, right = music(rng, n, rate), music(rng, n, rate)
    bits = np.repeat(rng.integers(0, 2, int(seconds * 1187.5) + 2) * 2 - 1, int(rate / 1187.5) + 1)[:n]
    sound = 0.45 * loud * np.clip(left + right, -2, 2) / 2
    other = 0.45 * loud * np.clip(left - right, -2, 2) / 2
    all_of_it = sound + 0.1 * np.sin(2 * np.pi * 19_000 * t) + other * np.sin(4 * np.pi * 19_000 * t)
    all_of_it += 0.03 * bits * np.sin(2 * np.pi * 57_000 * t)
    return np.exp(2j * np.pi * np.cumsum(75_000 * np.clip(all_of_it, -1, 1)) / rate)


def css(rng, spreading, width_hz, symbols, rate):
    """Up-chirps over `width_hz` begun at one of 2^spreading places, after eight plain ones: chirp spread spectrum."""
    count = 2**spreading
    length = count / width_hz
    n = round(length * rate)
    values = [0] * 8 + list(rng.integers(0, count, symbols))
    track = []
    for value in values:
        place = (np.arange(n) / n + value / count) % 1
        track.append((place - 0.5) * width_hz)
    return sig.frequency_modulated(np.concatenate(track), rate)


def multi_carrier(rng, seconds, rate, size, prefix, used):
    parts = []
    for _ in range(int(seconds * rate / (size + prefix)) + 1):
        grid = np.zeros(size, complex)
        grid[np.r_[1 : used // 2 + 1, -used // 2 : 0]] = np.exp(
            1j * np.pi / 2 * (rng.integers(0, 4, used) + 0.5)
        )
        body = np.fft.ifft(grid)
        parts += [body[-prefix:], body]
    return np.concatenate(parts)[: int(seconds * rate)]


def gsm_bursts(rng, seconds, slots, rate=1_083_332):
    """GMSK at 270.833 kBd, BT 0.3, bursts of 148 bits in slots of 577 us, eight to a frame (3GPP TS 45.002)."""
    out = []
    for k in range(int(seconds / (8 * 0.000577))):
        for slot in slots:
            bits = 2.0 * rng.integers(0, 2, 148) - 1
            iq = sig.frequency_modulated(67_708 * sig.gaussian_track(bits, 4, 0.3), rate)
            ramp = np.sin(np.pi / 2 * np.linspace(0, 1, 16)) ** 2
            iq[:16] *= ramp
            iq[-16:] *= ramp[::-1]
            out.append(((8 * k + slot) * 0.000577, iq))
    return out


def fading(rng, hz):
    """A Rayleigh envelope over time (Clarke's model), as a function of time."""
    angle, phase = rng.uniform(0, 2 * np.pi, 24), rng.uniform(0, 2 * np.pi, 24)

    def shape(t):
        total = sum(
            np.exp(1j * (2 * np.pi * hz * np.cos(a) * t + p)) for a, p in zip(angle, phase, strict=True)
        )
        return np.maximum(np.abs(total) / np.sqrt(24), 0.1)

    return shape


# -- scenes -------------------------------------------------------------------------------------------------------


def airband():
    """Aeronautical AM on the 8.33 kHz raster, neighbours busy, levels of aircraft far and near; VDL mode 2."""
    s = Scene("airband", 1_200_000, 128.0e6, 5, 101)
    rng = s.rng
    step = 25_000 / 3
    for n, (place, snr, begin, length) in enumerate(
        ((-60, 30, 0.3, 3.5), (-59, 28, 0.5, 3.8), (-58, 12, 0.2, 4.3), (-50, 45, 0.4, 4.0), (-48, 15, 1.0, 3.0),
         (-30, 8, 0.5, 4.0), (-24, 50, 0.3, 2.0), (-24, 22, 2.9, 1.7), (-9, 20, 0.2, 4.5), (6, 55, 0.2, 4.5),
         (9, 18, 0.4, 4.0), (30, 25, 0.3, 1.5), (30, 25, 2.5, 1.8))
    ):  # fmt: skip
        s.put(f"am{n}", "am", place * step, snr, [(begin, am_voice(rng, length))], 24_000)
    s.put("carrier", "carrier", 40 * step, 20, [(0.0, np.ones(5 * 24_000))], 24_000)
    bursts = [(t, sig.psk(rng, 0.12, 10_500, 8, 0.6)[0]) for t in (0.5, 1.4, 2.6, 3.3, 4.2)]
    s.put("vdl", "psk", 420e3, 22, bursts, 63_000, baud=10_500)
    return s


def marine():
    """Marine FM on the 25 kHz raster, side by side and 40 dB apart; AIS on its two channels."""
    s = Scene("marine", 1_200_000, 161.8e6, 5, 102)
    rng = s.rng
    for n, (place, snr, begin, length) in enumerate(
        ((-16, 50, 0.3, 4.2), (-15, 20, 0.6, 3.8), (-14, 45, 0.2, 4.5), (-12, 12, 0.3, 4.3), (-9, 25, 0.3, 4.3),
         (-8, 25, 0.3, 4.3), (-7, 25, 0.3, 4.3), (-6, 25, 0.3, 4.3), (2, 8, 0.4, 4.0), (14, 35, 0.5, 2.0), (14, 20, 3.2, 1.5))
    ):  # fmt: skip
        s.put(f"fm{n}", "nfm", place * 25e3, snr, [(begin, fm_voice(rng, length, 4500))], 48_000)
    for hz, slot in ((175e3, 0.0), (225e3, 0.3)):
        bursts = [(0.1 + slot + k * 0.56, sig.gmsk(rng, 0.026)[0]) for k in range(8)]
        s.put("ais", "fsk2", hz, 18, bursts, 48_000, baud=9600, deviation=2400)
    return s


def amateur():
    """70 cm: repeaters, packet radio, digital voice, BPSK, SSB and Morse near strong neighbours."""
    s = Scene("amateur", 1_024_000, 432.5e6, 6, 103)
    rng = s.rng
    s.put("repeater", "nfm", 300e3, 45, [(0.3, fm_voice(rng, 5.2, 4500, tone_hz=88.5))], 48_000)
    s.put("repeater2", "nfm", 325e3, 18, [(0.5, fm_voice(rng, 5.0, 2500))], 48_000)
    s.put("repeater3", "nfm", 275e3, 6, [(0.5, fm_voice(rng, 5.0, 3500))], 48_000)
    s.put(
        "packet",
        "nfm",
        0.0 + 30e3,
        15,
        [(t, sig.fm_afsk(rng, 0.35)[0]) for t in (0.4, 1.5, 3.1, 4.9)],
        48_000,
    )
    s.put("dv", "fsk4", 200e3, 20, [(0.5, four_level(rng, 5.0))], 48_000, baud=4800)
    s.put("dv2", "tdma4", 212.5e3, 20, two_slots(rng, 5.0, 0.5), 48_000, baud=4800)
    s.put("dv3", "tdma4", 225e3, 30, two_slots(rng, 5.0, 0.53), 48_000, baud=4800)
    s.put("bpsk", "psk", -100e3, 12, [(1.0, sig.psk(rng, 4.0, 1200, 2, 0.5, sps=10)[0])], 12_000, baud=1200)
    s.put("ssb", "ssb", -300e3, 20, [(0.5, sig.analytic(sig.audio(5.0, 12_000, rng, 300, 2700)))], 12_000)
    s.put("ssb2", "ssb", -292e3, 35, [(0.5, sig.analytic(sig.audio(5.0, 12_000, rng, 300, 2700)))], 12_000)
    s.put("cw", "cw", -350e3, 15, [(0.4, sig.cw(rng, 5.0)[0])], 12_000)
    s.put("cw2", "cw", -349.2e3, 30, [(0.4, sig.cw(rng, 5.0)[0])], 12_000)
    s.put("beacon", "carrier", -360e3, 25, [(0.0, np.ones(6 * 12_000))], 12_000)
    return s


def pmr():
    """446 MHz: FM voice and two-slot 4FSK on the 12.5 kHz raster, 40 dB between neighbours."""
    s = Scene("pmr446", 512_000, 446.1e6, 5, 104)
    rng = s.rng
    base = -93_750
    for n, (place, snr) in enumerate(((0, 40), (1, 12), (3, 20), (4, 20), (5, 20), (8, 50), (10, 10))):
        s.put(f"fm{n}", "nfm", base + place * 12.5e3, snr, [(0.3 + 0.05 * n, fm_voice(rng, 4.2, 2300, tone_hz=67 + 10 * n))], 48_000)  # fmt: skip
    for place, snr, begin in ((12, 25, 0.30), (13, 25, 0.33), (14, 20, 0.31), (15, 35, 0.345)):
        s.put("slots", "tdma4", base + place * 12.5e3, snr, two_slots(rng, 4.5, begin), 48_000, baud=4800, deviation=1944)  # fmt: skip
    return s


def ism433():
    """433 MHz: on-off and frequency keyed bursts of sensors, chirp spread packets."""
    s = Scene("ism433", 1_024_000, 433.92e6, 5, 105)
    rng = s.rng
    for n, (hz, snr) in enumerate(((-10e3, 30), (30e3, 15), (85e3, 45))):
        bursts = [(0.3 + 0.2 * n + k * 1.3, np.concatenate([sig.ook(rng, 0.08)[0]])) for k in range(3)]
        s.put(f"ook{n}", "ook", hz, snr, bursts, 48_000)
    for n, (hz, snr, baud, dev) in enumerate(
        ((-200e3, 20, 9600, 20e3), (-300e3, 12, 4800, 5e3), (250e3, 40, 38_400, 25e3))
    ):
        rate = 384_000
        bursts = []
        for k in range(4):
            bits = 2.0 * rng.integers(0, 2, int(0.03 * baud)) - 1
            bursts.append(
                (0.2 + 0.1 * n + k * 1.1, sig.frequency_modulated(dev * sig.held(bits, rate / baud), rate))
            )
        s.put(f"fsk{n}", "fsk2", hz, snr, bursts, rate, baud=baud, deviation=dev)
    for n, (hz, snr, sf) in enumerate(((400e3, 10, 9), (-420e3, 3, 10))):
        bursts = [(0.4 + n * 0.5 + k * 1.6, css(rng, sf, 125_000, 40, 500_000)) for k in range(2)]
        s.put(f"css{n}", "chirp", hz, snr, bursts, 500_000)
    return s


def ofdm_side():
    """DAB- and LTE-like multi-carrier blocks (ETSI EN 300 401 mode I; 15 kHz, 72 carriers) with narrow signals beside."""
    s = Scene("ofdm", 2_400_000, 223.0e6, 3, 106)
    rng = s.rng
    s.put("dab", "ofdm", -300e3, 15, [(0.0, multi_carrier(rng, 3.0, 2_048_000, 2048, 504, 1536))], 2_048_000)
    s.put("fm", "nfm", 620e3, 20, [(0.3, fm_voice(rng, 2.5))], 48_000)
    s.put("fm2", "nfm", 520e3, 30, [(0.3, fm_voice(rng, 2.5))], 48_000)
    s.put("gmsk", "fsk2", 900e3, 14, [(0.0, sig.frequency_modulated(67_708 * sig.gaussian_track(2.0 * rng.integers(0, 2, 3 * 270_833) - 1, 4, 0.3), 1_083_332))], 1_083_332, baud=270_833)  # fmt: skip
    s.put("carrier", "carrier", 700e3, 30, [(0.0, np.ones(3 * 24_000))], 24_000)
    return s


def lte():
    """A 1.08 MHz block that is on all the time, packets of a 1 MHz wireless network, narrow signals beside."""
    s = Scene("lte", 2_400_000, 866.0e6, 3, 107)
    rng = s.rng
    s.put("block", "ofdm", -600e3, 20, [(0.0, multi_carrier(rng, 3.0, 1_920_000, 128, 9, 72))], 1_920_000)
    packets = [(0.05 + 0.031 * k, multi_carrier(rng, 0.006, 1_000_000, 32, 8, 26)) for k in range(90)]
    s.put("packets", "ofdm", 500e3, 18, packets, 1_000_000)
    s.put("fm", "nfm", 1_080e3, 25, [(0.3, fm_voice(rng, 2.5))], 48_000)
    s.put(
        "css",
        "chirp",
        -20e3 + 40e3,
        12,
        [(0.2 + 0.9 * k, css(rng, 8, 125_000, 60, 500_000)) for k in range(3)],
        500_000,
    )
    return s


def shortwave():
    """9.6 MHz: AM that fades on a 5 kHz raster, SSB, Morse, radioteletype, 6.25 Bd MFSK, a time signal."""
    s = Scene("shortwave", 192_000, 9.6e6, 16, 108)
    rng = s.rng
    for n, (hz, snr) in enumerate(((-70e3, 30), (-60e3, 18), (-50e3, 45), (-40e3, 25), (-15e3, 22))):
        sound = 1 + 0.7 * np.clip(sig.audio(16, 24_000, rng, 80, 4500), -1, 1) + 0j
        s.put(f"am{n}", "am", hz, snr, [(0, sound)], 24_000, shape=fading(rng, 0.2))
    for n in range(5):
        tones = np.repeat(rng.integers(0, 8, 79), 960)
        s.put(f"mfsk{n}", "mfsk", 20e3 + 200 + 520 * n, 6 + 4 * n, [(1.0, sig.frequency_modulated(6.25 * tones, 6000))], 6000, baud=6.25)  # fmt: skip
    s.put("rtty", "fsk2", 35e3, 15, [(1, sig.fsk(rng, 14, 45.45, 85, 12_000)[0])], 12_000, baud=45.45, deviation=85)  # fmt: skip
    s.put("rtty2", "fsk2", 45e3, 18, [(1, sig.fsk(rng, 14, 50, 225, 12_000)[0])], 12_000, baud=50, deviation=225, shape=fading(rng, 0.3))  # fmt: skip
    s.put("ssb", "ssb", 5e3, 22, [(1, sig.analytic(sig.audio(13, 12_000, rng, 300, 2700)))], 12_000)
    s.put("ssb2", "ssb", 8e3, 12, [(1, sig.analytic(sig.audio(13, 12_000, rng, 300, 2700)))], 12_000)
    s.put("cw", "cw", 55e3, 12, [(1, sig.cw(rng, 14)[0])], 12_000)
    s.put("cw2", "cw", 55.5e3, 25, [(1, sig.cw(rng, 14)[0])], 12_000)
    t = np.arange(16 * 6000) / 6000
    tick = 1 + 0.8 * np.sin(2 * np.pi * 1000 * t) * (t % 1 < 0.1)
    s.put("time", "tick", 80e3, 30, [(0, tick + 0j)], 6000)
    s.put("fmcw", "chirp", 70e3, 10, [(3, sig.frequency_modulated(10e3 * ((np.arange(12 * 48_000) * 50 / 48_000) % 1 - 0.5), 48_000))], 48_000)  # fmt: skip
    return s


def sounder():
    """A chirp sounder of 100 kHz/s crosses what is on 768 kHz of shortwave."""
    s = Scene("sounder", 768_000, 7.3e6, 7, 109)
    rng = s.rng
    t = np.arange(int(6.6 * 768_000)) / 768_000
    s.put("sounder", "chirp", 0.0, 20, [(0.2, sig.frequency_modulated(-330e3 + 100e3 * t, 768_000))], 768_000)
    level = 10 * np.log10(50 / s.sent[-1].width_hz)
    s.spectrum *= np.float32(10 ** (level / 20))  # its SNR is that of a carrier
    for n, (hz, snr) in enumerate(((-200e3, 25), (-190e3, 35), (10e3, 15), (100e3, 30))):
        sound = 1 + 0.7 * np.clip(sig.audio(7, 24_000, rng, 80, 4500), -1, 1) + 0j
        s.put(f"am{n}", "am", hz, snr, [(0, sound)], 24_000)
    s.put("ssb", "ssb", -100e3, 20, [(0.4, sig.analytic(sig.audio(6.2, 12_000, rng, 300, 2700)))], 12_000)
    s.put("rtty", "fsk2", 200e3, 15, [(0.3, sig.fsk(rng, 6.4, 50, 225, 12_000)[0])], 12_000, baud=50, deviation=225)  # fmt: skip
    s.put("carrier", "carrier", 250e3, 15, [(0, np.ones(7 * 6000))], 6000)
    return s


def trunked():
    """Continuous 4FSK control channels side by side at 12.5 kHz, voice between; pi/4-DQPSK on a 25 kHz raster."""
    s = Scene("trunked", 1_024_000, 425.0e6, 4, 110)
    rng = s.rng
    for place, snr in ((-32, 25), (-31, 25), (-30, 20), (-29, 30), (-27, 45), (-26, 15)):
        s.put(
            "control",
            "fsk4",
            place * 12.5e3,
            snr,
            [(0, sig.c4fm(rng, 4.0)[0])],
            48_000,
            baud=4800,
            deviation=1800,
        )
    for n, place in enumerate((-25, -24)):
        s.put(f"fm{n}", "nfm", place * 12.5e3, 20, [(0.3, fm_voice(rng, 3.4))], 48_000)
    for place, snr in ((-4, 25), (-3, 22), (-2, 18), (-1, 15), (2, 30), (3, 12), (6, 8)):
        s.put("pi4", "psk", place * 25e3, snr, [(0, sig.psk(rng, 4.0, 18_000, 4, 0.35, np.pi / 4)[0])], 108_000, baud=18_000)  # fmt: skip
    for place, snr, begin in ((20, 22, 0.2), (21, 18, 0.21), (22, 30, 0.23)):
        s.put(
            "slots",
            "tdma4",
            place * 12.5e3,
            snr,
            two_slots(rng, 3.6, begin),
            48_000,
            baud=4800,
            deviation=1944,
        )
    for place in (27, 28, 29, 30, 31):
        s.put("fm-row", "nfm", place * 12.5e3, 25, [(0.2 + 0.03 * (place % 4), fm_voice(rng, 3.6))], 48_000)
    return s


def gsm():
    """200 kHz GMSK carriers: one on in all slots, others in some, neighbours 20 dB apart."""
    s = Scene("gsm", 2_400_000, 945.0e6, 2, 111)
    rng = s.rng
    for place, snr, slots in (
        (-5, 25, range(8)),
        (-4, 12, (0, 3)),
        (-2, 30, (1,)),
        (0, 20, range(8)),
        (1, 20, range(8)),
        (4, 8, (2, 4, 5)),
    ):
        s.put(
            f"gsm{place}",
            "fsk2",
            place * 200e3 + 20e3,
            snr,
            gsm_bursts(rng, 1.99, slots),
            1_083_332,
            baud=270_833,
        )
    return s


def fm_band():
    """Broadcast FM on a 100 kHz raster, from 12 to 50 dB; neighbours at 200 kHz."""
    s = Scene("fm-band", 2_400_000, 98.05e6, 3, 112)
    for hz, snr, loud in ((-1.05e6, 35, 1), (-0.85e6, 22, 0.4), (-0.55e6, 12, 1), (-0.25e6, 45, 1), (0.05e6, 30, 0.3), (0.35e6, 9, 0.5), (0.65e6, 20, 1), (0.95e6, 50, 1)):  # fmt: skip
        s.put("wfm", "wfm", hz, snr, [(0, broadcast_fm(s.rng, 3.0, loud=loud))], 300_000)
    return s


def pulses():
    """Pairs of 3.5 us pulses (ICAO Annex 10 vol. I, DME) and 1 us pulses of a radar."""
    s = Scene("pulses", 4_800_000, 1030.9e6, 1, 113)
    rng, rate = s.rng, 4_800_000
    t = np.arange(-20, 21) / rate
    bell = np.exp(-4 * np.log(2) * (t / 3.5e-6) ** 2)
    pair = np.zeros(120)
    pair[:41] += bell
    at = round(12e-6 * rate)
    pair[at : at + 41] += bell
    times = np.sort(rng.uniform(0.01, 0.98, 900))
    s.put("dme", "pulse", 1.1e6, 25, [(x, pair + 0j) for x in times], rate)
    radar = [(0.01 + k * 0.001, np.ones(10) + 0j) for k in range(970)]
    s.put("radar", "pulse", -1.3e6, 20, radar, rate)
    s.put("fm", "nfm", 300e3, 30, [(0.1, fm_voice(rng, 0.8))], 48_000)
    return s


def answers():
    """SSB stations that answer each other after 0.4 to 1.2 s, at like and at other levels, 0 to 60 Hz apart."""
    s = Scene("answers", 48_000, 14.2e6, 16, 114)
    rng = s.rng
    for hz, change_db, off_hz, gap in (
        (-15e3, -8, 40, 0.6),
        (-5e3, -12, 0, 0.4),
        (5e3, -6, 60, 0.9),
        (15e3, 1, 90, 1.2),
    ):
        for n in range(3):
            wave = sig.analytic(sig.audio(4.0, 12_000, rng, 300, 2700))
            begin = 0.5 + n * (4.0 + gap)
            s.put(f"ssb{n}", "ssb", hz + (off_hz if n % 2 else 0), 25 + (change_db if n % 2 else 0), [(begin, wave)], 12_000)  # fmt: skip
    return s


SCENES = (airband, marine, amateur, pmr, ism433, ofdm_side, lte, shortwave, sounder, trunked, gsm, fm_band, pulses, answers)  # fmt: skip


def run(names=(), *, loud=False):
    """Survey the scenes, as they are and through a cheap receiver; print the score of each and of all."""
    total = Score()
    for make in SCENES:
        if names and make.__name__ not in names:
            continue
        scene = make()
        for cheap in (False, True):
            result = score(scene, surveyed(scene, cheap))
            total.add(result)
            print(f"  {scene.name + (' cheap' if cheap else ''):16s} {result.line()}", flush=True)
            if loud:
                for note in result.notes:
                    print(f"      {note}", flush=True)
    print(f"  all              {total.line()}")


if __name__ == "__main__":
    run([n for n in sys.argv[1:] if n != "-v"], loud="-v" in sys.argv)
