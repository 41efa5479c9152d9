"""The log: every key of the interface, counts that hold, hostile text kept inert, newer layouts refused."""

import math
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LogError, ParameterError
from earwitness.core.types import IdentityRef
from earwitness.log import ids, schema
from earwitness.log.database import Sqlite
from earwitness.log.interval import wilson
from earwitness.log.store import LOG_NAME, Batch, Log
from earwitness.log.tables import JSON_STRING_LIMIT, TABLES, TEXT_LIMIT

START_NS = 1_764_057_600_000_000_000

# Keys of the JSON Lines records, as the interface description lists them.
INTERFACE = {
    "emissions": "id start stop frequency_hz frequency_uncertainty_hz occupied_bandwidth_hz level_dbfs "
    "snr_db class designator symbol_rate_hz deviation_hz mode confidence reasons artefact label evidence_id "
    "burst_count duty",
    "messages": "id time frequency_hz mode payload_hex payload_bits check corrected_bits snr_db kind fields "
    "identity emission_id evidence_id",
    "identities": "id kind key names first_seen last_seen message_count latitude_deg longitude_deg "
    "labels flags",
    "overs": "id start stop frequency_hz class tone audio_path emission_id identity talkgroup encrypted",
}


def test_rows_have_every_key_of_the_interface(log, recording_facts, ais_row):
    recording = log.begin_recording(recording_facts())
    bare = {"recording": recording, "start_ns": START_NS, "stop_ns": START_NS + 5, "frequency_hz": 1e8}
    message = {"recording": recording, "time_ns": START_NS, "mode": "ais", "check": "pass"}
    batch = Batch(emissions=[bare], overs=[{**bare, "class": "am", "mode": "am"}], messages=[message])
    batch.messages.append(ais_row(recording))
    log.write(batch)
    for what, keys in INTERFACE.items():
        row = next(getattr(log, what)())
        missing = [key for key in keys.split() if key not in row]
        assert missing == []
    row = next(log.emissions())
    assert row["start"] == "2025-11-25T08:00:00.000000Z"
    assert row["class"] == "unknown"
    assert row["reasons"] == []
    assert row["designator"] is None


def test_message_row_comes_back_as_given(log, recording_facts, ais_row):
    recording = log.begin_recording(recording_facts())
    given = ais_row(recording, 0.25, place=(51.9, 4.1), flags=("distress",))
    (row_id,) = log.write(Batch(messages=[given]))
    row = next(log.messages())
    assert row["id"] == row_id
    assert row["time"] == "2025-11-25T08:00:00.250000Z"
    assert row["payload_hex"] == "0" * 41 + "1"
    assert row["payload_bits"] == 168
    assert row["fields"]["latitude_deg"] == 51.9
    assert row["flags"] == ["distress"]
    who = next(log.identities())
    assert who["id"] == row["identity"]
    assert (who["kind"], who["key"], who["names"]) == ("vessel", "244000001", ["NAME 244000001"])
    assert (who["latitude_deg"], who["longitude_deg"]) == (51.9, 4.1)
    assert who["flags"] == ["distress"]
    assert who["message_count"] == 1


def test_second_survey_adds_nothing_twice(log, open_log, recording_facts, ais_row, emission):
    def survey(station):
        recording = station.begin_recording(recording_facts())
        batch = Batch(emissions=[emission(recording, n) for n in range(3)])
        batch.messages = [ais_row(recording, n, mmsi=str(n % 2), value=n, flags=("x",)) for n in range(6)]
        batch.overs = [
            {**emission(recording), "class": "fm", "mode": "fm", "identity": IdentityRef("station", "S")}
        ]
        station.write(batch)
        station.finish_recording(recording)
        out = {what: list(getattr(station, what)()) for what in INTERFACE}
        return {**out, "summary": station.summary(), "hourly": list(station.hourly())}

    first = survey(log)
    assert survey(log) == first
    assert survey(open_log()) == first
    assert first["summary"]["modes"] == {"ais": 6}
    assert len(next(log.recordings())["surveys"]) == 3


def test_schema_and_declared_columns_agree(tmp_path):
    with Log.open(tmp_path) as log:
        for table in TABLES.values():
            sql = f"SELECT name FROM pragma_table_info('{table.name}')"
            have = {name for (name,) in log._database.execute(sql)}
            declared = {column.column for column in table.columns if column.stored}
            assert have == declared | {"survey", "first_survey", "superseded_by", "extra"}


