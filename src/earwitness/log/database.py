"""The two databases the log can live in, behind the same few verbs.

SQLite in the station folder is the rule; PostgreSQL serves several stations at once. The SQL is one text:
`?` marks parameters and only what both understand is used, so a dialect is connecting, quoting,
transactions and the words for an error. (Measured: an SQL toolkit in between costs 7 to 30 % of the inserts
and 450 ms of start-up; this file costs neither.)
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from earwitness.core.errors import LogError, ParameterError, StorageError

Values = Sequence[Any]


class Database(Protocol):
    """One open database."""

    def begin(self) -> None:
        """Start a transaction that is going to write."""

    def roll_back(self) -> None:
        """Undo the open transaction, if there is one."""

    def execute(self, sql: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """Run one statement; give its rows, if any."""

    def many(self, sql: str, rows: Iterable[Values]) -> None:
        """Run one statement for each row of values."""

    def stream(self, sql: str, values: Values = ()) -> Iterator[tuple[Any, ...]]:
        """Give rows one by one, however many there are, in bounded memory."""

    def tables(self) -> set[str]:
        """Give the names of the tables there are."""

    def check(self) -> str:
        """Give "ok", or what the database's own integrity check says."""

    def close(self) -> None:
        """Let go of it."""


@contextmanager
def transaction(database: Database) -> Iterator[None]:
    """Make everything inside one step: all of it is kept, or none."""
    database.begin()
    try:
        yield
        database.execute("COMMIT")
    except BaseException:
        database.roll_back()
        raise


_SQLITE_WORDS = {
    sqlite3.SQLITE_FULL: "disk full: free some space; what was logged before is kept",
    sqlite3.SQLITE_READONLY: "read-only: the station folder must be writable",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened: check that the folder exists and may be written",
    sqlite3.SQLITE_NOTADB: "not a log: the file is no SQLite database",
    sqlite3.SQLITE_CORRUPT: "damaged: restore it from a copy, or move it away to start a new one",
    sqlite3.SQLITE_BUSY: "busy: another program kept it locked for too long",
    sqlite3.SQLITE_LOCKED: "busy: another program kept it locked for too long",
    sqlite3.SQLITE_IOERR: "input/output error of the disk",
    sqlite3.SQLITE_CONSTRAINT: "refuses rows that point at something not logged",
    sqlite3.SQLITE_TOOBIG: "refuses a row: too big",
}
_WHILE_WORKING = (
    sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_TOOBIG,
)  # fmt: skip


