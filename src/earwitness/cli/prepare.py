"""`earwitness prepare`: compile and cache kernels, so that no first run stalls."""

from __future__ import annotations

import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

_SCENE = """
[scene]
name = "prepare"
centre_hz = 162.0e6
rate_hz = 2.4e6
duration_s = 1.0
seed = 1
"""


def run_prepare() -> None:
    """Load every mode and survey a short made scene with one example of each."""
    from earwitness.core.mode import registry
    from earwitness.scene.describe import load_scene
    from earwitness.scene.synthesise import render
    from earwitness.station.run import survey_file

    for mode in registry().values():
        mode.part("demod")
        mode.part("synth")
        if find_spec(f"{mode.package}.messages"):  # modes of voice and pictures have none
            mode.part("messages")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "prepare.toml"
        path.write_text(_SCENE)
        made = render(load_scene(path), Path(folder))
        survey_file(str(made), Path(folder) / "station")
    print("kernels compiled and cached", file=sys.stderr)
