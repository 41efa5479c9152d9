"""How a row looks outside the database: its keys, their order, and the value of each in both directions.

One declaration per table drives the insert, the select and every export. Everything decoded is hostile:
text is bounded and freed of what no database takes, figures that are not finite become None.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from earwitness.core.errors import LogError
from earwitness.core.times import format_time

TEXT_LIMIT = 4_000  # characters of a plain text column
JSON_STRING_LIMIT = 65_536  # characters of one string inside a JSON column
JSON_LIMIT = 1_048_576  # characters of a whole JSON column
HEX_LIMIT = 1_048_576
_INT_LIMIT = (1 << 63) - 1
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")


def clean_text(value: object, limit: int = TEXT_LIMIT) -> str | None:
    """Give text that every database takes: NUL and lone surrogates replaced, length bounded; None stays."""
    if value is None:
        return None
    text = value if isinstance(value, str) else str(value)
    if len(text) > limit:
        text = text[: limit - 1] + "\u2026"
    if text.isascii() and "\0" not in text:
        return text
    return _LONE_SURROGATE.sub("\ufffd", text.replace("\0", "\ufffd"))


def _hex(value: object) -> str | None:
    return clean_text(value, HEX_LIMIT)


def clean_number(value: object) -> float | None:
    """Give a finite float or None."""
    if value is None:
        return None
    number = float(value)  # type: ignore[arg-type]
    return number if math.isfinite(number) else None


def _int(value: object) -> int | None:
    return None if value is None else max(-_INT_LIMIT, min(int(value), _INT_LIMIT))  # type: ignore[call-overload]


def _flag(value: object) -> int | None:
    return None if value is None else int(bool(value))


def _tame(value: Any, depth: int = 0) -> Any:
    if isinstance(value, str):
        if len(value) > JSON_STRING_LIMIT:
            value = value[: JSON_STRING_LIMIT - 1] + "\u2026"
        return value if value.isascii() else _LONE_SURROGATE.sub("\ufffd", value)
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if depth > 32:
        return None
    if isinstance(value, Mapping):
        return {_tame(str(key)): _tame(item, depth + 1) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_tame(item, depth + 1) for item in value]
    if isinstance(value, bytes | bytearray):
        return value.hex().upper()
    if hasattr(value, "tolist"):  # a numpy scalar or array, without importing numpy to know
        return _tame(value.tolist(), depth + 1)
    return str(value)[:TEXT_LIMIT]


_encode = json.JSONEncoder(allow_nan=False, separators=(",", ":"), check_circular=False).encode
_decode = json.JSONDecoder().decode


def to_json(value: Any) -> str:
    """Give bounded ASCII JSON text of any value; what is not finite becomes null."""
    try:
        text = _encode(value)
        if len(text) <= JSON_STRING_LIMIT and "\\ud" not in text:
            return text
    except (TypeError, ValueError, RecursionError):
        pass  # not plain JSON: made so below
    text = _encode(_tame(value))
    if len(text) > JSON_LIMIT:
        return _encode({"cut": f"{len(text)} characters were too many to keep"})
    return text


def _from_json(text: str) -> Any:
    return [] if text == "[]" else _decode(text)


class Column(NamedTuple):
    """One value of a row: its key outside, its kind, its name in the database."""

    key: str
    kind: str  # text hex real int flag time json
    column: str
    required: bool = False
    default: Any = None
    shown: str | None = None  # what is selected instead of the plain column
    stored: bool = True  # False: only shown


_IN: dict[str, Callable[[Any], Any]] = {
    "text": clean_text,
    "hex": _hex,
    "real": clean_number,
    "int": _int,
    "flag": _flag,
    "time": _int,
    "json": to_json,
}
_OUT: dict[str, Callable[[Any], Any]] = {"flag": bool, "time": format_time, "json": _from_json}


def _column(spec: str, **facts: Any) -> Column:
    """Read "key:kind"; `!` at the end marks a required one, text where no kind stands."""
    key, _, kind = spec.rstrip("!").partition(":")
    facts.setdefault("column", f"{key}_ns" if kind == "time" else key)
    return Column(key, kind or "text", required=spec.endswith("!"), **facts)


@dataclass(frozen=True)
class Table:
    """The keys of one kind of row in the order of its export; `extra` takes whatever else a row holds."""

    name: str  # in the database
    what: str  # for people and commands
    columns: tuple[Column, ...]
    order: str  # the column rows are sorted by
    watched: tuple[str, ...] = ()  # keys whose change between two surveys is worth a word

    @property
    def keys(self) -> tuple[str, ...]:
        """Every key of a row, in order."""
        return tuple(item.key for item in self.columns)

    @cached_property
    def _stored(self) -> tuple[Column, ...]:
        return tuple(item for item in self.columns if item.stored)

    @cached_property
    def _known(self) -> frozenset[str]:
        return frozenset({"related", *self.keys, *(item.column for item in self.columns)})

    @cached_property
    def _plan(self) -> tuple[tuple[str, str, Callable[[Any], Any], Any, bool], ...]:
        """Where each stored value is looked for (a time by its column's name only) and what is done to it."""
        return tuple(
            (
                item.column,
                item.column if item.kind == "time" else item.key,
                _IN[item.kind],
                None if item.default is None else _IN[item.kind](item.default),
                item.required,
            )
            for item in self._stored
        )

    def values(self, row: Mapping[str, Any], survey: str) -> tuple[Any, ...]:
        """Give the database values of a row; LogError when a required one is missing or of no use."""
        out: list[Any] = []
        get = row.get
        for column, key, convert, default, required in self._plan:
            value = get(key)
            if value is None and key != column:
                value = get(column)
            if value is None:
                value = default
            else:
                try:
                    value = convert(value)
                except (TypeError, ValueError, OverflowError) as error:
                    raise LogError(f"{self.what} {get('id')}: {column} {value!r:.80}: {error}") from error
            if value is None and required:
                raise LogError(f"{self.what} {get('id')} has no {column}")
            out.append(value)
        rest = row.keys() - self._known
        out += (survey, survey, to_json({key: row[key] for key in sorted(rest)}) if rest else "{}")
        return tuple(out)

    @cached_property
    def upsert(self) -> str:
        """The statement that adds a row or brings the one of the same id up to date."""
        names = [*(item.column for item in self._stored), "survey", "first_survey", "extra"]
        kept = ("id", "recording", "first_survey", "evidence_id")
        sets = [f"{name} = excluded.{name}" for name in names if name not in kept]
        if "evidence_id" in names:  # evidence that could not be stored again is still evidence
            sets.append(f"evidence_id = COALESCE(excluded.evidence_id, {self.name}.evidence_id)")
        return (
            f"INSERT INTO {self.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))}) "  # noqa: S608
            f"ON CONFLICT (id) DO UPDATE SET {', '.join(sets)}, superseded_by = NULL"
        )

    @cached_property
    def select(self) -> str:
        """`SELECT ... FROM this table t`, giving what `row` reads."""
        names = [item.shown or f"t.{item.column}" for item in self.columns]
        return f"SELECT {', '.join(names)}, t.superseded_by, t.extra, t.survey FROM {self.name} t"  # noqa: S608

    @cached_property
    def _shape(self) -> tuple[tuple[str, Callable[[Any], Any] | None], ...]:
        return tuple((item.key, _OUT.get(item.kind)) for item in self.columns)

    def row(self, values: tuple[Any, ...]) -> dict[str, Any]:
        """Give the row as it is shown and exported: every key, None where not known, then the extras."""
        out: dict[str, Any] = {}
        try:
            for (key, decode), value in zip(self._shape, values, strict=False):
                out[key] = value if value is None or decode is None else decode(value)
            out["superseded_by"], extra, _ = values[len(self.columns) :]
            if extra != "{}":
                for key, value in _from_json(extra).items():
                    out.setdefault(key, value)
        except (ValueError, TypeError, OverflowError, AttributeError) as error:
            raise LogError(f"the log is damaged: {self.what} {values[0]!r:.60} cannot be read") from error
        return out


EMISSION = Table(
    "emission",
    "emissions",
    (
        _column("id!"),
        _column("start:time!"),
        _column("stop:time!"),
        _column("frequency_hz:real!"),
        _column("frequency_uncertainty_hz:real"),
        _column("occupied_bandwidth_hz:real"),
        _column("level_dbfs:real"),
        _column("snr_db:real"),
        _column("class!", default="unknown"),
        _column("designator"),
        _column("symbol_rate_hz:real"),
        _column("deviation_hz:real"),
        _column("mode"),
        _column("confidence:real"),
        _column("reasons:json!", default=()),
        _column("artefact"),
        _column("label", shown="COALESCE((SELECT MIN(l.text) FROM label l WHERE l.target = t.id), t.label)"),
        _column("evidence_id"),
        _column("burst_count:int"),
        _column("duty:real"),
        _column("recording!"),
    ),
    "start_ns",
    ("class", "mode", "designator", "artefact", "frequency_hz", "symbol_rate_hz", "stop"),
)
MESSAGE = Table(
    "message",
    "messages",
    (
        _column("id!"),
        _column("time:time!"),
        _column("frequency_hz:real"),
        _column("mode!"),
        _column("payload_hex:hex!", default=""),
        _column("payload_bits:int!", default=0),
        _column("check!", column="check_result"),
        _column("corrected_bits:int!", default=0),
        _column("snr_db:real"),
        _column("kind!", default="unknown"),
        _column("fields:json!", default={}),
        _column("identity"),
        _column("emission_id"),
        _column("evidence_id"),
        _column("flags:json!", default=()),
        _column("stop:time"),
        _column("check_name"),
        _column("level_dbfs:real"),
        _column("latitude_deg:real"),
        _column("longitude_deg:real"),
        _column("recording!"),
    ),
    "time_ns",
    ("kind", "check", "fields", "identity"),
)
OVER = Table(
    "voice_over",
    "overs",
    (
        _column("id!"),
        _column("start:time!"),
        _column("stop:time!"),
        _column("frequency_hz:real!"),
        _column("class!"),
        _column("tone:json"),
        _column(
            "audio_path",
            shown="(SELECT x.path FROM evidence x WHERE x.id = t.evidence_id AND x.kind = 'audio'"
            " AND x.removed_ns IS NULL)",
            stored=False,
        ),
        _column("emission_id"),
        _column("identity"),
        _column("talkgroup"),
        _column("encrypted:flag"),
        _column("mode!"),
        _column("snr_db:real"),
        _column("evidence_id"),
        _column("recording!"),
    ),
    "start_ns",
    ("class", "tone", "identity", "talkgroup", "encrypted", "stop"),
)
PICTURE = Table(
    "picture",
    "pictures",
    (
        _column("id!"),
        _column("start:time!"),
        _column("stop:time!"),
        _column("frequency_hz:real!"),
        _column("mode!"),
        _column("width:int"),
        _column("height:int"),
        _column("emission_id"),
        _column("evidence_id"),
        _column("recording!"),
    ),
    "start_ns",
    ("width", "height", "stop"),
)
OCCUPANCY = Table(
    "occupancy",
    "occupancy",
    (
        _column("id!"),
        _column("start:time!"),
        _column("stop:time!"),
        _column("frequency_hz:real!"),
        _column("bandwidth_hz:real"),
        _column("samples:int!"),
        _column("occupied:int!"),
        _column("inflation:real"),
        _column("threshold_db:real"),
        _column("label"),
        _column("recording!"),
    ),
    "start_ns",
)
EVIDENCE = Table(
    "evidence",
    "evidence",
    (
        _column("id!"),
        _column("kind!"),
        _column("subject"),
        _column("path!"),
        _column("bytes:int!"),
        _column("start:time"),
        _column("stop:time"),
        _column("frequency_hz:real"),
        _column("snr_db:real"),
        _column("identity"),
        _column("channel"),
        _column("keep:int!", default=0),
        _column("stored:time!"),
        _column("removed:time"),
        _column("removed_reason"),
        _column("recording!"),
    ),
    "stored_ns",
)
TABLES = {table.what: table for table in (EMISSION, MESSAGE, OVER, PICTURE, OCCUPANCY, EVIDENCE)}
