"""Outputs that refuse, locales that lack signs, and questions the log cannot answer: one sentence, no traceback."""

import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from earwitness.cli.app import run
from earwitness.cli.progress import Progress
from earwitness.cli.query import KINDS
from earwitness.core.errors import ParameterError, StorageError
from earwitness.core.times import parse_time
from earwitness.core.types import IdentityRef, Samples
from earwitness.log import export as log_export
from earwitness.log.evidence import EvidenceStore
from earwitness.log.ids import identity_id
from earwitness.log.store import Batch, Log
from earwitness.sources.write import write_sigmf

RUN = [sys.executable, "-m", "earwitness"]


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    folder = tmp_path_factory.mktemp("outputs") / "s"
    with Log.open(folder) as log:
        recording = log.begin_recording(
            {"content_id": "c", "start_ns": 10**18, "rate_hz": 1e6, "center_hz": 1e8}
        )
        rows = [
            {
                "recording": recording,
                "time_ns": 10**18 + n * 10**9,
                "mode": "ais",
                "payload_hex": f"{n:06X}",
                "payload_bits": 24,
                "check": "pass",
                "kind": "position report",
                "fields": {"text": "Ærø – 5°", "n": n},
                "frequency_hz": 162e6,
            }
            for n in range(400)
        ]
        log.write(Batch(messages=rows))
        log.finish_recording(recording)
    return folder


def ask(capsys, *arguments):
    with pytest.raises(SystemExit) as end:
        run([str(item) for item in arguments])
    told = capsys.readouterr()
    return end.value.code, told.out, told.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("messages", "--limit", "99999999999999999999"),
        ("messages", "--frequency", "nan"),
        ("messages", "--frequency", "2e6-1e6"),
        ("overs", "--text", "mayday"),
        ("identities", "--mode", "ais"),
        ("messages", "--since", "2026-11-25T00:00:00+99:00"),
    ],
)
def test_questions_that_make_no_sense(station, capsys, arguments):
    code, out, err = ask(capsys, "query", *arguments, "--station", station)
    assert code == 2
    assert not out
    assert len(err.splitlines()) == 1
    assert "known:" not in err  # no list of what only the program knows


def test_every_kind_can_be_asked_with_what_it_promises(station, capsys):
    for what in KINDS:
        code, out, err = ask(capsys, "query", what, "--station", station, "--since", "2000-01-01T00:00:00Z")
        assert code == 0
        assert out if what == "messages" else err == f"earwitness: no {what} in the log that fit.\n"


def test_the_newest_are_shown_and_more_is_said(station, capsys):
    code, out, err = ask(capsys, "query", "messages", "--station", station, "--limit", 3, "--json")
    assert code == 0
    assert [row["fields"]["n"] for row in json.loads(out)] == [397, 398, 399]
    assert "--limit" in err


def test_the_newest_stream_in_their_order(station, capsys):
    code, out, _ = ask(capsys, "query", "messages", "--station", station, "--limit", 10**9, "--json")
    assert code == 0
    rows = json.loads(out)
    assert [row["fields"]["n"] for row in rows] == list(range(400))
    with Log.open(station, create=False) as log:
        first, more = log.newest_from("messages", 10**9)
        assert (first, more) == (None, False)
        first, more = log.newest_from("messages", 400)
        assert (first, more) == (None, False)
        first, more = log.newest_from("messages", 399)
        assert more
        assert [row["fields"]["n"] for row in log.messages(from_row=first)][:2] == [1, 2]


def test_a_mistyped_name_is_told_before_anything_is_loaded(tmp_path):
    """What reads samples takes a second or two to load."""
    script = (
        "import sys; from earwitness.cli.app import run\n"
        "try: run(sys.argv[1:])\n"
        "finally: print(sorted({'numpy', 'scipy', 'numba'} & set(sys.modules)))"
    )
    for command in (["survey", "nowhere.wav"], ["scene", "nowhere.toml", "-o", "x"], ["report"], ["recheck"]):
        done = subprocess.run(
            [sys.executable, "-c", script, *command, "--station", tmp_path / "none"],
            capture_output=True, text=True, check=False, cwd=tmp_path,
        )  # fmt: skip
        assert done.returncode == 2
        assert done.stderr.startswith("earwitness: ")
        assert done.stdout == "[]\n"


