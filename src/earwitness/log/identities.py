"""Who was heard: what rows say of identities, gathered per batch and merged into the log.

An identity is one kind and one key (an ICAO address, an MMSI, ...): whatever mode names it, it is the same
row. Identities that are one although their keys differ (an address and a registration) are tied by relations,
which carry the rule in words and can be undone by the user. Counts change by differences, see `differences`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from operator import index
from typing import Any, NamedTuple

from earwitness.core.errors import LogError
from earwitness.core.types import IdentityRef
from earwitness.log import ids
from earwitness.log.database import Database
from earwitness.log.tables import clean_number, clean_text

HOUR_NS = 3_600_000_000_000
KEY_LIMIT = 200  # characters of an identity's key or name


class Counted(NamedTuple):
    """What the counts hold of one message in the log."""

    time_ns: int
    mode: str
    identity: str | None
    superseded_by: str | None


@dataclass
class Seen:
    """What one batch says of one identity."""

    kind: str
    key: str
    first_ns: int
    last_ns: int
    names: dict[str, tuple[int, int]] = field(default_factory=dict)
    flags: dict[str, tuple[int, int]] = field(default_factory=dict)
    position: tuple[float, float, int] | None = None


_IDENTIFY = """
INSERT INTO identity (id, kind, key, first_seen_ns, last_seen_ns, message_count, latitude_deg, longitude_deg,
  position_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE SET
  first_seen_ns = CASE WHEN excluded.first_seen_ns < identity.first_seen_ns
    THEN excluded.first_seen_ns ELSE identity.first_seen_ns END,
  last_seen_ns = CASE WHEN excluded.last_seen_ns > identity.last_seen_ns
    THEN excluded.last_seen_ns ELSE identity.last_seen_ns END,
  message_count = identity.message_count + excluded.message_count,
  latitude_deg = CASE WHEN excluded.position_ns >= COALESCE(identity.position_ns, excluded.position_ns)
    THEN excluded.latitude_deg ELSE identity.latitude_deg END,
  longitude_deg = CASE WHEN excluded.position_ns >= COALESCE(identity.position_ns, excluded.position_ns)
    THEN excluded.longitude_deg ELSE identity.longitude_deg END,
  position_ns = CASE WHEN excluded.position_ns >= COALESCE(identity.position_ns, excluded.position_ns)
    THEN excluded.position_ns ELSE identity.position_ns END
"""
_COUNT_HOURLY = """
INSERT INTO hourly (hour_ns, mode, identity, messages) VALUES (?, ?, ?, ?)
ON CONFLICT (hour_ns, mode, identity) DO UPDATE SET messages = hourly.messages + excluded.messages
"""
_SPAN = """
INSERT INTO {table} (identity, {column}, first_seen_ns, last_seen_ns) VALUES (?, ?, ?, ?)
ON CONFLICT (identity, {column}) DO UPDATE SET
  first_seen_ns = CASE WHEN excluded.first_seen_ns < {table}.first_seen_ns
    THEN excluded.first_seen_ns ELSE {table}.first_seen_ns END,
  last_seen_ns = CASE WHEN excluded.last_seen_ns > {table}.last_seen_ns
    THEN excluded.last_seen_ns ELSE {table}.last_seen_ns END
"""
MENTION = "INSERT INTO mention (row_id, identity, time_ns) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
RELATE = """
INSERT INTO relation (id, a, b, relation, rule, first_ns, last_ns, message_id, undone)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, 0)
ON CONFLICT (id) DO UPDATE SET
  last_ns = CASE WHEN excluded.last_ns > relation.last_ns THEN excluded.last_ns ELSE relation.last_ns END,
  first_ns = CASE WHEN excluded.first_ns < relation.first_ns THEN excluded.first_ns ELSE relation.first_ns END
"""


def differences(
    messages: Mapping[str, Mapping[str, Any]], counted: Mapping[str, Counted]
) -> tuple[Counter[tuple[int, str, str]], Counter[str]]:
    """Give how the hourly roll-up and the identities' counts change when `messages` replace `counted`."""
    hourly: Counter[tuple[int, str, str]] = Counter()
    counts: Counter[str] = Counter()
    for at_ns, mode, who, superseded in counted.values():
        if not superseded:
            hourly[_hour(at_ns), mode, who or ""] -= 1
            if who:
                counts[who] -= 1
    for row in messages.values():
        who = row.get("identity")
        hourly[_hour(index(row["time_ns"])), clean_text(row["mode"]) or "", who or ""] += 1
        if who:
            counts[who] += 1
    return hourly, counts


def _hour(at_ns: int) -> int:
    return at_ns - at_ns % HOUR_NS


