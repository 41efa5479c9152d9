"""Picture packets against an ordinary JPEG library, layout with gaps, and whole transmissions."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from earwitness.coding.ccsds import SYNC
from earwitness.coding.viterbi import encode
from earwitness.core.errors import LayoutError
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Picture, Samples
from earwitness.modes.lrpt import strips, synth
from earwitness.modes.lrpt.channels import PictureChannels, unwrapped
from earwitness.modes.lrpt.demod import CODES
from earwitness.modes.lrpt.interleave import InterleavedLanes
from earwitness.modes.lrpt.messages import Assembler

MODE = get_mode("lrpt")


def jpeg_scan(pixels, quality):
    """The entropy-coded octets that another library makes of grey pixels, and its own decoding of them."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=quality, optimize=False)
    data = file.getvalue()
    begin = data.index(b"\xff\xda")
    begin += 2 + int.from_bytes(data[begin + 2 : begin + 4], "big")
    scan = data[begin : data.rindex(b"\xff\xd9")].replace(b"\xff\x00", b"\xff")
    return scan, np.asarray(Image.open(io.BytesIO(data)))


@pytest.mark.parametrize("quality", [10, 35, 50, 75, 92, 100])
def test_segments_read_as_another_library_reads_them(quality):
    """Its tables are those of T.81 Annex K; values may differ by the rounding of its integer transform."""
    pixels = synth.pictures({"seed": quality, "strips": 1})[0][:, 400:512]
    pixels = np.clip(pixels + np.random.default_rng(1).normal(0, 20, pixels.shape), 0, 255).astype(np.uint8)
    scan, expected = jpeg_scan(pixels, quality)
    head = strips.write_segment(pixels, 28, quality)[: strips.HEAD]
    got = strips.read_segment(head + scan)
    assert got is not None
    assert got.pixels.shape == (8, 112)
    assert np.max(np.abs(got.pixels.astype(int) - expected)) <= 2
    assert got.block == 28


@pytest.mark.parametrize("quality", [20, 60, 90])
def test_segments_written_are_those_of_another_library(quality):
    pixels = synth.pictures({"seed": 5, "strips": 1})[0][:, 112:224]
    ours = strips.write_segment(pixels, 0, quality)[strips.HEAD :]
    scan, expected = jpeg_scan(pixels, quality)
    assert abs(len(ours) - len(scan)) <= 6
    head = strips.write_segment(pixels, 0, quality)[: strips.HEAD]
    got = strips.read_segment(head + ours)
    assert got is not None
    assert np.mean(np.abs(got.pixels.astype(int) - expected)) < 0.7


def test_tables_are_complete_prefix_codes():
    """T.81 Annex K: 12 DC and 162 AC codes; the first AC codes are 00 and 01, end of block 1010, ZRL 11111111001."""
    dc = strips.codes(strips.DC_BITS, strips.DC_VALUES)
    ac = strips.codes(strips.AC_BITS, strips.AC_VALUES)
    assert (len(dc), len(ac)) == (12, 162)
    assert ac[0x01] == (0, 2)
    assert ac[0x02] == (1, 2)
    assert ac[0x00] == (0b1010, 4)
    assert ac[0xF0] == (0b11111111001, 11)
    assert dc[0] == (0, 2)
    for table in (dc, ac):
        assert sum(2.0**-length for _, length in table.values()) < 1
    assert strips.ZIGZAG[:10].tolist() == [0, 1, 8, 16, 9, 2, 3, 10, 17, 24]  # figure 5
    assert np.array_equal(strips.quantisation(50), strips.QUANTISATION)


def test_refuses_other_shapes():
    with pytest.raises(LayoutError):
        strips.write_segment(np.zeros((8, 100), np.uint8), 0, 50)


def drawn(frames):
    channels = PictureChannels()
    out = []
    for k, frame in enumerate(frames):
        out += channels.feed(frame, k)
    return out + channels.close()


