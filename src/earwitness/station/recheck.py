"""Stored evidence judged again by this version: which claims of the log still stand.

Each message's I/Q snippet is given to a fresh demodulator of its mode, each emission's snippet to the
identifier. Nothing in the log is changed; a claim whose evidence the size budget has removed is counted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.errors import SourceError
from earwitness.core.mode import Assembler, Mode, registry
from earwitness.core.times import parse_time
from earwitness.core.types import Detection, Frame, Message, Samples
from earwitness.emission.identify import examine
from earwitness.log.store import Log
from earwitness.sources import Source, open_source
from earwitness.station.audio import audio_of
from earwitness.station.lanes import Lane

# Share of the mean power that the noise seems to have, beyond which a snippet is no help to find it.
ALL_SIGNAL = 0.7
# Even samples of a snippet's start that are left out in turn: the weakest are read from one place of the sampling grid on
# and not from another.
LEFT_OUT = (0, 40, 100, 200)


@dataclass
class Verdict:
    """What came of looking at stored evidence again."""

    same: int = 0
    removed: int = 0
    changed: list[dict[str, Any]] = field(default_factory=list)


def recheck(
    log: Log, station_dir: Path, *, report: Callable[[float, str], None], stopped: Callable[[], bool]
) -> Verdict:
    """Judge every message and emission that has a snippet again."""
    verdict = Verdict()
    pieces = [row for row in log.evidence() if row["kind"] == "snippet"]
    reading = _Reading()
    for number, piece in enumerate(pieces):
        if stopped():
            break
        report(number / max(1, len(pieces)), f"{number} of {len(pieces)} pieces of evidence")
        messages = list(log.messages(evidence_id=piece["id"]))
        emissions = list(log.emissions(evidence_id=piece["id"]))
        path = station_dir / piece["path"]
        if piece["removed"] or not path.is_file():
            verdict.removed += len(messages) + len(emissions)
            continue
        try:
            source = open_source(str(path))
        except SourceError as error:
            verdict.changed += [
                {"id": row["id"], "before": "evidence", "after": str(error)} for row in messages + emissions
            ]
            continue
        reading.take(source, messages, _density(log, messages, piece), bool(piece.get("audio")))
        for row in emissions:
            _judge_emission(source, row, piece.get("gain_db"), verdict)
    reading.judge(verdict)
    return verdict


class _Reading:
    """Messages read again, one assembler for all snippets of a mode in a recording.

    What one frame needs to be believed (an address heard elsewhere) may lie in another snippet, so the
    judgement waits for the end.
    """

    def __init__(self) -> None:
        self._rows: dict[tuple[str, str], list[dict[str, Any]]] = {}
        self._assemblers: dict[tuple[str, str], Assembler] = {}
        self._heard: dict[tuple[str, str], set[tuple[str, int]]] = {}

    def take(self, source: Source, rows: list[dict[str, Any]], density: float | None, audio: bool) -> None:
        """Read a snippet again for the messages that rest on it; `density` is that of its noise, dBFS/Hz.

        That of `audio` is its analytic signal, as an `AnalyticStream` gives it.
        """
        for row in rows:
            self._rows.setdefault((row["recording"], row["mode"]), []).append(row)
        for key in {(row["recording"], row["mode"]) for row in rows}:
            mode = registry().get(key[1])
            if mode is None:
                continue
            if key not in self._assemblers:
                self._assemblers[key] = mode.assembler()
                self._heard[key] = set()
            mine = [row for row in rows if row["mode"] == mode.name]
            places = {row["frequency_hz"] for row in mine}
            wanted = {(row["payload_hex"], row["payload_bits"]) for row in mine}
            told: set[tuple[str, int]] = set()
            for left_out in LEFT_OUT:
                for frame in _frames(source, mode, places, density, audio, left_out):
                    content = _content(frame)
                    if left_out == 0 or content not in told:
                        told.add(content)
                        self._note(key, self._assemblers[key].feed(frame))
                if wanted <= told:
                    break

    def judge(self, verdict: Verdict) -> None:
        """Say of every message whether it was read again."""
        for key, assembler in self._assemblers.items():
            self._note(key, assembler.close())
        for key, rows in self._rows.items():
            heard = self._heard.get(key, set())
            for row in rows:
                if (row["payload_hex"], row["payload_bits"]) in heard:
                    verdict.same += 1
                else:
                    before = f"{row['mode']}: {row['kind']}"
                    verdict.changed.append({"id": row["id"], "before": before, "after": "not read again"})

    def _note(self, key: tuple[str, str], messages: Iterable[Message]) -> None:
        self._heard[key].update(_content(item.frame) for item in messages)


def _content(frame: Frame) -> tuple[str, int]:
    return frame.bits.hex(), frame.bits.size


def _density(log: Log, messages: list[dict[str, Any]], piece: dict[str, Any]) -> float | None:
    """Give the noise that was measured under the emission of a snippet's messages, as it is in the snippet."""
    if not messages or piece.get("gain_db") is None:
        return None
    emission = next(log.emissions(id=messages[0]["emission_id"], superseded=True), None)
    if emission is None or emission.get("noise_dbfs_hz") is None:
        return None
    return float(emission["noise_dbfs_hz"] + piece["gain_db"])


