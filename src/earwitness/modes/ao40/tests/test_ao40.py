"""The AO-40 code against a frame off the air, published constants, and noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.modes.ao40 import code, synth

MODE = get_mode("ao40")


def test_a_frame_off_the_air(satellite_audio):
    demodulator, assembler = MODE.demodulator(), MODE.assembler()
    frames = [*demodulator.feed(satellite_audio("ao73")), *demodulator.close()]
    (message,) = [message for frame in frames for message in assembler.feed(frame)]
    assert message.frame.check == "pass"
    assert message.fields["octets_corrected"] == [0, 0]
    assert message.fields["first_octet"] == 0x89
    assert (
        1060 < message.fields["carrier_hz"] < 1125
    )  # lines of the squares of half-second pieces: 1122 to 1061 Hz
    assert abs((message.frame.stop_ns - message.frame.time_ns) / 1e9 - 5200 / 1202) < 0.01


def test_sync_column():
    # 65 bits: the published sequence has period 127 and begins with seven ones (from memory)
    bits = code.sync_bits()
    assert len(bits) == 65
    assert "".join(map(str, bits[:20])) == "11111110000111011110"
    # few agree with their own shifts
    signs = 2.0 * bits - 1
    aside = np.correlate(signs, signs, "full")
    assert np.sort(np.abs(aside))[-2] < 20


def test_a_frame_is_5200_symbols_and_bears_wrong_ones():
    data = bytes(range(256))
    symbols = code.encode(data)
    assert len(symbols) == 5200
    rng = np.random.default_rng(1)
    soft = (2.0 * symbols - 1 + 0.8 * rng.standard_normal(5200)).astype(np.float32)  # one symbol in ten wrong
    assert np.mean((soft > 0) != symbols) > 0.08
    decoded = code.decode(soft)
    assert decoded is not None
    assert decoded[0] == data
    soft = (2.0 * symbols - 1 + 0.3 * rng.standard_normal(5200)).astype(np.float32)
    soft[1000:1700] = 0  # a fade of half a second
    decoded = code.decode(soft)
    assert decoded is not None
    assert decoded[0] == data
    with pytest.raises(LayoutError):
        code.encode(b"short")


def test_noise_and_patterns_decode_to_nothing():
    rng = np.random.default_rng(2)
    for _ in range(20):
        assert code.decode(rng.standard_normal(5200).astype(np.float32)) is None
    for pattern in ([1], [-1], [1, -1], [1, 1, -1, -1]):
        assert code.decode(np.resize(np.array(pattern, np.float32), 5200)) is None


def test_audio_of_another_rate_and_carrier():
    item = synth.examples()[0]
    for rate, carrier in ((8000.0, 1300.0), (44_100.0, 2000.0), (11_025.0, 1650.0)):
        sent = synth.transmit(item, rate)
        time = np.arange(len(sent)) / rate
        rng = np.random.default_rng(3)
        audio = 0.1 * (sent * np.exp(2j * np.pi * (carrier + 8 * time) * time)).real
        audio = (audio + 0.05 * rng.standard_normal(len(audio))).astype(np.float32)
        demodulator = MODE.demodulator()
        frames = [*demodulator.feed(Samples(audio, rate, 0.0, 0, 0)), *demodulator.close()]
        assert [frame.bits for frame in frames] == synth.payloads(item)


def test_two_frames_close_together():
    rate = 10_000.0
    items = [{"text": "first"}, {"text": "second"}, {"text": "third"}]
    sent = np.concatenate([synth.transmit(item, rate) for item in items])
    rng = np.random.default_rng(4)
    noisy = 0.1 * sent + 0.03 * (rng.standard_normal(len(sent)) + 1j * rng.standard_normal(len(sent)))
    demodulator = MODE.demodulator()
    frames = [*demodulator.feed(Samples(noisy.astype(np.complex64), rate, 145e6, 0, 0)), *demodulator.close()]
    assert [frame.bits for frame in frames] == [synth.payloads(item)[0] for item in items]
    assert all(frame.frequency_hz is not None and abs(frame.frequency_hz - 145e6) < 5 for frame in frames)


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=300))
def test_any_octets_make_a_message_or_none(octets):
    frame = Frame("ao40", 0, 1, Bits(int.from_bytes(octets, "big"), 8 * len(octets)), "pass")
    for message in MODE.assembler().feed(frame):
        assert message.fields["data_hex"] == octets.hex().upper()