def test_lost_frames_leave_blank_where_they_were():
    """Three channels as a satellite sends them; the sequence count wraps on the way; a tenth of the frames is lost."""
    item = {"channels": [1, 2, 3], "strips": 8, "count": 16384 - 100, "seed": 3}
    sent = synth.pictures(item)
    frames = synth.frames(item)
    whole = drawn(frames)
    assert [picture.facts["channel"] for picture in whole] == [1, 2, 3]
    assert all(picture.facts["packets_per_strip"] == 43 for picture in whole)
    assert all(picture.facts["strips_missing"] == 0 for picture in whole)
    for picture, original in zip(whole, sent, strict=True):
        assert picture.pixels.shape == original.shape
        assert np.mean(np.abs(picture.pixels.astype(float) - original)) < 2
    third = len(frames) // 3
    holed = drawn(frames[:third] + frames[third + 12 :])
    for picture, original in zip(holed, sent, strict=True):
        assert picture.pixels.shape == original.shape
        there = picture.pixels > 0
        share = np.mean(np.abs(picture.pixels.astype(float) - original)[there] < 12)
        assert share > 0.98  # what is there is in its place
        blank = picture.pixels.reshape(-1, 8, 14, 112).max(axis=(1, 3)) == 0
        assert 1 - blank.mean() == pytest.approx(picture.facts["packets_of_whole"], abs=0.02)
        assert blank.any()


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 195), st.integers(1, 100))
def test_any_segment_is_borne(octets, block, quality):
    head = strips.write_segment(np.zeros((8, 112), np.uint8), block // 14 * 14, quality)[: strips.HEAD]
    got = strips.read_segment(head + octets)
    assert got is None or got.pixels.shape[1] % 8 == 0
    strips.read_segment(octets)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.binary(min_size=0, max_size=892), max_size=6), st.booleans())
def test_any_frames_are_borne(bodies, marked):
    frames = [(b"\x40\x45" + body if marked else body) for body in bodies]
    drawn(frames)
    assembler = Assembler()
    out = []
    for k, frame in enumerate(frames):
        out += assembler.feed(
            Frame("lrpt", k, k + 1, Bits(int.from_bytes(frame, "big"), 8 * len(frame)), "pass")
        )
    for message in out + assembler.close():
        assert message.fields["frames"] >= 1


def test_counts_run_on():
    assert unwrapped(3, 16380) == 16387
    assert unwrapped(16380, 16387) == 16380
    assert unwrapped(5, 5) == 5


def heard(item, es_n0_db, *, fade=None, turn=None, seed=1):
    rate_hz = 192_600.0
    clean = synth.transmit(item, rate_hz)
    clean = np.concatenate([np.zeros(9000), clean, np.zeros(60_000)])
    at = np.arange(len(clean))
    cycles = 2500.0 * at / rate_hz if turn is None else turn(at / rate_hz)
    clean = clean * np.exp(2j * np.pi * cycles)
    if fade is not None:
        clean = clean * fade(at / rate_hz)
    power = rate_hz / 72_000.0 * 10 ** (-es_n0_db / 10)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(len(clean)) + 1j * rng.standard_normal(len(clean))
    data = (0.05 * (clean + np.sqrt(power / 2) * noise)).astype(np.complex64)
    density = 10 * np.log10(0.0025 * power / rate_hz)
    demodulator = MODE.demodulator()
    got = [*demodulator.feed(Samples(data, rate_hz, 137.1e6, 0, 0, density)), *demodulator.close()]
    return [g for g in got if isinstance(g, Frame)], [g for g in got if isinstance(g, Picture)]


