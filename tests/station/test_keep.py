"""From results to rows: what is logged when the disk fails."""

import errno
import os

import numpy as np

from earwitness.core.types import Samples
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Log
from earwitness.station.log_keeper import LogKeeper
from earwitness.station.trains import Burst, Ledger


def test_evidence_that_is_lost_costs_no_row(tmp_path, monkeypatch):
    with Log.open(tmp_path) as log:
        recording = log.begin_recording({"content_id": "c", "start_ns": 0})
        store = EvidenceStore(log, tmp_path, 10**7)
        keeper = LogKeeper(log, store, recording)
        ledger = Ledger(frozenset())

        def fails(path):
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        for n, center_hz in enumerate((145.0e6, 145.5e6)):
            record = ledger.place(Burst(n * 10**9, n * 10**9 + 10**8, center_hz, 9e3, -30.0, 20.0))
            if n:
                monkeypatch.setattr("earwitness.log.evidence._flush", fails)
            keeper.snippet(record, Samples(np.ones(1000, np.complex64), 48e3, center_hz, 0, 0))
            keeper.emission(record, final=True)
            keeper.commit(2 * 10**9, now=True)
        first, second = sorted(log.emissions(), key=lambda row: row["start"])
        assert first["evidence_id"] is not None
        assert second["evidence_id"] is None
        assert [row["id"] for row in log.evidence()] == [first["evidence_id"]]
        assert "Input/output error" in store.warnings[0]
