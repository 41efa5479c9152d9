"""Which modes hear an emission to its end."""

from dataclasses import replace

import numpy as np

from earwitness.channel.bank import Channel
from earwitness.core.mode import registry
from earwitness.core.types import Bits, Detection, Frame, Samples
from earwitness.station.follow import Follower
from earwitness.station.lanes import Lane

RATE = 48_000.0
BURST_S = 0.3


class Reader:
    """Gives one frame while it is fed and one when it is closed."""

    def __init__(self, mode, share):
        self.mode, self.share, self.closed = mode, share, False

    def frame(self, begin_s, stop_s):
        return Frame(
            mode=self.mode, time_ns=round(begin_s * 1e9), stop_ns=round(stop_s * 1e9), bits=Bits(round(begin_s * 1e6), 32),
            check="pass", check_name="test",
        )  # fmt: skip

    def feed(self, samples):
        return [self.frame(0.0, self.share * BURST_S)] if self.share else []

    def close(self):
        self.closed = True
        return [self.frame(self.share * BURST_S, (self.share + 0.1) * BURST_S)]


def follow(share):
    """A short burst heard by a mode that reads it and by one that does not."""
    found = Detection(1, 0, round(BURST_S * RATE), 99.99e6, 100.01e6, 100e6, -30.0, -100.0, 20.0, False)
    channel = Channel(100e6, RATE, 30e3, 64, 0, 0)
    follower = Follower(found, channel, [], span_hz=RATE, place_known=True)
    mode = registry()["ax25"]
    reader, other = Reader("ax25", share), Reader("ccsds", 0.0)
    follower.lanes = {
        "ax25": Lane(mode, reader, None),
        "ccsds": Lane(replace(mode, name="ccsds"), other, None),
    }
    rng = np.random.default_rng(1)
    noise = (1e-3 * rng.standard_normal(2 * round(BURST_S * RATE))).astype(np.float32).view(np.complex64)
    follower.feed(Samples(noise, RATE, 100e6, 0, 0))
    follower.close()
    return follower, reader, other


def test_a_mode_that_reads_a_burst_gives_its_last_frame_and_no_other_is_asked():
    follower, reader, other = follow(0.7)
    assert reader.closed
    assert not other.closed
    assert [frame.mode for frame in follower.take_frames()] == ["ax25", "ax25"]


def test_a_burst_read_in_part_is_heard_by_all():
    _, reader, other = follow(0.2)
    assert reader.closed
    assert other.closed


def test_the_receivers_offset_does_not_move_the_middle_of_what_is_wide():
    # Noise of 300 kHz about 100.1 MHz, by definition symmetric, and a constant offset a tenth as strong at 100 MHz.
    rate, count = 1e6, 1 << 18
    rng = np.random.default_rng(3)
    spectrum = rng.standard_normal(count) + 1j * rng.standard_normal(count)
    place = np.fft.fftfreq(count, 1 / rate)
    band = np.fft.ifft(spectrum * ((place > -50e3) & (place < 250e3)))
    band /= np.sqrt(np.mean(np.abs(band) ** 2))
    noise = 0.05 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    data = (0.1 * (band + 0.3 + noise)).astype(np.complex64)
    density = 10 * np.log10(2 * (0.1 * 0.05) ** 2 / rate)
    found = Detection(1, 0, count, 99.95e6, 100.25e6, 100.1e6, -20.0, density, 20.0, False)
    channel = Channel(100e6, rate, 0.9e6, 64, 0, 0)
    middles = []
    for tuned_hz in (100e6, None):
        follower = Follower(found, channel, [], span_hz=rate, place_known=True, tuned_hz=tuned_hz)
        follower.feed(Samples(data, rate, 100e6, 0, 0))
        follower.close()
        middles.append(follower.measurement.center_hz)
    assert abs(middles[0] - 100.1e6) < 2e3
    assert abs(middles[1] - 100.1e6) > 5e3


def test_what_is_buffered_of_a_channel_is_given_again_sample_for_sample():
    found = Detection(1, 0, round(BURST_S * RATE), 99.99e6, 100.01e6, 100e6, -30.0, -100.0, 20.0, False)
    channel = Channel(100e6, RATE, 30e3, 64, 0, 0)
    follower = Follower(found, channel, [], span_hz=RATE, place_known=False)
    x = np.arange(3_000).astype(np.complex64)
    for at in range(0, len(x), 700):
        follower.feed(Samples(x[at : at + 700], RATE, 100e6, 500 + at, 0))
    heard = follower.heard(1_100, 2_900)
    assert heard is not None
    assert heard.start == 1_100
    assert np.array_equal(heard.data, x[600:2_400])
    assert follower.heard(400, 600) is None
    assert follower.heard(3_400, 3_600) is None
    follower.forget()
    assert follower.heard(1_100, 2_900) is None