def meet(row: dict[str, Any], seen: dict[str, Seen], mentions: list[tuple[str, str, int]]) -> None:
    """Turn the identities a row points at into ids, and note what it says of them."""
    try:
        at_ns = index(row["time_ns"] if "time_ns" in row else row["start_ns"])
    except (KeyError, TypeError) as error:
        raise LogError(f"row {row['id']} has no time") from error
    place = _place(row.get("latitude_deg"), row.get("longitude_deg"))
    row["latitude_deg"], row["longitude_deg"] = place or (None, None)
    flags = row.get("flags") or ()
    heard = "time_ns" not in row  # an over is a mention, not a message
    in_need = _in_need(row)
    for key, mentioned in (("identity", heard), ("talkgroup", True)):
        who = row.get(key)
        if isinstance(who, IdentityRef):
            row[key] = who = _see(who, at_ns, seen, () if mentioned or in_need else flags)
        if who and mentioned and str(who).startswith("i-"):
            mentions.append((row["id"], who, at_ns))
    for ref in row.get("related") or ():
        other = ref
        if isinstance(ref, IdentityRef):
            other = _see(ref, at_ns, seen, flags if ref.key == in_need else ())
        if other != row.get("identity"):
            mentions.append((row["id"], other, at_ns))


def _in_need(row: Mapping[str, Any]) -> str | None:
    """Give the key of somebody else whom a message's flags are about: a station that answers or relays is not in distress."""
    fields, who = row.get("fields"), row.get("identity")
    named = str(fields.get("distress_id") or "") if isinstance(fields, Mapping) else ""
    keys = {ref.key for ref in row.get("related") or () if isinstance(ref, IdentityRef)}
    own = who.key if isinstance(who, IdentityRef) else None
    return named if named in keys and named != own else None


@lru_cache(65_536)
def _name(kind: str, key: str) -> tuple[str, str, str]:
    """Give the id of an identity, and its kind and key as the log keeps them."""
    kind, key = clean_text(kind, KEY_LIMIT) or "", clean_text(key, KEY_LIMIT) or ""
    return ids.identity_id(kind, key), kind, key


def id_of(ref: IdentityRef) -> str:
    """Give the id under which the log keeps whom a pointer names."""
    return _name(ref.kind, ref.key)[0]


def _see(ref: IdentityRef, at_ns: int, seen: dict[str, Seen], flags: Iterable[str] = ()) -> str:
    who, kind, key = _name(ref.kind, ref.key)
    item = seen.get(who)
    if item is None:
        item = seen[who] = Seen(kind, key, at_ns, at_ns)
    item.first_ns, item.last_ns = min(item.first_ns, at_ns), max(item.last_ns, at_ns)
    for texts, spans in ((ref.names, item.names), (flags, item.flags)):
        for given in texts:
            text = clean_text(given, KEY_LIMIT)
            if text:
                first, last = spans.get(text, (at_ns, at_ns))
                spans[text] = (min(first, at_ns), max(last, at_ns))
    place = _place(ref.latitude_deg, ref.longitude_deg)
    if place and (item.position is None or at_ns >= item.position[2]):
        item.position = (*place, at_ns)
    return who


def _place(latitude_deg: object, longitude_deg: object) -> tuple[float, float] | None:
    """Give a position that exists on the globe, or None."""
    latitude, longitude = clean_number(latitude_deg), clean_number(longitude_deg)
    if latitude is None or longitude is None or abs(latitude) > 90 or abs(longitude) > 180:
        return None
    return latitude, longitude


def relation_values(row: Mapping[str, Any], seen: dict[str, Seen]) -> tuple[Any, ...]:
    """Give the values that RELATE takes for one row of `Batch.relations`."""
    try:
        at_ns = int(row["time_ns"])
        a, b = (
            _see(who, at_ns, seen) if isinstance(who, IdentityRef) else str(who)
            for who in (row["a"], row["b"])
        )
        kind, rule = clean_text(row["relation"], KEY_LIMIT), clean_text(row["rule"])
    except (KeyError, TypeError, ValueError) as error:
        raise LogError(f"a relation needs a, b, relation, rule and time_ns: {error!r}") from error
    return (ids.make_id("j", a, b, kind, rule), a, b, kind, rule, at_ns, at_ns, row.get("message_id"))


def write_identities(
    database: Database,
    seen: Mapping[str, Seen],
    hourly: Mapping[tuple[int, str, str], int],
    counts: Counter[str],
) -> None:
    """Merge what a batch says of identities into the log, and apply the differences of the counts."""
    rows = []
    for who, item in seen.items():
        position = item.position or (None, None, None)
        rows.append((who, item.kind, item.key, item.first_ns, item.last_ns, counts.pop(who, 0), *position))
    if rows:
        database.many(_IDENTIFY, rows)
    left = [(count, who) for who, count in counts.items() if count]
    if left:
        database.many("UPDATE identity SET message_count = message_count + ? WHERE id = ?", left)
    changed = [(*key, count) for key, count in hourly.items() if count]
    if changed:
        database.many(_COUNT_HOURLY, changed)
    for table, column, what in (("identity_name", "name", "names"), ("identity_flag", "flag", "flags")):
        lines = [
            (who, text, *span) for who, item in seen.items() for text, span in getattr(item, what).items()
        ]
        if lines:
            database.many(_SPAN.format(table=table, column=column), lines)
