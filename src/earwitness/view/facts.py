"""What a row holds as terms and words: figures with their unit and uncertainty, the rest as it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from earwitness.view.words import (
    clock,
    decibels,
    frequency,
    moment,
    number,
    percent,
    plain,
    plus_minus,
    squelch_tone,
    symbol_rate,
    width,
)

_UNITS = (
    ("_dbfs_hz", "dBFS/Hz"),
    ("_dbfs", "dBFS"),
    ("_db", "dB"),
    ("_pct", "%"),
    ("_deg", "°"),
    ("_ft", "ft"),
    ("_kn", "kn"),
    ("_fpm", "ft/min"),
    ("_ft_min", "ft/min"),
    ("_deg_min", "°/min"),
    ("_deg_s", "°/s"),
    ("_min", "min"),
    ("_ms", "ms"),
    ("_s", "s"),
    ("_nm", "NM"),
    ("_m", "m"),
    ("_hpa", "hPa"),
    ("_khz", "kHz"),
    ("_mhz", "MHz"),
    ("_mph", "mi/h"),
    ("_in", "in"),
    ("_w", "W"),
    ("_c", "°C"),
    ("_ppm", "ppm"),
)
_DAY_NS = 86_400_000_000_000
_SHARES = ("confidence", "duty", "lines_with_sync", "packets_of_whole")
_TERMS = {"ioc": "index of co-operation", "ioc_from": "index from"}
_NO_UNIT = {"nic_supplement_c"}
_FIRST = (
    "id",
    "kind",
    "key",
    "names",
    "time",
    "start",
    "stop",
    "frequency_hz",
    "occupied_bandwidth_hz",
    "class",
    "designator",
    "mode",
    "confidence",
    "reasons",
    "artefact",
    "snr_db",
    "level_dbfs",
)
_HIDDEN = {"recording", "superseded_by", "evidence_id", "emission_id", "fields", "methods", "extra"}


def facts_of(row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Give what a row tells as (term, words) pairs, the figures with unit and uncertainty."""
    fields = row.get("fields")
    within = fields if isinstance(fields, Mapping) else {}
    keys = [key for key in _FIRST if key in row] + [key for key in row if key not in _FIRST]
    for key in keys[:120]:
        value = row[key]
        if key in _HIDDEN or key.endswith(("_uncertainty_hz", "_uncertainty_db", "_uncertainty_pct")):
            continue
        if value is None or value in ("", [], {}) or within.get(key) == value:
            continue
        yield _said(str(key), value, row)
    for key, value in list(within.items())[:120]:
        if value is not None:
            yield _said(str(key), value, within)
    methods = row.get("methods")
    if isinstance(methods, Mapping):
        for key, value in list(methods.items())[:40]:
            yield f"how: {plain(key, limit=40).replace('_', ' ')}", plain(value)


def _said(key: str, value: Any, row: Mapping[str, Any]) -> tuple[str, str]:
    figure = number(value)
    spread = row.get(f"{key.rsplit('_', 1)[0]}_uncertainty_{key.rsplit('_', 1)[-1]}")
    term = _TERMS.get(key) or plain(key, limit=40)
    if (
        key in ("start", "stop", "time", "first_seen", "last_seen", "position_time")
        and moment(value) is not None
    ):
        return term.replace("_", " "), f"{clock(value, date=True, digits=6)} UTC"
    if key == "reasons" and isinstance(value, list | tuple):
        return term, "; ".join(plain(why, limit=160) for why in value[:12])
    if key == "xdb" and figure is not None:
        return "x-dB level", f"{figure:g} dB"
    if key == "tone":
        return term, squelch_tone(value) or plain(value)
    if figure is None:
        return term.replace("_", " "), plain(value)
    if key == "symbol_rate_hz":
        return "symbol rate", symbol_rate(figure, spread) or plain(value)
    if key in _SHARES:
        return term.replace("_", " "), percent(min(max(figure, 0.0), 1.0))
    if key.endswith("_dbfs_hz"):
        return term.removesuffix("_dbfs_hz").replace("_", " "), decibels(figure, "dBFS/Hz")
    if key.endswith("_hz"):
        name = term.removesuffix("_hz").replace("_", " ")
        shown = frequency(figure, spread) if key in ("frequency_hz", "carrier_hz") else width(figure)
        return name, f"{shown} {plus_minus(spread, 'Hz')}".strip()
    if key.endswith("_time_of_day_ms"):
        return term.removesuffix("_ms").replace("_", " "), clock(round(figure * 1e6) % _DAY_NS)
    for ending, unit in _UNITS:
        if key.endswith(ending) and key not in _NO_UNIT:
            shown = decibels(figure, unit) if unit.startswith("dB") else f"{plain(value)} {unit}"
            return term.removesuffix(ending).replace("_", " "), f"{shown} {plus_minus(spread, unit)}".strip()
    return term.replace("_", " "), plain(value)
