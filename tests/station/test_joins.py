"""One aircraft, one vessel: the rules, what they must not tie, and undoing them.

There is no published check value for such rules; the frames are made by the transmitters of the modes or by hand,
with invented aircraft and ships.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import registry
from earwitness.core.types import Bits, Frame, IdentityRef, Message, Over
from earwitness.log.evidence import EvidenceStore
from earwitness.log.ids import identity_id
from earwitness.log.store import Log
from earwitness.modes.acars.synth import block_of
from earwitness.modes.ais.tables import KINDS
from earwitness.station import joins
from earwitness.station.joins import Joins, both_named, flight_of, named_in
from earwitness.station.log_keeper import LogKeeper

START = 1_764_057_600_000_000_000
SECOND = 1_000_000_000


def frame(mode, second=0.0, value=1):
    at = START + round(second * SECOND)
    return Frame(mode, at, at + 500_000_000, Bits(value, 64), "pass", snr_db=20.0, frequency_hz=131.55e6)


def squitter(address="B71A01", callsign="QMA214", second=0.0):
    names = (callsign,) if callsign else ()
    who = IdentityRef("aircraft", address, names)
    return Message(frame("mode-s", second), "identification", {"icao_address": address}, "pass", who)


def acars(text="", flight="QM0214", label="B0", second=1.0, registration="QZ-MAB", block_id="2"):
    """A message as the mode itself makes it from a block."""
    fields = {"registration": registration, "mode": "2", "label": label, "block_id": block_id}
    if block_id.isdigit():
        fields |= {"msn": "M01A", "flight": flight}
    bits = block_of({"message": {**fields, "text": text}}).bits()
    taken = replace(frame("acars", second), bits=bits)
    (message,) = registry()["acars"].assembler().feed(taken)
    return message


def logon(address="B71A01", registration="QZ-MAB", flight="QMA214", **facts):
    tail = registration.rjust(7, ".")
    return acars(
        f"/MERRCYA.AFN/FMH{flight},{tail},{address},093150/FPOS30310W022570,1/FCOADS,01",
        registration=registration,
        **facts,
    )


def vdl2(address="B71A01", registration="QZ-MAB", direction="downlink", second=2.0):
    who = IdentityRef("aircraft", address, (registration, "QM0214"))
    fields = {"registration": registration, "direction": direction, "icao_address": address}
    related = (IdentityRef("aircraft", registration),)
    return Message(frame("vdl2", second), "position report", fields, "pass", who, related)


def ship(mmsi="299001002", names=("CALDER STAR",), second=0.0, callsign="QCS2"):
    fields = {"mmsi": mmsi, "callsign": callsign}
    who = IdentityRef("vessel", mmsi, tuple(names))
    return Message(frame("ais", second), joins.CALL_SIGN_KINDS[0], fields, "pass", who)


def navtex(text, second=5.0, station="navtex M 518 kHz"):
    return Message(
        frame("navtex", second),
        "navigational warning",
        {"text": text},
        "pass",
        IdentityRef("station", station),
    )


def tied(rows):
    return [(row["relation"], row["rule"]) for row in rows]


# -- aircraft: address and registration --------------------------------------------------------------


def test_notification_names_both():
    assert both_named(logon()) == ("B71A01", "QZ-MAB", joins.SAME_NOTIFIED)
    assert tied(Joins().message(logon(), "m-1")) == [("same", joins.SAME_NOTIFIED)]


def test_link_frame_names_both():
    assert both_named(vdl2()) == ("B71A01", "QZ-MAB", joins.SAME_LINK)
    # an uplink's block may be addressed by flight instead: it proves nothing
    assert both_named(vdl2(direction="uplink")) is None


def test_surveillance_report_names_both_only_with_its_crc():
    base = acars()
    fields = {
        **base.fields,
        "application_check": "pass",
        "application_registration": "QZ-MAB",
        "surveillance_groups": [{"group": "basic"}, {"group": "airframe", "icao_address": "B71A01"}],
    }
    assert both_named(replace(base, fields=fields)) == ("B71A01", "QZ-MAB", joins.SAME_AIRFRAME)
    assert both_named(replace(base, fields={**fields, "application_check": "fail"})) is None
    assert both_named(replace(base, fields={**fields, "application_registration": "QZ-MAC"})) is None


@pytest.mark.parametrize(
    "message",
    [
        acars("B71A01 QZ-MAB"),  # an address somewhere in a text
        acars("/MERRCYA.AFN/FMHQMA214,.QZ-MAC,B71A01,093150"),  # states it of another
        logon(address="000000"),
        logon(address="FFFFFF"),
        logon(block_id="B"),  # an uplink
        replace(vdl2(), fields={**vdl2().fields, "notified_registration": "QZMAB", "icao_address": "B71A02"}),
        vdl2(registration="123456"),
        vdl2(registration="<b>"),
        squitter(),
    ],
)
def test_no_join(message):
    assert both_named(message) is None


def test_a_second_address_is_not_merged():
    rules = Joins()
    assert tied(rules.message(logon("B71A01"), "m-1")) == [("same", joins.SAME_NOTIFIED)]
    assert tied(rules.message(logon("B71A02", second=3), "m-2")) == [("perhaps", joins.CONTRADICTED)]
    assert tied(rules.message(logon("B71A01", "QZ-MAC", second=4), "m-3")) == [
        ("perhaps", joins.CONTRADICTED)
    ]


# -- aircraft: flights -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "flight"),
    [
        ("QMA214", "QMA 214"),
        ("QMA0214", "QMA 214"),
        ("QM0214 ", "QM 214"),
        ("Q70214", "Q7 214"),
        ("QMA12KF", "QMA 12KF"),
        ("214", None),
        ("QMA", None),
        ("QMA000", None),
        ("", None),
        (None, None),
        ("QMA٢١٤", None),  # digits, but not of the alphabet of callsigns
    ],
)
def test_flights(text, flight):
    assert flight_of(text) == flight


@pytest.mark.parametrize("order", [1, -1])
def test_equal_flight_is_a_hint(order):
    rules, rows = Joins(), []
    for message in [squitter(), acars(flight="QMA214", second=600)][::order]:
        rows += rules.message(message, "m-1")
    assert tied(rows) == [("perhaps", joins.SAME_FLIGHT)]
    # the row is the same one, whichever came first
    ends = [joins.id_of(row) if isinstance(row, IdentityRef) else row for row in (rows[0]["a"], rows[0]["b"])]
    assert ends == sorted([identity_id("aircraft", "B71A01"), identity_id("aircraft", "QZ-MAB")])


@pytest.mark.parametrize("order", [1, -1])
def test_number_alike_by_designators_of_one_airline_is_a_hint(order):
    """LH and DLH are the two designators of one airline, by the table in payloads/airlines.py (from memory)."""
    rules, rows = Joins(), []
    for message in [squitter(callsign="DLH214"), acars(flight="LH0214", second=600)][::order]:
        rows += rules.message(message, "m-1")
    assert tied(rows) == [("perhaps", joins.SAME_NUMBER)]


@pytest.mark.parametrize(
    "messages",
    [
        [squitter(), acars(flight="QM0214")],  # two and three letters that no table names together
        [squitter(), acars(flight="QMA215")],
        [squitter(), acars(flight="QMA214", second=1801)],  # more than 30 minutes
        [squitter(), squitter("B71A02")],  # two addresses
        [squitter(callsign="214"), acars(flight="214")],
        [squitter("~B71A01"), acars(flight="QMA214")],  # an address that is not ICAO's
        [squitter(), squitter("B71A02", second=1), acars(flight="QMA214", second=2)],  # which of the two?
    ],
)
def test_no_hint(messages):
    rules = Joins()
    assert [row for message in messages for row in rules.message(message, "m-1")] == []


# -- vessels in texts --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("M/V CALDER STAR ADRIFT IN 31-12S 022-36W", {("name", "CALDER STAR")}),
        ("MV CALDER\nSTAR, CALL SIGN QCS2,", {("name", "CALDER STAR"), ("call sign", "QCS2")}),
        ("SAILING YACHT 'WREN' OVERDUE", {("name", "WREN")}),
        (
            "FISHING VESSEL NAMED SILVER PETREL (C/S QSP3) SUNK",
            {("name", "SILVER PETREL"), ("call sign", "QSP3")},
        ),
        ("VESSEL LAST SEEN, MMSI 299001003.", {("MMSI", "299001003")}),
        ("TUG CALDER STAR 3 MILES OFF", {("name", "CALDER STAR")}),
        ("M/V SEA ADRIFT", set()),
        ("VESSEL SEA, AND THE OPEN SEA", set()),
        ("ROUGH SEA NORTH STAR AND CALDER STAR", set()),  # no word for a ship before it
        ("VESSEL ADRIFT. SHIP AGROUND, VESSEL TRAFFIC.", set()),
        ("MV NORTH, MV TRAFFIC,", set()),
        ("BUOY 'CALDER STAR' UNLIT", set()),
        ("M/V ATLANTIC", {("name", "ATLANTIC")}),
        ("M/V CALDER STAR OF THE EVENING WITHOUT ANY END TO IT", set()),
        ("PHONE 299001003", set()),
    ],
)
def test_names_in_texts(text, names):
    assert named_in(text) == names


@pytest.mark.parametrize("order", [1, -1])
def test_text_mentions_vessel(order):
    rules, rows = Joins(), []
    pair = [(ship(), "m-1"), (navtex("M/V CALDER STAR ADRIFT"), "m-2")]
    for message, name in pair[::order]:
        rows += rules.message(message, name)
    assert tied(rows) == [("mentioned", joins.NAMED_BY["name"])]
    assert rows[0]["message_id"] == "m-2"  # the evidence is the text, whichever came first


def test_a_name_of_two_ships_mentions_nobody():
    rules = Joins()
    rules.message(ship(), "m-1")
    rules.message(ship("299001009"), "m-2")
    assert rules.message(navtex("M/V CALDER STAR ADRIFT"), "m-3") == []
    assert tied(rules.message(navtex("MMSI 299001009"), "m-4")) == [("mentioned", joins.NAMED_BY["MMSI"])]


@pytest.mark.parametrize("order", [1, -1])
def test_call_sign_over_recordings(tmp_path, order):
    for content, message in [("one", ship()), ("two", navtex("A SHIP SINKING, CALL SIGN QCS2."))][::order]:
        relations, _ = keep(tmp_path, [message], content)
    assert tied(relations) == [("mentioned", joins.NAMED_BY["call sign"])]
    assert [(row["a_key"], row["b_key"]) for row in relations] == [("navtex M 518 kHz", "299001002")]


def test_call_sign_kinds_are_those_of_the_mode():
    assert set(joins.CALL_SIGN_KINDS) <= set(KINDS.values())


def test_common_words_are_no_ships():
    rules = Joins()
    for number, name in enumerate(("SEA", "NORTH", "WIDE", "ADRIFT", "GALE", "STAR")):
        rules.message(ship(f"29900200{number}", (name,)), f"m-{number}")
    text = "VESSEL ADRIFT IN SEA AREA NORTH. M/V SEA NORTH OF STAR. MV NORTH GALE, WIDE BERTH. SHIP STAR."
    assert rules.message(navtex(text), "m-9") == []


# -- voice -------------------------------------------------------------------------------------------


def voice(start=100.0, stop=104.0, frequency_hz=124.15e6, mode="am"):
    times = {"start_ns": START + round(start * SECOND), "stop_ns": START + round(stop * SECOND)}
    return {"mode": mode, "frequency_hz": frequency_hz, **times}


def test_over_beside_one_aircraft_carries_a_hint():
    rules, row = Joins(), voice()
    rules.message(logon(second=60), "m-1")
    rules.message(squitter(second=130), "m-2")  # the same aircraft by its address
    rules.over(row)
    assert rules.settle(START + 110 * SECOND) == []  # others may still be heard
    assert rules.settle(START + 200 * SECOND) == [row]
    assert row["perhaps_identity"] == identity_id("aircraft", "B71A01")
    assert row["perhaps_rule"] == joins.HEARD_ALONE
    assert rules.settle(START + 900 * SECOND, final=True) == []


@pytest.mark.parametrize(
    ("heard", "row"),
    [
        ([], voice()),
        ([squitter(second=60), squitter("B71A02", second=160)], voice()),  # two
        ([squitter(second=38)], voice()),  # too long before
        ([squitter(second=166)], voice()),  # too long after
        ([squitter(second=60)], voice(frequency_hz=160e6)),  # not the air band
        ([squitter(second=60)], voice(mode="fm")),
        ([squitter(second=60)], voice(stop=500.0)),  # somebody sits on the microphone
        ([vdl2(direction="uplink", second=60)], voice()),  # the ground was heard
    ],
)
def test_over_without_a_hint(heard, row):
    rules = Joins()
    for number, message in enumerate(heard):
        rules.message(message, f"m-{number}")
    rules.over(row)
    assert rules.settle(START + 1000 * SECOND, final=True) == []
    assert "perhaps_identity" not in row


# -- in the log --------------------------------------------------------------------------------------


def keep(folder, messages, content="one", overs=()):
    """Log messages as a survey does; gives the log's relations and joined identities."""
    with Log.open(folder) as log:
        facts = {"content_id": content, "name": content, "start_ns": START, "stop_ns": START + 3600 * SECOND}
        recording = log.begin_recording(facts)
        keeper = LogKeeper(log, EvidenceStore(log, folder, 10**8), recording)
        record = SimpleNamespace(
            number=1, center_hz=131.55e6, start_ns=START, stop_ns=START + SECOND, width_hz=6e3, level_dbfs=-30.0,
            snr_db=20.0, mode="acars", artefact=None, train=False, burst_count=1, duty=None, evidence_id=None,
            measurement=None, identification=None, on_ns=SECOND,
        )  # fmt: skip
        keeper.emission(record, final=True)
        for message in messages:
            keeper.message(message, record, None)
        for over in overs:
            keeper.over(over, record)
        keeper.commit(START + 3600 * SECOND, now=True)
        log.finish_recording(recording)
        return list(log.relations()), list(log.identities(joined=True))


