"""NAVTEX: whole messages right against Eb/N0 beside theory, lost and wrong characters, noise, speed.

    python benchmarks/bench_navtex.py [messages per point, default 60]

Theory: orthogonal tones, square-law detection without phase, both copies of each character combined with
known clock and carrier: the error probability of L-fold diversity (Proakis, Digital Communications, multichannel
non-coherent binary signals; from memory) for each pair of code words, summed over the code's distances (union bound), all
characters of the message right.
"""

import sys
import time

import numpy as np

from curves import crossing, diversity_error
from earwitness.coding import ccir476
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.navtex import synth

RATE_HZ = 1333.0
GAP_LIMIT_DB = 2.0
ITEM = {
    "station": "Q",
    "subject": "A",
    "serial": 41,
    "text": "HOLLOW SOUND. BUOY NO 7 UNLIT\nPOSITION 58-12.5N 012-30.0W\nKEEP CLEAR",
    "phasing_pairs": 6,
}


def theory(ebn0_db, words):
    ebn0 = 10 ** (ebn0_db / 10)
    apart = (ccir476.WORDS[:, None] != ccir476.WORDS[None]).sum(axis=2)
    wrong = sum((apart[0] == d).sum() * diversity_error(ebn0, 2 * d) for d in (2, 4, 6))
    return max(0.0, 1 - wrong) ** words


def listen(iq, mode):
    demodulator = mode.demodulator()
    frames = list(demodulator.feed(Samples(iq, RATE_HZ, 518e3, 0, 0))) + list(demodulator.close())
    assembler = mode.assembler()
    return [m for frame in frames for m in assembler.feed(frame)] + assembler.close()


def received(rng, wave, ebn0_db, fading_hz=0.0):
    before = int(rng.integers(500, 1500))
    iq = np.zeros(before + len(wave) + 1500, complex)
    ramp = np.arange(len(wave)) / RATE_HZ
    drift = rng.uniform(-0.5, 0.5) * ramp**2 / 2
    turn = np.exp(2j * np.pi * (rng.uniform(-60, 60) * ramp + drift + rng.random()))
    if fading_hz:
        angles = rng.uniform(0, 2 * np.pi, (2, 16))
        turn *= sum(np.exp(1j * (2 * np.pi * fading_hz * np.cos(a) * ramp + b)) for a, b in angles.T) / 4
    iq[before : before + len(wave)] = wave * turn
    noise = RATE_HZ / 100 * 10 ** (-ebn0_db / 10)
    iq += np.sqrt(noise / 2) * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq)))
    return (0.1 * iq).astype(np.complex64)


