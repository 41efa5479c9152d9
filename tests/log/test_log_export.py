"""Exports against RFC 7946, the KML schema's names, the SigMF library, and what the log holds."""

import csv
import io
import json
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LogError, ParameterError
from earwitness.core.types import IdentityRef
from earwitness.log.export import FORMATS, export
from earwitness.log.store import Batch, Log

START_NS = 1_764_057_600_000_000_000
KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture
def filled(log, recording_facts, ais_row, emission):
    recording = log.begin_recording(recording_facts(software="0.1.0"))
    batch = Batch(emissions=[emission(recording, n, id=f"e-{n}", variant="gmsk") for n in range(3)])
    batch.messages = [
        ais_row(recording, n, value=n, place=(50.0 + n, 4.0) if n < 3 else None, emission_id="e-0")
        for n in range(4)
    ]
    over = emission(recording, 2, **{"class": "fm"})
    batch.overs = [{**over, "mode": "fm", "tone": {"ctcss_hz": 103.5}, "encrypted": False}]
    batch.overs[0]["extra"] = {"speech_likelihood": 0.9}
    batch.occupancy = [{**emission(recording), "samples": 100, "occupied": 5}]
    log.write(batch)
    log.finish_recording(recording)
    return log


def written(log, what, format, **filters):
    out = io.BytesIO()
    count = export(log, what, format, out, **filters)
    return out.getvalue(), count


@pytest.mark.parametrize("what", FORMATS)
def test_jsonl_is_the_rows(filled, what):
    octets, count = written(filled, what, "jsonl")
    rows = [json.loads(line) for line in octets.decode("ascii").splitlines()]
    assert rows == [json.loads(json.dumps(row)) for row in getattr(filled, what)()]
    assert len(rows) == count > 0


@pytest.mark.parametrize("what", FORMATS)
def test_csv_and_parquet_hold_the_same(filled, what, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="no pyarrow: pip install 'earwitness[parquet]'")
    octets, count = written(filled, what, "csv")
    lines = list(csv.DictReader(io.StringIO(octets.decode("utf-8"), newline="")))
    assert len(lines) == count == len(list(getattr(filled, what)()))
    assert export(filled, what, "parquet", tmp_path / "out.parquet") == count
    table = parquet.read_table(tmp_path / "out.parquet").to_pylist()
    assert [row["id"] for row in table] == [line["id"] for line in lines]
    assert list(table[0]) == list(lines[0])
    row = next(getattr(filled, what)())
    if "frequency_hz" in row:
        assert table[0]["frequency_hz"] == float(lines[0]["frequency_hz"]) == row["frequency_hz"]
    if "start" in row:
        assert table[0]["start"].strftime("%Y-%m-%dT%H:%M:%S.%fZ") == row["start"]
    if what == "emissions":
        assert json.loads(table[0]["extra"]) == {"variant": "gmsk"}
    if what == "overs":
        assert json.loads(lines[0]["extra"])["speech_likelihood"] == 0.9
    for row, line, cells in zip(getattr(filled, what)(), lines, table, strict=True):
        beyond = json.loads(line["extra"] or "{}")
        known = {**(row.pop("extra", None) or {}), **{k: v for k, v in row.items() if v is not None}}
        assert known.keys() <= line.keys() | beyond.keys()  # nothing that the log knows is left out
        assert beyond == json.loads(cells["extra"] or "{}")


def test_parquet_of_nothing_still_has_its_columns(log, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="no pyarrow: pip install 'earwitness[parquet]'")
    assert export(log, "messages", "parquet", tmp_path / "out.parquet") == 0
    assert "payload_hex" in parquet.read_table(tmp_path / "out.parquet").column_names


def test_geojson_as_rfc_7946_has_it(filled):
    octets, count = written(filled, "messages", "geojson")
    content = json.loads(octets)
    assert content["type"] == "FeatureCollection"
    assert len(content["features"]) == count == 3
    first = content["features"][0]
    assert first["geometry"] == {"type": "Point", "coordinates": [4.0, 50.0]}  # 3.1.1: longitude first
    assert first["properties"]["mode"] == "ais"
    content = json.loads(written(filled, "identities", "geojson")[0])
    kinds = [item["geometry"]["type"] for item in content["features"]]
    assert kinds == ["Point", "LineString"]
    assert content["features"][1]["geometry"]["coordinates"] == [[4.0, 50.0], [4.0, 51.0], [4.0, 52.0]]
    assert json.loads(written(filled, "messages", "geojson", mode="none")[0])["features"] == []