def test_one_aircraft_over_three_recordings(tmp_path):
    keep(tmp_path, [squitter()], "mode-s")
    keep(tmp_path, [acars("OUT 0910", label="5Z")], "acars")
    _, people = keep(tmp_path, [vdl2()], "vdl2")
    (row,) = people
    assert row["key"] == "B71A01"
    assert set(row["names"]) == {"QMA214", "QM0214", "QZ-MAB"}
    assert row["message_count"] == 3
    assert row["joined_ids"] == [identity_id("aircraft", "QZ-MAB")]


def test_what_was_parted_stays_parted(tmp_path):
    ((tie,), people) = keep(tmp_path, [squitter(), logon()])
    assert len(people) == 1
    assert {tie["a_key"], tie["b_key"]} == {"B71A01", "QZ-MAB"}
    with Log.open(tmp_path) as log:
        log.undo_relation(tie["id"])
    # not by the same rule, not by another, not as a hint
    relations, people = keep(tmp_path, [squitter(), logon(), vdl2()], "two")
    assert [row["undone"] for row in relations if row["relation"] == "same"] == [True]
    assert {row["key"] for row in people} == {"B71A01", "QZ-MAB"}
    with Log.open(tmp_path) as log:
        log.undo_relation(tie["id"], undone=False)
        assert len(list(log.identities(joined=True))) == 1


