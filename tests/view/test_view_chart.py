"""The offline map: land where there is land, and a view that bears any set of points."""

import itertools
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.view.chart import HEIGHT, WIDTH, Place, draw, fit, land


def on_land(lat, lon):
    """Even-odd rule over every ring."""
    inside = False
    for ring in land():
        for (ax, ay), (bx, by) in itertools.pairwise(ring):
            for turn in (-360, 0, 360):
                if (ay > lat) != (by > lat) and lon + turn < (bx - ax) * (lat - ay) / (by - ay) + ax:
                    inside = not inside
    return inside


# well inland or well at sea by any atlas
@pytest.mark.parametrize(
    ("lat", "lon", "dry"),
    [
        (48.86, 2.35, True),
        (-25.0, 134.0, True),
        (39.0, -98.0, True),
        (64.9, -18.6, True),
        (-80.0, 20.0, True),
        (30.0, -40.0, False),
        (56.5, 3.0, False),
        (0.0, -150.0, False),
        (43.0, 5.5, False),
        (65.5, -0.5, False),
        (67.0, 178.0, True),
        (66.5, -175.0, True),
        (60.0, 180.0, False),
        (-85.0, 179.9, True),
        (-85.0, -179.9, True),
    ],
)
def test_land_is_where_it_is(lat, lon, dry):
    assert on_land(lat, lon) is dry


def test_scale_is_true():
    view = fit([(52.0, 4.0), (53.0, 5.0)])
    (ax, ay), (bx, by) = view.xy(52.0, 4.0), view.xy(53.0, 4.0)
    assert (ay - by) * view.km_per_px == pytest.approx(111.2, abs=0.2)  # one degree of latitude
    (bx, by) = view.xy(52.0, 5.0)
    geodesic = (
        pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84.Inverse(52, 4, 52, 5)["s12"] / 1000
    )
    assert (bx - ax) * view.km_per_px == pytest.approx(geodesic, rel=0.02)


def test_across_the_date_line():
    view = fit([(-17.0, 179.5), (-17.2, -179.6)])
    (ax, _), (bx, _) = view.xy(-17.0, 179.5), view.xy(-17.2, -179.6)
    assert 0 < ax < bx < WIDTH
    svg, outside = draw(
        [Place("a", "a", "vessel", -17.0, 179.5), Place("b", "b", "vessel", -17.2, -179.6)], title="t"
    )
    assert outside == 0
    assert 'class="land"' in svg


def test_coasts_and_tracks_are_whole():
    """However long, a path ends as the grammar of SVG has it (SVG 2, 9.3.9): pairs of figures, then perhaps a Z."""
    spots = ((55.0, -60.0), (-30.0, 20.0), (35.0, 139.0))
    far = [Place(f"{n}", f"{n}", "aircraft", *spot) for n, spot in enumerate(spots)]
    way = [(50 + n / 500, 8 + n / 300 % 1) for n in range(2000)]
    svg, _ = draw([*far, Place("long", "long", "vessel", 50.0, 8.0, way)], title="t")
    paths = re.findall(r'<path class="(?:land|track)" d="([^"]*)"', svg)
    assert max(map(len, paths)) > 8000
    pair = r"-?[0-9.]+ -?[0-9.]+"
    assert all(re.fullmatch(rf"(M{pair}(L{pair})*Z?)+", path) for path in paths)


def test_a_straggler_does_not_shrink_the_rest():
    crowd = [Place(str(n), str(n), "vessel", 54 + n / 100, 8 + n / 100) for n in range(20)]
    _, outside = draw([*crowd, Place("far", "far", "vessel", -54.0, -120.0)], (54.0, 8.0), title="t")
    assert outside == 1


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-90, 90), st.floats(-180, 180), st.text(max_size=40), st.sampled_from(["vessel", "x"])
        ),
        min_size=1,
        max_size=8,
    ),
    st.none() | st.tuples(st.floats(-90, 90), st.floats(-180, 180)),
)
def test_any_positions_draw(points, station):
    from html.parser import HTMLParser

    places = [
        Place(str(n), name, kind, lat, lon, [(lat, lon)] * 3)
        for n, (lat, lon, name, kind) in enumerate(points)
    ]
    svg, outside = draw(places, station, title="t")
    assert 0 <= outside <= len(places)
    assert "nan" not in svg.replace(str([p.name for p in places]), "").lower() or any(
        "nan" in p.name.lower() for p in places
    )
    HTMLParser().feed(svg)
    view = fit([(lat, lon) for lat, lon, _, _ in points])
    assert math.isfinite(view.km_per_px)
    assert HEIGHT * view.km_per_px < 25_000
