"""A recording surveyed again: what supersedes what, and what is said to have changed."""

import pytest

from earwitness.core.errors import ParameterError
from earwitness.core.types import IdentityRef
from earwitness.log.compare import compare_rows
from earwitness.log.store import Batch
from earwitness.log.tables import EMISSION


@pytest.fixture
def survey(log, recording_facts, ais_row, emission):
    def run(software, seconds, *, complete=True, partial=False, **change):
        recording = log.begin_recording(recording_facts(software=software, partial=partial))
        batch = Batch(
            emissions=[emission(recording, n, **change) for n in seconds],
            messages=[ais_row(recording, n, value=n, mmsi=str(n)) for n in seconds],
        )
        log.write(batch)
        log.finish_recording(recording, {"complete": complete})
        return recording

    return run


def test_newer_version_supersedes_and_says_what_changed(log, survey):
    survey("1", range(5))
    recording = survey("2", range(2, 7), **{"class": "psk"})
    assert [row["time"][17:19] for row in log.messages()] == ["02", "03", "04", "05", "06"]
    assert len(list(log.messages(superseded=True))) == 7
    assert {row["key"] for row in log.identities()} == {"2", "3", "4", "5", "6"}
    assert log.summary()["modes"] == {"ais": 5}
    said = log.compare_surveys(recording)
    assert (said["before"]["software"], said["after"]["software"]) == ("1", "2")
    assert [len(said["messages"][part]) for part in ("added", "gone", "changed")] == [2, 2, 0]
    assert [len(said["emissions"][part]) for part in ("added", "gone", "changed")] == [2, 2, 3]
    change = said["emissions"]["changed"][0]
    assert (change["before"]["class"], change["after"]["class"], change["keys"]) == ("fsk2", "psk", ["class"])
    assert log.check() == "ok"


def test_what_comes_back_counts_again(log, survey):
    survey("1", range(4))
    survey("2", range(2))
    recording = survey("3", range(4))
    assert log.summary()["modes"] == {"ais": 4}
    said = log.compare_surveys(recording)["messages"]
    assert [len(said[part]) for part in ("added", "gone", "changed")] == [2, 0, 0]
    assert [row["message_count"] for row in log.identities()] == [1, 1, 1, 1]


def test_broken_off_or_partial_survey_supersedes_nothing(log, survey):
    survey("1", range(4))
    survey("2", range(1), complete=False)
    assert log.summary()["messages"] == 4
    survey("2", range(1), partial=True)
    assert log.summary()["messages"] == 4
    survey("2", range(1))
    assert log.summary()["messages"] == 1


def test_other_recordings_are_left_alone(log, survey, recording_facts, ais_row):
    other = log.begin_recording(recording_facts("two"))
    log.write(Batch(messages=[ais_row(other, 1, value=1, mmsi="1", flags=("urgency",))]))
    log.finish_recording(other)
    survey("1", range(3))
    survey("2", [])
    (who,) = log.identities()
    assert (who["key"], who["message_count"], who["flags"]) == ("1", 1, ["urgency"])


def test_withdrawn_flag_and_position_go(log, recording_facts, ais_row):
    for flags, place in ((("distress",), (50.0, 4.0)), ((), (51.0, 4.0))):
        recording = log.begin_recording(recording_facts())
        keep = ais_row(recording, 0, value=0, place=(51.0, 4.0))
        other = [ais_row(recording, 1, value=1, flags=flags, place=place)] if flags else []
        log.write(Batch(messages=[keep, *other]))
        log.finish_recording(recording)
    (who,) = log.identities()
    assert (who["flags"], who["latitude_deg"], who["message_count"]) == ([], 51.0, 1)
    assert who["last_seen"] == who["first_seen"] == "2025-11-25T08:00:00.000000Z"


def test_changed_sender_moves_the_count(log, recording_facts, ais_row):
    for mmsi in ("111", "222"):
        recording = log.begin_recording(recording_facts(software=mmsi))
        row = {**ais_row(recording, mmsi=mmsi), "related": (IdentityRef("station", f"coast {mmsi}"),)}
        log.write(Batch(messages=[row]))
        log.finish_recording(recording)
    assert [(row["key"], row["message_count"]) for row in log.identities(kind="vessel")] == [("222", 1)]
    assert [row["key"] for row in log.identities(kind="station")] == ["coast 222"]
    (change,) = log.compare_surveys(recording)["messages"]["changed"]
    assert change["keys"] == ["fields", "identity"]


def test_a_start_measured_better_is_a_change_not_a_new_emission(log, recording_facts, emission):
    for shift, kind in ((0.0, "fsk2"), (0.004, "fsk4")):
        recording = log.begin_recording(recording_facts())
        log.write(Batch(emissions=[emission(recording, 1 + shift, **{"class": kind})]))
        log.finish_recording(recording)
    said = log.compare_surveys(recording)["emissions"]
    assert (said["added"], said["gone"]) == ([], [])
    assert [change["keys"] for change in said["changed"]] == [["class"]]
    assert len(list(log.emissions())) == 1


def test_growing_emission_of_the_running_survey_is_no_change(log, recording_facts, emission):
    for _ in range(2):
        recording = log.begin_recording(recording_facts())
        for length in (0.5, 2.0):
            log.write(Batch(emissions=[emission(recording, length=length, id="e-1")]))
        log.finish_recording(recording)
    log.begin_recording(recording_facts())
    for length in (0.5, 2.0):
        log.write(
            Batch(emissions=[emission(recording, 9, length=length, id="e-2"), emission(recording, id="e-1")])
        )
    log.finish_recording(recording)
    said = log.compare_surveys(recording)["emissions"]
    assert [row["id"] for row in said["added"]] == ["e-2"]
    assert [(item["after"]["id"], item["keys"]) for item in said["changed"]] == [("e-1", ["stop"])]


def test_one_survey_cannot_be_compared(log, survey):
    recording = survey("1", range(2))
    with pytest.raises(ParameterError, match="two are needed"):
        log.compare_surveys(recording)


def test_compare_rows_pairs_by_time_and_frequency():
    def row(row_id, start, frequency_hz):
        times = {
            "start": f"2025-11-25T08:00:{start:02d}.000000Z",
            "stop": f"2025-11-25T08:00:{start + 5:02d}.000000Z",
        }
        return {
            "id": row_id,
            **times,
            "frequency_hz": frequency_hz,
            "class": "am",
            "occupied_bandwidth_hz": 6000.0,
        }

    said = compare_rows(
        [row("a", 0, 1e8), row("b", 0, 2e8)], [row("c", 3, 1e8 + 2e3), row("d", 9, 2e8)], EMISSION
    )
    assert [item["id"] for item in said["gone"]] == ["b"]
    assert [item["id"] for item in said["added"]] == ["d"]
    assert [item["keys"] for item in said["changed"]] == [["frequency_hz", "stop"]]
