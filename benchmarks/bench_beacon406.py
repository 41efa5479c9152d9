"""406 MHz beacons: bursts read against Eb/N0 beside theory, wrong and false ones, speed.

    python benchmarks/bench_beacon406.py [bursts per point, default 100]

Theory: of a carrier turned by +-1.1 rad sin^2(1.1) = 0.794 of the power is data, detected coherently with known
clock and carrier: p = Q(sqrt(2 sin^2(1.1) Eb/N0)). A long message is read when at most two of the 82 bits of its
first field and at most one of the 38 of its second are wrong, a short one when of its six unchecked bits none is.
Bursts have carriers within +-5 kHz, drifting up to 20 Hz/s, and clocks within +-1 %.
"""

import sys
import time
from math import comb, erfc, sin, sqrt

import numpy as np

from curves import crossing
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.dsp.speech import speech_like
from earwitness.modes.beacon406 import synth
from earwitness.modes.beacon406.messages import FIRST_CODE, SECOND_CODE

GAP_LIMIT_DB = 1.5
RATE_HZ, CENTER_HZ = 17_120.0, 406.04e6
MODE = get_mode("beacon406")


def at_most(count, size, p):
    return sum(comb(size, k) * p**k * (1 - p) ** (size - k) for k in range(count + 1))


def theory(ebn0_db, long):
    p = 0.5 * erfc(sqrt(sin(1.1) ** 2 * 10 ** (ebn0_db / 10)))
    return at_most(2, 82, p) * (at_most(1, 38, p) if long else at_most(0, 6, p))


def listen(data, rate_hz):
    demodulator = MODE.demodulator()
    frames = list(demodulator.feed(Samples(data, rate_hz, CENTER_HZ, 0, 0))) + list(demodulator.close())
    assembler = MODE.assembler()
    return [message for frame in frames for message in assembler.feed(frame)]


def sensitivity(name, number, count, levels_db):
    item = synth.examples()[number]
    want = synth.payloads(item)[0]
    long = want.size == 120
    print(f"{name} message; Eb/N0 of one transmitted bit, all power counted")
    ours, ideal = [], []
    wrong = partly = 0
    for ebn0_db in levels_db:
        rng = np.random.default_rng(int(ebn0_db * 10))
        right = 0
        for _ in range(count):
            wave = synth.transmit({**item, "clock_error": rng.uniform(-0.01, 0.01)}, RATE_HZ)
            time_s = np.arange(len(wave)) / RATE_HZ
            turn = rng.uniform(-5000, 5000) * time_s + 0.5 * rng.uniform(-20, 20) * time_s**2 + rng.random()
            lead = int(rng.integers(1000, 6000))
            iq = np.zeros(lead + len(wave) + 3000, complex)
            iq[lead : lead + len(wave)] = wave * np.exp(2j * np.pi * turn)
            noise = RATE_HZ / 400 * 10 ** (-ebn0_db / 10)
            iq += np.sqrt(noise / 2) * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq)))
            for message in listen((0.1 * iq).astype(np.complex64), RATE_HZ):
                got = message.frame.bits
                if got == want and not message.fields["self_test"]:
                    right += 1
                elif got.size == 82 and got.value == want.value >> (want.size - 82):
                    partly += 1
                else:
                    # six bits of a short message have no check: a slip there is not the first field's
                    wrong += got.value >> (got.size - 82) != want.value >> (want.size - 82)
        ours.append((ebn0_db, right / count))
        ideal.append((ebn0_db, theory(ebn0_db, long)))
        print(f"{ebn0_db:6.1f} dB   ours {right / count:6.3f}   theory {ideal[-1][1]:6.3f}", flush=True)
    gap = crossing(ours) - crossing(ideal)
    print(f"90 %: {crossing(ours):.2f} dB, theory {crossing(ideal):.2f} dB, gap {gap:.2f} dB, limit {GAP_LIMIT_DB} dB, "
          f"ratio {gap / GAP_LIMIT_DB:.2f}; first field alone {partly}, wrong {wrong} (limit 0) of {count * len(ours)}")  # fmt: skip


def quiet(what, pieces, rate_hz):
    """Print what is read in signals that hold no beacon."""
    got = samples = 0
    spent = 0.0
    for data in pieces:
        began = time.process_time()
        got += len(listen(data, rate_hz))
        spent += time.process_time() - began
        samples += len(data)
    seconds = samples / rate_hz
    print(f"{what}: {got} false in {seconds / 60:.0f} minutes (limit 0); {seconds / spent:.0f} x real time (CPU time), limit 20, "
          f"ratio {seconds / spent / 20:.1f}")  # fmt: skip


def others():
    rng = np.random.default_rng(3)
    size = int(60 * RATE_HZ)

    def noise():
        return (0.05 * (rng.normal(size=size) + 1j * rng.normal(size=size))).astype(np.complex64)

    listen(noise()[:40_000], RATE_HZ)
    quiet("noise", (noise() for _ in range(10)), RATE_HZ)
    speech = speech_like(60.0, RATE_HZ, 5)[:size]
    voice = np.exp(2j * np.pi * 2500 / RATE_HZ * np.cumsum(speech)).astype(np.complex64)
    quiet("voice on FM", (voice + noise() for _ in range(2)), RATE_HZ)
    keyed = np.exp(1j * 1.1 * (2.0 * rng.integers(0, 2, size)[np.arange(size) // 21] - 1))
    gates = (np.arange(size) // 3000) % 2
    quiet("phase keying, on and off", ((keyed * gates + noise()).astype(np.complex64) for _ in range(2)), RATE_HZ)  # fmt: skip
    quiet("audio, noise", (rng.normal(size=60 * 8000).astype(np.float32) for _ in range(5)), 8000.0)
    quiet("audio, speech", (speech_like(60.0, 8000.0, seed).astype(np.float32) for seed in range(5)), 8000.0)
    print(f"chance of random bits, first field with two corrected {FIRST_CODE.chance(2):.1e}, with none "
          f"{FIRST_CODE.chance(0):.1e}; second field with one {SECOND_CODE.chance(1):.1e}")  # fmt: skip


if __name__ == "__main__":
    bursts = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    sensitivity("long", 0, bursts, np.arange(3.5, 7.6, 0.5))
    sensitivity("short", 1, bursts, np.arange(3.5, 7.6, 0.5))
    others()
