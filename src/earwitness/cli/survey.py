"""`earwitness survey`: recordings into the log."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from earwitness.cli.app import say
from earwitness.cli.common import open_log, print_json, station_folder
from earwitness.cli.progress import Progress
from earwitness.core.errors import EarwitnessError, ParameterError, SourceError, StorageError
from earwitness.core.text import inert


class Stop:
    """Turns the first Ctrl-C (or a polite kill) into a clean end; the second ends at once."""

    def __init__(self) -> None:
        self.asked = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Stop:
        for number in (signal.SIGINT, signal.SIGTERM):
            self._before[number] = signal.signal(number, self._ask)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _ask(self, number: int, frame: object) -> None:
        if self.asked:
            raise KeyboardInterrupt
        self.asked = True
        say("stopping; what was found so far is being logged (again to stop at once).")


def run_survey(
    sources: list[str],
    station: Path | None,
    *,
    json: bool,
    ppm: str | None,
    again: bool,
    report: bool,
    **declared: Any,
) -> None:
    """Survey each recording in turn; one that cannot be read does not keep the others from it."""
    folder = station_folder(station)
    correction = None if ppm in (None, "auto") else _number(ppm)
    outcomes = []
    unreadable: list[str] = []
    failed = 0
    readable = _readable(sources, unreadable, declared)
    if readable:
        from earwitness.cli.prepare import compile_new

        compile_new()
    with Stop() as stop:
        for path in readable:
            if stop.asked:
                break
            from earwitness.station.run import survey_file

            try:
                with Progress(f"surveying {Path(path).stem}") as progress:
                    if ppm == "auto":
                        correction = _estimated(path, progress, stop, declared)
                    outcome = survey_file(
                        path, folder, ppm=correction, again=again, report=progress.share,
                        stopped=lambda: stop.asked, **declared,
                    )  # fmt: skip
            except StorageError as error:
                say(f"{inert(path, limit=200)}: {error}")
                failed += 1
                continue
            except SourceError as error:  # what opened before
                _refuse(path, error, unreadable)
                continue
            except EarwitnessError as error:
                say(str(error))  # wrong settings or a log that cannot be used: no recording will fare better
                unreadable.append(path)
                break
            outcomes.append(outcome)
            for warning in outcome.warnings:
                say(f"{outcome.name}: {warning}")
            if not json:
                _tell(outcome)
    written = folder / "report.html" if report and outcomes and not stop.asked else None
    if written:
        from earwitness.view.report import write_report

        with open_log(folder) as log:
            write_report(log, folder, written)
        say(f"report written: {written}")
    if json:
        told = {"station": str(folder), "recordings": [outcome.facts() for outcome in outcomes]}
        print_json({**told, "report": str(written)} if written else told)
    if unreadable:
        sys.exit(2)
    if failed or stop.asked:
        sys.exit(1)


def _readable(sources: list[str], unreadable: list[str], declared: Mapping[str, Any]) -> list[str]:
    """Give the recordings that can be opened, those of a collection in its place; the others are told at once.

    So a mistyped name is told before anything is loaded, and an unreadable file before anything is compiled.
    """
    from earwitness.sources.names import regular_file

    there, found = [], []
    for source in sources:
        with _refusing(source, unreadable):
            regular_file(source)
            there.append(source)
    for source in there:
        from earwitness.sources import open_source, recordings_in

        with _refusing(source, unreadable):
            for path in map(str, recordings_in(source)):
                with _refusing(path, unreadable):
                    open_source(path, **declared)
                    found.append(path)
    return found


@contextmanager
def _refusing(path: str, unreadable: list[str]) -> Iterator[None]:
    """Go on after what cannot be read."""
    try:
        yield
    except SourceError as error:
        _refuse(path, error, unreadable)


def _refuse(path: str, error: SourceError, unreadable: list[str]) -> None:
    """Tell of what cannot be read, and note it."""
    name = inert(Path(path).name, limit=80)
    say(str(error) if name in str(error) else f"{name}: {error}")
    unreadable.append(path)


def _estimated(path: str, progress: Progress, stop: Stop, declared: Mapping[str, Any]) -> float | None:
    """Give the receiver's error in ppm from known channels, and tell of it; None where none was decoded."""
    from earwitness.station.calibrate import estimate_ppm

    found = estimate_ppm(path, report=progress.share, stopped=lambda: stop.asked, **declared)
    if found is None:
        say(f"{path}: nothing of known frequency was decoded; frequencies stay as received.")
        return None
    say(f"{path}: the receiver shows signals {found[0]:+.2f} ppm off (± {found[1]:.2f}).")
    return found[0]


def found_in_words(counts: Mapping[str, int]) -> str:
    """Give how much of each was found; of what is not always there, only what was."""
    kinds = {
        "emissions": "emission",
        "messages": "message",
        "overs": "voice transmission",
        "pictures": "picture",
        "artefacts": "receiver artefact",
    }
    told = [
        (counts.get(key, 0), word)
        for key, word in kinds.items()
        if counts.get(key) or key in ("emissions", "messages")
    ]
    return ", ".join(f"{amount} {word}{'' if amount == 1 else 's'}" for amount, word in told)


def _tell(outcome: Any) -> None:
    from earwitness.view.words import duration, significant

    found = found_in_words(outcome.counts)
    if outcome.skipped:
        print(f"{outcome.name}: already in the log ({found}); --again surveys it anew")
        return
    if not outcome.complete:
        print(f"{outcome.name}: {found}; stopped before the end of {duration(outcome.seconds)} of radio")
        return
    ratio = outcome.seconds / max(outcome.took_s, 1e-9)
    speed = f"{ratio:.1f}" if ratio >= 1 else significant(ratio, 1)
    print(f"{outcome.name}: {found} in {duration(outcome.seconds)} of radio, {speed} x real time")
    if outcome.changed is not None:
        print(f"{outcome.name}: beside the survey before, {_changes_in_words(outcome.changed)}")


def _changes_in_words(changed: Mapping[str, Mapping[str, int]]) -> str:
    """Give what surveying again added, lost and changed."""
    words = {"added": "new", "gone": "gone", "changed": "told otherwise"}
    kinds = {"overs": "voice transmissions"}
    told = [
        f"{', '.join(f'{parts[part]} {word}' for part, word in words.items() if parts[part])} of the {kinds.get(what, what)}"
        for what, parts in changed.items()
        if any(parts.values())
    ]
    return "; ".join(told) or "nothing came out otherwise"


def _number(text: str | None) -> float:
    try:
        return float(text or "")
    except ValueError:
        raise ParameterError(f"--ppm takes a number or auto; got {text!r}") from None
