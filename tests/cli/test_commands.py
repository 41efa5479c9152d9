"""Commands as others script against them: exit status, one sentence on errors, JSON on standard output."""

import json
import subprocess
import sys

import numpy as np
import pytest

from earwitness.cli.survey import _tell
from earwitness.sources.write import write_sigmf
from earwitness.station.run import Outcome

RUN = [sys.executable, "-c", "from earwitness.cli import main; main()"]


def run(*arguments, timeout=120):
    return subprocess.run(
        [*RUN, *map(str, arguments)], check=False, capture_output=True, text=True, timeout=timeout
    )


def one_sentence(done, status):
    assert done.returncode == status
    assert "Traceback" not in done.stderr
    lines = [line for line in done.stderr.splitlines() if line.strip()]
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("earwitness: ")


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cli")
    rng = np.random.default_rng(2)
    x = 0.02 * (rng.standard_normal(400_000) + 1j * rng.standard_normal(400_000))
    x += 0.1 * np.exp(2j * np.pi * 0.1 * np.arange(400_000))
    path = write_sigmf(
        folder / "tone", x.astype(np.complex64), rate_hz=200_000, center_hz=10e6, epoch_ns=10**18
    )
    done = run("survey", path, "--station", folder / "s", "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["recordings"][0]["counts"]["emissions"] == 1
    return folder / "s"


def bad_files(folder):
    folder.mkdir(exist_ok=True)
    files = {
        "empty.wav": b"",
        "random.wav": np.random.default_rng(0).bytes(5000),
        "random.sigmf-meta": np.random.default_rng(1).bytes(5000),
        "half.sigmf-meta": b'{"global": {"core:datatype": "cu8"',
        "wrong.sigmf": b"not a tar file",
        "cut.flac": b"fLaC\0\0\0",
    }
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in files]


def test_unreadable_input_is_two_and_one_sentence(tmp_path):
    for path in [*bad_files(tmp_path / "bad"), tmp_path / "missing.wav", tmp_path]:
        one_sentence(run("survey", path, "--station", tmp_path / "s"), 2)


def test_raw_without_facts_says_what_is_needed(tmp_path):
    path = tmp_path / "band.bin"
    path.write_bytes(bytes(1000))
    done = run("survey", path, "--station", tmp_path / "s")
    one_sentence(done, 2)
    assert "--rate" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["frob"],
        ["survey"],
        ["survey", "x.wav", "--rate", "fast"],
        ["survey", "x.wav", "--ppm", "much"],
        ["query", "ships"],
        ["export", "ships"],
        ["export", "emissions", "--format", "iec61162"],
        ["evidence", "e-nothing"],
    ],
)
def test_wrong_use_is_two_and_one_sentence(station, arguments):
    one_sentence(run(*arguments, *(["--station", station] if arguments[0] != "frob" else [])), 2)


def test_no_log_yet_is_said(tmp_path):
    one_sentence(run("query", "emissions", "--station", tmp_path / "none"), 2)


KEYS = {
    "id", "start", "stop", "frequency_hz", "frequency_uncertainty_hz", "occupied_bandwidth_hz", "level_dbfs",
    "snr_db", "class", "designator", "symbol_rate_hz", "deviation_hz", "mode", "confidence", "reasons", "artefact",
    "label", "evidence_id",
}  # fmt: skip


def test_export_has_every_key(station):
    done = run("export", "emissions", "--station", station)
    assert done.returncode == 0
    (row,) = [json.loads(line) for line in done.stdout.splitlines()]
    assert set(row) >= KEYS
    assert row["frequency_hz"] == pytest.approx(10e6 + 20e3, abs=5)
    for form in ("csv", "geojson", "kml", "sigmf"):
        done = run("export", "emissions", "--station", station, "--format", form)
        assert done.returncode in (0, 2), done.stderr


def test_query_evidence_report(station, tmp_path):
    (row,) = json.loads(run("query", "emissions", "--station", station, "--json").stdout)
    done = run("query", "emissions", "--station", station)
    assert done.returncode == 0
    assert row["id"] in done.stdout
    done = run("evidence", row["id"], "--station", station, "--output", tmp_path / "case", "--json")
    assert done.returncode == 0, done.stderr
    written = json.loads(done.stdout)["written"]
    assert any(name.endswith(".png") for name in written)
    assert any(name.endswith(".sigmf-data") for name in written)
    done = run("report", "--station", station, "--output", tmp_path / "r.html", "--json")
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "r.html").read_text()
    assert row["id"] in page
    assert "http-equiv" in page