class Sqlite:
    """An SQLite file in write-ahead mode: a commit survives kill -9, readers never wait for the writer."""

    def __init__(self, path: Path, *, busy_timeout_s: float = 10.0) -> None:
        self._path = path
        with self._words():
            self._connection = self._connect(path, busy_timeout_s)

    @staticmethod
    def _connect(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
        connection = sqlite3.connect(path, timeout=busy_timeout_s, isolation_level=None)
        try:
            for pragma in (
                "journal_mode = WAL",
                "synchronous = NORMAL",
                "foreign_keys = ON",
                "cache_size = -32000",
            ):
                connection.execute(f"PRAGMA {pragma}").fetchall()
            connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            connection.close()
            # a log on a read-only medium can still be read, if it was closed properly
            barred = getattr(error, "sqlite_errorcode", 0) & 0xFF in (
                sqlite3.SQLITE_CANTOPEN,
                sqlite3.SQLITE_READONLY,
            )
            waiting = path.with_name(f"{path.name}-wal")
            if not barred or not path.is_file() or (waiting.exists() and waiting.stat().st_size):
                raise
            place = f"{path.resolve().as_uri()}?immutable=1"
            connection = sqlite3.connect(place, uri=True, isolation_level=None)
            connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
        except BaseException:
            connection.close()
            raise
        return connection

    @contextmanager
    def _words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if not code and "decode" in str(error):  # text in the file that is no text
                code = sqlite3.SQLITE_CORRUPT
            kind = StorageError if code in _WHILE_WORKING else LogError
            raise kind(f"log {self._path}: {_SQLITE_WORDS.get(code, 'refuses')} ({error})") from error
        except UnicodeDecodeError as error:  # in an error's own words
            raise LogError(f"log {self._path}: {_SQLITE_WORDS[sqlite3.SQLITE_CORRUPT]}") from error
        except OverflowError as error:
            raise ParameterError("a number is too large for the log") from error

    def execute(self, sql: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """Run one statement; give its rows, if any."""
        with self._words():
            return self._connection.execute(sql, values).fetchall()

    def many(self, sql: str, rows: Iterable[Values]) -> None:
        """Run one statement for each row of values."""
        with self._words():
            self._connection.executemany(sql, rows)

    def stream(self, sql: str, values: Values = ()) -> Iterator[tuple[Any, ...]]:
        """Give rows one by one, however many there are, in bounded memory."""
        with self._words():
            for row in self._connection.execute(sql, values):  # noqa: UP028 - `yield from` would close the cursor
                yield row

    def begin(self) -> None:
        """Start a transaction that is going to write: two writers meet here, not halfway."""
        self.execute("BEGIN IMMEDIATE")

    def roll_back(self) -> None:
        """Undo the open transaction; a full disk may have undone it already."""
        if self._connection.in_transaction:
            with self._words():
                self._connection.execute("ROLLBACK")

    def tables(self) -> set[str]:
        """Give the names of the tables there are."""
        return {name for (name,) in self.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}

    def check(self) -> str:
        """Give "ok", or what the database's own integrity check says."""
        found = [str(row[0]) for row in self.execute("PRAGMA integrity_check(10)")]
        found += [
            f"{row[0]} row {row[1]} points nowhere" for row in self.execute("PRAGMA foreign_key_check")[:10]
        ]
        return "ok" if found == ["ok"] else "; ".join(item for item in found if item != "ok")

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()


class Postgres:
    """A PostgreSQL database named by a URL; needs the `postgres` extra."""

    def __init__(self, url: str) -> None:
        try:
            import psycopg
        except ImportError as error:
            raise LogError("a PostgreSQL log needs psycopg: pip install 'earwitness[postgres]'") from error
        self._psycopg = psycopg
        self._url = url
        with self._words():
            self._connection = psycopg.connect(url, autocommit=True)

    @contextmanager
    def _words(self) -> Iterator[None]:
        try:
            yield
        except self._psycopg.errors.DiskFull as error:
            raise StorageError(
                "log: disk full on the database server; what was logged before is kept"
            ) from error
        except self._psycopg.Error as error:
            raise LogError(f"log: the database server says: {str(error).strip()}") from error

    @staticmethod
    def _translate(sql: str) -> str:
        return sql.replace("%", "%%").replace("?", "%s")

    def execute(self, sql: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """Run one statement; give its rows, if any."""
        with self._words():
            cursor = self._connection.execute(self._translate(sql), values)  # type: ignore[call-overload]
            return cursor.fetchall() if cursor.description else []

    def many(self, sql: str, rows: Iterable[Values]) -> None:
        """Run one statement for each row of values."""
        with self._words(), self._connection.cursor() as cursor:
            cursor.executemany(self._translate(sql), rows)  # type: ignore[arg-type]

    def stream(self, sql: str, values: Values = ()) -> Iterator[tuple[Any, ...]]:
        """Give rows one by one, however many there are, in bounded memory."""
        with (
            self._words(),
            self._psycopg.connect(self._url) as connection,
            connection.cursor("rows") as cursor,
        ):
            yield from cursor.execute(self._translate(sql), values)  # type: ignore[arg-type]

    def begin(self) -> None:
        """Start a transaction."""
        self.execute("BEGIN")

    def roll_back(self) -> None:
        """Undo the open transaction."""
        with self._words():
            self._connection.execute("ROLLBACK")

    def tables(self) -> set[str]:
        """Give the names of the tables there are."""
        sql = "SELECT table_name FROM information_schema.tables WHERE table_schema = current_schema()"
        return {name for (name,) in self.execute(sql)}

    def check(self) -> str:
        """Give "ok": the server looks after its own integrity."""
        return "ok"

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()
