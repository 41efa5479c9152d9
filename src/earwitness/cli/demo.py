"""`earwitness demo`: invented scenes are made, surveyed and reported."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from earwitness.cli.app import say
from earwitness.cli.common import open_log, print_json
from earwitness.cli.progress import Progress
from earwitness.cli.survey import found_in_words


def run_demo(station: Path | None, *, json: bool) -> None:
    """Run the whole job on the packaged scenes."""
    from earwitness.cli.prepare import compile_new

    compile_new()
    from earwitness.scene import demo_scenes
    from earwitness.scene.describe import load_scene
    from earwitness.scene.synthesise import render
    from earwitness.station.run import survey_file
    from earwitness.view.report import write_report

    folder = station or Path(tempfile.mkdtemp(prefix="earwitness-demo-"))
    made = folder / "recordings"
    outcomes = []
    for path in demo_scenes():
        scene = load_scene(path)
        with Progress(f"making {scene.name}") as progress:
            recording = render(scene, made, progress=progress.part)
        with Progress(f"surveying {scene.name}") as progress:
            outcome = survey_file(str(recording), folder, report=progress.share, again=True)
        outcomes.append(outcome)
        for warning in outcome.warnings:
            say(f"{outcome.name}: {warning}")
        if not json:
            print(f"{outcome.name}: {found_in_words(outcome.counts)} in {outcome.seconds:.0f} s of radio")
    report = folder / "report.html"
    with open_log(folder) as log:
        write_report(log, folder, report)
    if json:
        print_json(
            {"station": str(folder), "report": str(report), "recordings": [item.facts() for item in outcomes]}
        )
        return
    print(f"\nThe report is ready; open {report}")
    print(f"Then try:  earwitness query identities --station {folder}", file=sys.stderr)