def test_kml_is_well_formed(filled):
    octets, count = written(filled, "identities", "kml")
    places = ET.fromstring(octets).findall(f".//{KML}Placemark")
    assert count == 1
    assert [place.find(f".//{KML}coordinates").text for place in places] == [
        "4.0,52.0",
        "4.0,50.0 4.0,51.0 4.0,52.0",
    ]
    assert places[0].find(f"{KML}name").text == "244000001 NAME 244000001"
    assert len(ET.fromstring(written(filled, "messages", "kml")[0]).findall(f".//{KML}Placemark")) == 3


def test_sigmf_annotations_point_at_the_samples(filled, tmp_path):
    octets, count = written(filled, "emissions", "sigmf")
    meta = json.loads(octets)
    assert count == 3
    assert meta["global"]["core:sample_rate"] == 2.4e6
    assert meta["captures"] == [
        {"core:sample_start": 0, "core:datetime": "2025-11-25T08:00:00.000000Z", "core:frequency": 162e6}
    ]
    note = meta["annotations"][1]
    assert (note["core:sample_start"], note["core:sample_count"]) == (2_400_000, 2_400_000)
    assert note["core:freq_upper_edge"] - note["core:freq_lower_edge"] == 9600
    message = json.loads(written(filled, "messages", "sigmf")[0])["annotations"][0]
    assert message["core:sample_count"] == 64_000
    assert message["core:freq_lower_edge"] == 162_025_010.0 - 4_800.0
    assert len(json.loads(written(filled, "overs", "sigmf")[0])["annotations"]) == 1


def test_sigmf_metadata_passes_the_library(filled, tmp_path):
    import sigmf

    octets, _ = written(filled, "emissions", "sigmf")
    sigmf.SigMFFile(metadata=json.loads(octets)).validate()


def test_sigmf_follows_gaps(log, recording_facts, emission):
    captures = [
        {"sample_start": 0, "start_ns": START_NS, "center_hz": 1e8},
        {"sample_start": 1000, "start_ns": START_NS + 10_000_000_000, "center_hz": 2e8},
    ]
    recording = log.begin_recording(recording_facts(rate_hz=1000.0, captures=captures, datatype="cu8"))
    log.write(Batch(emissions=[emission(recording, 0.5), emission(recording, 10.5)]))
    meta = json.loads(written(log, "emissions", "sigmf")[0])
    assert [note["core:sample_start"] for note in meta["annotations"]] == [500, 1500]
    assert [item["core:sample_start"] for item in meta["captures"]] == [0, 1000]
    assert meta["global"]["core:datatype"] == "cu8"


def test_sigmf_of_several_recordings_is_a_collection(filled, recording_facts, emission, tmp_path):
    other = filled.begin_recording(recording_facts("two"))
    filled.write(Batch(emissions=[emission(other)]))
    with pytest.raises(ParameterError, match="several recordings"):
        written(filled, "emissions", "sigmf")
    assert export(filled, "emissions", "sigmf", tmp_path / "all.sigmf-collection") == 4
    collection = json.loads((tmp_path / "all.sigmf-collection").read_text())["collection"]
    names = [item["name"] for item in collection["core:streams"]]
    assert sorted(path.name for path in tmp_path.glob("*.sigmf-meta")) == sorted(
        f"{name}.sigmf-meta" for name in names
    )
    octets, count = written(filled, "emissions", "sigmf", recording=other)
    assert count == 1
    assert len(json.loads(octets)["annotations"]) == 1


def test_iec61162_of_a_published_message(log, recording_facts):
    # Position report printed as a worked sentence by two independent origins (sheet of marine check
    # values, 1.4): MMSI 316001245. The log holds its bits; the sentence must come back to the character.
    from earwitness.payloads.iec61162 import unarmour

    published = "!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D"
    bits = unarmour("14eG;o@034o8sd<L9i:a;WF>062D")
    recording = log.begin_recording(recording_facts())
    row = {
        "recording": recording,
        "time_ns": START_NS,
        "mode": "ais",
        "check": "pass",
        "payload_hex": bits.hex(),
    }
    other = {**row, "mode": "dsc", "time_ns": START_NS + 1}
    log.write(Batch(messages=[{**row, "payload_bits": bits.size, "frequency_hz": 161.9751e6}, other]))
    octets, count = written(log, "messages", "iec61162")
    assert (octets.decode(), count) == (published + "\r\n", 1)