@st.composite
def histories(draw):
    """Surveys of one recording: messages that come in several batches, whole or broken off."""
    message = st.tuples(st.integers(0, 7), st.integers(0, 2), st.booleans())  # which, who, flagged
    survey = st.tuples(st.lists(st.lists(message, max_size=6), max_size=3), st.booleans())
    return draw(st.lists(survey, min_size=1, max_size=4))


@settings(max_examples=40, deadline=None)
@given(histories())
def test_counts_hold_whatever_is_repeated_or_superseded(history):
    with tempfile.TemporaryDirectory() as folder, Log.open(Path(folder)) as log:
        for batches, complete in history:
            recording = log.begin_recording({"content_id": "c", "start_ns": START_NS})
            for batch in batches:
                rows = [
                    {
                        "recording": recording,
                        "time_ns": START_NS + which * 1_800_000_000_000,
                        "mode": "ais",
                        "payload_hex": f"{which:02X}",
                        "payload_bits": 8,
                        "check": "pass",
                        "identity": IdentityRef("vessel", str(who)),
                        "flags": ("distress",) if flagged else (),
                        "related": (IdentityRef("station", "coast"),),
                    }
                    for which, who, flagged in batch
                ]
                log.write(Batch(messages=rows))
            log.finish_recording(recording, {"complete": complete})
        shown = list(log.messages())
        by_hour = Counter(row["time"][:13] for row in shown)
        assert {row["hour"][:13]: row["message_count"] for row in log.hourly()} == by_hour
        by_identity = Counter(row["identity"] for row in shown)
        people = {row["id"]: row for row in log.identities(kind="vessel")}
        assert {who: row["message_count"] for who, row in people.items()} == by_identity
        for who, row in people.items():
            times = [message["time"] for message in shown if message["identity"] == who]
            assert row["last_seen"] >= max(times)
            assert row["first_seen"] <= min(times)
        assert sum(row["mention_count"] for row in log.identities(kind="station")) == len(shown)
        assert log.check() == "ok"


hostile = st.text(st.characters(codec=None, exclude_categories=()), max_size=300) | st.sampled_from(
    [
        "\0",
        "\ud800",
        "a\0b\udfff",
        "\u202eevil",
        "=cmd()",
        "'; DROP TABLE message; --",
        "%s ? %",
        "x" * 100_000,
    ]
)


@settings(max_examples=30, deadline=None)
@given(text=hostile, key=hostile, number=st.floats() | st.integers(-(1 << 80), 1 << 80))
def test_hostile_text_and_figures_are_kept_inert(hostile_log, text, key, number):
    log, recording = hostile_log
    row = {
        "recording": recording,
        "time_ns": START_NS,
        "mode": text,
        "payload_hex": "AB",
        "payload_bits": 8,
        "check": "pass",
        "kind": text,
        "fields": {"text": text, key: [number, text.encode("utf-8", "replace")], "n": np.float32(1.5)},
        "snr_db": float(number) if abs(number) < 1e300 else math.inf,
        "identity": IdentityRef("vessel", key, (text, key), 95.0, 4.0),
        "odd": {"deep": {"deeper": text}},
    }
    (row_id,) = log.write(Batch(messages=[row]))
    out = log.entry(row_id)["row"]
    want = "".join("\ufffd" if "\ud800" <= char <= "\udfff" else char for char in text)
    if len(text) <= JSON_STRING_LIMIT and key not in ("text", "n"):
        assert out["fields"]["text"] == want
    assert out["fields"]["n"] == 1.5 or key == "n"
    assert len(out["kind"]) <= TEXT_LIMIT
    assert "\0" not in out["kind"]
    assert out["snr_db"] is None or math.isfinite(out["snr_db"])
    assert out["latitude_deg"] is None  # 95 degrees north is no place
    who = next(log.identities(id=out["identity"]))
    assert who["latitude_deg"] is None


@pytest.fixture(scope="module")
def hostile_log(tmp_path_factory):
    with Log.open(tmp_path_factory.mktemp("hostile")) as log:
        yield log, log.begin_recording({"content_id": "c", "start_ns": START_NS})


def test_hostile_text_on_every_database(log, recording_facts):
    recording = log.begin_recording(recording_facts(name="bad\0\ud800name", settings={"x": float("nan")}))
    row = {"recording": recording, "time_ns": START_NS, "mode": "m\0", "check": "pass", "kind": "\ud83d %s ?"}
    log.write(
        Batch(messages=[{**row, "fields": {"t": "\0\udc00\u202e"}, "identity": IdentityRef("k\0", "\ud800")}])
    )
    (out,) = log.messages(text="\u202e")
    assert out["fields"] == {"t": "\0\ufffd\u202e"}
    assert out["mode"] == "m\ufffd"
    assert next(log.identities())["key"] == "\ufffd"