def test_two_rules_parted_stay_parted(tmp_path):
    messages = [squitter(), logon(), vdl2()]
    ties, people = keep(tmp_path, messages)
    assert {row["rule"] for row in ties} == {joins.SAME_LINK, joins.SAME_NOTIFIED}
    assert len(people) == 1
    with Log.open(tmp_path) as log:
        for tie in ties:
            log.undo_relation(tie["id"])
    # neither when surveyed again, nor by what another recording brings: a third rule, a flight named alike
    again, _ = keep(tmp_path, messages)
    base = acars(flight="QMA214", second=4)
    fields = {
        **base.fields,
        "application_check": "pass",
        "application_registration": "QZ-MAB",
        "surveillance_groups": [{"group": "airframe", "icao_address": "B71A01"}],
    }
    after, people = keep(tmp_path, [*messages, replace(base, fields=fields)], "two")
    assert [(row["id"], row["undone"]) for row in again] == [(row["id"], True) for row in ties]
    assert [row["id"] for row in after] == [row["id"] for row in ties]
    assert {row["key"] for row in people} == {"B71A01", "QZ-MAB"}


@pytest.mark.parametrize("order", [1, -1])
def test_flight_and_mention_meet_over_recordings(tmp_path, order):
    parts = [
        ("one", [squitter(), ship()]),
        ("two", [acars(flight="QMA214"), navtex("TUG CALDER STAR ADRIFT")]),
    ]
    for name, messages in parts[::order]:
        relations, people = keep(tmp_path, messages, name)
    assert {row["relation"] for row in relations} == {"perhaps", "mentioned"}
    assert len(people) == 4  # hints join nobody


