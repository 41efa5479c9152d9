"""Doppler followed: rows of a pass get a hint with figures, senders a tie that stays undone; others get nothing."""

import numpy as np
import pytest

from earwitness.core.times import parse_time
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Log
from earwitness.orbit.doppler import predicted_hz
from earwitness.orbit.elements import Elements, as_omm, checked
from earwitness.orbit.passes import find_passes
from earwitness.orbit.track import Site, Track
from earwitness.station.config import parse_station
from earwitness.station.drift import frequencies, hints_for
from earwitness.station.log_keeper import LogKeeper
from earwitness.station.trains import EmissionRecord

EPOCH = parse_time("2026-11-25T00:00:00Z")
LANTERN = checked(Elements("LANTERN 2", 90001, "", EPOCH, 98.7, 100.0, 0.001, 90.0, 270.0, 14.2, 1e-4))
SITE = Site(50.0, 4.0)
F_HZ = 435.1e6
SETTINGS = """
[place]
latitude_deg = 50.0
longitude_deg = 4.0
[[satellite]]
name = "LANTERN 2"
frequency_hz = 435_100_000
"""


@pytest.fixture
def station(tmp_path):
    (tmp_path / "station.toml").write_text(SETTINGS)
    (tmp_path / "elements").mkdir()
    (tmp_path / "elements" / "one.json").write_text(as_omm([LANTERN]))
    return parse_station(SETTINGS, tmp_path)


@pytest.fixture(scope="module")
def flown():
    return find_passes(LANTERN, SITE, EPOCH, EPOCH + 86_400_000_000_000, minimum_deg=30)[0]


def heard(flown, *, follows, count=20, seed=0):
    rng = np.random.default_rng(seed)
    times = np.sort(rng.integers(flown.aos.time_ns, flown.los.time_ns, count))
    hz = predicted_hz(Track(LANTERN), SITE, times, F_HZ) + 900.0 if follows else np.full(count, F_HZ + 500.0)
    return list(zip(times.tolist(), (hz + rng.normal(0, 60, count)).tolist(), strict=True))


def record(number, at_ns, hz):
    return EmissionRecord(
        number=number, start_ns=at_ns, stop_ns=at_ns + 300_000_000, center_hz=hz, width_hz=15e3, level_dbfs=-50.0,
        snr_db=15.0, on_ns=300_000_000,
    )  # fmt: skip


def message(at_ns, hz, key):
    frame = Frame("ax25", at_ns, at_ns + 300_000_000, Bits(at_ns & 0xFFFF, 16), "pass", frequency_hz=hz)
    return Message(frame, "ui", {"text": "hello"}, "pass", IdentityRef("station", key))


def survey(station, flown, *, with_messages=()):
    """Log a satellite's bursts, another's on the ground, and frames of senders; gives the log."""
    log = Log.open(station.folder)
    recording = log.begin_recording({"content_id": "c", "start_ns": flown.aos.time_ns})
    hints = hints_for(station, flown.aos.time_ns, flown.los.time_ns)
    evidence = EvidenceStore(log, station.folder, 10**8)
    keeper = LogKeeper(log, evidence, recording, doppler=hints)
    number = 0
    for key, follows in with_messages:
        for at_ns, hz in heard(flown, follows=follows, seed=number):
            entry = record(number, at_ns, hz)
            keeper.message(message(at_ns, hz, key), entry, None)
            keeper.emission(entry, final=True)
            keeper.commit(at_ns)
            number += 1
    if not with_messages:
        for follows in (True, False):
            for at_ns, hz in heard(flown, follows=follows, seed=int(follows)):
                keeper.emission(record(number, at_ns, hz), final=True)
                keeper.commit(at_ns)
                number += 1
    keeper.commit(flown.los.time_ns, now=True)
    log.finish_recording(recording)
    return log


def test_bursts_of_a_pass_get_a_hint(station, flown):
    with survey(station, flown) as log:
        rows = list(log.emissions(limit=1000))
        told = [row for row in rows if row.get("perhaps_satellite")]
        assert len(rows) == 40
        assert 17 <= len(told) <= 23
        steady = [row for row in told if abs(row["frequency_hz"] - F_HZ - 500) < 200]
        assert len(steady) <= 4
        one = told[0]
        assert (one["perhaps_satellite"], one["perhaps_satellite_number"]) == ("LANTERN 2", 90001)
        assert one["doppler_offset_hz"] == pytest.approx(900, abs=80)
        assert 20 < one["doppler_residual_hz"] < 150
        assert "a hint" in one["perhaps_rule"]
        assert "2026-11-25T00:00Z" in one["perhaps_rule"]
        assert log.summary()


