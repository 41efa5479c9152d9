"""`earwitness identity`: ties are shown with their rule, parted and joined again; labels come and go."""

import json
import subprocess
import sys

import pytest

from earwitness.core.types import IdentityRef
from earwitness.log.ids import identity_id
from earwitness.log.store import Batch, Log

RUN = [sys.executable, "-c", "from earwitness.cli import main; main()"]
START = 1_764_057_600_000_000_000
ADDRESS, TAIL = IdentityRef("aircraft", "B71A01", ("QMA214",)), IdentityRef("aircraft", "QZ-MAB", ("QM0214",))


@pytest.fixture
def station(tmp_path):
    with Log.open(tmp_path) as log:
        recording = log.begin_recording({"content_id": "c", "name": "one", "start_ns": START})
        row = {
            "recording": recording, "time_ns": START, "check": "pass", "payload_bits": 8, "kind": "x", "fields": {},
        }  # fmt: skip
        tie = {
            "a": ADDRESS, "b": TAIL, "relation": "same", "rule": "a rule in <b>words</b>", "time_ns": START,
            "message_id": "m-1",
        }  # fmt: skip
        messages = [
            {**row, "mode": "mode-s", "payload_hex": "AA", "identity": ADDRESS},
            {**row, "mode": "acars", "payload_hex": "BB", "identity": TAIL},
        ]
        again = {**tie, "rule": "another rule that says the same", "message_id": None}
        log.write(Batch(messages=messages, relations=[tie, again]))
        log.finish_recording(recording)
    return tmp_path


def run(station, *arguments):
    done = subprocess.run(
        [*RUN, *arguments, "--station", str(station)], check=False, capture_output=True, text=True, timeout=60
    )
    assert "Traceback" not in done.stderr
    return done


def people(station, *more):
    return json.loads(run(station, "query", "identities", "--json", *more).stdout)


def test_tied_rows_are_one_until_parted(station):
    (row,) = people(station)
    assert {row["key"], *row["names"]} >= {"B71A01", "QZ-MAB", "QMA214", "QM0214"}
    assert people(station, "--identity", "QZ-MAB") == people(station, "--text", "qm0214") == [row]
    shown = json.loads(run(station, "identity", "QZ-MAB", "--json").stdout)
    assert len(shown["relations"]) == 2
    text = " ".join(run(station, "identity", "B71A01").stdout.split())
    for tie in shown["relations"]:
        assert tie["id"] in text
        assert tie["rule"] in text
    assert "One with aircraft QZ-MAB" in text
    assert f"--part {identity_id('aircraft', 'QZ-MAB')} --station" in text


@pytest.mark.parametrize("how", ["key", "id", "tie"])
def test_two_rules_are_parted_in_one_go(station, how):
    (tie, _) = json.loads(run(station, "identity", "QZ-MAB", "--json").stdout)["relations"]
    whom = {"key": "QZ-MAB", "id": identity_id("aircraft", "QZ-MAB"), "tie": tie["id"]}[how]
    done = " ".join(run(station, "identity", "B71A01", "--part", whom).stdout.split())
    assert "PARTED BY HAND" in done
    assert "a rule in <b>words</b>" in done
    assert "another rule that says the same" in done
    assert "join them again" in done
    assert len(people(station)) == 2
    run(station, "identity", "QZ-MAB", "--join", "B71A01")
    assert len(people(station)) == 1


def test_report_shows_one_aircraft_and_the_rule(station):
    done = run(station, "report", "--output", str(station / "r.html"))
    assert done.returncode == 0, done.stderr
    page = (station / "r.html").read_text()
    assert "a rule in &lt;b&gt;words" in page
    assert page.count('data-label="Kind">aircraft') == 1
    assert "1 aircraft" in page


def test_labels(station):
    run(station, "identity", "B71A01", "--label", "the <i>mail</i> plane")
    assert people(station)[0]["labels"] == ["the <i>mail</i> plane"]
    run(station, "identity", "B71A01", "--unlabel", "the <i>mail</i> plane")
    assert people(station)[0]["labels"] == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["identity", "i-none"],
        ["identity", "B71A01", "--part", "j-none"],
        ["identity", "B71A01", "--join", "e-1"],
        ["identity", "B71A01", "--part", "B71A01"],
        ["identity", "B71A01", "--label", "  "],
        ["identity", "B71A01", "--unlabel", "nothing like it"],
        ["query", "identities", "--mode", "ais"],
        ["query", "messages", "--identity", "nobody"],
    ],
)
def test_wrong_use_is_one_sentence(station, arguments):
    done = run(station, *arguments)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
