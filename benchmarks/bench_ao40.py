"""AO-40 code: frame success against Eb/N0 beside the limit, false frames in noise, speed with and without a signal.

    python benchmarks/bench_ao40.py [frames per point, default 20] [sensitivity|false|speed ...]

Eb is the energy of an information bit: 2048 of them in 5200 symbols. The limit is the same code behind ideal
coherent detection of reversals compared with the one before (carrier, clock and frame known), drawn at random.
"""

import sys
import time

import numpy as np

from curves import crossing
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.ao40 import code, synth

RATE_HZ = 10_272.0
FALSE_MINUTES = 10
MODE = get_mode("ao40")
ITEM = synth.examples()[0]
SHARE = 8 * code.DATA_OCTETS / code.SYMBOLS


def heard(samples, rate):
    demodulator = MODE.demodulator()
    out = []
    for at in range(0, len(samples), 24_000):
        out += demodulator.feed(Samples(samples[at : at + 24_000], rate, 145e6, at, 0))
    return out + list(demodulator.close())


def noise(rng, count, audio=False):
    data = rng.standard_normal(count)
    return (0.1 * data).astype(np.float32) if audio else (0.1 * (data + 1j * rng.standard_normal(count))).astype(np.complex64)  # fmt: skip


def trial(rng, ebn0_db):
    sent = synth.transmit(ITEM, RATE_HZ)
    lead = round(rng.uniform(0.2, 1.0) * RATE_HZ)
    iq = np.zeros(len(sent) + 2 * lead, complex)
    seconds = np.arange(len(sent)) / RATE_HZ
    turn = rng.uniform(-500, 500) * seconds + rng.uniform(-7, 7) * seconds**2 + rng.random()
    iq[lead : lead + len(sent)] = sent * np.exp(2j * np.pi * turn)
    power = RATE_HZ / synth.BAUD_HZ / SHARE * 10 ** (-ebn0_db / 10)
    iq += np.sqrt(power / 2) * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
    return synth.payloads(ITEM)[0] in [
        frame.bits for frame in heard((0.1 * iq).astype(np.complex64), RATE_HZ)
    ]


def ideal(rng, ebn0_db):
    symbols = 2.0 * code.encode(synth.data_of(ITEM)) - 1
    phases = np.concatenate([[1.0], np.cumprod(symbols)])
    rail = phases + rng.standard_normal(len(phases)) * np.sqrt(0.5 / SHARE * 10 ** (-ebn0_db / 10))
    soft = np.sign(rail[1:] * rail[:-1]) * np.minimum(np.abs(rail[1:]), np.abs(rail[:-1]))
    got = code.decode(soft.astype(np.float32))
    return got is not None and got[0] == synth.data_of(ITEM)


def sensitivity(frames):
    rng = np.random.default_rng(1)
    ours = [(db, np.mean([trial(rng, db) for _ in range(frames)])) for db in np.arange(3.0, 7.1, 0.5)]
    limit = [(db, np.mean([ideal(rng, db) for _ in range(frames)])) for db in np.arange(2.0, 6.1, 0.25)]
    print("ours: " + " ".join(f"{db:.1f} dB {share:.2f}" for db, share in ours))
    print("limit: " + " ".join(f"{db:.2f} dB {share:.2f}" for db, share in limit))
    print(
        f"90 % at {crossing(ours):.1f} dB, limit {crossing(limit):.1f} dB, gap {crossing(ours) - crossing(limit):+.1f} dB"
    )


def false():
    rng = np.random.default_rng(2)
    for kind, rate in (("I/Q", RATE_HZ), ("audio", 48_000.0)):
        found = sum(
            len(heard(noise(rng, int(60 * rate), kind == "audio"), rate)) for _ in range(FALSE_MINUTES)
        )
        print(f"false frames in {FALSE_MINUTES} minutes of noise, {kind}: {found}")


def speed():
    rng = np.random.default_rng(3)
    for kind, rate in (("I/Q", RATE_HZ), ("audio", 48_000.0)):
        data = noise(rng, int(60 * rate), kind == "audio")
        began = time.process_time()
        heard(data, rate)
        print(f"noise, {kind}: {60 / (time.process_time() - began):.0f} x real time")
    iq = np.tile(synth.transmit(ITEM, RATE_HZ), 12)
    iq = (0.1 * iq + 0.3 * noise(rng, len(iq))).astype(np.complex64)
    began = time.process_time()
    count = len(heard(iq, RATE_HZ))
    print(
        f"frames without pause: {len(iq) / RATE_HZ / (time.process_time() - began):.0f} x real time, {count} frames"
    )


def main():
    words = sys.argv[1:]
    frames = int(words.pop(0)) if words and words[0].isdigit() else 20
    wanted = words or ["sensitivity", "false", "speed"]
    if "sensitivity" in wanted:
        sensitivity(frames)
    if "false" in wanted:
        false()
    if "speed" in wanted:
        speed()


if __name__ == "__main__":
    main()
