"""Survey whole recordings into a station folder: the outermost loop, and what it owes the user.

A recording that the log already holds, surveyed to its end by this version with these settings, is not
surveyed again unless asked; one that was interrupted is.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from earwitness import __version__
from earwitness.core.errors import LogError, ParameterError
from earwitness.core.mode import Mode, registry
from earwitness.emission.calibrate import apply_ppm
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Log
from earwitness.sources import Source, Stretch, open_source
from earwitness.station.config import Station, load_station
from earwitness.station.drift import hints_for
from earwitness.station.log_keeper import LogKeeper
from earwitness.station.survey import StretchSurvey

PPM_LIMIT = 200.0
MOST_CAPTURES = 10_000  # kept with a recording, for annotations
Report = Callable[[float, str], None]


@dataclass
class Outcome:
    """What a survey of one recording came to."""

    recording: str
    name: str
    complete: bool
    seconds: float  # of radio
    took_s: float
    counts: dict[str, int] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    skipped: bool = False
    ppm: float | None = None
    changed: dict[str, dict[str, int]] | None = None  # by the kind of row, since the survey before

    def facts(self) -> dict[str, Any]:
        """Give it as JSON values."""
        rate = self.seconds / self.took_s if self.complete and self.took_s > 0 else None
        return {**vars(self), "real_time_ratio": rate}


def _quiet(done: float, note: str) -> None:
    """Take progress and say nothing."""


def survey_file(
    path: str,
    station_dir: Path,
    *,
    rate_hz: float | None = None,
    centre_hz: float | None = None,
    sample_type: str | None = None,
    start: str | None = None,
    ppm: float | None = None,
    again: bool = False,
    report: Report = _quiet,
    stopped: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Survey one recording into a station folder; the folder and its log are made when missing.

    Raises SourceError, ParameterError or LogError; whatever was committed before stays.
    """
    if ppm is not None and not (math.isfinite(ppm) and abs(ppm) <= PPM_LIMIT):
        raise ParameterError(f"a receiver is off by at most {PPM_LIMIT:g} ppm; got {ppm:g}")
    source = open_source(path, rate_hz=rate_hz, centre_hz=centre_hz, sample_type=sample_type, start=start)
    station = load_station(station_dir)
    with Log.open(station_dir, url=station.log.url) as log:
        return survey_source(source, log, station, ppm=ppm, again=again, report=report, stopped=stopped)


