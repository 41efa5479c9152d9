"""From a real log and its evidence to the page, the terminal and the files of one entry."""

import io
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from earwitness.core.errors import ParameterError, StorageError
from earwitness.core.types import IdentityRef, Samples
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Batch, Log
from earwitness.sources.write import write_sigmf
from earwitness.view import tables
from earwitness.view.evidence import describe, file_of, pictures_of, stretch_of, write_evidence
from earwitness.view.facts import facts_of
from earwitness.view.gather import _health, gather
from earwitness.view.report import render, write_report

START = 1_795_595_400_000_000_000
RATE = 50_000.0
TERN = IdentityRef("vessel", "211000001", ("TERN",), 54.0, 8.0)


def snippet(stem, samples):
    """Write as the survey does: raised by 20 dB, as the row says."""
    meta = write_sigmf(
        stem,
        samples.data * np.float32(10),
        rate_hz=samples.rate_hz,
        center_hz=samples.center_hz,
        epoch_ns=samples.epoch_ns,
        sample_type="cf32_le",
    )
    return [meta, meta.with_suffix(".sigmf-data")]


@pytest.fixture
def station(tmp_path):
    rng = np.random.default_rng(1)
    x = (rng.normal(size=20_000) + 1j * rng.normal(size=20_000)).astype(np.complex64) * np.float32(1e-3)
    x[5000:15_000] += np.float32(0.03) * np.exp(0.2j * np.arange(10_000)).astype(np.complex64)
    with Log.open(tmp_path) as log:
        store = EvidenceStore(log, tmp_path, 10**9)
        name = "one <b>"
        facts = {
            "content_id": "c",
            "start_ns": START,
            "stop_ns": START + 10**10,
            "name": name,
            "rate_hz": RATE,
            "center_hz": 162e6,
        }
        rec = log.begin_recording({**facts, "place": "an invented bay", "warnings": ["a gap"]})
        batch = Batch()
        piece = store.add_snippet(rec, "e-1", Samples(x, RATE, 162e6, 0, START), snippet, gain_db=20.0)
        sound = store.add_audio(rec, "v-1", np.zeros(4000, np.float32), 8000.0)
        levels = np.full((20, 16), 100, np.uint8)
        view = store.add_picture(
            rec,
            "overview",
            levels,
            overview=True,
            floor_db=-120.0,
            step_db=0.5,
            low_hz=161.9e6,
            high_hz=162.1e6,
            start_ns=START,
            stop_ns=START + 10**10,
        )
        batch.evidence += [piece, sound, view]
        batch.emissions.append(
            {
                "id": "e-1",
                "recording": rec,
                "start_ns": START,
                "stop_ns": START + 10**9,
                "frequency_hz": 162.0016e6,
                "class": "am",
                "occupied_bandwidth_hz": 4000.0,
                "snr_db": 30.0,
                "evidence_id": piece["id"],
                "methods": {"centre": "power centroid"},
            }
        )
        batch.messages.append(
            {
                "id": "m-1",
                "recording": rec,
                "time_ns": START,
                "frequency_hz": 162e6,
                "mode": "ais",
                "payload_hex": "AB",
                "payload_bits": 8,
                "check": "pass",
                "corrected_bits": 0,
                "kind": "position report",
                "flags": ["distress"],
                "fields": {"latitude_deg": 54.0, "longitude_deg": 8.0},
                "identity": TERN,
                "emission_id": "e-1",
            }
        )
        batch.overs.append(
            {
                "id": "v-1",
                "recording": rec,
                "start_ns": START,
                "stop_ns": START + 10**9,
                "frequency_hz": 162e6,
                "class": "am",
                "mode": "am",
                "emission_id": "e-1",
                "evidence_id": sound["id"],
            }
        )
        batch.occupancy.append(
            {
                "recording": rec,
                "start_ns": START,
                "stop_ns": START + 10**10,
                "frequency_hz": 162e6,
                "samples": 1000,
                "occupied": 0,
            }
        )
        log.write(batch)
        log.finish_recording(rec, {"health": [{"clipped_fraction": 0.25}]})
        yield log, tmp_path


def test_the_page_has_all_of_it(station):
    log, folder = station
    data = gather(log, folder)
    assert data.recordings[0].overviews[0].level_db == pytest.approx(-70.0)
    assert data.recordings[0].health == {"samples clipped": "25 %"}
    assert {plate.name for plate in data.plates} == {"spectrogram", "spectrum", "envelope"}
    assert data.media["v-1"].data.startswith(b"fLaC")
    page = render(data)
    for words in (
        "an invented bay",
        "TERN",
        "distress",
        "power centroid",
        "a gap",
        "one &lt;b&gt;",
        "data:audio/flac",
        "&lt; 0.38 %",
    ):
        assert words in page


