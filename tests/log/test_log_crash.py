"""kill -9 at any moment: what was reported as logged is there, whole, and so is its evidence."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Log

WRITER = """
import sys
from pathlib import Path
from earwitness.core.types import IdentityRef
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Batch, Log
folder, first = Path(sys.argv[1]), int(sys.argv[2])
with Log.open(folder) as log:
    store = EvidenceStore(log, folder, 60_000, orphan_age_s=0)
    recording = log.begin_recording({"content_id": "c", "start_ns": 0})
    print("ready", flush=True)
    for number in range(first, 10**9):
        row = {"recording": recording, "time_ns": number * 10**6, "mode": "m", "check": "pass",
               "payload_hex": f"{number:08X}", "payload_bits": 32, "id": f"m-{number}",
               "identity": IdentityRef("vessel", str(number % 7))}
        kept = store.add_picture(recording, row["id"], b"x" * 508)
        batch = Batch(messages=[{**row, "evidence_id": kept["id"]}], evidence=[kept])
        store.secure()
        done = log.write(batch)
        store.settle()
        print(*done, flush=True)
"""


@pytest.mark.parametrize("seed", range(3))
def test_kill_loses_nothing_that_was_reported(tmp_path, seed):
    dice = random.Random(seed)
    reported = []
    for turn in range(2):
        command = [sys.executable, "-c", WRITER, str(tmp_path), str(turn * 10**6)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout.readline().strip() == "ready"
            time.sleep(dice.uniform(0.05, 0.5))
            os.kill(writer.pid, signal.SIGKILL)
            lines = writer.stdout.read().splitlines(keepends=True)
        reported += [word for line in lines if line.endswith("\n") for word in line.split()]
    assert len(reported) > 20
    with Log.open(tmp_path, create=False) as log:
        assert log.check() == "ok"
        there = {row["id"] for row in log.messages()} | {row["id"] for row in log.evidence()}
        assert set(reported) <= there
        assert sum(row["message_count"] for row in log.identities()) == log.summary()["messages"]
        assert sum(row["message_count"] for row in log.hourly()) == log.summary()["messages"]
        EvidenceStore(log, tmp_path, 60_000, orphan_age_s=0)
        named = {tmp_path / row["path"] for row in log.evidence() if row["removed"] is None}
        found = {path for path in Path(tmp_path, "evidence").rglob("*") if path.is_file()}
        assert found == named
