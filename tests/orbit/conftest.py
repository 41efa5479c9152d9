"""Invented satellites and a site for the tests of this folder."""

import pytest

from earwitness.core.times import parse_time
from earwitness.orbit.elements import Elements, checked
from earwitness.orbit.track import Site

EPOCH = parse_time("2026-11-25T00:00:00Z")
HOUR_NS = 3_600_000_000_000


def low_orbit(**changed):
    facts = {
        "name": "LANTERN 2", "number": 90001, "designator": "26001A", "epoch_ns": EPOCH, "inclination_deg": 98.7,
        "node_deg": 100.0, "eccentricity": 0.001, "perigee_deg": 90.0, "anomaly_deg": 270.0, "motion_rev_day": 14.2,
        "bstar": 1e-4,
    }  # fmt: skip
    return checked(Elements(**(facts | changed)))


@pytest.fixture
def lantern():
    return low_orbit()


@pytest.fixture
def site():
    return Site(50.0, 4.0, 30.0)
