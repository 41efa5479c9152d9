"""AX.25: packet success against Eb/N0 beside theory, false frames in noise, speed by what is on the air.

    python benchmarks/bench_ax25.py [packets per point, default 40] [sensitivity|false|speed ...]

A packet passes when all its line symbols are right: success = (1 - p)^symbols, with the symbol error rate p at
g = Eb/N0 (energy of a line symbol over the noise density of the channel) of
- reversals: coherent detection, p = Q(sqrt(2 g));
- direct FSK: coherent minimum-shift keying without loss, p = Q(sqrt(2 g)), and non-coherent detection of
  orthogonal tones, p = exp(-g / 2) / 2. A discriminator lies near the second: it throws the phase away;
- tones on FM: a discriminator above its threshold leaves noise of density f^2 / (2 C / N0) Hz^2/Hz at audio
  frequency f, so a tone of deviation d has Eb/N0 = g d^2 / (2 f^2); error of non-coherent detection with the
  mean of both tones, p = exp(-g' / 2) / 2. That lies far below the threshold, where clicks rule: carrier to noise
  of 10 dB (common practice, no source) in the Carson bandwidth of 2 (3 + 2.2) kHz, which is the limit printed.
The 90 % points are interpolated; repair of doubtful symbols lets the receiver pass a curve without it.
"""

import sys
import time
from math import erfc, exp, sqrt

import numpy as np

from curves import crossing
from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.ax25 import synth

RATE_HZ = 51_360.0  # no round number of samples a symbol
GAP_LIMIT_DB = 1.5
FALSE_MINUTES = 10


def coherent(g: float) -> float:
    return 0.5 * erfc(sqrt(g))


def noncoherent(g: float) -> float:
    return 0.5 * exp(-g / 2)


def tones(g: float) -> float:
    """Below the threshold nothing passes; above it the tones are far from their own limit."""
    deviation, mark, space = synth.TONE_DEVIATION_HZ, *synth.TONE_HZ
    if g * 1200 / (2 * (deviation + space)) < 10:
        return 1.0
    return noncoherent(g * deviation**2 / 2 * (1 / mark**2 + 1 / space**2) / 2)


KINDS = {
    "AFSK 1200": ({"modulation": "afsk", "baud": 1200}, tones, "threshold of FM", np.arange(8.0, 22.1, 1)),
    "FSK 1200": ({"modulation": "fsk", "baud": 1200}, noncoherent, "non-coherent", np.arange(8.0, 20.1, 1)),
    "FSK 2400": ({"modulation": "fsk", "baud": 2400}, noncoherent, "non-coherent", np.arange(8.0, 18.1, 1)),
    "FSK 4800": ({"modulation": "fsk", "baud": 4800, "scrambled": True}, noncoherent, "non-coherent", np.arange(8.0, 16.1, 1)),
    "FSK 9600": ({"modulation": "fsk", "baud": 9600, "scrambled": True}, noncoherent, "non-coherent", np.arange(8.0, 16.1, 1)),
    "FSK 19200": ({"modulation": "fsk", "baud": 19200, "scrambled": True}, noncoherent, "non-coherent", np.arange(8.0, 16.1, 1)),
    "BPSK 1200": ({"modulation": "bpsk", "baud": 1200}, coherent, "coherent", np.arange(4.0, 12.1, 1)),
    "BPSK 9600": ({"modulation": "bpsk", "baud": 9600, "scrambled": True}, coherent, "coherent", np.arange(4.0, 12.1, 1)),
}  # fmt: skip


def item_of(rng, facts):
    return {
        "source": "QX1AB-9",
        "destination": "QX2CD",
        "info_hex": rng.bytes(60).hex(),
        "lead_s": 16 * 8 / facts["baud"],
        **facts,
    }


def channel(rng, wave, baud, ebn0_db, rate_hz=RATE_HZ):
    """One burst of amplitude 0.1 at a random place, carrier within +-1 kHz, on noise; noise density with it."""
    before, after = (round(rng.uniform(0.15, 0.3) * rate_hz) for _ in range(2))
    iq = np.zeros(before + len(wave) + after, complex)
    turn = rng.uniform(-1000, 1000) * np.arange(len(wave)) / rate_hz + rng.random()
    iq[before : before + len(wave)] = wave * np.exp(2j * np.pi * turn)
    power = rate_hz / baud * 10 ** (-ebn0_db / 10)
    iq += np.sqrt(power / 2) * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
    return (0.1 * iq).astype(np.complex64), -20 + 10 * np.log10(power / rate_hz)


def listen(data, rate_hz, noise_dbfs_hz=None):
    demodulator = get_mode("ax25").demodulator()
    out = []
    step = round(rate_hz / 4)
    for at in range(0, len(data), step):
        out += demodulator.feed(Samples(data[at : at + step], rate_hz, 145e6, at, 0, noise_dbfs_hz))
    return [*out, *demodulator.close()]