def test_senders_are_tied_and_can_be_parted(station, flown):
    senders = (("QZ1SAT", True), ("QZ2GND", False))
    with survey(station, flown, with_messages=senders) as log:
        told = [row for row in log.messages(limit=1000) if row.get("perhaps_satellite")]
        assert len(list(log.messages(limit=1000))) == 40
        assert 17 <= len(told) <= 23
        ties = list(log.relations())
        assert [(tie["relation"], tie["a_key"], tie["b_key"]) for tie in ties] == [
            ("perhaps", "QZ1SAT", "90001")
        ]
        assert sum(bool(row.get("perhaps_satellite")) for row in log.emissions(limit=1000)) >= 17
        who = next(log.identities(key="QZ1SAT"))
        assert who["message_count"] == 20  # written twice, counted once
        log.undo_relation(ties[0]["id"])
    with survey(station, flown, with_messages=senders) as log:
        assert [tie["undone"] for tie in log.relations()] == [True]


def test_ground_alone_gives_nothing(station, flown):
    with survey(station, flown, with_messages=(("QZ2GND", False),)) as log:
        assert not any(row.get("perhaps_satellite") for row in log.messages(limit=1000))
        assert list(log.relations()) == []


class Made:
    """A stretch of I/Q made on demand: a carrier that follows the pass, or one that stays."""

    kind, rate_hz, center_hz = "iq", 48_000.0, F_HZ

    def __init__(self, flown, *, follows):
        self.epoch_ns = flown.tca.time_ns - 60_000_000_000
        self.count = round(120 * self.rate_hz)
        self._follows = follows

    def read(self, start, count):
        at_s = (start + np.arange(count)) / self.rate_hz
        middle = np.array([self.epoch_ns + round((start + count / 2) / self.rate_hz * 1e9)])
        hz = predicted_hz(Track(LANTERN), SITE, middle, F_HZ)[0] + 700 if self._follows else F_HZ + 1000
        rng = np.random.default_rng(start)
        noise = rng.normal(0, 0.1, (2, count))
        return (0.1 * np.exp(2j * np.pi * (hz - F_HZ) * at_s) + noise[0] + 1j * noise[1]).astype(np.complex64)


@pytest.mark.parametrize("follows", [True, False])
def test_a_transmission_that_lasts_is_looked_at_again(station, flown, follows):
    stretch = Made(flown, follows=follows)
    stop_ns = stretch.epoch_ns + 120_000_000_000
    row = {
        "id": "e-1", "start_ns": stretch.epoch_ns, "stop_ns": stop_ns, "frequency_hz": F_HZ + 1000,
        "detected_width_hz": 9000.0, "burst_count": None,
    }  # fmt: skip
    times, hz = frequencies(stretch, row, 20e3)
    assert len(times) > 100
    wanted = (
        predicted_hz(Track(LANTERN), SITE, times, F_HZ) + 700 if follows else np.full(len(times), F_HZ + 1000)
    )
    assert np.abs(hz - wanted).max() < 100
    hints = hints_for(station, stretch.epoch_ns, stop_ns)
    hints.emission(row)
    hints.listen(stretch)
    emissions, messages, relations = hints.settle()
    assert (messages, relations) == ([], [])
    assert emissions == ([row] if follows else [])
    if follows:
        assert row["doppler_residual_hz"] < 60
        assert row["doppler_offset_hz"] == pytest.approx(700, abs=40)


def test_nothing_is_measured_outside_a_stretch_or_in_noise(flown):
    stretch = Made(flown, follows=True)
    row = {"start_ns": 0, "stop_ns": 60_000_000_000, "frequency_hz": F_HZ, "detected_width_hz": 9000.0}
    assert len(frequencies(stretch, row, 20e3)[0]) == 0
    row = {
        **row,
        "start_ns": stretch.epoch_ns,
        "stop_ns": stretch.epoch_ns + 60_000_000_000,
        "frequency_hz": F_HZ + 2e4,
    }
    assert len(frequencies(stretch, row, 500.0)[0]) <= 1


def test_without_place_satellites_elements_or_pass_nothing_is_watched(station, flown, tmp_path):
    span = (flown.aos.time_ns, flown.los.time_ns)
    assert hints_for(station, *span) is not None
    assert hints_for(parse_station("", tmp_path), *span) is None
    assert hints_for(parse_station(SETTINGS.partition("[[sat")[0], tmp_path), *span) is None
    assert hints_for(parse_station(SETTINGS, tmp_path / "elsewhere"), *span) is None
    after = flown.los.time_ns + 20_000_000_000
    assert hints_for(station, after, after + 60_000_000_000) is None
    later = 40 * 86_400_000_000_000
    assert hints_for(station, span[0] + later, span[1] + later + 86_400_000_000_000) is None