def survey_source(
    source: Source,
    log: Log,
    station: Station,
    *,
    ppm: float | None = None,
    again: bool = False,
    report: Report = _quiet,
    stopped: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Survey an open recording into an open log."""
    modes = list(registry().values())
    if ppm is None:
        receiver = station.receiver_for(str(source.facts.get("hw") or ""))
        ppm = receiver.error_ppm or None if receiver else None
    settings = {"ppm": ppm, "modes": [mode.name for mode in modes]}
    stretches = source.stretches
    start_ns = min(stretch.epoch_ns for stretch in stretches)
    stop_ns = max(_end_ns(stretch) for stretch in stretches)
    seconds = sum(stretch.count / stretch.rate_hz for stretch in stretches)
    before = _finished_before(log, source.content_id, settings)
    if before is not None and not again:
        return Outcome(
            recording=before, name=source.name, complete=True, seconds=seconds, took_s=0.0, skipped=True,
            warnings=list(source.warnings), counts=_counts_in(log, before), ppm=ppm,
        )  # fmt: skip
    began = time.monotonic()
    evidence = EvidenceStore(log, station.folder, station.evidence_bytes)
    recording = log.begin_recording(
        {
            "content_id": source.content_id,
            "name": source.name,
            "path": str(source.path),
            "rate_hz": stretches[0].rate_hz,
            "center_hz": stretches[0].center_hz,
            "start_ns": start_ns,
            "stop_ns": stop_ns,
            "software": __version__,
            "settings": settings,
            "warnings": source.warnings,
            "facts": source.facts,
            "datatype": stretches[0].sample_type,
            "stored_rate_hz": stretches[0].stored_rate_hz,
            "captures": [
                {"sample_start": item.first, "start_ns": item.epoch_ns, "center_hz": item.stored_center_hz}
                for item in stretches[:MOST_CAPTURES]
            ],
            "ppm": ppm,
            **_place_facts(station, source),
        }
    )
    doppler = hints_for(station, start_ns, stop_ns)
    keeper = LogKeeper(log, evidence, recording, label=station.label, doppler=doppler)
    counts: dict[str, int] = {}
    health: list[dict[str, Any]] = []
    faults: list[str] = []
    complete = False
    try:
        complete = _survey_stretches(
            stretches, modes, keeper, station, ppm, seconds=seconds, began=began, report=report, stopped=stopped,
            counts=counts, health=health, faults=faults,
        )  # fmt: skip
    finally:
        log.finish_recording(
            recording,
            {
                "complete": complete,
                "counts": counts,
                "health": health,
                "warnings": [*evidence.warnings, *faults],
            },
        )
    warnings = [*source.warnings, *evidence.warnings, *faults]
    bad = sum(stretch.bad_samples for stretch in stretches)
    if bad:
        warnings.append(f"{bad} samples were no sound numbers and were taken as zero")
    return Outcome(
        recording=recording,
        name=source.name,
        complete=complete,
        seconds=seconds,
        took_s=time.monotonic() - began,
        counts=counts,
        warnings=warnings,
        ppm=ppm,
        changed=_changes(log, recording) if complete and again else None,
    )


def _survey_stretches(
    stretches: Sequence[Stretch],
    modes: Sequence[Mode],
    keeper: LogKeeper,
    station: Station,
    ppm: float | None,
    *,
    seconds: float,
    began: float,
    report: Report,
    stopped: Callable[[], bool],
    counts: dict[str, int],
    health: list[dict[str, Any]],
    faults: list[str],
) -> bool:
    done_s = 0.0
    for stretch in stretches:
        if stretch.count == 0:
            continue
        if ppm:
            stretch.center_hz = apply_ppm(stretch.center_hz, ppm)
        keeper.begin_stretch(audio=stretch.kind == "audio")
        survey = StretchSurvey(stretch, modes, keeper)

        def progress(position: int, base_s: float = done_s, rate_hz: float = survey.stream.rate_hz) -> None:
            at_s = base_s + position / rate_hz
            ratio = at_s / max(1e-6, time.monotonic() - began)
            digits = 1 if seconds >= 1 else 3
            report(at_s / seconds, f"{at_s:.{digits}f} of {seconds:.{digits}f} s, {ratio:.1f} x real time")

        finished = survey.run(progress=progress, stopped=stopped)
        if keeper.doppler:
            keeper.doppler.listen(stretch)
        levels, row_s = survey.overview.picture()
        keeper.overview(
            levels, low_hz=survey.overview.low_hz, high_hz=survey.overview.high_hz, row_s=row_s,
            start_ns=stretch.epoch_ns,
        )  # fmt: skip
        end_ns = _end_ns(stretch) if finished else stretch.epoch_ns + 1
        keeper.occupancy(stretch.epoch_ns, end_ns, _watched(station, stretch))
        keeper.commit(end_ns, now=True)
        health.append(survey.health())
        faults += [fault for fault in sorted(survey.faults) if fault not in faults]
        for name, value in survey.counts.items():
            counts[name] = counts.get(name, 0) + value
        if not finished:
            return False
        done_s += stretch.count / stretch.rate_hz
    return True


def _changes(log: Log, recording: str) -> dict[str, dict[str, int]] | None:
    """Give how many rows of each kind the latest survey added, lost and changed; None where it is the first."""
    if len(list(log.surveys(recording))) < 2:
        return None
    said = log.compare_surveys(recording)
    return {
        what: {part: len(rows) for part, rows in parts.items()}
        for what, parts in said.items()
        if what not in ("before", "after")
    }


def _place_facts(station: Station, source: Source) -> dict[str, Any]:
    """Give what the settings say of place, antenna and receiver: facts of every stretch surveyed here."""
    hardware = source.facts.get("hw")
    receiver = station.receiver_for(str(hardware) if hardware else None)
    return {
        "place": station.place.name,
        "latitude_deg": station.place.latitude_deg,
        "longitude_deg": station.place.longitude_deg,
        "height_m": station.place.height_m,
        "antenna": station.antenna.name,
        "receiver": receiver.name if receiver else (str(hardware)[:200] if hardware else None),
    }


def _watched(station: Station, stretch: Stretch) -> list[tuple[float, float, str]]:
    """Give the frequencies the user listed that lie inside the stretch."""
    if stretch.kind != "iq":
        return []
    half = 0.45 * stretch.rate_hz
    return [
        (item.hz, item.width_hz, item.label)
        for item in station.frequency
        if abs(item.hz - stretch.center_hz) + item.width_hz / 2 < half
    ]


def _end_ns(stretch: Stretch) -> int:
    return stretch.epoch_ns + round(stretch.count / stretch.rate_hz * 1e9)


def _finished_before(log: Log, content_id: str, settings: dict[str, Any]) -> str | None:
    from earwitness.log.ids import recording_id

    recording = recording_id(content_id)
    done = [
        survey
        for survey in log.surveys(recording)
        if survey["complete"] and survey["software"] == __version__ and survey["settings"] == settings
    ]
    return recording if done else None


def _counts_in(log: Log, recording: str) -> dict[str, int]:
    for survey in reversed(list(log.surveys(recording))):
        if survey["complete"] and isinstance(survey.get("counts"), dict):
            return dict(survey["counts"])
    raise LogError(f"recording {recording} has no finished survey")
