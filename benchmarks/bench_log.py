"""How fast the log takes and gives rows, beside a bare insert of the same columns in the same run."""

from __future__ import annotations

import io
import json
import sqlite3
import tempfile
import time
from pathlib import Path

from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.log.export import export
from earwitness.log.rows import message_row
from earwitness.log.store import Batch, Log
from earwitness.log.tables import MESSAGE

ROWS, BATCH, ROUNDS = 20_000, 500, 3
START_NS = 1_764_057_600_000_000_000
LIMITS = {"write": 6.0, "survey again": 3.0, "read": 3.0}  # times the bare figure


def messages() -> list[Message]:
    out = []
    for n in range(ROWS):
        at_ns = START_NS + n * 1_000_000
        frame = Frame(
            "mode-s", at_ns, at_ns + 120_000, Bits(n * 7919, 112), "pass", snr_db=12.3, frequency_hz=1.09e9
        )
        who = IdentityRef("aircraft", f"{n % 120:06X}", (f"FLT{n % 120}",), 50.0 + n % 9, 4.0)
        fields = {
            "icao_address": who.key,
            "altitude_ft": 35_000,
            "latitude_deg": 50.0 + n % 9,
            "longitude_deg": 4.0,
        }
        out.append(Message(frame, "airborne position", fields, "pass", who))
    return out


def bare(folder: Path, values: list[tuple]) -> float:
    """Seconds for sqlite3.executemany into a table of the same columns and indexes, same batches."""
    database = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = NORMAL")
    names = [f"c{n}" for n in range(len(values[0]))]
    database.execute(f"CREATE TABLE m ({', '.join(names)}, PRIMARY KEY (c0))")
    for column in ("c1", "c11, c1", "c12", "c20"):
        database.execute(f"CREATE INDEX i{column[:3].strip(',')} ON m ({column})")
    sql = f"INSERT INTO m VALUES ({', '.join('?' * len(names))})"
    begun = time.perf_counter()
    for at in range(0, len(values), BATCH):
        database.execute("BEGIN")
        database.executemany(sql, values[at : at + BATCH])
        database.execute("COMMIT")
    spent = time.perf_counter() - begun
    begun = time.perf_counter()
    for row in database.execute("SELECT * FROM m ORDER BY c1"):
        json.loads(row[10])
    reading = time.perf_counter() - begun
    database.close()
    return spent, reading


def ours(folder: Path, content: list[Message]) -> dict[str, float]:
    spent = {}
    with Log.open(folder) as log:
        for name in ("write", "survey again"):
            recording = log.begin_recording({"content_id": "c", "start_ns": START_NS})
            begun = time.perf_counter()
            for at in range(0, ROWS, BATCH):
                log.write(Batch(messages=[message_row(recording, item) for item in content[at : at + BATCH]]))
            spent[name] = time.perf_counter() - begun
            log.finish_recording(recording)
        begun = time.perf_counter()
        count = sum(1 for _ in log.messages())
        spent["read"] = time.perf_counter() - begun
        begun = time.perf_counter()
        export(log, "messages", "jsonl", io.BytesIO())
        spent["export jsonl"] = time.perf_counter() - begun
        begun = time.perf_counter()
        list(log.identities())
        log.summary()
        spent["identities and summary"] = time.perf_counter() - begun
        if count != ROWS:
            raise SystemExit(f"{count} rows came back of {ROWS}")
    return spent


def main() -> None:
    content = messages()
    best: dict[str, float] = {}
    for _ in range(ROUNDS):  # interleaved, best of each: the machine is shared
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with Log.open(folder) as log:
                recording = log.begin_recording({"content_id": "c", "start_ns": START_NS})
                plain = [{**message_row(recording, item), "identity": "i-" + "x" * 16} for item in content]
                values = [MESSAGE.values(row, "s-x") for row in plain]
            writing, reading = bare(folder, values)
        with tempfile.TemporaryDirectory() as name:
            spent = {"bare write": writing, "bare read": reading, **ours(Path(name), content)}
        best = {key: min(value, best.get(key, value)) for key, value in spent.items()}
    print(f"{ROWS} messages of 120 aircraft, batches of {BATCH}, best of {ROUNDS}")
    for key, value in best.items():
        base = best["bare read" if key in ("read", "export jsonl") else "bare write"]
        limit = LIMITS.get(key)
        words = f"  {value / base:5.1f} x bare" + (f" (limit {limit:g})" if limit else "")
        print(f"{key:24} {ROWS / value:10,.0f} rows/s  {value / ROWS * 1e6:6.1f} us/row{words}")


if __name__ == "__main__":
    main()