def test_deep_and_endless_fields_are_cut(log, recording_facts):
    recording = log.begin_recording(recording_facts())
    deep: dict = {}
    at = deep
    for _ in range(5_000):
        at["a"] = {}
        at = at["a"]
    row = {"recording": recording, "time_ns": START_NS, "mode": "m", "check": "pass", "kind": "k"}
    many = {str(n): "x" * 60_000 for n in range(30)}
    log.write(Batch(messages=[{**row, "fields": deep}, {**row, "payload_hex": "00", "fields": many}]))
    first, second = log.messages()
    assert "cut" in (first["fields"] | second["fields"])


def test_filters(log, recording_facts, ais_row, emission):
    recording = log.begin_recording(recording_facts())
    batch = Batch(messages=[ais_row(recording, n, mmsi=str(n), value=n) for n in range(10)])
    batch.messages[3] = ais_row(recording, 3, mmsi="3", value=3, flags=("distress",))
    batch.messages[7]["fields"] = {"text": "Gr\u00dcn \\ 50%_"}
    batch.emissions = [emission(recording, n, frequency_hz=162e6 + n * 1e4) for n in range(10)]
    batch.emissions.append(emission(recording, 50, artefact="mirror image"))
    log.write(batch)
    second = 1_000_000_000
    assert len(list(log.messages(since_ns=START_NS + 2 * second, until_ns=START_NS + 5 * second))) == 3
    assert [row["flags"] for row in log.messages(flag="distress")] == [["distress"]]
    for text in ("Gr\u00dcn", "50%_", "\\ 5"):
        assert [row["payload_hex"][-1] for row in log.messages(text=text)] == ["7"]
    assert list(log.messages(text="100%")) == []
    assert [row["time"][17:19] for row in log.messages(newest=True, limit=2)] == ["09", "08"]
    assert len(list(log.messages(identity=ids.identity_id("vessel", "4")))) == 1
    assert len(list(log.emissions(low_hz=162.0e6, high_hz=162.02e6))) == 2
    assert len(list(log.emissions(since_ns=START_NS + 3 * second, until_ns=START_NS + 4 * second))) == 2
    assert len(list(log.emissions(artefacts=False))) == 10
    assert [row["key"] for row in log.identities(text="name 5")] == ["5"]
    assert [row["key"] for row in log.identities(flag="distress")] == ["3"]
    assert [row["key"] for row in log.identities(newest=True, limit=1)] == ["9"]
    with pytest.raises(ParameterError, match=r"no filter 'colour' for messages; known: .*mode"):
        log.messages(colour="red")


def test_entry_gathers_what_hangs_together(log, recording_facts, ais_row, emission):
    recording = log.begin_recording(recording_facts())
    sent = emission(recording, id="e-x")
    batch = Batch(emissions=[sent], messages=[ais_row(recording, place=(50.0, 4.0), emission_id="e-x")])
    batch.messages[0]["related"] = (IdentityRef("station", "coast"),)
    log.write(batch)
    message = log.entry(batch.messages[0]["id"])
    assert message["what"] == "message"
    assert message["emission"]["id"] == "e-x"
    assert message["identity"]["key"] == "244000001"
    assert [row["key"] for row in message["related"]] == ["coast"]
    assert [row["id"] for row in log.entry("e-x")["messages"]] == [batch.messages[0]["id"]]
    who = log.entry(message["identity"]["id"])
    assert who["track"] == [
        {"time": "2025-11-25T08:00:00.000000Z", "latitude_deg": 50.0, "longitude_deg": 4.0}
    ]
    for wrong in ("e-none", "nonsense", "", "q-1", "m-'; --"):
        with pytest.raises(ParameterError, match="no entry"):
            log.entry(wrong)


def test_relations_join_can_be_undone_and_stay_undone(log, recording_facts, ais_row):
    recording = log.begin_recording(recording_facts())
    mmsi, sign = IdentityRef("vessel", "244000001"), IdentityRef("vessel", "PABC")
    relation = {
        "a": mmsi,
        "b": sign,
        "relation": "same",
        "rule": "call sign in static data",
        "time_ns": START_NS,
    }
    first, second = ais_row(recording), ais_row(recording, 5, mmsi="PABC", value=2)
    log.write(Batch(messages=[first, second], relations=[relation]))
    assert [row["message_count"] for row in log.identities(joined=True)] == [2]
    (tie,) = log.relations()
    assert (tie["rule"], tie["undone"]) == ("call sign in static data", False)
    assert next(log.identities(key="PABC"))["same_as"] == [ids.identity_id("vessel", "244000001")]
    log.undo_relation(tie["id"])
    log.write(Batch(relations=[relation]))
    assert [row["undone"] for row in log.relations()] == [True]
    assert len(list(log.identities(joined=True))) == 2
    log.undo_relation(tie["id"], undone=False)
    assert len(list(log.identities(joined=True))) == 1
    with pytest.raises(ParameterError, match="no relation"):
        log.undo_relation("j-none")


