"""Trains of bursts: what a row claims of several stations on one channel."""

import numpy as np
import pytest

from earwitness.station.trains import Burst, Ledger


def burst(n, center_hz, snr_db=20.0):
    start_ns = n * 500_000_000
    return Burst(start_ns, start_ns + 30_000_000, center_hz, 9_000.0, -30.0, snr_db, mode="ais", data=True)


@pytest.mark.parametrize("snr_db", [(20.0, 20.0, 20.0, 20.0), (5.0, 25.0, 14.0, 9.0)])
def test_uncertainty_of_a_train_holds_its_stations(snr_db):
    """Root mean square distance from the stated centre, by its definition (numpy)."""
    centers = np.array([161.9750e6, 161.9757e6, 161.9742e6, 161.9755e6])
    ledger = Ledger(frozenset())
    for n, (hz, snr) in enumerate(zip(centers, snr_db, strict=True)):
        record = ledger.place(burst(n, hz, snr))
    assert record.burst_count == 4
    assert record.spread_hz == pytest.approx(np.sqrt(np.mean((centers - record.center_hz) ** 2)), abs=0.01)


def test_one_burst_has_no_spread():
    assert Ledger(frozenset()).place(burst(0, 161.975e6)).spread_hz == 0.0
