"""Morse: reading under noise, drift, fading and uneven hands; and silence about what is no Morse."""

from dataclasses import replace
from difflib import SequenceMatcher

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.keying import Element, KeyingFind
from earwitness.modes.morse.demod import read_text, timing_fault

MODE = get_mode("morse")
SYNTH = MODE.part("synth")
RATE_HZ = 2_234.5
TEXT = "CQ CQ DE LX7QRM TEST 42 = WX FINE +"


def received(item, snr_db, *, offset_hz=0.0, drift_hz_s=0.0, fade=0.0, seed=1):
    """A transmission in noise; SNR over the mean power in 100 Hz."""
    iq = SYNTH.transmit(item, RATE_HZ)
    time_s = np.arange(len(iq)) / RATE_HZ
    iq = iq * (1 - fade * (0.5 + 0.5 * np.sin(2 * np.pi * 0.2 * time_s)))
    iq = iq * np.exp(2j * np.pi * (offset_hz * time_s + drift_hz_s * time_s**2 / 2))
    iq = np.concatenate([np.zeros(round(0.8 * RATE_HZ)), iq, np.zeros(round(1.0 * RATE_HZ))])
    rng = np.random.default_rng(seed)
    scale = np.sqrt(0.5 * RATE_HZ / 100 * 10 ** (-snr_db / 10))
    return (iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))).astype(
        np.complex64
    )


def run(iq, cuts=()):
    demodulator = MODE.demodulator()
    out = []
    for start, stop in zip([0, *cuts], [*cuts, len(iq)], strict=True):
        out += demodulator.feed(Samples(iq[start:stop], RATE_HZ, 7.03e6, start, 0))
    return out + list(demodulator.close())


def texts(frames):
    assembler = MODE.assembler()
    return [message.fields["text"] for frame in frames for message in assembler.feed(frame)]


@pytest.mark.parametrize("speed", [5, 13, 22, 40])
def test_speeds(speed):
    frames = run(received({"text": TEXT, "words_per_minute": speed}, 12))
    assert " ".join(texts(frames)) == TEXT
    assert frames[0].extra["words_per_minute"] == pytest.approx(speed, rel=0.05)


def right(frames, text):
    """Share of a text's characters that stand in what was read, in their order."""
    got = " ".join(texts(frames)).replace(" ", "")
    blocks = SequenceMatcher(None, text.replace(" ", ""), got, autojunk=False).get_matching_blocks()
    return sum(block.size for block in blocks) / len(text.replace(" ", ""))


def rayleigh(count, spread_hz, rng):
    """The gain of one path whose Doppler spectrum is Gaussian, two sigma wide `spread_hz`: ITU-R F.1487 (from memory)."""
    spectrum = rng.standard_normal((count, 2)).view(np.complex128)[:, 0]
    hz = np.fft.fftfreq(count, 1 / RATE_HZ)
    gain = np.fft.ifft(spectrum * np.exp(-((2 * hz / spread_hz) ** 2) / 4))
    return gain / np.sqrt(np.mean(np.abs(gain) ** 2))


@pytest.mark.parametrize(("spread_hz", "least"), [(0.1, 0.97), (0.5, 0.88), (1.0, 0.84)])
def test_fading_of_one_path(spread_hz, least):
    """Quiet, moderate and disturbed conditions of ITU-R F.1487 (0.1, 0.5 and 1 Hz, from memory), as one path."""
    share = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        iq = received({"text": TEXT, "words_per_minute": 14 + 3 * seed}, 60)
        noise = 10 ** (-24 / 20) * np.sqrt(0.25 * RATE_HZ / 100)
        iq = iq * rayleigh(len(iq), spread_hz, rng)
        iq = iq + noise * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
        share.append(right(run(iq.astype(np.complex64)), TEXT))
    assert np.mean(share) > least


def test_static():
    """Crashes of lightning, twice a second, up to 30 dB over the noise and up to 45 ms long (common practice, no source)."""
    share = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        iq = received({"text": TEXT, "words_per_minute": 16 + 4 * seed}, 14, seed=seed)
        noise = np.sqrt(0.5 * RATE_HZ / 100 * 10**-1.4)
        for at in rng.integers(0, len(iq) - 100, 2 * len(iq) // round(RATE_HZ)):
            crash = rng.standard_normal((2, rng.integers(10, 100)))
            iq[at : at + crash.shape[1]] += rng.uniform(5, 30) * noise * (crash[0] + 1j * crash[1])
        share.append(right(run(iq), TEXT))
    assert np.mean(share) > 0.9


def test_drift_fading_and_an_uneven_hand():
    item = {"text": TEXT, "words_per_minute": 16, "unevenness": 0.1}
    frames = run(received(item, 12, offset_hz=-60, drift_hz_s=1.0, fade=0.6))
    assert texts(frames) == [TEXT]
    assert frames[0].time_ns / 1e9 == pytest.approx(0.8, abs=0.05)


def test_long_transmission_comes_in_parts_that_join():
    text = " ".join(["VVV DE QX1 QX1 = NR 17 GALE SW 8"] * 8)
    frames = run(received({"text": text, "words_per_minute": 20}, 12))
    assert len(frames) > 1
    assert " ".join(texts(frames)) == text


def test_noise_carrier_and_telex_say_nothing():
    rng = np.random.default_rng(4)
    time_s = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    noise = rng.standard_normal(len(time_s)) + 1j * rng.standard_normal(len(time_s))
    bits = rng.integers(0, 2, 3_000)
    for baud in (45.45, 50, 75, 100):
        hz = np.where(bits[(time_s * baud).astype(int)], 85.0, -85.0)
        assert run((np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ) + 0.2 * noise).astype(np.complex64)) == []
        on = bits[(time_s * baud / 4).astype(int)]
        assert run((on + 0.2 * noise).astype(np.complex64)) == []
    assert run(noise.astype(np.complex64)) == []
    assert run((1 + 0.2 * noise).astype(np.complex64)) == []


