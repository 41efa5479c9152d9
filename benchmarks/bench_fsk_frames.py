"""Framed FSK: frame success against Eb/N0 beside theory, false frames in noise, speed with and without a signal.

    python benchmarks/bench_fsk_frames.py [frames per point, default 40] [sensitivity|false|speed ...]

Theory is non-coherent detection of orthogonal tones, symbol errors of p = exp(-Eb / 2 N0) / 2 (Eb of a symbol on the
line), through each framing's code: Mobitex blocks pass when no octet's word of 12 bits has more than one wrong,
Reed-Solomon when 16 octets or fewer are wrong, a chip's packet when nothing is; sync words as the receiver allows.
"""

import sys
import time
from math import comb, exp

import numpy as np

from curves import crossing
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.fsk_frames import synth

RATE_HZ = 51_360.0
FALSE_MINUTES = 10
MODE = get_mode("fsk-frames")
EXAMPLES = synth.examples()


def at_most(count: int, wrong: int, p: float) -> float:
    return sum(comb(count, k) * p**k * (1 - p) ** (count - k) for k in range(wrong + 1))


def theory(item, g: float) -> float:
    p = 0.5 * exp(-g / 2)
    octets = len(item["data_hex"]) // 2
    if item["framing"] == "mobitex":
        return at_most(16, 1, p) * at_most(12, 1, p) ** (2 + octets // 18 * 20)
    if item["framing"] == "golay":
        return at_most(32, 3, p) * at_most(24, 3, p) * at_most(octets + 32, 16, 1 - (1 - p) ** 8)
    if item["framing"] == "flags-convolutional":
        return float(
            "nan"
        )  # no formula: the code's gain at its symbols' error rate is measured, not computed
    return (1 - p) ** (8 * (octets + 7))


KINDS = {
    "Mobitex 4800, 6 blocks": EXAMPLES[0],
    "Golay length 9600": EXAMPLES[2],
    "chip packet 9600": EXAMPLES[7],
    "chip packet 19200": {**EXAMPLES[7], "baud": 19_200},
    "flags, convolutional, 1200": EXAMPLES[9],
}
WIDE_HZ = 102_720.0  # of channels for 19 200 a second


def rate_of(item):
    return WIDE_HZ if item["baud"] > 9600 else RATE_HZ


def heard(iq, rate=RATE_HZ):
    demodulator = MODE.demodulator()
    out = []
    for at in range(0, len(iq), 24_000):
        out += demodulator.feed(Samples(iq[at : at + 24_000], rate, 435e6, at, 0))
    return out + list(demodulator.close())


def noise(rng, count, audio=False):
    data = rng.standard_normal(count)
    return (0.1 * data).astype(np.float32) if audio else (0.1 * (data + 1j * rng.standard_normal(count))).astype(np.complex64)  # fmt: skip


def trial(rng, item, ebn0_db):
    rate = rate_of(item)
    sent = synth.transmit(item, rate)
    lead = round(rng.uniform(0.15, 0.3) * rate)
    iq = np.zeros(len(sent) + 2 * lead, complex)
    turn = rng.uniform(-1000, 1000) * np.arange(len(sent)) / rate + rng.random()
    iq[lead : lead + len(sent)] = sent * np.exp(2j * np.pi * turn)
    power = rate / item["baud"] * 10 ** (-ebn0_db / 10)
    iq += np.sqrt(power / 2) * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
    return synth.payloads(item)[0] in [frame.bits for frame in heard((0.1 * iq).astype(np.complex64), rate)]


def sensitivity(frames):
    rng = np.random.default_rng(1)
    for name, item in KINDS.items():
        grid = np.arange(7.0, 15.1, 1.0)
        ours = [(db, np.mean([trial(rng, item, db) for _ in range(frames)])) for db in grid]
        fine = [(db, theory(item, 10 ** (db / 10))) for db in np.arange(5, 17, 0.05)]
        print(f"{name}: " + " ".join(f"{db:.0f} dB {share:.2f}" for db, share in ours))
        print(
            f"  90 % at {crossing(ours):.1f} dB, theory {crossing(fine):.1f} dB, gap {crossing(ours) - crossing(fine):+.1f} dB"
        )


def false():
    rng = np.random.default_rng(2)
    for kind in ("I/Q", "audio"):
        rate = RATE_HZ if kind == "I/Q" else 48_000.0
        found = 0
        for _ in range(FALSE_MINUTES):
            found += len(heard(noise(rng, int(60 * rate), kind == "audio"), rate))
        print(f"false frames in {FALSE_MINUTES} minutes of noise, {kind}: {found}")


def speed():
    rng = np.random.default_rng(3)
    heard(noise(rng, 100_000))  # what is loaded once counts for nothing
    for kind in ("I/Q", "audio"):
        rate = RATE_HZ if kind == "I/Q" else 48_000.0
        data = noise(rng, int(60 * rate), kind == "audio")
        began = time.process_time()
        heard(data, rate)
        print(f"noise, {kind}: {60 / (time.process_time() - began):.0f} x real time")
    for name, item in KINDS.items():
        rate = rate_of(item)
        sent = synth.transmit(item, rate)
        iq = np.concatenate(
            [np.concatenate([sent, np.zeros(2000)]) for _ in range(int(30 * rate / len(sent)))]
        )
        iq = (0.1 * iq + 0.02 * noise(rng, len(iq))).astype(np.complex64)
        began = time.process_time()
        count = len(heard(iq, rate))
        took = time.process_time() - began
        print(f"{name} without pause: {len(iq) / rate / took:.0f} x real time, {count} frames")


def main():
    words = sys.argv[1:]
    frames = int(words.pop(0)) if words and words[0].isdigit() else 40
    wanted = words or ["sensitivity", "false", "speed"]
    if "sensitivity" in wanted:
        sensitivity(frames)
    if "false" in wanted:
        false()
    if "speed" in wanted:
        speed()


if __name__ == "__main__":
    main()
