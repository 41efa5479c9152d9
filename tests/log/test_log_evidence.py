"""Evidence: files as their formats have them, names of our own, a budget that holds, and disks that fail."""

import errno
import io
import os
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LogError
from earwitness.core.types import Samples
from earwitness.log.evidence import EvidenceStore
from earwitness.log.png import png_octets
from earwitness.log.store import Batch, Log

START_NS = 1_764_057_600_000_000_000


@pytest.fixture
def station(tmp_path, recording_facts):
    with Log.open(tmp_path) as log:
        yield log, tmp_path, log.begin_recording(recording_facts())


def test_audio_is_flac_and_belongs_to_its_over(station):
    import soundfile

    log, folder, recording = station
    store = EvidenceStore(log, folder, 10_000_000)
    audio = (0.5 * np.sin(np.arange(150_000) * 0.05)).astype(np.float32)
    audio[1000] = 3.0  # beyond full scale: must be clipped, not wrapped
    over = {"id": "v-1", "recording": recording, "start_ns": START_NS, "stop_ns": START_NS + 9, "class": "am"}
    kept = store.add_audio(recording, "v-1", audio, 16_000.0, frequency_hz=1.2e8, snr_db=20.0)
    log.write(
        Batch(
            overs=[{**over, "mode": "am", "frequency_hz": 1.2e8, "evidence_id": kept["id"]}], evidence=[kept]
        )
    )
    row = next(log.overs())
    back, rate = soundfile.read(folder / row["audio_path"], dtype="float32")
    assert rate == 16_000
    np.testing.assert_allclose(back, audio.clip(-1, 1 - 2**-15), atol=2**-14)
    assert [item["kind"] for item in log.entry("v-1")["evidence"]] == ["audio"]
    assert store.path(log.entry("v-1")["evidence"][0]) == folder / row["audio_path"]
    assert store.total_bytes == (folder / row["audio_path"]).stat().st_size


def test_snippet_goes_through_the_writer_it_is_given(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 1_000_000)
    samples = Samples(np.ones(100, np.complex64), 1000.0, 1.62e8, 500, START_NS)

    def write(stem, given):
        data, meta = stem.with_suffix(".sigmf-data"), stem.with_suffix(".sigmf-meta")
        data.write_bytes(given.data.tobytes())
        meta.write_text("{}")
        return [meta, data]

    kept = store.add_snippet(recording, "e-1", samples, write, channel="162000")
    log.write(Batch(evidence=[kept]))
    (row,) = log.evidence()
    assert row["path"].endswith(".sigmf-meta")
    assert (row["start"], row["stop"]) == ("2025-11-25T08:00:00.500000Z", "2025-11-25T08:00:00.600000Z")
    data = (folder / row["path"]).with_suffix(".sigmf-data")
    assert data.stat().st_size == 800
    assert row["bytes"] == 802


def test_names_never_come_from_the_air(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 1_000_000)
    kept = store.add_picture(recording, "../../etc/\0passwd", b"one", channel="../x")
    path = (folder / kept["path"]).resolve()
    assert path.is_relative_to(folder / "evidence")
    assert path.name == f"{kept['id']}.png"


def _fill(log, store, recording, count, start=0, **facts):
    for number in range(start, start + count):
        kept = store.add_picture(recording, f"e-{number}", b"y" * 908, **{"snr_db": 1.0, **facts})
        log.write(Batch(evidence=[kept]))
        store.settle()


def test_policy_removes_routine_first_and_says_so(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 20_000)
    _fill(log, store, recording, 1, channel="a")  # the first of its channel
    _fill(log, store, recording, 1, 1, channel="a", snr_db=30.0)  # the best
    _fill(log, store, recording, 1, 2, channel="a", keep=1)  # flagged
    _fill(log, store, recording, 1, 3, channel="b", identity="i-1")  # the first of its identity
    _fill(log, store, recording, 60, 4, channel="a")
    rows = {row["subject"]: row for row in log.evidence()}
    assert len(rows) == 64
    there = {subject for subject, row in rows.items() if row["removed"] is None}
    assert {"e-0", "e-1", "e-2", "e-3", "e-63"} <= there
    assert "e-4" not in there
    assert "when evidence_mb was full: it was routine" in rows["e-4"]["removed_reason"]
    assert rows["e-4"]["removed_reason"].startswith("removed on 2")
    sizes = sum(path.stat().st_size for path in (folder / "evidence").rglob("*.png"))
    assert sizes == store.total_bytes == log.summary()["evidence_bytes"] <= 20_000


