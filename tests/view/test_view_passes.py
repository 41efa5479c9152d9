"""Passes for people: the table fits, the picture shows each pass where it goes, the calendar folds whole characters."""

import io

import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from earwitness.core.times import parse_time
from earwitness.orbit.elements import Elements, checked
from earwitness.station.config import parse_station
from earwitness.station.passes import parse_horizon, plan_passes
from earwitness.view import passes as view
from earwitness.view import tables

EPOCH = parse_time("2026-11-25T00:00:00Z")
LANTERN = checked(Elements("LANTERN 2", 90001, "", EPOCH, 98.7, 100.0, 0.001, 90.0, 270.0, 14.2, 1e-4))
SETTINGS = """
[place]
latitude_deg = 50.0
longitude_deg = -4.0
[[satellite]]
name = "LANTERN 2"
frequency_hz = 137_912_500
"""


@pytest.fixture
def plan(tmp_path):
    return plan_passes(parse_station(SETTINGS, tmp_path), [LANTERN], EPOCH, EPOCH + 86_400_000_000_000)


def shown(what, columns):
    out = io.StringIO()
    Console(file=out, width=columns).print(what)
    return out.getvalue()


@pytest.mark.parametrize("columns", [70, 80, 120, 200])
def test_the_table_fits_and_keeps_what_matters(plan, columns):
    text = shown(view.pass_table(plan, columns=columns), columns)
    assert max(map(len, text.splitlines())) <= columns
    for one in plan.passes:
        assert f"{one.found.culmination.elevation_deg:.0f}°" in text
    assert text.count("LANTERN 2") == len(plan.passes)
    assert ("Doppler" in text) == (columns >= 200)


def test_points_of_the_compass():
    assert [view.compass(a) for a in (0.0, 22.6, 180.0, 337.4, 359.9)] == [
        "000° N", "023° NE", "180° S", "337° NW", "000° N",
    ]  # fmt: skip


def test_picture(plan):
    image = np.asarray(
        Image.open(io.BytesIO(view.pass_picture(plan, parse_horizon("0:20 90:5")))).convert("RGB")
    )
    assert image.shape == (840, 1960, 3)
    coloured = np.abs(image.astype(int) - image.mean(axis=2, keepdims=True)).max(axis=2) > 40
    assert coloured[:, :840].sum() > 2000  # lines over the sky
    assert coloured[:, 840:].sum() > 2000  # and curves
    none = plan.__class__(plan.site, plan.start_ns, plan.stop_ns, (), (), ())
    assert len(view.pass_picture(none)) > 1000


def test_lines_of_the_calendar_are_folded_between_characters():
    line = "SUMMARY:" + "°é€" * 60
    folded = view._folded(line)
    assert max(len(part.encode()) for part in folded.split("\r\n")) <= 75
    assert folded.replace("\r\n ", "") == line


def test_a_hint_is_told_in_the_table_of_emissions():
    row = {
        "start": "2026-11-25T08:30:01.000000Z",
        "stop": "2026-11-25T08:30:02.500000Z",
        "frequency_hz": 137.9e6,
        "id": "e-1",
    }
    text = shown(
        tables.table("emissions", [{**row, "class": "fm", "perhaps_satellite": "LANTERN 2"}], columns=150),
        150,
    )
    assert "perhaps LANTERN 2" in text
