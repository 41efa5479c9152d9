"""The evidence of one entry: its facts in words, its stretch of I/Q, the pictures drawn from it, its files.

Files are only ever taken from inside the station folder, whatever path a row names.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.core.errors import EarwitnessError
from earwitness.core.text import file_stem
from earwitness.core.types import Samples
from earwitness.view.facts import facts_of
from earwitness.view.words import (
    moment,
    plain,
)

if TYPE_CHECKING:
    from rich.console import RenderableType

MOST_SAMPLES = 4_000_000


def file_of(station_dir: Path, path: Any) -> Path | None:
    """Give the file a row names, if it exists and lies inside the station folder."""
    if not isinstance(path, str) or not path or "\0" in path:
        return None
    root = Path(station_dir).resolve()
    try:
        found = (root / path).resolve()
        return found if found.is_relative_to(root) and found.is_file() else None
    except OSError:
        return None


def stretch_of(station_dir: Path, evidence: Mapping[str, Any], at_ns: int | None = None) -> Samples | None:
    """Give the I/Q a snippet holds (the capture around `at_ns` of a pack of many); None when it is gone.

    Levels are put back to what the receiver gave where the snippet says how far they were raised.
    """
    from earwitness.sources import open_source

    path = file_of(station_dir, evidence.get("path"))
    if path is None or evidence.get("kind") != "snippet":
        return None
    try:
        source = open_source(path)
        stretch = source.stretches[0]
        for item in source.stretches:
            if at_ns is not None and item.epoch_ns <= at_ns + 1_000_000:
                stretch = item
        data = stretch.read(0, min(stretch.count, MOST_SAMPLES))
    except (EarwitnessError, OSError, IndexError):
        return None  # evidence that was cut short or overwritten is shown as missing, never as a failure
    gain_db = evidence.get("gain_db")
    if isinstance(gain_db, int | float) and abs(gain_db) < 400:
        data = data * np.float32(10 ** (-gain_db / 20))
    return Samples(data, stretch.rate_hz, stretch.center_hz, 0, stretch.epoch_ns)


def pictures_of(entry: Mapping[str, Any], station_dir: Path) -> dict[str, bytes]:
    """Give the PNG pictures by name for an entry as `Log.entry` gives it; {} when there is no I/Q to show."""
    from earwitness.view.pictures import evidence_pictures

    row = entry["row"]
    facts = dict(entry.get("emission") or row)
    at_ns = moment(row.get("time")) or moment(row.get("start"))
    for evidence in entry.get("evidence", ()):
        samples = stretch_of(station_dir, evidence, at_ns)
        if samples is not None:
            return evidence_pictures(samples, facts)
    return {}


def write_evidence(entry: Mapping[str, Any], station_dir: Path, folder: Path) -> list[Path]:
    """Copy an entry's snippet, audio and pictures into a folder and draw its evidence; gives the paths.

    File names are made of ids only. OSError when the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for evidence in entry.get("evidence", ()):
        path = file_of(station_dir, evidence.get("path"))
        if path is None:
            continue
        for part in sorted(path.parent.glob(f"{path.name.split('.')[0]}.*")):
            out.append(Path(shutil.copyfile(part, folder / part.name)))
    stem = file_stem(str(entry["row"].get("id", "entry")))
    for name, png in pictures_of(entry, station_dir).items():
        target = folder / f"{stem}-{name}.png"
        target.write_bytes(png)
        out.append(target)
    return out


def _tied(tie: Mapping[str, Any], row: Mapping[str, Any]) -> str:
    """Give a relation of an identity in words: what, with whom, why, and how it is called."""
    here = "a" if tie.get("a") == row.get("id") else "b"
    there = "b" if here == "a" else "a"
    said = plain(tie.get("relation"), limit=40)
    if said == "mentioned" and here == "b":
        said = "mentioned by"
    other = f"{plain(tie.get(f'{there}_kind'), limit=40)} {plain(tie.get(f'{there}_key'), limit=60)} ({tie.get(there)})"
    why = f"{plain(tie.get('rule'))}; message {plain(tie.get('message_id'), limit=40)}"
    parted = " PARTED BY HAND" if tie.get("undone") else ""
    return f"{said} {other}{parted}: {why} [{tie.get('id')}]"


def describe(entry: Mapping[str, Any]) -> RenderableType:
    """Give an entry for the terminal: its facts, then what hangs on it."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from earwitness.view.tables import table

    facts = Table.grid(padding=(0, 2))
    facts.add_column(style="dim", max_width=28)
    facts.add_column(overflow="fold")
    row = entry["row"]
    for term, words in facts_of(row):
        facts.add_row(Text(term), Text(words))
    if entry.get("labels") and "labels" not in row:
        facts.add_row(Text("labels"), Text(plain(entry["labels"])))
    parts: list[RenderableType] = [
        Text(f"{entry['what']} {plain(row.get('id'), limit=60)}", style="bold"),
        facts,
    ]
    parts += [Text(_tied(tie, row), overflow="fold") for tie in entry.get("relations", ())[:40]]
    for piece in entry.get("evidence", ())[:20]:
        if piece is not row:
            gone = f", {plain(piece.get('removed_reason'))}" if piece.get("removed") else ""
            parts.append(
                Text(
                    f"evidence {plain(piece.get('kind'))}: {plain(piece.get('path'))}{gone}", overflow="fold"
                )
            )
    for what in ("messages", "overs"):
        if entry.get(what):
            parts.append(table(what, entry[what][:20]))
    return Group(*parts)