def test_labels_of_the_user(log, recording_facts, ais_row, emission):
    recording = log.begin_recording(recording_facts())
    log.write(Batch(messages=[ais_row(recording)], emissions=[emission(recording, id="e-x", label="listed")]))
    who = next(log.identities())["id"]
    log.label(who, " pilot boat ")
    log.label(who, "pilot boat")
    log.label("e-x", "mine")
    assert next(log.identities())["labels"] == ["pilot boat"]
    assert next(log.emissions())["label"] == "mine"
    log.unlabel("e-x", "mine")
    assert next(log.emissions())["label"] == "listed"
    with pytest.raises(ParameterError, match="no entry"):
        log.label("i-none", "x")


def test_occupancy_has_its_interval(log, recording_facts):
    recording = log.begin_recording(recording_facts())
    row = {"recording": recording, "start_ns": START_NS, "stop_ns": START_NS + 9, "frequency_hz": 1e8}
    log.write(Batch(occupancy=[{**row, "samples": 360, "occupied": 12}]))
    (out,) = log.occupancy()
    assert out["fco_pct"] == pytest.approx(100 * 12 / 360)
    assert (round(out["fco_low_pct"], 2), round(out["fco_high_pct"], 2)) == (1.92, 5.74)


@pytest.mark.parametrize(
    ("occupied", "samples", "low_pct", "high_pct"),
    # Sheet of check values for occupancy figures under Rec. ITU-R SM.1880: Wilson intervals, 95 %.
    [
        (0, 100, 0, 3.70),
        (0, 1000, 0, 0.383),
        (5, 100, 2.15, 11.18),
        (50, 1000, 3.81, 6.53),
        (12, 360, 1.92, 5.74),
    ],
)
def test_wilson_interval(occupied, samples, low_pct, high_pct):
    low, high = wilson(occupied, samples)
    assert (100 * low, 100 * high) == pytest.approx((low_pct, high_pct), abs=0.006)


def test_wilson_of_nothing():
    assert wilson(0, 0) == (0.0, 1.0)
    assert wilson(7, 7)[1] == 1.0


def test_write_is_all_or_nothing(log, recording_facts, ais_row):
    recording = log.begin_recording(recording_facts())
    good = ais_row(recording)
    with pytest.raises(LogError):
        log.write(Batch(messages=[good, ais_row(recording, 1, value=2, emission_id="e-not-there")]))
    assert list(log.messages()) == []
    assert list(log.identities()) == []
    for bad in (
        {**good, "check": None},
        {**good, "time_ns": None},
        {**good, "recording": "r-none"},
        {key: value for key, value in good.items() if key != "recording"},
        {**good, "snr_db": "loud"},
    ):
        with pytest.raises(LogError):
            log.write(Batch(messages=[bad]))
    with pytest.raises(LogError, match="lacks what its id is made of"):
        log.write(Batch(emissions=[{"recording": recording}]))
    with pytest.raises(LogError, match="content_id and start_ns"):
        log.begin_recording({"content_id": "x"})
    log.write(Batch(messages=[good]))
    assert log.summary()["messages"] == 1


def test_reader_sees_whole_batches_while_a_writer_works(open_log, recording_facts, ais_row):
    writer, reader = open_log(), open_log()
    recording = writer.begin_recording(recording_facts())
    writer.write(Batch(messages=[ais_row(recording, n, value=n) for n in range(5)]))
    rows = reader.messages()
    next(rows)
    writer.write(Batch(messages=[ais_row(recording, n, value=n) for n in range(5, 9)]))
    assert len(list(rows)) == 4
    assert len(list(reader.messages())) == 9


def test_opening_says_what_is_wrong(tmp_path):
    with pytest.raises(LogError, match="no log in"):
        Log.open(tmp_path / "nowhere", create=False)
    assert not (tmp_path / "nowhere").exists()
    (tmp_path / "text").mkdir()
    (tmp_path / "text" / LOG_NAME).write_bytes(b"this is not a database at all" * 100)
    with pytest.raises(LogError, match="not a log"):
        Log.open(tmp_path / "text")
    (tmp_path / "other").mkdir()
    with sqlite3.connect(tmp_path / "other" / LOG_NAME) as other:
        other.execute("CREATE TABLE recipes (x)")
    other.close()
    with pytest.raises(LogError, match="holds other tables"):
        Log.open(tmp_path / "other")
    (tmp_path / "file").write_text("x")
    with pytest.raises(LogError, match="cannot be made"):
        Log.open(tmp_path / "file")


