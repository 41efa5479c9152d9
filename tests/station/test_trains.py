"""Trains of bursts: what a row claims of several stations on one channel."""

import numpy as np
import pytest

from earwitness.core.types import Detection, Identification
from earwitness.station.trains import Burst, Ledger, is_heard_twice


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


@pytest.mark.parametrize(("seconds", "rows"), [(0.35, 1), (0.8, 4)])
def test_packets_on_fm_are_a_train_and_overs_are_not(seconds, rows):
    ledger = Ledger(frozenset({"fm"}))
    for n in range(4):
        start_ns = n * 2_000_000_000
        packet = Burst(
            start_ns, start_ns + round(seconds * 1e9), 144.8e6, 9_000.0, -30.0, 15.0, mode="fm",
            identification=Identification("fm", "nfm", 0.9, ("constant envelope",), None),
        )  # fmt: skip
        ledger.place(packet)
    assert ledger.count == rows


@pytest.mark.parametrize(
    ("start", "stop", "offset_hz", "twice"),
    [(300, 400, 0, True), (300, 400, 90e3, False), (50, 400, 0, False), (300, 2000, 0, False)],
)
def test_a_pulse_within_something_that_goes_on_is_heard_twice(start, stop, offset_hz, twice):
    def detection(number, begin, end, center_hz):
        return Detection(
            number=number, start=begin, stop=end, low_hz=center_hz - 1e5, high_hz=center_hz + 1e5,
            center_hz=center_hz, level_dbfs=-40.0, noise_dbfs_hz=-100.0, snr_db=10.0, open=False,
        )  # fmt: skip

    carrier = detection(1, 100, 1000, 945e6)
    assert is_heard_twice(detection(2, start, stop, 945e6 + offset_hz), [carrier]) is twice
    assert not is_heard_twice(carrier, [carrier])


def test_a_first_slot_is_part_of_the_slots_that_follow_without_a_gap():
    """Two slots of 27.5 ms, 2.5 ms guard time (ETSI TS 102 361-1): the first is told before the rest is known."""
    ledger = Ledger(frozenset())
    first = ledger.place(Burst(0, 27_500_000, 439.85e6, 7.4e3, -40.0, 20.0))
    rest = ledger.place(Burst(30_000_000, 5_000_000_000, 439.85e6, 7.6e3, -40.2, 20.0))
    assert rest is first
    assert (rest.start_ns, rest.stop_ns, rest.train) == (0, 5_000_000_000, False)
    later = ledger.place(Burst(5_500_000_000, 9_000_000_000, 439.85e6, 7.6e3, -40.2, 20.0))
    assert later is not rest
