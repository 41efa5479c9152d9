"""The log: one writer adds batches, any number of readers ask named queries.

A row's id follows from what it is (see `ids`), so surveying a recording again finds its rows instead of
adding them twice. Every run over a recording is a `survey` row; each row remembers the survey that first
and that last produced it. When a survey completes, rows of the recording that it did not produce again are
kept but marked `superseded_by`, and no longer shown or counted. Counts are kept in the transaction of the
rows they count, as differences, so that they hold whatever is added, repeated or superseded.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from earwitness import __version__
from earwitness.core.errors import LogError, ParameterError, StorageError
from earwitness.log import ids
from earwitness.log.compare import differing
from earwitness.log.database import Database, Postgres, Sqlite, transaction
from earwitness.log.identities import (
    HOUR_NS,
    KEY_LIMIT,
    MENTION,
    RELATE,
    Counted,
    Seen,
    differences,
    meet,
    relation_values,
    write_identities,
)
from earwitness.log.queries import RECORDING_FACTS, Queries, Row, chunks, marks
from earwitness.log.schema import MIGRATIONS
from earwitness.log.tables import (
    EMISSION,
    EVIDENCE,
    MESSAGE,
    OCCUPANCY,
    OVER,
    PICTURE,
    TABLES,
    Table,
    clean_number,
    clean_text,
    to_json,
)

LOG_NAME = "log.sqlite"
_REVISE = "INSERT INTO revision (row_id, survey, what, earlier) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"


@dataclass
class Batch:
    """Rows that become visible together. Times are integer nanoseconds under `start_ns`, `time_ns`, ...

    Each row names its `recording`; `identity` is an IdentityRef (or an id), `related` more of them. A
    relation holds a, b (IdentityRef or id), relation, rule (words for people), time_ns, and message_id.
    """

    emissions: list[Row] = field(default_factory=list)
    messages: list[Row] = field(default_factory=list)
    overs: list[Row] = field(default_factory=list)
    pictures: list[Row] = field(default_factory=list)
    evidence: list[Row] = field(default_factory=list)
    occupancy: list[Row] = field(default_factory=list)
    relations: list[Row] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(len(rows) for rows in vars(self).values())


class Log(Queries):
    """One station's log. Not for sharing between threads: open one in each."""

    def __init__(
        self, database: Database, where: str, migrations: Sequence[tuple[int, str]] = MIGRATIONS
    ) -> None:
        super().__init__(database)
        self._surveys: dict[str, tuple[str, int]] = {}  # recording -> running survey, its number
        _migrate(database, where, migrations)

    @classmethod
    def open(cls, station_dir: Path, *, create: bool = True, url: str | None = None) -> Self:
        """Open the log in a station folder, or at a PostgreSQL `url`; bring its tables up to date.

        Raises LogError when there is none and `create` is false, when it is read-only, damaged, not a log, or
        written by a newer version.
        """
        if url is not None:
            database: Database = Postgres(url)
            where = "on the database server"
        else:
            path = Path(station_dir) / LOG_NAME
            if not create and not path.is_file():
                raise LogError(f"no log in {station_dir}: survey a recording into it first")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StorageError(
                    f"station folder {station_dir} cannot be made: {error.strerror}"
                ) from error
            database = Sqlite(path)
            where = str(path)
        try:
            return cls(database, where)
        except BaseException:
            database.close()
            raise

    def close(self) -> None:
        """Let go of the database; what was written stays."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def check(self) -> str:
        """Give "ok", or what the database's integrity check found."""
        return self._database.check()

    def begin_recording(self, facts: Mapping[str, Any]) -> str:
        """Start a survey of a recording; gives the recording's id, which depends on `content_id` only.

        `facts`: content_id, start_ns (both needed), stop_ns, name, path, rate_hz, center_hz, receiver,
        antenna, place, latitude_deg, longitude_deg, height_m; software (default: this version), settings
        (dict), partial (true for a survey of some frequencies or modes only: it never supersedes anything);
        what else there is is kept with the recording (`captures` where it has gaps: see `export`).
        """
        if not facts.get("content_id") or facts.get("start_ns") is None:
            raise LogError("a recording needs content_id and start_ns to be logged")
        columns = (*RECORDING_FACTS, "start_ns", "stop_ns")
        recording = ids.recording_id(str(facts["content_id"]))
        settings = to_json(facts.get("settings") or {})
        rest = {
            key: value
            for key, value in facts.items()
            if key not in {*columns, "software", "settings", "partial"}
        }
        values = [_plain(facts.get(name)) for name in columns]
        updates = ", ".join(f"{name} = excluded.{name}" for name in (*columns[1:], "extra"))
        with transaction(self._database):
            self._database.execute(
                f"INSERT INTO recording (id, {', '.join(columns)}, extra) "  # noqa: S608
                f"VALUES (?, {', '.join('?' * len(columns))}, ?) ON CONFLICT (id) DO UPDATE SET {updates}",
                (recording, *values, to_json(rest)),
            )
            sql = "SELECT COALESCE(MAX(number), 0) FROM survey WHERE recording = ?"
            number = self._database.execute(sql, (recording,))[0][0] + 1
            survey = ids.make_id("s", recording, number)
            self._database.execute(
                "INSERT INTO survey (id, recording, number, software, settings_hash, settings, partial,"
                " started_ns, extra) VALUES (?, ?, ?, ?, ?, ?, ?, ?, '{}')",
                (
                    survey,
                    recording,
                    number,
                    clean_text(facts.get("software") or __version__),
                    blake2b(settings.encode(), digest_size=10).hexdigest(),
                    settings,
                    int(bool(facts.get("partial"))),
                    time.time_ns(),
                ),
            )
        self._surveys[recording] = (survey, number)
        return recording

    def write(self, batch: Batch) -> list[str]:
        """Log a batch in one transaction: once this returns it survives a kill; else none of it is there.

        Gives the ids of its emissions, messages, overs, pictures, evidence and occupancy in this order.
        Raises LogError (disk full, a row without what it needs, a row that points at nothing).
        """
        given: list[tuple[Table, list[Row]]] = [
            (EMISSION, batch.emissions),
            (MESSAGE, batch.messages),
            (OVER, batch.overs),
            (PICTURE, batch.pictures),
            (EVIDENCE, batch.evidence),
            (OCCUPANCY, batch.occupancy),
        ]
        out: list[str] = []
        prepared: list[tuple[Table, list[tuple[Any, ...]], dict[str, Row]]] = []
        seen: dict[str, Seen] = {}
        mentions: list[tuple[str, str, int]] = []
        for table, rows in given:
            unique: dict[str, Row] = {}
            for row in rows:
                row = {**row, "id": row["id"] if row.get("id") else _new_id(table, row)}
                if table is MESSAGE or table is OVER:
                    meet(row, seen, mentions)
                out.append(row["id"])
                unique[row["id"]] = row
            values = [table.values(row, self._survey(row.get("recording"))[0]) for row in unique.values()]
            prepared.append((table, values, unique))
        relations = [relation_values(row, seen) for row in batch.relations]
        with transaction(self._database):
            messages = prepared[1][2]
            counted = self._counted(messages)
            write_identities(self._database, seen, *differences(messages, counted))
            for table, values, unique in prepared:
                if values:
                    self._write_rows(table, values, unique)
            told_before = [(row_id,) for row_id in [*counted, *prepared[2][2]]]
            if told_before:
                self._database.many("DELETE FROM mention WHERE row_id = ?", told_before)
            if mentions:
                self._database.many(MENTION, mentions)
            if relations:
                self._database.many(RELATE, relations)
        return out

    def finish_recording(self, recording: str, facts: Mapping[str, Any] | None = None) -> None:
        """End the survey of a recording.

        `facts`: complete (default true; false after Ctrl-C or an error), stop_ns of the recording, and what
        else the survey has to say (lost samples, warnings). A complete survey of the whole supersedes what
        earlier ones had found and it did not.
        """
        facts = dict(facts or {})
        survey, number = self._survey(recording)
        complete = bool(facts.pop("complete", True))
        stop_ns = facts.pop("stop_ns", None)
        with transaction(self._database):
            sql = "UPDATE survey SET finished_ns = ?, complete = ?, extra = ? WHERE id = ?"
            self._database.execute(sql, (time.time_ns(), int(complete), to_json(facts), survey))
            if stop_ns is not None:
                self._database.execute(
                    "UPDATE recording SET stop_ns = ? WHERE id = ?", (int(stop_ns), recording)
                )
            partial = self._database.execute("SELECT partial FROM survey WHERE id = ?", (survey,))[0][0]
            if complete and not partial and number > 1:
                self._supersede(recording, survey)
        self._surveys.pop(recording, None)

    def label(self, target: str, text: str) -> None:
        """Put the user's label on an identity or any other row; its evidence is kept longest."""
        text = clean_text(text.strip(), KEY_LIMIT) or ""
        if not text:
            raise ParameterError("a label needs text")
        self.entry(target)
        with transaction(self._database):
            sql = "INSERT INTO label (target, text, written_ns) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
            self._database.execute(sql, (target, text, time.time_ns()))

    def unlabel(self, target: str, text: str) -> None:
        """Take a label off again."""
        with transaction(self._database):
            self._database.execute("DELETE FROM label WHERE target = ? AND text = ?", (target, text))

    def undo_relation(self, relation: str, *, undone: bool = True) -> None:
        """Part two identities that a rule had joined (or join them again); the rule will not redo it."""
        if not self._database.execute("SELECT 1 FROM relation WHERE id = ?", (relation,)):
            raise ParameterError(f"no relation {relation!r} in the log")
        with transaction(self._database):
            self._database.execute("UPDATE relation SET undone = ? WHERE id = ?", (int(undone), relation))

    def mark_removed(self, evidence: Iterable[str], reason: str) -> None:
        """Say that evidence files are gone, when and why; their rows stay."""
        now = time.time_ns()
        with transaction(self._database):
            sql = "UPDATE evidence SET removed_ns = ?, removed_reason = ? WHERE id = ? AND removed_ns IS NULL"
            self._database.many(sql, [(now, clean_text(reason), item) for item in evidence])

    def _survey(self, recording: str | None) -> tuple[str, int]:
        recording = str(recording)
        if recording not in self._surveys:
            sql = "SELECT id, number FROM survey WHERE recording = ? ORDER BY number DESC LIMIT 1"
            found = self._database.execute(sql, (recording,))
            if not found:
                raise LogError(f"recording {recording!r} was not begun in this log")
            self._surveys[recording] = found[0]
        return self._surveys[recording]

    def _counted(self, messages: Mapping[str, Row]) -> dict[str, Counted]:
        """Give time, mode, identity, superseding survey of those messages that are in the log already."""
        found: dict[str, Counted] = {}
        for chunk in chunks(list(messages)):
            sql = "SELECT id, time_ns, mode, identity, superseded_by FROM message WHERE id IN"
            for row_id, *rest in self._database.execute(f"{sql} ({marks(chunk)})", chunk):
                found[row_id] = Counted(*rest)
        return found

    def _write_rows(self, table: Table, values: list[tuple[Any, ...]], unique: Mapping[str, Row]) -> None:
        again = any(self._survey(name)[1] > 1 for name in {row["recording"] for row in unique.values()})
        before = self._raw(table, unique) if again and table.watched else {}
        self._database.many(table.upsert, values)
        revised = []
        for row_id, after in self._raw(table, before).items() if before else ():
            *said, survey = before[row_id]
            *says, now = after
            if said == says or survey == now:
                continue  # unchanged, or a row of this very survey that grows
            earlier = table.row(before[row_id])
            if earlier["superseded_by"] or differing(earlier, table.row(after), table):
                revised.append((row_id, now, table.what, to_json(earlier)))
        if revised:
            self._database.many(_REVISE, revised)

    def _raw(self, table: Table, wanted: Iterable[str]) -> dict[str, tuple[Any, ...]]:
        out = {}
        for chunk in chunks(list(wanted)):
            sql = f"{table.select} WHERE t.id IN ({marks(chunk)})"
            out.update({row[0]: row for row in self._database.execute(sql, chunk)})  # the id comes first
        return out

    def _supersede(self, recording: str, survey: str) -> None:
        where = "recording = ? AND survey <> ? AND superseded_by IS NULL"
        old = (recording, survey)
        hour = f"time_ns - ((time_ns % {HOUR_NS}) + {HOUR_NS}) % {HOUR_NS}"
        sql = f"SELECT {hour}, mode, identity, COUNT(*) FROM message WHERE {where} GROUP BY 1, 2, 3"  # noqa: S608
        hourly: Counter[tuple[int, str, str]] = Counter()
        counts: Counter[str] = Counter()
        for hour_ns, mode, who, count in self._database.execute(sql, old):
            hourly[hour_ns, mode, who or ""] -= count
            if who:
                counts[who] -= count
        touched = set(counts)
        for name in ("message", "voice_over"):
            mentions = f"FROM mention WHERE row_id IN (SELECT id FROM {name} WHERE {where})"  # noqa: S608
            touched |= {who for (who,) in self._database.execute(f"SELECT DISTINCT identity {mentions}", old)}
            self._database.execute(f"DELETE {mentions}", old)
        for table in TABLES.values():
            sql = f"UPDATE {table.name} SET superseded_by = ? WHERE {where}"  # noqa: S608
            self._database.execute(sql, (survey, *old))
        write_identities(self._database, {}, hourly, counts)
        for who in touched:
            self._recompute(who)

    def _recompute(self, who: str) -> None:
        """Bring an identity's span, position and flags in line with the rows that still count."""
        sql = (
            "SELECT MIN(a), MAX(a) FROM (SELECT time_ns AS a FROM message WHERE identity = ?"
            " AND superseded_by IS NULL UNION ALL SELECT time_ns AS a FROM mention WHERE identity = ?) x"
        )
        first, last = self._database.execute(sql, (who, who))[0]
        if first is None:
            return  # nothing is left: it is no longer shown
        sql = "UPDATE identity SET first_seen_ns = ?, last_seen_ns = ? WHERE id = ?"
        self._database.execute(sql, (first, last, who))
        sql = (
            "SELECT latitude_deg, longitude_deg, time_ns FROM message"
            " WHERE identity = ? AND superseded_by IS NULL AND latitude_deg IS NOT NULL"
            " AND longitude_deg IS NOT NULL ORDER BY time_ns DESC LIMIT 1"
        )
        position = (self._database.execute(sql, (who,)) or [(None, None, None)])[0]
        sql = "UPDATE identity SET latitude_deg = ?, longitude_deg = ?, position_ns = ? WHERE id = ?"
        self._database.execute(sql, (*position, who))
        sql = (
            "SELECT DISTINCT flags FROM message WHERE superseded_by IS NULL AND (identity = ?"
            " OR id IN (SELECT row_id FROM mention WHERE identity = ?))"
        )
        still = {flag for (flags,) in self._database.execute(sql, (who, who)) for flag in json.loads(flags)}
        for (flag,) in self._database.execute("SELECT flag FROM identity_flag WHERE identity = ?", (who,)):
            if flag not in still:
                sql = "DELETE FROM identity_flag WHERE identity = ? AND flag = ?"
                self._database.execute(sql, (who, flag))


