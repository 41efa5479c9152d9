"""Mode S: speed with 1000 messages a second, success against Eb/N0 beside theory, false messages in noise.

python benchmarks/bench_mode_s.py [speed] [curve] [rates] [overlap] [noise] [minutes]
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np

from curves import crossing
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.modes.mode_s import parity, synth
from earwitness.modes.mode_s.messages import Assembler

MODE = get_mode("mode-s")
CENTER_HZ = 1090e6


def feed(x: np.ndarray, rate_hz: float, block: int = 65536) -> tuple[list[Frame], float]:
    demodulator = MODE.demodulator()
    frames: list[Frame] = []
    began = time.process_time()
    for at in range(0, len(x), block):
        frames += demodulator.feed(Samples(x[at : at + block], rate_hz, CENTER_HZ, at, 0))
    frames += demodulator.close()
    return frames, time.process_time() - began


def noise(rng: np.random.Generator, count: int, power: float) -> np.ndarray:
    out = rng.standard_normal((count, 2), np.float32) * np.float32(math.sqrt(power / 2))
    return out.view(np.complex64)[:, 0]


def squitter(rng: np.random.Generator, address: int) -> Bits:
    me = 11 << 51 | int(rng.integers(1 << 51))
    value = 17 << 107 | 5 << 104 | address << 80 | me << 24
    return Bits(parity.seal(value, 112), 112)


def place(
    x: np.ndarray, bits: Bits, at_us: float, rate_hz: float, amplitude: float, offset_hz: float, phase: float
) -> None:
    whole = math.floor(at_us * rate_hz * 1e-6)
    wave = synth.burst(bits, rate_hz, delay_us=at_us - whole / (rate_hz * 1e-6))
    n = np.arange(len(wave))
    x[whole : whole + len(wave)] += wave * (
        amplitude * np.exp(1j * (2 * np.pi * offset_hz * n / rate_hz + phase))
    )


def pulse_energy_us() -> float:
    """Give the energy of one pulse of height 1 as it was drawn, in us."""
    t = np.arange(-1, 2, 1e-3)
    return float((synth._trapezoid(t, 0.0, 0.5) ** 2).sum() * 1e-3)


def theory(ebn0_db: float) -> float:
    """Envelope detection of binary orthogonal pulses: Pb = exp(-x/2)/2 (Proakis), all 112 bits right."""
    return (1 - 0.5 * math.exp(-(10 ** (ebn0_db / 10)) / 2)) ** 112


def success(
    rate_hz: float, ebn0_db: float, count: int, seed: int, steady: bool = True
) -> tuple[float, float, int]:
    """Give the share decoded clean, the share reported by the assembler, and the false messages."""
    rng = np.random.default_rng(seed)
    gap_us = 400
    x = np.zeros(int((count + 6) * gap_us * 1e-6 * rate_hz), np.complex64)
    power = pulse_energy_us() / 10 ** (ebn0_db / 10) * rate_hz * 1e-6
    sent = set()
    for n in range(count + 4):
        strong = 10 if n < 8 else 1  # the first of each aircraft is heard well
        bits = squitter(rng, 0x400000 + n % 8)
        sent.add(bits)
        place(
            x,
            bits,
            n * gap_us + 20 + rng.uniform(0, 100),
            rate_hz,
            strong,
            rng.uniform(-2e5, 2e5),
            rng.uniform(0, 6.28),
        )
    frames, _ = feed(x + noise(rng, len(x), power), rate_hz)
    clean = sum(frame.check == "pass" and frame.bits in sent for frame in frames)
    assembler = Assembler()
    told = [m.frame.bits for frame in frames for m in assembler.feed(frame)]
    told += [m.frame.bits for m in assembler.close()]
    right = sum(bits in sent for bits in told)
    return (clean - 8) / (count - 4), (right - 8) / (count - 4), len(told) - right


def curve(rate_hz: float = 2.4e6, count: int = 400) -> None:
    ideal = crossing([(d / 20, theory(d / 20)) for d in range(100, 300)])
    print(
        f"success against Eb/N0, {rate_hz / 1e6:g} MS/s, random phase and offset to 200 kHz, {count} squitters a point"
    )
    print("Eb/N0 dB   theory    clean   with correction   false")
    clean, told = [], []
    for d in range(12, 27):
        a, b, false = success(rate_hz, d / 2, count, d)
        clean.append((d / 2, a))
        told.append((d / 2, b))
        print(f"{d / 2:7.1f} {theory(d / 2):9.3f} {a:8.3f} {b:12.3f} {false:12d}")
    for name, points in (("clean parity only", clean), ("with correction", told)):
        gap = crossing(points) - ideal
        print(
            f"90 % at {crossing(points):.2f} dB ({name}); theory {ideal:.2f}; gap {gap:+.2f} dB, limit 2; ratio {gap / 2:.2f}"
        )


def rates(count: int = 400) -> None:
    """Print how much of squitters is told at the rates that cheap receivers have."""
    print(f"share told by Eb/N0, {count} squitters a point; theory at 11, 12, 13 dB: "
          + ", ".join(f"{theory(d):.3f}" for d in (11, 12, 13)))  # fmt: skip
    for rate_hz in (2.0e6, 2.1e6, 2.2e6, 2.3e6, 2.4e6, 3.0e6, 4.0e6):
        points = [success(rate_hz, d, count, 2 * d) for d in (11, 12, 13)]
        false = sum(point[2] for point in points)
        print(f"{rate_hz / 1e6:.1f} MS/s: " + ", ".join(f"{p[1]:.3f}" for p in points) + f"; {false} false")


def traffic(rng: np.random.Generator, count: int, seconds: float) -> list[tuple[float, Bits]]:
    """Give what a hundred aircraft send at random times, in order of time: all-calls and squitters of each kind."""
    origin = rng.uniform((40.0, 0.0), (50.0, 15.0), (100, 2))
    speed_kn, track = rng.uniform(120, 500, 100), rng.uniform(0, 2 * np.pi, 100)
    out = []
    for n, at_s in enumerate(np.sort(rng.uniform(0, seconds - 2e-4, count)).tolist()):
        k = int(rng.integers(100))
        who = {"icao_address": f"{0x400000 + k:06X}"}
        moved = speed_kn[k] * at_s / 3600 / 60
        place_deg = {
            "latitude_deg": origin[k, 0] + moved * math.cos(track[k]),
            "longitude_deg": origin[k, 1] + moved * math.sin(track[k]) / math.cos(math.radians(origin[k, 0])),
        }
        velocity = {
            "speed_kn": speed_kn[k],
            "track_deg": math.degrees(track[k]),
            "vertical_rate_fpm": 64 * (k % 9),
        }
        kind = rng.choice(5, p=(0.4, 0.27, 0.24, 0.06, 0.03))
        item = (
            {"kind": "all_call", **who},
            {
                "kind": "airborne_position",
                **who,
                **place_deg,
                "altitude_ft": 1000 * (k % 40),
                "odd": bool(n % 2),
            },
            {"kind": "velocity", **who, **velocity},
            {"kind": "identification", **who, "callsign": f"TEST{k}", "category": 3},
            {"kind": "operational_status", **who, "nac_p": 9, "sil": 3},
        )[kind]
        out.append((at_s, synth.encode_item(item)))
    return out


def speed(rate_hz: float = 2.4e6, seconds: float = 4.0, rate: int = 1000) -> None:
    rng = np.random.default_rng(7)
    x = noise(rng, int(seconds * rate_hz), 1e-4)
    sent = set()
    for at_s, bits in traffic(rng, int(seconds * rate), seconds):
        sent.add(bits)
        level = 10 ** (rng.uniform(8, 35) / 20) * 1e-2
        place(x, bits, at_s * 1e6, rate_hz, level, rng.uniform(-2e5, 2e5), rng.uniform(0, 6.28))
    runs: dict[str, list[float]] = {"bare": [], "demodulator": [], "both": []}
    for _ in range(9):  # in turn, so that what else the machine does falls on all of them alike
        began = time.process_time()
        for at in range(0, len(x), 65536):
            np.abs(x[at : at + 65536])
        runs["bare"].append(time.process_time() - began)
        runs["demodulator"].append(feed(x, rate_hz)[1])
        # messages go on as they come, and are let go of as a survey lets go of them
        told = placed = false = 0
        demodulator, assembler = MODE.demodulator(), Assembler()
        spent = 0.0
        for at in range(0, len(x), 65536):
            began = time.process_time()
            part = Samples(x[at : at + 65536], rate_hz, CENTER_HZ, at, 0)
            last = at + 65536 >= len(x)
            frames = [*demodulator.feed(part), *(demodulator.close() if last else ())]
            messages = [m for frame in frames for m in assembler.feed(frame)]
            messages += assembler.close() if last else ()
            spent += time.process_time() - began
            told += len(messages)
            placed += sum("latitude_deg" in message.fields for message in messages)
            false += sum(message.frame.bits not in sent for message in messages)
        runs["both"].append(spent)
    bare, demodulation, whole = (min(times) for times in runs.values())
    print(
        f"{int(seconds * rate)} messages of 100 aircraft at random times, {told} told, {placed} with a place, "
        f"{false} of them false; limit 0"
    )
    for name, spent in (("demodulator", demodulation), ("demodulator and assembler", whole)):
        print(
            f"{name}: {seconds / spent:.0f} x real time at {rate_hz / 1e6:g} MS/s, {rate} messages/s "
            f"({told / seconds:.0f}/s told), limit 40; ratio {seconds / spent / 40:.2f}; "
            f"{spent / bare:.1f} bare passes (magnitudes only, {len(x) / bare / 1e6:.0f} MS/s)"
        )


def one_of_hundred(k: int) -> int:
    """Give an address; none is one or two bits from another, as addresses of one fleet can be."""
    return (k + 1) * 0x9E3779 & 0xFFFFFF


def any_reply(rng: np.random.Generator) -> Bits:
    """Give a squitter, an all-call, or a surveillance or Comm-B reply of one of a hundred aircraft."""
    address = one_of_hundred(int(rng.integers(100)))
    kind = rng.choice(4, p=(0.4, 0.2, 0.2, 0.2))
    if kind == 0:
        return squitter(rng, address)
    if kind == 1:
        return Bits(parity.seal((11 << 27 | 5 << 24 | address) << 24, 56), 56)
    identity = int(rng.integers(1 << 12)) & 0x1FBF
    if kind == 2:
        return Bits(parity.seal((5 << 27 | identity) << 24, 56, address), 56)
    return Bits(
        parity.seal((21 << 27 | identity) << 80 | int(rng.integers(1 << 56)) << 24, 112, address), 112
    )


def overlaps(
    rng: np.random.Generator,
    count: int,
    down_db: float,
    shift_us: tuple[float, float],
    snr_db: float,
    rate_hz: float,
) -> tuple[float, float, int]:
    """Give the shares read of the stronger and of the weaker of two replies that overlap, and false messages.

    Lengths, which of them comes first, phases and carriers (within 500 kHz, each its own) are drawn anew for each.
    """
    gap_us = 700
    x = np.zeros(int((21000 + (count + 1) * gap_us) * 1e-6 * rate_hz), np.complex64)
    known: set[Bits] = set()
    power = 10 ** (-snr_db / 10) / 2  # noise in the whole rate over the mean power of the stronger's bits
    strong, weak = set(), set()
    for k in range(100):  # each aircraft is heard once in the clear
        bits = squitter(rng, one_of_hundred(k))
        place(x, bits, 20 + k * 200, rate_hz, 1.0, rng.uniform(-5e5, 5e5), rng.uniform(0, 6.28))
        known.add(bits)
    for n in range(count):
        at_us = 21000 + n * gap_us + rng.uniform(0, 10)
        apart_us = rng.uniform(*shift_us)
        for level, kept, first in ((0.0, strong, bool(n % 2)), (-down_db, weak, not n % 2)):
            bits = any_reply(rng)
            kept.add(bits)
            start_us = at_us if first else at_us + apart_us
            place(
                x, bits, start_us, rate_hz, 10 ** (level / 20), rng.uniform(-5e5, 5e5), rng.uniform(0, 6.28)
            )
    frames, _ = feed(x + noise(rng, len(x), power), rate_hz)
    assembler = Assembler()
    told = [m.frame.bits for frame in frames for m in assembler.feed(frame)]
    told += [m.frame.bits for m in assembler.close()]
    read = set(told)
    return (
        len(read & strong) / count,
        len(read & weak) / count,
        sum(bits not in strong | weak | known for bits in told),
    )


def overlap(rate_hz: float = 2.4e6, count: int = 300, snr_db: float = 25.0) -> None:
    spans = ((2, 20), (20, 60), (60, 110))
    print(
        f"two overlapping replies, stronger at {snr_db:g} dB in {rate_hz / 1e6:g} MS/s, {count} pairs a point: "
        "shares read of the stronger / the weaker, by how far apart they start"
    )
    print("weaker by  " + "".join(f"{a:5d}-{b} us      " for a, b in spans) + "all         false")
    for down_db in (0, 1, 2, 3, 4, 6, 10):
        shares = [
            overlaps(np.random.default_rng((down_db, *span)), count // 3, down_db, span, snr_db, rate_hz)
            for span in spans
        ]
        mean = [sum(share[k] for share in shares) / len(shares) for k in range(2)]
        print(
            f"{down_db:5d} dB   "
            + "   ".join(f"{a:.2f} / {b:.2f}" for a, b in [*[share[:2] for share in shares], mean])
            + f" {sum(share[2] for share in shares):6d}"
        )


def false_alarms(minutes: float = 10.0, rate_hz: float = 2.4e6) -> None:
    rng = np.random.default_rng(11)
    demodulator = MODE.demodulator()
    assembler = Assembler()
    told = frames = 0
    block = 1 << 18
    for at in range(0, int(minutes * 60 * rate_hz), block):
        for frame in demodulator.feed(Samples(noise(rng, block, 1e-3), rate_hz, CENTER_HZ, at, 0)):
            frames += 1
            told += len(list(assembler.feed(frame)))
    print(f"{minutes:g} minutes of noise: {told} messages, limit 0 ({frames} frames held and dropped)")


def main() -> None:
    wanted = sys.argv[1:] or ["speed", "curve", "rates", "overlap", "noise"]
    if "speed" in wanted:
        speed()
    if "curve" in wanted:
        curve()
    if "rates" in wanted:
        rates()
    if "overlap" in wanted:
        overlap()
    if "noise" in wanted:
        false_alarms(float(wanted[-1]) if wanted[-1].replace(".", "").isdigit() else 10.0)


if __name__ == "__main__":
    main()
