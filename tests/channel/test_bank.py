"""The channel bank against the definition: mix, low-pass, decimate; and against itself cut differently."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.channel.bank import ChannelBank, StreamCut, block_size
from earwitness.core.types import Samples

RATE = 1_000_000.0
CENTER = 100e6


def bank_of(x, **facts):
    return ChannelBank(lambda start, count: x[start : start + count], rate_hz=RATE, center_hz=CENTER, **facts)


def tone(offset_hz, count=200_000, rate=RATE):
    return np.exp(2j * np.pi * offset_hz / rate * np.arange(count)).astype(np.complex64)


@pytest.mark.parametrize("offset_hz", [-402_345.6, -31.0, 123_456.7, 490_000.0])
def test_tone_keeps_amplitude_frequency_and_phase(offset_hz):
    bank = bank_of(tone(offset_hz))
    channel = bank.open(CENTER + offset_hz + 3000, rate_hz=25_000, start=0)
    list(bank.flush(200_000))
    got = channel.take()
    k = np.arange(len(got.data))
    # channel sample k is stream sample k * RATE / rate, mixed down from the channel's centre
    expected = np.exp(2j * np.pi * (CENTER + offset_hz - channel.center_hz) * k / channel.rate_hz)
    inside = slice(200, int(200_000 / RATE * channel.rate_hz) - 200)
    assert np.abs(got.data[inside] - expected[inside]).max() < 2e-3


def test_outside_is_70_db_down():
    for offset_hz in (16_000.0, 25_000.0, 100_000.0, -300_000.0):
        bank = bank_of(tone(offset_hz))
        channel = bank.open(CENTER, rate_hz=25_000, start=0)
        list(bank.advance(190_000))
        level = np.abs(channel.take().data[100:]).max()
        assert 20 * np.log10(level) < -65, offset_hz


def test_blocks_are_shared_and_late_channels_catch_up():
    rng = np.random.default_rng(3)
    x = (rng.standard_normal(300_000) + 1j * rng.standard_normal(300_000)).astype(np.complex64)
    bank = bank_of(x)
    first = bank.open(CENTER + 50e3, rate_hz=25_000, start=0)
    second = bank.open(CENTER - 80e3, rate_hz=25_000, start=0)
    list(bank.advance(200_000))
    shared = bank.transforms
    assert shared == first.next_block
    late = bank.open(CENTER + 50e3, rate_hz=25_000, start=0)
    list(bank.advance(250_000))
    assert np.array_equal(first.take().data, late.take().data)
    assert len(second.take().data) > 0
    quiet = bank_of(x)
    list(quiet.advance(300_000))
    assert quiet.transforms == 0, "nothing on the air costs nothing"


def test_channel_ends_where_told():
    bank = bank_of(tone(1000.0))
    channel = bank.open(CENTER, rate_hz=25_000, start=50_000)
    bank.close(channel, 90_000)
    assert list(bank.advance(200_000)) == [channel]
    got = channel.take()
    assert got.start / got.rate_hz <= 50_000 / RATE
    assert (got.start + len(got.data)) / got.rate_hz >= 90_000 / RATE


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.integers(1, 20_000), max_size=8),
    st.floats(-9000, 9000),
    st.sampled_from([3000.0, 8000.0, 16_000.0]),
)
def test_stream_cut_does_not_depend_on_the_pieces(lengths, offset_hz, rate_hz):
    rng = np.random.default_rng(5)
    x = (rng.standard_normal(20_000) + 1j * rng.standard_normal(20_000)).astype(np.complex64)

    def cut(edges):
        one = StreamCut(center_hz=CENTER + offset_hz, rate_hz=rate_hz)
        parts = []
        for begin, end in pairwise(edges):
            part = one.feed(Samples(x[begin:end], 48_000.0, CENTER, 700 + begin, 0))
            parts += [part.data] if part is not None else []
        last = one.close()
        return np.concatenate(parts + ([last.data] if last is not None else []))

    edges = [0, *[e for e in np.cumsum(lengths, dtype=int) if e < 20_000], 20_000]
    assert np.array_equal(cut(edges), cut([0, 20_000]))


@given(st.floats(1e3, 1e9))
def test_block_size_is_bounded(rate_hz):
    size = block_size(rate_hz)
    assert 512 <= size <= 16384
    assert size & (size - 1) == 0


@pytest.mark.parametrize("offset_hz", [-7_402_345.6, -31.0, 1_123_456.7, 9_600_000.0])
def test_narrow_channel_of_a_fast_stream_is_cut_in_two_steps(offset_hz):
    rate, count = 20e6, 2_000_000
    x = tone(offset_hz, count, rate)
    x += 0.5 * tone(offset_hz + 40_000.0, count, rate)  # outside the channel, inside its first cut
    bank = ChannelBank(lambda start, n: x[start : start + n], rate_hz=rate, center_hz=CENTER)
    channel = bank.open(CENTER + offset_hz + 3000, rate_hz=25_000, start=0)
    parts = []
    for stop in (300_000, 310_000, 1_500_000):
        list(bank.advance(stop))
        parts.append(channel.take())
    assert list(bank.flush(count)) == [channel]
    parts.append(channel.take())
    got = [part for part in parts if part is not None]
    assert 25_000 <= channel.rate_hz < 30_000
    assert all(a.start + len(a.data) == b.start for a, b in pairwise(got))
    data = np.concatenate([part.data for part in got])
    k = got[0].start + np.arange(len(data))
    expected = np.exp(2j * np.pi * (CENTER + offset_hz - channel.center_hz) * k / channel.rate_hz)
    inside = slice(300, int(count / rate * channel.rate_hz) - 300)
    assert np.abs(data[inside] - expected[inside]).max() < 2e-3
