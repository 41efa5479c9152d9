"""Evidence of short frames is packed; how often the log is written must not decide what a pack is."""

import json
import math

import numpy as np

from earwitness.core.types import Bits
from earwitness.log.store import Log
from earwitness.modes.mode_s import parity, synth
from earwitness.sources import open_source
from earwitness.sources.write import write_sigmf
from earwitness.station import log_keeper
from earwitness.station.run import survey_file

RATE_HZ = 2.4e6


def test_a_second_survey_adds_no_evidence(tmp_path, monkeypatch):
    rng = np.random.default_rng(6)
    x = 1e-3 * rng.standard_normal((int(RATE_HZ), 2), np.float32).view(np.complex64)[:, 0]
    for n in range(30):
        value = 17 << 107 | 5 << 104 | (0x4B1A00 + n % 3) << 80 | (4 << 51 | n) << 24
        wave = synth.burst(Bits(parity.seal(value, 112), 112), RATE_HZ)
        at = math.floor((0.1 + n * 0.028) * RATE_HZ)
        x[at : at + len(wave)] += 0.1 * wave
    path = write_sigmf(tmp_path / "squitters", x, rate_hz=RATE_HZ, center_hz=1090e6, epoch_ns=10**18)
    seen = []
    for commit_s in (0.0, 100.0):
        monkeypatch.setattr(log_keeper, "COMMIT_S", commit_s)
        survey_file(str(path), tmp_path / "s", again=True)
        with Log.open(tmp_path / "s") as log:
            seen.append({row["id"] for row in log.evidence(superseded=True)})
            messages = list(log.messages())
            packs = {row["id"]: row["path"] for row in log.evidence() if row["kind"] == "snippet"}
    assert seen[0] == seen[1]
    assert len(messages) == 30
    for pack in {row["evidence_id"] for row in messages}:
        held = [row for row in messages if row["evidence_id"] == pack]
        source = open_source(tmp_path / "s" / packs[pack])
        captures = json.loads((tmp_path / "s" / packs[pack]).read_text())["captures"]
        assert len(captures) == len(held)
        assert source.facts["sha512"] == "checked"
