"""The plan of a station: elements kept, passes needed bands, receivers never asked for two tunings at once."""

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest

from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time
from earwitness.orbit.elements import Elements, as_omm, checked
from earwitness.orbit.passes import Moment, Pass, find_passes
from earwitness.orbit.track import Trust
from earwitness.station import passes as room
from earwitness.station.config import Antenna, Receiver, Satellite, parse_station
from earwitness.station.passes import (
    Planned,
    assign,
    cannot,
    keep_elements,
    parse_horizon,
    plan_passes,
    stored_elements,
    write_schedule,
)

DAY_NS = 86_400_000_000_000
START = parse_time("2026-11-26T00:00:00Z")
SETTINGS = """
[place]
latitude_deg = 50.0
longitude_deg = 4.0
[[receiver]]
name = "first"
low_hz = 24e6
high_hz = 1.7e9
rate_hz = 2.4e6
[[satellite]]
name = "LANTERN 2"
frequency_hz = 137_912_500
width_hz = 40000
[[satellite]]
name = "90003"
frequency_hz = 137_100_000
minimum_deg = 15
"""


def lantern(**changed):
    facts = {
        "name": "LANTERN 2", "number": 90001, "designator": "", "epoch_ns": START - DAY_NS, "inclination_deg": 98.7,
        "node_deg": 100.0, "eccentricity": 0.001, "perigee_deg": 90.0, "anomaly_deg": 270.0, "motion_rev_day": 14.2,
        "bstar": 1e-4,
    }  # fmt: skip
    return checked(Elements(**(facts | changed)))


SETS = [lantern(), lantern(name="MARL", number=90003, node_deg=104.0, anomaly_deg=280.0)]


@pytest.fixture
def station(tmp_path):
    return parse_station(SETTINGS, tmp_path)


def test_a_plan(station):
    plan = plan_passes(station, SETS, START, START + DAY_NS)
    names = {item.found.elements.name for item in plan.passes}
    assert names == {"LANTERN 2", "MARL"}
    assert plan.warnings == ()
    alone = find_passes(SETS[0], plan.site, START, START + DAY_NS, minimum_deg=5.0)
    assert [item.found for item in plan.passes if item.satellite.name == "LANTERN 2"] == alone
    assert all(
        item.found.culmination.elevation_deg >= 15 for item in plan.passes if item.satellite.name == "90003"
    )
    for item in plan.passes:
        half = item.satellite.width_hz / 2
        at_rise = item.satellite.frequency_hz + item.doppler_hz[0]
        assert item.low_hz < at_rise - half < at_rise + half < item.high_hz
        assert item.high_hz - item.low_hz < item.satellite.width_hz + 10_000
        assert item.receiver == "first"  # 0.8 MHz apart: both fit into its span
    json.dumps(plan.facts())


def test_recordings_cover_their_passes(station, tmp_path):
    plan = plan_passes(station, SETS, START, START + DAY_NS)
    for one in plan.recordings:
        for item in one.passes:
            assert one.start_ns < item.found.aos.time_ns - 9e9
            assert one.stop_ns > item.found.los.time_ns + 9e9
            assert one.center_hz - 0.4 * one.rate_hz <= item.low_hz + 500
            assert one.center_hz + 0.4 * one.rate_hz >= item.high_hz - 500
            assert not item.low_hz < one.center_hz < item.high_hz  # the spur of the receiver stays beside
    for a, b in itertools.pairwise(plan.recordings):
        assert a.stop_ns <= b.start_ns
    path = write_schedule(plan, tmp_path)
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    assert [row["start"] for row in rows] == sorted(row["start"] for row in rows)
    assert len({row["file"] for row in rows}) == len(rows)
    assert sum(len(row["passes"]) for row in rows) == len(plan.passes)
    assert rows[0]["file"].isascii()
    assert "/" not in rows[0]["file"]


