"""`earwitness overlay`: lines lie where places are, the error is stated, what cannot be drawn is said."""

import io
import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time
from earwitness.core.types import Picture
from earwitness.log.evidence import EvidenceStore
from earwitness.log.rows import picture_row
from earwitness.log.store import Batch, Log
from earwitness.orbit.elements import Elements, as_omm, checked
from earwitness.orbit.passes import find_passes
from earwitness.orbit.swath import Swath, scan_of
from earwitness.orbit.track import Site
from earwitness.view.overlay import coast_lines, draw_overlay, lines_in_view

RUN = [sys.executable, "-c", "from earwitness.cli import main; main()"]
EPOCH = parse_time("2026-11-25T00:00:00Z")
LANTERN = checked(
    Elements("LANTERN 2", 90001, "", EPOCH, 98.7, 100.0, 0.001, 90.0, 270.0, 14.2, 1e-4)
)  # fmt: skip
SITE = Site(50.0, 4.0)
SETTINGS = """
[place]
latitude_deg = 50.0
longitude_deg = 4.0
[[satellite]]
name = "LANTERN 2"
frequency_hz = 137_912_500
"""


@pytest.fixture(scope="module")
def flown():
    return find_passes(LANTERN, SITE, EPOCH, EPOCH + 86_400_000_000_000, minimum_deg=40)[0]


def picture(flown, mode="lrpt", width=784, lines=600):
    return Picture(
        mode, flown.tca.time_ns - lines * 250_000_000, flown.tca.time_ns + lines * 250_000_000,
        np.full((lines, width), 128, np.uint8), 137.91e6,
    )  # fmt: skip


@pytest.fixture
def station(tmp_path, flown):
    (tmp_path / "station.toml").write_text(SETTINGS)
    (tmp_path / "elements").mkdir()
    (tmp_path / "elements" / "one.json").write_text(as_omm([LANTERN]))
    with Log.open(tmp_path) as log:
        store = EvidenceStore(log, tmp_path, 10**9)
        recording = log.begin_recording({"content_id": "c", "start_ns": flown.aos.time_ns})
        for one in (picture(flown), picture(flown, "wefax"), picture(flown, "lrpt", 700)):
            row = picture_row(recording, replace(one, start_ns=one.start_ns + 1000 * one.pixels.shape[1]))
            if one.pixels.shape[1] != 700:
                kept = store.add_picture(
                    recording, row["id"], one.pixels, frequency_hz=one.frequency_hz, start_ns=one.start_ns,
                    stop_ns=one.stop_ns,
                )  # fmt: skip
                log.write(Batch(pictures=[{**row, "evidence_id": kept["id"]}], evidence=[kept]))
            else:
                log.write(Batch(pictures=[row]))
        log.finish_recording(recording)
    return tmp_path


def run(station, *arguments):
    done = subprocess.run(
        [*RUN, "overlay", "--station", str(station), *arguments],
        check=False,
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert "Traceback" not in done.stderr
    return done


def test_lines_are_drawn_where_places_are(flown):
    one = picture(flown)
    lines = one.start_ns + np.arange(600) * 500_000_000 + 250_000_000
    swath = Swath(LANTERN, lines, scan_of("lrpt", 784))
    parts = list(lines_in_view(swath, coast_lines()))
    assert len(parts) > 5
    for part in parts:  # a drawn point lies where the geometry puts its place
        assert part.min() > -1
        assert (part[:, 0] < 784).all()
        assert (part[:, 1] < 600).all()
    png = draw_overlay(one.pixels, swath, station=(50.0, 4.0), words=("one", "two"))
    image = np.asarray(Image.open(io.BytesIO(png))).astype(int)
    assert image.shape[0] > 600
    (row,), (column,) = swath.pixels(np.array([50.0]), np.array([4.0]))
    spot = image[round(row), round(column) - 5 : round(column) + 5]
    assert (spot[:, 0] - spot[:, 2] > 100).any()  # the mark of the station
    coast = parts[0][len(parts[0]) // 2]
    near = image[int(coast[1]) - 1 : int(coast[1]) + 3, int(coast[0]) - 1 : int(coast[0]) + 3]
    assert (near[..., 0] - near[..., 2] > 40).any()
    turned = np.asarray(Image.open(io.BytesIO(draw_overlay(one.pixels, swath, turn=True))))
    assert (turned[::-1, ::-1] == np.asarray(Image.open(io.BytesIO(draw_overlay(one.pixels, swath))))).all()
    with pytest.raises(ParameterError):
        draw_overlay(one.pixels[:-1], swath)


def test_command(station):
    with Log.open(station) as log:
        ids = {(row["mode"], row["width"]): row["id"] for row in log.pictures()}
    target = station / "out.png"
    done = run(station, ids["lrpt", 784], "--output", str(target), "--json", "--clock-error", "2")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["number"] == 90001
    assert 13 < said["along_track_error_km"] < 16  # 2 s at 6.6 km/s, elements of a day, pointing
    assert said["across_track_error_km"] < 5
    assert Image.open(io.BytesIO(target.read_bytes())).width == 784
    for arguments, code, words in (
        ((ids["wefax", 784],), 2, "scans no Earth"),
        ((ids["lrpt", 700],), 2, "no longer kept"),
        ((ids["lrpt", 784], "--satellite", "GULL"), 2, "no elements of 'GULL'"),
        ((ids["lrpt", 784], "--clock-error", "-1"), 2, "--clock-error takes"),
        (("p-none",), 2, "no entry"),
    ):
        done = run(station, *arguments)
        assert done.returncode == code
        assert words in done.stderr
    (station / "station.toml").write_text(SETTINGS.replace("137_912_500", "400e6"))
    assert "name it with --satellite" in run(station, ids["lrpt", 784]).stderr
