"""`earwitness scene`: synthesise a recording from a description."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.common import print_json
from earwitness.cli.progress import Progress
from earwitness.sources.names import regular_file


def run_scene(file: Path, output: Path, *, json: bool) -> None:
    """Render a scene file into a folder."""
    regular_file(file)  # before all that making it needs is loaded
    from earwitness.scene.describe import load_scene
    from earwitness.scene.synthesise import render

    scene = load_scene(file)
    with Progress(f"making {file.name}") as progress:
        made = render(scene, output, progress=progress.part)
    if json:
        print_json({"recording": str(made)})
    else:
        print(f"made {made}", file=sys.stderr)
