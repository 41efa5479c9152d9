"""Evidence: the I/Q snippets, audio and pictures that rows of the log point at, within a size budget.

A piece is written under a temporary name and renamed; `secure` has all pieces since the last time on the disk, and
comes before the rows that name them are committed (one flush each would be slow on a memory card). Files that no row
names (a kill came between) are cleared at a later opening. File names are ids only, never text from the air. When the budget is reached pieces go in this order, older before newer:
those of superseded rows; routine ones; the newest and the best SNR of each identity or channel; at the very
last the first of each identity or channel, flagged ones (distress and the like: `keep=1`) and those the user
labelled. Rows stay and say when and by which rule their file was removed. A disk that is full costs the
evidence, never the message: the row is then logged without it, and `warnings` says so.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import LogError, StorageError
from earwitness.log import ids
from earwitness.log.png import png_octets
from earwitness.log.store import Log, Row

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import numpy as np

    from earwitness.core.types import Samples

FOLDER = "evidence"
AUDIO_BLOCK = 65_536  # samples per write: one long write makes the FLAC encoder keep everything
DOWN_TO = 0.9  # of the budget, once it is reached: removing comes in strides
ORPHAN_AGE_S = 3_600.0  # younger files may belong to a survey that is running right now
RESERVE_BYTES = 64_000_000  # of the disk, left to the log: rows matter more than evidence
_WARNINGS_KEPT = 100
_FLUSHED_AT_ONCE = 8  # the disk takes many in the time of one
_PARTIAL = ".partial-"

SnippetWriter = Callable[[Path, "Samples"], Iterable[Path]]


class EvidenceStore:
    """The evidence folder of one station.

    Each `add_*` gives a row for `Batch.evidence`, or None and a warning. Before that is written to the log, `secure`
    must have its file safe on the disk; `settle` follows.
    `facts` may hold start_ns, stop_ns, frequency_hz, snr_db, identity (its id), channel (a word that groups
    what belongs together, say the frequency in kHz), keep=1 for what must stay longest, and more.
    """

    def __init__(
        self, log: Log, station_dir: Path, budget_bytes: int, *, orphan_age_s: float = ORPHAN_AGE_S
    ) -> None:
        self._log = log
        self._station_dir = Path(station_dir)
        self._folder = self._station_dir / FOLDER
        self._budget = budget_bytes
        self._staging = self._folder / f"{_PARTIAL}{os.getpid()}"
        self._refused: dict[str, list[Any]] = {}  # reason -> what was refused first, how many more were
        self._sizes = {row: size for row, _, size in log.stored_evidence()}
        self._total = sum(self._sizes.values())
        self._promised: set[str] = (
            set()
        )  # given out since the last `settle`: their rows may not be committed yet
        self._loose: dict[str, list[Path]] = {}  # files of what was given out since the last `secure`
        self._lost: set[str] = set()  # given out, but the disk did not take it
        self._made: set[Path] = set()  # folders known to be there
        self._flushers: Executor | None = None
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(f"evidence folder {self._folder} cannot be made: {error.strerror}") from error
        self._clear_orphans(orphan_age_s)

    @property
    def warnings(self) -> list[str]:
        """What was not kept: one sentence for each reason."""
        return [
            f"{first} not kept: {reason}{f' (and {more} more)' if more else ''}"
            for reason, (first, more) in self._refused.items()
        ]

    @property
    def total_bytes(self) -> int:
        """Size of all evidence kept."""
        return self._total

    def add_audio(
        self, recording: str, subject: str, audio: np.ndarray, rate_hz: float, **facts: Any
    ) -> Row | None:
        """Keep float32 audio, shape (n,), full scale 1.0, as 16-bit FLAC; clipped beyond full scale."""

        def write(folder: Path, stem: str) -> list[Path]:
            import soundfile

            path = folder / f"{stem}.flac"
            rate, frames = round(rate_hz), audio.T  # (n,) or (n, 2)
            channels = 1 if frames.ndim == 1 else frames.shape[1]
            with soundfile.SoundFile(path, "w", rate, channels, "PCM_16", format="FLAC") as file:
                for at in range(0, len(frames), AUDIO_BLOCK):
                    file.write(frames[at : at + AUDIO_BLOCK].clip(-1.0, 1.0))
            return [path]

        return self._add(recording, "audio", subject, write, {"audio_rate_hz": rate_hz, **facts})

    def add_picture(
        self, recording: str, subject: str, pixels: np.ndarray | bytes, **facts: Any
    ) -> Row | None:
        """Keep a picture as PNG: uint8 pixels (height, width) or (height, width, 3), or PNG octets."""
        octets = pixels if isinstance(pixels, bytes) else png_octets(pixels)

        def write(folder: Path, stem: str) -> list[Path]:
            path = folder / f"{stem}.png"
            path.write_bytes(octets)
            return [path]

        return self._add(recording, "picture", subject, write, facts)

    def add_snippet(
        self, recording: str, subject: str, samples: Samples, write: SnippetWriter, **facts: Any
    ) -> Row | None:
        """Keep a stretch of I/Q as a recording of its own.

        `write(stem, samples)` makes the files `stem` + suffix (a SigMF pair) and gives their paths, the one
        that a survey takes as source first.
        """
        facts = {
            "rate_hz": samples.rate_hz,
            "frequency_hz": samples.center_hz,
            "start_ns": samples.time_ns(0),
            "stop_ns": samples.time_ns(len(samples.data)),
            **facts,
        }
        return self._add(
            recording, "snippet", subject, lambda folder, stem: write(folder / stem, samples), facts
        )

    def secure(self) -> None:
        """Have what was given out on the disk; what it does not take is lost, which a warning tells."""
        owners = [(path, row_id) for row_id, paths in self._loose.items() for path in paths]
        self._flush_all(owners)
        self._flush_all([(path.parent, row_id) for path, row_id in owners])
        self._loose.clear()
        self._made.discard(self._staging)
        with suppress(OSError):  # not there, or in use
            self._staging.rmdir()

    def _flush_all(self, owners: Sequence[tuple[Path, str]]) -> None:
        """Flush files or folders, each once; what waits on the disk waits together. `owners` are rows lost with them."""
        paths = list(dict.fromkeys(path for path, _ in owners))
        if not paths:
            return
        if self._flushers is None:
            from concurrent.futures import ThreadPoolExecutor

            self._flushers = ThreadPoolExecutor(_FLUSHED_AT_ONCE, "evidence")
        parts = [paths[k::_FLUSHED_AT_ONCE] for k in range(min(len(paths), _FLUSHED_AT_ONCE))]
        answers = self._flushers.map(lambda part: [(path, _refusal(path)) for path in part], parts)
        reasons = dict(answer for part in answers for answer in part)
        for row_id, reason in {row_id: reasons[path] for path, row_id in owners if reasons[path]}.items():
            self._lose(row_id, str(reason))

    def is_lost(self, row_id: str | None) -> bool:
        """Tell whether a piece that was given out could not be secured: no row may name it."""
        return row_id in self._lost

    def _lose(self, row_id: str, reason: str) -> None:
        self._lost.add(row_id)
        self._refuse("evidence", reason)

    def settle(self) -> None:
        """Say that the rows given out so far are committed: from now on the policy may remove their files."""
        self._promised.clear()

    def path(self, row: Mapping[str, Any]) -> Path | None:
        """Give the file of an evidence row, or None when it is gone."""
        path = self._station_dir / row["path"]
        return path if row.get("removed") is None and path.is_file() else None

    def _add(
        self,
        recording: str,
        kind: str,
        subject: str,
        write: Callable[[Path, str], Iterable[Path]],
        facts: Mapping[str, Any],
    ) -> Row | None:
        row_id = ids.evidence_id(recording, kind, subject)
        shelf = self._folder / row_id[2:3]  # of 16: each is to be made, and flushed for what comes into it
        complaint = None
        try:
            self._make(self._staging)
            made = list(write(self._staging, row_id))
            size = sum(path.stat().st_size for path in made)
            if shutil.disk_usage(self._folder).free < RESERVE_BYTES:
                complaint = "the disk is nearly full"
            elif not self._room_for(size, row_id):
                complaint = "it does not fit into evidence_mb under [retention] in station.toml"
            else:
                self._place(row_id, made, shelf)
        except (OSError, RuntimeError, LogError) as error:  # audio library and SnippetWriter have their own
            complaint = str(error).replace(row_id, "its file")
            self._made.clear()
        if complaint is not None:
            self._refuse(f"{kind} of {subject}", complaint)
            with suppress(OSError):
                for path in self._staging.glob(f"{row_id}.*"):
                    path.unlink()
            return None
        self._total += size - self._sizes.get(row_id, 0)
        self._sizes[row_id] = size
        self._promised.add(row_id)
        return {
            **facts,
            "id": row_id,
            "recording": recording,
            "kind": kind,
            "subject": subject,
            "path": f"{FOLDER}/{shelf.name}/{made[0].name}",
            "bytes": size,
            "stored_ns": time.time_ns(),
        }

    def _make(self, folder: Path) -> None:
        if folder not in self._made:
            folder.mkdir(exist_ok=True)
            self._made.add(folder)

    def _place(self, row_id: str, made: list[Path], shelf: Path) -> None:
        self._make(shelf)
        placed = [shelf / path.name for path in made]
        for path, target in reversed(
            list(zip(made, placed, strict=True))
        ):  # the one a survey opens comes last
            if target.exists():  # rows may name it: it gives way only to what is safe
                _flush(path)
            path.replace(target)
        self._loose[row_id] = placed
        self._lost.discard(row_id)

    def _room_for(self, size: int, row_id: str) -> bool:
        """Remove what the policy gives up until `size` more bytes fit; false when they never will."""
        if size > self._budget:
            return False
        if self._total + size <= self._budget:
            return True
        goal = self._budget * DOWN_TO - size
        total = self._total
        chosen: dict[str, list[str]] = {}
        paths: list[str] = []
        for row, path, bytes_, rank in self._log.evidence_by_worth():
            if total <= max(goal, 0):
                break
            if row in self._promised or row == row_id:
                continue
            chosen.setdefault(rank, []).append(row)
            paths.append(path)
            total -= bytes_
        if total + size > self._budget:
            return False
        now = time.strftime("%Y-%m-%d", time.gmtime())
        for (
            rank,
            rows,
        ) in chosen.items():  # the word first, the deed after: a kill between leaves an orphan, no lie
            self._log.mark_removed(rows, f"removed on {now}, when evidence_mb was full: it was {rank}")
            for row in rows:
                self._total -= self._sizes.pop(row, 0)
        for path in paths:
            self._unlink(self._station_dir / path)
        return True

    def _unlink(self, path: Path) -> None:
        """Remove a piece: every file of its id."""
        for part in path.parent.glob(f"{path.name.split('.')[0]}.*"):
            with suppress(FileNotFoundError):
                part.unlink()

    def _clear_orphans(self, age_s: float) -> None:
        known = {Path(path).name.split(".")[0] for _, path, _ in self._log.stored_evidence()}
        limit = time.time() - age_s
        for place in self._folder.iterdir():
            if not place.is_dir() or place.is_symlink():
                continue
            if place.name.startswith(_PARTIAL):
                if place.stat().st_mtime < limit:
                    shutil.rmtree(place, ignore_errors=True)
                continue
            for path in place.glob("x-*.*"):
                if path.name.split(".")[0] not in known and path.stat().st_mtime < limit:
                    path.unlink(missing_ok=True)

    def _refuse(self, what: str, reason: str) -> None:
        if reason in self._refused:
            self._refused[reason][1] += 1
        elif len(self._refused) < _WARNINGS_KEPT:
            self._refused[reason] = [what, 0]


def _refusal(path: Path) -> str | None:
    """Flush a file or folder; give the disk's reason if it does not take it."""
    try:
        _flush(path)
    except OSError as error:
        return str(error.strerror)
    return None


def _flush(path: Path) -> None:
    """Have a file's content (or a folder's names) on the disk, not only in memory."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
