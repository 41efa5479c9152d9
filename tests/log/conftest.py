"""A log on each database, and rows to put in."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.log.rows import message_row
from earwitness.log.store import Log

START_NS = 1_764_057_600_000_000_000  # 2025-11-25T08:00:00Z


@pytest.fixture(scope="session")
def postgres_server():
    """A PostgreSQL server of our own on a socket in a temporary folder, or a skip that says why."""
    pytest.importorskip("psycopg", reason="no psycopg: pip install 'earwitness[postgres]'")
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    initdb = shutil.which("initdb") or (found[-1] if found else None)
    if initdb is None:
        pytest.skip("no PostgreSQL server installed")
    bin_dir = Path(initdb).resolve().parent
    folder = Path(tempfile.mkdtemp(prefix="earwitness-pg-"))
    account = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        try:
            shutil.chown(folder, "postgres", "postgres")
        except LookupError:
            pytest.skip("running as root and no account 'postgres' to run a server with")
        account = {"user": "postgres", "group": "postgres", "extra_groups": []}

    def run(name, *arguments):
        return subprocess.run(
            [bin_dir / name, *arguments],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            **account,
        )

    data = folder / "data"
    made = run("initdb", "-D", data, "-U", "station", "-A", "trust", "-E", "UTF8", "--no-sync")
    options = f"-k {folder} -c listen_addresses='' -c fsync=off -c shared_buffers=16MB"
    started = run("pg_ctl", "-D", data, "-w", "-o", options, "-l", folder / "server.log", "start")
    try:
        if made.returncode or started.returncode:
            pytest.skip(f"PostgreSQL server did not start: {made.stderr[-200:]}{started.stderr[-200:]}")
        yield f"host={folder} user=station dbname=postgres"
    finally:
        run("pg_ctl", "-D", data, "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgres"])
def open_log(request, tmp_path):
    """Something that opens the test's log, again and again the same."""
    opened = []
    if request.param == "sqlite":

        def again():
            opened.append(Log.open(tmp_path / "station"))
            return opened[-1]

    else:
        server = request.getfixturevalue("postgres_server")  # skips where there is no server or no psycopg
        import psycopg

        schema = f"t{abs(hash(request.node.nodeid))}"
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"CREATE SCHEMA {schema}")

        def again():
            opened.append(Log.open(tmp_path, url=f"{server} options='-c search_path={schema}'"))
            return opened[-1]

    yield again
    for log in opened:
        log.close()


@pytest.fixture
def log(open_log):
    return open_log()


@pytest.fixture
def recording_facts():
    def make(content="one", **facts):
        base = {"content_id": content, "name": f"recording {content}", "start_ns": START_NS}
        return {**base, "rate_hz": 2.4e6, "center_hz": 162e6, "software": "0.1.0", **facts}

    return make


@pytest.fixture
def ais_row():
    def make(recording, second=0.0, mmsi="244000001", value=1, flags=(), related=(), place=None, **facts):
        at_ns = START_NS + round(second * 1e9)
        frame = Frame(
            "ais",
            at_ns,
            at_ns + 26_666_667,
            Bits(value, 168),
            "pass",
            check_name="CRC-16",
            snr_db=15.5,
            frequency_hz=162_025_010.0,
        )
        latitude, longitude = place or (None, None)
        who = IdentityRef("vessel", mmsi, (f"NAME {mmsi}",), latitude, longitude)
        fields = {"mmsi": mmsi, "latitude_deg": latitude, "longitude_deg": longitude}
        message = Message(frame, "position report", fields, "pass", who, related, flags)
        return message_row(recording, message, **facts)

    return make


@pytest.fixture
def emission():
    def make(recording, second=0.0, length=1.0, frequency_hz=162_025_000.0, **facts):
        start = START_NS + round(second * 1e9)
        row = {
            "recording": recording,
            "start_ns": start,
            "stop_ns": start + round(length * 1e9),
            "frequency_hz": frequency_hz,
            "occupied_bandwidth_hz": 9_600.0,
            "class": "fsk2",
            "snr_db": 15.0,
            "reasons": ["constant envelope"],
        }
        return {**row, **facts}

    return make