def _migrate(database: Database, where: str, migrations: Sequence[tuple[int, str]]) -> None:
    """Bring the tables from whatever version they have to ours, each step in one transaction."""
    newest = migrations[-1][0]
    tables = database.tables()
    if "log_schema" not in tables and tables:
        raise LogError(f"log {where}: not a log: it holds other tables ({', '.join(sorted(tables)[:3])})")
    if "log_schema" in tables and _version(database) == newest:
        return
    with transaction(database):
        if "log_schema" not in database.tables():
            database.execute("CREATE TABLE log_schema (version BIGINT PRIMARY KEY, since_ns BIGINT NOT NULL)")
        have = _version(database)
        if have > newest:
            raise LogError(
                f"log {where}: written by a newer version of Earwitness (layout {have}, this one knows {newest}): upgrade"
            )
        for version, script in migrations:
            if version > have:
                for statement in script.split(";\n"):
                    if statement.strip():
                        database.execute(statement)
                sql = "INSERT INTO log_schema (version, since_ns) VALUES (?, ?)"
                database.execute(sql, (version, time.time_ns()))


def _version(database: Database) -> int:
    return int(database.execute("SELECT COALESCE(MAX(version), 0) FROM log_schema")[0][0])


def _new_id(table: Table, row: Row) -> str:
    try:
        if table is EMISSION:
            return ids.emission_id(row["recording"], row["start_ns"], row["frequency_hz"])
        if table is MESSAGE:
            return ids.message_id(row["recording"], row["time_ns"], row["mode"], row.get("payload_hex") or "")
        if table is EVIDENCE:
            return ids.evidence_id(row["recording"], row["kind"], row["subject"])
        if table is OCCUPANCY:
            start, stop = row["start_ns"], row["stop_ns"]
            return ids.make_id("o", row["recording"], start, stop, round(row["frequency_hz"]))
        make = ids.over_id if table is OVER else ids.picture_id
        return make(row["recording"], row["start_ns"], row["frequency_hz"], row["mode"])
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise LogError(f"a row of {table.what} lacks what its id is made of: {error!r}") from error


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return clean_number(value)
    if value is None or isinstance(value, int):
        return value
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return clean_text(value)
