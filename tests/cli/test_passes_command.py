"""`earwitness passes`: table, JSON, schedule, calendar (RFC 5545) and picture; mistakes are said in a sentence."""

import io
import json
import re
import subprocess
import sys

import pytest
from PIL import Image

RUN = [sys.executable, "-c", "from earwitness.cli import main; main()"]
SETTINGS = """
[place]
name = "Hill; above, the harbour"
latitude_deg = 50.0
longitude_deg = 4.0
horizon = "0:3 90:12"
[[receiver]]
name = "first"
rate_hz = 2.4e6
[[satellite]]
name = "LANTERN"
frequency_hz = 137_912_500
"""
# made up, checksums right
LINES = """LANTERN
1 90001U 26001A   26329.00000000  .00000000  00000-0  10000-3 0  9990
2 90001  98.7000 100.0000 0010000  90.0000 270.0000 14.20000000    09
"""


def signed(text):
    out = []
    for line in text.splitlines():
        if re.match("[12] ", line):
            total = sum(int(c) if c.isdigit() else c == "-" for c in line[:68])
            line = line[:68] + str(total % 10)
        out.append(line)
    return "\n".join(out) + "\n"


@pytest.fixture
def station(tmp_path):
    folder = tmp_path / "station"
    folder.mkdir()
    (folder / "station.toml").write_text(SETTINGS)
    (tmp_path / "given.txt").write_text(signed(LINES) + "junk\n")
    return folder


def run(station, *arguments):
    done = subprocess.run(
        [*RUN, "passes", "--station", str(station), *arguments],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert "Traceback" not in done.stderr
    return done


def test_everything_at_once(station, tmp_path):
    given, ics, png = tmp_path / "given.txt", tmp_path / "p.ics", tmp_path / "p.png"
    done = run(
        station, "--elements", str(given), "--from", "2026-11-26T00:00:00Z", "--json", "--schedule", "--ical",
        str(ics), "--picture", str(png),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "line 4 is no line of elements: 'junk'" in done.stderr
    found = json.loads(done.stdout)
    assert len(found["passes"]) >= 4
    first = found["passes"][0]
    assert first["aos"]["time"] < first["tca"]["time"] < first["los"]["time"]
    assert first["aos"]["doppler_hz"] > 0 > first["los"]["doppler_hz"]
    rows = [json.loads(line) for line in (station / "schedule.jsonl").read_text().splitlines()]
    assert rows == found["recordings"]
    image = Image.open(io.BytesIO(png.read_bytes()))
    assert image.width > 1500
    assert len(image.getcolors(1 << 20)) > 20
    check_calendar(ics.read_bytes(), len(found["passes"]))
    again = run(station, "--from", "2026-11-26T00:00:00Z")  # the elements were kept
    assert again.returncode == 0
    assert "LANTERN" in again.stdout


def check_calendar(content, events):
    """RFC 5545: 3.1 (CRLF, 75 octets), 3.6 (VERSION, PRODID), 3.6.1 (UID, DTSTAMP, DTSTART), 3.3.11 (escapes)."""
    lines = content.split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) <= 75
    assert b"\n" not in content.replace(b"\r\n", b"")
    unfolded = content.replace(b"\r\n ", b"").decode().split("\r\n")
    assert unfolded[:3] == ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Earwitness//passes//EN"]
    assert unfolded.count("BEGIN:VEVENT") == unfolded.count("END:VEVENT") == events
    for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"):
        assert sum(line.startswith(f"{name}:") for line in unfolded) == events
    uids = [line for line in unfolded if line.startswith("UID:")]
    assert len(set(uids)) == events
    assert "LOCATION:Hill\\; above\\, the harbour" in unfolded
    for line in unfolded:
        if line.startswith("DT"):
            assert re.fullmatch(r"\d{8}T\d{6}Z", line.partition(":")[2])


@pytest.mark.parametrize(
    ("settings", "arguments", "said"),
    [
        ("", [], "write latitude_deg and longitude_deg"),
        ("[place]\nlatitude_deg=5\nlongitude_deg=5", [], "no [[satellite]]"),
        (SETTINGS, ["--hours", "-1"], "--hours takes"),
        (SETTINGS, ["--from", "noon"], "is not a time"),
        (SETTINGS, ["--elements", "/nowhere/x"], "cannot be read"),
        (SETTINGS, ["--elements", "{station}/station.toml"], "no elements to keep"),
        (SETTINGS, ["--satellite", "GULL"], "'GULL' is not among"),
        (SETTINGS.replace("90:12", "90-12"), [], "azimuth:elevation"),
    ],
)
def test_mistakes(station, settings, arguments, said):
    (station / "station.toml").write_text(settings)
    done = run(station, *[text.format(station=station) for text in arguments])
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stdout == ""


def test_nothing_known_of_a_satellite_is_no_failure(station):
    done = run(station, "--from", "2026-11-26T00:00:00Z")
    assert done.returncode == 0
    assert "no elements of 'LANTERN'" in done.stderr
    assert "no passes" in done.stdout


def test_a_file_that_is_none_does_not_flood(station, tmp_path):
    given = tmp_path / "noise.txt"
    given.write_text(signed(LINES) + "junk\n" * 1000)
    done = run(station, "--elements", str(given), "--from", "2026-11-26T00:00:00Z")
    assert done.returncode == 0
    assert len(done.stderr.splitlines()) < 30
    assert "problems more" in done.stderr