def sensitivity(count):
    print(f"packets of 76 octets, {count} a point; success in % at Eb/N0 in dB")
    for name, (facts, theory, words, range_db) in KINDS.items():
        rng = np.random.default_rng(1)
        points = []
        symbols = 0
        for ebn0_db in range_db:
            good = 0
            for _ in range(count):
                item = item_of(rng, facts)
                symbols = len(synth.line(item)) - 16 * 8
                (sent,) = synth.payloads(item)
                iq, noise = channel(rng, synth.transmit(item, RATE_HZ), facts["baud"], ebn0_db)
                good += any(frame.bits == sent for frame in listen(iq, RATE_HZ, noise))
            points.append((float(ebn0_db), good / count))
            if good == count and len(points) > 1 and points[-2][1] >= 0.97:
                break
        fine = np.arange(0, 30, 0.05)
        limit = crossing([(x, (1 - theory(10 ** (x / 10))) ** symbols) for x in fine])
        ours = crossing(points)
        print(f"{name:10}", " ".join(f"{x:.0f}:{100 * y:.0f}" for x, y in points if y > 0), flush=True)
        print(f"{'':10} 90 % at {ours:.1f} dB; {words} {limit:.1f} dB; gap {ours - limit:+.1f} dB")


def noise(seconds, seed):
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    return (0.02 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))).astype(np.complex64)


def false_frames():
    """Frames in pure noise: of a channel, of audio, and of a discriminator."""
    found = dict.fromkeys(("I/Q", "audio", "discriminator"), 0)
    for minute in range(FALSE_MINUTES):
        iq = noise(60, 100 + minute)
        found["I/Q"] += len(listen(iq, RATE_HZ))
        found["audio"] += len(listen(iq.real.copy(), RATE_HZ))
        found["discriminator"] += len(listen(np.angle(iq[1:] * np.conj(iq[:-1])).astype(np.float32), RATE_HZ))
    print(
        f"false frames in {FALSE_MINUTES} minutes of noise:", ", ".join(f"{k} {v}" for k, v in found.items())
    )


def mumble(seconds):
    """Noise through moving resonances in syllables, deviated as speech is, with a squelch tone: a voice channel."""
    rng = np.random.default_rng(7)
    count = round(seconds * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    pitch = np.cumsum(120 + 20 * np.sin(2 * np.pi * 0.7 * t)) / RATE_HZ
    sound = sum(np.sin(2 * np.pi * k * pitch + rng.uniform(0, 6)) / (1 + abs(k - 6)) for k in range(3, 25))
    sound *= np.clip(np.sin(2 * np.pi * 2.2 * t) + 0.4, 0, 1) * (np.sin(2 * np.pi * 0.23 * t) > -0.5)
    frequency = 1500 * sound + 600 * np.sin(2 * np.pi * 103.5 * t)
    return (0.1 * np.exp(2j * np.pi * np.cumsum(frequency) / RATE_HZ)).astype(np.complex64)


def train(seconds, waves, gap_s):
    out = noise(seconds, 3) * np.float32(0.2)
    at, k = 4000, 0
    while at + len(wave := waves[k % len(waves)]) < len(out):
        out[at : at + len(wave)] += 0.1 * wave
        at += len(wave) + round(gap_s * RATE_HZ)
        k += 1
    return out


def speed():
    seconds = 30
    rng = np.random.default_rng(4)
    ais = get_mode("ais").part("synth")
    channels = {
        "noise": noise(seconds, 2),
        "voice": mumble(seconds) + noise(seconds, 2) * np.float32(0.5),
        "bursts of AIS": train(seconds, [ais.transmit(item, RATE_HZ) for item in ais.examples()[:4]], 0.01),
    }
    for name in ("AFSK 1200", "FSK 9600", "BPSK 1200"):
        waves = [synth.transmit(item_of(rng, KINDS[name][0]), RATE_HZ) for _ in range(4)]
        channels[f"packets {name}"] = train(seconds, waves, 0.05)
    listen(channels["noise"][:100_000], RATE_HZ)
    print("speed on one core, times real time at 51.36 kS/s, in time of the processor")
    for name, data in channels.items():
        began = time.process_time()
        frames = len(listen(data, RATE_HZ))
        print(f"  {name:18} {seconds / (time.process_time() - began):6.1f} ({frames} frames)")


if __name__ == "__main__":
    words = sys.argv[1:]
    numbers = [word for word in words if word.isdigit()]
    parts = [word for word in words if not word.isdigit()] or ["sensitivity", "false", "speed"]
    if "sensitivity" in parts:
        sensitivity(int(numbers[0]) if numbers else 40)
    if "false" in parts:
        false_frames()
    if "speed" in parts:
        speed()
