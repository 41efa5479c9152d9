"""What a report is made from: plain rows as the log exports them, and the media that go with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Overview:
    """The spectrogram of a whole stretch: `level_db` float32 shape (rows, bins), rows in time."""

    level_db: np.ndarray
    start_ns: int
    stop_ns: int
    low_hz: float
    high_hz: float


@dataclass(frozen=True, slots=True)
class Recording:
    """One surveyed stretch: where and when, what it looked like, how well the receiver did.

    `health` holds what was noticed of the receiver, as words to figures; `overviews` has one entry per
    capture.
    """

    id: str
    name: str
    start_ns: int
    stop_ns: int
    center_hz: float | None
    rate_hz: float | None
    overviews: Sequence[Overview] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    health: Mapping[str, Any] = field(default_factory=dict)
    warnings: Sequence[str] = ()
    audio: bool = False  # demodulated: its band begins at 0 Hz


@dataclass(frozen=True, slots=True)
class Media:
    """A clip or image: its bytes where they fit into the page, else the path of the file beside it."""

    kind: str  # "audio/flac", "image/png"
    data: bytes | None = None
    path: str | None = None


@dataclass(frozen=True, slots=True)
class Plate:
    """One evidence picture of one row."""

    subject: str  # id of the emission, message or over it speaks for
    name: str  # spectrogram, spectrum, constellation, eye, frequency, envelope
    png: bytes


def _nowhere(evidence_id: Any) -> str | None:
    """Know of no file."""
    return None


@dataclass(frozen=True)
class ReportData:
    """Everything a report tells. Rows have the keys of the export; messages may be any iterable."""

    station: Mapping[str, Any] = field(default_factory=dict)
    recordings: Sequence[Recording] = ()
    emissions: Sequence[Row] = ()
    occupancy: Sequence[Row] = ()
    identities: Sequence[Row] = ()  # those that a rule ties together as one row, with `joined_ids`
    relations: Sequence[Row] = ()
    messages: Iterable[Row] = ()
    overs: Sequence[Row] = ()
    pictures: Sequence[Row] = ()
    media: Mapping[str, Media] = field(default_factory=dict)  # by id of over or picture
    plates: Sequence[Plate] = ()
    methods: Mapping[str, str] = field(default_factory=dict)
    cautions: Sequence[str] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    totals: Mapping[str, Any] = field(default_factory=dict)  # `Log.summary`, where rows above are a choice
    located: Callable[[Any], str | None] = _nowhere  # path, from the page, of the samples with an evidence id
    made_ns: int = 0
