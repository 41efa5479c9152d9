"""`earwitness survey`: recordings into the log."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator, Mapping
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
    named = [source for source in sources if _is_file(source, unreadable)]
    with Stop() as stop:
        for path in _recordings(named, unreadable):
            if stop.asked:
                break
            from earwitness.station.run import survey_file

            try:
                with Progress(f"surveying {Path(path).stem}") as progress:
                    if ppm == "auto":
                        from earwitness.station.calibrate import estimate_ppm

                        found = estimate_ppm(
                            path, report=progress.share, stopped=lambda: stop.asked, **declared
                        )
                        correction = found[0] if found else None
                        if found:
                            say(
                                f"{path}: the receiver shows signals {found[0]:+.2f} ppm off (± {found[1]:.2f})."
                            )
                        else:
                            say(
                                f"{path}: nothing of known frequency was decoded; frequencies stay as received."
                            )
                    outcome = survey_file(
                        path, folder, ppm=correction, again=again, report=progress.share,
                        stopped=lambda: stop.asked, **declared,
                    )  # fmt: skip
            except StorageError as error:
                say(f"{inert(path, limit=200)}: {error}")
                failed += 1
                continue
            except SourceError as error:
                _refuse(path, error)
                unreadable.append(path)
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


def _is_file(source: str, unreadable: list[str]) -> bool:
    """Tell a mistyped name at once, before all that a survey needs is loaded."""
    from earwitness.sources.names import regular_file

    try:
        regular_file(source)
    except SourceError as error:
        _refuse(source, error)
        unreadable.append(source)
        return False
    return True


def _recordings(sources: list[str], unreadable: list[str]) -> Iterator[str]:
    """Give the recordings one by one, those of a collection in its place; a collection that is none is told."""
    for source in sources:
        from earwitness.sources import recordings_in

        try:
            found = recordings_in(source)
        except SourceError as error:
            _refuse(source, error)
            unreadable.append(source)
            continue
        yield from map(str, found)


def _refuse(path: str, error: SourceError) -> None:
    name = inert(Path(path).name, limit=80)
    say(str(error) if name in str(error) else f"{name}: {error}")


def found_in_words(counts: Mapping[str, int]) -> str:
    """Give how much of each was found."""
    kinds = {
        "emissions": "emission",
        "messages": "message",
        "overs": "voice transmission",
        "artefacts": "receiver artefact",
    }
    told = [(counts.get(key, 0), word) for key, word in kinds.items()]
    return ", ".join(f"{amount} {word}{'' if amount == 1 else 's'}" for amount, word in told)


def _tell(outcome: Any) -> None:
    counts = outcome.counts
    found = found_in_words(counts)
    if outcome.skipped:
        print(f"{outcome.name}: already in the log ({found}); --again surveys it anew")
        return
    if not outcome.complete:
        print(f"{outcome.name}: {found}; stopped before the end of {outcome.seconds:.1f} s of radio")
        return
    ratio = outcome.seconds / max(outcome.took_s, 1e-9)
    print(f"{outcome.name}: {found} in {outcome.seconds:.1f} s of radio, {ratio:.1f} x real time")


def _number(text: str | None) -> float:
    try:
        return float(text or "")
    except ValueError:
        raise ParameterError(f"--ppm takes a number or auto; got {text!r}") from None