def test_help_teaches():
    for command in ("survey", "query", "evidence", "export", "report", "scene", "demo", "modes"):
        done = run(command, "--help")
        assert done.returncode == 0
        assert "earwitness" in done.stdout
    assert "never decrypts" in run("--help").stdout
    assert run().returncode == 0


def test_help_names_what_a_command_takes():
    usage = run("survey", "--help").stdout.splitlines()[0]
    assert usage == "Usage: earwitness survey [OPTIONS] SOURCE..."
    assert "<" not in run("scene", "--help").stdout  # no types of the program
    for command in ("survey", "query", "evidence", "identity", "export", "report", "passes", "overlay", "scene",
                    "recheck", "modes", "demo"):  # fmt: skip
        done = run(command, "--help").stdout
        assert "Example" in done
        if command not in ("survey", "demo", "passes"):
            assert "made if missing" not in done.lower()  # reading makes nothing
    assert run("--version").stdout.startswith("earwitness ")
    done = run("survey")
    assert "earwitness survey --help" in done.stderr


def test_every_command_takes_a_station(tmp_path):
    for command in ("survey", "query", "evidence", "identity", "export", "report", "passes", "overlay", "scene",
                    "recheck", "modes", "demo"):  # fmt: skip
        assert "--station DIR" in run(command, "--help").stdout
    done = run("modes", "--station", tmp_path / "none", "--json")
    assert done.returncode == 0
    assert not (tmp_path / "none").exists()


def test_export_takes_a_choice_and_says_what_it_wrote(station, tmp_path):
    (row,) = [
        json.loads(line) for line in run("export", "emissions", "--station", station).stdout.splitlines()
    ]
    out = tmp_path / "some.jsonl"
    for more, rows in (
        (["--frequency", "9e6-11e6"], 1),
        (["--frequency", "11e6-12e6"], 0),
        (["--since", "2000-01-01T00:00:00Z"], 1),
        (["--until", "2000-01-01T00:00:00Z"], 0),
    ):
        done = run("export", "emissions", "--station", station, "-o", out, "--json", *more)
        assert json.loads(done.stdout) == {
            "what": "emissions", "format": "jsonl", "output": str(out), "rows": rows,
        }  # fmt: skip
        assert len(out.read_text().splitlines()) == rows
    assert row["id"]
    done = run("export", "emissions", "--station", station, "-o", out)
    assert done.stderr.strip() == f"earwitness: 1 emissions written to {out}."
    one_sentence(run("export", "emissions", "--station", station, "--json"), 2)
    one_sentence(run("export", "emissions", "--station", station, "--identity", "x"), 2)
    one_sentence(run("export", "emissions", "--station", station, "--since", "0001-01-01T00:00:00+05:00"), 2)