def test_damaged_file_is_said_to_be_damaged(tmp_path, recording_facts, ais_row):
    with Log.open(tmp_path) as log:
        recording = log.begin_recording(recording_facts())
        log.write(Batch(messages=[ais_row(recording, n, value=n) for n in range(500)]))
    path = tmp_path / LOG_NAME
    octets = bytearray(path.read_bytes())
    octets[8192:] = b"\xa5" * (len(octets) - 8192)
    path.write_bytes(octets)
    with pytest.raises(LogError, match=r"damaged|not a log"), Log.open(tmp_path) as log:
        list(log.messages())


def test_newer_tables_are_refused_and_older_ones_brought_up_to_date(tmp_path):
    Log.open(tmp_path).close()
    step = (2, "ALTER TABLE message ADD COLUMN tint TEXT;\nUPDATE message SET tint = 'none';\n")
    Log(Sqlite(tmp_path / LOG_NAME), "here", (*schema.MIGRATIONS, step)).close()
    with pytest.raises(LogError, match="newer version"):
        Log.open(tmp_path)
    with sqlite3.connect(tmp_path / LOG_NAME) as raw:
        assert [row[0] for row in raw.execute("SELECT version FROM log_schema ORDER BY 1")] == [1, 2]
    raw.close()


def test_broken_migration_leaves_the_log_as_it_was(tmp_path):
    Log.open(tmp_path).close()
    step = (2, "ALTER TABLE message ADD COLUMN tint TEXT;\nNONSENSE;\n")
    database = Sqlite(tmp_path / LOG_NAME)
    with pytest.raises(LogError):
        Log(database, "here", (*schema.MIGRATIONS, step))
    database.close()
    with Log.open(tmp_path) as log:
        assert log.check() == "ok"


def test_disk_full_keeps_what_was_logged(tmp_path, recording_facts, ais_row):
    with Log.open(tmp_path) as log:
        recording = log.begin_recording(recording_facts())
        log.write(Batch(messages=[ais_row(recording, 0, value=0)]))
        pages = log._database.execute("PRAGMA page_count")[0][0]
        log._database.execute(f"PRAGMA max_page_count = {pages + 10}")
        with pytest.raises(LogError, match="disk full"):
            log.write(Batch(messages=[ais_row(recording, n, value=n) for n in range(1, 2000)]))
        assert [row["payload_bits"] for row in log.messages()] == [168]
        log._database.execute("PRAGMA max_page_count = 1000000")
        log.write(Batch(messages=[ais_row(recording, n, value=n) for n in range(1, 100)]))
        assert log.summary()["messages"] == 100
        assert log.check() == "ok"


def test_ids_depend_on_every_part():
    assert ids.make_id("x", "ab", "c") != ids.make_id("x", "a", "bc")
    assert ids.make_id("x", 1, None) != ids.make_id("x", 1)
    assert ids.identity_id("vessel", "\ud800").startswith("i-")
    assert len(ids.recording_id("abc")) == 22


def test_queries_and_plain_exports_need_no_numerics():
    code = (
        "import sys\n"
        "import earwitness.log.store, earwitness.log.export, earwitness.log.evidence, earwitness.log.rows\n"
        "heavy = 'numpy', 'scipy', 'soundfile', 'sigmf', 'pyarrow', 'psycopg'\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_who_answers_a_distress_call_is_not_in_distress(log, recording_facts, ais_row):
    # ITU-R M.493: an acknowledgement and a relay name the vessel in distress (from memory)
    rec = log.begin_recording(recording_facts())
    ship = IdentityRef("vessel", "299001003")
    row = ais_row(rec, mmsi="002991001", flags=("distress",), related=(ship,))
    log.write(Batch(messages=[{**row, "fields": {"distress_id": "299001003"}}]))
    flags = {item["key"]: item["flags"] for item in log.identities()}
    assert flags == {"002991001": [], "299001003": ["distress"]}
    log.finish_recording(rec)
    log.begin_recording(recording_facts())
    log.write(Batch(messages=[{**row, "fields": {"distress_id": "299001003"}}]))
    log.finish_recording(rec)
    assert {item["key"]: item["flags"] for item in log.identities()} == flags