def test_what_does_not_fit_is_said(station):
    narrow = replace(station, receiver=(Receiver("first", rate_hz=250e3),))
    plan = plan_passes(narrow, SETS, START, START + DAY_NS)
    lost = [item for item in plan.passes if item.receiver is None]
    assert lost
    for item in lost:
        assert item.why == "others at that time are worth more"
        rivals = [
            other
            for other in plan.passes
            if other.receiver and room._overlap(item, other) and other is not item
        ]
        assert sum(other.value for other in rivals) >= item.value
    weighty = replace(narrow, satellite=(replace(narrow.satellite[0], weight=9.0), narrow.satellite[1]))
    plan = plan_passes(weighty, SETS, START, START + DAY_NS)
    assert all(item.receiver for item in plan.passes if item.satellite.name == "LANTERN 2")
    for receivers, said in (
        ((), None),
        ((Receiver("low", high_hz=30e6, rate_hz=2e6),), "outside the range of the receiver"),
        ((Receiver("thin", rate_hz=12e3),), "wider than its span"),
        ((Receiver("bare"),), "no rate_hz"),
    ):
        plan = plan_passes(replace(station, receiver=receivers), SETS, START, START + DAY_NS)
        assert plan.recordings == ()
        assert all((said or "") in item.why for item in plan.passes)
    assert plan_passes(replace(station, receiver=()), SETS, START, START + DAY_NS).warnings


def test_antenna(station):
    fixed = replace(station, antenna=Antenna(bearing_deg=90.0, beamwidth_deg=60.0, tilt_deg=20.0))
    plan = plan_passes(fixed, SETS, START, START + DAY_NS)
    shares = [item.in_beam for item in plan.passes]
    assert min(shares) == 0
    assert 0 < max(shares) < 1
    assert all(item.receiver is None and "beam" in item.why for item in plan.passes if item.in_beam == 0)
    deaf = replace(station, antenna=Antenna(low_hz=400e6))
    assert all("antenna" in item.why for item in plan_passes(deaf, SETS, START, START + DAY_NS).passes)


def made(start_s, stop_s, elevation, frequency_hz=137e6):
    moments = [Moment(round(t * 1e9), 0.0, elevation, 1e6, 0.0) for t in (start_s, start_s, start_s, stop_s)]
    found = Pass(SETS[0], *moments, whole=True)
    satellite = Satellite("x", frequency_hz)
    return Planned(
        found, satellite, Trust(0, 1, 0, False, ""), frequency_hz - 2e4, frequency_hz + 2e4, (0, 0), 1, 1
    )


def test_choice_against_every_choice():
    """Never two tunings at once, and nearly all that the best choice of all would be worth."""
    rng = np.random.default_rng(5)
    receiver = Receiver("r", rate_hz=100e3)
    shares = []
    for _ in range(40):
        begins = rng.uniform(0, 4000, 8)
        items = [
            made(b, b + d, e, 137e6 + 1e6 * n)
            for n, (b, d, e) in enumerate(
                zip(begins, rng.uniform(300, 900, 8), rng.uniform(5, 90, 8), strict=True)
            )
        ]
        chosen, recordings = assign(items, [receiver], Antenna())
        for a, b in itertools.combinations(recordings, 2):
            assert a.stop_ns <= b.start_ns or b.stop_ns <= a.start_ns
        got = sum(item.value for item in chosen if item.receiver)
        best = max(
            sum(item.value for item in some)
            for count in range(9)
            for some in itertools.combinations(items, count)
            if not any(room._overlap(a, b) for a, b in itertools.combinations(some, 2))
        )
        shares.append(got / best)
    assert min(shares) >= 0.9
    assert np.mean(shares) > 0.99