def _frames(
    source: Source, mode: Mode, places: Iterable[float], known: float | None, audio: bool, left_out: int
) -> Iterator[Frame]:
    """Give the frames that fresh demodulators find in each capture: those of audio at the frequencies told.

    Of the first samples of each, `left_out` are not read.
    """
    for stretch in source.stretches:
        data = stretch.read(left_out, stretch.count)
        lowest = float(np.percentile(np.abs(data) ** 2, 5)) if len(data) else 0.0
        noise = max(lowest / 0.05, 1e-20)  # the 5 % point of exponentially distributed power
        mean = float(np.mean(np.abs(data) ** 2)) if len(data) else 0.0
        # what is full of a signal does not tell the noise under it
        guess = None if noise > ALL_SIGNAL * mean else float(10 * np.log10(noise / stretch.rate_hz))
        density = guess if known is None else known
        samples = Samples(data, stretch.rate_hz, stretch.center_hz, left_out, stretch.epoch_ns, density)
        if audio and mode.audio:
            sound = Samples(audio_of(data), 2 * stretch.rate_hz, 0.0, 2 * left_out, stretch.epoch_ns)
            lane = Lane(mode, mode.demodulator(), None)
            yield from (item for item in [*lane.feed(sound), *lane.close()] if isinstance(item, Frame))
        for place in places if audio else (stretch.center_hz,):
            lane = Lane.start(mode, stretch.rate_hz, stretch.center_hz, place, {})
            if mode.wideband:
                lane.cut = None
            yield from (item for item in [*lane.feed(samples), *lane.close()] if isinstance(item, Frame))


def _judge_emission(source: Source, row: dict[str, Any], gain_db: float | None, verdict: Verdict) -> None:
    stretch = source.stretches[0]
    data = stretch.read(0, stretch.count)
    width = row.get("detected_width_hz") or row["occupied_bandwidth_hz"] or stretch.rate_hz / 2
    density = row.get("noise_dbfs_hz")
    # What the snippet was raised by is known; its mean power tells it only where nothing else is in it.
    gain_db = _gain_db(data, row) if gain_db is None else gain_db
    raised = density if density is None else density + (gain_db or 0.0)
    samples = Samples(data, stretch.rate_hz, stretch.center_hz, 0, stretch.epoch_ns, raised)
    start = max(0, round((parse_time(row["start"]) - stretch.epoch_ns) * stretch.rate_hz / 1e9))
    seen = Detection(
        number=0,
        start=min(start, max(0, stretch.count - 1)),
        stop=stretch.count,
        low_hz=row["frequency_hz"] - width / 2,
        high_hz=row["frequency_hz"] + width / 2,
        center_hz=row["frequency_hz"],
        level_dbfs=row["level_dbfs"],
        noise_dbfs_hz=raised if raised is not None else -200.0,
        snr_db=row["snr_db"],
        open=False,
    )
    _, found = examine(samples, seen, span_hz=stretch.rate_hz)
    if found.kind == row["class"]:
        verdict.same += 1
    else:
        verdict.changed.append({"id": row["id"], "before": row["class"], "after": found.kind})


def _gain_db(data: np.ndarray, row: dict[str, Any]) -> float | None:
    """Give how far the snippet lies above the level the emission was logged with."""
    power = float(np.mean(np.abs(data) ** 2))
    if power <= 0 or row["level_dbfs"] is None:
        return None
    return 10 * float(np.log10(power)) - float(row["level_dbfs"])
