"""DSC: calls received against Eb/N0 beside theory, VHF and MF/HF, false calls in noise, speed.

    python benchmarks/bench_dsc.py [calls per point, default 100]

Theory: orthogonal tones, square-law detection without phase, both copies of each character combined with
known clock and carrier (error probability of L-fold diversity, Proakis, Digital Communications, multichannel
non-coherent binary signals; from memory), union bound over the distances of the 128 words, all characters right.
"""

import sys
import time

import numpy as np

from curves import crossing, diversity_error
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.dsc import synth
from earwitness.modes.dsc.code import WORDS

GAP_LIMIT_DB = 2.0
KINDS = {  # rate, centre, bit rate, carrier error
    "vhf": (21_400.0, 156.525e6, 1200.0, 1500.0),
    "hf": (2_000.0, 8_414_500.0, 100.0, 60.0),
}


def theory(ebn0_db, characters):
    ebn0 = 10 ** (ebn0_db / 10)
    apart = (WORDS[:, None] != WORDS[None]).sum(axis=2)
    wrong = sum((apart == d).sum() / 128 * diversity_error(ebn0, 2 * d) for d in range(2, 11))
    return max(0.0, 1 - wrong) ** characters


def listen(iq, rate_hz, center_hz):
    mode = get_mode("dsc")
    demodulator = mode.demodulator()
    frames = list(demodulator.feed(Samples(iq, rate_hz, center_hz, 0, 0))) + list(demodulator.close())
    assembler = mode.assembler()
    return [m for frame in frames for m in assembler.feed(frame)] + assembler.close()


def sensitivity(kind, count, levels_db):
    rate_hz, center_hz, bit_rate, reach_hz = KINDS[kind]
    item = {**synth.examples()[2], "variant": kind}
    symbols = len(synth.symbols_of(item)) + 2
    wave = synth.transmit(item, rate_hz)
    want = synth.payloads(item)[0]
    print(f"{kind}: call of {symbols} characters, {bit_rate:.0f} Bd; Eb/N0 of one transmitted bit")
    ours, ideal = [], []
    wrong = 0
    for ebn0_db in levels_db:
        rng = np.random.default_rng(int(ebn0_db * 10))
        right = 0
        for _ in range(count):
            lead = int(rng.integers(1000, 4000))
            iq = np.zeros(lead + len(wave) + 2000, complex)
            turn = rng.uniform(-reach_hz, reach_hz) * np.arange(len(wave)) / rate_hz + rng.random()
            iq[lead : lead + len(wave)] = wave * np.exp(2j * np.pi * turn)
            noise = rate_hz / bit_rate * 10 ** (-ebn0_db / 10)
            iq += np.sqrt(noise / 2) * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq)))
            got = [m.frame.bits for m in listen((0.1 * iq).astype(np.complex64), rate_hz, center_hz)]
            right += want in got
            wrong += sum(bits != want for bits in got)
        ours.append((ebn0_db, right / count))
        ideal.append((ebn0_db, theory(ebn0_db, symbols)))
        print(f"{ebn0_db:6.1f} dB   ours {right / count:6.3f}   theory {ideal[-1][1]:6.3f}")
    gap = crossing(ours) - crossing(ideal)
    print(f"90 %: {crossing(ours):.2f} dB, theory {crossing(ideal):.2f} dB, gap {gap:.2f} dB, limit {GAP_LIMIT_DB} dB, "
          f"ratio {gap / GAP_LIMIT_DB:.2f}; wrong calls {wrong} (limit 0)")  # fmt: skip


def noise(minutes):
    for kind, (rate_hz, center_hz, *_) in KINDS.items():
        rng = np.random.default_rng(3)
        mode = get_mode("dsc")
        demodulator = mode.demodulator()
        got, spent = 0, 0.0
        for second in range(60 * minutes):
            size = int(rate_hz)
            iq = (0.05 * (rng.normal(size=size) + 1j * rng.normal(size=size))).astype(np.complex64)
            began = time.process_time()
            got += len(list(demodulator.feed(Samples(iq, rate_hz, center_hz, second * size, 0))))
            spent += time.process_time() - began
        print(f"{kind}: calls in {minutes} minutes of noise: {got} (limit 0); {60 * minutes / spent:.0f} x real time,"
              f" {1e9 * spent / (60 * minutes * rate_hz):.0f} ns a sample (CPU time)")  # fmt: skip


def voice(seconds):
    """What it costs to listen on a VHF channel in use for voice, 20 dB over the noise."""
    rate_hz, center_hz, *_ = KINDS["vhf"]
    fm = get_mode("fm").part("synth")
    talk = np.concatenate([fm.transmit(item, rate_hz) for item in fm.examples()])
    rng = np.random.default_rng(4)
    demodulator, got, spent = get_mode("dsc").demodulator(), 0, 0.0
    size = int(rate_hz)
    for second in range(seconds):
        iq = talk[np.arange(second * size, (second + 1) * size) % len(talk)]
        iq = iq + 0.08 * (rng.normal(size=size) + 1j * rng.normal(size=size))
        began = time.process_time()
        got += len(
            list(
                demodulator.feed(
                    Samples((0.1 * iq).astype(np.complex64), rate_hz, center_hz, second * size, 0)
                )
            )
        )
        spent += time.process_time() - began
    print(
        f"vhf: calls in {seconds} s of voice: {got} (limit 0); {seconds / spent:.0f} x real time (CPU time; limit 50)"
    )


if __name__ == "__main__":
    calls = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    sensitivity("vhf", calls, np.arange(5.5, 10.1, 0.5))
    sensitivity("hf", max(calls // 4, 5), np.arange(5.5, 8.6, 0.5))
    noise(10)
    voice(60)
