"""Packets in audio as sound cards, receivers and other transmitters make it, by a generator that shares no code with ours.

Frame check sequence, bit stuffing and NRZI as AX.25 v2.2 sections 2.2 and 3.8 have them; tones of 1200 and 2200 Hz at
1200 Bd. The faults: common practice, no source.
"""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples


def check_sequence(octets):
    register = 0xFFFF
    for octet in octets:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ 0x8408 if register & 1 else register >> 1
    return (register ^ 0xFFFF).to_bytes(2, "little")


def address(call, last):
    return bytes(ord(letter) << 1 for letter in call.ljust(6)) + bytes([0x60 | last])


def levels_of(octets, lead, tail):
    flag = [0, 1, 1, 1, 1, 1, 1, 0]
    bits, ones = flag * lead, 0
    for octet in octets + check_sequence(octets):
        for k in range(8):
            bits.append(octet >> k & 1)
            ones = ones + 1 if bits[-1] else 0
            if ones == 5:
                bits.append(0)
                ones = 0
    level, out = 1, []
    for bit in bits + flag * tail:
        level ^= 1 - bit
        out.append(level)
    return np.array(out)


def tones(levels, rate_hz, baud, mark_hz, space_hz, twist_db):
    at = np.minimum(
        (np.arange(int(len(levels) * rate_hz / baud)) * baud / rate_hz).astype(int), len(levels) - 1
    )
    mark = levels[at] == 1
    phase = 2 * np.pi * np.cumsum(np.where(mark, mark_hz, space_hz)) / rate_hz
    return np.where(mark, 10 ** (-twist_db / 40), 10 ** (twist_db / 40)) * np.sin(phase)


def heard(rng, *, rate_hz=48_000.0, snr_db=14.0, baud=1200.0, mark_hz=1200.0, space_hz=2200.0, twist_db=0.0,
          lead=30, tail=4, gap_s=0.3, level=0.3, clip=1.0, sample_bits=16):  # fmt: skip
    """How many of six packets are read; noise in the audio band lies under them and between them."""
    sent, parts = [], []
    for _ in range(6):
        octets = address("QX2CD", 0) + address("QX1AB", 1) + b"\x03\xf0" + rng.bytes(50)
        sent.append(octets)
        packet = tones(levels_of(octets, lead, tail), rate_hz, baud, mark_hz, space_hz, twist_db)
        parts += [np.zeros(int(rate_hz * gap_s * rng.uniform(0.5, 1.5))), packet]
    sound = np.concatenate([*parts, np.zeros(int(rate_hz * gap_s))])
    spectrum = np.fft.rfft(rng.standard_normal(len(sound)))
    f = np.fft.rfftfreq(len(sound), 1 / rate_hz)
    spectrum[(f < 150) | (f > 3500)] = 0
    noise = np.fft.irfft(spectrum, len(sound))
    sound += noise / noise.std() * np.sqrt(np.mean(sound[sound != 0] ** 2)) * 10 ** (-snr_db / 20)
    sound = np.clip(clip * sound / np.abs(sound).max(), -1, 1) * level
    steps = 2 ** (sample_bits - 1) - 1
    data = (np.round(sound * steps) / steps).astype(np.float32)
    demodulator = get_mode("ax25").demodulator()
    frames = [*demodulator.feed(Samples(data, rate_hz, 0.0, 0, 0)), *demodulator.close()]
    got = {frame.bits.value.to_bytes(frame.bits.size // 8, "big") for frame in frames}
    assert got <= set(sent)
    return len(got)


@pytest.mark.parametrize("facts", [
    {"snr_db": 30.0}, {"twist_db": 12.0}, {"twist_db": -12.0}, {"baud": 1188.0}, {"baud": 1224.0},
    {"mark_hz": 1150.0, "space_hz": 2150.0}, {"mark_hz": 1250.0, "space_hz": 2250.0}, {"mark_hz": 1300.0, "space_hz": 2100.0},
    {"level": 0.001}, {"clip": 20.0}, {"sample_bits": 8, "level": 0.05}, {"lead": 2, "tail": 1}, {"gap_s": 0.03, "lead": 3},
    {"rate_hz": 8_000.0}, {"rate_hz": 11_025.0}, {"rate_hz": 22_050.0}, {"rate_hz": 44_100.0}, {"rate_hz": 96_000.0},
], ids=str)  # fmt: skip
def test_packets_are_read_from_faulty_audio(facts):
    assert heard(np.random.default_rng(3), **facts) >= 5


def test_a_burst_without_preamble():
    """The level before the only flag decides whether its first bit is one: without it, half of them would be lost."""
    rng = np.random.default_rng(5)
    assert heard(rng, lead=1, tail=1) + heard(rng, lead=1, tail=1) >= 6


@pytest.mark.parametrize("rate_hz", [48_000.0, 49_218.75, 65_000.0])
def test_packets_between_voice_on_a_strong_carrier(rate_hz):
    """Tones and direct FSK on FM whose carrier comes and goes within blocks: each is told once, where it lies."""
    rng = np.random.default_rng(round(rate_hz))
    count = int(5.5 * rate_hz)
    line = 1500 * np.convolve(rng.standard_normal(count), np.ones(40) / 40, "same") * 3
    on, off = int(0.7 * rate_hz), count - int(0.6 * rate_hz)
    at, sent = on + int(0.1 * rate_hz), []
    while True:
        octets = address("QX2CD", 0) + address("QX1AB", 1) + b"\x03\xf0" + rng.bytes(30)
        levels = levels_of(octets, 20, 3)
        if len(sent) % 3:
            wave = 3000 * tones(levels, rate_hz, 1200.0, 1200.0, 2200.0, 0.0)
        else:
            places = (np.arange(int(len(levels) * rate_hz / 4800)) * 4800 / rate_hz).astype(int)
            wave = 2400 * (2.0 * levels[np.minimum(places, len(levels) - 1)] - 1)
        if at + len(wave) > off - 500:
            break
        line[at : at + len(wave)] = wave
        sent.append((octets, at / rate_hz))
        at += len(wave) + int(rng.uniform(0.05, 0.3) * rate_hz)
    x = np.exp(2j * np.pi * np.cumsum(line + 700) / rate_hz)
    x[:on] = x[off:] = 0
    noise = rng.standard_normal((count, 2)) @ [1, 1j] * np.sqrt(10**-1.6 / 2)
    x = (0.1 * (x + noise)).astype(np.complex64)
    demodulator = get_mode("ax25").demodulator()
    frames = [
        frame
        for first in range(0, count, 17_000)
        for frame in demodulator.feed(Samples(x[first : first + 17_000], rate_hz, 145e6, first, 0))
    ]
    frames = sorted([*frames, *demodulator.close()], key=lambda frame: frame.time_ns)
    assert [frame.bits.hex() for frame in frames] == [octets.hex().upper() for octets, _ in sent]
    for frame, (_, start_s) in zip(frames, sent, strict=True):
        assert frame.time_ns * 1e-9 == pytest.approx(start_s, abs=0.15)  # the flags ahead of it
