"""The audio link against worked tones, independent transmitters' bursts, and what real channels do."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.dsp import fft
from earwitness.dsp.speech import speech_like
from earwitness.modes.acars import synth
from earwitness.modes.acars.demod import read_block
from earwitness.modes.acars.msk import keyed_audio
from earwitness.payloads.acars_block import parse_frame

RATE_HZ = 16_000.0
ITEM = synth.examples()[2]
SENT = synth.payloads(ITEM)[0]


def listen(data, rate_hz=RATE_HZ, noise_dbfs_hz=None):
    demodulator = get_mode("acars").demodulator()
    out = list(demodulator.feed(Samples(data, rate_hz, 131.55e6, 0, 10**18, noise_dbfs_hz)))
    return out + list(demodulator.close())


def noise(rng, count, density):
    return np.sqrt(density * RATE_HZ / 2) * (rng.normal(size=count) + 1j * rng.normal(size=count))


def test_sheet_tones():
    """Aviation sheet 2: tones of FF AB 2A 16 16 01 as sent (2 = 2400 Hz, 1 = 1200 Hz), computed there."""
    bits = np.unpackbits(np.frombuffer(bytes.fromhex("FFAB2A161601"), np.uint8), bitorder="little")
    per = 48
    audio = keyed_audio(bits, 2400.0 * per).reshape(-1, per)
    inner = np.abs(np.diff(np.signbit(audio[:, 2:-2]), axis=1)).sum(
        axis=1
    )  # a whole cycle crosses zero inside
    tones = "".join("2" if crossings else "1" for crossings in inner)
    assert tones == "222222222211111111111112212111222121112211222222"
    rising = audio[:, -1] < 0  # before the bit's end, where the tone passes zero rising after a 1
    assert np.array_equal(rising, bits == 1)


def test_times_and_carrier():
    wave = synth.transmit(ITEM, RATE_HZ)
    data = np.zeros(30_000, complex)
    data[3000 : 3000 + len(wave)] = 0.1 * wave * np.exp(2j * np.pi * 1234.5 / RATE_HZ * np.arange(len(wave)))
    data += 0.1 * noise(np.random.default_rng(1), len(data), 1e-6)
    (frame,) = listen(data.astype(np.complex64), noise_dbfs_hz=-80.0)
    assert (frame.bits, frame.check, frame.corrected_bits) == (SENT, "pass", 0)
    begin = 3000 / RATE_HZ + 0.002 + 21 * 8 / 2400  # ramp, then pre-key to SOH
    assert (frame.time_ns - 10**18) / 1e9 == pytest.approx(begin, abs=20e-6)
    whole = begin + (len(SENT.hex()) // 2 + 4) * 8 / 2400  # ETX, block check, DEL
    assert (frame.stop_ns - 10**18) / 1e9 == pytest.approx(whole, abs=50e-6)
    assert frame.frequency_hz == pytest.approx(131.55e6 + 1234.5, abs=0.5)
    assert frame.level_dbfs == pytest.approx(-20.0, abs=0.3)
    assert frame.snr_db == pytest.approx(-20 + 80 - 10 * np.log10(6000), abs=0.3)


@pytest.mark.parametrize("rate_hz", [8000.0, 11_025.0, 44_100.0, 48_000.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_audio_of_any_rate_and_polarity(rate_hz, sign):
    rng = np.random.default_rng(2)
    audio = keyed_audio(synth.burst_bits(ITEM), rate_hz)
    data = 0.05 * rng.normal(size=len(audio) + round(1.0 * rate_hz))
    at = round(0.3 * rate_hz)
    data[at : at + len(audio)] += sign * 0.3 * audio
    (frame,) = listen(data.astype(np.float32), rate_hz)
    assert frame.bits == SENT


def test_clock_error_over_the_longest_block():
    """The standard allows 0.02 %; sound cards add theirs: 0.03 % is a quarter of a bit over 220 characters."""
    item = {"message": {**ITEM["message"], "text": "LONG TEXT " * 21}}
    for stretch in (1 - 3e-4, 1 + 3e-4):
        wave = synth.transmit(item, RATE_HZ * stretch)
        rng = np.random.default_rng(3)
        data = np.concatenate([np.zeros(2000), wave, np.zeros(2000)]) + noise(rng, len(wave) + 4000, 1e-5)
        (frame,) = listen((0.1 * data).astype(np.complex64))
        assert frame.bits == synth.payloads(item)[0]


def test_fading_and_voice_before():
    rng = np.random.default_rng(4)
    wave = synth.transmit(ITEM, RATE_HZ)
    got = 0
    for _ in range(8):
        t = np.arange(len(wave)) / RATE_HZ
        gain = 1 + 0.6 * np.exp(2j * np.pi * (rng.uniform(-4, 4) * t + rng.random()))
        voice = 1 + 0.8 * speech_like(0.5, RATE_HZ, 5)
        talk = 0.7 * voice * np.exp(2j * np.pi * 900 / RATE_HZ * np.arange(len(voice)))
        turn = np.exp(2j * np.pi * (-400 * t - 10 * t**2))
        data = np.concatenate([talk, np.zeros(800), wave * gain * turn, np.zeros(4000)])
        data = data + noise(rng, len(data), 1e-6)
        got += [frame.bits for frame in listen((0.1 * data).astype(np.complex64))] == [SENT]
    assert got >= 7


def test_two_bursts_that_touch():
    """The second begins under the end of the first, 3 dB weaker and with its own carrier."""
    rng = np.random.default_rng(5)
    one, two = synth.transmit(ITEM, RATE_HZ), synth.transmit(synth.examples()[0], RATE_HZ)
    data = np.zeros(len(one) + len(two) + 8000, complex)
    data[2000 : 2000 + len(one)] += one * np.exp(2j * np.pi * 40 / RATE_HZ * np.arange(len(one)))
    late = 2000 + len(one) - round(0.012 * RATE_HZ)
    data[late : late + len(two)] += 0.7 * two * np.exp(2j * np.pi * -25 / RATE_HZ * np.arange(len(two)))
    data += noise(rng, len(data), 1e-6)
    heard = [frame.bits for frame in listen((0.1 * data).astype(np.complex64))]
    assert heard == [SENT, synth.payloads(synth.examples()[0])[0]]


def soft_bits(item):
    return np.where(synth.burst_bits(item)[21 * 8 :] > 0, 1.0, -1.0).astype(np.float32)


def test_repair_needs_doubt_and_all_checks():
    soft = soft_bits(ITEM)
    clear = read_block(soft)
    assert clear is not None
    assert clear.flips == ()
    for places in ((100,), (100, 300), (100, 300, len(soft) - 10)):
        weak = soft.copy()
        weak[list(places)] *= -0.1
        found = read_block(weak)
        assert found is not None
        assert found.block == clear.block
        assert sorted(found.flips) == sorted(places)
        sure = soft.copy()
        sure[list(places)] *= -1.0
        assert read_block(sure) is None
    four = soft.copy()
    four[[100, 180, 300, 340]] *= -0.1
    assert read_block(four) is None


@settings(deadline=None, max_examples=50)
@given(st.binary(max_size=260), st.integers(0, 2**32 - 1))
def test_any_bits_are_borne(octets, seed):
    bits = np.unpackbits(np.frombuffer(octets, np.uint8))
    rng = np.random.default_rng(seed)
    assert read_block((rng.uniform(0.01, 2, len(bits)) * (2.0 * bits - 1)).astype(np.float32)) is None


def test_independent_recording():
    """Bursts of others' transmitters, cut out where their truth says; block octets as sent."""
    folder = Path(__file__).parents[5] / ".." / "shared" / "recordings" / "independent"
    if not (folder / "vhf_air.truth.json").is_file():
        pytest.skip("the shared recordings are not here")
    truth = json.loads((folder / "vhf_air.truth.json").read_text())
    rate = truth["sample_rate"]
    raw = np.memmap(folder / "vhf_air.sigmf-data", np.uint8, "r").reshape(-1, 2)
    seen = 0
    for emission in truth["emissions"]:
        if emission["mode"] != "acars":
            continue
        begin = int((emission["t_start"] - 0.05) * rate)
        part = np.array(raw[begin : int((emission["t_stop"] + 0.05) * rate)], np.float32) - 127.5
        iq = (part[:, 0] + 1j * part[:, 1]) / 128
        shift = round((emission["freq_in_file_hz"] - truth["center_hz"]) / rate * len(iq))
        count = round(16_000 / rate * len(iq))
        kept = np.roll(fft.forward(iq.astype(np.complex64)), -shift + count // 2)[:count]
        data = fft.inverse(np.roll(kept, -(count // 2)).astype(np.complex64)) * np.float32(count / len(iq))
        frames = listen(data, count / len(iq) * rate)
        want = parse_frame(bytes.fromhex(emission["messages"][0]["block_hex"])[4:])
        assert want.bits() in [frame.bits for frame in frames]
        seen += 1
    assert seen == 9