def test_a_chain_of_overlaps_needs_one_tuning():
    items = [made(0, 100, 50, 137.0e6), made(90, 200, 40, 138.0e6), made(190, 300, 30, 139.0e6)]
    chosen, (one, *rest) = assign(items, [Receiver("r", rate_hz=2e6)], Antenna())
    assert [item.receiver for item in chosen] == ["r", "r", None]
    assert not rest
    assert len(one.passes) == 2
    chosen, recordings = assign(items, [Receiver("r", rate_hz=2e6), Receiver("s", rate_hz=2e6)], Antenna())
    assert [item.receiver for item in chosen] == ["r", "r", "s"]
    assert len(recordings) == 2


def test_tuning_range_counts_doppler_and_width():
    item = made(0, 100, 50, 137.0e6)
    assert cannot(item, Receiver("r", low_hz=136.98e6, high_hz=137.02e6, rate_hz=1e6), Antenna()) == ""
    assert "range" in cannot(item, Receiver("r", low_hz=136.99e6, rate_hz=1e6), Antenna())
    assert "range" in cannot(item, Receiver("r", high_hz=137.01e6, rate_hz=1e6), Antenna())


def test_elements_are_kept_once_and_only_those_wanted(station, tmp_path):
    given = tmp_path / "given.json"
    given.write_text(as_omm([*SETS, lantern(name="OTHER", number=90009)]))
    for _ in range(2):
        kept, problems = keep_elements(given, station)
        assert kept == 2
        assert "1 of 3 sets" in problems[0]
    assert len(list((tmp_path / room.ELEMENTS_NAME).iterdir())) == 1
    sets, problems = stored_elements(tmp_path)
    assert (sets, problems) == (SETS, [])
    by_hand = tmp_path / room.ELEMENTS_NAME / "mine.txt"
    by_hand.write_text("nonsense\n")
    assert "mine.txt: line 1" in stored_elements(tmp_path)[1][0]
    with pytest.raises(ParameterError, match="cannot be read"):
        keep_elements(tmp_path / "none", station)
    assert stored_elements(tmp_path / "nowhere") == ([], [])


def test_old_elements_are_warned_of_with_their_error(station):
    plan = plan_passes(station, SETS, START + 20 * DAY_NS, START + 21 * DAY_NS)
    assert "22 days old" in plan.warnings[0]
    assert "km along its track" in plan.warnings[0]
    assert plan.passes[0].trust.along_km > 60
    # with a later set in the folder the growth is measured on it, and the later one is used
    later = replace(SETS[0], epoch_ns=SETS[0].epoch_ns + 3 * DAY_NS)
    plan = plan_passes(station, [*SETS, later], START + 3 * DAY_NS, START + 4 * DAY_NS)
    one = next(item for item in plan.passes if item.satellite.name == "LANTERN 2")
    assert one.found.elements is later
    assert "measured" in one.trust.reason


def test_what_is_missing_is_said(station, tmp_path):
    with pytest.raises(ParameterError, match="place"):
        plan_passes(parse_station("", tmp_path), SETS, START, START + DAY_NS)
    with pytest.raises(ParameterError, match=r"no \[\[satellite\]\]"):
        plan_passes(replace(station, satellite=()), SETS, START, START + DAY_NS)
    assert "no elements of 'LANTERN 2'" in plan_passes(station, [], START, START + DAY_NS).warnings[0]
    with pytest.raises(ParameterError, match="'GULL' is not among"):
        plan_passes(station, SETS, START, START + DAY_NS, only="GULL")
    only = plan_passes(station, SETS, START, START + DAY_NS, only="marl")
    assert {item.found.elements.number for item in only.passes} == {90003}


@pytest.mark.parametrize("text", ["90", "x:3", "400:1", "90:95", "90:nan", "1:2:3", ":"])
def test_horizons_that_are_none(text):
    with pytest.raises(ParameterError, match="azimuth:elevation"):
        parse_horizon(text)


def test_horizon():
    assert parse_horizon("360:1, 90:5").points == ((0.0, 1.0), (90.0, 5.0))
    assert parse_horizon(None).points == ((0.0, 0.0),)