def sensitivity(count, mode):
    wave = synth.transmit(ITEM, RATE_HZ)
    full = synth.full_text(ITEM)
    words = len(ccir476.to_indices(full))
    want = synth.payloads(ITEM)[0]
    print(f"message of {words} characters; Eb/N0 of one transmitted bit")
    print("Eb/N0 dB   whole  theory   kept   lost characters  wrong characters")
    ours, ideal = [], []
    for ebn0_db in np.arange(4.0, 11.1, 0.5):
        rng = np.random.default_rng(int(ebn0_db * 10))
        whole = kept = lost = wrong = characters = 0
        for _ in range(count):
            got = listen(received(rng, wave, ebn0_db), mode)
            for message in got:
                bits = message.frame.bits
                text = bits.value.to_bytes(bits.size // 8, "big").decode()
                kept += 1
                whole += bits == want
                if len(text) == len(full):
                    characters += len(full)
                    lost += text.count("*")
                    wrong += sum(a not in (b, "*") for a, b in zip(text, full, strict=True))
        ours.append((ebn0_db, whole / count))
        ideal.append((ebn0_db, theory(ebn0_db, words)))
        share = max(characters, 1)
        print(f"{ebn0_db:6.1f}    {whole / count:6.3f}  {ideal[-1][1]:6.3f}  {kept / count:6.3f}"
              f"   {lost / share:10.4f}       {wrong / share:10.5f}")  # fmt: skip
    gap = crossing(ours) - crossing(ideal)
    print(f"90 % of messages without a fault: {crossing(ours):.2f} dB, theory {crossing(ideal):.2f} dB, "
          f"gap {gap:.2f} dB, limit {GAP_LIMIT_DB} dB, ratio {gap / GAP_LIMIT_DB:.2f}")  # fmt: skip


def fading(count, mode):
    wave = synth.transmit(ITEM, RATE_HZ)
    full = synth.full_text(ITEM)
    for ebn0_db in (12.0, 16.0, 20.0):
        rng = np.random.default_rng(9)
        kept = lost = wrong = characters = 0
        for _ in range(count):
            for message in listen(received(rng, wave, ebn0_db, fading_hz=0.3), mode):
                bits = message.frame.bits
                text = bits.value.to_bytes(bits.size // 8, "big").decode()
                kept += 1
                if len(text) == len(full):
                    characters += len(full)
                    lost += text.count("*")
                    wrong += sum(a not in (b, "*") for a, b in zip(text, full, strict=True))
        print(f"flat fading 0.3 Hz, {ebn0_db:.0f} dB: kept {kept / count:.2f}, "
              f"lost {lost / max(characters, 1):.4f}, wrong {wrong / max(characters, 1):.5f}")  # fmt: skip


def two_paths(rng, wave, apart_s, spread_hz):
    """ITU-R F.1487: two paths of equal power, each with Gaussian gains of Doppler spread `spread_hz` (two sigma)."""
    late = np.fft.ifft(np.fft.fft(wave) * np.exp(-2j * np.pi * np.fft.fftfreq(len(wave)) * apart_s * RATE_HZ))
    slow = int(len(wave) / RATE_HZ * 20) + 400
    at = np.arange(len(wave)) / RATE_HZ * 20 + 100
    out = np.zeros(len(wave), complex)
    for path in (wave, late):
        gain = np.fft.ifft(
            (rng.normal(size=slow) + 1j * rng.normal(size=slow))
            * np.exp(-(np.fft.fftfreq(slow, 1 / 20) ** 2) / spread_hz**2)
        )
        gain /= np.sqrt(np.mean(np.abs(gain) ** 2))
        out += path * (
            np.interp(at, np.arange(slow), gain.real) + 1j * np.interp(at, np.arange(slow), gain.imag)
        )
    return out / np.sqrt(2)


def selective_fading(count, mode):
    item = {**ITEM, "text": "\n".join([ITEM["text"]] * 3), "phasing_pairs": 10}
    wave, full = synth.transmit(item, RATE_HZ), synth.full_text(item)
    for apart_s, spread_hz in ((1e-3, 0.2), (1e-3, 0.5), (2e-3, 1.0)):
        for ebn0_db in (16.0, 20.0, 26.0):
            rng = np.random.default_rng(5)
            none = several = whole = endless = 0
            for _ in range(count):
                got = listen(received(rng, two_paths(rng, wave, apart_s, spread_hz), ebn0_db), mode)
                none += not got
                several += len(got) > 1
                for message in got:
                    bits = message.frame.bits
                    text = bits.value.to_bytes(bits.size // 8, "big").decode()
                    whole += text == full
                    endless += not message.frame.extra["complete"]
            print(f"two paths {1e3 * apart_s:.0f} ms apart, spread {spread_hz} Hz, {ebn0_db:.0f} dB: of {count} "
                  f"none {none}, several {several}, whole {whole}, end not found {endless}")  # fmt: skip


def noise(minutes, mode):
    rng = np.random.default_rng(3)
    size = int(60 * minutes * RATE_HZ)
    iq = (0.05 * (rng.normal(size=size) + 1j * rng.normal(size=size))).astype(np.complex64)
    began = time.process_time()
    got = listen(iq, mode)
    spent = time.process_time() - began
    print(f"messages in {minutes} minutes of noise: {len(got)} (limit 0); {60 * minutes / spent:.0f} x real time,"
          f" {1e9 * spent / size:.0f} ns a sample at {RATE_HZ:.0f} Hz (CPU time)")  # fmt: skip
    keyed = synth.keyed(rng.integers(0, 2, 6000 * minutes).astype(np.uint8), RATE_HZ)
    print(f"messages in {minutes} minutes of random keying: {len(listen(keyed, mode))} (limit 0)")
    audio = (0.1 * rng.normal(size=60 * minutes * 8000)).astype(np.float32)
    demodulator = mode.demodulator()
    began = time.process_time()
    frames = list(demodulator.feed(Samples(audio, 8000.0, 0.0, 0, 0))) + list(demodulator.close())
    spent = time.process_time() - began
    print(f"messages in {minutes} minutes of noise as audio: {len(frames)} (limit 0); "
          f"{60 * minutes / spent:.0f} x real time (CPU time)")  # fmt: skip


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    facts = get_mode("navtex")
    listen(np.zeros(3000, np.complex64), facts)
    sensitivity(count, facts)
    fading(max(count // 3, 5), facts)
    selective_fading(max(count // 2, 5), facts)
    noise(10, facts)
