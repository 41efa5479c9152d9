"""One pass over any number of messages that keeps only what a page can show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from earwitness.view.words import number, plain

GROUPS = 250  # senders told apart
PER_GROUP = 12  # messages shown of each
SHOWN = 1500  # messages shown in all
ALIKE = 400  # flagged messages that differ by sender or kind
TRACK = 400  # points of a track
TRACKS = 2000  # identities followed
KINDS = 400  # names of modes and kinds told apart; more are counted as "other"

URGENT = ("distress", "emergency", "hijack", "urgency", "safety", "new")


def urgency(flag: str) -> int:
    """Give how far up a flag belongs, 0 first."""
    low = flag.lower()
    return next((n for n, word in enumerate(URGENT) if word in low), len(URGENT) - 1)


def flags_of(row: Mapping[str, Any]) -> list[str]:
    """Give a row's flags as bounded words."""
    value = row.get("flags")
    return [plain(item, limit=40) for item in value[:12]] if isinstance(value, list | tuple) else []


class Group:
    """The messages of one mode and sender: how many, of which kinds, and the first few."""

    def __init__(self, mode: str, identity: str | None) -> None:
        self.mode = mode
        self.identity = identity
        self.count = 0
        self.kinds: Counter[str] = Counter()
        self.rows: list[Mapping[str, Any]] = []


class Told:
    """Flagged messages of one sender that say the same: the first, the last, how many."""

    def __init__(self, row: Mapping[str, Any]) -> None:
        self.first = self.last = row
        self.count = 1

    def again(self, row: Mapping[str, Any]) -> None:
        """Take another one, in order of time."""
        self.last = row
        self.count += 1


class Digest:
    """Counts, tracks and the shown rows of a run of messages."""

    def __init__(self, messages: Iterable[Mapping[str, Any]]) -> None:
        self.total = 0
        self.shown = 0
        self.modes: Counter[str] = Counter()
        self.checks: Counter[str] = Counter()
        self.groups: dict[tuple[str, str | None], Group] = {}
        self._told: dict[tuple[Any, ...], Told] = {}
        self.tracks: dict[str, list[tuple[float, float]]] = {}
        self._steps: Counter[str] = Counter()
        self.by_emission: Counter[str] = Counter()
        for row in messages:
            self._take(row)

    @property
    def told(self) -> list[Told]:
        """Give the flagged messages, those alike of one sender together."""
        return list(self._told.values())

    def _take(self, row: Mapping[str, Any]) -> None:
        self.total += 1
        mode = plain(row.get("mode"), limit=30)
        mode = mode if mode in self.modes or len(self.modes) < KINDS else "other"
        self.modes[mode] += 1
        check = plain(row.get("check"), limit=20)
        self.checks[check if check in self.checks or len(self.checks) < KINDS else "other"] += 1
        identity = row.get("identity") if isinstance(row.get("identity"), str) else None
        emission = row.get("emission_id")
        if isinstance(emission, str) and (emission in self.by_emission or len(self.by_emission) < 20_000):
            self.by_emission[emission] += 1
        flags = flags_of(row)
        if flags:
            fields = row.get("fields")
            about = plain(fields.get("distress_id"), limit=40) if isinstance(fields, Mapping) else ""
            same = (identity, mode, plain(row.get("kind"), limit=60), about, *sorted(flags))
            if same in self._told:
                self._told[same].again(row)
            elif len(self._told) < ALIKE:
                self._told[same] = Told(row)
        key: tuple[str, str | None] = (mode, identity)
        if key not in self.groups and len(self.groups) >= GROUPS:
            key = (mode, None)
        group = self.groups.setdefault(key, Group(*key))
        group.count += 1
        kind = plain(row.get("kind"), limit=60)
        group.kinds[kind if kind in group.kinds or len(group.kinds) < 40 else "other"] += 1
        if len(group.rows) < PER_GROUP and self.shown < SHOWN:
            group.rows.append(row)
            self.shown += 1
        if identity:
            self._follow(identity, row.get("fields"))

    def _follow(self, identity: str, fields: Any) -> None:
        """Keep an even choice of an identity's positions: every other one is dropped when it gets long."""
        if not isinstance(fields, Mapping):
            return
        lat, lon = number(fields.get("latitude_deg")), number(fields.get("longitude_deg"))
        if lat is None or lon is None or abs(lat) > 90 or abs(lon) > 180:
            return
        if identity not in self.tracks and len(self.tracks) >= TRACKS:
            return
        track = self.tracks.setdefault(identity, [])
        self._steps[identity] += 1
        stride = (
            1 << self._steps[identity].bit_length() - TRACK.bit_length()
            if self._steps[identity] > TRACK
            else 1
        )
        if self._steps[identity] % stride == 0:
            track.append((lat, lon))
        if len(track) >= TRACK:
            del track[1::2]