def test_a_number_too_large_for_the_log_is_an_error_of_ours(station):
    with Log.open(station, create=False) as log, pytest.raises(ParameterError):
        list(log.messages(since_ns=10**30))


def test_zones_of_a_time():
    for text in ("2026-11-25T00:00:00+99:00", "2026-11-25T00:00:00+05:75"):
        with pytest.raises(ParameterError):
            parse_time(text)
    assert parse_time("1970-01-01T05:45:00+05:45") == 0


def test_an_output_folder_that_is_not_there_is_a_failure_while_working(station, capsys, tmp_path):
    code, _, err = ask(capsys, "export", "messages", "--station", station, "--output", tmp_path / "no" / "x")
    assert code == 1
    assert len(err.splitlines()) == 1
    with Log.open(station, create=False) as log, pytest.raises(StorageError):
        log_export.export(log, "messages", "csv", tmp_path / "no" / "x")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("command", ["export messages", "query messages", "modes --json"])
def test_a_full_output_is_one_sentence(station, command):
    words = command.split() + ([] if "modes" in command else ["--station", str(station)])
    with open("/dev/full", "wb") as full:
        done = subprocess.run([*RUN, *words], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1, done.stderr


@pytest.mark.parametrize("command", ["export messages", "query messages --limit 400 --json"])
def test_a_pipe_that_closes_is_silent(station, command):
    words = [*RUN, *command.split(), "--station", str(station)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        assert child.stdout.readline(10)
        child.stdout.close()
        told = child.stderr.read()
        assert child.wait(60) in (0, 1)
    assert told == ""


def test_a_locale_without_our_signs(station):
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "COLUMNS": "120"}
    words = [*RUN, "query", "messages", "--limit", "2", "--station", str(station)]
    done = subprocess.run(words, capture_output=True, check=False, env=plain)
    assert done.returncode == 0, done.stderr
    assert b"5deg" in done.stdout


def test_a_mode_that_there_is_none_of_is_told(station, capsys):
    status, out, said = ask(capsys, "query", "messages", "--mode", "asi", "--station", station)
    assert (status, out) == (0, "")
    assert "No mode is called 'asi'" in said
    assert ", ais," in said
    assert (
        "mode is called" not in ask(capsys, "query", "messages", "--mode", "acars", "--station", station)[2]
    )


def test_the_scene_that_the_help_shows_can_be_made(tmp_path, capsys):
    _, shown, _ = ask(capsys, "scene", "--help")
    text = shown[shown.index("[scene]") : shown.index("What is sent")]
    (tmp_path / "harbour.toml").write_text(text)
    status, told, _ = ask(capsys, "scene", tmp_path / "harbour.toml", "--output", tmp_path / "made", "--json")
    assert status == 0
    assert Path(json.loads(told)["recording"]).is_file()


def test_evidence_of_who_has_none_of_its_own_is_that_of_its_messages(tmp_path, capsys):
    # a train and an identity are told of by their messages
    samples = np.zeros(2000, np.complex64)
    with Log.open(tmp_path / "s") as log:
        store = EvidenceStore(log, tmp_path / "s", 10**9)
        rec = log.begin_recording({"content_id": "c", "start_ns": 10**18, "rate_hz": 1e5, "center_hz": 1e8})

        def snippet(stem, part):
            given = {"rate_hz": part.rate_hz, "center_hz": part.center_hz, "epoch_ns": part.epoch_ns}
            meta = write_sigmf(stem, part.data, **given)
            return [meta, meta.with_suffix(".sigmf-data")]

        piece = store.add_snippet(rec, "m-1", Samples(samples, 1e5, 1e8, 0, 10**18), snippet)
        train = {
            "id": "e-1", "recording": rec, "start_ns": 10**18, "stop_ns": 10**18 + 10**9, "frequency_hz": 1e8,
            "class": "ook", "burst_count": 9, "duty": 0.1,
        }  # fmt: skip
        message = {
            "id": "m-1", "recording": rec, "time_ns": 10**18, "mode": "mode-s", "payload_hex": "AA", "check": "pass",
            "payload_bits": 8, "kind": "x", "fields": {}, "emission_id": "e-1", "evidence_id": piece["id"],
            "identity": IdentityRef("aircraft", "B71A01"),
        }  # fmt: skip
        log.write(Batch(evidence=[piece], emissions=[train], messages=[message]))
        log.finish_recording(rec)
    for entry in ("e-1", identity_id("aircraft", "B71A01")):
        out = tmp_path / entry
        status, told, _ = ask(capsys, "evidence", entry, "--station", tmp_path / "s", "-o", out, "--json")
        assert status == 0
        names = {Path(name).suffix for name in json.loads(told)["written"]}
        assert {".sigmf-meta", ".sigmf-data", ".png"} <= names
    status, _, said = ask(capsys, "evidence", "B71A01", "--station", tmp_path / "s")
    assert status == 2
    assert "earwitness query" in said


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_before_the_work_began_is_one_and_a_sentence(tmp_path, number):
    # at any stage: a fifo as settings keeps it waiting in the middle of a command
    (tmp_path / "log.sqlite").touch()
    os.mkfifo(tmp_path / "station.toml")
    # A shell has what it starts behind itself ignore Ctrl-C, and so the tests, and so their children.
    before = signal.signal(signal.SIGINT, signal.SIG_DFL)
    work = subprocess.Popen(
        [*RUN, "report", "--station", tmp_path], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    signal.signal(signal.SIGINT, before)
    with open(tmp_path / "station.toml", "w"):  # returns once the command has opened it too
        work.send_signal(number)
        _, said = work.communicate(timeout=60)
    assert (work.returncode, said) == (1, "earwitness: stopped.\n")


def test_progress_fits_eighty_columns_and_a_hostile_name_stays_text(monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "dumb-but-wide")
    with Progress("surveying esc\x1b[31m[/b]\u202e a very long name of a recording indeed") as progress:
        progress.share(0.28, "12345.6 of 45678.9 s, 3.2 x real time")
        progress._bar.refresh()
    shown = screen.getvalue()
    assert "\x1b[31m[" not in shown
    assert "\u202e" not in shown
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown)
    lines = [line for line in re.split(r"[\r\n]", plain) if "28 %" in line]
    assert lines
    assert all(len(line.rstrip()) <= 80 for line in lines)
    assert any("real time" in line and line.rstrip().endswith("left") for line in lines)


@pytest.mark.parametrize("command", ["export messages", "report"])
def test_a_device_is_written_to_and_stays_one(station, tmp_path, command):
    """An output that was put in a device's place by renaming took /dev/full from the whole machine, as root."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got = tmp_path / "got"
    with open(got, "wb") as kept, subprocess.Popen(["cat", str(pipe)], stdout=kept) as reader:
        done = subprocess.run(
            [*RUN, *command.split(), "--station", station, "--output", pipe],
            capture_output=True, check=False, timeout=60,
        )  # fmt: skip
        reader.wait(10)
    assert done.returncode == 0, done.stderr
    assert pipe.is_fifo()
    assert got.stat().st_size > 10_000


def test_a_link_to_an_output_stays_one(station, tmp_path):
    (tmp_path / "latest.jsonl").symlink_to(tmp_path / "there.jsonl")
    done = subprocess.run(
        [*RUN, "export", "messages", "--station", station, "--output", tmp_path / "latest.jsonl"], check=False
    )
    assert done.returncode == 0
    assert (tmp_path / "latest.jsonl").is_symlink()
    assert (tmp_path / "there.jsonl").read_text().count("\n") == 400
    assert sorted(path.name for path in tmp_path.iterdir()) == ["latest.jsonl", "there.jsonl"]
