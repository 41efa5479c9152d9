"""Measured drift against predicted Doppler: found with oscillators off and elements late, not found by chance."""

import numpy as np
import pytest

from earwitness.orbit.doppler import follow, predicted_hz
from earwitness.orbit.passes import find_passes
from earwitness.orbit.track import Track

DAY_NS = 86_400_000_000_000
F_HZ = 137.9e6
LIMIT_HZ = 20e-6 * F_HZ


@pytest.fixture
def best(lantern, site):
    return max(
        find_passes(lantern, site, lantern.epoch_ns, lantern.epoch_ns + DAY_NS),
        key=lambda p: p.culmination.elevation_deg,
    )


def heard(best, site, rng, count, *, noise_hz=30.0, offset_hz=0.0, late_s=0.0):
    times = np.sort(rng.integers(best.aos.time_ns + 10**10, best.los.time_ns - 10**10, count))
    moved = times - round(late_s * 1e9)
    return times, predicted_hz(Track(best.elements), site, moved, F_HZ) + offset_hz + rng.normal(
        0, noise_hz, count
    )


@pytest.mark.parametrize(("offset_hz", "late_s"), [(0.0, 0.0), (1500.0, 0.0), (-2000.0, 3.0), (300.0, -2.0)])
def test_a_satellite_is_followed(lantern, site, best, offset_hz, late_s):
    rng = np.random.default_rng(1)
    times, hz = heard(best, site, rng, 40, offset_hz=offset_hz, late_s=late_s)
    found = follow(Track(lantern), site, F_HZ, times, hz, offset_limit_hz=LIMIT_HZ, timing_s=4.0)
    assert found.members.sum() >= 36
    assert found.offset_hz == pytest.approx(offset_hz, abs=60)
    assert found.late_s == pytest.approx(late_s, abs=0.8)
    assert 15 < found.residual_hz < 60
    assert found.swing_hz > 3000


def test_it_is_found_among_others(lantern, site, best):
    rng = np.random.default_rng(2)
    times, hz = heard(best, site, rng, 20, offset_hz=700.0)
    others = rng.integers(best.aos.time_ns, best.los.time_ns, 60)
    spread = F_HZ + rng.uniform(-6000, 6000, 60)
    found = follow(
        Track(lantern), site, F_HZ, np.concatenate([times, others]), np.concatenate([hz, spread]), offset_limit_hz=LIMIT_HZ
    )  # fmt: skip
    assert found.members[:20].sum() >= 18
    assert found.members[20:].sum() <= 8


@pytest.mark.parametrize("drift_hz_s", [0.0, 0.5, -2.0, -5.0, -8.0, 10.0])
def test_others_alone_are_no_satellite(lantern, site, best, drift_hz_s):
    """Steady and drifting transmitters on the ground, and chance, seldom look like a pass (CHANCE is 1e-4)."""
    wrong = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        times = np.sort(rng.integers(best.aos.time_ns, best.los.time_ns, 60))
        hz = F_HZ + rng.uniform(-3000, 3000) + drift_hz_s * (times - times[0]) / 1e9 + rng.normal(0, 30, 60)
        wrong += (
            follow(Track(lantern), site, F_HZ, times, hz, offset_limit_hz=LIMIT_HZ, timing_s=2.0) is not None
        )
        hz = F_HZ + rng.uniform(-6000, 6000, 60)
        wrong += (
            follow(Track(lantern), site, F_HZ, times, hz, offset_limit_hz=LIMIT_HZ, timing_s=2.0) is not None
        )
    assert wrong == 0


def test_too_few_too_still_or_out_of_sight_say_nothing(lantern, site, best):
    rng = np.random.default_rng(3)
    track = Track(lantern)
    times, hz = heard(best, site, rng, 40)
    assert follow(track, site, F_HZ, times[:4], hz[:4], offset_limit_hz=LIMIT_HZ) is None
    near = np.abs(times - best.aos.time_ns - 10**10) < 8e9  # seconds of a pass: hardly any drift yet
    assert follow(track, site, F_HZ, times[near], hz[near], offset_limit_hz=LIMIT_HZ) is None
    assert follow(track, site, F_HZ, times + DAY_NS // 2, hz, offset_limit_hz=LIMIT_HZ) is None
    assert follow(track, site, F_HZ, times, hz + 3e4, offset_limit_hz=LIMIT_HZ) is None
