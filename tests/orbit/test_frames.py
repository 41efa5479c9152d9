"""Sidereal time, ellipsoid, look angles, Sun: against published values and independent libraries."""

import math
from dataclasses import replace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.times import parse_time
from earwitness.orbit import frames
from earwitness.orbit.elements import read_elements
from earwitness.orbit.track import Site, Track

SET_5 = (
    "1 00005U 58002B   00179.78495062  .00000023  00000-0  28098-4 0  4753\n"
    "2 00005  34.2682 348.7242 1859667 331.7664  19.3264 10.82419157413667"
)


def at(text):
    return np.array([parse_time(text)])


@pytest.mark.parametrize(
    ("when", "degrees"),
    [
        # J. Meeus, Astronomical Algorithms, examples 12.a (13h 10m 46.3668s) and 12.b (8h 34m 57.0896s); from memory
        ("1987-04-10T00:00:00Z", 15 * (13 + 10 / 60 + 46.3668 / 3600)),
        ("1987-04-10T19:21:00Z", 15 * (8 + 34 / 60 + 57.0896 / 3600)),
        # D. A. Vallado, Fundamentals of Astrodynamics, example 3-5; from memory
        ("1992-08-20T12:14:00Z", 152.578787810),
        # worked value of the sheet shared/specs/marine_paging_space.md, 8.4
        ("2000-06-27T18:50:19.733568Z", 198.768934),
    ],
)
def test_sidereal_time_as_published(when, degrees):
    assert math.degrees(frames.gmst_rad(at(when))[0]) == pytest.approx(degrees, abs=1e-6)


def test_sidereal_time_as_the_library_has_it():
    from sgp4.propagation import gstime

    for year in range(1970, 2060, 7):
        when = at(f"{year}-03-05T07:08:09.123456Z")
        whole, part = frames.julian(when)
        assert frames.gmst_rad(when)[0] == pytest.approx(gstime(whole[0] + part[0]) % (2 * math.pi), abs=1e-7)


def test_look_and_doppler_as_worked_in_the_sheet():
    # shared/specs/marine_paging_space.md, 8.4: one other implementation; places given to 1e-4 degrees (11 m)
    (item,) = read_elements(SET_5).elements
    track, when = Track(item), np.array([item.epoch_ns])
    assert track.fixed(when)[0][0] / 1000 == pytest.approx([-6198.5577, 3585.1268, 0.0400], abs=1e-4)
    for place, range_km, rate, azimuth, elevation, shift in (
        ((5.0003, 149.9557), 977.5402, -2.062502, 180.00, 50.6067, 945.97),
        ((-9.9997, 159.9557), 1830.1937, -0.605733, 314.39, 18.06, 277.8),
    ):
        look = track.look(Site(*place), when)
        assert look.range_m[0] / 1000 == pytest.approx(range_km, abs=0.012)
        assert look.range_rate_m_s[0] / 1000 == pytest.approx(rate, abs=1e-4)
        assert look.azimuth_deg[0] == pytest.approx(azimuth, abs=0.005)
        assert look.elevation_deg[0] == pytest.approx(elevation, abs=0.006)
        assert look.doppler_hz(137.5e6)[0] == pytest.approx(shift, abs=0.1)


def test_bound_of_the_doppler_shift(lantern):
    # same sheet: circular orbit at 820 km, +-6.594 km/s, +-3024 Hz at 137.5 MHz on an Earth that stands still
    rev_day = 86_400 / (2 * math.pi) * math.sqrt(398_600.4418 / 7198.137**3)
    track = Track(replace(lantern, motion_rev_day=rev_day, eccentricity=0.0))
    times = lantern.epoch_ns + np.arange(0, 86_400 * 3, 5) * 1_000_000_000
    look = track.look(Site(0.0, 0.0), times)
    up = look.elevation_deg > 0
    assert np.abs(look.range_rate_m_s[up]).max() == pytest.approx(6594, rel=0.03)
    assert np.abs(look.doppler_hz(137.5e6)[up]).max() == pytest.approx(3024, rel=0.03)


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(-5000, 5e7))
def test_places_come_back(latitude, longitude, height):
    spot = frames.ecef(np.array([latitude]), np.array([longitude]), np.array([height]))
    lat, lon, h = frames.geodetic(spot)
    assert lat[0] == pytest.approx(latitude, abs=1e-9)
    assert h[0] == pytest.approx(height, abs=1e-5)
    if abs(latitude) < 89.999:
        assert (lon[0] - longitude + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


def test_earth_fixed_position_as_printed():
    # D. A. Vallado, example 3-3 (from memory): 6524.834, 6862.875, 6448.296 km is 34.352496 N, 46.4464 E, 5085.22 km
    lat, lon, height = frames.geodetic(np.array([[6524.834e3, 6862.875e3, 6448.296e3]]))
    assert lat[0] == pytest.approx(34.352496, abs=2e-6)
    assert lon[0] == pytest.approx(46.4464, abs=5e-5)
    assert height[0] == pytest.approx(5085.22e3, abs=10)


@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(0, 360), st.floats(1e3, 2e5))
def test_directions_agree_with_geodesics(latitude, longitude, bearing, distance):
    # geographiclib goes along the ellipsoid; near by, a target seen in a direction lies along that azimuth
    there = Geodesic.WGS84.Direct(latitude, longitude, bearing, distance)
    target = frames.ecef(np.array([there["lat2"]]), np.array([there["lon2"]]), np.array([0.0]))
    away = target[0] - Site(latitude, longitude).position_m()
    up, east, north = frames.up_east_north(latitude, longitude) @ away
    azimuth = math.degrees(math.atan2(east, north))
    assert (azimuth - bearing + 180) % 360 - 180 == pytest.approx(0, abs=0.02)
    assert math.degrees(math.asin(up / np.linalg.norm(away))) == pytest.approx(
        -math.degrees(distance / 2 / 6.371e6), abs=0.01
    )


def test_range_rate_is_the_slope_of_the_range(lantern, site):
    times = lantern.epoch_ns + np.arange(0, 7200, 10) * 1_000_000_000
    track = Track(lantern)
    after, before = track.look(site, times + 50_000_000).range_m, track.look(site, times - 50_000_000).range_m
    assert track.look(site, times).range_rate_m_s == pytest.approx((after - before) / 0.1, abs=0.1)


def test_direction_of_the_sun():
    # J. Meeus, Astronomical Algorithms, example 25.a: 1992 October 13.0 TD, right ascension 198.38083,
    # declination -7.78507 (from memory); the minute between TD and UTC moves it by 0.0007 degrees
    x, y, z = frames.sun_direction(at("1992-10-13T00:00:00Z"))[0]
    assert math.degrees(math.atan2(y, x)) % 360 == pytest.approx(198.38083, abs=0.01)
    assert math.degrees(math.asin(z)) == pytest.approx(-7.78507, abs=0.01)


def test_shadow():
    when = at("2026-03-20T12:00:00Z")
    sun = frames.sun_direction(when)
    side = np.cross(sun, [[0.0, 0.0, 1.0]])
    side /= np.linalg.norm(side)
    for spot, lit in ((7e6 * sun, True), (-7e6 * sun, False), (-7e6 * sun + 6.5e6 * side, True)):
        assert frames.sunlit(spot, when)[0] == lit
