"""From what a survey finds to rows and evidence in the station's log, one transaction a commit."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.mode import get_mode
from earwitness.core.types import Message, Over, Picture, Samples
from earwitness.emission.designator import read_as
from earwitness.log import ids, rows
from earwitness.log.evidence import EvidenceStore
from earwitness.log.store import Batch, Log
from earwitness.sources.write import SigmfAppender, write_sigmf
from earwitness.station.drift import DopplerHints
from earwitness.station.joins import recall
from earwitness.station.trains import EmissionRecord

COMMIT_S = 0.5  # wall time between transactions while much is going on
PULSE_NS = 2_000_000  # evidence of shorter frames is packed, many to a file
PACK_SAMPLES = 1 << 18
PACK_FRAMES = 256
_PIECE = 1 << 16  # samples whose size is looked at together
OCCUPANCY_STEP_NS = 10_000_000  # one look at a channel
OCCUPANCY_SPAN_NS = 900_000_000_000  # integration time: fifteen minutes, ITU-R SM.1880 (from memory)


class LogKeeper:
    """Keeps a recording's results: rows are gathered and written together with their evidence."""

    def __init__(
        self,
        log: Log,
        evidence: EvidenceStore,
        recording: str,
        *,
        label: Callable[[float], str | None] = lambda frequency_hz: None,
        doppler: DopplerHints | None = None,
    ):
        self.log = log
        self.evidence = evidence
        self.recording = recording
        self._label = label
        self._batch = Batch()
        self._emissions: dict[str, dict[str, Any]] = {}
        self._ids: dict[int, str] = {}
        self._pack: list[Samples] = []
        self._pack_size = 0
        self._pack_id: str | None = None
        self._pack_rows: list[dict[str, Any]] = []
        self._pack_grew = False  # since it was stored last
        self._committed = 0.0
        self._flagged: set[str] = set()
        self._on: dict[int, list[tuple[int, int, int]]] = {}  # channel -> (start, stop, on) of its emissions
        self._channels: list[tuple[float, float, str | None]] = []
        self._joins = recall(log, recording)
        self.doppler = doppler
        self._audio = False

    def begin_stretch(self, *, audio: bool = False) -> None:
        """Forget the record numbers of the stretch before; the next one's samples are the analytic signal of `audio`."""
        self._ids.clear()
        self._audio = audio

    # -- what a survey hands over ------------------------------------------------------------------------

    def emission(self, record: EmissionRecord, *, final: bool) -> None:
        """Take a new or changed emission."""
        row = self._emission_row(record)
        self._emissions[row["id"]] = row
        if final and self.doppler:
            self.doppler.emission(row)
        if final and record.artefact is None:
            self._occupy(record, row["label"])

    def message(self, message: Message, record: EmissionRecord, evidence: Samples | None) -> None:
        """Take a message and the samples it was decoded from."""
        emission = self._emission_id(record)
        row = rows.message_row(self.recording, message, emission_id=emission)
        row["frequency_hz"] = row["frequency_hz"] or record.center_hz
        self._batch.messages.append(row)
        self._batch.relations += self._joins.message(message, row["id"])
        if self.doppler and message.frame.frequency_hz:
            self.doppler.message(row)
        if evidence is None or len(evidence.data) == 0:
            return
        frame = message.frame
        if frame.stop_ns - frame.time_ns < PULSE_NS and evidence.center_hz > 0:
            self._pack_up(row, evidence)
            return
        raised, gain_db = _raised(evidence)
        stored = self.evidence.add_snippet(
            self.recording,
            row["id"],
            raised,
            partial(_write_snippet, audio=self._audio),
            gain_db=gain_db,
            audio=self._audio or None,
            snr_db=frame.snr_db,
            identity=ids.identity_id(message.identity.kind, message.identity.key)
            if message.identity
            else None,
            channel=_channel_name(record.center_hz),
            keep=int(bool(message.flags)),
        )
        self._refer(row, stored)

    def over(self, over: Over, record: EmissionRecord) -> None:
        """Take a voice transmission."""
        row = rows.over_row(self.recording, over, emission_id=self._emission_id(record))
        found = record.identification
        row["class"] = found.kind if found else over.mode
        stored = self.evidence.add_audio(
            self.recording,
            row["id"],
            over.audio,
            over.audio_rate_hz,
            snr_db=over.snr_db,
            frequency_hz=over.frequency_hz,
            start_ns=over.start_ns,
            stop_ns=over.stop_ns,
            channel=_channel_name(record.center_hz),
        )
        self._refer(row, stored)
        self._batch.overs.append(row)
        self._joins.over(row)

    def picture(self, picture: Picture, record: EmissionRecord) -> None:
        """Take an image that was sent over the air."""
        row = rows.picture_row(self.recording, picture, emission_id=self._emission_id(record))
        stored = self.evidence.add_picture(
            self.recording, row["id"], picture.pixels, frequency_hz=picture.frequency_hz, start_ns=picture.start_ns,
            stop_ns=picture.stop_ns,
        )  # fmt: skip
        self._refer(row, stored)
        self._batch.pictures.append(row)

    def snippet(self, record: EmissionRecord, samples: Samples) -> None:
        """Take the start of an emission as its evidence."""
        raised, gain_db = _raised(samples)
        stored = self.evidence.add_snippet(
            self.recording,
            self._emission_id(record),
            raised,
            partial(_write_snippet, audio=self._audio),
            gain_db=gain_db,
            audio=self._audio or None,
            snr_db=record.snr_db,
            channel=_channel_name(record.center_hz),
        )
        if stored is not None:
            record.evidence_id = stored["id"]
            self._batch.evidence.append(stored)

    def overview(
        self, levels_db: np.ndarray, *, low_hz: float, high_hz: float, row_s: float, start_ns: int
    ) -> None:
        """Keep the spectrogram of a stretch as a picture of levels: half a decibel a step."""
        if levels_db.size == 0:
            return
        floor_db = float(np.floor(levels_db.min()))
        pixels = np.clip((levels_db - floor_db) * 2, 0, 255).astype(np.uint8)
        stored = self.evidence.add_picture(
            self.recording,
            f"{self.recording} overview {start_ns}",
            pixels,
            overview=True,
            floor_db=floor_db,
            step_db=0.5,
            low_hz=low_hz,
            high_hz=high_hz,
            row_s=row_s,
            start_ns=start_ns,
            stop_ns=start_ns + round(len(levels_db) * row_s * 1e9),
            keep=1,
        )
        if stored is not None:
            self._batch.evidence.append(stored)

    def commit(self, position_ns: int, *, now: bool = False) -> None:
        """Make all taken so far durable, unless that was done a moment ago."""
        if not now and time.monotonic() - self._committed < COMMIT_S:
            return
        if now:
            self._close_pack()
        else:
            self._store_pack()
        if now and self.doppler:
            emissions, messages, relations = self.doppler.settle()
            self._emissions.update({row["id"]: row for row in emissions})
            self._batch.messages += messages
            self._batch.relations += relations
        self._batch.emissions = list(self._emissions.values())
        self._batch.overs += self._joins.settle(position_ns, final=now)
        self.evidence.secure()
        self._drop_lost()
        if len(self._batch):
            self.log.write(self._batch)
            self.evidence.settle()
        self._batch = Batch()
        self._emissions = {}
        self._committed = time.monotonic()

    def _drop_lost(self) -> None:
        """Name no evidence that the disk did not take."""
        lost = self.evidence.is_lost
        batch = self._batch
        batch.evidence = [row for row in batch.evidence if not lost(row["id"])]
        for row in (*batch.emissions, *batch.messages, *batch.overs, *batch.pictures):
            if lost(row.get("evidence_id")):
                row["evidence_id"] = None

    def occupancy(
        self, start_ns: int, stop_ns: int, watched: Iterable[tuple[float, float, str]] = ()
    ) -> None:
        """Write how much of the time each channel was occupied, per integration time.

        `watched` channels (centre, width, label) are written even when nothing was heard on them.
        """
        for center_hz, width_hz, words in watched:
            if all(abs(center_hz - known[0]) > width_hz / 2 for known in self._channels):
                self._on[len(self._channels)] = []
                self._channels.append((center_hz, width_hz, words))
        for number, spans in self._on.items():
            center_hz, width_hz, label = self._channels[number]
            begin = start_ns
            while begin < stop_ns:
                end = min(begin + OCCUPANCY_SPAN_NS, stop_ns)
                looks = max(1, (end - begin) // OCCUPANCY_STEP_NS)
                on = _occupied_ns(spans, begin, end)
                self._batch.occupancy.append(
                    {
                        "recording": self.recording,
                        "start_ns": begin,
                        "stop_ns": end,
                        "frequency_hz": center_hz,
                        "bandwidth_hz": width_hz,
                        "samples": int(looks),
                        "occupied": int(min(looks, round(on / OCCUPANCY_STEP_NS))),
                        "label": label,
                    }
                )
                begin = end
        self._on.clear()
        self._channels.clear()

    # -- inside ------------------------------------------------------------------------------------------

    def _emission_id(self, record: EmissionRecord) -> str:
        if record.number not in self._ids:
            self._ids[record.number] = ids.emission_id(self.recording, record.start_ns, record.center_hz)
        return self._ids[record.number]

    def _emission_row(self, record: EmissionRecord) -> dict[str, Any]:
        known: Mapping[str, Any] = {
            "id": self._emission_id(record),
            "mode": record.mode,
            "artefact": record.artefact,
            "burst_count": record.burst_count if record.train else None,
            "duty": record.duty if record.train else None,
            "evidence_id": record.evidence_id,
            "label": self._label(record.center_hz),
        }
        row = {
            "recording": self.recording,
            "start_ns": record.start_ns,
            "stop_ns": max(record.stop_ns, record.start_ns),
            "frequency_hz": record.center_hz,
            "level_dbfs": record.level_dbfs,
            "snr_db": record.snr_db,
            "detected_width_hz": record.width_hz,
        }
        if record.measurement and record.identification:
            row |= rows.emission_row(
                self.recording, record.start_ns, record.stop_ns, record.measurement, record.identification
            )
            row["frequency_hz"] = record.center_hz
            if record.train:
                row["frequency_uncertainty_hz"] = math.hypot(
                    record.measurement.center_uncertainty_hz, record.spread_hz
                )
            found = record.identification
            if record.read is not None:
                row["designator"] = read_as(get_mode(record.read), found.kind, found.designator)
        return {**row, **known}

    def _refer(self, row: dict[str, Any], stored: dict[str, Any] | None) -> None:
        row["evidence_id"] = stored["id"] if stored else None
        if stored:
            self._batch.evidence.append(stored)

    def _pack_up(self, row: dict[str, Any], samples: Samples) -> None:
        if self._pack and self._pack[0].rate_hz != samples.rate_hz:
            self._close_pack()
        if self._pack_id is None:
            self._pack_id = f"{row['emission_id']} {samples.time_ns()}"
        self._pack.append(samples)
        self._pack_rows.append(row)
        self._pack_size += len(samples.data)
        self._pack_grew = True
        if self._pack_size >= PACK_SAMPLES or len(self._pack) >= PACK_FRAMES:
            self._close_pack()

    def _close_pack(self) -> None:
        """Begin another pack. Only what was packed decides where, so that surveying again finds the same ones."""
        self._store_pack()
        self._pack, self._pack_rows, self._pack_size, self._pack_id = [], [], 0, None

    def _store_pack(self) -> None:
        """Store the pack as it is; it may still grow."""
        if not self._pack_grew or self._pack_id is None:
            return
        self._pack_grew = False
        parts = self._pack
        stored = self.evidence.add_snippet(
            self.recording,
            self._pack_id,
            parts[0],
            lambda stem, _: _write_many(stem, parts),
            stop_ns=parts[-1].time_ns(len(parts[-1].data)),
            keep=int(any(row["flags"] for row in self._pack_rows)),
        )
        if stored:
            self._batch.evidence.append(stored)
            for row in self._pack_rows:
                row["evidence_id"] = stored["id"]

    def _occupy(self, record: EmissionRecord, label: str | None) -> None:
        near = [
            number
            for number, (center_hz, width_hz, _) in enumerate(self._channels)
            if abs(center_hz - record.center_hz) < max(width_hz, record.width_hz) / 2
        ]
        number = near[0] if near else len(self._channels)
        if not near:
            self._channels.append((record.center_hz, record.width_hz, label))
        spans = self._on.setdefault(number, [])
        spans[:] = [span for span in spans if span[0] != record.start_ns]  # a train that has grown
        spans.append((record.start_ns, record.stop_ns, record.on_ns))


def _occupied_ns(spans: Iterable[tuple[int, int, int]], begin: int, end: int) -> float:
    """Give how long a channel was in use within an interval, from (start, stop, on) of its emissions.

    What overlaps counts once: two emissions heard at a time on a channel do not fill it twice. The on-time of a
    train is spread evenly over its span, and trains that overlap come and go independently.
    """
    events: list[tuple[int, bool, float]] = []
    for start, stop, on in spans:
        first, last = max(start, begin), min(stop, end)
        if last > first:
            share = min(1.0, on / (stop - start))
            events += [(first, True, share), (last, False, share)]
    total, before = 0.0, begin
    active: list[float] = []
    for at, comes, share in sorted(events):
        total += (at - before) * (1.0 - math.prod(1.0 - item for item in active))
        before = at
        if comes:
            active.append(share)
        else:
            active.remove(share)
    return total


def _channel_name(frequency_hz: float) -> str:
    return str(round(frequency_hz / 5000) * 5000)


def _raised(samples: Samples) -> tuple[Samples, float]:
    """Give samples raised to half of full scale, so that 16 bits hold them well, and by how many dB."""
    parts = (samples.data[at : at + _PIECE] for at in range(0, len(samples.data), _PIECE))
    peak = max((float(np.max(np.abs(part))) for part in parts), default=0.0)
    if not 0 < peak < np.inf:
        return samples, 0.0
    gain = 0.5 / peak
    data = samples.data * np.float32(gain)
    return replace(samples, data=data), float(20 * np.log10(gain))


def _write_snippet(stem: Path, samples: Samples, *, audio: bool) -> Iterable[Path]:
    what = "the analytic signal of audio, " if audio else ""
    meta = write_sigmf(
        stem,
        samples.data,
        rate_hz=samples.rate_hz,
        center_hz=samples.center_hz,
        epoch_ns=samples.time_ns(),
        sample_type="ci16_le" if np.iscomplexobj(samples.data) else "ri16_le",
        facts={"description": f"evidence snippet, {what}raised to half of full scale"},
    )
    return [meta, meta.with_suffix(".sigmf-data")]


def _write_many(stem: Path, parts: Sequence[Samples]) -> Iterable[Path]:
    with SigmfAppender(
        stem, rate_hz=parts[0].rate_hz, facts={"description": "evidence snippets, one capture a frame"}
    ) as out:
        out.append_captures(parts)
    return [out.meta_path, out.data_path]
