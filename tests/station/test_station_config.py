"""station.toml: what is read, mistakes named in one sentence, examples that are valid."""

import gc
import re
from contextlib import suppress
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import ParameterError
from earwitness.station import config
from earwitness.station.config import CONFIG_NAME, TEMPLATE, default_folder, load_station, parse_station

FULL = """
[place]
name = "Hill"
latitude_deg = 51
longitude_deg = -4.25
height_m = 12.5
[antenna]
name = "Discone"
[[receiver]]
name = "first"
match = "stick"
error_ppm = -12.5
[[frequency]]
hz = 156_800_000
label = "Channel 16"
mode = "fm"
[[frequency]]
hz = 156_805_000
label = "Neighbour"
[retention]
evidence_mb = 5
[log]
url = "postgresql://u@h/s"
"""


def test_everything_is_read(tmp_path):
    station = parse_station(FULL, tmp_path)
    assert (station.place.name, station.place.latitude_deg, station.place.longitude_deg) == (
        "Hill",
        51.0,
        -4.25,
    )
    assert station.antenna.name == "Discone"
    assert station.receiver_for("An 8-bit STICK, serial 1").error_ppm == -12.5
    assert station.receiver_for(None) is None
    assert station.evidence_bytes == 5_000_000
    assert station.log.url == "postgresql://u@h/s"
    assert station.label(156_802_000) == "Channel 16"
    assert station.label(156_803_000) == "Neighbour"
    assert station.label(156_900_000) is None
    assert station.listed(156_800_001).mode == "fm"


def test_template_is_written_once_and_is_valid(tmp_path):
    station = load_station(tmp_path / "new")
    path = tmp_path / "new" / CONFIG_NAME
    assert path.read_text() == TEMPLATE
    assert station.place.latitude_deg is None
    assert station.evidence_bytes == 2_000_000_000
    path.write_text("[place]\nname = 'mine'\n")
    assert load_station(tmp_path / "new").place.name == "mine"
    assert [item.name for item in path.parent.iterdir()] == [CONFIG_NAME]


def test_every_example_in_the_template_is_valid(tmp_path):
    lines = []
    for line in TEMPLATE.splitlines():
        bare = line.removeprefix("# ")
        lines.append(bare if bare.startswith("[[") or " = " in bare else line)
    station = parse_station("\n".join(lines), tmp_path)
    assert station.place.height_m == 30.0
    assert station.frequency[0].label.startswith("Channel 16")
    assert station.receiver[0].error_ppm == 12.5
    assert station.log.url


def test_reading_without_creating_leaves_no_trace(tmp_path):
    assert load_station(tmp_path / "none", create=False).frequency == ()
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[plase]", "unknown key 'plase'; did you mean 'place'"),
        ("[place]\nlattitude_deg = 5", "did you mean 'latitude_deg'"),
        ("colour = 1", "unknown key 'colour'; known: place, "),
        ("[place]\nlatitude_deg = 95\nlongitude_deg = 1", "must be a number from -90 to 90"),
        ("[place]\nlatitude_deg = nan\nlongitude_deg = 1", "must be a number"),
        ("[place]\nlatitude_deg = true\nlongitude_deg = 1", "must be a number"),
        ("[place]\nlatitude_deg = 5", "together, or neither"),
        ("[place]\nname = 5", "must be text"),
        ("place = 5", "must be a table"),
        ("[frequency]\nhz = 5", "two brackets"),
        ("[[frequency]]\nhz = 1e8", "needs label"),
        ("[[frequency]]\nlabel = 'x'\nhz = '1e8'", "must be a number"),
        ("frequency = [5]", "must be a table"),
        ("[place", "station.toml"),
        ("a = " + "[" * 5000, "station.toml"),
    ],
)
def test_mistakes_are_named(tmp_path, text, said):
    gc.collect()  # what is left of other tests must not be cleared away at the bottom of the deepest recursion
    with pytest.raises(ParameterError) as caught:
        parse_station(text, tmp_path)
    assert said in str(caught.value)


def test_unreadable_settings(tmp_path):
    (tmp_path / CONFIG_NAME).write_bytes(b"\xff\xfe")
    with pytest.raises(ParameterError, match="UTF-8"):
        load_station(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(ParameterError, match="cannot be used"):
        load_station(tmp_path / "file")


@given(st.text(max_size=200))
def test_any_text_gives_settings_or_a_clear_error(text):
    with suppress(ParameterError):
        parse_station(text, default_folder())


def test_default_folder_is_the_platforms():
    assert default_folder().name == "earwitness"


def test_hints_name_tables_and_keys_that_there_are():
    """Every "KEY under [TABLE] in station.toml" and "[[TABLE]] in station.toml" that a user may be told."""
    tables = {**config._TABLES, **config._LISTS}
    told = 0
    for path in Path(config.__file__).parents[1].rglob("*.py"):
        text = path.read_text("utf-8")
        for key, table in re.findall(r"(\w+) under \[(\w+)\] in station\.toml", text):
            assert key in {item.name for item in fields(config._TABLES[table])}, path
            told += 1
        for opened, table in re.findall(r"(\[{1,2})(\w+)\]{1,2} in station\.toml", text):
            assert table in (config._LISTS if opened == "[[" else config._TABLES), path
            told += 1
        assert set(re.findall(r"station\.toml[^\"\n]{0,20}\[{1,2}(\w+)\]", text)) <= set(tables), path
    assert told >= 4
