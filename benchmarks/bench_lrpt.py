"""LRPT: frames read against Eb/N0 beside theory, through a fade, false frames in noise, speed.

    python benchmarks/bench_lrpt.py [passes of eighteen frames per point, default 4] [minutes of noise, default 10]

Theory: octets after an ideal K = 7 Viterbi decoder are wrong as often as counted in this run with ideal symbols, taken
as independent; a frame is read when none of its four words has more than sixteen wrong. Eb counts the data bits
(223 of 255 octets, half the symbols), markers left out. The passes drift by 40 Hz a second.
"""

import sys
import time
from math import comb

import numpy as np

from curves import crossing
from earwitness.coding.viterbi import decode, encode
from earwitness.core.mode import get_mode
from earwitness.core.types import Frame, Picture, Samples

MODE = get_mode("lrpt")
SYNTH = MODE.part("synth")
RATE_HZ = 180_000.0 * 1.07
SYMBOL_RATE_HZ = 72_000.0
GAP_LIMIT_DB = 1.5
LEVELS_DB = (1.5, 2.0, 2.5, 3.0, 3.5, 4.0)


def theory(eb_n0_db, rng, bits=400_000):
    sent = rng.integers(0, 2, bits).astype(np.uint8)
    symbols = 2.0 * encode(sent) - 1
    deviation = np.sqrt(1 / (10 ** (eb_n0_db / 10) * 223 / 255))
    got, _ = decode((symbols + deviation * rng.standard_normal(len(symbols))).astype(np.float32))
    wrong = float((got != sent).reshape(-1, 8).any(axis=1).mean())
    word = sum(comb(255, k) * wrong**k * (1 - wrong) ** (255 - k) for k in range(17))
    return word**4


def passed(clean, eb_n0_db, rng, *, drift_hz_s=40.0, fade=None):
    clean = np.concatenate([np.zeros(int(rng.integers(4000, 30_000))), clean, np.zeros(50_000)])
    t = np.arange(len(clean)) / RATE_HZ
    cycles = rng.uniform(-3000, 3000) * t + drift_hz_s / 2 * t * t + rng.random()
    clean = clean * np.exp(2j * np.pi * cycles)
    if fade is not None:
        clean = clean * fade(t)
    power = RATE_HZ / SYMBOL_RATE_HZ * 10 ** (-(eb_n0_db + 10 * np.log10(223 / 255)) / 10)
    noise = rng.standard_normal(len(clean)) + 1j * rng.standard_normal(len(clean))
    data = (0.05 * (clean + np.sqrt(power / 2) * noise)).astype(np.complex64)
    began = time.process_time()
    got = received(data, 10 * np.log10(0.0025 * power / RATE_HZ))
    return got, len(clean) / RATE_HZ, time.process_time() - began


def received(data, noise_dbfs_hz):
    demodulator = MODE.demodulator()
    out = list(demodulator.feed(Samples(data, RATE_HZ, 137.9e6, 0, 0, noise_dbfs_hz)))
    return out + list(demodulator.close())


def main():
    passes = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    minutes = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
    rng = np.random.default_rng(1)
    limit = [(float(level), theory(float(level), rng)) for level in np.arange(1.0, 4.1, 0.25)]
    table = dict(limit)
    for modulation in ("qpsk", "oqpsk"):
        item = {"modulation": modulation, "channels": [1, 2, 3], "strips": 4}
        clean, sent = SYNTH.transmit(item, RATE_HZ), SYNTH.payloads(item)
        print(f"{modulation}, 72 000 symbols a second: Eb/N0 dB, frames read, theory")
        ours = []
        for eb_n0_db in LEVELS_DB:
            good = total = 0
            for _ in range(passes):
                got, _, _ = passed(clean, eb_n0_db, rng)
                heard = {frame.bits for frame in got if isinstance(frame, Frame)}
                good += sum(bits in heard for bits in sent)
                total += len(sent)
            ours.append((eb_n0_db, good / total))
            print(f"  {eb_n0_db:4.1f}  {good / total:6.1%}  {table[eb_n0_db]:6.1%}")
        mine, best = crossing(ours), crossing(limit)
        print(
            f"  90 % at {mine:.2f} dB, theory {best:.2f} dB: gap {mine - best:.2f} dB (limit {GAP_LIMIT_DB})"
        )
    item = {"modulation": "oqpsk", "channels": [1, 2, 3], "strips": 16}
    clean, sent = SYNTH.transmit(item, RATE_HZ), SYNTH.payloads(item)

    def fade(t):
        """Amplitude of two rays: nulls 0.2 s wide every 1.5 s."""
        return np.abs(1 + 0.9 * np.exp(2j * np.pi * t / 1.5)) / 1.9

    got, seconds, took = passed(clean, 7.0, rng, fade=fade)
    heard = {frame.bits for frame in got if isinstance(frame, Frame)}
    pictures = [item for item in got if isinstance(item, Picture)]
    below = float(np.mean(20 * np.log10(fade(np.arange(0, seconds, 0.01))) + 7.0 < crossing(limit)))
    print(
        f"two rays, peak Eb/N0 7 dB: {sum(bits in heard for bits in sent)} of {len(sent)} frames while "
        f"{below:.0%} of the time is below threshold; pictures filled to "
        + ", ".join(f"{picture.extra['packets_of_whole']:.0%}" for picture in pictures)
    )
    print(f"speed: {seconds / took:.0f} x real time of CPU with a signal (limit 20)")
    frames = done = 0.0
    began = time.process_time()
    while done < 60 * minutes:
        noise = rng.standard_normal((int(20 * RATE_HZ), 2), np.float32) * np.float32(0.02)
        frames += len(received(noise.view(np.complex64)[:, 0], None))
        done += 20
    print(
        f"false frames: {frames:.0f} in {done / 60:.1f} minutes of noise of unknown level, "
        f"{done / (time.process_time() - began):.0f} x real time with the noise made"
    )


if __name__ == "__main__":
    main()