def test_one_command_from_recording_to_report(tmp_path):
    rng = np.random.default_rng(6)
    x = 0.02 * (rng.standard_normal(200_000) + 1j * rng.standard_normal(200_000))
    x += 0.1 * np.exp(2j * np.pi * 0.1 * np.arange(200_000))
    path = write_sigmf(
        tmp_path / "one", x.astype(np.complex64), rate_hz=200_000, center_hz=10e6, epoch_ns=10**18
    )
    done = run("survey", path, "--station", tmp_path / "s", "--report", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["report"] == str(tmp_path / "s" / "report.html")
    (row,) = json.loads(run("query", "emissions", "--station", tmp_path / "s", "--json").stdout)
    assert row["id"] in (tmp_path / "s" / "report.html").read_text()
    done = run("survey", tmp_path / "missing.wav", "--station", tmp_path / "t", "--report")
    one_sentence(done, 2)
    assert not (tmp_path / "t" / "report.html").exists()


def test_a_collection_is_surveyed_as_its_recordings(tmp_path):
    rng = np.random.default_rng(5)
    for name in ("a", "b"):
        x = 0.02 * (rng.standard_normal(100_000) + 1j * rng.standard_normal(100_000))
        write_sigmf(tmp_path / name, x.astype(np.complex64), rate_hz=200_000, center_hz=10e6, epoch_ns=10**18)
    streams = [{"name": name, "hash": ""} for name in ("a", "missing", "b")]
    path = tmp_path / "both.sigmf-collection"
    path.write_text(json.dumps({"collection": {"core:version": "1.2.0", "core:streams": streams}}))
    done = run("survey", path, "--station", tmp_path / "s", "--json")
    one_sentence(done, 2)  # the missing one; the others are not kept from it
    assert [item["name"] for item in json.loads(done.stdout)["recordings"]] == ["a", "b"]


def test_annotations_lie_where_their_samples_are(tmp_path):
    # two captures with a minute of silence and another frequency between them: SigMF counts samples, not time
    n, rate = 200_000, 200_000
    rng = np.random.default_rng(8)
    x = 0.02 * (rng.standard_normal(2 * n) + 1j * rng.standard_normal(2 * n))
    x[60_000:160_000] += 0.1 * np.exp(2j * np.pi * 0.1 * np.arange(100_000))
    x[n + 60_000 : n + 160_000] += 0.1 * np.exp(2j * np.pi * 0.2 * np.arange(100_000))
    (tmp_path / "hop.sigmf-data").write_bytes(x.astype("<c8").tobytes())
    captures = [
        {"core:sample_start": 0, "core:frequency": 10e6, "core:datetime": "2026-03-14T09:30:00Z"},
        {"core:sample_start": n, "core:frequency": 20e6, "core:datetime": "2026-03-14T09:31:00Z"},
    ]
    facts = {"core:datatype": "cf32_le", "core:sample_rate": rate, "core:version": "1.2.0"}
    path = tmp_path / "hop.sigmf-meta"
    path.write_text(json.dumps({"global": facts, "captures": captures, "annotations": []}))
    assert run("survey", path, "--station", tmp_path / "s").returncode == 0
    made = json.loads(run("export", "emissions", "--station", tmp_path / "s", "--format", "sigmf").stdout)
    assert made["global"]["core:datatype"] == "cf32_le"
    assert [(item["core:sample_start"], item["core:frequency"]) for item in made["captures"]] == [
        (0, 10e6),
        (n, 20e6),
    ]
    starts = [note["core:sample_start"] for note in made["annotations"]]
    assert starts == pytest.approx([60_000, n + 60_000], abs=2000)


def test_modes_are_listed():
    names = {row["name"] for row in json.loads(run("modes", "--json").stdout)}
    assert {"mode-s", "ais", "am", "fm", "ssb", "morse"} <= names


def test_a_survey_that_was_stopped_claims_no_speed(capsys):
    outcome = Outcome("r-1", "evening", complete=False, seconds=600.0, took_s=2.0, counts={"emissions": 3})
    _tell(outcome)
    assert capsys.readouterr().out.startswith("evening: 3 emissions, ")
    assert outcome.facts()["real_time_ratio"] is None


@pytest.mark.parametrize(("seconds", "told"), [(0.05, "50 ms"), (4.25, "4.25 s"), (900.0, "15 min")])
def test_a_survey_tells_its_length_by_its_size(capsys, seconds, told):
    _tell(Outcome("r-1", "evening", complete=True, seconds=seconds, took_s=0.5))
    assert f"in {told} of radio" in capsys.readouterr().out


def test_a_file_without_a_scene_is_told_as_such(tmp_path):
    (tmp_path / "empty.toml").write_text("")
    done = run("scene", tmp_path / "empty.toml", "--output", tmp_path)
    one_sentence(done, 2)
    assert "not TOML" not in done.stderr
    assert "empty.toml: [scene]" in done.stderr


def test_pictures_are_counted_and_slow_surveys_told(capsys):
    _tell(Outcome("r-1", "pass", complete=True, seconds=0.02, took_s=0.5, counts={"pictures": 1}))
    assert "1 picture in 20 ms of radio, 0.04 x real time" in capsys.readouterr().out


def test_surveying_again_tells_what_came_out_otherwise(capsys):
    same = {"added": 0, "gone": 0, "changed": 0}
    for changed, told in (
        ({"emissions": same, "messages": same}, "nothing came out otherwise"),
        ({"emissions": same, "overs": same | {"gone": 2, "changed": 1}}, "2 gone, 1 told otherwise of the voice transmissions"),
    ):  # fmt: skip
        _tell(Outcome("r-1", "evening", complete=True, seconds=60.0, took_s=1.0, changed=changed))
        assert capsys.readouterr().out.endswith(f"beside the survey before, {told}\n")
