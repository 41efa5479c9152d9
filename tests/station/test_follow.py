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
