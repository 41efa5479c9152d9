"""Scan geometry: nadir, geodesic distances by geographiclib, there and back, and the stated error."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from earwitness.orbit import frames
from earwitness.orbit.swath import SCANS, Swath, blur, meet_earth, scan_of
from earwitness.orbit.track import Track

LINES = 1200


@pytest.fixture(params=[("apt", 2080), ("apt", 909), ("lrpt", 1568), ("lrpt", 784)])
def swath(request, lantern):
    lines = lantern.epoch_ns + 600_000_000_000 + np.arange(LINES) * 500_000_000
    return Swath(lantern, lines, scan_of(*request.param))


def middle(swath):
    return (swath.scan.fields[0][1] - 1) / 2


def test_the_middle_of_each_line_is_the_sub_satellite_point(swath):
    latitude, longitude = swath.places(np.arange(LINES), np.array([middle(swath)]))
    lat, lon, _ = Track(swath.elements).subpoint(swath.lines_ns)
    assert np.abs(latitude[:, 0] - lat).max() < 1e-9
    assert np.abs(longitude[:, 0] - lon).max() < 1e-9


def test_lines_are_as_far_apart_as_the_satellite_moves(swath):
    latitude, longitude = swath.places(np.array([600, 601]), np.array([middle(swath)]))
    step = Geodesic.WGS84.Inverse(latitude[0, 0], longitude[0, 0], latitude[1, 0], longitude[1, 0])["s12"]
    assert step / 0.5 == pytest.approx(6600, rel=0.05)  # ground speed of an orbit at 830 km: common practice


def test_width_and_lie_of_the_lines_on_the_ground(swath):
    """A line crosses the track squarely, right first, and reaches as far as plane trigonometry of a sphere says."""
    columns = swath.scan.fields[0][1]
    latitude, longitude = swath.places(np.array([600]), np.array([-0.5, middle(swath), columns - 0.5]))
    height = Track(swath.elements).subpoint(swath.lines_ns[[600]])[2][0]
    half = math.radians(swath.scan.half_deg)
    reach_m = 6371e3 * (math.asin((6371e3 + height) / 6371e3 * math.sin(half)) - half)
    ends = [
        Geodesic.WGS84.Inverse(latitude[0, 1], longitude[0, 1], latitude[0, n], longitude[0, n])
        for n in (0, 2)
    ]
    for end in ends:
        assert end["s12"] == pytest.approx(reach_m, rel=0.015)
    lat, lon, _ = Track(swath.elements).subpoint(swath.lines_ns[600] + np.array([0, 1_000_000_000]))
    course = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[1], lon[1])["azi1"]
    # the ground turns under the satellite, so the track over ground is up to 4 degrees off the motion in space
    assert (ends[0]["azi1"] - course) % 360 == pytest.approx(90, abs=5)
    assert (ends[1]["azi1"] - course) % 360 == pytest.approx(270, abs=5)


def test_width_of_the_avhrr_swath(lantern):
    # NOAA KLM guide: 2900 km from 833 km with +-55.4 degrees (from memory)
    swath = Swath(lantern, lantern.epoch_ns + np.arange(10) * 500_000_000, SCANS["apt"])
    latitude, longitude = swath.places(np.array([5]), np.array([-0.5, 908.5]))
    broad = Geodesic.WGS84.Inverse(latitude[0, 0], longitude[0, 0], latitude[0, 1], longitude[0, 1])["s12"]
    assert broad == pytest.approx(2900e3, rel=0.03)


def test_even_columns_are_even(lantern):
    swath = Swath(lantern, lantern.epoch_ns + np.arange(10) * 500_000_000, SCANS["apt"])
    latitude, longitude = swath.places(np.array([5]), np.arange(0, 909, 101))
    steps = [
        Geodesic.WGS84.Inverse(*a, *b)["s12"]
        for a, b in zip(
            zip(latitude[0], longitude[0], strict=True), zip(latitude[0, 1:], longitude[0, 1:], strict=True), strict=False
        )
    ]  # fmt: skip
    assert max(steps) / min(steps) < 1.01


def test_pixels_and_places_there_and_back(swath):
    columns = swath.scan.fields[0][1]
    rows, cols = np.meshgrid(np.linspace(0, LINES - 1, 25), np.linspace(0, columns - 1, 21), indexing="ij")
    latitude, longitude = swath.places(rows[:, 0], cols[0])
    row, column = swath.pixels(latitude.ravel(), longitude.ravel())
    assert np.abs(row - rows.ravel()).max() < 1e-3
    assert np.abs(column - cols.ravel()).max() < 1e-3


def test_what_is_out_of_view_has_no_pixel(swath):
    lat, lon, _ = Track(swath.elements).subpoint(swath.lines_ns[[600]])
    row, column = swath.pixels(np.array([-lat[0], lat[0], 90.0]), np.array([lon[0] + 180, lon[0] + 60, 0.0]))
    assert np.isnan(row[:2]).all()
    assert np.isnan(column[:2]).all()


def test_lines_of_sight_meet_the_ellipsoid():
    spot = np.array([[7e6, 0.0, 0.0], [7e6, 0.0, 0.0], [0.0, 0.0, 7e6]])
    sight = np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, -1.0]])
    met = meet_earth(spot, sight)
    assert met[0] == pytest.approx([frames.EARTH_M, 0, 0])
    assert np.isnan(met[1]).all()
    assert met[2] == pytest.approx([0, 0, 6_356_752.3142], abs=1e-3)  # WGS-84 semi-minor axis


def test_scans_fit_the_width_of_the_picture():
    assert scan_of("apt", 2080).fields == ((86, 909), (1126, 909))
    assert scan_of("apt", 1040).fields == ((0, 1040),)
    assert scan_of("lrpt", 3136).fields == ((0, 3136),)
    assert scan_of("wefax", 1809) is None


def test_error_grows_with_age_and_clock(lantern):
    at = lantern.epoch_ns
    good = blur(lantern, SCANS["lrpt"], at, clock_s=0.0)
    old = blur(lantern, SCANS["lrpt"], at + 10 * 86_400_000_000_000, clock_s=0.0)
    late = blur(lantern, SCANS["lrpt"], at, clock_s=10.0)
    assert good.along_km < 5
    assert old.along_km > 30
    assert late.along_km == pytest.approx(66, rel=0.05)
    assert "10 days" in old.reason or "10.0 days" in old.reason


def test_an_error_of_the_clock_moves_the_picture_along(lantern):
    lines = lantern.epoch_ns + np.arange(LINES) * 500_000_000
    scan = SCANS["lrpt"]
    latitude, longitude = Swath(lantern, lines, scan).places(np.array([600]), np.array([784.0]))
    row, column = Swath(lantern, lines + 5_000_000_000, scan).pixels(latitude[0], longitude[0])
    assert row[0] == pytest.approx(590, abs=0.2)
    # the Earth turns on below: 5 s x 465 m/s x cos(latitude) across, in columns of 0.83 km or more at the nadir
    assert abs(column[0] - 784.0) < 5
