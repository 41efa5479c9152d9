"""The time a channel was in use: what overlaps counts once."""

import pytest

from earwitness.station.log_keeper import _occupied_ns
from earwitness.view.words import occupancy


@pytest.mark.parametrize(
    ("spans", "wanted"),
    [
        ([(0, 100, 100), (50, 150, 100)], 150),
        ([(0, 100, 100), (0, 100, 100), (20, 30, 10)], 100),
        ([(0, 100, 50), (0, 100, 50)], 75),
        ([(-100, 100, 200), (900, 1100, 200)], 200),
        ([], 0),
    ],
)
def test_overlapping_emissions_fill_a_channel_once(spans, wanted):
    assert _occupied_ns(spans, 0, 1000) == pytest.approx(wanted)


def test_a_channel_always_in_use_is_told_below_all():
    assert occupancy(90_000, 90_000).endswith("> 99.9 %")