def test_labelled_and_flagged_go_last_but_the_budget_holds(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 10_000)
    _fill(log, store, recording, 40, channel="a", keep=1)
    assert store.total_bytes <= 10_000
    assert any("flagged" in (row["removed_reason"] or "") for row in log.evidence())


def test_superseded_goes_first(station, recording_facts, emission):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 10_000)
    _fill(log, store, recording, 5, channel="a", keep=1)
    log.begin_recording(recording_facts())
    log.finish_recording(recording)
    _fill(log, store, recording, 8, 100, channel="a")
    rows = {row["subject"]: row for row in log.evidence(superseded=True)}
    assert any("superseded" in (rows[f"e-{n}"]["removed_reason"] or "") for n in range(5))
    assert all(rows[f"e-{n}"]["removed"] is None for n in range(100, 108))


def test_same_piece_again_is_counted_once(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 1_000_000)
    for _ in range(3):
        log.write(Batch(evidence=[store.add_picture(recording, "e-1", b"y" * 108)]))
    assert (
        store.total_bytes == log.summary()["evidence_bytes"] == EvidenceStore(log, folder, 10**6).total_bytes
    )


def test_full_disk_costs_the_evidence_not_the_message(station, ais_row):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 1_000_000)

    def full(stem, samples):
        stem.with_suffix(".sigmf-data").write_bytes(b"half")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    samples = Samples(np.ones(10, np.complex64), 1000.0, 1.62e8, 0, START_NS)
    kept = store.add_snippet(recording, "m-1", samples, full)
    assert kept is None
    assert "No space left" in store.warnings[0]
    log.write(Batch(messages=[ais_row(recording, evidence_id=kept and kept["id"])]))
    assert next(log.messages())["evidence_id"] is None
    assert [path for path in (folder / "evidence").rglob("*") if path.is_file()] == []


def test_what_the_disk_does_not_take_is_lost_and_said(station, monkeypatch):
    _, folder, recording = station
    store = EvidenceStore(log=station[0], station_dir=folder, budget_bytes=1_000_000)
    good = store.add_picture(recording, "e-1", b"{}")
    store.secure()

    def broken(path):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr("earwitness.log.evidence._flush", broken)
    bad = store.add_picture(recording, "e-2", b"{}")
    store.secure()
    assert store.is_lost(bad["id"])
    assert not store.is_lost(good["id"])
    assert "Input/output error" in store.warnings[0]
    monkeypatch.undo()
    assert store.add_picture(recording, "e-2", b"{}")["id"] == bad["id"]
    store.secure()
    assert not store.is_lost(bad["id"])
    assert [path.name for path in (folder / "evidence").iterdir() if path.name.startswith(".")] == []


def test_last_of_the_disk_is_left_to_the_log(station, monkeypatch):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 1_000_000)
    monkeypatch.setattr("earwitness.log.evidence.RESERVE_BYTES", 1 << 62)
    assert store.add_picture(recording, "e-1", b"{}") is None
    assert "nearly full" in store.warnings[0]


def test_evidence_that_could_not_be_kept_again_stays_linked(station, recording_facts, ais_row):
    log, folder, recording = station
    kept = EvidenceStore(log, folder, 1_000_000).add_picture(recording, "m-1", b"{}")
    log.write(Batch(messages=[ais_row(recording, evidence_id=kept["id"])], evidence=[kept]))
    log.begin_recording(recording_facts())
    log.write(Batch(messages=[ais_row(recording)]))
    assert next(log.messages())["evidence_id"] == kept["id"]


