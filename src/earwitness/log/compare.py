"""What changed between two accounts of the same samples."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from typing import Any

from earwitness.core.times import parse_time
from earwitness.log.tables import EMISSION, MESSAGE, Table

TIME_TOLERANCE_NS = 100_000_000
_TOLERANCES = {"frequency_hz": 1.0, "symbol_rate_hz": 0.5}  # below what a reader would call a change

Row = Mapping[str, Any]


def differing(before: Row, after: Row, table: Table = EMISSION) -> list[str]:
    """Give the watched keys whose values differ by more than measuring again explains."""
    return [key for key in table.watched if not _same(key, before.get(key), after.get(key))]


def _same(key: str, a: Any, b: Any) -> bool:
    if a == b:
        return True
    if key in _TOLERANCES and a is not None and b is not None:
        return math.isclose(a, b, abs_tol=_TOLERANCES[key])
    if key == "stop" and a and b:
        return abs(parse_time(a) - parse_time(b)) <= TIME_TOLERANCE_NS // 10
    return False


def compare_rows(before: Iterable[Row], after: Iterable[Row], table: Table) -> dict[str, list[Any]]:
    """Give what was added, gone and changed between two lists of rows of one kind, as the queries give them.

    Rows are the same when their ids are, else when they match: messages by mode, payload and time within
    0.1 s; others by overlap in time and frequency. Used for two surveys, and for evidence surveyed again.
    """
    old, new = {row["id"]: row for row in before}, {row["id"]: row for row in after}
    changed = []
    for row_id in [row_id for row_id in old if row_id in new]:
        a, b = old.pop(row_id), new.pop(row_id)
        keys = differing(a, b, table)
        if keys:
            changed.append({"before": a, "after": b, "keys": keys})
    bins: dict[Any, list[Row]] = {}
    for row in sorted(new.values(), key=_start):
        bins.setdefault(_bin(row, table), []).append(row)
    longest = max((_stop(row) - _start(row) for row in new.values()), default=0) + TIME_TOLERANCE_NS
    for row_id, a in list(old.items()):
        near = bins.get(_bin(a, table), [])
        first = bisect_left(near, _start(a) - longest, key=_start)
        last = bisect_right(near, _stop(a) + TIME_TOLERANCE_NS, key=_start)
        rivals = [b for b in near[first:last] if b["id"] in new and _match(a, b, table)]
        if not rivals:
            continue
        b = min(rivals, key=lambda row: abs(_start(row) - _start(a)))
        del old[row_id], new[b["id"]]
        keys = differing(a, b, table)
        if keys:
            changed.append({"before": a, "after": b, "keys": keys})
    return {"added": list(new.values()), "gone": list(old.values()), "changed": changed}


def _bin(row: Row, table: Table) -> Any:
    return (row["mode"], row["payload_hex"]) if table is MESSAGE else None


def _start(row: Row) -> int:
    return parse_time(row.get("start") or row["time"])


def _stop(row: Row) -> int:
    return parse_time(row["stop"]) if row.get("stop") else _start(row)


def _match(a: Row, b: Row, table: Table) -> bool:
    if table is MESSAGE:
        return abs(_start(a) - _start(b)) <= TIME_TOLERANCE_NS
    width = max(a.get("occupied_bandwidth_hz") or 0.0, b.get("occupied_bandwidth_hz") or 0.0, 100.0)
    if abs(a["frequency_hz"] - b["frequency_hz"]) > width / 2:
        return False
    return _start(a) < parse_time(b["stop"]) and _start(b) < parse_time(a["stop"])
