"""The framings against satellites off the air, published sequences, and noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.modes.fsk_frames import chip, flagged, golay_length, mobitex, synth
from earwitness.modes.fsk_frames.demod import frames_in
from earwitness.modes.fsk_frames.framing import Word, find_words

MODE = get_mode("fsk-frames")


@pytest.fixture
def heard(satellite_audio):
    return lambda name: messages_of(satellite_audio(name))


def messages_of(samples):
    demodulator, assembler = MODE.demodulator(), MODE.assembler()
    frames = [*demodulator.feed(samples), *demodulator.close()]
    return [message for frame in frames for message in assembler.feed(frame)]


def test_mobitex_off_the_air(heard):
    # Every one of 32 blocks in a row has its own CRC-16, and the call sign another.
    (message,) = heard("beesat_9")
    assert message.fields["call"] == "DP0BEM"
    assert message.fields["blocks"] == 32
    assert message.fields["blocks_lost"] == []
    assert message.fields["data_hex"].startswith("1ACFFC1D")  # a CCSDS marker begins every eighth block
    assert message.fields["data_hex"].count("1ACFFC1D0B2") == 4
    assert [row.fields["blocks"] for row in heard("dstar_one")] == [6, 6, 6]
    assert [row.fields["blocks"] for row in heard("amgu_1")] == [6]


def test_golay_length_off_the_air(heard):
    (message,) = heard("gomx_1")
    assert message.frame.corrected_bits == 0
    assert message.frame.check_name == "Reed-Solomon (248,216) shortened from 255,223"
    assert message.fields["csp"]["source"] == 1
    assert message.fields["csp"]["destination"] == 10
    messages = heard(
        "aistechsat3"
    )  # sync word 930B51DE: five frames without a wrong octet, one counter running on
    assert [row.fields["data_hex"][:10] for row in messages] == ["83D7800101"] * 5
    assert [int(row.fields["data_hex"][10:12], 16) for row in messages[1:]] == [0x14, 0x15, 0x16, 0x17]
    assert all(row.frame.check == "pass" and row.fields["csp"]["source"] == 1 for row in messages)
    (message,) = heard("au03")
    assert bytes.fromhex(message.fields["data_hex"])[8:14] == b"ON03AU"
    assert "convolutional" in message.frame.check_name


def test_flags_off_the_air(heard):
    # A satellite's 200 octets with a right CRC-16, behind a code and a square that its own symbols tell of: in no
    # other order of the square do any sums of a few symbols come out even.
    (message,) = heard("cape3")
    assert bytes.fromhex(message.fields["data_hex"])[1:12] == b"CAPE-3 W5UL"
    assert message.frame.check_name == "CRC-16/USB over 200 octets, after the convolutional code"
    # All sixteen roots of a Reed-Solomon word.
    (message,) = heard("eseo")
    assert message.frame.check_name == "Reed-Solomon (161,145) shortened from 255,239"
    assert message.frame.corrected_bits == 0


def test_checks_between_flags():
    # check values as public CRC catalogues list them
    assert flagged.USB.of(b"123456789") == 0xB4C8
    rng = np.random.default_rng(4)
    data = rng.integers(0, 256, 60).astype(np.uint8).tobytes()
    for framing in ("flags", "flags-convolutional", "flagged-word"):
        line = synth.bits({"framing": framing, "baud": 1200, "data_hex": data.hex()})
        for sign in (1, -1):
            soft = sign * (2.0 * line - 1) + 0.2 * rng.standard_normal(len(line))
            (found,) = (item for item, _ in frames_in(soft.astype(np.float32), ffsk=False))
            assert found.octets == data
    # at an error rate of one symbol in 20 no frame of 500 bits would be whole without the code
    line = synth.bits({"framing": "flags-convolutional", "data_hex": data.hex()})
    soft = 2.0 * line - 1 + 0.6 * rng.standard_normal(len(line))
    assert np.mean((soft > 0) != line) > 0.03
    (found,) = flagged.convolved(soft.astype(np.float32))
    assert found.octets == data


def test_packet_of_the_open_standard():
    # IEEE 802.15.4g, from memory: header 0001 1 and eleven bits of length
    data = b"invented reading 21 C"
    bits = synth.bits({"framing": "802.15.4g", "baud": 9600, "data_hex": data.hex()})
    soft = (2.0 * bits - 1).astype(np.float32)
    (found,) = (item for item, _ in frames_in(soft, ffsk=False))
    assert found.octets == data
    lone = np.concatenate([np.zeros(40), bits[320:]])  # without a preamble the word is too short to believe
    assert not frames_in((2.0 * lone - 1).astype(np.float32), ffsk=False)


def test_whitening_and_crc_of_chips():
    # TI design notes DN509 and DN502 (from memory); the CRC's check value as public catalogues list it
    assert chip.whitening(8).hex() == "ffe11d9aed853324"
    assert chip.CHIP_CRC.of(b"123456789") == 0xAEE7


def test_one_uncertain_symbol_is_reversed():
    data = b"invented telemetry: 7.9 V"
    for framing, octets in (("chip", data), ("chip-fixed", (data * 3)[:64])):
        bits = synth.bits({"framing": framing, "baud": 9600, "data_hex": octets.hex()})
        soft = (2.0 * bits - 1).astype(np.float32)
        soft[320 + 90] *= -0.2
        ((found, _),) = frames_in(soft, ffsk=False)
        assert found.octets == octets
        assert found.corrected == 1
        soft[320 + 32 : 320 + 120 : 9] *= -0.3
        assert not frames_in(soft, ffsk=False)


def test_codes():
    # Golay words as two satellites send them
    for word in (0x1C96F8, 0x56C770):
        assert int(golay_length.golay_words()[word & 0xFFF]) == word
    # (24,12): distance 8 and 759 words of weight 8, as every text on the code says
    weights = np.bitwise_count(golay_length.golay_words())
    assert sorted(set(weights.tolist())) == [0, 8, 12, 16, 24]
    assert int((weights == 8).sum()) == 759
    word = int(golay_length.golay_words()[0x0DB])
    assert golay_length.golay_decode(word ^ 0x800101) == 0x0DB
    assert golay_length.golay_decode(word ^ 0x00F000) is None
    # the shortened Hamming code of Mobitex: distance 3
    words = [octet << 4 | mobitex.check_bits(octet) for octet in range(256)]
    assert min(word.bit_count() for word in words[1:]) == 3
    # x^9 + x^5 + 1 from nine ones: period 511, 256 ones
    assert int(mobitex.scrambler().sum()) == 256


def test_words_are_found_on_both_polarities():
    rng = np.random.default_rng(1)
    bits = rng.integers(0, 2, 4000).astype(np.uint8)
    word = np.unpackbits(np.frombuffer((0x930B51DE).to_bytes(4, "big"), np.uint8))
    bits[100:132], bits[900:932] = word, 1 - word
    bits[905] ^= 1
    found = find_words(bits, (Word(0x930B51DE, 32, 3),))
    assert (100, 0, 0) in found
    assert (900, 0, 1) in found


def soft_of(item, noise=0.0, seed=1):
    rng = np.random.default_rng(seed)
    clean = 2.0 * synth.symbols(item) - 1
    return (clean + noise * rng.standard_normal(len(clean))).astype(np.float32)


def test_every_framing_bears_its_errors():
    for item in synth.examples():
        ffsk = item.get("keying") == "FFSK"
        for sign in (1, -1):
            found = frames_in(sign * soft_of(item), ffsk=ffsk)
            assert [row.octets.hex() for row, _ in found] == [item["data_hex"]], item
    for number in (0, 1, 2, 3, 4, 5):  # two or three symbols in a thousand wrong
        item = synth.examples()[number]
        found = frames_in(soft_of(item, 0.36, 3), ffsk=item.get("keying") == "FFSK")
        assert [row.octets.hex() for row, _ in found] == [item["data_hex"]], item


def test_a_block_that_is_lost_is_said():
    item = synth.examples()[4]
    soft = soft_of(item)
    first = synth.PREAMBLE_BITS + mobitex.CALLED_BITS + 3 * mobitex.BLOCK_BITS
    soft[first + 5 : first + 200 : 3] *= -1
    ((found, _),) = frames_in(soft, ffsk=False)
    assert found.extra["blocks_lost"] == [3]
    assert found.extra["blocks"] == 11
    assert len(found.octets) == 11 * 18


def test_level_and_snr_of_a_frame():
    rng = np.random.default_rng(7)
    rate_hz, snr_db = 51_360.0, 15.0
    clean = np.concatenate([np.zeros(9000), synth.transmit(synth.examples()[2], rate_hz), np.zeros(9000)])
    density = 0.01 * 10 ** (-snr_db / 10) / MODE.bandwidth_hz
    sigma = np.sqrt(density * rate_hz / 2)
    noise = rng.standard_normal(len(clean)) + 1j * rng.standard_normal(len(clean))
    data = (0.1 * clean + sigma * noise).astype(np.complex64)
    (message,) = messages_of(Samples(data, rate_hz, 437e6, 0, 0, 10 * np.log10(density)))
    assert message.frame.level_dbfs == pytest.approx(-20.0, abs=0.5)
    assert message.frame.snr_db == pytest.approx(snr_db, abs=0.5)


def test_noise_gives_nothing():
    rng = np.random.default_rng(2)
    soft = rng.standard_normal(400_000).astype(np.float32)
    assert frames_in(soft, ffsk=True) == []
    for pattern in ([1, -1], [1, 1, -1, -1], [1], [1, -1, -1, 1, 1]):
        assert frames_in(np.resize(np.array(pattern, np.float32), 20_000), ffsk=True) == []


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400), st.integers(0, 3), st.integers(0, 31))
def test_any_bits_are_borne(octets, which, cut):
    heads = (0x5765 << 16, 0x0EF0 << 16, 0xC3AA6655, 0x930B51DE)
    body = heads[which].to_bytes(4, "big")[: 2 if which < 2 else 4] + octets
    bits = np.unpackbits(np.frombuffer(body, np.uint8))[: max(8 * len(body) - cut, 0)]
    soft = (2.0 * bits - 1).astype(np.float32)
    for found, _ in frames_in(soft, ffsk=True):
        assert len(found.octets) <= 64 * 18
    mobitex.read(soft)
    chip.read(bits, 0)
    chip.read_fixed(bits, 0)
    golay_length.read_octet_length(bits, 0)
    golay_length.read(soft, 0)
    golay_length.read_unflagged(soft, 0)


@settings(max_examples=60, deadline=None)
@given(
    st.binary(max_size=300),
    st.sampled_from(["Mobitex blocks", "sync word, length, Reed-Solomon", "?"]),
)
def test_any_octets_make_a_message_or_none(octets, framing):
    frame = Frame(
        "fsk-frames",
        0,
        1,
        Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
        "pass",
        extra={"framing": framing},
    )
    for message in MODE.assembler().feed(frame):
        assert message.fields["data_hex"] == octets.hex().upper()


def test_what_a_framing_cannot_carry_is_refused():
    for item in (
        {"framing": "mobitex", "data_hex": "00"},
        {"framing": "golay", "data_hex": "00" * 200, "convolutional": True},
        {"framing": "chip-fixed", "data_hex": "00"},
        {"framing": "no such", "data_hex": "00"},
    ):
        with pytest.raises(LayoutError):
            synth.bits(item)