@settings(max_examples=30, deadline=None)
@given(st.binary(max_size=60))
def test_assembler_makes_any_octets_inert(octets):
    bits = Bits(int.from_bytes(octets, "big"), 8 * len(octets))
    for message in MODE.assembler().feed(Frame("morse", 0, 1, bits, "pass")):
        assert message.fields["text"].isprintable()


@pytest.mark.parametrize("apart_hz", [0.0, 60.0, 140.0])
def test_two_stations_in_turn_are_both_read(apart_hz):
    rate_hz = 2140.0
    rng = np.random.default_rng(1)
    parts = [np.zeros(2000, complex)]
    texts = ["CQ DE QM2K QM2K K", "QM2K DE QM3A QM3A K"]
    for text, speed, side in zip(texts, (18, 25), (-0.5, 0.5), strict=True):
        wave = SYNTH.transmit({"text": text, "words_per_minute": speed}, rate_hz)
        turn = np.exp(2j * np.pi * side * apart_hz / rate_hz * np.arange(len(wave)))
        parts += [wave * turn, np.zeros(round(2.5 * rate_hz))]
    iq = np.concatenate([*parts, np.zeros(6000)])
    iq = iq + np.sqrt(rate_hz / 300 / 100 / 2) * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq)))
    demodulator = MODE.demodulator()
    frames = [
        *demodulator.feed(Samples((0.1 * iq).astype(np.complex64), rate_hz, 7e6, 0, 0)),
        *demodulator.close(),
    ]
    heard = [frame.bits.value.to_bytes(frame.bits.size // 8, "big").decode() for frame in frames]
    assert " ".join(heard) == " ".join(texts)  # of one speed and carrier they may be one stretch


def test_a_beat_of_equal_pulses_is_no_text():
    # ITU-R M.1677-1: a dash is three dots long; where all are alike nothing tells which they are.
    elements = tuple(Element(0.2 * n, 0.2 * n + 0.06, dash=False, gap=1 if n % 2 else 0) for n in range(24))
    find = KeyingFind(elements, 0.06, 0.99, 0.0, 0.02, 50.0, 0.0, 20.0)
    text = read_text(find)
    assert text.count("I") == 12
    assert timing_fault(find, text).startswith("elements of one length")
    mixed = tuple(
        replace(e, dash=n % 4 == 0, stop_s=e.start_s + (0.06, 0.18)[n % 4 == 0])
        for n, e in enumerate(elements)
    )
    assert timing_fault(replace(find, elements=mixed), "NINININININI") is None
    half = tuple(
        replace(e, dash=n % 4 == 0, stop_s=e.start_s + (0.06, 0.12)[n % 4 == 0])
        for n, e in enumerate(elements)
    )
    assert timing_fault(replace(find, elements=half), "NINININININI").startswith("long elements of twice")


@pytest.mark.parametrize(
    ("text", "refused"),
    [
        ("TI TEUI T EMI TEMI NOI T9 TOI E E_ TEMI TE_ T9 TI_ TWG T9 E9 EIME AME MME GME", True),
        ("TEST TEST TEST DE QX1TT TEST TEST TEST", False),
        ("UR RST 599 NAME IS TIM ANT IS A DIPOLE", False),
        ("IN A MINE IT MEANT NINE MEN MET AT TEN", False),
    ],
)
def test_a_picture_in_lines_is_no_language(text, refused):
    # The first was read from a weather chart's lines; the others are words.
    elements = tuple(
        Element(0.2 * n, 0.2 * n + (0.18 if n % 3 else 0.06), dash=bool(n % 3), gap=0) for n in range(60)
    )
    fault = timing_fault(KeyingFind(elements, 0.06, 0.99, 0.0, 0.02, 50.0, 0.0, 20.0), text)
    assert (fault is not None and fault.startswith("snatches")) == refused