def test_survey_again_ties_nothing_new(tmp_path):
    messages = [squitter(), logon(), ship(), navtex("M/V CALDER STAR ADRIFT")]
    first, _ = keep(tmp_path, messages)
    again, _ = keep(tmp_path, messages)
    assert [row["id"] for row in first] == [row["id"] for row in again]


def test_hint_reaches_the_log(tmp_path):
    over = Over("am", START + 60 * SECOND, START + 64 * SECOND, np.zeros(8000, np.float32), 8000.0, 124.15e6)
    keep(tmp_path, [squitter(second=60)], overs=[over])
    with Log.open(tmp_path) as log:
        (row,) = log.overs()
        assert row["perhaps_who"] == "B71A01"
        assert row["identity"] is None
        (person,) = log.identities()
        assert person["mention_count"] == 0  # a hint counts for nothing


HOSTILE = [
    "<script>alert(1)</script>",
    "'; DROP TABLE relation; --",
    "\x1b[31mM/V \u202eSTAR",
    "M/V " + "A" * 5000,
    "\0",
]


def test_hostile_text_ties_nothing(tmp_path):
    messages = [navtex(text, station=text[:60]) for text in HOSTILE]
    messages += [ship(text[:9], (text,)) for text in HOSTILE]
    messages += [vdl2(registration=text) for text in HOSTILE]
    messages += [squitter(text[:20] or "x", text[:20]) for text in HOSTILE]
    relations, _ = keep(tmp_path, messages)
    assert relations == []


