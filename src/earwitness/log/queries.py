"""The named queries: what the command line, the report and the page ask of the log, as rows of plain values.

Every row has the keys of its table (see `tables`), None where a value is not known, and streams out of the
database one by one, so that an export of millions needs no memory. Nothing here writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any

from earwitness.core.errors import ParameterError
from earwitness.core.times import format_time
from earwitness.log import ids
from earwitness.log.compare import compare_rows, differing
from earwitness.log.database import Database
from earwitness.log.interval import wilson
from earwitness.log.tables import EMISSION, EVIDENCE, MESSAGE, OCCUPANCY, OVER, PICTURE, TABLES, Table

AT_ONCE = 500  # ids in one IN (...)
NAMES_SHOWN = 16

RECORDING_FACTS = (
    "content_id", "name", "path", "rate_hz", "center_hz", "receiver", "antenna", "place", "latitude_deg",
    "longitude_deg", "height_m",
)  # fmt: skip
_SHOWN = (  # an identity that superseded rows alone had named is not shown
    "(t.message_count > 0 OR EXISTS (SELECT 1 FROM mention m WHERE m.identity = t.id)"
    " OR EXISTS (SELECT 1 FROM label l WHERE l.target = t.id))"
)
_RELATION = (
    "id", "a", "b", "relation", "rule", "first_seen", "last_seen", "message_id", "undone", "a_kind", "a_key", "b_kind",
    "b_key",
)  # fmt: skip
_IDENTITY = (
    "SELECT t.id, t.kind, t.key, t.first_seen_ns, t.last_seen_ns, t.message_count, t.latitude_deg,"
    " t.longitude_deg, t.position_ns, (SELECT COUNT(*) FROM mention m WHERE m.identity = t.id) FROM identity t"
)

Row = dict[str, Any]


class Queries:
    """What can be asked of an open database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def emissions(self, **filters: Any) -> Iterator[Row]:
        """Give emissions in order of start; see `_where` for the filters."""
        return self._rows(EMISSION, filters)

    def messages(self, **filters: Any) -> Iterator[Row]:
        """Give messages in order of time; see `_where` for the filters."""
        return self._rows(MESSAGE, filters)

    def overs(self, **filters: Any) -> Iterator[Row]:
        """Give voice transmissions in order of start; see `_where` for the filters."""
        return self._rows(OVER, filters)

    def pictures(self, **filters: Any) -> Iterator[Row]:
        """Give pictures in order of start; see `_where` for the filters."""
        return self._rows(PICTURE, filters)

    def evidence(self, **filters: Any) -> Iterator[Row]:
        """Give evidence in order of storing, removed ones too; see `_where` for the filters."""
        return self._rows(EVIDENCE, filters)

    def occupancy(self, **filters: Any) -> Iterator[Row]:
        """Give channel occupancy per interval, with the share and its 95 % Wilson interval in per cent."""
        for row in self._rows(OCCUPANCY, filters):
            spread = max(row["inflation"] or 1.0, 1.0)
            low, high = wilson(row["occupied"] / spread, row["samples"] / spread)
            row["fco_pct"] = 100.0 * row["occupied"] / row["samples"] if row["samples"] else None
            row["fco_low_pct"], row["fco_high_pct"] = 100.0 * low, 100.0 * high
            yield row

    def timed(self, what: str, **filters: Any) -> Iterator[tuple[int, int, Row]]:
        """Give rows of emissions, messages, overs or pictures with start and stop to the nanosecond."""
        table = TABLES[what]
        columns = [item.column for item in table.columns]
        start, stop = columns.index(table.order), columns.index("stop_ns")
        sql, values = _where(table, filters)
        for row in self._database.stream(table.select + sql, values):
            yield row[start], row[start] if row[stop] is None else row[stop], table.row(row)

    def newest_from(self, what: str, count: int, **filters: Any) -> tuple[tuple[int, str] | None, bool]:
        """Say where the newest `count` rows begin, for the filter `from_row`, and whether there are older ones.

        None where there are not more than these. So the newest rows stream in order of time, however many.
        """
        table = TABLES[what]
        sql, values = _where(table, {**filters, "newest": True})
        found = self._database.execute(
            f"SELECT t.{table.order}, t.id FROM {table.name} t{sql} LIMIT 2 OFFSET ?",  # noqa: S608
            [*values, count - 1],
        )
        return (found[0], True) if len(found) > 1 else (None, False)

    def identities(
        self,
        *,
        id: str | None = None,
        kind: str | None = None,
        key: str | None = None,
        text: str | None = None,
        flag: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
        newest: bool = False,
        joined: bool = False,
    ) -> Iterator[Row]:
        """Give identities in order of first sight, or newest last sight first.

        `text` is looked for in keys and names. `joined` shows identities that a "same" relation ties together
        as one row, `joined_ids` naming the others; without it each stands alone and `same_as` names them.
        """
        where = [_SHOWN]
        values: list[Any] = []
        for value, clause in (
            (id, "t.id = ?"),
            (kind, "t.kind = ?"),
            (key, "t.key = ?"),
            (flag, "EXISTS (SELECT 1 FROM identity_flag f WHERE f.identity = t.id AND f.flag = ?)"),
            (since_ns, "t.last_seen_ns >= ?"),
            (until_ns, "t.first_seen_ns < ?"),
        ):
            if value is not None:
                where.append(clause)
                values.append(value)
        if text is not None:
            where.append(
                "(LOWER(t.key) LIKE ? ESCAPE '\\' OR EXISTS (SELECT 1 FROM identity_name n"
                " WHERE n.identity = t.id AND LOWER(n.name) LIKE ? ESCAPE '\\'))"
            )
            values += [_like(text)] * 2
        order = "t.last_seen_ns DESC, t.id" if newest else "t.first_seen_ns, t.id"
        sql = f"{_IDENTITY} WHERE {' AND '.join(where)} ORDER BY {order}"
        rows = self._identity_rows(sql, values)
        return islice(self._joined(rows) if joined else rows, limit)

    def track(self, identity: str, *, since_ns: int | None = None) -> Iterator[Row]:
        """Give the positions an identity reported in order of time: time, latitude_deg, longitude_deg."""
        sql = (
            "SELECT time_ns, latitude_deg, longitude_deg FROM message WHERE identity = ? AND time_ns >= ?"
            " AND latitude_deg IS NOT NULL AND longitude_deg IS NOT NULL AND superseded_by IS NULL"
            " ORDER BY time_ns"
        )
        for at_ns, latitude, longitude in self._database.stream(sql, (identity, since_ns or -(1 << 63))):
            yield {"time": format_time(at_ns), "latitude_deg": latitude, "longitude_deg": longitude}

    def relations(self, identity: str | None = None) -> Iterator[Row]:
        """Give relations between identities with the rule that made each; undone ones too, marked.

        a and b are ids; a_kind, a_key, b_kind, b_key say who they are.
        """
        sql = (
            "SELECT r.id, r.a, r.b, r.relation, r.rule, r.first_ns, r.last_ns, r.message_id, r.undone,"
            " x.kind, x.key, y.kind, y.key FROM relation r JOIN identity x ON x.id = r.a"
            " JOIN identity y ON y.id = r.b"
        )
        values: tuple[str, ...] = ()
        if identity is not None:
            sql, values = f"{sql} WHERE r.a = ? OR r.b = ?", (identity, identity)
        for row in self._database.stream(f"{sql} ORDER BY r.first_ns, r.id", values):
            out = dict(zip(_RELATION, row, strict=True))
            out.update(first_seen=format_time(row[5]), last_seen=format_time(row[6]), undone=bool(row[8]))
            yield out

    def names(
        self, kind: str, *, since_ns: int | None = None, until_ns: int | None = None, limit: int = 20_000
    ) -> Iterator[tuple[str, str | None, int, int]]:
        """Give (key, name, first and last time it was said) of a kind of identity, the newest first.

        An identity without a name comes with None and the times it was heard.
        """
        sql = (
            "SELECT * FROM (SELECT t.key, n.name, COALESCE(n.first_seen_ns, t.first_seen_ns) AS first_ns,"
            " COALESCE(n.last_seen_ns, t.last_seen_ns) AS last_ns FROM identity t"
            " LEFT JOIN identity_name n ON n.identity = t.id WHERE t.kind = ?) x"
            " WHERE last_ns >= ? AND first_ns < ? ORDER BY last_ns DESC, key, name LIMIT ?"
        )
        values = (kind, since_ns or -(1 << 63), until_ns or (1 << 63) - 1, limit)
        for row in self._database.stream(sql, values):
            yield row[0], row[1], row[2], row[3]

    def hourly(self, *, since_ns: int | None = None, until_ns: int | None = None) -> Iterator[Row]:
        """Give messages per hour and mode, from the roll-up."""
        sql = (
            "SELECT hour_ns, mode, CAST(SUM(messages) AS BIGINT) FROM hourly"
            " WHERE hour_ns >= ? AND hour_ns < ? GROUP BY hour_ns, mode HAVING SUM(messages) > 0"
            " ORDER BY hour_ns, mode"
        )
        span = (since_ns or -(1 << 63), until_ns or (1 << 63) - 1)
        for hour_ns, mode, count in self._database.stream(sql, span):
            yield {"hour": format_time(hour_ns), "mode": mode, "message_count": count}

    def recordings(self, *, id: str | None = None) -> Iterator[Row]:
        """Give every recording surveyed, in order of start, with its surveys."""
        names = ("id", *RECORDING_FACTS)
        sql = f"SELECT {', '.join(names)}, start_ns, stop_ns, extra FROM recording"  # noqa: S608
        sql += "" if id is None else " WHERE id = ?"
        for values in self._database.execute(f"{sql} ORDER BY start_ns, id", () if id is None else (id,)):
            *plain, start_ns, stop_ns, extra = values
            row: Row = dict(zip(names, plain, strict=True))
            row["start"] = format_time(start_ns)
            row["stop"] = None if stop_ns is None else format_time(stop_ns)
            row["start_ns"], row["surveys"] = start_ns, list(self.surveys(row["id"]))
            yield {**json.loads(extra), **row}

    def surveys(self, recording: str) -> Iterator[Row]:
        """Give the surveys of a recording, oldest first."""
        sql = (
            "SELECT id, number, software, settings_hash, settings, partial, started_ns, finished_ns,"
            " complete, extra FROM survey WHERE recording = ? ORDER BY number"
        )
        for row in self._database.execute(sql, (recording,)):
            yield {
                **json.loads(row[9]),
                "id": row[0],
                "number": row[1],
                "software": row[2],
                "settings_hash": row[3],
                "settings": json.loads(row[4]),
                "partial": bool(row[5]),
                "started": format_time(row[6]),
                "finished": None if row[7] is None else format_time(row[7]),
                "complete": None if row[8] is None else bool(row[8]),
            }

    def compare_surveys(self, recording: str) -> dict[str, Any]:
        """Say what the latest survey of a recording changed: per kind of row what was added, gone, changed.

        A row that only moved a little (a start measured better) counts as changed, not as gone and added.
        """
        surveys = list(self.surveys(recording))
        if len(surveys) < 2:
            raise ParameterError(
                f"recording {recording} has {len(surveys)} survey(s); two are needed to compare"
            )
        latest = surveys[-1]
        out: dict[str, Any] = {"before": surveys[-2], "after": latest}
        for table in (EMISSION, MESSAGE, OVER, PICTURE):
            gone = self._select(table, "t.superseded_by = ? AND t.recording = ?", (latest["id"], recording))
            added = self._select(table, "t.first_survey = ? AND t.recording = ?", (latest["id"], recording))
            part = compare_rows(gone, added, table)
            sql = "SELECT row_id, earlier FROM revision WHERE survey = ? AND what = ? ORDER BY row_id"
            for row_id, earlier in self._database.execute(sql, (latest["id"], table.what)):
                before = json.loads(earlier)
                for after in self._select(table, "t.id = ?", (row_id,)):
                    keys = differing(before, after, table)
                    if before["superseded_by"]:  # an earlier survey had it, the last one had not
                        part["added"].append(after)
                    elif keys:
                        part["changed"].append({"before": before, "after": after, "keys": keys})
            out[table.what] = part
        return out

    def entry(self, id: str) -> Row:
        """Give one row of any kind by its id, with everything that hangs on it; ParameterError when unknown.

        Keys: what, row, evidence, and where they apply emission, messages (the newest 100), overs, pictures,
        relations, track, identity.
        """
        what = ids.KINDS.get(id.split("-", 1)[0])
        row: Row | None = None
        if what == "identity":
            row = next(self.identities(id=id), None)
        elif what == "recording":
            row = next(self.recordings(id=id), None)
        for table in TABLES.values():
            if what is not None and table.what.removesuffix("s") == what:
                row = next(iter(self._select(table, "t.id = ?", (id,))), None)
        if what is None or row is None:
            raise ParameterError(
                f"no entry {id!r:.60} in the log; ids stand in what `earwitness query` shows"
            )
        out: Row = {"what": what, "row": row}
        labels = self._database.execute("SELECT text FROM label WHERE target = ? ORDER BY text", (id,))
        out["labels"] = [text for (text,) in labels]
        if what == "evidence":
            out["evidence"] = [row]
            return out
        linked = row.get("evidence_id") or ""
        out["evidence"] = self._select(EVIDENCE, "t.id = ? OR t.subject = ?", (linked, id))
        if row.get("emission_id"):
            out["emission"] = next(iter(self._select(EMISSION, "t.id = ?", (row["emission_id"],))), None)
        if what in ("message", "over") and row.get("identity"):
            out["identity"] = next(self.identities(id=row["identity"]), None)
        if what == "message":
            sql = "SELECT identity FROM mention WHERE row_id = ?"
            out["related"] = [
                next(self.identities(id=who), None) for (who,) in self._database.execute(sql, (id,))
            ]
        if what == "emission":
            out["messages"] = list(self.messages(emission_id=id, newest=True, limit=100))
            out["overs"] = list(self.overs(emission_id=id, newest=True, limit=100))
            out["pictures"] = list(self.pictures(emission_id=id, newest=True, limit=100))
        if what == "identity":
            out["messages"] = list(self.messages(identity=id, newest=True, limit=100))
            out["overs"] = list(self.overs(identity=id, newest=True, limit=100))
            out["relations"] = list(self.relations(id))
            out["track"] = list(islice(self.track(id), 10_000))
        return out

    def summary(self) -> Row:
        """Give the log in figures: how much of each, its span of time, modes, classes, what stands out."""
        out: Row = {}
        for what in ("emissions", "messages", "overs", "pictures"):
            table = TABLES[what]
            stop = "stop_ns" if table is not MESSAGE else "time_ns"
            sql = f"SELECT COUNT(*), MIN({table.order}), MAX({stop}) FROM {table.name}"  # noqa: S608
            count, first, last = self._database.execute(f"{sql} WHERE superseded_by IS NULL")[0]
            out[what] = count
            for name, value, best in (("first", first, min), ("last", last, max)):
                if value is not None:
                    out[name] = best(out.get(name, value), value)
        for name in ("first", "last"):
            out[name] = format_time(out[name]) if name in out else None
        sql = f"SELECT t.kind, COUNT(*) FROM identity t WHERE {_SHOWN} GROUP BY t.kind ORDER BY t.kind"  # noqa: S608
        kinds = self._database.execute(sql)
        out["identities"], out["identity_kinds"] = sum(count for _, count in kinds), dict(kinds)
        sql = "SELECT mode, CAST(SUM(messages) AS BIGINT) FROM hourly GROUP BY mode ORDER BY mode"
        out["modes"] = {mode: count for mode, count in self._database.execute(sql) if count}
        sql = "SELECT class, COUNT(*) FROM emission WHERE superseded_by IS NULL AND artefact IS NULL"
        out["classes"] = dict(self._database.execute(f"{sql} GROUP BY class ORDER BY class"))
        sql = "SELECT COUNT(*) FROM emission WHERE superseded_by IS NULL AND artefact IS NOT NULL"
        out["artefacts"] = self._database.execute(sql)[0][0]
        out["recordings"] = self._database.execute("SELECT COUNT(*) FROM recording")[0][0]
        sql = (
            "SELECT COUNT(*), CAST(COALESCE(SUM(bytes), 0) AS BIGINT) FROM evidence WHERE removed_ns IS NULL"
        )
        out["evidence"], out["evidence_bytes"] = self._database.execute(sql)[0]
        sql = "SELECT flag, COUNT(*) FROM identity_flag GROUP BY flag ORDER BY flag"
        out["flags"] = dict(self._database.execute(sql))
        return out

    def stored_evidence(self) -> Iterator[tuple[str, str, int]]:
        """Give id, path and size of every piece of evidence whose file should be there."""
        yield from self._database.stream("SELECT id, path, bytes FROM evidence WHERE removed_ns IS NULL")

    def evidence_by_worth(self) -> Iterator[tuple[str, str, int, str]]:
        """Give id, path, size and rank of the evidence that may go, in the order in which it should.

        The policy, least worth first, older before newer inside each rank: superseded; routine; the newest
        and the best SNR of its identity or channel; the first of its identity or channel, flagged, labelled.
        """
        group = "COALESCE(x.identity, x.channel, x.kind), x.kind"
        sql = (
            "WITH worth AS (SELECT x.id AS id, x.path AS path, x.bytes AS bytes, x.stored_ns AS stored_ns,"  # noqa: S608
            " CASE WHEN x.superseded_by IS NOT NULL THEN 0"
            " WHEN x.keep > 0 THEN 3"
            " WHEN EXISTS (SELECT 1 FROM label l WHERE l.target IN (x.id, x.subject, x.identity)) THEN 3"
            f" WHEN ROW_NUMBER() OVER (PARTITION BY {group} ORDER BY x.stored_ns, x.id) = 1 THEN 3"
            f" WHEN ROW_NUMBER() OVER (PARTITION BY {group} ORDER BY x.stored_ns DESC, x.id) = 1 THEN 2"
            f" WHEN ROW_NUMBER() OVER (PARTITION BY {group} ORDER BY COALESCE(x.snr_db, -999) DESC, x.id) = 1"
            " THEN 2 ELSE 1 END AS rank FROM evidence x WHERE x.removed_ns IS NULL)"
            " SELECT id, path, bytes, rank FROM worth ORDER BY rank, stored_ns, id"
        )
        words = (
            "superseded",
            "routine",
            "the newest or best of its kind",
            "the first of its kind, flagged or labelled",
        )
        for row, path, size, rank in self._database.stream(sql):
            yield row, path, size, words[rank]

    def _select(self, table: Table, where: str, values: Sequence[Any]) -> list[Row]:
        sql = f"{table.select} WHERE {where} ORDER BY t.{table.order}, t.id"
        return [table.row(row) for row in self._database.execute(sql, values)]

    def _rows(self, table: Table, filters: Mapping[str, Any]) -> Iterator[Row]:
        sql, values = _where(table, filters)
        return map(table.row, self._database.stream(table.select + sql, values))

    def _identity_rows(self, sql: str, values: Sequence[Any]) -> Iterator[Row]:
        stream = self._database.stream(sql, values)
        while chunk := list(islice(stream, AT_ONCE)):
            found = [row[0] for row in chunk]
            holes = marks(found)
            sql = "SELECT identity, name FROM identity_name WHERE identity IN ({})"
            names = self._grouped(f"{sql} ORDER BY last_seen_ns DESC, name".format(holes), found)
            sql = "SELECT identity, flag FROM identity_flag WHERE identity IN ({}) ORDER BY flag"
            flags = self._grouped(sql.format(holes), found)
            sql = "SELECT target, text FROM label WHERE target IN ({}) ORDER BY text"
            labels = self._grouped(sql.format(holes), found)
            sql = "SELECT {0}, {1} FROM relation WHERE relation = 'same' AND undone = 0 AND {0} IN ({2})"
            same = self._grouped(sql.format("a", "b", holes), found)
            for who, others in self._grouped(sql.format("b", "a", holes), found).items():
                same.setdefault(who, []).extend(others)
            for who, kind, key, first, last, count, latitude, longitude, at_ns, mentions in chunk:
                yield {
                    "id": who,
                    "kind": kind,
                    "key": key,
                    "names": names.get(who, [])[:NAMES_SHOWN],
                    "first_seen": format_time(first),
                    "last_seen": format_time(last),
                    "message_count": count,
                    "latitude_deg": latitude,
                    "longitude_deg": longitude,
                    "labels": labels.get(who, []),
                    "flags": flags.get(who, []),
                    "mention_count": mentions,
                    "position_time": None if at_ns is None else format_time(at_ns),
                    "same_as": sorted(set(same.get(who, []))),
                }

    def _grouped(self, sql: str, values: Sequence[Any]) -> dict[str, list[str]]:
        out: dict[str, list[str]] = {}
        for who, text in self._database.execute(sql, values):
            out.setdefault(who, []).append(text)
        return out

    def _joined(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Give rows tied by "same" as one, at the place of the first that comes, whatever filter found it."""
        pairs = self._database.execute("SELECT a, b FROM relation WHERE relation = 'same' AND undone = 0")
        leader = _components(pairs)
        groups: dict[str, list[str]] = {}
        for member, lead in leader.items():
            groups.setdefault(lead, []).append(member)
        for row in rows:
            if row["id"] not in leader:
                yield {**row, "joined_ids": []}
                continue
            members = groups.pop(leader[row["id"]], [])[:AT_ONCE]
            if members:
                sql = f"{_IDENTITY} WHERE {_SHOWN} AND t.id IN ({marks(members)}) ORDER BY t.first_seen_ns, t.id"
                yield _merge(list(self._identity_rows(sql, members)))


def marks(values: Sequence[Any]) -> str:
    """Give a question mark for each value."""
    return ", ".join("?" * len(values))


def chunks(values: list[str]) -> Iterator[list[str]]:
    """Give the values in runs short enough for one statement."""
    return (values[at : at + AT_ONCE] for at in range(0, len(values), AT_ONCE))


def _like(text: str) -> str:
    """Give a pattern that finds `text` anywhere, whatever signs it holds."""
    text = text.lower().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{text}%"


_SAME = {"mode", "kind", "identity", "talkgroup", "emission_id", "evidence_id", "recording", "class", "label"}
_SAME |= {"subject", "channel", "id"}


def _where(table: Table, filters: Mapping[str, Any]) -> tuple[str, list[Any]]:
    """Give the rest of a SELECT for filters; ParameterError names the ones there are.

    since_ns, until_ns (rows that touch this span); low_hz, high_hz; min_snr_db; text (anywhere in the fields
    of a message); flag; artefacts (false leaves them out); superseded (true shows those too); limit; newest
    (first); from_row (what `newest_from` gives); and equality with mode, kind, identity, talkgroup, emission_id, evidence_id, recording, class,
    label, subject, channel where the rows have it.
    """
    columns = {item.key: item.column for item in table.columns if item.stored}
    stop = "stop_ns" if table is not MESSAGE and "stop" in columns else table.order
    clauses = {
        "since_ns": f"t.{stop} >= ?",
        "until_ns": f"t.{table.order} < ?",
        **{key: f"t.{columns[key]} = ?" for key in _SAME if key in columns},
    }
    if "frequency_hz" in columns:
        clauses.update(low_hz="t.frequency_hz >= ?", high_hz="t.frequency_hz < ?")
    if "snr_db" in columns:
        clauses.update(min_snr_db="t.snr_db >= ?")
    if table is MESSAGE:
        clauses.update(text="LOWER(t.fields) LIKE ? ESCAPE '\\'", flag="t.flags LIKE ?")
    switches = {"superseded", "limit", "newest", "from_row"} | ({"artefacts"} if table is EMISSION else set())
    where: list[str] = []
    values: list[Any] = []
    for key, value in filters.items():
        if key in clauses and value is not None:
            where.append(clauses[key])
            if key == "text":
                value = _like(json.dumps(value)[1:-1])
            elif key == "flag":
                value = f"%{json.dumps(value)}%"
            values.append(value)
        elif key not in clauses and key not in switches:
            raise ParameterError(
                f"no filter {key!r} for {table.what}; known: {', '.join(sorted({*clauses, *switches}))}"
            )
    if filters.get("from_row") is not None:
        where.append(f"(t.{table.order}, t.id) >= (?, ?)")
        values += filters["from_row"]
    if not filters.get("superseded"):
        where.append("t.superseded_by IS NULL")
    if filters.get("artefacts") is False:
        where.append("t.artefact IS NULL")
    sql = f" WHERE {' AND '.join(where)}" if where else ""
    down = " DESC" if filters.get("newest") else ""
    sql += f" ORDER BY t.{table.order}{down}, t.id{down}"
    if filters.get("limit") is not None:
        sql += " LIMIT ?"
        values.append(int(filters["limit"]))
    return sql, values


def _components(pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Give a leader for every member of the groups that pairs tie together."""
    leader: dict[str, str] = {}

    def find(item: str) -> str:
        while leader.setdefault(item, item) != item:
            leader[item] = item = leader[leader[item]]
        return item

    for a, b in pairs:
        first, second = find(a), find(b)
        leader[second] = first
    return {item: find(item) for item in list(leader)}


def _merge(group: list[Row]) -> Row:
    """Give one row for several identities that are the same: the one with the most messages gives its key.

    The keys of the others are among its names.
    """
    lead = max(group, key=lambda row: (row["message_count"], row["id"]))
    placed = [row for row in group if row["position_time"]]
    latest = max(placed, key=lambda row: row["position_time"], default=lead)
    others = [row for row in group if row is not lead]
    names = [*lead["names"], *(name for row in others for name in (row["key"], *row["names"]))]
    return {
        **lead,
        "names": [name for name in dict.fromkeys(names) if name != lead["key"]],
        "labels": sorted({text for row in group for text in row["labels"]}),
        "flags": sorted({text for row in group for text in row["flags"]}),
        "first_seen": min(row["first_seen"] for row in group),
        "last_seen": max(row["last_seen"] for row in group),
        "message_count": sum(row["message_count"] for row in group),
        "mention_count": sum(row["mention_count"] for row in group),
        **{key: latest[key] for key in ("latitude_deg", "longitude_deg", "position_time")},
        "joined_ids": [row["id"] for row in others],
    }