@pytest.mark.parametrize("number", [0, 1, 2, 3])
def test_every_keying_at_three_decibels(number):
    """Es/N0 of 3 dB is an Eb/N0 of 3.6 dB: a decibel over what the concatenated code needs (CCSDS 130.1-G)."""
    item = synth.examples()[number]
    frames, pictures = heard(item, 3.0)
    sent = synth.payloads(item)
    got = [frame.bits for frame in frames]
    assert sum(bits in got for bits in sent) >= len(sent) - 1
    assert len(pictures) == len(item["channels"])
    assert frames[len(frames) // 2].frequency_hz == pytest.approx(137.1e6 + 2500, abs=30)


def test_holds_through_a_fade_and_drift():
    """A fade of a quarter of a second to nothing and 150 Hz/s of drift: what was sent before and after is there."""
    item = {"modulation": "oqpsk", "channels": [1, 2, 3], "strips": 4, "seed": 2}
    frames, pictures = heard(
        item,
        7.0,
        fade=lambda t: np.where((t > 0.7) & (t < 0.95), 0.0, 1.0),
        turn=lambda t: 1500.0 * t + 75.0 * t * t,
    )
    sent = synth.payloads(item)
    got = [frame.bits for frame in frames]
    missed = [k for k, bits in enumerate(sent) if bits not in got]
    assert len(missed) <= 5
    assert missed == list(range(missed[0], missed[-1] + 1))
    assert len(pictures) == 3
    assert all(0 < picture.extra["packets_of_whole"] < 1 for picture in pictures)


def test_marker_on_the_air_is_the_published_one():
    """Meteor-M's marker as convolved without inversion: 035D49C24FF2686B from zeros (sheet of check values)."""
    word = np.unpackbits(np.frombuffer(SYNC.to_bytes(4, "big"), np.uint8))
    coded = np.packbits(encode(word, invert_second=False)).tobytes()
    assert coded.hex().upper() == "035D49C24FF2686B"
    sent = synth.symbols(synth.examples()[0])
    pattern = "".join(map(str, np.unpackbits(np.frombuffer(coded, np.uint8))[12:].tolist()))
    assert pattern in "".join(map(str, sent[:3000].tolist()))


def test_message_counts_frames_and_packets():
    item = {"channels": [1, 2], "strips": 2}
    frames = synth.frames(item)
    assembler = Assembler()
    out = []
    for k, octets in enumerate([*frames[:4], *frames[6:]]):
        bits = Bits(int.from_bytes(octets, "big"), 8 * len(octets))
        out += assembler.feed(Frame("lrpt", 10**8 * k, 10**8 * k + 1, bits, "corrected", corrected_bits=2))
    out += assembler.close()
    by_channel = {message.fields["virtual_channel"]: message.fields for message in out}
    assert by_channel[5]["frames_lost"] == 2
    assert by_channel[5]["frames"] == len(frames) - 2 - 2
    assert set(by_channel[5]["packets_by_apid"]) <= {"64", "65", "70"}
    assert by_channel[63]["content"] == "idle"


def test_interleaving_is_undone():
    """Branch k of 36 comes 2048 k rows late; the receiver gives the rest (35 - k) rows: no outside check is known."""
    rng = np.random.default_rng(1)
    item = {"channels": [1], "strips": 3, "seed": 1}
    symbols = synth.symbols({**item, "interleaved": True})
    plain = synth.symbols(item)
    rows = symbols.reshape(-1, 80)
    assert "".join(map(str, rows[5, :8])) == "00100111"
    body = rows[:, 8:].reshape(-1, 36)
    assert np.array_equal(body[7 * 2048 : 7 * 2048 + 30, 7], plain[7 : 7 + 36 * 30 : 36])
    for turn in ((0, 1), (0, -1), (1, 1), (1, -1)):
        rails = (2.0 * symbols.reshape(-1, 2) - 1).astype(np.float32)
        rails = np.stack([rails[:, turn[0]], turn[1] * rails[:, 1 - turn[0]]], axis=1)
        rails = (rails + 0.8 * rng.standard_normal(rails.shape)).astype(np.float32)[13:]
        lanes = InterleavedLanes(offset=False, codes=CODES)
        got = []
        for at in range(0, len(rails), 13_000):
            part = rails[at : at + 13_000]
            got += lanes.feed(part, np.arange(at, at + len(part)))
        got += lanes.close()
        assert [found.block.frame for found in got] == synth.frames(item)


def test_interleaved_transmission():
    item = {"modulation": "oqpsk", "interleaved": True, "channels": [1], "strips": 3, "seed": 1}
    frames, pictures = heard(item, 4.0)
    sent = synth.payloads(item)
    assert sum(bits in [frame.bits for frame in frames] for bits in sent) >= len(sent) - 1
    assert frames[0].extra["symbol_rate_hz"] == 80_000
    assert len(pictures) == 1