def test_written_whole_or_not_at_all(station, tmp_path_factory):
    log, folder = station
    elsewhere = tmp_path_factory.mktemp("out") / "new" / "report.html"
    write_report(log, folder, elsewhere)
    assert elsewhere.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert [path.name for path in elsewhere.parent.iterdir()] == ["report.html"]
    with pytest.raises(StorageError, match="cannot be written"):
        write_report(log, folder, elsewhere / "below-a-file.html")


def test_levels_of_a_snippet_are_the_receivers(station):
    log, folder = station
    entry = log.entry("e-1")
    samples = stretch_of(folder, entry["evidence"][0])
    assert np.abs(samples.data[7000:9000]).mean() == pytest.approx(0.03, rel=0.01)
    assert {"spectrogram", "spectrum", "envelope"} == set(pictures_of(entry, folder))


def test_evidence_lost_or_foreign_is_only_missing(station):
    log, folder = station
    entry = log.entry("e-1")
    (folder.parent / "secret.png").write_bytes(b"x")
    for path in ("../secret.png", "/etc/passwd", "", None, "a\0b", 7, "evidence"):
        assert file_of(folder, path) is None
    for path in folder.rglob("*.sigmf-data"):
        path.write_bytes(b"")
    for path in folder.rglob("*.png"):
        path.write_bytes(b"\x89PNG\r\n\x1a\n broken")
    assert pictures_of(entry, folder) == {}
    data = gather(log, folder)
    assert data.recordings[0].overviews == []
    render(data)


def test_files_of_an_entry(station, tmp_path_factory):
    log, folder = station
    out = tmp_path_factory.mktemp("case")
    names = {path.name for path in write_evidence(log.entry("e-1"), folder, out)}
    assert {"e-1-spectrogram.png", "e-1-spectrum.png", "e-1-envelope.png"} < names
    assert sum(name.endswith((".sigmf-meta", ".sigmf-data")) for name in names) == 2
    assert all((out / name).stat().st_size for name in names)


def shown(table, width):
    console = Console(width=width, file=io.StringIO(), force_terminal=True, color_system=None)
    console.print(table)
    return console.file.getvalue()


def test_entry_for_the_terminal(station):
    log, _ = station
    text = shown(describe(log.entry("e-1")), 80)
    assert "4.00 kHz" in text
    assert "how: centre" in text
    assert "position" in text


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("what", ["emissions", "messages", "identities", "overs", "pictures", "occupancy"])
def test_tables_fit(station, what, width):
    log, _ = station
    rows = list(getattr(log, what)())
    lines = shown(tables.table(what, rows, columns=width), width).splitlines()
    assert all(len(line) <= width for line in lines)
    for row in rows:
        if what != "occupancy":
            assert row["id"] in "".join(lines)  # an id can be copied


def test_unknown_table():
    with pytest.raises(ParameterError, match="emissions"):
        tables.table("secrets", [])


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=60), st.sampled_from(["emissions", "messages", "identities", "overs"]))
def test_text_from_the_air_is_inert_in_the_terminal(words, what):
    words = f"[bold red]{words}\x1b[2J\x07[/]"
    row = dict.fromkeys(("label", "mode", "class", "kind", "key", "audio_path", "check", "artefact"), words)
    row |= {
        "names": [words],
        "fields": {words: words, "text": words},
        "tone": {words: words},
        "flags": [words],
        "id": "e-1",
    }
    text = shown(tables.table(what, [row], columns=200), 200)
    assert not any(ord(char) < 32 and char != "\n" for char in text)
    assert "[bold red]" in text


def test_nothing_is_written_beside(station):
    _, folder = station
    assert {path.name.split(".")[0] for path in Path(folder).iterdir()} <= {"log", "evidence", "station"}


def test_every_claim_leads_to_its_samples(station):
    log, folder = station
    page = render(gather(log, folder))
    targets = set(re.findall(r' id="([^"]+)"', page))
    assert {"msg-m-1", "over-v-1"} <= targets
    row = page[page.index('id="em-e-1"') - 4000 : page.index('id="em-e-1"') + 4000]
    assert 'href="#msg-m-1"' in row
    assert 'href="#over-v-1"' in row
    (file,) = set(re.findall(r'href="(\./evidence/[^"]+)" aria-label="I/Q of [em]-1">I/Q', page))
    assert (folder / file).is_file()
    assert re.search(r'<audio [^>]*aria-label="Voice on 162.000 MHz, [^"]+ UTC"', page)
    flagged = page[page.index('id="flagged"') : page.index('id="air"')]
    assert 'href="#msg-m-1"' in flagged  # what cannot wait leads to its evidence too
    elsewhere = render(gather(log, folder, beside=folder / "out" / "there"))
    assert 'href="./../../evidence/' in elsewhere
    (folder / file).unlink()
    assert ">I/Q<" not in render(gather(log, folder))  # nothing is promised that is not there