def test_iec61162_survives_odd_rows(log, recording_facts):
    recording = log.begin_recording(recording_facts())
    row = {"recording": recording, "mode": "ais", "check": "pass"}
    rows = [
        {**row, "time_ns": START_NS, "payload_hex": "", "payload_bits": 0},
        {**row, "time_ns": START_NS + 1, "payload_hex": "AB", "payload_bits": 168},
        {**row, "time_ns": START_NS + 2, "payload_hex": "00" * 1000, "payload_bits": 8000},
        {
            **row,
            "time_ns": START_NS + 3,
            "payload_hex": "FF" * 53,
            "payload_bits": 424,
            "frequency_hz": 156.8e6,
        },
    ]
    log.write(Batch(messages=rows))
    octets, count = written(log, "messages", "iec61162")
    assert count == 1
    assert [line.split(b",")[1:5] for line in octets.splitlines()] == [
        [b"2", b"1", b"0", b""],
        [b"2", b"2", b"0", b""],
    ]


def test_wrong_wishes_name_what_there_is(log):
    with pytest.raises(ParameterError, match="emissions, messages, identities, overs, occupancy"):
        written(log, "emission", "jsonl")
    with pytest.raises(ParameterError, match="jsonl, csv, parquet, sigmf"):
        written(log, "emissions", "kml")
    with pytest.raises(ParameterError, match="no recording"):
        written(log, "emissions", "sigmf")


def test_file_appears_only_when_complete(filled, tmp_path, monkeypatch):
    out = tmp_path / "out.jsonl"
    out.write_text("before")
    rows = filled.messages

    def broken(**filters):
        yield next(rows(**filters))
        raise LogError("the disk broke")

    monkeypatch.setattr(filled, "messages", broken)
    with pytest.raises(LogError, match="the disk broke"):
        export(filled, "messages", "jsonl", out)
    assert out.read_text() == "before"
    assert [path.name for path in tmp_path.iterdir() if "partial" in path.name] == []
    with pytest.raises(LogError, match="cannot be written"):
        export(filled, "emissions", "jsonl", tmp_path / "no" / "folder" / "x")


@pytest.fixture(scope="module")
def hostile_log(tmp_path_factory):
    with Log.open(tmp_path_factory.mktemp("hostile-export")) as log:
        yield (
            log,
            log.begin_recording({"content_id": "c", "start_ns": START_NS, "rate_hz": 1e6, "name": "\u202e"}),
        )


nasty = st.text(st.characters(codec=None, exclude_categories=()), max_size=60)
openers = st.sampled_from(["", "=", "+", "-", "@", "\t=", "\r\n=", " =", "\0=", "\u200b=", "\uff1d"])


@settings(max_examples=40, deadline=None)
@given(opener=openers, text=nasty)
def test_hostile_text_stays_inert_in_every_format(hostile_log, opener, text):
    log, recording = hostile_log
    text = opener + text
    row = {
        "recording": recording,
        "time_ns": START_NS,
        "mode": "ais",
        "check": "pass",
        "payload_hex": "00",
        "payload_bits": 8,
        "kind": text or "x",
        "fields": {"text": text},
        "identity": IdentityRef("vessel", text or "x", (text,), 50.0, 4.0),
        "latitude_deg": 50.0,
        "longitude_deg": 4.0,
    }
    log.write(Batch(messages=[row]))
    for what in ("messages", "identities"):
        count = len(list(getattr(log, what)()))
        assert len([json.loads(line) for line in written(log, what, "jsonl")[0].splitlines()]) == count
        content = written(log, what, "csv")[0].decode("utf-8")
        assert len(content.split("\r\n")) == count + 2
        for cells in csv.reader(io.StringIO(content, newline="")):
            for cell in cells:
                assert not cell.strip().startswith(("=", "+", "@", "\uff1d"))
                assert all(char >= " " for char in cell)
        json.loads(written(log, what, "geojson")[0])
        ET.fromstring(written(log, what, "kml")[0])
    json.loads(written(log, "messages", "sigmf")[0])


def test_numbers_stay_numbers_in_csv(log, recording_facts, emission):
    recording = log.begin_recording(recording_facts())
    log.write(Batch(emissions=[emission(recording, level_dbfs=-42.5, label="-5 dB")]))
    (line,) = csv.DictReader(io.StringIO(written(log, "emissions", "csv")[0].decode(), newline=""))
    assert line["level_dbfs"] == "-42.5"
    assert line["label"] == "'-5 dB"
