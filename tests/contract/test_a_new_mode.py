"""CONTRIBUTING's word that a mode is one folder and nothing else: a folder that appears is a mode that works."""

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

import earwitness.modes
from earwitness.core.mode import get_mode, registry
from earwitness.log.store import Log
from earwitness.sources.write import write_sigmf
from earwitness.station.run import survey_file
from earwitness.view.gather import gather
from earwitness.view.report import render

TEXT = "CQ CQ DE OX1ABC"


@pytest.fixture
def newcomer(tmp_path, monkeypatch):
    """A copy of a mode under another name, beside the modes that are installed."""
    home = Path(earwitness.modes.__path__[0])
    shutil.copytree(home / "morse", tmp_path / "modes" / "newcomer")
    spec = tmp_path / "modes" / "newcomer" / "spec.py"
    facts = spec.read_text("utf-8").replace('"morse"', '"newcomer"')
    spec.write_text(re.sub(r'title="[^"]*"', 'title="A newcomer"', facts), "utf-8")
    monkeypatch.setattr(earwitness.modes, "__path__", [*earwitness.modes.__path__, str(tmp_path / "modes")])
    registry.cache_clear()
    yield get_mode("newcomer")
    registry.cache_clear()


def test_a_folder_is_a_mode(newcomer, tmp_path):
    rate = 48_000.0
    rng = np.random.default_rng(3)
    sent = newcomer.part("synth").transmit({"text": TEXT, "words_per_minute": 25}, rate)
    x = 0.01 * (rng.standard_normal(len(sent) + 96_000) + 1j * rng.standard_normal(len(sent) + 96_000))
    x[48_000 : 48_000 + len(sent)] += 0.05 * sent * np.exp(2j * np.pi * 5000 / rate * np.arange(len(sent)))
    path = write_sigmf(
        tmp_path / "keyed", x.astype(np.complex64), rate_hz=rate, center_hz=7.02e6, epoch_ns=10**18
    )
    survey_file(str(path), tmp_path / "station")
    with Log.open(tmp_path / "station", create=False) as log:
        said = [row["fields"]["text"] for row in log.messages(mode="newcomer")]
        page = render(gather(log, tmp_path / "station"))
    assert said == [TEXT]
    assert "A newcomer" in page