def test_too_big_for_the_budget_is_not_kept(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 100)
    assert store.add_picture(recording, "e-1", b"y" * 508) is None
    assert "does not fit" in store.warnings[0]


def test_what_is_not_committed_yet_is_not_removed(station):
    log, folder, recording = station
    store = EvidenceStore(log, folder, 3_000)
    kept = [store.add_picture(recording, f"e-{n}", b"y" * 908) for n in range(6)]
    stored = [row for row in kept if row]
    assert 0 < len(stored) < 6
    assert all((folder / row["path"]).is_file() for row in stored)
    log.write(Batch(evidence=stored))


def test_orphans_are_cleared_but_young_and_foreign_files_stay(station):
    log, folder, recording = station
    kept = EvidenceStore(log, folder, 10_000).add_picture(recording, "e-1", b"{}")
    log.write(Batch(evidence=[kept]))
    lost = EvidenceStore(log, folder, 10_000).add_picture(recording, "e-2", b"{}")
    half = folder / "evidence" / ".partial-x-1-1"
    half.mkdir()
    (half / "x-1.json").write_text("{")
    foreign = folder / "evidence" / "notes.txt"
    foreign.write_text("mine")
    EvidenceStore(log, folder, 10_000)
    assert (folder / lost["path"]).is_file()
    EvidenceStore(log, folder, 10_000, orphan_age_s=0)
    assert not (folder / lost["path"]).exists()
    assert not half.exists()
    assert (folder / kept["path"]).is_file()
    assert foreign.is_file()


def test_folder_that_cannot_be_made_is_said(station):
    log, folder, _ = station
    (folder / "evidence").write_text("in the way")
    with pytest.raises(LogError, match="cannot be made"):
        EvidenceStore(log, folder, 10)


def test_newest_of_identity_is_kept(station, ais_row):
    log, folder, recording = station
    log.write(Batch(messages=[ais_row(recording, mmsi="1")]))
    who = next(log.identities())["id"]
    store = EvidenceStore(log, folder, 8_000)
    _fill(log, store, recording, 20, identity=who)
    there = [row["subject"] for row in log.evidence() if row["removed"] is None]
    assert there[0] == "e-0"
    assert there[-1] == "e-19"


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.booleans(), st.integers(0, 2**32 - 1))
def test_png_reads_back(height, width, colour, seed):
    shape = (height, width, 3) if colour else (height, width)
    pixels = np.random.default_rng(seed).integers(0, 256, shape, np.uint8)
    octets = png_octets(pixels)
    assert octets[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])  # ISO/IEC 15948, 5.2
    at, kinds, body = 8, [], b""
    while at < len(octets):
        size = int.from_bytes(octets[at : at + 4], "big")
        kind, content = octets[at + 4 : at + 8], octets[at + 8 : at + 8 + size]
        assert int.from_bytes(octets[at + 8 + size : at + 12 + size], "big") == zlib.crc32(kind + content)
        kinds.append(kind)
        body += content if kind == b"IDAT" else b""
        at += 12 + size
    assert kinds == [b"IHDR", b"IDAT", b"IEND"]
    lines = np.frombuffer(zlib.decompress(body), np.uint8).reshape(height, -1)
    assert not lines[:, 0].any()
    np.testing.assert_array_equal(lines[:, 1:].reshape(shape), pixels)


@pytest.mark.parametrize("shape", [(0, 4), (3,), (2, 2, 4)])
def test_png_refuses_other_shapes(shape):
    with pytest.raises(ValueError, match="a picture is uint8"):
        png_octets(np.zeros(shape, np.uint8))
    with pytest.raises(ValueError, match="a picture is uint8"):
        png_octets(np.zeros((2, 2), np.float32))


def test_png_octets_pass_through(station):
    log, folder, recording = station
    octets = png_octets(np.zeros((2, 3), np.uint8))
    kept = EvidenceStore(log, folder, 10_000).add_picture(recording, "p-1", octets)
    assert io.BytesIO((folder / kept["path"]).read_bytes()).read() == octets
