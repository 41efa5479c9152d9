"""Designators of airlines: the shape of the table, and pairs that are common knowledge (from memory, no source)."""

import re

from earwitness.payloads.airlines import ICAO_OF_IATA, icao_designator


def test_table():
    assert len(ICAO_OF_IATA) > 150
    assert len(set(ICAO_OF_IATA.values())) == len(ICAO_OF_IATA), "one airline, one pair"
    assert all(re.fullmatch(r"[A-Z][A-Z0-9]|[0-9][A-Z]", two) for two in ICAO_OF_IATA)
    assert all(re.fullmatch(r"[A-Z]{3}", three) for three in ICAO_OF_IATA.values())


def test_pairs():
    pairs = {
        "LH": "DLH",
        "BA": "BAW",
        "AF": "AFR",
        "KL": "KLM",
        "UA": "UAL",
        "QF": "QFA",
        "FR": "RYR",
        "EK": "UAE",
    }
    assert {two: icao_designator(two) for two in pairs} == pairs
    assert (icao_designator("DLH"), icao_designator("QM")) == ("DLH", "QM")
