"""The whole survey: on the recordings of independent transmitters, on noise, twice, broken off, killed."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile as sf

from earwitness.core.mode import registry
from earwitness.core.times import parse_time
from earwitness.log.store import Log
from earwitness.sources.write import write_sigmf
from earwitness.station.audio import AnalyticStream, audio_of
from earwitness.station.calibrate import estimate_ppm
from earwitness.station.config import CONFIG_NAME
from earwitness.station.recheck import recheck
from earwitness.station.run import survey_file

SHARED = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "independent"
needs_shared = pytest.mark.skipif(
    not SHARED.is_dir(), reason="the shared recordings are not beside the project"
)


def noise(folder, seconds=2.0, rate=240_000.0, seed=1, tone_hz=None):
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    x = 0.02 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    if tone_hz is not None:
        x += 0.05 * np.exp(2j * np.pi * tone_hz / rate * np.arange(count))
    return write_sigmf(
        folder / f"noise{seed}", x.astype(np.complex64), rate_hz=rate, center_hz=162e6, epoch_ns=10**18
    )


def rows(folder, what, **filters):
    with Log.open(folder) as log:
        return list(getattr(log, what)(**filters))


@needs_shared
@pytest.mark.parametrize(
    ("name", "messages", "overs"), [("marine162", 60, 0), ("vhf_air", 0, 4), ("marine156", 0, 1)]
)
def test_independent_recording(tmp_path, name, messages, overs):
    """Truth files of the recordings: every emission found, none invented, nothing decoded that was not sent."""
    truth = json.loads((SHARED / f"{name}.truth.json").read_text())
    outcome = survey_file(str(SHARED / f"{name}.sigmf-meta"), tmp_path)
    assert outcome.complete
    assert outcome.warnings == []
    epoch_ns = parse_time(truth["start"])
    logged = rows(tmp_path, "emissions", artefacts=False)

    def covers(row, emission):
        low, high = emission["band_in_file_hz"]
        start, stop = ((parse_time(row[key]) - epoch_ns) / 1e9 for key in ("start", "stop"))
        return (
            low <= row["frequency_hz"] <= high and start < emission["t_stop"] and stop > emission["t_start"]
        )

    missed = [item for item in truth["emissions"] if not any(covers(row, item) for row in logged)]
    assert missed == []
    invented = [row for row in logged if not any(covers(row, item) for item in truth["emissions"])]
    assert invented == []
    sent = {
        message["payload_hex"]
        for item in truth["emissions"]
        for message in item["messages"]
        if "payload_hex" in message
    }
    heard = [row for row in rows(tmp_path, "messages") if row["mode"] == "ais"]
    assert {row["payload_hex"] for row in heard} <= sent
    assert len(heard) >= messages
    assert len(rows(tmp_path, "overs")) == overs
    for row in heard:
        assert row["evidence_id"]
        assert row["emission_id"]


@needs_shared
def test_second_survey_adds_nothing(tmp_path):
    path = str(SHARED / "marine162.sigmf-meta")
    survey_file(path, tmp_path)
    before = {
        what: rows(tmp_path, what) for what in ("emissions", "messages", "identities", "overs", "occupancy")
    }
    assert survey_file(path, tmp_path).skipped
    again = survey_file(path, tmp_path, again=True)
    assert not again.skipped
    assert again.changed is not None
    assert not any(amount for parts in again.changed.values() for amount in parts.values())
    for what, earlier in before.items():
        assert [row["id"] for row in earlier] == [row["id"] for row in rows(tmp_path, what)], what
    counts = {row["id"]: row["message_count"] for row in before["identities"]}
    assert counts == {row["id"]: row["message_count"] for row in rows(tmp_path, "identities")}


@needs_shared
def test_receiver_error_is_estimated():
    # the truth files state rx_ppm with the opposite sign: the crystal that is high makes signals read low
    for name, rx_ppm in (("marine162", -4.0), ("vhf_air", 8.0)):
        found = estimate_ppm(
            str(SHARED / f"{name}.sigmf-meta"), report=lambda done, note: None, stopped=lambda: False
        )
        assert found is not None
        assert found[0] == pytest.approx(-rx_ppm, abs=1.0)


def test_noise_gives_nothing(tmp_path):
    outcome = survey_file(str(noise(tmp_path, seconds=20.0)), tmp_path / "s")
    assert outcome.counts["messages"] == outcome.counts["overs"] == 0
    assert rows(tmp_path / "s", "emissions") == []


def test_the_widest_receivers_rate_is_surveyed(tmp_path):
    """Four seconds of 20 MS/s are more samples than a source gives at once (common practice, no source for the rate)."""
    outcome = survey_file(str(noise(tmp_path, seconds=0.2, rate=20e6)), tmp_path / "s")
    assert outcome.complete
    assert outcome.counts["emissions"] == 0


def test_a_carrier_is_measured(tmp_path):
    # a tone of 0.05 full scale: 20 log10(0.05) = -26.02 dBFS, at 162.031 234 MHz, by construction
    outcome = survey_file(str(noise(tmp_path, tone_hz=31_234.0)), tmp_path / "s")
    assert outcome.counts["emissions"] == 1
    (row,) = rows(tmp_path / "s", "emissions")
    assert row["class"] == "carrier"
    assert row["designator"] == "N0N"
    assert row["frequency_hz"] == pytest.approx(162_031_234, abs=5)
    assert row["level_dbfs"] == pytest.approx(-26.02, abs=0.3)
    assert row["evidence_id"]


def test_listed_frequency_is_labelled_and_watched(tmp_path):
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / CONFIG_NAME).write_text(
        '[[frequency]]\nhz = 162_031_000\nlabel = "Beacon"\n[[frequency]]\nhz = 161_950_000\nlabel = "Quiet one"\n'
    )
    survey_file(str(noise(tmp_path, tone_hz=31_234.0)), tmp_path / "s")
    assert [row["label"] for row in rows(tmp_path / "s", "emissions")] == ["Beacon"]
    watched = {row["label"]: row for row in rows(tmp_path / "s", "occupancy")}
    assert watched["Beacon"]["fco_pct"] > 95
    assert watched["Quiet one"]["occupied"] == 0
    assert 0 < watched["Quiet one"]["fco_high_pct"] < 3


def test_correction_moves_frequencies(tmp_path):
    path = str(noise(tmp_path, tone_hz=31_234.0))
    survey_file(path, tmp_path / "s", ppm=10.0)  # it showed signals 10 ppm, 1620 Hz, too high
    (row,) = rows(tmp_path / "s", "emissions")
    assert row["frequency_hz"] == pytest.approx(162_031_234 - 1620, abs=5)


def test_stopped_survey_is_kept_and_done_again(tmp_path):
    path = str(noise(tmp_path, seconds=6.0, tone_hz=31_234.0))
    looks = iter(range(1000))
    outcome = survey_file(path, tmp_path / "s", stopped=lambda: next(looks) > 2)
    assert not outcome.complete
    assert len(rows(tmp_path / "s", "emissions")) == 1
    outcome = survey_file(path, tmp_path / "s")
    assert outcome.complete
    assert not outcome.skipped
    assert len(rows(tmp_path / "s", "emissions")) == 1


RUN = [sys.executable, "-c", "from earwitness.cli import main; main()"]


def test_ctrl_c_leaves_a_complete_log(tmp_path):
    path = noise(tmp_path, seconds=240.0, tone_hz=31_234.0)
    work = subprocess.Popen([*RUN, "survey", str(path), "--station", str(tmp_path / "s"), "--json"],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip
    wait_for_log(tmp_path / "s", work)
    work.send_signal(signal.SIGINT)
    out, err = work.communicate(timeout=60)
    assert work.returncode == 1
    assert "Traceback" not in err
    (recording,) = json.loads(out)["recordings"]
    assert recording["complete"] is False
    assert len(rows(tmp_path / "s", "emissions")) == 1


def test_kill_loses_nothing_that_was_committed(tmp_path):
    path = noise(tmp_path, seconds=240.0, tone_hz=31_234.0)
    work = subprocess.Popen([*RUN, "survey", str(path), "--station", str(tmp_path / "s")],
                            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
    wait_for_log(tmp_path / "s", work)
    before = {row["id"] for row in rows(tmp_path / "s", "emissions")}
    os.kill(work.pid, signal.SIGKILL)
    work.wait()
    with Log.open(tmp_path / "s") as log:
        assert log.check() == "ok"
        assert before <= {row["id"] for row in log.emissions()}
    assert before


def wait_for_log(folder, work):
    """Until the survey has committed its first emission."""
    for _ in range(600):
        time.sleep(0.1)
        assert work.poll() is None, "the survey ended too early"
        if (folder / "log.sqlite").exists() and rows(folder, "emissions"):
            return
    raise AssertionError("no emission was committed")


@needs_shared
def test_stored_evidence_stands_when_judged_again(tmp_path):
    survey_file(str(SHARED / "marine162.sigmf-meta"), tmp_path)
    with Log.open(tmp_path) as log:
        verdict = recheck(log, tmp_path, report=lambda done, note: None, stopped=lambda: False)
        count = len(list(log.messages()))
    assert verdict.removed == 0
    assert verdict.same >= 0.95 * count
    for path in (tmp_path / "evidence").rglob("*.sigmf-data"):
        path.unlink()
    with Log.open(tmp_path) as log:
        verdict = recheck(log, tmp_path, report=lambda done, note: None, stopped=lambda: False)
    assert verdict.same == 0


def test_what_is_heard_in_audio_belongs_to_the_emission_heard(tmp_path):
    """A packet in a demodulated recording is one emission with its message, not a second row beside it."""
    rate = 48_000.0
    rng = np.random.default_rng(4)
    item = {"source": "OX1ABC", "text": "!4903.50N/07201.75W-under way"}
    sent = registry()["ax25"].part("synth").transmit(item, rate)
    audio = 0.001 * rng.standard_normal(round(6 * rate))
    at = round(2.5 * rate)
    audio[at : at + len(sent) - 1] += 0.5 * np.angle(sent[1:] * np.conj(sent[:-1]))
    sf.write(tmp_path / "heard.wav", audio.astype(np.float32), round(rate))
    survey_file(str(tmp_path / "heard.wav"), tmp_path / "s", start="2026-05-01T10:00:00Z")
    logged = [row for row in rows(tmp_path / "s", "emissions", artefacts=False) if row["mode"] == "ax25"]
    heard = rows(tmp_path / "s", "messages")
    assert len(logged) == len(heard) == 1
    assert heard[0]["emission_id"] == logged[0]["id"]
    assert 1000 < logged[0]["frequency_hz"] < 2400
    assert heard[0]["evidence_id"]
    with Log.open(tmp_path / "s") as log:
        again = recheck(log, tmp_path / "s", report=lambda done, note: None, stopped=lambda: False)
        assert all(row["audio"] for row in log.evidence() if row["kind"] == "snippet")
    assert heard[0]["id"] not in {item["id"] for item in again.changed}


def test_a_recording_tuned_to_half_its_rate_is_not_taken_for_audio(tmp_path, monkeypatch):
    """The analytic signal of audio has such a centre; which of them evidence is stands in its row."""
    rate = 48_000.0
    rng = np.random.default_rng(4)
    iq = 0.001 * rng.standard_normal(2 * round(3 * rate), np.float32).view(np.complex64)
    item = {"source": "OX1ABC", "text": "!4903.50N/07201.75W-under way"}
    sent = 0.1 * registry()["ax25"].part("synth").transmit(item, rate)
    iq[round(rate) :][: len(sent)] += sent.astype(np.complex64)
    path = write_sigmf(tmp_path / "low", iq, rate_hz=rate, center_hz=rate / 2, epoch_ns=10**18)
    survey_file(str(path), tmp_path / "s")
    assert rows(tmp_path / "s", "messages")
    monkeypatch.setattr("earwitness.station.recheck.audio_of", lambda data: 1 / 0)
    with Log.open(tmp_path / "s") as log:
        recheck(log, tmp_path / "s", report=lambda done, note: None, stopped=lambda: False)
        assert not any(row.get("audio") for row in log.evidence())


def test_audio_holds_nothing_above_half_its_rate(tmp_path):
    """Hum and low speech lie below the first kilohertz, and by the sampling theorem nothing above half the rate."""
    rate = 48_000
    rng = np.random.default_rng(4)
    t = np.arange(3 * rate) / rate
    hum = sum(0.05 * np.sin(2 * np.pi * hz * t) for hz in (60.0, 140.0, 300.0))
    audio = 1e-4 * rng.standard_normal(len(t)) + np.where((t > 0.5) & (t < 2.5), hum, 0)
    sf.write(tmp_path / "hum.wav", audio.astype(np.float32), rate)
    survey_file(tmp_path / "hum.wav", tmp_path / "station")
    with Log.open(tmp_path / "station", create=False) as log:
        told = [row["frequency_hz"] for row in log.emissions()]
    assert told
    assert max(told) < 1000


def test_audio_comes_back_from_its_evidence():
    """The complex samples hold all of the audio (sampling theorem), but for the last hundredth of its band."""
    rate = 48_000.0
    n = np.arange(48_000)
    tones = (
        (0.0, 0.3),
        (30.0, 0.2),
        (200.0, 0.3),
        (450.0, 0.1),
        (1000.0, 0.2),
        (12_000.0, 0.2),
        (23_000.0, 0.1),
    )
    audio = sum(size * np.cos(2 * np.pi * hz * n / rate + hz) for hz, size in tones).astype(np.float32)
    held = SimpleNamespace(
        rate_hz=rate, epoch_ns=0, count=len(audio), read=lambda start, count: audio[start : start + count]
    )
    stream = AnalyticStream(held)
    for first, count in ((0, 24_000), (1000, 2001)):
        back = audio_of(stream.read(first, count))
        assert len(back) == 2 * count
        inside = slice(400, 2 * count - 400)
        assert np.abs(back - audio[2 * first : 2 * (first + count)])[inside].max() < 0.02
