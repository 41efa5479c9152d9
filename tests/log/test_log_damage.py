"""Logs that are damaged, of others, or on a medium that cannot be written: said in words, read where possible."""

import os
import sqlite3
import subprocess
import sys

import pytest

from earwitness.core.errors import LogError, StorageError
from earwitness.log.export import _track
from earwitness.log.store import LOG_NAME, Batch, Log


@pytest.fixture
def station(tmp_path):
    with Log.open(tmp_path) as log:
        recording = log.begin_recording({"content_id": "c", "start_ns": 10**18})
        row = {
            "recording": recording,
            "time_ns": 10**18,
            "mode": "ais",
            "payload_hex": "04",
            "payload_bits": 8,
            "check": "pass",
            "kind": "position report",
            "fields": {"a": "some words to look for"},
            "frequency_hz": 162e6,
        }
        log.write(Batch(messages=[row]))
        log.finish_recording(recording)
    return tmp_path


def read(folder):
    with Log.open(folder, create=False) as log:
        return list(log.messages())


def test_text_that_is_none_is_damage(station):
    path = station / LOG_NAME
    path.write_bytes(path.read_bytes().replace(b"some words", b"so\xd8\xffe words"))
    with pytest.raises(LogError, match="damaged"):
        read(station)


def test_a_table_spoiled_in_the_file_is_damage(station):
    path = station / LOG_NAME
    body = path.read_bytes()
    at = body.index(b"CREATE TABLE message")
    path.write_bytes(body[:at] + b"CRE\xd8TE" + body[at + 6 :])
    with pytest.raises(LogError, match="damaged"):
        read(station)


@pytest.mark.parametrize(
    "change", ["time_ns = 9000000000000000000 * 1000.0", "fields = '{bad'", "flags = 'x'"]
)
def test_values_out_of_all_bounds_are_damage(station, change):
    connection = sqlite3.connect(station / LOG_NAME)
    connection.execute(f"UPDATE message SET {change}")
    connection.commit()
    connection.close()
    with pytest.raises(LogError, match="damaged"):
        read(station)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs the rights of a Unix file system")
def test_a_log_that_may_not_be_written_can_be_read(station):
    """In a process without rights of its own: the one that runs the tests may have all."""
    (station / LOG_NAME).chmod(0o444)
    station.chmod(0o555)
    code = (
        "import os, sys; from pathlib import Path\n"
        "from earwitness.log.store import Log\n"
        "from earwitness.core.errors import StorageError\n"
        "if os.geteuid() == 0: os.setegid(65534); os.seteuid(65534)\n"
        "with Log.open(Path(sys.argv[1]), create=False) as log:\n"
        "    assert len(list(log.messages())) == 1\n"
        "    try: log.begin_recording({'content_id': 'd', 'start_ns': 0})\n"
        "    except StorageError: print('refused')\n"
    )
    for parent in (station, *station.parents):
        if parent.stat().st_uid == os.geteuid() and parent != station and "pytest" in parent.name:
            parent.chmod(0o755)
    try:
        done = subprocess.run(
            [sys.executable, "-c", code, str(station)], capture_output=True, text=True, check=False
        )
    finally:
        station.chmod(0o755)
    if "Permission denied" in done.stderr or "No module" in done.stderr:
        pytest.skip("the other user cannot reach the folder")
    assert done.stdout == "refused\n", done.stderr


def test_busy_is_a_failure_while_working(station):
    other = sqlite3.connect(station / LOG_NAME, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with Log.open(station, create=False) as log:
            log._database._connection.execute("PRAGMA busy_timeout = 50")
            with pytest.raises(StorageError, match="busy"):
                log.begin_recording({"content_id": "d", "start_ns": 0})
    finally:
        other.close()


def test_a_track_across_180_degrees_is_cut_there():
    """RFC 7946, 3.1.9: a line that crosses the antimeridian is cut in two."""

    class Places:
        def track(self, _):
            return iter(
                {"latitude_deg": la, "longitude_deg": lo} for la, lo in ((10, 179), (12, -179), (13, -178))
            )

    assert _track(Places(), "identities", {"id": "i"}) == [
        [(179.0, 10.0), (180.0, 11.0)],
        [(-180.0, 11.0), (-179.0, 12.0), (-178.0, 13.0)],
    ]