words = st.sampled_from(
    ["M/V ", "MV ", "VESSEL ", "NAMED ", "'", '"', "(", "SEA ", "STAR", "\n", " ", "MMSI ", "299001002", "CALL SIGN ", "QCS2",
     "ADRIFT", ".", ",", "É", "\u202e", "/", "-"]
)  # fmt: skip


@settings(deadline=None, max_examples=150)
@given(st.lists(words, max_size=40).map("".join) | st.text(max_size=200))
def test_any_text_is_taken(text):
    assert len(named_in(text)) <= len(text)
    rules = Joins()
    rules.message(ship(names=(text,)), "m-0")
    for row in rules.message(navtex(text), "m-1"):
        assert row["relation"] == "mentioned"


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3),
)
field_names = st.sampled_from(
    ["registration", "icao_address", "notified_registration", "notified_flight", "direction", "surveillance_groups",
     "application_check", "text"]
)  # fmt: skip


@settings(deadline=None, max_examples=150)
@given(
    st.dictionaries(field_names, json_values),
    st.text(max_size=10),
    st.sampled_from(["acars", "vdl2", "navtex"]),
)
def test_any_fields_are_taken(fields, key, mode):
    for direction in ({}, {"direction": "downlink"}):
        message = Message(
            frame(mode), "x", {**fields, **direction}, "pass", IdentityRef("aircraft", key, (key,))
        )
        assert [row for row in Joins().message(message, "m-1") if row["relation"] == "same"] == []
