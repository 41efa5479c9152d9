"""What the packaged scenes' messages rest on: each is read again from its own stored evidence."""

from dataclasses import replace

import pytest

from earwitness.core.mode import registry
from earwitness.log.store import Log
from earwitness.scene import demo_scenes
from earwitness.scene.describe import load_scene
from earwitness.scene.synthesise import render
from earwitness.station.recheck import recheck
from earwitness.station.run import survey_file

SECONDS = {"beacon": 4.5, "pulses": 0.7, "marine": 4.0, "calling": 3.0, "packet": 6.0, "datalink": 6.0, "weather": 7.0}  # that are enough  # fmt: skip


def _said():
    for path in demo_scenes():
        scene = load_scene(path)
        for mode in sorted({burst.kind for burst in scene.bursts}):
            if mode in registry() and not registry()[mode].voice:
                yield pytest.param(path, mode, id=f"{path.stem}-{mode}")


@pytest.mark.parametrize(("path", "mode"), list(_said()))
def test_messages_are_read_again_from_their_evidence(tmp_path, path, mode):
    scene = load_scene(path)
    seconds = SECONDS.get(path.stem.removeprefix("demo_"), scene.duration_s)
    bursts = tuple(burst for burst in scene.bursts if burst.kind == mode and burst.start_s < seconds)
    scene = replace(scene, duration_s=seconds, bursts=bursts)
    outcome = survey_file(str(render(scene, tmp_path / "made")), tmp_path / "station")
    assert [text for text in outcome.warnings if "stopped" in text] == []  # no mode gave up
    with Log.open(tmp_path / "station") as log:
        messages = list(log.messages())
        verdict = recheck(log, tmp_path / "station", report=lambda done, note: None, stopped=lambda: False)
    pictures_only = mode in {"apt", "wefax", "sstv"}
    assert bool(messages) is not pictures_only
    assert all(row["evidence_id"] for row in messages)
    assert verdict.removed == 0
    said = {row["id"] for row in messages}
    assert [item for item in verdict.changed if item["id"] in said] == []


def test_a_weather_chart_is_narrow_keying_of_frequency(tmp_path):
    """White and black lie 400 Hz from the middle (WMO-No. 386, from memory); F3C is facsimile (RR Appendix 1)."""
    path = next(path for path in demo_scenes() if path.stem == "demo_chart")
    scene = replace(load_scene(path), duration_s=8.0)
    survey_file(str(render(scene, tmp_path / "made")), tmp_path / "station")
    with Log.open(tmp_path / "station") as log:
        rows = [row for row in log.emissions() if not row["artefact"]]
    assert [row["class"] for row in rows] == ["fsk2"]
    assert rows[0]["deviation_hz"] == pytest.approx(400, rel=0.05)