def test_health_is_told_in_words():
    looks = [
        {"clipped_fraction": 0.0, "dc_dbfs": -42.83946, "image_rejection_db": 41.24, "dropped_or_jumped": 1,
         "error_ppm": None, "error_uncertainty_ppm": None, "error_from_carriers": 0},
        {"clipped_fraction": 0.0, "dc_dbfs": -40.06, "image_rejection_db": 44.0, "dropped_or_jumped": 2,
         "error_ppm": -7.877632, "error_uncertainty_ppm": 0.4066, "error_from_carriers": 38},
    ]  # fmt: skip
    assert _health(1.5, looks) == {
        "frequency correction applied": "+1.50 ppm",
        "frequency error": "−7.9 ± 0.4 ppm, from 38 carriers",
        "samples clipped": "none",
        "samples lost or jumped": "3 times",
        "constant offset": "−40.1 dBFS",
        "image rejection": "41.2 dB",
    }
    assert _health(None, []) == {}


def test_messages_fit_a_narrow_terminal_and_say_who(station):
    fields = {
        "icao_address": "B71A04",
        "callsign": "QPT9",
        "altitude_ft": 4800,
        "latitude_deg": 54.5,
        "longitude_deg": 8.0,
    }
    row = {
        "id": "m-" + "0" * 20, "time": "2026-11-25T08:30:01Z", "frequency_hz": 1090e6, "mode": "mode-s",
        "kind": "aircraft identification", "check": "pass", "fields": fields,
    }  # fmt: skip
    text = shown(tables.table("messages", [row], columns=80), 80)
    assert all(len(line) <= 80 for line in text.splitlines())
    words = " ".join(" ".join(line[15:58] for line in text.splitlines()).split())
    assert "B71A04: position" in words
    assert "54°30.000′N" in words


def test_days_are_told_once(station):
    row = {"frequency_hz": 162e6, "class": "fm", "artefact": None}
    days = ("2026-11-24", "2026-11-25", "2026-11-25", "2026-11-24")
    rows = [{**row, "id": f"e-{n}", "start": f"{day}T08:30:0{n}.5Z"} for n, day in enumerate(days)]
    lines = shown(tables.table("emissions", rows, columns=80), 80).splitlines()
    assert [line.split()[0] for line in lines[2:]] == [
        "2026-11-24", "08:30:00.500", "2026-11-25", "08:30:01.500", "08:30:02.500", "2026-11-24", "08:30:03.500",
    ]  # fmt: skip
    assert "2026-11-25" in shown(tables.table("emissions", rows[1:3], columns=80), 80).splitlines()[0]


def test_figures_have_units():
    fields = {"vertical_rate_fpm": -512, "symbol_rate_hz": 4800.0, "temperature_c": -4.5, "to_bow_m": 114,
              "nic_supplement_c": 1, "duration_s": 2.5, "rate_of_turn_deg_min": 3.0}  # fmt: skip
    assert dict(facts_of({"fields": fields, "xdb": 26, "tone": {"ctcss_hz": 88.5}})) == {
        "x-dB level": "26 dB", "tone": "CTCSS 88.5 Hz", "vertical rate": "-512 ft/min", "symbol rate": "4800 Bd",
        "temperature": "-4.5 °C", "to bow": "114 m", "nic supplement c": "1", "duration": "2.5 s",
        "rate of turn": "3 °/min",
    }  # fmt: skip


def test_figures_of_pictures_have_units():
    told = {
        "ioc": 576,
        "slant_ppm": 31.3,
        "lines_with_sync": 0.98,
        "shift_hz": 825.0,
        "first_time_of_day_ms": 32_400_000,
    }
    assert dict(facts_of(told)) == {
        "index of co-operation": "576", "slant": "31.3 ppm", "lines with sync": "98 %", "shift": "825 Hz",
        "first time of day": "09:00:00.000",
    }  # fmt: skip


def test_labels_are_told_once(station):
    log, _ = station
    ident = next(iter(log.identities()))["id"]
    log.label(ident, "the pilot boat")
    log.label("e-1", "harbour channel")
    for entry, words in ((ident, "the pilot boat"), ("e-1", "harbour channel")):
        assert shown(describe(log.entry(entry)), 120).count(words) >= 1
    assert shown(describe(log.entry(ident)), 120).count("the pilot boat") == 1
