"""`earwitness prepare`: compile and cache kernels, so that no first run stalls."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor, as_completed
from importlib import import_module
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path

_SCENE = """
[scene]
name = "prepare"
centre_hz = 162.0e6
rate_hz = 2.4e6
duration_s = 1.0
seed = 1
"""
_FIRST = ("dsp", "coding")  # rooms whose kernels those of others call
_MOST_PROCESSES = 4  # each takes some 300 MB


def _with_kernels() -> Iterator[tuple[bool, int, str]]:
    """Give the modules that compile something: whether others wait for it, how long it is, its name."""
    package = Path(__file__).parents[1]
    for path in package.rglob("*.py"):
        place = path.relative_to(package)
        if "tests" not in place.parts and "\n@kernel" in path.read_text(encoding="utf-8"):
            name = ".".join(("earwitness", *place.with_suffix("").parts))
            yield place.parts[0] not in _FIRST, -path.stat().st_size, name.removesuffix(".__init__")


def _compile() -> None:
    """Import all modules with kernels, on several cores where that can be had, the longest first."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    modules = sorted(_with_kernels())
    try:
        with ProcessPoolExecutor(min(cores, _MOST_PROCESSES), mp_context=get_context("spawn")) as pool:
            done = 0
            for _, room in groupby(modules, key=lambda item: item[0]):
                for task in as_completed([pool.submit(_load, name) for *_, name in room]):
                    task.result()
                    done += 1
                    print(f"\rcompiling kernels: {done} of {len(modules)} modules", end="", file=sys.stderr)
        print(file=sys.stderr)
    except (OSError, BrokenExecutor) as error:  # no semaphores, or no memory for so many
        print(f"\ncompiling kernels one after the other ({error})", file=sys.stderr)
        for *_, name in modules:
            _load(name)


def _load(name: str) -> None:
    import_module(name)


def run_prepare() -> None:
    """Compile all kernels, and survey a short made scene."""
    from earwitness.scene.describe import load_scene
    from earwitness.scene.synthesise import render
    from earwitness.station.run import survey_file

    _compile()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "prepare.toml"
        path.write_text(_SCENE)
        made = render(load_scene(path), Path(folder))
        survey_file(str(made), Path(folder) / "station")
    print("kernels compiled and cached", file=sys.stderr)
