"""`earwitness prepare`: compile and cache kernels, so that no first run stalls; and what a first run does without it."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from itertools import groupby
from pathlib import Path

from earwitness.cli.app import say
from earwitness.dsp import jit

_SCENE = """
[scene]
name = "prepare"
centre_hz = 162.0e6
rate_hz = 2.4e6
duration_s = 1.0
seed = 1
"""
_PACKAGE = Path(__file__).parents[1]
_FIRST = ("dsp", "coding")  # rooms whose kernels those of others call
_MOST_PROCESSES = 4
_MOST_MODULES = 2  # compiled in one process: the compiler keeps some 20 MB of each
_LOOK_S = 0.05
_LOAD = """
import importlib, signal, sys
signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends it without a word
for name in sys.argv[1:]:
    importlib.import_module(name)
from earwitness.dsp import jit
jit.load_all()
"""


def _with_kernels() -> Iterator[tuple[bool, int, Path]]:
    """Give the modules that compile something: whether they wait for others, how many they draw on, their file."""
    for path in _PACKAGE.rglob("*.py"):
        place = path.relative_to(_PACKAGE)
        if "tests" in place.parts:
            continue
        text = path.read_text(encoding="utf-8")
        if "\n@kernel" in text:
            yield place.parts[0] not in _FIRST, text.count("\nfrom earwitness."), path


def _compile(modules: list[tuple[bool, int, Path]]) -> list[Path]:
    """Import modules with kernels, on several cores; gives those that were compiled.

    What draws on few others comes first, so that no process compiles much besides its own.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    done: list[Path] = []
    for _, room in groupby(modules, key=lambda item: item[0]):
        paths = [path for *_, path in room]
        parts = [paths[at : at + _MOST_MODULES] for at in range(0, len(paths), _MOST_MODULES)]
        for part in _loaded(parts, min(cores, _MOST_PROCESSES)):
            done += part
            print(f"\rcompiling kernels: {len(done)} of {len(modules)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return done


def _loaded(parts: list[list[Path]], workers: int) -> Iterator[list[Path]]:
    """Load each part in a process of its own, `workers` at a time; gives each that came to its end."""
    waiting, running = parts[::-1], dict[subprocess.Popen[bytes], list[Path]]()
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                part = waiting.pop()
                running[subprocess.Popen([sys.executable, "-c", _LOAD, *map(_name, part)])] = part
            time.sleep(_LOOK_S)
            for process in [process for process in running if process.poll() is not None]:
                part = running.pop(process)
                if process.returncode == 0:
                    yield part
    finally:
        for process in running:
            process.kill()
            process.wait()


def _name(path: Path) -> str:
    name = ".".join(("earwitness", *path.relative_to(_PACKAGE).with_suffix("").parts))
    return name.removesuffix(".__init__")


def _stamp(path: Path) -> str:
    """Say which state of a file was compiled by which compiler."""
    facts = path.stat()
    return f"{facts.st_size} {facts.st_mtime_ns} {jit.numba.__version__} {platform.python_version()}"


def compile_new() -> None:
    """Compile the kernels of modules that have not been compiled as they are, in processes of their own.

    Else a first run would compile what it meets on its way without a word, and keep the compiler's memory. What was
    compiled is noted beside it.
    """
    note = Path(os.environ["NUMBA_CACHE_DIR"]) / "compiled.json"
    known: dict[str, str] = {}
    with suppress(OSError, ValueError):  # not there yet, or not whole: compiled again
        known = dict(json.loads(note.read_text(encoding="utf-8")))
    new = [item for item in sorted(_with_kernels()) if known.get(str(item[2])) != _stamp(item[2])]
    if not new:
        return
    if len(new) > _MOST_PROCESSES * _MOST_MODULES:
        say("compiling kernels first, which takes some minutes once.")
    known |= {str(path): _stamp(path) for path in _compile(new)}
    with suppress(OSError):  # without a cache that can be written there is nothing to note
        note.parent.mkdir(parents=True, exist_ok=True)
        note.write_text(json.dumps(known), encoding="utf-8")


def run_prepare() -> None:
    """Compile all kernels, and survey a short made scene."""
    from earwitness.scene.describe import load_scene
    from earwitness.scene.synthesise import render
    from earwitness.station.run import survey_file

    compile_new()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "prepare.toml"
        path.write_text(_SCENE)
        made = render(load_scene(path), Path(folder))
        survey_file(str(made), Path(folder) / "station")
    print("kernels compiled and cached", file=sys.stderr)
